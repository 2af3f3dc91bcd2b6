//! Side runs of Monte Carlo: the bias of a drawn curve, and what each source contributes beyond first order.

use super::additive::Additive;
use super::budget::Part;
use super::model::Model;
use super::monte_carlo::draw_into;
use super::propagate::Propagated;
use super::sampler::{Sampler, generator};
use super::{Inputs, UncertaintyError};
use rayon::prelude::*;

/// Stream of random numbers for the curve bias; the main run has stream 0.
const BIAS_STREAM: u64 = 1;
/// First stream for the sources.
const SOURCE_STREAM: u64 = 2;

/// Mean of the outputs over trials in which only the `varied` inputs move, less their values at the estimates.
///
/// Every trial is taken together with its mirror image about the estimates, so that all that is linear cancels and a few
/// thousand pairs give the bias to about 1 % of itself. With the additive part known, pairs tell only what the inputs do
/// together. Pairs that are not finite are left out. `pairs` is followed by the seed.
pub(super) fn mean_shift<M: Model>(
    inputs: &Inputs,
    model: &M,
    values: &[f64],
    varied: &[bool],
    additive: Option<&Additive>,
    (pairs, seed): (usize, u64),
) -> Vec<f64> {
    let sampler = Sampler::new(inputs, |i| varied[i]);
    let centre = inputs.estimates();
    let (mut x, mut normals, mut scratch) = (sampler.room(), Vec::new(), M::Scratch::default());
    let mut both = [vec![0.0; values.len()], vec![0.0; values.len()]];
    let mut known = [vec![0.0; values.len()], vec![0.0; values.len()]];
    let mut at_centre = values.to_vec();
    let mut departures = Vec::new();
    if let Some(a) = additive {
        a.run(&centre, &mut departures, &mut at_centre);
    }
    let mut rng = generator(seed, BIAS_STREAM, 0);
    let mut sum = vec![0.0; values.len()];
    let mut kept = 0_usize;
    for _ in 0..pairs {
        sampler.fill(&mut rng, &mut x, &mut normals);
        for (y, part) in both.iter_mut().zip(&mut known) {
            model.run(&x, y, &mut scratch);
            match additive {
                Some(a) => a.run(&x, &mut departures, part),
                None => part.copy_from_slice(values),
            }
            for (v, c) in x.iter_mut().zip(&centre) {
                *v = 2.0 * c - *v;
            }
        }
        if both.iter().flatten().all(|v| v.is_finite()) {
            kept += 1;
            for (o, s) in sum.iter_mut().enumerate() {
                let even = |y: &[Vec<f64>; 2], middle: f64| 0.5 * ((y[0][o] - middle) + (y[1][o] - middle));
                *s += even(&both, values[o]) - even(&known, at_centre[o]);
            }
        }
    }
    let alone = |o: usize| additive.map_or(0.0, |a| a.shift(o, |i| varied[i]));
    sum.iter().enumerate().map(|(o, s)| if kept > 0 { s / kept as f64 + alone(o) } else { 0.0 }).collect()
}

/// Variance that each source gives each output by itself as Monte Carlo sees it, the other inputs at their estimates
/// (JCGM 101, annex B); outer index the source, inner the output.
///
/// The first-order variance is exact and only the excess over it is sampled, from the same trials; where the additive part is known,
/// the excess over that. A source of one input has none then. `trials` is followed by the seed.
pub(super) fn variances<M: Model>(
    inputs: &Inputs,
    model: &M,
    linear: &Propagated,
    additive: Option<&Additive>,
    first_order: &[Vec<Part>],
    (trials, seed): (usize, u64),
) -> Result<Vec<Vec<f64>>, UncertaintyError> {
    let sources = inputs.sources();
    let outputs = linear.values.len();
    (0..sources.len())
        .into_par_iter()
        .map(|s| {
            let moved: Vec<usize> = (0..inputs.len())
                .filter(|i| inputs.items()[*i].source() == sources[s] && inputs.items()[*i].u() > 0.0)
                .collect();
            let known = |o: usize| {
                first_order[o][s].alone + additive.map_or(0.0, |a| a.excess(inputs, o, |i| moved.contains(&i)))
            };
            if moved.is_empty() || (additive.is_some() && moved.len() == 1) {
                return Ok((0..outputs).map(known).collect());
            }
            let sampler = Sampler::new(inputs, |i| moved.contains(&i));
            let centre = inputs.estimates();
            // The outputs and, behind them, what is known of them.
            let both = WithKnown { model, linear, additive, moved: &moved, centre: &centre };
            let mut columns = vec![Vec::with_capacity(trials); 2 * outputs];
            let mut rng = generator(seed, SOURCE_STREAM + s as u64, 0);
            draw_into(&sampler, &both, &mut rng, &mut columns, trials, 0.9)?;
            Ok((0..outputs)
                .map(|o| (known(o) + variance(&columns[o]) - variance(&columns[outputs + o])).max(0.0))
                .collect())
        })
        .collect()
}

fn variance(values: &[f64]) -> f64 {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0)
}

/// A model with its additive part, or its tangent plane, as further outputs.
struct WithKnown<'a, M> {
    model: &'a M,
    linear: &'a Propagated,
    additive: Option<&'a Additive>,
    moved: &'a [usize],
    centre: &'a [f64],
}

impl<M: Model> Model for WithKnown<'_, M> {
    type Scratch = (M::Scratch, Vec<f64>);

    fn run(&self, inputs: &[f64], outputs: &mut [f64], (scratch, departures): &mut Self::Scratch) {
        let (own, known) = outputs.split_at_mut(self.linear.values.len());
        self.model.run(inputs, own, scratch);
        if let Some(additive) = self.additive {
            additive.run(inputs, departures, known);
            return;
        }
        for (o, y) in known.iter_mut().enumerate() {
            let slope = |i: &usize| self.linear.jacobian.at(o, *i) * (inputs[*i] - self.centre[*i]);
            *y = self.linear.values[o] + self.moved.iter().map(slope).sum::<f64>();
        }
    }
}
