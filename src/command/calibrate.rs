//! `calibrate`: from photographs of a ruled slide to readings, and to a setup where one is named.
//!
//! Here are the arguments and what of them makes no sense; the pictures are the business of [`batch`](super::calibrate_batch).

use std::path::PathBuf;

use clap::ValueEnum;

use super::console::Console;
use super::{Failure, calibrate_batch as batch, calibrate_notes as notes, opened, parse};
use crate::optics::{Aperture, ApertureNote, PupilMagnification};
use crate::setup::sensor_format;
use crate::units::Um;

/// Reads the scale from photographs of a ruled slide.
///
/// Photograph the slide exactly as the animals are photographed: same camera, lens, magnification, aperture and recording mode. Give the
/// distance between neighbouring graduations. With --setup the reading is kept under that name, and further readings of
/// the same setup make its figures better; without it nothing is saved.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Example: motestick calibrate slide.jpg --division 10um --setup \"fernery 4x\" --magnification 4 --aperture 5.6 --pixel 3.72um\n\nSeveral pictures make a batch: each is read, and with --setup each becomes one more reading. Set the rig anew between them: then their spread tells how well the setup comes back, and takes the place of the assumed 0.3 % from four readings on.\n\nA picture that is refused may be marked by hand: motestick calibrate ruler.jpg --by-hand \"120.5,88=0um 910,95.5=500um\""
)]
pub(super) struct Args {
    /// Photographs of the ruled slide
    #[arg(required = true, value_name = "PICTURE")]
    pub(super) pictures: Vec<PathBuf>,
    /// Distance between neighbouring graduations, as 10um or 0.01mm
    #[arg(long, value_name = "LENGTH", value_parser = parse::length, required_unless_present_any = ["ruling", "by_hand"])]
    pub(super) division: Option<Um>,
    /// A common ruling by its name instead of --division: 1mm-100, 2mm-200, 10mm-100, 5mm-50 or 1mm-100-crossed
    #[arg(long, value_name = "NAME", conflicts_with = "division")]
    pub(super) ruling: Option<String>,
    /// Keep the reading in the setup of this name
    #[arg(long, value_name = "NAME")]
    pub(super) setup: Option<String>,
    /// Start the setup anew and forget its earlier readings
    #[arg(long, requires = "setup")]
    pub(super) replace: bool,
    /// Camera, as you call it
    #[arg(long, value_name = "TEXT")]
    pub(super) camera: Option<String>,
    /// Lens, as you call it
    #[arg(long, value_name = "TEXT")]
    pub(super) lens: Option<String>,
    /// Recording mode, as you call it: still, or footage and its size
    #[arg(long, value_name = "TEXT")]
    pub(super) mode: Option<String>,
    /// Magnification as marked
    #[arg(long, value_name = "NUMBER", value_parser = parse::positive)]
    pub(super) magnification: Option<f64>,
    /// Aperture as marked on the lens
    #[arg(long, value_name = "NUMBER", value_parser = parse::positive, group = "opening")]
    pub(super) aperture: Option<f64>,
    /// Aperture with the magnification already in it, as some cameras show it
    #[arg(long, value_name = "NUMBER", value_parser = parse::positive, group = "opening")]
    pub(super) effective_aperture: Option<f64>,
    /// Numerical aperture of an objective
    #[arg(long, value_name = "NUMBER", value_parser = parse::positive, group = "opening")]
    pub(super) na: Option<f64>,
    /// Pupil magnification of the lens; unknown unless given
    #[arg(long, value_name = "NUMBER", value_parser = parse::positive)]
    pub(super) pupil: Option<f64>,
    /// Pitch of the recorded pixels on the sensor, as 3.72um
    #[arg(long, value_name = "LENGTH", value_parser = parse::length)]
    pub(super) pixel: Option<Um>,
    /// Sensor format instead of --pixel, where the picture holds the whole width: 36x24, 24x16, 22x15, 17x13, 13x9 and others
    #[arg(long, value_name = "NAME", conflicts_with = "pixel")]
    pub(super) sensor: Option<String>,
    /// The slide's certificate: expanded uncertainty (k = 2) over a length, as 0.5um/1mm
    #[arg(long, value_name = "U/LENGTH", value_parser = parse::ratio)]
    pub(super) slide_uncertainty: Option<(Um, Um)>,
    /// A second picture with the slide turned by about 90°, which calibrates the other direction
    #[arg(long, value_name = "PICTURE2")]
    pub(super) crossways: Option<PathBuf>,
    /// The last resort where no reading succeeds: marks set by hand on one ruler, each with what the ruler says there, as "120.5,88=0um 910,95.5=500um"
    #[arg(long, value_name = "MARKS", value_parser = parse::hand_marks, conflicts_with = "crossways")]
    pub(super) by_hand: Option<parse::HandMarks>,
    /// Distance from the slide to the lens's entrance pupil, as 60mm: tells the slide's tilt in degrees and the change of scale with depth
    #[arg(long, value_name = "LENGTH", value_parser = parse::length)]
    pub(super) pupil_distance: Option<Um>,
    /// Whether the rig is set again between slide and animals, or is not touched
    #[arg(long, value_enum, value_name = "STATE")]
    pub(super) rig: Option<Rig>,
    /// The slide was level within this many degrees; 2 unless given
    #[arg(long, value_name = "DEGREES", value_parser = parse::tilt_degrees)]
    pub(super) slide_tilt: Option<f64>,
    /// Whether the light is known to be incoherent: dark field, or diffuse from above
    #[arg(long, value_enum, value_name = "STATE")]
    pub(super) coherence: Option<Light>,
    /// Whether the tone curve of the pictures is known: raw-linear, or measured
    #[arg(long, value_enum, value_name = "STATE")]
    pub(super) tone: Option<Tone>,
    /// Folder where setups are kept; the user's data folder unless given
    #[arg(long, value_name = "DIR")]
    pub(super) library: Option<PathBuf>,
    /// Draw the residuals of the reading into this PNG file; the pictures of a batch are numbered
    #[arg(long, value_name = "FILE")]
    pub(super) plot: Option<PathBuf>,
    /// Print one JSON object a picture
    #[arg(long)]
    pub(super) json: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(super) enum Rig {
    /// Set again each time
    Reset,
    /// Not touched
    Fixed,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(super) enum Light {
    /// Not known
    Unknown,
    /// Known to be incoherent
    Incoherent,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(super) enum Tone {
    /// A camera's own rendering
    Unknown,
    /// Raw-linear, or measured and declared in the file
    Known,
}

/// Runs the command.
pub(super) fn run(args: &Args, console: &mut Console) -> Result<(), Failure> {
    let slide = notes::slide(args).map_err(Failure::usage)?;
    check_notes(args).map_err(Failure::usage)?;
    if args.crossways.is_some() && args.pictures.len() > 1 {
        return Err(Failure::Usage(format!(
            "--crossways belongs to one picture, but {} were named; calibrate them one by one",
            args.pictures.len()
        )));
    }
    if args.by_hand.is_some() && args.pictures.len() > 1 {
        return Err(Failure::Usage(format!(
            "--by-hand belongs to one picture, but {} were named; mark them one by one",
            args.pictures.len()
        )));
    }
    let library = opened::library(args.library.as_ref())?;
    batch::run(args, &slide, &library, console)
}

/// Refuses notes that make no sense before any picture is opened.
pub(super) fn check_notes(args: &Args) -> Result<(), String> {
    let note = match (args.aperture, args.effective_aperture, args.na) {
        (Some(n), _, _) => Some(ApertureNote::Marked(n)),
        (None, Some(n), _) => Some(ApertureNote::Effective(n)),
        (None, None, na) => na.map(ApertureNote::NumericalAperture),
    };
    let pupil = args.pupil.map_or(PupilMagnification::Unknown, PupilMagnification::Known);
    let magnification = args.magnification.unwrap_or(1.0);
    if let Some(note) = note {
        if args.magnification.is_none() {
            return Err("an aperture says nothing without the magnification; give --magnification too".to_owned());
        }
        Aperture::new(note, magnification, pupil).map_err(|e| e.to_string())?;
    } else if args.pupil.is_some() {
        return Err("--pupil needs the aperture it belongs to; give --aperture too".to_owned());
    }
    if let Some(name) = &args.sensor {
        sensor_format(name).map_err(|e| e.to_string())?;
    }
    Ok(())
}
