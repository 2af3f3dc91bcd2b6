//! The light of the empty ground: a smooth surface through most of the picture.

use rayon::prelude::*;

use super::plane::Plane;
use crate::units::{Image, Point};

/// Tiles along a side.
const TILES: usize = 24;
/// Smallest tile, cells a side.
const LEAST_TILE: usize = 6;
/// Rounds with weights of least absolute values, then with Tukey's biweight.
const ROUNDS: (usize, usize) = (15, 12);
/// Tukey's constant for 95 % efficiency (Huber, Robust Statistics, 1981).
const TUKEY: f64 = 4.685;
/// Tiles along the border that a fit may begin from.
const BORDER: usize = 2;
/// What the tiles along the border tell is taken where half of all tiles follow it this much more closely.
const MUCH_BETTER: f64 = 0.5;
/// Light below this cannot be told apart in any picture.
const LEAST: f64 = 1e-5;

/// A quadratic surface of light.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Ground {
    coefficients: [f64; 6],
    middle_px: (f64, f64),
    half_px: (f64, f64),
    /// Standard deviation of a cell about the surface.
    pub(super) noise: f64,
}

/// A fitted surface, weights of the tiles, and how far half of them depart at most, as a standard deviation.
struct Settled {
    coefficients: [f64; 6],
    weights: Vec<f64>,
    scale: f64,
}

impl Ground {
    /// Fits the surface to medians of tiles: first by least absolute values, which animals on less than a third or so of the tiles
    /// cannot pull, then by biweights, which forget them.
    pub(super) fn of(plane: &Plane) -> Self {
        let (columns, rows) = (tiles(plane.width), tiles(plane.height));
        let step = plane.step_px as f64;
        let half_px = (0.5 * step * plane.width as f64, 0.5 * step * plane.height as f64);
        let corner = (plane.corner_px.0 as f64, plane.corner_px.1 as f64);
        let middle_px = (corner.0 + half_px.0, corner.1 + half_px.1);
        let mut ground = Self { coefficients: [0.0; 6], middle_px, half_px, noise: 0.0 };
        let medians: Vec<(Point<Image>, f64)> = (0..columns * rows)
            .into_par_iter()
            .map(|t| tile_median(plane, (t % columns, columns), (t / columns, rows)))
            .collect();
        // An animal on more of the frame than least absolute values bear leaves the tiles along the border; what half of all tiles follow better is ground.
        let border = |i: usize, n: usize| i < BORDER || i + BORDER >= n;
        let along: Vec<bool> =
            (0..medians.len()).map(|t| border(t % columns, columns) || border(t / columns, rows)).collect();
        let (all, border) = (ground.settled(&medians, |_| true), ground.settled(&medians, |t| along[t]));
        let best = if border.scale < MUCH_BETTER * all.scale { border } else { all };
        ground.coefficients = best.coefficients;
        ground.noise = ground.noise_of(plane, &best.weights, (columns, rows));
        ground
    }

    /// Coefficients by least absolute values over the tiles that take part, then by biweights over all.
    fn settled(&self, medians: &[(Point<Image>, f64)], part: impl Fn(usize) -> bool) -> Settled {
        let mut fit = self.clone();
        let mut weights: Vec<f64> = (0..medians.len()).map(|t| f64::from(u8::from(part(t)))).collect();
        let mut scale = f64::INFINITY;
        for round in 0..ROUNDS.0 + ROUNDS.1 {
            let Some(coefficients) = fit.solve(medians, &weights) else { break };
            fit.coefficients = coefficients;
            let residuals: Vec<f64> = medians.iter().map(|(p, v)| (v - fit.at(*p)).abs()).collect();
            scale = (1.4826 * middle_of(&mut residuals.clone())).max(LEAST);
            let weight = |(t, r): (usize, &f64)| {
                if round < ROUNDS.0 {
                    return if part(t) { 1.0 / r.max(LEAST) } else { 0.0 };
                }
                let u = r / (TUKEY * scale);
                if u < 1.0 { (1.0 - u * u).powi(2) } else { 0.0 }
            };
            weights = residuals.iter().enumerate().map(weight).collect();
        }
        Settled { coefficients: fit.coefficients, weights, scale }
    }

    /// Light of the ground at a place.
    pub(super) fn at(&self, p: Point<Image>) -> f64 {
        let terms = self.terms(p);
        self.coefficients.iter().zip(terms).map(|(c, t)| c * t).sum()
    }

    /// Light less the ground's, cell by cell.
    pub(super) fn departures(&self, plane: &Plane) -> Vec<f32> {
        let mut out = plane.values.clone();
        out.par_chunks_mut(plane.width.max(1)).enumerate().for_each(|(y, line)| {
            for (x, v) in line.iter_mut().enumerate() {
                *v -= self.at(plane.image_from_cells(x as f64 + 0.5, y as f64 + 0.5)) as f32;
            }
        });
        out
    }

    fn terms(&self, p: Point<Image>) -> [f64; 6] {
        let (x, y) = ((p.x - self.middle_px.0) / self.half_px.0, (p.y - self.middle_px.1) / self.half_px.1);
        [1.0, x, y, x * x, x * y, y * y]
    }

    fn solve(&self, medians: &[(Point<Image>, f64)], weights: &[f64]) -> Option<[f64; 6]> {
        let mut normal = nalgebra::Matrix6::<f64>::zeros();
        let mut right = nalgebra::Vector6::<f64>::zeros();
        for ((p, v), w) in medians.iter().zip(weights) {
            let t = nalgebra::Vector6::from(self.terms(*p));
            normal += t * t.transpose() * *w;
            right += t * (*w * v);
        }
        // A breath of ridge keeps few tiles solvable.
        let ridge = 1e-9 * normal.trace();
        (0..6).for_each(|i| normal[(i, i)] += ridge);
        normal.cholesky().map(|c| c.solve(&right).into())
    }

    /// From the cells of tiles that are ground.
    fn noise_of(&self, plane: &Plane, weights: &[f64], (columns, rows): (usize, usize)) -> f64 {
        let most = weights.iter().copied().fold(0.0, f64::max);
        let mut departures = Vec::new();
        for (t, w) in weights.iter().enumerate() {
            if *w < 0.3 * most {
                continue;
            }
            let (xs, ys) = (span(t % columns, columns, plane.width), span(t / columns, rows, plane.height));
            for y in ys.step_by(2) {
                for x in xs.clone().step_by(2) {
                    let p = plane.image_from_cells(x as f64 + 0.5, y as f64 + 0.5);
                    departures.push((f64::from(plane.values[y * plane.width + x]) - self.at(p)).abs());
                }
            }
        }
        (1.4826 * middle_of(&mut departures)).max(LEAST)
    }
}

fn tiles(cells: usize) -> usize {
    (cells / LEAST_TILE).clamp(1, TILES)
}

fn span(i: usize, n: usize, cells: usize) -> std::ops::Range<usize> {
    i * cells / n..(i + 1) * cells / n
}

fn tile_median(plane: &Plane, (i, columns): (usize, usize), (j, rows): (usize, usize)) -> (Point<Image>, f64) {
    let (xs, ys) = (span(i, columns, plane.width), span(j, rows, plane.height));
    let (x, y) = (0.5 * (xs.start + xs.end) as f64, 0.5 * (ys.start + ys.end) as f64);
    let mut values: Vec<f64> =
        ys.flat_map(|row| plane.values[row * plane.width..][xs.clone()].iter().map(|v| f64::from(*v))).collect();
    (plane.image_from_cells(x, y), middle_of(&mut values))
}

/// The median of unordered values; 0 of none.
pub(super) fn middle_of(values: &mut [f64]) -> f64 {
    if values.is_empty() {
        return 0.0;
    }
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, f64::total_cmp).1
}

#[cfg(test)]
mod tests {
    use super::super::plane::Window;
    use super::*;
    use crate::photo::Light;

    #[test]
    fn a_third_of_the_picture_does_not_pull_the_ground() {
        let (w, h) = (300, 220);
        let truth = |x: f64, y: f64| 0.5 - 0.0004 * x + 0.0003 * y - 1e-6 * (x - 150.0).powi(2);
        let values = (0..w * h)
            .map(|i| {
                let (x, y) = ((i % w) as f64 + 0.5, (i / w) as f64 + 0.5);
                let animal = (x - 120.0).hypot(y - 110.0) < 75.0;
                let grain = (((i * 7919) % 13) as f64 - 6.0) * 0.001;
                (if animal { 0.1 } else { truth(x, y) } + grain) as f32
            })
            .collect();
        let light = Light::new(w, h, values);
        let plane = Plane::of(&light, Window { left: 0, top: 0, width: w, height: h }, 1);
        let ground = Ground::of(&plane);
        for (x, y) in [(10.0, 10.0), (150.0, 110.0), (290.0, 15.0), (60.0, 200.0)] {
            let got = ground.at(Point::new(x, y));
            assert!((got - truth(x, y)).abs() < 2e-3, "{x}, {y}: {got} for {}", truth(x, y));
        }
        assert!((0.003..0.008).contains(&ground.noise), "{}", ground.noise);
    }
}
