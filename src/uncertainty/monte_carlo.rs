//! Propagation of distributions by Monte Carlo with an adaptive number of trials (JCGM 101 clauses 7 and 7.9).

use rayon::prelude::*;

use super::model::Model;
use super::sampler::{Sampler, generator};
use super::{Inputs, Matrix, UncertaintyError};
use crate::stats::{Interval, shortest_interval_of_sorted, symmetric_interval_of_sorted};

/// How many trials Monte Carlo takes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Trials {
    /// None: first order alone, for figures that change while a mark is dragged.
    Skip,
    /// This number, rounded up to whole blocks.
    Fixed(usize),
    /// As many as the wanted digits need (clause 7.9), at most this number.
    Adaptive {
        /// Upper limit.
        at_most: usize,
    },
}

/// Number of trials in a block, clause 7.9.4 b): `max(100/(1 − p), 10⁴)`.
fn block_size(coverage: f64) -> usize {
    ((100.0 / (1.0 - coverage)).ceil() as usize).max(10_000)
}

/// Blocks evaluated between two looks at the convergence; fixed, so that the number of threads changes nothing.
const BLOCKS_PER_ROUND: usize = 4;

/// Most numbers kept in memory (outputs times trials), 320 MB.
const MOST_KEPT: usize = 40_000_000;

/// The half of the last significant digit of `u` written with `digits` digits: the numerical tolerance δ.
///
/// # Source
/// JCGM 101:2008, clause 7.9.2.
#[must_use]
pub fn numerical_tolerance(u: f64, digits: u8) -> f64 {
    if !u.is_finite() || u <= 0.0 {
        return 0.0;
    }
    // Decimal text gives the exponent after rounding: 0.0996 with two digits is 0.10.
    let text = format!("{u:.*e}", usize::from(digits.max(1) - 1));
    let exponent = text.rsplit('e').next().and_then(|e| e.parse::<i32>().ok()).unwrap_or(0);
    0.5 * 10.0_f64.powi(exponent + 1 - i32::from(digits.max(1)))
}

/// What the trials say about one output.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Simulated {
    /// Mean of the trials.
    pub mean: f64,
    /// Median of the trials.
    pub median: f64,
    /// Standard deviation of the trials; meaningless where an input has no variance (Student's t, ν ≤ 2).
    pub u: f64,
    /// Shortest coverage interval.
    pub shortest: Interval,
    /// Coverage interval with equal probabilities on both sides.
    pub symmetric: Interval,
    /// Standard error of the ends of the symmetric interval, the larger of the two.
    pub end_error: f64,
    /// True when mean, u and interval ends settled within the numerical tolerance before the limit of trials.
    pub settled: bool,
}

/// The result of all trials.
#[derive(Clone, Debug, PartialEq)]
pub struct Simulation {
    /// One entry per output.
    pub outputs: Vec<Simulated>,
    /// Covariance of the outputs.
    pub covariance: Matrix,
    /// Trials kept.
    pub trials: usize,
    /// Trials drawn anew because the model gave no finite result.
    pub rejected: usize,
}

/// What a simulation is asked for.
#[derive(Clone, Copy, Debug)]
pub(super) struct Request {
    pub(super) trials: Trials,
    pub(super) coverage: f64,
    pub(super) digits: u8,
    pub(super) seed: u64,
    pub(super) max_rejected: f64,
}

/// One block: each output's values in ascending order, and the moments before sorting.
struct Block {
    columns: Vec<Vec<f64>>,
    mean: Vec<f64>,
    /// Σ of products of departures from the block's means, row by row.
    products: Vec<f64>,
    rejected: usize,
    ends: Vec<(Interval, Interval)>,
}

/// Runs the trials. `has_variance` tells for each output whether its standard deviation exists.
pub(super) fn simulate<M: Model>(
    inputs: &Inputs,
    model: &M,
    has_variance: &[bool],
    request: Request,
) -> Result<Option<Simulation>, UncertaintyError> {
    let outputs = has_variance.len();
    let size = block_size(request.coverage);
    let (wanted, adaptive) = match request.trials {
        Trials::Skip => return Ok(None),
        Trials::Fixed(n) => (n, false),
        Trials::Adaptive { at_most } => (at_most, true),
    };
    let most_blocks = wanted.div_ceil(size).max(2).min((MOST_KEPT / (size * outputs.max(1))).max(2));
    let sampler = Sampler::new(inputs, |_| true);
    let mut blocks: Vec<Block> = Vec::new();
    let mut settled = vec![false; outputs];
    while blocks.len() < most_blocks {
        let first = blocks.len();
        let last = if adaptive { (first + BLOCKS_PER_ROUND).min(most_blocks) } else { most_blocks };
        let round: Result<Vec<Block>, UncertaintyError> = (first..last)
            .into_par_iter()
            .map(|number| run_block(&sampler, model, outputs, size, number as u64, request))
            .collect();
        blocks.extend(round?);
        settled = settled_outputs(&blocks, has_variance, size, request.digits);
        if adaptive && settled.iter().all(|s| *s) {
            break;
        }
    }
    merge(blocks, &settled, size, request.coverage).map(Some)
}

fn run_block<M: Model>(
    sampler: &Sampler,
    model: &M,
    outputs: usize,
    size: usize,
    number: u64,
    request: Request,
) -> Result<Block, UncertaintyError> {
    let mut rng = generator(request.seed, 0, number);
    let mut columns = vec![Vec::with_capacity(size); outputs];
    let rejected = draw_into(sampler, model, &mut rng, &mut columns, size, request.max_rejected)?;
    let mean: Vec<f64> = columns.iter().map(|c| c.iter().sum::<f64>() / size as f64).collect();
    let mut products = vec![0.0; outputs * outputs];
    for a in 0..outputs {
        for b in a..outputs {
            let sum = columns[a].iter().zip(&columns[b]).map(|(x, y)| (x - mean[a]) * (y - mean[b])).sum::<f64>();
            products[a * outputs + b] = sum;
            products[b * outputs + a] = sum;
        }
    }
    let mut ends = Vec::with_capacity(outputs);
    for column in &mut columns {
        column.sort_unstable_by(f64::total_cmp);
        ends.push((
            shortest_interval_of_sorted(column, request.coverage)?,
            symmetric_interval_of_sorted(column, request.coverage)?,
        ));
    }
    Ok(Block { columns, mean, products, rejected, ends })
}

/// Draws until every column holds `size` values; returns how many trials were not finite.
pub(super) fn draw_into<M: Model, R: rand::Rng>(
    sampler: &Sampler,
    model: &M,
    rng: &mut R,
    columns: &mut [Vec<f64>],
    size: usize,
    max_rejected: f64,
) -> Result<usize, UncertaintyError> {
    let mut scratch = M::Scratch::default();
    let mut x = sampler.room();
    let mut y = vec![0.0; columns.len()];
    let mut normals = Vec::new();
    let (mut kept, mut rejected) = (0, 0);
    while kept < size {
        sampler.fill(rng, &mut x, &mut normals);
        model.run(&x, &mut y, &mut scratch);
        if y.iter().all(|v| v.is_finite()) {
            for (column, v) in columns.iter_mut().zip(&y) {
                column.push(*v);
            }
            kept += 1;
        } else {
            rejected += 1;
            let drawn = kept + rejected;
            // Judged over a thousand trials at least, so that one early rejection does not decide.
            if rejected as f64 > max_rejected * drawn.max(1000) as f64 {
                return Err(UncertaintyError::Rejected { rejected, drawn, limit: max_rejected });
            }
        }
    }
    Ok(rejected)
}

/// Standard error of the mean of `values`, one per block.
pub(super) fn standard_error(values: impl Iterator<Item = f64> + Clone) -> f64 {
    let n = values.clone().count() as f64;
    if n < 2.0 {
        return f64::INFINITY;
    }
    let mean = values.clone().sum::<f64>() / n;
    (values.map(|v| (v - mean).powi(2)).sum::<f64>() / (n * (n - 1.0))).sqrt()
}

/// Clause 7.9.4: settled when twice the standard error of the averages of mean, u and both ends is within δ.
fn settled_outputs(blocks: &[Block], has_variance: &[bool], size: usize, digits: u8) -> Vec<bool> {
    let outputs = has_variance.len();
    (0..outputs)
        .map(|o| {
            let block_u = |b: &Block| (b.products[o * outputs + o] / (size as f64 - 1.0)).sqrt();
            let width = |b: &Block| b.ends[o].1.half_width();
            let u = if has_variance[o] {
                blocks.iter().map(block_u).sum::<f64>() / blocks.len() as f64
            } else {
                // Without a variance the digits are those of half the half-width, as k would be near 2.
                0.5 * blocks.iter().map(width).sum::<f64>() / blocks.len() as f64
            };
            let mut errors = vec![
                standard_error(blocks.iter().map(|b| b.ends[o].1.low)),
                standard_error(blocks.iter().map(|b| b.ends[o].1.high)),
                standard_error(blocks.iter().map(|b| b.ends[o].0.low)),
                standard_error(blocks.iter().map(|b| b.ends[o].0.high)),
            ];
            if has_variance[o] {
                errors.push(standard_error(blocks.iter().map(|b| b.mean[o])));
                errors.push(standard_error(blocks.iter().map(block_u)));
            }
            all_settled(&errors, numerical_tolerance(u, digits))
        })
        .collect()
}

/// Clause 7.9.4: whether twice each standard error is within the numerical tolerance.
pub(super) fn all_settled(errors: &[f64], delta: f64) -> bool {
    errors.iter().all(|error| 2.0 * error <= delta)
}

/// All blocks together: clause 7.9.4 k), every figure from all trials.
fn merge(mut blocks: Vec<Block>, settled: &[bool], size: usize, coverage: f64) -> Result<Simulation, UncertaintyError> {
    let outputs = settled.len();
    let count = blocks.len() as f64;
    let trials = blocks.len() * size;
    let mean: Vec<f64> = (0..outputs).map(|o| blocks.iter().map(|b| b.mean[o]).sum::<f64>() / count).collect();
    let mut covariance = Matrix::zeros(outputs, outputs);
    for a in 0..outputs {
        for b in 0..outputs {
            let within: f64 = blocks.iter().map(|k| k.products[a * outputs + b]).sum();
            let between: f64 = blocks.iter().map(|k| (k.mean[a] - mean[a]) * (k.mean[b] - mean[b])).sum();
            covariance.set(a, b, (within + size as f64 * between) / (trials as f64 - 1.0));
        }
    }
    let rejected = blocks.iter().map(|b| b.rejected).sum();
    let end_errors: Vec<f64> = (0..outputs)
        .map(|o| {
            standard_error(blocks.iter().map(|b| b.ends[o].1.low))
                .max(standard_error(blocks.iter().map(|b| b.ends[o].1.high)))
        })
        .collect();
    let mut columns: Vec<Vec<f64>> = vec![Vec::new(); outputs];
    for (o, column) in columns.iter_mut().enumerate() {
        column.reserve_exact(trials);
        for block in &mut blocks {
            column.append(&mut block.columns[o]);
        }
    }
    drop(blocks);
    let summaries: Result<Vec<Simulated>, UncertaintyError> = columns
        .into_par_iter()
        .enumerate()
        .map(|(o, mut column)| {
            // A stable sort makes use of the blocks being sorted already.
            column.sort_by(f64::total_cmp);
            Ok(Simulated {
                mean: mean[o],
                median: crate::stats::quantile_of_sorted(&column, 0.5)?,
                u: covariance.at(o, o).max(0.0).sqrt(),
                shortest: shortest_interval_of_sorted(&column, coverage)?,
                symmetric: symmetric_interval_of_sorted(&column, coverage)?,
                end_error: end_errors[o],
                settled: settled[o],
            })
        })
        .collect();
    Ok(Simulation { outputs: summaries?, covariance, trials, rejected })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::uncertainty::Input;

    #[test]
    fn the_numerical_tolerance_is_half_the_last_digit_of_u() {
        for (u, digits, delta) in [
            // JCGM 101 clause 7.9.2: u = 0.000 35 g with two digits gives 0.000 005 g; 2 K with one digit gives 0.5 K.
            (0.000_35, 2, 0.000_005),
            (2.0, 1, 0.5),
            (2.9, 2, 0.05),
            (0.0996, 2, 0.005),
            (10.47, 2, 0.5),
            (94.0, 1, 5.0),
            (1e-300, 2, 5e-302),
        ] {
            let got = numerical_tolerance(u, digits);
            assert!((got / delta - 1.0).abs() < 1e-12, "{u}: {got}, wanted {delta}");
        }
        for u in [0.0, f64::NAN, f64::INFINITY, -1.0] {
            assert_eq!(numerical_tolerance(u, 2), 0.0);
        }
    }

    fn request(max_rejected: f64) -> Request {
        Request { trials: Trials::Fixed(200_000), coverage: 0.95, digits: 2, seed: 5, max_rejected }
    }

    #[test]
    fn a_result_that_is_not_finite_truncates_or_is_refused() {
        let mut inputs = Inputs::new();
        inputs.push(Input::normal("x", "x", 0.0, 1.0).unwrap());
        let upper_half = |x: &[f64], y: &mut [f64]| y[0] = if x[0] < 0.0 { f64::NAN } else { x[0] };
        let s = simulate(&inputs, &upper_half, &[true], request(0.7)).unwrap().unwrap();
        // The mean of the half-normal is √(2/π), its standard deviation √(1 − 2/π).
        let out = s.outputs[0];
        assert!((out.mean - 0.797_885).abs() < 0.006 && (out.u - 0.602_810).abs() < 0.005, "{out:?}");
        assert!((s.rejected as f64 / s.trials as f64 - 1.0).abs() < 0.02 && s.trials == 200_000);
        let e = simulate(&inputs, &upper_half, &[true], request(0.001)).unwrap_err();
        assert!(matches!(e, UncertaintyError::Rejected { .. }), "{e}");
        assert!(
            simulate(&inputs, &upper_half, &[true], Request { trials: Trials::Skip, ..request(0.0) })
                .unwrap()
                .is_none()
        );
    }

    #[test]
    fn outputs_keep_their_covariance() {
        let mut inputs = Inputs::new();
        inputs.push(Input::normal("a", "a", 1e6, 1.0).unwrap());
        inputs.push(Input::normal("b", "b", 0.0, 2.0).unwrap());
        let model = |x: &[f64], y: &mut [f64]| y.copy_from_slice(&[x[0] + x[1], x[0] - x[1]]);
        let s = simulate(&inputs, &model, &[true, true], request(0.0)).unwrap().unwrap();
        let c = &s.covariance;
        assert!((c.at(0, 1) + 3.0).abs() < 0.06 && (c.at(0, 0) - 5.0).abs() < 0.08, "{c:?}");
        assert_eq!(c.at(0, 1), c.at(1, 0));
    }
}
