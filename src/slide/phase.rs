//! The phase of a candidate ruling over the picture: which graduation, and how far between two, at every point.
//!
//! Each strip is cut into cells one pitch long; the first Fourier coefficient of a cell gives the local phase. Missing, faint and
//! dirty graduations only weaken it. From the strongest place outward a low-order polynomial is fitted to
//! the phases, never jumping by a whole graduation because each step predicts the next.

use super::rectify::Strips;
use nalgebra::{DMatrix, DVector};
use rayon::prelude::*;
use rustfft::num_complex::Complex;

/// Highest total degree of the phase polynomial; 3 covers perspective and radial distortion.
const DEGREE: usize = 3;
/// Terms of a polynomial of that degree in two variables.
const TERMS: usize = (DEGREE + 1) * (DEGREE + 2) / 2;

/// Most cells that the polynomial is grown through.
const MOST_GROWN: usize = 12_000;
/// Fewest cells that are worth a thread's while.
const LEAST_PART: usize = 1024;

/// Phase in graduations as a polynomial of `(t, s)`.
#[derive(Clone, Debug)]
pub(super) struct Phase {
    /// Coefficients of u^i v^k, (i, k) in the order of [`powers`]; u = t/unit, v = s/unit.
    coefficients: [f64; TERMS],
    unit_px: f64,
}

/// The monomials in their order: 1, u, v, u², uv, v², u³, u²v, uv², v³.
fn monomials(u: f64, v: f64) -> [f64; TERMS] {
    [1.0, u, v, u * u, u * v, v * v, u * u * u, u * u * v, u * v * v, v * v * v]
}

/// Weighted sums of squares for the first `terms` coefficients.
struct Sums {
    terms: usize,
    normal: [[f64; TERMS]; TERMS],
    right: [f64; TERMS],
    total: f64,
}

impl Sums {
    /// For a polynomial of this degree.
    const fn of_degree(degree: usize) -> Self {
        let terms = (degree + 1) * (degree + 2) / 2;
        Self { terms, normal: [[0.0; TERMS]; TERMS], right: [0.0; TERMS], total: 0.0 }
    }

    /// One place with what the polynomial should be there. All terms are summed, also those that are not asked for: the loops
    /// have a fixed length then.
    fn add(&mut self, (u, v): (f64, f64), target: f64, weight: f64) {
        let basis = monomials(u, v);
        self.total += weight;
        for ((row, right), a) in self.normal.iter_mut().zip(&mut self.right).zip(&basis) {
            let weighted = weight * a;
            *right += weighted * target;
            row.iter_mut().zip(&basis).for_each(|(sum, b)| *sum += weighted * b);
        }
    }

    /// Adds what another one has summed.
    fn join(&mut self, other: &Self) {
        self.total += other.total;
        for ((row, right), (more, add)) in
            self.normal.iter_mut().zip(&mut self.right).zip(other.normal.iter().zip(&other.right))
        {
            *right += add;
            row.iter_mut().zip(more).for_each(|(sum, v)| *sum += v);
        }
    }

    /// The coefficients, those beyond the degree zero; a ridge of this share towards the old ones decides what the data leave open.
    fn solve(&self, old: &[f64; TERMS], ridge: f64) -> Option<[f64; TERMS]> {
        let ridge = ridge * self.total;
        let diagonal = |a: usize, b: usize| if a == b { ridge } else { 0.0 };
        let normal = DMatrix::from_fn(self.terms, self.terms, |a, b| self.normal[a][b] + diagonal(a, b));
        let right = DVector::from_fn(self.terms, |a, _| self.right[a] + ridge * old[a]);
        let x = normal.cholesky()?.solve(&right);
        Some(std::array::from_fn(|i| x.get(i).copied().unwrap_or(0.0)))
    }
}

impl Phase {
    /// Graduations at `(t, s)`.
    pub(super) fn at(&self, t: f64, s: f64) -> f64 {
        let (u, v) = (t / self.unit_px, s / self.unit_px);
        let c = &self.coefficients;
        c[0] + u * (c[1] + u * (c[3] + u * c[6] + v * c[7]) + v * (c[4] + v * c[8]))
            + v * (c[2] + v * (c[5] + v * c[9]))
    }

    /// Derivatives along `t` and `s`, graduations per px.
    pub(super) fn gradient(&self, t: f64, s: f64) -> (f64, f64) {
        let (u, v) = (t / self.unit_px, s / self.unit_px);
        let c = &self.coefficients;
        let by_u = c[1] + u * (2.0 * c[3] + 3.0 * u * c[6] + 2.0 * v * c[7]) + v * (c[4] + v * c[8]);
        let by_v = c[2] + v * (2.0 * c[5] + 3.0 * v * c[9] + 2.0 * u * c[8]) + u * (c[4] + u * c[7]);
        (by_u / self.unit_px, by_v / self.unit_px)
    }

    /// `t` where the phase at this `s` is `k`, by Newton steps from a guess; `None` where they do not settle.
    pub(super) fn t_of(&self, k: f64, s: f64, guess: f64) -> Option<f64> {
        let mut t = guess;
        for _ in 0..20 {
            let slope = self.gradient(t, s).0;
            let step = (k - self.at(t, s)) / slope;
            if !step.is_finite() || slope <= 0.0 {
                return None;
            }
            t += step;
            if step.abs() < 1e-7 / slope {
                return Some(t);
            }
        }
        None
    }

    /// The smooth phase through located graduations `(t, s, k, weight)`, starting from this one; weights are relative.
    pub(super) fn through(&self, points: &[(f64, f64, f64, f64)]) -> Self {
        let mut sums = Sums::of_degree(DEGREE);
        for (t, s, k, w) in points {
            sums.add((t / self.unit_px, s / self.unit_px), *k, *w);
        }
        let coefficients = sums.solve(&self.coefficients, 1e-9).unwrap_or(self.coefficients);
        Self { coefficients, unit_px: self.unit_px }
    }

    /// The same map counted in other graduations: `(phase − offset) · factor`.
    pub(super) fn recounted(&self, offset: f64, factor: f64) -> Self {
        let mut coefficients = self.coefficients.map(|c| c * factor);
        coefficients[0] -= offset * factor;
        Self { coefficients, unit_px: self.unit_px }
    }
}

/// The phase found and where it holds.
#[derive(Clone, Debug)]
pub(super) struct Tracked {
    pub(super) phase: Phase,
    /// Per strip and pitch cell: in step with the polynomial.
    pub(super) in_step: Vec<bool>,
    pub(super) cells: usize,
    /// `t` of the centre of cell 0 and the cell length, px.
    pub(super) first_t: f64,
    pub(super) cell_px: f64,
}

#[derive(Clone, Copy)]
struct Cell {
    t: f64,
    s: f64,
    /// Phase by which the cell is ahead of the carrier, cycles.
    ahead: f64,
    weight: f64,
    index: usize,
}

/// The part of a frame where a wave was seen before, px.
#[derive(Clone, Copy, Debug)]
pub(super) struct Seen {
    pub(super) t: (f64, f64),
    pub(super) s: (f64, f64),
}

impl Seen {
    fn holds(&self, p: &Cell) -> bool {
        p.t > self.t.0 && p.t < self.t.1 && p.s > self.s.0 && p.s < self.s.1
    }
}

/// Follows the ruling of about `pitch_px` from its strongest place in the part where it was seen.
pub(super) fn track(strips: &Strips, pitch_px: f64, seen: Seen) -> Option<Tracked> {
    let per_cell = pitch_px / strips.dt;
    let cells = (strips.cells as f64 / per_cell).floor() as usize;
    if cells < 4 {
        return None;
    }
    let rows = strips.s.len();
    let mut raw = vec![Complex::new(0.0, 0.0); rows * cells];
    raw.par_chunks_exact_mut(cells).enumerate().for_each(|(j, out)| {
        let row = strips.strip(j);
        for (c, z) in out.iter_mut().enumerate() {
            *z = coefficient(row, strips, c, per_cell, pitch_px).unwrap_or_default();
        }
    });
    let smooth = smoothed(&raw, cells);
    let cell_t = |i: usize| strips.t0 + ((i % cells) as f64 + 0.5) * pitch_px;
    let coherent = |i: &usize| smooth[*i].level > 0.0 && smooth[*i].size > 0.6 * smooth[*i].level;
    // Scratches and specks are far stronger than faint graduations: none may weigh more than a strong graduation does.
    let cap = {
        let inside = |i: &usize| coherent(i) && cell_t(*i) > seen.t.0 && cell_t(*i) < seen.t.1;
        let mut sizes: Vec<f64> = (0..rows * cells).filter(inside).map(|i| smooth[i].size).collect();
        if sizes.len() < 4 {
            return None;
        }
        let place = sizes.len() * 7 / 10;
        1.3 * *sizes.select_nth_unstable_by(place, f64::total_cmp).1
    };
    let points: Vec<Cell> = (0..rows * cells)
        .into_par_iter()
        .filter(coherent)
        .map(|i| Cell {
            t: cell_t(i),
            s: strips.s[i / cells],
            ahead: smooth[i].mean.arg() / std::f64::consts::TAU,
            weight: smooth[i].size.min(cap).powi(2),
            index: i,
        })
        .collect();
    // Of very many, those of some strips tell as much.
    let every = points.len().div_ceil(MOST_GROWN);
    let some: Vec<Cell> = points.iter().filter(|p| (p.index / cells).is_multiple_of(every)).copied().collect();
    let phase = grow(&some, pitch_px, seen)?;
    let mut in_step = vec![false; rows * cells];
    let near = |p: &&Cell| wrapped(p.ahead + p.t / pitch_px - phase.at(p.t, p.s)).abs() < 0.12;
    let places: Vec<usize> = points.par_iter().with_min_len(LEAST_PART).filter(near).map(|p| p.index).collect();
    places.into_iter().for_each(|i| in_step[i] = true);
    Some(Tracked { phase, in_step, cells, first_t: strips.t0 + 0.5 * pitch_px, cell_px: pitch_px })
}

/// First Fourier coefficient of one pitch cell about its own mean, phase referred to `t` = 0.
fn coefficient(row: &[f32], strips: &Strips, c: usize, per_cell: f64, pitch_px: f64) -> Option<Complex<f64>> {
    let from = (c as f64 * per_cell).round() as usize;
    let to = (((c + 1) as f64 * per_cell).round() as usize).min(row.len());
    let part = &row[from..to];
    if part.len() < 3 || part.iter().any(|v| v.is_nan()) {
        return None;
    }
    let mean = part.iter().sum::<f32>() / part.len() as f32;
    // A straight slope through the cell would leak into the coefficient: take it out.
    let m = part.len() as f32;
    let slope = part.iter().enumerate().map(|(i, v)| (i as f32 - (m - 1.0) / 2.0) * (v - mean)).sum::<f32>()
        / (m * (m * m - 1.0) / 12.0).max(1e-6);
    let slope = slope * 0.5;
    let turn = |t: f64| Complex::cis(-std::f64::consts::TAU * t / pitch_px);
    let (mut wave, step) = (turn(strips.t0 + from as f64 * strips.dt), turn(strips.dt));
    let mut z = Complex::new(0.0, 0.0);
    for (i, v) in part.iter().enumerate() {
        z += wave * f64::from(v - mean - slope * (i as f32 - (m - 1.0) / 2.0));
        wave *= step;
    }
    Some(z / f64::from(m) / f64::from(mean.abs().max(1e-6)))
}

/// Coefficients about one cell: their mean, its size, and the mean of their sizes.
#[derive(Clone, Copy, Debug, Default)]
struct Smooth {
    mean: Complex<f64>,
    size: f64,
    level: f64,
}

/// Gaussian means along `t` (σ = 2 cells) of the coefficients, `cells` a strip.
fn smoothed(raw: &[Complex<f64>], cells: usize) -> Vec<Smooth> {
    let kernel: Vec<f64> = (-5..=5).map(|d| (-0.5 * (f64::from(d) / 2.0).powi(2)).exp()).collect();
    let total: f64 = kernel.iter().sum();
    let mut out = vec![Smooth::default(); raw.len()];
    out.par_chunks_exact_mut(cells).zip(raw.par_chunks_exact(cells)).for_each(|(out, row)| {
        let sizes: Vec<f64> = row.iter().map(|z| z.norm_sqr().sqrt()).collect();
        for (c, out) in out.iter_mut().enumerate() {
            let (from, to) = (c.saturating_sub(5), (c + 6).min(cells));
            let (mut mean, mut level) = (Complex::new(0.0, 0.0), 0.0);
            for ((z, size), w) in row[from..to].iter().zip(&sizes[from..to]).zip(&kernel[from + 5 - c..]) {
                mean += z * *w;
                level += size * w;
            }
            // Keep weak ends weak: divide by the whole kernel.
            let mean = mean / total;
            *out = Smooth { mean, size: mean.norm_sqr().sqrt(), level: level / total };
        }
    });
    out
}

/// Cycles less whole ones, −½ to ½.
fn wrapped(cycles: f64) -> f64 {
    // Adding 3 · 2⁵¹ leaves no room for a fraction: the nearest whole number, up to 2⁵¹, without a call.
    const NO_FRACTION: f64 = 6_755_399_441_055_744.0;
    cycles - ((cycles + NO_FRACTION) - NO_FRACTION)
}

/// Fits outward from the strongest cell.
fn grow(points: &[Cell], pitch_px: f64, seen: Seen) -> Option<Phase> {
    let held = points.par_iter().with_min_len(LEAST_PART).enumerate().filter(|(_, p)| seen.holds(p));
    let supported: Vec<(f64, &Cell)> = held.map(|(i, p)| (local_support(points, i, pitch_px), p)).collect();
    let seed = supported.into_iter().max_by(|a, b| a.0.total_cmp(&b.0))?.1;
    let away = |p: &Cell| (p.t - seed.t).abs().max((p.s - seed.s).abs());
    let mut outward: Vec<(f64, &Cell)> = points.iter().map(|p| (away(p), p)).collect();
    outward.par_sort_by(|a, b| a.0.total_cmp(&b.0));
    let reach = outward.last().map_or(pitch_px, |last| last.0.max(pitch_px));
    let mut phase = Phase { coefficients: [0.0; TERMS], unit_px: reach };
    phase.coefficients[0] = seed.ahead;
    phase.coefficients[1] = reach / pitch_px;
    let mut radius = 3.0 * pitch_px;
    loop {
        let inside = &outward[..outward.partition_point(|(away, _)| *away <= radius)];
        let in_step = |p: &&Cell| wrapped(p.ahead + p.t / pitch_px - phase.at(p.t, p.s)).abs() < 0.25;
        let near: Vec<&Cell> = inside.par_iter().with_min_len(LEAST_PART).map(|(_, p)| *p).filter(in_step).collect();
        if near.len() >= 3 {
            let cells = radius / pitch_px;
            let degree = if cells < 12.0 {
                1
            } else if cells < 30.0 {
                2
            } else {
                DEGREE
            };
            phase = fit(&near, &phase, degree, pitch_px);
        }
        if radius > 1.3 * reach {
            break;
        }
        radius *= 1.25;
    }
    Some(phase)
}

/// Weight in the neighbourhood of a cell: where to begin.
fn local_support(points: &[Cell], place: usize, pitch_px: f64) -> f64 {
    let at = &points[place];
    // Points are ordered by strip, then along t: neighbours in t stand near in the list.
    let from = place.saturating_sub(6);
    points[from..(place + 7).min(points.len())]
        .iter()
        .filter(|p| (p.s - at.s).abs() < 1e-9 && (p.t - at.t).abs() < 6.5 * pitch_px)
        .filter(|p| wrapped(p.ahead - at.ahead).abs() < 0.15)
        .map(|p| p.weight.sqrt())
        .sum()
}

fn fit(near: &[&Cell], old: &Phase, degree: usize, pitch_px: f64) -> Phase {
    // In parts of a fixed size, summed in their order: the same to the last digit on any number of threads.
    let parts: Vec<Sums> = near
        .par_chunks(2048)
        .map(|part| {
            let mut sums = Sums::of_degree(degree);
            for p in part {
                let model = old.at(p.t, p.s);
                let residual = wrapped(p.ahead + p.t / pitch_px - model);
                // Bisquare weights keep specks from pulling.
                let robust = (1.0 - (residual / 0.25).powi(2)).max(0.0).powi(2);
                sums.add((p.t / old.unit_px, p.s / old.unit_px), model + residual, p.weight * robust);
            }
            sums
        })
        .collect();
    let mut sums = Sums::of_degree(degree);
    parts.iter().for_each(|part| sums.join(part));
    let coefficients = sums.solve(&old.coefficients, 1e-7).unwrap_or(old.coefficients);
    Phase { coefficients, unit_px: old.unit_px }
}
