//! Which of two models the data support.

use super::{StatsError, f_upper_tail};

/// A least-squares model as far as its choice is concerned.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ModelFit {
    /// Number of observations.
    pub n: usize,
    /// Number of fitted parameters, the variance not counted.
    pub parameters: usize,
    /// Weighted sum of squared residuals.
    pub squares: f64,
}

/// Outcome of an F test of nested models.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FTest {
    /// The ratio F.
    pub f: f64,
    /// Probability of an F at least as large if the smaller model were true.
    pub p_value: f64,
}

impl ModelFit {
    fn check(&self) -> Result<(), StatsError> {
        if !self.squares.is_finite() || self.squares < 0.0 {
            return Err(StatsError::Parameter {
                what: "the sum of squares",
                value: self.squares,
                must_be: "finite and not below 0",
            });
        }
        if self.n <= self.parameters {
            return Err(StatsError::TooFew { needed: self.parameters + 1, got: self.n });
        }
        Ok(())
    }

    /// `−2 ln L` at its maximum for normal errors of unknown variance, up to a constant common to all models.
    fn deviance(&self) -> f64 {
        let n = self.n as f64;
        n * (self.squares / n).max(f64::MIN_POSITIVE).ln()
    }

    /// Akaike's criterion corrected for small samples (variance counted as a parameter); smaller is better.
    ///
    /// # Errors
    /// [`StatsError::TooFew`] unless n exceeds the number of parameters by three or more, [`StatsError::Parameter`].
    /// # Source
    /// C. M. Hurvich, C.-L. Tsai, Biometrika 76 (1989) 297–307.
    pub fn aicc(&self) -> Result<f64, StatsError> {
        self.check()?;
        let (n, k) = (self.n as f64, self.parameters as f64 + 1.0);
        if n - k - 1.0 < 1.0 {
            return Err(StatsError::TooFew { needed: self.parameters + 3, got: self.n });
        }
        Ok(self.deviance() + 2.0 * k + 2.0 * k * (k + 1.0) / (n - k - 1.0))
    }

    /// Schwarz's Bayesian criterion (variance counted as a parameter); smaller is better.
    ///
    /// # Errors
    /// [`StatsError::TooFew`] unless n exceeds the number of parameters, [`StatsError::Parameter`].
    /// # Source
    /// G. Schwarz, Ann. Stat. 6 (1978) 461–464.
    pub fn bic(&self) -> Result<f64, StatsError> {
        self.check()?;
        Ok(self.deviance() + (self.parameters as f64 + 1.0) * (self.n as f64).ln())
    }
}

/// F test of a smaller model nested in a larger one fitted to the same data.
///
/// # Errors
/// [`StatsError::Parameter`] when the larger model has no more parameters or the numbers of observations differ,
/// [`StatsError::TooFew`] when it leaves no degrees of freedom.
pub fn f_test(smaller: ModelFit, larger: ModelFit) -> Result<FTest, StatsError> {
    smaller.check()?;
    larger.check()?;
    if smaller.n != larger.n {
        return Err(StatsError::Mismatch { left: smaller.n, right: larger.n });
    }
    if larger.parameters <= smaller.parameters {
        return Err(StatsError::Parameter {
            what: "the larger model's number of parameters",
            value: larger.parameters as f64,
            must_be: "above the smaller model's",
        });
    }
    let added = (larger.parameters - smaller.parameters) as f64;
    let left = (larger.n - larger.parameters) as f64;
    let gain = (smaller.squares - larger.squares).max(0.0) / added;
    let noise = larger.squares / left;
    let f = if noise > 0.0 {
        gain / noise
    } else if gain > 0.0 {
        f64::INFINITY
    } else {
        0.0
    };
    Ok(FTest { f, p_value: f_upper_tail(f, added, left)? })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_criteria_in_closed_form() {
        let fit = ModelFit { n: 20, parameters: 2, squares: 40.0 };
        assert!((fit.bic().unwrap() - (20.0 * 2.0_f64.ln() + 3.0 * 20.0_f64.ln())).abs() < 1e-12);
        assert!((fit.aicc().unwrap() - (20.0 * 2.0_f64.ln() + 6.0 + 24.0 / 16.0)).abs() < 1e-12);
    }

    #[test]
    fn the_f_test_sees_a_real_gain_and_no_other() {
        let small = ModelFit { n: 20, parameters: 1, squares: 40.0 };
        let test = f_test(small, ModelFit { n: 20, parameters: 3, squares: 28.333_333_333_333_332 }).unwrap();
        // F = (11.667/2) / (28.333/17) = 3.5, whose p value mpmath gives as 0.05333598.
        assert!((test.f - 3.5).abs() < 1e-12 && (test.p_value - 0.053_335_98).abs() < 1e-8, "{test:?}");
        let none = f_test(small, ModelFit { n: 20, parameters: 2, squares: 40.0 }).unwrap();
        assert_eq!((none.f, none.p_value), (0.0, 1.0));
        let exact = f_test(small, ModelFit { n: 20, parameters: 2, squares: 0.0 }).unwrap();
        assert_eq!(exact.p_value, 0.0);
        assert!(f_test(small, small).is_err());
        assert!(ModelFit { n: 3, parameters: 3, squares: 1.0 }.bic().is_err());
        assert!(ModelFit { n: 9, parameters: 1, squares: f64::NAN }.bic().is_err());
    }
}
