//! Plain pictures for tests: shapes of exact coverage under a Gaussian blur, with noise.

use rand::{RngExt, SeedableRng};

use super::response::NORMAL_W_PER_SIGMA;
use crate::photo::Light;

/// A picture in the making, coverage by the animal first, then light.
pub(in crate::animal) struct Scene {
    width: usize,
    height: usize,
    values: Vec<f64>,
}

impl Scene {
    /// Coverage from a test of points, by 6 × 6 points a pixel.
    pub(in crate::animal) fn of(width: usize, height: usize, inside: impl Fn(f64, f64) -> bool) -> Self {
        const N: usize = 6;
        let share = |column: usize, row: usize| {
            let hits = (0..N * N).filter(|k| {
                let (a, b) = ((k % N) as f64 + 0.5, (k / N) as f64 + 0.5);
                inside(column as f64 + a / N as f64, row as f64 + b / N as f64)
            });
            hits.count() as f64 / (N * N) as f64
        };
        let values = (0..width * height).map(|i| share(i % width, i / width)).collect();
        Self { width, height, values }
    }

    /// Light of animal and ground.
    pub(in crate::animal) fn lit(mut self, animal: f64, ground: f64) -> Self {
        self.values.iter_mut().for_each(|v| *v = ground + *v * (animal - ground));
        self
    }

    /// Adds to the light where the test says so.
    pub(in crate::animal) fn painted(mut self, light: f64, inside: impl Fn(f64, f64) -> bool) -> Self {
        for (i, v) in self.values.iter_mut().enumerate() {
            if inside((i % self.width) as f64 + 0.5, (i / self.width) as f64 + 0.5) {
                *v = light;
            }
        }
        self
    }

    /// Blurs so that edges are `w_px` wide (10–90 %), the pixel left aside.
    pub(in crate::animal) fn blurred(mut self, w_px: f64) -> Self {
        let sigma = w_px / NORMAL_W_PER_SIGMA;
        let reach = (4.0 * sigma).ceil() as i64;
        let weight = |k: i64| (-0.5 * (k as f64 / sigma).powi(2)).exp();
        let total: f64 = (-reach..=reach).map(weight).sum();
        let (w, h) = (self.width as i64, self.height as i64);
        for (dx, dy) in [(1, 0), (0, 1)] {
            let old = self.values.clone();
            for (i, v) in self.values.iter_mut().enumerate() {
                let (x, y) = (i as i64 % w, i as i64 / w);
                let at = |k: i64| old[((y + k * dy).clamp(0, h - 1) * w + (x + k * dx).clamp(0, w - 1)) as usize];
                *v = (-reach..=reach).map(|k| weight(k) * at(k)).sum::<f64>() / total;
            }
        }
        self
    }

    /// The picture, with normal noise of a standard deviation.
    pub(in crate::animal) fn photographed(self, noise: f64, seed: u64) -> Light {
        let mut rng = rand_pcg::Pcg64::seed_from_u64(seed);
        // The sum of twelve uniform numbers: normal with σ = 1 but for its far tails.
        let mut normal = || (0..12).map(|_| rng.random::<f64>()).sum::<f64>() - 6.0;
        let values = self.values.iter().map(|v| (v + noise * normal()) as f32).collect();
        Light::new(self.width, self.height, values)
    }
}
