//! Snapping one mark to the silhouette.

use super::crossing::{Crossing, Missing, Search, crossing};
use super::fit::{Course, Edge, Known, Sample, Start, fit_edge};
use super::silhouette::{NoEdge, SilhouettePoint, Snapping};
use super::strip::{Frame, Pixel, Stations, along, median_of, pixels};
use crate::animal::{Levels, by_hand};
use crate::photo::Light;
use crate::units::{Image, Point, Px, Vector};

/// The silhouette is followed over this many blur spots to either side of the line.
const HALF_WIDTH_W: f64 = 1.2;
/// Light is fitted within this many blur spots of the edge.
const REACH_W: f64 = 2.0;
/// Levels are looked at within this many blur spots to either side.
const WIDER_W: f64 = 1.8;
/// Shift of a fitted edge of curvature κ inward: this × w² κ. Diffraction 0.055 to 0.060 for radii from 3 blur spots,
/// Gaussian 0.076 (tests/derivations/curved_edge.py).
const CURVED: f64 = 0.066;
/// Relative standard uncertainty of that.
const U_CURVED: f64 = 0.25;
/// A strip is at most this many radii of curvature wide to either side.
const NARROWER: f64 = 0.6;
/// Largest share of burnt pixels.
const MOST_BURNT: f64 = 0.3;
/// Widest edge, in blur spots.
const WIDEST_W: f64 = 3.0;
/// A second crossing whose misfit is larger by less than this many blur spots makes the choice a guess.
const CLEAR_LEAD_W: f64 = 0.4;
/// Least step over the brighter side: shading, and the unevenness that compression leaves of noise, reach 2 to 3 %.
const LEAST_STEP: f64 = 0.06;
/// Least step over the scatter of a pixel.
const LEAST_CONTRAST: f64 = 2.0;

/// Finds the silhouette on the line through `mark` along `outward` (from the animal to the ground).
///
/// The crossing is chosen by misfit against the levels of animal and ground; the silhouette is followed over parallel lines,
/// straightened, and the light of all pixels of the strip fitted by a modelled edge response with its tails. A
/// half-way crossing on a curved silhouette lies inside: corrected.
///
/// # Accuracy
/// Bias below 0.02 w on straight and curved edges; standard uncertainty honest (tests).
/// # Errors
/// [`NoEdge`]: the mark then stays where it is.
/// # Source
/// The measurement model, section 4; derivation of the curvature's shift in tests/derivations/curved_edge.py.
pub fn snap_to_silhouette(
    light: &Light,
    mark: Point<Image>,
    outward: Vector<Image>,
    how: &Snapping,
) -> Result<SilhouettePoint, NoEdge> {
    let frame = Frame::new(mark, outward).ok_or(NoEdge::NoDirection)?;
    let (w, capture) = (how.w.get(), how.capture.get());
    if !(w.is_finite() && w > 0.0 && capture.is_finite() && capture > 0.0) {
        return Err(NoEdge::NoDirection);
    }
    let search = Search { w_px: w, capture_px: capture, inside_px: how.inside.get(), levels: how.levels };
    let chosen = crossing(light, &frame, &search).map_err(|missing| match missing {
        Missing::Outside => NoEdge::OutsidePicture,
        Missing::Flat => NoEdge::None { capture_px: capture },
        Missing::Faint { share } => NoEdge::Faint { percent: 100.0 * share.max(0.0) },
    })?;
    if chosen.lead < CLEAR_LEAD_W {
        return Err(NoEdge::Ambiguous { apart_px: w });
    }
    let bow = Bow::trace(light, &frame, &chosen, w);
    fitted(light, &frame, &chosen, bow, how)
}

/// The silhouette near the line by its half-way crossings, outward from the middle one: where the fit begins.
#[derive(Clone, Copy, Debug)]
pub(super) struct Bow {
    pub(super) course: Course,
    half: f64,
    /// Across, what is clear of limbs.
    clear: (f64, f64),
}

/// Nothing is known to stand beside.
const EVERYWHERE: (f64, f64) = (f64::NEG_INFINITY, f64::INFINITY);

impl Bow {
    fn trace(light: &Light, frame: &Frame, chosen: &Crossing, w: f64) -> Self {
        let half = (HALF_WIDTH_W * w).max(2.0);
        let step = (w / 5.0).clamp(0.5, 4.0);
        let n = (half / step).floor() as i32;
        let middle = 0.5 * (chosen.levels.animal + chosen.levels.ground);
        let mut points: Vec<(f64, f64)> = Vec::new();
        for direction in [1, -1] {
            let (mut at, mut before) = (chosen.s, chosen.s);
            for k in (i32::from(direction < 0)..=n).map(|k| k * direction) {
                let t = f64::from(k) * step;
                if let Some(s) = nearest_crossing(light, frame, t, 2.0 * at - before, middle, chosen, w) {
                    points.push((t, s));
                    before = if k == 0 { s } else { at };
                    at = s;
                } else {
                    before = at;
                }
            }
        }
        let flat = Course { level: chosen.s, slope: 0.0, bend: 0.0 };
        Self { course: parabola(&points).unwrap_or(flat), half, clear: EVERYWHERE }
    }

    /// From half-way crossings, across and along, of the piece from `clear.0` to `clear.1` across.
    pub(super) fn of_piece(points: &[(f64, f64)], clear: (f64, f64), w: f64) -> Self {
        let flat = Course { level: median_of(points.iter().map(|p| p.1)).unwrap_or(0.0), slope: 0.0, bend: 0.0 };
        let half = clear.0.abs().max(clear.1.abs()).min((HALF_WIDTH_W * w).max(2.0));
        Self { course: parabola(points).unwrap_or(flat), half, clear }
    }

    fn is_clear(&self, t: f64) -> bool {
        self.clear.0 <= t && t <= self.clear.1
    }

    /// Across, how much of the silhouette is fitted.
    fn width(&self) -> f64 {
        self.half.min(self.clear.1) + self.half.min(-self.clear.0)
    }
}

/// Robust parabola; a line where there are few points.
fn parabola(points: &[(f64, f64)]) -> Option<Course> {
    if points.len() < 3 {
        return None;
    }
    let order = if points.len() < 6 { 2 } else { 3 };
    let mut weights = vec![1.0; points.len()];
    let mut course = Course { level: 0.0, slope: 0.0, bend: 0.0 };
    for _ in 0..4 {
        let (mut normal, mut right) = (nalgebra::Matrix3::<f64>::identity() * 1e-9, nalgebra::Vector3::<f64>::zeros());
        for ((t, s), weight) in points.iter().zip(&weights) {
            let row = nalgebra::Vector3::new(1.0, *t, t * t);
            normal += row * row.transpose() * *weight;
            right += row * (*s * weight);
        }
        if order < 3 {
            normal[(2, 2)] += 1e12;
        }
        let solution = normal.cholesky()?.solve(&right);
        course = Course { level: solution[0], slope: solution[1], bend: solution[2] };
        let residual = |(t, s): &(f64, f64)| (s - course.at(*t)).abs();
        let scale = (1.4826 * median_of(points.iter().map(residual))?).max(0.02);
        for (weight, p) in weights.iter_mut().zip(points) {
            let r = residual(p) / scale;
            *weight = if r <= 2.0 { 1.0 } else { 2.0 / r };
        }
    }
    Some(course)
}

/// The crossing of `middle` with the right sign nearest to `guess` on the line `t`, within three quarters of a blur spot.
fn nearest_crossing(
    light: &Light,
    frame: &Frame,
    t: f64,
    guess: f64,
    middle: f64,
    chosen: &Crossing,
    w: f64,
) -> Option<f64> {
    let reach = (0.75 * w).max(1.5);
    let stations = Stations::new(guess - reach, guess + reach, (w / 8.0).clamp(0.25, 1.0));
    let line = along(light, frame, t, &stations);
    let outward = chosen.levels.ground - chosen.levels.animal;
    let crossings = line.windows(2).enumerate().filter_map(|(i, v)| {
        let (a, b) = (v[0] - middle, v[1] - middle);
        let right = a * b <= 0.0 && a != b && (b - a) * outward > 0.0;
        right.then(|| stations.at(i) + stations.step * a / (a - b))
    });
    crossings.min_by(|a, b| (a - guess).abs().total_cmp(&(b - guess).abs()))
}

/// Fits the strip; where the silhouette bows so much that a parabola does not follow it over the whole strip, a narrower one.
pub(super) fn fitted(
    light: &Light,
    frame: &Frame,
    chosen: &Crossing,
    bow: Bow,
    how: &Snapping,
) -> Result<SilhouettePoint, NoEdge> {
    let (edge, u_texture) = fit_strip(light, frame, chosen, &bow, how)?;
    let narrow = NARROWER / edge.course.curvature().abs();
    if narrow >= bow.half || bow.half <= 2.0 {
        return finished(frame, &edge, u_texture, how);
    }
    let bow = Bow { course: edge.course, half: narrow.max(2.0), ..bow };
    let (edge, u_texture) = fit_strip(light, frame, chosen, &bow, how)?;
    finished(frame, &edge, u_texture, how)
}

fn fit_strip(
    light: &Light,
    frame: &Frame,
    chosen: &Crossing,
    bow: &Bow,
    how: &Snapping,
) -> Result<(Edge, f64), NoEdge> {
    let w = how.w.get();
    let course = bow.course;
    let reach = (REACH_W * w).max(3.0) * course.stretch();
    let sag = course.bend.abs() * bow.half * bow.half + (course.slope * bow.half).abs();
    let mut near = pixels(light, frame, (course.level - reach - sag, course.level + reach + sag), bow.half);
    near.retain(|p| bow.is_clear(p.t) && (p.s - course.at(p.t)).abs() <= reach && -p.s <= how.inside.get().max(w));
    let burnt = near.iter().filter(|p| p.clipped).count() as f64 / near.len().max(1) as f64;
    if burnt > MOST_BURNT {
        return Err(NoEdge::Burnt { percent: 100.0 * burnt });
    }
    near.retain(|p| !p.clipped);
    let samples: Vec<Sample> = near.iter().map(|p| Sample { s: p.s, t: p.t, light: p.light, pixels: 1.0 }).collect();
    let beside = Beside::look(light, frame, chosen, bow, how);
    let Beside { animal, ground, .. } = beside;
    let edge = fit_edge(&samples, Start { w_px: w, course, animal, ground }).ok_or(NoEdge::NoFit)?;
    let levels = Levels { animal: edge.animal, ground: edge.ground };
    let strayed = (edge.course.level - course.level).abs() > w * course.stretch();
    if levels.ground_is() != chosen.levels.ground_is() || strayed {
        return Err(NoEdge::NoFit);
    }
    Ok((edge, beside.shift(&edge, bow.width())))
}

fn finished(frame: &Frame, edge: &Edge, u_texture: f64, how: &Snapping) -> Result<SilhouettePoint, NoEdge> {
    let w = how.w.get();
    if edge.w_px > WIDEST_W * w.max(2.0) {
        return Err(NoEdge::Wide { w_px: edge.w_px, blur_px: w });
    }
    let step = edge.contrast() / edge.animal.max(edge.ground).max(1e-9);
    if step < LEAST_STEP {
        return Err(NoEdge::Pale { percent: 100.0 * step });
    }
    let noise = edge.noise_animal.max(edge.noise_ground);
    let contrast_to_noise = edge.contrast() / noise.max(1e-9);
    if contrast_to_noise < LEAST_CONTRAST {
        return Err(NoEdge::Noisy { contrast_to_noise });
    }
    let found = point(frame, edge, how, (u_texture, contrast_to_noise));
    let (u_px, by_hand_px) = (found.u_along.get(), by_hand(how.w).get());
    if u_px <= by_hand_px { Ok(found) } else { Err(NoEdge::Unsure { u_px, by_hand_px }) }
}

/// Levels of animal and ground beside the edge and their spread, by the medians of a wider piece: what a highlight or
/// debris on the strip itself cannot carry off.
struct Beside {
    animal: Known,
    ground: Known,
    /// Standard deviations of what varies from place to place, noise taken off.
    texture: [f64; 2],
}

impl Beside {
    fn look(light: &Light, frame: &Frame, chosen: &Crossing, bow: &Bow, how: &Snapping) -> Self {
        let w = how.w.get();
        let course = bow.course;
        let half = (WIDER_W * w).max(4.0);
        let (near, far) = ((0.8 * w).max(1.5), (2.5 * w).max(4.0));
        let sag = course.bend.abs() * half * half + (course.slope * half).abs();
        let wide = pixels(light, frame, (course.level - far - sag, course.level + far + sag), half);
        let level = |side: f64, otherwise: f64| {
            let seen: Vec<&Pixel> = wide
                .iter()
                .filter(|p| {
                    let outward = side * (p.s - course.at(p.t));
                    let there = outward > near && outward < far && -p.s <= how.inside.get();
                    !p.clipped && there && (side < 0.0 || bow.is_clear(p.t))
                })
                .collect();
            let level = median_of(seen.iter().map(|p| p.light)).unwrap_or(otherwise);
            let spread = median_of(seen.iter().map(|p| (p.light - level).abs())).map_or(f64::INFINITY, |s| 1.5 * s);
            // Neighbours in a row differ by noise alone, as far as the blur is wider than a pixel.
            let beside = seen.windows(2).filter(|p| (p[0].s - p[1].s).hypot(p[0].t - p[1].t) < 1.01);
            let noise =
                median_of(beside.map(|p| (p[0].light - p[1].light).abs())).map_or(0.0, |d| 1.5 * d / 2f64.sqrt());
            let texture = if spread.is_finite() { (spread * spread - noise * noise).max(0.0).sqrt() } else { 0.0 };
            (Known { level, spread }, texture)
        };
        let (animal, a) = level(-1.0, chosen.levels.animal);
        let (ground, g) = level(1.0, chosen.levels.ground);
        Self { animal, ground, texture: [a, g] }
    }

    /// What texture does: the level just inside is known from as many patches as there are blur spots, and half of
    /// the level's error moves the half-way point by that share of the contrast over the slope there (1.12 / w for diffraction).
    fn shift(&self, edge: &Edge, width: f64) -> f64 {
        let patches = (width / (0.8 * edge.w_px)).max(1.0) * REACH_W;
        let sd = self.texture[0].hypot(self.texture[1]).min(edge.contrast());
        0.5 * sd / edge.contrast().max(1e-9) / patches.sqrt() * edge.w_px / 1.12
    }
}

/// Puts fit and correction together.
fn point(frame: &Frame, edge: &Edge, how: &Snapping, (u_texture, contrast): (f64, f64)) -> SilhouettePoint {
    let (w, course) = (edge.w_px, edge.course);
    let stretch = course.stretch();
    // No tighter than a blur spot: what is smaller is not followed.
    let limit = 1.0 / how.w.get();
    let bent = course.curvature().clamp(-limit, limit);
    let correction = CURVED * w * w * bent;
    // Beside the tip by t the silhouette is met t²/(2R) short of it: on the average, and by its scatter (t normal).
    let u_across = how.u_across.get();
    let beside = if how.tip { 0.5 * u_across * u_across * bent.max(0.0) } else { 0.0 };
    let s = course.level + correction * stretch + beside;
    let u_correction = (U_CURVED * correction).hypot(CURVED * w * w * edge.u_curvature.min(limit));
    // The mean square of t² is 3 u⁴.
    let u_round = if how.tip { 0.5 * 3f64.sqrt() * u_across * u_across * edge.u_curvature.min(limit) } else { 0.0 };
    let u_beside = (2f64.sqrt() * beside).hypot(u_round);
    let u_along = edge.u_level.hypot(stretch * u_texture.hypot(u_correction)).hypot(u_beside);
    let (u_s2, u_t2) = (u_along * u_along, u_across.powi(2));
    let (n, t) = (frame.along, frame.across + frame.along * course.slope);
    let entry = |a: f64, b: f64, c: f64, d: f64| u_s2 * a * b + u_t2 * c * d;
    SilhouettePoint {
        at: frame.at(s, 0.0),
        moved: Px::new(s),
        u_along: Px::new(u_along),
        covariance_px2: [entry(n.x, n.x, t.x, t.x), entry(n.x, n.y, t.x, t.y), entry(n.y, n.y, t.y, t.y)],
        normal: (frame.along + frame.across * -course.slope) * (1.0 / stretch),
        ground: Levels { animal: edge.animal, ground: edge.ground }.ground_is(),
        levels: Levels { animal: edge.animal, ground: edge.ground },
        w: Px::new(w),
        u_w: Px::new(edge.u_w_px),
        curvature_per_px: course.curvature(),
        correction: Px::new(correction),
        contrast_to_noise: contrast,
    }
}
