//! What the engine refuses.

use crate::stats::StatsError;

/// Why an uncertainty could not be stated.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum UncertaintyError {
    /// An input's parameter is infinite, not a number or outside its range.
    #[error("input \"{source_id}\": {what} is {value}; it must be {must_be}")]
    Input {
        /// The input's source id.
        source_id: String,
        /// Which parameter.
        what: &'static str,
        /// Its value.
        value: f64,
        /// The rule broken.
        must_be: &'static str,
    },
    /// A covariance block has the wrong size.
    #[error("the covariance of {members} inputs has {got} entries; {members} by {members}, row by row, is needed")]
    CovarianceSize {
        /// Number of inputs in the block.
        members: usize,
        /// Entries given.
        got: usize,
    },
    /// A covariance block is not symmetric, not finite or would give a negative variance.
    #[error(
        "the covariance beginning with input \"{source_id}\" is {what} ({value:.3e}); give the covariance of a fit or of observations"
    )]
    Covariance {
        /// Source id of the first member.
        source_id: String,
        /// What is wrong.
        what: &'static str,
        /// The offending figure.
        value: f64,
    },
    /// The model gives no finite result at the estimates, or on either side of one of them.
    #[error("the model gives {value} for \"{output}\" {place}; it must be finite there")]
    Model {
        /// Name of the output.
        output: String,
        /// The value.
        value: f64,
        /// Where the inputs were.
        place: &'static str,
    },
    /// The model's own Jacobian has the wrong size or is not finite.
    #[error("the model's Jacobian is {rows} by {columns}{}; {outputs} outputs by {inputs} inputs, all finite, are needed", if *.finite { "" } else { " with entries that are not finite" })]
    Jacobian {
        /// Rows given.
        rows: usize,
        /// Columns given.
        columns: usize,
        /// Whether every entry was finite.
        finite: bool,
        /// Rows needed.
        outputs: usize,
        /// Columns needed.
        inputs: usize,
    },
    /// Too many Monte Carlo trials gave no finite result.
    #[error(
        "{rejected} of {drawn} trials gave no finite result, more than the share {limit} allowed; look at the model's domain"
    )]
    Rejected {
        /// Trials without a finite result.
        rejected: usize,
        /// Trials drawn.
        drawn: usize,
        /// Largest share allowed.
        limit: f64,
    },
    /// An option is outside its range.
    #[error("option {what} is {value}; it must be {must_be}")]
    Option {
        /// Which option.
        what: &'static str,
        /// Its value.
        value: f64,
        /// The rule broken.
        must_be: &'static str,
    },
    /// A statistic behind the figure could not be computed.
    #[error(transparent)]
    Stats(#[from] StatsError),
}
