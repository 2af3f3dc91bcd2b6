//! The Cramér–Rao bound of an antenna's segments: what no unbiased fit of the rendered picture can do better than.
//!
//! `F = Σ (∂μ/∂a)(∂μ/∂b) / σ²` over all pixels of the noiseless light μ, with the variance of shot noise, read noise and quantisation.
//! Unknown are length, turn, widths and tone of every segment, where the antenna springs from the body, the body's size, end
//! and place, the light and the blur; the texture of the skin is left out. Nothing is known before.
//!
//! Beside it, what mottled skin does to the fit that reaches the bound on even skin: `F⁻¹ Σ (∂μ/∂a) δ / σ²` for the light δ that
//! other draws of the texture add. A fit that knows how mottling runs together does better than that, so the two enclose what can be had.

use motestick::phantom::animal::{AnimalScene, Limb, linear_light, render};
use nalgebra::{DMatrix, DVector};

use super::trial::{Regime, fit_frame, scene_of};

/// A segment of a rendered animal: its length over the blur spot, the least relative standard deviation of its length on even skin, and that
/// of the same fit on mottled skin.
pub(crate) struct Bound {
    pub(crate) spots: f64,
    pub(crate) u_rel: f64,
    pub(crate) mottled_rel: f64,
}

/// Draws of the skin's texture.
const TEXTURES: u64 = 24;

/// Change of a parameter for its derivative.
const STEP: f64 = 0.02;

/// One unknown: what it does to a scene, moved by a small number.
type Unknown = Box<dyn Fn(&mut AnimalScene, f64)>;

/// The same of a limb.
type Change = Box<dyn Fn(&mut Limb, f64)>;

fn antenna(scene: &mut AnimalScene) -> Option<&mut Limb> {
    scene.animals[0].animal.limbs.iter_mut().find(|l| l.name == "antenna left")
}

fn unknowns(segments: usize) -> Vec<Unknown> {
    let mut all: Vec<Unknown> = Vec::new();
    let mut of_antenna = |change: Change| {
        all.push(Box::new(move |scene, by| {
            if let Some(limb) = antenna(scene) {
                change(limb, by);
            }
        }));
    };
    // The lengths first.
    for i in 0..segments {
        of_antenna(Box::new(move |l, by| l.segments[i].length_um *= 1.0 + by));
    }
    for i in 0..segments {
        of_antenna(Box::new(move |l, by| l.segments[i].turn_deg += by.to_degrees()));
        of_antenna(Box::new(move |l, by| l.segments[i].width_um *= 1.0 + by));
        of_antenna(Box::new(move |l, by| l.segments[i].joint_um *= 1.0 + by));
        of_antenna(Box::new(move |l, by| l.segments[i].tone *= 1.0 + by));
    }
    of_antenna(Box::new(|l, by| l.along += 0.2 * by));
    let mut of_scene = |change: fn(&mut AnimalScene, f64)| all.push(Box::new(change));
    of_scene(|s, by| s.animals[0].animal.breadth_um *= 1.0 + by);
    of_scene(|s, by| s.animals[0].animal.length_um *= 1.0 + by);
    of_scene(|s, by| s.animals[0].animal.caps[0] *= 1.0 + by);
    of_scene(|s, by| s.animals[0].animal.tone *= 1.0 + by);
    of_scene(|s, by| s.animals[0].heading_deg += 0.2 * by.to_degrees());
    of_scene(|s, by| s.animals[0].position_um[0] += 10.0 * by);
    of_scene(|s, by| s.animals[0].position_um[1] += 10.0 * by);
    of_scene(|s, by| s.background *= 1.0 + by);
    of_scene(|s, by| s.effective_aperture *= 1.0 + by);
    all
}

/// The bounds of all segments of the animal of one seed; empty where the scene cannot be drawn.
pub(crate) fn bounds(regime: Regime, seed: u64) -> Vec<Bound> {
    of_scene(scene_of(regime, seed)).unwrap_or_default()
}

fn of_scene(mut scene: AnimalScene) -> Option<Vec<Bound>> {
    fit_frame(&mut scene)?;
    let mottled = scene.clone();
    scene.texture = 0.0;
    let w_um = render(&scene).ok()?.truth?.blur_spot_um;
    let lengths: Vec<f64> = antenna(&mut scene)?.segments.iter().map(|s| s.length_um).collect();
    let even = linear_light(&scene).ok()?;
    let weights: Vec<f64> = even.iter().map(|v| 1.0 / scene.sensor.variance(f64::from(*v))).collect();
    let mut slopes = Vec::new();
    for change in unknowns(lengths.len()) {
        let moved = |by: f64| {
            let mut scene = scene.clone();
            change(&mut scene, by);
            linear_light(&scene).ok()
        };
        let (up, down) = (moved(STEP)?, moved(-STEP)?);
        slopes.push(up.iter().zip(&down).map(|(a, b)| f64::from(a - b) / (2.0 * STEP)).collect::<Vec<f64>>());
    }
    let n = slopes.len();
    let information = DMatrix::from_fn(n, n, |a, b| {
        slopes[a].iter().zip(&slopes[b]).zip(&weights).map(|((x, y), w)| x * y * w).sum::<f64>()
    });
    let covariance = information.try_inverse()?;
    let mut by_texture = vec![0.0; lengths.len()];
    for k in 1..=TEXTURES {
        let light = linear_light(&AnimalScene { seed: mottled.seed.wrapping_add(k << 32), ..mottled.clone() }).ok()?;
        let added: Vec<f64> = light.iter().zip(&even).zip(&weights).map(|((a, b), w)| f64::from(a - b) * w).collect();
        let pull = DVector::from_fn(n, |a, _| slopes[a].iter().zip(&added).map(|(s, d)| s * d).sum::<f64>());
        let moved = &covariance * pull;
        by_texture.iter_mut().zip(moved.iter()).for_each(|(sum, by)| *sum += by * by / TEXTURES as f64);
    }
    let bound = |(i, length): (usize, &f64)| {
        let variance = covariance[(i, i)].max(0.0);
        Bound { spots: length / w_um, u_rel: variance.sqrt(), mottled_rel: (variance + by_texture[i]).sqrt() }
    };
    Some(lengths.iter().enumerate().map(bound).collect())
}
