//! Whether waves in two directions are the lines of one grid.
//!
//! Where lines cross they cover the same place once: light is that of a union, `1 − C (1 − (1 − f)(1 − g))` with the coverages `f` of the
//! lines along and `g` across. So what a cell of the lattice departs by from the sum of its rows' and columns' effects is their product times
//! one factor (Tukey, Biometrics 5, 1949, 232: one degree of freedom for non-additivity), positive for dark lines and negative for
//! bright ones. Cloth of added waves has no such term, dots and threads that go over and under have others.

use super::candidate::Candidate;
use super::pyramid::Level;

/// Bins of a cell each way.
const BINS: usize = 8;
/// Pixels to look at where the lines are far enough apart.
const PIXELS: f64 = 3e5;
/// Farthest apart that pixels are looked at, in distances of the lines: three and more a cell each way.
const FARTHEST: f64 = 0.3;
/// Most pixels looked at; of finer lattices the part about the middle.
const MOST_PIXELS: f64 = 6e5;
/// Golden section: rows that begin at multiples of it fall into step with no lattice.
const GOLDEN: f64 = 0.618_034;
/// Cells each way of the patches against whose mean the light is taken.
const PATCH: f64 = 4.0;
/// Fewest pixels of a patch.
const LEAST_PATCH: f64 = 24.0;

/// The mean cell of the lattice that two families of lines span.
#[derive(Clone, Debug)]
pub(super) struct Cell {
    /// Light of the mean cell over the ground's mean, less 1; rows are phases of the lines along.
    light: [[f64; BINS]; BINS],
    /// Variance among four neighbouring cells over that within the mean one.
    unlike: f64,
}

impl Cell {
    /// Folds the part of the picture that both families cover; `None` where they hardly share any.
    pub(super) fn of(level: &Level<'_>, along: &Candidate, across: &Candidate) -> Option<Self> {
        let families = [along, across];
        let (width, height) = ((level.width * level.step_px) as f64, (level.height * level.step_px) as f64);
        let finest = along.pitch_px.min(across.pitch_px);
        let step = (width * height / PIXELS).sqrt().min(FARTHEST * finest).max(1.0);
        let part = (MOST_PIXELS * step * step / (width * height)).sqrt().min(1.0);
        let middle = along.middle();
        let ends = |at: f64, size: f64| {
            let from = (at - 0.5 * part * size).clamp(0.0, (1.0 - part) * size);
            (from, from + part * size)
        };
        let ((left, right), (top, bottom)) = (ends(middle.0, width), ends(middle.1, height));
        let mut pixels = Vec::new();
        for row in 0..((bottom - top) / step) as usize {
            let y = top + 0.5 + row as f64 * step;
            let shift = (row as f64 * GOLDEN).fract() * step;
            for column in 0..((right - left) / step) as usize {
                let x = left + 0.5 + shift + column as f64 * step;
                let phases = families.map(|c| counted(c, x, y));
                if let ([Some(a), Some(b)], Some(v)) = (phases, level.sample(x, y)) {
                    pixels.push((a, b, f64::from(v)));
                }
            }
        }
        let patches = families.map(|c| (c.lines.present.len() as f64 / PATCH).ceil() as usize + 1);
        let mut sums = vec![(0.0, 0.0); patches[0] * patches[1]];
        let patch = |a: f64, b: f64| (a / PATCH) as usize * patches[1] + (b / PATCH) as usize;
        for (a, b, v) in &pixels {
            let sum = &mut sums[patch(*a, *b)];
            *sum = (sum.0 + v, sum.1 + 1.0);
        }
        let mut table = [[(0.0, 0.0); 2 * BINS]; 2 * BINS];
        for (a, b, v) in &pixels {
            let (sum, n) = sums[patch(*a, *b)];
            if n < LEAST_PATCH || sum <= 0.0 {
                continue;
            }
            let bin = |phase: f64| ((phase.rem_euclid(2.0) * BINS as f64) as usize).min(2 * BINS - 1);
            let entry = &mut table[bin(*a)][bin(*b)];
            *entry = (entry.0 + v * n / sum - 1.0, entry.1 + 1.0);
        }
        if table.iter().flatten().any(|e| e.1 < 1.0) {
            return None;
        }
        let at = |i: usize, j: usize| table[i][j].0 / table[i][j].1;
        let mut light = [[0.0; BINS]; BINS];
        for (i, row) in light.iter_mut().enumerate() {
            for (j, v) in row.iter_mut().enumerate() {
                *v = 0.25 * (at(i, j) + at(i + BINS, j) + at(i, j + BINS) + at(i + BINS, j + BINS));
            }
        }
        let mean = light.iter().flatten().sum::<f64>() / (BINS * BINS) as f64;
        let (mut among, mut within) = (0.0, 0.0);
        for i in 0..2 * BINS {
            for j in 0..2 * BINS {
                let own = light[i % BINS][j % BINS];
                among += (at(i, j) - own).powi(2);
                within += (own - mean).powi(2);
            }
        }
        Some(Self { light, unlike: among / within.max(1e-12) })
    }

    /// All cells are alike: the two families are neither the diagonals of another lattice nor threads that go over and under (an
    /// eighth and more, 0.06 where they are five pixels apart); rendered grids stay below 0.001.
    pub(super) fn is_whole(&self) -> bool {
        self.unlike < 0.01
    }

    /// Lines of this polarity run through each other.
    pub(super) fn is_crossing(&self, bright: bool) -> bool {
        let n = BINS as f64;
        let mean = self.light.iter().flatten().sum::<f64>() / (n * n);
        let rows: [f64; BINS] = std::array::from_fn(|i| self.light[i].iter().sum::<f64>() / n - mean);
        let columns: [f64; BINS] = std::array::from_fn(|j| self.light.iter().map(|row| row[j]).sum::<f64>() / n - mean);
        let (mut product, mut square) = (0.0, 0.0);
        for (row, a) in self.light.iter().zip(&rows) {
            for (v, b) in row.iter().zip(&columns) {
                let rest = v - mean - a - b;
                product += rest * a * b;
                square += rest * rest;
            }
        }
        let sizes = rows.iter().map(|a| a * a).sum::<f64>() * columns.iter().map(|b| b * b).sum::<f64>();
        let factor = product / sizes.max(1e-30);
        let explained = factor * factor * sizes / square.max(1e-30);
        // A union of dark lines: 1 for opaque ones, more for less contrast. Of bright lines that cover a third of their distance:
        // −1.25; gaps between dots go beyond that.
        let union = if bright { (-1.3..-0.2).contains(&factor) } else { factor > 0.8 };
        union && explained > 0.95
    }
}

/// Graduations counted from half of one before the first, where the family's lines are.
fn counted(c: &Candidate, x: f64, y: f64) -> Option<f64> {
    let (t, s) = c.frame.ts(x, y);
    let k = c.lines.phase.at(t, s) - c.lines.first as f64 + 0.5;
    let inside = k >= 0.0 && k < c.lines.present.len() as f64 && s > c.lines.band.0 && s < c.lines.band.1;
    inside.then_some(k)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cell(light: impl Fn(f64, f64) -> f64) -> Cell {
        let at = |i: usize, j: usize| light((i as f64 + 0.5) / BINS as f64 - 0.5, (j as f64 + 0.5) / BINS as f64 - 0.5);
        let table: [[f64; BINS]; BINS] = std::array::from_fn(|i| std::array::from_fn(|j| at(i, j)));
        let mean = table.iter().flatten().sum::<f64>() / (BINS * BINS) as f64;
        Cell { light: table.map(|row| row.map(|v| v / mean - 1.0)), unlike: 0.0 }
    }

    /// A soft line, `width` of the distance wide at half its height.
    fn soft(x: f64, width: f64) -> f64 {
        (-4.0 * std::f64::consts::LN_2 * (x / width).powi(2)).exp()
    }

    fn line(x: f64) -> f64 {
        soft(x, 0.3)
    }

    #[test]
    fn lines_that_cross_are_told_from_threads_waves_and_dots() {
        let union = |x: f64, y: f64| 1.0 - (1.0 - line(x)) * (1.0 - line(y));
        assert!(cell(|x, y| 1.0 - 0.6 * union(x, y)).is_crossing(false));
        // Bright lines are believed up to a quarter of the distance only: beyond it they cannot be told from gaps between dots.
        let bright = |width: f64| {
            cell(move |x, y| 0.05 + 0.5 * (1.0 - (1.0 - soft(x, width)) * (1.0 - soft(y, width)))).is_crossing(true)
        };
        assert!(bright(0.2) && bright(0.25) && !bright(0.35));
        assert!(!cell(|x, y| 1.0 - 0.6 * union(x, y)).is_crossing(true));
        let wave = |x: f64| (std::f64::consts::TAU * x).cos();
        assert!(!cell(|x, y| 1.0 - 0.2 * (wave(x) + wave(y))).is_crossing(false));
        for radius in [0.25, 0.3, 0.35, 0.42] {
            let dots = cell(|x, y| if x.hypot(y) < radius { 0.3 } else { 1.0 });
            assert!(!dots.is_crossing(false) && !dots.is_crossing(true), "{radius}");
        }
        let threads = cell(|x, y| if x.abs() < 0.4 { 1.0 - x * x } else { 0.3 + 0.4 * line(y) * wave(x) });
        assert!(!threads.is_crossing(false) && !threads.is_crossing(true));
    }
}
