//! Tables with their description: a Frictionless data package.
//!
//! # Source
//! Frictionless Data, Data Package and Table Schema specifications, version 1 (specs.frictionlessdata.io).

use std::io;

use serde::Serialize;
use serde_json::{Value, json};
use sha2::{Digest, Sha256};

use super::csv::{self, COLUMNS};
use super::tidy;
use crate::notebook::Notebook;

/// A file that is part of an export.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OutFile {
    /// Its name, without folders.
    pub name: String,
    /// Its content.
    pub bytes: Vec<u8>,
}

/// What a column of the table of measurements holds: type, unit, words.
const fn about(column: &str) -> (&'static str, &'static str, &'static str) {
    match column.as_bytes() {
        b"picture" => ("string", "", "Path of the picture from the notebook's folder"),
        b"picture_sha256" => ("string", "", "SHA-256 of the picture's file"),
        b"setup" => ("string", "", "Camera, lens, magnification, aperture and mode, calibrated against a ruled slide"),
        b"animal" => ("string", "", "Name of the individual"),
        b"quantity" => ("string", "", "What was measured"),
        b"kind" => ("string", "", "What the marks make"),
        b"part" => ("string", "", "Part of the quantity, such as a segment; empty for the whole"),
        b"value" => ("number", "see column unit", "The value; empty where the picture does not resolve it"),
        b"unit" => ("string", "", "Unit of value, u, low and high; empty for a bare number"),
        b"u" => ("number", "see column unit", "Standard uncertainty"),
        b"low" => ("number", "see column unit", "Lower end of the coverage interval"),
        b"high" => {
            ("number", "see column unit", "Upper end of the coverage interval, or the bound of what is not resolved")
        }
        b"coverage" => ("number", "1", "Coverage probability of the interval"),
        b"k" => ("number", "1", "Half of the interval over u"),
        b"dof" => ("number", "1", "Effective degrees of freedom; INF where infinite"),
        b"verdict" => ("string", "", "Whether the picture resolves it"),
        b"lying" => ("string", "", "How the animal lies; angles in degrees"),
        b"ends" => ("string", "", "What the end marks stand on; empty where they differ"),
        b"placement" => ("string", "", "How the marks were placed"),
        b"blur_spot_um" => ("number", "µm", "10 to 90 % width of the edge response, on the object"),
        b"scale_px_per_um" => ("number", "px/µm", "Scale at the picture's centre"),
        b"u_rel_scale" => ("number", "1", "Relative standard uncertainty of the scale"),
        b"warnings" => ("string", "", "What is to be said about the figure"),
        _ => ("string", "", ""),
    }
}

/// The schema of the table of measurements.
#[must_use]
pub fn measurements_schema() -> Value {
    let field = |name: &&str| {
        let (kind, unit, words) = about(name);
        let mut field = json!({ "name": name, "type": kind, "description": words });
        if !unit.is_empty() {
            field["unit"] = json!(unit);
        }
        let choices: &[&str] = match *name {
            "kind" => &["span", "axis", "breadth", "appendage", "outline", "angle", "ratio", "sum"],
            "verdict" => &["resolved", "marginal", "not resolved"],
            _ => &[],
        };
        if !choices.is_empty() {
            field["constraints"] = json!({ "required": true, "enum": choices });
        } else if *name == "picture_sha256" {
            field["constraints"] = json!({ "pattern": "[0-9a-f]{64}" });
        } else if matches!(*name, "u" | "coverage" | "k" | "scale_px_per_um" | "u_rel_scale" | "blur_spot_um") {
            field["constraints"] = json!({ "minimum": 0 });
        }
        field
    };
    json!({ "fields": COLUMNS.iter().map(field).collect::<Vec<_>>(), "missingValues": [""] })
}

/// The columns of the table of animals.
const ANIMAL_COLUMNS: [(&str, &str); 14] = [
    ("animal_id", "World-wide id of the individual"),
    ("animal", "Name of the individual"),
    ("what", "What it is, in a person's words; no identification by the program"),
    ("stage", "Stage"),
    ("sex", "Sex"),
    ("place", "Where it was found"),
    ("found", "When it was found"),
    ("found_by", "Who found it"),
    ("condition", "Live or fixed"),
    ("medium", "In what it lay"),
    ("posture", "How it held itself"),
    ("group", "Group for statistics"),
    ("remarks", "Anything else"),
    ("notebook", "Id of the notebook"),
];

/// All of a notebook: `measurements.csv`, `animals.csv`, `quantities.csv` and `datapackage.json`.
///
/// # Errors
/// Whatever the CSV writer says.
pub fn package(notebook: &Notebook) -> io::Result<Vec<OutFile>> {
    let mut table = Vec::new();
    csv::write(&mut table, &tidy::rows(notebook), true)?;
    let animals = csv::text_table(
        &ANIMAL_COLUMNS.map(|c| c.0),
        notebook.animals.iter().map(|a| {
            let id = notebook.id.global(&a.id.to_string());
            let rest = [&a.what, &a.stage, &a.sex, &a.place, &a.found, &a.found_by, &a.condition, &a.medium];
            let end = [&a.posture, &a.group, &a.remarks];
            let mut cells = vec![id, a.name.clone()];
            cells.extend(rest.into_iter().chain(end).cloned());
            cells.push(notebook.id.to_string());
            cells
        }),
    )?;
    let quantities = csv::text_table(
        &["quantity", "definition", "source"],
        notebook.quantities.iter().map(|q| vec![q.name.clone(), q.definition.clone(), q.source.clone()]),
    )?;
    let texts = |columns: &[(&str, &str)], key: &str| {
        let fields: Vec<Value> =
            columns.iter().map(|(n, d)| json!({ "name": n, "type": "string", "description": d })).collect();
        json!({ "fields": fields, "missingValues": [""], "primaryKey": key })
    };
    let quantity_columns =
        [("quantity", "Name of the quantity"), ("definition", "From where to where"), ("source", "Where that is from")];
    let files = vec![
        OutFile { name: "measurements.csv".into(), bytes: table },
        OutFile { name: "animals.csv".into(), bytes: animals },
        OutFile { name: "quantities.csv".into(), bytes: quantities },
    ];
    let schemas = [measurements_schema(), texts(&ANIMAL_COLUMNS, "animal_id"), texts(&quantity_columns, "quantity")];
    let described: Vec<(&OutFile, Value)> = files.iter().zip(schemas).collect();
    let descriptor = descriptor(notebook, &described)?;
    let mut files = files;
    files.push(OutFile { name: "datapackage.json".into(), bytes: descriptor });
    Ok(files)
}

/// The description of one table of measurements, in a file of any name.
///
/// # Errors
/// Where it cannot be JSON.
pub fn description(notebook: &Notebook, table: &OutFile) -> io::Result<Vec<u8>> {
    descriptor(notebook, &[(table, measurements_schema())])
}

#[derive(Serialize)]
struct Descriptor<'a> {
    profile: &'a str,
    name: String,
    title: &'a str,
    id: &'a str,
    created: &'a str,
    resources: Vec<Value>,
}

fn descriptor(notebook: &Notebook, tables: &[(&OutFile, Value)]) -> io::Result<Vec<u8>> {
    let resource = |(file, schema): &(&OutFile, Value)| {
        let hash: String = Sha256::digest(&file.bytes).iter().map(|b| format!("{b:02x}")).collect();
        json!({
            "profile": "tabular-data-resource",
            "name": slug(file.name.trim_end_matches(".csv")),
            "path": file.name,
            "format": "csv",
            "mediatype": "text/csv",
            "encoding": "utf-8",
            "dialect": { "delimiter": ",", "lineTerminator": "\n", "quoteChar": "\"", "doubleQuote": true, "header": true },
            "bytes": file.bytes.len(),
            "hash": format!("sha256:{hash}"),
            "schema": schema,
        })
    };
    let descriptor = Descriptor {
        profile: "tabular-data-package",
        name: slug(&notebook.title),
        title: if notebook.title.is_empty() { "measurements" } else { &notebook.title },
        id: notebook.id.as_str(),
        created: &notebook.changed,
        resources: tables.iter().map(resource).collect(),
    };
    let mut bytes = serde_json::to_vec_pretty(&descriptor)?;
    bytes.push(b'\n');
    Ok(bytes)
}

/// A name as the specification has it: lower case, digits, `.`, `_` and `-`.
fn slug(title: &str) -> String {
    let mapped =
        title.to_lowercase().chars().map(|c| if c.is_ascii_alphanumeric() { c } else { '-' }).collect::<String>();
    let parts: Vec<&str> = mapped.split('-').filter(|p| !p.is_empty()).collect();
    if parts.is_empty() { "measurements".to_owned() } else { parts.join("-") }
}
