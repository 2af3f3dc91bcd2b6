//! Which graduations are there: the run of the ruling, and whether it was counted too finely.

/// Mean strength of each graduation over the rows; NaN where the picture does not show it.
pub(super) fn occupancy(y: &[f64], count: usize, rows: &std::ops::Range<usize>) -> Vec<f64> {
    (0..count)
        .map(|k| {
            let v: Vec<f64> = rows.clone().map(|j| y[j * count + k]).filter(|v| v.is_finite()).collect();
            if v.len() * 3 < rows.len() { f64::NAN } else { v.iter().sum::<f64>() / v.len() as f64 }
        })
        .collect()
}

/// The run of graduations, gaps allowed: best sum of (significant: +1, not: −0.7).
pub(super) fn ruled_run(occupancy: &[f64], sd: f64) -> Option<(usize, usize)> {
    let typical = typical(occupancy);
    let seen = |v: f64| v.is_finite() && v > 4.0 * sd && v > 0.12 * typical;
    let (mut best, mut best_sum, mut start, mut sum) = (None, 0.0, 0, 0.0);
    for (k, v) in occupancy.iter().enumerate() {
        sum += if seen(*v) { 1.0 } else { -0.7 };
        if sum <= 0.0 {
            sum = 0.0;
            start = k + 1;
        } else if sum > best_sum {
            best_sum = sum;
            best = Some((start, k + 1));
        }
    }
    best.filter(|(a, b)| b - a >= 3)
}

/// The 90th percentile of strength: a graduation neither faint nor missing.
pub(super) fn typical(occupancy: &[f64]) -> f64 {
    let mut v: Vec<f64> = occupancy.iter().copied().filter(|v| v.is_finite()).collect();
    v.sort_by(f64::total_cmp);
    if v.is_empty() { 0.0 } else { v[v.len() * 9 / 10] }
}

/// Only every m-th place is taken: the candidate counted too finely.
pub(super) fn sparse_classes(occupancy: &[f64], sd: f64) -> Option<(usize, usize)> {
    for m in [10, 6, 5, 4, 3, 2] {
        if occupancy.len() < 3 * m {
            continue;
        }
        let class = |r: usize| -> (f64, f64) {
            let v: Vec<f64> = occupancy.iter().skip(r).step_by(m).copied().filter(|v| v.is_finite()).collect();
            let n = v.len().max(1) as f64;
            (v.iter().sum::<f64>() / n, sd / n.sqrt())
        };
        let means: Vec<(f64, f64)> = (0..m).map(class).collect();
        let best = (0..m).max_by(|a, b| means[*a].0.total_cmp(&means[*b].0))?;
        let rest_max = (0..m).filter(|r| *r != best).map(|r| means[r].0).fold(f64::MIN, f64::max);
        if means[best].0 > 8.0 * means[best].1 && rest_max < 0.12 * means[best].0 {
            return Some((m, best));
        }
    }
    None
}
