//! What a noted aperture means at a magnification.

use serde::{Deserialize, Serialize};

use super::OpticsError;
use super::error::positive;
use crate::units::Um;

/// First zero of J₁ over π: the Airy radius in units of λ·N_eff (Born and Wolf, Principles of Optics, 8.5.2).
pub(crate) const AIRY_ZERO: f64 = 1.219_669_891_266_504_5;

/// Smallest pupil magnification met in practice among macro lenses; bounds an unknown one.
const UNKNOWN_PUPIL_LOW: f64 = 0.28;
/// Largest pupil magnification allowed for when it is unknown.
const UNKNOWN_PUPIL_HIGH: f64 = 2.0;

/// The aperture as it was noted, which is one of three different things.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ApertureNote {
    /// The value engraved on the ring or set at infinity.
    Marked(f64),
    /// The value with the magnification already in it, as some bodies show.
    Effective(f64),
    /// Numerical aperture on the specimen's side, as engraved on an objective.
    NumericalAperture(f64),
}

/// Pupil magnification of the lens, exit over entrance pupil, as mounted.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PupilMagnification {
    /// Known, 1 for a symmetric lens.
    Known(f64),
    /// Not known: anywhere from 0.28 to 2.
    Unknown,
}

/// A lens at work: magnification and effective aperture, the latter perhaps only as a range.
///
/// `N_eff = N (1 + m/P)`; `NA = m / (2 N_eff)` on the specimen's side.
///
/// # Source
/// Effective aperture with pupil magnification: the bellows factor of any photographic textbook; for P = 1 the
/// rule of practice, f/8 at 5x is f/48.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Aperture {
    magnification: f64,
    effective: f64,
    effective_low: f64,
    effective_high: f64,
}

impl Aperture {
    /// From what was noted.
    ///
    /// An unknown pupil magnification gives the value for P = 1 with the range for P = 2 to 0.28; it matters only
    /// for a marked aperture.
    ///
    /// # Errors
    /// [`OpticsError::OutOfRange`] for anything not finite and positive, an f-number above 1000, a magnification
    /// above 1000, a numerical aperture above 1.6 or a pupil magnification above 20.
    pub fn new(note: ApertureNote, magnification: f64, pupil: PupilMagnification) -> Result<Self, OpticsError> {
        let m = positive("the magnification", magnification, "", 1000.0, "above 0 and at most 1000")?;
        let f_number = |n| positive("the aperture", n, "", 1000.0, "an f-number above 0 and at most 1000");
        let (effective, effective_low, effective_high) = match note {
            ApertureNote::Marked(n) => {
                let n = f_number(n)?;
                let at = |p: f64| n * (1.0 + m / p);
                match pupil {
                    PupilMagnification::Known(p) => {
                        let p = positive("the pupil magnification", p, "", 20.0, "above 0 and at most 20")?;
                        (at(p), at(p), at(p))
                    }
                    PupilMagnification::Unknown => (at(1.0), at(UNKNOWN_PUPIL_HIGH), at(UNKNOWN_PUPIL_LOW)),
                }
            }
            ApertureNote::Effective(n) => {
                let n = f_number(n)?;
                (n, n, n)
            }
            ApertureNote::NumericalAperture(na) => {
                let na = positive("the numerical aperture", na, "", 1.6, "above 0 and at most 1.6")?;
                let n = m / (2.0 * na);
                (n, n, n)
            }
        };
        Ok(Self { magnification: m, effective, effective_low, effective_high })
    }

    /// Magnification on the sensor.
    #[must_use]
    pub const fn magnification(&self) -> f64 {
        self.magnification
    }

    /// Effective f-number; with an unknown pupil the one for P = 1.
    #[must_use]
    pub const fn effective(&self) -> f64 {
        self.effective
    }

    /// Least and greatest effective f-number that the notes allow; both the same where it is known.
    #[must_use]
    pub const fn effective_range(&self) -> (f64, f64) {
        (self.effective_low, self.effective_high)
    }

    /// True when the effective aperture is known and not only bounded. Only then may measured blur be judged
    /// against predicted blur.
    #[must_use]
    pub fn is_known(&self) -> bool {
        (self.effective_high - self.effective_low).abs() <= 1e-12 * self.effective
    }

    /// The two ends of the range as apertures of their own, the wider opening (least blur) first.
    #[must_use]
    pub fn ends(&self) -> (Self, Self) {
        let at = |n| Self { magnification: self.magnification, effective: n, effective_low: n, effective_high: n };
        (at(self.effective_low), at(self.effective_high))
    }

    /// The same as if the effective aperture in the middle of the range (that for P = 1) were known.
    #[must_use]
    pub const fn nominal(&self) -> Self {
        let (magnification, n) = (self.magnification, self.effective);
        Self { magnification, effective: n, effective_low: n, effective_high: n }
    }

    /// Numerical aperture on the specimen's side, paraxial.
    #[must_use]
    pub fn numerical_aperture(&self) -> f64 {
        self.magnification / (2.0 * self.effective)
    }

    /// `λ N_eff / m`, the unit in which diffraction is measured on the specimen; the optical cut-off is its inverse.
    #[must_use]
    pub fn diffraction_length(&self, wavelength: Um) -> Um {
        wavelength * (self.effective / self.magnification)
    }

    /// Airy radius on the specimen, `1.21967 λ N_eff / m`.
    #[must_use]
    pub fn airy_radius(&self, wavelength: Um) -> Um {
        self.diffraction_length(wavelength) * AIRY_ZERO
    }

    /// Optical cut-off on the specimen, cycles per µm: no contrast beyond.
    #[must_use]
    pub fn cutoff_per_um(&self, wavelength: Um) -> f64 {
        1.0 / self.diffraction_length(wavelength).get()
    }

    /// Change of exposure against `reference`, in stops; negative is darker.
    #[must_use]
    pub fn stops_against(&self, reference: &Self) -> f64 {
        2.0 * (reference.effective / self.effective).log2()
    }
}

/// Nyquist frequency of pixels of `pitch` on the sensor, cycles per µm on the specimen.
#[must_use]
pub fn nyquist_per_um(pitch: Um, magnification: f64) -> f64 {
    magnification / (2.0 * pitch.get())
}

#[cfg(test)]
mod tests {
    use super::*;

    const GREEN: Um = Um::new(0.55);

    #[test]
    fn f8_at_five_times_is_f48() {
        // Common practice; Airy radius 6.4 µm follows from 1.21967 * 0.55 * 48 / 5.
        let a = Aperture::new(ApertureNote::Marked(8.0), 5.0, PupilMagnification::Known(1.0)).unwrap();
        assert_eq!(a.effective(), 48.0);
        assert!((a.airy_radius(GREEN).get() - 6.4399).abs() < 1e-4);
        assert!((a.numerical_aperture() - 0.052_083_3).abs() < 1e-6);
        assert!(a.is_known());
    }

    #[test]
    fn pupil_magnification_as_tabulated() {
        // Reference table for N 2.8 at 5x: computed from the bellows factor with pupils.
        for (p, wanted) in [(1.0, 16.8), (0.5, 30.8), (0.8, 20.3), (1.25, 14.0), (1.4, 12.8), (2.0, 9.8)] {
            let a = Aperture::new(ApertureNote::Marked(2.8), 5.0, PupilMagnification::Known(p)).unwrap();
            assert!((a.effective() - wanted).abs() < 1e-9, "P {p}: {}", a.effective());
        }
    }

    #[test]
    fn unknown_pupil_is_a_range_for_marked_values_only() {
        let a = Aperture::new(ApertureNote::Marked(2.8), 5.0, PupilMagnification::Unknown).unwrap();
        assert!((a.effective_range().0 - 9.8).abs() < 1e-12);
        assert!((a.effective_range().1 - 52.8).abs() < 1e-12);
        assert!(!a.is_known());
        for note in [ApertureNote::Effective(48.0), ApertureNote::NumericalAperture(5.0 / 96.0)] {
            let a = Aperture::new(note, 5.0, PupilMagnification::Unknown).unwrap();
            assert!(a.is_known());
            assert!((a.effective() - 48.0).abs() < 1e-12);
        }
    }

    #[test]
    fn nonsense_is_refused_with_the_value() {
        let e = Aperture::new(ApertureNote::Marked(-8.0), 5.0, PupilMagnification::Unknown).unwrap_err();
        assert_eq!(e.to_string(), "the aperture is -8, must be an f-number above 0 and at most 1000");
        assert!(Aperture::new(ApertureNote::Marked(8.0), f64::NAN, PupilMagnification::Unknown).is_err());
        assert!(Aperture::new(ApertureNote::Marked(8.0), 5.0, PupilMagnification::Known(0.0)).is_err());
    }

    #[test]
    fn a_stop_is_a_factor_of_two_in_light() {
        let at = |n| Aperture::new(ApertureNote::Marked(n), 5.0, PupilMagnification::Known(1.0)).unwrap();
        assert!((at(8.0).stops_against(&at(4.0)) + 2.0).abs() < 1e-12);
    }
}
