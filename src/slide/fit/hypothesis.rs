//! What a picture of a slide may have beside a plain scale, and how likely before it is seen.

use super::PRIOR_RADIAL;

/// What may be there beside a plain scale: prior probability, and the prior standard deviations of the terms.
#[derive(Clone, Copy, Debug)]
pub(super) struct Hypothesis {
    pub(super) probability: f64,
    pub(super) radial: Option<f64>,
    pub(super) perspective: Option<f64>,
}

/// Angle by which a slide levelled by eye is tilted about each axis, and one laid by hand, radians (common practice: half a degree and three).
const LEVELLED: f64 = 0.5 * std::f64::consts::PI / 180.0;
const LAID: f64 = 3.0 * std::f64::consts::PI / 180.0;
/// Distance from the slide to the entrance pupil, mm: f (1 + 1/m) of a thin lens of 35 mm at 5x, about the shortest in use (common practice);
/// longer ones, and objectives, which are telecentric, show less perspective.
const PUPIL_MM: f64 = 40.0;
/// Greatest tangent of the angle from the axis to the picture's corner of a lens that photographs slides (common practice: 15 degrees).
const WIDEST_FIELD: f64 = 0.27;
/// Least of the same, also where a stated division makes the field smaller than it is (common practice: 1.4 degrees, long lenses and
/// objectives, whose pupil is nearer the smaller their field).
const NARROWEST_FIELD: f64 = 0.025;

/// Standard deviation of perspective, relative change of scale at half a diagonal: the tilt times the tangent under which half a diagonal is seen from the pupil.
fn prior_perspective(tilt: f64, half_diagonal_mm: f64) -> f64 {
    tilt * (half_diagonal_mm / PUPIL_MM).clamp(NARROWEST_FIELD, WIDEST_FIELD)
}

/// Probability of a plain scale where the ground is even to the corners and where it falls off: set so that on rendered slides of both kinds the
/// errors keep to their stated uncertainty (`slide_campaign`, pulls 0.8 on clean ones, 0.9 to 1.1 in the field).
const PLAIN_ON_EVEN_GROUND: f64 = 0.72;
const PLAIN_ON_UNEVEN_GROUND: f64 = 0.2;
/// Fall-off of the light that passes for an even ground, a share of it (common practice: what people even light out to).
const EVEN: f64 = 0.04;

/// Probability of a plain scale before the graduations are asked, where the corners lack this share of the light, with its standard uncertainty.
pub(in super::super) fn prior_plain(fall_off: Option<(f64, f64)>) -> f64 {
    let even = fall_off.map_or(0.0, |(fall, u)| (-0.5 * (fall / EVEN.hypot(u)).powi(2)).exp());
    PLAIN_ON_UNEVEN_GROUND + (PLAIN_ON_EVEN_GROUND - PLAIN_ON_UNEVEN_GROUND) * even
}

/// All hypotheses, the plain scale first with this probability, everything that may be there last. A lens that distorts and a slide that lies askew
/// go together more often than not: both are signs of work in the field, neither of work on a bench.
pub(super) fn hypotheses(half_diagonal_mm: f64, plain: f64) -> Vec<Hypothesis> {
    let sizes = [LEVELLED, LAID].map(|tilt| prior_perspective(tilt, half_diagonal_mm));
    let rest = 1.0 - plain;
    let mut all = vec![Hypothesis::new(plain, None, None), Hypothesis::new(rest / 6.0, Some(PRIOR_RADIAL), None)];
    all.extend(sizes.map(|sd| Hypothesis::new(rest / 12.0, None, Some(sd))));
    all.extend(sizes.map(|sd| Hypothesis::new(rest / 3.0, Some(PRIOR_RADIAL), Some(sd))));
    all
}

impl Hypothesis {
    pub(super) const fn is_plain(&self) -> bool {
        self.radial.is_none() && self.perspective.is_none()
    }

    const fn new(probability: f64, radial: Option<f64>, perspective: Option<f64>) -> Self {
        Self { probability, radial, perspective }
    }

    /// The free parameters, each with the mean and the standard deviation of its prior; `radial_2` is that of κ₂.
    pub(super) fn free(&self, radial_2: (f64, f64)) -> Vec<(usize, Option<(f64, f64)>)> {
        let plain = (0..3).map(|i| (i, None));
        let radial = self.radial.into_iter().flat_map(|sd| [(3, Some((0.0, sd))), (6, Some(radial_2))]);
        let perspective = self.perspective.into_iter().flat_map(|sd| [4, 5].map(|i| (i, Some((0.0, sd)))));
        plain.chain(radial).chain(perspective).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn perspective_follows_from_the_field_of_view() {
        // Half a degree, a millimetre to the corner, the pupil 4 cm away: sin 0.5° / 40.
        assert!((prior_perspective(LEVELLED, 1.0) - 2.18e-4).abs() < 1e-6);
        // A field as wide as it is far cannot be seen by such a lens: the angle is bounded.
        assert!((prior_perspective(LEVELLED, 1000.0) / LEVELLED - WIDEST_FIELD).abs() < 1e-12);
        // A ruling of unknown division, stated as 1 µm, must not forbid what a tilt makes.
        assert!((prior_perspective(LAID, 0.02) / LAID - NARROWEST_FIELD).abs() < 1e-12);
        let all = hypotheses(1.0, 0.4);
        let total: f64 = all.iter().map(|h| h.probability).sum();
        assert!((total - 1.0).abs() < 1e-12 && all[0].is_plain());
    }

    #[test]
    fn an_even_ground_speaks_for_a_plain_scale() {
        assert!((prior_plain(Some((0.0, 0.001))) - PLAIN_ON_EVEN_GROUND).abs() < 1e-9);
        assert!((prior_plain(Some((0.3, 0.001))) - PLAIN_ON_UNEVEN_GROUND).abs() < 1e-9);
        assert!((prior_plain(None) - PLAIN_ON_UNEVEN_GROUND).abs() < 1e-9);
        let between = prior_plain(Some((EVEN, 0.0)));
        assert!(between > 0.45 && between < 0.55);
    }
}
