//! Adaptive integration with an error bound.

/// An integral with a bound of its numerical error.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Integral {
    /// The value.
    pub value: f64,
    /// Bound of the numerical error, same unit; a sum of differences between two rules, so generous for smooth integrands.
    pub error_bound: f64,
    /// False when the depth limit was met before the tolerance.
    pub converged: bool,
}

/// Halvings of one interval before giving up: 2⁻³⁰ of it is below any length that matters here.
const DEPTH_LIMIT: u32 = 30;

/// Positive nodes of the 15-point Kronrod rule, the Gauss nodes at odd places and the centre last.
///
/// Source: Piessens, de Doncker-Kapenga, Überhuber, Kahaner, QUADPACK, Springer 1983, routine QK15. A test checks the degrees
/// of exactness, 13 and 22, which no wrong digit survives.
const NODES: [f64; 8] = [
    0.991_455_371_120_812_6,
    0.949_107_912_342_758_5,
    0.864_864_423_359_769_1,
    0.741_531_185_599_394_4,
    0.586_087_235_467_691_1,
    0.405_845_151_377_397_2,
    0.207_784_955_007_898_47,
    0.0,
];
const KRONROD_WEIGHTS: [f64; 8] = [
    0.022_935_322_010_529_224,
    0.063_092_092_629_978_56,
    0.104_790_010_322_250_18,
    0.140_653_259_715_525_92,
    0.169_004_726_639_267_9,
    0.190_350_578_064_785_4,
    0.204_432_940_075_298_9,
    0.209_482_141_084_727_82,
];
const GAUSS_WEIGHTS: [f64; 4] =
    [0.129_484_966_168_869_7, 0.279_705_391_489_276_64, 0.381_830_050_505_118_9, 0.417_959_183_673_469_4];

/// Integrates `f` from `from` to `to` until the error bound is at most `tolerance`, by halving where it is needed.
///
/// Each half gets half of the tolerance, so that the bounds add up to no more than what was asked for.
///
/// # Accuracy
/// The difference between the 15-point Kronrod and the embedded 7-point Gauss value bounds the error of the latter; the former
/// is returned and is far closer for smooth integrands.
pub(super) fn integrate(f: &impl Fn(f64) -> f64, from: f64, to: f64, tolerance: f64) -> Integral {
    halve(f, from, to, tolerance, DEPTH_LIMIT)
}

fn halve(f: &impl Fn(f64) -> f64, from: f64, to: f64, tolerance: f64, depth: u32) -> Integral {
    let (value, difference) = kronrod(f, from, to);
    // Below this the difference is rounding noise of the sums themselves.
    let floor = 16.0 * f64::EPSILON * value.abs();
    if difference <= tolerance.max(floor) || depth == 0 {
        return Integral { value, error_bound: difference.max(floor), converged: depth > 0 };
    }
    let middle = 0.5 * (from + to);
    let a = halve(f, from, middle, 0.5 * tolerance, depth - 1);
    let b = halve(f, middle, to, 0.5 * tolerance, depth - 1);
    Integral {
        value: a.value + b.value,
        error_bound: a.error_bound + b.error_bound,
        converged: a.converged && b.converged,
    }
}

/// Kronrod value and its distance from the Gauss value.
fn kronrod(f: &impl Fn(f64) -> f64, from: f64, to: f64) -> (f64, f64) {
    let (middle, half) = (0.5 * (from + to), 0.5 * (to - from));
    let centre = f(middle);
    let mut kronrod = KRONROD_WEIGHTS[7] * centre;
    let mut gauss = GAUSS_WEIGHTS[3] * centre;
    for (i, (node, weight)) in NODES.iter().zip(&KRONROD_WEIGHTS).enumerate().take(7) {
        let both = f(middle - half * node) + f(middle + half * node);
        kronrod += weight * both;
        if i % 2 == 1 {
            gauss += GAUSS_WEIGHTS[i / 2] * both;
        }
    }
    (kronrod * half, ((kronrod - gauss) * half).abs())
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::PI;

    #[test]
    fn the_rule_is_exact_to_its_degree() {
        for degree in 0..=22 {
            let (value, difference) = kronrod(&|x: f64| x.powi(degree), -1.0, 1.0);
            let exact = if degree % 2 == 0 { 2.0 / f64::from(degree + 1) } else { 0.0 };
            assert!((value - exact).abs() < 1e-15, "degree {degree}: {value}");
            // Gauss with 7 nodes is exact to degree 13 and not beyond.
            assert_eq!(difference < 1e-15, degree <= 13 || degree % 2 == 1, "degree {degree}: {difference}");
        }
    }

    /// Arc length of a curve given by its derivative.
    fn length(d: impl Fn(f64) -> (f64, f64), from: f64, to: f64) -> Integral {
        integrate(
            &|t| {
                let (x, y) = d(t);
                x.hypot(y)
            },
            from,
            to,
            1e-11,
        )
    }

    #[test]
    fn arc_lengths_of_known_curves() {
        // Values and their sources: REFERENCE.md section 6 (elliptic integrals, closed forms).
        let cases: [(&str, Integral, f64); 10] = [
            ("ellipse 2, 1", length(|t| (-2.0 * t.sin(), t.cos()), 0.0, 2.0 * PI), 9.688_448_220_547_675),
            ("ellipse 5, 3", length(|t| (-5.0 * t.sin(), 3.0 * t.cos()), 0.0, 2.0 * PI), 25.526_998_863_398_124),
            ("ellipse 10, 1", length(|t| (-10.0 * t.sin(), t.cos()), 0.0, 2.0 * PI), 40.639_741_801_008_945),
            ("parabola", length(|t| (1.0, 2.0 * t), 0.0, 1.0), 1.478_942_857_544_597_5),
            (
                "log spiral",
                length(
                    |t| {
                        let r = (0.2 * t).exp();
                        (r * (0.2 * t.cos() - t.sin()), r * (0.2 * t.sin() + t.cos()))
                    },
                    0.0,
                    2.0 * PI,
                ),
                12.816_822_147_319_256,
            ),
            (
                "Archimedean spiral",
                length(|t| (t.cos() - t * t.sin(), t.sin() + t * t.cos()), 0.0, 2.0 * PI),
                21.256_294_148_209_097,
            ),
            ("cycloid", length(|t| (1.0 - t.cos(), t.sin()), 0.0, 2.0 * PI), 8.0),
            (
                "astroid",
                length(|t| (-3.0 * t.cos().powi(2) * t.sin(), 3.0 * t.sin().powi(2) * t.cos()), 0.0, 2.0 * PI),
                6.0,
            ),
            ("catenary", length(|t| (1.0, t.sinh()), 0.0, 1.0), 1.0_f64.sinh()),
            ("sine", length(|t| (1.0, t.cos()), 0.0, PI), 3.820_197_789_027_712),
        ];
        for (name, got, wanted) in cases {
            assert!(got.converged, "{name}");
            assert!((got.value / wanted - 1.0).abs() < 1e-9, "{name}: {} for {wanted}", got.value);
            assert!(
                (got.value - wanted).abs() <= got.error_bound + 1e-13 * wanted,
                "{name}: bound {}",
                got.error_bound
            );
        }
    }

    #[test]
    fn a_depth_limit_met_is_told() {
        let never = integrate(&|x: f64| if x > 1.0 / 3.0 { 1e6 } else { 0.0 }, 0.0, 1.0, 1e-300);
        assert!(!never.converged);
    }
}
