//! Darwin Core: occurrences and their measurements, as archives and recording schemes take them.
//!
//! # Source
//! TDWG, Darwin Core quick reference guide (terms of class Occurrence and MeasurementOrFact) and Darwin Core text guide (`meta.xml`).

use std::fmt::Write;
use std::io;

use super::csv;
use super::datapackage::OutFile;
use crate::animal::Unit;
use crate::notebook::{FigureNote, Measurement, Notebook, PictureId, Reported};
use crate::uncertainty::{interval_text, significant};

const TERMS: &str = "http://rs.tdwg.org/dwc/terms/";

/// Columns of the core, the first being its id.
const OCCURRENCE: [&str; 14] = [
    "occurrenceID",
    "basisOfRecord",
    "occurrenceStatus",
    "individualCount",
    "catalogNumber",
    "verbatimIdentification",
    "lifeStage",
    "sex",
    "verbatimLocality",
    "eventDate",
    "verbatimEventDate",
    "recordedBy",
    "preparations",
    "occurrenceRemarks",
];

/// Columns of the extension, the first being the id of the core's row.
const MEASUREMENT: [&str; 11] = [
    "occurrenceID",
    "measurementID",
    "parentMeasurementID",
    "measurementType",
    "measurementValue",
    "measurementAccuracy",
    "measurementUnit",
    "measurementDeterminedBy",
    "measurementDeterminedDate",
    "measurementMethod",
    "measurementRemarks",
];

/// `occurrence.csv`, `measurementorfact.csv` and `meta.xml`.
///
/// # Errors
/// Whatever the CSV writer says.
pub fn archive(notebook: &Notebook) -> io::Result<Vec<OutFile>> {
    let occurrences = csv::text_table(
        &OCCURRENCE,
        notebook.animals.iter().map(|a| {
            let dated = is_iso_date(&a.found);
            let verbatim = |plain: bool| if dated == plain { a.found.clone() } else { String::new() };
            let preparation: Vec<&str> =
                [a.condition.as_str(), a.medium.as_str()].into_iter().filter(|t| !t.is_empty()).collect();
            let mut remarks = a.remarks.clone();
            if !a.posture.is_empty() {
                remarks = if remarks.is_empty() {
                    format!("posture: {}", a.posture)
                } else {
                    format!("{remarks}; posture: {}", a.posture)
                };
            }
            vec![
                notebook.id.global(&a.id.to_string()),
                basis_of_record(&a.condition).to_owned(),
                "present".to_owned(),
                "1".to_owned(),
                a.name.clone(),
                a.what.clone(),
                a.stage.clone(),
                a.sex.clone(),
                a.place.clone(),
                verbatim(true),
                verbatim(false),
                a.found_by.clone(),
                preparation.join(" | "),
                remarks,
            ]
        }),
    )?;
    let mut rows = Vec::new();
    for m in &notebook.measurements {
        if let Some(reported) = &m.reported {
            rows.push(measurement(notebook, m, reported, &reported.figure, None));
            let parts = reported.figure.parts.iter().enumerate();
            rows.extend(parts.map(|(i, part)| measurement(notebook, m, reported, part, Some(i + 1))));
        }
    }
    let measurements = csv::text_table(&MEASUREMENT, rows)?;
    Ok(vec![
        OutFile { name: "occurrence.csv".into(), bytes: occurrences },
        OutFile { name: "measurementorfact.csv".into(), bytes: measurements },
        OutFile { name: "meta.xml".into(), bytes: meta().into_bytes() },
    ])
}

fn measurement(n: &Notebook, m: &Measurement, r: &Reported, f: &FigureNote, part: Option<usize>) -> Vec<String> {
    let whole = m.id.to_string();
    let local = part.map_or_else(|| whole.clone(), |i| format!("{whole}.{i}"));
    let parent = if part.is_some() { n.id.global(&whole) } else { String::new() };
    let kind = if f.name.is_empty() { m.full_name() } else { format!("{}, {}", m.full_name(), f.name) };
    vec![
        n.id.global(&m.animal.to_string()),
        n.id.global(&local),
        parent,
        kind,
        // The shortest text that gives the same number back.
        f.value.map(|v| format!("{v}")).unwrap_or_default(),
        accuracy(m, f),
        f.unit.symbol().to_owned(),
        m.person.clone(),
        m.date.clone(),
        method(n, m, r),
        remarks(n, m.picture, r, f),
    ]
}

fn accuracy(m: &Measurement, f: &FigureNote) -> String {
    let unit = unit_behind(f.unit);
    match (f.value, f.u, f.low, f.high) {
        (Some(_), Some(u), Some(low), Some(high)) => {
            let k = f.k.map_or_else(String::new, |k| format!(", k = {k:.2}"));
            let interval = interval_text(low, high, 2);
            format!(
                "standard uncertainty {}{unit}; {:.0} % interval {interval}{unit}{k}",
                significant(u, 2),
                100.0 * m.coverage
            )
        }
        (None, _, _, Some(high)) => format!("at most {}{unit}: not resolved", significant(high, 3)),
        _ => String::new(),
    }
}

fn unit_behind(unit: Unit) -> String {
    match unit {
        Unit::One | Unit::Deg => unit.symbol().to_owned(),
        Unit::Um | Unit::Um2 => format!(" {}", unit.symbol()),
    }
}

fn method(n: &Notebook, m: &Measurement, r: &Reported) -> String {
    let mut words = n.quantity(&m.quantity).map_or_else(String::new, |q| format!("{}; ", q.definition));
    let setup = n.setup(m.setup).map_or("", |s| s.setup.name.as_str());
    let placed = m.shape().map_or_else(String::new, |s| format!(", marks placed: {}", s.placement()));
    // Writing to a string cannot fail.
    let _written = write!(
        words,
        "{} on a photograph{placed}; scale {} px/µm from a ruled slide (setup \"{setup}\", relative standard uncertainty {}); lying {}; {}",
        m.kind.name(),
        significant(r.scale_px_per_um, 6),
        significant(r.u_rel_scale, 2),
        m.lying,
        r.program
    );
    words
}

fn remarks(n: &Notebook, picture: PictureId, r: &Reported, f: &FigureNote) -> String {
    let mut words: Vec<String> = Vec::new();
    if let Some(p) = n.picture(picture) {
        words.push(format!("picture {} SHA-256 {}", p.path, p.sha256));
    }
    words.push(f.verdict.name().to_owned());
    words.extend(f.warnings.iter().chain(&r.warnings).cloned());
    words.join("; ")
}

/// What the record rests on, in the standard's vocabulary: an animal that was kept is a specimen, any other was looked at.
fn basis_of_record(condition: &str) -> &'static str {
    let condition = condition.to_lowercase();
    let kept = ["fixed", "preserved", "mounted"].iter().any(|w| condition.contains(w));
    if kept && !condition.contains("not ") { "PreservedSpecimen" } else { "HumanObservation" }
}

/// True for what `eventDate` may hold of ISO 8601-1: year, month or day, perhaps with a time, or a range of those.
fn is_iso_date(text: &str) -> bool {
    fn one(text: &str) -> bool {
        let (date, time) = text.split_once('T').map_or((text, None), |(d, t)| (d, Some(t)));
        let digits = |t: &str, n: usize| t.len() == n && t.bytes().all(|b| b.is_ascii_digit());
        let within = |t: &str, most: u32| digits(t, 2) && t.parse::<u32>().is_ok_and(|v| (1..=most).contains(&v));
        let parts: Vec<&str> = date.split('-').collect();
        let date_fits = match parts.as_slice() {
            [y] => digits(y, 4) && time.is_none(),
            [y, m] => digits(y, 4) && within(m, 12) && time.is_none(),
            [y, m, d] => digits(y, 4) && within(m, 12) && within(d, 31),
            _ => false,
        };
        let clock = |t: &str| t.len() >= 5 && t.bytes().all(|b| b.is_ascii_digit() || b":.+-Z".contains(&b));
        date_fits && time.is_none_or(clock)
    }
    let parts: Vec<&str> = text.split('/').collect();
    matches!(parts.len(), 1 | 2) && parts.iter().all(|p| one(p))
}

fn meta() -> String {
    let fields = |columns: &[&str]| -> String {
        let field = |(i, c): (usize, &&str)| format!("    <field index=\"{i}\" term=\"{TERMS}{c}\"/>\n");
        columns.iter().enumerate().skip(1).map(field).collect()
    };
    let form = "encoding=\"UTF-8\" fieldsTerminatedBy=\",\" linesTerminatedBy=\"\\n\" fieldsEnclosedBy='\"' ignoreHeaderLines=\"1\"";
    format!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<archive xmlns=\"http://rs.tdwg.org/dwc/text/\">\n  <core {form} rowType=\"{TERMS}Occurrence\">\n    <files><location>occurrence.csv</location></files>\n    <id index=\"0\"/>\n    <field index=\"0\" term=\"{TERMS}occurrenceID\"/>\n{}  </core>\n  <extension {form} rowType=\"{TERMS}MeasurementOrFact\">\n    <files><location>measurementorfact.csv</location></files>\n    <coreid index=\"0\"/>\n{}  </extension>\n</archive>\n",
        fields(&OCCURRENCE),
        fields(&MEASUREMENT)
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_animal_that_was_kept_is_a_specimen() {
        for (condition, basis) in [
            ("fixed", "PreservedSpecimen"),
            ("Fixed in ethanol", "PreservedSpecimen"),
            ("mounted", "PreservedSpecimen"),
            ("live", "HumanObservation"),
            ("live, not fixed", "HumanObservation"),
            ("", "HumanObservation"),
        ] {
            assert_eq!(basis_of_record(condition), basis, "{condition}");
        }
    }

    #[test]
    fn dates_are_told_from_words() {
        for date in ["2024", "2024-05", "2024-05-01", "2024-05-01T10:00Z", "2024-05-01/2024-05-07"] {
            assert!(is_iso_date(date), "{date}");
        }
        for words in ["", "May 2024", "2024-13-01", "2024-05-32", "spring", "2024-05-01 10:00", "1/2/2024"] {
            assert!(!is_iso_date(words), "{words}");
        }
    }
}
