//! Rounding for people, GUM clause 7.2.6. Files keep full precision.

use std::fmt;

/// A value and its U as decimal text: U with a few significant digits, the value to the same place.
///
/// Rounding is to the nearest decimal of the double's exact value; exact ties go to the even digit. (The GUM
/// also allows rounding uncertainties up; this never moves U by more than half of its last digit.)
/// Displayed as `203.4 ± 5.7`; a common power of ten stands behind a bracket where plain decimals would be unreadable,
/// `(1.2340 ± 0.0012)e12`. A zero is never written with a minus sign.
///
/// ```
/// use motestick::uncertainty::Rounded;
/// assert_eq!(Rounded::new(203.4416, 5.7209, 2).with_unit("µm"), "203.4 ± 5.7 µm");
/// assert_eq!(Rounded::new(1234.0, 256.0, 2).to_string(), "1230 ± 260");
/// ```
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Rounded {
    value: String,
    expanded: String,
    exponent: i32,
    place: i32,
}

/// Outside these places of the last digit, a common power of ten is written.
const PLAIN_PLACES: std::ops::RangeInclusive<i32> = -9..=6;

impl Rounded {
    /// Rounds `value` to the place of the last of the `digits` (1 to 6) significant digits of `expanded`.
    ///
    /// Where `expanded` is 0 or not finite there is no place to round to: the value is written in full.
    #[must_use]
    pub fn new(value: f64, expanded: f64, digits: u8) -> Self {
        let digits = digits.clamp(1, 6);
        let magnitude = expanded.abs();
        if !magnitude.is_finite() || magnitude == 0.0 || !value.is_finite() {
            let plain = |v: f64| if v == 0.0 { "0".to_owned() } else { format!("{v}") };
            return Self { value: plain(value), expanded: plain(magnitude), exponent: 0, place: 0 };
        }
        let place = last_place(magnitude, digits);
        if PLAIN_PLACES.contains(&place) {
            return Self { value: to_place(value, place), expanded: to_place(magnitude, place), exponent: 0, place };
        }
        // A common power of ten: that of the larger of the two, so that one digit stands before the point.
        let exponent = decimal_exponent(value.abs().max(magnitude), 17).max(place);
        let scaled = |v: f64| to_place(scale(v, -exponent), place - exponent);
        Self { value: scaled(value), expanded: scaled(magnitude), exponent, place }
    }

    /// The value's text, without the power of ten.
    #[must_use]
    pub fn value(&self) -> &str {
        &self.value
    }

    /// U's text, without the power of ten.
    #[must_use]
    pub fn expanded(&self) -> &str {
        &self.expanded
    }

    /// Power of ten of the last digit: −1 for tenths.
    #[must_use]
    pub const fn place(&self) -> i32 {
        self.place
    }

    /// As displayed, with the unit behind.
    #[must_use]
    pub fn with_unit(&self, unit: &str) -> String {
        format!("{self} {unit}")
    }
}

impl fmt::Display for Rounded {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.exponent == 0 {
            write!(f, "{} ± {}", self.value, self.expanded)
        } else {
            write!(f, "({} ± {})e{}", self.value, self.expanded, self.exponent)
        }
    }
}

/// One figure alone, such as u or a budget line, with `digits` significant digits: `0.026`, `1300`.
///
/// ```
/// use motestick::uncertainty::significant;
/// assert_eq!(significant(0.02649, 2), "0.026");
/// assert_eq!(significant(-0.0, 2), "0");
/// ```
#[must_use]
pub fn significant(value: f64, digits: u8) -> String {
    if value == 0.0 {
        return "0".to_owned();
    }
    if !value.is_finite() {
        return format!("{value}");
    }
    let digits = digits.clamp(1, 17);
    let place = last_place(value.abs(), digits);
    if PLAIN_PLACES.contains(&place) || (place < 0 && place > -20 && value.abs() >= 1e-6) {
        to_place(value, place)
    } else {
        format!("{value:.*e}", usize::from(digits - 1))
    }
}

/// An interval's two ends to the place of the last of `digits` digits of its half-width: `197.7 to 209.2`.
#[must_use]
pub fn interval_text(low: f64, high: f64, digits: u8) -> String {
    let half = 0.5 * (high - low);
    format!("{} to {}", Rounded::new(low, half, digits).value_alone(), Rounded::new(high, half, digits).value_alone())
}

impl Rounded {
    /// The value to stand alone, with its power of ten where there is one.
    #[must_use]
    pub fn value_alone(&self) -> String {
        if self.exponent == 0 { self.value.clone() } else { format!("{}e{}", self.value, self.exponent) }
    }
}

/// Decimal exponent of a positive number after rounding to `digits` digits: 9.96 with two digits is 1e1.
fn decimal_exponent(positive: f64, digits: u8) -> i32 {
    let text = format!("{positive:.*e}", usize::from(digits.max(1) - 1));
    text.rsplit('e').next().and_then(|e| e.parse().ok()).unwrap_or(0)
}

/// Place of the last of `digits` significant digits.
fn last_place(positive: f64, digits: u8) -> i32 {
    decimal_exponent(positive, digits) + 1 - i32::from(digits)
}

/// `v` times a power of ten, through text so that no digit is lost to a product.
fn scale(v: f64, power: i32) -> f64 {
    let text = format!("{v:e}");
    let (mantissa, exponent) = text.split_once('e').unwrap_or((text.as_str(), "0"));
    let exponent = exponent.parse::<i32>().unwrap_or(0) + power;
    format!("{mantissa}e{exponent}").parse().unwrap_or(v)
}

/// `v` rounded to 10^`place` as plain decimals, without a minus sign before a zero.
fn to_place(v: f64, place: i32) -> String {
    let text = match usize::try_from(-place) {
        Ok(decimals) => format!("{v:.decimals$}"),
        Err(_) => {
            let tens = scale(v, -place).round_ties_even();
            let mut text = format!("{tens:.0}");
            if tens != 0.0 {
                text.extend(std::iter::repeat_n('0', usize::try_from(place).unwrap_or(0)));
            }
            text
        }
    };
    match text.strip_prefix('-') {
        Some(rest) if rest.bytes().all(|b| matches!(b, b'0' | b'.')) => rest.to_owned(),
        _ => text,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn rounding_of_gum_7_2_6() {
        // GUM 7.2.6: 10.057 62 Ω with u_c = 27 mΩ is written 10.058 Ω.
        assert_eq!(Rounded::new(10.057_62, 0.027, 2).to_string(), "10.058 ± 0.027");
        for (value, expanded, want) in [
            (203.4416, 5.7209, "203.4 ± 5.7"),
            // A carry gives U another digit and the value another place.
            (203.4416, 0.996, "203.4 ± 1.0"),
            (99.96, 9.96, "100 ± 10"),
            (1234.5, 95.0, "1234 ± 95"),
            (1234.5, 950.0, "1230 ± 950"),
            (123_456.0, 12_345.0, "123000 ± 12000"),
            // U larger than the value, value rounding to nothing, negative zero.
            (0.3, 57.0, "0 ± 57"),
            (-0.3, 57.0, "0 ± 57"),
            (-0.04, 1.2, "0.0 ± 1.2"),
            (-0.0, 1.2, "0.0 ± 1.2"),
            (-12.34, 0.56, "-12.34 ± 0.56"),
            (-49.0, 1000.0, "0 ± 1000"),
            // Exact ties go to the even digit.
            (0.5, 10.0, "0 ± 10"),
            (1.5, 10.0, "2 ± 10"),
            (250.0, 1500.0, "200 ± 1500"),
        ] {
            assert_eq!(Rounded::new(value, expanded, 2).to_string(), want, "{value} ± {expanded}");
        }
        assert_eq!(Rounded::new(203.4416, 5.7209, 1).with_unit("µm"), "203 ± 6 µm");
    }

    #[test]
    fn extremes_stay_readable() {
        for (value, expanded, want) in [
            (1.234_567e12, 4.5e9, "(1.2346 ± 0.0045)e12"),
            (1.234_567e-12, 4.5e-15, "(1.2346 ± 0.0045)e-12"),
            (5e-324, 5e-324, "(5.0 ± 5.0)e-324"),
            (f64::MAX, 1e300, "(1.797693135 ± 0.000000010)e308"),
            (0.0, 3.3e20, "(0.0 ± 3.3)e20"),
            (-1e3, 3.3e20, "(0.0 ± 3.3)e20"),
            (12.5, 0.0, "12.5 ± 0"),
            (-0.0, 0.0, "0 ± 0"),
            (f64::NAN, 1.0, "NaN ± 1"),
            (1.0, f64::INFINITY, "1 ± inf"),
        ] {
            assert_eq!(Rounded::new(value, expanded, 2).to_string(), want, "{value} ± {expanded}");
        }
    }

    #[test]
    fn single_figures_and_intervals() {
        for (value, want) in [
            (2.649, "2.6"),
            (0.026_49, "0.026"),
            (1_349.0, "1300"),
            (-0.000_261, "-0.00026"),
            (2.6e-9, "2.6e-9"),
            (0.0, "0"),
            (9.96, "10"),
            (3.3e20, "3.3e20"),
        ] {
            assert_eq!(significant(value, 2), want);
        }
        assert_eq!(interval_text(197.71, 209.16, 2), "197.7 to 209.2");
        assert_eq!(interval_text(-0.01, 4.0, 2), "0.0 to 4.0");
    }

    proptest! {
        /// What is printed lies within half of the last digit of what was given, and no zero has a sign.
        #[test]
        fn text_is_within_half_a_digit(value in -1e9..1e9_f64, exponent in -12.0..12.0_f64, digits in 1_u8..4) {
            let expanded = 10.0_f64.powf(exponent);
            let rounded = Rounded::new(value, expanded, digits);
            let scale = 10.0_f64.powi(rounded.exponent);
            let unit = 10.0_f64.powi(rounded.place());
            let back: f64 = rounded.value().parse().unwrap();
            prop_assert!((back * scale - value).abs() <= unit * 0.500_001 + 1e-15 * value.abs(), "{rounded} {value}");
            let back: f64 = rounded.expanded().parse().unwrap();
            prop_assert!((back * scale - expanded).abs() <= unit * 0.500_001, "{rounded} {expanded}");
            prop_assert!(!(rounded.value().starts_with('-') && rounded.value().parse::<f64>().unwrap() == 0.0));
            let figures = rounded.expanded().chars().filter(char::is_ascii_digit).collect::<String>();
            let significant = figures.trim_start_matches('0').len();
            prop_assert!(significant >= usize::from(digits), "{rounded}");
        }
    }
}
