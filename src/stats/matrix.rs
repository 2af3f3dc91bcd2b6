//! A small dense matrix for designs, Jacobians and covariances, so that no linear-algebra type stands in a public signature.

/// A dense matrix, stored row by row.
#[derive(Clone, Debug, PartialEq)]
pub struct Matrix {
    rows: usize,
    columns: usize,
    entries: Vec<f64>,
}

impl Matrix {
    /// All zero.
    #[must_use]
    pub fn zeros(rows: usize, columns: usize) -> Self {
        Self { rows, columns, entries: vec![0.0; rows * columns] }
    }

    /// From entries row by row; `None` when their number is not `rows * columns`.
    #[must_use]
    pub fn from_rows(rows: usize, columns: usize, entries: Vec<f64>) -> Option<Self> {
        (entries.len() == rows * columns).then_some(Self { rows, columns, entries })
    }

    /// Number of rows.
    #[must_use]
    pub const fn rows(&self) -> usize {
        self.rows
    }

    /// Number of columns.
    #[must_use]
    pub const fn columns(&self) -> usize {
        self.columns
    }

    /// The entry in `row`, `column`, both from 0.
    #[must_use]
    pub fn at(&self, row: usize, column: usize) -> f64 {
        self.entries[row * self.columns + column]
    }

    /// Sets an entry.
    pub fn set(&mut self, row: usize, column: usize, value: f64) {
        self.entries[row * self.columns + column] = value;
    }

    /// One row.
    #[must_use]
    pub fn row(&self, row: usize) -> &[f64] {
        &self.entries[row * self.columns..(row + 1) * self.columns]
    }

    /// All entries, row by row.
    #[must_use]
    pub fn entries(&self) -> &[f64] {
        &self.entries
    }

    /// Every entry times `factor`.
    #[must_use]
    pub fn scaled(&self, factor: f64) -> Self {
        Self { entries: self.entries.iter().map(|v| v * factor).collect(), ..*self }
    }

    /// The correlation matrix of a covariance matrix: 0 where a variance is 0, 1 on the diagonal.
    #[must_use]
    pub fn correlation(&self) -> Self {
        let mut r = Self::zeros(self.rows, self.columns);
        for i in 0..self.rows {
            for j in 0..self.columns {
                let scale = (self.at(i, i) * self.at(j, j)).sqrt();
                let value = if i == j {
                    1.0
                } else if scale > 0.0 {
                    (self.at(i, j) / scale).clamp(-1.0, 1.0)
                } else {
                    0.0
                };
                r.set(i, j, value);
            }
        }
        r
    }
}
