//! Uncertainty: inputs, propagation, Monte Carlo, budgets, rounding.
//!
//! One engine serves every figure of the product. A figure is built in four steps: list what it depends on
//! ([`Inputs`]), write it as a function of that list ([`Model`]), [`evaluate`] it, and show what comes out ([`Output`],
//! [`Rounded`]). Outputs of one evaluation keep their covariances; whatever shares an input stays correlated.
//!
//! Numbers are in the model's own units: the engine neither knows nor changes them.
//!
//! The end gauge of GUM H.1 (nanometres and kelvins), its six inputs and its budget:
//!
//! ```
//! use motestick::uncertainty::{Input, Inputs, Options, dof_of_relative_uncertainty, evaluate};
//!
//! let mut inputs = Inputs::new();
//! inputs.push(Input::type_a("l_S", "length of the standard", 50_000_623.0, 25.0, 18.0)?);
//! inputs.push(Input::normal("d", "difference by the comparator", 215.0, 9.7)?.with_dof(25.6)?);
//! inputs.push(Input::rectangular("α_S", "expansion of the standard", 11.5e-6, 2e-6)?);
//! inputs.push(Input::normal("θ", "temperature of the bed", -0.1, 0.41)?);
//! inputs.push(Input::rectangular("δα", "difference of expansion", 0.0, 1e-6)?.with_dof(dof_of_relative_uncertainty(0.1))?);
//! inputs.push(Input::rectangular("δθ", "difference of temperature", 0.0, 0.05)?.with_dof(dof_of_relative_uncertainty(0.5))?);
//!
//! let length = |x: &[f64], y: &mut [f64]| y[0] = x[0] + x[1] - x[0] * (x[4] * x[3] + x[2] * x[5]);
//! let options = Options { coverage: 0.99, ..Options::first_order() };
//! let evaluation = evaluate(&inputs, &["length"], length, &options)?;
//!
//! let gauge = &evaluation.outputs[0];
//! assert_eq!(gauge.rounded().with_unit("nm"), "50000838 ± 92 nm");
//! assert!((gauge.u - 31.66).abs() < 0.02 && (gauge.dof - 16.75).abs() < 0.05);
//! assert_eq!(gauge.budget[0].source, "l_S");
//! assert_eq!(gauge.budget.len(), 6, "inputs without effect stay in the budget");
//! # Ok::<(), motestick::uncertainty::UncertaintyError>(())
//! ```

mod additive;
mod agreement;
mod beside;
mod beyond;
mod budget;
mod distribution;
mod error;
mod evaluate;
mod input;
mod model;
mod monte_carlo;
mod one_at_a_time;
mod propagate;
mod report;
mod rounding;
mod sampler;

pub use crate::stats::Matrix;
pub use agreement::{Pooled, Repeat, normalised_error, pooled};
pub use budget::BudgetLine;
pub use distribution::Distribution;
pub use error::UncertaintyError;
pub use evaluate::{CurveBias, Evaluation, JOINT_SOURCE, Options, evaluate};
pub use input::{EvaluationType, Input, Inputs, Member, dof_of_relative_uncertainty};
pub use model::Model;
pub use monte_carlo::{Simulated, Simulation, Trials, numerical_tolerance};
pub use propagate::{Propagated, propagate};
pub use report::{FirstOrder, Method, Output, Reason, Warning};
pub use rounding::{Rounded, interval_text, significant};
