//! The uncertainty that a measurement will have, foreseen from the plan.
//!
//! The formulae of the measurement model for one straight length, all as standard uncertainties:
//!
//! * marks: by hand each end rectangular over the blur spot, `w/√12` each, `w/√6` together; snapped 0.05 px each;
//! * threshold (snapped silhouettes in partly coherent light): `d` rectangular over 0 to `x₅₀ − x₂₅`, the length changes by `2d`;
//! * tone curve (silhouettes): exponent rectangular 0.75 to 1.3, an exponent of 1.3 moves an edge by 0.08 w, both ends the same way;
//! * scale: relative;
//! * lying: the spread of `1/cos θ`, or of `√(1 + (Δz/L)²)` with both ends uniform over the depth of field.
//!
//! One-sided terms are corrected in their mean when measured; here only their spread counts.

use serde::Serialize;

use super::request::{PlanRequest, PlannedLying, PlannedPlacement};
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
const POINTS: usize = 200;

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
    /// Standard uncertainty of the length.
    pub u_um: Um,
    /// Its parts, the largest first.
    pub budget: Vec<ExpectedTerm>,
}

/// Foresees the uncertainty of `length` for a blur spot `w` with its `x₅₀ − x₂₅`; `depth` is the total depth of field, `whole` the length that carries the
/// tilt (the animal's for its parts).
pub(super) fn expected(
    length: Um,
    whole: Um,
    (w, reach): (Um, Um),
    depth: Um,
    request: &PlanRequest,
    ends: Ends,
) -> Expected {
    let w = w.get();
    let pixel_um = request.pixel_pitch.get() / request.magnification;
    let mark = match request.placement {
        PlannedPlacement::Hand => w / 12.0_f64.sqrt(),
        PlannedPlacement::Snapped => SNAPPED_PX * pixel_um,
    };
    let silhouette = ends == Ends::Silhouette;
    let threshold = silhouette && request.placement == PlannedPlacement::Snapped && !request.incoherent;
    let tone_width = TONE_SHIFT * w * (TONE_HIGH / TONE_LOW).ln() / TONE_HIGH.ln();
    let term = |on: bool, source, u: f64| on.then(|| ExpectedTerm { source, u_um: Um::new(u) });
    let mut budget: Vec<ExpectedTerm> = [
        term(true, "blur spot and marks", mark * 2.0_f64.sqrt()),
        term(threshold, "threshold of the edge", 2.0 * reach.get() / 12.0_f64.sqrt()),
        term(silhouette && !request.tone_known, "tone curve", 2.0 * tone_width / 12.0_f64.sqrt()),
        term(request.scale_u_rel > 0.0, "scale", request.scale_u_rel * length.get()),
        term(true, "lying", spread_by_lying(request.lying, whole, depth) * length.get()),
    ]
    .into_iter()
    .flatten()
    .collect();
    budget.sort_by(|a, b| b.u_um.get().total_cmp(&a.u_um.get()));
    let u = budget.iter().map(|t| t.u_um.get().powi(2)).sum::<f64>().sqrt();
    Expected { u_um: Um::new(u), budget }
}

/// Relative standard deviation of a length by how it lies.
fn spread_by_lying(lying: PlannedLying, whole: Um, depth: Um) -> f64 {
    let ratio = depth / whole;
    let most = 1.0 - (1.0 - (LARGEST_SLOPE / ratio).min(1.0)).powi(2);
    let lift = |p: f64| match lying {
        PlannedLying::Within(angle) => 1.0 / (p * angle.get()).cos(),
        // Both ends uniform over the depth D: |Δz| ≤ d with probability 1 − (1 − d/D)², truncated at the largest tilt.
        PlannedLying::Unknown => (ratio * (1.0 - (1.0 - p * most).sqrt())).hypot(1.0),
    };
    let values: Vec<f64> = (0..POINTS).map(|k| lift((k as f64 + 0.5) / POINTS as f64)).collect();
    let mean = values.iter().sum::<f64>() / POINTS as f64;
    let variance = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / POINTS as f64;
    variance.sqrt() / mean
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::optics::{Aperture, ApertureNote, BlurSpot, PupilMagnification, System};
    use crate::units::Angle;

    fn spot() -> BlurSpot {
        let a = Aperture::new(ApertureNote::Marked(8.0), 5.0, PupilMagnification::Known(1.0)).unwrap();
        System::in_focus(a, Um::new(3.72)).unwrap().blur().unwrap()
    }

    #[test]
    fn a_feature_by_hand_is_the_blur_spot_over_the_root_of_six() {
        let mut request = PlanRequest::new(5.0, Um::new(3.72));
        request.scale_u_rel = 0.0;
        request.lying = PlannedLying::Within(Angle::new(0.0));
        let s = spot();
        let e = expected(
            Um::new(12.0),
            Um::new(500.0),
            (s.w_um, s.x50_minus_x25()),
            Um::new(200.0),
            &request,
            Ends::Feature,
        );
        assert!((e.u_um.get() - s.w_um.get() / 6.0_f64.sqrt()).abs() < 1e-9);
        // A silhouette adds the tone curve: 2 · 0.08 w over the rectangle's √12, about 0.097 w.
        let e = expected(
            Um::new(500.0),
            Um::new(500.0),
            (s.w_um, s.x50_minus_x25()),
            Um::new(200.0),
            &request,
            Ends::Silhouette,
        );
        let tone = e.budget.iter().find(|t| t.source == "tone curve").unwrap().u_um;
        assert!((tone / s.w_um - 0.0968).abs() < 5e-4, "{}", tone / s.w_um);
    }

    #[test]
    fn snapping_trades_marks_for_the_threshold() {
        let mut request = PlanRequest::new(5.0, Um::new(3.72));
        request.placement = PlannedPlacement::Snapped;
        let s = spot();
        let e = expected(
            Um::new(500.0),
            Um::new(500.0),
            (s.w_um, s.x50_minus_x25()),
            Um::new(200.0),
            &request,
            Ends::Silhouette,
        );
        let threshold = e.budget.iter().find(|t| t.source == "threshold of the edge").unwrap().u_um;
        assert!((threshold / s.x50_minus_x25() - 1.0 / 3.0_f64.sqrt()).abs() < 1e-9);
        request.incoherent = true;
        let e = expected(
            Um::new(500.0),
            Um::new(500.0),
            (s.w_um, s.x50_minus_x25()),
            Um::new(200.0),
            &request,
            Ends::Silhouette,
        );
        assert!(e.budget.iter().all(|t| t.source != "threshold of the edge"));
    }

    #[test]
    fn lying_spreads_as_its_distributions_do() {
        // Tilt uniform within 5°: 1/cos θ ≈ 1 + θ²/2, whose standard deviation is A²/2 · √(1/5 − 1/9) = 0.149 A².
        let a: f64 = 5.0_f64.to_radians();
        let got = spread_by_lying(PlannedLying::Within(Angle::new(a)), Um::new(500.0), Um::new(50.0));
        assert!((got / (0.149_07 * a * a) - 1.0).abs() < 0.01, "{got}");
        // Depth a tenth of the length: Δz²/(2L²) with E Δz² = D²/6, E Δz⁴ = D⁴/15: spread D²/(2L²) √(1/15 − 1/36).
        let got = spread_by_lying(PlannedLying::Unknown, Um::new(500.0), Um::new(50.0));
        let wanted = 0.5 * 0.01 * (1.0 / 15.0_f64 - 1.0 / 36.0).sqrt();
        assert!((got / wanted - 1.0).abs() < 0.02, "{got} {wanted}");
    }
}
