//! Scene in, picture and truth out.

use rayon::prelude::*;

use super::super::SceneError;
use super::super::optics::{SystemMtf, edge_response};
use super::super::picture::Picture;
use super::dirt;
use super::dots::dot_truth;
use super::family::{Drawn, Family, Tables};
use super::ink::{burn_in, figures};
use super::map::SlideMap;
use super::scene::SlideScene;
use super::truth::{SlideTruth, fold_direction_deg, graduation_truth};

/// A picture with its truth.
#[derive(Clone, Debug, PartialEq)]
pub struct Rendered {
    /// The picture.
    pub picture: Picture,
    /// What was drawn.
    pub truth: SlideTruth,
}

/// Renders a scene: noise, coding and all.
///
/// # Errors
/// [`SceneError`] for a field out of range or a coding that cannot be had.
pub fn render(scene: &SlideScene) -> Result<Rendered, SceneError> {
    scene.check()?;
    let drawn = draw_by_lot(scene);
    let light = light_of(scene, &drawn, STEP_PX);
    let picture = scene.sensor.record(scene.width_px, light, scene.seed)?;
    Ok(Rendered { picture, truth: truth_of(scene, &drawn) })
}

/// Linear light on the sensor without noise, channels interleaved as the scene's coding has them, full scale 1.
///
/// # Errors
/// [`SceneError::Field`] for a field out of range.
pub fn linear_light(scene: &SlideScene) -> Result<Vec<f32>, SceneError> {
    scene.check()?;
    Ok(light_of(scene, &draw_by_lot(scene), STEP_PX))
}

/// Distance between samples of the tables, px.
const STEP_PX: f64 = 0.03;

/// [`linear_light`] with tables of another step, to see what they cost.
#[cfg(test)]
pub(crate) fn linear_light_in_steps(scene: &SlideScene, step_px: f64) -> Vec<f32> {
    light_of(scene, &draw_by_lot(scene), step_px)
}

fn draw_by_lot(scene: &SlideScene) -> Vec<Drawn> {
    scene.rulings.iter().enumerate().map(|(i, r)| Drawn::by_lot(r, scene.seed, i)).collect()
}

/// Weights of the colours in luminance.
const LUMINANCE: [f64; 3] = [0.2126, 0.7152, 0.0722];

/// One system MTF a colour at `defocus_um` from focus.
fn colours(scene: &SlideScene, defocus_um: f64) -> Vec<SystemMtf> {
    let na = scene.numerical_aperture();
    scene
        .wavelengths_um
        .iter()
        .map(|wavelength_um| SystemMtf {
            cutoff_per_um: 2.0 * na / wavelength_um,
            defocus_phase: 4.0 * std::f64::consts::PI * defocus_um.abs() * na * na / wavelength_um,
            sigma_um: scene.extra_sigma_um,
            pixel_um: scene.pixel_um(),
            normal_rad: scene.rotation_deg.to_radians(),
        })
        .collect()
}

/// Distances from focus at which tables are made; between them the light is interpolated.
fn focus_levels(scene: &SlideScene, map: &SlideMap) -> Vec<f64> {
    let (w, h) = (scene.width_px as f64, scene.height_px as f64);
    let at = |x: f64, y: f64| map.on_slide(x, y).defocus_um;
    let corners = [at(0.0, 0.0), at(w, 0.0), at(0.0, h), at(w, h)];
    let low = corners.iter().copied().fold(f64::INFINITY, f64::min);
    let high = corners.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let na = scene.numerical_aperture();
    let depth_um = scene.wavelengths_um[0] / (na * na);
    // A tenth of the depth of field between levels keeps the interpolation below 1e-3 of the contrast.
    let steps = ((high - low) / (0.1 * depth_um)).ceil().clamp(0.0, 16.0) as usize;
    if high - low < 0.02 * depth_um {
        return vec![(low + high) / 2.0];
    }
    (0..=steps.max(1)).map(|i| low + (high - low) * i as f64 / steps.max(1) as f64).collect()
}

/// Least and greatest slide x and y in the picture: from its rim, where they must lie.
fn visible_um(scene: &SlideScene, map: &SlideMap) -> [(f64, f64); 2] {
    let (w, h) = (scene.width_px as f64, scene.height_px as f64);
    let mut range = [(f64::INFINITY, f64::NEG_INFINITY); 2];
    for i in 0..=64 {
        let t = f64::from(i) / 64.0;
        for (x, y) in [(t * w, 0.0), (t * w, h), (0.0, t * h), (w, t * h)] {
            let p = map.on_slide(x, y);
            for (r, v) in range.iter_mut().zip([p.x_um, p.y_um]) {
                *r = (r.0.min(v), r.1.max(v));
            }
        }
    }
    let margin = 2.0 * scene.pixel_um();
    range.map(|(low, high)| (low - margin, high + margin))
}

fn light_of(scene: &SlideScene, drawn: &[Drawn], step_px: f64) -> Vec<f32> {
    let map = SlideMap::of(scene);
    let levels = focus_levels(scene, &map);
    let visible = visible_um(scene, &map);
    let step_um = scene.pixel_um() * if levels.len() > 1 { 2.0 * step_px } else { step_px };
    let families: Vec<Vec<Family>> = levels
        .par_iter()
        .map(|defocus_um| {
            let colours = colours(scene, *defocus_um);
            let tables = Tables { colours: &colours, visible_um: visible, step_um };
            scene.rulings.iter().zip(drawn).flat_map(|(r, g)| Family::of(r, g, &tables)).collect()
        })
        .collect();
    let soft = scene.dirt_specks + scene.scratches > 0 || scene.rulings.iter().any(|r| r.figures_um.is_some());
    let soft_px = if soft { 0.4 * blur_spot_um(scene) * scene.px_per_um } else { 1.0 };
    let veil = dirt::veil(scene, soft_px);
    let ink = figures(scene, &map, soft_px);
    let channels = scene.sensor.coding.channels();
    let row_length = scene.width_px * channels;
    let mut light = vec![0.0_f32; row_length * scene.height_px];
    let ground = Ground::of(scene);
    light.par_chunks_mut(row_length).enumerate().for_each(|(row, values)| {
        for (column, out) in values.chunks_exact_mut(channels).enumerate() {
            let (x, y) = (column as f64 + 0.5, row as f64 + 0.5);
            let p = map.on_slide(x, y);
            let mut cover = cover_at(&families, &levels, p);
            if let Some(ink) = &ink {
                cover = cover.map(|c| c.max(ink[row * scene.width_px + column]));
            }
            let dirt = veil.as_ref().map_or(0.0, |v| v[row * scene.width_px + column]);
            ground.light(x, y, cover, dirt, out);
        }
    });
    burn_in(scene, &mut light, channels);
    light
}

#[inline]
fn cover_at(families: &[Vec<Family>], levels: &[f64], p: super::map::OnSlide) -> [f32; 4] {
    let at = |level: usize| {
        let mut cover = [0.0; 4];
        families[level].iter().for_each(|f| f.cover(p.x_um, p.y_um, &mut cover));
        cover
    };
    if levels.len() == 1 {
        return at(0);
    }
    let step = levels[1] - levels[0];
    let t = ((p.defocus_um - levels[0]) / step).clamp(0.0, (levels.len() - 1) as f64);
    let i = (t as usize).min(levels.len() - 2);
    let f = (t - i as f64) as f32;
    let (a, b) = (at(i), at(i + 1));
    std::array::from_fn(|k| a[k] + f * (b[k] - a[k]))
}

/// Illumination and what lines and dirt do to it.
struct Ground {
    centre: [f64; 2],
    per_corner2: f64,
    vignette: f64,
    gradient: [f64; 2],
    background: f64,
    floor: f32,
    contrast: f32,
    dirt_light: f32,
    dark_field: bool,
    colours: usize,
}

impl Ground {
    fn of(scene: &SlideScene) -> Self {
        let (w, h) = (scene.width_px as f64, scene.height_px as f64);
        let (sin, cos) = scene.gradient_direction_deg.to_radians().sin_cos();
        Self {
            centre: [w / 2.0, h / 2.0],
            per_corner2: 4.0 / (w * w + h * h),
            vignette: scene.vignette,
            gradient: [scene.gradient * cos / w, scene.gradient * sin / w],
            background: scene.background,
            floor: scene.dark_floor as f32,
            contrast: scene.contrast as f32,
            dirt_light: scene.contrast.max(0.3) as f32,
            dark_field: scene.dark_field,
            colours: scene.wavelengths_um.len(),
        }
    }

    #[inline]
    fn light(&self, x: f64, y: f64, cover: [f32; 4], dirt: f32, out: &mut [f32]) {
        let (dx, dy) = (x - self.centre[0], y - self.centre[1]);
        let falloff = 1.0 - self.vignette * (dx * dx + dy * dy) * self.per_corner2;
        let slope = 1.0 + dx * self.gradient[0] + dy * self.gradient[1];
        let shine = (self.background * (falloff * slope).max(0.0)) as f32;
        let of = |c: f32| {
            if self.dark_field {
                shine * (self.floor + self.contrast * c * (1.0 - dirt) + self.dirt_light * dirt)
            } else {
                shine * (1.0 - self.contrast * c) * (1.0 - dirt)
            }
        };
        match (out.len(), self.colours) {
            (1, 3) => {
                let mean: f64 = (0..3).map(|k| LUMINANCE[k] * f64::from(cover[k])).sum();
                out[0] = of(mean as f32);
            }
            (3, 3) => (0..3).for_each(|k| out[k] = of(cover[k])),
            _ => out.fill(of(cover[0])),
        }
    }
}

/// 10-90 % width at the picture's centre, colours weighted as luminance, µm.
fn blur_spot_um(scene: &SlideScene) -> f64 {
    let colours = colours(scene, scene.defocus_um);
    let step_um = scene.pixel_um() * 0.05;
    let edges: Vec<_> = colours.iter().map(|c| edge_response(c, step_um)).collect();
    let weights: &[f64] = if edges.len() == 3 { &LUMINANCE } else { &[1.0] };
    let at = |x: f64| -> f64 { edges.iter().zip(weights).map(|(e, w)| w * e.at(x)).sum() };
    let reach = edges.iter().map(super::super::optics::Response::reach_um).fold(0.0, f64::max);
    let crossing = |level: f64| {
        let (mut low, mut high) = (-reach, reach);
        for _ in 0..60 {
            let mid = (low + high) / 2.0;
            if at(mid) < level { low = mid } else { high = mid }
        }
        (low + high) / 2.0
    };
    crossing(0.9) - crossing(0.1)
}

fn truth_of(scene: &SlideScene, drawn: &[Drawn]) -> SlideTruth {
    let map = SlideMap::of(scene);
    let centre = crate::units::Point::new(scene.centre_um[0], scene.centre_um[1]);
    let local = map.local_px_per_um(centre);
    let turned = scene.rulings.first().is_some_and(|r| r.across);
    let blur_spot_um = blur_spot_um(scene);
    let (mut graduations, mut dots) = (Vec::new(), Vec::new());
    for (i, (ruling, drawn)) in scene.rulings.iter().zip(drawn).enumerate() {
        match drawn {
            Drawn::Lines(lines) => graduations.extend(graduation_truth(scene, ruling, i, lines, &map)),
            Drawn::Dots(_, plate) => dots.extend(dot_truth(scene, ruling, i, plate, &map)),
        }
    }
    SlideTruth {
        px_per_um: scene.px_per_um,
        local_px_per_um: local[usize::from(turned)],
        rotation_deg: fold_direction_deg(scene.rotation_deg + if turned { 90.0 } else { 0.0 }),
        blur_spot_um,
        blur_spot_px: blur_spot_um * scene.px_per_um,
        graduations,
        dots,
    }
}

#[cfg(test)]
mod tests {
    use super::super::{Distortion, DistortionForm, Ruling, Tier};
    use super::*;
    use crate::phantom::{Coding, Sensor};
    use crate::units::Point;

    fn noiseless() -> Sensor {
        Sensor { electrons_at_full_scale: None, coding: Coding::LinearGray, ..Sensor::default() }
    }

    #[test]
    fn line_centroids_are_where_the_map_says() {
        for (form, rotation_deg) in
            [(DistortionForm::IdealFromRecorded, 13.0), (DistortionForm::RecordedFromIdeal, -7.0)]
        {
            let scene = SlideScene {
                rulings: vec![Ruling {
                    division_um: 80.0,
                    divisions: 12,
                    tiers: vec![Tier { every: 1, length_um: 300.0 }],
                    placement_sd_um: 0.3,
                    ..Ruling::default()
                }],
                centre_um: [400.0, 150.0],
                rotation_deg,
                distortion: Distortion { k1: 0.01, form },
                tilt_deg: 1.0,
                wavelengths_um: vec![0.55],
                sensor: noiseless(),
                ..SlideScene::default()
            };
            let rendered = render(&scene).unwrap();
            let light = rendered.picture.linear_luminance();
            let map = SlideMap::of(&scene);
            let mut worst = 0.0_f64;
            for g in &rendered.truth.graduations {
                let middle = [0, 1].map(|k| (g.ends_px[0][k] + g.ends_px[1][k]) / 2.0);
                let row = middle[1].floor();
                // Where the line crosses the row: the slide x grows with the column.
                let (mut low, mut high) = (middle[0] - 20.0, middle[0] + 20.0);
                for _ in 0..60 {
                    let mid = (low + high) / 2.0;
                    let p = map.slide_from_image(Point::new(mid, row + 0.5));
                    if p.x < g.along_um { low = mid } else { high = mid }
                }
                let (mut sum, mut moment) = (0.0, 0.0);
                let first = low.round() as usize - 25;
                for column in first..first + 50 {
                    let taken = 0.6 - f64::from(light[row as usize * scene.width_px + column]);
                    // A smooth window about the truth keeps the far tails out without shifting the centroid.
                    let x = column as f64 + 0.5 - low;
                    let weight = taken * (-(x / 9.0).powi(4)).exp();
                    sum += weight;
                    moment += weight * x;
                }
                worst = worst.max((moment / sum).abs());
            }
            assert!(worst < 1e-3, "{form:?}: worst centroid error {worst} px");
        }
    }

    #[test]
    fn defocus_from_tilt_blurs_one_side_only() {
        // 30° recedes along x: the tables at several focus levels must meet the single-level picture at the centre column.
        let base = SlideScene { wavelengths_um: vec![0.55], sensor: noiseless(), ..SlideScene::default() };
        let sloped = SlideScene { defocus_slope: 0.3, ..base.clone() };
        let (a, b) = (linear_light(&base).unwrap(), linear_light(&sloped).unwrap());
        let swing = |light: &[f32], from: usize| {
            let row = &light[440 * 1200 + from..440 * 1200 + from + 60];
            row.iter().fold(0.0_f32, |m, v| m.max(*v)) - row.iter().fold(1.0_f32, |m, v| m.min(*v))
        };
        assert!((swing(&a, 570) - swing(&b, 570)).abs() < 0.03 * swing(&a, 570), "same at the centre");
        assert!(swing(&b, 1000) < 0.5 * swing(&a, 1000), "{} {}", swing(&b, 1000), swing(&a, 1000));
    }

    #[test]
    fn bad_scenes_are_refused_with_the_field() {
        let error = render(&SlideScene { px_per_um: 0.0, ..SlideScene::default() }).unwrap_err();
        assert_eq!(error.to_string(), "px_per_um is 0; it must be above 0");
    }
}
