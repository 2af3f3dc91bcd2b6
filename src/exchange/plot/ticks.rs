//! Ticks at 1, 2 or 5 times a power of ten, and their labels.

/// Ticks of one axis.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Ticks {
    /// Where they stand, in data units, ascending.
    pub(super) at: Vec<f64>,
    /// What is written at each.
    pub(super) labels: Vec<String>,
    /// The power of ten by which labels have to be multiplied.
    pub(super) exponent: i32,
}

impl Ticks {
    /// At most `most` ticks, at least one, between two finite ends.
    pub(super) fn between(low: f64, high: f64, most: usize) -> Self {
        let span = high - low;
        let mut step = round_up(span / most.max(1) as f64);
        let counted = |step: f64| ((high / step + 1e-9).floor() - (low / step - 1e-9).ceil()) as i64 + 1;
        while counted(step) > most.max(1) as i64 {
            step = round_up(step * 1.01);
        }
        let first = (low / step - 1e-9).ceil() as i64;
        let at: Vec<f64> = (0..counted(step).max(0)).map(|i| (first + i) as f64 * step).collect();
        let largest = low.abs().max(high.abs());
        let exponent = exponent_of(largest);
        let unit = 10_f64.powi(exponent);
        let decimals = (-(step / unit).log10() - 1e-9).ceil().clamp(0.0, 12.0) as usize;
        let labels = at.iter().map(|v| written(v / unit, decimals)).collect();
        Self { at, labels, exponent }
    }
}

/// The smallest of 1, 2, 5 times a power of ten that is not below.
fn round_up(step: f64) -> f64 {
    let decade = 10_f64.powf(step.log10().floor());
    [1.0, 2.0, 5.0, 10.0].map(|m| m * decade).into_iter().find(|s| *s >= step * (1.0 - 1e-9)).unwrap_or(10.0 * decade)
}

/// A multiple of three where plain figures would be long.
fn exponent_of(largest: f64) -> i32 {
    if largest == 0.0 || (0.01..1e5).contains(&largest) {
        return 0;
    }
    3 * (largest.log10() / 3.0).floor() as i32
}

/// A figure with a true minus sign and no negative zero.
pub(super) fn written(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    match text.strip_prefix('-') {
        Some(rest) if rest.chars().all(|c| matches!(c, '0' | '.')) => rest.to_owned(),
        Some(rest) => format!("−{rest}"),
        None => text,
    }
}

/// `10⁻³` and the like.
pub(super) fn power_of_ten(exponent: i32) -> String {
    let plain = exponent.to_string();
    let digits = plain.chars().map(|c| match c {
        '-' => '⁻',
        '1' => '¹',
        '2' => '²',
        '3' => '³',
        '4' => '⁴',
        '5' => '⁵',
        '6' => '⁶',
        '7' => '⁷',
        '8' => '⁸',
        '9' => '⁹',
        _ => '⁰',
    });
    format!("10{}", digits.collect::<String>())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_few() {
        let ticks = Ticks::between(-0.043, 0.051, 7);
        assert_eq!(ticks.labels, ["−0.04", "−0.02", "0.00", "0.02", "0.04"]);
        let ticks = Ticks::between(0.0, 1000.0, 6);
        assert_eq!(ticks.labels, ["0", "200", "400", "600", "800", "1000"]);
        let ticks = Ticks::between(1.2e-6, 8.7e-6, 6);
        assert_eq!((ticks.labels.first().map(String::as_str), ticks.exponent), (Some("2"), -6));
        assert_eq!(power_of_ten(-6), "10⁻⁶");
        for most in 1..12 {
            for (low, high) in [(0.3, 0.7), (-5.0, 1e4), (99.9, 100.1), (-1e-9, 1e-9)] {
                let n = Ticks::between(low, high, most).at.len();
                assert!(n <= most, "{low} {high} {most}: {n}");
            }
        }
    }
}
