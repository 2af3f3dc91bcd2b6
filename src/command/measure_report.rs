//! What `measure` prints and writes.

use std::path::Path;

use serde::Serialize;

use super::Failure;
use super::console::Console;
use super::measure::advice;
use super::measure_find::Proposed;
use super::measure_json::MeasurementJson;
use super::table::percent;
use crate::animal::repeat::worth_repeating;
use crate::animal::{Lying, Measured, PictureBlur, Unit};
use crate::exchange::csv::Row;
use crate::exchange::tidy::ends_word;
use crate::uncertainty::{BudgetLine, Rounded, interval_text, significant};
use crate::units::Um;

/// All that was measured on one picture.
#[derive(Debug)]
pub(super) struct Result {
    pub(super) setup: String,
    pub(super) animal: String,
    pub(super) sha256: String,
    pub(super) scale_px_per_um: f64,
    pub(super) u_rel_scale: f64,
    pub(super) blur: PictureBlur,
    pub(super) lying: Lying,
    pub(super) measured: Vec<Measured>,
    pub(super) warnings: Vec<String>,
    /// What is said of a proposal.
    pub(super) proposed: Option<Proposed>,
}

#[derive(Serialize)]
struct Json<'a> {
    picture: String,
    setup: &'a str,
    scale_px_per_um: f64,
    u_rel_scale: f64,
    blur_spot_um: f64,
    blur_spot_predicted_um: Option<f64>,
    lying: String,
    measurements: Vec<MeasurementJson<'a>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    proposal: Option<&'a Proposed>,
    warnings: &'a [String],
}

#[derive(Serialize)]
struct RefusedJson<'a> {
    picture: String,
    refused: &'a str,
    detail: &'a str,
}

/// Says that a picture was refused.
pub(super) fn refused(
    picture: &Path,
    reason: &str,
    detail: &str,
    json: bool,
    console: &mut Console,
) -> std::result::Result<(), Failure> {
    if json {
        console.say_json(&RefusedJson { picture: picture.display().to_string(), refused: reason, detail })?;
    }
    console.warn(&format!("refused: {}: {detail}", picture.display()));
    Ok(())
}

/// Prints the result.
pub(super) fn print(
    result: &Result,
    picture: &Path,
    json: bool,
    console: &mut Console,
) -> std::result::Result<(), Failure> {
    if json {
        return console.say_json(&result.json(picture));
    }
    console.say(&result.text(picture))?;
    let named = |m: &Measured| m.warnings.iter().map(|w| format!("{}: {w}", m.name)).collect::<Vec<_>>();
    for m in &result.measured {
        for w in named(m).into_iter().chain(m.parts.iter().flat_map(named)) {
            console.warn(&format!("warning: {w}"));
        }
    }
    for w in &result.warnings {
        console.warn(&format!("warning: {w}"));
    }
    Ok(())
}

impl Result {
    fn json(&self, picture: &Path) -> Json<'_> {
        Json {
            picture: picture.display().to_string(),
            setup: &self.setup,
            scale_px_per_um: self.scale_px_per_um,
            u_rel_scale: self.u_rel_scale,
            blur_spot_um: self.blur.w_um.get(),
            blur_spot_predicted_um: self.blur.predicted_um.map(Um::get),
            lying: self.lying.to_string(),
            measurements: self.measured.iter().map(MeasurementJson).collect(),
            proposal: self.proposed.as_ref(),
            warnings: &self.warnings,
        }
    }

    fn text(&self, picture: &Path) -> String {
        let mut out = format!(
            "{}, setup {}\n  scale {} px/µm ± {} (k = 2), blur spot {:.1} µm ({:.1} px), lying {}\n",
            picture.display(),
            self.setup,
            significant(self.scale_px_per_um, 5),
            percent(2.0 * self.u_rel_scale),
            self.blur.w_um.get(),
            self.blur.w_um.get() * self.scale_px_per_um,
            self.lying
        );
        if let Some(proposed) = &self.proposed {
            out.push_str(&proposed.text());
        }
        for m in &self.measured {
            out.push('\n');
            out.push_str(&measured_text(m));
        }
        out.trim_end().to_owned()
    }

    /// The rows for the table.
    pub(super) fn rows(&self, picture: &Path) -> Vec<Row> {
        let mut rows = Vec::new();
        for m in &self.measured {
            rows.push(self.row(picture, m, None));
            rows.extend(m.parts.iter().map(|s| self.row(picture, s, Some(m))));
        }
        rows
    }

    fn row(&self, picture: &Path, m: &Measured, whole: Option<&Measured>) -> Row {
        let mut warnings = m.warnings.clone();
        warnings.extend(self.warnings.iter().cloned());
        Row {
            picture: picture.display().to_string(),
            picture_sha256: self.sha256.clone(),
            setup: self.setup.clone(),
            animal: self.animal.clone(),
            quantity: whole.unwrap_or(m).name.clone(),
            kind: m.kind.name().to_owned(),
            part: if whole.is_some() { m.name.clone() } else { String::new() },
            value: m.value,
            unit: m.unit.symbol().to_owned(),
            u: m.u,
            low: m.low,
            high: Some(m.high).filter(|h| h.is_finite()),
            coverage: Some(m.coverage),
            k: m.k,
            dof: m.dof,
            verdict: m.verdict.name().to_owned(),
            lying: self.lying.to_string(),
            ends: ends_word(m.ends).to_owned(),
            placement: m.placement.to_owned(),
            blur_spot_um: Some(self.blur.w_um.get()),
            scale_px_per_um: Some(self.scale_px_per_um),
            u_rel_scale: Some(self.u_rel_scale),
            warnings: warnings.join("; "),
        }
    }
}

fn headline(m: &Measured) -> String {
    let unit = with_space(m.unit);
    match (m.value, m.low) {
        (Some(value), Some(low)) => {
            let rounded = Rounded::new(value, 0.5 * (m.high - low), 2);
            format!(
                "{:16}  {rounded}{unit}  ({:.0} %: {}{unit}, k = {:.2}{})  {}",
                m.name,
                100.0 * m.coverage,
                interval_text(low, m.high, 2),
                m.k.unwrap_or(f64::NAN),
                dof_text(m.dof),
                m.verdict.name()
            )
        }
        _ if m.high.is_finite() => format!("{:16}  at most {}{unit}, not resolved", m.name, significant(m.high, 3)),
        _ => format!("{:16}  not resolved", m.name),
    }
}

/// The unit behind a number: degrees without a space, a bare number without anything.
fn with_space(unit: Unit) -> String {
    match unit {
        Unit::Deg | Unit::One => unit.symbol().to_owned(),
        Unit::Um | Unit::Um2 => format!(" {}", unit.symbol()),
    }
}

/// Degrees of freedom where they are few enough to matter.
fn dof_text(dof: Option<f64>) -> String {
    dof.filter(|d| *d < 1000.0).map_or(String::new(), |d| format!(", ν = {d:.0}"))
}

/// Lines below this share of the variance are left out of the text, and counted.
const SMALL_SHARE: f64 = 0.005;

fn measured_text(m: &Measured) -> String {
    let mut out = format!("  {}\n", headline(m));
    for s in &m.parts {
        out.push_str(&format!("    {}\n", headline(s)));
    }
    let shown: Vec<&BudgetLine> = m.budget.iter().filter(|l| l.share >= SMALL_SHARE).collect();
    let width = shown.iter().map(|l| l.source.chars().count()).max().unwrap_or(0);
    for line in &shown {
        out.push_str(&format!(
            "      {:width$}  {:>6}{}  {:>3.0} %  {}\n",
            line.source,
            significant(line.u, 2),
            with_space(m.unit),
            100.0 * line.share,
            line.label
        ));
    }
    let small = m.budget.len() - shown.len();
    if small > 0 && !shown.is_empty() {
        out.push_str(&format!("      and {small} more below 0.5 % each\n"));
    }
    if let Some(advice) = m.budget.first().and_then(|l| advice(&l.source)) {
        out.push_str(&format!("      what would lessen it most: {advice}\n"));
    }
    if let Some(words) = worth_repeating(m) {
        out.push_str(&format!("      {words}\n"));
    }
    out
}
