//! What a setup's optics resolve, from its notes and its readings.

use super::Setup;
use crate::optics::{BlurSpot, OpticsError, System, depth};
use crate::units::Um;

/// Blur on the sensor that still counts as sharp, in recorded pixels: the geometric term of the depth of field.
const ACCEPTED_BLUR_PX: f64 = 2.0;

impl Setup {
    /// The system in focus and at rest; `None` where magnification or aperture were not noted.
    ///
    /// A pixel pitch that was not noted follows from the magnification and the scale.
    ///
    /// # Errors
    /// [`OpticsError`] for notes that make no sense.
    pub fn system(&self) -> Result<Option<System>, OpticsError> {
        let mut notes = self.optics.clone();
        if notes.pixel_pitch_um.is_none() {
            notes.pixel_pitch_um = notes.magnification.map(|m| m / self.pooled_readings().scale.get());
        }
        notes.system()
    }

    /// The blur spot that the settings promise, a lower bound; `None` where they were not noted. An unknown pupil magnification
    /// is taken as 1.
    ///
    /// # Errors
    /// [`OpticsError`] for notes that make no sense.
    pub fn predicted_blur(&self) -> Result<Option<BlurSpot>, OpticsError> {
        self.system()?.map(|system| system.blur()).transpose()
    }

    /// Total depth of field on the specimen, accepting a blur of two recorded pixels; `None` where the settings were not noted.
    ///
    /// # Errors
    /// [`OpticsError`] for notes that make no sense.
    pub fn depth_of_field(&self, refractive_index: f64) -> Result<Option<Um>, OpticsError> {
        let Some(system) = self.system()? else { return Ok(None) };
        let accepted = system.pixel_pitch() * ACCEPTED_BLUR_PX;
        let d = depth::depth_of_field(system.aperture(), Um::new(0.55), accepted, refractive_index)?;
        Ok(Some(d.total_um()))
    }

    /// The largest blur spot measured on the slide in any reading.
    #[must_use]
    pub fn blur_on_slide(&self) -> Option<Um> {
        self.readings.iter().filter_map(|r| r.blur_spot_um).reduce(f64::max).map(Um::new)
    }
}

#[cfg(test)]
mod tests {
    use crate::setup::testing::setup_of;

    #[test]
    fn the_worked_example_at_five_times() {
        // f/8 at 5x is f/48: 1.3329 λ N_eff / m is 7.04 µm, with 3.72 µm pixels a little more; wave depth 203 µm.
        let mut setup = setup_of(&[5.0 / 3.72]);
        assert_eq!((setup.predicted_blur().unwrap(), setup.depth_of_field(1.0).unwrap()), (None, None));
        setup.optics.magnification = Some(5.0);
        setup.optics.aperture_marked = Some(8.0);
        let w = setup.predicted_blur().unwrap().unwrap().w_um.get();
        assert!((7.04..7.15).contains(&w), "{w}");
        let depth = setup.depth_of_field(1.0).unwrap().unwrap().get();
        let (wave, geometric) = (0.55 * 4.0 * 48.0 * 48.0 / 25.0, 2.0 * 7.44 * 48.0 / 25.0);
        assert!((depth - wave - geometric).abs() < 0.01, "{depth}");
    }
}
