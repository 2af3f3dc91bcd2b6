//! The power spectrum of one tile of light, as far as it is looked at.

use super::periodic::TILE;
use rustfft::{Fft, FftPlanner, num_complex::Complex};
use std::sync::Arc;

/// The transform of one row or column of a tile.
pub(super) type Transform = Arc<dyn Fft<f32>>;

/// Plans the transform.
pub(super) fn transform() -> Transform {
    FftPlanner::new().plan_fft_forward(TILE)
}

/// Columns kept: the frequencies 0 to `TILE / 2`. Light is real, so that those below 0 are theirs turned about the origin.
const COLUMNS: usize = TILE / 2 + 1;

/// Power of a windowed tile at whole frequencies, cycles per tile, with its room to work in.
#[derive(Clone)]
pub(super) struct Spectrum {
    transform: Transform,
    /// Two rows of the tile each, as real and imaginary part.
    pairs: Vec<Complex<f32>>,
    /// Columns of the half that is kept.
    half: Vec<Complex<f32>>,
    work: Vec<Complex<f32>>,
    /// Column by column.
    power: Vec<f32>,
}

impl Spectrum {
    pub(super) fn new(transform: &Transform) -> Self {
        let zero = Complex::new(0.0, 0.0);
        Self {
            transform: Arc::clone(transform),
            pairs: vec![zero; TILE * TILE / 2],
            half: vec![zero; TILE * COLUMNS],
            work: vec![zero; transform.get_inplace_scratch_len()],
            power: vec![0.0; TILE * COLUMNS],
        }
    }

    /// Takes a tile, row by row, less its mean, weighted by the window both ways.
    ///
    /// Two rows go through one complex transform and are parted by symmetry: z = a + ib has
    /// A(f) = (Z(f) + Z*(−f)) / 2 and B(f) = (Z(f) − Z*(−f)) / 2i.
    pub(super) fn fill(&mut self, tile: &[f32], mean: f32, window: &[f32]) {
        let rows = tile.as_chunks::<TILE>().0.as_chunks::<2>().0;
        for ((pair, [a, b]), at) in self.pairs.chunks_exact_mut(TILE).zip(rows).zip(window.as_chunks::<2>().0) {
            for (((z, a), b), w) in pair.iter_mut().zip(a).zip(b).zip(window) {
                *z = Complex::new((a - mean) * w * at[0], (b - mean) * w * at[1]);
            }
        }
        self.transform.process_with_scratch(&mut self.pairs, &mut self.work);
        // Twice A and B, which the power makes good.
        for (p, pair) in self.pairs.as_chunks::<TILE>().0.iter().enumerate() {
            for i in 0..COLUMNS {
                let (z, mirror) = (pair[i], pair[(TILE - i) % TILE]);
                self.half[i * TILE + 2 * p] = Complex::new(z.re + mirror.re, z.im - mirror.im);
                self.half[i * TILE + 2 * p + 1] = Complex::new(z.im + mirror.im, mirror.re - z.re);
            }
        }
        self.transform.process_with_scratch(&mut self.half, &mut self.work);
        for (p, c) in self.power.iter_mut().zip(&self.half) {
            *p = 0.25 * c.norm_sqr();
        }
    }

    /// Where the power at the frequencies `i` along x and `j` along y stands, which repeat every tile.
    pub(super) const fn place(i: i32, j: i32) -> usize {
        let side = TILE as i32;
        let (i, j) = (i.rem_euclid(side), j.rem_euclid(side));
        let (i, j) = if i as usize >= COLUMNS { (side - i, (side - j) % side) } else { (i, j) };
        i as usize * TILE + j as usize
    }

    /// Power at all places.
    pub(super) fn power(&self) -> &[f32] {
        &self.power
    }

    /// Power at the frequencies `i` along x and `j` along y.
    pub(super) fn at(&self, i: i32, j: i32) -> f32 {
        self.power[Self::place(i, j)]
    }

    /// Power of the bin nearest to a frequency.
    pub(super) fn near(&self, fx: f64, fy: f64) -> f32 {
        self.at(fx.round() as i32, fy.round() as i32)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_half_is_that_of_the_whole_transform() {
        let window: Vec<f32> = (0..TILE).map(|i| 0.3 + (i as f32 * 0.05).sin().abs()).collect();
        let tile: Vec<f32> =
            (0..TILE * TILE).map(|i| ((i * i) as f32 * 0.37).sin() + (i % TILE) as f32 * 0.01).collect();
        let mut s = Spectrum::new(&transform());
        s.fill(&tile, 0.25, &window);
        // The definition, for some bins on both sides of the axes.
        for (i, j) in [(0, 1), (5, 0), (7, -9), (-7, 9), (31, 31), (-31, 2), (32, 4), (1, -32), (12, 12)] {
            let (mut re, mut im) = (0.0_f64, 0.0_f64);
            for (n, v) in tile.iter().enumerate() {
                let (x, y) = (n % TILE, n / TILE);
                let turn = -std::f64::consts::TAU * (f64::from(i) * x as f64 + f64::from(j) * y as f64) / TILE as f64;
                let v = f64::from((v - 0.25) * window[x] * window[y]);
                re += v * turn.cos();
                im += v * turn.sin();
            }
            let wanted = re * re + im * im;
            let got = f64::from(s.at(i, j));
            assert!((got / wanted - 1.0).abs() < 1e-3, "({i}, {j}): {got} wanted {wanted}");
        }
    }
}
