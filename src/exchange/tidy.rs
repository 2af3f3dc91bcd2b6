//! A notebook as a table: one row a measured quantity, parts are rows too.

use super::csv::Row;
use crate::animal::MarkKind;
use crate::notebook::{FigureNote, Measurement, Notebook, Reported};

/// The rows of a notebook in its own order; measurements without a figure are left out.
#[must_use]
pub fn rows(notebook: &Notebook) -> Vec<Row> {
    let lookup = Lookup::of(notebook);
    let of = |m| m_rows(m, &lookup);
    notebook.measurements.iter().flat_map(of).collect()
}

/// Names by id, so that twenty thousand rows do not search twenty thousand times.
struct Lookup<'a> {
    animals: std::collections::HashMap<crate::notebook::AnimalId, &'a str>,
    pictures: std::collections::HashMap<crate::notebook::PictureId, (&'a str, &'a str)>,
    setups: std::collections::HashMap<crate::notebook::SetupId, &'a str>,
}

impl<'a> Lookup<'a> {
    fn of(notebook: &'a Notebook) -> Self {
        Self {
            animals: notebook.animals.iter().map(|a| (a.id, a.name.as_str())).collect(),
            pictures: notebook.pictures.iter().map(|p| (p.id, (p.path.as_str(), p.sha256.as_str()))).collect(),
            setups: notebook.setups.iter().map(|s| (s.id, s.setup.name.as_str())).collect(),
        }
    }
}

fn m_rows(m: &Measurement, lookup: &Lookup<'_>) -> Vec<Row> {
    let Some(reported) = &m.reported else { return Vec::new() };
    let (path, hash) = lookup.pictures.get(&m.picture).copied().unwrap_or_default();
    let text = |t: Option<&&str>| t.copied().unwrap_or_default().to_owned();
    let shape = m.shape();
    let about = Row {
        picture: path.to_owned(),
        picture_sha256: hash.to_owned(),
        setup: text(lookup.setups.get(&m.setup)),
        animal: text(lookup.animals.get(&m.animal)),
        quantity: m.full_name(),
        kind: m.kind.name().to_owned(),
        coverage: Some(m.coverage),
        lying: m.lying.to_string(),
        ends: ends_word(shape.as_ref().and_then(crate::animal::Shape::ends)).to_owned(),
        placement: shape.map(|s| s.placement().to_owned()).unwrap_or_default(),
        ..Row::default()
    };
    figure_rows(&about, reported)
}

/// A row for a figure and one for each of its parts; `about` has what does not follow from the figure.
#[must_use]
pub fn figure_rows(about: &Row, reported: &Reported) -> Vec<Row> {
    let row = |f: &FigureNote| Row {
        part: f.name.clone(),
        value: f.value,
        unit: f.unit.symbol().to_owned(),
        u: f.u,
        low: f.low,
        high: f.high,
        k: f.k,
        dof: f.dof,
        verdict: f.verdict.name().to_owned(),
        blur_spot_um: Some(reported.blur_spot_um),
        scale_px_per_um: Some(reported.scale_px_per_um),
        u_rel_scale: Some(reported.u_rel_scale),
        warnings: f.warnings.iter().chain(&reported.warnings).cloned().collect::<Vec<_>>().join("; "),
        ..about.clone()
    };
    std::iter::once(&reported.figure).chain(&reported.figure.parts).map(row).collect()
}

/// What ends stand on, as the table says it.
#[must_use]
pub const fn ends_word(ends: Option<MarkKind>) -> &'static str {
    match ends {
        Some(MarkKind::Silhouette) => "silhouette",
        Some(MarkKind::Feature) => "feature",
        None => "",
    }
}
