//! The loop over the pictures of a batch: each is read, kept, drawn and told, and a failure stops none of the others.

use std::path::{Path, PathBuf};

use super::calibrate::Args;
use super::calibrate_keep::{self as keep, One};
use super::calibrate_report::{self as report, Answer, Calibrated};
use super::console::Console;
use super::opened::{self, Opened, file_name};
use super::side_by_side::side_by_side;
use super::{
    Failure, calibrate_by_hand as by_hand, calibrate_notes as notes, calibrate_turned as turned, reading_plot,
};
use crate::optics::OpticsError;
use crate::photo::{Channel, PhotoError};
use crate::setup::{Library, SetupError, SlideNotes};
use crate::slide::{self, CrosswiseError, HandError, LeftOut, Reading, Refusal, Request};
use crate::units::Um;

/// Why one picture gave no reading.
#[derive(Debug, thiserror::Error)]
pub(super) enum Trouble {
    #[error(transparent)]
    Photo(#[from] PhotoError),
    #[error("{0}")]
    Refused(Refusal),
    #[error(transparent)]
    NotCrossways(#[from] CrosswiseError),
    #[error(transparent)]
    ByHand(#[from] HandError),
    #[error(transparent)]
    Setup(#[from] SetupError),
    #[error(transparent)]
    Optics(#[from] OpticsError),
    #[error("the plot cannot be drawn: {0}")]
    Draw(#[from] crate::exchange::draw::DrawError),
    #[error("the plot cannot be written: {0}")]
    Plot(std::io::Error),
    #[error("the uncertainty of the scale cannot be stated: {0}")]
    Uncertainty(#[from] crate::uncertainty::UncertaintyError),
}

impl Trouble {
    fn answer(&self, path: &Path) -> Answer {
        let picture = path.display().to_string();
        match self {
            Self::Refused(r) => Answer::Refused { picture, refused: r.reason().to_owned(), detail: r.to_string() },
            Self::NotCrossways(e) => {
                Answer::Refused { picture, refused: "slide not turned".to_owned(), detail: e.to_string() }
            }
            Self::ByHand(e) => {
                Answer::Refused { picture, refused: "marks give no scale".to_owned(), detail: e.to_string() }
            }
            other => Answer::Failed { picture, error: other.to_string() },
        }
    }
}

/// Reads all pictures and says what became of each.
pub(super) fn run(args: &Args, slide: &SlideNotes, library: &Library, console: &mut Console) -> Result<(), Failure> {
    let mut kept = keep::earlier(args, library).map_err(Failure::usage)?;
    let total = args.pictures.len();
    let mut statuses = Vec::with_capacity(total);
    let read = |path: &PathBuf| read_one(path, args, slide);
    side_by_side(&args.pictures, read, |path, outcome| {
        if total > 1 {
            console.progress(&format!("[{}/{total}] {}", statuses.len() + 1, path.display()));
        }
        let outcome = outcome.and_then(|one| keep::keep(one, args, library, &mut kept));
        let outcome = outcome.and_then(|done| draw(done, args, statuses.len(), total));
        let answer = match outcome {
            Ok(done) => Answer::Calibrated(Box::new(done)),
            Err(trouble) => trouble.answer(path),
        };
        report::print(&answer, args.json, console)?;
        statuses.push(answer.status());
        Ok(())
    })?;
    match (statuses.iter().max(), total) {
        (None | Some(0), _) => Ok(()),
        (Some(&status), 1) => Err(Failure::Reported(status)),
        _ => Err(Failure::Partly),
    }
}

fn read_one(path: &Path, args: &Args, slide: &SlideNotes) -> Result<One, Trouble> {
    let opened = opened::open(path, args.mode.as_deref())?;
    let optics = notes::optics(args, &opened)?;
    let division = Um::new(slide.division_um);
    let request = Request { expected: optics.nominal_scale(), ..Request::new(division) };
    let (mut reading, parts) = match &args.by_hand {
        Some(marks) => (by_hand::read(&opened, &marks.0, &optics)?, vec![]),
        None => {
            let light = opened.photo.light(Channel::Even);
            let reading = slide::read(&light, &request).map_err(Trouble::Refused)?;
            let parts = slide::blur_by_region(&light, &reading, division);
            (reading, parts)
        }
    };
    let mut warnings = opened.warnings.clone();
    let mut setup = keep::new_setup(args, &opened, optics.clone(), slide.clone(), &reading);
    setup.readings = vec![keep::record(path, &opened, &reading, None)];
    let mut setup = setup.checked()?;
    if let Some(second) = &args.crossways {
        let crossways = turned::turn(&mut reading, second, args, &request, &setup, &mut warnings)?;
        setup.readings = vec![keep::record(path, &opened, &reading, Some(crossways))];
    }
    warnings.extend(reading.warnings.iter().map(ToString::to_string));
    warnings.extend(notes::warnings(&reading, &optics, slide));
    Ok(One { path: path.to_owned(), setup, reading, parts, warnings })
}

/// Reads a picture that is open, without the graduations that a person leaves out.
pub(super) fn read_light(opened: &Opened, request: &Request, left_out: &[LeftOut]) -> Result<Reading, Trouble> {
    slide::read_without(&opened.photo.light(Channel::Even), request, left_out).map_err(Trouble::Refused)
}

/// Draws the residuals where a plot is wanted; `before` pictures of `total` came earlier.
fn draw(done: Calibrated, args: &Args, before: usize, total: usize) -> Result<Calibrated, Trouble> {
    if let Some(file) = &args.plot {
        let png = reading_plot::png(&done.reading, &done.quality.parts, &file_name(&done.path))?;
        std::fs::write(numbered(file, before, total), png).map_err(Trouble::Plot)?;
    }
    Ok(done)
}

/// `plot.png` for a single picture; `plot-1.png`, `plot-2.png` for a batch.
fn numbered(file: &Path, before: usize, total: usize) -> PathBuf {
    if total < 2 {
        return file.to_owned();
    }
    let stem = file.file_stem().map_or_else(|| "plot".into(), |s| s.to_string_lossy());
    let ending = file.extension().map_or_else(|| "png".into(), |e| e.to_string_lossy());
    file.with_file_name(format!("{stem}-{}.{ending}", before + 1))
}
