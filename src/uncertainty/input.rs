//! The inputs of a measurement and the groups in which they are correlated.

use std::ops::Range;

use nalgebra::{DMatrix, SymmetricEigen};

use super::UncertaintyError;
use super::distribution::{Distribution, t_variance};

/// How a standard uncertainty was come by (GUM clause 2.3).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum EvaluationType {
    /// From repeated observations.
    A,
    /// By other means.
    B,
    /// A budget line that gathers inputs of both kinds.
    Both,
}

impl EvaluationType {
    /// `A`, `B` or `A+B`.
    #[must_use]
    pub const fn letter(self) -> &'static str {
        match self {
            Self::A => "A",
            Self::B => "B",
            Self::Both => "A+B",
        }
    }

    /// What a line is that gathers `self` and `other`.
    #[must_use]
    pub(super) fn and(self, other: Self) -> Self {
        if self == other { self } else { Self::Both }
    }
}

/// One quantity that the result depends on.
///
/// The estimate is always the mean of the distribution, so that the first-order value of the result is corrected for
/// whatever is one-sided about the inputs themselves.
#[derive(Clone, Debug, PartialEq)]
pub struct Input {
    source: String,
    label: String,
    estimate: f64,
    distribution: Distribution,
    dof: f64,
    evaluation: EvaluationType,
    one_sided: bool,
}

impl Input {
    /// An input of any distribution about `estimate`; type B, or type A for Student's t.
    ///
    /// `source` is the stable id under which budgets gather inputs (several inputs may share it); `label` is for people.
    /// For the one-sided shapes `estimate` is the mean, [`Distribution::own_mean`]; the constructors below see to it.
    ///
    /// # Errors
    /// [`UncertaintyError::Input`] for an estimate or parameter that is not finite or out of range.
    pub fn new(source: &str, label: &str, estimate: f64, distribution: Distribution) -> Result<Self, UncertaintyError> {
        let refuse =
            |what, value, must_be| UncertaintyError::Input { source_id: source.to_owned(), what, value, must_be };
        if !estimate.is_finite() {
            return Err(refuse("the estimate", estimate, "finite"));
        }
        if let Some((what, value, must_be)) = distribution.faults() {
            return Err(refuse(what, value, must_be));
        }
        let (dof, evaluation) = match distribution {
            Distribution::StudentT { dof, .. } => (dof, EvaluationType::A),
            _ => (f64::INFINITY, EvaluationType::B),
        };
        Ok(Self {
            source: source.to_owned(),
            label: label.to_owned(),
            estimate,
            distribution,
            dof,
            evaluation,
            one_sided: distribution.is_one_sided(),
        })
    }

    /// Known exactly; it stays in the budget with u = 0.
    ///
    /// # Errors
    /// As [`Input::new`].
    pub fn fixed(source: &str, label: &str, value: f64) -> Result<Self, UncertaintyError> {
        Self::new(source, label, value, Distribution::Fixed)
    }

    /// Normal about `estimate` with standard uncertainty `u`.
    ///
    /// # Errors
    /// As [`Input::new`].
    pub fn normal(source: &str, label: &str, estimate: f64, u: f64) -> Result<Self, UncertaintyError> {
        Self::new(source, label, estimate, Distribution::Normal { sd: u })
    }

    /// Type A: the mean of repeated readings with standard error `std_error = s/√n` and `dof` degrees of freedom.
    ///
    /// # Errors
    /// As [`Input::new`].
    pub fn type_a(source: &str, label: &str, mean: f64, std_error: f64, dof: f64) -> Result<Self, UncertaintyError> {
        Self::new(source, label, mean, Distribution::StudentT { scale: std_error, dof })
    }

    /// Rectangular in `centre` ± `half_width`.
    ///
    /// # Errors
    /// As [`Input::new`].
    pub fn rectangular(source: &str, label: &str, centre: f64, half_width: f64) -> Result<Self, UncertaintyError> {
        Self::new(source, label, centre, Distribution::Rectangular { half_width })
    }

    /// Rectangular from `low` to `high`; the estimate is the middle (GUM clause 4.3.8).
    ///
    /// # Errors
    /// As [`Input::new`]; `high` below `low` is a negative half-width.
    pub fn between(source: &str, label: &str, low: f64, high: f64) -> Result<Self, UncertaintyError> {
        Self::rectangular(source, label, 0.5 * (low + high), 0.5 * (high - low))
    }

    /// Rectangular with limits themselves uncertain by ± `inexact`; the dof follow from `inexact / half_width` (G.4.2).
    ///
    /// # Errors
    /// As [`Input::new`].
    pub fn inexact_limits(
        source: &str,
        label: &str,
        centre: f64,
        half_width: f64,
        inexact: f64,
    ) -> Result<Self, UncertaintyError> {
        let mut input = Self::new(source, label, centre, Distribution::CurvilinearTrapezoid { half_width, inexact })?;
        if inexact > 0.0 {
            input.dof = dof_of_relative_uncertainty(inexact / half_width);
        }
        Ok(input)
    }

    /// `1 − cos θ` with θ uniform within ± `max_rad`: what an unnoticed tilt takes from a length; one-sided.
    ///
    /// # Errors
    /// As [`Input::new`]; the angle must lie between 0 and a right angle.
    pub fn one_minus_cos_within(source: &str, label: &str, max_rad: f64) -> Result<Self, UncertaintyError> {
        let distribution = Distribution::OneMinusCosUniform { max_rad };
        Self::new(source, label, distribution.own_mean(), distribution)
    }

    /// With degrees of freedom for u: how well u itself is known.
    ///
    /// They enter Welch and Satterthwaite's formula. What Monte Carlo draws changes only for Student's t; for a normal
    /// input known from few readings use [`Input::type_a`], for inexact limits [`Input::inexact_limits`].
    ///
    /// # Errors
    /// [`UncertaintyError::Input`] for dof that are not above 0.
    pub fn with_dof(mut self, dof: f64) -> Result<Self, UncertaintyError> {
        if dof.is_nan() || dof <= 0.0 {
            return Err(UncertaintyError::Input {
                source_id: self.source,
                what: "dof",
                value: dof,
                must_be: "above 0",
            });
        }
        self.dof = dof;
        if let Distribution::StudentT { dof: own, .. } = &mut self.distribution {
            *own = dof;
        }
        Ok(self)
    }

    /// With another type of evaluation than the distribution suggests.
    #[must_use]
    pub fn with_evaluation(mut self, evaluation: EvaluationType) -> Self {
        self.evaluation = evaluation;
        self
    }

    /// Marks an input whose effect on the results goes one way, whatever its sign (a tilt, a depth difference):
    /// results that depend on inputs so marked are reported from Monte Carlo.
    #[must_use]
    pub fn acting_one_way(mut self) -> Self {
        self.one_sided = true;
        self
    }

    /// The stable id under which budgets gather it.
    #[must_use]
    pub fn source(&self) -> &str {
        &self.source
    }

    /// The name for people.
    #[must_use]
    pub fn label(&self) -> &str {
        &self.label
    }

    /// The estimate, the mean of the distribution.
    #[must_use]
    pub const fn estimate(&self) -> f64 {
        self.estimate
    }

    /// The distribution about the estimate.
    #[must_use]
    pub const fn distribution(&self) -> Distribution {
        self.distribution
    }

    /// Standard uncertainty.
    #[must_use]
    pub fn u(&self) -> f64 {
        self.distribution.u()
    }

    /// Degrees of freedom of the standard uncertainty.
    #[must_use]
    pub const fn dof(&self) -> f64 {
        self.dof
    }

    /// Type A or B.
    #[must_use]
    pub const fn evaluation(&self) -> EvaluationType {
        self.evaluation
    }

    /// True when its distribution or its effect is one-sided.
    #[must_use]
    pub const fn is_one_sided(&self) -> bool {
        self.one_sided
    }
}

/// Degrees of freedom of a standard uncertainty that is itself known to the relative uncertainty `relative`:
/// `½ relative⁻²`, GUM G.4.2; infinite for 0.
#[must_use]
pub fn dof_of_relative_uncertainty(relative: f64) -> f64 {
    0.5 / (relative * relative)
}

/// One member of a block of correlated inputs.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Member<'a> {
    /// The stable id under which budgets gather it.
    pub source: &'a str,
    /// The name for people.
    pub label: &'a str,
    /// Its estimate.
    pub estimate: f64,
}

/// Inputs that depend on each other, and on nothing outside the group.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Group {
    pub(super) members: Range<usize>,
    pub(super) dof: f64,
    /// Covariance, row by row; none for a single input.
    pub(super) block: Option<Block>,
}

/// A covariance and a factor `F` with `F Fᵀ` equal to it.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Block {
    pub(super) covariance: Vec<f64>,
    pub(super) factor: Vec<f64>,
}

/// The ordered inputs of one evaluation.
///
/// Inputs are independent of each other unless they came in together as a block; blocks are independent of each other.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Inputs {
    items: Vec<Input>,
    groups: Vec<Group>,
}

impl Inputs {
    /// None yet.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Adds an input that is independent of all others; returns its place in the vector that the model receives.
    pub fn push(&mut self, input: Input) -> usize {
        let place = self.items.len();
        self.groups.push(Group { members: place..place + 1, dof: input.dof, block: None });
        self.items.push(input);
        place
    }

    /// Adds inputs with a full covariance (row by row), such as the parameters of a fit; returns their places.
    ///
    /// The block is one group for Welch and Satterthwaite with `dof` degrees of freedom. Monte Carlo draws it from the
    /// multivariate normal, or for finite `dof` from the multivariate t with the covariance as its scale, which is
    /// what a least-squares fit with `dof` residual degrees of freedom leaves (JCGM 102 clause 5.3.2). A diagonal covariance
    /// with finite `dof` says that one estimate of spread serves all members.
    ///
    /// # Errors
    /// [`UncertaintyError::CovarianceSize`], [`UncertaintyError::Covariance`] when not symmetric within 1e-8 of its scale or
    /// not positive semidefinite within 1e-8, [`UncertaintyError::Input`] for an estimate that is not finite or dof not above 0.
    pub fn push_block(
        &mut self,
        members: &[Member<'_>],
        covariance: &[f64],
        dof: f64,
        evaluation: EvaluationType,
    ) -> Result<Range<usize>, UncertaintyError> {
        let n = members.len();
        if covariance.len() != n * n {
            return Err(UncertaintyError::CovarianceSize { members: n, got: covariance.len() });
        }
        let Some(first) = members.first() else { return Ok(self.items.len()..self.items.len()) };
        let block = factorised(first.source, covariance, n)?;
        let start = self.items.len();
        let mut items = Vec::with_capacity(n);
        for (i, member) in members.iter().enumerate() {
            let sd = covariance[i * n + i].max(0.0).sqrt();
            let input = Input::normal(member.source, member.label, member.estimate, sd)?
                .with_dof(dof)?
                .with_evaluation(evaluation);
            items.push(input);
        }
        self.items.append(&mut items);
        self.groups.push(Group { members: start..start + n, dof, block: Some(block) });
        Ok(start..start + n)
    }

    /// Number of inputs.
    #[must_use]
    pub fn len(&self) -> usize {
        self.items.len()
    }

    /// True when there is none.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.items.is_empty()
    }

    /// The inputs in the order in which the model receives them.
    #[must_use]
    pub fn items(&self) -> &[Input] {
        &self.items
    }

    /// The estimates in that order.
    #[must_use]
    pub fn estimates(&self) -> Vec<f64> {
        self.items.iter().map(Input::estimate).collect()
    }

    /// The number of the independent group to which an input belongs; `None` past the end.
    #[must_use]
    pub fn group_of(&self, input: usize) -> Option<usize> {
        self.groups.iter().position(|g| g.members.contains(&input))
    }

    /// The covariance of two inputs as it enters the law of propagation; 0 between groups and past the end.
    #[must_use]
    pub fn covariance(&self, i: usize, j: usize) -> f64 {
        let Some(group) = self.groups.iter().find(|g| g.members.contains(&i)) else { return 0.0 };
        if !group.members.contains(&j) {
            return 0.0;
        }
        match &group.block {
            Some(block) => {
                let n = group.members.len();
                block.covariance[(i - group.members.start) * n + (j - group.members.start)]
            }
            None => self.items[i].u().powi(2),
        }
    }

    pub(super) fn groups(&self) -> &[Group] {
        &self.groups
    }

    /// Source ids in the order in which they first appear.
    #[must_use]
    pub fn sources(&self) -> Vec<&str> {
        let mut ids: Vec<&str> = Vec::new();
        for item in &self.items {
            if !ids.contains(&item.source()) {
                ids.push(item.source());
            }
        }
        ids
    }

    /// How much larger the drawn variance of a group is than the one in the law of propagation: ν/(ν − 2) for Student's t.
    pub(super) fn drawn_variance_factor(&self, group: &Group) -> f64 {
        if group.block.is_some() {
            return t_variance(group.dof);
        }
        match self.items[group.members.start].distribution() {
            Distribution::StudentT { dof, .. } => t_variance(dof),
            _ => 1.0,
        }
    }
}

/// Checks a covariance and factorises it through the eigenvectors of its correlation, so that it may be singular and
/// its members may have very different units.
fn factorised(source: &str, covariance: &[f64], n: usize) -> Result<Block, UncertaintyError> {
    let refuse = |what, value| UncertaintyError::Covariance { source_id: source.to_owned(), what, value };
    if let Some(bad) = covariance.iter().find(|v| !v.is_finite()) {
        return Err(refuse("not finite", *bad));
    }
    let sd: Vec<f64> =
        (0..n).map(|i| covariance[i * n + i]).map(|v| if v >= 0.0 { v.sqrt() } else { f64::NAN }).collect();
    if let Some(i) = sd.iter().position(|s| s.is_nan()) {
        return Err(refuse("negative on its diagonal", covariance[i * n + i]));
    }
    let mut correlation = DMatrix::zeros(n, n);
    for i in 0..n {
        for j in 0..n {
            let scale = sd[i] * sd[j];
            let (a, b) = (covariance[i * n + j], covariance[j * n + i]);
            if (a - b).abs() > 1e-8 * scale {
                return Err(refuse("not symmetric", a - b));
            }
            correlation[(i, j)] = if scale > 0.0 { 0.5 * (a + b) / scale } else { 0.0 };
        }
    }
    let eigen = SymmetricEigen::new(correlation);
    if let Some(negative) = eigen.eigenvalues.iter().copied().find(|v| *v < -1e-8) {
        return Err(refuse("not positive semidefinite, eigenvalue of the correlation", negative));
    }
    let mut factor = vec![0.0; n * n];
    for i in 0..n {
        for j in 0..n {
            factor[i * n + j] = sd[i] * eigen.eigenvectors[(i, j)] * eigen.eigenvalues[j].max(0.0).sqrt();
        }
    }
    Ok(Block { covariance: covariance.to_vec(), factor })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dof_from_the_relative_uncertainty_of_u() {
        // GUM G.4.2 and H.1.6: 25 % gives 8, 10 % gives 50, 50 % gives 2.
        for (relative, dof) in [(0.25, 8.0), (0.1, 50.0), (0.5, 2.0)] {
            assert!((dof_of_relative_uncertainty(relative) - dof).abs() < 1e-9);
        }
        assert_eq!(dof_of_relative_uncertainty(0.0), f64::INFINITY);
        let limits = Input::inexact_limits("t", "t", 0.0, 0.05, 0.025).unwrap();
        assert!((limits.dof() - 2.0).abs() < 1e-12);
    }

    #[test]
    fn bad_inputs_are_refused_with_their_name() {
        let e = Input::normal("scale", "scale", f64::NAN, 1.0).unwrap_err();
        assert_eq!(e.to_string(), "input \"scale\": the estimate is NaN; it must be finite");
        assert!(Input::normal("scale", "scale", 1.0, -1.0).is_err());
        assert!(Input::between("d", "d", 2.0, 1.0).is_err());
        assert!(Input::type_a("r", "r", 1.0, 0.1, f64::NAN).is_err());
        assert!(Input::normal("r", "r", 1.0, 0.1).unwrap().with_dof(0.0).is_err());
    }

    #[test]
    fn blocks_are_checked() {
        let m =
            [Member { source: "fit", label: "a", estimate: 0.0 }, Member { source: "fit", label: "b", estimate: 1.0 }];
        let mut inputs = Inputs::new();
        assert!(matches!(
            inputs.push_block(&m, &[1.0, 0.0, 0.0], 5.0, EvaluationType::A),
            Err(UncertaintyError::CovarianceSize { members: 2, got: 3 })
        ));
        for bad in [[1.0, 0.5, 0.4, 1.0], [1.0, 2.0, 2.0, 1.0], [1.0, f64::NAN, 0.0, 1.0], [-1.0, 0.0, 0.0, 1.0]] {
            assert!(inputs.push_block(&m, &bad, 5.0, EvaluationType::A).is_err(), "{bad:?}");
        }
        assert!(inputs.is_empty(), "a refused block leaves nothing behind");
        // Fully correlated and of very different size: singular, yet good.
        let range = inputs.push_block(&m, &[1e-12, 1e-3, 1e-3, 1e6], f64::INFINITY, EvaluationType::B).unwrap();
        assert_eq!(range, 0..2);
        assert!((inputs.covariance(0, 1) - 1e-3).abs() < 1e-15);
        let place = inputs.push(Input::fixed("f", "f", 2.0).unwrap());
        assert_eq!((place, inputs.group_of(1), inputs.group_of(2), inputs.group_of(9)), (2, Some(0), Some(1), None));
        assert_eq!(inputs.sources(), ["fit", "f"]);
    }
}
