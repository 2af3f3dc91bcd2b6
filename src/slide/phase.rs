//! The phase of a candidate ruling over the picture: which graduation, and how far between two, at every point.
//!
//! Each strip is cut into cells one pitch long; the first Fourier coefficient of a cell gives the local phase. Missing, faint and
//! dirty graduations only weaken it. From the strongest place outward a low-order polynomial is fitted to
//! the phases, never jumping by a whole graduation because each step predicts the next.

use super::rectify::Strips;
use nalgebra::{DMatrix, DVector};
use rustfft::num_complex::Complex;

/// Highest total degree of the phase polynomial; 3 covers perspective and radial distortion.
const DEGREE: usize = 3;
/// Terms of a polynomial of that degree in two variables.
const TERMS: usize = (DEGREE + 1) * (DEGREE + 2) / 2;

/// Phase in graduations as a polynomial of `(t, s)`.
#[derive(Clone, Debug)]
pub(super) struct Phase {
    /// Coefficients of u^i v^k, (i, k) in the order of [`powers`]; u = t/unit, v = s/unit.
    coefficients: [f64; TERMS],
    unit_px: f64,
}

fn powers(degree: usize) -> impl Iterator<Item = (i32, i32)> {
    (0..=degree as i32).flat_map(|d| (0..=d).map(move |k| (d - k, k)))
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
        let free: Vec<(i32, i32)> = powers(DEGREE).collect();
        let n = free.len();
        let (mut normal, mut right) = (DMatrix::<f64>::zeros(n, n), DVector::<f64>::zeros(n));
        let mut basis = vec![0.0; n];
        let mut total = 0.0;
        for (t, s, k, w) in points {
            let (u, v) = (t / self.unit_px, s / self.unit_px);
            for (b, (i, j)) in basis.iter_mut().zip(&free) {
                *b = u.powi(*i) * v.powi(*j);
            }
            total += w;
            for a in 0..n {
                right[a] += w * basis[a] * k;
                for b in 0..n {
                    normal[(a, b)] += w * basis[a] * basis[b];
                }
            }
        }
        let ridge = 1e-9 * total;
        for (a, c) in self.coefficients.iter().enumerate() {
            normal[(a, a)] += ridge;
            right[a] += ridge * c;
        }
        match normal.cholesky() {
            Some(ch) => {
                let x = ch.solve(&right);
                Self { coefficients: std::array::from_fn(|i| x[i]), unit_px: self.unit_px }
            }
            None => self.clone(),
        }
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
    let mut size = vec![0.0; rows * cells];
    for j in 0..rows {
        let row = strips.strip(j);
        for c in 0..cells {
            if let Some(z) = coefficient(row, strips, c, per_cell, pitch_px) {
                raw[j * cells + c] = z;
                size[j * cells + c] = z.norm();
            }
        }
    }
    let (smooth, level) = smoothed(&raw, &size, rows, cells);
    let cell_t = |i: usize| strips.t0 + ((i % cells) as f64 + 0.5) * pitch_px;
    let coherent = |i: &usize| level[*i] > 0.0 && smooth[*i].norm() > 0.6 * level[*i];
    // Scratches and specks are far stronger than faint graduations: none may weigh more than a strong graduation does.
    let cap = {
        let inside = |i: &usize| coherent(i) && cell_t(*i) > seen.t.0 && cell_t(*i) < seen.t.1;
        let mut sizes: Vec<f64> = (0..rows * cells).filter(inside).map(|i| smooth[i].norm()).collect();
        if sizes.len() < 4 {
            return None;
        }
        let place = sizes.len() * 7 / 10;
        1.3 * *sizes.select_nth_unstable_by(place, f64::total_cmp).1
    };
    let points: Vec<Cell> = (0..rows * cells)
        .filter(coherent)
        .map(|i| Cell {
            t: cell_t(i),
            s: strips.s[i / cells],
            ahead: smooth[i].arg() / std::f64::consts::TAU,
            weight: smooth[i].norm().min(cap).powi(2),
            index: i,
        })
        .collect();
    let phase = grow(&points, pitch_px, seen)?;
    let mut in_step = vec![false; rows * cells];
    for p in &points {
        if wrapped(p.ahead + p.t / pitch_px - phase.at(p.t, p.s)).abs() < 0.12 {
            in_step[p.index] = true;
        }
    }
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
    let mut z = Complex::new(0.0, 0.0);
    for (i, v) in part.iter().enumerate() {
        let t = strips.t0 + (from + i) as f64 * strips.dt;
        let value = f64::from(v - mean - slope * (i as f32 - (m - 1.0) / 2.0));
        z += Complex::from_polar(value, -std::f64::consts::TAU * t / pitch_px);
    }
    Some(z / f64::from(m) / f64::from(mean.abs().max(1e-6)))
}

/// Gaussian means along `t` (σ = 2 cells) and over neighbouring strips of the coefficients and of their sizes.
fn smoothed(raw: &[Complex<f64>], size: &[f64], rows: usize, cells: usize) -> (Vec<Complex<f64>>, Vec<f64>) {
    let kernel: Vec<f64> = (-5..=5).map(|d| (-0.5 * (f64::from(d) / 2.0).powi(2)).exp()).collect();
    let mut z = vec![Complex::new(0.0, 0.0); raw.len()];
    let mut level = vec![0.0; raw.len()];
    for j in 0..rows {
        for c in 0..cells {
            let (mut sum, mut sizes) = (Complex::new(0.0, 0.0), 0.0);
            for (d, w) in kernel.iter().enumerate() {
                let Some(at) = (c + d).checked_sub(5).filter(|at| *at < cells) else { continue };
                sum += raw[j * cells + at] * *w;
                sizes += size[j * cells + at] * w;
            }
            // Keep weak ends weak: divide by the whole kernel.
            z[j * cells + c] = sum / kernel.iter().sum::<f64>();
            level[j * cells + c] = sizes / kernel.iter().sum::<f64>();
        }
    }
    (z, level)
}

fn wrapped(cycles: f64) -> f64 {
    cycles - cycles.round()
}

/// Fits outward from the strongest cell.
fn grow(points: &[Cell], pitch_px: f64, seen: Seen) -> Option<Phase> {
    let seed = points
        .iter()
        .filter(|p| seen.holds(p))
        .max_by(|a, b| local_support(points, a, pitch_px).total_cmp(&local_support(points, b, pitch_px)))?;
    let reach = points.iter().map(|p| (p.t - seed.t).abs().max((p.s - seed.s).abs())).fold(pitch_px, f64::max);
    let mut phase = Phase { coefficients: [0.0; TERMS], unit_px: reach };
    phase.coefficients[0] = seed.ahead;
    phase.coefficients[1] = reach / pitch_px;
    let mut radius = 3.0 * pitch_px;
    loop {
        let near: Vec<&Cell> = points
            .iter()
            .filter(|p| {
                (p.t - seed.t).abs() <= radius
                    && (p.s - seed.s).abs() <= radius
                    && wrapped(p.ahead + p.t / pitch_px - phase.at(p.t, p.s)).abs() < 0.25
            })
            .collect();
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
        if radius > 2.0 * reach {
            break;
        }
        radius *= 1.25;
    }
    Some(phase)
}

/// Weight in the neighbourhood of a cell: where to begin.
fn local_support(points: &[Cell], at: &Cell, pitch_px: f64) -> f64 {
    // Points are ordered by strip, then along t: neighbours in t stand near in the list.
    let place = points.partition_point(|p| p.index < at.index);
    let from = place.saturating_sub(6);
    points[from..(place + 7).min(points.len())]
        .iter()
        .filter(|p| (p.s - at.s).abs() < 1e-9 && (p.t - at.t).abs() < 6.5 * pitch_px)
        .filter(|p| wrapped(p.ahead - at.ahead).abs() < 0.15)
        .map(|p| p.weight.sqrt())
        .sum()
}

fn fit(near: &[&Cell], old: &Phase, degree: usize, pitch_px: f64) -> Phase {
    let free: Vec<(i32, i32)> = powers(degree).collect();
    let n = free.len();
    let (mut normal, mut right) = (DMatrix::<f64>::zeros(n, n), DVector::<f64>::zeros(n));
    let mut basis = vec![0.0; n];
    let mut total = 0.0;
    for p in near {
        let (u, v) = (p.t / old.unit_px, p.s / old.unit_px);
        for (b, (i, k)) in basis.iter_mut().zip(&free) {
            *b = u.powi(*i) * v.powi(*k);
        }
        let model = old.at(p.t, p.s);
        let residual = wrapped(p.ahead + p.t / pitch_px - model);
        let target = model + residual;
        // Bisquare weights keep specks from pulling.
        let robust = (1.0 - (residual / 0.25).powi(2)).max(0.0).powi(2);
        let w = p.weight * robust;
        total += w;
        for a in 0..n {
            right[a] += w * basis[a] * target;
            for b in 0..n {
                normal[(a, b)] += w * basis[a] * basis[b];
            }
        }
    }
    // A trace of ridge towards the old values decides what the data leave open.
    let ridge = 1e-7 * total;
    for (a, c) in old.coefficients.iter().take(n).enumerate() {
        normal[(a, a)] += ridge;
        right[a] += ridge * c;
    }
    match normal.cholesky() {
        Some(ch) => {
            let x = ch.solve(&right);
            let mut coefficients = [0.0; TERMS];
            coefficients[..n].copy_from_slice(x.as_slice());
            Phase { coefficients, unit_px: old.unit_px }
        }
        None => old.clone(),
    }
}
