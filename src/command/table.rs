//! Small aids for text that lines up.

use crate::uncertainty::significant;

/// Lines of a label and a text, the labels padded to one width; `indent` spaces before each.
pub(super) fn lines_of(lines: &[(&str, String)], indent: usize) -> String {
    let width = lines.iter().map(|l| l.0.chars().count()).max().unwrap_or(0);
    let one = |(label, text): &(&str, String)| format!("{:indent$}{label:width$}  {text}", "");
    lines.iter().map(one).collect::<Vec<_>>().join("\n")
}

/// A relative figure as per cent with two digits.
pub(super) fn percent(rel: f64) -> String {
    format!("{} %", significant(100.0 * rel, 2))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn labels_line_up_by_characters() {
        assert_eq!(lines_of(&[("a", "x".into()), ("µm", "y".into())], 2), "  a   x\n  µm  y");
        assert_eq!(percent(0.003_04), "0.30 %");
    }
}
