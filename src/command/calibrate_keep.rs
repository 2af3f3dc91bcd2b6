//! Keeping readings in a setup.

use std::path::{Path, PathBuf};

use super::calibrate::{Args, Light, Rig, Tone};
use super::calibrate_batch::Trouble;
use super::calibrate_quality::Quality;
use super::calibrate_report::Calibrated;
use super::clock;
use super::opened::{Opened, file_name};
use super::table::percent;
use crate::setup::{
    Assumed, Coherence, Crossways, Library, OpticsNotes, Pooled, PooledNote, ReadingRecord, SCHEMA, Setup, SetupError,
    SlideNotes, ToneCurve,
};
use crate::slide::{Reading, RegionBlur};
use crate::units::Um;

/// Relative spread below which readings look like pictures taken one after the other: a tenth of what a ring with a stop leaves.
const CLOSER_THAN_RIGS: f64 = 0.0003;

/// One picture read, not yet kept.
pub(super) struct One {
    pub(super) path: PathBuf,
    pub(super) setup: Setup,
    pub(super) reading: Reading,
    pub(super) parts: Vec<RegionBlur>,
    pub(super) warnings: Vec<String>,
}

/// The setup of that name with its earlier readings, where there is one and it is not replaced.
pub(super) fn earlier(args: &Args, library: &Library) -> Result<Option<Setup>, SetupError> {
    match &args.setup {
        Some(name) if args.replace => library.file_of(name).map(|_| None),
        Some(name) => library.find(name),
        None => Ok(None),
    }
}

/// A setup of this reading alone.
pub(super) fn new_setup(
    args: &Args,
    opened: &Opened,
    optics: OpticsNotes,
    slide: SlideNotes,
    reading: &Reading,
) -> Setup {
    let mut assumed = Assumed::default();
    if let Some(tilt) = args.slide_tilt {
        assumed.slide_tilt_within_deg = tilt;
    }
    assumed.entrance_pupil_distance_mm = args.pupil_distance.map(Um::mm);
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

/// The reading as a setup holds it.
pub(super) fn record(path: &Path, opened: &Opened, reading: &Reading, crossways: Option<Crossways>) -> ReadingRecord {
    let sha256 = opened.photo.sha256().to_owned();
    ReadingRecord { crossways, ..ReadingRecord::of(reading, clock::now(), file_name(path), sha256) }
}

/// Works out the uncertainty of a reading and keeps it where a setup was named.
pub(super) fn keep(one: One, args: &Args, library: &Library, kept: &mut Option<Setup>) -> Result<Calibrated, Trouble> {
    let One { path, mut setup, reading, parts, mut warnings } = one;
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
        warnings.extend(pooling_warning(&whole, &together));
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
    let square_pixels_half_width_rel = setup.assumed.square_pixels_half_width_rel;
    let pupil_distance = setup.assumed.entrance_pupil_distance_mm.map(|mm| Um::new(1e3 * mm));
    let quality = Quality { parts, pupil_distance, square_pixels_half_width_rel };
    Ok(Calibrated { path, reading, record, own, predicted, quality, warnings, pooled, setup_file: saved })
}

/// What the readings together cannot tell.
fn pooling_warning(setup: &Setup, together: &Pooled) -> Option<String> {
    let spread = together.spread_rel?;
    let told = together.reproducibility.dof.is_some() && !setup.assumed.rig_fixed;
    (told && spread < CLOSER_THAN_RIGS).then(|| {
        format!(
            "the {} readings of this setup agree within {}, closer than rigs come back to their place; if the rig was not set anew between them, their spread tells nothing of that: say --rig fixed, or read pictures taken after setting it anew",
            together.readings,
            percent(spread)
        )
    })
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
    let by_hand = |s: &Setup| s.readings.iter().all(|r| r.by_hand);
    if by_hand(earlier) && !by_hand(new) {
        // What was marked on some ruler says nothing of the slide that is read now.
        whole.slide = new.slide.clone();
    } else if !by_hand(new) && (whole.slide.division_um / new.slide.division_um - 1.0).abs() > 1e-9 {
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
    if args.pupil_distance.is_some() {
        whole.assumed.entrance_pupil_distance_mm = new.assumed.entrance_pupil_distance_mm;
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
