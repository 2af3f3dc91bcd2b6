//! What the scale of a setup is uncertain by, as inputs of one engine.
//!
//! All are relative corrections to lengths in micrometres. With `c` certificate, `f` fit, `t = 1 − cos θ` slide tilt, `α ΔT`
//! temperature, `r` reproducibility and `z` focus, a length read through the scale map is multiplied by
//!
//! ```text
//! (1 + c) (1 + f) (1 − t) (1 + α ΔT) (1 + r) (1 + z)
//! ```
//!
//! and what lies across the ruling also by `(1 + a)`, the square pixels. A tilted slide looks shortened, so that its scale reads
//! low and lengths read long, hence `1 − t`. A warm slide is longer than its nominal length, hence `+ α ΔT`.

use super::history::Pooled;
use super::{Assumed, Setup};
use crate::uncertainty::{Distribution, EvaluationType, Input, Inputs, Options, UncertaintyError, evaluate};
use crate::units::{Image, Point, Um};

/// Stable ids of the sources, as they stand in budgets, files and tables.
pub mod source {
    /// The slide's certificate or the lack of one.
    pub const CERTIFICATE: &str = "slide certificate";
    /// Localisation, ruling and choice of the map's model.
    pub const FIT: &str = "scale fit";
    /// Foreshortening of the slide.
    pub const TILT: &str = "slide tilt";
    /// Expansion of the slide.
    pub const TEMPERATURE: &str = "slide temperature";
    /// Setting the rig again.
    pub const REPRODUCIBILITY: &str = "reproducibility of the setup";
    /// Magnification at another distance within the depth of field.
    pub const FOCUS: &str = "focus";
    /// The direction across the ruling.
    pub const ACROSS: &str = "direction across the ruling";
}

/// Distance to the entrance pupil where nothing is known of the lens, mm: a short macro lens.
const UNKNOWN_PUPIL_DISTANCE_MM: f64 = 40.0;
/// Least width of the entrance pupil of a lens that photographs coarse rulers, mm: 50 mm at f/16.
const LEAST_PUPIL_MM: f64 = 3.0;
/// How far an assumed pupil distance may be off: the measurement model's ±30 %.
const PUPIL_DISTANCE_HALF_WIDTH_REL: f64 = 0.30;
/// Depth within which focus is not noticed where no aperture is known, from the blur spot: with `w = 1.3329 λ / (2 NA)` the wave
/// term `λ / NA²` is `w² / (0.4442 λ)`; λ = 0.55 µm.
const DEPTH_PER_BLUR2_UM: f64 = 1.0 / (0.4442 * 0.55);
/// Wavelength for depths, µm.
const WAVELENGTH: Um = Um::new(0.55);

/// Where the scale's inputs stand among all inputs, and how they act.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ScalePlaces {
    first: usize,
}

/// Number of inputs pushed; `ScalePlaces` counts on their order.
const COUNT: usize = 8;

impl ScalePlaces {
    /// Factor on every length, from the vector of all inputs.
    #[must_use]
    pub fn length_factor(&self, inputs: &[f64]) -> f64 {
        match inputs.get(self.first..self.first + COUNT) {
            Some(&[certificate, fit, tilt, expansion, kelvin, reproducibility, focus, _across]) => {
                (1.0 + certificate)
                    * (1.0 + fit)
                    * (1.0 - tilt)
                    * (1.0 + expansion * kelvin)
                    * (1.0 + reproducibility)
                    * (1.0 + focus)
            }
            _ => f64::NAN,
        }
    }

    /// Further factor on what lies across the ruling.
    #[must_use]
    pub fn across_factor(&self, inputs: &[f64]) -> f64 {
        inputs.get(self.first + COUNT - 1).map_or(f64::NAN, |a| 1.0 + a)
    }
}

impl Setup {
    /// Adds the scale's inputs for measuring at `place`, through the pooled scale of all readings.
    ///
    /// # Errors
    /// [`UncertaintyError`] when a value of the setup cannot be an input.
    pub fn push_scale_inputs(&self, inputs: &mut Inputs, place: Point<Image>) -> Result<ScalePlaces, UncertaintyError> {
        let (pooled, last) = (self.pooled_readings(), self.last_counted());
        let first = inputs.len();
        inputs.push(self.certificate_input()?);
        let fit = last.map_or(0.0, |r| r.map.u_rel_fit_at(place));
        let dof = last.map_or(f64::INFINITY, |r| r.dof_fit);
        let by_hand = last.is_some_and(|r| r.by_hand);
        let label =
            if by_hand { "marks set by hand on a ruler, lens and tilt unknown" } else { "fit of the graduations" };
        let evaluation = if by_hand { EvaluationType::B } else { EvaluationType::A };
        inputs.push(Input::normal(source::FIT, label, 0.0, fit)?.with_dof(dof)?.with_evaluation(evaluation));
        push_shared_conditions(inputs, self)?;
        inputs.push(reproducibility_input(&pooled)?);
        inputs.push(self.focus_input()?);
        inputs.push(self.across_input()?);
        Ok(ScalePlaces { first })
    }

    fn certificate_input(&self) -> Result<Input, UncertaintyError> {
        match self.certificate_expanded_rel() {
            Some(expanded) => {
                Input::normal(source::CERTIFICATE, "certificate of the ruled slide, k = 2", 0.0, 0.5 * expanded)
            }
            None => {
                let half = self.slide.uncertified_half_width_rel;
                let label = format!("ruled slide without certificate, ±{} %", percent(half));
                Input::rectangular(source::CERTIFICATE, &label, 0.0, half)
            }
        }
    }

    /// The slide and the animal are each in focus only within the depth of field: triangular, from two rectangular distances.
    fn focus_input(&self) -> Result<Input, UncertaintyError> {
        let label = "magnification within the depth of field";
        if self.assumed.telecentric {
            return Input::fixed(source::FOCUS, "magnification within the depth of field: telecentric", 0.0);
        }
        let depth = self.unnoticed_depth();
        let half_width = depth.mm() / self.least_pupil_distance_mm();
        Input::new(source::FOCUS, label, 0.0, Distribution::Triangular { half_width })
    }

    /// Depth, front to back, within which focus is judged the same: the wave term of the depth of field, for a pupil magnification
    /// of 1 where it is unknown.
    fn unnoticed_depth(&self) -> Um {
        let known = self.optics.aperture().ok().flatten().map(|a| {
            let na = a.numerical_aperture();
            WAVELENGTH * (1.0 / (na * na))
        });
        let by_blur = || self.readings.iter().filter_map(|r| r.blur_spot_um).reduce(f64::max);
        known.unwrap_or_else(|| Um::new(by_blur().map_or(100.0, |w| w * w * DEPTH_PER_BLUR2_UM)))
    }

    fn least_pupil_distance_mm(&self) -> f64 {
        if let Some(known) = self.assumed.entrance_pupil_distance_mm {
            return known;
        }
        let by_lens = match (self.optics.focal_length_mm, self.optics.magnification) {
            (Some(f), Some(m)) if f > 0.0 && m > 0.0 => f * (1.0 + 1.0 / m),
            _ => UNKNOWN_PUPIL_DISTANCE_MM.max(self.distance_by_pupil_mm()),
        };
        by_lens * (1.0 - PUPIL_DISTANCE_HALF_WIDTH_REL)
    }

    /// Where the depth is taken from the blur spot, the distance must go with it: light of the aperture `NA = 1.3329 λ / (2 w)`
    /// comes from a pupil at least 3 mm wide, so that the lens is at least `3 mm / (2 NA)` away. Coarse rulers at low magnification are
    /// photographed from afar.
    fn distance_by_pupil_mm(&self) -> f64 {
        if self.optics.aperture().ok().flatten().is_some() {
            return 0.0;
        }
        let blur = self.blur_on_slide().map_or(0.0, Um::get);
        LEAST_PUPIL_MM * blur / (1.3329 * WAVELENGTH.get())
    }

    fn across_input(&self) -> Result<Input, UncertaintyError> {
        match self.last_counted().and_then(|r| r.map.u_rel_across) {
            Some(u) => Input::normal(source::ACROSS, "scale across the ruling, measured", 0.0, u),
            None => {
                let half = self.assumed.square_pixels_half_width_rel;
                let label = format!("square pixels, ±{} %: one direction is calibrated", percent(half));
                Input::rectangular(source::ACROSS, &label, 0.0, half)
            }
        }
    }

    /// Relative standard uncertainty of the pooled scale along the ruling at `place`, with everything, and its parts by source.
    ///
    /// The reported scale is not corrected for the slide's tilt, which can only make it read low: here the tilt counts with its
    /// root mean square about zero.
    ///
    /// # Errors
    /// [`UncertaintyError`] when a value of the setup cannot be an input.
    pub fn scale_uncertainty(&self, place: Point<Image>) -> Result<ScaleUncertainty, UncertaintyError> {
        let mut inputs = Inputs::new();
        let places = self.push_scale_inputs(&mut inputs, place)?;
        let model = |x: &[f64], y: &mut [f64]| y[0] = places.length_factor(x);
        let evaluation = evaluate(&inputs, &["scale"], model, &Options::first_order())?;
        let mut parts: Vec<(String, f64)> = Vec::new();
        let mut u_rel = 0.0;
        for output in &evaluation.outputs {
            for line in output.budget.iter().filter(|l| l.source != source::ACROSS) {
                let bias = if line.source == source::TILT { 1.0 - output.value } else { 0.0 };
                let u = (line.u / output.value).hypot(bias);
                parts.push((line.source.clone(), u));
                u_rel = f64::hypot(u_rel, u);
            }
        }
        parts.sort_by(|a, b| b.1.total_cmp(&a.1));
        Ok(ScaleUncertainty { u_rel, parts })
    }
}

/// Relative standard uncertainty of a scale and its parts.
#[derive(Clone, Debug, PartialEq)]
pub struct ScaleUncertainty {
    /// Everything together.
    pub u_rel: f64,
    /// By source, the largest first.
    pub parts: Vec<(String, f64)>,
}

/// Tilt and temperature of the slide, which are drawn anew for every reading.
fn push_shared_conditions(inputs: &mut Inputs, setup: &Setup) -> Result<(), UncertaintyError> {
    let Assumed { slide_tilt_within_deg: tilt, slide_temperature_departure_k: kelvin, .. } = setup.assumed;
    let label = format!("slide level within {tilt}° by assumption");
    inputs.push(Input::one_minus_cos_within(source::TILT, &label, tilt.to_radians())?);
    let (expansion, rel) = (setup.slide.expansion_per_k, setup.slide.expansion_half_width_rel);
    inputs.push(Input::rectangular(source::TEMPERATURE, "expansion of the slide", expansion, expansion * rel)?);
    let label = format!("slide at 20 °C ± {kelvin} K by assumption");
    inputs.push(Input::rectangular(source::TEMPERATURE, &label, 0.0, kelvin)?);
    Ok(())
}

fn reproducibility_input(pooled: &Pooled) -> Result<Input, UncertaintyError> {
    let r = &pooled.reproducibility;
    let id = source::REPRODUCIBILITY;
    match r.dof {
        Some(dof) => Input::type_a(id, &r.label, 0.0, r.u_rel, dof),
        None if r.u_rel > 0.0 => Input::normal(id, &r.label, 0.0, r.u_rel),
        None => Input::fixed(id, &r.label, 0.0),
    }
}

/// A relative half-width as a per cent figure without needless digits.
fn percent(rel: f64) -> String {
    crate::uncertainty::significant(100.0 * rel, 2).trim_end_matches('0').trim_end_matches('.').to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::setup::testing::setup_of;

    fn u_of(setup: &Setup, id: &str) -> f64 {
        let s = setup.scale_uncertainty(Point::new(600.0, 450.0)).unwrap();
        s.parts.iter().find(|p| p.0 == id).map(|p| p.1).unwrap()
    }

    #[test]
    fn each_source_has_its_closed_form() {
        let mut setup = setup_of(&[1.0]);
        // Rectangular: half-width over √3 (GUM 4.3.7).
        assert!((u_of(&setup, source::CERTIFICATE) - 0.002 / 3f64.sqrt()).abs() < 1e-8);
        assert!((u_of(&setup, source::FIT) - 1e-4).abs() < 1e-8);
        assert!((u_of(&setup, source::REPRODUCIBILITY) - 0.003).abs() < 1e-8);
        // 1 − cos θ about θ²/2: root mean square over θ uniform within 2°: θ²/(2 √5).
        let theta = 2f64.to_radians();
        assert!((u_of(&setup, source::TILT) / (theta * theta / (2.0 * 5f64.sqrt())) - 1.0).abs() < 2e-3);
        // REFERENCE.md 7.1: 1 mm of soda-lime glass 5 K off is 43 nm.
        assert!((u_of(&setup, source::TEMPERATURE) - 43e-6 / 3f64.sqrt()).abs() < 1e-8);
        // Certificate U = 0.5 µm over 1 mm, k = 2.
        setup.slide.certificate_expanded_um = Some(0.5);
        setup.slide.certificate_over_um = Some(1000.0);
        assert!((u_of(&setup, source::CERTIFICATE) - 2.5e-4).abs() < 1e-9);
        // 4x f/4: NA 0.1, wave depth 55 µm; 40 mm − 30 % = 28 mm to the pupil; triangular.
        setup.optics.magnification = Some(4.0);
        setup.optics.numerical_aperture = Some(0.1);
        assert!((u_of(&setup, source::FOCUS) - 0.055 / 28.0 / 6f64.sqrt()).abs() < 1e-8);
        setup.assumed.telecentric = true;
        assert_eq!(u_of(&setup, source::FOCUS), 0.0);
    }

    #[test]
    fn a_coarse_ruler_of_which_only_the_blur_is_known_is_far_away() {
        let mut setup = setup_of(&[0.1]);
        setup.readings[0].blur_spot_um = Some(30.0);
        // Depth 30² / (0.4442 · 0.55) µm = 3.68 mm, seen from 3 mm · 30 / (1.3329 · 0.55) = 123 mm, less 30 %; triangular.
        let want = 3.684 / (0.7 * 122.77) / 6f64.sqrt();
        assert!((u_of(&setup, source::FOCUS) / want - 1.0).abs() < 1e-3, "{}", u_of(&setup, source::FOCUS));
    }

    #[test]
    fn everything_adds_up_and_the_other_direction_stays_out() {
        let mut setup = setup_of(&[1.0]);
        let s = setup.scale_uncertainty(Point::new(600.0, 450.0)).unwrap();
        let sum: f64 = s.parts.iter().map(|p| p.1 * p.1).sum();
        assert!((s.u_rel * s.u_rel / sum - 1.0).abs() < 1e-9);
        assert!(s.parts.windows(2).all(|p| p[0].1 >= p[1].1));
        setup.assumed.square_pixels_half_width_rel = 0.4;
        assert_eq!(setup.scale_uncertainty(Point::new(600.0, 450.0)).unwrap(), s);
    }

    #[test]
    fn lengths_change_the_right_way() {
        let setup = setup_of(&[1.0]);
        let mut inputs = Inputs::new();
        inputs.push(Input::fixed("before", "something before", 7.0).unwrap());
        let places = setup.push_scale_inputs(&mut inputs, Point::new(600.0, 450.0)).unwrap();
        let mut x = inputs.estimates();
        let base = places.length_factor(&x);
        // The mean tilt only: 2°, 1 − sinc.
        assert!((base - 1.0 + 2.03e-4).abs() < 1e-6, "{base}");
        let kelvin = inputs.items().iter().position(|i| i.label().contains("20 °C")).unwrap();
        x[kelvin] = 10.0;
        assert!((places.length_factor(&x) / base - 1.0 - 8.6e-5).abs() < 1e-9, "a warm slide is longer than it says");
        let across = inputs.items().iter().position(|i| i.source() == source::ACROSS).unwrap();
        x[across] = 0.01;
        assert!((places.across_factor(&x) - 1.01).abs() < 1e-12);
        assert!(places.length_factor(&[0.0]).is_nan());
    }
}
