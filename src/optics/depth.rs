//! Depth of field on the specimen.

use serde::{Deserialize, Serialize};

use super::error::not_negative;
use super::{Aperture, OpticsError};
use crate::units::Um;

/// Depth of field, total from front to back, by its two terms.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct DepthOfField {
    /// Wave term `n λ / NA²`: from a quarter wave in front of focus to a quarter wave behind it.
    pub wave_um: Um,
    /// Geometric term `2 n c N_eff / m²`: where the defocus disc reaches the accepted blur `c` on the sensor.
    pub geometric_um: Um,
}

impl DepthOfField {
    /// Both terms together, as in microscopy.
    #[must_use]
    pub fn total_um(&self) -> Um {
        self.wave_um + self.geometric_um
    }
}

/// Depth of field for light of `wavelength`, accepting a blur of `accepted_on_sensor` (two recorded pixels where
/// nobody says otherwise), in a medium of `refractive_index`.
///
/// In water the result is the true depth; what the rail must travel to cross it is `1/n` of that.
///
/// # Errors
/// [`OpticsError::OutOfRange`] when an input is negative or not finite.
/// # Source
/// Total depth of a microscope, wave and geometric term: microscopyu.com, "Depth of field and depth of focus"; the
/// geometric term is the close-up form `2 c N (1 + m/P) / m²` of Conrad, Depth of Field in Depth.
pub fn depth_of_field(
    aperture: &Aperture,
    wavelength: Um,
    accepted_on_sensor: Um,
    refractive_index: f64,
) -> Result<DepthOfField, OpticsError> {
    not_negative("the wavelength", wavelength.get(), " µm")?;
    not_negative("the accepted blur", accepted_on_sensor.get(), " µm")?;
    not_negative("the refractive index", refractive_index, "")?;
    let (na, m) = (aperture.numerical_aperture(), aperture.magnification());
    Ok(DepthOfField {
        wave_um: wavelength * (refractive_index / (na * na)),
        geometric_um: accepted_on_sensor * (refractive_index / (m * na)),
    })
}

/// Diameter on the specimen of the geometric defocus disc of a point at `distance` from focus, `z m / (n N_eff)`.
#[must_use]
pub fn defocus_disc(aperture: &Aperture, distance: Um, refractive_index: f64) -> Um {
    distance * (2.0 * aperture.numerical_aperture() / refractive_index)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::optics::{ApertureNote, PupilMagnification};

    #[test]
    fn the_reference_example_at_five_times() {
        // blur_object_side table: 5x f/2.8, 0.55 µm: wave depth 24.84 µm.
        let a = Aperture::new(ApertureNote::Marked(2.8), 5.0, PupilMagnification::Known(1.0)).unwrap();
        let d = depth_of_field(&a, Um::new(0.55), Um::new(18.0), 1.0).unwrap();
        assert!((d.wave_um.get() - 24.84).abs() < 0.005);
        // Published in a forum for c = 0.018 mm: 0.0242 mm.
        assert!((d.geometric_um.mm() - 0.024_192).abs() < 1e-6);
        assert!((d.total_um() - d.wave_um - d.geometric_um).get().abs() < 1e-12);
    }

    #[test]
    fn the_wave_term_is_a_quarter_wave_each_way() {
        // z NA² / (2 λ) = 1/4 at half the wave term.
        let a = Aperture::new(ApertureNote::NumericalAperture(0.1), 4.0, PupilMagnification::Unknown).unwrap();
        let d = depth_of_field(&a, Um::new(0.55), Um::new(0.0), 1.0).unwrap();
        let z = 0.5 * d.wave_um.get();
        assert!((z * 0.01 / (2.0 * 0.55) - 0.25).abs() < 1e-12);
        assert!((defocus_disc(&a, Um::new(z), 1.0).get() - 0.2 * z).abs() < 1e-12);
    }

    #[test]
    fn nonsense_is_refused() {
        let a = Aperture::new(ApertureNote::Effective(48.0), 5.0, PupilMagnification::Unknown).unwrap();
        assert!(depth_of_field(&a, Um::new(0.55), Um::new(f64::INFINITY), 1.0).is_err());
    }
}
