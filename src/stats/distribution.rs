//! Student's t, the normal distribution and the F test.

use super::StatsError;
use statrs::function::beta::{beta_reg, ln_beta};
use statrs::function::erf::{erfc, erfc_inv};
use std::f64::consts::{PI, SQRT_2};

/// Above this number of degrees of freedom t is taken from the normal quantile by a series (relative error below 1e-12).
const MANY_DOF: f64 = 1e4;

fn check_dof(dof: f64) -> Result<(), StatsError> {
    // Written so that NaN is refused too.
    if dof > 0.0 { Ok(()) } else { Err(StatsError::Parameter { what: "dof", value: dof, must_be: "above 0" }) }
}

/// Probability that a standard normal value is at most `z`.
#[must_use]
pub fn normal_cdf(z: f64) -> f64 {
    0.5 * erfc(-z / SQRT_2)
}

/// The standard normal value below which the share `p` lies.
///
/// # Accuracy
/// 1e-12 relative, by two Newton steps on [`normal_cdf`].
/// # Errors
/// [`StatsError::Parameter`] for `p` outside (0, 1).
pub fn normal_quantile(p: f64) -> Result<f64, StatsError> {
    check_probability(p)?;
    let mut z = -SQRT_2 * erfc_inv(2.0 * p);
    for _ in 0..2 {
        let density = (-0.5 * z * z).exp() / (2.0 * PI).sqrt();
        if density > 0.0 {
            // The upper half through its tail, where the difference keeps its digits.
            let excess = if p > 0.5 { (1.0 - p) - 0.5 * erfc(z / SQRT_2) } else { normal_cdf(z) - p };
            z -= excess / density;
        }
    }
    Ok(z)
}

fn check_probability(p: f64) -> Result<(), StatsError> {
    if p > 0.0 && p < 1.0 {
        Ok(())
    } else {
        Err(StatsError::Parameter { what: "the probability", value: p, must_be: "above 0 and below 1" })
    }
}

/// Probability that Student's t with `dof` degrees of freedom (not necessarily whole, possibly infinite) exceeds `t` ≥ 0.
fn upper_tail(t: f64, dof: f64) -> f64 {
    if dof.is_infinite() {
        return 0.5 * erfc(t / SQRT_2);
    }
    let t2 = t * t;
    if t2 < dof {
        // Near the centre the complement keeps its digits.
        0.5 - 0.5 * beta_reg(0.5, 0.5 * dof, t2 / (dof + t2))
    } else {
        0.5 * beta_reg(0.5 * dof, 0.5, dof / (dof + t2))
    }
}

/// Probability that Student's t with `dof` degrees of freedom is at most `t`.
///
/// `dof` need not be whole and may be infinite (normal).
///
/// # Errors
/// [`StatsError::Parameter`] for dof ≤ 0 or NaN, [`StatsError::NotFinite`] for a NaN `t`.
pub fn student_t_cdf(t: f64, dof: f64) -> Result<f64, StatsError> {
    check_dof(dof)?;
    if t.is_nan() {
        return Err(StatsError::NotFinite { index: 0, value: t });
    }
    if t.is_infinite() {
        return Ok(if t > 0.0 { 1.0 } else { 0.0 });
    }
    let tail = upper_tail(t.abs(), dof);
    Ok(if t > 0.0 { 1.0 - tail } else { tail })
}

/// The value of Student's t below which the share `p` lies; `dof` need not be whole and may be infinite.
///
/// # Accuracy
/// 1e-9 relative for dof ≥ 0.5 and 1e-6 < p < 1 − 1e-6 (checked against mpmath values and the computed table of the
/// reference set, four decimals).
/// # Errors
/// [`StatsError::Parameter`] for dof ≤ 0 or NaN and for `p` outside (0, 1).
/// # Source
/// Inversion of the regularised incomplete beta function; for many degrees of freedom Cornish and Fisher's series,
/// Abramowitz and Stegun 26.7.5.
pub fn student_t_quantile(p: f64, dof: f64) -> Result<f64, StatsError> {
    check_dof(dof)?;
    check_probability(p)?;
    let tail = if p > 0.5 { 1.0 - p } else { p };
    let sign = if p > 0.5 { 1.0 } else { -1.0 };
    let z = -normal_quantile(tail)?;
    if dof > MANY_DOF {
        let z2 = z * z;
        let g1 = z * (z2 + 1.0) / 4.0;
        let g2 = z * ((5.0 * z2 + 16.0) * z2 + 3.0) / 96.0;
        let g3 = z * (((3.0 * z2 + 19.0) * z2 + 17.0) * z2 - 15.0) / 384.0;
        return Ok(sign * (z + (g1 + (g2 + g3 / dof) / dof) / dof));
    }
    // Bracket, then Newton's steps held inside the bracket.
    let (mut low, mut high) = (0.0, z.max(1.0));
    while upper_tail(high, dof) > tail && high < 1e150 {
        low = high;
        high *= 2.0;
    }
    let ln_norm = -0.5 * dof.ln() - ln_beta(0.5 * dof, 0.5);
    let mut t = 0.5 * (low + high);
    for _ in 0..200 {
        let excess = upper_tail(t, dof) - tail;
        if excess > 0.0 {
            low = t;
        } else {
            high = t;
        }
        let density = (ln_norm - 0.5 * (dof + 1.0) * (t * t / dof).ln_1p()).exp();
        let newton = t + excess / density;
        let next = if newton > low && newton < high { newton } else { 0.5 * (low + high) };
        let done = (next - t).abs() <= 1e-15 * next.abs();
        t = next;
        if done {
            break;
        }
    }
    Ok(sign * t)
}

/// Probability that Fisher's F with `dof_above` and `dof_below` degrees of freedom exceeds `f`: the p value of an F test.
///
/// # Errors
/// [`StatsError::Parameter`] for degrees of freedom that are not above 0 and finite or a negative or NaN `f`.
pub fn f_upper_tail(f: f64, dof_above: f64, dof_below: f64) -> Result<f64, StatsError> {
    check_dof(dof_above)?;
    check_dof(dof_below)?;
    if dof_above.is_infinite() || dof_below.is_infinite() {
        return Err(StatsError::Parameter { what: "dof", value: f64::INFINITY, must_be: "finite" });
    }
    if f.is_nan() || f < 0.0 {
        return Err(StatsError::Parameter { what: "F", value: f, must_be: "0 or above" });
    }
    if f.is_infinite() {
        return Ok(0.0);
    }
    Ok(beta_reg(0.5 * dof_below, 0.5 * dof_above, dof_below / (dof_below + dof_above * f)))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Values by bisection on the incomplete beta function in 40 digits (mpmath).
    const T_QUANTILES: [(f64, f64, f64); 10] = [
        (0.975, 0.5, 164.557_673_480_488_53),
        (0.975, 1.0, 12.706_204_736_174_705),
        (0.975, 2.5, 3.574_654_842_003_683),
        (0.995, 16.7521, 2.903_542_310_523_644),
        (0.975, 99.5, 1.984_093_610_990_624_2),
        (0.999, 5.0, 5.893_429_531_356_01),
        (0.975, 12345.0, 1.960_156_167_600_567_2),
        (0.975, 90_000.0, 1.959_990_343_457_74),
        (0.975, 1e6, 1.959_966_356_814_107),
        (0.6, 3.0, 0.276_670_662_332_689_9),
    ];

    #[test]
    fn t_quantiles_agree_with_forty_digit_values() {
        for (p, dof, want) in T_QUANTILES {
            let got = student_t_quantile(p, dof).unwrap();
            assert!((got / want - 1.0).abs() < 1e-9, "p {p} dof {dof}: {got}, wanted {want}");
            let low = student_t_quantile(1.0 - p, dof).unwrap();
            assert!((low + got).abs() < 1e-9 * got, "symmetry at {p}, {dof}: {low} {got}");
            let back = student_t_cdf(got, dof).unwrap();
            // The incomplete beta function loses digits with many degrees of freedom.
            assert!((back - p).abs() < 1e-16 * dof.max(1e4), "p {p} dof {dof}: came back as {back}");
        }
        assert!(student_t_quantile(0.5, 4.0).unwrap().abs() < 1e-12);
    }

    #[test]
    fn normal_quantiles_agree_with_forty_digit_values() {
        for (p, want) in [
            (0.975, 1.959_963_984_540_054_2),
            (0.995, 2.575_829_303_548_901),
            (0.500_001, 2.506_628_274_633_625_4e-6),
            (0.999_999, 4.753_424_308_822_899),
            (1e-9, -5.997_807_015_007_686_9),
            (0.3, -0.524_400_512_708_040_8),
        ] {
            let got = normal_quantile(p).unwrap();
            assert!((got / want - 1.0).abs() < 1e-9, "{p}: {got}, wanted {want}");
        }
        assert_eq!(student_t_quantile(0.975, f64::INFINITY).unwrap(), normal_quantile(0.975).unwrap());
    }

    #[test]
    fn f_tails_agree_with_forty_digit_values() {
        for (f, a, b, want) in [
            (3.5, 2.0, 17.0, 0.053_335_979_742_280_46),
            (1.0, 5.0, 5.0, 0.5),
            (12.3, 1.0, 94.0, 0.000_696_510_152_113_141_1),
            (0.2, 3.0, 8.0, 0.893_509_895_778_452_7),
        ] {
            let got = f_upper_tail(f, a, b).unwrap();
            assert!((got / want - 1.0).abs() < 1e-10, "F {f} ({a}, {b}): {got}, wanted {want}");
        }
    }

    #[test]
    fn bad_parameters_are_refused() {
        for dof in [0.0, -1.0, f64::NAN] {
            assert!(student_t_quantile(0.975, dof).is_err() && student_t_cdf(0.0, dof).is_err());
        }
        for p in [0.0, 1.0, f64::NAN, 1.2] {
            assert!(student_t_quantile(p, 3.0).is_err() && normal_quantile(p).is_err());
        }
        assert!(f_upper_tail(-1.0, 1.0, 1.0).is_err() && f_upper_tail(f64::NAN, 1.0, 1.0).is_err());
        assert_eq!(f_upper_tail(f64::INFINITY, 1.0, 3.0).unwrap(), 0.0);
        assert_eq!(student_t_cdf(f64::NEG_INFINITY, 3.0).unwrap(), 0.0);
    }
}
