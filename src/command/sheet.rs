//! `sheet`: many measurements from a table of pictures and marks.

mod done;
mod rows;

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use rayon::prelude::*;

use super::console::Console;
use super::export::folder_of;
use super::failure::Failure;
use super::notebook_keep::{self, Kept, PROGRAM};
use super::opened;
use crate::animal::Shape;
use crate::exchange::csv::{self, Row};
use crate::exchange::tidy::{ends_word, figure_rows};
use crate::notebook::{self, Answer, Picture, Question, Store};
use crate::setup::{self, PictureFacts, Setup};
use crate::uncertainty::Options;
use done::There;
use rows::{Job, Trouble};

/// Arguments of `sheet`; what it does is said where the commands are listed.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLE, group = clap::ArgGroup::new("into").args(["csv", "notebook"]).required(true).multiple(true))]
pub(super) struct Args {
    /// The table; pictures are looked for beside it
    #[arg(value_name = "SHEET")]
    sheet: PathBuf,
    /// Folder where setups are kept; the user's data folder unless given
    #[arg(long, value_name = "DIR")]
    library: Option<PathBuf>,
    /// Append the measurements to this table
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// Put the measurements into this notebook
    #[arg(long, value_name = "FILE")]
    notebook: Option<PathBuf>,
    /// Who measured, for the notebook
    #[arg(long, value_name = "TEXT", requires = "notebook")]
    person: Option<String>,
}

/// A sheet, and the command that measures it.
const EXAMPLE: &str = "Example, a sheet and its command:
  picture,setup,kind,marks,animal,quantity,lying
  IMG_0001.jpg,fernery 4x,axis,\"1263,540 1234,830 1214,1006\",mite 1,body length,flat
  IMG_0001.jpg,fernery 4x,span,\"1383,842 1095,814\",mite 1,body breadth,flat
  motestick sheet marks.csv --library setups --csv sizes.csv";

/// A job with its setup, the content of its picture and the name of its animal.
#[derive(Clone, Debug)]
struct Work {
    job: Job,
    setup: Arc<Setup>,
    sha256: String,
    animal: String,
    to: Targets,
}

/// Where figures are still to be put.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Targets {
    table: bool,
    notebook: bool,
}

/// What stays of a picture once it was opened; the picture itself is let go.
#[derive(Clone, Debug)]
struct Seen {
    sha256: String,
    facts: PictureFacts,
    aperture: Option<f64>,
    warnings: Vec<String>,
    /// For the notebook, where there is one.
    record: Option<Picture>,
}

/// A picture's file and its mode.
type PictureKey = (PathBuf, Option<String>);
type AllSeen = BTreeMap<PictureKey, Result<Seen, String>>;

/// Jobs that are written together: few enough that little is lost, many enough that writing costs little.
const AT_ONCE: usize = 64;

/// Actions after which the notebook is written whole: its journal stays short, and a long sheet does not write a large notebook a hundred
/// times.
const UNSAVED: u64 = 1000;

/// Runs the command.
pub(super) fn run(args: &Args, console: &mut Console) -> Result<(), Failure> {
    if let Some(path) = args.notebook.as_ref().filter(|p| !folder_of(p).is_dir()) {
        return Err(Failure::Usage(format!("the notebook's folder is not there; make it first: {}", path.display())));
    }
    let (jobs, mut troubles) = rows::read(&args.sheet)?;
    let wanted: usize = jobs.iter().map(|j| j.lines.len()).sum();
    let stores = done::Stores::of(args, console)?;
    let (mut work, more) = prepared(args, jobs)?;
    troubles.extend(more);
    for words in stores.name_animals(&mut work) {
        console.warn(&words);
    }
    let (open, passed, more) = still_open(work, stores);
    troubles.extend(more);
    let mut failed = 0;
    for trouble in rows::sorted(troubles) {
        failed += trouble.lines.len();
        console.warn(&trouble.to_string());
    }
    if passed > 0 {
        console.warn(&format!("{passed} of {wanted} rows are there already and are passed over"));
    }
    let (mut figures, mut pictures) = (0, BTreeSet::new());
    let mut seen = AllSeen::new();
    let mut store = None;
    for (i, chunk) in open.chunks(AT_ONCE).enumerate() {
        console.progress(&format!("{} of {} jobs", i * AT_ONCE, open.len()));
        see(args, chunk, &mut seen);
        let answers: Vec<Result<(&Seen, Answer), String>> = chunk.par_iter().map(|w| w.measured(&seen)).collect();
        let mut table = Vec::new();
        let mut kept = Vec::new();
        for (work, answer) in chunk.iter().zip(answers) {
            match answer {
                Ok((seen, answer)) => {
                    let rows = work.rows(seen, &answer);
                    figures += rows.len();
                    pictures.insert(seen.sha256.clone());
                    if work.to.table {
                        table.extend(rows);
                    }
                    if work.to.notebook {
                        kept.push((work, seen, answer));
                    }
                }
                Err(words) => {
                    let words = format!("{words}: {}", work.job.picture.display());
                    let trouble = Trouble { lines: work.job.lines.clone(), words };
                    failed += trouble.lines.len();
                    console.warn(&trouble.to_string());
                }
            }
        }
        if let Some(path) = &args.csv {
            csv::append(path, &table).map_err(Failure::usage)?;
        }
        if let Some(path) = args.notebook.as_ref().filter(|_| !kept.is_empty()) {
            keep(path, args, &mut store, &kept, console)?;
        }
    }
    if let Some(store) = store {
        store.close(&super::clock::now()).map_err(Failure::usage)?;
    }
    console.say(&format!("figures: {figures}, of pictures: {}; {failed} rows of the sheet failed", pictures.len()))?;
    if failed > 0 { Err(Failure::Partly) } else { Ok(()) }
}

/// The jobs whose setup and picture are there. Every setup and every picture's content is read once.
fn prepared(args: &Args, jobs: Vec<Job>) -> Result<(Vec<Work>, Vec<Trouble>), Failure> {
    let library = opened::library(args.library.as_ref())?;
    let folder = folder_of(&args.sheet);
    let mut setups: BTreeMap<String, Result<Arc<Setup>, String>> = BTreeMap::new();
    for job in &jobs {
        if !setups.contains_key(&job.setup) {
            let path = folder.join(&job.setup);
            let file = Path::new(&job.setup).extension().is_some_and(|e| e == "toml") && path.exists();
            let setup = if file { setup::read(&path) } else { library.get(&job.setup) };
            setups.insert(job.setup.clone(), setup.map(Arc::new).map_err(|e| e.to_string()));
        }
    }
    let pictures: BTreeSet<&PathBuf> = jobs.iter().map(|j| &j.picture).collect();
    let hashes: BTreeMap<PathBuf, Result<String, String>> = pictures
        .into_par_iter()
        .map(|path| {
            let words = |e| format!("the picture cannot be read: {e}: {}", path.display());
            (path.clone(), notebook::sha256_of(path).map_err(words))
        })
        .collect();
    let mut troubles: BTreeMap<String, Vec<u64>> = BTreeMap::new();
    let mut work = Vec::new();
    let to = Targets { table: args.csv.is_some(), notebook: args.notebook.is_some() };
    for job in jobs {
        let not_there = || "it was not looked up".to_owned();
        let setup = setups.get(&job.setup).cloned().unwrap_or_else(|| Err(not_there()));
        let sha256 = hashes.get(&job.picture).cloned().unwrap_or_else(|| Err(not_there()));
        match setup.and_then(|setup| Ok((setup, sha256?))) {
            Ok((setup, sha256)) => work.push(Work { animal: job.animal.clone(), job, setup, sha256, to }),
            Err(words) => troubles.entry(words).or_default().extend(&job.lines),
        }
    }
    let troubles = troubles.into_iter().map(|(words, lines)| Trouble { lines, words }).collect();
    Ok((work, troubles))
}

/// What is still to do, apart by where it is to go; how many rows are done; and those that were changed since.
fn still_open(work: Vec<Work>, stores: done::Stores) -> (Vec<Work>, usize, Vec<Trouble>) {
    let states = stores.states(&work);
    let (mut open, mut passed, mut troubles) = (Vec::new(), 0, Vec::new());
    for (work, states) in work.into_iter().zip(states) {
        let first = open.len();
        let shapes = work.job.shapes.iter().zip(&work.job.lines);
        for ((shape, line), state) in shapes.zip(states) {
            if let Some(words) = state.changed() {
                let of = format!("{words} ({} of {})", shape.name, work.animal);
                let words = format!("{of}; remove the old measurement there first, or name this one otherwise");
                troubles.push(Trouble { lines: vec![*line], words });
                continue;
            }
            let open_in = |wanted: bool, there: There| wanted && there == There::No;
            let to = Targets {
                table: open_in(work.to.table, state.table),
                notebook: open_in(work.to.notebook, state.notebook),
            };
            if !to.table && !to.notebook {
                passed += 1;
                continue;
            }
            let at = open.iter().skip(first).position(|p: &Work| p.to == to).map(|i| first + i);
            let at = at.unwrap_or_else(|| {
                let job = Job { shapes: Vec::new(), lines: Vec::new(), ..work.job.clone() };
                open.push(Work { job, to, ..work.clone() });
                open.len() - 1
            });
            if let Some(part) = open.get_mut(at) {
                part.job.shapes.push(shape.clone());
                part.job.lines.push(*line);
            }
        }
    }
    (open, passed, troubles)
}

/// Opens the pictures of these jobs that were not open before, as many at once as there are threads, and lets them go.
fn see(args: &Args, chunk: &[Work], seen: &mut AllSeen) {
    let new: BTreeSet<PictureKey> = chunk.iter().map(Work::picture_key).filter(|k| !seen.contains_key(k)).collect();
    let open = |(path, mode): PictureKey| {
        let seen = seen_at(args, &path, mode.as_deref());
        ((path, mode), seen)
    };
    seen.extend(new.into_par_iter().map(open).collect::<Vec<_>>());
}

fn seen_at(args: &Args, path: &Path, mode: Option<&str>) -> Result<Seen, String> {
    let opened = opened::open(path, mode).map_err(|e| e.to_string())?;
    let record = match &args.notebook {
        Some(notebook) => Some(notebook_keep::picture_of(notebook, path, &opened, None).map_err(|e| e.to_string())?),
        None => None,
    };
    Ok(Seen {
        sha256: opened.photo.sha256().to_owned(),
        aperture: opened.photo.metadata().aperture,
        facts: opened.facts,
        warnings: opened.warnings,
        record,
    })
}

/// Puts what was measured into the notebook as one action each job; the notebook is taken the first time and held. Each action is on
/// the disk once it is applied, so that the document is written whole only now and then.
fn keep(
    path: &Path,
    args: &Args,
    store: &mut Option<Store>,
    done: &[(&Work, &Seen, Answer)],
    console: &mut Console,
) -> Result<(), Failure> {
    let store = match store {
        Some(store) => store,
        None => {
            let (opened, notices) = notebook_keep::open_or_begin(path)?;
            notices.iter().for_each(|n| console.warn(n));
            store.insert(opened)
        }
    };
    let now = super::clock::now();
    for (work, seen, answer) in done {
        let Some(picture) = seen.record.clone() else { continue };
        let about = Kept {
            picture,
            setup: &work.setup,
            animal: &work.animal,
            person: args.person.as_deref().unwrap_or_default(),
            lying: work.job.lying,
            accepted_mismatch: None,
            shapes: &work.job.shapes,
            figures: &[],
        };
        let action = notebook_keep::action(store.notebook(), &about, answer);
        store.apply(action, &now).map_err(Failure::usage)?;
    }
    if store.notebook().revision.saturating_sub(store.saved_revision()) < UNSAVED {
        return Ok(());
    }
    store.save(&now).map_err(Failure::usage)
}

impl Work {
    fn picture_key(&self) -> PictureKey {
        (self.job.picture.clone(), self.job.mode.clone())
    }

    fn measured<'a>(&self, seen: &'a AllSeen) -> Result<(&'a Seen, Answer), String> {
        let seen = seen.get(&self.picture_key()).ok_or("it was not opened")?.as_ref().map_err(Clone::clone)?;
        let answer = notebook::evaluate(&Question {
            setup: &self.setup,
            facts: &seen.facts,
            exif_aperture: seen.aperture,
            blur_spot: None,
            u_blur_spot: None,
            warnings: &seen.warnings,
            shapes: &self.job.shapes,
            figures: &[],
            lying: self.job.lying,
            accepted_mismatch: None,
            options: Options::default(),
        });
        Ok((seen, answer.map_err(|e| e.to_string())?))
    }

    fn rows(&self, seen: &Seen, answer: &Answer) -> Vec<Row> {
        let row = |(i, shape): (usize, &Shape)| {
            let reported = answer.reported(i, PROGRAM)?;
            let about = Row {
                picture: self.job.picture.display().to_string(),
                picture_sha256: seen.sha256.clone(),
                setup: self.setup.name.clone(),
                animal: self.animal.clone(),
                quantity: shape.name.clone(),
                kind: shape.kind.name().to_owned(),
                coverage: answer.measured.get(i).map(|m| m.coverage),
                lying: self.job.lying.to_string(),
                ends: ends_word(shape.ends()).to_owned(),
                placement: shape.placement().to_owned(),
                ..Row::default()
            };
            Some(figure_rows(&about, &reported))
        };
        self.job.shapes.iter().enumerate().filter_map(row).flatten().collect()
    }
}
