//! `demo`: the whole job on the sample data, with the same commands that a person would give.

use std::fs;
use std::path::{Path, PathBuf};

use clap::Parser;
use serde::Deserialize;

use super::console::Console;
use super::measure_report::Result as MeasureResult;
use super::opened::Opened;
use super::table::percent;
use super::{Cli, Command, Failure, calibrate, export, measure, parse};
use crate::animal::Measured;
use crate::exchange::draw::{Corner, MarkShape, Overlay, OverlayItem, ScaleBar, Tone};
use crate::setup::{Library, Setup};
use crate::uncertainty::{Rounded, significant};
use crate::units::PxPerUm;

/// Does the whole job once on sample pictures: calibrate, measure, table, plot, marked pictures.
///
/// The pictures are rendered, so the true lengths are known and printed beside the measured ones. Everything is written into the
/// folder, with the commands that were given, for you to repeat and change.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// Folder for the results
    #[arg(value_name = "DIR", default_value = "motestick-demo")]
    folder: PathBuf,
}

/// A file of the sample data, built into the program.
struct Sample {
    name: &'static str,
    bytes: &'static [u8],
}

macro_rules! sample {
    ($name:literal) => {
        Sample { name: $name, bytes: include_bytes!(concat!("../../sample_data/", $name)) }
    };
}

const STILL: Sample = sample!("slide_still.jpg");
const FOOTAGE: Sample = sample!("slide_footage.jpg");
const PICTURES: [Sample; 3] = [sample!("fairyfly.jpg"), sample!("thrips.jpg"), sample!("mite.jpg")];
const NOTES: [&str; 3] = [
    include_str!("../../sample_data/fairyfly.toml"),
    include_str!("../../sample_data/thrips.toml"),
    include_str!("../../sample_data/mite.toml"),
];

/// Name and content of every picture.
#[cfg(feature = "desktop")]
pub(super) fn samples() -> [(&'static str, &'static [u8]); 5] {
    let [a, b, c] = PICTURES;
    [STILL, FOOTAGE, a, b, c].map(|s| (s.name, s.bytes))
}

/// The notebook of the whole job with its pictures, written into `folder` unless it is there already: what was changed in it since stays.
///
/// Folders with other things in them, or with half of it, are left alone; the next free name is taken.
#[cfg(feature = "desktop")]
pub(super) fn sample_notebook(folder: &Path) -> Result<PathBuf, Failure> {
    let named = |n: u32| match (n, folder.file_name()) {
        (1, _) | (_, None) => folder.to_owned(),
        (n, Some(name)) => folder.with_file_name(format!("{} {n}", name.to_string_lossy())),
    };
    let files = || samples().map(|(name, _)| name).into_iter().chain([NOTEBOOK]);
    for n in 1..=MOST_FOLDERS {
        let folder = named(n);
        if files().all(|name| folder.join(name).exists()) {
            return Ok(folder.join(NOTEBOOK));
        }
        if fs::read_dir(&folder).is_ok_and(|mut entries| entries.next().is_some()) {
            continue;
        }
        let fail = |e: std::io::Error| Failure::Usage(format!("the folder {} cannot be made: {e}", folder.display()));
        fs::create_dir_all(&folder).map_err(fail)?;
        for (name, bytes) in samples() {
            write(&folder, name, bytes)?;
        }
        // Last, so that a folder with a notebook is whole.
        return write(&folder, NOTEBOOK, SAMPLE_NOTEBOOK);
    }
    Err(Failure::Usage(format!("{} and its neighbours hold other things; name an empty folder", folder.display())))
}

/// What the demo makes of the sample pictures, made beforehand since the trials take their time; a test holds the two together.
#[cfg(feature = "desktop")]
const SAMPLE_NOTEBOOK: &[u8] = include_bytes!("../../sample_data/sample_notebook.json");
/// Folders tried for the sample notebook.
#[cfg(feature = "desktop")]
const MOST_FOLDERS: u32 = 20;
/// Name of the file that marks a folder as the demo's own.
const COMMANDS: &str = "commands.txt";
const TABLE: &str = "measurements.csv";
const NOTEBOOK: &str = "notebook.json";
const STILL_SETUP: &str = "fernery 4x still";
const FOOTAGE_SETUP: &str = "fernery 4x footage";

/// Notes beside a sample picture.
#[derive(Deserialize)]
struct Notes {
    name: String,
    what: String,
    picture: String,
    lying: String,
    marks: MarksNotes,
    truth: Truth,
}

#[derive(Deserialize)]
struct MarksNotes {
    axis: String,
    span: String,
    #[serde(default)]
    appendage: Option<String>,
}

#[derive(Deserialize)]
struct Truth {
    body_length_um: f64,
    breadth_um: f64,
    #[serde(default)]
    segment_um: Vec<f64>,
}

/// Runs the command.
pub(super) fn run(args: &Args, console: &mut Console) -> Result<(), Failure> {
    let folder = args.folder.as_path();
    let again = claim(folder)?;
    console.say("The biological-control room of a glasshouse trust: one camera at 4x, a ruled slide of 1 mm in 100")?;
    console
        .say("divisions, and three animals from the fernery. All pictures are rendered, so the truth is known.\n")?;
    if again {
        console.say("Results of an earlier demo in this folder are replaced.\n")?;
    }
    let mut given = Vec::new();
    let library = Library::in_folder(folder.join("setups"));
    let slides = [
        (&STILL, STILL_SETUP, "still", "3.72um", "residuals_still.png"),
        (&FOOTAGE, FOOTAGE_SETUP, "footage 1920x1080", "4.65um", "residuals_footage.png"),
    ];
    for (sample, setup, mode, pitch, plot) in slides {
        let picture = write(folder, sample.name, sample.bytes)?;
        let words = calibrate_words(folder, &picture, setup, mode, pitch, &folder.join(plot));
        given.push(command_line(&words));
        console.progress(&format!("reading {}", sample.name));
        let Command::Calibrate(asked) = parsed(&words)? else { return Err(misread()) };
        let mut aside = Console::silent();
        calibrate::run(&asked, &mut aside).map_err(|e| aside.with_words(e))?;
        console.say(&slide_text(&library.get(setup).map_err(Failure::usage)?, sample.name)?)?;
    }
    console.say("Lengths are value ± U for 95 %; \"holds\" says whether the interval has the truth in it.\n")?;
    let (mut held, mut all) = (0, 0);
    for (sample, notes) in PICTURES.iter().zip(NOTES) {
        let notes: Notes = toml::from_str(notes).map_err(Failure::usage)?;
        let picture = write(folder, sample.name, sample.bytes)?;
        let words = measure_words(folder, &picture, &notes);
        given.push(command_line(&words));
        console.progress(&format!("measuring {}", notes.name));
        let Command::Measure(asked) = parsed(&words)? else { return Err(misread()) };
        let (result, opened) = measure::outcome(&asked)?;
        let (text, ok, n) = animal_text(&notes, &result);
        held += ok;
        all += n;
        console.say(&text)?;
        draw(folder, &notes, &result, &opened)?;
    }
    let words = export_words(folder);
    given.push(command_line(&words));
    console.progress("writing cards and report");
    let Command::Export(asked) = parsed(&words)? else { return Err(misread()) };
    export::run(&asked, &mut Console::silent())?;
    write(folder, COMMANDS, format!("{}\n", given.join("\n\n")).as_bytes())?;
    console.say(&format!("{held} of {all} intervals hold the truth (95 % of many should).\n"))?;
    console.say(&format!("In {}:", folder.display()))?;
    console.say("  measurements.csv        every figure with its interval, budget inputs and provenance")?;
    console.say("  residuals_*.png         how far each graduation lies from the scale map")?;
    console.say("  marked_*.png            the animals with their marks and a scale bar")?;
    console
        .say("  notebook.json           the same with marks and setups: every figure can be evaluated anew from it")?;
    console.say("  cards/, report.html     a record card of each animal; all of the notebook on one page")?;
    console.say("  package/                the tables with their description")?;
    console.say("  setups/                 the two setups with their readings")?;
    console.say(&format!("  {COMMANDS}            the commands that did all this; change a mark and run one again"))
}

fn misread() -> Failure {
    Failure::Usage("the demo's own commands were not understood; please report this".to_owned())
}

/// Makes the folder, or takes one that an earlier demo made; leaves a stranger's folder alone. True for an earlier demo's.
fn claim(folder: &Path) -> Result<bool, Failure> {
    let fail = |e: std::io::Error| Failure::Usage(format!("the folder {} cannot be used: {e}", folder.display()));
    fs::create_dir_all(folder).map_err(fail)?;
    let mut entries = fs::read_dir(folder).map_err(fail)?;
    let ours = folder.join(COMMANDS).exists();
    if entries.next().is_some() && !ours {
        return Err(Failure::Usage(format!(
            "the folder {} has files that the demo did not make; name an empty or a new folder",
            folder.display()
        )));
    }
    if ours {
        // Table and notebook are added to: start both anew.
        for name in [TABLE, NOTEBOOK] {
            let file = folder.join(name);
            if file.exists() {
                fs::remove_file(&file).map_err(fail)?;
            }
        }
    }
    Ok(ours)
}

fn write(folder: &Path, name: &str, bytes: &[u8]) -> Result<PathBuf, Failure> {
    let path = folder.join(name);
    fs::write(&path, bytes).map_err(|e| Failure::Usage(format!("{} cannot be written: {e}", path.display())))?;
    Ok(path)
}

fn parsed(words: &[String]) -> Result<Command, Failure> {
    Cli::try_parse_from(words).map_err(Failure::usage)?.command.ok_or_else(misread)
}

fn text(path: &Path) -> String {
    path.display().to_string()
}

fn calibrate_words(folder: &Path, picture: &Path, setup: &str, mode: &str, pitch: &str, plot: &Path) -> Vec<String> {
    let fixed = ["--ruling", "1mm-100", "--magnification", "4", "--aperture", "5.6", "--pupil", "1"];
    let mut words = vec!["motestick".to_owned(), "calibrate".to_owned(), text(picture)];
    words.extend(fixed.map(str::to_owned));
    for (option, value) in [
        ("--pixel", pitch.to_owned()),
        ("--slide-uncertainty", "1um/1mm".to_owned()),
        ("--rig", "fixed".to_owned()),
        ("--setup", setup.to_owned()),
        ("--mode", mode.to_owned()),
        ("--plot", text(plot)),
        ("--library", text(&folder.join("setups"))),
    ] {
        words.push(option.to_owned());
        words.push(value);
    }
    words.push("--replace".to_owned());
    words
}

fn measure_words(folder: &Path, picture: &Path, notes: &Notes) -> Vec<String> {
    let mut words = vec!["motestick".to_owned(), "measure".to_owned(), text(picture)];
    let mut option = |name: &str, value: String| {
        words.push(name.to_owned());
        words.push(value);
    };
    option("--setup", STILL_SETUP.to_owned());
    option("--library", text(&folder.join("setups")));
    option("--mode", "still".to_owned());
    option("--animal", notes.name.clone());
    option("--lying", notes.lying.clone());
    option("--axis", notes.marks.axis.clone());
    option("--span", notes.marks.span.clone());
    if let Some(joints) = &notes.marks.appendage {
        option("--appendage", joints.clone());
    }
    option("--csv", text(&folder.join(TABLE)));
    option("--notebook", text(&folder.join(NOTEBOOK)));
    words
}

fn export_words(folder: &Path) -> Vec<String> {
    let mut words = vec!["motestick".to_owned(), "export".to_owned(), text(&folder.join(NOTEBOOK))];
    for (option, name) in [("--package", "package"), ("--cards", "cards"), ("--report", "report.html")] {
        words.push(option.to_owned());
        words.push(text(&folder.join(name)));
    }
    words
}

/// As one would type it.
fn command_line(words: &[String]) -> String {
    let quoted = |w: &String| if w.contains([' ', '"', '\'']) { format!("\"{w}\"") } else { w.clone() };
    words.iter().map(quoted).collect::<Vec<_>>().join(" ")
}

fn slide_text(setup: &Setup, picture: &str) -> Result<String, Failure> {
    let reading = setup.readings.last().ok_or_else(misread)?;
    let blur = reading.blur_spot_um.map_or_else(|| "not measured".to_owned(), |w| format!("{w:.1} µm"));
    Ok(format!(
        "{picture}, setup \"{}\"\n  scale {} px/µm ± {} (k = 2), {} µm/px; {} graduations used, {} left out, residuals {} px rms\n  map: {}; blur spot {blur}\n",
        setup.name,
        significant(reading.scale_px_per_um, 6),
        percent(2.0 * reading.u_rel),
        significant(1.0 / reading.scale_px_per_um, 5),
        reading.graduations_used,
        reading.graduations_rejected,
        significant(reading.residual_rms_px, 2),
        reading.model,
    ))
}

/// The table of one animal, how many intervals hold the truth, and how many there are.
fn animal_text(notes: &Notes, result: &MeasureResult) -> (String, usize, usize) {
    let mut out = format!("{}: {}; lying {}\n", notes.name, notes.what, notes.lying);
    out.push_str(&format!("  {:22}{:>16}   {:22}{:>8}  {}\n", "", "length / µm", "verdict", "truth", "holds"));
    let (mut held, mut all) = (0, 0);
    let mut line = |name: &str, m: &Measured, truth: Option<f64>| {
        let holds = truth.map(|t| m.low.is_none_or(|low| low <= t) && t <= m.high);
        if let Some(holds) = holds {
            all += 1;
            held += usize::from(holds);
        }
        let value = match (m.value, m.low) {
            (Some(v), Some(low)) => Rounded::new(v, 0.5 * (m.high - low), 2).to_string(),
            _ => format!("at most {}", significant(m.high, 3)),
        };
        out.push_str(&format!(
            "  {name:22}{value:>16}   {:22}{:>8}  {}\n",
            m.verdict.name(),
            truth.map_or_else(String::new, |t| format!("{t:.1}")),
            match holds {
                Some(true) => "yes",
                Some(false) => "no",
                None => "",
            }
        ));
    };
    let mut largest = None;
    for m in &result.measured {
        match m.kind.name() {
            "axis" => {
                line("body along its axis", m, Some(notes.truth.body_length_um));
                largest = m.budget.first();
            }
            "span" => line("greatest breadth", m, Some(notes.truth.breadth_um)),
            _ => {
                line("antenna", m, Some(notes.truth.segment_um.iter().sum()));
                for (i, s) in m.parts.iter().enumerate() {
                    line(&format!("  segment {}", roman(i + 1)), s, notes.truth.segment_um.get(i).copied());
                }
            }
        }
    }
    if let Some(first) = largest {
        out.push_str(&format!(
            "  The body's largest uncertainty: {} ({}), {:.0} % of the variance.\n",
            first.source,
            first.label,
            100.0 * first.share
        ));
        if let Some(advice) = measure::advice(&first.source) {
            out.push_str(&format!("  What would lessen it: {advice}.\n"));
        }
    }
    (out, held, all)
}

/// Antennal segments are numbered in Roman figures.
fn roman(n: usize) -> &'static str {
    const NUMERALS: [&str; 12] = ["I", "II", "III", "IV", "V", "VI", "VII", "VIII", "IX", "X", "XI", "XII"];
    NUMERALS.get(n.wrapping_sub(1)).copied().unwrap_or("further")
}

/// The picture with its marks and a scale bar.
fn draw(folder: &Path, notes: &Notes, result: &MeasureResult, opened: &Opened) -> Result<(), Failure> {
    let mut overlay = Overlay {
        items: Vec::new(),
        scale_bar: Some(ScaleBar { scale: PxPerUm::new(result.scale_px_per_um), corner: Corner::Quietest }),
    };
    let mut shapes = vec![(&notes.marks.axis, "axis", Tone::Vermilion, MarkShape::Ring)];
    shapes.push((&notes.marks.span, "span", Tone::Blue, MarkShape::Cross));
    if let Some(joints) = &notes.marks.appendage {
        shapes.push((joints, "appendage", Tone::Green, MarkShape::Diamond));
    }
    for (marks, kind, tone, shape) in shapes {
        let points = parse::marks(marks).map_err(Failure::Usage)?.0;
        let figure = result.measured.iter().find(|m| m.kind.name() == kind);
        if let (Some(m), Some(first)) = (figure, points.first()) {
            let value = match (m.value, m.low) {
                (Some(v), Some(low)) => format!("{} µm", Rounded::new(v, 0.5 * (m.high - low), 2)),
                _ => format!("at most {} µm", significant(m.high, 3)),
            };
            overlay.items.push(OverlayItem::Label { at: *first, text: value, tone });
        }
        overlay.items.push(OverlayItem::Line { points: points.clone(), closed: false, dashed: false, tone });
        overlay.items.extend(points.into_iter().map(|at| OverlayItem::Mark { at, shape, tone }));
    }
    let drawn = overlay.draw_on(&opened.photo).map_err(Failure::usage)?;
    let name = format!("marked_{}.png", notes.picture.trim_end_matches(".jpg"));
    write(folder, &name, &drawn.png).map(|_| ())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_notes_of_all_samples_are_understood() {
        for notes in NOTES {
            let notes: Notes = toml::from_str(notes).expect("reads");
            let axis = parse::marks(&notes.marks.axis).expect("marks");
            assert!(axis.0.len() >= 5, "{}", notes.name);
            if let Some(joints) = &notes.marks.appendage {
                assert_eq!(parse::marks(joints).expect("marks").0.len(), notes.truth.segment_um.len() + 1);
            }
        }
    }

    #[test]
    fn a_folder_with_other_files_is_left_alone() {
        let dir = tempfile::tempdir().expect("a folder");
        fs::write(dir.path().join("thesis.txt"), "mine").expect("writes");
        let Err(Failure::Usage(words)) = claim(dir.path()) else { panic!("must be refused") };
        assert!(words.contains("did not make"), "{words}");
        assert!(!claim(&dir.path().join("new")).expect("a new folder"));
    }
}
