//! Location and linear fits that a few wild values cannot carry off.

use super::least_squares::{LinearFit, least_squares};
use super::{Matrix, StatsError, median, median_absolute_deviation};

/// How the say of an observation falls with its residual, measured in robust standard deviations.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Loss {
    /// Full say up to `c`, then falling as 1/r: bounded pull. 95 % efficient on normal data with c = 1.345.
    Huber {
        /// Where the fall begins.
        c: f64,
    },
    /// Tukey's biweight: no say at all beyond `c`. 95 % efficient on normal data with c = 4.685.
    Tukey {
        /// Where the say ends.
        c: f64,
    },
}

impl Loss {
    /// Huber's with 95 % efficiency (P. J. Huber, Robust Statistics, 1981, section 4.2).
    pub const HUBER: Self = Self::Huber { c: 1.345 };
    /// Tukey's with 95 % efficiency (A. E. Beaton, J. W. Tukey, Technometrics 16 (1974) 147–185).
    pub const TUKEY: Self = Self::Tukey { c: 4.685 };

    /// Weight of a residual of `r` robust standard deviations, 0 to 1.
    #[must_use]
    pub fn weight(self, r: f64) -> f64 {
        match self {
            Self::Huber { c } => {
                if r.abs() <= c {
                    1.0
                } else {
                    c / r.abs()
                }
            }
            Self::Tukey { c } => {
                if r.abs() < c {
                    (1.0 - (r / c).powi(2)).powi(2)
                } else {
                    0.0
                }
            }
        }
    }

    /// Slope of `r · weight(r)`.
    fn slope(self, r: f64) -> f64 {
        match self {
            Self::Huber { c } => {
                if r.abs() <= c {
                    1.0
                } else {
                    0.0
                }
            }
            Self::Tukey { c } => {
                let q = (r / c).powi(2);
                if q < 1.0 { (1.0 - q) * (1.0 - 5.0 * q) } else { 0.0 }
            }
        }
    }

    fn check(self) -> Result<(), StatsError> {
        let (Self::Huber { c } | Self::Tukey { c }) = self;
        if c.is_finite() && c > 0.0 {
            Ok(())
        } else {
            Err(StatsError::Parameter { what: "the loss's c", value: c, must_be: "finite and above 0" })
        }
    }
}

/// A robust linear fit.
#[derive(Clone, Debug, PartialEq)]
pub struct RobustFit {
    /// The weighted fit of the last round. Its own variance factor is too small: use [`RobustFit::covariance`].
    pub fit: LinearFit,
    /// Say that each row had, 0 to 1, beside its given weight.
    pub says: Vec<f64>,
    /// Robust standard deviation of an observation of given weight 1.
    pub scale: f64,
    /// Covariance of the parameters, Huber's formula with its correction for the number of parameters.
    pub covariance: Matrix,
    /// False when the rounds ran out before the parameters settled.
    pub settled: bool,
}

impl RobustFit {
    /// Rows whose say is below `least`, in order.
    #[must_use]
    pub fn outvoted(&self, least: f64) -> Vec<usize> {
        (0..self.says.len()).filter(|i| self.says[*i] < least).collect()
    }
}

/// Most rounds of reweighting.
const ROUNDS: usize = 100;
/// Settled when no fitted value moves by more than this share of the scale.
const SETTLED: f64 = 1e-8;

/// Fits `y ≈ X b` by iteratively reweighted least squares; given weights multiply the robust ones.
///
/// Rounds begin near the least sum of absolute residuals. The scale is the median absolute residual (times the given
/// weights' roots), corrected for the number of parameters, and held while the parameters settle.
///
/// # Accuracy
/// Withstands wild values in up to a third of the rows, all on one side (test); fewer where their rows lie at the ends of
/// the design.
/// # Errors
/// As [`least_squares`]; [`StatsError::Parameter`] for a `c` that is not above 0.
/// # Source
/// P. J. Huber, Robust Statistics, 1981, sections 7.6 and 7.8 (equation 7.6.7 for the covariance).
pub fn robust_least_squares(
    design: &Matrix,
    y: &[f64],
    weights: Option<&[f64]>,
    loss: Loss,
) -> Result<RobustFit, StatsError> {
    loss.check()?;
    let given = weights.map_or_else(|| vec![1.0; y.len()], <[f64]>::to_vec);
    let mut fit = least_absolute(design, y, &given)?;
    let mut says = vec![1.0; y.len()];
    let mut scale = scale_of(&fit, &given, y)?;
    let mut settled = false;
    // The scale stays while the parameters settle, and is then taken once more from the better residuals.
    for _ in 0..2 {
        settled = false;
        for _ in 0..ROUNDS {
            for ((say, r), w) in says.iter_mut().zip(&fit.residuals).zip(&given) {
                *say = if scale > 0.0 { loss.weight(r * w.sqrt() / scale) } else { 1.0 };
            }
            let product: Vec<f64> = says.iter().zip(&given).map(|(s, w)| s * w).collect();
            let next = least_squares(design, y, Some(&product))?;
            let moved = largest_move(&next, &fit, &given);
            fit = next;
            if moved <= SETTLED * scale {
                settled = true;
                break;
            }
        }
        scale = scale_of(&fit, &given, y)?;
    }
    let covariance = covariance(design, &fit, &given, scale, loss)?;
    Ok(RobustFit { fit, says, scale, covariance, settled })
}

/// A fit near the least sum of absolute residuals, where the robust rounds begin: it withstands a third of one-sided
/// wild rows, which a least-squares beginning does not. Reweighting by 1/|r| to a few percent of the scale is enough.
fn least_absolute(design: &Matrix, y: &[f64], given: &[f64]) -> Result<LinearFit, StatsError> {
    let mut fit = least_squares(design, y, Some(given))?;
    for _ in 0..ROUNDS {
        let scale = scale_of(&fit, given, y)?;
        if scale <= 0.0 {
            break;
        }
        let product: Vec<f64> =
            fit.residuals.iter().zip(given).map(|(r, w)| w / (r.abs() * w.sqrt() / scale).max(1e-3)).collect();
        let next = least_squares(design, y, Some(&product))?;
        let moved = largest_move(&next, &fit, given);
        fit = next;
        if moved <= 1e-3 * scale {
            break;
        }
    }
    Ok(fit)
}

fn largest_move(next: &LinearFit, fit: &LinearFit, given: &[f64]) -> f64 {
    next.residuals.iter().zip(&fit.residuals).zip(given).map(|((a, b), w)| (a - b).abs() * w.sqrt()).fold(0.0, f64::max)
}

/// Robust standard deviation of the residuals of rows that count, never below the rounding of the data.
fn scale_of(fit: &LinearFit, given: &[f64], y: &[f64]) -> Result<f64, StatsError> {
    let absolute: Vec<f64> =
        fit.residuals.iter().zip(given).filter(|(_, w)| **w > 0.0).map(|(r, w)| r.abs() * w.sqrt()).collect();
    let (n, p) = (absolute.len() as f64, fit.parameters.len() as f64);
    let correction = if n > p { (n / (n - p)).sqrt() } else { 1.0 };
    let floor = y.iter().zip(given).map(|(y, w)| y.abs() * w.sqrt()).fold(0.0, f64::max) * 4.0 * f64::EPSILON;
    Ok((median(&absolute)? / 0.674_489_750_196_081_7 * correction).max(floor))
}

fn covariance(design: &Matrix, fit: &LinearFit, given: &[f64], scale: f64, loss: Loss) -> Result<Matrix, StatsError> {
    let rows: Vec<f64> =
        (0..given.len()).filter(|i| given[*i] > 0.0).map(|i| fit.residuals[i] * given[i].sqrt()).collect();
    let (n, p) = (rows.len() as f64, fit.parameters.len() as f64);
    let standard: Vec<f64> = rows.iter().map(|r| if scale > 0.0 { r / scale } else { 0.0 }).collect();
    let pull: f64 = standard.iter().map(|r| (r * loss.weight(*r)).powi(2)).sum();
    let slope = standard.iter().map(|r| loss.slope(*r)).sum::<f64>() / n;
    let spread = standard.iter().map(|r| (loss.slope(*r) - slope).powi(2)).sum::<f64>() / n;
    // Unweighted by says: the cofactor of the design with the given weights alone.
    let plain = least_squares(design, &vec![0.0; given.len()], Some(given))?;
    if n <= p || slope <= 0.0 {
        return Err(StatsError::TooFew { needed: fit.parameters.len() + 1, got: rows.len() });
    }
    let correction = 1.0 + p / n * spread / (slope * slope);
    let factor = (correction * scale / slope).powi(2) * pull / (n - p);
    Ok(plain.cofactor.scaled(factor))
}

/// Robust location of a sample with its scale and standard error.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RobustLocation {
    /// The location.
    pub location: f64,
    /// Robust standard deviation of one value.
    pub scale: f64,
    /// Standard error of the location.
    pub std_error: f64,
    /// False when the rounds ran out.
    pub settled: bool,
}

/// M-estimate of location with the scale fixed at the normalised median absolute deviation, from the median.
///
/// A sample more than half of which is one and the same value has that value as location with standard error 0.
///
/// # Errors
/// [`StatsError::TooFew`] below two values, [`StatsError::NotFinite`], [`StatsError::Parameter`].
/// # Source
/// P. J. Huber, Robust Statistics, 1981, sections 6.4 and 6.5.
pub fn robust_location(values: &[f64], loss: Loss) -> Result<RobustLocation, StatsError> {
    loss.check()?;
    super::error::at_least(2, values)?;
    let mut location = median(values)?;
    let scale = median_absolute_deviation(values)?;
    if scale <= 0.0 {
        return Ok(RobustLocation { location, scale, std_error: 0.0, settled: true });
    }
    let mut settled = false;
    for _ in 0..ROUNDS {
        let (mut pull, mut say) = (0.0, 0.0);
        for v in values {
            let w = loss.weight((v - location) / scale);
            pull += w * (v - location);
            say += w;
        }
        let step = pull / say;
        location += step;
        if step.abs() <= SETTLED * scale {
            settled = true;
            break;
        }
    }
    let n = values.len() as f64;
    let standard: Vec<f64> = values.iter().map(|v| (v - location) / scale).collect();
    let pull: f64 = standard.iter().map(|r| (r * loss.weight(*r)).powi(2)).sum::<f64>() / (n - 1.0);
    let slope = standard.iter().map(|r| loss.slope(*r)).sum::<f64>() / n;
    // At most a few values on the flat: fall back on the say that is left.
    let slope = if slope > 0.1 { slope } else { 0.1 };
    Ok(RobustLocation { location, scale, std_error: scale / slope * (pull / n).sqrt(), settled })
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};
    use rand_pcg::Pcg64Mcg;

    fn noise(seed: u64, n: usize) -> Vec<f64> {
        let mut rng = Pcg64Mcg::seed_from_u64(seed);
        (0..n).map(|_| StandardNormal.sample(&mut rng)).collect()
    }

    #[test]
    fn a_third_of_wild_rows_leaves_the_line_where_it_is() {
        let n = 60;
        let z = noise(5, n);
        let design = Matrix::from_rows(n, 2, (0..n).flat_map(|i| [1.0, i as f64]).collect()).unwrap();
        let y: Vec<f64> =
            (0..n).map(|i| 3.0 + 0.5 * i as f64 + 0.1 * z[i] + if i % 3 == 1 { 7.0 } else { 0.0 }).collect();
        let robust = robust_least_squares(&design, &y, None, Loss::TUKEY).unwrap();
        assert!(robust.settled);
        let u = robust.covariance.at(0, 0).sqrt();
        assert!((robust.fit.parameters[0] - 3.0).abs() < 4.0 * u, "{:?} ± {u}", robust.fit.parameters);
        assert!((robust.fit.parameters[1] - 0.5).abs() < 0.005);
        assert_eq!(robust.outvoted(0.01), (0..n).filter(|i| i % 3 == 1).collect::<Vec<_>>());
        let plain = least_squares(&design, &y, None).unwrap();
        assert!(
            (plain.parameters[0] - 3.0).abs() > 1.0,
            "the plain fit must be carried off, or the test shows nothing"
        );
    }

    #[test]
    fn stated_covariances_match_the_scatter_of_repeated_fits() {
        let n = 40;
        let design = Matrix::from_rows(n, 2, (0..n).flat_map(|i| [1.0, i as f64 - 19.5]).collect()).unwrap();
        for loss in [Loss::HUBER, Loss::TUKEY] {
            let (mut slopes, mut stated) = (Vec::new(), 0.0);
            for y in noise(77, 2000 * n).chunks(n) {
                let fit = robust_least_squares(&design, y, None, loss).unwrap();
                slopes.push(fit.fit.parameters[1]);
                stated += fit.covariance.at(1, 1) / 2000.0;
            }
            let scatter = crate::stats::summary(&slopes).unwrap().std_dev;
            // 2,000 fits know their scatter to 1.6 %.
            assert!((stated.sqrt() / scatter - 1.0).abs() < 0.05, "{loss:?}: {} {scatter}", stated.sqrt());
        }
    }

    #[test]
    fn exact_data_with_one_wild_row_are_fitted_exactly() {
        let design = Matrix::from_rows(7, 2, (0..7).flat_map(|i| [1.0, f64::from(i)]).collect()).unwrap();
        let mut y: Vec<f64> = (0..7).map(|i| 1.0 + 2.0 * f64::from(i)).collect();
        y[2] = 50.0;
        let robust = robust_least_squares(&design, &y, None, Loss::TUKEY).unwrap();
        assert!((robust.fit.parameters[1] - 2.0).abs() < 1e-9, "{robust:?}");
        assert_eq!(robust.outvoted(0.5), vec![2]);
    }

    #[test]
    fn location_shrugs_off_wild_values() {
        let mut v = noise(9, 200);
        v.extend([40.0; 20]);
        for loss in [Loss::HUBER, Loss::TUKEY] {
            let at = robust_location(&v, loss).unwrap();
            assert!(at.settled && at.location.abs() < 0.35, "{loss:?} {at:?}");
            assert!((at.std_error - 1.0 / 200.0_f64.sqrt()).abs() < 0.03, "{at:?}");
        }
        let same = robust_location(&[2.0, 2.0, 2.0, 9.0], Loss::TUKEY).unwrap();
        assert_eq!((same.location, same.std_error), (2.0, 0.0));
        assert!(robust_location(&[1.0], Loss::HUBER).is_err());
        assert!(robust_location(&[1.0, 2.0], Loss::Tukey { c: f64::NAN }).is_err());
    }
}
