//! Monte Carlo beside the additive part of a model: the trials tell only how the model departs from what is known without them.
//!
//! The additive part `A` of every output has a known distribution ([`super::additive`]). In each trial both the output `Y` and `A` are
//! evaluated from the same inputs; mean, covariance and distribution function of `Y` are those of `A` plus the mean difference of the
//! two over the trials (`A` is a control variate). Where `Y` and `A` differ by a hundredth of u this takes a hundredth of the trials
//! that counting takes, and the result is the same: whatever `A` is, the expectation is that of `Y`.

use rayon::prelude::*;

use super::additive::{Additive, PLACES};
use super::model::Model;
use super::monte_carlo::{Request, Simulated, Simulation, Trials, all_settled, numerical_tolerance, standard_error};
use super::sampler::{Sampler, generator};
use super::{Inputs, Matrix};
use crate::stats::Interval;

/// Trials of a block: an estimate by itself, whose scatter from block to block tells the error of the mean.
const BLOCK: usize = 2_500;
/// Blocks between two looks; fixed, so that the number of threads changes nothing.
const BLOCKS_PER_ROUND: usize = 4;
/// The kernel over the departures is this over their size, in standard deviations of the additive part, and within [`KERNELS`]. It acts
/// on the difference of two distributions alone; with a departure of size `r` a kernel `h` adds about `½ h² r` times a few to an end,
/// 0.002 u at most.
const KERNEL_TIMES_DEPARTURE: f64 = 0.005;
/// Least and widest kernel.
const KERNELS: (f64, f64) = (0.05, 0.2);
/// Where the departure's standard deviation is above this share of that of the additive part, counting is as good.
const MOST_DEPARTURE: f64 = 0.5;

/// Sums over the trials of one or more blocks, of outputs and of their additive parts, both less the additive mean.
struct Sums {
    trials: f64,
    full: Moments,
    additive: Moments,
    /// Histogram of outputs less histogram of additive parts, for each output.
    departures: Vec<Vec<f64>>,
}

struct Moments {
    sum: Vec<f64>,
    products: Vec<f64>,
}

impl Moments {
    fn new(outputs: usize) -> Self {
        Self { sum: vec![0.0; outputs], products: vec![0.0; outputs * outputs] }
    }

    fn add(&mut self, y: &[f64]) {
        let n = y.len();
        for (a, v) in y.iter().enumerate() {
            self.sum[a] += v;
            for (product, w) in self.products[a * n..].iter_mut().zip(&y[..=a]) {
                *product += v * w;
            }
        }
    }

    fn join(&mut self, other: &Self) {
        self.sum.iter_mut().zip(&other.sum).for_each(|(a, b)| *a += b);
        self.products.iter_mut().zip(&other.products).for_each(|(a, b)| *a += b);
    }

    fn mean(&self, o: usize, trials: f64) -> f64 {
        self.sum[o] / trials
    }

    /// Sample covariance of outputs `a` ≥ `b`.
    fn covariance(&self, a: usize, b: usize, trials: f64) -> f64 {
        let products = self.products[a * self.sum.len() + b];
        (products - self.sum[a] * self.sum[b] / trials) / (trials - 1.0)
    }
}

/// What some trials say about one output.
#[derive(Clone, Copy, Debug)]
struct Estimate {
    mean: f64,
    u: f64,
    shortest: Interval,
    symmetric: Interval,
}

/// Runs the trials. `None` where this way does not serve: a trial that is not finite, an output that is uncertain through its inputs'
/// joint action alone, departures as large as the additive part, an end beyond the grid. Counting serves there.
pub(super) fn simulate_beside<M: Model>(
    inputs: &Inputs,
    model: &M,
    additive: &Additive,
    request: Request,
) -> Option<Simulation> {
    let Trials::Adaptive { at_most } = request.trials else { return None };
    let outputs = additive.mean.len();
    let most_blocks = (at_most / BLOCK).max(BLOCKS_PER_ROUND);
    let sampler = Sampler::new(inputs, |_| true);
    let mut all = Sums::new(outputs);
    let mut blocks: Vec<Vec<Option<Estimate>>> = Vec::new();
    let mut settled = vec![false; outputs];
    while blocks.len() < most_blocks && !settled.iter().all(|s| *s) {
        let first = blocks.len();
        let last = (first + BLOCKS_PER_ROUND).min(most_blocks);
        let round: Option<Vec<Sums>> = (first..last)
            .into_par_iter()
            .map(|number| run_block(&sampler, model, additive, outputs, number as u64, request.seed))
            .collect();
        for sums in round? {
            blocks.push(sums.estimates(additive, request.coverage)?);
            all.join(&sums);
        }
        if (0..outputs).any(|o| all.departs(additive, o)) {
            return None;
        }
        settled = (0..outputs).map(|o| is_settled(&blocks, o, request.digits)).collect();
    }
    finished(additive, &all, &blocks, &settled, request.coverage)
}

fn run_block<M: Model>(
    sampler: &Sampler,
    model: &M,
    additive: &Additive,
    outputs: usize,
    number: u64,
    seed: u64,
) -> Option<Sums> {
    let mut rng = generator(seed, 0, number);
    let mut sums = Sums::new(outputs);
    let mut scratch = M::Scratch::default();
    let (mut x, mut normals, mut departures) = (sampler.room(), Vec::new(), Vec::new());
    let (mut y, mut a) = (vec![0.0; outputs], vec![0.0; outputs]);
    for _ in 0..BLOCK {
        sampler.fill(&mut rng, &mut x, &mut normals);
        model.run(&x, &mut y, &mut scratch);
        additive.run(&x, &mut departures, &mut a);
        for o in 0..outputs {
            if !y[o].is_finite() {
                return None;
            }
            if additive.varies(o) {
                additive.put(o, y[o], 1.0, &mut sums.departures[o]);
                additive.put(o, a[o], -1.0, &mut sums.departures[o]);
            }
            y[o] -= additive.mean[o];
            a[o] -= additive.mean[o];
        }
        sums.full.add(&y);
        sums.additive.add(&a);
    }
    sums.trials = BLOCK as f64;
    Some(sums)
}

impl Sums {
    fn new(outputs: usize) -> Self {
        let departures = vec![vec![0.0; PLACES]; outputs];
        Self { trials: 0.0, full: Moments::new(outputs), additive: Moments::new(outputs), departures }
    }

    fn join(&mut self, other: &Self) {
        self.trials += other.trials;
        self.full.join(&other.full);
        self.additive.join(&other.additive);
        for (mine, theirs) in self.departures.iter_mut().zip(&other.departures) {
            mine.iter_mut().zip(theirs).for_each(|(a, b)| *a += b);
        }
    }

    /// Standard deviation of an output's departure from its additive part, over that of the additive part.
    ///
    /// By the variances: what is additive is in the additive part, and the departure is uncorrelated with it.
    fn departure(&self, additive: &Additive, o: usize) -> f64 {
        let (full, part) = (self.full.covariance(o, o, self.trials), self.additive.covariance(o, o, self.trials));
        (full - part).max(0.0).sqrt() / additive.sd(o)
    }

    /// True where an output departs so far from its additive part that nothing is won.
    fn departs(&self, additive: &Additive, o: usize) -> bool {
        if additive.varies(o) {
            self.departure(additive, o) > MOST_DEPARTURE
        } else {
            self.full.covariance(o, o, self.trials) > 0.0
        }
    }

    fn mean(&self, additive: &Additive, o: usize) -> f64 {
        additive.mean[o] + (self.full.mean(o, self.trials) - self.additive.mean(o, self.trials))
    }

    fn covariance(&self, additive: &Additive, a: usize, b: usize) -> f64 {
        let excess = self.full.covariance(a, b, self.trials) - self.additive.covariance(a, b, self.trials);
        additive.covariance.at(a, b) + excess
    }

    fn distribution(&self, additive: &Additive, o: usize) -> Option<super::additive::OnGrid> {
        let departures: Vec<f64> = self.departures[o].iter().map(|d| d / self.trials).collect();
        let kernel = KERNEL_TIMES_DEPARTURE / self.departure(additive, o).max(f64::MIN_POSITIVE);
        additive.with(o, &departures, kernel.clamp(KERNELS.0, KERNELS.1))
    }

    /// One entry an output; nothing for those that do not vary. `None` where an end lies beyond the grid.
    fn estimates(&self, additive: &Additive, coverage: f64) -> Option<Vec<Option<Estimate>>> {
        let one = |o: usize| {
            if !additive.varies(o) {
                return Some(None);
            }
            let distribution = self.distribution(additive, o)?;
            Some(Some(Estimate {
                mean: self.mean(additive, o),
                u: self.covariance(additive, o, o).max(0.0).sqrt(),
                shortest: distribution.shortest(coverage)?,
                symmetric: distribution.symmetric(coverage)?,
            }))
        };
        (0..self.departures.len()).into_par_iter().map(one).collect()
    }
}

/// Clause 7.9.4 of JCGM 101: twice the standard error of mean, u and all ends within the numerical tolerance.
fn is_settled(blocks: &[Vec<Option<Estimate>>], o: usize, digits: u8) -> bool {
    let of = |part: fn(&Estimate) -> f64| blocks.iter().filter_map(move |b| b[o].as_ref().map(part));
    let n = of(|e| e.u).count();
    if n == 0 {
        return true;
    }
    let delta = numerical_tolerance(of(|e| e.u).sum::<f64>() / n as f64, digits);
    all_settled(
        &[
            standard_error(of(|e| e.mean)),
            standard_error(of(|e| e.u)),
            standard_error(of(|e| e.symmetric.low)),
            standard_error(of(|e| e.symmetric.high)),
            standard_error(of(|e| e.shortest.low)),
            standard_error(of(|e| e.shortest.high)),
        ],
        delta,
    )
}

/// Every figure from all trials.
fn finished(
    additive: &Additive,
    all: &Sums,
    blocks: &[Vec<Option<Estimate>>],
    settled: &[bool],
    coverage: f64,
) -> Option<Simulation> {
    let outputs = settled.len();
    let mut covariance = Matrix::zeros(outputs, outputs);
    for a in 0..outputs {
        for b in 0..=a {
            let c = all.covariance(additive, a, b);
            covariance.set(a, b, c);
            covariance.set(b, a, c);
        }
    }
    let estimates = all.estimates(additive, coverage)?;
    let one = |o: usize| {
        let of = |part: fn(&Estimate) -> f64| blocks.iter().filter_map(move |b| b[o].as_ref().map(part));
        let Some(e) = estimates[o] else {
            let at = additive.mean[o];
            let nowhere = Interval { low: at, high: at };
            let (shortest, symmetric) = (nowhere, nowhere);
            return Some(Simulated {
                mean: at,
                median: at,
                u: 0.0,
                shortest,
                symmetric,
                end_error: 0.0,
                settled: true,
            });
        };
        Some(Simulated {
            mean: e.mean,
            median: all.distribution(additive, o)?.quantile(0.5)?,
            u: covariance.at(o, o).max(0.0).sqrt(),
            shortest: e.shortest,
            symmetric: e.symmetric,
            end_error: standard_error(of(|e| e.symmetric.low)).max(standard_error(of(|e| e.symmetric.high))),
            settled: settled[o],
        })
    };
    let summaries: Option<Vec<Simulated>> = (0..outputs).map(one).collect();
    Some(Simulation { outputs: summaries?, covariance, trials: all.trials as usize, rejected: 0 })
}

#[cfg(test)]
mod tests {
    use crate::uncertainty::{Evaluation, EvaluationType, Input, Inputs, Member, Options, Trials, evaluate};

    /// A length between two marks, short for their uncertainty, with a shared scale of few readings, a lying and an observer.
    fn inputs() -> Inputs {
        let mut inputs = Inputs::new();
        inputs.push(Input::type_a("scale", "scale", 1.0, 0.003, 3.5).unwrap());
        for _ in 0..4 {
            inputs.push(Input::normal("hand", "hand", 0.0, 1.5).unwrap());
        }
        inputs.push(Input::one_minus_cos_within("lying", "lying", 0.35).unwrap());
        inputs.push(Input::rectangular("observer", "observer", 0.0, 1.4).unwrap());
        inputs.push(Input::between("depth", "depth", 0.0, 1.0).unwrap().acting_one_way());
        let m = ["a", "b"].map(|s| Member { source: "fit", label: s, estimate: 0.0 });
        inputs.push_block(&m, &[0.04, -0.01, -0.01, 0.02], 9.0, EvaluationType::A).unwrap();
        inputs
    }

    fn model(x: &[f64], y: &mut [f64]) {
        let length = |along: f64| (along + x[1] - x[2]).hypot(x[3] - x[4]) * x[0] + x[8];
        let rise = 20.0 * (1.0 - (1.0 - x[7]).sqrt());
        y[0] = (length(25.0) + 2.0 * x[6]) / (1.0 - x[5]);
        y[1] = (length(300.0) + 2.0 * x[6]).hypot(rise);
        y[2] = y[0] / y[1];
        y[3] = x[6] + x[9];
        y[4] = 7.0;
    }

    fn evaluated(trials: Trials, digits: u8) -> Evaluation {
        let options = Options { trials, digits, seed: 8, ..Options::default() };
        evaluate(&inputs(), &["short", "long", "ratio", "sum", "fixed"], model, &options).unwrap()
    }

    #[test]
    fn the_result_is_that_of_counting_with_a_fraction_of_the_trials() {
        let beside = evaluated(Trials::Adaptive { at_most: 1_000_000 }, 2);
        let counted = evaluated(Trials::Fixed(2_000_000), 2);
        assert!(beside.trials <= 100_000, "{} trials", beside.trials);
        for (a, b) in beside.outputs.iter().zip(&counted.outputs) {
            let (s, t) = (a.simulated.unwrap(), b.simulated.unwrap());
            // Two digits of u to half of the last one, and what counting itself leaves open.
            let within = crate::uncertainty::numerical_tolerance(t.u, 2).max(0.012 * t.u);
            for (what, p, q) in [
                ("mean", s.mean, t.mean),
                ("median", s.median, t.median),
                ("u", s.u, t.u),
                ("low", s.symmetric.low, t.symmetric.low),
                ("high", s.symmetric.high, t.symmetric.high),
                ("shortest half", s.shortest.half_width(), t.shortest.half_width()),
            ] {
                assert!((p - q).abs() <= within, "{}, {what}: {p} beside, {q} counted, u {}", a.name, t.u);
            }
            // Where the shortest interval lies is known badly by counting.
            assert!((s.shortest.low - t.shortest.low).abs() <= 0.04 * t.u, "{}: {s:?} beside, {t:?} counted", a.name);
            assert!(s.settled, "{}", a.name);
            let share = |e: &crate::uncertainty::Output, source| {
                e.budget.iter().find(|l| l.source == source).map_or(0.0, |l| l.share)
            };
            for source in ["scale", "hand", "lying", "observer", "depth", "fit"] {
                let (p, q) = (share(a, source), share(b, source));
                assert!((p - q).abs() < 0.02, "{}: {source} {p} beside, {q} counted", a.name);
            }
        }
        for a in 0..4 {
            for b in 0..4 {
                let (p, q) = (beside.correlation.at(a, b), counted.correlation.at(a, b));
                assert!((p - q).abs() < 0.02, "{a}, {b}: {p} beside, {q} counted");
            }
        }
    }

    #[test]
    fn known_intervals_come_out_without_the_noise_of_counting() {
        // Two rectangles of half-width 1: 95 % of their sum lie within 2 (1 − √0.05); JCGM 101 clause 9.2 has such sums.
        let mut inputs = Inputs::new();
        inputs.push(Input::rectangular("a", "a", 0.0, 1.0).unwrap());
        inputs.push(Input::rectangular("b", "b", 0.0, 1.0).unwrap());
        let e = evaluate(&inputs, &["y"], |x: &[f64], y: &mut [f64]| y[0] = x[0] + x[1], &Options::default()).unwrap();
        let s = e.outputs[0].simulated.unwrap();
        let end = 2.0 * (1.0 - 0.05_f64.sqrt());
        assert!((s.symmetric.high - end).abs() < 1e-3 && (s.shortest.low + end).abs() < 2e-3, "{s:?}");
        assert!((s.u - (2.0_f64 / 3.0).sqrt()).abs() < 1e-5 && s.median.abs() < 1e-6, "{s:?}");
        assert_eq!(e.trials, 10_000);
        // The shortest interval of a lognormal quantity lies about −σ² on its logarithm: there the densities of its ends are equal.
        let s = 0.3;
        let mut inputs = Inputs::new();
        inputs.push(Input::normal("ln y", "ln y", 0.0, s).unwrap());
        let e = evaluate(&inputs, &["y"], |x: &[f64], y: &mut [f64]| y[0] = x[0].exp(), &Options::default()).unwrap();
        let cdf = crate::stats::normal_cdf;
        let (mut low, mut high) = (0.0, 10.0 * s);
        for _ in 0..60 {
            let c = 0.5 * (low + high);
            let inside = cdf((c - s * s) / s) - cdf((-c - s * s) / s);
            if inside < 0.95 { low = c } else { high = c }
        }
        let (low, high) = ((-s * s - low).exp(), (-s * s + low).exp());
        let got = e.outputs[0].simulated.unwrap().shortest;
        assert!((got.low - low).abs() < 1e-3 && (got.high - high).abs() < 1e-3, "{got:?}, wanted {low} to {high}");
    }

    #[test]
    fn what_is_not_additive_is_counted() {
        let mut inputs = Inputs::new();
        inputs.push(Input::normal("a", "a", 0.0, 1.0).unwrap());
        inputs.push(Input::normal("b", "b", 0.0, 1.0).unwrap());
        let options = Options { trials: Trials::Adaptive { at_most: 400_000 }, ..Options::default() };
        let product = |x: &[f64], y: &mut [f64]| y[0] = x[0] * x[1];
        let s = evaluate(&inputs, &["y"], product, &options).unwrap().outputs[0].simulated.unwrap();
        // The product of two standard normal values has variance 1 and 95 % within ± 2.18.
        assert!((s.u - 1.0).abs() < 0.02 && (s.symmetric.high - 2.18).abs() < 0.06, "{s:?}");
        // A tail so heavy that an end lies beyond the grid.
        let mut heavy = Inputs::new();
        heavy.push(Input::type_a("t", "t", 0.0, 1.0, 2.5).unwrap());
        let options = Options { coverage: 0.9999, ..options };
        let e = evaluate(&heavy, &["y"], |x: &[f64], y: &mut [f64]| y[0] = x[0], &options).unwrap();
        let s = e.outputs[0].simulated.unwrap();
        let wanted = crate::stats::student_t_quantile(0.999_95, 2.5).unwrap();
        assert!((s.symmetric.high / wanted - 1.0).abs() < 0.3, "{s:?}, wanted {wanted}");
    }
}
