//! The linear model of one strip across the ruling, its robust solution, and what it says about the graduations.

use super::arrow::Arrow;
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

/// Background: straight pieces between knots, about six graduations long, shorter about dirt.
#[derive(Clone, Debug)]
pub(super) struct Knots {
    /// Places in graduations, ascending.
    places: Vec<f64>,
    /// For each half graduation from the first knot on, the last knot before it.
    before: Vec<usize>,
}

/// Graduations in a straight piece of an even ground.
const PIECE: f64 = 6.0;

impl Knots {
    /// For these graduations, with knots midway between lines about the intervals `uneven`, each named by the graduation that it begins at.
    pub(super) fn over(graduations: &[Place], uneven: &[i64]) -> Self {
        let (a, b) = (graduations[0].k as f64 - 1.0, graduations[graduations.len() - 1].k as f64 + 1.0);
        let pieces = ((b - a) / PIECE).ceil().max(1.0);
        let even = (0..=pieces as usize).map(|i| a + i as f64 * (b - a) / pieces);
        let mut fine: Vec<i64> = uneven.iter().flat_map(|k| k - 1..=k + 1).collect();
        fine.sort_unstable();
        fine.dedup();
        let fine: Vec<f64> = fine.into_iter().map(|k| k as f64 + 0.5).filter(|p| *p > a && *p < b).collect();
        let clear = |p: &f64| *p == a || *p == b || fine.iter().all(|q| (p - q).abs() > 0.75);
        let mut places: Vec<f64> = even.filter(clear).chain(fine.iter().copied()).collect();
        places.sort_by(f64::total_cmp);
        let mut before = Vec::with_capacity((2.0 * (b - a)) as usize + 1);
        for half in 0..=(2.0 * (b - a)) as usize {
            let from = a + 0.5 * half as f64;
            before.push(places.partition_point(|p| *p <= from).saturating_sub(1).min(places.len() - 2));
        }
        Self { places, before }
    }

    /// The knot before a place and the share of the way to the next one.
    fn at(&self, phase: f64) -> (usize, f64) {
        let first = self.places[0];
        let half = (2.0 * (phase - first)).clamp(0.0, (self.before.len() - 1) as f64) as usize;
        let mut i = self.before[half];
        while i + 2 < self.places.len() && self.places[i + 1] <= phase {
            i += 1;
        }
        let (from, to) = (self.places[i], self.places[i + 1]);
        (i, ((phase - from) / (to - from)).clamp(0.0, 1.0))
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
        Self { runs, coefficients, values, long: 2 * places.len(), short: knots.places.len() + 1 }
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
    weights: Vec<f64>,
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

/// Parts of an interval whose mean residuals tell whether its ground is even.
const PARTS: usize = 4;
/// Sum of squares over the parts of one interval, in units of what is usual, beyond which its ground is uneven: chance makes 30 in one interval of 200,000.
const UNEVEN: f64 = 30.0;
/// Least mean residual of a part that matters, relative to the lines' amplitude: it moves a line by a hundredth of its width.
const LEAST_UNEVEN: f64 = 0.02;

/// Intervals whose ground departs from the straight pieces, as under dirt out of focus, each named by the graduation that it begins at.
///
/// What is left in the same part of most intervals is the line shape's fault, not the ground's.
pub(super) fn uneven(pixels: &[Pixel], residuals: &[f64], solved: &Solved, block: &Block) -> Vec<i64> {
    let (Some(first), Some(last)) = (block.places.first().map(|p| p.k - 1), block.places.last().map(|p| p.k)) else {
        return Vec::new();
    };
    let mut sums = vec![[(0.0, 0.0); PARTS]; (last - first + 1) as usize];
    for ((p, r), w) in pixels.iter().zip(residuals).zip(&solved.weights) {
        let k = p.phase.floor();
        let Some(parts) = usize::try_from(k as i64 - first).ok().and_then(|i| sums.get_mut(i)) else { continue };
        let part = &mut parts[(((p.phase - k) * PARTS as f64) as usize).min(PARTS - 1)];
        *part = (part.0 + w * r, part.1 + w);
    }
    let amplitudes: Vec<f64> = block.ours.clone().map(|i| solved.x[2 * i].abs()).collect();
    let (Ok(amplitude), sd) = (median(&amplitudes), usual_size(residuals).max(1e-7)) else { return Vec::new() };
    let seen = |part: &(f64, f64)| part.1 >= 4.0;
    let usual: [f64; PARTS] = std::array::from_fn(|b| {
        let means: Vec<f64> = sums.iter().map(|parts| parts[b]).filter(|p| seen(p)).map(|p| p.0 / p.1).collect();
        median(&means).unwrap_or(0.0)
    });
    let depart = |part: &(f64, f64), usual: f64| part.0 / part.1 - usual;
    // What JPEG leaves is alike in neighbouring pixels, so that means scatter by more than the pixels tell.
    let all: Vec<f64> = sums
        .iter()
        .flat_map(|parts| parts.iter().zip(&usual).filter(|(p, _)| seen(p)))
        .map(|(p, u)| depart(p, *u) * p.1.sqrt() / sd)
        .collect();
    let spread = median_absolute_deviation(&all).unwrap_or(1.0).max(1.0);
    let is_uneven = |parts: &[(f64, f64); PARTS]| {
        let (mut squares, mut largest) = (0.0, 0.0_f64);
        for (part, usual) in parts.iter().zip(&usual).filter(|(p, _)| seen(p)) {
            let by = depart(part, *usual);
            squares += by * by * part.1 / (sd * spread).powi(2);
            largest = largest.max(by.abs());
        }
        squares > UNEVEN && largest > LEAST_UNEVEN * amplitude
    };
    (first..).zip(&sums).filter(|(_, parts)| is_uneven(parts)).map(|(k, _)| k).collect()
}

/// Standard deviation of normal residuals whose median size is that of these.
fn usual_size(residuals: &[f64]) -> f64 {
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
pub(super) fn finish(design: &Design, solved: &Solved, ours: Range<usize>) -> Option<Said> {
    let Solved { x, normal, .. } = solved;
    let variance = pixel_variance(design, solved, &design.residuals(&solved.x))?;
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
    use super::uneven as uneven_of;
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

    /// A line every 20 px from the graduation 0 on.
    fn places(count: i64) -> Vec<Place> {
        let place =
            |k: i64| Place { k, t: 20.0 * k as f64, at: (20.0 * k as f64, 0.0), across: (1.0, 0.0), pitch: 20.0 };
        (0..count).map(place).collect()
    }

    #[test]
    fn a_ground_is_straight_between_knots_and_finer_where_it_is_asked_for() {
        let lines = places(30);
        for uneven in [vec![], vec![0], vec![11, 12], vec![28, 29]] {
            let knots = Knots::over(&lines, &uneven);
            assert!(knots.places.windows(2).all(|w| w[1] - w[0] > 0.4), "{:?}", knots.places);
            for k in uneven.iter().flat_map(|k| k - 1..=k + 1).filter(|k| (0..29).contains(k)) {
                assert!(knots.places.contains(&(k as f64 + 0.5)), "{uneven:?} {k}");
            }
            for i in -10..=300 {
                let phase = 0.1 * f64::from(i);
                let (knot, f) = knots.at(phase);
                let (from, to) = (knots.places[knot], knots.places[knot + 1]);
                assert!((from + f * (to - from) - phase).abs() < 1e-9, "{uneven:?} {phase}");
            }
        }
        let even = Knots::over(&lines, &[]);
        assert_eq!(even.places.len(), 7, "31 graduations in six pieces");
    }

    #[test]
    fn dirt_out_of_focus_becomes_ground_and_moves_no_line() {
        let mut rng = <rand_pcg::Pcg64Mcg as rand::SeedableRng>::seed_from_u64(5);
        let shape = Shape::optical(super::super::shape::Optical { cut_off: 0.12, line_px: 4.0, sigma_px: 0.4 });
        let noise = rand_distr::Normal::new(0.0, 0.004).unwrap();
        let lines: Vec<(i64, f64)> = (0..30).map(|k| (k, 1.0)).collect();
        let block =
            Block { places: places(30), ours: 0..30, tails: Tails::of(&lines, shape.reach() / 20.0, (-2.0, 31.0)) };
        // A blurred speck, far fainter than the lines, over the right flank of one of them; strong dirt is left out pixel by pixel. The third is faint.
        let dirt = |t: f64| -0.03 * (-0.5 * ((t - 248.0) / 12.0_f64).powi(2)).exp();
        let pixels: Vec<Pixel> = (0..12)
            .flat_map(|row| (-10..592).map(move |i| f64::from(i) + 0.08 * f64::from(row)))
            .map(|t| {
                let height = |k: i64| if k == 3 { -0.04 } else { -0.2 };
                let near: f64 = (0..30).map(|k| height(k) * shape.at(t - 20.0 * k as f64).0).sum();
                let value = 0.6 + 1e-4 * t + near + dirt(t) + rand_distr::Distribution::sample(&noise, &mut rng);
                Pixel { phase: t / 20.0, value }
            })
            .collect();
        let moved = |uneven: &[i64]| {
            let design = Design::of(&pixels, &block, &shape, uneven);
            let solved = solve(&design, 3).unwrap();
            let said = finish(&design, &solved, 0..30).unwrap();
            let found = uneven_of(&pixels, &design.residuals(&solved.x), &solved, &block);
            (said.delta, found)
        };
        let (plain, found) = moved(&[]);
        assert!(!found.is_empty() && found.iter().all(|k| (8..17).contains(k)), "{found:?}");
        let (finer, left) = moved(&found);
        let largest = |v: &[f64]| (4..30).map(|i| v[i].abs()).fold(0.0, f64::max);
        let (by_dirt, by_noise) = (largest(&plain), largest(&finer));
        assert!(by_dirt > 0.08 && by_noise < 0.6 * by_dirt, "{by_dirt} {by_noise}");
        assert!(left.len() <= found.len(), "{left:?}");
        // Without dirt every interval is even, the faint line's too.
        let clean: Vec<Pixel> = pixels.iter().map(|p| Pixel { value: p.value - dirt(20.0 * p.phase), ..*p }).collect();
        let design = Design::of(&clean, &block, &shape, &[]);
        let solved = solve(&design, 3).unwrap();
        assert!(uneven_of(&clean, &design.residuals(&solved.x), &solved, &block).is_empty());
    }
}
