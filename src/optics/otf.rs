//! Transfer function of a circular pupil, in focus and out of it.

use std::f64::consts::PI;

use super::quadrature::for_nodes;

/// Contrast that diffraction leaves at the relative frequency `q` (1 at the optical cut-off), incoherent light.
///
/// `(2/π)(acos q − q √(1 − q²))`, 0 beyond the cut-off, 1 for q ≤ 0.
///
/// # Source
/// Goodman, Introduction to Fourier Optics, OTF of a circular pupil; tabulated values in tests/data/mtf_diffraction.csv.
#[must_use]
pub fn diffraction_mtf(q: f64) -> f64 {
    if q <= 0.0 {
        1.0
    } else if q >= 1.0 {
        0.0
    } else {
        (q.acos() - q * (1.0 - q * q).sqrt()) * (2.0 / PI)
    }
}

/// Signed optical transfer function of a defocused circular pupil.
///
/// `q` is the frequency over the cut-off, `waves` the wavefront error at the rim of the pupil in wavelengths
/// (`z NA² / (2 n λ)`). The two displaced pupils overlap in a lens; across it the phase difference is linear, so
/// one dimension integrates in closed form and the other numerically:
/// `(4/π) ∫ sin²φ cos(a (cos φ − q)) dφ`, φ from 0 to acos q, `a = 8π q · waves`.
///
/// # Accuracy
/// 1e-9 for up to 100 waves (test against the closed form in focus and an independent transform).
/// # Source
/// Hopkins, The frequency response of a defocused optical system, Proc. R. Soc. A 231 (1955), before his expansion
/// into Bessel functions.
#[must_use]
pub fn defocused_otf(q: f64, waves: f64) -> f64 {
    defocused_otf_and_slope(q, waves).0
}

/// The same with its derivative by the logarithm of `waves`.
pub(crate) fn defocused_otf_and_slope(q: f64, waves: f64) -> (f64, f64) {
    if waves.abs() < 1e-9 || q <= 0.0 || q >= 1.0 {
        return (diffraction_mtf(q), 0.0);
    }
    let a = 8.0 * PI * q * waves;
    let cycles = a.abs() * (1.0 - q) / (2.0 * PI);
    let panels = 1 + (cycles / 2.0) as usize;
    let (mut value, mut slope) = (0.0, 0.0);
    for_nodes(0.0, q.acos(), panels, |phi, w| {
        let (s, c) = phi.sin_cos();
        let phase = a * (c - q);
        let (sin_phase, cos_phase) = phase.sin_cos();
        value += w * s * s * cos_phase;
        slope -= w * s * s * phase * sin_phase;
    });
    (value * (4.0 / PI), slope * (4.0 / PI))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn in_focus_the_integral_is_the_closed_form() {
        for i in 1..100 {
            let q = f64::from(i) / 100.0;
            assert!((defocused_otf(q, 2e-9) - diffraction_mtf(q)).abs() < 1e-12, "q {q}");
        }
    }

    #[test]
    fn slope_is_the_derivative() {
        for (q, w) in [(0.1, 0.3), (0.4, 1.7), (0.7, 6.0), (0.5, 40.0)] {
            let h = 1e-6;
            let wanted = (defocused_otf(q, w * (1.0 + h)) - defocused_otf(q, w * (1.0 - h))) / (2.0 * h);
            assert!((defocused_otf_and_slope(q, w).1 - wanted).abs() < 1e-6, "q {q} waves {w}");
        }
    }

    #[test]
    fn contrast_reverses_beyond_the_first_zero() {
        // One wave of defocus turns the contrast of middle frequencies over: spurious resolution.
        assert!(defocused_otf(0.3, 1.0) < -0.01);
        // A quarter wave lowers the middle frequencies to about 0.8 of the focused value: Rayleigh's tolerance.
        let ratio = defocused_otf(0.5, 0.25) / diffraction_mtf(0.5);
        assert!((0.5..0.9).contains(&ratio), "{ratio}");
    }
}
