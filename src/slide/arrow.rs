//! Symmetric positive definite systems of arrow shape: a narrow band, and a few unknowns that touch everything.
//!
//! ```text
//! | B  Eᵀ |   B banded, E the border's rows, C the corner that the border's unknowns share.
//! | E  C  |   B = L Lᵀ, W = E L⁻ᵀ, C − W Wᵀ = M Mᵀ.
//! ```

/// The lower half of such a matrix.
#[derive(Clone, Debug)]
pub(super) struct Arrow {
    /// Unknowns of the band.
    long: usize,
    /// Entries beside the diagonal, to one side.
    half: usize,
    /// Unknowns of the border.
    short: usize,
    /// `half + 1` entries a row of the band: column `i - half` first, the diagonal last.
    band: Vec<f64>,
    /// Rows of the border, `long` entries each.
    border: Vec<f64>,
    /// Rows of the corner, `short` entries each, the upper half unused.
    corner: Vec<f64>,
}

impl Arrow {
    /// All zero.
    pub(super) fn zeros(long: usize, half: usize, short: usize) -> Self {
        let band = vec![0.0; long * (half + 1)];
        Self { long, half, short, band, border: vec![0.0; short * long], corner: vec![0.0; short * short] }
    }

    /// Unknowns.
    pub(super) const fn size(&self) -> usize {
        self.long + self.short
    }

    /// Where the entry in `row` and `column <= row` stands; `None` outside of the band.
    fn entry(&mut self, row: usize, column: usize) -> Option<&mut f64> {
        if row < self.long {
            let i = (column + self.half).checked_sub(row)?;
            return Some(&mut self.band[row * (self.half + 1) + i]);
        }
        let r = row - self.long;
        match column.checked_sub(self.long) {
            None => Some(&mut self.border[r * self.long + column]),
            Some(c) => Some(&mut self.corner[r * self.short + c]),
        }
    }

    /// The entry in `row` and `column`, either of which may be the larger.
    pub(super) fn at(&self, row: usize, column: usize) -> f64 {
        let (row, column) = (row.max(column), row.min(column));
        if row < self.long {
            return (column + self.half).checked_sub(row).map_or(0.0, |i| self.band[row * (self.half + 1) + i]);
        }
        let r = row - self.long;
        match column.checked_sub(self.long) {
            None => self.border[r * self.long + column],
            Some(c) => self.corner[r * self.short + c],
        }
    }

    /// Adds to the entry in `row` and `column <= row`; what lies outside of the band must be zero.
    pub(super) fn add(&mut self, row: usize, column: usize, value: f64) {
        match self.entry(row, column) {
            Some(entry) => *entry += value,
            None => debug_assert!(value == 0.0, "outside of the band"),
        }
    }

    /// Adds to the whole diagonal a share of its mean.
    pub(super) fn ridge(&mut self, share: f64) {
        let trace: f64 = (0..self.size()).map(|i| self.at(i, i)).sum();
        let ridge = share * trace / self.size() as f64;
        (0..self.size()).for_each(|i| self.add(i, i, ridge));
    }

    /// The part of it between the unknowns that are kept, in their order.
    pub(super) fn only(&self, kept: &[usize]) -> Self {
        let long = kept.partition_point(|i| *i < self.long);
        let half = self.half.min(long.saturating_sub(1));
        let mut part = Self::zeros(long, half, kept.len() - long);
        for (a, &i) in kept.iter().enumerate() {
            let first = if a < long { a.saturating_sub(half) } else { 0 };
            for (b, &j) in kept.iter().enumerate().take(a + 1).skip(first) {
                part.add(a, b, self.at(i, j));
            }
        }
        part
    }

    /// Cholesky's factor; `None` where the matrix is not positive definite.
    pub(super) fn factor(mut self) -> Option<Factor> {
        let (n, width) = (self.long, self.half + 1);
        for i in 0..n {
            let (done, row) = self.band.split_at_mut(i * width);
            let row = &mut row[..width];
            let first = i.saturating_sub(self.half);
            let start = first + self.half - i;
            for j in first..i {
                let other = &done[j * width..][..width];
                let at = j + self.half - i;
                let sum: f64 = row[start..at].iter().zip(&other[first + self.half - j..]).map(|(a, b)| a * b).sum();
                row[at] = (row[at] - sum) / other[self.half];
            }
            let squares: f64 = row[start..self.half].iter().map(|v| v * v).sum();
            row[self.half] = positive_root(row[self.half] - squares)?;
        }
        for r in 0..self.short {
            let row = &mut self.border[r * n..][..n];
            forward(&self.band, self.half, row);
        }
        for r in 0..self.short {
            for c in 0..=r {
                let (a, b) = (&self.border[r * n..][..n], &self.border[c * n..][..n]);
                let mut sum: f64 = a.iter().zip(b).map(|(a, b)| a * b).sum();
                sum += (0..c).map(|k| self.corner[r * self.short + k] * self.corner[c * self.short + k]).sum::<f64>();
                let rest = self.corner[r * self.short + c] - sum;
                self.corner[r * self.short + c] =
                    if c < r { rest / self.corner[c * self.short + c] } else { positive_root(rest)? };
            }
        }
        Some(Factor(self))
    }
}

fn positive_root(v: f64) -> Option<f64> {
    (v > 0.0 && v.is_finite()).then(|| v.sqrt())
}

/// L⁻¹ `x`, in place.
fn forward(band: &[f64], half: usize, x: &mut [f64]) {
    for i in 0..x.len() {
        let row = &band[i * (half + 1)..][..half + 1];
        let first = i.saturating_sub(half);
        let sum: f64 = row[first + half - i..half].iter().zip(&x[first..i]).map(|(l, x)| l * x).sum();
        x[i] = (x[i] - sum) / row[half];
    }
}

/// L⁻ᵀ `x`, in place.
fn backward(band: &[f64], half: usize, x: &mut [f64]) {
    for i in (0..x.len()).rev() {
        let row = &band[i * (half + 1)..][..half + 1];
        x[i] /= row[half];
        let first = i.saturating_sub(half);
        let value = x[i];
        for (x, l) in x[first..i].iter_mut().zip(&row[first + half - i..half]) {
            *x -= l * value;
        }
    }
}

/// Cholesky's factor of an [`Arrow`].
#[derive(Clone, Debug)]
pub(super) struct Factor(Arrow);

impl Factor {
    /// The solution for this right side, in its place.
    pub(super) fn solve(&self, x: &mut [f64]) {
        let Arrow { long, half, short, band, border, corner } = &self.0;
        let (body, end) = x.split_at_mut(*long);
        forward(band, *half, body);
        for r in 0..*short {
            let of_body: f64 = border[r * long..][..*long].iter().zip(&*body).map(|(w, x)| w * x).sum();
            let of_end: f64 = corner[r * short..][..r].iter().zip(&end[..r]).map(|(m, x)| m * x).sum();
            end[r] = (end[r] - of_body - of_end) / corner[r * short + r];
        }
        for r in (0..*short).rev() {
            let later: f64 = (r + 1..*short).map(|q| corner[q * short + r] * end[q]).sum();
            end[r] = (end[r] - later) / corner[r * short + r];
        }
        for (r, value) in end.iter().enumerate() {
            for (x, w) in body.iter_mut().zip(&border[r * long..][..*long]) {
                *x -= w * value;
            }
        }
        backward(band, *half, body);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::{DMatrix, DVector};

    /// Sums of squares of sparse rows, as a strip makes them, both ways.
    fn system(long: usize, lines: usize, short: usize) -> (Arrow, DMatrix<f64>) {
        let mut arrow = Arrow::zeros(long, lines - 1, short);
        let mut dense = DMatrix::zeros(long + short, long + short);
        for p in 0..40 * long {
            let from = p % (long - lines + 1);
            let row: Vec<(usize, f64)> = (from..from + lines)
                .chain(long..long + short)
                .map(|c| (c, ((p * 37 + c * 101) as f64 * 0.618).sin()))
                .collect();
            for (n, (a, va)) in row.iter().enumerate() {
                for (b, vb) in &row[n..] {
                    arrow.add(*b, *a, va * vb);
                    dense[(*b, *a)] += va * vb;
                    if a != b {
                        dense[(*a, *b)] += va * vb;
                    }
                }
            }
        }
        (arrow, dense)
    }

    #[test]
    fn it_solves_what_a_dense_factor_solves() {
        for (long, lines, short) in [(30, 6, 4), (8, 1, 2), (5, 5, 3), (12, 4, 0)] {
            let (mut arrow, mut dense) = system(long, lines, short);
            let ridge = 1e-3 * dense.trace() / dense.nrows() as f64;
            arrow.ridge(1e-3);
            (0..dense.nrows()).for_each(|i| dense[(i, i)] += ridge);
            let right = DVector::from_fn(long + short, |i, _| (i as f64 * 1.7).cos());
            let wanted = dense.clone().cholesky().unwrap().solve(&right);
            let mut x: Vec<f64> = right.iter().copied().collect();
            arrow.clone().factor().unwrap().solve(&mut x);
            for (a, b) in x.iter().zip(wanted.iter()) {
                assert!((a - b).abs() < 1e-9 * wanted.norm(), "{long} {lines} {short}: {a} wanted {b}");
            }
            let kept: Vec<usize> = (0..long + short).filter(|i| i % 3 != 1).collect();
            let part = arrow.only(&kept);
            for (a, i) in kept.iter().enumerate() {
                for (b, j) in kept.iter().enumerate() {
                    assert_eq!(part.at(a, b), dense[(*i, *j)], "{i} {j}");
                }
            }
        }
    }

    #[test]
    fn what_is_not_positive_has_no_factor() {
        let mut arrow = Arrow::zeros(3, 1, 1);
        (0..4).for_each(|i| arrow.add(i, i, 1.0));
        assert!(arrow.clone().factor().is_some());
        arrow.add(1, 0, 1.5);
        assert!(arrow.factor().is_none());
    }
}
