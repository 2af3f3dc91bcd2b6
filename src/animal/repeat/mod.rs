//! The same quantity measured again: on the same picture, on other frames, by another person.
//!
//! * [`repeated`]: mean, spread and outliers of readings of one quantity.
//! * [`with_repeats`]: their place in a budget, where the observed spread replaces what a single setting of marks was given.
//! * [`worth_repeating`]: whether setting the marks again would help, and how often.
//! * The technical error of measurement and the reliability over several animals: [`crate::stats::technical_error`].

use crate::animal::{Measured, source};
use crate::stats::{StatsError, median, outliers, student_t_quantile, summary};
use crate::uncertainty::{BudgetLine, EvaluationType, significant};

/// Source id of the observed spread in a budget.
pub const REPEATS: &str = "repeated measurement";

/// Readings of one quantity.
#[derive(Clone, Debug, PartialEq)]
pub struct Repeated {
    /// Number of readings.
    pub n: usize,
    /// Their mean, in the readings' unit.
    pub mean: f64,
    /// Standard deviation of one reading: with one quantity this is the technical error of measurement.
    pub std_dev: f64,
    /// Standard uncertainty of the mean, `s/√n`, Type A.
    pub u_mean: f64,
    /// Its degrees of freedom, n − 1.
    pub dof: f64,
    /// Places of readings far from the others (more than 3.5 robust standard deviations from the median); none is left out of the
    /// mean.
    pub outliers: Vec<usize>,
    /// The median, for comparison where there are outliers.
    pub median: f64,
}

impl Repeated {
    /// Technical error of measurement in percent of the mean.
    #[must_use]
    pub fn tem_percent(&self) -> f64 {
        100.0 * self.std_dev / self.mean.abs()
    }
}

/// Mean, spread and outliers of readings of one quantity.
///
/// # Errors
/// [`StatsError::TooFew`] below two readings, [`StatsError::NotFinite`].
/// # Source
/// JCGM 100:2008, 4.2; outliers by B. Iglewicz and D. C. Hoaglin, How to Detect and Handle Outliers, ASQC 1993. The technical
/// error of measurement of one quantity is the standard deviation of its readings: S. J. Ulijaszek, D. A. Kerr, Br. J. Nutr. 82
/// (1999) 165–177.
pub fn repeated(readings: &[f64]) -> Result<Repeated, StatsError> {
    if readings.len() < 2 {
        return Err(StatsError::TooFew { needed: 2, got: readings.len() });
    }
    let s = summary(readings)?;
    let n = readings.len();
    Ok(Repeated {
        n,
        mean: s.mean,
        std_dev: s.std_dev,
        u_mean: s.std_dev / (n as f64).sqrt(),
        dof: n as f64 - 1.0,
        outliers: if n < 3 { Vec::new() } else { outliers(readings)? },
        median: median(readings)?,
    })
}

/// Sources that a person's hand brings in anew with every setting of the marks.
const OF_THE_HAND: [&str; 2] = [source::HAND, REPEATS];

/// A measurement with the mean of its repeats, and their observed spread in the place of what a single setting of marks was given.
///
/// `measured` is one of the readings, with its budget: everything that the readings share (scale, threshold, how the animal lies)
/// stays as it is there. The new combined uncertainty is the root of the sum of squares, its degrees of freedom those of Welch
/// and Satterthwaite; both sides of the interval keep their proportion, so that a one-sided one stays so.
///
/// # Errors
/// [`StatsError`] where the measurement has no value (not resolved) or the figures are not finite.
/// # Source
/// JCGM 100:2008, 4.2.3, 5.1.2 and G.4.1.
pub fn with_repeats(measured: &Measured, repeats: &Repeated) -> Result<Measured, StatsError> {
    let mut out = measured.clone();
    let (Some(value), Some(u), Some(low), Some(k)) = (measured.value, measured.u, measured.low, measured.k) else {
        return Err(StatsError::TooFew { needed: 1, got: 0 });
    };
    out.budget.retain(|line| !OF_THE_HAND.contains(&line.source.as_str()));
    let n = repeats.n;
    out.budget.push(BudgetLine {
        source: REPEATS.to_owned(),
        label: format!("spread of {n} readings over √{n}"),
        inputs: 1,
        evaluation: EvaluationType::A,
        distribution: "Student t",
        input_u: Some(repeats.u_mean),
        sensitivity: Some(1.0),
        u: repeats.u_mean,
        dof: repeats.dof,
        share: 0.0,
    });
    // Contributions with their halves of covariances, as the shares tell them.
    let variance_of = |line: &BudgetLine| if line.source == REPEATS { line.u * line.u } else { line.share * u * u };
    let parts: Vec<f64> = out.budget.iter().map(variance_of).collect();
    let total: f64 = parts.iter().sum();
    let u_new = total.max(0.0).sqrt();
    let spread: f64 = out.budget.iter().map(|l| if l.dof.is_finite() { l.u.powi(4) / l.dof } else { 0.0 }).sum();
    let dof = if spread > 0.0 { total * total / spread } else { f64::INFINITY };
    let t = student_t_quantile(0.5 + 0.5 * measured.coverage, dof)?;
    for (line, part) in out.budget.iter_mut().zip(parts) {
        line.share = if total > 0.0 { part / total } else { 0.0 };
    }
    out.budget.sort_by(|a, b| b.share.total_cmp(&a.share));
    let widening = if u * k > 0.0 { t * u_new / (u * k) } else { 1.0 };
    out.value = Some(repeats.mean);
    out.u = Some(u_new);
    out.low = Some((repeats.mean - (value - low) * widening).max(0.0));
    out.high = repeats.mean + (measured.high - value) * widening;
    out.k = Some(t);
    out.dof = Some(dof);
    if !repeats.outliers.is_empty() {
        let which: Vec<String> = repeats.outliers.iter().map(|i| (i + 1).to_string()).collect();
        out.warnings.push(format!(
            "reading {} lies far from the others; it is kept, the median is {}",
            which.join(" and "),
            significant(repeats.median, 5)
        ));
    }
    Ok(out)
}

/// The hand is worth repeating where it makes at least this share of the variance.
const DOMINATES: f64 = 0.3;
/// Times that people set marks over again, least and most.
const TIMES: (usize, usize) = (3, 10);

/// A sentence that proposes to repeat, where the hand dominates the budget: how often, and what it would bring.
///
/// So many times that the hand's part falls to half of what the rest makes, three at least and ten at most.
#[must_use]
pub fn worth_repeating(measured: &Measured) -> Option<String> {
    let u = measured.u?;
    let hand: f64 = measured.budget.iter().filter(|l| l.source == source::HAND).map(|l| l.share).sum();
    if hand < DOMINATES {
        return None;
    }
    let (by_hand, rest) = (hand * u * u, (1.0 - hand).max(0.0) * u * u);
    let wanted = if rest > 0.0 { (by_hand / (0.25 * rest)).ceil() as usize } else { TIMES.1 };
    let times = wanted.clamp(TIMES.0, TIMES.1);
    let after = (rest + by_hand / times as f64).sqrt();
    Some(format!(
        "{}: the hand makes {:.0} % of the variance; setting the marks {times} times over would lessen u from {} to about {} {}",
        measured.name,
        100.0 * hand,
        significant(u, 2),
        significant(after, 2),
        measured.unit.symbol()
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::animal::{Kind, Unit, Verdict};

    fn line(source: &str, u: f64, total: f64) -> BudgetLine {
        BudgetLine {
            source: source.to_owned(),
            label: String::new(),
            inputs: 1,
            evaluation: EvaluationType::B,
            distribution: "normal",
            input_u: None,
            sensitivity: None,
            u,
            dof: f64::INFINITY,
            share: u * u / total,
        }
    }

    fn measured() -> Measured {
        let total = 9.0 + 16.0;
        Measured {
            name: "axis 1".to_owned(),
            kind: Kind::Axis,
            unit: Unit::Um,
            value: Some(500.0),
            u: Some(5.0),
            low: Some(490.0),
            high: 515.0,
            coverage: 0.95,
            k: Some(2.5),
            dof: Some(f64::INFINITY),
            verdict: Verdict::Resolved,
            parts: vec![],
            budget: vec![line(source::HAND, 4.0, total), line("certificate", 3.0, total)],
            warnings: vec![],
            ends: None,
            placement: "hand",
        }
    }

    #[test]
    fn readings_have_their_spread() {
        // 2, 4, 4, 4, 5, 5, 7, 9: mean 5, Σ(x − 5)² = 32, s = √(32/7).
        let r = repeated(&[2.0, 4.0, 4.0, 4.0, 5.0, 5.0, 7.0, 9.0]).unwrap();
        assert!((r.mean - 5.0).abs() < 1e-12 && (r.std_dev - (32f64 / 7.0).sqrt()).abs() < 1e-12);
        assert!((r.u_mean - r.std_dev / 8f64.sqrt()).abs() < 1e-12 && r.dof == 7.0);
        assert!((r.tem_percent() - 20.0 * r.std_dev).abs() < 1e-9);
        assert!(repeated(&[1.0]).is_err() && repeated(&[1.0, f64::NAN]).is_err());
    }

    #[test]
    fn the_observed_spread_takes_the_place_of_the_hand() {
        let r = repeated(&[498.0, 502.0, 503.0, 501.0]).unwrap();
        let m = with_repeats(&measured(), &r).unwrap();
        // s² = 14/3 (deviations −3, 1, 2, 0), u² = 9 + 14/12; ν = u⁴ (n − 1)/(s²/n)².
        let u2: f64 = 9.0 + 14.0 / 12.0;
        assert_eq!(m.value, Some(501.0));
        assert!((m.u.unwrap() - u2.sqrt()).abs() < 1e-12, "{m:?}");
        let dof = u2 * u2 * 3.0 / (14.0f64 / 12.0).powi(2);
        assert!((m.dof.unwrap() - dof).abs() < 1e-9);
        assert_eq!(m.budget.iter().map(|l| l.source.as_str()).collect::<Vec<_>>(), ["certificate", REPEATS]);
        assert!((m.budget.iter().map(|l| l.share).sum::<f64>() - 1.0).abs() < 1e-12);
        // 10 below and 15 above stay in their proportion.
        let (below, above) = (501.0 - m.low.unwrap(), m.high - 501.0);
        assert!((above / below - 1.5).abs() < 1e-9 && below < 10.0);
    }

    #[test]
    fn outliers_are_shown_and_kept() {
        let r = repeated(&[500.0, 501.0, 499.5, 500.5, 540.0]).unwrap();
        assert_eq!(r.outliers, [4]);
        assert!((r.mean - 508.2).abs() < 1e-9, "kept in the mean");
        let m = with_repeats(&measured(), &r).unwrap();
        assert!(m.warnings.iter().any(|w| w.contains("reading 5") && w.contains("500.5")), "{:?}", m.warnings);
    }

    #[test]
    fn repeating_is_proposed_where_the_hand_dominates() {
        // 16 of 25; to be 9/4: 7.1 times, so 8; u from 5 to √(9 + 2) = 3.3.
        let words = worth_repeating(&measured()).unwrap();
        assert!(
            words.contains("64 %") && words.contains("8 times") && words.contains("5.0 to about 3.3 µm"),
            "{words}"
        );
        let mut little = measured();
        little.budget[0].share = 0.2;
        assert_eq!(worth_repeating(&little), None);
        little.value = None;
        little.u = None;
        assert_eq!(worth_repeating(&little), None);
        assert!(with_repeats(&little, &repeated(&[1.0, 2.0]).unwrap()).is_err());
    }
}
