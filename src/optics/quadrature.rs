//! Gauss–Legendre quadrature in panels.

use std::sync::LazyLock;

/// Nodes of one panel.
pub(crate) const PANEL: usize = 16;

/// Nodes and weights on [-1, 1].
static RULE: LazyLock<[(f64, f64); PANEL]> = LazyLock::new(rule);

/// Computes the rule by Newton's method on the Legendre polynomial.
///
/// # Source
/// Press et al., Numerical Recipes, section on Gaussian quadratures; exact for polynomials of degree 31.
fn rule() -> [(f64, f64); PANEL] {
    let n = PANEL as f64;
    let mut out = [(0.0, 0.0); PANEL];
    for (i, slot) in out.iter_mut().enumerate() {
        let mut x = (std::f64::consts::PI * (i as f64 + 0.75) / (n + 0.5)).cos();
        let mut slope = 1.0;
        for _ in 0..100 {
            let (mut p0, mut p1) = (1.0, x);
            for k in 2..=PANEL {
                let k = k as f64;
                (p0, p1) = (p1, ((2.0 * k - 1.0) * x * p1 - (k - 1.0) * p0) / k);
            }
            slope = n * (x * p1 - p0) / (x * x - 1.0);
            let step = p1 / slope;
            x -= step;
            if step.abs() < 1e-15 {
                break;
            }
        }
        *slot = (x, 2.0 / ((1.0 - x * x) * slope * slope));
    }
    out
}

/// Calls `visit` with every node and weight for the integral from `from` to `to` in `panels` equal panels.
pub(crate) fn for_nodes(from: f64, to: f64, panels: usize, mut visit: impl FnMut(f64, f64)) {
    let half = 0.5 * (to - from) / panels as f64;
    for k in 0..panels {
        let middle = from + (2 * k + 1) as f64 * half;
        for &(x, w) in RULE.iter() {
            visit(middle + half * x, half * w);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn integrate(from: f64, to: f64, panels: usize, f: impl Fn(f64) -> f64) -> f64 {
        let mut sum = 0.0;
        for_nodes(from, to, panels, |x, w| sum += w * f(x));
        sum
    }

    #[test]
    fn exact_where_theory_says_so() {
        let poly = |x: f64| 32.0 * x.powi(31) + 3.0 * x * x;
        assert!((integrate(0.0, 1.0, 1, poly) - 2.0).abs() < 1e-13);
        assert!((integrate(0.0, std::f64::consts::PI, 2, f64::sin) - 2.0).abs() < 1e-14);
        // Three full oscillations in one panel: what the callers count on.
        let k = 6.0 * std::f64::consts::PI;
        assert!((integrate(0.0, 1.0, 1, |x| (k * x).cos() + 1.0) - 1.0).abs() < 1e-8);
    }
}
