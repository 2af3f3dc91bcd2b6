//! The uncertainty that a measurement will have, foreseen from the plan.
//!
//! The formulae of the measurement model for one straight length, all as standard uncertainties:
//!
//! * marks: by hand each end rectangular over the blur spot, `w/√12` each, `w/√6` together; snapped 0.05 px each;
//! * threshold (snapped silhouettes in partly coherent light): `d` rectangular over 0 to `x₅₀ − x₂₅`, the length changes by `2d`;
//! * tone curve (silhouettes): exponent rectangular 0.75 to 1.3, an exponent of 1.3 moves an edge by 0.08 w, both ends the same way;
//! * scale: relative;
//! * scale over the depth: the animal anywhere in the depth of field, over the working distance where that is known;
//! * lying: the spread of `1/cos θ`, or of `√(1 + (Δz/L)²)` with both ends uniform over the depth of field.
//!
//! * pupil: what its being unknown adds.
//!
//! One-sided terms are corrected in their mean when measured; here only their spread counts.

use serde::Serialize;

use super::figures::{Figures, Range};
use super::request::{LensKind, PlanRequest, PlannedLying, PlannedPlacement};
use crate::units::Um;

/// A snapped edge is found to this many px: noise and pixels, not the threshold.
const SNAPPED_PX: f64 = 0.05;
/// Shift of an edge per blur spot for the largest tone exponent, and that exponent.
const TONE_SHIFT: f64 = 0.08;
const TONE_HIGH: f64 = 1.3;
const TONE_LOW: f64 = 0.75;
/// Largest tilt thought plausible where the lying is unknown, as a slope: 45°.
const LARGEST_SLOPE: f64 = 1.0;
/// Points of the quadrature over a lying distribution.
const POINTS: usize = 64;
/// Name of the part that an unknown pupil magnification brings.
pub(super) const PUPIL: &str = "pupil magnification not known";

/// What the ends of a length stand on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Ends {
    /// The animal's outer edge.
    Silhouette,
    /// Joints or lines.
    Feature,
}

/// One line of a foreseen budget.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct ExpectedTerm {
    /// Where it comes from.
    pub source: &'static str,
    /// Standard uncertainty it brings.
    pub u_um: Um,
}

/// A foreseen uncertainty.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Expected {
    /// Standard uncertainty of the length, an unknown pupil counted in.
    pub u_um: Um,
    /// What it would be with the pupil magnification, of all allowed, that gives the least.
    pub u_low_um: Um,
    /// What it would be with the pupil magnification, of all allowed, that gives the most.
    pub u_high_um: Um,
    /// Its parts, the largest first.
    pub budget: Vec<ExpectedTerm>,
}

/// The uncertainty at one certain aperture, and by how much a measurement corrects the length there.
struct Certain {
    budget: Vec<ExpectedTerm>,
    correction: f64,
}

impl Certain {
    fn u(&self) -> f64 {
        self.budget.iter().map(|t| t.u_um.get().powi(2)).sum::<f64>().sqrt()
    }
}

/// Foresees the uncertainty of a length; the second length is the one that carries the tilt (the animal's for its parts).
/// `blur` picks the blur spot `w` with its `x₅₀ − x₂₅`.
///
/// Where only a range of effective apertures is known, each is as likely as another. What the parts bring then is the mean over
/// them of their variances and the spread of their corrections; the excess over that at P = 1 is a part of its own.
pub(super) fn expected(
    lengths: (Um, Um),
    request: &PlanRequest,
    ends: Ends,
    range: &Range,
    blur: impl Fn(&Figures) -> (Um, Um),
) -> Expected {
    let at = |f: &Figures| certain(lengths, blur(f), f.depth.total_um(), request, ends);
    let Certain { mut budget, correction } = at(&range.nominal);
    let nominal = Certain { budget: budget.clone(), correction }.u();
    let (wide, narrow) = range.ends_of(|f| at(f).u());
    let excess = (range.mean_square(|f| at(f).u()) - nominal * nominal).max(0.0);
    let spread = range.mean_square(|f| at(f).correction - correction);
    if range.ends.is_some() {
        budget.push(ExpectedTerm { source: PUPIL, u_um: Um::new((excess + spread).sqrt()) });
    }
    budget.sort_by(|a, b| b.u_um.get().total_cmp(&a.u_um.get()));
    let all = Certain { budget, correction };
    Expected {
        u_um: Um::new(all.u()),
        u_low_um: Um::new(wide.min(narrow).min(nominal)),
        u_high_um: Um::new(wide.max(narrow).max(nominal)),
        budget: all.budget,
    }
}

fn certain((length, whole): (Um, Um), (w, reach): (Um, Um), depth: Um, request: &PlanRequest, ends: Ends) -> Certain {
    let w = w.get();
    let pixel_um = request.pixel_pitch.get() / request.magnification;
    let mark = match request.placement {
        PlannedPlacement::Hand => w / 12.0_f64.sqrt(),
        PlannedPlacement::Snapped => SNAPPED_PX * pixel_um,
    };
    let silhouette = ends == Ends::Silhouette;
    let threshold = silhouette && request.placement == PlannedPlacement::Snapped && !request.incoherent;
    let tone_width = TONE_SHIFT * w * (TONE_HIGH / TONE_LOW).ln() / TONE_HIGH.ln();
    let (lift, lift_spread) = lying(request.lying, whole, depth);
    // The animal lies anywhere within the depth of field.
    let far = request.working_distance.filter(|_| request.lens != LensKind::Telecentric);
    let by_depth = far.map_or(0.0, |distance| depth / distance / 12.0_f64.sqrt());
    let term = |on: bool, source, u: f64| on.then(|| ExpectedTerm { source, u_um: Um::new(u) });
    let budget = [
        term(true, "blur spot and marks", mark * 2.0_f64.sqrt()),
        term(threshold, "threshold of the edge", 2.0 * reach.get() / 12.0_f64.sqrt()),
        term(silhouette && !request.tone_known, "tone curve", 2.0 * tone_width / 12.0_f64.sqrt()),
        term(request.scale_u_rel > 0.0, "scale", request.scale_u_rel * length.get()),
        term(by_depth > 0.0, "scale over the depth", by_depth * length.get()),
        term(true, "lying", lift_spread * length.get()),
    ]
    .into_iter()
    .flatten()
    .collect();
    // Both corrections taken to the same side, the worse case.
    let correction = if threshold { reach.get() } else { 0.0 } + (lift - 1.0) * length.get();
    Certain { budget, correction }
}

/// Mean factor by which a length exceeds its projection, and its relative standard deviation, by how it lies.
fn lying(how: PlannedLying, whole: Um, depth: Um) -> (f64, f64) {
    let ratio = depth / whole;
    let most = 1.0 - (1.0 - (LARGEST_SLOPE / ratio).min(1.0)).powi(2);
    let lift = |p: f64| match how {
        PlannedLying::Within(angle) => 1.0 / (p * angle.get()).cos(),
        // Both ends uniform over the depth D: |Δz| ≤ d with probability 1 − (1 − d/D)², truncated at the largest tilt.
        PlannedLying::Unknown => (ratio * (1.0 - (1.0 - p * most).sqrt())).hypot(1.0),
    };
    let values: Vec<f64> = (0..POINTS).map(|k| lift((k as f64 + 0.5) / POINTS as f64)).collect();
    let mean = values.iter().sum::<f64>() / POINTS as f64;
    let variance = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / POINTS as f64;
    (mean, variance.sqrt() / mean)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::optics::{Aperture, ApertureNote, PupilMagnification, System};
    use crate::units::Angle;

    fn range(request: &PlanRequest) -> Range {
        let a = Aperture::new(ApertureNote::Marked(8.0), 5.0, request.pupil).unwrap();
        Range::new(request, &a).unwrap().0
    }

    fn request() -> PlanRequest {
        let mut request = PlanRequest::new(5.0, Um::new(3.72));
        request.pupil = PupilMagnification::Known(1.0);
        request
    }

    fn of(length: f64, request: &PlanRequest, ends: Ends) -> Expected {
        let lengths = (Um::new(length), Um::new(500.0));
        expected(lengths, request, ends, &range(request), |f| f.spot)
    }

    fn part(e: &Expected, source: &str) -> Option<f64> {
        e.budget.iter().find(|t| t.source == source).map(|t| t.u_um.get())
    }

    #[test]
    fn a_feature_by_hand_is_the_blur_spot_over_the_root_of_six() {
        let mut request = request();
        request.scale_u_rel = 0.0;
        request.lying = PlannedLying::Within(Angle::new(0.0));
        let w = range(&request).nominal.spot.0.get();
        let e = of(12.0, &request, Ends::Feature);
        assert!((e.u_um.get() - w / 6.0_f64.sqrt()).abs() < 1e-9);
        assert_eq!((e.u_low_um, e.u_high_um, part(&e, PUPIL)), (e.u_um, e.u_um, None));
        // A silhouette adds the tone curve: 2 · 0.08 w over the rectangle's √12, about 0.097 w.
        let e = of(500.0, &request, Ends::Silhouette);
        let tone = part(&e, "tone curve").unwrap();
        assert!((tone / w - 0.0968).abs() < 5e-4, "{}", tone / w);
    }

    #[test]
    fn an_unknown_pupil_is_a_mixture_over_effective_apertures() {
        // Monte Carlo twin: N_eff rectangular over its range, each mark rectangular over the blur spot of that aperture.
        let mut request = request();
        request.scale_u_rel = 0.0;
        request.lying = PlannedLying::Within(Angle::new(0.0));
        request.pupil = PupilMagnification::Unknown;
        let e = of(12.0, &request, Ends::Feature);
        let (low, high) = (8.0 * (1.0 + 5.0 / 2.0), 8.0 * (1.0 + 5.0 / 0.28));
        let trials = 200;
        let variance = (0..trials)
            .map(|k| {
                let n = low + (high - low) * (f64::from(k) + 0.5) / f64::from(trials);
                let a = Aperture::new(ApertureNote::Effective(n), 5.0, PupilMagnification::Unknown).unwrap();
                System::in_focus(a, Um::new(3.72)).unwrap().w().unwrap().get().powi(2) / 6.0
            })
            .sum::<f64>()
            / f64::from(trials);
        assert!((e.u_um.get() / variance.sqrt() - 1.0).abs() < 0.002, "{} {}", e.u_um, variance.sqrt());
        let sum: f64 = e.budget.iter().map(|t| t.u_um.get().powi(2)).sum();
        assert!((sum.sqrt() - e.u_um.get()).abs() < 1e-9);
        assert!(e.u_low_um < e.u_um && e.u_um < e.u_high_um);
        assert!(part(&e, PUPIL).unwrap() > part(&e, "blur spot and marks").unwrap());
    }

    #[test]
    fn snapping_trades_marks_for_the_threshold() {
        let mut request = request();
        request.placement = PlannedPlacement::Snapped;
        let reach = range(&request).nominal.spot.1.get();
        let threshold = part(&of(500.0, &request, Ends::Silhouette), "threshold of the edge").unwrap();
        assert!((threshold / reach - 1.0 / 3.0_f64.sqrt()).abs() < 1e-9);
        request.incoherent = true;
        assert_eq!(part(&of(500.0, &request, Ends::Silhouette), "threshold of the edge"), None);
    }

    #[test]
    fn depth_over_the_working_distance_changes_the_scale() {
        let mut request = request();
        request.working_distance = Some(Um::from_mm(40.0));
        let wanted = 500.0 * (range(&request).nominal.depth.total_um() / Um::from_mm(40.0)) / 12.0_f64.sqrt();
        let got = part(&of(500.0, &request, Ends::Feature), "scale over the depth").unwrap();
        assert!((got / wanted - 1.0).abs() < 1e-12);
        request.lens = LensKind::Telecentric;
        assert_eq!(part(&of(500.0, &request, Ends::Feature), "scale over the depth"), None);
    }

    #[test]
    fn lying_spreads_as_its_distributions_do() {
        // Tilt uniform within 5°: 1/cos θ ≈ 1 + θ²/2, whose standard deviation is A²/2 · √(1/5 − 1/9) = 0.149 A².
        let a: f64 = 5.0_f64.to_radians();
        let (_, got) = lying(PlannedLying::Within(Angle::new(a)), Um::new(500.0), Um::new(50.0));
        assert!((got / (0.149_07 * a * a) - 1.0).abs() < 0.01, "{got}");
        // Depth a tenth of the length: Δz²/(2L²) with E Δz² = D²/6, E Δz⁴ = D⁴/15: spread D²/(2L²) √(1/15 − 1/36).
        let (_, got) = lying(PlannedLying::Unknown, Um::new(500.0), Um::new(50.0));
        let wanted = 0.5 * 0.01 * (1.0 / 15.0_f64 - 1.0 / 36.0).sqrt();
        assert!((got / wanted - 1.0).abs() < 0.02, "{got} {wanted}");
    }
}
