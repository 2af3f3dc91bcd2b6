//! A whole chain of segments fitted at once: joints, tip, and where it springs from the body.
//!
//! Segments of two blur spots run into each other: no joint can be seen by itself. But a picture of the chain holds far more than
//! its waists: how wide, how bright and how blurred it is on either side of every joint. All pixels about the chain are fitted by a
//! drawing of it under the blur of the picture; every parameter has what is known of it before, the marks what the hand knows.

mod fit;
mod model;
mod problem;
mod raster;
mod samples;
mod several;

use fit::Fit;
use model::{EndKind, Layout};
use samples::Samples;

use super::Expected;
use super::feature::thickness;
use super::strip::median_of;
use crate::animal::{Levels, Mark, MarkKind, Placement, by_hand};
use crate::photo::Light;
use crate::setup::Coherence;
use crate::units::{Image, Point, Px, Vector};

/// Segments drawn shorter than this many blur spots along the chain do not say which way it runs. Two marks of one blur spot apart, each off by
/// half a blur spot, are drawn within half of one in one chain of ten, and within this or the wrong way round in one of a hundred: they
/// are set this far from their middle before the fit, along the line between the marks beside them.
const SHORTEST_W: f64 = 0.15;
/// Chains whose typical segment is shorter than this many blur spots are left to the joints' own waists and to the hand.
const SHORTEST_TYPICAL_W: f64 = 1.2;
/// Below this one fit in ten comes to rest in a wrong place (rendered antennae): it is begun from several places.
const SHORT_TYPICAL_W: f64 = 2.4;
/// Widest blur spot that is fitted as it is, in cells; wider ones are fitted on the means of several pixels.
const CELLS_PER_W: f64 = 7.0;
/// A mark is set by the fit where the fit knows it to this share of what the hand does.
const BETTER_THAN_HAND: f64 = 0.75;
/// Marks that move farther than this many standard uncertainties of the hand were set on something else.
const FARTHEST_U: f64 = 3.0;
/// Light beyond an end counts as animal from this share of the chain's own.
const GOES_ON: f64 = 0.45;
/// A body is looked for up to so many tens of degrees either way of where a chain would go on: just short of its own sides.
const TENS_EITHER_WAY: i32 = 10;
/// A drawing that leaves more than this share of the contrast unexplained is no picture of the chain.
const MOST_LEFT: f64 = 0.12;

/// A body's edge is taken as met no more obliquely than this, by the cosine.
const LEAST_COSINE: f64 = 0.3;

/// A chain that leaves its body more along the edge than this, by the cosine to the edge's normal, does not tell where it begins, nor how long its
/// first segment is: of 780 rendered antennae five did, and their first joints were off by 0.4 blur spots rms at a stated 0.07, the others' by 0.07.
const GRAZING_COSINE: f64 = 0.4;

/// Where one mark of the chain is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Found {
    pub(super) at: Point<Image>,
    pub(super) covariance_px2: [f64; 3],
    /// With the next one, where that is found too.
    with_next_px2: Option<[f64; 4]>,
    /// How obliquely the chain meets the body's edge.
    slant: Option<f64>,
    /// At an end that is a silhouette: light before it and beyond it, along the chain.
    pub(super) levels: Option<Levels>,
}

impl Found {
    pub(super) fn mark(&self) -> Mark {
        let kind = if self.levels.is_some() { MarkKind::Silhouette } else { MarkKind::Feature };
        let placement =
            Placement::snapped(self.covariance_px2, self.levels).with_next(self.with_next_px2).aslant(self.slant);
        Mark { at: self.at, kind, placement }
    }
}

/// What is seen about the chain before it is fitted.
struct Looks {
    /// What is known of how coherent the light is.
    coherence: Coherence,
    /// Whether the chain begins at a joint somewhere in the body, or at the body's edge.
    ends: MarkKind,
    ground: f64,
    /// Scatter of the ground.
    noise: f64,
    /// Half widths, px, and light against the ground of each segment.
    halves: Vec<f64>,
    tones: Vec<f64>,
    first: EndKind,
    last: EndKind,
    /// Light of the body against the ground.
    body: f64,
}

impl Looks {
    /// Whether the chain begins at a joint that may lie anywhere within the body.
    fn joint_within(&self) -> bool {
        self.first == EndKind::Body && self.ends == MarkKind::Feature
    }
}

/// Fits the chain through `marks`. One entry a mark, `None` for those that the picture does not tell better than the hand; `None`
/// where it cannot be fitted at all.
///
/// Where the ends are features, the chain begins at a joint: that may lie anywhere within the body's silhouette, and stays with the hand. Where
/// they are silhouettes, it begins at the body's edge.
pub(super) fn fit_chain(
    light: &Light,
    marks: &[Point<Image>],
    ends: MarkKind,
    expected: Expected,
) -> Option<Vec<Option<Found>>> {
    let w = expected.w.get();
    let typical = median_of(marks.windows(2).map(|p| (p[1] - p[0]).length()))?;
    if marks.len() < 3 || !(w.is_finite() && w > 0.0 && typical >= SHORTEST_TYPICAL_W * w) {
        return None;
    }
    let marks = &set_apart(marks, SHORTEST_W * w)?;
    let looks = look(light, marks, ends, expected)?;
    // A chain traced from its tip is fitted from the body.
    if looks.last != EndKind::Tip && looks.first == EndKind::Tip {
        let turned: Vec<Point<Image>> = marks.iter().rev().copied().collect();
        let looks = look(light, &turned, ends, expected)?;
        return Some(turned_back(placed(light, &turned, w, &looks)?));
    }
    placed(light, marks, w, &looks)
}

/// The marks with those of every segment that is shorter than `least` along the chain set that far from their middle; `None` where the
/// chain comes back on itself.
fn set_apart(marks: &[Point<Image>], least: f64) -> Option<Vec<Point<Image>>> {
    let mut out = marks.to_vec();
    let last = marks.len() - 1;
    for i in 0..last {
        let run = out[(i + 2).min(last)] - out[i.saturating_sub(1)];
        let along = run * (1.0 / run.length().max(1e-9));
        if (out[i + 1] - out[i]).dot(along) < least {
            let middle = out[i] + (out[i + 1] - out[i]) * 0.5;
            (out[i], out[i + 1]) = (middle + along * -least, middle + along * least);
        }
    }
    out.windows(2).all(|p| (p[1] - p[0]).length() >= least).then_some(out)
}

fn placed(light: &Light, marks: &[Point<Image>], w: f64, looks: &Looks) -> Option<Vec<Option<Found>>> {
    let (per, bin) = if w < 4.0 { (2, 1) } else { (1, (w / CELLS_PER_W).round().max(1.0) as usize) };
    let samples = Samples::about(light, marks, w, (per, bin), (looks, None))?;
    let typical = median_of(marks.windows(2).map(|p| (p[1] - p[0]).length()))?;
    let short = typical < SHORT_TYPICAL_W * w;
    let layout = Layout { marks: marks.len(), first: looks.first, last: looks.last, short };
    // Which way the body's edge runs is seen only once it is found; then as much of it is looked at on either side of the chain.
    let samples = match Fit::rim(&samples, layout, marks, w, looks) {
        Some(rim) => Samples::about(light, marks, w, (per, bin), (looks, Some(rim)))?,
        None => samples,
    };
    let fit = Fit::of(&samples, layout, marks, w, looks)?;
    let contrast = median_of(looks.tones.iter().map(|t| t.abs()))?;
    if fit.scatter > MOST_LEFT * contrast {
        return None;
    }
    let hand = by_hand(Px::new(w)).get();
    let tone = |i: usize| fit.parameter(layout.tone(i));
    let moved = |i: usize| (fit.place(&samples, i).0 - marks[i]).length();
    // Beside a mark that came to rest on something else its neighbours are in doubt; a tip cannot be taken for anything else.
    let last = marks.len() - 1;
    let within = looks.joint_within();
    let astray = |i: usize| i < last && moved(i) > FARTHEST_U * hand && !(i == 0 && within);
    let grazes = looks.first == EndKind::Body && fit.parameter(layout.body() + 1).cos().abs() < GRAZING_COSINE;
    let in_doubt = |i: usize| grazes && i < 2 || astray(i) || i < last && (astray(i + 1) || i > 0 && astray(i - 1));
    let found = (0..marks.len()).map(|i| {
        let (at, covariance_px2) = fit.place(&samples, i);
        let v = if i == 0 { marks[1] - marks[0] } else { marks[i] - marks[i - 1] };
        let (n, [xx, xy, yy]) = (v * (1.0 / v.length()), covariance_px2);
        let u_along = (xx * n.x * n.x + 2.0 * xy * n.x * n.y + yy * n.y * n.y).max(0.0).sqrt();
        if u_along > BETTER_THAN_HAND * hand || moved(i) > FARTHEST_U * hand || in_doubt(i) {
            return None;
        }
        let g = looks.ground;
        let levels = |animal: f64, ground: f64| Some(Levels { animal, ground });
        let levels = match i {
            // Seen along the chain, the body lies beyond its edge.
            0 if within => return None,
            0 if looks.first == EndKind::Body => levels(g, g + fit.parameter(layout.body())),
            0 => return None,
            _ if i + 1 < marks.len() => None,
            _ if looks.last == EndKind::Tip => levels(g + tone(i - 1), g),
            _ => return None,
        };
        let at_body = i == 0 && looks.first == EndKind::Body;
        let slant = at_body.then(|| 1.0 / fit.parameter(layout.body() + 1).cos().abs().max(LEAST_COSINE));
        Some(Found { at, covariance_px2, with_next_px2: None, slant, levels })
    });
    let mut found: Vec<Option<Found>> = found.collect();
    for i in 0..last {
        if let [Some(this), Some(_)] = &mut found[i..i + 2] {
            this.with_next_px2 = Some(fit.with_next(&samples, i));
        }
    }
    Some(found)
}

/// The same from the other end.
fn turned_back(mut found: Vec<Option<Found>>) -> Vec<Option<Found>> {
    let with_next: Vec<_> = found.iter().map(|f| f.and_then(|f| f.with_next_px2)).collect();
    found.reverse();
    let turned = |[xx, xy, yx, yy]: [f64; 4]| [xx, yx, xy, yy];
    // The mark that was before is the next one now.
    for (found, with_before) in found.iter_mut().zip(with_next.iter().rev().skip(1).chain([&None])) {
        if let Some(found) = found {
            found.with_next_px2 = with_before.map(turned);
        }
    }
    found
}

/// A first look at ground, segments and ends.
fn look(light: &Light, marks: &[Point<Image>], ends: MarkKind, expected: Expected) -> Option<Looks> {
    let w = expected.w.get();
    let unit = |v: Vector<Image>| v * (1.0 / v.length().max(1e-9));
    let across = |v: Vector<Image>| Vector::new(-v.y, v.x);
    let at = |p: Point<Image>| light.sample(p).unwrap_or(f64::NAN);
    let segments = || marks.windows(2);
    let thick: Vec<f64> = segments().map(|p| thickness(light, p[0], p[1] - p[0]).clamp(0.8 * w, 4.0 * w)).collect();
    let typical = median_of(thick.iter().copied())?;
    let beside: Vec<f64> = segments()
        .flat_map(|p| {
            let n = across(unit(p[1] - p[0]));
            [0.3, 0.5, 0.7].into_iter().flat_map(move |s| {
                let middle = p[0] + (p[1] - p[0]) * s;
                [1.5, 1.8, 2.1].into_iter().flat_map(move |k| {
                    let d = 0.5 * typical + k * w;
                    [middle + n * d, middle + n * -d]
                })
            })
        })
        .map(at)
        .collect();
    let ground = median_of(beside.iter().copied())?;
    let noise = 1.4826 * median_of(beside.iter().map(|v| (v - ground).abs()))?;
    // A bar no wider than the blur does not reach its full light.
    let unit_response = super::response::Unit::get(super::response::Shape::Diffraction);
    let full = |width: f64| 2.0 * unit_response.edge_and_slope(0.5 * width / w).0 - 1.0;
    let narrowed = |t: f64| (t * t - (0.55 * w).powi(2)).max((0.5 * w).powi(2)).sqrt();
    let tones: Vec<f64> = segments()
        .zip(&thick)
        .map(|(p, t)| (at(p[0] + (p[1] - p[0]) * 0.5) - ground) / full(narrowed(*t)).max(0.3))
        .collect();
    let tone = median_of(tones.iter().copied())?;
    let clear = tone.abs() > 4.0 * noise && tone.abs() > 1e-3 && tones.iter().all(|t| t * tone > 0.0);
    if !clear {
        return None;
    }
    let share = |p: Point<Image>| (at(p) - ground) / tone;
    let end = |here: Point<Image>, next: Point<Image>| {
        let back = unit(here - next);
        let behind = here + back * (1.3 * w);
        if share(behind) < GOES_ON {
            return EndKind::Tip;
        }
        let aside = across(back) * (0.5 * typical + w);
        let wide = share(behind + aside).max(share(behind + aside * -1.0));
        if wide > GOES_ON { EndKind::Body } else { EndKind::On }
    };
    let n = marks.len();
    let mut first = end(marks[0], marks[1]);
    let last = match end(marks[n - 1], marks[n - 2]) {
        EndKind::Tip => EndKind::Tip,
        _ => EndKind::On,
    };
    let mut body = at(marks[0] + unit(marks[0] - marks[1]) * (1.5 * w)) - ground;
    if first == EndKind::Tip && last == EndKind::Tip {
        // It springs from something: where a head is narrow and met aslant, that lies beside the line on which the first segment goes on.
        let about = |here: Point<Image>, next: Point<Image>| {
            let back = unit(here - next);
            let ring = (-TENS_EITHER_WAY..=TENS_EITHER_WAY).map(|k| {
                let (sin, cos) = (f64::from(k) * 10.0).to_radians().sin_cos();
                share(here + (back * cos + across(back) * sin) * (0.5 * typical + 1.3 * w))
            });
            ring.fold(0.0, f64::max)
        };
        let brightest = about(marks[0], marks[1]);
        if brightest > GOES_ON && brightest > about(marks[n - 1], marks[n - 2]) {
            (first, body) = (EndKind::Body, brightest * tone);
        }
    }
    let halves = thick.iter().map(|t| 0.5 * narrowed(*t)).collect();
    Some(Looks { coherence: expected.coherence, ends, ground, noise, halves, tones, first, last, body })
}

#[cfg(test)]
mod tests {
    use super::super::scene::Scene;
    use super::samples::Rim;
    use super::*;
    use crate::animal::blur::X50_MINUS_X25_PER_W;

    const JOINTS: [f64; 4] = [40.0, 57.0, 77.5, 104.0];

    /// A round body with a chain of three segments to the right, narrowed at its joints.
    fn picture(noise: f64, seed: u64) -> Light {
        blurred_picture(8.0, noise, seed)
    }

    fn blurred_picture(w: f64, noise: f64, seed: u64) -> Light {
        grown(0.0).lit(0.15, 0.6).blurred(w).photographed(noise, seed)
    }

    /// The same with its edge so many pixels farther out, as another threshold puts it.
    fn grown(by: f64) -> Scene {
        let half = |x: f64| {
            // Its first segment comes out of the body, whatever the body's edge seems to be.
            if (JOINTS[0] - 4.0..JOINTS[0]).contains(&x) {
                return Some(3.4 + by);
            }
            let k = JOINTS.windows(2).position(|j| x >= j[0] && x < j[1] + if j[0] > JOINTS[1] { by } else { 0.0 })?;
            let end = JOINTS[k + 1] + if k == 2 { by } else { 0.0 };
            let t = (x - JOINTS[k]) / (end - JOINTS[k]);
            let belly = 3.4 + 3.2 * (std::f64::consts::PI * t).sin().max(0.0).sqrt();
            let tip = if k == 2 && t > 0.5 { 6.6 * (1.0 - (2.0 * t - 1.0).powi(4)).max(0.0).sqrt() } else { belly };
            Some(tip + by)
        };
        let inside =
            |x: f64, y: f64| (x + 20.0).hypot(y - 60.0) < 60.0 + by || half(x).is_some_and(|h| (y - 60.0).abs() < h);
        Scene::of(150, 120, inside)
    }

    #[test]
    fn joints_of_segments_of_two_blur_spots_are_found_with_base_and_tip() {
        let w = Px::new(8.0);
        for (seed, off) in [(1, [1.5, -2.0, 2.0, -1.5]), (2, [-2.0, 1.8, -1.6, 2.0]), (3, [0.5, 2.2, 2.2, 0.0])] {
            let marks: Vec<Point<Image>> =
                JOINTS.iter().zip(off).map(|(x, d)| Point::new(x + d, 60.0 + 0.4 * d)).collect();
            let found =
                fit_chain(&picture(0.006, seed), &marks, MarkKind::Silhouette, Expected::blurred(w)).expect("a chain");
            for (i, (found, x)) in found.iter().zip(JOINTS).enumerate() {
                let found = found.unwrap_or_else(|| panic!("seed {seed}: mark {i} is not found"));
                let u = found.covariance_px2[0].sqrt();
                let error = found.at.x - x;
                assert!(error.abs() < 0.15 * w.get(), "seed {seed}: mark {i} at {error:+.2} px");
                assert!(
                    error.abs() < 3.0 * u && u < 0.13 * w.get(),
                    "seed {seed}: mark {i} at {error:+.2} ± {u:.2} px"
                );
                assert!((found.at.y - 60.0).abs() < 0.8, "seed {seed}: {found:?}");
                // Along the chain: ground before the body's edge, the chain before the tip.
                let dark_beyond = found.levels.map(|l| l.ground < l.animal);
                assert_eq!(dark_beyond, [Some(true), None, None, Some(false)][i], "seed {seed}: {found:?}");
            }
            // From the tip to the body it is the same chain.
            let turned: Vec<Point<Image>> = marks.iter().rev().copied().collect();
            let back =
                fit_chain(&picture(0.006, seed), &turned, MarkKind::Silhouette, Expected::blurred(w)).expect("a chain");
            let transposed = |[xx, xy, yx, yy]: [f64; 4]| [xx, yx, xy, yy];
            for (from_base, from_tip) in [(0, 2), (1, 1), (2, 0)] {
                let pair = |found: &[Option<Found>], i: usize| found[i].and_then(|f| f.with_next_px2).expect("a pair");
                assert_eq!(pair(&found, from_base), transposed(pair(&back, from_tip)));
            }
            assert_eq!(turned_back(back), found);
        }
    }

    /// The chain of [`picture`] on a head: the end of an ellipse of half axes `a` and `b`, whose edge runs through the first joint at `at_deg` from
    /// the ellipse's own end, which itself points `aside_deg` away from the chain. With the picture, the edge's outward normal there.
    fn on_a_head((a, b): (f64, f64), (at_deg, aside_deg): (f64, f64), w: f64, seed: u64) -> (Light, Vector<Image>) {
        let half = |x: f64| {
            let k = JOINTS.windows(2).position(|j| x >= j[0] && x < j[1])?;
            let t = (x - JOINTS[k]) / (JOINTS[k + 1] - JOINTS[k]);
            let tip = if k == 2 && t > 0.5 { (1.0 - (2.0 * t - 1.0).powi(4)).max(0.0).sqrt() } else { 1.0 };
            Some(tip * (3.4 + 3.2 * (std::f64::consts::PI * t).sin().max(0.0).sqrt()))
        };
        let (sin, cos) = aside_deg.to_radians().sin_cos();
        let (e, f) = (Vector::<Image>::new(cos, -sin), Vector::<Image>::new(sin, cos));
        let (sin, cos) = at_deg.to_radians().sin_cos();
        let centre = Point::<Image>::new(JOINTS[0], 60.0) + e * (-a * cos) + f * (-b * sin);
        let normal = e * (cos / a) + f * (sin / b);
        let inside = |x: f64, y: f64| {
            let v = Point::new(x, y) - centre;
            (v.dot(e) / a).hypot(v.dot(f) / b) < 1.0 || half(x).is_some_and(|h| (y - 60.0).abs() < h)
        };
        let light = Scene::of(150, 120, inside).lit(0.15, 0.6).blurred(w).photographed(0.004, seed);
        (light, normal * (1.0 / normal.length()))
    }

    #[test]
    fn a_base_on_a_narrow_head_met_aslant_is_seen_as_one() {
        let w = Px::new(5.0);
        for seed in 1..4 {
            let (light, normal) = on_a_head((30.0, 9.0), (60.0, 25.0), w.get(), seed);
            let mut marks: Vec<Point<Image>> = JOINTS.iter().map(|x| Point::new(*x, 60.0)).collect();
            marks[0] = marks[0] + normal * (2.2 * by_hand(w).get());
            // Right behind the mark there is next to nothing.
            let found = fit_chain(&light, &marks, MarkKind::Silhouette, Expected::blurred(w)).expect("a chain");
            for (i, x) in JOINTS.iter().enumerate() {
                let found = found[i].unwrap_or_else(|| panic!("seed {seed}: mark {i} is not found"));
                let (error, most) = (found.at.x - x, if i == 0 { 0.25 } else { 0.15 });
                assert!(error.abs() < most * w.get(), "seed {seed}: mark {i} at {error:+.2} px");
            }
            assert!(found[0].and_then(|f| f.levels).is_some_and(|l| l.ground < l.animal), "seed {seed}");
        }
    }

    #[test]
    fn a_first_joint_within_the_body_stays_with_the_hand() {
        let w = Px::new(8.0);
        for seed in 1..4 {
            // A socket seven pixels behind the body's edge, where the picture shows nothing.
            let mut marks: Vec<Point<Image>> = JOINTS.iter().map(|x| Point::new(*x, 60.0)).collect();
            marks[0].x -= 7.0;
            let fit = |ends| fit_chain(&picture(0.006, seed), &marks, ends, Expected::blurred(w)).expect("a chain");
            let within = fit(MarkKind::Feature);
            assert_eq!(within[0], None, "seed {seed}");
            for (found, x) in within.iter().zip(JOINTS).skip(1) {
                assert!(found.is_some_and(|f| (f.at.x - x).abs() < 0.15 * w.get()), "seed {seed}: {found:?} for {x}");
            }
            let at_edge = fit(MarkKind::Silhouette);
            assert!(at_edge[0].is_none_or(|f| (f.at.x - JOINTS[0]).abs() < 0.15 * w.get()), "seed {seed}: {at_edge:?}");
        }
    }

    #[test]
    fn a_chain_that_leaves_along_the_edge_does_not_tell_where_it_begins() {
        let w = Px::new(5.0);
        let marks: Vec<Point<Image>> = JOINTS.iter().map(|x| Point::new(*x, 60.0)).collect();
        for seed in 1..4 {
            // The edge's normal stands at 80° to the chain.
            let (light, normal) = on_a_head((60.0, 30.0), (90.0, -10.0), w.get(), seed);
            assert!(normal.x.abs() < 0.2, "{normal:?}");
            let Some(found) = fit_chain(&light, &marks, MarkKind::Silhouette, Expected::blurred(w)) else { continue };
            assert!(found[0].is_none() && found[1].is_none(), "seed {seed}: {found:?}");
            assert!(found[3].is_some_and(|f| (f.at.x - JOINTS[3]).abs() < 0.75), "seed {seed}: {found:?}");
        }
    }

    #[test]
    fn an_edge_whose_curvature_changes_is_looked_at_on_both_sides() {
        let w = 5.0;
        let marks: Vec<Point<Image>> = JOINTS.iter().map(|x| Point::new(*x, 60.0)).collect();
        let layout = Layout { marks: marks.len(), first: EndKind::Body, last: EndKind::Tip, short: false };
        let (mut both_sides, mut one_side) = (0.0_f64, 0.0_f64);
        for seed in 1..5 {
            let (light, normal) = on_a_head((30.0, 16.0), (40.0, 10.0), w, seed);
            let looks = look(&light, &marks, MarkKind::Silhouette, Expected::blurred(Px::new(w))).expect("a chain");
            let error = |rim: Option<Rim>| {
                let samples = Samples::about(&light, &marks, w, (1, 1), (&looks, rim)).expect("samples");
                let fit = Fit::of(&samples, layout, &marks, w, &looks).expect("a fit");
                let off = (fit.place(&samples, 0).0 - marks[0]).dot(normal) / w;
                (off, Fit::rim(&samples, layout, &marks, w, &looks))
            };
            let (off, rim) = error(None);
            one_side += off / 4.0;
            both_sides += error(rim).0 / 4.0;
        }
        // The arc of both is not the ellipse either, but errs by half as much.
        assert!(both_sides.abs() < 0.09, "{both_sides:+.3} w off");
        assert!(one_side.abs() > 1.5 * both_sides.abs(), "{one_side:+.3} w off with one side alone");
    }

    #[test]
    fn a_segment_drawn_as_nothing_or_the_wrong_way_round_is_fitted() {
        let w = Px::new(8.0);
        for (first, second) in [(48.6, 48.4), (49.5, 47.5)] {
            let marks = [first, second, 77.0, 104.5].map(|x| Point::<Image>::new(x, 60.2));
            let found =
                fit_chain(&picture(0.006, 5), &marks, MarkKind::Silhouette, Expected::blurred(w)).expect("a chain");
            for (found, x) in found.iter().zip(JOINTS) {
                let found = found.unwrap_or_else(|| panic!("the mark at {x} is not found"));
                assert!((found.at.x - x).abs() < 0.15 * w.get(), "{found:?}, wanted {x}");
            }
        }
        // Where all marks lie in one place nothing says which way it runs.
        let run = |x: [f64; 4]| {
            set_apart(&x.map(|x| Point::new(x, 0.0)), 1.0).map(|m| m.iter().map(|p| p.x).collect::<Vec<_>>())
        };
        assert_eq!(run([0.0, 5.0, 5.5, 9.0]), Some(vec![0.0, 4.25, 6.25, 9.0]));
        assert_eq!(run([0.0, 5.5, 5.0, 9.0]), Some(vec![0.0, 4.25, 6.25, 9.0]));
        assert_eq!(run([0.0, 5.0, 7.0, 9.0]), Some(vec![0.0, 5.0, 7.0, 9.0]));
        assert_eq!(run([3.0, 3.0, 3.0, 3.0]), None);
    }

    /// A threshold moves the body's edge along a short first segment, whose middle and whose joint stay.
    #[test]
    fn the_joint_behind_a_short_first_segment_does_not_follow_the_body_s_edge() {
        let w = Px::new(13.0);
        let marks: Vec<Point<Image>> = JOINTS.iter().map(|x| Point::new(*x, 60.0)).collect();
        let d = 0.5 * X50_MINUS_X25_PER_W * w.get();
        // Toward the dark side: a dark animal grows, a bright one shrinks.
        for (grows, animal, ground) in [(d, 0.15, 0.6), (-d, 0.6, 0.15)] {
            let mean_error = |coherence: Coherence| {
                let of = |seed: u64| {
                    let light = grown(grows).lit(animal, ground).blurred(w.get()).photographed(0.004, seed);
                    let found =
                        fit_chain(&light, &marks, MarkKind::Silhouette, Expected { w, coherence }).expect("a chain");
                    found[1].expect("the first joint").at.x - JOINTS[1]
                };
                (1..4).map(of).sum::<f64>() / 3.0
            };
            let stays = mean_error(Coherence::Unknown);
            assert!(stays.abs() < 0.05 * w.get(), "{grows:+.1} px: {stays:+.2} px");
            if grows < 0.0 {
                let follows = mean_error(Coherence::Incoherent);
                assert!(follows > 2.0 * stays.abs(), "{follows:+.2} px taken for incoherent, {stays:+.2} px");
            }
        }
    }

    #[test]
    fn short_chains_say_what_they_know() {
        let w = Px::new(11.0);
        let mut count = 0;
        for (seed, off) in [(1, [1.5, -3.0, 3.0, -1.5]), (2, [-2.0, 3.0, -2.6, 2.0]), (3, [0.5, 3.0, 3.0, 0.0])] {
            let marks: Vec<Point<Image>> =
                JOINTS.iter().zip(off).map(|(x, d)| Point::new(x + d, 60.0 + 0.4 * d)).collect();
            let found =
                fit_chain(&blurred_picture(w.get(), 0.006, seed), &marks, MarkKind::Silhouette, Expected::blurred(w))
                    .expect("a chain");
            for (i, (found, x)) in found.iter().zip(JOINTS).enumerate() {
                let Some(found) = found else { continue };
                count += 1;
                let (u, error) = (found.covariance_px2[0].sqrt(), found.at.x - x);
                assert!(error.abs() < 2.5 * u, "seed {seed}: mark {i} at {error:+.2} ± {u:.2} px");
            }
        }
        assert!(count >= 7, "only {count} of 12 marks are found");
    }

    #[test]
    fn no_chain_is_made_up() {
        let w = Px::new(8.0);
        let marks: Vec<Point<Image>> = JOINTS.iter().map(|x| Point::new(*x, 60.0)).collect();
        let empty = Scene::of(150, 120, |_, _| false).lit(0.1, 0.6).photographed(0.006, 4);
        assert_eq!(fit_chain(&empty, &marks, MarkKind::Silhouette, Expected::blurred(w)), None);
        // An even bar has no joints: what is in its middle stays with the hand.
        let bar = Scene::of(150, 120, |x, y| (20.0..120.0).contains(&x) && (y - 60.0).abs() < 6.0);
        let bar = bar.lit(0.15, 0.6).blurred(8.0).photographed(0.006, 5);
        if let Some(found) = fit_chain(&bar, &marks, MarkKind::Silhouette, Expected::blurred(w)) {
            assert!(found[1].is_none() && found[2].is_none(), "{found:?}");
        }
        assert_eq!(
            fit_chain(&bar, &marks[..2], MarkKind::Silhouette, Expected::blurred(w)),
            None,
            "one segment has no joints"
        );
        assert_eq!(fit_chain(&bar, &marks, MarkKind::Silhouette, Expected::blurred(Px::new(f64::NAN))), None);
    }
}
