//! A second picture with the slide turned by about 90°: what it says of the direction across.
//!
//! Pixels may depart from squares in two ways, an aspect along the picture's sides and a slant of 45°: a vector whose angle doubles
//! with directions. A ruling at the direction φ sees `ln s + a cos 2φ + h sin 2φ`; two pictures see one component of `(a, h)`, that
//! across their mean direction, and no more: whether the axes are square stays open. Three ways in which pixels come about are weighed
//! by how probable they make what was seen: exactly square, square as sensors are made, and footage that was squeezed. What holds
//! for the direction across is their weighted mean, so that a difference the data do not support is not put into the map.

use super::reading::{Isotropy, Reading, Ruler};
use super::scale_map::{MapModel, ScaleMap};

/// How pixels come about: probability beforehand and standard deviation of `a` and `h`.
const KINDS: [(f64, f64); 3] = [
    // Exactly square.
    (0.5, 0.0),
    // As sensors are made, and lenses not quite round: ratio of the scales within 0.2 %, as for crossed rulings.
    (0.45, 0.001),
    // Footage squeezed by a few per cent.
    (0.05, 0.03),
];
/// Least and greatest turn between the two pictures, degrees.
const TURN: (f64, f64) = (60.0, 120.0);
/// Greatest relative difference of the two scales.
const MOST_DIFFERENCE: f64 = 0.1;
/// Rulings nearer than this to the picture's diagonals do not show pixels that are not square, degrees.
const DIAGONAL: f64 = 15.0;

/// Both directions from two pictures.
#[derive(Clone, Debug, PartialEq)]
pub struct Crosswise {
    /// The first picture's map with the scale across that the second supports.
    pub map: ScaleMap,
    /// Ratio of the scales with its uncertainty; squareness stays unknown.
    pub isotropy: Isotropy,
    /// Scale across over scale along as the second picture has it, without weighing.
    pub seen_ratio: f64,
    /// Both rulings stand so near to the picture's diagonals that oblong pixels would not show.
    pub diagonal: bool,
}

/// Why two pictures do not give both directions.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum CrosswiseError {
    /// The pictures differ in size.
    #[error(
        "the turned slide's picture has {second_width_px} x {second_height_px} px, the first {first_width_px} x {first_height_px} px; both must come from the same setup"
    )]
    Size {
        /// Columns of the first.
        first_width_px: usize,
        /// Rows of the first.
        first_height_px: usize,
        /// Columns of the second.
        second_width_px: usize,
        /// Rows of the second.
        second_height_px: usize,
    },
    /// The slide was hardly turned.
    #[error(
        "the second picture's ruling is turned by {turn_deg:.0}° against the first, must be 60 to 120°; turn the slide by about 90°"
    )]
    NotTurned {
        /// Turn between the pictures, degrees.
        turn_deg: f64,
    },
    /// The scales are too far apart.
    #[error(
        "the scales of the two directions differ by {percent:.0} % ({first_px_per_um:.4} and {second_px_per_um:.4} px/µm); pixels are not that far from square, so one picture was taken otherwise"
    )]
    TooFar {
        /// Difference, %.
        percent: f64,
        /// Scale of the first.
        first_px_per_um: f64,
        /// Scale of the second.
        second_px_per_um: f64,
    },
    /// The first picture shows both directions already.
    #[error("the first picture shows both directions already; a turned picture adds nothing, leave --crossways out")]
    BothAlready,
}

/// Adds to a reading what a second picture of the same setup, with the slide turned by about 90°, says of the direction across.
///
/// # Inputs
/// `u_rel_between`: relative standard uncertainty of one picture's scale against the other's from all that changed between them but the
/// direction: slide tilt, focus. Fits are counted besides.
/// # Returns
/// The first picture's scale along its ruling, unchanged; across it the ratio weighed by evidence.
/// # Assumes
/// Both pictures show the same slide through the same setup, so that its certificate cancels; departures from square pixels are small
/// (first order, to 0.5 % of themselves at a ratio of 1.05).
/// # Errors
/// [`CrosswiseError`] where the pictures do not go together.
/// # Source
/// Gaussian conditioning and Bayes factors between three nested priors; derived above.
pub fn combine_crossways(first: &Reading, second: &Reading, u_rel_between: f64) -> Result<Crosswise, CrosswiseError> {
    if first.ruler != Ruler::Lines && first.isotropy.is_some() {
        return Err(CrosswiseError::BothAlready);
    }
    let (a, b) = (&first.map, &second.map);
    if (a.width_px, a.height_px) != (b.width_px, b.height_px) {
        return Err(CrosswiseError::Size {
            first_width_px: a.width_px,
            first_height_px: a.height_px,
            second_width_px: b.width_px,
            second_height_px: b.height_px,
        });
    }
    let turn = second.rotation.degrees() - first.rotation.degrees();
    let turn_deg = turn.rem_euclid(180.0);
    if !(TURN.0..=TURN.1).contains(&turn_deg) {
        return Err(CrosswiseError::NotTurned { turn_deg });
    }
    let (s1, s2) = (first.scale.get(), second.scale.get());
    let seen = (s2 / s1).ln();
    if seen.is_nan() || seen.abs() > MOST_DIFFERENCE {
        let percent = 100.0 * (s2 / s1 - 1.0).abs();
        return Err(CrosswiseError::TooFar { percent, first_px_per_um: s1, second_px_per_um: s2 });
    }
    let sin2 = turn_deg.to_radians().sin().powi(2);
    let noise = first.u_rel_fit.powi(2) + second.u_rel_fit.powi(2) + u_rel_between.powi(2);
    let weighed = weigh(seen, sin2, noise);
    let ratio = weighed.difference.exp();
    let mut map = a.clone();
    // Larger scale, fewer micrometres per pixel.
    map.across_um = map.across_um.map(|c| c / (ratio / a.ratio_across()));
    map.u_rel_across = Some(weighed.u);
    map.model = MapModel::of(weighed.evidence > 0.5, first.evidence_perspective > 0.5, first.evidence_radial > 0.5);
    let isotropy = Isotropy { ratio, u_ratio: ratio * weighed.u, squareness: None, evidence: weighed.evidence };
    let off_diagonal = (first.rotation.degrees().rem_euclid(90.0) - 45.0).abs();
    Ok(Crosswise { map, isotropy, seen_ratio: seen.exp(), diagonal: off_diagonal < DIAGONAL })
}

/// The logarithm of the scale across over that along.
#[derive(Clone, Copy, Debug)]
struct Weighed {
    difference: f64,
    u: f64,
    /// Probability that the directions differ.
    evidence: f64,
}

/// `seen`: difference of the logarithms of the two scales; `sin2`: squared sine of the turn; `noise`: variance of `seen`.
fn weigh(seen: f64, sin2: f64, noise: f64) -> Weighed {
    // Never exactly 0: nothing is read to 1e-7.
    let noise = noise.max(1e-14);
    let each = KINDS.map(|(prior, sd)| {
        // The difference across has the variance 4 sd² beforehand, and shares 4 sd² sin² with what is seen.
        let own = 4.0 * sd * sd;
        let total = own * sin2 + noise;
        let log = prior.ln() - 0.5 * (seen * seen / total + total.ln());
        (log, own * sin2 / total * seen, own - (own * sin2).powi(2) / total)
    });
    let best = each.iter().map(|e| e.0).fold(f64::MIN, f64::max);
    let weights = each.map(|e| (e.0 - best).exp());
    let sum: f64 = weights.iter().sum();
    let with = |f: &dyn Fn(usize) -> f64| (0..KINDS.len()).map(|i| weights[i] / sum * f(i)).sum::<f64>();
    let difference = with(&|i| each[i].1);
    let variance = with(&|i| each[i].2 + (each[i].1 - difference).powi(2));
    Weighed { difference, u: variance.max(0.0).sqrt(), evidence: 1.0 - weights[0] / sum }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::slide::testing::reading_of;
    use crate::units::{Angle, PxPerUm};

    fn pair(s1: f64, s2: f64, turn: f64) -> (Reading, Reading) {
        let of = |s: f64, degrees: f64| {
            reading_of(ScaleMap::similarity(1200, 900, PxPerUm::new(s), Angle::from_degrees(degrees), 5e-5))
        };
        (of(s1, 4.0), of(s2, 4.0 + turn))
    }

    #[test]
    fn equal_scales_leave_the_map_square_and_known_better_than_by_assumption() {
        let (a, b) = pair(1.0, 1.000_05, 90.0);
        let both = combine_crossways(&a, &b, 3e-4).unwrap();
        assert_eq!(both.map.model, MapModel::Similarity);
        assert!(both.isotropy.evidence < 0.3, "{both:?}");
        // Square pixels within ±0.1 %, rectangular, are known to 5.8e-4.
        assert!(both.isotropy.u_ratio < 2.5e-4, "{}", both.isotropy.u_ratio);
        assert_eq!(both.isotropy.squareness, None);
        assert!((both.map.centre_scale().get() - 1.0).abs() < 1e-9, "the scale along stays");
    }

    #[test]
    fn a_clear_difference_is_taken_whole_and_lengths_across_follow_it() {
        for ratio in [1.01, 1.05, 0.97] {
            let (a, b) = pair(1.0, ratio, 90.0);
            let both = combine_crossways(&a, &b, 3e-4).unwrap();
            assert!(both.isotropy.evidence > 0.99 && both.map.model == MapModel::Affine);
            assert!((both.isotropy.ratio / ratio - 1.0).abs() < 1e-5, "{} for {ratio}", both.isotropy.ratio);
            assert!((both.map.ratio_across() / ratio - 1.0).abs() < 1e-5);
            let across = both.map.scale_at(both.map.centre(), Angle::from_degrees(94.0)).get();
            assert!((across / ratio - 1.0).abs() < 1e-5, "{across}");
            assert!((both.isotropy.u_ratio - 3.1e-4).abs() < 2e-5, "{}", both.isotropy.u_ratio);
        }
    }

    #[test]
    fn a_doubtful_difference_is_taken_in_part_and_its_doubt_kept() {
        // Two standard deviations: between nothing and all of it, and the uncertainty reaches over the rest.
        let (a, b) = pair(1.0, 1.000_6, 90.0);
        let both = combine_crossways(&a, &b, 3e-4).unwrap();
        let d = both.isotropy.ratio - 1.0;
        assert!(d > 5e-5 && d < 5.5e-4, "{d}");
        assert!(both.isotropy.u_ratio > 2e-4);
    }

    #[test]
    fn a_turn_of_sixty_degrees_tells_less() {
        let u = |turn: f64| {
            let (a, b) = pair(1.0, 1.02, turn);
            combine_crossways(&a, &b, 3e-4).unwrap().isotropy.u_ratio
        };
        assert!(u(60.0) > 10.0 * u(90.0), "{} against {}", u(60.0), u(90.0));
    }

    #[test]
    fn what_does_not_go_together_is_refused_in_words() {
        let (a, b) = pair(1.0, 1.0, 40.0);
        assert_eq!(
            combine_crossways(&a, &b, 0.0).unwrap_err().to_string(),
            "the second picture's ruling is turned by 40° against the first, must be 60 to 120°; turn the slide by about 90°"
        );
        let (a, b) = pair(1.0, 1.3, 90.0);
        assert!(matches!(combine_crossways(&a, &b, 0.0), Err(CrosswiseError::TooFar { .. })));
        let (a, mut b) = pair(1.0, 1.0, 90.0);
        b.map.width_px = 640;
        assert!(matches!(combine_crossways(&a, &b, 0.0), Err(CrosswiseError::Size { .. })));
    }

    #[test]
    fn intervals_hold_over_pixels_as_they_come_about() {
        // Pixels drawn from the three kinds, readings with their noise: the ratio within 2 u in 93 % or more of them (a mixture is
        // peaked, so that more than 95 % is right).
        use rand::{RngExt, SeedableRng};
        use rand_distr::StandardNormal;
        let mut rng = rand_pcg::Pcg64Mcg::seed_from_u64(7);
        let mut held = 0;
        for _ in 0..2000 {
            let lot: f64 = rng.random();
            let sd = if lot < 0.5 {
                0.0
            } else if lot < 0.95 {
                0.001
            } else {
                0.03
            };
            let z: f64 = rng.sample(StandardNormal);
            let noise: f64 = rng.sample(StandardNormal);
            let truth = 2.0 * sd * z;
            let w = weigh(truth + 4e-4 * noise, 1.0, 1.6e-7);
            held += usize::from((w.difference - truth).abs() <= 2.0 * w.u);
        }
        assert!((1860..=1985).contains(&held), "{held} of 2000");
    }
}
