//! Graduations to a fraction of a pixel: all lines of one strip fitted at once, in linear light.
//!
//! A strip is a narrow part of the picture across the ruling. Its pixels are modelled as a background of straight pieces plus, for
//! each graduation, amplitude times the common line shape, displaced by a small amount:
//! `I(p) = Σ β_m B_m + Σ_k A_k [T(d_k) − δ_k T′(d_k)]`, with `d_k` the distance of the pixel from the predicted line. This is
//! linear in β, A and A·δ, so neighbours that overlap, faint and missing graduations are handled exactly, and the information
//! about all δ of the strip (everything else eliminated) is the Fisher information of the pixels: the fit that follows is the
//! maximum-likelihood one. Specks are taken out by bisquare weights on pixel residuals.

use super::lines::Lines;
use super::phase::Phase;
use super::rectify::Frame;
use crate::photo::Light;
use nalgebra::{DMatrix, DVector};
use rayon::prelude::*;

/// Most graduations in one joint solution; longer rulings are cut into blocks.
const BLOCK: usize = 96;
/// Most pixels looked at in all; beyond it strips are left out evenly.
const MOST_PIXELS: f64 = 1.2e6;

/// The common line shape, peak 1, tabulated against the distance from its centre.
#[derive(Clone, Debug)]
pub(super) struct Shape {
    /// Distance between table entries, px.
    step: f64,
    /// From −reach to +reach.
    table: Vec<f64>,
    /// Traced from the picture, not assumed.
    traced: bool,
}

impl Shape {
    /// A Gaussian of this standard deviation, px.
    pub(super) fn gaussian(sigma_px: f64) -> Self {
        let step = (sigma_px / 12.0).min(0.125);
        let half = (4.0 * sigma_px / step).ceil() as i32;
        let table = (-half..=half).map(|i| (-0.5 * (f64::from(i) * step / sigma_px).powi(2)).exp()).collect();
        Self { step, table, traced: false }
    }

    /// Distance between table entries, px.
    pub(super) const fn step(&self) -> f64 {
        self.step
    }

    /// Traced from the picture, not assumed.
    pub(super) const fn is_traced(&self) -> bool {
        self.traced
    }

    /// Half the support, px.
    pub(super) fn reach(&self) -> f64 {
        (self.table.len() / 2) as f64 * self.step
    }

    /// Value and derivative by px; zero outside the support.
    fn at(&self, d: f64) -> (f64, f64) {
        let u = d / self.step + (self.table.len() / 2) as f64;
        if u < 1.0 || u >= (self.table.len() - 2) as f64 {
            return (0.0, 0.0);
        }
        let i = u as usize;
        let f = u - i as f64;
        let (p0, p1, p2, p3) = (self.table[i - 1], self.table[i], self.table[i + 1], self.table[i + 2]);
        // Catmull-Rom: a smooth derivative matters more than the last digit of the value.
        let (c1, c2, c3) = (0.5 * (p2 - p0), p0 - 2.5 * p1 + 2.0 * p2 - 0.5 * p3, 1.5 * (p1 - p2) + 0.5 * (p3 - p0));
        (p1 + f * (c1 + f * (c2 + f * c3)), (c1 + f * (2.0 * c2 + 3.0 * f * c3)) / self.step)
    }

    /// Full width at half of the peak, px.
    pub(super) fn fwhm(&self) -> f64 {
        let peak = self.table.iter().copied().fold(f64::MIN, f64::max);
        let middle = self.table.iter().position(|v| *v == peak).unwrap_or(self.table.len() / 2);
        let side = |mut it: Box<dyn Iterator<Item = usize>>| -> f64 {
            let mut last = middle;
            for i in it.by_ref() {
                if self.table[i] < 0.5 * peak {
                    let (a, b) = (self.table[last], self.table[i]);
                    let part = if a > b { (a - 0.5 * peak) / (a - b) } else { 0.0 };
                    return ((last as f64 - middle as f64).abs() + part) * self.step;
                }
                last = i;
            }
            self.reach()
        };
        side(Box::new((0..middle).rev())) + side(Box::new(middle + 1..self.table.len()))
    }

    /// Distances and values of the table, px.
    pub(super) fn points(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        let half = (self.table.len() / 2) as f64;
        self.table.iter().enumerate().map(move |(i, v)| ((i as f64 - half) * self.step, *v))
    }
}

/// What one strip says about the graduations of one block.
#[derive(Clone, Debug)]
pub(super) struct Spots {
    /// Indices of the graduations.
    pub(super) k: Vec<i64>,
    /// Where each was predicted, image px.
    pub(super) at: Vec<(f64, f64)>,
    /// Unit vector across the line at each, image axes.
    pub(super) across: Vec<(f64, f64)>,
    /// Displacement of each from the prediction, px along `across`.
    pub(super) delta: Vec<f64>,
    /// Amplitude of each, linear light.
    pub(super) amplitude: Vec<f64>,
    /// Information about the displacements, 1/px²: rows and columns as `k`.
    pub(super) information: DMatrix<f64>,
    /// `s` of the strip, px.
    pub(super) s: f64,
    /// Noise of one pixel, linear light.
    pub(super) pixel_sd: f64,
}

/// One strip to be fitted.
#[derive(Clone, Copy, Debug)]
struct Strip {
    s: f64,
    half: f64,
}

/// Everything that the strips share.
pub(super) struct Locator<'a> {
    pub(super) light: &'a Light,
    pub(super) frame: Frame,
    pub(super) lines: &'a Lines,
}

impl std::fmt::Debug for Locator<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Locator").field("frame", &self.frame).finish_non_exhaustive()
    }
}

impl Locator<'_> {
    fn pitch_px(&self) -> f64 {
        let s = 0.5 * (self.lines.band.0 + self.lines.band.1);
        let k = self.lines.first as f64 + 0.5 * self.lines.present.len() as f64;
        let t = self.lines.phase.t_of(k, s, 0.0).unwrap_or(0.0);
        let g = self.lines.phase.gradient(t, s);
        1.0 / g.0.hypot(g.1)
    }

    /// Strips over everything that any graduation reaches, about `height` px each.
    fn strips(&self, height: f64) -> Vec<Strip> {
        let lo = self.lines.reach.iter().map(|r| r.0).fold(self.lines.band.0, f64::min);
        let hi = self.lines.reach.iter().map(|r| r.1).fold(self.lines.band.1, f64::max);
        let n = ((hi - lo) / height).round().max(1.0);
        let half = 0.5 * (hi - lo) / n;
        let length = self.lines.present.len() as f64 * self.pitch_px();
        let keep = (MOST_PIXELS / (length * (hi - lo))).min(1.0);
        let count = n as usize;
        (0..count)
            .filter(|i| ((*i as f64 + 1.0) * keep).floor() > (*i as f64 * keep).floor())
            .map(|i| Strip { s: lo + (2.0 * i as f64 + 1.0) * half, half })
            .collect()
    }

    /// All strips fitted with this phase and line shape; at most `most` strips, evenly spread, each in at most
    /// `rounds` robust solutions.
    pub(super) fn spots(&self, phase: &Phase, shape: &Shape, most: usize, rounds: usize) -> Vec<Spots> {
        let height = (1.5 * self.pitch_px()).clamp(8.0, 24.0);
        let all = self.strips(height);
        let every = all.len().div_ceil(most).max(1);
        let chosen: Vec<Strip> = all.into_iter().skip(every / 2).step_by(every).collect();
        chosen
            .par_iter()
            .flat_map_iter(|strip| {
                self.blocks(*strip).into_iter().filter_map(|ks| self.fit(*strip, &ks, phase, shape, rounds))
            })
            .collect()
    }

    /// The graduations that reach into a strip, in blocks.
    fn blocks(&self, strip: Strip) -> Vec<Vec<i64>> {
        let inside = |k: i64| {
            let r = self.lines.reach[k.rem_euclid(10) as usize];
            strip.s - 0.5 * strip.half >= r.0 && strip.s + 0.5 * strip.half <= r.1
        };
        let all: Vec<i64> =
            (self.lines.first..self.lines.first + self.lines.present.len() as i64).filter(|k| inside(*k)).collect();
        all.chunks(BLOCK).map(<[i64]>::to_vec).collect()
    }

    fn fit(&self, strip: Strip, ks: &[i64], phase: &Phase, shape: &Shape, rounds: usize) -> Option<Spots> {
        let places: Vec<Place> = ks.iter().filter_map(|k| self.place(*k, strip.s, phase)).collect();
        if places.len() < 2 {
            return None;
        }
        let pixels = self.pixels(strip, &places, phase, shape);
        let design = Design::of(&pixels, &places, &Knots::over(&places), shape);
        let solved = solve(&design, rounds)?;
        finish(&design, &solved, places, strip.s)
    }

    fn place(&self, k: i64, s: f64, phase: &Phase) -> Option<Place> {
        let guess = self.lines.phase.t_of(k as f64, s, 0.0)?;
        let t = phase.t_of(k as f64, s, guess)?;
        let (gt, gs) = phase.gradient(t, s);
        let slope = gt.hypot(gs);
        let (x, y) = self.frame.xy(t, s);
        let n = self.frame.n;
        let across = ((gt * n.0 - gs * n.1) / slope, (gt * n.1 + gs * n.0) / slope);
        Some(Place { k, t, at: (x, y), across, pitch: 1.0 / slope })
    }

    /// The pixels of a strip that lie near its graduations, by rows.
    fn pixels(&self, strip: Strip, places: &[Place], phase: &Phase, shape: &Shape) -> Vec<Pixel> {
        let (Some(a), Some(b)) = (places.first(), places.last()) else { return Vec::new() };
        let margin = shape.reach().max(0.6 * a.pitch);
        let (t_lo, t_hi) = (a.t - margin, b.t + margin);
        let (s_lo, s_hi) = (strip.s - strip.half, strip.s + strip.half);
        let n = self.frame.n;
        let corners = [(t_lo, s_lo), (t_lo, s_hi), (t_hi, s_lo), (t_hi, s_hi)].map(|(t, s)| self.frame.xy(t, s));
        let y_lo = corners.iter().map(|c| c.1).fold(f64::MAX, f64::min).floor().max(0.0) as usize;
        let y_hi =
            corners.iter().map(|c| c.1).fold(f64::MIN, f64::max).ceil().clamp(0.0, self.light.height() as f64) as usize;
        let mut out = Vec::new();
        for row in y_lo..y_hi {
            let y = row as f64 + 0.5;
            let dy = y - self.frame.origin.1;
            // t = dx n.0 + dy n.1 and s = −dx n.1 + dy n.0, each within its bounds: an interval of dx.
            let across = span(n.0, t_lo - dy * n.1, t_hi - dy * n.1);
            let along = span(-n.1, s_lo - dy * n.0, s_hi - dy * n.0);
            let lo = across.0.max(along.0) + self.frame.origin.0;
            let hi = across.1.min(along.1) + self.frame.origin.0;
            let from = (lo - 0.5).ceil().max(0.0);
            let to = (hi - 0.5).floor().min(self.light.width() as f64 - 1.0);
            if from.is_nan() || to.is_nan() || from > to {
                continue;
            }
            for column in from as usize..=to as usize {
                if self.light.is_clipped(column, row) {
                    continue;
                }
                let (t, s) = self.frame.ts(column as f64 + 0.5, y);
                if s < s_lo || s >= s_hi {
                    continue;
                }
                out.push(Pixel { phase: phase.at(t, s), value: f64::from(self.light.at(column, row)) });
            }
        }
        out
    }

    /// The line shape as the strips show it, from residuals about the present one; px bins of 1/8.
    pub(super) fn refined_shape(&self, phase: &Phase, shape: &Shape, spots: &[Spots]) -> Option<Shape> {
        let step: f64 = 0.125;
        let half = (shape.reach() / step).ceil() as usize;
        let width = 2 * half + 1;
        let sums = spots
            .par_iter()
            .map(|one| {
                let mut sum = vec![(0.0, 0.0); width];
                let places: Vec<Place> = one.k.iter().filter_map(|k| self.place(*k, one.s, phase)).collect();
                if places.len() != one.k.len() {
                    return sum;
                }
                let height = (1.5 * self.pitch_px()).clamp(8.0, 24.0);
                let strip = Strip { s: one.s, half: 0.5 * height };
                let pixels = self.pixels(strip, &places, phase, shape);
                let design = Design::of(&pixels, &places, &Knots::over(&places), shape);
                let Some(Solved { x: solution, .. }) = solve(&design, 1) else { return sum };
                for (i, p) in pixels.iter().enumerate() {
                    let r = design.residual(i, &solution);
                    if r.abs() > 4.0 * one.pixel_sd {
                        continue;
                    }
                    for (i, k) in near(p, &places, shape.reach()) {
                        let a: f64 = solution[2 * i];
                        let d = (p.phase - k) * places[i].pitch - one.delta[i];
                        let bin = d / step + half as f64;
                        if bin < 0.0 || bin >= (width - 1) as f64 || a.abs() < 4.0 * one.pixel_sd {
                            continue;
                        }
                        let (b, f) = (bin as usize, bin - bin.floor());
                        let value = shape.at(d).0 + r / a;
                        for (at, w) in [(b, 1.0 - f), (b + 1, f)] {
                            sum[at].0 += w * a * a * value;
                            sum[at].1 += w * a * a;
                        }
                    }
                }
                sum
            })
            .reduce(
                || vec![(0.0, 0.0); width],
                |mut a, b| {
                    for (x, y) in a.iter_mut().zip(b) {
                        x.0 += y.0;
                        x.1 += y.1;
                    }
                    a
                },
            );
        if sums.iter().any(|s| s.1 <= 0.0) {
            return None;
        }
        let mut table: Vec<f64> = sums.iter().map(|s| s.0 / s.1).collect();
        for _ in 0..2 {
            let old = table.clone();
            for i in 1..width - 1 {
                table[i] = 0.25 * old[i - 1] + 0.5 * old[i] + 0.25 * old[i + 1];
            }
        }
        let ground = 0.5 * (table[0] + table[width - 1]);
        let peak = table.iter().copied().fold(f64::MIN, f64::max) - ground;
        if peak.is_nan() || peak <= 0.2 {
            return None;
        }
        for (i, v) in table.iter_mut().enumerate() {
            // Fade the last tenth to zero, so that the table ends without a step.
            let edge = (i.min(width - 1 - i) as f64 / (0.1 * half as f64).max(1.0)).min(1.0);
            *v = (*v - ground) / peak * edge;
        }
        Some(Shape { step, table, traced: true })
    }
}

/// The interval of x with `lo <= a x <= hi`.
fn span(a: f64, lo: f64, hi: f64) -> (f64, f64) {
    if a.abs() < 1e-12 {
        return if lo <= 0.0 && hi >= 0.0 { (f64::MIN, f64::MAX) } else { (f64::MAX, f64::MIN) };
    }
    let (x, y) = (lo / a, hi / a);
    (x.min(y), x.max(y))
}

#[derive(Clone, Copy, Debug)]
struct Place {
    k: i64,
    t: f64,
    at: (f64, f64),
    across: (f64, f64),
    pitch: f64,
}

#[derive(Clone, Copy, Debug)]
struct Pixel {
    phase: f64,
    value: f64,
}

/// Background: straight pieces between knots about six graduations apart.
#[derive(Clone, Copy, Debug)]
struct Knots {
    first: f64,
    spacing: f64,
    count: usize,
}

impl Knots {
    fn over(places: &[Place]) -> Self {
        let (a, b) = (places[0].k as f64 - 1.0, places[places.len() - 1].k as f64 + 1.0);
        let pieces = ((b - a) / 6.0).ceil().max(1.0);
        Self { first: a, spacing: (b - a) / pieces, count: pieces as usize + 1 }
    }

    fn at(&self, phase: f64) -> (usize, f64) {
        let u = ((phase - self.first) / self.spacing).clamp(0.0, (self.count - 1) as f64 - 1e-9);
        (u as usize, u - u.floor())
    }
}

/// The graduations whose shape covers a pixel: place index and k.
fn near<'a>(p: &Pixel, places: &'a [Place], reach: f64) -> impl Iterator<Item = (usize, f64)> + 'a {
    let phase = p.phase;
    let width = reach / places[0].pitch.min(places[places.len() - 1].pitch);
    let from = places.partition_point(move |q| (q.k as f64) < phase - width);
    places[from..]
        .iter()
        .enumerate()
        .take_while(move |(_, q)| q.k as f64 <= phase + width)
        .map(move |(i, q)| (from + i, q.k as f64))
}

/// The linear model of a strip: for each pixel its few non-zero coefficients.
struct Design {
    /// Start of each pixel's entries, and the end of the last.
    starts: Vec<usize>,
    entries: Vec<(u32, f64)>,
    values: Vec<f64>,
    size: usize,
}

impl Design {
    fn of(pixels: &[Pixel], places: &[Place], knots: &Knots, shape: &Shape) -> Self {
        let base = 2 * places.len();
        let mut starts = Vec::with_capacity(pixels.len() + 1);
        let mut entries = Vec::with_capacity(pixels.len() * 6);
        for p in pixels {
            starts.push(entries.len());
            for (i, k) in near(p, places, shape.reach()) {
                let (t, dt) = shape.at((p.phase - k) * places[i].pitch);
                entries.push((2 * i as u32, t));
                entries.push((2 * i as u32 + 1, -dt));
            }
            let (m, f) = knots.at(p.phase);
            entries.push(((base + m) as u32, 1.0 - f));
            entries.push(((base + m + 1) as u32, f));
        }
        starts.push(entries.len());
        Self { starts, entries, values: pixels.iter().map(|p| p.value).collect(), size: base + knots.count }
    }

    fn row(&self, i: usize) -> &[(u32, f64)] {
        &self.entries[self.starts[i]..self.starts[i + 1]]
    }

    fn residual(&self, i: usize, x: &DVector<f64>) -> f64 {
        self.values[i] - self.row(i).iter().map(|(c, v)| x[*c as usize] * v).sum::<f64>()
    }

    fn normal_equations(&self, weights: &[f64]) -> (DMatrix<f64>, DVector<f64>) {
        let (mut normal, mut right) = (DMatrix::zeros(self.size, self.size), DVector::zeros(self.size));
        for (i, w) in weights.iter().enumerate() {
            if *w <= 0.0 {
                continue;
            }
            let row = self.row(i);
            for (n, &(a, va)) in row.iter().enumerate() {
                let wa = w * va;
                right[a as usize] += wa * self.values[i];
                for &(b, vb) in &row[n..] {
                    normal[(b as usize, a as usize)] += wa * vb;
                }
            }
        }
        for a in 0..self.size {
            for b in 0..a {
                normal[(b, a)] = normal[(a, b)];
            }
        }
        // A ridge far below the data keeps parts without pixels solvable.
        let ridge = 1e-6 * normal.diagonal().sum() / self.size as f64;
        for a in 0..self.size {
            normal[(a, a)] += ridge;
        }
        (normal, right)
    }
}

/// A strip solved: unknowns, robust pixel noise, weights of pixels and the normal matrix with them.
struct Solved {
    x: DVector<f64>,
    weights: Vec<f64>,
    normal: DMatrix<f64>,
}

/// Iterated least squares with bisquare weights on the pixels, at most `rounds` solutions.
fn solve(design: &Design, rounds: usize) -> Option<Solved> {
    let n = design.values.len();
    if n < design.size + 8 {
        return None;
    }
    let mut weights = vec![1.0; n];
    for round in 1.. {
        let (normal, right) = design.normal_equations(&weights);
        let x = normal.clone().cholesky()?.solve(&right);
        if round >= rounds {
            return Some(Solved { x, weights, normal });
        }
        let residuals: Vec<f64> = (0..n).map(|i| design.residual(i, &x)).collect();
        let mut sizes: Vec<f64> = residuals.iter().map(|r| r.abs()).collect();
        let middle = n / 2;
        let sd = (1.4826 * *sizes.select_nth_unstable_by(middle, f64::total_cmp).1).max(1e-7);
        let mut changed = 0.0;
        for (r, w) in residuals.iter().zip(&mut weights) {
            let new = (1.0 - (r / (4.685 * sd)).powi(2)).max(0.0).powi(2);
            changed += (new - *w).abs();
            *w = new;
        }
        if changed < 0.01 * n as f64 {
            return Some(Solved { x, weights, normal });
        }
    }
    None
}

fn finish(design: &Design, solved: &Solved, places: Vec<Place>, s: f64) -> Option<Spots> {
    let Solved { x, weights, normal } = solved;
    let (mut ss, mut wsum) = (0.0, 0.0);
    for (i, w) in weights.iter().enumerate() {
        let r = design.residual(i, x);
        ss += w * r * r;
        wsum += w;
    }
    let free = wsum - normal.nrows() as f64;
    if free < 8.0 {
        return None;
    }
    // Bisquare weights at 4.685 shrink a normal's sum of squares; 0.872 is the mean weighted square of a unit normal,
    // ∫ r² (1 − (r/4.685)²)² φ dr over ∫ (1 − (r/4.685)²)² φ dr, computed numerically.
    let variance = (ss / free / 0.872).max(1e-14);
    // Eliminate everything but the displacements (Schur complement), then scale C = A δ to δ.
    let n = places.len();
    let others: Vec<usize> = (0..normal.nrows()).filter(|i| *i >= 2 * n || i % 2 == 0).collect();
    let ours: Vec<usize> = (0..n).map(|i| 2 * i + 1).collect();
    let pick = |rows: &[usize], columns: &[usize]| {
        DMatrix::from_fn(rows.len(), columns.len(), |a, b| normal[(rows[a], columns[b])])
    };
    let cross = pick(&others, &ours);
    let reduced = pick(&ours, &ours) - cross.transpose() * pick(&others, &others).cholesky()?.solve(&cross);
    let amplitude: Vec<f64> = (0..n).map(|i| x[2 * i]).collect();
    let information = DMatrix::from_fn(n, n, |a, b| reduced[(a, b)] * amplitude[a] * amplitude[b] / variance);
    let delta = (0..n).map(|i| if amplitude[i].abs() > 0.0 { x[2 * i + 1] / amplitude[i] } else { 0.0 }).collect();
    Some(Spots {
        k: places.iter().map(|p| p.k).collect(),
        at: places.iter().map(|p| p.at).collect(),
        across: places.iter().map(|p| p.across).collect(),
        delta,
        amplitude,
        information,
        s,
        pixel_sd: variance.sqrt(),
    })
}
