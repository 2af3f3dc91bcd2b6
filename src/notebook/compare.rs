//! Sizes held against published ones. Never an identification: size decides nothing alone.

use std::collections::BTreeMap;
use std::io::Read;

use serde::Deserialize;

use super::document::Notebook;
use super::id::AnimalId;
use super::lines::line_of;
use crate::stats::{normal_cdf, student_t_cdf};

/// The table that comes with the program.
pub const SHIPPED: &str = include_str!("../../calibration/published_sizes.csv");

/// One line of a table of published sizes. All figures are in the quantity's unit: micrometres, or none for ratios.
#[derive(Clone, Debug, Default, PartialEq, Deserialize)]
pub struct PublishedSize {
    /// The group of animals.
    pub group: String,
    /// Stage or sex.
    #[serde(default)]
    pub stage: String,
    /// The quantity, as measurements name it.
    pub quantity: String,
    /// Smallest published.
    pub low: Option<f64>,
    /// Largest published.
    pub high: Option<f64>,
    /// Mean.
    pub mean: Option<f64>,
    /// Standard deviation between animals.
    pub sd: Option<f64>,
    /// Number of animals.
    pub n: Option<u32>,
    /// Where it is from; `common knowledge` where there is no source.
    #[serde(default)]
    pub source: String,
    /// What tells the group apart, for the eye.
    #[serde(default)]
    pub remarks: String,
}

/// Why a table cannot be used.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum TableError {
    /// It is no table of sizes.
    #[error(
        "the table of published sizes cannot be read: {0}; its columns are group, stage, quantity, low, high, mean, sd, n, source, remarks"
    )]
    Form(#[from] csv::Error),
    /// A line makes no sense.
    #[error("line {line} of the table of published sizes ({group}): {why}")]
    Line {
        /// Number of the line, the header being 1.
        line: usize,
        /// The line's group.
        group: String,
        /// What is wrong.
        why: &'static str,
    },
}

/// Reads a table of published sizes: CSV with a header, further columns are passed over.
///
/// # Errors
/// [`TableError`].
pub fn read_sizes(text: impl Read) -> Result<Vec<PublishedSize>, TableError> {
    let (mut text, mut whole) = (text, Vec::new());
    text.read_to_end(&mut whole).map_err(csv::Error::from)?;
    let mut reader =
        csv::ReaderBuilder::new().trim(csv::Trim::All).comment(Some(b'#')).flexible(true).from_reader(whole.as_slice());
    let header = reader.headers()?.clone();
    let mut sizes = Vec::new();
    for record in reader.records() {
        let mut record = record?;
        let line = line_of(&whole, record.position(), Some(b'#'));
        // Errors of form name the same line.
        let mut position = record.position().cloned().unwrap_or_else(csv::Position::new);
        position.set_line(line);
        record.set_position(Some(position));
        let fail = |group: &str, why| TableError::Line {
            line: usize::try_from(line).unwrap_or(usize::MAX),
            group: group.to_owned(),
            why,
        };
        if record.len() != header.len() {
            return Err(fail(record.get(0).unwrap_or_default(), "it has more or fewer cells than the header"));
        }
        let size: PublishedSize = record.deserialize(Some(&header))?;
        if let Some(why) = wrong(&size) {
            return Err(fail(&size.group, why));
        }
        sizes.push(size);
    }
    Ok(sizes)
}

fn wrong(s: &PublishedSize) -> Option<&'static str> {
    let bad = |v: Option<f64>| v.is_some_and(|v| !(v.is_finite() && v >= 0.0));
    if s.group.is_empty() || s.quantity.is_empty() {
        return Some("group and quantity must be named");
    }
    if [s.low, s.high, s.mean, s.sd].into_iter().any(bad) {
        return Some("sizes must be finite and not below 0");
    }
    match (s.low, s.high, s.mean, s.sd) {
        (Some(low), Some(high), ..) if low > high => Some("low is above high"),
        (_, _, Some(_), Some(sd)) if sd <= 0.0 => Some("sd must be above 0"),
        (Some(_), Some(_), ..) | (_, _, Some(_), Some(_)) => None,
        _ => Some("low and high, or mean and sd, must be there"),
    }
}

/// How an animal fits one group, or none.
#[derive(Clone, Debug, PartialEq)]
pub struct Fit {
    /// The group, or `none of these`.
    pub group: String,
    /// Stage or sex.
    pub stage: String,
    /// Probability that sizes like these occur there, given their uncertainty: of a published range, that all true sizes lie in
    /// it; of a mean and sd, that an animal departs at least as far. `None` for `none of these`.
    pub fits: Option<f64>,
    /// Share among all entries and `none of these`, each taken as equally likely beforehand.
    pub share: f64,
    /// Number of quantities compared.
    pub compared: usize,
    /// Sources.
    pub sources: Vec<String>,
    /// What tells the group apart, for the eye.
    pub remarks: String,
}

/// What is none of the table's groups may be anything from 50 µm to 5 mm, each octave as likely as the next.
const ANYTHING: (f64, f64) = (50.0, 5000.0);
/// Published ends of a range are rounded and from few animals: soft by this share of the range. Common practice.
const SOFT: f64 = 0.05;

/// Holds an animal's sizes (name, value, standard uncertainty) against a table: ranked, always with `none of these`.
///
/// Entries of one group and stage are taken together, over the quantities that both sides have, as if these were independent;
/// entries without a common quantity are left out. An answer says that sizes fit, never what an animal is.
#[must_use]
pub fn compare(sizes: &[(String, f64, f64)], table: &[PublishedSize]) -> Vec<Fit> {
    /// An entry with the value and standard uncertainty held against it.
    type Held<'a> = (&'a PublishedSize, f64, f64);
    let mut groups: BTreeMap<(&str, &str), Vec<Held<'_>>> = BTreeMap::new();
    for entry in table {
        if let Some((_, value, u)) = sizes.iter().find(|s| s.0.eq_ignore_ascii_case(&entry.quantity)) {
            groups.entry((&entry.group, &entry.stage)).or_default().push((entry, *value, *u));
        }
    }
    // One density for none of these per quantity in use.
    let mut fits: Vec<(Fit, f64)> = Vec::new();
    for ((group, stage), entries) in &groups {
        let (mut fit, mut odds) = (1.0, 1.0);
        for (entry, value, u) in entries {
            let (f, density) = one(entry, *value, *u);
            fit *= f;
            odds *= density / anything(*value);
        }
        let sources: std::collections::BTreeSet<String> = entries.iter().map(|e| e.0.source.clone()).collect();
        let remarks = entries.first().map(|e| e.0.remarks.clone()).unwrap_or_default();
        let (group, stage) = ((*group).to_owned(), (*stage).to_owned());
        let sources = sources.into_iter().filter(|s| !s.is_empty()).collect();
        fits.push((Fit { group, stage, fits: Some(fit), share: 0.0, compared: entries.len(), sources, remarks }, odds));
    }
    let none = Fit {
        group: "none of these".to_owned(),
        stage: String::new(),
        fits: None,
        share: 0.0,
        compared: 0,
        sources: Vec::new(),
        remarks: String::new(),
    };
    fits.push((none, 1.0));
    let total: f64 = fits.iter().map(|f| f.1).sum();
    let mut ranked: Vec<Fit> = fits.into_iter().map(|(fit, odds)| Fit { share: odds / total, ..fit }).collect();
    ranked.sort_by(|a, b| b.share.total_cmp(&a.share));
    ranked
}

/// Density of sizes of anything at all.
fn anything(value: f64) -> f64 {
    1.0 / (value.max(f64::MIN_POSITIVE) * (ANYTHING.1 / ANYTHING.0).ln())
}

/// Probability of fitting, and density of the measured value under the entry.
fn one(entry: &PublishedSize, value: f64, u: f64) -> (f64, f64) {
    if let (Some(mean), Some(sd)) = (entry.mean, entry.sd) {
        let n = entry.n.map(f64::from);
        let spread = (sd * sd * n.map_or(1.0, |n| 1.0 + 1.0 / n.max(1.0)) + u * u).sqrt();
        let z = (value - mean).abs() / spread;
        let tail = match n.filter(|n| *n >= 2.0) {
            Some(n) => 1.0 - student_t_cdf(z, n - 1.0).unwrap_or_else(|_err| normal_cdf(z)),
            None => 1.0 - normal_cdf(z),
        };
        return (2.0 * tail, (-0.5 * z * z).exp() / (spread * std::f64::consts::TAU.sqrt()));
    }
    let (low, high) = (entry.low.unwrap_or(0.0), entry.high.unwrap_or(f64::INFINITY));
    let soft = u.hypot(SOFT * (high - low)).max(f64::MIN_POSITIVE);
    let inside = normal_cdf((high - value) / soft) - normal_cdf((low - value) / soft);
    (inside, inside / (high - low).max(soft))
}

impl Notebook {
    /// An animal's sizes for [`compare`]: mean and standard uncertainty of each quantity that is resolved.
    #[must_use]
    pub fn sizes_of(&self, id: AnimalId) -> Vec<(String, f64, f64)> {
        let mut all: BTreeMap<String, Vec<(f64, f64)>> = BTreeMap::new();
        for m in self.measurements_of(id) {
            if let Some((v, u)) = m.reported.as_ref().and_then(|r| Some((r.figure.value?, r.figure.u?))) {
                all.entry(m.quantity.clone()).or_default().push((v, u));
            }
        }
        let mean = |(name, v): (String, Vec<(f64, f64)>)| {
            let n = v.len() as f64;
            (name, v.iter().map(|k| k.0).sum::<f64>() / n, v.iter().map(|k| k.1).sum::<f64>() / n)
        };
        all.into_iter().map(mean).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn entry(group: &str, low: f64, high: f64) -> PublishedSize {
        PublishedSize {
            group: group.into(),
            quantity: "body length".into(),
            low: Some(low),
            high: Some(high),
            ..PublishedSize::default()
        }
    }

    fn sized(value: f64, u: f64) -> Vec<(String, f64, f64)> {
        vec![("Body length".into(), value, u)]
    }

    #[test]
    fn a_size_at_the_end_of_a_range_fits_by_half() {
        let table = [entry("a", 600.0, 800.0)];
        let fits = |v: f64, u: f64| compare(&sized(v, u), &table).iter().find(|f| f.group == "a").and_then(|f| f.fits);
        assert!((fits(800.0, 50.0).unwrap() - 0.5).abs() < 0.01);
        // 830 ± 50 (k = 2) is compatible with 600 to 800, not excluded.
        let f = fits(830.0, 25.0).unwrap();
        assert!(f > 0.1 && f < 0.2, "{f}");
        assert!(fits(700.0, 10.0).unwrap() > 0.999 && fits(1200.0, 10.0).unwrap() < 1e-6);
    }

    #[test]
    fn means_use_student_and_the_uncertainty() {
        let mut e = entry("a", 0.0, 0.0);
        (e.low, e.high, e.mean, e.sd, e.n) = (None, None, Some(700.0), Some(30.0), Some(10));
        // t = (760 − 700) / √(900 · 1.1 + 100) = 1.8173; two-sided tail with 9 degrees of freedom 0.10255 (SciPy 1.14).
        let fits = compare(&sized(760.0, 10.0), &[e]);
        let f = fits.iter().find_map(|f| f.fits).unwrap();
        assert!((f - 0.102_52).abs() < 1e-4, "{fits:?}");
    }

    #[test]
    fn none_of_these_is_always_there_and_shares_sum_to_one() {
        let table = [entry("a", 600.0, 800.0), entry("b", 650.0, 3000.0), entry("c", 100.0, 300.0)];
        for v in [50.0, 250.0, 700.0, 5000.0] {
            let fits = compare(&sized(v, 10.0), &table);
            assert!((fits.iter().map(|f| f.share).sum::<f64>() - 1.0).abs() < 1e-12);
            assert!(fits.iter().any(|f| f.group == "none of these" && f.fits.is_none()));
            assert!(fits.windows(2).all(|p| p[0].share >= p[1].share));
        }
        assert_eq!(compare(&sized(700.0, 10.0), &table)[0].group, "a", "the narrower range says more");
        assert_eq!(compare(&sized(5000.0, 10.0), &table)[0].group, "none of these");
        let alone = compare(&[], &table);
        assert!(alone.len() == 1 && alone[0].share == 1.0);
    }

    #[test]
    fn the_shipped_table_reads_and_names_its_sources() {
        let table = read_sizes(SHIPPED.as_bytes()).unwrap();
        assert!(table.len() >= 24, "{}", table.len());
        assert!(table.iter().all(|e| !e.source.is_empty()));
        assert!(
            table.iter().all(|e| e.quantity == "body length" && e.high.is_some_and(|h| (50.0..=30_000.0).contains(&h)))
        );
    }

    #[test]
    fn lines_that_make_no_sense_are_named() {
        let head = "group,stage,quantity,low,high,mean,sd,n,source,remarks\n";
        for (line, words) in [
            ("mites,,body length,5,1,,,,x,", "line 2 of the table of published sizes (mites): low is above high"),
            ("mites,,body length,5,,,,,x,", "low and high, or mean and sd"),
            (",,body length,1,5,,,,x,", "must be named"),
            ("mites,,body length,,,5,0,,x,", "sd must be above 0"),
            ("mites,,body length,x,5,,,,x,", "its columns are group"),
            ("# from a book\n\nmites,,body length,5,1,,,,x,", "line 4 of the table of published sizes (mites)"),
            ("mites,,body length,1,5,,,,\"a\nb\",\nmites,,body length,5,1,,,,x,", "line 4 of the table"),
            ("# from a book\nmites,,body length,x,5,,,,x,", "line: 3,"),
            ("# from a book\nmites,,body length,1,5", "line 3 of the table of published sizes (mites): it has more or"),
        ] {
            let e = read_sizes(format!("{head}{line}\n").as_bytes()).unwrap_err().to_string();
            assert!(e.contains(words), "{e}");
        }
    }
}
