//! Snapping one mark to a joint: the waist or line between two segments of an appendage.

use super::response::{Shape, Unit};
use super::strip::{Frame, Stations, median_of};
use crate::animal::by_hand;
use crate::photo::Light;
use crate::units::{Image, Point, Px, Vector};

/// A joint that was found.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Joint {
    /// Its place.
    pub at: Point<Image>,
    /// Covariance, px²: xx, xy, yy.
    pub covariance_px2: [f64; 3],
}

/// Why a mark stays where the hand put it.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum NoJoint {
    /// Too little room between the neighbouring marks, or outside the picture.
    #[error("a segment beside it is shorter than two blur spots, or leaves the picture")]
    NoRoom,
    /// Nothing stands out.
    #[error("no joint stands out within {capture_px:.1} px of it")]
    None {
        /// The reach, px.
        capture_px: f64,
    },
    /// Two waists that are as good as each other.
    #[error("two places {apart_px:.1} px apart are equally likely")]
    Ambiguous {
        /// Distance, px.
        apart_px: f64,
    },
}

/// A waist must be this many times deeper than the noise of its own profile.
const LEAST_DEPTH: f64 = 4.0;
/// A waist takes at least this share of what the segments beside it hold.
const LEAST_SHARE: f64 = 0.02;
/// A waist's vertex is sought within this many blur spots to either side of it.
const VERTEX_W: f64 = 0.4;
/// Levels of the segments to either side are taken this many blur spots from the joint.
const BESIDE_W: f64 = 0.8;
/// What unequal segments still move a waist by, in blur spots: standard uncertainty, from rendered antennae with segments of 2 to 5
/// blur spots (tests/campaign/animals.rs); more for segments below 2.7 blur spots.
const UNEVEN_W: f64 = 0.07;
const SHORT_W: f64 = 2.7;
/// Waists by light and by width farther apart than this many blur spots are not the same joint.
const MOST_APART_W: f64 = 0.8;
/// Shortest segment beside a joint, in blur spots.
const SHORTEST_W: f64 = 1.9;
/// Beyond the appendage's rim light is summed with falling weight over this many blur spots.
const BEYOND_W: f64 = 1.6;
/// Widest appendage, in lengths of the shorter segment beside the joint.
const WIDEST: f64 = 1.2;

/// Finds the joint at `mark` between the marks before and after it.
///
/// The animal's light against the ground is summed square to the appendage; a joint is a waist of that sum along the
/// appendage. Where the segments beside it hold unequal light, the waist leans to the poorer one: their difference, as an edge at the
/// joint, is taken off first. Segments lie over each other like tubes of a telescope, so the tone of one reaches over the joint; the
/// waist of the sum over the greatest light on each line, which is a width, leans the other way: the joint is half way between the
/// two, and half of their distance counts as uncertainty. The place across is the centroid of the light there.
///
/// # Accuracy
/// 0.07 to 0.14 blur spots along on rendered antennae with segments of 2 to 5 blur spots.
/// # Errors
/// [`NoJoint`]: the mark then stays where it is.
pub fn snap_to_joint(
    light: &Light,
    before: Point<Image>,
    mark: Point<Image>,
    after: Point<Image>,
    w: Px,
) -> Result<Joint, NoJoint> {
    let w = w.get();
    let (a, b) = (mark - before, after - mark);
    let shorter = a.length().min(b.length());
    let hand = by_hand(Px::new(w)).get();
    let capture_px = (3.0 * hand).min(0.45 * shorter);
    if !(w > 0.0 && shorter >= SHORTEST_W * w) {
        return Err(NoJoint::NoRoom);
    }
    let direction = a * (1.0 / a.length()) + b * (1.0 / b.length());
    let frame = Frame::new(mark, direction).ok_or(NoJoint::NoRoom)?;
    let reach = capture_px + (BESIDE_W + 0.3) * w;
    let stations = Stations::new(-reach, reach, (w / 12.0).clamp(0.2, 1.0));
    let sums = Sums::of(light, &frame, &stations, w, (a, b)).ok_or(NoJoint::NoRoom)?;
    let best = sums.joint(&stations, (capture_px, hand), w)?;
    let (t, u_t) = sums.centre(&stations, best.s);
    let u_s = best.u.hypot(UNEVEN_W * w * (SHORT_W * w / shorter).max(1.0));
    let (n, v) = (frame.along, frame.across);
    let entry = |a: f64, b: f64, c: f64, d: f64| u_s * u_s * a * b + u_t * u_t * c * d;
    Ok(Joint {
        at: frame.at(best.s, t),
        covariance_px2: [entry(n.x, n.x, v.x, v.x), entry(n.x, n.y, v.x, v.y), entry(n.y, n.y, v.y, v.y)],
    })
}

/// Light against the ground, summed across at each station, with its centroid.
struct Sums {
    mass: Vec<f64>,
    /// The same over the greatest light of the line, in the unit of the mass.
    width: Vec<f64>,
    centroid: Vec<f64>,
    /// Standard deviation of one sum.
    noise: f64,
    half: f64,
}

/// A waist.
#[derive(Clone, Copy, Debug)]
struct Waist {
    s: f64,
    u: f64,
    depth: f64,
}

impl Sums {
    /// The bend at the mark is followed: stations before it lie on the segment before, those after on the one after.
    fn of(
        light: &Light,
        frame: &Frame,
        stations: &Stations,
        w: f64,
        (a, b): (Vector<Image>, Vector<Image>),
    ) -> Option<Self> {
        let thick = thickness(light, frame.origin, a * -1.0).max(thickness(light, frame.origin, b));
        let half = 0.5 * thick.clamp(w, WIDEST * a.length().max(b.length()).max(w)) + BEYOND_W * w;
        let slope = |v: Vector<Image>| v.dot(frame.across) / v.dot(frame.along).max(1e-6);
        let (before, after) = (slope(a), slope(b));
        let bent = |s: f64| if s < 0.0 { before * s } else { after * s };
        let step = (w / 8.0).clamp(0.25, 1.5);
        let across: Vec<f64> = (0..=(2.0 * half / step) as usize).map(|k| k as f64 * step - half).collect();
        let lines: Vec<Vec<f64>> = (0..stations.count)
            .map(|i| {
                let s = stations.at(i);
                across.iter().map(|t| light.sample(frame.at(s, bent(s) + t)).unwrap_or(f64::NAN)).collect()
            })
            .collect();
        // The ends of every line are ground; the body or another limb may reach into some of them.
        let edge = ((0.5 * w / step) as usize).clamp(1, across.len() / 3);
        let outer = || lines.iter().flat_map(|l| l[..edge].iter().chain(&l[l.len() - edge..])).copied();
        let ground = median_of(outer())?;
        let noise = 1.4826 * median_of(outer().map(|v| (v - ground).abs()))?;
        let middle = median_of(lines.iter().map(|l| l[l.len() / 2]))?;
        let sign = if middle > ground { 1.0 } else { -1.0 };
        let mut peaks = Vec::with_capacity(lines.len());
        let mut sums = Self { mass: Vec::new(), width: Vec::new(), centroid: Vec::new(), noise: 0.0, half };
        for (i, line) in lines.iter().enumerate() {
            let (mut sum, mut moment) = (0.0, 0.0);
            for (v, t) in line.iter().zip(&across) {
                let weight = ((half - t.abs()) / (0.8 * w)).clamp(0.0, 1.0);
                let light = sign * (v - ground) * weight * step;
                sum += light;
                moment += light * (t + bent(stations.at(i)));
            }
            sums.mass.push(sum);
            sums.centroid.push(moment / sum);
            peaks.push(line.windows(3).map(|v| sign * ((v[0] + v[1] + v[2]) / 3.0 - ground)).fold(0.0, f64::max));
        }
        let typical = median_of(peaks.iter().copied())?;
        sums.width =
            sums.mass.iter().zip(&peaks).map(|(mass, peak)| mass * typical / peak.max(0.1 * typical)).collect();
        // About one independent value a pixel.
        sums.noise = noise * (2.0 * half).sqrt();
        sums.mass.iter().all(|m| m.is_finite()).then_some(sums)
    }

    /// The joint by both waists.
    fn joint(&self, stations: &Stations, (capture_px, hand): (f64, f64), w: f64) -> Result<Waist, NoJoint> {
        let by_light = self.clearest(&self.mass, stations, (capture_px, hand), w)?;
        let by_width = self.clearest(&self.width, stations, (capture_px, hand), w)?;
        match (by_light, by_width) {
            (Some(a), Some(b)) if (a.s - b.s).abs() < MOST_APART_W * w => {
                let u = (0.5 * (a.u + b.u)).hypot(0.5 * (a.s - b.s));
                Ok(Waist { s: 0.5 * (a.s + b.s), u, depth: a.depth })
            }
            (Some(a), Some(b)) => Err(NoJoint::Ambiguous { apart_px: (a.s - b.s).abs() }),
            (Some(one), None) | (None, Some(one)) => Ok(Waist { u: one.u.hypot(0.5 * MOST_APART_W * w), ..one }),
            (None, None) => Err(NoJoint::None { capture_px }),
        }
    }

    /// The most convincing waist of one profile; `None` where there is none.
    fn clearest(
        &self,
        profile: &[f64],
        stations: &Stations,
        (capture_px, hand): (f64, f64),
        w: f64,
    ) -> Result<Option<Waist>, NoJoint> {
        let found = self.waists(profile, stations, (capture_px, hand), w);
        let Some(best) = found.first() else { return Ok(None) };
        match found.get(1) {
            Some(second)
                if second.depth > 0.7 * best.depth
                    && (second.s - best.s).abs() > 0.5 * w
                    && second.s.abs() < 1.5 * best.s.abs() =>
            {
                Err(NoJoint::Ambiguous { apart_px: (second.s - best.s).abs() })
            }
            _ => Ok(Some(*best)),
        }
    }

    /// Waists within the capture range, the most convincing first: deep, and near to where the hand set the mark.
    fn waists(&self, profile: &[f64], stations: &Stations, (capture_px, hand): (f64, f64), w: f64) -> Vec<Waist> {
        let typical = median_of(profile.iter().copied()).unwrap_or(0.0);
        let reach = ((0.3 * w / stations.step).round() as usize).max(2);
        let mut found: Vec<Waist> = Vec::new();
        for i in reach..profile.len().saturating_sub(reach) {
            let lowest = profile[i - reach..=i + reach].iter().copied().fold(f64::INFINITY, f64::min);
            if profile[i] > lowest || stations.at(i).abs() > capture_px {
                continue;
            }
            let Some(waist) = self.vertex(profile, stations, stations.at(i), w) else { continue };
            let clear =
                waist.depth > LEAST_SHARE * typical && waist.depth > LEAST_DEPTH * self.noise / w.max(1.0).sqrt();
            if waist.s.abs() <= capture_px && clear {
                found.push(waist);
            }
        }
        let merit = |v: &Waist| v.depth * (-0.25 * (v.s / hand).powi(2)).exp();
        found.sort_by(|a, b| merit(b).total_cmp(&merit(a)));
        found
    }

    /// The vertex near `s` once the step between the segments is taken off.
    fn vertex(&self, profile: &[f64], stations: &Stations, s: f64, w: f64) -> Option<Waist> {
        let unit = Unit::get(Shape::Diffraction);
        let mut at = s;
        let mut found = None;
        for _ in 0..3 {
            let step =
                value_at(profile, stations, at + BESIDE_W * w)? - value_at(profile, stations, at - BESIDE_W * w)?;
            let window: Vec<(f64, f64)> = stations
                .between(at - VERTEX_W * w, at + VERTEX_W * w)
                .map(|i| {
                    let x = stations.at(i) - at;
                    (x, profile[i] - step * unit.edge_and_slope(x / w).0)
                })
                .collect();
            let per_pixel = (1.0 / stations.step).max(1.0);
            let (vertex, bend, u) = parabola(&window, self.noise * per_pixel.sqrt())?;
            at += vertex.clamp(-0.3 * w, 0.3 * w);
            found = Some(Waist { s: at, u, depth: bend * (VERTEX_W * w).powi(2) });
        }
        found.filter(|f| (f.s - s).abs() < 0.5 * w)
    }

    /// Middle of the appendage at a place along, and its standard uncertainty.
    fn centre(&self, stations: &Stations, s: f64) -> (f64, f64) {
        let k = ((s - stations.from) / stations.step).round().max(0.0) as usize;
        let near = &self.centroid[k.saturating_sub(2)..(k + 3).min(self.centroid.len())];
        let mass = self.mass.get(k).copied().unwrap_or(1.0).max(1e-9);
        (median_of(near.iter().copied()).unwrap_or(0.0), (self.half * self.noise / mass).clamp(0.05, 2.0))
    }
}

/// A profile between its stations.
fn value_at(profile: &[f64], stations: &Stations, s: f64) -> Option<f64> {
    let x = (s - stations.from) / stations.step;
    let k = x.floor();
    if k < 0.0 {
        return None;
    }
    let (a, b) = (profile.get(k as usize)?, profile.get(k as usize + 1)?);
    Some(a + (x - k) * (b - a))
}

/// Width of an appendage half way along a segment, by its half-light points; 0 where it has none.
pub(super) fn thickness(light: &Light, from: Point<Image>, segment: Vector<Image>) -> f64 {
    let Some(frame) = Frame::new(from + segment * 0.5, segment) else { return 0.0 };
    let reach = segment.length().max(6.0);
    let step = 0.5;
    let n = (reach / step) as i32;
    let at = |k: i32| light.sample(frame.at(0.0, f64::from(k) * step)).unwrap_or(f64::NAN);
    let line: Vec<f64> = (-n..=n).map(at).collect();
    let middle = line[n as usize];
    let ground = |outward: &mut dyn Iterator<Item = f64>| {
        // The level farthest from the middle's on this side.
        outward.filter(|v| v.is_finite()).max_by(|a, b| (a - middle).abs().total_cmp(&(b - middle).abs()))
    };
    let side = |direction: i32| {
        let values = || (1..=n).map(move |k| at(direction * k));
        let far = ground(&mut values())?;
        let half = 0.5 * (middle + far);
        let k = values().position(|v| (v - half) * (middle - half) <= 0.0)?;
        Some((k as f64 + 1.0) * step)
    };
    match (side(1), side(-1)) {
        (Some(a), Some(b)) => 2.0 * a.min(b),
        (Some(a), None) | (None, Some(a)) => 2.0 * a,
        (None, None) => 0.0,
    }
}

/// Vertex, bend and uncertainty of the vertex of a parabola through samples.
fn parabola(window: &[(f64, f64)], noise: f64) -> Option<(f64, f64, f64)> {
    let mut normal = nalgebra::Matrix3::<f64>::zeros();
    let mut right = nalgebra::Vector3::<f64>::zeros();
    for (x, v) in window {
        let row = nalgebra::Vector3::new(1.0, *x, x * x);
        normal += row * row.transpose();
        right += row * *v;
    }
    let inverse = normal.try_inverse()?;
    let c = inverse * right;
    if c[2] <= 0.0 {
        return None;
    }
    let vertex = -c[1] / (2.0 * c[2]);
    Some((vertex, c[2], noise * inverse[(1, 1)].max(0.0).sqrt() / (2.0 * c[2])))
}
