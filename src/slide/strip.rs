//! The linear model of one strip across the ruling, its robust solution, and what it says about the graduations.

use super::arrow::Arrow;
use super::knots::Knots;
use super::shape::Shape;
use crate::stats::{median, median_absolute_deviation};
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

/// The linear model of a strip: for each pixel its few non-zero coefficients.
///
/// Two unknowns a line, then those of the background's knots and the one of the tails. Pixels that follow each other mostly see
/// the same lines between the same knots: such a run holds its unknowns once.
pub(super) struct Design {
    runs: Vec<Run>,
    /// Coefficients of all pixels, as many a pixel as its run says.
    coefficients: Vec<f64>,
    values: Vec<f64>,
    /// Unknowns of the lines and of the ground.
    long: usize,
    short: usize,
}

/// Pixels that follow each other and have the same unknowns.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Run {
    /// The first of them, and its coefficients.
    pixel: usize,
    start: usize,
    sees: Sees,
}

/// What a pixel sees: lines `from..to` and the ground between a knot and the next one.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Sees {
    from: usize,
    to: usize,
    knot: usize,
}

impl Sees {
    /// Unknowns: amplitude and displacement of each line, two knots, the tails.
    const fn count(self) -> usize {
        2 * (self.to - self.from) + 3
    }

    /// Coefficients kept a pixel: some zeros at the end, so that sums run in steps of four.
    const fn width(self) -> usize {
        self.count().next_multiple_of(4)
    }

    /// The number of unknown `i`, where the lines have `long`.
    const fn column(self, i: usize, long: usize, short: usize) -> usize {
        let lines = 2 * (self.to - self.from);
        match i.checked_sub(lines) {
            None => 2 * self.from + i,
            Some(2) => long + short - 1,
            Some(knot) => long + self.knot + knot,
        }
    }
}

impl Design {
    /// With a ground that is finer in the intervals `uneven`.
    pub(super) fn of(pixels: &[Pixel], block: &Block, shape: &Shape, uneven: &[i64]) -> Self {
        let places = &block.places;
        let knots = Knots::over(places, uneven);
        let centres: Vec<f64> = places.iter().map(|p| p.k as f64).collect();
        let width = shape.reach() / places[0].pitch.min(places[places.len() - 1].pitch);
        let mut runs: Vec<Run> = Vec::new();
        let mut coefficients = Vec::with_capacity(pixels.len() * 8);
        // The lines whose shape covers a pixel: its neighbour's, moved on as far as need be.
        let (mut from, mut to) = (0, 0);
        for (pixel, p) in pixels.iter().enumerate() {
            let (low, high) = (p.phase - width, p.phase + width);
            while from > 0 && centres[from - 1] >= low {
                from -= 1;
            }
            while from < centres.len() && centres[from] < low {
                from += 1;
            }
            to = to.max(from);
            while to > from && centres[to - 1] > high {
                to -= 1;
            }
            while to < centres.len() && centres[to] <= high {
                to += 1;
            }
            let (knot, f) = knots.at(p.phase);
            let sees = Sees { from, to, knot };
            let start = coefficients.len();
            if runs.last().is_none_or(|r| r.sees != sees) {
                runs.push(Run { pixel, start, sees });
            }
            for i in from..to {
                let (t, dt) = shape.at((p.phase - centres[i]) * places[i].pitch);
                coefficients.extend_from_slice(&[t, -dt]);
            }
            coefficients.extend_from_slice(&[1.0 - f, f, block.tails.at(p.phase)]);
            coefficients.resize(start + sees.width(), 0.0);
        }
        let values = pixels.iter().map(|p| p.value).collect();
        Self { runs, coefficients, values, long: 2 * places.len(), short: knots.count() + 1 }
    }

    /// Unknowns.
    pub(super) const fn size(&self) -> usize {
        self.long + self.short
    }

    /// The runs with their pixels.
    fn runs(&self) -> impl Iterator<Item = (Sees, Range<usize>, &[f64])> {
        self.runs.iter().enumerate().map(|(i, r)| {
            let next = self.runs.get(i + 1);
            let (end, stop) = next.map_or((self.values.len(), self.coefficients.len()), |n| (n.pixel, n.start));
            (r.sees, r.pixel..end, &self.coefficients[r.start..stop])
        })
    }

    /// What the model with these unknowns leaves of each pixel.
    pub(super) fn residuals(&self, x: &[f64]) -> Vec<f64> {
        let mut out = Vec::with_capacity(self.values.len());
        let mut own = Vec::new();
        for (sees, pixels, coefficients) in self.runs() {
            own.clear();
            own.extend((0..sees.count()).map(|i| x[sees.column(i, self.long, self.short)]));
            own.resize(sees.width(), 0.0);
            let rows = self.values[pixels].iter().zip(coefficients.chunks_exact(own.len()));
            out.extend(rows.map(|(v, row)| v - row.iter().zip(&own).map(|(c, x)| c * x).sum::<f64>()));
        }
        out
    }

    /// These unknowns with lines that are far stronger or far more displaced than most brought to the rim of what is usual.
    ///
    /// A scratch or a speck across a line is partly fitted by that line's own height and step, so that its pixels look better than they are. Against
    /// a line as others are it stands out.
    fn as_usual(&self, x: &[f64]) -> Vec<f64> {
        let mut out = x.to_vec();
        let lines: Vec<(f64, f64)> = x[..self.long].chunks_exact(2).map(|l| (l[0], l[1])).collect();
        let (height, spread) = middle_and_spread(&lines.iter().map(|l| l.0).collect::<Vec<_>>());
        if lines.len() < LEAST_USUAL || height.abs() < 2.0 * spread {
            return out;
        }
        let strong = |h: f64| h / height > 0.5;
        let steps: Vec<f64> = lines.iter().filter(|l| strong(l.0)).map(|l| l.1 / l.0).collect();
        let (step, step_spread) = middle_and_spread(&steps);
        let most = height.abs() + USUAL * spread.max(LEAST_SPREAD * height.abs());
        for (i, (h, c)) in lines.into_iter().enumerate() {
            let held = (h * height.signum()).min(most) * height.signum();
            let step =
                if h == 0.0 { step } else { (c / h).clamp(step - USUAL * step_spread, step + USUAL * step_spread) };
            (out[2 * i], out[2 * i + 1]) = (held, held * step);
        }
        out
    }

    fn normal_equations(&self, weights: &[f64]) -> (Arrow, Vec<f64>) {
        let lines = self.runs.iter().map(|r| r.sees.to - r.sees.from).max().unwrap_or(0);
        let mut normal = Arrow::zeros(self.long, (2 * lines).max(1) - 1, self.short);
        let mut right = vec![0.0; self.size()];
        let mut sums = Vec::new();
        for (sees, pixels, coefficients) in self.runs() {
            let (count, width) = (sees.count(), sees.width());
            let (weights, values) = (&weights[pixels.clone()], &self.values[pixels]);
            sums.resize((width + 1) * width, 0.0);
            match width {
                4 => add_squares::<4>(&mut sums, coefficients, weights, values),
                8 => add_squares::<8>(&mut sums, coefficients, weights, values),
                12 => add_squares::<12>(&mut sums, coefficients, weights, values),
                16 => add_squares::<16>(&mut sums, coefficients, weights, values),
                _ => add_any_squares(&mut sums, width, coefficients, weights, values),
            }
            for a in 0..count {
                let column = sees.column(a, self.long, self.short);
                right[column] += sums[width * width + a];
                for b in a..count {
                    normal.add(sees.column(b, self.long, self.short), column, sums[a * width + b]);
                }
            }
        }
        // A ridge far below the data keeps parts without pixels solvable.
        normal.ridge(1e-6);
        (normal, right)
    }
}

/// Weighted sums of products of the coefficients of a pixel, and of these with its value in the last row.
fn add_squares<const W: usize>(sums: &mut [f64], coefficients: &[f64], weights: &[f64], values: &[f64]) {
    let mut products = [[0.0; W]; W];
    let mut right = [0.0; W];
    for ((row, weight), value) in coefficients.as_chunks::<W>().0.iter().zip(weights).zip(values) {
        let weighted = row.map(|c| weight * c);
        for (line, a) in products.iter_mut().zip(&weighted) {
            for (sum, b) in line.iter_mut().zip(row) {
                *sum += a * b;
            }
        }
        for (sum, a) in right.iter_mut().zip(&weighted) {
            *sum += a * value;
        }
    }
    let (of_products, of_right) = sums.split_at_mut(W * W);
    of_products.copy_from_slice(products.as_flattened());
    of_right.copy_from_slice(&right);
}

/// The same for any number of them.
fn add_any_squares(sums: &mut [f64], width: usize, coefficients: &[f64], weights: &[f64], values: &[f64]) {
    sums.fill(0.0);
    let (products, right) = sums.split_at_mut(width * width);
    for ((row, weight), value) in coefficients.chunks_exact(width).zip(weights).zip(values) {
        for ((line, a), sum) in products.chunks_exact_mut(width).zip(row).zip(&mut *right) {
            let weighted = weight * a;
            line.iter_mut().zip(row).for_each(|(sum, b)| *sum += weighted * b);
            *sum += weighted * value;
        }
    }
}

/// Fewest lines among which one can be unusual.
const LEAST_USUAL: usize = 6;
/// Standard deviations from the middle that are usual.
const USUAL: f64 = 3.0;
/// Least relative standard deviation of the strength of lines (common practice).
const LEAST_SPREAD: f64 = 0.05;

/// Median, and the standard deviation that the median distance from it tells of normal values.
fn middle_and_spread(values: &[f64]) -> (f64, f64) {
    (median(values).unwrap_or(0.0), median_absolute_deviation(values).unwrap_or(0.0))
}

/// A strip solved: unknowns, robust pixel noise, weights of pixels and the normal matrix with them.
pub(super) struct Solved {
    pub(super) x: Vec<f64>,
    pub(super) weights: Vec<f64>,
    normal: Arrow,
}

/// Iterated least squares with bisquare weights on the pixels, at most `rounds` solutions.
pub(super) fn solve(design: &Design, rounds: usize) -> Option<Solved> {
    let n = design.values.len();
    if n < design.size() + 8 {
        return None;
    }
    let mut weights = vec![1.0; n];
    for round in 1.. {
        let (normal, mut x) = design.normal_equations(&weights);
        normal.clone().factor()?.solve(&mut x);
        if round >= rounds {
            return Some(Solved { x, weights, normal });
        }
        let residuals = design.residuals(&design.as_usual(&x));
        let sd = usual_size(&residuals).max(1e-7);
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

/// Standard deviation of normal residuals whose median size is that of these.
pub(super) fn usual_size(residuals: &[f64]) -> f64 {
    let mut sizes: Vec<f64> = residuals.iter().map(|r| r.abs()).collect();
    let middle = sizes.len() / 2;
    if sizes.is_empty() { 0.0 } else { 1.4826 * *sizes.select_nth_unstable_by(middle, f64::total_cmp).1 }
}

/// Variance of one pixel about the model; `None` where hardly any pixel is left over.
fn pixel_variance(design: &Design, solved: &Solved, residuals: &[f64]) -> Option<f64> {
    let (mut ss, mut wsum) = (0.0, 0.0);
    for (r, w) in residuals.iter().zip(&solved.weights) {
        ss += w * r * r;
        wsum += w;
    }
    let free = wsum - design.size() as f64;
    // Bisquare weights at 4.685 shrink a normal's sum of squares; 0.872 is the mean weighted square of a unit normal,
    // ∫ r² (1 − (r/4.685)²)² φ dr over ∫ (1 − (r/4.685)²)² φ dr, computed numerically.
    (free >= 8.0).then(|| (ss / free / 0.872).max(1e-14))
}

/// What a solution says about the graduations that count.
pub(super) struct Said {
    pub(super) delta: Vec<f64>,
    pub(super) amplitude: Vec<f64>,
    pub(super) information: DMatrix<f64>,
    pub(super) pixel_sd: f64,
}

/// Displacements, and of their information what each has beside its own amplitude: what others share with it is left out.
pub(super) fn finish_roughly(design: &Design, solved: &Solved, residuals: &[f64], ours: Range<usize>) -> Option<Said> {
    let Solved { x, normal, .. } = solved;
    let variance = pixel_variance(design, solved, residuals)?;
    let amplitude: Vec<f64> = ours.clone().map(|i| x[2 * i]).collect();
    let delta = ours.clone().zip(&amplitude).map(|(i, a)| if a.abs() > 0.0 { x[2 * i + 1] / a } else { 0.0 }).collect();
    let own = ours.zip(&amplitude).map(|(i, a)| {
        let (height, step) = (2 * i, 2 * i + 1);
        let shared = normal.at(step, height).powi(2) / normal.at(height, height).max(1e-300);
        (normal.at(step, step) - shared) * a * a / variance
    });
    let information = DMatrix::from_diagonal(&DVector::from_iterator(amplitude.len(), own));
    Some(Said { delta, amplitude, information, pixel_sd: variance.sqrt() })
}

/// Displacements and their information, everything else eliminated.
pub(super) fn finish(design: &Design, solved: &Solved, residuals: &[f64], ours: Range<usize>) -> Option<Said> {
    let Solved { x, normal, .. } = solved;
    let variance = pixel_variance(design, solved, residuals)?;
    // Eliminate everything but the displacements (Schur complement), then scale C = A δ to δ.
    let steps: Vec<usize> = ours.clone().map(|i| 2 * i + 1).collect();
    let others: Vec<usize> = (0..normal.size()).filter(|i| i % 2 == 0 || !ours.contains(&(i / 2))).collect();
    let factor = normal.only(&others).factor()?;
    let amplitude: Vec<f64> = ours.clone().map(|i| x[2 * i]).collect();
    let n = amplitude.len();
    let mut information = DMatrix::zeros(n, n);
    let mut answers = vec![0.0; others.len()];
    // A step shares pixels with the lines near it and with the border: the rest of its row is empty.
    let near: Vec<Vec<(usize, f64)>> = steps
        .iter()
        .map(|s| others.iter().enumerate().map(|(o, i)| (o, normal.at(*s, *i))).filter(|(_, v)| *v != 0.0).collect())
        .collect();
    for (b, shared) in near.iter().enumerate() {
        answers.fill(0.0);
        shared.iter().for_each(|(o, v)| answers[*o] = *v);
        factor.solve(&mut answers);
        for (a, shared) in near.iter().enumerate().take(b + 1) {
            let explained: f64 = shared.iter().map(|(o, v)| v * answers[*o]).sum();
            let reduced = normal.at(steps[a], steps[b]) - explained;
            information[(a, b)] = reduced * amplitude[a] * amplitude[b] / variance;
            information[(b, a)] = information[(a, b)];
        }
    }
    let delta = steps.iter().zip(&amplitude).map(|(i, a)| if a.abs() > 0.0 { x[*i] / a } else { 0.0 }).collect();
    Some(Said { delta, amplitude, information, pixel_sd: variance.sqrt() })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_with_a_scratch_is_brought_to_what_is_usual() {
        let heights = [1.0, 1.02, 0.98, 1.01, 3.0, 0.2, 0.0, 0.99, 1.0, 1.01];
        let steps = [0.01, -0.01, 0.02, 0.0, 0.5, 0.01, 0.0, -0.02, 0.01, 0.0];
        let mut x: Vec<f64> = heights.iter().zip(steps).flat_map(|(h, s)| [*h, h * s]).collect();
        x.extend([0.3, 0.3, 0.0]);
        let design = Design { runs: vec![], coefficients: vec![], values: vec![], long: 20, short: 3 };
        let usual = design.as_usual(&x);
        // The scratched one is cut to three times the least spread, and its step to three times that of the others.
        assert!(usual[8] < 1.2 && (usual[9] / usual[8]).abs() < 0.1, "{usual:?}");
        // Faint and missing ones, all others and the ground stay.
        for i in (0..x.len()).filter(|i| ![8, 9].contains(i)) {
            assert!((usual[i] - x[i]).abs() < 1e-12, "{i}: {} {}", usual[i], x[i]);
        }
    }
}
