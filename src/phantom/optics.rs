//! The renderer's own optics: system MTF on the object side and the responses that follow from it.
//!
//! Everything is one-dimensional, along the normal of a straight edge or line, in micrometres on the object.
//! The system MTF is diffraction (closed form, or the OTF of a defocused circular pupil) × square pixel ×
//! Gaussian. Responses are Fourier sums of that MTF, so that a line drawn from them is an exact integral.

use std::f64::consts::PI;

use rustfft::FftPlanner;
use rustfft::num_complex::Complex64;

/// Diffraction MTF of a circular pupil in incoherent light at `q`, the frequency over the cut-off.
///
/// Exact closed form `(2/π)(arccos q − q√(1−q²))`, 0 from `q` = 1 on.
/// Source: Goodman, Introduction to Fourier Optics, section 6.3.
#[must_use]
pub fn mtf_diffraction(q: f64) -> f64 {
    let q = q.abs();
    if q >= 1.0 { 0.0 } else { 2.0 / PI * (q.acos() - q * (1.0 - q * q).sqrt()) }
}

/// OTF of a circular pupil out of focus, signed; `phase` is `4π z NA² / λ` for the distance `z` from focus.
///
/// The overlap integral `(4/π) ∫ cos²θ cos(phase·q·(sin θ − q)) dθ` from `arcsin q` to π/2, by Simpson's rule
/// with steps that follow the phase (error below 1e-7). With `phase` = 0 it is [`mtf_diffraction`].
/// Source: Hopkins, Proc. R. Soc. A 231 (1955) 91, in the paraxial form with W₂₀ = z NA²/2.
#[must_use]
pub fn otf_defocused(q: f64, phase: f64) -> f64 {
    let q = q.abs();
    if q >= 1.0 {
        return 0.0;
    }
    let a = phase * q;
    if a.abs() < 1e-6 {
        return mtf_diffraction(q);
    }
    let from = q.asin();
    let steps = 2 * (24 + (a.abs() * 1.5) as usize);
    let h = (PI / 2.0 - from) / steps as f64;
    let f = |i: usize| {
        let (sin, cos) = (from + h * i as f64).sin_cos();
        cos * cos * (a * (sin - q)).cos()
    };
    let inner: f64 = (1..steps).map(|i| f(i) * if i % 2 == 1 { 4.0 } else { 2.0 }).sum();
    4.0 / PI * h / 3.0 * (f(0) + inner + f(steps))
}

/// sin(πx)/(πx).
pub(crate) fn sinc(x: f64) -> f64 {
    let t = PI * x;
    if t.abs() < 1e-8 { 1.0 } else { t.sin() / t }
}

/// What blurs a picture, seen from the object, along one direction.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SystemMtf {
    /// Optical cut-off, cycles/µm on the object: `m / (λ N_eff)`.
    pub cutoff_per_um: f64,
    /// `4π z NA² / λ` for the distance from focus.
    pub defocus_phase: f64,
    /// Further Gaussian blur (one standard deviation), µm on the object.
    pub sigma_um: f64,
    /// Side of the recorded pixel on the object, µm; 0 leaves the pixel out.
    pub pixel_um: f64,
    /// Direction of the normal in the picture, rad from the pixel rows.
    pub normal_rad: f64,
}

impl SystemMtf {
    /// The MTF at a frequency in cycles/µm on the object.
    #[must_use]
    pub fn at(&self, f_per_um: f64) -> f64 {
        let optical = otf_defocused(f_per_um / self.cutoff_per_um, self.defocus_phase);
        let gauss = (-2.0 * (PI * self.sigma_um * f_per_um).powi(2)).exp();
        let (sin, cos) = self.normal_rad.sin_cos();
        let pixel = sinc(f_per_um * self.pixel_um * cos) * sinc(f_per_um * self.pixel_um * sin);
        optical * gauss * pixel
    }

    /// Distance beyond which a thin line's response is left out, µm: 25 times `λN_eff/m` and the other blurs.
    pub(crate) fn support_um(&self) -> f64 {
        // Geometric disc of defocus: diameter 2 NA z = phase · λ/(2π NA) = phase / (π · cut-off).
        let disc_um = self.defocus_phase.abs() / (PI * self.cutoff_per_um);
        25.0 / self.cutoff_per_um + 7.0 * self.sigma_um + 3.0 * self.pixel_um + 1.5 * disc_um
    }
}

/// A response on a regular grid symmetric about 0, `values[i]` at `(i − half) · step_um`.
#[derive(Clone, Debug)]
pub struct Response {
    step_um: f64,
    half: usize,
    values: Vec<f64>,
}

impl Response {
    /// Distance between samples, µm.
    #[must_use]
    pub fn step_um(&self) -> f64 {
        self.step_um
    }

    /// Reach on each side, µm.
    #[must_use]
    pub fn reach_um(&self) -> f64 {
        self.half as f64 * self.step_um
    }

    pub(crate) fn values(&self) -> &[f64] {
        &self.values
    }

    /// The value at `x_um`, cubic between samples (error below 1e-6 with 30 samples a blur spot), the end values outside.
    #[must_use]
    pub fn at(&self, x_um: f64) -> f64 {
        let t = (x_um / self.step_um + self.half as f64).clamp(0.0, (self.values.len() - 1) as f64);
        let i = t.floor() as usize;
        let weights = cubic_weights(t - i as f64);
        let last = self.values.len() - 1;
        weights.iter().enumerate().map(|(k, w)| w * self.values[(i + k).saturating_sub(1).min(last)]).sum()
    }

    /// Where an edge response first passes `level` (0 to 1), µm, linear between samples.
    #[must_use]
    pub fn crossing_um(&self, level: f64) -> f64 {
        let i = self.values.iter().position(|v| *v >= level).unwrap_or(self.half).max(1);
        let (a, b) = (self.values[i - 1], self.values[i]);
        ((i as f64 - 1.0 + (level - a) / (b - a)) - self.half as f64) * self.step_um
    }
}

/// Weights of four neighbours (−1, 0, 1, 2) of a cubic through them, at `t` in 0..1.
pub(crate) fn cubic_weights(t: f64) -> [f64; 4] {
    [
        -t * (t - 1.0) * (t - 2.0) / 6.0,
        (t + 1.0) * (t - 1.0) * (t - 2.0) / 2.0,
        -(t + 1.0) * t * (t - 2.0) / 2.0,
        (t + 1.0) * t * (t - 1.0) / 6.0,
    ]
}

/// Smallest power of two of samples that reaches twice the support of `mtf` on each side.
fn samples_for(mtf: &SystemMtf, step_um: f64) -> usize {
    ((4.0 * mtf.support_um() / step_um).ceil() as usize).next_power_of_two().clamp(1024, 1 << 19)
}

/// Sums `Σ spectrum(f) e^{2πifx}` over the grid; the spectrum is hermitian, given for f ≥ 0.
fn synthesise(samples: usize, step_um: f64, spectrum: impl Fn(f64) -> Complex64, cutoff_per_um: f64) -> Vec<f64> {
    let df = 1.0 / (samples as f64 * step_um);
    let mut buffer = vec![Complex64::default(); samples];
    let last = ((cutoff_per_um / df).ceil() as usize).min(samples / 2 - 1);
    buffer[0] = spectrum(0.0) * df;
    for k in 1..=last {
        let c = spectrum(k as f64 * df) * df;
        buffer[k] = c;
        buffer[samples - k] = c.conj();
    }
    FftPlanner::new().plan_fft_inverse(samples).process(&mut buffer);
    // Put x = 0 in the middle.
    buffer[samples / 2..].iter().chain(&buffer[..samples / 2]).map(|c| c.re).collect()
}

/// Response to a box of `width_um` and height 1 (a line): blurred coverage, exact to the Fourier sum.
///
/// The sum repeats with four times the support; what folds in is below 1e-4 of the line's own weight per µm.
#[must_use]
pub fn box_response(mtf: &SystemMtf, width_um: f64, step_um: f64) -> Response {
    let samples = samples_for(mtf, step_um);
    let spectrum = |f: f64| Complex64::new(mtf.at(f) * width_um * sinc(f * width_um), 0.0);
    let values = synthesise(samples, step_um, spectrum, mtf.cutoff_per_um);
    Response { step_um, half: samples / 2, values }
}

/// Response to an edge, rising from 0 at negative to 1 at positive positions, reaching both exactly at its ends.
#[must_use]
pub fn edge_response(mtf: &SystemMtf, step_um: f64) -> Response {
    let samples = samples_for(mtf, step_um);
    let df = 1.0 / (samples as f64 * step_um);
    let spectrum = |f: f64| {
        if f == 0.0 { Complex64::new(0.0, 0.0) } else { Complex64::new(0.0, -mtf.at(f) / (2.0 * PI * f)) }
    };
    let mut values = synthesise(samples, step_um, spectrum, mtf.cutoff_per_um);
    let half = samples / 2;
    for (i, v) in values.iter_mut().enumerate() {
        *v += 0.5 + (i as f64 - half as f64) * step_um * df;
    }
    Response { step_um, half, values }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Diffraction alone with `λN_eff/m` = 1 µm.
    fn diffraction() -> SystemMtf {
        SystemMtf { cutoff_per_um: 1.0, defocus_phase: 0.0, sigma_um: 0.0, pixel_um: 0.0, normal_rad: 0.3 }
    }

    #[test]
    fn mtf_is_the_tabulated_one() {
        // Values computed from the closed form with mpmath (diffraction MTF of a circular pupil).
        for (q, want) in [(0.1, 0.872_889), (0.25, 0.685_038), (0.5, 0.391_002), (0.75, 0.144_294), (0.9, 0.037_386)] {
            assert!((mtf_diffraction(q) - want).abs() < 1e-6, "q {q}: {}", mtf_diffraction(q));
            assert!((otf_defocused(q, 1e-5) - want).abs() < 1e-6);
        }
    }

    #[test]
    fn strong_defocus_tends_to_the_disc() {
        // Far out of focus the OTF tends to 2 J1(a)/a with a = phase · q at low frequency (geometric disc); J1(2) = 0.5767248.
        let (phase, q) = (400.0, 0.005);
        assert!((otf_defocused(q, phase) - 0.576_724_8).abs() < 6e-3, "{}", otf_defocused(q, phase));
    }

    #[test]
    fn edge_and_line_have_the_known_widths() {
        // Airy line spread: 10-90 % edge width 1.3328697, 25-75 % 0.6436, LSF(0) = 8/(3π), in λN (SciPy quadrature).
        let edge = edge_response(&diffraction(), 0.01);
        let w = edge.crossing_um(0.9) - edge.crossing_um(0.1);
        assert!((w - 1.332_87).abs() < 3e-3, "10-90 % width {w}");
        let quartiles = edge.crossing_um(0.75) - edge.crossing_um(0.25);
        assert!((quartiles - 0.6436).abs() < 1e-3, "25-75 % width {quartiles}");
        let line = box_response(&diffraction(), 0.01, 0.01);
        assert!((line.at(0.0) / 0.01 - 8.0 / (3.0 * PI)).abs() < 2e-4, "{}", line.at(0.0));
    }

    #[test]
    fn box_is_the_difference_of_two_edges() {
        let mtf = SystemMtf { sigma_um: 0.4, pixel_um: 0.9, ..diffraction() };
        let (edge, line) = (edge_response(&mtf, 0.02), box_response(&mtf, 1.7, 0.02));
        for x in [-3.21, -0.85, 0.0, 0.4, 0.853, 2.0] {
            let want = edge.at(x + 0.85) - edge.at(x - 0.85);
            // The edge's own linear term spreads the missing mean over the repeat length.
            assert!((line.at(x) - want).abs() < 1e-5, "{x}: {} {want}", line.at(x));
        }
    }
}
