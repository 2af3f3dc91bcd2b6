//! What graduations depart from the map by, and what weight each has for that.

use super::{Ground, Strip, Terms, linearised};

pub(super) struct Line {
    pub(super) k: i64,
    pub(super) residual: f64,
    pub(super) information: f64,
    pub(super) at: (f64, f64),
    pub(super) amplitude: f64,
}

/// Mean residual of each graduation over its strips, by information.
pub(super) fn line_residuals(strips: &[Strip<'_>], p: &Terms, g: Ground) -> Vec<Line> {
    let mut sums = std::collections::BTreeMap::<i64, (f64, f64, f64, f64, f64)>::new();
    for s in strips {
        let (r, _) = linearised(s, p, g);
        for i in 0..r.len() {
            let w = s.own[i] / s.variance[i];
            let e = sums.entry(s.spots.k[i]).or_default();
            e.0 += w;
            e.1 += w * r[i];
            e.2 += w * s.spots.at[i].0;
            e.3 += w * s.spots.at[i].1;
            e.4 += w * s.spots.amplitude[i];
        }
    }
    sums.into_iter()
        .filter(|(_, e)| e.0 > 0.0)
        .map(|(k, e)| Line {
            k,
            residual: e.1 / e.0,
            information: e.0,
            at: (e.2 / e.0, e.3 / e.0),
            amplitude: e.4 / e.0,
        })
        .collect()
}

fn median(mut v: Vec<f64>) -> f64 {
    let middle = v.len() / 2;
    if v.is_empty() { 0.0 } else { *v.select_nth_unstable_by(middle, f64::total_cmp).1 }
}

pub(super) fn robust_line_weights(lines: &[Line], tau2: f64, scale2: f64) -> Vec<f64> {
    // Where most lines stand off by more than noise explains, it is the ruling that is uneven, and no line is to blame:
    // the median size of the residuals (1.4826 makes it a standard deviation) is a floor to what is usual.
    let usual = (1.4826 * median(lines.iter().map(|l| l.residual.abs()).collect())).powi(2);
    let noise = median(lines.iter().map(|l| scale2 / l.information).collect());
    let own = tau2.max(usual - noise);
    lines
        .iter()
        .map(|l| {
            let z = l.residual / (scale2 / l.information + own + 1e-12).sqrt();
            // Bisquare with a wide cut: honest lines keep nearly all their weight.
            let w = (1.0 - (z / 6.0).powi(2)).max(0.0);
            w * w
        })
        .collect()
}

/// Variance of the ruling itself, px², by the method of moments on the line means.
pub(super) fn ruling_variance(lines: &[Line], robust: &[f64], scale2: f64) -> f64 {
    let use_lines: Vec<(&Line, f64)> = lines.iter().zip(robust.iter().copied()).filter(|(_, w)| *w > 0.05).collect();
    let n = use_lines.len() as f64;
    // The fit follows about four of them; fewer than five say nothing.
    if n < 5.0 {
        return 0.0;
    }
    let typical = {
        let mut v: Vec<f64> = use_lines.iter().map(|(l, _)| scale2 / l.information).collect();
        v.sort_by(f64::total_cmp);
        v[v.len() / 2]
    };
    // Solve Σ w (r² − u² ) = 0 for τ² with weights that bound the influence of poorly located lines.
    let mut tau2: f64 = 0.0;
    for _ in 0..20 {
        let (mut top, mut bottom) = (0.0, 0.0);
        for (l, robust) in &use_lines {
            let u2 = scale2 / l.information;
            let w = robust / (u2 + tau2 + 0.1 * typical).powi(2);
            top += w * (l.residual * l.residual * n / (n - 4.0) - u2);
            bottom += w;
        }
        let next = (top / bottom).max(0.0);
        if (next - tau2).abs() < 1e-6 * typical {
            tau2 = next;
            break;
        }
        tau2 = next;
    }
    // Below the standard error that it has where there is none, nothing tells it from none.
    if tau2 < typical * (2.0 / n).sqrt() { 0.0 } else { tau2 }
}

/// Robust weights of single strips within a graduation, and the reduced χ² within graduations.
pub(super) fn own_weights(
    strips: &[Strip<'_>],
    p: &Terms,
    g: Ground,
    lines: &[Line],
    scale2: f64,
) -> (Vec<Vec<f64>>, f64) {
    let means: std::collections::BTreeMap<i64, f64> = lines.iter().map(|l| (l.k, l.residual)).collect();
    let mut squares = Vec::new();
    let own = strips
        .iter()
        .map(|s| {
            let (r, _) = linearised(s, p, g);
            (0..r.len())
                .map(|i| {
                    let centre = means.get(&s.spots.k[i]).copied().unwrap_or(0.0);
                    let z2 = (r[i] - centre).powi(2) / s.variance[i] / scale2;
                    if s.spots.information[(i, i)] > 0.0 {
                        squares.push(z2 * scale2);
                    }
                    let w = (1.0 - z2 / 25.0).max(0.0);
                    w * w
                })
                .collect()
        })
        .collect();
    // Median of χ² with one degree of freedom is 0.4549.
    let reduced = if squares.is_empty() {
        1.0
    } else {
        let m = squares.len() / 2;
        *squares.select_nth_unstable_by(m, f64::total_cmp).1 / 0.4549
    };
    (own, reduced)
}
