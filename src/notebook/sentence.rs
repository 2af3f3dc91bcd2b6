//! A sentence as publications have it.

use std::collections::BTreeMap;

use super::document::Notebook;
use super::evaluate::EvaluateError;
use super::id::AnimalId;
use super::measurement::Measurement;
use crate::animal::{Figure, Kind, Part, Recipe, Unit};
use crate::uncertainty::{Options, Rounded, Trials, significant};

/// Quantities that are compared with the antenna.
const HEADS: [&str; 3] = ["head", "head length", "head diagonal"];

/// Two digits of an interval need no more trials than this.
const TRIALS: Trials = Trials::Adaptive { at_most: 100_000 };

/// A value with half of its 95 % interval, or what is not resolved.
type Known = (f64, f64);

/// Sizes and proportions of some animals in publication wording, with uncertainties; `None` where nothing is resolved.
///
/// A length of one animal is given with its U, of several as mean, range and n. Segments of an appendage are given as
/// I : II : III …, normalised to I, and the antenna over the head; both are evaluated jointly, so that the scale cancels.
#[must_use]
pub fn sentence_of(notebook: &Notebook, animals: &[AnimalId]) -> Option<String> {
    let mut lengths: BTreeMap<String, (usize, BTreeMap<AnimalId, Vec<&Measurement>>)> = BTreeMap::new();
    for (i, m) in notebook.measurements.iter().enumerate() {
        if animals.contains(&m.animal) && m.kind != Kind::Ratio {
            let entry = lengths.entry(m.full_name()).or_insert_with(|| (i, BTreeMap::new()));
            entry.1.entry(m.animal).or_default().push(m);
        }
    }
    let mut ordered: Vec<_> = lengths.into_iter().collect();
    ordered.sort_by_key(|(_, (first, _))| *first);
    let mut parts = Vec::new();
    for (name, (_, by_animal)) in &ordered {
        let values: Vec<(Known, Unit)> = by_animal.values().filter_map(|ms| mean_of(ms)).collect();
        if let Some((_, unit)) = values.first() {
            let known: Vec<Known> = values.iter().map(|v| v.0).collect();
            // A name may end in a number, which must not be read as part of the figure.
            let colon = if name.ends_with(|c: char| c.is_ascii_digit()) { ":" } else { "" };
            parts.push(format!("{name}{colon} {}", sized(&known, *unit)));
        }
        parts.extend(segments(notebook, name, by_animal));
    }
    let heads: Vec<_> = ordered.iter().filter(|(n, _)| HEADS.contains(&n.as_str())).collect();
    let antennae = ordered.iter().filter(|(n, _)| n == "antenna" || n.starts_with("antenna,"));
    for ((name, (_, antenna)), (head_name, (_, head))) in antennae.flat_map(|a| heads.iter().map(move |h| (a, *h))) {
        let pairs = antenna.iter().filter_map(|(id, a)| Some((*a.first()?, *head.get(id)?.first()?)));
        let ratios: Vec<Known> = pairs.filter_map(|(a, h)| over(notebook, a, h)).collect();
        if !ratios.is_empty() {
            parts.push(format!("{name} : {head_name} = {}", proportion(&ratios)));
        }
    }
    if parts.is_empty() {
        return None;
    }
    let mut sentence = parts.join("; ");
    if let Some(first) = sentence.get(..1).map(str::to_uppercase) {
        sentence.replace_range(..1, &first);
    }
    Some(format!("{sentence}."))
}

/// Mean of one animal's repeats, with the mean of their half intervals: a cautious U, since repeats share most of it.
fn mean_of(repeats: &[&Measurement]) -> Option<(Known, Unit)> {
    let known: Vec<(Known, Unit)> = repeats
        .iter()
        .filter_map(|m| {
            let f = &m.reported.as_ref()?.figure;
            Some(((f.value?, 0.5 * (f.high? - f.low?)), f.unit))
        })
        .collect();
    let n = known.len() as f64;
    let unit = known.first()?.1;
    let (v, u) = known.iter().fold((0.0, 0.0), |s, k| (s.0 + k.0.0 / n, s.1 + k.0.1 / n));
    Some(((v, u), unit))
}

fn sized(known: &[Known], unit: Unit) -> String {
    let symbol = unit.symbol();
    match known {
        [(value, expanded)] => format!("{} (n = 1)", Rounded::new(*value, *expanded, 2).with_unit(symbol)),
        many => {
            let n = many.len();
            let mean = many.iter().map(|k| k.0).sum::<f64>() / n as f64;
            let typical = many.iter().map(|k| k.1).sum::<f64>() / n as f64;
            let round = |v: f64| Rounded::new(v, typical, 2).value().to_owned();
            let low = many.iter().map(|k| k.0).fold(f64::INFINITY, f64::min);
            let high = many.iter().map(|k| k.0).fold(f64::NEG_INFINITY, f64::max);
            let each = significant(typical, 2);
            format!(
                "{} {symbol} ({}–{} {symbol}, n = {n}, each ± {each} {symbol})",
                round(mean),
                round(low),
                round(high)
            )
        }
    }
}

/// A bare number: value ± U of one animal, mean and range of several.
fn proportion(known: &[Known]) -> String {
    match known {
        [(value, expanded)] => Rounded::new(*value, *expanded, 2).to_string(),
        many => {
            let n = many.len();
            let mean = many.iter().map(|k| k.0).sum::<f64>() / n as f64;
            let low = many.iter().map(|k| k.0).fold(f64::INFINITY, f64::min);
            let high = many.iter().map(|k| k.0).fold(f64::NEG_INFINITY, f64::max);
            format!("{mean:.2} ({low:.2}–{high:.2}, n = {n})")
        }
    }
}

/// `antenna I : II : III = 1 : 1.75 ± 0.06 : …`; `None` for what has no segments, or where the first is not resolved.
fn segments(notebook: &Notebook, name: &str, by_animal: &BTreeMap<AnimalId, Vec<&Measurement>>) -> Option<String> {
    let repeats = by_animal.values();
    let appendages: Vec<&Measurement> =
        repeats.filter_map(|ms| ms.iter().find(|m| m.kind == Kind::Appendage).copied()).collect();
    let count = appendages.iter().map(|m| m.marks.len().saturating_sub(1)).max().filter(|n| *n >= 2)?;
    let all: Vec<Vec<Option<Known>>> = appendages.iter().filter_map(|m| to_first(notebook, m).ok()).collect();
    let column = |i: usize| all.iter().filter_map(|r| r.get(i).copied().flatten()).collect::<Vec<Known>>();
    let columns: Vec<String> = (0..count - 1)
        .map(|i| {
            let known = column(i);
            if known.is_empty() { "not resolved".to_owned() } else { proportion(&known) }
        })
        .collect();
    if (0..count - 1).all(|i| column(i).is_empty()) {
        return None;
    }
    let numerals: Vec<String> = (1..=count).map(roman).collect();
    Some(format!("{name} {} = 1 : {}", numerals.join(" : "), columns.join(" : ")))
}

/// Every further segment over the first.
fn to_first(notebook: &Notebook, m: &Measurement) -> Result<Vec<Option<Known>>, EvaluateError> {
    let part = |i: usize| Part { shape: 0, part: Some(i) };
    let ratio = |i: usize| Figure { name: format!("{i}"), recipe: Recipe::Ratio(part(i), part(0)) };
    let ratios: Vec<Figure> = (1..m.marks.len().saturating_sub(1)).map(ratio).collect();
    let answer = notebook.evaluate_with(&[m], &ratios, quick())?;
    Ok(answer.measured.iter().skip(1).map(known).collect())
}

fn quick() -> Options {
    Options { trials: TRIALS, ..Options::default() }
}

fn known(m: &crate::animal::Measured) -> Option<Known> {
    Some((m.value?, 0.5 * (m.high - m.low?))).filter(|k| k.1.is_finite())
}

/// One length over another: jointly where they share picture, setup and lying, else as if independent, which is cautious.
fn over(notebook: &Notebook, above: &Measurement, below: &Measurement) -> Option<Known> {
    let joint = above.picture == below.picture && above.setup == below.setup && above.lying == below.lying;
    if joint && above.shape().is_some() && below.shape().is_some() {
        let part = |shape| Part { shape, part: None };
        let ratio = Figure { name: "ratio".to_owned(), recipe: Recipe::Ratio(part(0), part(1)) };
        let answer = notebook.evaluate_with(&[above, below], &[ratio], quick()).ok()?;
        return answer.measured.get(2).and_then(known);
    }
    let of = |m: &Measurement| mean_of(&[m]).map(|k| k.0);
    let ((a, ua), (b, ub)) = (of(above)?, of(below)?);
    Some((a / b, (a / b) * (ua / a).hypot(ub / b)))
}

/// Segments are numbered in Roman figures.
#[must_use]
pub fn roman(n: usize) -> String {
    const STEPS: [(usize, &str); 9] =
        [(100, "C"), (90, "XC"), (50, "L"), (40, "XL"), (10, "X"), (9, "IX"), (5, "V"), (4, "IV"), (1, "I")];
    let mut rest = n;
    let mut out = String::new();
    for (value, letters) in STEPS {
        while rest >= value {
            out.push_str(letters);
            rest -= value;
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::animal::{Lying, MarkKind, Placement};
    use crate::notebook::testing::{measurement, small};
    use crate::notebook::{Action, StoredMark, Unknown};

    #[test]
    fn numerals() {
        let all: Vec<String> = [1, 2, 3, 4, 5, 6, 9, 12, 14, 28, 49].into_iter().map(roman).collect();
        assert_eq!(all, ["I", "II", "III", "IV", "V", "VI", "IX", "XII", "XIV", "XXVIII", "XLIX"]);
    }

    #[test]
    fn an_antenna_is_normalised_to_its_first_segment() {
        let mut n = small();
        let at = |x: f64| StoredMark {
            x_px: x,
            y_px: 300.0,
            on: MarkKind::Feature,
            placement: Placement::Hand,
            other: Unknown::new(),
        };
        // Segments of 100, 175 and 165 px, and a head of 220 px, in one picture.
        let mut antenna = measurement(8, 3, 2, 1);
        antenna.quantity = "antenna".into();
        antenna.kind = Kind::Appendage;
        antenna.marks = vec![at(100.0), at(200.0), at(375.0), at(540.0)];
        antenna.lying = Lying::Flat;
        let mut head = measurement(9, 3, 2, 1);
        head.quantity = "head".into();
        head.kind = Kind::Span;
        head.marks = vec![at(600.0), at(820.0)];
        head.lying = Lying::Flat;
        for mut m in [antenna, head] {
            m.reported = None;
            let answer = n.evaluate(&[&m], Options::default()).expect("evaluates");
            m.reported = answer.reported(0, "test");
            n.apply(Action::AddMeasurement { measurement: Box::new(m), at: None }).expect("fits");
        }
        let words = sentence_of(&n, &[AnimalId::new(3)]).expect("a sentence");
        assert!(words.starts_with("Body length 300.1 ± 2.2 µm (n = 1); antenna 440"), "{words}");
        let ratios = words.split("I : II : III = 1 : ").nth(1).expect("ratios");
        let numbers: Vec<f64> = ratios.split([' ', ';', '.']).filter_map(|_| None).chain(figures(ratios)).collect();
        assert!((numbers[0] - 1.75).abs() < 0.02 && (numbers[2] - 1.65).abs() < 0.02, "{words}");
        // Marks of half a blur spot of 4 µm: ± 4 % or so; the scale has cancelled.
        assert!(numbers[1] > 0.02 && numbers[1] < 0.12, "{words}");
        assert!(words.contains("antenna : head = 2.0"), "{words}");
        let both = sentence_of(&n, &[AnimalId::new(3), AnimalId::new(4)]).expect("a sentence");
        assert!(both.contains("(300.1–300.1 µm, n = 2, each ± 2.2 µm)"), "{both}");
        assert_eq!(sentence_of(&n, &[AnimalId::new(77)]), None);
    }

    fn figures(text: &str) -> Vec<f64> {
        text.split(|c: char| !(c.is_ascii_digit() || c == '.'))
            .filter_map(|t| t.trim_end_matches('.').parse().ok())
            .collect()
    }
}
