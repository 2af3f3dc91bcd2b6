//! Plain statistics without units: robust location, line fits, quantiles, distributions.
//!
//! Nothing here knows what a number means: no units, no frames, no files.
//! Every function refuses what it cannot answer with a [`StatsError`] and never returns NaN for finite input.

mod distribution;
mod error;
mod interval;
mod least_squares;
mod line;
mod matrix;
mod model_choice;
mod repeats;
mod robust;
mod selected;
mod summary;

pub use distribution::{f_upper_tail, normal_cdf, normal_quantile, student_t_cdf, student_t_quantile};
pub use error::StatsError;
pub use interval::{Interval, quantile, quantile_of_sorted, shortest_interval_of_sorted, symmetric_interval_of_sorted};
pub use least_squares::{LinearFit, WeightsAre, least_squares};
pub use line::{LineFit, fit_line};
pub use matrix::Matrix;
pub use model_choice::{FTest, ModelFit, f_test};
pub use repeats::{Spread, TechnicalError, outliers, pooled_std_dev, technical_error};
pub use robust::{Loss, RobustFit, RobustLocation, robust_least_squares, robust_location};
pub use selected::{selected_limit, selection_excess};
pub use summary::{Summary, median, median_absolute_deviation, summary};
