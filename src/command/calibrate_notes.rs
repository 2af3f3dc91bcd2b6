//! What a person says of slide and optics, as the setup holds it, and what must be said back.

use super::calibrate::Args;
use super::opened::Opened;
use crate::setup::{OpticsNotes, SetupError, SlideNotes, disagreement, ruling, sensor_format};
use crate::slide::Reading;
use crate::units::Um;

/// The ruled slide.
pub(super) fn slide(args: &Args) -> Result<SlideNotes, SetupError> {
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
        (None, division) => {
            SlideNotes::of_division(division.or_else(|| marked_length(args)).unwrap_or(Um::new(f64::NAN)))
        }
    };
    if let Some((u, over)) = args.slide_uncertainty {
        notes.certificate_expanded_um = Some(u.get());
        notes.certificate_over_um = Some(over.get());
    }
    Ok(notes)
}

/// From the first to the last mark set by hand: of a ruler that nobody divided, that is the division.
fn marked_length(args: &Args) -> Option<Um> {
    let all = || args.by_hand.iter().flat_map(|m| &m.0).map(|m| m.along.get());
    let (low, high) = (all().fold(f64::MAX, f64::min), all().fold(f64::MIN, f64::max));
    (high > low).then(|| Um::new(high - low))
}

/// Magnification, aperture and pixels, for the picture that is open.
pub(super) fn optics(args: &Args, opened: &Opened) -> Result<OpticsNotes, SetupError> {
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

/// Where the reading and the notes disagree, and what was not said.
pub(super) fn warnings(reading: &Reading, optics: &OpticsNotes, slide: &SlideNotes) -> Vec<String> {
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
