//! Before the shot: what each aperture resolves, and what it costs.

mod advice;
mod expect;
mod figures;
mod remedy;
mod request;
mod row;
mod verdict;

pub use advice::{Advice, Best, DependsOnPupil};
pub use expect::{Expected, ExpectedTerm};
pub use remedy::Remedy;
pub use request::{Exposure, LensKind, PlanRequest, PlannedLying, PlannedPlacement, USUAL_SCALE_U_REL, WHOLE_STOPS};
pub use row::PlanRow;

use rayon::prelude::*;
use serde::Serialize;

use super::{Aperture, OpticsError, PupilMagnification};
use crate::units::{Px, PxPerUm, Um};

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
    /// The kind of lens.
    pub lens: LensKind,
    /// Pupil magnification as mounted; nothing where it is not known or does not matter.
    pub pupil_magnification: Option<f64>,
    /// Refractive index around the animal.
    pub refractive_index: f64,
    /// Blur accepted as sharp in the depth of field, recorded pixels.
    pub accepted_blur_px: Px,
    /// The same on the sensor.
    pub accepted_blur_on_sensor_um: Um,
    /// Relative standard uncertainty of the scale that expected uncertainties count with.
    pub u_scale_rel: f64,
    /// The aperture against which exposures are compared, in words.
    pub reference_text: String,
    /// Mean wavelength of the light.
    pub wavelength_um: Um,
    /// Columns and rows of the recorded picture, where they are known.
    pub picture_px: Option<(u32, u32)>,
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
    let rows: Vec<PlanRow> = (0..request.apertures.len())
        .into_par_iter()
        .map(|i| PlanRow::new(request, i, &reference))
        .collect::<Result<_, _>>()?;
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
        lens: request.lens,
        pupil_magnification: match request.pupil {
            PupilMagnification::Known(p) => Some(p),
            PupilMagnification::Unknown => None,
        },
        refractive_index: request.refractive_index,
        accepted_blur_px: Px::new(request.accepted_blur_px),
        accepted_blur_on_sensor_um: request.pixel_pitch * request.accepted_blur_px,
        u_scale_rel: request.scale_u_rel,
        reference_text: row::words(note),
        wavelength_um: request.spectrum.mean(),
        picture_px: request.picture_px,
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
    if request.pupil == PupilMagnification::Unknown && rows.iter().any(|r| r.aperture.is_some()) {
        out.push(
            "the pupil magnification P of the lens is not known: figures are for P = 1, ranges reach from P = 2 to P = 0.28, verdicts are for the worst of these, and the doubt counts in the expected uncertainty; --pupil settles it (how large the aperture looks from behind over how large it looks from the front)"
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
    let coarse: Vec<&str> = rows.iter().filter(|r| r.sampling == "coarse").map(|r| r.aperture_text.as_str()).collect();
    if !coarse.is_empty() {
        out.push(format!(
            "at {} an Airy radius has fewer than 2 pixels: texture finer than two pixels can turn into false patterns",
            coarse.join(", ")
        ));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::optics::ApertureNote;

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
        assert!(
            remedy.text.starts_with("not at this magnification: it would be 3.2 px long, 6 are needed"),
            "{}",
            remedy.text
        );
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
        assert!(remedy.text.contains("it would be 5.0 px long, 6 are needed"), "{}", remedy.text);
        r.pixel_pitch = remedy.pixel_um.unwrap();
        assert!(matches!(plan(&r).unwrap().advice, Some(Advice::Best(_))));
        // Pixels alone do not help where the blur is too large, nor where they would have to be finer than any.
        for (pupil, wanted) in [(PupilMagnification::Unknown, 12.0), (PupilMagnification::Known(1.0), 1.0)] {
            let r = PlanRequest { pupil, wanted: Some(Um::new(wanted)), pixel_pitch: Um::new(8.0), ..r.clone() };
            let advice = plan(&r).unwrap().advice;
            let Some(Advice::NotAtThisMagnification(remedy)) = &advice else { panic!("{advice:?}") };
            if let Some(pixel) = remedy.pixel_um {
                let advice = plan(&PlanRequest { pixel_pitch: pixel, ..r }).unwrap().advice;
                let for_one = matches!(&advice, Some(Advice::DependsOnPupil(d)) if d.pupil_at_least <= 1.0);
                assert!(matches!(advice, Some(Advice::Best(_))) || for_one, "{}", remedy.text);
            } else {
                assert!(!remedy.text.contains("recorded pixels"), "{}", remedy.text);
            }
        }
    }

    #[test]
    fn movement_that_spoils_the_part_is_named() {
        let mut r = request();
        r.wanted = Some(Um::new(12.0));
        (r.speed_um_per_s, r.shutter_s) = (Some(2000.0), Some(0.01));
        let p = plan(&r).unwrap();
        let Some(Advice::NotAtThisMagnification(remedy)) = &p.advice else { panic!("{:?}", p.advice) };
        assert!(remedy.text.contains("What would do it: a shutter of 1/"), "{}", remedy.text);
        r.shutter_s = p.apertures[0].longest_shutter_s;
        assert!(matches!(plan(&r).unwrap().advice, Some(Advice::Best(_))));
        // Where the aperture is too narrow as well, both are needed.
        (r.shutter_s, r.apertures) = (Some(0.01), vec![ApertureNote::Marked(8.0)]);
        let p = plan(&r).unwrap();
        let Some(Advice::NotAtThisMagnification(remedy)) = &p.advice else { panic!("{:?}", p.advice) };
        assert!(remedy.text.contains("; and besides a shutter of 1/"), "{}", remedy.text);
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
    fn an_unknown_pupil_gives_ranges_and_the_worst_verdict() {
        let mut r = request();
        r.wanted = Some(Um::new(12.0));
        r.animal = Some(Um::new(800.0));
        r.thickness = Some(Um::new(100.0));
        let at = |pupil: f64| {
            let r = PlanRequest { pupil: PupilMagnification::Known(pupil), ..r.clone() };
            plan(&r).unwrap().apertures
        };
        let (best, worst) = (at(2.0), at(0.28));
        let unknown = plan(&PlanRequest { pupil: PupilMagnification::Unknown, ..r.clone() }).unwrap();
        for ((row, best), worst) in unknown.apertures.iter().zip(&best).zip(&worst) {
            assert!((row.blur_spot_low_um / best.blur_spot_um - 1.0).abs() < 1e-9);
            assert!((row.blur_spot_high_um / worst.blur_spot_um - 1.0).abs() < 1e-9);
            assert!((row.depth_low_um / best.depth_um - 1.0).abs() < 1e-9);
            assert!((row.depth_high_um / worst.depth_um - 1.0).abs() < 1e-9);
            assert_eq!(row.wanted_verdict, worst.wanted_verdict);
            assert_eq!(row.wanted_verdict_at_best, best.wanted_verdict);
            assert!(row.focus_steps_high >= row.focus_steps);
            let e = row.animal.as_ref().unwrap();
            assert!(e.u_low_um < e.u_um && e.u_um < e.u_high_um);
            if let Some(p) = row.wanted_resolved_from_pupil {
                let verdict = |p: f64| at(p).iter().find(|a| a.aperture == row.aperture).unwrap().wanted_verdict;
                assert_eq!((verdict(1.01 * p), verdict(0.99 * p)), (Some("resolved"), Some("marginal")), "{p}");
            } else {
                assert_eq!(row.wanted_verdict == Some("resolved"), row.wanted_verdict_at_best == Some("resolved"));
            }
        }
        let Some(Advice::DependsOnPupil(d)) = &unknown.advice else { panic!("{:?}", unknown.advice) };
        assert_eq!(d.aperture_text, "f/2.8");
        assert!(d.text.contains("pupil magnification of at least 0.38"), "{}", d.text);
        assert!(unknown.warnings[0].contains("--pupil"), "{}", unknown.warnings[0]);
        // A part large enough is resolved whatever the pupil, and gets an aperture.
        r.wanted = Some(Um::new(40.0));
        let sure = plan(&PlanRequest { pupil: PupilMagnification::Unknown, ..r.clone() }).unwrap();
        assert!(matches!(sure.advice, Some(Advice::Best(_))), "{:?}", sure.advice);
    }

    #[test]
    fn lenses_have_the_apertures_of_their_kind() {
        let mut r = request();
        r.lens = LensKind::Objective;
        let e = plan(&r).unwrap_err().to_string();
        assert!(e.starts_with("a microscope objective has no marked aperture"), "{e}");
        r.apertures = vec![ApertureNote::NumericalAperture(0.1), ApertureNote::NumericalAperture(0.25)];
        r.wanted = Some(Um::new(1.0));
        let p = plan(&r).unwrap();
        let Some(Advice::NotAtThisMagnification(remedy)) = &p.advice else { panic!("{:?}", p.advice) };
        assert!(remedy.text.contains("objective") && !remedy.text.contains("f/"), "{}", remedy.text);
        r.apertures = vec![ApertureNote::NumericalAperture(1.2)];
        let e = plan(&r).unwrap_err().to_string();
        assert!(
            e.starts_with("NA 1.2 has a numerical aperture of 1.200, which is not below the refractive index 1 "),
            "{e}"
        );
        r.refractive_index = 1.333;
        assert!(plan(&r).is_ok());
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
