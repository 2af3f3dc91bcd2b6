//! Mean, standard deviation, median and the median absolute deviation.

use super::StatsError;
use super::error::{all_finite, at_least};
use super::interval::quantile;

/// Number, mean and spread of a sample.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Summary {
    /// Number of values.
    pub n: usize,
    /// Arithmetic mean.
    pub mean: f64,
    /// Sample standard deviation (divisor n − 1); 0 for a single value, whose spread is unknown: see [`Summary::dof`].
    pub std_dev: f64,
}

impl Summary {
    /// Standard deviation of the mean, `std_dev / √n`.
    #[must_use]
    pub fn std_error(&self) -> f64 {
        self.std_dev / (self.n as f64).sqrt()
    }

    /// Degrees of freedom of the standard deviation, `n − 1`; 0 says that it is not known.
    #[must_use]
    pub fn dof(&self) -> f64 {
        self.n.saturating_sub(1) as f64
    }
}

/// Sum with the rounding errors carried along (Neumaier's variant of compensated summation).
///
/// # Accuracy
/// Relative error about one unit in the last place for sums whose condition number is below 1e15.
/// # Source
/// A. Neumaier, ZAMM 54 (1974) 39–51.
pub(crate) fn careful_sum(values: impl IntoIterator<Item = f64>) -> f64 {
    let (mut sum, mut carry) = (0.0_f64, 0.0_f64);
    for v in values {
        let next = sum + v;
        carry += if sum.abs() >= v.abs() { (sum - next) + v } else { (v - next) + sum };
        sum = next;
    }
    sum + carry
}

/// Mean and sample standard deviation in two passes with compensated sums.
///
/// # Accuracy
/// NIST StRD NumAcc3 and NumAcc4 (mean 10⁶ or 10⁷ times the spread): mean to 1e-15, standard deviation to 1e-9
/// and 1e-8 relative, which is what the rounding of the data to doubles leaves (`tests/it/reference.rs`).
/// # Errors
/// [`StatsError::TooFew`] for an empty sample, [`StatsError::NotFinite`].
pub fn summary(values: &[f64]) -> Result<Summary, StatsError> {
    at_least(1, values)?;
    all_finite(values)?;
    let n = values.len() as f64;
    // A first mean as origin, then the mean of the small departures: nothing large is summed twice.
    let origin = careful_sum(values.iter().copied()) / n;
    let shift = careful_sum(values.iter().map(|v| v - origin)) / n;
    let mean = origin + shift;
    let squares = careful_sum(values.iter().map(|v| ((v - origin) - shift).powi(2)));
    let std_dev = if values.len() > 1 { (squares / (n - 1.0)).sqrt() } else { 0.0 };
    Ok(Summary { n: values.len(), mean, std_dev })
}

/// The median; for an even number of values the mean of the middle two.
///
/// # Errors
/// [`StatsError::TooFew`] for an empty sample, [`StatsError::NotFinite`].
pub fn median(values: &[f64]) -> Result<f64, StatsError> {
    quantile(values, 0.5)
}

/// Median absolute deviation from the median, times 1.4826 so that it estimates the standard deviation of a
/// normal sample.
///
/// # Accuracy
/// Consistent for normal data; too small by up to 25 % for fewer than ten values.
/// # Errors
/// As [`median`].
/// # Source
/// F. R. Hampel, J. Am. Stat. Assoc. 69 (1974) 383–393; 1.4826 = 1 / Φ⁻¹(3/4).
pub fn median_absolute_deviation(values: &[f64]) -> Result<f64, StatsError> {
    let centre = median(values)?;
    let departures: Vec<f64> = values.iter().map(|v| (v - centre).abs()).collect();
    Ok(median(&departures)? * MAD_TO_STD_DEV)
}

/// 1 / Φ⁻¹(3/4).
const MAD_TO_STD_DEV: f64 = 1.482_602_218_505_602;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn small_samples_in_closed_form() {
        let s = summary(&[1.0, 2.0, 3.0, 4.0]).unwrap();
        assert!((s.mean - 2.5).abs() < 1e-15 && (s.std_dev - (5.0_f64 / 3.0).sqrt()).abs() < 1e-15);
        assert!((s.std_error() - (5.0_f64 / 12.0).sqrt()).abs() < 1e-15);
        assert_eq!(summary(&[7.0]).unwrap(), Summary { n: 1, mean: 7.0, std_dev: 0.0 });
        assert_eq!(median(&[3.0, 1.0, 2.0]).unwrap(), 2.0);
        assert_eq!(median(&[4.0, 1.0, 2.0, 3.0]).unwrap(), 2.5);
        assert!((median_absolute_deviation(&[1.0, 2.0, 3.0, 4.0, 100.0]).unwrap() - MAD_TO_STD_DEV).abs() < 1e-15);
    }

    #[test]
    fn refusals_say_what_is_wrong() {
        assert_eq!(summary(&[]).unwrap_err(), StatsError::TooFew { needed: 1, got: 0 });
        assert!(matches!(summary(&[1.0, f64::NAN]).unwrap_err(), StatsError::NotFinite { index: 1, .. }));
        assert_eq!(
            summary(&[f64::INFINITY]).unwrap_err().to_string(),
            "value 0 is inf, which is not finite; leave it out before asking"
        );
    }

    #[test]
    fn a_large_offset_costs_no_digits() {
        let small: Vec<f64> = (0..1000).map(|i| f64::from(i % 7) * 0.125).collect();
        let moved: Vec<f64> = small.iter().map(|v| v + 1e9).collect();
        let (a, b) = (summary(&small).unwrap(), summary(&moved).unwrap());
        assert!((a.std_dev - b.std_dev).abs() < 1e-12, "{} {}", a.std_dev, b.std_dev);
    }
}
