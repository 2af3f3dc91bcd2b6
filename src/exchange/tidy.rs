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
    let mut rows = vec![row(m, reported, &reported.figure, lookup)];
    rows.extend(reported.figure.parts.iter().map(|part| row(m, reported, part, lookup)));
    rows
}

fn row(m: &Measurement, reported: &Reported, figure: &FigureNote, lookup: &Lookup<'_>) -> Row {
    let (path, hash) = lookup.pictures.get(&m.picture).copied().unwrap_or_default();
    let text = |t: Option<&&str>| t.copied().unwrap_or_default().to_owned();
    let mut warnings = figure.warnings.clone();
    warnings.extend(reported.warnings.iter().cloned());
    let shape = m.shape();
    let ends = shape.as_ref().and_then(crate::animal::Shape::ends);
    Row {
        picture: path.to_owned(),
        picture_sha256: hash.to_owned(),
        setup: text(lookup.setups.get(&m.setup)),
        animal: text(lookup.animals.get(&m.animal)),
        quantity: m.full_name(),
        kind: m.kind.name().to_owned(),
        part: figure.name.clone(),
        value: figure.value,
        unit: figure.unit.symbol().to_owned(),
        u: figure.u,
        low: figure.low,
        high: figure.high,
        coverage: Some(m.coverage),
        k: figure.k,
        dof: figure.dof,
        verdict: figure.verdict.name().to_owned(),
        lying: m.lying.to_string(),
        ends: match ends {
            Some(MarkKind::Silhouette) => "silhouette".to_owned(),
            Some(MarkKind::Feature) => "feature".to_owned(),
            None => String::new(),
        },
        placement: shape.map(|s| s.placement().to_owned()).unwrap_or_default(),
        blur_spot_um: Some(reported.blur_spot_um),
        scale_px_per_um: Some(reported.scale_px_per_um),
        u_rel_scale: Some(reported.u_rel_scale),
        warnings: warnings.join("; "),
    }
}
