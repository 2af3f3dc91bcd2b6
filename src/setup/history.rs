//! The readings of a setup together: mean, spread, drift and agreement.

use super::Setup;
use super::budget::source;
use crate::stats::summary;
use crate::uncertainty::{Repeat, normalised_error};
use crate::units::{Point, PxPerUm};

/// Fewer readings than this do not yet tell the spread: with ν ≤ 2 Student's t has no variance.
const ENOUGH_READINGS: usize = 4;

/// The readings of a setup together.
#[derive(Clone, Debug, PartialEq)]
pub struct Pooled {
    /// Mean of the readings' scales; each counts the same, since what varies between settings of the rig outweighs their fits.
    pub scale: PxPerUm,
    /// Number of readings.
    pub readings: usize,
    /// Relative standard deviation between readings; `None` for one.
    pub spread_rel: Option<f64>,
    /// Relative change from the first to the last reading; `None` for one.
    pub drift_rel: Option<f64>,
    /// The largest normalised error between two readings, in size; `None` for one.
    pub largest_en: Option<PairError>,
    /// What setting the rig again adds.
    pub reproducibility: Reproducibility,
}

/// The normalised error between two readings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PairError {
    /// Number of the first reading, counted from 1.
    pub first: usize,
    /// Number of the second reading, counted from 1.
    pub second: usize,
    /// Difference over its expanded uncertainty (k = 2), without what both share.
    pub en: f64,
}

/// Reproducibility as an input.
#[derive(Clone, Debug, PartialEq)]
pub struct Reproducibility {
    /// Relative standard uncertainty.
    pub u_rel: f64,
    /// Degrees of freedom where it comes from repeats (type A).
    pub dof: Option<f64>,
    /// Where it comes from, for people.
    pub label: String,
}

impl Setup {
    /// All readings together.
    #[must_use]
    pub fn pooled_readings(&self) -> Pooled {
        let scales: Vec<f64> = self.counted().map(|r| r.scale_px_per_um).collect();
        let Ok(s) = summary(&scales) else {
            let reproducibility = self.reproducibility(0, None);
            let scale = PxPerUm::new(f64::NAN);
            return Pooled { scale, readings: 0, spread_rel: None, drift_rel: None, largest_en: None, reproducibility };
        };
        let several = s.n > 1;
        let spread_rel = several.then(|| s.std_dev / s.mean);
        let drift_rel = match (scales.first(), scales.last()) {
            (Some(first), Some(last)) if several => Some(last / first - 1.0),
            _ => None,
        };
        Pooled {
            scale: PxPerUm::new(s.mean),
            readings: s.n,
            spread_rel,
            drift_rel,
            largest_en: self.largest_error(s.mean),
            reproducibility: self.reproducibility(s.n, spread_rel),
        }
    }

    /// A setup's next use departs from the mean of `n` readings by one more setting of the rig: `s √(1 + 1/n)`; where the rig
    /// was not touched only the mean is uncertain, `s/√n`.
    fn reproducibility(&self, n: usize, spread_rel: Option<f64>) -> Reproducibility {
        let fixed = self.assumed.rig_fixed;
        let default = if fixed { 0.0 } else { self.assumed.reproducibility_rel };
        let count = n.max(1) as f64;
        let repeated = spread_rel.map(|s| if fixed { s / count.sqrt() } else { s * (1.0 + 1.0 / count).sqrt() });
        match repeated {
            Some(u_rel) if n >= ENOUGH_READINGS => {
                Reproducibility { u_rel, dof: Some(count - 1.0), label: format!("spread of {n} readings") }
            }
            Some(u_rel) if u_rel > default => Reproducibility {
                u_rel,
                dof: (!fixed).then_some(count - 1.0),
                label: format!("spread of {n} readings, few as they are"),
            },
            _ if fixed => {
                Reproducibility { u_rel: 0.0, dof: None, label: "rig not touched between slide and animal".to_owned() }
            }
            _ => Reproducibility {
                u_rel: default,
                dof: None,
                label: format!("setting the rig again, assumed until {ENOUGH_READINGS} readings tell it"),
            },
        }
    }

    /// The pair of readings that disagrees most. The slide's length is common to both and stays out.
    fn largest_error(&self, mean: f64) -> Option<PairError> {
        if self.readings.len() < 2 {
            return None;
        }
        let place = Point::new(0.5 * f64::from(self.picture_width_px), 0.5 * f64::from(self.picture_height_px));
        let parts = self.alone().scale_uncertainty(place).ok()?.parts;
        let common = |id: &str| id == source::CERTIFICATE || id == source::FIT || id == source::ACROSS;
        let own: f64 = parts.iter().filter(|p| !common(&p.0)).map(|p| p.1 * p.1).sum();
        let repeat = |i: usize| Repeat {
            value: self.readings[i].scale_px_per_um,
            u_own: mean * (own + self.readings[i].u_rel_fit.powi(2)).sqrt(),
            dof: f64::INFINITY,
            u_shared: 0.0,
        };
        let mut largest: Option<PairError> = None;
        for second in 1..self.readings.len() {
            for first in 0..second {
                let Ok(en) = normalised_error(&repeat(first), &repeat(second), 2.0) else { continue };
                if largest.is_none_or(|l| en.abs() > l.en.abs()) {
                    largest = Some(PairError { first: first + 1, second: second + 1, en });
                }
            }
        }
        largest
    }

    /// The setup with its last reading only, so that its spread is not used to judge its spread.
    fn alone(&self) -> Self {
        let mut one = self.clone();
        let keep = one.readings.len().saturating_sub(1);
        one.readings.drain(..keep);
        one
    }
}

#[cfg(test)]
mod tests {
    use crate::setup::testing::setup_of;

    #[test]
    fn one_reading_has_a_stated_reproducibility() {
        let mut setup = setup_of(&[1.0]);
        let p = setup.pooled_readings();
        assert_eq!((p.readings, p.spread_rel, p.drift_rel, p.largest_en), (1, None, None, None));
        assert_eq!((p.reproducibility.u_rel, p.reproducibility.dof), (0.003, None));
        setup.assumed.rig_fixed = true;
        assert_eq!(setup.pooled_readings().reproducibility.u_rel, 0.0);
    }

    #[test]
    fn many_readings_tell_their_own_spread() {
        let setup = setup_of(&[1.000, 1.002, 0.999, 1.001, 0.998]);
        let p = setup.pooled_readings();
        assert!((p.scale.get() - 1.0).abs() < 1e-12);
        let s = (1e-6 * (0.0 + 4.0 + 1.0 + 1.0 + 4.0) / 4.0_f64).sqrt();
        assert!((p.spread_rel.unwrap() - s).abs() < 1e-12);
        assert!((p.drift_rel.unwrap() + 0.002).abs() < 1e-12);
        assert!((p.reproducibility.u_rel - s * 1.2f64.sqrt()).abs() < 1e-12);
        assert_eq!(p.reproducibility.dof, Some(4.0));
    }

    #[test]
    fn marks_set_by_hand_count_until_a_reading_succeeds() {
        let mut setup = setup_of(&[1.02, 1.0]);
        setup.readings[0].by_hand = true;
        let p = setup.pooled_readings();
        assert_eq!((p.readings, p.scale.get()), (1, 1.0));
        setup.readings[1].by_hand = true;
        assert_eq!(setup.pooled_readings().readings, 2);
        setup.readings.swap(0, 1);
        setup.readings[0].by_hand = false;
        assert_eq!(
            setup.last_counted().map(|r| r.scale_px_per_um),
            Some(1.0),
            "the later marks do not replace its map"
        );
    }

    #[test]
    fn two_agreeing_readings_do_not_make_a_rig_perfect() {
        let p = setup_of(&[1.0, 1.000_01]).pooled_readings();
        assert_eq!((p.reproducibility.u_rel, p.reproducibility.dof), (0.003, None));
        let p = setup_of(&[1.0, 1.02]).pooled_readings();
        assert!(p.reproducibility.u_rel > 0.015 && p.reproducibility.dof == Some(1.0));
    }

    #[test]
    fn disagreement_is_found_between_the_right_readings() {
        let p = setup_of(&[1.0, 1.001, 1.03, 1.0]).pooled_readings();
        let worst = p.largest_en.unwrap();
        assert_eq!(worst.second, 3);
        assert!(worst.en < -1.0, "{worst:?}");
        assert!(setup_of(&[1.0, 1.001]).pooled_readings().largest_en.unwrap().en.abs() < 1.0);
        // A slide known badly does not make two readings agree.
        let mut setup = setup_of(&[1.0, 1.03]);
        let before = setup.pooled_readings().largest_en;
        setup.slide.uncertified_half_width_rel = 0.1;
        assert_eq!(setup.pooled_readings().largest_en, before);
    }
}
