//! How an animal lies, and what that does to a length that was seen as a projection.

use serde::{Deserialize, Serialize};

use crate::uncertainty::{Input, UncertaintyError};
use crate::units::{Angle, Um};

/// Source id of the lying in budgets.
pub const LYING: &str = "lying";

/// Tilt of an animal said to lie flat: uniform within this many degrees.
const FLAT_WITHIN_DEG: f64 = 5.0;
/// A stated tilt is taken to be good to ± this many degrees.
const STATED_TILT_DEG: f64 = 1.0;
/// Largest tilt thought plausible where nothing is known.
const LARGEST_TILT_DEG: f64 = 45.0;

/// How an animal lies.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Lying {
    /// Flat on the ground: tilt uniform within 5°.
    Flat,
    /// Tilt uniform within this angle.
    Within(Angle),
    /// A known tilt, corrected.
    Tilt(Angle),
    /// Not known: each end anywhere within the depth of field.
    Unknown,
}

impl std::fmt::Display for Lying {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Flat => f.write_str("flat"),
            Self::Within(a) => write!(f, "within:{}", round(a.degrees())),
            Self::Tilt(a) => write!(f, "tilt:{}", round(a.degrees())),
            Self::Unknown => f.write_str("unknown"),
        }
    }
}

impl Lying {
    /// As people read it, where [`Display`](std::fmt::Display) is what the command line takes.
    #[must_use]
    pub fn words(self) -> String {
        match self {
            Self::Flat => "flat".to_owned(),
            Self::Within(a) => format!("within {}°", round(a.degrees())),
            Self::Tilt(a) => format!("tilted {}°", round(a.degrees())),
            Self::Unknown => "not known".to_owned(),
        }
    }
}

/// Degrees as they were typed: conversion to radians and back leaves a last digit.
fn round(degrees: f64) -> f64 {
    (degrees * 1e9).round() / 1e9
}

/// A projected length becomes the length itself.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Raise {
    /// Input is `1 − cos θ`.
    OneMinusCos(usize),
    /// Input is θ.
    Tilt(usize),
    /// Input is the probability that the depth difference is smaller; depth over which each end is uniform; that probability for
    /// the largest depth difference allowed.
    Depth { input: usize, depth_um: f64, most: f64 },
}

impl Lying {
    /// The input for one shape whose projected length is `projected`; `depth` is the total depth of field.
    ///
    /// With both ends uniform over the depth `D`, the size of their difference is at most `d` with probability
    /// `1 − (1 − d/D)²`. The input is that probability, rectangular between 0 and its value at the largest tilt, so that the
    /// truncated distribution is drawn exactly.
    ///
    /// # Errors
    /// [`UncertaintyError`] for an angle outside 0 to 90°.
    pub(super) fn input(
        self,
        projected: Um,
        depth: Option<Um>,
        place: usize,
    ) -> Result<Option<(Input, Raise)>, UncertaintyError> {
        let within = |limit: Angle, label: &str| {
            let input = Input::one_minus_cos_within(LYING, label, limit.get())?;
            Ok(Some((input, Raise::OneMinusCos(place))))
        };
        match self {
            Self::Flat => within(Angle::from_degrees(FLAT_WITHIN_DEG), "lies flat within 5°"),
            Self::Within(limit) => within(limit, &format!("tilt within {}°", round(limit.degrees()))),
            Self::Tilt(tilt) => {
                let label = format!("tilt of {}° ± {STATED_TILT_DEG}°", round(tilt.degrees()));
                let input = Input::rectangular(LYING, &label, tilt.get(), STATED_TILT_DEG.to_radians())?;
                Ok(Some((input, Raise::Tilt(place))))
            }
            Self::Unknown => {
                let Some(depth) = depth else { return Ok(None) };
                let largest = projected.get() * LARGEST_TILT_DEG.to_radians().tan();
                let most = 1.0 - (1.0 - (largest / depth.get()).min(1.0)).powi(2);
                let label = format!(
                    "ends anywhere within the depth of field of {} µm, tilt at most {LARGEST_TILT_DEG}°",
                    crate::uncertainty::significant(depth.get(), 2)
                );
                let input = Input::between(LYING, &label, 0.0, 1.0)?.acting_one_way();
                Ok(Some((input, Raise::Depth { input: place, depth_um: depth.get(), most })))
            }
        }
    }
}

impl Raise {
    /// The factor from the projected length to the length; `projected_um` is the whole shape's.
    pub(super) fn factor(&self, inputs: &[f64], projected_um: f64) -> f64 {
        match *self {
            Self::OneMinusCos(i) => 1.0 / (1.0 - inputs[i]),
            Self::Tilt(i) => 1.0 / inputs[i].cos(),
            Self::Depth { input, depth_um, most } => {
                let p = inputs[input].clamp(0.0, 1.0) * most;
                let rise = depth_um * (1.0 - (1.0 - p).sqrt());
                (1.0 + (rise / projected_um).powi(2)).sqrt()
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_known_tilt_is_corrected_by_its_cosine() {
        let (input, raise) = Lying::Tilt(Angle::from_degrees(60.0)).input(Um::new(100.0), None, 0).unwrap().unwrap();
        assert!((raise.factor(&[input.estimate()], 100.0) - 2.0).abs() < 1e-12);
    }

    #[test]
    fn depth_differences_follow_the_truncated_triangle() {
        // Both ends uniform over 40 µm: the mean size of their difference is D/3, its median D (1 − √½).
        let raise = Raise::Depth { input: 0, depth_um: 40.0, most: 1.0 };
        let rise = |p: f64| 100.0 * (raise.factor(&[p], 100.0).powi(2) - 1.0).sqrt();
        assert!((rise(0.5) - 40.0 * (1.0 - 0.5f64.sqrt())).abs() < 1e-9);
        let mean = (0..10_000).map(|i| rise((f64::from(i) + 0.5) / 1e4)).sum::<f64>() / 1e4;
        assert!((mean - 40.0 / 3.0).abs() < 0.01, "{mean}");
        // A short length: the rise cannot exceed it (45°).
        let (_, short) = Lying::Unknown.input(Um::new(10.0), Some(Um::new(40.0)), 0).unwrap().unwrap();
        assert!((short.factor(&[1.0], 10.0) - 2f64.sqrt()).abs() < 1e-9);
        assert_eq!(short.factor(&[0.0], 10.0), 1.0);
    }

    #[test]
    fn unknown_without_a_depth_has_no_input() {
        assert_eq!(Lying::Unknown.input(Um::new(10.0), None, 0).unwrap(), None);
    }

    #[test]
    fn words_are_as_typed() {
        assert_eq!(Lying::Within(Angle::from_degrees(20.0)).to_string(), "within:20");
        assert_eq!(Lying::Tilt(Angle::from_degrees(7.5)).to_string(), "tilt:7.5");
        assert_eq!(Lying::Tilt(Angle::from_degrees(7.5)).words(), "tilted 7.5°");
    }
}
