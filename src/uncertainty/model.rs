//! What the engine evaluates: outputs as a function of inputs, and its Jacobian.

use super::{Inputs, Matrix, UncertaintyError};

/// A measurement model: outputs from inputs, in the order of [`Inputs`].
///
/// Any `Fn(&[f64], &mut [f64]) + Sync` is one; write the closure's parameter types out. A type of your own may keep
/// scratch memory between trials and supply an analytic Jacobian.
/// An output that is not finite says "impossible": Monte Carlo draws such a trial anew (see `Options::max_rejected`).
pub trait Model: Sync {
    /// Memory that lives as long as a block of trials, so that no trial allocates.
    type Scratch: Default;

    /// Writes the outputs for these inputs; the same inputs always give the same outputs.
    fn run(&self, inputs: &[f64], outputs: &mut [f64], scratch: &mut Self::Scratch);

    /// ∂output/∂input at `inputs`, outputs as rows, where it is known; else central differences are taken.
    fn jacobian(&self, _inputs: &[f64]) -> Option<Matrix> {
        None
    }
}

impl<F: Fn(&[f64], &mut [f64]) + Sync> Model for F {
    type Scratch = ();

    fn run(&self, inputs: &[f64], outputs: &mut [f64], (): &mut ()) {
        self(inputs, outputs);
    }
}

/// The outputs at the estimates.
pub(super) fn at_estimates<M: Model>(
    model: &M,
    x: &[f64],
    names: &[&str],
    scratch: &mut M::Scratch,
) -> Result<Vec<f64>, UncertaintyError> {
    let mut y = vec![f64::NAN; names.len()];
    model.run(x, &mut y, scratch);
    match y.iter().position(|v| !v.is_finite()) {
        Some(o) => Err(UncertaintyError::Model {
            output: names[o].to_owned(),
            value: y[o],
            place: "at the estimates of the inputs",
        }),
        None => Ok(y),
    }
}

/// Step of the central difference as a share of the standard uncertainty: small against any curvature that matters,
/// large against rounding. The truncation error of the derivative is below `STEP²/6` of the change of slope over one u.
const STEP: f64 = 0.01;

/// Smallest step relative to the estimate, so that the difference keeps about half of a double's digits.
const LEAST_RELATIVE_STEP: f64 = 1e-8;

/// ∂output/∂input: the model's own, or by central differences with a step of 1 % of each standard uncertainty.
/// Inputs known exactly have a column of zeros. At the edge of the model's domain the difference is one-sided.
pub(super) fn jacobian<M: Model>(
    model: &M,
    inputs: &Inputs,
    x: &[f64],
    y: &[f64],
    names: &[&str],
    scratch: &mut M::Scratch,
) -> Result<Matrix, UncertaintyError> {
    if let Some(own) = model.jacobian(x) {
        let finite = own.entries().iter().all(|v| v.is_finite());
        if own.rows() != names.len() || own.columns() != x.len() || !finite {
            let (rows, columns) = (own.rows(), own.columns());
            return Err(UncertaintyError::Jacobian { rows, columns, finite, outputs: names.len(), inputs: x.len() });
        }
        return Ok(own);
    }
    let mut slopes = Matrix::zeros(names.len(), x.len());
    let mut moved = x.to_vec();
    let (mut above, mut below) = (vec![0.0; names.len()], vec![0.0; names.len()]);
    for (i, item) in inputs.items().iter().enumerate() {
        let u = item.u();
        if u <= 0.0 {
            continue;
        }
        let step = (STEP * u).max((LEAST_RELATIVE_STEP * x[i].abs()).min(u));
        // The steps as the doubles can represent them.
        let (up, down) = (x[i] + step, x[i] - step);
        moved[i] = up;
        model.run(&moved, &mut above, scratch);
        moved[i] = down;
        model.run(&moved, &mut below, scratch);
        moved[i] = x[i];
        for o in 0..names.len() {
            let slope = match (above[o].is_finite(), below[o].is_finite()) {
                (true, true) => (above[o] - below[o]) / (up - down),
                (true, false) => (above[o] - y[o]) / (up - x[i]),
                (false, true) => (y[o] - below[o]) / (x[i] - down),
                (false, false) => f64::NAN,
            };
            if !slope.is_finite() {
                return Err(UncertaintyError::Model {
                    output: names[o].to_owned(),
                    value: above[o],
                    place: "a hundredth of a standard uncertainty beside the estimates",
                });
            }
            slopes.set(o, i, slope);
        }
    }
    Ok(slopes)
}
