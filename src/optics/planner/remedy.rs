//! What would resolve a part that no aperture of a plan resolves.

use serde::Serialize;

use super::advice::two_digits;
use super::figures::{motion, system, system_for};
use super::request::{LensKind, PlanRequest};
use super::row::PlanRow;
use super::verdict::{RESOLVED, lacks_pixels};
use crate::optics::{ApertureNote, OpticsError, PupilMagnification};
use crate::units::Um;

/// Greatest magnification that is suggested.
const GREATEST_MAGNIFICATION: f64 = 50.0;
/// Steps in which magnifications are tried.
const STEP: f64 = 1.05;
/// Greatest aperture that is suggested, as a share of the medium's refractive index.
const GREATEST_APERTURE: f64 = 0.95;
/// Widest marked aperture that is suggested.
const WIDEST_MARKED: f64 = 1.2;
/// Finest pixels that are suggested, µm: finer ones are not made.
const FINEST_PIXEL_UM: f64 = 0.8;

/// What would resolve a part that no aperture resolves.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Remedy {
    /// In words.
    pub text: String,
    /// Smallest magnification at which the widest aperture of the plan resolves it, with these pixels.
    pub magnification: Option<f64>,
    /// That aperture in words.
    pub aperture_text: Option<String>,
    /// Pupil magnification for which that holds; nothing where it is known or holds for all.
    pub for_pupil: Option<f64>,
    /// Least numerical aperture that would resolve it at this magnification; nothing where pixels forbid it.
    pub numerical_aperture: Option<f64>,
    /// Greatest pixel pitch on the sensor that would do with that aperture, where pixels are what lacks.
    pub pixel_um: Option<Um>,
}

/// Looks for it: more magnification, more aperture, finer pixels.
pub(super) fn remedy(request: &PlanRequest, rows: &[PlanRow], wanted: Um) -> Result<Remedy, OpticsError> {
    let footprint = request.pixel_pitch / request.magnification;
    let widest = rows.iter().enumerate().min_by(|a, b| a.1.effective_aperture.total_cmp(&b.1.effective_aperture));
    let note = widest.and_then(|(i, _)| request.apertures.get(i)).copied();
    let (magnification, for_pupil) = match note {
        // An objective is made for its magnification: another one has another aperture too.
        Some(note @ ApertureNote::Marked(_)) => enlarged(request, note, wanted)?,
        _ => (None, None),
    };
    let coarse = lacks_pixels(wanted, footprint);
    let (pixel_um, pixel_pupil) = match note {
        Some(note) if coarse => finer_pixels(request, note, wanted)?,
        _ => (None, None),
    };
    let numerical_aperture = least_numerical_aperture(request, wanted)?;
    let aperture_text = magnification.and(widest).map(|(_, r)| r.aperture_text.clone());
    let mut ways = Vec::new();
    if let (Some(m), Some(a)) = (magnification, &aperture_text) {
        ways.push(format!("{m}x on the sensor with {a}{}", pupil_words(for_pupil)));
    }
    if let Some(na) = numerical_aperture.filter(|_| !coarse) {
        ways.push(aperture_words(request, na));
    }
    if let Some((p, (_, row))) = pixel_um.zip(widest) {
        // Rounded down, so that what is printed will do.
        let p = two_digits(0.995 * p.get());
        ways.push(format!(
            "recorded pixels of at most {p} µm on the sensor with {}{}",
            row.aperture_text,
            pupil_words(pixel_pupil)
        ));
    }
    let still = motion(request).zip(widest.and_then(|(_, r)| r.longest_shutter_s)).map(|(_, shutter)| shutter);
    // What stands above is for an animal at rest.
    let mut proviso = String::new();
    if let Some(shutter) = still.filter(|shutter| request.shutter_s.is_some_and(|s| s > *shutter)) {
        let words = format!("a shutter of 1/{:.0} s", (1.0 / shutter).ceil());
        let path = Um::new(request.speed_um_per_s.unwrap_or(0.0) * shutter);
        let enough = match note {
            Some(note) if !coarse => {
                let narrow = system_for(request, note)?.aperture().ends().1;
                system(request, narrow)?.with_motion(path)?.w()? * RESOLVED.0 <= wanted
            }
            _ => false,
        };
        if enough {
            ways = vec![format!("{words}, which all but stops the movement")];
        } else {
            proviso = format!("; and besides {words} to stop the movement");
        }
    }
    if request.lens == LensKind::Objective && coarse {
        ways.push("an objective of more magnification and aperture".to_owned());
    }
    let best_w = rows.iter().map(|r| r.blur_spot_low_um.get()).fold(f64::INFINITY, f64::min);
    let why = if coarse {
        format!("it would be {} px long, {} are needed", two_digits(wanted / footprint), RESOLVED.1)
    } else {
        let spots = two_digits(wanted.get() / best_w);
        format!("at best it would be {spots} blur spots long, {} are needed", RESOLVED.0)
    };
    let what = if ways.is_empty() {
        "Nothing within reach of an ordinary lens would do it".to_owned()
    } else {
        format!("What would do it: {}{proviso}", ways.join("; or "))
    };
    let text = format!("not at this magnification: {why}. {what}.");
    Ok(Remedy { text, magnification, aperture_text, for_pupil, numerical_aperture, pixel_um })
}

fn pupil_words(for_pupil: Option<f64>) -> String {
    for_pupil.map_or(String::new(), |p| format!(" if the pupil magnification is at least {p}"))
}

/// The coarsest pixels with which a noted aperture resolves a length: for whatever pupil, or else for P = 1.
fn finer_pixels(
    request: &PlanRequest,
    note: ApertureNote,
    wanted: Um,
) -> Result<(Option<Um>, Option<f64>), OpticsError> {
    let mut finer = request.clone();
    let mut for_one = None;
    finer.pixel_pitch = wanted * (request.magnification / RESOLVED.1);
    while finer.pixel_pitch.get() >= FINEST_PIXEL_UM {
        let aperture = *system_for(&finer, note)?.aperture();
        if system(&finer, aperture.ends().1)?.w()? * RESOLVED.0 <= wanted {
            return Ok((Some(finer.pixel_pitch), None));
        }
        if for_one.is_none() && system(&finer, aperture.nominal())?.w()? * RESOLVED.0 <= wanted {
            for_one = Some(finer.pixel_pitch);
        }
        finer.pixel_pitch = finer.pixel_pitch / STEP;
    }
    Ok((for_one, for_one.map(|_| 1.0)))
}

/// Greater magnifications in steps of 5 %, with the widest aperture, which blurs least: for whatever pupil, or else for P = 1.
fn enlarged(request: &PlanRequest, note: ApertureNote, wanted: Um) -> Result<(Option<f64>, Option<f64>), OpticsError> {
    let mut larger = request.clone();
    let mut for_one = None;
    while larger.magnification * STEP <= GREATEST_MAGNIFICATION {
        larger.magnification *= STEP;
        let rounded_up = (larger.magnification * 10.0).ceil() / 10.0;
        let footprint = larger.pixel_pitch / larger.magnification;
        if lacks_pixels(wanted, footprint) {
            continue;
        }
        let aperture = *system_for(&larger, note)?.aperture();
        if system(&larger, aperture.ends().1)?.w()? * RESOLVED.0 <= wanted {
            return Ok((Some(rounded_up), None));
        }
        if for_one.is_none() && system(&larger, aperture.nominal())?.w()? * RESOLVED.0 <= wanted {
            for_one = Some(rounded_up);
        }
    }
    Ok((for_one, for_one.map(|_| 1.0)))
}

fn aperture_words(request: &PlanRequest, na: f64) -> String {
    let m = request.magnification;
    let na_words = two_digits((na * 1000.0).ceil() / 1000.0);
    if !request.lens.has_marked_aperture() {
        return format!("an objective of NA {na_words} or more at {m}x");
    }
    let marked = match request.pupil {
        PupilMagnification::Known(p) => m / (2.0 * na) / (1.0 + m / p),
        PupilMagnification::Unknown => m / (2.0 * na) / (1.0 + m),
    };
    if marked >= WIDEST_MARKED {
        let pupil = if request.pupil == PupilMagnification::Unknown { " for a pupil magnification of 1" } else { "" };
        format!("a wider aperture at {m}x: NA {na_words} or more, marked f/{}{pupil}", two_digits(marked))
    } else {
        format!("a microscope objective of NA {na_words} or more at {m}x")
    }
}

/// The least numerical aperture at which the blur spot is half the wanted length at this magnification and pixel.
fn least_numerical_aperture(request: &PlanRequest, wanted: Um) -> Result<Option<f64>, OpticsError> {
    let w = |na: f64| -> Result<Um, OpticsError> { system_for(request, ApertureNote::NumericalAperture(na))?.w() };
    let (mut low, mut high) = (0.001, GREATEST_APERTURE * request.refractive_index);
    if w(high)? * RESOLVED.0 > wanted {
        return Ok(None);
    }
    for _ in 0..14 {
        let middle = 0.5 * (low + high);
        if w(middle)? * RESOLVED.0 > wanted { low = middle } else { high = middle }
    }
    Ok(Some(high))
}
