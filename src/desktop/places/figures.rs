//! Figures in words.

use crate::animal::{Measured, Unit, Verdict};
use crate::notebook::FigureNote;
use crate::uncertainty::{Rounded, significant};

/// Value and U, or the bound, as people read it: `203.4 ± 5.8 µm`, `at most 9.1 µm`.
pub(super) fn text(value: Option<f64>, interval: (Option<f64>, Option<f64>), unit: Unit) -> String {
    let symbol = unit.symbol();
    let space = if matches!(unit, Unit::Deg | Unit::One) { "" } else { " " };
    match (value, interval) {
        (Some(v), (Some(low), Some(high))) => {
            // U is half of the interval, here as on the command line and in everything that leaves; unequal ends are told beside it.
            let expanded = 0.5 * (high - low);
            format!("{}{space}{symbol}", Rounded::new(v, expanded, 2))
        }
        (None, (_, Some(high))) => format!("at most {}{space}{symbol}", significant(high, 3)),
        _ => "no figure".to_owned(),
    }
}

/// The same of what was measured just now.
pub(super) fn of_measured(m: &Measured) -> String {
    text(m.value, (m.low, Some(m.high).filter(|h| h.is_finite())), m.unit)
}

/// The same of what is kept.
pub(super) fn of_note(f: &FigureNote) -> String {
    text(f.value, (f.low, f.high), f.unit)
}

/// Verdict with a sign of its own shape, so that it is told without colour.
pub(super) const fn verdict(v: Verdict) -> &'static str {
    match v {
        Verdict::Resolved => "resolved",
        Verdict::Marginal => "~ marginal",
        Verdict::NotResolved => "× not resolved",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_as_people_read_them() {
        assert_eq!(text(Some(203.44), (Some(197.7), Some(209.2)), Unit::Um), "203.4 ± 5.8 µm");
        assert_eq!(text(Some(1240.8), (Some(1229.1), Some(1254.5)), Unit::Um), "1241 ± 13 µm");
        assert_eq!(text(None, (None, Some(9.123)), Unit::Um), "at most 9.12 µm");
        assert_eq!(text(Some(31.25), (Some(30.0), Some(32.49)), Unit::Deg), "31.2 ± 1.2°");
        assert_eq!(text(None, (None, None), Unit::One), "no figure");
    }
}
