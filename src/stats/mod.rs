//! Plain statistics without units: robust location, line fits, quantiles, distributions.
//!
//! Nothing here knows what a number means: no units, no frames, no files.
//! Every function refuses what it cannot answer with a [`StatsError`] and never returns NaN for finite input.

mod distribution;
mod error;
mod interval;
mod summary;

pub use distribution::{f_upper_tail, normal_cdf, normal_quantile, student_t_cdf, student_t_quantile};
pub use error::StatsError;
pub use interval::{Interval, quantile, quantile_of_sorted, shortest_interval_of_sorted, symmetric_interval_of_sorted};
pub use summary::{Summary, median, median_absolute_deviation, summary};
