//! `sheet`: many measurements from a table of pictures and marks.

use std::collections::{BTreeMap, HashSet};
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
    lines: Vec<usize>,
}

/// Jobs that are written together: few enough that little is lost, many enough that writing costs little.
const AT_ONCE: usize = 64;

/// Runs the command.
pub(super) fn run(args: &Args, console: &mut Console) -> Result<(), Failure> {
    let (jobs, mut failed) = jobs(args, console)?;
    let setups = setups(args, &jobs)?;
    let done = done_already(args)?;
    let open: Vec<&Job> = jobs.iter().filter(|j| !j.is_in(&done)).collect();
    let passed = jobs.len() - open.len();
    if passed > 0 {
        console.warn(&format!("{passed} of {} pictures are there already and are passed over", jobs.len()));
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
                    table.extend(job.rows(&opened, &answer));
                    kept.push((*job, opened, answer));
                }
                Err(words) => {
                    failed += job.lines.len();
                    console.warn(&format!("{}: {words}: {}", job.named(), job.picture.display()));
                }
            }
        }
        rows += table.len();
        if let Some(path) = &args.csv {
            csv::append(path, &table).map_err(Failure::usage)?;
        }
        if let Some(path) = &args.notebook {
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

/// What tells a job that is done: hash of the picture or its path, setup, animal.
type Done = HashSet<(String, String, String)>;

fn done_already(args: &Args) -> Result<Done, Failure> {
    let mut done = Done::new();
    let in_table = match &args.csv {
        Some(path) if path.exists() && std::fs::metadata(path).is_ok_and(|m| m.len() > 0) => {
            let rows = csv::read(path).map_err(Failure::usage)?;
            Some(rows.into_iter().map(|r| (r.picture, r.setup, r.animal)).collect::<Done>())
        }
        Some(_) => Some(Done::new()),
        None => None,
    };
    let in_notebook = match &args.notebook {
        Some(path) if path.exists() => {
            let n = notebook::read(path).map_err(Failure::usage)?;
            let folder = folder_of(path);
            let of = |m: &notebook::Measurement| {
                let picture = std::fs::canonicalize(folder.join(&n.picture(m.picture)?.path)).ok()?;
                Some((
                    picture.display().to_string(),
                    n.setup(m.setup)?.setup.name.clone(),
                    n.animal(m.animal)?.name.clone(),
                ))
            };
            Some(n.measurements.iter().filter_map(of).collect::<Done>())
        }
        Some(_) => Some(Done::new()),
        None => None,
    };
    match (in_table, in_notebook) {
        // Where both are wanted, only what is in both is done: in the table by its path as given.
        (Some(_), Some(in_notebook)) => done.extend(in_notebook),
        (Some(only), None) | (None, Some(only)) => done.extend(only),
        (None, None) => {}
    }
    Ok(done)
}

impl Job {
    fn named(&self) -> String {
        let stem = || self.picture.file_stem().map_or_else(String::new, |s| s.to_string_lossy().into_owned());
        if self.animal.is_empty() { stem() } else { self.animal.clone() }
    }

    fn is_in(&self, done: &Done) -> bool {
        let whole = std::fs::canonicalize(&self.picture).map_or_else(|_err| String::new(), |p| p.display().to_string());
        let key = |picture: String| (picture, self.setup.clone(), self.named());
        done.contains(&key(self.picture.display().to_string())) || done.contains(&key(whole))
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
