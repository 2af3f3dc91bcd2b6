//! The rows of a ruling against the ground beyond its ends.

use super::super::phase::Phase;
use super::super::rectify::Strips;
use super::fold::FOLD;
use super::median_of;

/// Mean light of each row over the ruled length; NaN where the picture does not show it.
pub(super) fn row_means(strips: &Strips, phase: &Phase, (first, count): (i64, usize)) -> Vec<f64> {
    let mean_of = |j: usize| -> f64 {
        let s = strips.s[j];
        let end = |k: f64| phase.t_of(k, s, 0.0);
        let (Some(a), Some(b)) = (end(first as f64 - 0.5), end((first + count as i64) as f64 - 0.5)) else {
            return f64::NAN;
        };
        let (mut sum, mut n) = (0.0, 0.0);
        let mut t = a;
        while t < b {
            let v = strips.at(j, t);
            if v.is_finite() {
                sum += f64::from(v);
                n += 1.0;
            }
            t += strips.dt;
        }
        sum / n
    };
    (0..strips.s.len()).map(mean_of).collect()
}

/// What lines of this profile add to the mean of a row, relative to the ground; positive.
fn explained(shape: &[f64; FOLD]) -> f64 {
    let low = shape.iter().copied().fold(f64::MAX, f64::min);
    shape.iter().map(|v| v - low).sum::<f64>() / FOLD as f64
}

pub(super) fn lift(means: &[f64], band: &std::ops::Range<usize>, shape: &[f64; FOLD]) -> Option<f64> {
    let inside = median_of(band.clone().map(|j| means[j]).filter(|v| v.is_finite()).collect());
    // The rows next to the ends are half line, half ground: leave one out.
    let beyond: Vec<f64> = (band.start.saturating_sub(5)..band.start.saturating_sub(1))
        .chain(band.end + 1..(band.end + 5).min(means.len()))
        .map(|j| means[j])
        .filter(|v| v.is_finite())
        .collect();
    if beyond.len() < 2 || !inside.is_finite() {
        return None;
    }
    let ground = beyond.iter().sum::<f64>() / beyond.len() as f64;
    Some((inside / ground.max(1e-6) - 1.0) / explained(shape).max(1e-6))
}

/// Looks for rows next to the band that are darker (brighter for bright lines) on the whole than the lines in them explain.
///
/// In a resolved ruling the mean of a row departs from the ground by what its lines take away. Where finer graduations have melted
/// into a bar, the row departs by more.
pub(super) fn bar_beyond(means: &[f64], bright: bool, band: &std::ops::Range<usize>, shape: &[f64; FOLD]) -> bool {
    let sign = if bright { 1.0 } else { -1.0 };
    let lines = median_of(band.clone().map(|j| means[j]).filter(|v| v.is_finite()).collect());
    let margin = (band.len() / 2).max(4);
    let beside: Vec<f64> = (band.start.saturating_sub(margin)..band.start.saturating_sub(1))
        .chain(band.end + 1..(band.end + margin).min(means.len()))
        .map(|j| sign * means[j])
        .filter(|v| v.is_finite())
        .collect();
    if beside.len() < 4 {
        return false;
    }
    let bar = beside.iter().copied().fold(f64::MIN, f64::max);
    // A bar: beyond the level of the line rows by more than half of all that the lines explain.
    (bar - sign * lines) / lines.abs().max(1e-6) > 0.5 * explained(shape)
}
