//! Several readings of one quantity: do two agree, and what do all say together.
//!
//! What the readings share (the ruled slide) can neither make two of them differ nor shrink by repeating: it is left out of
//! the normalised error and kept whole in the pooled value.

use super::UncertaintyError;

/// One reading of a quantity.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Repeat {
    /// The value.
    pub value: f64,
    /// Standard uncertainty of what is this reading's own: fit, mounting, temperature on the day. Above 0.
    pub u_own: f64,
    /// Degrees of freedom of `u_own`.
    pub dof: f64,
    /// Standard uncertainty of what all readings share, in the unit of the value.
    pub u_shared: f64,
}

/// All readings together.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pooled {
    /// Number of readings.
    pub n: usize,
    /// Mean weighted by `1 / u_own²`.
    pub value: f64,
    /// Standard uncertainty of the mean from the readings' own parts: from what they state or from their scatter,
    /// whichever is larger.
    pub u_own: f64,
    /// Degrees of freedom of `u_own`.
    pub dof: f64,
    /// The shared part, which does not shrink.
    pub u_shared: f64,
    /// Both parts combined.
    pub u: f64,
    /// Sample standard deviation of the values, unweighted, with n − 1 degrees of freedom: what one further mounting
    /// departs by, type A. `None` for a single reading.
    pub spread: Option<f64>,
    /// Scatter over what the readings state, `√(χ² / (n − 1))`: well above 1 says that something is missing from the
    /// readings' budgets. `None` for a single reading.
    pub birge_ratio: Option<f64>,
}

impl Repeat {
    fn check(&self) -> Result<(), UncertaintyError> {
        let refuse = |what, value, must_be| {
            Err(UncertaintyError::Input { source_id: "reading".to_owned(), what, value, must_be })
        };
        if !self.value.is_finite() {
            return refuse("the value", self.value, "finite");
        }
        if !self.u_own.is_finite() || self.u_own <= 0.0 {
            return refuse("the reading's own u", self.u_own, "finite and above 0");
        }
        if self.dof.is_nan() || self.dof <= 0.0 {
            return refuse("dof", self.dof, "above 0");
        }
        if !self.u_shared.is_finite() || self.u_shared < 0.0 {
            return refuse("the shared u", self.u_shared, "finite and not below 0");
        }
        Ok(())
    }
}

/// Normalised error of two readings, `(a − b) / √(U_a² + U_b²)` with `U = k u_own`; they agree where it is at most 1 in size.
///
/// The shared parts are left out of U.
///
/// # Errors
/// [`UncertaintyError::Input`] for a reading out of range, [`UncertaintyError::Option`] for a `k` that is not above 0.
/// # Source
/// ISO/IEC 17043:2010, annex B.3.1.3, with k = 2.
pub fn normalised_error(a: &Repeat, b: &Repeat, k: f64) -> Result<f64, UncertaintyError> {
    a.check()?;
    b.check()?;
    if !k.is_finite() || k <= 0.0 {
        return Err(UncertaintyError::Option { what: "k", value: k, must_be: "finite and above 0" });
    }
    Ok((a.value - b.value) / (k * a.u_own.hypot(b.u_own)))
}

/// Pools the readings of a history.
///
/// The mean is weighted by the own variances. Its own uncertainty is the larger of `(Σ w)^(−½)` and the same times
/// the Birge ratio; its degrees of freedom follow (Welch and Satterthwaite over the readings, or n − 1).
///
/// # Errors
/// [`UncertaintyError::Stats`] for no reading, [`UncertaintyError::Input`] for one out of range.
/// # Source
/// R. T. Birge, Phys. Rev. 40 (1932) 207–227; JCGM 100:2008, G.4.
pub fn pooled(readings: &[Repeat]) -> Result<Pooled, UncertaintyError> {
    crate::stats::summary(&readings.iter().map(|r| r.value).collect::<Vec<_>>())?;
    for reading in readings {
        reading.check()?;
    }
    let n = readings.len();
    let weights: Vec<f64> = readings.iter().map(|r| r.u_own.powi(-2)).collect();
    let total: f64 = weights.iter().sum();
    let mean_of = |f: fn(&Repeat) -> f64| readings.iter().zip(&weights).map(|(r, w)| w * f(r)).sum::<f64>() / total;
    // About the first reading, so that near-equal large values keep their digits.
    let origin = readings[0].value;
    let value = origin + readings.iter().zip(&weights).map(|(r, w)| w * (r.value - origin)).sum::<f64>() / total;
    let u_shared = mean_of(|r| r.u_shared);
    let stated = total.powf(-0.5);
    let stated_dof = total * total / readings.iter().zip(&weights).map(|(r, w)| w * w / r.dof).sum::<f64>();
    let more = n > 1;
    let degrees = (n.max(2) - 1) as f64;
    let chi_squared: f64 = readings.iter().zip(&weights).map(|(r, w)| w * (r.value - value).powi(2)).sum();
    let birge_ratio = more.then(|| (chi_squared / degrees).sqrt());
    let (u_own, dof) = match birge_ratio {
        Some(ratio) if ratio > 1.0 => (ratio * stated, degrees),
        _ => (stated, stated_dof),
    };
    let values: Vec<f64> = readings.iter().map(|r| r.value).collect();
    let spread = if more { Some(crate::stats::summary(&values)?.std_dev) } else { None };
    Ok(Pooled { n, value, u_own, dof, u_shared, u: u_own.hypot(u_shared), spread, birge_ratio })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn reading(value: f64, u_own: f64) -> Repeat {
        Repeat { value, u_own, dof: 30.0, u_shared: 0.5 }
    }

    #[test]
    fn the_normalised_error_of_the_example() {
        // 100.0 ± 3 against 104.0 ± 4 with k = 2: −4 / 5.
        let e = normalised_error(&reading(100.0, 1.5), &reading(104.0, 2.0), 2.0).unwrap();
        assert!((e + 0.8).abs() < 1e-14);
        let mut far = reading(104.0, 2.0);
        far.u_shared = 50.0;
        assert_eq!(normalised_error(&reading(100.0, 1.5), &far, 2.0).unwrap(), e, "what is shared is left out");
        assert!(normalised_error(&reading(1.0, 0.0), &far, 2.0).is_err());
        assert!(normalised_error(&reading(1.0, 1.0), &far, f64::NAN).is_err());
    }

    #[test]
    fn the_shared_part_does_not_shrink() {
        let many: Vec<Repeat> = (0..100).map(|i| reading(10.0 + 0.1 * f64::from(i % 3 - 1), 0.2)).collect();
        let p = pooled(&many).unwrap();
        assert!((p.u_own - 0.02).abs() < 1e-12 && p.u_shared == 0.5 && (p.u - 0.5_f64.hypot(0.02)).abs() < 1e-12);
        assert!(p.birge_ratio.is_some_and(|b| b < 1.0) && (p.dof - 3000.0).abs() < 1e-6);
    }

    #[test]
    fn scatter_beyond_what_is_stated_counts() {
        let p = pooled(&[reading(10.0, 0.1), reading(12.0, 0.1), reading(11.0, 0.1)]).unwrap();
        assert!((p.value - 11.0).abs() < 1e-12 && (p.u_own - 1.0 / 3.0_f64.sqrt()).abs() < 1e-12, "{p:?}");
        assert_eq!((p.dof, p.spread), (2.0, Some(1.0)));
        let one = pooled(&[reading(10.0, 0.1)]).unwrap();
        assert_eq!((one.value, one.spread, one.birge_ratio), (10.0, None, None));
        assert!((one.u_own - 0.1).abs() < 1e-15 && (one.dof - 30.0).abs() < 1e-9);
        assert!(pooled(&[]).is_err());
    }
}
