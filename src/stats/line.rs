//! The weighted straight line.

use super::error::{all_finite, at_least};
use super::least_squares::square_roots;
use super::summary::careful_sum;
use super::{StatsError, WeightsAre};

/// A straight line `y = intercept + slope x` with its covariance.
#[derive(Clone, Debug, PartialEq)]
pub struct LineFit {
    /// Value at x = 0.
    pub intercept: f64,
    /// Rise per unit of x.
    pub slope: f64,
    /// Weighted mean of x: value there and slope are uncorrelated.
    pub centre: f64,
    /// Value at the centre.
    pub value_at_centre: f64,
    /// Observed less fitted.
    pub residuals: Vec<f64>,
    /// `Σ w`.
    pub weight: f64,
    /// `Σ w (x − centre)²`.
    pub spread: f64,
    /// `Σ w r²`.
    pub weighted_squares: f64,
    /// Residual degrees of freedom, points with a weight above 0 less two.
    pub dof: usize,
}

impl LineFit {
    /// `√(Σ w r² / dof)`: the standard deviation of an observation of weight 1; `None` without degrees of freedom.
    #[must_use]
    pub fn residual_std_dev(&self) -> Option<f64> {
        (self.dof > 0).then(|| (self.weighted_squares / self.dof as f64).sqrt())
    }

    fn sigma(&self, weights: WeightsAre) -> Option<f64> {
        match weights {
            WeightsAre::Relative => self.residual_std_dev(),
            WeightsAre::InverseVariances => Some(1.0),
        }
    }

    /// Standard deviation of the slope; `None` when the weights are relative and no degrees of freedom are left.
    #[must_use]
    pub fn slope_std_dev(&self, weights: WeightsAre) -> Option<f64> {
        Some(self.sigma(weights)? / self.spread.sqrt())
    }

    /// Standard deviation of the line's value at `x`, the covariance counted; at 0 that of the intercept.
    #[must_use]
    pub fn std_dev_at(&self, x: f64, weights: WeightsAre) -> Option<f64> {
        Some(self.sigma(weights)? * (1.0 / self.weight + (x - self.centre).powi(2) / self.spread).sqrt())
    }

    /// Covariance of intercept and slope.
    #[must_use]
    pub fn covariance(&self, weights: WeightsAre) -> Option<f64> {
        Some(-self.sigma(weights)?.powi(2) * self.centre / self.spread)
    }

    /// The line's value at `x`.
    #[must_use]
    pub fn at(&self, x: f64) -> f64 {
        self.value_at_centre + self.slope * (x - self.centre)
    }
}

/// Fits a straight line by weighted least squares about the weighted mean of x, all sums compensated.
///
/// `weights`: one per point, 0 or above; 1 everywhere where not given.
///
/// # Accuracy
/// NIST StRD Norris: slope to 1e-13, intercept to 1e-11, standard deviations to 1e-11 relative (`tests/it/reference.rs`).
/// # Errors
/// [`StatsError::TooFew`] below two weighted points, [`StatsError::Singular`] when all x agree to 1e-13 of their size,
/// [`StatsError::Mismatch`], [`StatsError::NotFinite`], [`StatsError::Parameter`] for a negative weight.
pub fn fit_line(x: &[f64], y: &[f64], weights: Option<&[f64]>) -> Result<LineFit, StatsError> {
    if x.len() != y.len() {
        return Err(StatsError::Mismatch { left: x.len(), right: y.len() });
    }
    all_finite(x)?;
    all_finite(y)?;
    let w: Vec<f64> = square_roots(weights, x.len())?.iter().map(|r| r * r).collect();
    let used: Vec<f64> = w.iter().copied().filter(|w| *w > 0.0).collect();
    at_least(2, &used)?;
    let weight = careful_sum(w.iter().copied());
    let mean = |v: &[f64]| {
        let rough = careful_sum(v.iter().zip(&w).map(|(v, w)| w * v)) / weight;
        rough + careful_sum(v.iter().zip(&w).map(|(v, w)| w * (v - rough))) / weight
    };
    let (centre, middle) = (mean(x), mean(y));
    let spread = careful_sum(x.iter().zip(&w).map(|(x, w)| w * (x - centre).powi(2)));
    let largest = x.iter().zip(&w).filter(|(_, w)| **w > 0.0).map(|(x, _)| x.abs()).fold(0.0, f64::max);
    let condition = (spread / weight).sqrt() / largest;
    if condition.is_nan() || condition < 1e-13 {
        let condition = if condition.is_nan() { 0.0 } else { condition };
        return Err(StatsError::Singular { what: "a slope", condition, limit: 1e-13 });
    }
    let rise = |values: &[f64], origin: f64| {
        careful_sum(x.iter().zip(values).zip(&w).map(|((x, v), w)| w * (x - centre) * (v - origin))) / spread
    };
    // The residuals of a first line are fitted once more: what the first sums rounded away comes back.
    let first = rise(y, middle);
    let rest: Vec<f64> = x.iter().zip(y).map(|(x, y)| (y - middle) - first * (x - centre)).collect();
    let slope = first + rise(&rest, 0.0);
    let value_at_centre = middle + careful_sum(rest.iter().zip(&w).map(|(r, w)| w * r)) / weight;
    let residuals: Vec<f64> = x.iter().zip(y).map(|(x, y)| (y - value_at_centre) - slope * (x - centre)).collect();
    let weighted_squares = careful_sum(residuals.iter().zip(&w).map(|(r, w)| w * r * r));
    Ok(LineFit {
        intercept: (-slope).mul_add(centre, value_at_centre),
        slope,
        centre,
        value_at_centre,
        residuals,
        weight,
        spread,
        weighted_squares,
        dof: used.len() - 2,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::{Matrix, least_squares};

    #[test]
    fn the_line_agrees_with_the_general_fit() {
        let x = [1000.1, 1000.4, 1001.0, 1003.0, 1003.3];
        let y = [2.0, 2.3, 2.2, 4.9, 5.5];
        let w = [1.0, 4.0, 2.0, 0.0, 1.0];
        let line = fit_line(&x, &y, Some(&w)).unwrap();
        let design = Matrix::from_rows(5, 2, x.iter().flat_map(|x| [1.0, *x]).collect()).unwrap();
        let fit = least_squares(&design, &y, Some(&w)).unwrap();
        assert!((line.slope - fit.parameters[1]).abs() < 1e-9 && (line.intercept - fit.parameters[0]).abs() < 1e-6);
        for weights in [WeightsAre::Relative, WeightsAre::InverseVariances] {
            let c = fit.covariance(weights).unwrap();
            let close = |a: f64, b: f64| (a / b - 1.0).abs() < 1e-6;
            assert!(close(line.slope_std_dev(weights).unwrap(), c.at(1, 1).sqrt()));
            assert!(close(line.std_dev_at(0.0, weights).unwrap(), c.at(0, 0).sqrt()));
            assert!(close(line.covariance(weights).unwrap(), c.at(0, 1)));
            assert!(close(
                line.std_dev_at(1002.0, weights).unwrap(),
                fit.std_dev_of_prediction(&[1.0, 1002.0], weights).unwrap()
            ));
        }
        assert_eq!(line.dof, 2);
    }

    #[test]
    fn one_abscissa_gives_no_slope() {
        assert!(matches!(fit_line(&[3.0, 3.0], &[1.0, 2.0], None), Err(StatsError::Singular { .. })));
        assert!(matches!(fit_line(&[0.0, 0.0], &[1.0, 2.0], None), Err(StatsError::Singular { .. })));
        assert!(fit_line(&[1.0], &[1.0], None).is_err());
        assert!(fit_line(&[1.0, 2.0], &[1.0, 2.0], Some(&[1.0, -1.0])).is_err());
        let two = fit_line(&[1.0, 2.0], &[1.0, 3.0], None).unwrap();
        assert!((two.slope - 2.0).abs() < 1e-15 && two.slope_std_dev(WeightsAre::Relative).is_none());
    }
}
