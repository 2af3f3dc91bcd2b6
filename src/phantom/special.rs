//! Bessel functions for round things.

/// J₀ by the polynomial forms of Abramowitz & Stegun 9.4.1 and 9.4.3, error below 5e-8 (times x^−½ for x > 3).
pub(crate) fn bessel_j0(x: f64) -> f64 {
    let x = x.abs();
    if x <= 3.0 {
        let t = (x / 3.0).powi(2);
        return 1.0
            + t * (-2.249_999_7
                + t * (1.265_620_8 + t * (-0.316_386_6 + t * (0.044_447_9 + t * (-0.003_944_4 + t * 0.000_210_0)))));
    }
    let t = 3.0 / x;
    let f = 0.797_884_56
        + t * (-0.000_000_77
            + t * (-0.005_527_40 + t * (-0.000_095_12 + t * (0.001_372_37 + t * (-0.000_728_05 + t * 0.000_144_76)))));
    let theta = x - std::f64::consts::FRAC_PI_4
        + t * (-0.041_663_97
            + t * (-0.000_039_54 + t * (0.002_625_73 + t * (-0.000_541_25 + t * (-0.000_293_33 + t * 0.000_135_58)))));
    f * theta.cos() / x.sqrt()
}

/// J₁ by Abramowitz & Stegun 9.4.4 and 9.4.6, error below 2e-8 relative to x, and 5e-8 (times x^−½ for x > 3).
pub(crate) fn bessel_j1(x: f64) -> f64 {
    let a = x.abs();
    let value = if a <= 3.0 {
        let t = (a / 3.0).powi(2);
        a * (0.5
            + t * (-0.562_499_85
                + t * (0.210_935_73
                    + t * (-0.039_542_89 + t * (0.004_433_19 + t * (-0.000_317_61 + t * 0.000_011_09))))))
    } else {
        let t = 3.0 / a;
        let f = 0.797_884_56
            + t * (0.000_001_56
                + t * (0.016_596_67
                    + t * (0.000_171_05 + t * (-0.002_495_11 + t * (0.001_136_53 - t * 0.000_200_33)))));
        let theta = a - 3.0 * std::f64::consts::FRAC_PI_4
            + t * (0.124_996_12
                + t * (0.000_056_50
                    + t * (-0.006_378_79 + t * (0.000_743_48 + t * (0.000_798_24 - t * 0.000_291_66)))));
        f * theta.cos() / a.sqrt()
    };
    if x < 0.0 { -value } else { value }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Bessel's integral, (1/π) ∫ cos(nτ − x sin τ) dτ over 0 to π; the trapezoid converges exponentially.
    fn integral(n: f64, x: f64) -> f64 {
        let steps = 400;
        (0..steps)
            .map(|i| {
                let t = std::f64::consts::PI * (f64::from(i) + 0.5) / f64::from(steps);
                (n * t - x * t.sin()).cos()
            })
            .sum::<f64>()
            / f64::from(steps)
    }

    #[test]
    fn polynomials_meet_the_integral() {
        for i in 0..600 {
            let x = f64::from(i) * 0.1;
            assert!((bessel_j0(x) - integral(0.0, x)).abs() < 1.2e-7, "J0({x})");
            assert!((bessel_j1(x) - integral(1.0, x)).abs() < 1.2e-7, "J1({x})");
        }
        assert!((bessel_j1(-1.3) + bessel_j1(1.3)).abs() < 1e-15);
        // First zero of J1, 3.831705970 (Abramowitz & Stegun table 9.5).
        assert!(bessel_j1(3.831_705_970).abs() < 1e-7);
    }
}
