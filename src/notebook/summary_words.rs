//! A quantity's statistics as words: every figure rounded once, so that window, report and command line say the same.

use super::statistics::QuantitySummary;
use crate::uncertainty::{Rounded, significant};

/// What stands where nothing can be said.
const NOTHING: &str = "–";

/// The figures of one quantity in one group, mean and interval rounded by the mean's uncertainty, the others by that of one animal; units are those of the summary.
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
    /// Smallest to largest of several.
    pub range: String,
    /// Standard deviation between animals as observed.
    pub std_dev: String,
    /// Standard error of the mean.
    pub std_error: String,
    /// Standard deviation between animals without the measuring.
    pub between: String,
    /// The measuring's own standard uncertainty.
    pub measuring: String,
    /// Standard uncertainty of the mean from what animals share.
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
        // The mean and its interval are known no better than what animals share; single animals as well as each was measured.
        let known = |u: f64| if u > 0.0 { u } else { self.mean.abs() * 1e-3 };
        let of_mean = known(self.std_error.unwrap_or(self.measuring).hypot(self.common));
        let of_one = known(self.measuring.hypot(self.common));
        let round = |v: f64, u: f64| Rounded::new(v, u, 2).value_alone();
        let small = |v: Option<f64>| v.map_or_else(|| NOTHING.to_owned(), |v| significant(v, 2));
        let both = |(low, high): (f64, f64), u: f64| format!("{} to {}", round(low, u), round(high, u));
        SummaryWords {
            name: self.full_name(),
            n: self.samples.len().to_string(),
            mean: round(self.mean, of_mean),
            interval: self.interval_95.map_or_else(|| NOTHING.to_owned(), |i| both(i, of_mean)),
            median: round(self.median, of_one),
            range: if self.samples.len() > 1 { both(self.range, of_one) } else { NOTHING.to_owned() },
            std_dev: small(self.std_dev),
            std_error: small(self.std_error),
            between: small(self.between),
            measuring: small(Some(self.measuring)),
            common: small(Some(self.common)),
        }
    }
}
