//! Edges and lines drawn independently of the program: point spread by FFT of a drawn pupil, pixels by sub-sampling.

use motestick::photo::Light;
use rand::SeedableRng;
use rand_distr::{Distribution, Normal};
use rustfft::{FftPlanner, num_complex::Complex};

/// Grid of the pupil, and its radius: the point spread is sampled every `2 RADIUS / SIZE` of λN.
const SIZE: usize = 1024;
const RADIUS: f64 = 128.3;
/// Refinement of the line spread.
const FINE: usize = 8;

/// Response to an edge in a table, distances in units of λN.
pub(crate) struct Edge {
    step: f64,
    values: Vec<f64>,
}

impl Edge {
    /// Of a circular pupil with `waves` of defocus at its rim.
    pub(crate) fn of_pupil(waves: f64) -> Self {
        let half = SIZE as f64 / 2.0;
        let mut field: Vec<Complex<f64>> = (0..SIZE * SIZE)
            .map(|i| {
                let (x, y) = ((i % SIZE) as f64 - half, (i / SIZE) as f64 - half);
                let rho2 = (x * x + y * y) / (RADIUS * RADIUS);
                if rho2 < 1.0 {
                    Complex::from_polar(1.0, 2.0 * std::f64::consts::PI * waves * rho2)
                } else {
                    Complex::new(0.0, 0.0)
                }
            })
            .collect();
        let mut planner = FftPlanner::new();
        let fft = planner.plan_fft_forward(SIZE);
        field.chunks_mut(SIZE).for_each(|row| fft.process(row));
        // Sum of the point spread over columns of the second transform gives the line spread.
        let mut line = vec![0.0; SIZE];
        let mut column = vec![Complex::new(0.0, 0.0); SIZE];
        for (x, out) in line.iter_mut().enumerate() {
            column.iter_mut().enumerate().for_each(|(y, c)| *c = field[y * SIZE + x]);
            fft.process(&mut column);
            *out = column.iter().map(|c| c.norm_sqr()).sum();
        }
        Self::of_line(&line, 2.0 * RADIUS / SIZE as f64, &mut planner)
    }

    /// Running integral of a line spread refined by padding its transform.
    fn of_line(line: &[f64], step: f64, planner: &mut FftPlanner<f64>) -> Self {
        let n = line.len();
        let mut spectrum: Vec<Complex<f64>> = line.iter().map(|&v| Complex::new(v, 0.0)).collect();
        planner.plan_fft_forward(n).process(&mut spectrum);
        let mut padded = vec![Complex::new(0.0, 0.0); n * FINE];
        padded[..n / 2].copy_from_slice(&spectrum[..n / 2]);
        padded[n * FINE - n / 2 + 1..].copy_from_slice(&spectrum[n / 2 + 1..]);
        planner.plan_fft_inverse(n * FINE).process(&mut padded);
        padded.rotate_right(n * FINE / 2);
        let mut sum = 0.0;
        let mut values: Vec<f64> = padded
            .iter()
            .map(|c| {
                sum += c.re;
                sum - 0.5 * c.re
            })
            .collect();
        values.iter_mut().for_each(|v| *v /= sum);
        Self { step: step / FINE as f64, values }
    }

    /// Of a Gaussian of standard deviation 1.
    pub(crate) fn gaussian() -> Self {
        let (n, step) = (SIZE, 0.02);
        let half = n as f64 / 2.0;
        let density = |i: usize| (-0.5 * ((i as f64 - half) * step).powi(2)).exp();
        let mut sum = 0.0;
        let mut values: Vec<f64> = (0..n)
            .map(|i| {
                sum += density(i);
                sum - 0.5 * density(i)
            })
            .collect();
        values.iter_mut().for_each(|v| *v /= sum);
        Self { step, values }
    }

    /// Light at `x` beyond the edge.
    fn at(&self, x: f64) -> f64 {
        let t = x / self.step + self.values.len() as f64 / 2.0;
        if t <= 0.0 {
            return 0.0;
        }
        let k = t as usize;
        if k + 1 >= self.values.len() {
            return 1.0;
        }
        let t = t - k as f64;
        self.values[k] * (1.0 - t) + self.values[k + 1] * t
    }

    /// The edge scaled so that λN is `unit_px`, averaged over square pixels whose rows make `angle_rad` with the normal.
    pub(crate) fn recorded(&self, unit_px: f64, angle_rad: f64) -> Recorded {
        const SUB: usize = 15;
        let (sin, cos) = angle_rad.sin_cos();
        let sub = |k: usize| (k as f64 + 0.5) / SUB as f64 - 0.5;
        let step = 0.02;
        let half = 100.0;
        let n = (2.0 * half / step) as usize;
        let values = (0..=n)
            .map(|i| {
                let x = i as f64 * step - half;
                let mut sum = 0.0;
                for a in 0..SUB {
                    for b in 0..SUB {
                        sum += self.at((x + sub(a) * cos + sub(b) * sin) / unit_px);
                    }
                }
                sum / (SUB * SUB) as f64
            })
            .collect();
        Recorded { step, half, values }
    }
}

/// An edge as pixels record it, distances in px.
pub(crate) struct Recorded {
    step: f64,
    half: f64,
    values: Vec<f64>,
}

impl Recorded {
    pub(crate) fn at(&self, x: f64) -> f64 {
        let t = ((x + self.half) / self.step).clamp(0.0, (self.values.len() - 2) as f64);
        let k = (t as usize).min(self.values.len() - 2);
        let t = t - k as f64;
        self.values[k] * (1.0 - t) + self.values[k + 1] * t
    }

    /// True 10–90 % width, px.
    pub(crate) fn width(&self) -> f64 {
        let cross = |level: f64| {
            let k = self.values.iter().position(|&v| v >= level).unwrap();
            let (a, b) = (self.values[k - 1], self.values[k]);
            (k as f64 - (b - level) / (b - a)) * self.step
        };
        cross(0.9) - cross(0.1)
    }
}

/// A source of seeded Gaussian noise.
pub(crate) struct Noise {
    rng: rand_pcg::Pcg64,
    normal: Normal<f64>,
}

impl Noise {
    pub(crate) fn new(sd: f64, seed: u64) -> Self {
        Self { rng: rand_pcg::Pcg64::seed_from_u64(seed), normal: Normal::new(0.0, sd).unwrap() }
    }

    pub(crate) fn draw(&mut self) -> f64 {
        self.normal.sample(&mut self.rng)
    }
}
/// A picture of one edge: light `base` to `base + height`, through `(x, y)` with its normal at `angle_rad`, bowed by
/// `bow_px` (sag over 100 px) and noisy.
pub(crate) struct Scene<'a> {
    pub(crate) recorded: &'a Recorded,
    pub(crate) size: (usize, usize),
    pub(crate) through: (f64, f64),
    pub(crate) angle_rad: f64,
    pub(crate) bow_px: f64,
    pub(crate) base: f64,
    pub(crate) height: f64,
}

impl Scene<'_> {
    /// Distance from the edge and place along it of a picture point.
    fn place(&self, x: f64, y: f64) -> (f64, f64) {
        let (sin, cos) = self.angle_rad.sin_cos();
        let (dx, dy) = (x - self.through.0, y - self.through.1);
        let (across, along) = (dx * cos + dy * sin, -dx * sin + dy * cos);
        (across - self.bow_px * (along / 50.0).powi(2), along)
    }

    pub(crate) fn draw(&self, noise: &mut Noise, texture: impl Fn(f64, f64) -> f64) -> Light {
        let (w, h) = self.size;
        let values = (0..w * h)
            .map(|i| {
                let (x, y) = ((i % w) as f64 + 0.5, (i / w) as f64 + 0.5);
                let (across, along) = self.place(x, y);
                let clean = self.base + self.height * self.recorded.at(across);
                (clean + texture(across, along) + noise.draw()) as f32
            })
            .collect();
        Light::new(w, h, values)
    }
}
