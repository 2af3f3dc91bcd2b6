//! `sheet`: many measurements from a table of pictures and marks.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use rayon::prelude::*;
use serde::Deserialize;

use super::console::Console;
use super::export::folder_of;
use super::failure::Failure;
use super::notebook_keep::{self, Kept, PROGRAM};
use super::{opened, parse};
use crate::animal::{Kind, Lying, MarkKind, Shape};
use crate::exchange::csv::{self, Row};
use crate::notebook::{self, Answer, Question};
use crate::setup::{self, Setup};
use crate::uncertainty::Options;
use crate::units::{Image, Point};

/// Measures all rows of a table (CSV): picture, setup, kind, marks and, where wanted, animal, quantity, lying, ends, mode.
///
/// Marks are "x,y x,y …" in pixels, as for measure. Rows with the same picture, setup, animal and lying are measured together and stay
/// correlated. Work goes on all cores; what is done is written at once, and a sheet that is run again goes on behind it: what is in
/// --csv or --notebook already is passed over.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example: motestick sheet marks.csv --library setups --csv sizes.csv")]
pub(super) struct Args {
    /// The table; pictures are looked for beside it
    #[arg(value_name = "SHEET")]
    sheet: PathBuf,
    /// Folder where setups are kept; the user's data folder unless given
    #[arg(long, value_name = "DIR")]
    library: Option<PathBuf>,
    /// Append the measurements to this table
    #[arg(long, value_name = "FILE", required_unless_present = "notebook")]
    csv: Option<PathBuf>,
    /// Put the measurements into this notebook
    #[arg(long, value_name = "FILE")]
    notebook: Option<PathBuf>,
    /// Who measured, for the notebook
    #[arg(long, value_name = "TEXT", requires = "notebook")]
    person: Option<String>,
}

/// One row of the sheet.
#[derive(Clone, Debug, Deserialize)]
struct Line {
    picture: String,
    setup: String,
    kind: String,
    marks: String,
    #[serde(default)]
    animal: String,
    #[serde(default)]
    quantity: String,
    #[serde(default)]
    lying: String,
    #[serde(default)]
    ends: String,
    #[serde(default)]
    mode: String,
}

/// Rows that are measured together.
#[derive(Clone, Debug)]
struct Job {
    picture: PathBuf,
    setup: String,
    animal: String,
    lying: Lying,
    mode: Option<String>,
    shapes: Vec<Shape>,
    /// The line of the sheet of each shape.
    lines: Vec<usize>,
    to: Targets,
}

/// Where figures are still to be put.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Targets {
    table: bool,
    notebook: bool,
}

/// Jobs that are written together: few enough that little is lost, many enough that writing costs little.
const AT_ONCE: usize = 64;

/// Runs the command.
pub(super) fn run(args: &Args, console: &mut Console) -> Result<(), Failure> {
    let (jobs, mut failed) = jobs(args, console)?;
    let setups = setups(args, &jobs)?;
    let wanted: usize = jobs.iter().map(|j| j.shapes.len()).sum();
    let (mut table, mut notebook) = (in_table(args)?, in_notebook(args)?);
    let open: Vec<Job> = jobs.into_iter().flat_map(|job| job.still_open(args, &mut table, &mut notebook)).collect();
    let passed = wanted - open.iter().map(|j| j.shapes.len()).sum::<usize>();
    if passed > 0 {
        console.warn(&format!("{passed} of {wanted} rows are there already and are passed over"));
    }
    let mut rows = 0;
    for (i, chunk) in open.chunks(AT_ONCE).enumerate() {
        console.progress(&format!("{} of {} pictures", i * AT_ONCE, open.len()));
        let answers: Vec<Result<(opened::Opened, Answer), String>> =
            chunk.par_iter().map(|job| measured(job, &setups)).collect();
        let mut table = Vec::new();
        let mut kept = Vec::new();
        for (job, answer) in chunk.iter().zip(answers) {
            match answer {
                Ok((opened, answer)) => {
                    rows += job.rows(&opened, &answer).len();
                    if job.to.table {
                        table.extend(job.rows(&opened, &answer));
                    }
                    if job.to.notebook {
                        kept.push((job, opened, answer));
                    }
                }
                Err(words) => {
                    failed += job.lines.len();
                    console.warn(&format!("{}: {words}: {}", job.named(), job.picture.display()));
                }
            }
        }
        if let Some(path) = &args.csv {
            csv::append(path, &table).map_err(Failure::usage)?;
        }
        if let Some(path) = args.notebook.as_ref().filter(|_| !kept.is_empty()) {
            keep(path, args, &setups, &kept)?;
        }
    }
    console.say(&format!("{rows} figures of {} pictures; {failed} rows of the sheet failed", open.len()))?;
    if failed > 0 { Err(Failure::Partly) } else { Ok(()) }
}

/// Puts a chunk into the notebook as one action each picture, saved once.
fn keep(
    path: &Path,
    args: &Args,
    setups: &BTreeMap<String, Setup>,
    done: &[(&Job, opened::Opened, Answer)],
) -> Result<(), Failure> {
    let (mut store, _notices) = notebook_keep::open_or_begin(path)?;
    let now = super::clock::now();
    for (job, opened, answer) in done {
        let Some(setup) = setups.get(&job.setup) else { continue };
        let about = Kept {
            picture: &job.picture,
            opened,
            setup,
            animal: &job.named(),
            person: args.person.as_deref().unwrap_or_default(),
            lying: job.lying,
            blur_spot: None,
            accepted_mismatch: None,
            shapes: &job.shapes,
            figures: &[],
        };
        let action = notebook_keep::action(store.notebook(), path, &about, answer)?;
        store.apply(action, &now).map_err(Failure::usage)?;
    }
    store.close(&now).map_err(Failure::usage)
}

fn measured(job: &Job, setups: &BTreeMap<String, Setup>) -> Result<(opened::Opened, Answer), String> {
    let setup = setups.get(&job.setup).ok_or("its setup is not there")?;
    let opened = opened::open(&job.picture, job.mode.as_deref()).map_err(|e| e.to_string())?;
    let answer = notebook::evaluate(&Question {
        setup,
        facts: &opened.facts,
        exif_aperture: opened.photo.metadata().aperture,
        blur_spot: None,
        u_blur_spot: None,
        warnings: &opened.warnings,
        shapes: &job.shapes,
        figures: &[],
        lying: job.lying,
        accepted_mismatch: None,
        options: Options::default(),
    });
    Ok((opened, answer.map_err(|e| e.to_string())?))
}

/// What tells a row that is done: path of the picture, setup, animal, quantity; and how often it is there.
type Done = BTreeMap<(String, String, String, String), usize>;

fn counted(keys: impl Iterator<Item = (String, String, String, String)>) -> Done {
    let mut done = Done::new();
    for key in keys {
        *done.entry(key).or_default() += 1;
    }
    done
}

/// What the table has.
fn in_table(args: &Args) -> Result<Done, Failure> {
    match &args.csv {
        Some(path) if path.exists() && std::fs::metadata(path).is_ok_and(|m| m.len() > 0) => {
            let rows = csv::read(path).map_err(Failure::usage)?;
            let whole = rows.into_iter().filter(|r| r.part.is_empty());
            Ok(counted(whole.map(|r| (r.picture, r.setup, r.animal, r.quantity))))
        }
        _ => Ok(Done::new()),
    }
}

/// What the notebook has.
fn in_notebook(args: &Args) -> Result<Done, Failure> {
    let Some(path) = args.notebook.as_ref().filter(|p| p.exists()) else { return Ok(Done::new()) };
    let n = notebook::read(path).map_err(Failure::usage)?;
    let folder = folder_of(path);
    // Each picture's place is looked up once, not once a measurement.
    let places: BTreeMap<_, _> = n
        .pictures
        .iter()
        .filter_map(|p| Some((p.id, std::fs::canonicalize(folder.join(&p.path)).ok()?.display().to_string())))
        .collect();
    let of = |m: &notebook::Measurement| {
        let setup = n.setup(m.setup)?.setup.name.clone();
        Some((places.get(&m.picture)?.clone(), setup, n.animal(m.animal)?.name.clone(), m.quantity.clone()))
    };
    Ok(counted(n.measurements.iter().filter_map(of)))
}

impl Job {
    fn named(&self) -> String {
        let stem = || self.picture.file_stem().map_or_else(String::new, |s| s.to_string_lossy().into_owned());
        if self.animal.is_empty() { stem() } else { self.animal.clone() }
    }

    /// What of it is still to do, apart by where it is to go; what is done is taken off the counts, so that repeats stay repeats.
    fn still_open(self, args: &Args, table: &mut Done, notebook: &mut Done) -> Vec<Self> {
        let given = self.picture.display().to_string();
        let whole = std::fs::canonicalize(&self.picture).map_or_else(|_err| String::new(), |p| p.display().to_string());
        let named = self.named();
        let take = |done: &mut Done, quantity: &str| {
            [&given, &whole].into_iter().any(|picture| {
                let key = (picture.clone(), self.setup.clone(), named.clone(), quantity.to_owned());
                done.get_mut(&key).filter(|n| **n > 0).map(|n| *n -= 1).is_some()
            })
        };
        let mut parts: Vec<Self> = Vec::new();
        for (shape, line) in self.shapes.iter().zip(&self.lines) {
            let to = Targets {
                table: args.csv.is_some() && !take(table, &shape.name),
                notebook: args.notebook.is_some() && !take(notebook, &shape.name),
            };
            if !to.table && !to.notebook {
                continue;
            }
            let at = parts.iter().position(|p| p.to == to).unwrap_or_else(|| {
                parts.push(Self { shapes: Vec::new(), lines: Vec::new(), to, ..self.clone() });
                parts.len() - 1
            });
            if let Some(part) = parts.get_mut(at) {
                part.shapes.push(shape.clone());
                part.lines.push(*line);
            }
        }
        parts
    }

    fn rows(&self, opened: &opened::Opened, answer: &Answer) -> Vec<Row> {
        let mut rows = Vec::new();
        for (i, shape) in self.shapes.iter().enumerate() {
            let Some(r) = answer.reported(i, PROGRAM) else { continue };
            let figures = std::iter::once(&r.figure).chain(&r.figure.parts);
            rows.extend(figures.map(|f| Row {
                picture: self.picture.display().to_string(),
                picture_sha256: opened.photo.sha256().to_owned(),
                setup: self.setup.clone(),
                animal: self.named(),
                quantity: shape.name.clone(),
                kind: shape.kind.name().to_owned(),
                part: f.name.clone(),
                value: f.value,
                unit: f.unit.symbol().to_owned(),
                u: f.u,
                low: f.low,
                high: f.high,
                coverage: answer.measured.get(i).map(|m| m.coverage),
                k: f.k,
                dof: f.dof,
                verdict: f.verdict.name().to_owned(),
                lying: self.lying.to_string(),
                ends: match shape.ends() {
                    Some(MarkKind::Silhouette) => "silhouette".to_owned(),
                    Some(MarkKind::Feature) => "feature".to_owned(),
                    None => String::new(),
                },
                placement: shape.placement().to_owned(),
                blur_spot_um: Some(r.blur_spot_um),
                scale_px_per_um: Some(r.scale_px_per_um),
                u_rel_scale: Some(r.u_rel_scale),
                warnings: f.warnings.iter().chain(&r.warnings).cloned().collect::<Vec<_>>().join("; "),
            }));
        }
        rows
    }
}

/// The sheet's rows gathered by what is measured together, in the order of their first row; and how many make no sense.
fn jobs(args: &Args, console: &mut Console) -> Result<(Vec<Job>, usize), Failure> {
    let fail = |e: ::csv::Error| Failure::Usage(format!("cannot read the sheet: {e}: {}", args.sheet.display()));
    let mut reader =
        ::csv::ReaderBuilder::new().trim(::csv::Trim::All).comment(Some(b'#')).from_path(&args.sheet).map_err(fail)?;
    let header = reader.headers().map_err(fail)?;
    for needed in ["picture", "setup", "kind", "marks"] {
        if !header.iter().any(|h| h == needed) {
            return Err(Failure::Usage(format!(
                "the sheet has no column \"{needed}\"; its columns are picture, setup, kind, marks and, where wanted, animal, quantity, lying, ends, mode: {}",
                args.sheet.display()
            )));
        }
    }
    let folder = folder_of(&args.sheet);
    let mut jobs: Vec<Job> = Vec::new();
    let mut places: BTreeMap<(String, String, String, String, String), usize> = BTreeMap::new();
    let mut failed = 0;
    for (i, line) in reader.deserialize().enumerate() {
        let number = i + 2;
        let line: Result<Line, _> = line;
        let read = line.map_err(|e| e.to_string()).and_then(|line| shape_of(&line).map(|s| (line, s)));
        match read {
            Err(words) => {
                failed += 1;
                console.warn(&format!("line {number} of the sheet: {words}"));
            }
            Ok((line, (mut shape, lying))) => {
                let key = (
                    line.picture.clone(),
                    line.setup.clone(),
                    line.animal.clone(),
                    lying.to_string(),
                    line.mode.clone(),
                );
                let place = *places.entry(key).or_insert_with(|| {
                    jobs.push(Job {
                        picture: folder.join(&line.picture),
                        setup: line.setup.clone(),
                        animal: line.animal.clone(),
                        lying,
                        mode: Some(line.mode.clone()).filter(|m| !m.is_empty()),
                        shapes: Vec::new(),
                        lines: Vec::new(),
                        to: Targets { table: args.csv.is_some(), notebook: args.notebook.is_some() },
                    });
                    jobs.len() - 1
                });
                if let Some(job) = jobs.get_mut(place) {
                    if shape.name.is_empty() {
                        let before = job.shapes.iter().filter(|s| s.kind == shape.kind).count();
                        shape.name = format!("{} {}", shape.kind.name(), before + 1);
                    }
                    job.shapes.push(shape);
                    job.lines.push(number);
                }
            }
        }
    }
    Ok((jobs, failed))
}

fn shape_of(line: &Line) -> Result<(Shape, Lying), String> {
    let kinds = [Kind::Span, Kind::Axis, Kind::Breadth, Kind::Appendage, Kind::Outline, Kind::Angle];
    let kind = kinds.into_iter().find(|k| k.name() == line.kind);
    let kind = kind.ok_or_else(|| {
        format!("the kind \"{}\" is none of span, axis, breadth, appendage, outline, angle", line.kind)
    })?;
    let points: Vec<Point<Image>> = parse::marks(&line.marks)?.0;
    let ends = if line.ends.is_empty() { kind.usual_ends() } else { parse::ends(&line.ends)? };
    let lying = if line.lying.is_empty() { Lying::Unknown } else { parse::lying(&line.lying)? };
    Ok((Shape::by_hand(line.quantity.clone(), kind, &points, ends), lying))
}

/// Every setup that is named, read once.
fn setups(args: &Args, jobs: &[Job]) -> Result<BTreeMap<String, Setup>, Failure> {
    let library = opened::library(args.library.as_ref())?;
    let mut setups = BTreeMap::new();
    for job in jobs {
        if !setups.contains_key(&job.setup) {
            let path = folder_of(&args.sheet).join(&job.setup);
            let file = Path::new(&job.setup).extension().is_some_and(|e| e == "toml") && path.exists();
            let setup = if file { setup::read(&path) } else { library.get(&job.setup) };
            setups.insert(job.setup.clone(), setup.map_err(Failure::usage)?);
        }
    }
    Ok(setups)
}
