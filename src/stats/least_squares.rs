//! Weighted linear least squares.

use nalgebra::{DMatrix, DVector};

use super::error::all_finite;
use super::summary::careful_sum;
use super::{Matrix, StatsError};

/// What the weights of a fit mean.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WeightsAre {
    /// Known only up to a common factor, which the residuals give.
    Relative,
    /// The inverses of known variances: covariances come from them alone, however large the residuals.
    InverseVariances,
}

/// A fitted linear model.
#[derive(Clone, Debug, PartialEq)]
pub struct LinearFit {
    /// The parameters, one per column of the design.
    pub parameters: Vec<f64>,
    /// `(Xᵀ W X)⁻¹`: the covariance for unit variance.
    pub cofactor: Matrix,
    /// Observed less fitted, in the order of the rows.
    pub residuals: Vec<f64>,
    /// `Σ w r²`.
    pub weighted_squares: f64,
    /// Number of rows with a weight above 0.
    pub n: usize,
    /// Residual degrees of freedom, `n` less the number of parameters.
    pub dof: usize,
}

impl LinearFit {
    /// `Σ w r² / dof`: the variance of an observation of weight 1; `None` without degrees of freedom.
    #[must_use]
    pub fn variance_factor(&self) -> Option<f64> {
        (self.dof > 0).then(|| self.weighted_squares / self.dof as f64)
    }

    /// Covariance of the parameters; `None` when the weights are relative and no degrees of freedom are left.
    #[must_use]
    pub fn covariance(&self, weights: WeightsAre) -> Option<Matrix> {
        let factor = match weights {
            WeightsAre::Relative => self.variance_factor()?,
            WeightsAre::InverseVariances => 1.0,
        };
        Some(self.cofactor.scaled(factor))
    }

    /// Standard deviations of the parameters; `None` as in [`LinearFit::covariance`].
    #[must_use]
    pub fn std_devs(&self, weights: WeightsAre) -> Option<Vec<f64>> {
        let covariance = self.covariance(weights)?;
        Some((0..covariance.rows()).map(|i| covariance.at(i, i).max(0.0).sqrt()).collect())
    }

    /// The fitted value for a row of the design.
    #[must_use]
    pub fn predict(&self, row: &[f64]) -> f64 {
        row.iter().zip(&self.parameters).map(|(x, b)| x * b).sum()
    }

    /// Standard deviation of the fitted value for a row of the design, all covariances counted.
    #[must_use]
    pub fn std_dev_of_prediction(&self, row: &[f64], weights: WeightsAre) -> Option<f64> {
        let covariance = self.covariance(weights)?;
        let mut variance = 0.0;
        for (i, a) in row.iter().enumerate() {
            for (j, b) in row.iter().enumerate() {
                variance += a * covariance.at(i, j) * b;
            }
        }
        Some(variance.max(0.0).sqrt())
    }
}

/// Reciprocal condition of the column-scaled design below which its columns count as dependent.
const LEAST_CONDITION: f64 = 1e-13;

/// Fits `y ≈ X b` by weighted least squares: Householder QR of the column-scaled design with one step of iterative
/// refinement.
///
/// `weights`: one per row, 0 or above; 1 everywhere where not given. Rows of weight 0 get residuals but no say.
///
/// # Accuracy
/// NIST StRD Longley (condition 5e9): parameters to 1e-9 relative; Norris as a polynomial: 1e-12 (`tests/it/reference.rs`).
/// # Errors
/// [`StatsError::TooFew`] for fewer weighted rows than columns, [`StatsError::Singular`] for dependent columns,
/// [`StatsError::Mismatch`], [`StatsError::NotFinite`], [`StatsError::Parameter`] for a negative weight.
/// # Source
/// G. H. Golub, C. F. Van Loan, Matrix Computations, 4th ed., sections 5.3.2 and 5.3.8.
pub fn least_squares(design: &Matrix, y: &[f64], weights: Option<&[f64]>) -> Result<LinearFit, StatsError> {
    let (rows, columns) = (design.rows(), design.columns());
    if y.len() != rows {
        return Err(StatsError::Mismatch { left: rows, right: y.len() });
    }
    all_finite(design.entries())?;
    all_finite(y)?;
    let roots = square_roots(weights, rows)?;
    let n = roots.iter().filter(|w| **w > 0.0).count();
    if columns == 0 || n < columns {
        return Err(StatsError::TooFew { needed: columns.max(1), got: n });
    }
    // Every column to unit length, so that the units of the parameters do not matter.
    let norms: Vec<f64> =
        (0..columns).map(|c| careful_sum((0..rows).map(|r| (roots[r] * design.at(r, c)).powi(2))).sqrt()).collect();
    if norms.contains(&0.0) {
        return Err(singular(0.0));
    }
    let scaled = DMatrix::from_fn(rows, columns, |r, c| roots[r] * design.at(r, c) / norms[c]);
    let qr = scaled.qr();
    let r = qr.r();
    let (mut least, mut largest) = (f64::INFINITY, 0.0_f64);
    for c in 0..columns {
        least = least.min(r[(c, c)].abs());
        largest = largest.max(r[(c, c)].abs());
    }
    if least < LEAST_CONDITION * largest {
        return Err(singular(least / largest));
    }
    let solve = |right: &[f64]| -> Result<Vec<f64>, StatsError> {
        let mut v = DVector::from_fn(rows, |i, _| roots[i] * right[i]);
        qr.q_tr_mul(&mut v);
        let head = v.rows(0, columns).into_owned();
        let b = r.solve_upper_triangular(&head).ok_or_else(|| singular(least / largest))?;
        Ok((0..columns).map(|c| b[c] / norms[c]).collect())
    };
    let mut parameters = solve(y)?;
    let mut residuals = residuals_of(design, y, &parameters);
    for (b, step) in parameters.iter_mut().zip(solve(&residuals)?) {
        *b += step;
    }
    residuals = residuals_of(design, y, &parameters);
    let inverse =
        r.solve_upper_triangular(&DMatrix::identity(columns, columns)).ok_or_else(|| singular(least / largest))?;
    let mut cofactor = Matrix::zeros(columns, columns);
    for i in 0..columns {
        for j in 0..columns {
            let dot: f64 = (i.max(j)..columns).map(|k| inverse[(i, k)] * inverse[(j, k)]).sum();
            cofactor.set(i, j, dot / (norms[i] * norms[j]));
        }
    }
    let weighted_squares = careful_sum(residuals.iter().zip(&roots).map(|(r, w)| (w * r).powi(2)));
    Ok(LinearFit { parameters, cofactor, residuals, weighted_squares, n, dof: n - columns })
}

fn singular(condition: f64) -> StatsError {
    StatsError::Singular { what: "all the parameters", condition, limit: LEAST_CONDITION }
}

pub(super) fn square_roots(weights: Option<&[f64]>, rows: usize) -> Result<Vec<f64>, StatsError> {
    let Some(weights) = weights else { return Ok(vec![1.0; rows]) };
    if weights.len() != rows {
        return Err(StatsError::Mismatch { left: rows, right: weights.len() });
    }
    all_finite(weights)?;
    match weights.iter().find(|w| **w < 0.0) {
        Some(w) => Err(StatsError::Parameter { what: "a weight", value: *w, must_be: "0 or above" }),
        None => Ok(weights.iter().map(|w| w.sqrt()).collect()),
    }
}

fn residuals_of(design: &Matrix, y: &[f64], parameters: &[f64]) -> Vec<f64> {
    (0..design.rows())
        .map(|r| careful_sum(std::iter::once(y[r]).chain(design.row(r).iter().zip(parameters).flat_map(products))))
        .collect()
}

/// −x·b as two doubles whose sum is exact.
fn products((x, b): (&f64, &f64)) -> [f64; 2] {
    let high = x * b;
    [-high, -x.mul_add(*b, -high)]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_exact_plane_is_recovered_and_weight_zero_has_no_say() {
        let rows: Vec<f64> = (0..6).flat_map(|i| [1.0, f64::from(i), f64::from(i * i)]).collect();
        let design = Matrix::from_rows(6, 3, rows).unwrap();
        let mut y: Vec<f64> = (0..6).map(|i| 2.0 - 0.5 * f64::from(i) + 0.25 * f64::from(i * i)).collect();
        y[3] = 99.0;
        let fit = least_squares(&design, &y, Some(&[1.0, 2.0, 1.0, 0.0, 3.0, 1.0])).unwrap();
        for (b, want) in fit.parameters.iter().zip([2.0, -0.5, 0.25]) {
            assert!((b - want).abs() < 1e-13, "{:?}", fit.parameters);
        }
        assert_eq!((fit.n, fit.dof), (5, 2));
        assert!((fit.residuals[3] - (99.0 - 2.75)).abs() < 1e-12);
    }

    #[test]
    fn the_covariance_of_a_mean_is_the_textbook_one() {
        let design = Matrix::from_rows(4, 1, vec![1.0; 4]).unwrap();
        let fit = least_squares(&design, &[1.0, 2.0, 3.0, 4.0], None).unwrap();
        let u = fit.std_devs(WeightsAre::Relative).unwrap()[0];
        assert!((u - (5.0_f64 / 12.0).sqrt()).abs() < 1e-14);
        let known = least_squares(&design, &[1.0, 2.0, 3.0, 4.0], Some(&[4.0; 4])).unwrap();
        assert!((known.std_devs(WeightsAre::InverseVariances).unwrap()[0] - 0.25).abs() < 1e-14);
    }

    #[test]
    fn dependent_columns_and_missing_rows_are_refused() {
        let dependent = Matrix::from_rows(3, 2, vec![1.0, 2.0, 2.0, 4.0, 3.0, 6.0]).unwrap();
        assert!(matches!(least_squares(&dependent, &[1.0, 2.0, 3.0], None), Err(StatsError::Singular { .. })));
        let few = Matrix::from_rows(1, 2, vec![1.0, 2.0]).unwrap();
        assert!(matches!(least_squares(&few, &[1.0], None), Err(StatsError::TooFew { needed: 2, got: 1 })));
        assert!(least_squares(&few, &[1.0, 2.0], None).is_err());
        let exact = Matrix::from_rows(2, 2, vec![1.0, 0.0, 0.0, 1.0]).unwrap();
        let fit = least_squares(&exact, &[1.0, 2.0], None).unwrap();
        assert_eq!(fit.covariance(WeightsAre::Relative), None);
    }
}
