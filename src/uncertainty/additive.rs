//! The additive part of a model: what each input does alone, added up. Its distribution is known without trials.
//!
//! Most models here are nearly additive over their uncertainties: `f(x) ≈ A(x) = f(c) + Σ g_i(x_i)`, where `g_i` is what input `i` does
//! while the others stay at their estimates `c`. `A` is a sum of independent terms, so that its density is their convolution and its
//! moments are sums. Trials then have to tell only how `f` departs from `A`: see [`super::beside`].

use std::sync::Arc;

use rustfft::num_complex::Complex;
use rustfft::{Fft, FftPlanner};

use super::distribution::Distribution;
use super::model::Model;
use super::propagate::Propagated;
use super::{Inputs, Matrix};

/// Places of the grid of a density: ± 20 standard deviations in steps of a hundredth.
pub(super) const PLACES: usize = 4096;
/// Steps of the grid to a standard deviation.
pub(super) const PER_SD: f64 = 100.0;
/// What lies further out than this many standard deviations is put there: it stands for "beyond" and must not come round to the
/// other end.
const FURTHEST_SD: f64 = 16.0;
/// An input whose effect departs from the straight line by less than this share of u, two standard deviations away, is taken as
/// linear: the trials see to the rest.
const STRAIGHT: f64 = 0.01;
/// A term below this share of the standard deviation may be taken as normal, whatever its shape: it changes the skewness of the sum
/// by less than 1e-5.
const SMALL_TERM: f64 = 0.02;
/// From these degrees of freedom on Student's t is as good as normal with its own variance (excess kurtosis below 0.03).
const NEARLY_NORMAL_DOF: f64 = 200.0;
/// Points of the table of a curved effect.
const TABLE: usize = 65;

/// What one input does alone to one output, by linear interpolation; beyond its ends the last pieces go on.
#[derive(Clone, Debug)]
struct Table {
    input: usize,
    low: f64,
    per_unit: f64,
    values: Vec<f64>,
    mean: f64,
    variance: f64,
    /// Slope at the estimate, which first order uses in place of the table.
    slope: f64,
}

impl Table {
    fn at(&self, departure: f64) -> f64 {
        let place = (departure - self.low) * self.per_unit;
        let piece = (place.max(0.0) as usize).min(self.values.len() - 2);
        let (from, to) = (self.values[piece], self.values[piece + 1]);
        from + (to - from) * (place - piece as f64)
    }
}

/// The additive part of one output.
#[derive(Clone, Debug, Default)]
struct Sum {
    value: f64,
    /// Input and slope.
    straight: Vec<(usize, f64)>,
    curved: Vec<Table>,
}

/// The additive part of all outputs.
pub(super) struct Additive {
    sums: Vec<Sum>,
    centre: Vec<f64>,
    /// Mean of each output's additive part.
    pub(super) mean: Vec<f64>,
    /// Covariance of the additive parts.
    pub(super) covariance: Matrix,
    /// Density of each output's additive part less its mean, in the frequency domain; `None` where it does not vary.
    spectra: Vec<Option<Vec<Complex<f64>>>>,
    forward: Arc<dyn Fft<f64>>,
    backward: Arc<dyn Fft<f64>>,
}

/// A term of a sum that has to be convolved: departures of the output with their probabilities.
type Points = Vec<(f64, f64)>;

impl Additive {
    /// Looks at every input alone. `None` where the model has an edge within the reach of an input, or a variance does not exist.
    pub(super) fn of<M: Model>(inputs: &Inputs, model: &M, linear: &Propagated) -> Option<Self> {
        let outputs = linear.values.len();
        let mut planner = FftPlanner::new();
        let mut sums: Vec<Sum> = linear.values.iter().map(|v| Sum { value: *v, ..Sum::default() }).collect();
        let mut covariance = Matrix::zeros(outputs, outputs);
        for group in inputs.groups() {
            let factor = inputs.drawn_variance_factor(group);
            if !factor.is_finite() {
                return None;
            }
            if group.block.is_none() {
                tabulate(inputs, group.members.start, model, linear, &mut sums)?;
            }
            for i in group.members.clone() {
                for (o, sum) in sums.iter_mut().enumerate() {
                    let slope = linear.jacobian.at(o, i);
                    if slope != 0.0 && sum.curved.last().is_none_or(|t| t.input != i) {
                        sum.straight.push((i, slope));
                    }
                }
            }
            add_covariance(inputs, group.members.clone(), factor, linear, &sums, &mut covariance);
        }
        let mean = sums.iter().map(|s| s.value + s.curved.iter().map(|t| t.mean).sum::<f64>()).collect();
        let forward = planner.plan_fft_forward(PLACES);
        let spectra = (0..outputs)
            .map(|o| {
                let sd = covariance.at(o, o).max(0.0).sqrt();
                (sd > 0.0).then(|| spectrum(inputs, linear, o, &sums[o], sd, &*forward))
            })
            .collect();
        let backward = planner.plan_fft_inverse(PLACES);
        Some(Self { sums, centre: inputs.estimates(), mean, covariance, spectra, forward, backward })
    }

    /// Standard deviation of an output's additive part.
    pub(super) fn sd(&self, output: usize) -> f64 {
        self.covariance.at(output, output).max(0.0).sqrt()
    }

    /// True where the output varies by more than through its inputs' joint action.
    pub(super) fn varies(&self, output: usize) -> bool {
        self.spectra[output].is_some()
    }

    /// The additive parts at `x`; `departures` is scratch memory.
    pub(super) fn run(&self, x: &[f64], departures: &mut Vec<f64>, y: &mut [f64]) {
        departures.clear();
        departures.extend(x.iter().zip(&self.centre).map(|(x, c)| x - c));
        for (y, sum) in y.iter_mut().zip(&self.sums) {
            let straight: f64 = sum.straight.iter().map(|(i, slope)| slope * departures[*i]).sum();
            let curved: f64 = sum.curved.iter().map(|t| t.at(departures[t.input])).sum();
            *y = sum.value + straight + curved;
        }
    }

    /// Mean of the additive part over its value at the estimates while only some inputs move.
    pub(super) fn shift(&self, output: usize, moves: impl Fn(usize) -> bool) -> f64 {
        // A table need not pass through 0 at the estimate to the last digit; inputs that rest stay there.
        let moved = |t: &&Table| moves(t.input);
        self.sums[output].curved.iter().filter(moved).map(|t| t.mean - t.at(0.0)).sum()
    }

    /// By how much the variance from some inputs alone exceeds what the slopes say.
    pub(super) fn excess(&self, inputs: &Inputs, output: usize, moves: impl Fn(usize) -> bool) -> f64 {
        let drawn = |t: &Table| inputs.items()[t.input].distribution().drawn_variance();
        let moved = |t: &&Table| moves(t.input);
        self.sums[output].curved.iter().filter(moved).map(|t| t.variance - t.slope * t.slope * drawn(t)).sum()
    }

    /// Distribution of an output: that of its additive part, and what `departure` (a histogram on the grid, see [`place_of`]) adds to
    /// it after smoothing by a normal kernel of `kernel_sd` standard deviations.
    pub(super) fn with(&self, output: usize, departure: &[f64], kernel_sd: f64) -> Option<OnGrid> {
        let spectrum = self.spectra[output].as_ref()?;
        let mut buffer: Vec<Complex<f64>> = departure.iter().map(|d| Complex::new(*d, 0.0)).collect();
        self.forward.process(&mut buffer);
        for (k, (b, s)) in buffer.iter_mut().zip(spectrum).enumerate() {
            let w = angular(k) * kernel_sd * PER_SD;
            *b = *s + *b * (-0.5 * w * w).exp();
        }
        self.backward.process(&mut buffer);
        // From the lowest place up; the middle of the grid is the mean of the additive part.
        let (upper, lower) = buffer.split_at(PLACES / 2);
        let mut below = 0.0;
        let cumulative = lower
            .iter()
            .chain(upper)
            .map(|mass| {
                let mass = mass.re / PLACES as f64;
                let here = below + 0.5 * mass;
                below += mass;
                here
            })
            .collect();
        Some(OnGrid { cumulative, origin: self.mean[output], step: self.sd(output) / PER_SD })
    }

    /// Adds `weight` at `value` to a histogram on the grid of an output, shared between its two nearest places.
    pub(super) fn put(&self, output: usize, value: f64, weight: f64, on: &mut [f64]) {
        put((value - self.mean[output]) / self.sd(output), weight, on);
    }
}

/// Adds `weight` to the two places nearest to `sds` standard deviations from the middle; lower halves of the grid come last.
fn put(sds: f64, weight: f64, on: &mut [f64]) {
    let place = sds.clamp(-FURTHEST_SD, FURTHEST_SD) * PER_SD + PLACES as f64;
    let below = place.floor();
    let share = place - below;
    let k = below as usize;
    on[k % PLACES] += weight * (1.0 - share);
    on[(k + 1) % PLACES] += weight * share;
}

/// Angular frequency of place `k` of a transform, per step of the grid.
fn angular(k: usize) -> f64 {
    let signed = if k <= PLACES / 2 { k as f64 } else { k as f64 - PLACES as f64 };
    std::f64::consts::TAU * signed / PLACES as f64
}

/// Puts what input `i` does alone into a table for each output on which its effect is not straight.
fn tabulate<M: Model>(inputs: &Inputs, i: usize, model: &M, linear: &Propagated, sums: &mut [Sum]) -> Option<()> {
    let item = &inputs.items()[i];
    if item.u() <= 0.0 {
        return Some(());
    }
    let outputs = sums.len();
    let centre = inputs.estimates();
    let (low, high) = item.distribution().reach();
    let mut scratch = M::Scratch::default();
    let mut x = centre.clone();
    let mut at = |departure: f64| {
        x[i] = centre[i] + departure;
        let mut y = vec![0.0; outputs];
        model.run(&x, &mut y, &mut scratch);
        y.iter_mut().zip(&linear.values).for_each(|(y, v)| *y -= v);
        y
    };
    let within = 2.0 * item.u();
    let mut bent = vec![false; outputs];
    for departure in [low.max(-within), high.min(within)] {
        for (o, effect) in at(departure).into_iter().enumerate() {
            if !effect.is_finite() {
                return None;
            }
            bent[o] |= (effect - linear.jacobian.at(o, i) * departure).abs() > STRAIGHT * linear.u(o);
        }
    }
    if !bent.contains(&true) {
        return Some(());
    }
    let step = (high - low) / (TABLE - 1) as f64;
    let columns: Vec<Vec<f64>> = (0..TABLE).map(|k| at(low + k as f64 * step)).collect();
    let nodes = item.distribution().nodes();
    for (o, sum) in sums.iter_mut().enumerate().filter(|(o, _)| bent[*o]) {
        let values: Vec<f64> = columns.iter().map(|c| c[o]).collect();
        if !values.iter().all(|v| v.is_finite()) {
            return None;
        }
        let slope = linear.jacobian.at(o, i);
        let mut table = Table { input: i, low, per_unit: step.recip(), values, mean: 0.0, variance: 0.0, slope };
        table.mean = nodes.iter().map(|(d, p)| p * table.at(*d)).sum();
        table.variance = nodes.iter().map(|(d, p)| p * (table.at(*d) - table.mean).powi(2)).sum();
        sum.curved.push(table);
    }
    Some(())
}

/// Adds the covariance that one group brings, as the trials draw it.
fn add_covariance(
    inputs: &Inputs,
    members: std::ops::Range<usize>,
    factor: f64,
    linear: &Propagated,
    sums: &[Sum],
    covariance: &mut Matrix,
) {
    let first = members.start;
    let table = |o: usize| sums[o].curved.last().filter(|t| t.input == first);
    let mut nodes = Vec::new();
    for a in 0..sums.len() {
        for b in 0..=a {
            let part: f64 = if table(a).is_none() && table(b).is_none() {
                let slope = |o, i| linear.jacobian.at(o, i);
                let pairs = members.clone().flat_map(|i| members.clone().map(move |j| (i, j)));
                factor * pairs.map(|(i, j)| slope(a, i) * inputs.covariance(i, j) * slope(b, j)).sum::<f64>()
            } else {
                if nodes.is_empty() {
                    nodes = inputs.items()[first].distribution().nodes();
                }
                let effect = |o: usize, d: f64| match table(o) {
                    Some(t) => t.at(d) - t.mean,
                    None => linear.jacobian.at(o, first) * d,
                };
                nodes.iter().map(|(d, p)| p * effect(a, *d) * effect(b, *d)).sum()
            };
            covariance.set(a, b, covariance.at(a, b) + part);
            if a != b {
                covariance.set(b, a, covariance.at(b, a) + part);
            }
        }
    }
}

/// The density of one output's additive part about its mean, in the frequency domain.
fn spectrum(
    inputs: &Inputs,
    linear: &Propagated,
    o: usize,
    sum: &Sum,
    sd: f64,
    forward: &dyn Fft<f64>,
) -> Vec<Complex<f64>> {
    let mut normal_variance = 0.0;
    let mut product = vec![Complex::new(1.0, 0.0); PLACES];
    let mut convolve = |points: Points| {
        let mut on = vec![0.0; PLACES];
        points.iter().for_each(|(value, p)| put(value / sd, *p, &mut on));
        let mut term: Vec<Complex<f64>> = on.into_iter().map(|v| Complex::new(v, 0.0)).collect();
        forward.process(&mut term);
        product.iter_mut().zip(&term).for_each(|(p, t)| *p *= t);
    };
    for group in inputs.groups() {
        let first = group.members.start;
        if let Some(table) = sum.curved.iter().find(|t| group.block.is_none() && t.input == first) {
            let nodes = inputs.items()[first].distribution().nodes();
            convolve(nodes.into_iter().map(|(d, p)| (table.at(d) - table.mean, p)).collect());
            continue;
        }
        let slope = |i: usize| linear.jacobian.at(o, i);
        let pairs = group.members.clone().flat_map(|i| group.members.clone().map(move |j| (i, j)));
        let variance: f64 = pairs.map(|(i, j)| slope(i) * inputs.covariance(i, j) * slope(j)).sum();
        if variance <= 0.0 {
            continue;
        }
        let scale = variance.sqrt();
        let (shape, by) = match (&group.block, inputs.items()[first].distribution()) {
            // A block is drawn as one multivariate t, whose every combination is a t again.
            (Some(_), _) if group.dof.is_finite() => (Distribution::StudentT { scale, dof: group.dof }, 1.0),
            (Some(_), _) => (Distribution::Normal { sd: scale }, 1.0),
            (None, own) => (own, slope(first)),
        };
        let small = scale < SMALL_TERM * sd;
        let normal = match shape {
            Distribution::Normal { .. } => true,
            Distribution::StudentT { dof, .. } => dof >= NEARLY_NORMAL_DOF,
            _ => small,
        };
        if normal {
            normal_variance += variance * inputs.drawn_variance_factor(group);
        } else {
            convolve(shape.nodes().into_iter().map(|(d, p)| (by * d, p)).collect());
        }
    }
    let normal_steps = normal_variance.sqrt() / sd * PER_SD;
    for (k, p) in product.iter_mut().enumerate() {
        *p *= (-0.5 * (angular(k) * normal_steps).powi(2)).exp();
    }
    product
}

/// A distribution function on an even grid.
#[derive(Clone, Debug)]
pub(super) struct OnGrid {
    cumulative: Vec<f64>,
    /// Value in the middle of the grid.
    origin: f64,
    step: f64,
}

impl OnGrid {
    fn value(&self, place: f64) -> f64 {
        self.origin + (place - (PLACES / 2) as f64) * self.step
    }

    /// The distribution function between places `below` and the next, `t` of the way: a cubic through four places, whose error is
    /// that of the grid's third derivative and does not depend on where within a step an end falls.
    fn between(&self, below: usize, t: f64) -> f64 {
        let at = |k: usize| self.cumulative[k.min(PLACES - 1)];
        let (p, q, r, s) = (at(below.saturating_sub(1)), at(below), at(below + 1), at(below + 2));
        q + 0.5 * t * (r - p + t * (2.0 * p - 5.0 * q + 4.0 * r - s + t * (3.0 * (q - r) + s - p)))
    }

    /// Place on the grid where the share `p` lies below, looked for from place `from` on; `None` at the ends, where all lies that is beyond.
    fn place(&self, p: f64, from: usize) -> Option<f64> {
        let above = from + self.cumulative.get(from..)?.iter().position(|c| *c >= p)?;
        let below = above.checked_sub(1)?;
        let (mut low, mut high) = (0.0, 1.0);
        // Monotone within the step or not, the halves close in on a crossing; 2⁻²⁰ of a step is enough.
        for _ in 0..20 {
            let middle = 0.5 * (low + high);
            if self.between(below, middle) < p { low = middle } else { high = middle }
        }
        let place = below as f64 + 0.5 * (low + high);
        let furthest = (FURTHEST_SD - 1.0) * PER_SD;
        ((place - (PLACES / 2) as f64).abs() < furthest).then_some(place)
    }

    /// The value below which the share `p` lies.
    pub(super) fn quantile(&self, p: f64) -> Option<f64> {
        self.place(p, 0).map(|place| self.value(place))
    }

    /// Interval with equal shares outside on both sides.
    pub(super) fn symmetric(&self, coverage: f64) -> Option<crate::stats::Interval> {
        let outside = 0.5 * (1.0 - coverage);
        Some(crate::stats::Interval { low: self.quantile(outside)?, high: self.quantile(1.0 - outside)? })
    }

    /// The shortest interval; where several are equally short to a thousandth of a step, the middle one.
    pub(super) fn shortest(&self, coverage: f64) -> Option<crate::stats::Interval> {
        let beyond = 1e-3 * (1.0 - coverage);
        let start = self.place(beyond, 0)?.ceil() as usize;
        let mut from = start;
        let mut lengths = Vec::new();
        for (low, below) in self.cumulative.iter().enumerate().skip(start) {
            if below + coverage >= 1.0 - beyond {
                break;
            }
            let Some(high) = self.place(below + coverage, from) else { break };
            from = high.floor() as usize;
            lengths.push(high - low as f64);
        }
        let least = lengths.iter().copied().fold(f64::INFINITY, f64::min);
        let first = lengths.iter().position(|l| *l <= least + 1e-3)?;
        let last = lengths.iter().rposition(|l| *l <= least + 1e-3)?;
        let middle = usize::midpoint(first, last);
        let at = if lengths[middle] <= least + 1e-3 { middle } else { first };
        let low = (start + at) as f64 + vertex(&lengths, at);
        let k = low.floor() as usize;
        let high = self.place(self.between(k, low - k as f64) + coverage, k)?;
        Some(crate::stats::Interval { low: self.value(low), high: self.value(high) })
    }
}

/// Where a cubic through the lengths about place `at` has its lowest point, in steps from there: finer than the grid, whose rounding
/// it evens out.
fn vertex(lengths: &[f64], at: usize) -> f64 {
    const SIDE: usize = 8;
    let side = SIDE.min(at).min(lengths.len() - 1 - at);
    if side < 3 {
        return 0.0;
    }
    // Least squares on even places: odd and even powers do not mix.
    let mut powers = [0.0; 7];
    let mut with = [0.0; 4];
    for (k, y) in lengths[at - side..=at + side].iter().enumerate() {
        let (t, y) = (k as f64 - side as f64, y - lengths[at]);
        powers.iter_mut().enumerate().for_each(|(i, p)| *p += t.powi(i as i32));
        with.iter_mut().enumerate().for_each(|(i, p)| *p += y * t.powi(i as i32));
    }
    let [n, _, t2, _, t4, _, t6] = powers;
    let square = (n * with[2] - t2 * with[0]) / (n * t4 - t2 * t2);
    let odd = t2 * t6 - t4 * t4;
    let (straight, cube) = ((t6 * with[1] - t4 * with[3]) / odd, (t2 * with[3] - t4 * with[1]) / odd);
    let root = square * square - 3.0 * cube * straight;
    if square <= 0.0 || root <= 0.0 {
        return 0.0;
    }
    // The root of the derivative where it rises, in the form that stays exact without a cubic part.
    (-straight / (square + root.sqrt())).clamp(-(side as f64), side as f64)
}
