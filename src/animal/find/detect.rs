//! Which piece of the picture is the animal.

use super::NotFound;
use super::body::Body;
use super::ground::{Ground, middle_of};
use super::mask::{Mask, Piece};
use super::plane::{Plane, Window};
use crate::animal::outline::{area, convex_hull, outline_of_cells, perimeter, smoothed};
use crate::photo::Light;

/// Cells of the plane on which the whole picture is searched.
const SEARCH_CELLS: f64 = 400_000.0;
/// Longest side of the animal on the plane on which its parts are told apart, cells.
const ANIMAL_CELLS: usize = 420;
/// Light departs from the ground where it lies this many standard deviations away.
const SIGNIFICANT: f64 = 6.0;
/// And by this share of what departing cells usually do.
const SHARE: f64 = 0.25;
/// Pieces looked at more closely.
const MOST: usize = 8;
/// Bumps of the outline up to this share of the body's half breadth make it ragged.
const CALMING: f64 = 0.25;
/// By which power a ragged outline counts against a piece.
const RAGGED: i32 = 9;
/// And by which a dented one.
const DENTED: i32 = 4;
/// Thick parts hold a disc of this share of the greatest half breadth.
const CORE: f64 = 0.55;
/// A piece with fewer cells is a speck.
const LEAST_CELLS: usize = 24;

/// The animal chosen, on a plane of its own.
#[derive(Clone, Debug)]
pub(super) struct Chosen {
    pub(super) plane: Plane,
    pub(super) ground: Ground,
    pub(super) body: Body,
    /// Score of the next best piece over its own.
    pub(super) rival: f64,
    /// Blur spot or width of the edges, the larger, px.
    pub(super) edge_w_px: f64,
    /// Noise of a cell of the search over the body's departure.
    pub(super) noise_share: f64,
}

/// A piece as a candidate.
struct Candidate {
    body: Body,
    window: Window,
    score: f64,
}

/// Chooses the largest animal.
pub(super) fn choose(light: &Light) -> Result<Chosen, NotFound> {
    let (width, height) = (light.width(), light.height());
    if width < 16 || height < 16 {
        return Err(NotFound::TooSmall { width_px: width, height_px: height });
    }
    let step = ((width as f64 * height as f64 / SEARCH_CELLS).sqrt().ceil() as usize).max(1);
    let plane = Plane::of(light, Window { left: 0, top: 0, width, height }, step);
    let ground = Ground::of(&plane);
    let departures = ground.departures(&plane);
    let threshold = threshold_of(&departures, ground.noise)?;
    let beyond =
        Mask::new(plane.width, plane.height, departures.iter().map(|d| f64::from(d.abs()) > threshold).collect());
    let pieces = beyond.pieces(true);
    let large = pieces.iter().take(MOST).filter(|p| p.len() >= LEAST_CELLS);
    let mut candidates: Vec<Candidate> = large.filter_map(|p| candidate(&plane, &departures, p, threshold)).collect();
    candidates.sort_by(|a, b| b.score.total_cmp(&a.score));
    let mut ordered = candidates.into_iter();
    let Some(best) = ordered.next() else {
        return Err(NotFound::OnlySpecks { pieces: pieces.len() });
    };
    let rival = ordered.next().map_or(0.0, |r| r.score / best.score);
    let noise_share = ground.noise / best.body.level.abs().max(1e-9);
    let closer = closer(light, &ground, &plane, &best, threshold);
    let (plane, body) = closer.ok_or(NotFound::OnlySpecks { pieces: pieces.len() })?;
    if body.on_border > 0.4 {
        return Err(NotFound::CutOff { percent: 100.0 * body.on_border });
    }
    Ok(Chosen { plane, ground, body, rival, edge_w_px: 0.0, noise_share })
}

/// Departures above this belong to something.
fn threshold_of(departures: &[f32], noise: f64) -> Result<f64, NotFound> {
    let least = SIGNIFICANT * noise;
    let mut beyond: Vec<f64> = departures.iter().map(|d| f64::from(d.abs())).filter(|d| *d > least).collect();
    if beyond.len() < LEAST_CELLS {
        return Err(NotFound::Empty { noise_percent: 100.0 * noise });
    }
    Ok(least.max(SHARE * middle_of(&mut beyond)))
}

fn candidate(plane: &Plane, departures: &[f32], piece: &Piece, threshold: f64) -> Option<Candidate> {
    let [left, top, right, bottom] = piece.bounds;
    let margin = 3;
    let (x0, y0) = (left.saturating_sub(margin), top.saturating_sub(margin));
    let (x1, y1) = ((right + 1 + margin).min(plane.width), (bottom + 1 + margin).min(plane.height));
    let (w, h) = (x1 - x0, y1 - y0);
    let cut: Vec<f32> =
        (y0..y1).flat_map(|y| departures[y * plane.width + x0..y * plane.width + x1].to_vec()).collect();
    let step = plane.step_px;
    let window = Window { left: x0 * step, top: y0 * step, width: w * step, height: h * step };
    let part = Plane { width: w, height: h, step_px: step, corner_px: (window.left, window.top), values: Vec::new() };
    let mut seed = Mask::new(w, h, vec![false; w * h]);
    for cell in &piece.cells {
        let (x, y) = (*cell as usize % plane.width, *cell as usize / plane.width);
        seed.cells[(y - y0) * w + x - x0] = true;
    }
    let body = Body::of(&part, &cut, &seed, threshold)?;
    let score = score_of(&body);
    Some(Candidate { body, window, score })
}

/// The area of the body's thick parts, less where it is ragged, as clumps are, or cut off by the border.
fn score_of(body: &Body) -> f64 {
    let cells = &body.body;
    let outline = outline_of_cells(cells.width, cells.height, |x, y| cells.cells[y * cells.width + x]);
    let solid = area(&outline) / area(&convex_hull(&outline)).max(1.0);
    let calm = perimeter(&smoothed(&outline, CALMING * f64::from(body.radius))) / perimeter(&outline).max(1.0);
    let core = cells.opened(&body.depth, (CORE * f64::from(body.radius)) as f32).count() as f64;
    core * solid.powi(DENTED) * calm.powi(RAGGED) * (1.0 - body.on_border).powi(2)
}

/// The same piece on a finer plane that holds little more than the animal.
fn closer(light: &Light, ground: &Ground, coarse: &Plane, best: &Candidate, threshold: f64) -> Option<(Plane, Body)> {
    let longest = best.window.width.max(best.window.height);
    let step = (longest / ANIMAL_CELLS).clamp(1, coarse.step_px);
    let margin = (longest / 12).max(8 * step).max(coarse.step_px);
    let (left, top) = (best.window.left.saturating_sub(margin), best.window.top.saturating_sub(margin));
    let right = (best.window.left + best.window.width + margin).min(light.width());
    let bottom = (best.window.top + best.window.height + margin).min(light.height());
    let plane = Plane::of(light, Window { left, top, width: right - left, height: bottom - top }, step);
    let mut departures = ground.departures(&plane);
    level_off(&mut departures, threshold);
    let inside = |i: usize| {
        let p = plane.image_from_cells((i % plane.width) as f64 + 0.5, (i / plane.width) as f64 + 0.5);
        let (x, y) = ((p.x as usize).checked_sub(best.window.left)?, (p.y as usize).checked_sub(best.window.top)?);
        let (x, y) = (x / coarse.step_px, y / coarse.step_px);
        let mask = &best.body.body;
        (x < mask.width && y < mask.height).then(|| mask.cells[y * mask.width + x])
    };
    let seed = Mask::new(plane.width, plane.height, (0..plane.values.len()).map(|i| inside(i) == Some(true)).collect());
    let body = Body::of(&plane, &departures, &seed, threshold)?;
    Some((plane, body))
}

/// Takes off what the smooth ground leaves beside the animal.
fn level_off(departures: &mut [f32], threshold: f64) {
    let mut about: Vec<f64> = departures.iter().map(|d| f64::from(*d)).filter(|d| d.abs() < threshold).collect();
    if about.len() * 8 > departures.len() {
        let offset = middle_of(&mut about) as f32;
        departures.iter_mut().for_each(|d| *d -= offset);
    }
}
