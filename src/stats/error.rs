//! What the statistics refuse.

/// Why a statistic could not be computed.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum StatsError {
    /// Not enough values for the question asked.
    #[error("{needed} values are needed, {got} were given; add values or ask for less")]
    TooFew {
        /// Least number that has an answer.
        needed: usize,
        /// Number given.
        got: usize,
    },
    /// A value is infinite or not a number.
    #[error("value {index} is {value}, which is not finite; leave it out before asking")]
    NotFinite {
        /// Its place in the data, from 0.
        index: usize,
        /// The value.
        value: f64,
    },
    /// Two slices that belong together differ in length.
    #[error("{left} values stand against {right}; both must have the same number")]
    Mismatch {
        /// Length of the first.
        left: usize,
        /// Length of the second.
        right: usize,
    },
    /// A probability, weight or similar parameter is outside its range.
    #[error("{what} is {value}; it must be {must_be}")]
    Parameter {
        /// Which parameter.
        what: &'static str,
        /// Its value.
        value: f64,
        /// The rule broken.
        must_be: &'static str,
    },
    /// The data do not determine what is asked, such as a line through one abscissa.
    #[error(
        "the data do not determine {what}: the reciprocal condition is {condition:.1e}, below {limit:.1e}; spread the data or fit fewer parameters"
    )]
    Singular {
        /// What stays undetermined.
        what: &'static str,
        /// Reciprocal condition of the scaled problem.
        condition: f64,
        /// The limit it fell below.
        limit: f64,
    },
    /// An iteration did not settle.
    #[error("the iteration did not settle within {limit} rounds; the last step was {step:.1e} of the scale")]
    NotConverged {
        /// Rounds allowed.
        limit: usize,
        /// Last relative step.
        step: f64,
    },
}

/// Refuses the first value that is not finite.
pub(crate) fn all_finite(values: &[f64]) -> Result<(), StatsError> {
    match values.iter().position(|v| !v.is_finite()) {
        Some(index) => Err(StatsError::NotFinite { index, value: values[index] }),
        None => Ok(()),
    }
}

/// Refuses fewer than `needed` values.
pub(crate) fn at_least(needed: usize, values: &[f64]) -> Result<(), StatsError> {
    if values.len() < needed { Err(StatsError::TooFew { needed, got: values.len() }) } else { Ok(()) }
}
