//! A picture as linear light.

/// Linear light of a picture, 0 (black) to 1 (full scale), one value a pixel, row by row,
/// after orientation. Every localisation works on this and never on gamma-coded values.
///
/// Pixels at the end of the recording range carry no position; [`Light::is_clipped`] tells them.
/// Four bytes and one bit a pixel.
#[derive(Clone, Debug, PartialEq)]
pub struct Light {
    width: usize,
    height: usize,
    values: Vec<f32>,
    clipped: Vec<u64>,
}

impl Light {
    /// From row-major linear values; nothing is marked as clipped.
    ///
    /// # Panics
    /// When `values.len()` is not `width * height`: a bug of the caller.
    #[must_use]
    pub fn new(width: usize, height: usize, values: Vec<f32>) -> Self {
        assert_eq!(values.len(), width * height, "one value a pixel");
        let words = values.len().div_ceil(64);
        Self { width, height, values, clipped: vec![0; words] }
    }

    /// The same with a mask of clipped pixels, bit `i % 64` of word `i / 64` for pixel `i` in row order.
    ///
    /// # Panics
    /// When the lengths do not fit: a bug of the caller.
    #[must_use]
    pub fn with_clipped(width: usize, height: usize, values: Vec<f32>, clipped: Vec<u64>) -> Self {
        assert_eq!(values.len(), width * height, "one value a pixel");
        assert_eq!(clipped.len(), values.len().div_ceil(64), "one bit a pixel");
        Self { width, height, values, clipped }
    }

    /// Columns.
    #[must_use]
    pub const fn width(&self) -> usize {
        self.width
    }

    /// Rows.
    #[must_use]
    pub const fn height(&self) -> usize {
        self.height
    }

    /// All values, row by row.
    #[must_use]
    pub fn values(&self) -> &[f32] {
        &self.values
    }

    /// One row of values.
    ///
    /// # Panics
    /// When `row` is outside the picture.
    #[must_use]
    pub fn row(&self, row: usize) -> &[f32] {
        &self.values[row * self.width..(row + 1) * self.width]
    }

    /// The value of the pixel in `column`, `row`.
    ///
    /// # Panics
    /// When outside the picture.
    #[must_use]
    pub fn at(&self, column: usize, row: usize) -> f32 {
        self.values[row * self.width + column]
    }

    /// True where the pixel is at an end of the recording range.
    #[must_use]
    pub fn is_clipped(&self, column: usize, row: usize) -> bool {
        let i = row * self.width + column;
        self.clipped[i / 64] >> (i % 64) & 1 == 1
    }

    /// Calls `visit` with the column and row of every clipped pixel.
    pub(super) fn for_each_clipped(&self, mut visit: impl FnMut(usize, usize)) {
        for (w, word) in self.clipped.iter().enumerate() {
            let mut rest = *word;
            while rest != 0 {
                let i = w * 64 + rest.trailing_zeros() as usize;
                visit(i % self.width, i / self.width);
                rest &= rest - 1;
            }
        }
    }

    /// Share of clipped pixels, 0 to 1.
    #[must_use]
    pub fn clipped_share(&self) -> f64 {
        let n: u32 = self.clipped.iter().map(|w| w.count_ones()).sum();
        f64::from(n) / self.values.len().max(1) as f64
    }
}
