//! The linear model of one strip across the ruling, its robust solution, and what it says about the graduations.

use super::shape::Shape;
use nalgebra::{DMatrix, DVector};
use std::ops::Range;

/// Where a graduation is predicted.
#[derive(Clone, Copy, Debug)]
pub(super) struct Place {
    pub(super) k: i64,
    /// In the frame of the ruling, px.
    pub(super) t: f64,
    /// Image px.
    pub(super) at: (f64, f64),
    /// Unit vector across the line, image axes.
    pub(super) across: (f64, f64),
    /// Distance to the next one, px.
    pub(super) pitch: f64,
}

#[derive(Clone, Copy, Debug)]
pub(super) struct Pixel {
    /// Place in graduations.
    pub(super) phase: f64,
    /// Linear light.
    pub(super) value: f64,
}

/// The graduations of a strip that one solution holds.
///
/// Guards stand before and after the block: lines of the next block, lines that the picture's border cuts, or nothing. They are
/// fitted like all others, so that what they do to their neighbours is accounted for, and then left out.
#[derive(Clone, Debug)]
pub(super) struct Block {
    pub(super) places: Vec<Place>,
    /// Those that count.
    pub(super) ours: Range<usize>,
    /// What the far tails of all graduations of the strip add up to.
    pub(super) tails: Tails,
}

impl Block {
    /// Those that count.
    pub(super) fn counted(&self) -> &[Place] {
        &self.places[self.ours.clone()]
    }
}

/// The light that graduations throw beyond the reach of the tabulated shape, tabulated along the strip.
///
/// A diffraction-limited line falls off with the square of the distance. Within the ruling the tails add up to an even ground,
/// but past its ends they fail, and the last lines would seem to lean inward. Only this shape is assumed; its size is fitted.
#[derive(Clone, Debug)]
pub(super) struct Tails {
    first: f64,
    values: Vec<f64>,
}

/// Table entries per graduation.
const TAIL_STEPS: f64 = 6.0;

impl Tails {
    /// Of `lines`, each a graduation with its relative strength, between two places on the strip in graduations.
    pub(super) fn of(lines: &[(i64, f64)], reach: f64, (from, to): (f64, f64)) -> Self {
        let count = ((to - from) * TAIL_STEPS).ceil().max(1.0) as usize + 2;
        let at = |i: usize| {
            let phase = from + i as f64 / TAIL_STEPS;
            lines.iter().map(|(k, strength)| strength * (reach / (phase - *k as f64)).powi(2).min(1.0)).sum()
        };
        Self { first: from, values: (0..count).map(at).collect() }
    }

    fn at(&self, phase: f64) -> f64 {
        let u = ((phase - self.first) * TAIL_STEPS).clamp(0.0, (self.values.len() - 2) as f64);
        let (i, f) = (u as usize, u.fract());
        self.values[i] * (1.0 - f) + self.values[i + 1] * f
    }
}

/// Background: straight pieces between knots about six graduations apart.
#[derive(Clone, Copy, Debug)]
pub(super) struct Knots {
    first: f64,
    spacing: f64,
    count: usize,
}

impl Knots {
    pub(super) fn over(places: &[Place]) -> Self {
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
pub(super) fn near<'a>(p: &Pixel, places: &'a [Place], reach: f64) -> impl Iterator<Item = (usize, f64)> + 'a {
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
pub(super) struct Design {
    /// Start of each pixel's entries, and the end of the last.
    starts: Vec<usize>,
    entries: Vec<(u32, f64)>,
    values: Vec<f64>,
    size: usize,
}

impl Design {
    pub(super) fn of(pixels: &[Pixel], block: &Block, shape: &Shape) -> Self {
        let places = &block.places;
        let knots = Knots::over(places);
        let base = 2 * places.len();
        let size = base + knots.count + 1;
        let mut starts = Vec::with_capacity(pixels.len() + 1);
        let mut entries = Vec::with_capacity(pixels.len() * 9);
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
            entries.push((size as u32 - 1, block.tails.at(p.phase)));
        }
        starts.push(entries.len());
        Self { starts, entries, values: pixels.iter().map(|p| p.value).collect(), size }
    }

    fn row(&self, i: usize) -> &[(u32, f64)] {
        &self.entries[self.starts[i]..self.starts[i + 1]]
    }

    pub(super) fn residual(&self, i: usize, x: &DVector<f64>) -> f64 {
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
pub(super) struct Solved {
    pub(super) x: DVector<f64>,
    weights: Vec<f64>,
    normal: DMatrix<f64>,
}

/// Iterated least squares with bisquare weights on the pixels, at most `rounds` solutions.
pub(super) fn solve(design: &Design, rounds: usize) -> Option<Solved> {
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

/// What a solution says about the graduations that count.
pub(super) struct Said {
    pub(super) delta: Vec<f64>,
    pub(super) amplitude: Vec<f64>,
    pub(super) information: DMatrix<f64>,
    pub(super) pixel_sd: f64,
}

/// Displacements and their information, everything else eliminated.
pub(super) fn finish(design: &Design, solved: &Solved, ours: Range<usize>) -> Option<Said> {
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
    let steps: Vec<usize> = ours.clone().map(|i| 2 * i + 1).collect();
    let others: Vec<usize> = (0..normal.nrows()).filter(|i| i % 2 == 0 || !ours.contains(&(i / 2))).collect();
    let pick = |rows: &[usize], columns: &[usize]| {
        DMatrix::from_fn(rows.len(), columns.len(), |a, b| normal[(rows[a], columns[b])])
    };
    let cross = pick(&others, &steps);
    let reduced = pick(&steps, &steps) - cross.transpose() * pick(&others, &others).cholesky()?.solve(&cross);
    let amplitude: Vec<f64> = ours.clone().map(|i| x[2 * i]).collect();
    let n = amplitude.len();
    let information = DMatrix::from_fn(n, n, |a, b| reduced[(a, b)] * amplitude[a] * amplitude[b] / variance);
    let delta = steps.iter().zip(&amplitude).map(|(i, a)| if a.abs() > 0.0 { x[*i] / a } else { 0.0 }).collect();
    Some(Said { delta, amplitude, information, pixel_sd: variance.sqrt() })
}
