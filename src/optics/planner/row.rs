//! One aperture of a plan.

use serde::Serialize;

use super::expect::{Ends, Expected, expected};
use super::request::PlanRequest;
use crate::optics::depth::{DepthOfField, depth_of_field};
use crate::optics::{Aperture, ApertureNote, BlurPart, OpticsError, System, nyquist_per_um};
use crate::units::{Px, Um};

/// Share of the blur spot that movement may add before it is called harmful: a third of the blur spot as a path.
const MOTION_SHARE: f64 = 1.0 / 3.0;
/// Share of the depth of field by which a focus series steps.
const STEP_SHARE: f64 = 0.8;
/// Lengths from this many blur spots and px on are resolved, and marginal.
const RESOLVED: (f64, f64) = (2.0, 6.0);
const MARGINAL: (f64, f64) = (1.0, 3.0);
/// Pixels per Airy radius from which on pixels hardly cost resolution.
const ENOUGH_PX: f64 = 2.0;

/// One aperture of a plan: what it gives and what it costs. Lengths are on the animal.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[non_exhaustive]
pub struct PlanRow {
    /// The aperture as marked; nothing where the lens is noted otherwise.
    pub aperture: Option<f64>,
    /// The aperture in words: `f/8`, `f/48 effective` or `NA 0.1`.
    pub aperture_text: String,
    /// True for the aperture that was asked for.
    pub asked: bool,
    /// Effective aperture; for unknown pupils the one for P = 1.
    pub effective_aperture: f64,
    /// Least effective aperture that the notes allow.
    pub effective_aperture_low: f64,
    /// Greatest effective aperture that the notes allow.
    pub effective_aperture_high: f64,
    /// Numerical aperture on the animal's side.
    pub numerical_aperture: f64,
    /// Airy radius.
    pub airy_radius_um: Um,
    /// Frequency beyond which there is no contrast.
    pub cutoff_cycles_per_um: f64,
    /// Nyquist frequency of the pixels.
    pub nyquist_cycles_per_um: f64,
    /// Pixels per Airy radius.
    pub px_per_airy_radius: f64,
    /// `enough` from 2 px per Airy radius on, else `coarse`.
    pub sampling: &'static str,
    /// Blur spot in focus, movement included where speed and shutter are known.
    pub blur_spot_um: Um,
    /// Least blur spot that the notes allow.
    pub blur_spot_low_um: Um,
    /// Greatest blur spot that the notes allow.
    pub blur_spot_high_um: Um,
    /// Blur spot in the picture.
    pub blur_spot_px: Px,
    /// What makes the blur spot, largest share first.
    pub blur_parts: Vec<BlurPart>,
    /// Blur spot half the animal's thickness from focus; nothing for an unknown thickness.
    pub blur_spot_at_half_thickness_um: Option<Um>,
    /// Depth of field, wave term.
    pub depth_wave_um: Um,
    /// Depth of field, geometric term.
    pub depth_geometric_um: Um,
    /// Depth of field, both.
    pub depth_um: Um,
    /// Smallest length that would be called resolved.
    pub smallest_resolved_um: Um,
    /// Smallest length that would be called marginal.
    pub smallest_marginal_um: Um,
    /// `resolved`, `marginal` or `not resolved` for the wanted part.
    pub wanted_verdict: Option<&'static str>,
    /// Expected uncertainty of the wanted part; nothing where it is not resolved.
    pub wanted: Option<Expected>,
    /// Expected uncertainty of the animal's length from one picture.
    pub animal: Option<Expected>,
    /// Change of exposure against the reference, stops; negative is darker.
    pub exposure_stops: f64,
    /// Movement during the exposure.
    pub motion_um: Option<Um>,
    /// Longest shutter for which movement stays within a third of the blur spot at rest, s; in footage at most a frame.
    pub longest_shutter_s: Option<f64>,
    /// Sensitivity needed at the shutter planned, or at the longest one, by the exposure that was right.
    pub iso_needed: Option<f64>,
    /// Pictures of a focus series through the animal's thickness.
    pub focus_steps: Option<u32>,
    /// Distance between two of them, along the view.
    pub focus_step_um: Um,
}

/// Smallest length of a verdict: so many blur spots and so many px.
fn smallest(limit: (f64, f64), w: Um, footprint: Um) -> Um {
    Um::new((limit.0 * w.get()).max(limit.1 * footprint.get()))
}

/// The verdict rule of the measurement model.
pub(super) fn verdict(length: Um, w: Um, footprint: Um) -> &'static str {
    if length >= smallest(RESOLVED, w, footprint) {
        "resolved"
    } else if length >= smallest(MARGINAL, w, footprint) {
        "marginal"
    } else {
        "not resolved"
    }
}

/// True when pixels, not blur, keep a length from being resolved.
pub(super) fn pixels_limit(length: Um, w: Um, footprint: Um) -> bool {
    length < footprint * RESOLVED.1 && length >= w * RESOLVED.0
}

/// A system in focus for one noted aperture.
pub(super) fn system_for(request: &PlanRequest, note: ApertureNote) -> Result<System, OpticsError> {
    let aperture = Aperture::new(note, request.magnification, request.pupil)?;
    System::in_focus(aperture, request.pixel_pitch)?
        .with_spectrum(request.spectrum.clone())
        .with_refractive_index(request.refractive_index)
}

/// Pictures needed to cover `thickness`, each sharp over `depth`.
fn steps(thickness: Um, depth: Um) -> u32 {
    let beyond = ((thickness - depth) / (depth * STEP_SHARE)).max(0.0);
    // A small animal never needs more than some thousands.
    1 + beyond.ceil().min(1e6) as u32
}

impl PlanRow {
    pub(super) fn new(request: &PlanRequest, index: usize, reference: &Aperture) -> Result<Self, OpticsError> {
        let note = request.apertures[index];
        let at_rest = system_for(request, note)?;
        let aperture = *at_rest.aperture();
        let footprint = at_rest.pixel_footprint();
        let motion_um = request.speed_um_per_s.zip(request.shutter_s).map(|(v, t)| Um::new(v * t));
        let spot = match motion_um {
            Some(path) => at_rest.clone().with_motion(path)?.blur()?,
            None => at_rest.blur()?,
        };
        let w_at_rest = if motion_um.is_some() { at_rest.w()? } else { spot.w_um };
        let wavelength = request.spectrum.mean();
        let depth = depth_of_field(
            &aperture,
            wavelength,
            request.pixel_pitch * request.accepted_blur_px,
            request.refractive_index,
        )?;
        let away = match request.thickness {
            Some(t) => Some(at_rest.clone().with_defocus(t * 0.5)?.w_and_reach()?),
            None => None,
        };
        let frame_s = request.frame_rate_hz.map_or(f64::INFINITY, |rate| 1.0 / rate);
        let longest_shutter_s =
            request.speed_um_per_s.filter(|v| *v > 0.0).map(|v| (MOTION_SHARE * w_at_rest.get() / v).min(frame_s));
        let px_per_airy_radius = aperture.airy_radius(wavelength) / footprint;
        let (effective_low, effective_high) = aperture.effective_range();
        let mut row = Self {
            aperture: if let ApertureNote::Marked(n) = note { Some(n) } else { None },
            aperture_text: words(note),
            asked: request.asked == Some(index),
            effective_aperture: aperture.effective(),
            effective_aperture_low: effective_low,
            effective_aperture_high: effective_high,
            numerical_aperture: aperture.numerical_aperture(),
            airy_radius_um: aperture.airy_radius(wavelength),
            cutoff_cycles_per_um: aperture.cutoff_per_um(wavelength),
            nyquist_cycles_per_um: nyquist_per_um(request.pixel_pitch, request.magnification),
            px_per_airy_radius,
            sampling: if px_per_airy_radius >= ENOUGH_PX { "enough" } else { "coarse" },
            blur_spot_um: spot.w_um,
            blur_spot_low_um: spot.w_low_um,
            blur_spot_high_um: spot.w_high_um,
            blur_spot_px: Px::new(spot.w_um / footprint),
            blur_spot_at_half_thickness_um: away.map(|s| s.0),
            depth_wave_um: depth.wave_um,
            depth_geometric_um: depth.geometric_um,
            depth_um: depth.total_um(),
            smallest_resolved_um: smallest(RESOLVED, spot.w_um, footprint),
            smallest_marginal_um: smallest(MARGINAL, spot.w_um, footprint),
            wanted_verdict: request.wanted.map(|l| verdict(l, spot.w_um, footprint)),
            wanted: None,
            animal: None,
            exposure_stops: aperture.stops_against(reference),
            motion_um,
            longest_shutter_s,
            iso_needed: iso_needed(request, &aperture, longest_shutter_s)?,
            focus_steps: request.thickness.map(|t| steps(t, depth.total_um())),
            focus_step_um: depth.total_um() * STEP_SHARE,
            blur_parts: spot.parts.clone(),
        };
        row.foresee(request, (spot.w_um, spot.x50_minus_x25()), away, &depth);
        Ok(row)
    }

    /// Fills in the expected uncertainties: the part is focused upon, the animal's ends may lie half its thickness away.
    fn foresee(&mut self, request: &PlanRequest, spot: (Um, Um), away: Option<(Um, Um)>, depth: &DepthOfField) {
        let total = depth.total_um();
        if let Some(length) = request.wanted.filter(|_| self.wanted_verdict != Some("not resolved")) {
            let whole = request.animal.unwrap_or(length);
            self.wanted = Some(expected(length, whole, spot, total, request, Ends::Feature));
        }
        if let Some(length) = request.animal {
            let blur = away.unwrap_or(spot);
            self.animal = Some(expected(length, length, blur, total, request, Ends::Silhouette));
        }
    }
}

fn words(note: ApertureNote) -> String {
    match note {
        ApertureNote::Marked(n) => format!("f/{n}"),
        ApertureNote::Effective(n) => format!("f/{n} effective"),
        ApertureNote::NumericalAperture(na) => format!("NA {na}"),
    }
}

/// The same exposure at this aperture and the planned shutter, or the longest one that stops the movement.
fn iso_needed(
    request: &PlanRequest,
    aperture: &Aperture,
    longest_shutter_s: Option<f64>,
) -> Result<Option<f64>, OpticsError> {
    let (Some(known), Some(shutter)) = (request.exposure, request.shutter_s.or(longest_shutter_s)) else {
        return Ok(None);
    };
    let note = match request.apertures.first() {
        Some(ApertureNote::Effective(_)) => ApertureNote::Effective(known.aperture),
        Some(ApertureNote::NumericalAperture(_)) => ApertureNote::NumericalAperture(known.aperture),
        _ => ApertureNote::Marked(known.aperture),
    };
    let then = Aperture::new(note, request.magnification, request.pupil)?;
    let light = (then.effective() / aperture.effective()).powi(2);
    Ok(Some(known.iso * known.shutter_s / (shutter * light)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_verdict_needs_blur_spots_and_pixels() {
        let of = |l: f64, w: f64, p: f64| verdict(Um::new(l), Um::new(w), Um::new(p));
        assert_eq!(of(20.0, 10.0, 1.0), "resolved");
        assert_eq!(of(19.9, 10.0, 1.0), "marginal");
        assert_eq!(of(20.0, 1.0, 3.5), "marginal");
        assert_eq!(of(9.9, 10.0, 1.0), "not resolved");
        assert!(pixels_limit(Um::new(20.0), Um::new(1.0), Um::new(3.5)));
        assert!(!pixels_limit(Um::new(20.0), Um::new(11.0), Um::new(3.5)));
    }

    #[test]
    fn a_focus_series_covers_the_thickness() {
        let of = |t: f64, d: f64| steps(Um::new(t), Um::new(d));
        assert_eq!((of(10.0, 20.0), of(20.0, 20.0), of(21.0, 20.0), of(100.0, 20.0)), (1, 1, 2, 6));
    }
}
