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
#[cfg(test)]
mod tests;

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
