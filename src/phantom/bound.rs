//! The Cramér–Rao bound: how well any unbiased reading can know the scale of a clean picture.

use nalgebra::DMatrix;
use rayon::prelude::*;

use super::SceneError;
use super::slide::{SlideScene, linear_light};

/// What the bound says about one picture, with the other parameters unknown.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ScaleBound {
    /// Least relative standard deviation of the scale.
    pub u_rel_scale: f64,
    /// Least standard deviation of the rotation, rad.
    pub u_rotation_rad: f64,
    /// Least standard deviation of the ruling's position along itself at the picture's centre, µm.
    pub u_along_um: f64,
}

/// Unknowns of the model, each with the step of its numeric derivative.
#[derive(Clone, Copy, Debug)]
enum Unknown {
    Scale,
    Rotation,
    Along,
    Across,
    LineWidth,
    Contrast,
    Background,
    Blur,
}

const UNKNOWNS: [Unknown; 8] = [
    Unknown::Scale,
    Unknown::Rotation,
    Unknown::Along,
    Unknown::Across,
    Unknown::LineWidth,
    Unknown::Contrast,
    Unknown::Background,
    Unknown::Blur,
];

impl Unknown {
    /// A step that moves lines by at most a tenth of a pixel, or the light by a few per cent.
    fn step(self, scene: &SlideScene) -> f64 {
        let half_diagonal_px = (scene.width_px as f64).hypot(scene.height_px as f64) / 2.0;
        match self {
            Self::Scale | Self::Rotation => 0.1 / half_diagonal_px,
            Self::Along | Self::Across => 0.1 / scene.px_per_um,
            Self::LineWidth | Self::Contrast | Self::Background | Self::Blur => 0.02,
        }
    }

    /// The scene with this parameter moved: the scale and the last four relatively, the others in rad and µm.
    fn moved(self, scene: &SlideScene, by: f64) -> SlideScene {
        let mut s = scene.clone();
        match self {
            Self::Scale => s.px_per_um *= 1.0 + by,
            Self::Rotation => s.rotation_deg += by.to_degrees(),
            Self::Along => s.centre_um[0] += by,
            Self::Across => s.centre_um[1] += by,
            Self::LineWidth => s.rulings.iter_mut().for_each(|r| r.line_um *= 1.0 + by),
            Self::Contrast => s.contrast = (s.contrast * (1.0 + by)).min(1.0),
            Self::Background => s.background *= 1.0 + by,
            Self::Blur => {
                s.effective_aperture *= 1.0 + by;
                s.extra_sigma_um *= 1.0 + by;
            }
        }
        s
    }
}

/// The Cramér–Rao bound of a clean scene: Fisher information over the scene's own model.
///
/// `F = Σ (∂μ/∂a)(∂μ/∂b) / σ²` over all samples of the linear light μ, with the variance of shot noise, read noise and
/// quantisation ([`super::Sensor::variance`]); the information in the variance itself is left out. Unknown are scale,
/// rotation, both offsets, line width, contrast, background and blur (aperture and Gaussian together); derivatives are
/// central differences of noiseless renderings. A picture in three colours counts all three.
///
/// # Accuracy
/// 1 % of the bound; the difference steps and the tables of the renderer leave less (test against `crb.csv` values).
///
/// # Errors
/// [`SceneError::Field`] for a field out of range, for dirt, scratches, distortion or tilt in the scene, for a scene without
/// noise, or where the information cannot be inverted (nothing in view).
pub fn scale_bound(scene: &SlideScene) -> Result<ScaleBound, SceneError> {
    let refused = |field, value, rule| Err(SceneError::Field { field, value, rule });
    if scene.dirt_specks > 0 || scene.scratches > 0 {
        return refused(
            "dirt_specks",
            f64::from(scene.dirt_specks + scene.scratches),
            "0 for the bound, scratches too",
        );
    }
    if scene.distortion.k1.abs() + scene.tilt_deg.abs() > 0.0 {
        return refused("k1", scene.distortion.k1, "0 for the bound, and tilt_deg too");
    }
    let Some(electrons) = scene.sensor.electrons_at_full_scale else {
        return refused("electrons_at_full_scale", 0.0, "given: without noise there is no bound");
    };
    let Some(covariance) = information(&derivatives(scene)?, &weights(scene)?).try_inverse() else {
        return refused("electrons_at_full_scale", electrons, "enough to see a ruling");
    };
    let u = |i: usize| covariance[(i, i)].max(0.0).sqrt();
    Ok(ScaleBound { u_rel_scale: u(0), u_rotation_rad: u(1), u_along_um: u(2) })
}

/// One over the variance of every sample.
fn weights(scene: &SlideScene) -> Result<Vec<f32>, SceneError> {
    let light = linear_light(scene)?;
    Ok(light.par_iter().map(|v| (1.0 / scene.sensor.variance(f64::from(*v))) as f32).collect())
}

/// Derivative of every sample by every unknown.
fn derivatives(scene: &SlideScene) -> Result<Vec<Vec<f32>>, SceneError> {
    let mut derivatives = Vec::with_capacity(UNKNOWNS.len());
    for unknown in UNKNOWNS {
        let h = unknown.step(scene);
        let (up, down) = (linear_light(&unknown.moved(scene, h))?, linear_light(&unknown.moved(scene, -h))?);
        // Contrast stops at 1: divide by the distance that was really moved.
        let span = match unknown {
            Unknown::Contrast => ((scene.contrast * (1.0 + h)).min(1.0) / scene.contrast - 1.0) + h,
            _ => 2.0 * h,
        };
        let scale = (1.0 / span) as f32;
        derivatives.push(up.par_iter().zip(&down).map(|(a, b)| (a - b) * scale).collect::<Vec<f32>>());
    }
    Ok(derivatives)
}

/// `Σ w ∂a ∂b` over all samples.
fn information(derivatives: &[Vec<f32>], weights: &[f32]) -> DMatrix<f64> {
    let n = derivatives.len();
    let mut matrix = DMatrix::zeros(n, n);
    for a in 0..n {
        for b in a..n {
            // Sums of 4096 in single steps keep the rounding small.
            let sum: f64 = derivatives[a]
                .par_chunks(4096)
                .zip(derivatives[b].par_chunks(4096))
                .zip(weights.par_chunks(4096))
                .map(|((a, b), w)| {
                    a.iter().zip(b).zip(w).map(|((a, b), w)| f64::from(*a) * f64::from(*b) * f64::from(*w)).sum::<f64>()
                })
                .sum();
            matrix[(a, b)] = sum;
            matrix[(b, a)] = sum;
        }
    }
    matrix
}

#[cfg(test)]
mod tests {
    use super::super::field::clean_scene;
    use super::super::optics::{SystemMtf, box_response, edge_response};
    use super::super::picture::Coding;
    use super::super::slide::{Ruling, Tier, linear_light_in_steps};
    use super::*;

    /// A Gaussian blur with or without a pixel of 1 µm (here 1 px); the optical part is far too fine to matter.
    fn blur(sigma: f64, pixel: bool) -> SystemMtf {
        SystemMtf {
            cutoff_per_um: 4000.0,
            defocus_phase: 0.0,
            sigma_um: sigma,
            pixel_um: f64::from(u8::from(pixel)),
            normal_rad: 0.0,
        }
    }

    /// 21 or 81 samples of an edge or line of height 100.
    fn profile(line: bool, sigma: f64, pixel: bool, x0: f64, half: i32) -> Vec<f64> {
        let step = 0.02;
        let response =
            if line { box_response(&blur(sigma, pixel), 0.01, step) } else { edge_response(&blur(sigma, pixel), step) };
        // The reference line is a Gaussian with peak 100 before the pixel.
        let height = if line { 100.0 * sigma * (2.0 * std::f64::consts::PI).sqrt() / 0.01 } else { 100.0 };
        (-half..=half).map(|k| height * response.at(f64::from(k) - x0)).collect()
    }

    #[test]
    fn single_profiles_meet_the_reference() {
        // crb.csv of the reference values (NumPy, closed forms): kind, sigma, phase, half window, pixel, nuisance, bound
        // in px for A = 100 and noise 2. Nuisance: offset, amplitude and sigma unknown.
        for (line, phase, half, pixel, nuisance, want) in [
            (false, 0.0, 10, true, false, 0.046_542),
            (false, 0.0, 10, true, true, 0.054_027),
            (false, 0.25, 40, false, true, 0.047_712),
            (false, 0.25, 40, true, true, 0.048_181),
            (true, 0.0, 10, false, false, 0.026_020),
            (true, 0.25, 10, true, true, 0.026_746),
        ] {
            let at = |x0: f64, sigma: f64| profile(line, sigma, pixel, x0, half);
            let difference = |a: Vec<f64>, b: Vec<f64>, h: f64| -> Vec<f32> {
                a.iter().zip(&b).map(|(a, b)| ((a - b) / h) as f32).collect()
            };
            let mut derivatives = vec![difference(at(phase + 0.05, 1.5), at(phase - 0.05, 1.5), 0.1)];
            if nuisance {
                let value = at(phase, 1.5);
                derivatives.push(vec![1.0; value.len()]);
                derivatives.push(value.iter().map(|v| *v as f32).collect());
                derivatives.push(difference(at(phase, 1.52), at(phase, 1.48), 0.04));
            }
            let weights = vec![0.25_f32; derivatives[0].len()];
            let bound = information(&derivatives, &weights).try_inverse().unwrap()[(0, 0)].sqrt();
            assert!((bound / want - 1.0).abs() < 3e-3, "line {line} phase {phase} half {half}: {bound} {want}");
        }
    }

    #[test]
    fn many_lines_follow_the_slope_of_a_straight_fit() {
        // u(slope) = u_line / √Σ(x − x̄)², and u_line of one line from the same bound with offset alone unknown.
        // Eleven equal lines, horizontal rows: scale and offset decouple about the middle line.
        let mut scene = clean_scene(0);
        scene.rulings = vec![Ruling {
            division_um: 60.0,
            divisions: 10,
            tiers: vec![Tier { every: 1, length_um: 200.0 }],
            ..Ruling::default()
        }];
        (scene.px_per_um, scene.rotation_deg, scene.centre_um) = (1.0, 0.0, [300.0, 100.0]);
        scene.sensor.coding = Coding::LinearGray;
        let bound = scale_bound(&scene).unwrap();
        let u_line = bound.u_along_um * 11.0_f64.sqrt();
        let want = u_line / (110.0_f64.sqrt() * 60.0);
        assert!((bound.u_rel_scale / want - 1.0).abs() < 0.02, "{} {want}", bound.u_rel_scale);
    }

    /// A clean scene in a small frame: 240 × 180 px in the middle of it.
    fn small(seed: u64) -> SlideScene {
        SlideScene { width_px: 240, height_px: 180, seed, ..clean_scene(seed) }
    }

    /// The bound, and the relative change of the scale that a change of the picture amounts to: one step of weighted least
    /// squares.
    fn bound_and_shift(scene: &SlideScene, change: &[f32]) -> Option<(f64, f64)> {
        let (derivatives, weights) = (derivatives(scene).unwrap(), weights(scene).unwrap());
        let score = derivatives.iter().map(|d| {
            let terms = d.iter().zip(&weights).zip(change);
            terms.map(|((d, w), c)| f64::from(*d) * f64::from(*w) * f64::from(*c)).sum::<f64>()
        });
        let covariance = information(&derivatives, &weights).try_inverse()?;
        let by = score.enumerate().map(|(i, s)| covariance[(0, i)] * s).sum();
        Some((covariance[(0, 0)].max(0.0).sqrt(), by))
    }

    /// The picture as recorded, linear light in every channel, less the noiseless one.
    fn noise_of(scene: &SlideScene) -> Vec<f32> {
        let picture = super::super::slide::render(scene).unwrap().picture;
        let super::super::Samples::Srgb8(codes) = &picture.samples else { unreachable!("clean scenes have 8 bit") };
        let linear = codes.iter().map(|c| super::super::picture::linear_of_srgb(f64::from(*c) / 255.0) as f32);
        linear.zip(linear_light(scene).unwrap()).map(|(a, b)| a - b).collect()
    }

    #[test]
    fn the_best_fit_reaches_the_bound() {
        let ratios: Vec<f64> = (0..30)
            .filter_map(|seed| {
                let scene = small(seed);
                let (bound, error) = bound_and_shift(&scene, &noise_of(&scene))?;
                // With nothing but a few lines in the small frame the linear step does not hold.
                (bound < 1e-3).then_some(error / bound)
            })
            .collect();
        // The rms of n normal values is known to 1/√(2n).
        let n = ratios.len() as f64;
        let rms = (ratios.iter().map(|r| r * r).sum::<f64>() / n).sqrt();
        assert!(n >= 15.0 && (rms - 1.0).abs() < 3.0 / (2.0 * n).sqrt(), "rms {rms} of {n}");
    }

    #[test]
    fn the_tables_do_not_move_the_scale() {
        let scene = clean_scene(4);
        let (coarse, fine) = (linear_light(&scene).unwrap(), linear_light_in_steps(&scene, 0.008));
        let change: Vec<f32> = coarse.iter().zip(&fine).map(|(a, b)| a - b).collect();
        let (bound, by) = bound_and_shift(&scene, &change).unwrap();
        assert!(by.abs() < 0.01 * bound, "{by} of {bound}");
    }

    #[test]
    fn four_times_the_light_halves_the_bound() {
        let mut scene = small(2);
        scene.sensor.read_noise_electrons = 0.0;
        scene.sensor.coding = Coding::LinearGray;
        let one = scale_bound(&scene).unwrap().u_rel_scale;
        scene.sensor.electrons_at_full_scale = scene.sensor.electrons_at_full_scale.map(|e| 4.0 * e);
        let four = scale_bound(&scene).unwrap().u_rel_scale;
        assert!((one / four - 2.0).abs() < 1e-3, "{one} {four}");
        scene.dirt_specks = 1;
        assert!(scale_bound(&scene).is_err());
    }
}
