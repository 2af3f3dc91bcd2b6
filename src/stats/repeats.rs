//! Repeated measurements: pooled spread, technical error of measurement, outliers.

use super::error::{all_finite, at_least};
use super::summary::careful_sum;
use super::{StatsError, median, median_absolute_deviation, summary};

/// A standard deviation with its degrees of freedom.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spread {
    /// Standard deviation.
    pub std_dev: f64,
    /// Degrees of freedom.
    pub dof: f64,
}

/// Pools standard deviations that estimate one and the same spread: `√(Σ ν s² / Σ ν)`.
///
/// # Errors
/// [`StatsError::TooFew`] for none with degrees of freedom, [`StatsError::Parameter`] for a negative or non-finite entry.
pub fn pooled_std_dev(parts: &[Spread]) -> Result<Spread, StatsError> {
    for part in parts {
        for (what, value) in [("a standard deviation", part.std_dev), ("dof", part.dof)] {
            if !value.is_finite() || value < 0.0 {
                return Err(StatsError::Parameter { what, value, must_be: "finite and not below 0" });
            }
        }
    }
    let dof = careful_sum(parts.iter().map(|p| p.dof));
    if dof <= 0.0 {
        return Err(StatsError::TooFew { needed: 1, got: 0 });
    }
    let squares = careful_sum(parts.iter().map(|p| p.dof * p.std_dev * p.std_dev));
    Ok(Spread { std_dev: (squares / dof).sqrt(), dof })
}

/// Technical error of measurement over subjects measured repeatedly.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TechnicalError {
    /// `√(Σ within-subject squares / Σ (K − 1))`; for two readings each `√(Σ d² / 2n)`.
    pub tem: f64,
    /// Its degrees of freedom, Σ (K − 1).
    pub dof: f64,
    /// In percent of the mean of all readings.
    pub percent: f64,
    /// Coefficient of reliability `1 − TEM² / SD²`, SD over all readings; `None` where SD is 0.
    pub reliability: Option<f64>,
    /// Bland and Altman's repeatability, `1.96 √2 TEM`: two readings differ by more in 5 % of cases.
    pub repeatability: f64,
}

/// Technical error of measurement; one slice of readings per subject, at least two each, numbers may differ.
///
/// # Errors
/// [`StatsError::TooFew`] without a subject or for a subject with fewer than two readings, [`StatsError::NotFinite`].
/// # Source
/// S. J. Ulijaszek, D. A. Kerr, Br. J. Nutr. 82 (1999) 165–177; J. M. Bland, D. G. Altman, Lancet 327 (1986) 307–310.
pub fn technical_error(subjects: &[&[f64]]) -> Result<TechnicalError, StatsError> {
    if subjects.is_empty() {
        return Err(StatsError::TooFew { needed: 1, got: 0 });
    }
    let mut parts = Vec::with_capacity(subjects.len());
    for readings in subjects {
        at_least(2, readings)?;
        let s = summary(readings)?;
        parts.push(Spread { std_dev: s.std_dev, dof: s.dof() });
    }
    let pooled = pooled_std_dev(&parts)?;
    let all: Vec<f64> = subjects.iter().flat_map(|r| r.iter().copied()).collect();
    let total = summary(&all)?;
    let tem = pooled.std_dev;
    Ok(TechnicalError {
        tem,
        dof: pooled.dof,
        percent: if total.mean == 0.0 { f64::INFINITY } else { 100.0 * tem / total.mean.abs() },
        reliability: (total.std_dev > 0.0).then(|| 1.0 - (tem / total.std_dev).powi(2)),
        repeatability: 1.959_963_984_540_054 * 2.0_f64.sqrt() * tem,
    })
}

/// Places of values farther than 3.5 robust standard deviations from the median: to be shown, never dropped silently.
///
/// Where more than half of the values agree exactly, every other value is named.
///
/// # Errors
/// [`StatsError::TooFew`] below three values, [`StatsError::NotFinite`].
/// # Source
/// B. Iglewicz, D. C. Hoaglin, How to Detect and Handle Outliers, ASQC 1993 (modified z score, 3.5).
pub fn outliers(values: &[f64]) -> Result<Vec<usize>, StatsError> {
    at_least(3, values)?;
    all_finite(values)?;
    let (centre, scale) = (median(values)?, median_absolute_deviation(values)?);
    Ok((0..values.len()).filter(|i| (values[*i] - centre).abs() > 3.5 * scale).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn outliers_are_named() {
        assert_eq!(outliers(&[1.0, 1.1, 0.9, 1.05, 9.0]).unwrap(), vec![4]);
        assert_eq!(outliers(&[1.0, 1.0, 1.0, 2.0]).unwrap(), vec![3]);
        assert!(outliers(&[1.0, 1.1, 0.9, 1.05]).unwrap().is_empty());
        assert!(outliers(&[1.0, 2.0]).is_err());
    }

    #[test]
    fn unequal_numbers_of_readings_pool() {
        let t = technical_error(&[&[1.0, 3.0], &[4.0, 5.0, 6.0]]).unwrap();
        assert!((t.tem - (4.0_f64 / 3.0).sqrt()).abs() < 1e-14 && t.dof == 3.0);
        assert!(technical_error(&[&[1.0]]).is_err() && technical_error(&[]).is_err());
        assert!(pooled_std_dev(&[Spread { std_dev: 1.0, dof: 0.0 }]).is_err());
        assert!(pooled_std_dev(&[Spread { std_dev: f64::NAN, dof: 3.0 }]).is_err());
    }
}
