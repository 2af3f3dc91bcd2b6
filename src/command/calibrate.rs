//! `calibrate`: from photographs of a ruled slide to readings, and to a setup where one is named.

use std::path::{Path, PathBuf};

use clap::ValueEnum;
use rayon::prelude::*;

use super::calibrate_report::{self as report, Answer, Calibrated};
use super::console::Console;
use super::opened::{self, Opened, file_name};
use super::{Failure, clock, parse, reading_plot};
use crate::optics::{Aperture, ApertureNote, OpticsError, PupilMagnification};
use crate::photo::{Channel, PhotoError};
use crate::setup::{
    Assumed, Coherence, Crossways, Library, OpticsNotes, PooledNote, ReadingRecord, SCHEMA, Setup, SetupError,
    SlideNotes, ToneCurve, disagreement, ruling, sensor_format,
};
use crate::slide::{self, MapModel, Reading, Refusal, Request};
use crate::units::{Angle, Um};

/// Reads the scale from photographs of a ruled slide.
///
/// Photograph the slide exactly as the animals are photographed: same camera, lens, magnification, aperture and recording mode. Give the
/// distance between neighbouring graduations. With --setup the reading is kept under that name, and further readings of
/// the same setup make its figures better; without it nothing is saved.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Example: motestick calibrate slide.jpg --division 10um --setup \"fernery 4x\" --magnification 4 --aperture 5.6 --pixel 3.72um\n\nSeveral pictures make a batch: each is read, and with --setup each becomes one more reading."
)]
pub(super) struct Args {
    /// Photographs of the ruled slide
    #[arg(required = true, value_name = "PICTURE")]
    pictures: Vec<PathBuf>,
    /// Distance between neighbouring graduations, as 10um or 0.01mm
    #[arg(long, value_name = "LENGTH", value_parser = parse::length, required_unless_present = "ruling")]
    division: Option<Um>,
    /// A common ruling by its name instead of --division: 1mm-100, 2mm-200, 10mm-100, 5mm-50 or 1mm-100-crossed
    #[arg(long, value_name = "NAME", conflicts_with = "division")]
    ruling: Option<String>,
    /// Keep the reading in the setup of this name
    #[arg(long, value_name = "NAME")]
    setup: Option<String>,
    /// Start the setup anew and forget its earlier readings
    #[arg(long, requires = "setup")]
    replace: bool,
    /// Camera, as you call it
    #[arg(long, value_name = "TEXT")]
    camera: Option<String>,
    /// Lens, as you call it
    #[arg(long, value_name = "TEXT")]
    lens: Option<String>,
    /// Recording mode, as you call it: still, or footage and its size
    #[arg(long, value_name = "TEXT")]
    mode: Option<String>,
    /// Magnification as marked
    #[arg(long, value_name = "NUMBER", value_parser = parse::positive)]
    magnification: Option<f64>,
    /// Aperture as marked on the lens
    #[arg(long, value_name = "NUMBER", value_parser = parse::positive, group = "opening")]
    aperture: Option<f64>,
    /// Aperture with the magnification already in it, as some cameras show it
    #[arg(long, value_name = "NUMBER", value_parser = parse::positive, group = "opening")]
    effective_aperture: Option<f64>,
    /// Numerical aperture of an objective
    #[arg(long, value_name = "NUMBER", value_parser = parse::positive, group = "opening")]
    na: Option<f64>,
    /// Pupil magnification of the lens; unknown unless given
    #[arg(long, value_name = "NUMBER", value_parser = parse::positive)]
    pupil: Option<f64>,
    /// Pitch of the recorded pixels on the sensor, as 3.72um
    #[arg(long, value_name = "LENGTH", value_parser = parse::length)]
    pixel: Option<Um>,
    /// Sensor format instead of --pixel, where the picture holds the whole width: 36x24, 24x16, 22x15, 17x13, 13x9 and others
    #[arg(long, value_name = "NAME", conflicts_with = "pixel")]
    sensor: Option<String>,
    /// The slide's certificate: expanded uncertainty (k = 2) over a length, as 0.5um/1mm
    #[arg(long, value_name = "U/LENGTH", value_parser = parse::ratio)]
    slide_uncertainty: Option<(Um, Um)>,
    /// A second picture with the slide turned by about 90°, which calibrates the other direction
    #[arg(long, value_name = "PICTURE2")]
    crossways: Option<PathBuf>,
    /// Whether the rig is set again between slide and animals, or is not touched
    #[arg(long, value_enum, value_name = "STATE")]
    rig: Option<Rig>,
    /// The slide was level within this many degrees; 2 unless given
    #[arg(long, value_name = "DEGREES", value_parser = parse::tilt_degrees)]
    slide_tilt: Option<f64>,
    /// Whether the light is known to be incoherent: dark field, or diffuse from above
    #[arg(long, value_enum, value_name = "STATE")]
    coherence: Option<Light>,
    /// Whether the tone curve of the pictures is known: raw-linear, or measured
    #[arg(long, value_enum, value_name = "STATE")]
    tone: Option<Tone>,
    /// Folder where setups are kept; the user's data folder unless given
    #[arg(long, value_name = "DIR")]
    library: Option<PathBuf>,
    /// Draw the residuals of the reading into this PNG file; the pictures of a batch are numbered
    #[arg(long, value_name = "FILE")]
    plot: Option<PathBuf>,
    /// Print one JSON object a picture
    #[arg(long)]
    json: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Rig {
    /// Set again each time
    Reset,
    /// Not touched
    Fixed,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Light {
    /// Not known
    Unknown,
    /// Known to be incoherent
    Incoherent,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Tone {
    /// A camera's own rendering
    Unknown,
    /// Raw-linear, or measured and declared in the file
    Known,
}

/// Why one picture gave no reading.
#[derive(Debug, thiserror::Error)]
enum Trouble {
    #[error(transparent)]
    Photo(#[from] PhotoError),
    #[error("{0}")]
    Refused(Refusal),
    #[error("{0}")]
    NotCrossways(String),
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
            Self::NotCrossways(detail) => {
                Answer::Refused { picture, refused: "slide not turned".to_owned(), detail: detail.clone() }
            }
            other => Answer::Failed { picture, error: other.to_string() },
        }
    }
}

/// Runs the command.
pub(super) fn run(args: &Args, console: &mut Console) -> Result<(), Failure> {
    let slide = slide_notes(args).map_err(Failure::usage)?;
    check_notes(args).map_err(Failure::usage)?;
    if args.crossways.is_some() && args.pictures.len() > 1 {
        return Err(Failure::Usage(format!(
            "--crossways belongs to one picture, but {} were named; calibrate them one by one",
            args.pictures.len()
        )));
    }
    let library = opened::library(args.library.as_ref())?;
    let mut kept = kept_setup(args, &library).map_err(Failure::usage)?;
    let total = args.pictures.len();
    let mut statuses = Vec::with_capacity(total);
    // A few pictures at a time, so that a long batch shows its results as they come and memory stays bounded.
    for (c, chunk) in args.pictures.chunks(rayon::current_num_threads().max(1)).enumerate() {
        let read: Vec<_> = chunk.par_iter().map(|path| read_one(path, args, &slide)).collect();
        for (i, (path, outcome)) in chunk.iter().zip(read).enumerate() {
            if total > 1 {
                let number = c * rayon::current_num_threads().max(1) + i + 1;
                console.progress(&format!("[{number}/{total}] {}", path.display()));
            }
            let outcome = outcome.and_then(|one| keep(one, args, &library, &mut kept));
            let outcome = outcome.and_then(|done| draw(done, args, statuses.len(), total));
            let answer = match outcome {
                Ok(done) => Answer::Calibrated(Box::new(done)),
                Err(trouble) => trouble.answer(path),
            };
            report::print(&answer, args.json, console)?;
            statuses.push(answer.status());
        }
    }
    match (statuses.iter().max(), total) {
        (None | Some(0), _) => Ok(()),
        (Some(&status), 1) => Err(Failure::Reported(status)),
        _ => Err(Failure::Partly),
    }
}

fn slide_notes(args: &Args) -> Result<SlideNotes, SetupError> {
    let mut notes = match (&args.ruling, args.division) {
        (Some(name), _) => {
            let r = ruling(name)?;
            SlideNotes {
                ruling: Some(r.name.clone()),
                expansion_per_k: r.expansion_per_k,
                expansion_half_width_rel: r.expansion_half_width_rel,
                uncertified_half_width_rel: r.uncertified_half_width_rel,
                ..SlideNotes::of_division(r.division())
            }
        }
        (None, division) => SlideNotes::of_division(division.unwrap_or(Um::new(f64::NAN))),
    };
    if let Some((u, over)) = args.slide_uncertainty {
        notes.certificate_expanded_um = Some(u.get());
        notes.certificate_over_um = Some(over.get());
    }
    Ok(notes)
}

/// Refuses notes that make no sense before any picture is opened.
fn check_notes(args: &Args) -> Result<(), String> {
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

fn kept_setup(args: &Args, library: &Library) -> Result<Option<Setup>, SetupError> {
    match &args.setup {
        Some(name) if args.replace => library.file_of(name).map(|_| None),
        Some(name) => library.find(name),
        None => Ok(None),
    }
}

/// One picture read, not yet kept.
struct One {
    path: PathBuf,
    setup: Setup,
    reading: Reading,
    warnings: Vec<String>,
}

fn read_one(path: &Path, args: &Args, slide: &SlideNotes) -> Result<One, Trouble> {
    let opened = opened::open(path, args.mode.as_deref())?;
    let optics = optics_notes(args, &opened)?;
    let request = Request { expected: optics.nominal_scale(), ..Request::new(Um::new(slide.division_um)) };
    let mut reading = read_light(&opened, &request)?;
    let crossways = match &args.crossways {
        Some(second) => Some(turn(&mut reading, second, args, &request, &opened)?),
        None => None,
    };
    let mut warnings = opened.warnings.clone();
    warnings.extend(reading.warnings.iter().map(ToString::to_string));
    warnings.extend(warnings_of(&reading, &optics, slide));
    let mut setup = new_setup(args, &opened, optics, slide.clone(), &reading);
    setup.readings = vec![record(path, &opened, &reading, crossways)];
    let setup = setup.checked()?;
    Ok(One { path: path.to_owned(), setup, reading, warnings })
}

fn read_light(opened: &Opened, request: &Request) -> Result<Reading, Trouble> {
    slide::read(&opened.photo.light(Channel::Luminance), request).map_err(Trouble::Refused)
}

fn optics_notes(args: &Args, opened: &Opened) -> Result<OpticsNotes, SetupError> {
    let metadata = opened.photo.metadata();
    let pitch = match (&args.sensor, args.pixel) {
        (Some(name), _) => Some(sensor_format(name)?.pixel_pitch(opened.facts.width_px.max(opened.facts.height_px))),
        (None, pixel) => pixel,
    };
    Ok(OpticsNotes {
        magnification: args.magnification,
        aperture_marked: args.aperture,
        aperture_effective: args.effective_aperture,
        numerical_aperture: args.na,
        pupil_magnification: args.pupil,
        pixel_pitch_um: pitch.map(Um::get),
        focal_length_mm: metadata.focal_length_mm,
        exif_aperture: metadata.aperture,
    })
}

fn new_setup(args: &Args, opened: &Opened, optics: OpticsNotes, slide: SlideNotes, reading: &Reading) -> Setup {
    let mut assumed = Assumed::default();
    if let Some(tilt) = args.slide_tilt {
        assumed.slide_tilt_within_deg = tilt;
    }
    assumed.rig_fixed = args.rig == Some(Rig::Fixed);
    Setup {
        schema: SCHEMA,
        name: args.setup.clone().unwrap_or_else(|| "not kept".to_owned()),
        camera: args.camera.clone(),
        lens: args.lens.clone(),
        mode: args.mode.clone(),
        exif_camera: opened.facts.exif_camera.clone(),
        exif_lens: opened.facts.exif_lens.clone(),
        picture_width_px: u32::try_from(reading.map.width_px).unwrap_or(u32::MAX),
        picture_height_px: u32::try_from(reading.map.height_px).unwrap_or(u32::MAX),
        coherence: if args.coherence == Some(Light::Incoherent) { Coherence::Incoherent } else { Coherence::Unknown },
        tone_curve: if args.tone == Some(Tone::Known) { ToneCurve::Known } else { ToneCurve::Unknown },
        optics,
        slide,
        assumed,
        pooled: None,
        readings: vec![],
        other: toml::Table::new(),
    }
}

fn record(path: &Path, opened: &Opened, reading: &Reading, crossways: Option<Crossways>) -> ReadingRecord {
    let count = |n: usize| u32::try_from(n).unwrap_or(u32::MAX);
    ReadingRecord {
        date: clock::now(),
        picture: file_name(path),
        picture_sha256: opened.photo.sha256().to_owned(),
        scale_px_per_um: reading.scale.get(),
        u_rel_fit: reading.u_rel_fit,
        dof_fit: reading.dof.clamp(1.0, 1e6),
        u_rel: 0.0,
        rotation_deg: reading.rotation.degrees(),
        model: reading.map.model.name().to_owned(),
        graduations_used: count(reading.used()),
        graduations_rejected: count(reading.rejected()),
        residual_rms_px: reading.residual_rms.get(),
        blur_spot_um: reading.blur.map(|b| (b.width / reading.scale).get()),
        u_blur_spot_um: reading.blur.map(|b| (b.u / reading.scale).get()),
        u_rel_by_source: toml::Table::new(),
        warnings: vec![],
        crossways,
        map: reading.map.clone(),
    }
}

fn warnings_of(reading: &Reading, optics: &OpticsNotes, slide: &SlideNotes) -> Vec<String> {
    let mut out = Vec::new();
    if let Some(d) = optics.nominal_scale().and_then(|nominal| disagreement(reading.scale, nominal)) {
        out.push(d.to_string());
    }
    if slide.certificate_expanded_um.is_none() {
        let percent = 100.0 * slide.uncertified_half_width_rel;
        out.push(format!(
            "no certificate of the ruled slide was stated; its length is taken as known within ±{percent:.1} %, give --slide-uncertainty if you have one"
        ));
    }
    out
}

/// Adds the other direction from a second picture to a reading.
fn turn(
    reading: &mut Reading,
    path: &Path,
    args: &Args,
    request: &Request,
    first: &Opened,
) -> Result<Crossways, Trouble> {
    let opened = opened::open(path, args.mode.as_deref())?;
    if (opened.facts.width_px, opened.facts.height_px) != (first.facts.width_px, first.facts.height_px) {
        return Err(Trouble::NotCrossways(format!(
            "the turned slide's picture has {} x {} px, the first {} x {} px; both must come from the same setup",
            opened.facts.width_px, opened.facts.height_px, first.facts.width_px, first.facts.height_px
        )));
    }
    let second = read_light(&opened, request)?;
    let between = (second.rotation.degrees() - reading.rotation.degrees()).rem_euclid(180.0);
    if !(60.0..=120.0).contains(&between) {
        return Err(Trouble::NotCrossways(format!(
            "the second picture's ruling is turned by {between:.0}° against the first, must be 60 to 120°; turn the slide by about 90°"
        )));
    }
    // 1/s² along a direction is cos²/s² along plus sin²/s² across: solved for across.
    let (cos, sin) = (between.to_radians().cos(), between.to_radians().sin());
    let along = reading.scale.get();
    let inverse2 = (second.scale.get().powi(-2) - (cos / along).powi(2)) / (sin * sin);
    let across = inverse2.powf(-0.5);
    let map = &mut reading.map;
    let now = map.scale_at(map.centre(), map.direction() + Angle::from_degrees(90.0)).get();
    let stretch = now / across;
    if !(stretch.is_finite() && (stretch - 1.0).abs() < 0.1) {
        return Err(Trouble::NotCrossways(format!(
            "the scales of the two directions differ by {:.0} % ({along:.4} and {:.4} px/µm); pixels are not that far from square, so one picture was taken otherwise",
            100.0 * (stretch - 1.0).abs(),
            second.scale.get()
        )));
    }
    map.across_um = map.across_um.map(|c| c * stretch);
    map.u_rel_across = Some(reading.u_rel_fit.hypot(second.u_rel_fit) / (sin * sin));
    if map.model == MapModel::Similarity {
        map.model = MapModel::Affine;
    }
    Ok(Crossways {
        picture: file_name(path),
        picture_sha256: opened.photo.sha256().to_owned(),
        scale_px_per_um: second.scale.get(),
        u_rel_fit: second.u_rel_fit,
        rotation_deg: second.rotation.degrees(),
    })
}

/// Works out the uncertainty of a reading and keeps it where a setup was named.
fn keep(one: One, args: &Args, library: &Library, kept: &mut Option<Setup>) -> Result<Calibrated, Trouble> {
    let One { path, mut setup, reading, mut warnings } = one;
    let predicted = setup.predicted_blur()?;
    let Some(mut record) = setup.readings.pop() else {
        return Err(SetupError::Value { key: "reading".into(), value: "missing".into(), limits: "at least one" }.into());
    };
    setup.readings.push(record.clone());
    let own = setup.scale_uncertainty(record.map.centre())?;
    record.u_rel = own.u_rel;
    record.u_rel_by_source =
        own.parts.iter().map(|(id, u)| (id.clone(), toml::Value::Float(*u))).collect::<toml::Table>();
    let mut saved = None;
    let mut pooled = None;
    if args.setup.is_some() {
        let mut whole = match kept.take() {
            Some(earlier) => match merged(&earlier, &setup, args) {
                Ok(whole) => whole,
                Err(e) => {
                    *kept = Some(earlier);
                    return Err(e.into());
                }
            },
            None => Setup { readings: vec![], ..setup.clone() },
        };
        if let Some(same) = whole.readings.iter().position(|r| r.picture_sha256 == record.picture_sha256) {
            warnings.push(format!(
                "this picture is reading {} of the setup already; it was read again and takes its place, since the same picture twice tells nothing of the spread",
                same + 1
            ));
            whole.readings.remove(same);
        }
        record.warnings = warnings.clone();
        whole.readings.push(record.clone());
        let together = whole.pooled_readings();
        let u = whole.scale_uncertainty(record.map.centre())?;
        whole.pooled = Some(PooledNote {
            scale_px_per_um: together.scale.get(),
            u_rel: u.u_rel,
            readings: u32::try_from(together.readings).unwrap_or(u32::MAX),
            spread_rel: together.spread_rel,
            drift_rel: together.drift_rel,
            largest_en: together.largest_en.map(|e| e.en.abs()),
        });
        if let Some(e) = together.largest_en.filter(|e| e.en.abs() > 1.0) {
            warnings.push(format!(
                "readings {} and {} of this setup disagree beyond their uncertainty (E_n = {:.1}, in size at most 1 where they agree); something changed between them",
                e.first, e.second, e.en
            ));
        }
        let path = library.save(&whole)?;
        pooled = whole.pooled.clone();
        saved = Some(path);
        *kept = Some(whole);
    }
    Ok(Calibrated { path, reading, record, own, predicted, warnings, pooled, setup_file: saved })
}

/// Draws the residuals where a plot is wanted; `before` pictures of `total` came earlier.
fn draw(done: Calibrated, args: &Args, before: usize, total: usize) -> Result<Calibrated, Trouble> {
    if let Some(file) = &args.plot {
        let png = reading_plot::png(&done.reading, &file_name(&done.path))?;
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

/// The earlier setup with what the new arguments add; refuses what contradicts it.
fn merged(earlier: &Setup, new: &Setup, args: &Args) -> Result<Setup, SetupError> {
    let mut whole = earlier.clone();
    let differs = |key: &'static str, stored: String, given: String| {
        Err(SetupError::Differs { name: earlier.name.clone(), key, stored, given })
    };
    let size = |s: &Setup| format!("pictures of {} x {} px", s.picture_width_px, s.picture_height_px);
    if size(earlier) != size(new) {
        return differs("pictures of another size:", size(earlier), size(new));
    }
    let texts: [(&'static str, &mut Option<String>, &Option<String>); 5] = [
        ("camera", &mut whole.camera, &new.camera),
        ("lens", &mut whole.lens, &new.lens),
        ("mode", &mut whole.mode, &new.mode),
        ("camera by EXIF", &mut whole.exif_camera, &new.exif_camera),
        ("lens by EXIF", &mut whole.exif_lens, &new.exif_lens),
    ];
    for (key, stored, given) in texts {
        match (&stored, given) {
            (Some(a), Some(b)) if a != b => return differs(key, format!("\"{a}\""), format!("\"{b}\"")),
            (None, Some(_)) => *stored = given.clone(),
            _ => {}
        }
    }
    let o = &new.optics;
    let numbers: [(&'static str, &mut Option<f64>, Option<f64>); 6] = [
        ("magnification", &mut whole.optics.magnification, o.magnification),
        ("aperture", &mut whole.optics.aperture_marked, o.aperture_marked),
        ("effective aperture", &mut whole.optics.aperture_effective, o.aperture_effective),
        ("numerical aperture", &mut whole.optics.numerical_aperture, o.numerical_aperture),
        ("pupil magnification", &mut whole.optics.pupil_magnification, o.pupil_magnification),
        ("pixel pitch in µm", &mut whole.optics.pixel_pitch_um, o.pixel_pitch_um),
    ];
    for (key, stored, given) in numbers {
        match (*stored, given) {
            (Some(a), Some(b)) if (a / b - 1.0).abs() > 1e-6 => return differs(key, a.to_string(), b.to_string()),
            (None, Some(_)) => *stored = given,
            _ => {}
        }
    }
    whole.optics.focal_length_mm = o.focal_length_mm.or(whole.optics.focal_length_mm);
    whole.optics.exif_aperture = o.exif_aperture.or(whole.optics.exif_aperture);
    if (whole.slide.division_um / new.slide.division_um - 1.0).abs() > 1e-9 {
        // Another slide is welcome; only its certificate cannot be told apart from the first one's.
        return differs(
            "a division in µm of",
            earlier.slide.division_um.to_string(),
            new.slide.division_um.to_string(),
        );
    }
    if args.slide_uncertainty.is_some() {
        whole.slide.certificate_expanded_um = new.slide.certificate_expanded_um;
        whole.slide.certificate_over_um = new.slide.certificate_over_um;
    }
    if args.rig.is_some() {
        whole.assumed.rig_fixed = new.assumed.rig_fixed;
    }
    if args.slide_tilt.is_some() {
        whole.assumed.slide_tilt_within_deg = new.assumed.slide_tilt_within_deg;
    }
    if args.coherence.is_some() {
        whole.coherence = new.coherence;
    }
    if args.tone.is_some() {
        whole.tone_curve = new.tone_curve;
    }
    Ok(whole)
}
