//! `measure`: from marks on a picture of an animal to lengths.

use std::path::{Path, PathBuf};

use super::console::Console;
use super::measure_report::{self as report, Result as MeasureResult};
use super::measure_shapes::Asked;
use super::opened::{self, Opened};
use super::parse;
use super::{Failure, calibrate_report};
use crate::animal::{AnimalError, Circumstances, Figure, Lying, MarkKind, PictureBlur, Shape, evaluate_shapes};
use crate::setup::{self, PictureFacts, PixelSize, Setup, SetupError};
use crate::slide::ScaleMap;
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
    /// Propose the axis, breadth and outline of the largest animal (not in this version yet)
    #[arg(long)]
    find: bool,
    /// Move marks to the edge or joint with sub-pixel accuracy (not in this version yet)
    #[arg(long)]
    snap: bool,
    /// How the animal lies: flat (within 5°), within:A or tilt:A with the angle in degrees, or unknown
    #[arg(long, value_name = "HOW", value_parser = parse::lying, default_value = "unknown")]
    lying: Lying,
    /// What the end marks stand on: silhouette (the animal's outer edge; usual for axis and span) or feature (a joint or line; usual
    /// for appendages)
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
    if args.find || args.snap {
        let option = if args.find { "--find" } else { "--snap" };
        return Err(Failure::Usage(format!(
            "{option} is not in this version yet; set the marks by hand with --axis, --span or --appendage"
        )));
    }
    if args.accept_mismatch.as_ref().is_some_and(|r| r.trim().is_empty()) {
        return Err(Failure::Usage("--accept-mismatch needs a reason, which is recorded".to_owned()));
    }
    let shapes = args.asked.shapes(args.ends);
    if shapes.is_empty() {
        return Err(Failure::Usage(
            "nothing to measure: give --axis, --span, --breadth, --appendage, --outline or --angle with marks as \"x,y x,y\"".to_owned(),
        ));
    }
    let figures = args.asked.figures(&shapes).map_err(Failure::usage)?;
    let setup = load(args)?;
    let opened = opened::open(&args.picture, args.mode.as_deref()).map_err(Failure::usage)?;
    let result = measure(args, &setup, &opened, (&shapes, &figures))?;
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
    (shapes, figures): (&[Shape], &[Figure]),
) -> Result<MeasureResult, Failure> {
    let mut warnings = opened.warnings.clone();
    check_match(args, setup, &opened.facts, &mut warnings)?;
    let map = setup.map_for(&opened.facts).ok_or_else(|| Failure::Usage("the setup has no reading".to_owned()))?;
    let optics = |e: crate::optics::OpticsError| Failure::Usage(format!("the setup's notes on its optics: {e}"));
    let predicted = setup.predicted_blur().map_err(optics)?.map(|b| b.w_um);
    let depth = setup.depth_of_field(1.0).map_err(optics)?;
    let blur = PictureBlur::choose(predicted, None, setup.blur_on_slide())
        .ok_or_else(|| Failure::usage(AnimalError::BlurUnknown))?;
    warnings.extend(blur.warning(false));
    if setup.certificate_expanded_rel().is_none() {
        warnings.push("the setup's ruled slide has no certificate; the scale may be off by 0.2 %".to_owned());
    }
    aperture_warnings(setup, opened, args.lying, &mut warnings);
    let about = Circumstances { setup, map: &map, blur, lying: args.lying, depth, options: Options::default() };
    let evaluated = evaluate_shapes(shapes, figures, &about).map_err(Failure::usage)?;
    let place = shapes.first().map_or(map.centre(), Shape::middle);
    let u_rel_scale = setup.scale_uncertainty(place).map_err(Failure::usage)?.u_rel;
    Ok(MeasureResult {
        setup: setup.name.clone(),
        animal: args.animal.clone().unwrap_or_default(),
        sha256: opened.photo.sha256().to_owned(),
        scale_px_per_um: scale_of(setup, &map),
        u_rel_scale,
        blur,
        lying: args.lying,
        measured: evaluated.measured,
        warnings,
    })
}

/// Scale at the picture's centre through the mean of all readings.
fn scale_of(setup: &Setup, map: &ScaleMap) -> f64 {
    map.centre_scale().get() / setup.pooling_factor()
}

fn check_match(args: &Args, setup: &Setup, facts: &PictureFacts, warnings: &mut Vec<String>) -> Result<(), Failure> {
    let differences = setup.differences(facts);
    if !differences.is_empty() {
        let words = differences.iter().map(ToString::to_string).collect::<Vec<_>>().join("; ");
        let Some(reason) = &args.accept_mismatch else {
            return Err(Failure::Refused {
                reason: "the picture does not match the setup".to_owned(),
                detail: format!(
                    "the picture does not match the setup \"{}\": {words}; use the setup that took it, or say --accept-mismatch with the reason why the scale holds all the same",
                    setup.name
                ),
            });
        };
        warnings.push(format!("does not match the setup ({words}); accepted because: {}", reason.trim()));
        if setup.pixel_size_of(facts) == PixelSize::Different {
            warnings.push(
                "where the picture lies within the frame is unknown, so distortion and tilt are not corrected"
                    .to_owned(),
            );
        }
    }
    if let PixelSize::WholeFrameResized(factor) = setup.pixel_size_of(facts) {
        warnings.push(format!(
            "derived scale: the picture is taken as the whole frame made smaller, {factor:.4} times the setup's {} x {} px; if it is a crop the scale is wrong",
            setup.picture_width_px, setup.picture_height_px
        ));
    }
    Ok(())
}

fn aperture_warnings(setup: &Setup, opened: &Opened, lying: Lying, warnings: &mut Vec<String>) {
    if let (Some(then), Some(now)) = (setup.optics.exif_aperture, opened.photo.metadata().aperture)
        && (then / now).log2().abs() > 0.25
    {
        warnings.push(format!(
            "the picture was taken at f/{now:.1}, the slide at f/{then:.1}: the scale holds, the blur spot and depth of field are those of the slide's aperture"
        ));
    }
    let range_only = setup.optics.aperture().ok().flatten().is_some_and(|a| !a.is_known());
    if lying == Lying::Unknown && range_only {
        warnings.push("the pupil magnification is unknown and taken as 1 for the depth of field".to_owned());
    }
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
