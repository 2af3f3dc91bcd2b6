//! `plan`: what a setup will resolve, before the shot.

use std::path::{Path, PathBuf};

use super::console::Console;
use super::plan_input::{Accepted, accepted_blur, exposure, f_number, relative, seconds, spectrum};
use super::plan_plot::drawn;
use super::plan_preview::{Sharp, previewed};
use super::plan_report::text;
use super::{Failure, parse};
use crate::exchange::preview::ELECTRONS;
use crate::optics::planner::{
    Exposure, LensKind, Plan, PlanRequest, PlannedLying, PlannedPlacement, WHOLE_STOPS, plan,
};
use crate::optics::{ApertureNote, PupilMagnification, Spectrum};
use crate::setup::sensor_format;
use crate::units::{Angle, Um};

/// Says what each aperture resolves and what it costs, before the shot.
///
/// Give magnification and pixels, and what matters: the part that must be resolved, the animal's length and thickness, its speed.
/// Every figure follows from physics in focus; real lenses are a little worse wide open.
#[derive(Debug, clap::Args)]
#[command(
    allow_negative_numbers = true,
    after_help = "Examples:\n  motestick plan --magnification 5 --aperture 8 --pixel 3.72um --want 12um --animal 0.8mm --speed 1mm --plot plan.png\n  motestick plan --magnification 10 --lens objective --na 0.25 --sensor 24x16 --columns 3840 --want 3um"
)]
pub(super) struct Args {
    /// Magnification on the sensor
    #[arg(long, value_name = "NUMBER", value_parser = parse::positive, help_heading = LENS)]
    pub(super) magnification: f64,
    /// The kind of lens: macro (any lens with a marked aperture), reversed (its --pupil counts as 1/P), objective or telecentric
    /// (both need --na or --effective-aperture)
    #[arg(long, value_name = "KIND", value_enum, default_value_t = Lens::Macro, help_heading = LENS)]
    pub(super) lens: Lens,
    /// The aperture you have in mind, as marked; the usual whole stops are compared with it. Several: --aperture 4 8
    #[arg(long, value_name = "NUMBER", value_parser = f_number, group = "opening", num_args = 1.., help_heading = LENS)]
    pub(super) aperture: Vec<f64>,
    /// Effective aperture instead, as some cameras show it. Several may be given
    #[arg(long, value_name = "NUMBER", value_parser = f_number, group = "opening", num_args = 1.., help_heading = LENS)]
    pub(super) effective_aperture: Vec<f64>,
    /// Numerical aperture of an objective instead. Several may be given
    #[arg(long, value_name = "NUMBER", value_parser = f_number, group = "opening", num_args = 1.., help_heading = LENS)]
    pub(super) na: Vec<f64>,
    /// Pupil magnification P of the lens: how large its aperture looks from behind over how large from the front. Unknown unless
    /// given, which widens the figures
    #[arg(long, value_name = "NUMBER", value_parser = parse::positive, help_heading = LENS)]
    pub(super) pupil: Option<f64>,
    /// Distance from lens to animal, as 40mm: counts the change of scale within the depth of field
    #[arg(long, value_name = "LENGTH", value_parser = parse::length, help_heading = LENS)]
    pub(super) working_distance: Option<Um>,
    /// Refractive index of the medium around the animal: 1 in air, 1.333 in water
    #[arg(long, value_name = "NUMBER", value_parser = parse::positive, default_value_t = 1.0, alias = "index", help_heading = LENS)]
    pub(super) medium_index: f64,

    /// Pixel pitch on the sensor, as 3.72um
    #[arg(long, value_name = "LENGTH", value_parser = parse::length, required_unless_present = "sensor", help_heading = CAMERA)]
    pub(super) pixel: Option<Um>,
    /// The recording mode joins so many pixels each way into one, with --pixel
    #[arg(long, value_name = "PIXELS", requires = "pixel", value_parser = clap::value_parser!(u32).range(1..=16), help_heading = CAMERA)]
    pub(super) binning: Option<u32>,
    /// Sensor format instead of --pixel, with --columns: 36x24, 24x16, 22x15, 17x13, 13x9 and others
    #[arg(long, value_name = "NAME", conflicts_with = "pixel", requires = "columns", help_heading = CAMERA)]
    pub(super) sensor: Option<String>,
    /// Columns of the recorded picture, as 6000 or for footage 1920: with --sensor they tell the recorded pixel
    #[arg(long, value_name = "PIXELS", value_parser = clap::value_parser!(u32).range(1..=1_000_000), help_heading = CAMERA)]
    pub(super) columns: Option<u32>,
    /// Rows of the recorded picture; by the sensor's shape, or two thirds of the columns, unless given
    #[arg(long, value_name = "PIXELS", requires = "columns", value_parser = clap::value_parser!(u32).range(1..=1_000_000), help_heading = CAMERA)]
    pub(super) rows: Option<u32>,
    /// The recording mode uses only the middle of the sensor, its width divided by this, with --sensor
    #[arg(long, value_name = "NUMBER", value_parser = parse::positive, requires = "sensor", help_heading = CAMERA)]
    pub(super) crop: Option<f64>,
    /// Frames a second, for footage
    #[arg(long, value_name = "NUMBER", value_parser = parse::positive, help_heading = CAMERA)]
    pub(super) frame_rate: Option<f64>,
    /// Time in which the sensor is read from first to last row, seconds
    #[arg(long, value_name = "SECONDS", value_parser = seconds, help_heading = CAMERA)]
    pub(super) readout: Option<f64>,

    /// Length of the part that must be resolved, as 12um
    #[arg(long, value_name = "LENGTH", value_parser = parse::length, help_heading = ANIMAL)]
    pub(super) want: Option<Um>,
    /// Length of the animal, as 0.8mm
    #[arg(long, value_name = "LENGTH", value_parser = parse::length, help_heading = ANIMAL)]
    pub(super) animal: Option<Um>,
    /// Thickness of the animal along the view
    #[arg(long, value_name = "LENGTH", value_parser = parse::length, help_heading = ANIMAL)]
    pub(super) thickness: Option<Um>,
    /// Speed of the animal: how far it walks in a second, as 1mm
    #[arg(long, value_name = "LENGTH", value_parser = parse::length, help_heading = ANIMAL)]
    pub(super) speed: Option<Um>,

    /// Wavelength of the light; 0.55um unless given
    #[arg(long, value_name = "LENGTH", value_parser = parse::length, group = "colour", help_heading = LIGHT)]
    pub(super) wavelength: Option<Um>,
    /// White light
    #[arg(long, group = "colour", help_heading = LIGHT)]
    pub(super) white: bool,
    /// Wavelengths with their weights, as "0.45um:1 0.55um:2"
    #[arg(long, value_name = "SPECTRUM", value_parser = spectrum, group = "colour", help_heading = LIGHT)]
    pub(super) spectrum: Option<Spectrum>,
    /// Exposure time in seconds, as 1/250 or 0.004
    #[arg(long, value_name = "SECONDS", value_parser = seconds, help_heading = LIGHT)]
    pub(super) shutter: Option<f64>,
    /// How much light there is: an exposure that was right in it at this magnification. Aperture (noted as above), seconds and
    /// ISO, as "8 1/60 400"
    #[arg(long, value_name = "EXPOSURE", value_parser = exposure, help_heading = LIGHT)]
    pub(super) exposed: Option<Exposure>,
    /// Highest ISO you accept: says by how many stops light is short, with --exposed
    #[arg(long, value_name = "NUMBER", value_parser = parse::positive, requires = "exposed", help_heading = LIGHT)]
    pub(super) iso: Option<f64>,
    /// Aperture against which exposures are compared, noted as above; the widest unless given
    #[arg(long, value_name = "NUMBER", value_parser = f_number, help_heading = LIGHT)]
    pub(super) reference: Option<f64>,

    /// Blur that still passes for sharp in the depth of field: recorded pixels, as 2, or a length on the sensor, as 18um
    #[arg(long, value_name = "BLUR", value_parser = accepted_blur, default_value = "2", help_heading = MEASUREMENT)]
    pub(super) accepted_blur: Accepted,
    /// Relative standard uncertainty of the scale, `u_rel` of calibrate, as 0.3% or 0.003; 0.32% unless given
    #[arg(long, value_name = "SHARE", value_parser = relative, help_heading = MEASUREMENT)]
    pub(super) scale_uncertainty: Option<f64>,
    /// The animal will lie level within this many degrees; unknown unless given
    #[arg(long, value_name = "DEGREES", value_parser = parse::tilt_degrees, help_heading = MEASUREMENT)]
    pub(super) level_within: Option<f64>,
    /// Marks will be snapped to edges, not set by hand
    #[arg(long, help_heading = MEASUREMENT)]
    pub(super) snapped: bool,
    /// The light is known to be incoherent: dark field, or diffuse light from above
    #[arg(long, help_heading = MEASUREMENT)]
    pub(super) incoherent: bool,
    /// The picture's tone curve will be known: raw-linear data
    #[arg(long, help_heading = MEASUREMENT)]
    pub(super) tone_known: bool,

    /// Draw blur, depth and expected uncertainty against aperture: FILE.png or FILE.svg
    #[arg(long, value_name = "FILE", help_heading = PICTURES)]
    pub(super) plot: Option<PathBuf>,
    /// A sharp picture of an animal to show what the plan would record of it: two apertures side by side. The word rendered
    /// stands for a drawn fairyfly wasp, head and antennae
    #[arg(long, value_name = "SHARP", requires = "out", help_heading = PICTURES)]
    pub(super) preview: Option<PathBuf>,
    /// Scale of the sharp picture, pixels per µm; it must be finer than the planned one
    #[arg(long, value_name = "NUMBER", value_parser = parse::positive, requires = "preview", help_heading = PICTURES)]
    pub(super) preview_scale: Option<f64>,
    /// Where the preview is written: FILE.png
    #[arg(long, value_name = "FILE", requires = "preview", help_heading = PICTURES)]
    pub(super) out: Option<PathBuf>,
    /// Show it this far out of focus, as 10um
    #[arg(long, value_name = "LENGTH", value_parser = parse::length, requires = "preview", help_heading = PICTURES)]
    pub(super) defocus: Option<Um>,
    /// Electrons that fill a pixel at ISO 100, which tells the noise; fewer at the ISO that --exposed asks for, or else at
    /// apertures darker than the reference
    #[arg(long, value_name = "NUMBER", value_parser = parse::positive, default_value_t = ELECTRONS, help_heading = PICTURES)]
    pub(super) electrons: f64,
    /// Print one JSON object
    #[arg(long)]
    pub(super) json: bool,
}

const LENS: &str = "Lens";
const CAMERA: &str = "Camera and recording mode";
const ANIMAL: &str = "What is photographed";
const LIGHT: &str = "Light and exposure";
const MEASUREMENT: &str = "What will be measured";
const PICTURES: &str = "Plot and preview";

/// [`LensKind`] as an option.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub(super) enum Lens {
    Macro,
    Reversed,
    Objective,
    Telecentric,
}

impl From<Lens> for LensKind {
    fn from(lens: Lens) -> Self {
        match lens {
            Lens::Macro => Self::Macro,
            Lens::Reversed => Self::Reversed,
            Lens::Objective => Self::Objective,
            Lens::Telecentric => Self::Telecentric,
        }
    }
}

/// Runs the command.
pub(super) fn run(args: &Args, console: &mut Console) -> Result<(), Failure> {
    check_files(args)?;
    let request = request(args)?;
    let made = plan(&request).map_err(Failure::usage)?;
    if let Some(file) = &args.plot {
        let plot = drawn(&made);
        let bytes = if has_extension(file, &["svg"]) {
            plot.to_svg(1200, 1000).into_bytes()
        } else {
            plot.to_png(1200, 1000).map_err(Failure::usage)?
        };
        write("plot", file, &bytes)?;
    }
    if let (Some(sharp), Some(out)) = (&args.preview, &args.out) {
        let (png, said) = previewed(args, &request, &made, &Sharp::of(sharp, args.preview_scale, &request)?)?;
        write("preview", out, &png)?;
        console.warn(&said);
    }
    for w in &made.warnings {
        console.warn(&format!("warning: {w}"));
    }
    if args.json { console.say_json(&made) } else { console.say(&text(&made, &recording(args, &made))) }
}

fn has_extension(file: &Path, all: &[&str]) -> bool {
    file.extension().is_some_and(|e| all.iter().any(|x| e.eq_ignore_ascii_case(x)))
}

fn write(what: &str, file: &Path, bytes: &[u8]) -> Result<(), Failure> {
    std::fs::write(file, bytes)
        .map_err(|e| Failure::Usage(format!("the {what} cannot be written to {}: {e}", file.display())))
}

/// Refuses names of files that promise another format, before any work is done.
fn check_files(args: &Args) -> Result<(), Failure> {
    if let Some(file) = args.plot.as_ref().filter(|f| !has_extension(f, &["png", "svg"])) {
        return Err(Failure::Usage(format!(
            "a plot is written as PNG or SVG, and {} ends in neither; name it FILE.png or FILE.svg",
            file.display()
        )));
    }
    if let Some(file) = args.out.as_ref().filter(|f| !has_extension(f, &["png"])) {
        return Err(Failure::Usage(format!(
            "a preview is written as PNG, and {} does not end in .png; name it FILE.png",
            file.display()
        )));
    }
    Ok(())
}

fn request(args: &Args) -> Result<PlanRequest, Failure> {
    let mut aspect = 2.0 / 3.0;
    let pitch = match (args.pixel, &args.sensor, args.columns) {
        (Some(pixel), _, _) => pixel * f64::from(args.binning.unwrap_or(1)),
        (None, Some(name), Some(columns)) => {
            let crop = args.crop.unwrap_or(1.0);
            if crop < 1.0 {
                return Err(Failure::Usage(format!(
                    "--crop {crop} would record more than the sensor; it must be 1 or more"
                )));
            }
            let format = sensor_format(name).map_err(Failure::usage)?;
            aspect = format.height_mm / format.width_mm;
            format.pixel_pitch(columns) / crop
        }
        _ => return Err(Failure::Usage("give --pixel, or --sensor with --columns".to_owned())),
    };
    let mut r = PlanRequest::new(args.magnification, pitch);
    r.lens = args.lens.into();
    apertures(args, &mut r)?;
    r.pupil = match args.pupil {
        Some(p) if r.lens == LensKind::Reversed => PupilMagnification::Known(1.0 / p),
        Some(p) => PupilMagnification::Known(p),
        None => PupilMagnification::Unknown,
    };
    r.working_distance = args.working_distance;
    r.picture_px = args.columns.map(|c| (c, args.rows.unwrap_or((f64::from(c) * aspect).round() as u32)));
    if args.white {
        r.spectrum = Spectrum::white();
    } else if let Some(wavelength) = args.wavelength {
        r.spectrum = Spectrum::single(wavelength).map_err(Failure::usage)?;
    } else if let Some(spectrum) = &args.spectrum {
        r.spectrum = spectrum.clone();
    }
    r.refractive_index = args.medium_index;
    (r.wanted, r.animal, r.thickness) = (args.want, args.animal, args.thickness);
    r.speed_um_per_s = args.speed.map(Um::get);
    (r.shutter_s, r.frame_rate_hz, r.readout_s) = (args.shutter, args.frame_rate, args.readout);
    (r.exposure, r.iso) = (args.exposed, args.iso);
    r.accepted_blur_px = args.accepted_blur.in_px(pitch);
    r.scale_u_rel = args.scale_uncertainty.unwrap_or(r.scale_u_rel);
    if let Some(degrees) = args.level_within {
        r.lying = PlannedLying::Within(Angle::from_degrees(degrees));
    }
    if args.snapped {
        r.placement = PlannedPlacement::Snapped;
    }
    (r.incoherent, r.tone_known) = (args.incoherent, args.tone_known);
    Ok(r)
}

/// The apertures asked for, among the usual stops where they are marked ones, and the reference, all noted the same way.
fn apertures(args: &Args, r: &mut PlanRequest) -> Result<(), Failure> {
    let by = |of: fn(f64) -> ApertureNote, all: &[f64]| all.iter().copied().map(of).collect::<Vec<_>>();
    let noted: fn(f64) -> ApertureNote = if !args.effective_aperture.is_empty() {
        r.apertures = by(ApertureNote::Effective, &args.effective_aperture);
        r.asked = Some(0);
        ApertureNote::Effective
    } else if !args.na.is_empty() {
        r.apertures = by(ApertureNote::NumericalAperture, &args.na);
        r.asked = Some(0);
        ApertureNote::NumericalAperture
    } else {
        if !r.lens.has_marked_aperture() {
            return Err(Failure::Usage(format!(
                "{} has no marked aperture to choose; give --na NUMBER, or --effective-aperture NUMBER",
                r.lens.words()
            )));
        }
        if let Some(first) = args.aperture.first() {
            let mut all: Vec<f64> = WHOLE_STOPS.to_vec();
            for n in &args.aperture {
                if !all.iter().any(|a| (a / n - 1.0).abs() < 1e-6) {
                    all.push(*n);
                }
            }
            all.sort_by(f64::total_cmp);
            r.asked = all.iter().position(|a| (a / first - 1.0).abs() < 1e-6);
            r.apertures = by(ApertureNote::Marked, &all);
        }
        ApertureNote::Marked
    };
    r.reference = args.reference.map(noted);
    // An f-number beside numerical apertures would be read as one.
    let mixed = |n: f64| noted(n) == ApertureNote::NumericalAperture(n) && n > 1.6;
    for (option, n) in [("--exposed", args.exposed.map(|e| e.aperture)), ("--reference", args.reference)] {
        if let Some(n) = n.filter(|n| mixed(*n)) {
            return Err(Failure::Usage(format!(
                "the aperture {n} of {option} is an f-number, but the plan's apertures are numerical ones; write it as a numerical aperture too, as in {option} {}",
                if option == "--exposed" { "\"0.1 1/60 400\"" } else { "0.1" }
            )));
        }
    }
    Ok(())
}

/// How the recorded pixel comes about, in words.
fn recording(args: &Args, made: &Plan) -> String {
    let mut words = match (&args.sensor, args.binning) {
        (Some(name), _) => {
            let part = args.crop.filter(|c| *c > 1.0).map_or(String::new(), |c| format!(", the middle 1/{c}"));
            format!("sensor {name}{part}")
        }
        (None, Some(n)) if n > 1 => format!("{n} x {n} pixels of {:.3} µm joined", made.pixel_um.get() / f64::from(n)),
        _ => String::new(),
    };
    if let Some((columns, rows)) = made.picture_px {
        if !words.is_empty() {
            words.push_str(", ");
        }
        words.push_str(&format!("{columns} x {rows} px recorded"));
    }
    words
}
