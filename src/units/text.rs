//! Reading lengths as people type them: `10um`, `0.01mm`, `3.72 µm`.

use super::Um;

/// Why a typed quantity could not be read.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum ParseQuantityError {
    /// No number stands at the beginning.
    #[error("\"{0}\" does not begin with a number; write a length like 10um or 0.01mm")]
    NotANumber(String),
    /// The unit is missing or unknown.
    #[error("\"{text}\" has {}; write um, µm, nm, mm or cm after the number, as in 10um", unit_words(unit))]
    Unit {
        /// What was typed.
        text: String,
        /// The unit found, perhaps empty.
        unit: String,
    },
    /// The number is negative, zero where that has no meaning, or not finite.
    #[error("\"{0}\" must be a finite length above zero")]
    Range(String),
    /// A ratio has no slash.
    #[error("\"{0}\" needs two lengths with a slash between them, as in 0.5um/1mm")]
    NoSlash(String),
}

fn unit_words(unit: &str) -> String {
    if unit.is_empty() { "no unit".to_owned() } else { format!("the unknown unit \"{unit}\"") }
}

/// Reads a positive length with its unit (`nm`, `um`, `µm`, `mm`, `cm`, `m`); a decimal comma is understood.
///
/// # Errors
/// [`ParseQuantityError`] with what was typed and what is expected.
pub fn parse_length(text: &str) -> Result<Um, ParseQuantityError> {
    let trimmed = text.trim();
    let end = trimmed
        .char_indices()
        .find(|(i, c)| !(c.is_ascii_digit() || matches!(c, '.' | ',' | '+' | '-') || is_exponent(trimmed, *i)))
        .map_or(trimmed.len(), |(i, _)| i);
    let (number, unit) = trimmed.split_at(end);
    let value: f64 =
        number.replace(',', ".").parse().map_err(|_err| ParseQuantityError::NotANumber(text.to_owned()))?;
    let factor_um = match unit.trim() {
        "nm" => 1e-3,
        "um" | "µm" | "μm" => 1.0,
        "mm" => 1e3,
        "cm" => 1e4,
        "m" => 1e6,
        other => return Err(ParseQuantityError::Unit { text: text.to_owned(), unit: other.to_owned() }),
    };
    let length = Um::new(value * factor_um);
    if length.is_finite() && length.get() > 0.0 { Ok(length) } else { Err(ParseQuantityError::Range(text.to_owned())) }
}

/// True where the byte at `i` is the `e` of a number like `1e-3um`.
fn is_exponent(text: &str, i: usize) -> bool {
    let bytes = text.as_bytes();
    matches!(bytes.get(i), Some(b'e' | b'E')) && i > 0 && matches!(bytes.get(i + 1), Some(b'0'..=b'9' | b'-' | b'+'))
}

/// Reads `0.5um/1mm`: an uncertainty and the length over which it holds.
///
/// # Errors
/// [`ParseQuantityError`] with what was typed and what is expected.
pub fn parse_ratio_of_lengths(text: &str) -> Result<(Um, Um), ParseQuantityError> {
    let (over, under) = text.split_once('/').ok_or_else(|| ParseQuantityError::NoSlash(text.to_owned()))?;
    Ok((parse_length(over)?, parse_length(under)?))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_as_people_type_them() {
        for (text, um) in
            [("10um", 10.0), ("0.01mm", 10.0), ("3,72 µm", 3.72), ("1e-2mm", 10.0), ("500nm", 0.5), ("1 m", 1e6)]
        {
            let got = parse_length(text).expect(text).get();
            assert!((got - um).abs() < 1e-9 * um, "{text}: {got}");
        }
    }

    #[test]
    fn bad_lengths_say_what_to_write() {
        assert_eq!(
            parse_length("10").unwrap_err().to_string(),
            "\"10\" has no unit; write um, µm, nm, mm or cm after the number, as in 10um"
        );
        assert!(matches!(parse_length("ten um"), Err(ParseQuantityError::NotANumber(_))));
        assert!(matches!(parse_length("-3um"), Err(ParseQuantityError::Range(_))));
        assert!(matches!(parse_length("3furlong"), Err(ParseQuantityError::Unit { .. })));
        assert!(matches!(parse_ratio_of_lengths("0.5um"), Err(ParseQuantityError::NoSlash(_))));
    }
}
