//! A few evaluations of the model that show what first order cannot: curvature, products, odd terms.

use rand::RngExt;

use super::Inputs;
use super::model::Model;
use super::propagate::Propagated;
use super::sampler::generator;

/// What happens to each output one standard deviation away from the estimates.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Beyond {
    /// Second-order shift of the mean over the value at the estimates, `½ Σ V_ij ∂²f/∂x_i∂x_j`.
    pub(super) shift: Vec<f64>,
    /// Standard deviation that products of inputs and odd terms of higher order bring, roughly.
    pub(super) u: Vec<f64>,
    /// Largest change of the output: 0 only where no uncertain input has an effect.
    pub(super) reach: Vec<f64>,
}

/// Steps with all inputs together, each with its mirror image. The signs are the same in every evaluation.
const JOINT_STEPS: usize = 8;

impl Beyond {
    /// Looks one standard deviation to both sides along the principal directions of each group, and along sums of
    /// all of them with random signs, over the inputs for which `varied` is true.
    ///
    /// Where the model is not finite on a side the figures are infinite: nothing is known beyond first order.
    pub(super) fn of<M: Model>(model: &M, inputs: &Inputs, linear: &Propagated, varied: &[bool]) -> Self {
        let outputs = linear.values.len();
        let mut looked = Self { shift: vec![0.0; outputs], u: vec![0.0; outputs], reach: vec![0.0; outputs] };
        let directions = directions(inputs, varied);
        if directions.is_empty() {
            return looked;
        }
        let mut probe = Probe {
            model,
            linear,
            centre: inputs.estimates(),
            x: inputs.estimates(),
            above: vec![0.0; outputs],
            below: vec![0.0; outputs],
            scratch: M::Scratch::default(),
        };
        for direction in &directions {
            probe.step(direction);
            for o in 0..outputs {
                looked.shift[o] += probe.even(o);
                looked.reach[o] = looked.reach[o].max(probe.reach(o));
            }
        }
        let mut rng = generator(0, 0, 0);
        let mut squares = vec![0.0; outputs];
        for _ in 0..JOINT_STEPS {
            let mut sum = Direction::default();
            for direction in &directions {
                let sign = if rng.random::<bool>() { 1.0 } else { -1.0 };
                sum.extend(direction.iter().map(|(i, d)| (*i, sign * d)));
            }
            probe.step(&sum);
            for (o, square) in squares.iter_mut().enumerate() {
                let (even, odd) = (probe.even(o) - looked.shift[o], probe.odd(o, &sum));
                *square += if even.is_finite() { even * even + odd * odd } else { f64::INFINITY };
                looked.reach[o] = looked.reach[o].max(probe.reach(o));
            }
        }
        looked.u = squares.iter().map(|s| (s / JOINT_STEPS as f64).sqrt()).collect();
        looked
    }
}

/// Departures of some inputs from their estimates; an input may stand more than once.
type Direction = Vec<(usize, f64)>;

/// One direction per independent way in which the varied inputs can move by a standard deviation.
fn directions(inputs: &Inputs, varied: &[bool]) -> Vec<Direction> {
    let mut all = Vec::new();
    for group in inputs.groups() {
        let n = group.members.len();
        for column in 0..n {
            let moves = group.members.clone().enumerate().map(|(row, i)| match &group.block {
                Some(block) => (i, block.factor[row * n + column]),
                None => (i, inputs.items()[i].u()),
            });
            let direction: Direction = moves.filter(|(i, d)| varied[*i] && *d != 0.0).collect();
            if !direction.is_empty() {
                all.push(direction);
            }
        }
    }
    all
}

struct Probe<'a, M: Model> {
    model: &'a M,
    linear: &'a Propagated,
    centre: Vec<f64>,
    x: Vec<f64>,
    above: Vec<f64>,
    below: Vec<f64>,
    scratch: M::Scratch,
}

impl<M: Model> Probe<'_, M> {
    fn step(&mut self, direction: &[(usize, f64)]) {
        for sign in [1.0, -1.0] {
            self.x.copy_from_slice(&self.centre);
            for (i, d) in direction {
                self.x[*i] += sign * d;
            }
            let y = if sign > 0.0 { &mut self.above } else { &mut self.below };
            self.model.run(&self.x, y, &mut self.scratch);
        }
    }

    /// Mean of both sides less the middle; infinite where a side is not finite.
    fn even(&self, o: usize) -> f64 {
        let at = self.linear.values[o];
        let sum = (self.above[o] - at) + (self.below[o] - at);
        if sum.is_finite() { 0.5 * sum } else { f64::INFINITY }
    }

    /// Half the difference of the sides less what the slopes say.
    fn odd(&self, o: usize, direction: &[(usize, f64)]) -> f64 {
        let straight: f64 = direction.iter().map(|(i, d)| self.linear.jacobian.at(o, *i) * d).sum();
        0.5 * (self.above[o] - self.below[o]) - straight
    }

    fn reach(&self, o: usize) -> f64 {
        let at = self.linear.values[o];
        let (up, down) = ((self.above[o] - at).abs(), (self.below[o] - at).abs());
        if (up + down).is_finite() { up.max(down) } else { f64::INFINITY }
    }
}
