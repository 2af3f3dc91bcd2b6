//! What a planned setup would record of something sharp: blur, pixels, noise.
//!
//! The sharp picture stands for the animal itself. Its linear light is multiplied by the contrast of the planned system in
//! the frequency domain (diffraction, defocus, pixels), sampled at the planned pixels, and given the shot and read noise of
//! the exposure. What the sharp picture's own lens took away stays away: it must be sharper than what is planned.

use rand::SeedableRng;
use rand_distr::{Distribution, StandardNormal};
use rand_pcg::Pcg64Mcg;
use rayon::prelude::*;
use rustfft::{Fft, FftPlanner, num_complex::Complex};

use crate::optics::{OpticsError, System};
use crate::photo::{Channel, Light, Photo, Transfer};
use crate::units::PxPerUm;

/// Side of the region that is rendered, pixels of the sharp picture.
const SIDE: usize = 1024;
/// Share of the region on each side that the circular transform may spoil, left out.
const MARGIN: f64 = 0.08;
/// Electrons at full scale at base sensitivity unless told (common practice: pixels of 3 to 4 µm).
pub const ELECTRONS: f64 = 20_000.0;
/// Base sensitivity that belongs to it, ISO (common practice).
pub const BASE_ISO: f64 = 100.0;
/// Read noise, electrons (common practice).
pub const READ_NOISE_ELECTRONS: f64 = 3.0;

/// Why no preview can be made.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum PreviewError {
    /// The sharp picture is coarser than the planned one.
    #[error(
        "the sharp picture has {sharp:.3} px/µm, the planned one {planned:.3} px/µm; a preview needs a picture at least as fine"
    )]
    TooCoarse {
        /// Scale of the sharp picture.
        sharp: f64,
        /// Scale of the planned one.
        planned: f64,
    },
    /// The sharp picture is too small.
    #[error("the sharp picture has {width} x {height} px; at least {SIDE} px each way are needed")]
    TooSmall {
        /// Columns.
        width: usize,
        /// Rows.
        height: usize,
    },
    /// The plan records next to nothing of the picture.
    #[error(
        "the plan records only {side_px} px of the sharp picture; at least 16 are needed; take more magnification or finer pixels"
    )]
    TooFewPixels {
        /// Side of the recorded region.
        side_px: usize,
    },
    /// The optics are out of range.
    #[error(transparent)]
    Optics(#[from] OpticsError),
}

/// One planned shot.
#[derive(Clone, Debug)]
pub struct Shot {
    /// The system that takes it.
    pub system: System,
    /// Electrons of a pixel at full scale of the picture: fewer at higher sensitivity.
    pub electrons: f64,
}

/// A rendered region, red green blue, 8 bits, row by row.
#[derive(Clone, Debug, PartialEq)]
pub struct Preview {
    /// Columns and rows.
    pub side_px: usize,
    /// The samples.
    pub rgb: Vec<u8>,
    /// Its scale.
    pub scale: PxPerUm,
}

/// Renders the middle of `sharp` (of scale `sharp_scale`) as `shot` would record it.
///
/// Movement goes along the rows.
///
/// # Accuracy
/// The 10–90 % width of an edge is the predicted one within 6 %, in focus and out of it; most of that comes from the tails of
/// what lies beyond the opposite side of the region.
/// # Errors
/// [`PreviewError`] where the sharp picture is too small or too coarse.
pub fn preview(sharp: &Photo, sharp_scale: PxPerUm, shot: &Shot, seed: u64) -> Result<Preview, PreviewError> {
    let planned = shot.system.nominal_scale();
    if sharp_scale.get() < planned.get() {
        return Err(PreviewError::TooCoarse { sharp: sharp_scale.get(), planned: planned.get() });
    }
    let (width, height) = (sharp.width(), sharp.height());
    if width < SIDE || height < SIDE {
        return Err(PreviewError::TooSmall { width, height });
    }
    let blur = Blur::of(&shot.system, sharp_scale);
    let ratio = planned / sharp_scale;
    let side_px = ((SIDE as f64 * (1.0 - 2.0 * MARGIN)) * ratio).floor() as usize;
    if side_px < 16 {
        return Err(PreviewError::TooFewPixels { side_px });
    }
    let channels: Vec<Vec<u8>> = [Channel::Red, Channel::Green, Channel::Blue]
        .into_par_iter()
        .enumerate()
        .map(|(c, channel)| {
            let blurred = blurred(&sharp.light(channel), &blur);
            recorded(&blurred, ratio, side_px, shot.electrons, seed.wrapping_mul(3).wrapping_add(c as u64))
        })
        .collect();
    let rgb = (0..side_px * side_px).flat_map(|i| [channels[0][i], channels[1][i], channels[2][i]]).collect();
    Ok(Preview { side_px, rgb, scale: planned })
}

/// The blur of a system at the frequencies of the region.
struct Blur {
    /// Contrast of the optics at whole frequencies, cycles per region up to the corner.
    optics: Vec<f32>,
    /// Side of the planned pixel and path of the movement as shares of the region.
    pixel: f64,
    motion: f64,
}

impl Blur {
    fn of(system: &System, scale: PxPerUm) -> Self {
        let most = SIDE / 2 * 3 / 2;
        let region_um = SIDE as f64 / scale.get();
        Self {
            optics: (0..=most)
                .into_par_iter()
                .map(|k| system.contrast_of_optics(k as f64 / region_um) as f32)
                .collect(),
            pixel: system.pixel_footprint().get() / region_um,
            motion: system.motion().get() / region_um,
        }
    }

    /// Contrast at a frequency across and down, cycles per region.
    fn at(&self, across: f64, down: f64) -> f32 {
        let f = across.hypot(down);
        let (k, part) = (f as usize, f.fract() as f32);
        let optics = |k: usize| self.optics.get(k).copied().unwrap_or(0.0);
        let square = sinc(across * self.pixel) * sinc(down * self.pixel) * sinc(across * self.motion);
        (optics(k) * (1.0 - part) + optics(k + 1) * part) * square as f32
    }
}

fn sinc(x: f64) -> f64 {
    let t = std::f64::consts::PI * x;
    if t.abs() < 1e-6 { 1.0 } else { t.sin() / t }
}

/// The middle of a plane, multiplied by the contrast in the frequency domain.
fn blurred(light: &Light, blur: &Blur) -> Vec<f32> {
    let (x0, y0) = ((light.width() - SIDE) / 2, (light.height() - SIDE) / 2);
    let mut row = [0.0; SIDE];
    let mut plane: Vec<Complex<f32>> = Vec::with_capacity(SIDE * SIDE);
    for j in 0..SIDE {
        light.fill(x0, y0 + j, &mut row);
        plane.extend(row.iter().map(|v| Complex::new(*v, 0.0)));
    }
    let mut planner = FftPlanner::<f32>::new();
    let (forward, inverse) = (planner.plan_fft_forward(SIDE), planner.plan_fft_inverse(SIDE));
    both_ways(&mut plane, forward.as_ref());
    let signed = |k: usize| if k <= SIDE / 2 { k as f64 } else { k as f64 - SIDE as f64 };
    plane.par_chunks_mut(SIDE).enumerate().for_each(|(j, row)| {
        for (i, v) in row.iter_mut().enumerate() {
            *v *= blur.at(signed(i), signed(j));
        }
    });
    both_ways(&mut plane, inverse.as_ref());
    let norm = 1.0 / (SIDE * SIDE) as f32;
    plane.iter().map(|v| v.re * norm).collect()
}

/// Rows, then columns by way of the transposed plane. After two calls the plane stands upright again.
fn both_ways(plane: &mut Vec<Complex<f32>>, fft: &dyn Fft<f32>) {
    for _ in 0..2 {
        fft.process(plane);
        *plane = (0..SIDE * SIDE).map(|i| plane[i % SIDE * SIDE + i / SIDE]).collect();
    }
}

/// Sampled at the planned pixels, with noise, coded.
fn recorded(plane: &[f32], ratio: f64, side_px: usize, electrons: f64, seed: u64) -> Vec<u8> {
    let mut rng = Pcg64Mcg::seed_from_u64(seed);
    let from = SIDE as f64 * MARGIN;
    let sample = |x: f64, y: f64| -> f64 {
        let (u, v) = (from + x / ratio - 0.5, from + y / ratio - 0.5);
        let (i, j) = ((u as usize).min(SIDE - 2), (v as usize).min(SIDE - 2));
        let (a, b) = (u - i as f64, v - j as f64);
        let at = |i: usize, j: usize| f64::from(plane[j * SIDE + i]);
        (at(i, j) * (1.0 - a) + at(i + 1, j) * a) * (1.0 - b) + (at(i, j + 1) * (1.0 - a) + at(i + 1, j + 1) * a) * b
    };
    (0..side_px * side_px)
        .map(|i| {
            let light = sample((i % side_px) as f64 + 0.5, (i / side_px) as f64 + 0.5).max(0.0);
            let sd = (light * electrons + READ_NOISE_ELECTRONS.powi(2)).sqrt() / electrons;
            let noise: f64 = StandardNormal.sample(&mut rng);
            (255.0 * Transfer::Srgb.code((light + sd * noise).clamp(0.0, 1.0))).round() as u8
        })
        .collect()
}

/// The same region of the sharp picture itself, unblurred and without noise.
///
/// # Errors
/// [`PreviewError::TooSmall`] for a picture smaller than the region.
pub fn original(sharp: &Photo, sharp_scale: PxPerUm) -> Result<Preview, PreviewError> {
    let (width, height) = (sharp.width(), sharp.height());
    if width < SIDE || height < SIDE {
        return Err(PreviewError::TooSmall { width, height });
    }
    let side_px = (SIDE as f64 * (1.0 - 2.0 * MARGIN)) as usize;
    let (x0, y0) = ((width - side_px) / 2, (height - side_px) / 2);
    let planes = [Channel::Red, Channel::Green, Channel::Blue].map(|c| sharp.light(c));
    let code = |v: f32| (255.0 * Transfer::Srgb.code(f64::from(v).clamp(0.0, 1.0))).round() as u8;
    let rgb = (0..side_px * side_px)
        .flat_map(|i| planes.each_ref().map(|p| code(p.at(x0 + i % side_px, y0 + i / side_px))))
        .collect();
    Ok(Preview { side_px, rgb, scale: sharp_scale })
}

/// Several previews of the same region side by side at one size, as an opaque picture: columns, rows, red green blue.
#[must_use]
pub fn side_by_side(all: &[Preview]) -> (usize, usize, Vec<u8>) {
    const GAP: usize = 8;
    let tall = all.iter().map(|p| p.side_px).max().unwrap_or(0).max(600);
    let width = all.len() * tall + all.len().saturating_sub(1) * GAP;
    let mut rgb = vec![255_u8; width * tall * 3];
    for (n, p) in all.iter().enumerate() {
        for y in 0..tall {
            for x in 0..tall {
                // Every recorded pixel stays a square: what was recorded is shown, nothing between is made up.
                let from = 3 * ((y * p.side_px / tall) * p.side_px + x * p.side_px / tall);
                let to = 3 * (y * width + n * (tall + GAP) + x);
                rgb[to..to + 3].copy_from_slice(&p.rgb[from..from + 3]);
            }
        }
    }
    (width, tall, rgb)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::optics::{Aperture, ApertureNote, PupilMagnification};
    use crate::photo::Limits;
    use crate::units::Um;

    fn edge() -> Photo {
        let picture = image::GrayImage::from_fn(1100, 1100, |x, _| image::Luma([if x < 550 { 40 } else { 200 }]));
        let mut bytes = std::io::Cursor::new(Vec::new());
        picture.write_to(&mut bytes, image::ImageFormat::Png).expect("encodes");
        Photo::from_bytes(bytes.get_ref(), &Limits::default()).expect("opens")
    }

    fn shot(n: f64) -> Shot {
        let aperture =
            Aperture::new(ApertureNote::Marked(n), 5.0, PupilMagnification::Known(1.0)).expect("an aperture");
        Shot { system: System::in_focus(aperture, Um::new(3.72)).expect("a system"), electrons: ELECTRONS }
    }

    /// 10–90 % width of the edge, from the mean over rows in linear light.
    fn width_um(p: &Preview) -> f64 {
        let mean = |x: usize| {
            let code = |y: usize| f64::from(p.rgb[3 * (y * p.side_px + x)]) / 255.0;
            (0..p.side_px).map(|y| Transfer::Srgb.light(code(y))).sum::<f64>() / p.side_px as f64
        };
        let profile: Vec<f64> = (0..p.side_px).map(mean).collect();
        let light = |code: f64| Transfer::Srgb.light(code / 255.0);
        let (low, high) = (light(40.0), light(200.0));
        let crossing = |share: f64| -> f64 {
            let level = low + share * (high - low);
            let i = profile.windows(2).position(|w| w[0] < level && w[1] >= level).expect("crosses");
            i as f64 + (level - profile[i]) / (profile[i + 1] - profile[i])
        };
        (crossing(0.9) - crossing(0.1)) / p.scale.get()
    }

    #[test]
    fn an_edge_gets_the_predicted_width_in_focus_and_out_of_it() {
        for (n, defocus, motion) in [(5.6, 0.0, 0.0), (11.0, 0.0, 0.0), (5.6, 60.0, 0.0), (5.6, 0.0, 8.0)] {
            let mut shot = shot(n);
            shot.system = shot.system.with_defocus(Um::new(defocus)).expect("a distance");
            shot.system = shot.system.with_motion(Um::new(motion)).expect("a path");
            let p = preview(&edge(), PxPerUm::new(4.0), &shot, 7).expect("renders");
            let (w, predicted) = (width_um(&p), shot.system.w().expect("a width").get());
            let off = w / predicted - 1.0;
            assert!(off.abs() < 0.06, "f/{n} {defocus} µm off, {motion} µm moved: {w:.2} of {predicted:.2} µm");
        }
    }

    #[test]
    fn fewer_electrons_are_noisier_by_the_root() {
        let spread = |electrons: f64| {
            let p = preview(&edge(), PxPerUm::new(4.0), &Shot { electrons, ..shot(5.6) }, 3).expect("renders");
            let flat: Vec<f64> = (0..60 * 60)
                .map(|i| f64::from(p.rgb[3 * ((20 + i / 60) * p.side_px + p.side_px - 75 + i % 60)]) / 255.0)
                .map(|code| Transfer::Srgb.light(code))
                .collect();
            let mean = flat.iter().sum::<f64>() / flat.len() as f64;
            let variance = flat.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / flat.len() as f64;
            (mean, variance)
        };
        for electrons in [200.0, 1000.0] {
            let (mean, variance) = spread(electrons);
            // Shot noise of Poisson statistics and the read noise, of the mean light there.
            let wanted = (mean * electrons + READ_NOISE_ELECTRONS.powi(2)) / electrons.powi(2);
            assert!((variance / wanted - 1.0).abs() < 0.15, "{electrons}: {variance:e} of {wanted:e}");
        }
    }

    #[test]
    fn the_original_stays_as_it_is() {
        let p = original(&edge(), PxPerUm::new(4.0)).expect("cuts");
        let row = &p.rgb[..3 * p.side_px];
        assert!(row.iter().all(|v| *v == 40 || *v == 200));
        assert_eq!((row[0], row[row.len() - 1], p.scale), (40, 200, PxPerUm::new(4.0)));
    }

    #[test]
    fn a_picture_coarser_than_the_plan_is_refused() {
        let refused = preview(&edge(), PxPerUm::new(1.0), &shot(5.6), 1);
        assert!(matches!(refused, Err(PreviewError::TooCoarse { .. })));
    }
}
