//! `measure`: from marks on a picture of an animal to lengths.

use std::path::{Path, PathBuf};

use super::console::Console;
use super::measure_find;
use super::measure_report::{self as report, Result as MeasureResult};
use super::measure_shapes::Asked;
use super::measure_snap::{Placed, placed};
use super::notebook_keep::{self, Kept};
use super::opened::{self, Opened};
use super::parse;
use super::{Failure, calibrate_report};
use crate::animal::{Lying, MarkKind, Shape};
use crate::exchange::draw::Overlay;
use crate::exchange::marked;
use crate::notebook::{self, EvaluateError, Question};
use crate::photo::Channel;
use crate::setup::{self, Setup, SetupError};
use crate::uncertainty::Options;

/// Measures lengths on a picture of an animal.
///
/// Say where the marks are and what they measure: --axis follows a curved animal, --span is straight, --appendage goes from joint
/// to joint and gives every segment, --outline goes round, --angle has its vertex in the middle. Each may be given several times and
/// may have a name, as in "antenna: 1,2 3,4"; else it is numbered. Everything measured in one picture shares the scale and stays
/// correlated, which --ratio and --sum heed.
///
/// Coordinates are image pixels: the origin is the outer corner of the top-left pixel (whose centre is 0.5,0.5), x to the right,
/// y down, after the camera's orientation has been applied.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Example: motestick measure wasp.jpg --setup \"fernery 4x\" --axis \"1240,803 1388.5,790 1540,741\" --lying within:15"
)]
pub(super) struct Args {
    /// The picture
    #[arg(value_name = "PICTURE")]
    picture: PathBuf,
    /// The setup that took it: its name in the library, or its file
    #[arg(long, value_name = "NAME|FILE")]
    setup: String,
    #[command(flatten)]
    asked: Asked,
    /// Propose the axis, breadth and outline of the largest animal; look at them before you use them
    #[arg(long)]
    find: bool,
    /// Draw what is measured over the picture, into this PNG file; antennae that --find proposes are dashed
    #[arg(long, value_name = "FILE")]
    overlay: Option<PathBuf>,
    /// Move marks to the edge or joint near them with sub-pixel accuracy, and the inner marks of an axis to the middle between both
    /// sides; marks without a clear edge stay and are named
    #[arg(long)]
    snap: bool,
    /// How the animal lies: flat (within 5°), within:A or tilt:A with the angle in degrees, or unknown
    #[arg(long, value_name = "HOW", value_parser = parse::lying, default_value = "unknown")]
    lying: Lying,
    /// What the end marks stand on: silhouette (the animal's outer edge; usual for axis and span; an appendage then begins at the
    /// body's edge) or feature (a joint or line; usual for appendages, whose first joint may lie within the body)
    #[arg(long, value_name = "WHAT", value_parser = parse::ends)]
    ends: Option<MarkKind>,
    /// Name of the animal, for the table
    #[arg(long, value_name = "TEXT")]
    animal: Option<String>,
    /// Recording mode of the picture, where it is known
    #[arg(long, value_name = "TEXT")]
    mode: Option<String>,
    /// Folder where setups are kept; the user's data folder unless given
    #[arg(long, value_name = "DIR")]
    library: Option<PathBuf>,
    /// Measure although the picture does not match the setup, for this reason, which is recorded
    #[arg(long, value_name = "REASON")]
    accept_mismatch: Option<String>,
    /// Append the measurements to this table
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// Put the measurements into this notebook, under the animal's name; it is made where there is none
    #[arg(long, value_name = "FILE", requires = "animal")]
    notebook: Option<PathBuf>,
    /// Who measures, for the notebook
    #[arg(long, value_name = "TEXT", requires = "notebook")]
    person: Option<String>,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

/// Runs the command.
pub(super) fn run(args: &Args, console: &mut Console) -> Result<(), Failure> {
    let (result, _) = match outcome(args) {
        Err(Failure::Refused { reason, detail }) => {
            report::refused(&args.picture, &reason, &detail, args.json, console)?;
            return Err(Failure::Reported(3));
        }
        other => other?,
    };
    report::print(&result, &args.picture, args.json, console)
}

/// Measures and keeps the table, without printing anything.
pub(super) fn outcome(args: &Args) -> Result<(MeasureResult, Opened), Failure> {
    if args.accept_mismatch.as_ref().is_some_and(|r| r.trim().is_empty()) {
        return Err(Failure::Usage("--accept-mismatch needs a reason, which is recorded".to_owned()));
    }
    let mut shapes = args.asked.shapes(args.ends);
    if shapes.is_empty() && !args.find {
        return Err(Failure::Usage(
            "nothing to measure: let --find propose, or give --axis, --span, --breadth, --appendage, --outline or --angle with marks as \"x,y x,y\"".to_owned(),
        ));
    }
    let setup = load(args)?;
    let opened = opened::open(&args.picture, args.mode.as_deref()).map_err(Failure::usage)?;
    let accepted = args.accept_mismatch.is_some();
    let proposed = if args.find { measure_find::found(&setup, &opened, accepted, &mut shapes)? } else { None };
    let (mut result, shapes) = measure(args, &setup, &opened, shapes)?;
    if let Some(file) = &args.overlay {
        let proposed = proposed.iter().flat_map(|p| p.antennae_drawn());
        let items = shapes.iter().flat_map(marked::shape_items).chain(proposed).collect();
        let drawn = Overlay { items, scale_bar: None }.draw_on(&opened.photo).map_err(Failure::usage)?;
        std::fs::write(file, drawn.png).map_err(|e| Failure::Usage(format!("cannot write {}: {e}", file.display())))?;
    }
    result.proposed = proposed;
    if let Some(path) = &args.csv {
        crate::exchange::csv::append(path, &result.rows(&args.picture)).map_err(Failure::usage)?;
    }
    Ok((result, opened))
}

fn load(args: &Args) -> Result<Setup, Failure> {
    let path = Path::new(&args.setup);
    let named_file = path.extension().is_some_and(|e| e == "toml") || path.components().count() > 1;
    let library = opened::library(args.library.as_ref())?;
    let in_library = || library.get(&args.setup);
    let setup: Result<Setup, SetupError> = if named_file && path.exists() { setup::read(path) } else { in_library() };
    setup.map_err(Failure::usage)
}

fn measure(
    args: &Args,
    setup: &Setup,
    opened: &Opened,
    shapes: Vec<Shape>,
) -> Result<(MeasureResult, Vec<Shape>), Failure> {
    let light = opened.photo.light(Channel::Luminance);
    let Placed { shapes, blur, notes } = placed((&args.asked, args.snap), shapes, &light, setup, &opened.facts)?;
    let figures = args.asked.figures(&shapes).map_err(Failure::usage)?;
    let answer = notebook::evaluate(&Question {
        setup,
        facts: &opened.facts,
        exif_aperture: opened.photo.metadata().aperture,
        blur_spot: blur.map(|b| b.0),
        u_blur_spot: blur.map(|b| b.1),
        warnings: &opened.warnings,
        shapes: &shapes,
        figures: &figures,
        lying: args.lying,
        accepted_mismatch: args.accept_mismatch.as_deref(),
        options: Options::default(),
    });
    let mut answer = answer.map_err(|e| match e {
        EvaluateError::Mismatch { .. } => {
            Failure::Refused { reason: "the picture does not match the setup".to_owned(), detail: e.to_string() }
        }
        e => Failure::usage(e),
    })?;
    for (m, notes) in answer.measured.iter_mut().zip(notes) {
        m.warnings.extend(notes);
    }
    if let Some(path) = &args.notebook {
        let about = Kept {
            picture: notebook_keep::picture_of(path, &args.picture, opened, blur.map(|b| b.0))
                .map_err(Failure::usage)?,
            setup,
            animal: args.animal.as_deref().unwrap_or_default(),
            person: args.person.as_deref().unwrap_or_default(),
            lying: args.lying,
            accepted_mismatch: args.accept_mismatch.as_deref(),
            shapes: &shapes,
            figures: &figures,
        };
        notebook_keep::keep(path, &about, &answer)?;
    }
    let result = MeasureResult {
        setup: setup.name.clone(),
        animal: args.animal.clone().unwrap_or_default(),
        sha256: opened.photo.sha256().to_owned(),
        scale_px_per_um: answer.scale.get(),
        u_rel_scale: answer.u_rel_scale,
        blur: answer.blur,
        lying: args.lying,
        measured: answer.measured,
        warnings: answer.warnings,
        proposed: None,
    };
    Ok((result, shapes))
}

/// What would lessen the largest part of a budget.
pub(super) fn advice(source: &str) -> Option<&'static str> {
    use crate::animal::source as animal;
    Some(match source {
        animal::HAND => "a wider aperture, or marks set several times over",
        animal::OBSERVER => "a wider aperture (a smaller blur spot); features in place of silhouettes",
        animal::TONE => "pictures with a known tone curve, stated with calibrate --tone known",
        animal::LYING => "saying how the animal lies (--lying flat, within:A or tilt:A), or laying it flat",
        animal::BETWEEN => "more marks where the animal bends",
        other => return calibrate_report::advice(other),
    })
}
