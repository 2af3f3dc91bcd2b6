//! Dirt and scratches: they hinder a reading but carry no truth, so plain shapes with soft edges do.

use rand::RngExt;
use rand_pcg::Pcg64Mcg;

use super::super::random::{Stream, generator};
use super::super::strokes::soft_step;
use super::scene::SlideScene;

/// Share of light that dirt and scratches take away, one value a pixel; `None` on a clean slide.
pub(crate) fn veil(scene: &SlideScene, sharp_px: f64) -> Option<Vec<f32>> {
    if scene.dirt_specks == 0 && scene.scratches == 0 {
        return None;
    }
    let mut clear = vec![1.0_f32; scene.width_px * scene.height_px];
    let mut rng = generator(scene.seed, Stream::Dirt, 0);
    for _ in 0..scene.dirt_specks {
        speck(&mut clear, scene, sharp_px, &mut rng);
    }
    let mut rng = generator(scene.seed, Stream::Scratches, 0);
    for _ in 0..scene.scratches {
        scratch(&mut clear, scene, sharp_px, &mut rng);
    }
    for v in &mut clear {
        *v = 1.0 - *v;
    }
    Some(clear)
}

/// An ellipse with a soft rim, sharp or out of focus; the more blurred the fainter.
fn speck(clear: &mut [f32], scene: &SlideScene, sharp_px: f64, rng: &mut Pcg64Mcg) {
    let (w, h) = (scene.width_px as f64, scene.height_px as f64);
    let centre = [rng.random_range(-10.0..w + 10.0), rng.random_range(-10.0..h + 10.0)];
    let a_px = scene.px_per_um * 2.0_f64.powf(rng.random_range(0.3..3.6)) + 0.5;
    let b_px = a_px * rng.random_range(0.5..1.0);
    let (sin, cos) = rng.random_range(0.0..std::f64::consts::PI).sin_cos();
    let blurred = rng.random_bool(0.6);
    let soft_px = if blurred { sharp_px + a_px * rng.random_range(0.3..1.0) } else { sharp_px };
    let opacity = rng.random_range(0.3..1.0) * if blurred { 0.7 } else { 1.0 };
    let reach = a_px + 3.0 * soft_px;
    for_box(scene, centre, reach, |x, y, i| {
        let (dx, dy) = (x - centre[0], y - centre[1]);
        let (u, v) = ((dx * cos + dy * sin) / a_px, (dy * cos - dx * sin) / b_px);
        let rho = u.hypot(v);
        // Distance to the rim along the ray, good enough for dirt.
        let distance = (rho - 1.0) * (a_px + b_px) / 2.0;
        clear[i] *= 1.0 - (opacity * soft_step(-distance / soft_px)) as f32;
    });
}

/// A straight line right through the picture, one to a few pixels wide, its strength wandering along it.
fn scratch(clear: &mut [f32], scene: &SlideScene, sharp_px: f64, rng: &mut Pcg64Mcg) {
    let (w, h) = (scene.width_px as f64, scene.height_px as f64);
    let through = [rng.random_range(0.0..w), rng.random_range(0.0..h)];
    let (sin, cos) = rng.random_range(0.0..std::f64::consts::PI).sin_cos();
    let half_px = rng.random_range(0.3..1.2);
    let soft_px = sharp_px.max(0.5);
    let opacity = rng.random_range(0.3..0.9);
    let (phase, wave) = (rng.random_range(0.0..6.0), rng.random_range(60.0..400.0));
    let reach = half_px + 3.0 * soft_px;
    let mut mark = |x: usize, y: usize| {
        let (dx, dy) = (x as f64 + 0.5 - through[0], y as f64 + 0.5 - through[1]);
        let (off, along) = (dy * cos - dx * sin, dx * cos + dy * sin);
        if off.abs() < reach {
            let cover = soft_step((half_px - off) / soft_px) - soft_step((-half_px - off) / soft_px);
            let strength = opacity * (0.85 + 0.15 * (along / wave + phase).sin());
            clear[y * scene.width_px + x] *= 1.0 - (strength * cover) as f32;
        }
    };
    // Walk along the longer direction so that every pixel near the line is met once.
    if cos.abs() >= sin.abs() {
        for x in 0..scene.width_px {
            let y = through[1] + (x as f64 + 0.5 - through[0]) * sin / cos;
            (window(y, reach / cos.abs(), scene.height_px)).for_each(|y| mark(x, y));
        }
    } else {
        for y in 0..scene.height_px {
            let x = through[0] + (y as f64 + 0.5 - through[1]) * cos / sin;
            (window(x, reach / sin.abs(), scene.width_px)).for_each(|x| mark(x, y));
        }
    }
}

fn window(centre: f64, reach: f64, size: usize) -> std::ops::Range<usize> {
    let from = (centre - reach - 1.0).max(0.0) as usize;
    let to = ((centre + reach + 1.0).max(0.0) as usize).min(size);
    from..to
}

fn for_box(scene: &SlideScene, centre: [f64; 2], reach: f64, mut f: impl FnMut(f64, f64, usize)) {
    for y in window(centre[1], reach, scene.height_px) {
        for x in window(centre[0], reach, scene.width_px) {
            f(x as f64 + 0.5, y as f64 + 0.5, y * scene.width_px + x);
        }
    }
}
