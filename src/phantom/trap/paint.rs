//! Painting a picture from a function of the place.

use rand::RngExt;
use rand_distr::StandardNormal;
use rand_pcg::Pcg64Mcg;
use rayon::prelude::*;

/// The size of a picture, px.
#[derive(Clone, Copy, Debug)]
pub(super) struct Canvas {
    pub(super) width: usize,
    pub(super) height: usize,
}

impl Canvas {
    /// Linear light of `light(x, y)` (px, image frame) with four samples a pixel.
    pub(super) fn paint(self, light: impl Fn(f64, f64) -> f64 + Sync) -> Vec<f32> {
        let mut out = vec![0.0_f32; self.width * self.height];
        out.par_chunks_mut(self.width).enumerate().for_each(|(row, values)| {
            for (column, v) in values.iter_mut().enumerate() {
                let sum: f64 = [(0.25, 0.25), (0.75, 0.25), (0.25, 0.75), (0.75, 0.75)]
                    .iter()
                    .map(|(dx, dy)| light(column as f64 + dx, row as f64 + dy))
                    .sum();
                *v = (sum / 4.0) as f32;
            }
        });
        out
    }

    /// Smooth random values of mean 0 and standard deviation 1, correlated over about `grain_px`.
    pub(super) fn texture(self, grain_px: f64, rng: &mut Pcg64Mcg) -> Vec<f32> {
        let mut values: Vec<f32> = (0..self.width * self.height).map(|_| rng.sample(StandardNormal)).collect();
        let radius = (grain_px / 2.0).round().max(0.0) as usize;
        for _ in 0..3 {
            values = transpose(&box_rows(&values, self.width, radius), self.width);
            values = transpose(&box_rows(&values, self.height, radius), self.height);
        }
        let n = values.len() as f32;
        let mean = values.iter().sum::<f32>() / n;
        let sd = (values.iter().map(|v| (v - mean).powi(2)).sum::<f32>() / n).sqrt().max(1e-9);
        values.iter().map(|v| (v - mean) / sd).collect()
    }
}

/// Running mean over `2 radius + 1` values along rows of `width`, the ends repeated.
fn box_rows(values: &[f32], width: usize, radius: usize) -> Vec<f32> {
    let mut out = vec![0.0; values.len()];
    out.par_chunks_mut(width).zip(values.par_chunks(width)).for_each(|(out, row)| {
        let at = |i: i64| f64::from(row[i.clamp(0, width as i64 - 1) as usize]);
        let r = radius as i64;
        let mut sum: f64 = (-r..=r).map(at).sum();
        for (i, v) in out.iter_mut().enumerate() {
            *v = (sum / (2 * r + 1) as f64) as f32;
            sum += at(i as i64 + r + 1) - at(i as i64 - r);
        }
    });
    out
}

/// Rows become columns.
fn transpose(values: &[f32], width: usize) -> Vec<f32> {
    let height = values.len() / width.max(1);
    let mut out = vec![0.0; values.len()];
    out.par_chunks_mut(height).enumerate().for_each(|(x, column)| {
        for (y, v) in column.iter_mut().enumerate() {
            *v = values[y * width + x];
        }
    });
    out
}

/// A smooth random function over a canvas: the sum of a few long waves, about 1 in size, tabulated every few pixels.
#[derive(Debug)]
pub(super) struct Wander {
    columns: usize,
    rows: usize,
    values: Vec<f64>,
}

/// Distance between the tabulated values of a [`Wander`], px.
const WANDER_STEP_PX: f64 = 8.0;

impl Wander {
    /// Waves of roughly `length_px`, which should be many steps of the table.
    pub(super) fn new(canvas: Canvas, length_px: f64, rng: &mut Pcg64Mcg) -> Self {
        let waves: Vec<[f64; 3]> = (0..6)
            .map(|_| {
                let k = std::f64::consts::TAU / (length_px * rng.random_range(0.7..2.0));
                let (sin, cos) = rng.random_range(0.0..std::f64::consts::TAU).sin_cos();
                [k * cos, k * sin, rng.random_range(0.0..std::f64::consts::TAU)]
            })
            .collect();
        let cells = |size: usize| (size as f64 / WANDER_STEP_PX).ceil() as usize + 2;
        let (columns, rows) = (cells(canvas.width), cells(canvas.height));
        let at = |x: f64, y: f64| waves.iter().map(|[kx, ky, phase]| (kx * x + ky * y + phase).sin()).sum::<f64>();
        let values = (0..columns * rows)
            .map(|i| at((i % columns) as f64 * WANDER_STEP_PX, (i / columns) as f64 * WANDER_STEP_PX) / 6.0_f64.sqrt())
            .collect();
        Self { columns, rows, values }
    }

    /// Bilinear between the tabulated values; the rim's value outside of the canvas.
    pub(super) fn at(&self, x: f64, y: f64) -> f64 {
        let (u, v) = (
            (x / WANDER_STEP_PX).clamp(0.0, (self.columns - 2) as f64),
            (y / WANDER_STEP_PX).clamp(0.0, (self.rows - 2) as f64),
        );
        let (i, j) = (u as usize, v as usize);
        let (s, t) = (u - i as f64, v - j as f64);
        let value = |i: usize, j: usize| self.values[j * self.columns + i];
        (1.0 - t) * ((1.0 - s) * value(i, j) + s * value(i + 1, j))
            + t * ((1.0 - s) * value(i, j + 1) + s * value(i + 1, j + 1))
    }
}

/// A turned frame: coordinates along and across a direction through a point.
#[derive(Clone, Copy, Debug)]
pub(super) struct Turned {
    at: [f64; 2],
    sin: f64,
    cos: f64,
}

impl Turned {
    pub(super) fn new(at: [f64; 2], angle_rad: f64) -> Self {
        let (sin, cos) = angle_rad.sin_cos();
        Self { at, sin, cos }
    }

    /// (along, across) of an image position.
    pub(super) fn of(self, x: f64, y: f64) -> (f64, f64) {
        let (dx, dy) = (x - self.at[0], y - self.at[1]);
        (dx * self.cos + dy * self.sin, dy * self.cos - dx * self.sin)
    }

    /// Image position of (along, across).
    pub(super) fn back(self, along: f64, across: f64) -> [f64; 2] {
        [self.at[0] + along * self.cos - across * self.sin, self.at[1] + along * self.sin + across * self.cos]
    }
}

/// A frame through a random place near the middle, turned by a small or any angle.
pub(super) fn turned_by_lot(canvas: Canvas, rng: &mut Pcg64Mcg) -> Turned {
    let (w, h) = (canvas.width as f64, canvas.height as f64);
    let angle = if rng.random_bool(0.4) {
        rng.random_range(-0.1..0.1)
    } else {
        rng.random_range(-std::f64::consts::FRAC_PI_2..std::f64::consts::FRAC_PI_2)
    };
    Turned::new([w * rng.random_range(0.4..0.6), h * rng.random_range(0.4..0.6)], angle)
}
