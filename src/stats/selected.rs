//! Values that are known only because they are not below a threshold.
//!
//! Of readings of which only those above a threshold are told, more are too long than too short, and the usual interval does not hold as
//! often as it says. Inference conditional on having been told does: with X normal about μ, told where X ≥ T, the limits of the interval
//! about a told x are the μ at which `P(X ≥ x | X ≥ T)` is so small, or so large, as the coverage says.
//!
//! Everything is in standard deviations of X: `above` is (x − T)/σ, what comes out is (μ − x)/σ.

use super::{StatsError, normal_quantile};
use statrs::function::erf::erfc;
use std::f64::consts::{PI, SQRT_2};

/// From here on the upper tail of the normal distribution is taken by its asymptotic series (relative error below 1e-10).
const FAR_TAIL: f64 = 25.0;

/// ln of the probability that a standard normal value exceeds `z`.
///
/// # Source
/// M. Abramowitz, I. A. Stegun, Handbook of Mathematical Functions, 26.2.12, for the far tail.
fn ln_upper_tail(z: f64) -> f64 {
    if z < FAR_TAIL {
        return (0.5 * erfc(z / SQRT_2)).ln();
    }
    let r = 1.0 / (z * z);
    -0.5 * z * z - (z * (2.0 * PI).sqrt()).ln() + (1.0 - r * (1.0 - 3.0 * r * (1.0 - 5.0 * r * (1.0 - 7.0 * r)))).ln()
}

/// By how many standard deviations told values are too large on average, taken at the told value itself: φ(a)/Φ(a) for a value that lies
/// `above` = a above the threshold.
///
/// Taken off the told value it leaves half of the bias where the truth lies at the threshold, and none to speak of one standard
/// deviation above it. What would leave none at all has no mean: just above the threshold it runs away downward.
///
/// # Accuracy
/// 1e-9 relative down to a density of 1e-300.
/// # Source
/// Mean of a normal distribution cut off below (inverse of Mills' ratio): N. L. Johnson, S. Kotz, N. Balakrishnan, Continuous
/// Univariate Distributions, vol. 1, 2nd ed. (1994), 13.10.1.
#[must_use]
pub fn selection_excess(above: f64) -> f64 {
    // NaN and what lies below the threshold, which is never told, count as at the threshold.
    let above = above.max(0.0);
    (-0.5 * above * above - ln_upper_tail(-above)).exp() / (2.0 * PI).sqrt()
}

/// The mean μ, as (μ − x)/σ, at which a told value exceeds x with probability `p`, given that it was told: a limit of the conditional
/// interval, the lower one for a small `p`. Not below `least`.
///
/// Far above the threshold it is the usual quantile.
///
/// # Accuracy
/// 1e-9 of the larger of 1 and its own size.
/// # Errors
/// [`StatsError::Parameter`] for `p` outside (0, 1) or a negative or NaN `above`; [`StatsError::NotFinite`] for a `least` that is not
/// finite.
/// # Source
/// W. Fithian, D. Sun, J. Taylor, Optimal inference after model selection, arXiv:1410.2597 (2014); J. D. Lee, D. L. Sun, Y. Sun,
/// J. E. Taylor, Ann. Stat. 44 (2016) 907–927: intervals by the normal distribution cut off at the threshold.
pub fn selected_limit(above: f64, p: f64, least: f64) -> Result<f64, StatsError> {
    if above.is_nan() || above < 0.0 {
        return Err(StatsError::Parameter {
            what: "the height above the threshold",
            value: above,
            must_be: "0 or above",
        });
    }
    if !least.is_finite() {
        return Err(StatsError::NotFinite { index: 0, value: least });
    }
    // Having been told only moves limits down.
    let usual = normal_quantile(p)?;
    if usual <= least {
        return Ok(least);
    }
    let wanted = p.ln();
    let excess = |by: f64| ln_upper_tail(-by) - ln_upper_tail(-by - above) - wanted;
    // At the threshold itself every told value exceeds x.
    let (mut low, mut high) = (least, usual);
    if excess(low) >= 0.0 {
        return Ok(least);
    }
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if excess(middle) < 0.0 {
            low = middle;
        } else {
            high = middle;
        }
    }
    Ok(0.5 * (low + high))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::normal_cdf;
    use proptest::prelude::*;

    #[test]
    fn the_excess_is_that_of_a_normal_distribution_cut_off() {
        // √(2/π) at the threshold; φ(1)/Φ(1) = 0.241 970 724 519 143 4 / 0.841 344 746 068 542 9.
        assert!((selection_excess(0.0) - (2.0 / PI).sqrt()).abs() < 1e-9);
        assert!((selection_excess(1.0) - 0.287_599_970_939_178_4).abs() < 1e-9);
        assert!((selection_excess(3.0) / 0.004_437_839_042 - 1.0).abs() < 1e-6);
        assert!(selection_excess(40.0) < 1e-300 && selection_excess(f64::NAN) == selection_excess(0.0));
    }

    #[test]
    fn limits_agree_with_closed_forms() {
        // A mean at the threshold itself is told every other time: P = 2 Q(a), and Q(2.241 402 727 604 947) = 0.0125,
        // Q(0.031 337 982 021 428) = 0.4875.
        let limit = |above, p| selected_limit(above, p, -1e3).unwrap();
        assert!((limit(2.241_402_727_604_947, 0.025) + 2.241_402_727_604_947).abs() < 1e-9);
        assert!((limit(0.031_337_982_021_428, 0.975) + 0.031_337_982_021_428).abs() < 1e-9);
        // Far above the threshold the usual quantiles; far below it the excess over it is exponential, P = e^(−a z) z/(z + a) e^(−a²/2)
        // to first order for a mean z below the threshold.
        assert!((limit(9.0, 0.025) + 1.959_963_984_540_054).abs() < 1e-6);
        assert!((limit(9.0, 0.975) - 1.959_963_984_540_054).abs() < 1e-9);
        let (above, z) = (0.02, -limit(0.02, 0.025) - 0.02);
        let told = (-above * (z + 0.5 * above)).exp() * z / (z + above);
        assert!(z > 150.0 && (told / 0.025 - 1.0).abs() < 1e-6, "{z} {told}");
        // At the threshold nothing is known but what it cannot be below.
        assert_eq!(selected_limit(0.0, 0.025, -4.5).unwrap(), -4.5);
        assert_eq!(selected_limit(0.5, 0.025, -4.5).unwrap(), -4.5);
    }

    #[test]
    fn bad_parameters_are_refused() {
        assert!(selected_limit(-0.1, 0.025, -9.0).is_err() && selected_limit(f64::NAN, 0.025, -9.0).is_err());
        assert!(selected_limit(1.0, 0.0, -9.0).is_err() && selected_limit(1.0, 0.5, f64::NEG_INFINITY).is_err());
    }

    proptest! {
        /// The equation holds, limits rise with the height and with p, and are never above the usual ones.
        #[test]
        fn limits_solve_their_equation(above in 0.01..8.0_f64, p in 0.001..0.999_f64, more in 0.0..1.0_f64) {
            let limit = selected_limit(above, p, -1e4).unwrap();
            let told = (ln_upper_tail(-limit) - ln_upper_tail(-limit - above)).exp();
            prop_assert!((told / p - 1.0).abs() < 1e-6, "{limit} {told}");
            prop_assert!(limit <= normal_quantile(p).unwrap());
            prop_assert!(selected_limit(above + more, p, -1e4).unwrap() >= limit - 1e-9);
            prop_assert!(selected_limit(above, p + more * (0.999 - p), -1e4).unwrap() >= limit - 1e-9);
        }
    }

    /// Told values of a normal quantity, at equal steps of their conditional distribution: how many intervals hold the mean, of the
    /// usual kind and of the conditional one.
    fn held(mean_over_threshold: f64) -> (f64, f64) {
        let n = 4000;
        let told = normal_cdf(mean_over_threshold);
        let (mut usual, mut conditional) = (0, 0);
        for i in 0..n {
            // Upper tail probability of the i-th told value.
            let tail = told * (f64::from(i) + 0.5) / f64::from(n);
            let above = mean_over_threshold - normal_quantile(tail).unwrap();
            let off = mean_over_threshold - above;
            let limit = |p, least| selected_limit(above.max(0.0), p, least).unwrap();
            usual += i32::from(off.abs() < 1.96);
            conditional += i32::from((limit(0.025, -1e4)..=limit(0.975, -1e4)).contains(&off));
        }
        (f64::from(usual) / f64::from(n), f64::from(conditional) / f64::from(n))
    }

    #[test]
    fn conditional_intervals_hold_what_they_say_wherever_the_truth_lies() {
        for mean in [-3.0, -1.5, -0.5, 0.0, 0.5, 1.0, 2.0, 4.0] {
            let (usual, conditional) = held(mean);
            assert!((conditional - 0.95).abs() < 2e-3, "mean {mean} over the threshold: {conditional}");
            // The usual one holds nothing of what lies far below.
            assert!(mean > -1.0 || usual < 0.8, "mean {mean}: {usual}");
        }
    }
}
