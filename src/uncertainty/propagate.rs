//! The law of propagation of uncertainty with the full covariance, and Welch and Satterthwaite's degrees of freedom.

use super::model::{Model, at_estimates, jacobian};
use super::{Inputs, Matrix, UncertaintyError};

/// First-order result of a model: values, Jacobian, covariance and degrees of freedom of the outputs.
#[derive(Clone, Debug, PartialEq)]
pub struct Propagated {
    /// Each output at the estimates of the inputs.
    pub values: Vec<f64>,
    /// ∂output/∂input, outputs as rows.
    pub jacobian: Matrix,
    /// Covariance of the outputs, `J V Jᵀ`.
    pub covariance: Matrix,
    /// Effective degrees of freedom of each output; infinite where its u is 0.
    pub dof: Vec<f64>,
}

impl Propagated {
    /// Standard uncertainty of one output.
    #[must_use]
    pub fn u(&self, output: usize) -> f64 {
        self.covariance.at(output, output).max(0.0).sqrt()
    }
}

/// Propagates the inputs through a model to first order.
///
/// `names` has one entry per output. The covariance is `J V Jᵀ` with `V` of all inputs, block by block; the degrees
/// of freedom are `u⁴ / Σ u_g⁴/ν_g` over the independent groups `g`, a correlated block counting as one.
///
/// # Accuracy
/// Exact for models linear in the inputs up to rounding; the difference quotient adds about 1e-8 relative for smooth ones.
/// # Errors
/// [`UncertaintyError::Model`] where the model is not finite at or beside the estimates, [`UncertaintyError::Jacobian`].
/// # Source
/// JCGM 100:2008, clauses 5.1 and 5.2 and G.4; for several outputs JCGM 102:2011, clause 6.2.
pub fn propagate<M: Model>(inputs: &Inputs, names: &[&str], model: &M) -> Result<Propagated, UncertaintyError> {
    let x = inputs.estimates();
    let mut scratch = M::Scratch::default();
    let values = at_estimates(model, &x, names, &mut scratch)?;
    let slopes = jacobian(model, inputs, &x, &values, names, &mut scratch)?;
    let outputs = names.len();
    let mut covariance = Matrix::zeros(outputs, outputs);
    let mut spread_of_variance = vec![0.0; outputs];
    for group in inputs.groups() {
        let part = group_covariance(inputs, group, &slopes);
        for (a, spread) in spread_of_variance.iter_mut().enumerate() {
            for b in 0..outputs {
                covariance.set(a, b, covariance.at(a, b) + part.at(a, b));
            }
            if group.dof.is_finite() {
                *spread += part.at(a, a).powi(2) / group.dof;
            }
        }
    }
    let dof = (0..outputs)
        .map(|o| {
            let variance = covariance.at(o, o);
            if spread_of_variance[o] > 0.0 { variance * variance / spread_of_variance[o] } else { f64::INFINITY }
        })
        .collect();
    Ok(Propagated { values, jacobian: slopes, covariance, dof })
}

/// What one group adds to the covariance of the outputs.
fn group_covariance(inputs: &Inputs, group: &super::input::Group, slopes: &Matrix) -> Matrix {
    let outputs = slopes.rows();
    let mut part = Matrix::zeros(outputs, outputs);
    // As a sum of squares over the factor's columns it can never become negative.
    let n = group.members.len();
    for direction in 0..n {
        let effect: Vec<f64> = (0..outputs)
            .map(|o| {
                group
                    .members
                    .clone()
                    .enumerate()
                    .map(|(row, i)| {
                        let d = match &group.block {
                            Some(block) => block.factor[row * n + direction],
                            None => inputs.items()[i].u(),
                        };
                        slopes.at(o, i) * d
                    })
                    .sum()
            })
            .collect();
        for a in 0..outputs {
            for b in 0..outputs {
                part.set(a, b, part.at(a, b) + effect[a] * effect[b]);
            }
        }
    }
    part
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::uncertainty::{EvaluationType, Input, Member};

    #[test]
    fn equal_contributions_of_ten_dof_from_four_inputs_give_forty() {
        let mut inputs = Inputs::new();
        for id in ["a", "b", "c", "d"] {
            inputs.push(Input::type_a(id, id, 1.0, 0.1, 10.0).unwrap());
        }
        let p = propagate(&inputs, &["sum"], &|x: &[f64], y: &mut [f64]| y[0] = x.iter().sum()).unwrap();
        assert!((p.dof[0] - 40.0).abs() < 1e-6, "{}", p.dof[0]);
        assert!((p.u(0) - 0.2).abs() < 1e-12);
    }

    #[test]
    fn a_block_is_one_group_for_the_degrees_of_freedom() {
        let mut inputs = Inputs::new();
        let m: Vec<Member<'_>> = ["a", "b", "c", "d"].map(|s| Member { source: s, label: s, estimate: 1.0 }).to_vec();
        let diagonal: Vec<f64> = (0..16).map(|i| if i % 5 == 0 { 0.01 } else { 0.0 }).collect();
        inputs.push_block(&m, &diagonal, 10.0, EvaluationType::A).unwrap();
        let p = propagate(&inputs, &["sum"], &|x: &[f64], y: &mut [f64]| y[0] = x.iter().sum()).unwrap();
        assert!((p.dof[0] - 10.0).abs() < 1e-6, "{}", p.dof[0]);
        assert!((p.u(0) - 0.2).abs() < 1e-12);
    }

    #[test]
    fn the_edge_of_the_domain_takes_a_one_sided_difference() {
        let mut inputs = Inputs::new();
        inputs.push(Input::normal("x", "x", 0.0, 0.1).unwrap());
        let edge = |x: &[f64], y: &mut [f64]| y[0] = if x[0] < 0.0 { f64::NAN } else { 3.0 * x[0] };
        let p = propagate(&inputs, &["y"], &edge).unwrap();
        assert!((p.jacobian.at(0, 0) - 3.0).abs() < 1e-9);
        let nowhere = |x: &[f64], y: &mut [f64]| y[0] = if x[0] == 0.0 { 0.0 } else { f64::NAN };
        assert!(propagate(&inputs, &["y"], &nowhere).is_err());
        let bad = |_: &[f64], y: &mut [f64]| y[0] = f64::INFINITY;
        assert_eq!(
            propagate(&inputs, &["length"], &bad).unwrap_err().to_string(),
            "the model gives inf for \"length\" at the estimates of the inputs; it must be finite there"
        );
    }
}
