//! A layer of light on square cells: soft coverage of simple shapes, and a Gaussian blur.

/// Blur is carried out to so many standard deviations.
const REACH_SIGMA: f64 = 3.2;

/// Values on a rectangle of cells, row by row.
#[derive(Clone, Debug)]
pub(super) struct Layer {
    pub(super) columns: usize,
    pub(super) rows: usize,
    pub(super) values: Vec<f64>,
}

impl Layer {
    pub(super) fn new(columns: usize, rows: usize) -> Self {
        Self { columns, rows, values: vec![0.0; columns * rows] }
    }

    /// Lays `tone` over the cells of a box as far as `inside` (a signed distance in cells, positive within) covers them.
    pub(super) fn lay(&mut self, [x0, y0, x1, y1]: [f64; 4], tone: f64, inside: impl Fn(f64, f64) -> f64) {
        let first = |v: f64| (v - 1.0).floor().max(0.0) as usize;
        let end = |v: f64, most: usize| (v + 1.0).ceil().clamp(0.0, most as f64) as usize;
        for row in first(y0)..end(y1, self.rows) {
            let line = &mut self.values[row * self.columns..(row + 1) * self.columns];
            let cells = line.iter_mut().enumerate().take(end(x1, self.columns)).skip(first(x0));
            for (column, v) in cells {
                let cover = (0.5 + inside(column as f64 + 0.5, row as f64 + 0.5)).clamp(0.0, 1.0);
                *v += cover * (tone - *v);
            }
        }
    }

    /// The smallest box of cells outside of which this layer and another agree; `None` where they agree everywhere.
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

    /// The part of it in a box.
    pub(super) fn part(&self, [x0, y0, x1, y1]: [usize; 4]) -> Self {
        let rows = (y0..y1).flat_map(|row| self.values[row * self.columns + x0..row * self.columns + x1].to_vec());
        Self { columns: x1 - x0, rows: y1 - y0, values: rows.collect() }
    }

    /// Blurred by a Gaussian; beyond its border the layer goes on as it ends.
    pub(super) fn blurred(&self, sigma: f64) -> Self {
        let weights = kernel(sigma);
        let (w, h) = (self.columns, self.rows);
        let mut across = Self::new(w, h);
        let mut padded = vec![0.0; w.max(h) + 2 * (weights.len() - 1)];
        for row in 0..h {
            convolve(self.values[row * w..(row + 1) * w].iter().copied(), w, &weights, &mut padded, |x, v| {
                across.values[row * w + x] = v;
            });
        }
        let mut out = Self::new(w, h);
        for column in 0..w {
            let line = (0..h).map(|row| across.values[row * w + column]);
            convolve(line, h, &weights, &mut padded, |y, v| out.values[y * w + column] = v);
        }
        out
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

fn convolve(
    line: impl Iterator<Item = f64>,
    n: usize,
    weights: &[f64],
    padded: &mut [f64],
    mut put: impl FnMut(usize, f64),
) {
    let reach = weights.len() - 1;
    for (p, v) in padded[reach..].iter_mut().zip(line) {
        *p = v;
    }
    let (first, last) = (padded[reach], padded[reach + n - 1]);
    padded[..reach].fill(first);
    padded[reach + n..2 * reach + n].fill(last);
    for x in 0..n {
        let middle = x + reach;
        let sides: f64 = (1..=reach).map(|k| weights[k] * (padded[middle - k] + padded[middle + k])).sum();
        put(x, weights[0] * padded[middle] + sides);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_half_plane_blurs_to_the_normal_distribution() {
        let mut layer = Layer::new(40, 30);
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
        let a = Layer::new(10, 8);
        let mut b = a.clone();
        assert_eq!(a.differs_in(&b), None);
        b.values[3 * 10 + 4] = 1.0;
        b.values[5 * 10 + 2] = 1.0;
        assert_eq!(a.differs_in(&b), Some([2, 3, 5, 6]));
        assert_eq!(b.part([2, 3, 5, 6]).values, [0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0]);
    }
}
