//! Side runs of Monte Carlo: the bias of a drawn curve, and what each source contributes beyond first order.

use super::budget::Part;
use super::model::Model;
use super::monte_carlo::draw_into;
use super::sampler::{Sampler, generator};
use super::{Inputs, Matrix, UncertaintyError};
use rayon::prelude::*;

/// Stream of random numbers for the curve bias; the main run has stream 0.
const BIAS_STREAM: u64 = 1;
/// First stream for the sources.
const SOURCE_STREAM: u64 = 2;

/// Mean of the outputs over trials in which only the `varied` inputs move, less their values at the estimates.
///
/// Every trial is taken together with its mirror image about the estimates, so that all that is linear cancels and a few
/// thousand pairs give the bias to about 1 % of itself. Pairs that are not finite are left out.
pub(super) fn mean_shift<M: Model>(
    inputs: &Inputs,
    model: &M,
    values: &[f64],
    varied: &[bool],
    pairs: usize,
    seed: u64,
) -> Vec<f64> {
    let sampler = Sampler::new(inputs, |i| varied[i]);
    let centre = inputs.estimates();
    let (mut x, mut normals, mut scratch) = (sampler.room(), Vec::new(), M::Scratch::default());
    let (mut above, mut below) = (vec![0.0; values.len()], vec![0.0; values.len()]);
    let mut rng = generator(seed, BIAS_STREAM, 0);
    let mut sum = vec![0.0; values.len()];
    let mut kept = 0_usize;
    for _ in 0..pairs {
        sampler.fill(&mut rng, &mut x, &mut normals);
        model.run(&x, &mut above, &mut scratch);
        for (v, c) in x.iter_mut().zip(&centre) {
            *v = 2.0 * c - *v;
        }
        model.run(&x, &mut below, &mut scratch);
        if above.iter().chain(&below).all(|v| v.is_finite()) {
            kept += 1;
            for (s, ((a, b), at)) in sum.iter_mut().zip(above.iter().zip(&below).zip(values)) {
                *s += 0.5 * ((a - at) + (b - at));
            }
        }
    }
    sum.iter().map(|s| if kept > 0 { s / kept as f64 } else { 0.0 }).collect()
}

/// Variance that each source gives each output by itself as Monte Carlo sees it, the other inputs at their estimates
/// (JCGM 101, annex B); outer index the source, inner the output.
///
/// The first-order variance is exact and only the excess over it is sampled, from the same trials.
pub(super) fn variances<M: Model>(
    inputs: &Inputs,
    model: &M,
    slopes: &Matrix,
    values: &[f64],
    first_order: &[Vec<Part>],
    trials: usize,
    seed: u64,
) -> Result<Vec<Vec<f64>>, UncertaintyError> {
    let sources = inputs.sources();
    (0..sources.len())
        .into_par_iter()
        .map(|s| {
            let moved: Vec<usize> = (0..inputs.len())
                .filter(|i| inputs.items()[*i].source() == sources[s] && inputs.items()[*i].u() > 0.0)
                .collect();
            let exact = || (0..values.len()).map(|o| first_order[o][s].alone).collect();
            if moved.is_empty() {
                return Ok(exact());
            }
            let sampler = Sampler::new(inputs, |i| moved.contains(&i));
            let centre = inputs.estimates();
            // The outputs and, behind them, their first-order approximations.
            let both = WithLinear { model, slopes, values, moved: &moved, centre: &centre };
            let mut columns = vec![Vec::with_capacity(trials); 2 * values.len()];
            let mut rng = generator(seed, SOURCE_STREAM + s as u64, 0);
            draw_into(&sampler, &both, &mut rng, &mut columns, trials, 0.9)?;
            Ok((0..values.len())
                .map(|o| {
                    let excess = variance(&columns[o]) - variance(&columns[values.len() + o]);
                    (first_order[o][s].alone + excess).max(0.0)
                })
                .collect())
        })
        .collect()
}

fn variance(values: &[f64]) -> f64 {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0)
}

/// A model with its tangent plane as further outputs.
struct WithLinear<'a, M> {
    model: &'a M,
    slopes: &'a Matrix,
    values: &'a [f64],
    moved: &'a [usize],
    centre: &'a [f64],
}

impl<M: Model> Model for WithLinear<'_, M> {
    type Scratch = M::Scratch;

    fn run(&self, inputs: &[f64], outputs: &mut [f64], scratch: &mut M::Scratch) {
        let (own, linear) = outputs.split_at_mut(self.values.len());
        self.model.run(inputs, own, scratch);
        for (o, y) in linear.iter_mut().enumerate() {
            *y = self.values[o]
                + self.moved.iter().map(|i| self.slopes.at(o, *i) * (inputs[*i] - self.centre[*i])).sum::<f64>();
        }
    }
}
