//! One call from inputs and model to value, interval, k, ν and budget for every output.

use super::additive::Additive;
use super::beside::simulate_beside;
use super::beyond::Beyond;
use super::budget::{self, BudgetLine, Part};
use super::model::Model;
use super::monte_carlo::{Request, Simulated, Simulation, Trials, simulate};
use super::one_at_a_time::{mean_shift, variances};
use super::propagate::{Propagated, propagate};
use super::report::{Choice, Evidence, FirstOrder, Output, Reason, Warning, choose};
use super::{Inputs, Matrix, UncertaintyError};
use crate::stats::student_t_quantile;

/// An output whose value is a length along a drawn curve, and the inputs (marks) whose placement errors lengthen it.
///
/// Random errors of the marks lengthen a drawn path, and Monte Carlo about the drawn marks adds that bias a second time.
/// With `bias` = mean of the trials in which these inputs alone move − length as drawn, the value is taken as
/// `mean of all trials − 2 bias` and the interval is moved by the same `−2 bias` (to first order: `length − bias`).
#[derive(Clone, Debug, PartialEq)]
pub struct CurveBias {
    /// Index of the output.
    pub output: usize,
    /// Indices of the marks' coordinates among the inputs.
    pub inputs: Vec<usize>,
}

/// How an evaluation is made.
#[derive(Clone, Debug, PartialEq)]
pub struct Options {
    /// Coverage probability of the intervals, above 0 and below 1.
    pub coverage: f64,
    /// Monte Carlo trials.
    pub trials: Trials,
    /// Seed of the trials: the same seed gives the same figures on any number of threads.
    pub seed: u64,
    /// Significant digits of u that must be right: sets the numerical tolerance of JCGM 101 clause 7.9.2. 1 to 4.
    pub digits: u8,
    /// Largest share of trials that may fall outside the model's domain, where the inputs are thereby truncated. Below 1.
    pub max_rejected: f64,
    /// Outputs that are lengths along drawn curves.
    pub curve_bias: Vec<CurveBias>,
}

impl Default for Options {
    /// 95 % coverage, adaptive Monte Carlo up to 10⁶ trials, two digits of u, at most 0.1 % of trials rejected.
    fn default() -> Self {
        Self {
            coverage: 0.95,
            trials: Trials::Adaptive { at_most: 1_000_000 },
            seed: 1,
            digits: 2,
            max_rejected: 1e-3,
            curve_bias: Vec::new(),
        }
    }
}

impl Options {
    /// First order only, for figures that change while a mark is dragged.
    #[must_use]
    pub fn first_order() -> Self {
        Self { trials: Trials::Skip, ..Self::default() }
    }

    fn check(&self, inputs: usize, outputs: usize) -> Result<(), UncertaintyError> {
        let refuse = |what, value, must_be| Err(UncertaintyError::Option { what, value, must_be });
        if !(self.coverage > 0.0 && self.coverage <= 0.9999) {
            return refuse("coverage", self.coverage, "above 0 and at most 0.9999");
        }
        if !(1..=4).contains(&self.digits) {
            return refuse("digits", f64::from(self.digits), "1 to 4");
        }
        if !(0.0..1.0).contains(&self.max_rejected) {
            return refuse("max_rejected", self.max_rejected, "0 or above and below 1");
        }
        for bias in &self.curve_bias {
            if bias.output >= outputs {
                return refuse("curve_bias.output", bias.output as f64, "the index of an output");
            }
            if let Some(bad) = bias.inputs.iter().find(|i| **i >= inputs) {
                return refuse("curve_bias.inputs", *bad as f64, "the index of an input");
            }
        }
        Ok(())
    }
}

/// Everything that an evaluation yields.
#[derive(Clone, Debug, PartialEq)]
pub struct Evaluation {
    /// One entry per name, in the order of the names.
    pub outputs: Vec<Output>,
    /// Covariance of the outputs, consistent with their reported u: for sums, differences and ratios formed later.
    pub covariance: Matrix,
    /// Correlation of the outputs.
    pub correlation: Matrix,
    /// ∂output/∂input at the estimates, outputs as rows.
    pub jacobian: Matrix,
    /// Monte Carlo trials kept; 0 where none were wanted.
    pub trials: usize,
    /// Trials drawn anew because the model gave no finite result.
    pub rejected: usize,
}

/// Evaluates a model: first order always, Monte Carlo as [`Options::trials`] says, and for each output the interval to
/// report, the method it was taken from and why.
///
/// # Accuracy
/// First order as [`propagate`]; Monte Carlo to the numerical tolerance of clause 7.9.2, or the output carries
/// [`Warning::NotSettled`].
/// # Errors
/// [`UncertaintyError`]: a model that is not finite at the estimates, too many rejected trials, an option out of range.
/// # Source
/// JCGM 100:2008 clauses 5, 6 and G.4; JCGM 101:2008 clauses 5.9, 7 and 8 and annex B.
pub fn evaluate<M: Model>(
    inputs: &Inputs,
    names: &[&str],
    model: M,
    options: &Options,
) -> Result<Evaluation, UncertaintyError> {
    options.check(inputs.len(), names.len())?;
    let model = &model;
    let linear = propagate(inputs, names, model)?;
    let domain = Domain::of(inputs, model, &linear);
    let request = Request {
        trials: options.trials,
        coverage: options.coverage,
        digits: options.digits,
        seed: options.seed,
        max_rejected: options.max_rejected,
    };
    let mut additive = match options.trials {
        Trials::Adaptive { .. } => Additive::of(inputs, model, &linear),
        Trials::Skip | Trials::Fixed(_) => None,
    };
    let mut simulation = additive.as_ref().and_then(|a| simulate_beside(inputs, model, a, request));
    if simulation.is_none() {
        additive = None;
        simulation = simulate(inputs, model, &domain.has_variance, request)?;
    }
    let bias = curve_bias(inputs, model, &linear, &domain, additive.as_ref(), options);
    let mut outputs = Vec::with_capacity(names.len());
    for (o, name) in names.iter().enumerate() {
        let first = first_order(&linear, o, bias[o], options.coverage)?;
        let simulated = simulation.as_ref().map(|s| s.outputs[o]);
        let evidence = Evidence {
            simulated,
            uncertain: first.u > 0.0 || domain.beyond.reach[o] > 0.0,
            one_sided: &domain.sides[o],
            has_variance: domain.has_variance[o],
            curve_bias: bias[o],
        };
        let mut chosen = choose(&first, &evidence, options.digits);
        if simulated.is_none() && chosen.reason != Reason::NothingUncertain {
            let (shift, u_beyond) = (domain.beyond.shift[o] - bias[o], domain.beyond.u[o]);
            let tolerance = super::numerical_tolerance(first.u, options.digits);
            if shift.abs() > tolerance || first.u.hypot(u_beyond) - first.u > tolerance {
                chosen.warnings.push(Warning::NotLinear { shift, u_beyond });
            }
        }
        outputs.push(output(name, first, simulated, chosen, bias[o], options.coverage));
    }
    let known = Known { linear: &linear, domain: &domain, additive: additive.as_ref() };
    fill_budgets(inputs, model, &known, options, simulation.as_ref(), &mut outputs)?;
    let correlation = correlation(&linear, &domain, simulation.as_ref());
    let mut covariance = Matrix::zeros(names.len(), names.len());
    for (a, left) in outputs.iter().enumerate() {
        for (b, right) in outputs.iter().enumerate() {
            covariance.set(a, b, correlation.at(a, b) * left.u * right.u);
        }
    }
    let (trials, rejected) = simulation.map_or((0, 0), |s| (s.trials, s.rejected));
    Ok(Evaluation { outputs, covariance, correlation, jacobian: linear.jacobian, trials, rejected })
}

/// What a few evaluations of the model say about each output beyond first order.
struct Domain {
    /// False where the output depends on an input without a variance.
    has_variance: Vec<bool>,
    /// Source ids of the one-sided inputs on which each output depends.
    sides: Vec<Vec<String>>,
    /// What happens one standard deviation away.
    beyond: Beyond,
}

impl Domain {
    fn of<M: Model>(inputs: &Inputs, model: &M, linear: &Propagated) -> Self {
        let outputs = linear.values.len();
        let x = inputs.estimates();
        let mut scratch = M::Scratch::default();
        let mut has_variance = vec![true; outputs];
        let mut sides = vec![Vec::new(); outputs];
        let (mut moved, mut y) = (x.clone(), vec![0.0; outputs]);
        for group in inputs.groups() {
            let no_variance = inputs.drawn_variance_factor(group).is_infinite();
            for i in group.members.clone() {
                let item = &inputs.items()[i];
                if item.u() <= 0.0 || !(no_variance || item.is_one_sided()) {
                    continue;
                }
                moved[i] = x[i] + item.u();
                model.run(&moved, &mut y, &mut scratch);
                moved[i] = x[i];
                for o in 0..outputs {
                    let depends = linear.jacobian.at(o, i) != 0.0 || y[o] != linear.values[o];
                    if depends && no_variance {
                        has_variance[o] = false;
                    }
                    if depends && item.is_one_sided() && !sides[o].iter().any(|s| s == item.source()) {
                        sides[o].push(item.source().to_owned());
                    }
                }
            }
        }
        let beyond = Beyond::of(model, inputs, linear, &vec![true; inputs.len()]);
        Self { has_variance, sides, beyond }
    }
}

/// The bias of every output that is a length along a drawn curve, 0 for the others.
fn curve_bias<M: Model>(
    inputs: &Inputs,
    model: &M,
    linear: &Propagated,
    domain: &Domain,
    additive: Option<&Additive>,
    options: &Options,
) -> Vec<f64> {
    let pairs = match options.trials {
        Trials::Skip => 0,
        Trials::Fixed(n) => (n / 4).clamp(1000, 10_000),
        // Pairs have to tell only what the inputs do together.
        Trials::Adaptive { .. } if additive.is_some() => 1000,
        Trials::Adaptive { .. } => 10_000,
    };
    let mut bias = vec![0.0; linear.values.len()];
    for (number, wanted) in options.curve_bias.iter().enumerate() {
        // Outputs with the same marks share one run.
        if options.curve_bias[..number].iter().any(|earlier| earlier.inputs == wanted.inputs) {
            continue;
        }
        let mut varied = vec![false; inputs.len()];
        for i in &wanted.inputs {
            varied[*i] = true;
        }
        let sampled = pairs > 0
            && options.curve_bias.iter().filter(|b| b.inputs == wanted.inputs).all(|b| domain.has_variance[b.output]);
        let shift = if sampled {
            mean_shift(inputs, model, &linear.values, &varied, additive, (pairs, options.seed))
        } else {
            Beyond::of(model, inputs, linear, &varied).shift
        };
        for b in options.curve_bias.iter().filter(|b| b.inputs == wanted.inputs) {
            bias[b.output] = if shift[b.output].is_finite() { shift[b.output] } else { 0.0 };
        }
    }
    bias
}

fn first_order(linear: &Propagated, o: usize, bias: f64, coverage: f64) -> Result<FirstOrder, UncertaintyError> {
    let (value, u, dof) = (linear.values[o] - bias, linear.u(o), linear.dof[o]);
    let k = student_t_quantile(0.5 * (1.0 + coverage), dof)?;
    Ok(FirstOrder { value, u, dof, k, low: value - k * u, high: value + k * u })
}

fn output(
    name: &str,
    first: FirstOrder,
    simulated: Option<Simulated>,
    chosen: Choice,
    curve_bias: f64,
    coverage: f64,
) -> Output {
    let half_width = 0.5 * (chosen.high - chosen.low);
    let k = if chosen.u > 0.0 { half_width / chosen.u } else { first.k };
    Output {
        name: name.to_owned(),
        value: chosen.value,
        u: chosen.u,
        low: chosen.low,
        high: chosen.high,
        coverage,
        k,
        dof: first.dof,
        method: chosen.method,
        reason: chosen.reason,
        curve_bias,
        budget: Vec::new(),
        first_order: first,
        simulated,
        warnings: chosen.warnings,
    }
}

/// Source id of the line that holds what sources contribute only together.
pub const JOINT_SOURCE: &str = "joint";

/// A joint effect smaller than this share of the variance is sampling noise and is spread over the other lines.
const JOINT_NOISE: f64 = 0.02;

/// What is known of a model beside its trials.
struct Known<'a> {
    linear: &'a Propagated,
    domain: &'a Domain,
    additive: Option<&'a Additive>,
}

fn fill_budgets<M: Model>(
    inputs: &Inputs,
    model: &M,
    &Known { linear, domain, additive }: &Known<'_>,
    options: &Options,
    simulation: Option<&Simulation>,
    outputs: &mut [Output],
) -> Result<(), UncertaintyError> {
    let from_trials: Vec<bool> = outputs
        .iter()
        .enumerate()
        .map(|(o, out)| out.method == super::Method::MonteCarlo && domain.has_variance[o])
        .collect();
    let parts: Vec<Vec<Part>> =
        (0..outputs.len()).map(|o| budget::parts(inputs, &linear.jacobian, o, from_trials[o])).collect();
    let alone = match simulation {
        Some(s) if from_trials.contains(&true) => {
            let trials = if additive.is_some() { 2000 } else { (s.trials / 2).clamp(1000, 20_000) };
            Some(variances(inputs, model, linear, additive, &parts, (trials, options.seed))?)
        }
        _ => None,
    };
    for (o, out) in outputs.iter_mut().enumerate() {
        out.budget = match &alone {
            Some(alone) if from_trials[o] => {
                let own: Vec<f64> = alone.iter().map(|of_source| of_source[o]).collect();
                lines_from_trials(inputs, linear, o, &parts[o], &own, out.u * out.u)
            }
            _ => budget::lines(inputs, &linear.jacobian, o, &parts[o], linear.covariance.at(o, o)),
        };
    }
    Ok(())
}

/// Lines whose shares are those of the simulated variance `total`: each source by itself, half of its first-order
/// covariances, and what is left as a joint line.
fn lines_from_trials(
    inputs: &Inputs,
    linear: &Propagated,
    o: usize,
    first_order: &[Part],
    alone: &[f64],
    total: f64,
) -> Vec<BudgetLine> {
    let mut parts: Vec<Part> = first_order
        .iter()
        .zip(alone)
        .map(|(p, a)| Part { alone: *a, allotted: a + (p.allotted - p.alone), spread: p.spread })
        .collect();
    let sum: f64 = parts.iter().map(|p| p.allotted).sum();
    let rest = total - sum;
    let joint = rest > JOINT_NOISE * total;
    if !joint && sum > 0.0 {
        for p in &mut parts {
            p.allotted *= total / sum;
        }
    }
    let mut lines = budget::lines(inputs, &linear.jacobian, o, &parts, total);
    if joint {
        lines.push(BudgetLine {
            source: JOINT_SOURCE.to_owned(),
            label: "sources acting together".to_owned(),
            inputs: 0,
            evaluation: super::EvaluationType::Both,
            distribution: "several",
            input_u: None,
            sensitivity: None,
            u: rest.sqrt(),
            dof: f64::INFINITY,
            share: rest / total,
        });
        lines.sort_by(|a, b| b.share.total_cmp(&a.share));
    }
    lines
}

/// Correlations from the trials where every input has a variance, else to first order.
fn correlation(linear: &Propagated, domain: &Domain, simulation: Option<&Simulation>) -> Matrix {
    match simulation {
        Some(s) if domain.has_variance.iter().all(|v| *v) => s.covariance.correlation(),
        _ => linear.covariance.correlation(),
    }
}

#[cfg(test)]
#[path = "evaluate_tests.rs"]
mod tests;
