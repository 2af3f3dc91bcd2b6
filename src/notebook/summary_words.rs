//! A quantity's statistics as words: every figure rounded once, so that window, report and command line say the same.

use super::statistics::QuantitySummary;
use crate::uncertainty::{Rounded, significant};

/// What stands where nothing can be said.
const NOTHING: &str = "–";

/// The figures of one quantity in one group, rounded by the mean's own uncertainty; units are those of the summary.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SummaryWords {
    /// Quantity, part and group.
    pub name: String,
    /// Number of animals.
    pub n: String,
    /// Mean over animals.
    pub mean: String,
    /// 95 % interval of the mean.
    pub interval: String,
    /// Median.
    pub median: String,
    /// Smallest to largest.
    pub range: String,
    /// Standard deviation between animals as observed.
    pub std_dev: String,
    /// Standard error of the mean.
    pub std_error: String,
    /// Standard deviation between animals without the measuring.
    pub between: String,
    /// The measuring's own standard uncertainty.
    pub measuring: String,
    /// Standard uncertainty that all share.
    pub common: String,
}

impl QuantitySummary {
    /// The quantity with its part and group.
    #[must_use]
    pub fn full_name(&self) -> String {
        let mut name = self.quantity.clone();
        for more in [&self.part, &self.group].into_iter().filter(|t| !t.is_empty()) {
            name.push_str(&format!(", {more}"));
        }
        name
    }

    /// All figures as words; a dash where one cannot be said.
    #[must_use]
    pub fn words(&self) -> SummaryWords {
        let own = self.measuring.hypot(self.common);
        let digit = self.std_error.or(Some(own)).filter(|u| *u > 0.0).unwrap_or(self.mean.abs() * 1e-3);
        let round = |v: f64| Rounded::new(v, digit, 2).value().to_owned();
        let small = |v: Option<f64>| v.map_or_else(|| NOTHING.to_owned(), |v| significant(v, 2));
        let both = |(low, high): (f64, f64)| format!("{} to {}", round(low), round(high));
        SummaryWords {
            name: self.full_name(),
            n: self.samples.len().to_string(),
            mean: round(self.mean),
            interval: self.interval_95.map_or_else(|| NOTHING.to_owned(), both),
            median: round(self.median),
            range: both(self.range),
            std_dev: small(self.std_dev),
            std_error: small(self.std_error),
            between: small(self.between),
            measuring: small(Some(self.measuring)),
            common: small(Some(self.common)),
        }
    }
}
