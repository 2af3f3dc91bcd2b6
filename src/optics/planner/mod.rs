//! Before the shot: what each aperture resolves, and what it costs.

mod advice;
mod expect;
mod request;
mod row;

pub use advice::{Advice, Best, Remedy};
pub use expect::{Expected, ExpectedTerm};
pub use request::{Exposure, PlanRequest, PlannedLying, PlannedPlacement, USUAL_SCALE_U_REL, WHOLE_STOPS};
pub use row::PlanRow;

use serde::Serialize;

use super::{Aperture, OpticsError, PupilMagnification};
use crate::units::{PxPerUm, Um};

/// A plan: every aperture with what it gives, and advice.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[non_exhaustive]
pub struct Plan {
    /// Magnification on the sensor.
    pub magnification: f64,
    /// Pitch of the recorded pixels on the sensor.
    pub pixel_um: Um,
    /// Extent of a pixel on the animal.
    pub pixel_on_animal_um: Um,
    /// Scale that magnification and pixels promise.
    pub scale_px_per_um: PxPerUm,
    /// Mean wavelength of the light.
    pub wavelength_um: Um,
    /// Width of the field on the animal, where the picture's size is known.
    pub field_width_um: Option<Um>,
    /// Height of the field.
    pub field_height_um: Option<Um>,
    /// By how much a rolling shutter stretches or squeezes the moving animal along the read-out.
    pub rolling_stretch_um: Option<Um>,
    /// The part that matters.
    pub wanted_um: Option<Um>,
    /// The animal's length.
    pub animal_um: Option<Um>,
    /// The aperture that was asked for; the same as among `apertures`.
    pub asked: Option<PlanRow>,
    /// All apertures.
    pub apertures: Vec<PlanRow>,
    /// Advice for the part that matters.
    pub advice: Option<Advice>,
    /// The aperture with the least expected uncertainty for the animal's length from one picture, in words.
    pub best_for_animal: Option<String>,
    /// What should be known beside the figures.
    pub warnings: Vec<String>,
}

/// Makes a plan.
///
/// # Accuracy
/// Blur as [`super::System::blur`]: a lower bound, since real lenses have aberrations. Expected uncertainties follow the
/// measurement model for one straight length; what a measurement states in the end is computed from its own picture.
/// # Errors
/// [`OpticsError`] for inputs out of range.
pub fn plan(request: &PlanRequest) -> Result<Plan, OpticsError> {
    request.check()?;
    let note = request.reference.or_else(|| request.apertures.first().copied()).ok_or(OpticsError::NoAperture)?;
    let reference = Aperture::new(note, request.magnification, request.pupil)?;
    let rows: Vec<PlanRow> =
        (0..request.apertures.len()).map(|i| PlanRow::new(request, i, &reference)).collect::<Result<_, _>>()?;
    let advice = match request.wanted {
        Some(wanted) => Some(advice::advise(request, &rows, wanted)?),
        None => None,
    };
    let footprint = request.pixel_pitch / request.magnification;
    let animal_u = |r: &PlanRow| r.animal.as_ref().map_or(f64::INFINITY, |e| e.u_um.get());
    let best_for_animal = request
        .animal
        .and_then(|_| rows.iter().min_by(|a, b| animal_u(a).total_cmp(&animal_u(b))))
        .map(|r| r.aperture_text.clone());
    Ok(Plan {
        magnification: request.magnification,
        pixel_um: request.pixel_pitch,
        pixel_on_animal_um: footprint,
        scale_px_per_um: PxPerUm::new(1.0 / footprint.get()),
        wavelength_um: request.spectrum.mean(),
        field_width_um: request.picture_px.map(|p| footprint * f64::from(p.0)),
        field_height_um: request.picture_px.map(|p| footprint * f64::from(p.1)),
        rolling_stretch_um: rolling_stretch(request, footprint),
        wanted_um: request.wanted,
        animal_um: request.animal,
        warnings: warnings(request, &rows, footprint),
        advice,
        best_for_animal,
        asked: request.asked.and_then(|i| rows.get(i)).cloned(),
        apertures: rows,
    })
}

/// `v T · rows spanned / rows`, for the animal lying along the read-out.
fn rolling_stretch(request: &PlanRequest, footprint: Um) -> Option<Um> {
    let (speed, readout) = request.speed_um_per_s.zip(request.readout_s)?;
    let (animal, picture) = request.animal.zip(request.picture_px)?;
    let share = (animal / footprint / f64::from(picture.1.max(1))).min(1.0);
    Some(Um::new(speed * readout * share))
}

fn warnings(request: &PlanRequest, rows: &[PlanRow], footprint: Um) -> Vec<String> {
    let mut out = Vec::new();
    let unknown = request.pupil == PupilMagnification::Unknown && rows.iter().any(|r| r.aperture.is_some());
    if unknown {
        out.push(
            "the pupil magnification is not known: figures are for 1, the ranges for 2 to 0.28; say --pupil if you know it"
                .to_owned(),
        );
    }
    if let (Some(rate), Some(shutter)) = (request.frame_rate_hz, request.shutter_s)
        && shutter * rate > 1.0
    {
        out.push(format!(
            "a shutter of {shutter:.4} s is longer than a frame at {rate} frames/s; it can be at most {:.4} s",
            1.0 / rate
        ));
    }
    if let Some(animal) = request.animal
        && let Some((w, h)) = request.picture_px
        && animal.get() > footprint.get() * f64::from(w.max(h))
    {
        out.push(format!(
            "the animal of {:.0} µm is longer than the field of {:.0} µm; take less magnification",
            animal.get(),
            footprint.get() * f64::from(w.max(h))
        ));
    }
    if rows.iter().any(|r| r.sampling == "coarse") {
        out.push("where a blur spot is hardly wider than 2 pixels, fine texture turns into false patterns".to_owned());
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn request() -> PlanRequest {
        let mut r = PlanRequest::new(5.0, Um::new(3.72));
        r.pupil = PupilMagnification::Known(1.0);
        r
    }

    #[test]
    fn the_worked_example() {
        let mut r = request();
        r.wanted = Some(Um::new(12.0));
        r.asked = Some(3);
        let p = plan(&r).unwrap();
        let f8 = &p.apertures[3];
        assert_eq!(p.asked.as_ref(), Some(f8));
        assert_eq!((f8.aperture, f8.effective_aperture), (Some(8.0), 48.0));
        assert!((f8.airy_radius_um.get() - 6.44).abs() < 0.005);
        assert!((f8.px_per_airy_radius - 6.44 / 0.744).abs() < 0.01);
        assert!((f8.nyquist_cycles_per_um - 5.0 / 7.44).abs() < 1e-12);
        assert_eq!(f8.wanted_verdict, Some("marginal"));
        assert!((f8.exposure_stops - 2.0 * (16.8_f64 / 48.0).log2()).abs() < 1e-12);
        let Some(Advice::Best(best)) = &p.advice else { panic!("{:?}", p.advice) };
        assert_eq!((best.aperture_text.as_str(), best.deepest_text.as_str()), ("f/2.8", "f/5.6"));
    }

    #[test]
    fn what_no_aperture_resolves_gets_a_remedy_that_works() {
        let mut r = request();
        r.magnification = 1.0;
        r.wanted = Some(Um::new(12.0));
        let p = plan(&r).unwrap();
        let Some(Advice::NotAtThisMagnification(remedy)) = &p.advice else { panic!("{:?}", p.advice) };
        assert!(remedy.text.starts_with("not at this magnification: it spans only"), "{}", remedy.text);
        r.magnification = remedy.magnification.unwrap();
        let again = plan(&r).unwrap();
        assert!(matches!(again.advice, Some(Advice::Best(_))), "{:?}", again.advice);
        r.magnification /= 1.1;
        assert!(matches!(plan(&r).unwrap().advice, Some(Advice::NotAtThisMagnification(_))));
    }

    #[test]
    fn pixels_that_are_too_coarse_are_named() {
        let mut r = request();
        r.magnification = 2.0;
        r.pixel_pitch = Um::new(6.0);
        r.wanted = Some(Um::new(15.0));
        let p = plan(&r).unwrap();
        let Some(Advice::NotAtThisMagnification(remedy)) = &p.advice else { panic!("{:?}", p.advice) };
        assert!((remedy.pixel_um.unwrap().get() - 5.0).abs() < 1e-9);
        assert!(remedy.text.contains("spans only 5.0 px"), "{}", remedy.text);
    }

    #[test]
    fn movement_light_and_series() {
        let mut r = request();
        r.speed_um_per_s = Some(1000.0);
        r.thickness = Some(Um::new(300.0));
        r.exposure = Some(Exposure { aperture: 2.8, shutter_s: 0.02, iso: 100.0 });
        let p = plan(&r).unwrap();
        for row in &p.apertures {
            let shutter = row.longest_shutter_s.unwrap();
            assert!((shutter * 1000.0 * 3.0 - row.blur_spot_um.get()).abs() < 1e-9);
            // Light lost to the shutter and to the aperture is made good by ISO.
            let wanted = 100.0 * (0.02 / shutter) * (row.effective_aperture / 16.8).powi(2);
            assert!((row.iso_needed.unwrap() / wanted - 1.0).abs() < 1e-12);
        }
        let steps: Vec<u32> = p.apertures.iter().map(|r| r.focus_steps.unwrap()).collect();
        assert!(steps.is_sorted_by(|a, b| a >= b) && steps[0] > 1, "{steps:?}");
        r.frame_rate_hz = Some(2000.0);
        assert!(plan(&r).unwrap().apertures.iter().all(|row| row.longest_shutter_s == Some(1.0 / 2000.0)));
        r.frame_rate_hz = None;
        r.shutter_s = Some(0.02);
        let moved = plan(&r).unwrap();
        assert_eq!(moved.apertures[0].motion_um, Some(Um::new(20.0)));
        assert!(moved.apertures[0].blur_spot_um > p.apertures[0].blur_spot_um);
    }

    #[test]
    fn thickness_makes_depth_count_for_the_animal() {
        let mut r = request();
        r.animal = Some(Um::new(800.0));
        r.lying = PlannedLying::Within(crate::units::Angle::from_degrees(5.0));
        assert_eq!(plan(&r).unwrap().best_for_animal.as_deref(), Some("f/2.8"));
        r.thickness = Some(Um::new(300.0));
        assert_ne!(plan(&r).unwrap().best_for_animal.as_deref(), Some("f/2.8"));
    }

    #[test]
    fn nonsense_is_refused() {
        let mut r = request();
        r.wanted = Some(Um::new(-1.0));
        assert!(plan(&r).is_err());
        r = request();
        r.apertures.clear();
        assert_eq!(plan(&r), Err(OpticsError::NoAperture));
    }
}
