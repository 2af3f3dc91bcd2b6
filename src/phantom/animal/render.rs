//! Scene in, picture and truth out.

use rand::RngExt;
use rand_pcg::Pcg64Mcg;
use rayon::prelude::*;

use super::super::SceneError;
use super::super::optics::{SystemMtf, edge_response};
use super::super::picture::Picture;
use super::super::random::{Stream, generator};
use super::super::slide::{SlideMap, SlideScene};
use super::blur::{Grid, blurred};
use super::body::Body;
use super::coverage::Patch;
use super::limb::round;
use super::part::parallel;
use super::scene::{AnimalScene, Placed};
use super::truth::{AnimalTruth, truth_of};
use crate::units::Point;

/// A picture with the truth of its first animal (`None` in an empty picture).
#[derive(Clone, Debug, PartialEq)]
pub struct RenderedAnimal {
    /// The picture.
    pub picture: Picture,
    /// What was drawn.
    pub truth: Option<AnimalTruth>,
}

/// Renders a scene: noise, tone, coding and all.
///
/// # Errors
/// [`SceneError`] for a field out of range or a coding that cannot be had.
pub fn render(scene: &AnimalScene) -> Result<RenderedAnimal, SceneError> {
    let light = linear_light(scene)?;
    let picture = scene.sensor.record(scene.width_px, light, scene.seed)?;
    Ok(RenderedAnimal { picture, truth: truth_of(scene, blur_spot_um(scene)) })
}

/// Linear light on the sensor without noise, channels interleaved as the scene's coding has them, full scale 1.
///
/// # Errors
/// [`SceneError::Field`] for a field out of range.
pub fn linear_light(scene: &AnimalScene) -> Result<Vec<f32>, SceneError> {
    scene.check()?;
    let colours = colours(scene);
    let reach_px =
        colours.iter().map(|c| 6.0 / c.cutoff_per_um + 3.0 * c.sigma_um).fold(0.0, f64::max) * scene.px_per_um;
    let grid = Grid::new(scene.width_px, scene.height_px, 8 + reach_px.min(120.0) as usize);
    let mut layer = Layer { grid, columns: grid.columns(), tones: vec![0.0; grid.columns() * grid.rows()] };
    draw(scene, &mut layer);
    let tones = blurred(&grid, &layer.tones, &colours, scene.px_per_um);
    Ok(lit(scene, &tones))
}

/// From an animal's own plane to the picture.
#[derive(Clone, Debug)]
pub(crate) struct Placement {
    turn: (f64, f64),
    position_um: [f64; 2],
    tilt: [f64; 2],
    shrink: f64,
    lens: SlideMap,
}

impl Placement {
    pub(crate) fn of(scene: &AnimalScene, placed: &Placed) -> Self {
        let azimuth = scene.tilt_azimuth_deg.to_radians();
        let lens = SlideMap::of(&SlideScene {
            width_px: scene.width_px,
            height_px: scene.height_px,
            px_per_um: scene.px_per_um,
            distortion: scene.distortion,
            rotation_deg: 0.0,
            centre_um: [0.0, 0.0],
            ..SlideScene::default()
        });
        Self {
            turn: placed.heading_deg.to_radians().sin_cos(),
            position_um: placed.position_um,
            tilt: [azimuth.cos(), azimuth.sin()],
            shrink: 1.0 - scene.tilt_deg.to_radians().cos(),
            lens,
        }
    }

    /// µm from the picture's centre as the picture shows it: turned, foreshortened about the animal's middle, moved.
    pub(crate) fn flat(&self, p: [f64; 2]) -> [f64; 2] {
        let (sin, cos) = self.turn;
        let w = [p[0] * cos - p[1] * sin, p[0] * sin + p[1] * cos];
        let along = (w[0] * self.tilt[0] + w[1] * self.tilt[1]) * self.shrink;
        [w[0] - along * self.tilt[0] + self.position_um[0], w[1] - along * self.tilt[1] + self.position_um[1]]
    }

    /// Image position, px.
    pub(crate) fn image(&self, p: [f64; 2]) -> [f64; 2] {
        self.of_flat(self.flat(p))
    }

    fn of_flat(&self, [x, y]: [f64; 2]) -> [f64; 2] {
        let q = self.lens.image_from_slide(Point::new(x, y));
        [q.x, q.y]
    }
}

/// Tones on the grid's cells, composed part by part.
struct Layer {
    grid: Grid,
    columns: usize,
    tones: Vec<f32>,
}

impl Layer {
    /// Lays a polygon (image px) over what is there; `tone` takes the cell's image position in px.
    fn lay(&mut self, polygon_px: &[[f64; 2]], tone: impl Fn(f64, f64) -> f32) {
        let cells: Vec<[f64; 2]> = polygon_px.iter().map(|p| self.grid.cells_from_image(*p)).collect();
        let Some(patch) = Patch::of(&cells) else { return };
        let origin = self.grid.cells_from_image([0.0, 0.0])[0];
        let per_px = super::blur::CELLS as f64;
        let rows = self.grid.rows() as i64;
        for (j, values) in patch.values.chunks(patch.columns).enumerate() {
            let y = patch.row + j as i64;
            if y < 0 || y >= rows {
                continue;
            }
            for (i, cover) in values.iter().enumerate() {
                let x = patch.column + i as i64;
                if *cover > 0.0 && x >= 0 && x < self.columns as i64 {
                    let v = &mut self.tones[y as usize * self.columns + x as usize];
                    let at = |k: i64| (k as f64 + 0.5 - origin) / per_px;
                    *v += cover * (tone(at(x), at(y)) - *v);
                }
            }
        }
    }
}

fn draw(scene: &AnimalScene, layer: &mut Layer) {
    let mut rng = generator(scene.seed, Stream::Dirt, 0);
    for _ in 0..scene.debris {
        speck(scene, layer, &mut rng);
    }
    // The picture shows a dark animal larger, a bright one smaller, than it is.
    let grow_um = if scene.bright_on_dark { -scene.threshold_um } else { scene.threshold_um };
    let texture = Texture::new(scene);
    for placed in scene.animals.iter().skip(1).chain(scene.animals.first()) {
        let body = Body::of(&placed.animal);
        let placement = Placement::of(scene, placed);
        let shown = |polygon: &[[f64; 2]]| -> Vec<[f64; 2]> {
            let flat: Vec<[f64; 2]> = polygon.iter().map(|p| placement.flat(*p)).collect();
            parallel(&flat, grow_um).into_iter().map(|p| placement.of_flat(p)).collect()
        };
        let beneath = placed.animal.wings.iter().flat_map(|w| w.polygons(&body));
        for (polygon, tone) in beneath.chain(placed.animal.limbs.iter().flat_map(|l| l.polygons(&body))) {
            layer.lay(&shown(&polygon), |x, y| (tone * texture.half_at(x, y)) as f32);
        }
        let tone = placed.animal.tone;
        layer.lay(&shown(&body.outline()), |x, y| (tone * texture.at(x, y)) as f32);
        for [along, across, radius_um, spot_tone] in &placed.animal.spots {
            let spot = round(body.point(*along, *across), *radius_um);
            let on_picture: Vec<_> = spot.iter().map(|p| placement.image(*p)).collect();
            layer.lay(&on_picture, |_, _| *spot_tone as f32);
        }
    }
    if let Some(placed) = scene.animals.first() {
        highlights(scene, placed, layer);
    }
}

/// Bright reflections on the body, well within it or toward its rim.
fn highlights(scene: &AnimalScene, placed: &Placed, layer: &mut Layer) {
    let mut rng = generator(scene.seed, Stream::Scratches, 0);
    let body = Body::of(&placed.animal);
    let placement = Placement::of(scene, placed);
    for _ in 0..scene.highlights {
        let (along, across) = (rng.random_range(0.1..0.9), rng.random_range(-0.8..0.8));
        let centre = body.point(along, across);
        let room = body.half_breadth_um(along) * (1.0_f64 - f64::abs(across));
        let (a, b) = (room * rng.random_range(0.2..0.7), room * rng.random_range(0.1..0.4));
        let (sin, cos) = (body.heading(along) + rng.random_range(-0.4..0.4)).sin_cos();
        let ring: Vec<[f64; 2]> = round([0.0, 0.0], 1.0)
            .iter()
            .map(|p| {
                let (u, v) = (p[0] * a, p[1] * b);
                placement.image([centre[0] + u * cos - v * sin, centre[1] + u * sin + v * cos])
            })
            .collect();
        // A highlight is light: a dark animal takes nothing away there, a bright one shines more.
        let tone = if scene.bright_on_dark { 1.1 } else { 0.05 };
        layer.lay(&ring, |_, _| tone);
    }
}

/// A grain of debris away from the measured animal.
fn speck(scene: &AnimalScene, layer: &mut Layer, rng: &mut Pcg64Mcg) {
    let (w, h) = (scene.width_px as f64, scene.height_px as f64);
    let radius = scene.px_per_um * 2.0_f64.powf(rng.random_range(0.0..3.5));
    let (flat, turn) = (rng.random_range(0.4..1.0), rng.random_range(0.0..std::f64::consts::PI));
    let tone = rng.random_range(0.15..0.7);
    let mut centre = [0.0, 0.0];
    for _ in 0..20 {
        centre = [rng.random_range(0.0..w), rng.random_range(0.0..h)];
        let clear = scene.animals.first().is_none_or(|placed| {
            let at = Placement::of(scene, placed).image([0.0, 0.0]);
            let reach = 0.6 * placed.animal.length_um * scene.px_per_um;
            (centre[0] - at[0]).hypot(centre[1] - at[1]) > reach + radius
        });
        if clear {
            break;
        }
    }
    let (sin, cos) = turn.sin_cos();
    let ring: Vec<[f64; 2]> = round([0.0, 0.0], radius)
        .iter()
        .map(|p| [centre[0] + p[0] * cos - p[1] * flat * sin, centre[1] + p[0] * sin + p[1] * flat * cos])
        .collect();
    layer.lay(&ring, |_, _| tone as f32);
}

/// Mottled tone: random values on a lattice, smoothed between its points.
struct Texture {
    depth: f64,
    per_px: f64,
    seed: u64,
}

impl Texture {
    fn new(scene: &AnimalScene) -> Self {
        Self { depth: scene.texture, per_px: 1.0 / (scene.texture_grain_um * scene.px_per_um), seed: scene.seed }
    }

    /// Factor on the tone at an image position.
    fn at(&self, x: f64, y: f64) -> f64 {
        if self.depth == 0.0 {
            return 1.0;
        }
        // Two lattices turned against each other hide each other's rows.
        let (u, v) = (x * self.per_px, y * self.per_px);
        let first = self.smoothed(0.8 * u + 0.6 * v, 0.8 * v - 0.6 * u, self.seed);
        let second = self.smoothed(0.447 * u - 0.894 * v, 0.447 * v + 0.894 * u, !self.seed);
        // Lattice values are uniform in ±1; smoothing leaves each a standard deviation of about 0.43.
        (1.0 + self.depth * (first + second) / (0.43 * std::f64::consts::SQRT_2)).max(0.2)
    }

    fn smoothed(&self, u: f64, v: f64, seed: u64) -> f64 {
        let (i, j) = (u.floor(), v.floor());
        let smooth = |t: f64| t * t * (3.0 - 2.0 * t);
        let (s, t) = (smooth(u - i), smooth(v - j));
        let value = |i: f64, j: f64| lattice(seed, i as i64, j as i64);
        (1.0 - t) * ((1.0 - s) * value(i, j) + s * value(i + 1.0, j))
            + t * ((1.0 - s) * value(i, j + 1.0) + s * value(i + 1.0, j + 1.0))
    }

    fn half_at(&self, x: f64, y: f64) -> f64 {
        0.5 * (1.0 + self.at(x, y))
    }
}

/// A random value in ±1 for a lattice point.
fn lattice(seed: u64, i: i64, j: i64) -> f64 {
    let mut z = seed ^ (i as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ (j as u64).wrapping_mul(0xc2b2_ae3d_27d4_eb4f);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 52) as f64 - 1.0
}

fn colours(scene: &AnimalScene) -> Vec<SystemMtf> {
    let na = scene.numerical_aperture();
    scene
        .wavelengths_um
        .iter()
        .map(|wavelength_um| SystemMtf {
            cutoff_per_um: 2.0 * na / wavelength_um,
            defocus_phase: 4.0 * std::f64::consts::PI * scene.defocus_um.abs() * na * na / wavelength_um,
            sigma_um: scene.extra_sigma_um,
            pixel_um: 1.0 / scene.px_per_um,
            normal_rad: 0.0,
        })
        .collect()
}

/// Weights of the colours in luminance.
const LUMINANCE: [f64; 3] = [0.2126, 0.7152, 0.0722];

fn blur_spot_um(scene: &AnimalScene) -> f64 {
    let colours = colours(scene);
    let edges: Vec<_> = colours.iter().map(|c| edge_response(c, 0.05 / scene.px_per_um)).collect();
    let weights: &[f64] = if edges.len() == 3 { &LUMINANCE } else { &[1.0] };
    let at = |x: f64| -> f64 { edges.iter().zip(weights).map(|(e, w)| w * e.at(x)).sum() };
    let reach = edges.iter().map(super::super::optics::Response::reach_um).fold(0.0, f64::max);
    let (mut low, mut high) = (0.0, reach);
    for _ in 0..60 {
        let mid = (low + high) / 2.0;
        if at(mid) < 0.9 { low = mid } else { high = mid }
    }
    // The response is symmetric: the 10 % point mirrors the 90 % point.
    low + high
}

/// Light from blurred tones.
fn lit(scene: &AnimalScene, tones: &[Vec<f32>]) -> Vec<f32> {
    let channels = scene.sensor.coding.channels();
    let (w, h) = (scene.width_px as f64, scene.height_px as f64);
    let (sin, cos) = scene.gradient_direction_deg.to_radians().sin_cos();
    let mut light = vec![0.0_f32; scene.width_px * scene.height_px * channels];
    light.par_chunks_mut(scene.width_px * channels).enumerate().for_each(|(row, values)| {
        for (column, out) in values.chunks_exact_mut(channels).enumerate() {
            let (dx, dy) = (column as f64 + 0.5 - w / 2.0, row as f64 + 0.5 - h / 2.0);
            let falloff = 1.0 - scene.vignette * 4.0 * (dx * dx + dy * dy) / (w * w + h * h);
            let slope = 1.0 + scene.gradient * (dx * cos + dy * sin) / w;
            let shine = scene.background * (falloff * slope).max(0.0);
            let of = |tone: f64| {
                (shine * if scene.bright_on_dark { scene.dark_floor + tone } else { (1.0 - tone).max(0.0) }) as f32
            };
            let tone = |k: usize| f64::from(tones[k][row * scene.width_px + column]);
            match (channels, tones.len()) {
                (1, 3) => out[0] = of((0..3).map(|k| LUMINANCE[k] * tone(k)).sum()),
                (3, 3) => (0..3).for_each(|k| out[k] = of(tone(k))),
                _ => out.fill(of(tone(0))),
            }
        }
    });
    light
}
