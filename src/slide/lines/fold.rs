//! A candidate cut into graduation intervals, and what each interval says for a line in its middle.

use super::super::phase::Phase;
use super::super::rectify::Strips;
use super::median_of;
use rayon::prelude::*;

/// Samples a graduation interval.
pub(super) const FOLD: usize = 16;

/// Every graduation interval of every strip, resampled in phase and measured against the ground around it.
#[derive(Clone, Debug)]
pub(super) struct Folded {
    pub(super) first: i64,
    pub(super) count: usize,
    pub(super) rows: usize,
    /// rows × count × [`FOLD`]; relative departure from the local ground; NaN outside the picture.
    values: Vec<f32>,
    /// `t` of the middle of each interval, rows × count, px.
    pub(super) middles: Vec<f32>,
}

impl Folded {
    pub(super) fn cell(&self, j: usize, k: usize) -> &[f32] {
        &self.values[(j * self.count + k) * FOLD..][..FOLD]
    }

    /// The same cut half an interval later: for lines that lie between the whole numbers.
    pub(super) fn half_later(&self) -> Self {
        let count = self.count - 1;
        let (mut values, mut middles) = (Vec::with_capacity(self.values.len()), Vec::with_capacity(self.middles.len()));
        for j in 0..self.rows {
            let row = &self.values[j * self.count * FOLD..(j + 1) * self.count * FOLD];
            values.extend_from_slice(&row[FOLD / 2..row.len() - FOLD / 2]);
            let t = &self.middles[j * self.count..(j + 1) * self.count];
            middles.extend(t.windows(2).map(|w| 0.5 * (w[0] + w[1])));
        }
        Self { first: self.first, count, rows: self.rows, values, middles }
    }
}

/// Resamples all strips at 16 phases per graduation between the phases at the ends of the strips.
pub(super) fn fold(strips: &Strips, phase: &Phase) -> Option<Folded> {
    let middle = strips.s[strips.s.len() / 2];
    let t_end = strips.t0 + (strips.cells - 1) as f64 * strips.dt;
    let first = phase.at(strips.t0, middle).ceil() as i64;
    let last = phase.at(t_end, middle).floor() as i64;
    if last - first < 3 || last - first > 20_000 {
        return None;
    }
    let count = (last - first + 1) as usize;
    let rows = strips.s.len();
    let mut values = vec![f32::NAN; rows * count * FOLD];
    let mut middles = vec![f32::NAN; rows * count];
    let each = values.par_chunks_exact_mut(count * FOLD).zip(middles.par_chunks_exact_mut(count)).enumerate();
    each.try_for_each(|(j, (out, middles))| {
        let s = strips.s[j];
        // Whole intervals by Newton steps, straight lines between: an interval bends by far less than a sample.
        let mut from = phase.t_of(first as f64 - 0.5, s, strips.t0)?;
        for ((k, cell), middle) in out.chunks_exact_mut(FOLD).enumerate().zip(middles) {
            // The next one begins about as far on as this one is long.
            let to = phase.t_of(first as f64 + 0.5 + k as f64, s, from + 1.0 / phase.gradient(from, s).0)?;
            for (i, v) in cell.iter_mut().enumerate() {
                *v = strips.at(j, from + (to - from) * (i as f64 + 0.5) / FOLD as f64);
            }
            *middle = (0.5 * (from + to)) as f32;
            from = to;
        }
        to_contrast(out);
        Some(())
    })?;
    Some(Folded { first, count, rows, values, middles })
}

/// Relative to the running mean over three whole intervals.
fn to_contrast(row: &mut [f32]) {
    let n = row.len();
    let mut sums = vec![(0.0_f64, 0_u32); n + 1];
    for (i, v) in row.iter().enumerate() {
        let (s, c) = sums[i];
        sums[i + 1] = if v.is_nan() { (s, c) } else { (s + f64::from(*v), c + 1) };
    }
    let half = 3 * FOLD / 2;
    for (i, v) in row.iter_mut().enumerate() {
        let (lo, hi) = (i.saturating_sub(half), (i + half).min(n));
        let count = sums[hi].1 - sums[lo].1;
        let mean = (sums[hi].0 - sums[lo].0) / f64::from(count.max(1));
        *v = if count == 0 { f32::NAN } else { (f64::from(*v) / mean.max(1e-6) - 1.0) as f32 };
    }
}
/// Line against flanks: rows × count, positive for a line of the polarity asked.
pub(super) fn strengths(folded: &Folded, bright: bool) -> Vec<f64> {
    let sign = if bright { 1.0 } else { -1.0 };
    (0..folded.rows * folded.count)
        .map(|i| {
            let cell = folded.cell(i / folded.count, i % folded.count);
            // Centre: the middle quarter; flanks: the outer quarters on both sides.
            let centre: f32 = cell[6..10].iter().sum::<f32>() / 4.0;
            let flank: f32 = (cell[0..3].iter().sum::<f32>() + cell[13..16].iter().sum::<f32>()) / 6.0;
            sign * f64::from(centre - flank)
        })
        .collect()
}

/// Noise of one strength, from neighbouring rows of the same graduation.
pub(super) fn strength_noise(y: &[f64], count: usize, rows: &std::ops::Range<usize>) -> f64 {
    let mut steps = Vec::new();
    for j in rows.start..rows.end.saturating_sub(1) {
        for k in 0..count {
            let d = y[(j + 1) * count + k] - y[j * count + k];
            if d.is_finite() {
                steps.push(d.abs());
            }
        }
    }
    // MAD to sd of a normal (1.4826), difference of two rows (√2).
    1.4826 * median_of(steps) / std::f64::consts::SQRT_2
}
