//! One aperture of a plan.

use serde::Serialize;

use super::expect::{Ends, Expected, expected};
use super::figures::{Range, motion};
use super::request::PlanRequest;
use super::verdict::{MARGINAL, RESOLVED, smallest, verdict};
use crate::optics::{Aperture, ApertureNote, BlurPart, OpticsError, nyquist_per_um};
use crate::units::{Px, Um};

/// Share of the blur spot that movement may add before it is called harmful: a third of the blur spot as a path.
const MOTION_SHARE: f64 = 1.0 / 3.0;
/// Share of the depth of field by which a focus series steps.
const STEP_SHARE: f64 = 0.8;
/// Pixels per Airy radius from which on pixels hardly cost resolution.
const ENOUGH_PX: f64 = 2.0;

/// One aperture of a plan: what it gives and what it costs. Lengths are on the animal.
///
/// With an unknown pupil magnification P every figure is that for P = 1; what is called low and high is the range from P = 2 to
/// P = 0.28, and verdicts are those for the worst case.
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
    /// Least numerical aperture that the notes allow.
    pub numerical_aperture_low: f64,
    /// Greatest numerical aperture that the notes allow.
    pub numerical_aperture_high: f64,
    /// Airy radius.
    pub airy_radius_um: Um,
    /// Least Airy radius that the notes allow.
    pub airy_radius_low_um: Um,
    /// Greatest Airy radius that the notes allow.
    pub airy_radius_high_um: Um,
    /// Frequency beyond which there is no contrast.
    pub cutoff_cycles_per_um: f64,
    /// Nyquist frequency of the pixels.
    pub nyquist_cycles_per_um: f64,
    /// `full` where the pixels' Nyquist frequency lies at or beyond the optical cut-off, so that all the lens passes is recorded
    /// truly; else `aliasing`: texture finer than two pixels can turn into false patterns.
    pub nyquist_verdict: &'static str,
    /// Contrast, 0 to 1, that is left at the Nyquist frequency; it is what can turn into false patterns.
    pub contrast_at_nyquist: f64,
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
    /// Least depth of field that the notes allow.
    pub depth_low_um: Um,
    /// Greatest depth of field that the notes allow.
    pub depth_high_um: Um,
    /// Smallest length that would be called resolved.
    pub smallest_resolved_um: Um,
    /// The same for the greatest blur that the notes allow: from here on resolved whatever the pupil.
    pub smallest_resolved_high_um: Um,
    /// Smallest length that would be called marginal.
    pub smallest_marginal_um: Um,
    /// `resolved`, `marginal` or `not resolved` for the wanted part, by the greatest blur that the notes allow.
    pub wanted_verdict: Option<&'static str>,
    /// The same by the least blur that the notes allow.
    pub wanted_verdict_at_best: Option<&'static str>,
    /// Least pupil magnification with which the wanted part is resolved, where it depends on the pupil.
    pub wanted_resolved_from_pupil: Option<f64>,
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
    /// The same for the least blur spot that the notes allow.
    pub longest_shutter_low_s: Option<f64>,
    /// Sensitivity needed at the shutter planned, or at the longest one, by the exposure that was right.
    pub iso_needed: Option<f64>,
    /// Stops of light that lack at the highest sensitivity accepted; 0 or below where there is enough.
    pub light_lacking_stops: Option<f64>,
    /// Pictures of a focus series through the animal's thickness.
    pub focus_steps: Option<u32>,
    /// The same for the least depth of field that the notes allow.
    pub focus_steps_high: Option<u32>,
    /// Distance between two of them, along the view.
    pub focus_step_um: Um,
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
        let aperture = Aperture::new(note, request.magnification, request.pupil)?;
        let footprint = request.pixel_pitch / request.magnification;
        let (range, spot) = Range::new(request, &aperture)?;
        let at = range.nominal;
        let (w_low, w_high) = range.ends_of(|f| f.spot.0);
        let (depth_low, depth_high) = range.ends_of(|f| f.depth.total_um());
        let (wide, narrow) = aperture.ends();
        let frame_s = request.frame_rate_hz.map_or(f64::INFINITY, |rate| 1.0 / rate);
        let shutter = |w_at_rest: Um| {
            let moving = request.speed_um_per_s.filter(|v| *v > 0.0);
            moving.map(|v| (MOTION_SHARE * w_at_rest.get() / v).min(frame_s))
        };
        let wavelength = request.spectrum.mean();
        let px_per_airy_radius = aperture.airy_radius(wavelength) / footprint;
        let nyquist = nyquist_per_um(request.pixel_pitch, request.magnification);
        let cutoff = aperture.cutoff_per_um(request.spectrum.shortest());
        let longest_shutter_s = shutter(at.w_at_rest);
        let iso_needed = iso_needed(request, &aperture, longest_shutter_s)?;
        let marked = if let ApertureNote::Marked(n) = note { Some(n) } else { None };
        let pupil = match (marked, request.wanted) {
            (Some(n), Some(wanted)) if wanted >= footprint * RESOLVED.1 => {
                range.pupil_for(request, n, wanted / RESOLVED.0)?
            }
            _ => None,
        };
        let mut row = Self {
            aperture: marked,
            aperture_text: words(note),
            asked: request.asked == Some(index),
            effective_aperture: aperture.effective(),
            effective_aperture_low: wide.effective(),
            effective_aperture_high: narrow.effective(),
            numerical_aperture: aperture.numerical_aperture(),
            numerical_aperture_low: narrow.numerical_aperture(),
            numerical_aperture_high: wide.numerical_aperture(),
            airy_radius_um: aperture.airy_radius(wavelength),
            airy_radius_low_um: wide.airy_radius(wavelength),
            airy_radius_high_um: narrow.airy_radius(wavelength),
            cutoff_cycles_per_um: cutoff,
            nyquist_cycles_per_um: nyquist,
            nyquist_verdict: if nyquist >= cutoff { "full" } else { "aliasing" },
            contrast_at_nyquist: super::figures::system(request, aperture.nominal())?.contrast(nyquist),
            px_per_airy_radius,
            sampling: if px_per_airy_radius >= ENOUGH_PX { "enough" } else { "coarse" },
            blur_spot_um: spot.w_um,
            blur_spot_low_um: w_low,
            blur_spot_high_um: w_high,
            blur_spot_px: Px::new(spot.w_um / footprint),
            blur_spot_at_half_thickness_um: at.away.map(|s| s.0),
            depth_wave_um: at.depth.wave_um,
            depth_geometric_um: at.depth.geometric_um,
            depth_um: at.depth.total_um(),
            depth_low_um: depth_low,
            depth_high_um: depth_high,
            smallest_resolved_um: smallest(RESOLVED, spot.w_um, footprint),
            smallest_resolved_high_um: smallest(RESOLVED, w_high, footprint),
            smallest_marginal_um: smallest(MARGINAL, spot.w_um, footprint),
            wanted_verdict: request.wanted.map(|l| verdict(l, w_high, footprint)),
            wanted_verdict_at_best: request.wanted.map(|l| verdict(l, w_low, footprint)),
            wanted_resolved_from_pupil: pupil,
            wanted: None,
            animal: None,
            exposure_stops: aperture.stops_against(reference),
            motion_um: motion(request),
            longest_shutter_s,
            longest_shutter_low_s: shutter(range.ends_of(|f| f.w_at_rest).0),
            iso_needed,
            light_lacking_stops: iso_needed.zip(request.iso).map(|(needed, most)| (needed / most).log2()),
            focus_steps: request.thickness.map(|t| steps(t, at.depth.total_um())),
            focus_steps_high: request.thickness.map(|t| steps(t, depth_low)),
            focus_step_um: at.depth.total_um() * STEP_SHARE,
            blur_parts: spot.parts,
        };
        row.foresee(request, &range, footprint);
        Ok(row)
    }

    /// Fills in the expected uncertainties: the part is focused upon, the animal's ends may lie half its thickness away.
    fn foresee(&mut self, request: &PlanRequest, range: &Range, footprint: Um) {
        let visible = |l: &Um| verdict(*l, self.blur_spot_um, footprint) != "not resolved";
        if let Some(length) = request.wanted.filter(visible) {
            let whole = request.animal.unwrap_or(length);
            self.wanted = Some(expected((length, whole), request, Ends::Feature, range, |f| f.spot));
        }
        if let Some(length) = request.animal {
            let blur = |f: &super::figures::Figures| f.away.unwrap_or(f.spot);
            self.animal = Some(expected((length, length), request, Ends::Silhouette, range, blur));
        }
    }
}

/// An aperture in words.
pub(super) fn words(note: ApertureNote) -> String {
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
    let then = Aperture::new(request.noted_alike(known.aperture), request.magnification, request.pupil)?;
    let light = (then.effective() / aperture.effective()).powi(2);
    Ok(Some(known.iso * known.shutter_s / (shutter * light)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_focus_series_covers_the_thickness() {
        let of = |t: f64, d: f64| steps(Um::new(t), Um::new(d));
        assert_eq!((of(10.0, 20.0), of(20.0, 20.0), of(21.0, 20.0), of(100.0, 20.0)), (1, 1, 2, 6));
    }
}
