//! What the window asks of the commands, so that both do and say the same.

use std::ffi::OsString;
use std::path::{Path, PathBuf};

use clap::Parser;

use super::plan_preview::{Sharp, Shown};
use super::{
    Cli, Command, calibrate, calibrate_batch as batch, calibrate_by_hand as by_hand, calibrate_keep as keep,
    calibrate_notes as notes, calibrate_turned as turned,
};
use crate::exchange::plot::Plot;
use crate::optics::planner::{Plan, PlanRequest};
use crate::photo::PhotoError;
use crate::setup::{Crossways, Library, Setup, SetupError};
use crate::slide::{HandMark, LeftOut, Reading, Request};
use crate::units::{PxPerUm, Um};

/// Now, UTC, ISO 8601.
pub(crate) fn now() -> String {
    super::clock::now()
}

pub(crate) use super::opened::Opened;

/// Opens a picture.
pub(crate) fn open(path: &Path) -> Result<Opened, PhotoError> {
    super::opened::open(path, None)
}

/// The user's folder of setups, without a home `None`.
pub(crate) fn user_data() -> Option<PathBuf> {
    let library = super::opened::library(None).ok()?;
    library.folder().parent().map(Path::to_owned)
}

/// What would lessen a source of uncertainty.
pub(crate) fn advice(source: &str) -> Option<&'static str> {
    super::measure::advice(source)
}

/// Pictures that come with the program: name and content.
pub(crate) fn samples() -> [(&'static str, &'static [u8]); 5] {
    super::demo::samples()
}

/// The sample notebook in this folder: written the first time, opened as it was left from then on.
///
/// # Errors
/// Words about what cannot be written.
pub(crate) fn sample_notebook(folder: &Path) -> Result<PathBuf, String> {
    super::demo::sample_notebook(folder)
        .map_err(|e| format!("the sample notebook could not be made in {}: {}", folder.display(), words_of(e)))
}

/// What two apertures of a plan would record of a drawn animal, or of a sharp picture of this scale, as a PNG, and what to tell beside it.
///
/// # Errors
/// Words about why nothing can be rendered.
pub(crate) fn plan_preview(
    request: &PlanRequest,
    made: &Plan,
    rows: &[usize],
    own: Option<(&Path, PxPerUm)>,
) -> Result<(Vec<u8>, String), String> {
    let shown = Shown { rows: rows.to_vec(), defocus: None, electrons: crate::exchange::preview::ELECTRONS };
    let sharp = match own {
        Some((path, scale)) => Sharp::of(path, Some(scale.get()), request),
        None => Sharp::of(Path::new(super::plan_preview::RENDERED), None, request),
    };
    sharp.and_then(|sharp| shown.rendered(request, made, &sharp)).map_err(words_of)
}

/// Why a command failed, for a window, where nothing was reported on the way.
fn words_of(e: super::Failure) -> String {
    match e {
        super::Failure::Usage(words) => words,
        super::Failure::Refused { reason, detail } if detail.is_empty() => reason,
        super::Failure::Refused { detail, .. } => detail,
        super::Failure::Partly => "a part of it failed, the rest is there".to_owned(),
        super::Failure::Reported(status) => format!("it ended with status {status}"),
        super::Failure::OutputClosed => "nobody reads what it writes any more".to_owned(),
    }
}

/// What was typed about a slide, in the words of `calibrate`: `["--division", "10um", "--magnification", "4"]`.
#[derive(Clone, Debug, Default)]
pub(crate) struct SlideWords {
    pub(crate) words: Vec<String>,
    /// A second picture with the slide turned by about 90°, as `--crossways` names it.
    pub(crate) turned: Option<PathBuf>,
}

/// A slide that was read and may be kept.
#[derive(Clone, Debug)]
pub(crate) struct SlideRead {
    pub(crate) reading: Reading,
    pub(crate) setup: Setup,
    /// What everything makes uncertain, relative, and by source.
    pub(crate) u_rel: f64,
    pub(crate) parts: Vec<(String, f64)>,
    pub(crate) warnings: Vec<String>,
    turned: Option<Turned>,
    read_as: ReadAs,
}

/// What decides what a reading means: a setup of other words than these would be of another scale.
#[derive(Clone, Debug, PartialEq)]
struct ReadAs {
    picture_sha256: String,
    division_um: f64,
    expected: Option<PxPerUm>,
    by_hand: Option<Vec<HandMark>>,
    turned: Option<PathBuf>,
}

impl ReadAs {
    fn of(opened: &Opened, args: &calibrate::Args) -> Result<Self, NotRead> {
        let slide = notes::slide(args).map_err(NotRead::wrong)?;
        let optics = notes::optics(args, opened).map_err(NotRead::wrong)?;
        Ok(Self {
            picture_sha256: opened.photo.sha256().to_owned(),
            division_um: slide.division_um,
            expected: optics.nominal_scale(),
            by_hand: args.by_hand.as_ref().map(|m| m.0.clone()),
            turned: args.crossways.clone(),
        })
    }

    /// What is not as it was.
    fn changed(&self, now: &Self) -> Option<String> {
        let division = |r: &Self| r.division_um;
        if self.picture_sha256 != now.picture_sha256 {
            Some("another picture was read".to_owned())
        } else if division(self) != division(now) {
            Some(format!(
                "it was read with a division of {} µm, and the division is {} µm now",
                division(self),
                division(now)
            ))
        } else if self.by_hand != now.by_hand {
            Some("the marks set by hand are others now".to_owned())
        } else if self.turned != now.turned {
            Some("the turned picture is another one now".to_owned())
        } else if self.expected != now.expected {
            Some("magnification or pixel pitch are others now".to_owned())
        } else {
            None
        }
    }
}

/// What a second picture with the slide turned by about 90° gave.
#[derive(Clone, Debug)]
struct Turned {
    crossways: Crossways,
    warnings: Vec<String>,
}

/// Why there is no reading.
#[derive(Clone, Debug)]
pub(crate) struct NotRead {
    /// True where the picture was refused, false where words or files are wrong.
    pub(crate) refused: bool,
    pub(crate) words: String,
}

impl NotRead {
    fn wrong(words: impl std::fmt::Display) -> Self {
        Self { refused: false, words: words.to_string() }
    }
}

fn args(path: &Path, words: &SlideWords, name: Option<&str>) -> Result<Box<calibrate::Args>, NotRead> {
    let mut all: Vec<OsString> = vec!["motestick".into(), "calibrate".into()];
    all.extend(words.words.iter().map(OsString::from));
    if let Some(turned) = &words.turned {
        let mut option = OsString::from("--crossways=");
        option.push(turned);
        all.push(option);
    }
    if let Some(name) = name {
        all.push(format!("--setup={name}").into());
    }
    all.extend(["--".into(), path.into()]);
    match Cli::try_parse_from(all) {
        Ok(Cli { command: Some(Command::Calibrate(args)) }) => Ok(args),
        Ok(_) => Err(NotRead::wrong("the words were not understood")),
        Err(e) => Err(NotRead::wrong(what_clap_says(&e))),
    }
}

/// The first sentence of a message about arguments, without the option's name in angle brackets.
fn what_clap_says(e: &clap::Error) -> String {
    let text = e.to_string();
    let first = text.lines().next().unwrap_or_default().trim_start_matches("error: ");
    match first.rsplit_once("': ") {
        Some((_, words)) => words.to_owned(),
        None => first.to_owned(),
    }
}

/// Reads a picture of a ruled slide that is open: by itself, without the graduations that a person leaves out, or from marks set by
/// hand where the words have some; with the turned slide's picture where the words name one.
pub(crate) fn read_slide(
    path: &Path,
    opened: &Opened,
    words: &SlideWords,
    left_out: &[LeftOut],
) -> Result<SlideRead, NotRead> {
    let args = args(path, words, None)?;
    let slide = notes::slide(&args).map_err(NotRead::wrong)?;
    calibrate::check_notes(&args).map_err(NotRead::wrong)?;
    let optics = notes::optics(&args, opened).map_err(NotRead::wrong)?;
    let request = Request { expected: optics.nominal_scale(), ..Request::new(Um::new(slide.division_um)) };
    let reading = match &args.by_hand {
        Some(marks) => by_hand::read(opened, &marks.0, &optics),
        None => batch::read_light(opened, &request, left_out),
    };
    let refused = |e: &batch::Trouble| matches!(e, batch::Trouble::Refused(_) | batch::Trouble::ByHand(_));
    let mut reading = reading.map_err(|e| NotRead { refused: refused(&e), words: e.to_string() })?;
    let mut of_turned = None;
    if let Some(second) = &args.crossways {
        let first = one(path, opened, &args, reading.clone(), None)?.setup;
        let mut warnings = Vec::new();
        let crossways = turned::turn(&mut reading, second, &args, &request, &first, &mut warnings);
        let crossways = crossways.map_err(|e| NotRead {
            refused: refused(&e) || matches!(e, batch::Trouble::NotCrossways(_)),
            words: format!("the turned picture {}: {e}", super::opened::file_name(second)),
        })?;
        of_turned = Some(Turned { crossways, warnings });
    }
    let one = one(path, opened, &args, reading, of_turned.as_ref())?;
    let own = one.setup.scale_uncertainty(one.reading.map.centre()).map_err(NotRead::wrong)?;
    let keep::One { setup, reading, warnings, .. } = one;
    Ok(SlideRead {
        reading,
        setup,
        u_rel: own.u_rel,
        parts: own.parts,
        warnings,
        turned: of_turned,
        read_as: ReadAs::of(opened, &args)?,
    })
}

fn one(
    path: &Path,
    opened: &Opened,
    args: &calibrate::Args,
    reading: Reading,
    turned: Option<&Turned>,
) -> Result<keep::One, NotRead> {
    let slide = notes::slide(args).map_err(NotRead::wrong)?;
    calibrate::check_notes(args).map_err(NotRead::wrong)?;
    let optics = notes::optics(args, opened).map_err(NotRead::wrong)?;
    let mut warnings = opened.warnings.clone();
    warnings.extend(turned.iter().flat_map(|t| t.warnings.iter().cloned()));
    warnings.extend(reading.warnings.iter().map(ToString::to_string));
    warnings.extend(notes::warnings(&reading, &optics, &slide));
    let mut setup = keep::new_setup(args, opened, optics, slide, &reading);
    let record = keep::record(path, opened, &reading, turned.map(|t| t.crossways.clone()));
    setup.readings = vec![record];
    let setup = setup.checked().map_err(NotRead::wrong)?;
    Ok(keep::One { path: path.to_owned(), setup, reading, parts: vec![], warnings })
}

/// Keeps a reading in the setup of that name, as `calibrate --setup NAME` does.
///
/// # Errors
/// [`NotRead`] with what contradicts the earlier setup of that name, or why it cannot be written.
pub(crate) fn keep_slide(
    path: &Path,
    opened: &Opened,
    words: &SlideWords,
    read: &SlideRead,
    name: &str,
    library: &Library,
) -> Result<(Setup, Vec<String>), NotRead> {
    let args = args(path, words, Some(name))?;
    if let Some(what) = read.read_as.changed(&ReadAs::of(opened, &args)?) {
        return Err(NotRead::wrong(format!("{what}: read the slide again before you save the setup")));
    }
    let one = one(path, opened, &args, read.reading.clone(), read.turned.as_ref())?;
    let mut kept = keep::earlier(&args, library).map_err(NotRead::wrong)?;
    let done = keep::keep(one, &args, library, &mut kept).map_err(NotRead::wrong)?;
    let setup = kept.ok_or_else(|| {
        NotRead::wrong(SetupError::NoSuchSetup {
            name: name.to_owned(),
            known: library.names(),
            library: library.folder().to_owned(),
        })
    })?;
    Ok((setup, done.warnings))
}

/// What leaves a notebook, as options of `export`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Export {
    Table,
    Report,
    Pictures(PictureFormat, Drawn),
    Drawings,
    Cards,
    Package,
    DarwinCore,
}

/// The format of pictures that leave.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) enum PictureFormat {
    #[default]
    Png,
    Jpeg,
    Tiff,
}

impl PictureFormat {
    /// All, with what each is good for.
    pub(crate) const ALL: [(Self, &'static str, &'static str); 3] = [
        (Self::Png, "PNG", "without loss, opens everywhere"),
        (Self::Jpeg, "JPEG", "small, with a little loss"),
        (Self::Tiff, "TIFF", "without loss, with the scale as OME-XML for image analysis"),
    ];
}

/// What is drawn on pictures that leave.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) enum Drawn {
    /// Scale bar, marks and figures.
    #[default]
    All,
    /// The scale bar alone.
    Bar,
}

impl Export {
    pub(crate) const ALL: [Self; 7] = [
        Self::Table,
        Self::Report,
        Self::Pictures(PictureFormat::Png, Drawn::All),
        Self::Cards,
        Self::Drawings,
        Self::Package,
        Self::DarwinCore,
    ];

    /// The option that wants the path behind it, and what goes with it.
    const fn options(self) -> (&'static str, &'static [&'static str]) {
        match self {
            Self::Table => ("--csv", &[]),
            Self::Package => ("--package", &[]),
            Self::DarwinCore => ("--darwin-core", &[]),
            Self::Pictures(format, drawn) => {
                let more: &'static [&'static str] = match (format, drawn) {
                    (PictureFormat::Png, Drawn::All) => &[],
                    (PictureFormat::Png, Drawn::Bar) => &["--bar-only"],
                    (PictureFormat::Jpeg, Drawn::All) => &["--format=jpeg"],
                    (PictureFormat::Jpeg, Drawn::Bar) => &["--format=jpeg", "--bar-only"],
                    (PictureFormat::Tiff, Drawn::All) => &["--format=tiff"],
                    (PictureFormat::Tiff, Drawn::Bar) => &["--format=tiff", "--bar-only"],
                };
                ("--pictures", more)
            }
            Self::Drawings => ("--svg", &[]),
            Self::Cards => ("--cards", &[]),
            Self::Report => ("--report", &[]),
        }
    }

    /// What it is, in words.
    pub(crate) const fn words(self) -> &'static str {
        match self {
            Self::Table => "Table (CSV)",
            Self::Package => "Data package",
            Self::DarwinCore => "Darwin Core",
            Self::Pictures(..) => "Pictures",
            Self::Drawings => "Drawings (SVG)",
            Self::Cards => "Record cards (PDF)",
            Self::Report => "Report (HTML)",
        }
    }

    /// What it is for, in a line.
    pub(crate) const fn purpose(self) -> &'static str {
        match self {
            Self::Table => "one row a figure, for a spreadsheet or for statistics",
            Self::Report => "one page with everything in it, to be read in a browser or printed",
            Self::Pictures(..) => "at full size with scale bar, the scale in their metadata",
            Self::Cards => "one page an animal: picture, figures, setup; for a collection",
            Self::Drawings => "marks and figures that lie over the pictures, to be edited",
            Self::Package => "tables with a description of every column, for an archive",
            Self::DarwinCore => "occurrences and their measurements, for a recording scheme or museum",
        }
    }

    /// A name to begin with; without an ending it is a folder.
    pub(crate) const fn name(self) -> &'static str {
        match self {
            Self::Table => "measurements.csv",
            Self::Package => "data package",
            Self::DarwinCore => "darwin core",
            Self::Pictures(_, Drawn::All) => "pictures with marks",
            Self::Pictures(_, Drawn::Bar) => "pictures with scale bar",
            Self::Drawings => "drawings",
            Self::Cards => "record cards",
            Self::Report => "report.html",
        }
    }
}

/// Writes a plot as a picture; what became of it, in words.
///
/// # Errors
/// Words about what cannot be drawn or written.
pub(crate) fn save_plot(plot: &Plot, to: &Path) -> Result<String, String> {
    let png = plot.to_png(1400, 800).map_err(|e| e.to_string())?;
    crate::notebook::write_whole(to, &png).map_err(|e| format!("cannot write: {e}: {}", to.display()))?;
    Ok(format!("written: {}", to.display()))
}

/// Does what `motestick export` does; what became of it, in words.
pub(crate) fn export(notebook: &Path, what: Export, to: &Path) -> Result<String, String> {
    let (option, more) = what.options();
    let mut words: Vec<OsString> = vec!["motestick".into(), "export".into(), option.into(), to.into()];
    words.extend(more.iter().map(OsString::from));
    words.extend(["--".into(), notebook.into()]);
    let Ok(Cli { command: Some(Command::Export(args)) }) = Cli::try_parse_from(words) else {
        return Err(format!("the path {} is not understood; choose another one", to.display()));
    };
    match super::export::run(&args, &mut super::console::Console::silent()) {
        Ok(()) => Ok(format!("written: {}", to.display())),
        Err(super::Failure::Partly) => {
            Ok(format!("written: {}; some pictures were not found and are left out", to.display()))
        }
        Err(e) => Err(words_of(e)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The wrong scale that this keeps out: read with one division, saved with another.
    #[test]
    fn a_setup_is_saved_only_with_the_words_that_its_slide_was_read_with() {
        let picture = Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/sample_data/slide_still.jpg"));
        let opened = open(picture).expect("opens");
        let words = |w: &[&str]| SlideWords { words: w.iter().map(|w| (*w).to_owned()).collect(), turned: None };
        let read = read_slide(picture, &opened, &words(&["--division=10um"]), &[]).expect("reads");
        let home = tempfile::tempdir().expect("works");
        let library = Library::in_folder(home.path());
        let keep = |w: &[&str]| keep_slide(picture, &opened, &words(w), &read, "fernery", &library);
        let refused = keep(&["--division=100um"]).expect_err("another division");
        assert!(refused.words.contains("10 µm") && refused.words.contains("100 µm"), "{}", refused.words);
        let refused =
            keep(&["--division=10um", "--magnification=4", "--pixel=3.72um"]).expect_err("another expectation");
        assert!(refused.words.contains("magnification"), "{}", refused.words);
        assert!(library.names().is_empty());
        let (kept, _) = keep(&["--division=10um", "--camera=the old one"]).expect("a name changes no scale");
        assert_eq!(kept.slide.division_um, 10.0);
    }
}
