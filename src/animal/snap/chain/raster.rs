//! A layer of light on square cells: soft coverage of simple shapes, and a Gaussian blur.

/// Blur is carried out to so many standard deviations.
pub(super) const REACH_SIGMA: f64 = 3.2;

/// Values on a rectangle of cells, row by row; it may be a window of a larger one.
#[derive(Clone, Debug)]
pub(super) struct Layer {
    /// Column and row of the larger one where the window begins.
    pub(super) corner: [usize; 2],
    pub(super) columns: usize,
    pub(super) rows: usize,
    pub(super) values: Vec<f64>,
}

impl Layer {
    /// A window by first and end of columns and rows.
    pub(super) fn window([x0, y0, x1, y1]: [usize; 4]) -> Self {
        Self { corner: [x0, y0], columns: x1 - x0, rows: y1 - y0, values: vec![0.0; (x1 - x0) * (y1 - y0)] }
    }

    /// Lays `tone` over the cells of a box as far as `inside` (a signed distance in cells, positive within) covers them.
    pub(super) fn lay(&mut self, [x0, y0, x1, y1]: [f64; 4], tone: f64, inside: impl Fn(f64, f64) -> f64) {
        let [x, y] = self.corner;
        let first = |v: f64, corner: usize| (v - 1.0 - corner as f64).floor().max(0.0) as usize;
        let end =
            |v: f64, corner: usize, most: usize| (v + 1.0 - corner as f64).ceil().clamp(0.0, most as f64) as usize;
        for row in first(y0, y)..end(y1, y, self.rows) {
            let line = &mut self.values[row * self.columns..(row + 1) * self.columns];
            let cells = line.iter_mut().enumerate().take(end(x1, x, self.columns)).skip(first(x0, x));
            for (column, v) in cells {
                let cover = 0.5 + inside((x + column) as f64 + 0.5, (y + row) as f64 + 0.5);
                if cover > 0.0 {
                    *v += cover.min(1.0) * (tone - *v);
                }
            }
        }
    }

    /// The smallest box of cells outside of which this window and another of the same place agree, counted from its own corner; `None`
    /// where they agree everywhere.
    pub(super) fn differs_in(&self, other: &Self) -> Option<[usize; 4]> {
        let mut found: Option<[usize; 4]> = None;
        for row in 0..self.rows {
            let span = row * self.columns..(row + 1) * self.columns;
            let (a, b) = (&self.values[span.clone()], &other.values[span]);
            let differs = |(x, y): (&f64, &f64)| (x - y).abs() > 1e-12;
            let Some(first) = a.iter().zip(b).position(differs) else { continue };
            let last = a.len() - 1 - a.iter().rev().zip(b.iter().rev()).position(differs).unwrap_or(0);
            found = Some(match found {
                None => [first, row, last + 1, row + 1],
                Some([x0, y0, x1, _]) => [x0.min(first), y0, x1.max(last + 1), row + 1],
            });
        }
        found
    }

    /// The part of it in a box counted from its own corner.
    pub(super) fn part(&self, [x0, y0, x1, y1]: [usize; 4]) -> Self {
        let mut values = Vec::with_capacity((x1 - x0) * (y1 - y0));
        for row in y0..y1 {
            values.extend_from_slice(&self.values[row * self.columns + x0..row * self.columns + x1]);
        }
        let corner = [self.corner[0] + x0, self.corner[1] + y0];
        Self { corner, columns: x1 - x0, rows: y1 - y0, values }
    }

    /// Blurred by a Gaussian; beyond its border the layer goes on as it ends.
    pub(super) fn blurred(&self, sigma: f64) -> Self {
        let weights = kernel(sigma);
        let (w, h, reach) = (self.columns, self.rows, weights.len() - 1);
        let empty = Self { corner: self.corner, columns: w, rows: h, values: vec![0.0; w * h] };
        if w == 0 || h == 0 {
            return empty;
        }
        let mut across = empty.clone();
        let mut padded = vec![0.0; w + 2 * reach];
        for (line, out) in self.values.chunks_exact(w).zip(across.values.chunks_exact_mut(w)) {
            padded[..reach].fill(line[0]);
            padded[reach..reach + w].copy_from_slice(line);
            padded[reach + w..].fill(line[w - 1]);
            for (k, weight) in weights.iter().enumerate() {
                add_both(out, &padded[reach - k..], &padded[reach + k..], *weight, k > 0);
            }
        }
        let mut out = empty;
        for (row, line) in out.values.chunks_exact_mut(w).enumerate() {
            for (k, weight) in weights.iter().enumerate() {
                let (above, below) = (row.saturating_sub(k) * w, (row + k).min(h - 1) * w);
                add_both(line, &across.values[above..], &across.values[below..], *weight, k > 0);
            }
        }
        out
    }
}

/// Adds a line times a weight, and another one that mirrors it.
fn add_both(to: &mut [f64], a: &[f64], b: &[f64], weight: f64, mirrored: bool) {
    if mirrored {
        to.iter_mut().zip(a).zip(b).for_each(|((v, a), b)| *v += weight * (a + b));
    } else {
        to.iter_mut().zip(a).for_each(|(v, a)| *v += weight * a);
    }
}

/// One half of a normalised Gaussian's weights, the middle one first.
fn kernel(sigma: f64) -> Vec<f64> {
    let sigma = sigma.max(0.05);
    let n = (REACH_SIGMA * sigma).ceil() as usize;
    let mut weights: Vec<f64> = (0..=n).map(|k| (-0.5 * (k as f64 / sigma).powi(2)).exp()).collect();
    let total = weights[0] + 2.0 * weights[1..].iter().sum::<f64>();
    weights.iter_mut().for_each(|w| *w /= total);
    weights
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_half_plane_blurs_to_the_normal_distribution() {
        let mut layer = Layer::window([0, 0, 40, 30]);
        // Edge at x = 20.3, animal to the left.
        layer.lay([0.0, 0.0, 40.0, 30.0], 2.0, |x, _| 20.3 - x);
        let out = layer.blurred(3.0);
        for x in 12..28 {
            // The cell's own width adds 1/12 to the variance.
            let z = (20.3 - (x as f64 + 0.5)) / (9.0f64 + 1.0 / 12.0).sqrt();
            let want = 2.0 * crate::stats::normal_cdf(z);
            assert!((out.values[15 * 40 + x] - want).abs() < 4e-3, "{x}: {} {want}", out.values[15 * 40 + x]);
        }
    }

    #[test]
    fn what_differs_is_boxed() {
        let a = Layer::window([0, 0, 10, 8]);
        let mut b = a.clone();
        assert_eq!(a.differs_in(&b), None);
        b.values[3 * 10 + 4] = 1.0;
        b.values[5 * 10 + 2] = 1.0;
        assert_eq!(a.differs_in(&b), Some([2, 3, 5, 6]));
        assert_eq!(b.part([2, 3, 5, 6]).values, [0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0]);
    }
}
