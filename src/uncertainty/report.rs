//! What is reported for an output, and the choice between first order and Monte Carlo.

use std::fmt;

use super::monte_carlo::{Simulated, numerical_tolerance};
use super::{BudgetLine, Rounded};

/// Where a reported interval comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Method {
    /// The law of propagation with Student's t.
    FirstOrder,
    /// Monte Carlo, shortest interval.
    MonteCarlo,
}

/// Why a method was taken.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum Reason {
    /// No input on which the output depends has an uncertainty.
    NothingUncertain,
    /// No trials were wanted.
    NoTrials,
    /// Both methods agree within the numerical tolerance (JCGM 101 clause 8).
    Agree {
        /// Largest difference of an end.
        difference: f64,
        /// Numerical tolerance.
        tolerance: f64,
    },
    /// They disagree.
    Disagree {
        /// Largest difference of an end.
        difference: f64,
        /// Numerical tolerance with the sampling error of the ends.
        tolerance: f64,
    },
    /// An input is one-sided or acts one way.
    OneSided {
        /// Source ids of such inputs.
        sources: Vec<String>,
    },
}

impl fmt::Display for Reason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NothingUncertain => f.write_str("nothing it depends on is uncertain"),
            Self::NoTrials => f.write_str("first order, without Monte Carlo beside it"),
            Self::Agree { difference, tolerance } => {
                write!(
                    f,
                    "first order and Monte Carlo agree: ends differ by {difference:.2e}, tolerance {tolerance:.2e}"
                )
            }
            Self::Disagree { difference, tolerance } => {
                write!(f, "first order is off by {difference:.2e} at an end, tolerance {tolerance:.2e}: Monte Carlo")
            }
            Self::OneSided { sources } => write!(f, "one-sided: {}: Monte Carlo", sources.join(", ")),
        }
    }
}

/// What travels with a figure.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum Warning {
    /// First order was reported without trials although the model is curved over the uncertainties.
    NotLinear {
        /// Second-order shift of the mean, not applied.
        shift: f64,
        /// Standard deviation that the terms of higher order would add in quadrature, roughly.
        u_beyond: f64,
    },
    /// First order was reported without trials although inputs are one-sided.
    OneSided {
        /// Source ids of such inputs.
        sources: Vec<String>,
    },
    /// The limit of trials was reached before the wanted digits settled.
    NotSettled {
        /// Standard error of the interval's ends.
        end_error: f64,
    },
    /// A type A input has at most two degrees of freedom: no variance exists, u is the first-order one and the value the median.
    NoVariance,
}

impl fmt::Display for Warning {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NotLinear { shift, u_beyond } => write!(
                f,
                "not linear over its uncertainties: the mean would shift by {shift:.2e}, and {u_beyond:.2e} would add to u"
            ),
            Self::OneSided { sources } => write!(f, "one-sided and not simulated: {}", sources.join(", ")),
            Self::NotSettled { end_error } => {
                write!(
                    f,
                    "the limit of trials was reached; the interval's ends are known to about {}",
                    super::significant(*end_error, 2)
                )
            }
            Self::NoVariance => {
                f.write_str("a repeated input has at most two degrees of freedom: trust the interval, not u")
            }
        }
    }
}

/// The first-order result for one output.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FirstOrder {
    /// Value at the estimates, less the curve bias where one was asked for.
    pub value: f64,
    /// Combined standard uncertainty.
    pub u: f64,
    /// Effective degrees of freedom.
    pub dof: f64,
    /// Coverage factor from Student's t with these (not truncated) degrees of freedom.
    pub k: f64,
    /// `value − k u`.
    pub low: f64,
    /// `value + k u`.
    pub high: f64,
}

/// One reported quantity, in the model's own unit.
#[derive(Clone, Debug, PartialEq)]
pub struct Output {
    /// Its name.
    pub name: String,
    /// The value.
    pub value: f64,
    /// Standard uncertainty.
    pub u: f64,
    /// Lower end of the coverage interval.
    pub low: f64,
    /// Upper end.
    pub high: f64,
    /// Coverage probability of the interval.
    pub coverage: f64,
    /// Half of the interval over u.
    pub k: f64,
    /// Effective degrees of freedom, Welch and Satterthwaite.
    pub dof: f64,
    /// Where the interval comes from.
    pub method: Method,
    /// Why.
    pub reason: Reason,
    /// Lengthening by the placement errors of marks; already taken out of `value`, `low` and `high`. 0 unless asked for.
    pub curve_bias: f64,
    /// What each source contributes, largest share first.
    pub budget: Vec<BudgetLine>,
    /// The first-order result, whichever is reported.
    pub first_order: FirstOrder,
    /// What the trials gave, before the curve bias is taken out.
    pub simulated: Option<Simulated>,
    /// What travels with the figure.
    pub warnings: Vec<Warning>,
}

impl Output {
    /// Half of the coverage interval: U where the interval is symmetric.
    #[must_use]
    pub fn expanded(&self) -> f64 {
        0.5 * (self.high - self.low)
    }

    /// Value and U rounded for people, U with two significant digits.
    #[must_use]
    pub fn rounded(&self) -> Rounded {
        Rounded::new(self.value, self.expanded(), 2)
    }
}

/// What [`choose`] decided.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Choice {
    pub(super) method: Method,
    pub(super) reason: Reason,
    pub(super) value: f64,
    pub(super) u: f64,
    pub(super) low: f64,
    pub(super) high: f64,
    pub(super) warnings: Vec<Warning>,
}

/// What [`choose`] weighs beside the first-order result.
#[derive(Clone, Copy, Debug)]
pub(super) struct Evidence<'a> {
    pub(super) simulated: Option<Simulated>,
    /// Whether anything that the output depends on is uncertain.
    pub(super) uncertain: bool,
    /// Source ids of the one-sided inputs on which the output depends.
    pub(super) one_sided: &'a [String],
    pub(super) has_variance: bool,
    pub(super) curve_bias: f64,
}

/// Chooses what to report: Monte Carlo where an input is one-sided or where the ends of the intervals differ by more
/// than the numerical tolerance and twice the sampling error of the simulated ends; else first order.
///
/// The ends compared are those of the interval with equal tails, whose sampling error is small; what is reported is the
/// shortest interval.
pub(super) fn choose(first: &FirstOrder, evidence: &Evidence<'_>, digits: u8) -> Choice {
    let Evidence { simulated, uncertain, one_sided, has_variance, curve_bias } = *evidence;
    let from_first = |reason, warnings| Choice {
        method: Method::FirstOrder,
        reason,
        value: first.value,
        u: first.u,
        low: first.low,
        high: first.high,
        warnings,
    };
    if !uncertain {
        return from_first(Reason::NothingUncertain, Vec::new());
    }
    let Some(trials) = simulated else {
        let mut warnings = Vec::new();
        if !one_sided.is_empty() {
            warnings.push(Warning::OneSided { sources: one_sided.to_vec() });
        }
        return from_first(Reason::NoTrials, warnings);
    };
    let simulated_ends = trials.symmetric.moved(-2.0 * curve_bias);
    let difference = (simulated_ends.low - first.low).abs().max((simulated_ends.high - first.high).abs());
    let delta = numerical_tolerance(first.u, digits);
    let tolerance = delta + 2.0 * trials.end_error;
    let reason = if !one_sided.is_empty() {
        Reason::OneSided { sources: one_sided.to_vec() }
    } else if difference > tolerance {
        Reason::Disagree { difference, tolerance }
    } else {
        let warnings = if has_variance { Vec::new() } else { vec![Warning::NoVariance] };
        return from_first(Reason::Agree { difference, tolerance: delta }, warnings);
    };
    let interval = trials.shortest.moved(-2.0 * curve_bias);
    let mut warnings = Vec::new();
    if !has_variance {
        warnings.push(Warning::NoVariance);
    }
    if !trials.settled {
        warnings.push(Warning::NotSettled { end_error: trials.end_error });
    }
    Choice {
        method: Method::MonteCarlo,
        reason,
        value: (if has_variance { trials.mean } else { trials.median }) - 2.0 * curve_bias,
        u: if has_variance { trials.u } else { first.u },
        low: interval.low,
        high: interval.high,
        warnings,
    }
}
