//! The light as weights over wavelengths.

use serde::{Deserialize, Serialize};

use super::OpticsError;
use super::error::positive;
use crate::units::Um;

/// Wavelength used unless told, µm.
const DEFAULT_WAVELENGTH_UM: f64 = 0.55;

/// The light that makes the picture, as wavelengths in vacuum with weights that sum to 1.
///
/// The weights are those of the light times the sensitivity of the channel that is measured.
///
/// In files it is a list of pairs, wavelength in µm and weight.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "Vec<(Um, f64)>", into = "Vec<(Um, f64)>")]
pub struct Spectrum {
    lines: Vec<(Um, f64)>,
}

impl TryFrom<Vec<(Um, f64)>> for Spectrum {
    type Error = OpticsError;
    fn try_from(lines: Vec<(Um, f64)>) -> Result<Self, OpticsError> {
        Self::weighted(&lines)
    }
}

impl From<Spectrum> for Vec<(Um, f64)> {
    fn from(spectrum: Spectrum) -> Self {
        spectrum.lines
    }
}

impl Spectrum {
    /// One wavelength.
    ///
    /// # Errors
    /// [`OpticsError::OutOfRange`] outside 0.1 to 20 µm.
    pub fn single(wavelength: Um) -> Result<Self, OpticsError> {
        Self::weighted(&[(wavelength, 1.0)])
    }

    /// Wavelengths with relative weights, which need not sum to 1; lines of weight 0 are dropped.
    ///
    /// # Errors
    /// [`OpticsError::OutOfRange`] for a wavelength outside 0.1 to 20 µm or a negative weight;
    /// [`OpticsError::EmptySpectrum`] when nothing remains.
    pub fn weighted(lines: &[(Um, f64)]) -> Result<Self, OpticsError> {
        let mut kept = Vec::with_capacity(lines.len());
        for &(wavelength, weight) in lines {
            let l = positive("the wavelength", wavelength.get(), " µm", 20.0, "between 0.1 and 20")?;
            if l < 0.1 {
                let (name, unit, limits) = ("the wavelength", " µm", "between 0.1 and 20");
                return Err(OpticsError::OutOfRange { name, value: l, unit, limits });
            }
            super::error::not_negative("a spectral weight", weight, "")?;
            if weight > 0.0 {
                kept.push((wavelength, weight));
            }
        }
        let sum: f64 = kept.iter().map(|l| l.1).sum();
        if kept.is_empty() || !sum.is_finite() {
            return Err(OpticsError::EmptySpectrum);
        }
        kept.iter_mut().for_each(|l| l.1 /= sum);
        Ok(Self { lines: kept })
    }

    /// Green light of 0.55 µm, the usual photographic figure.
    #[must_use]
    pub fn green() -> Self {
        Self { lines: vec![(Um::new(DEFAULT_WAVELENGTH_UM), 1.0)] }
    }

    /// White light of equal energy seen by the eye, in seven lines whose weights follow the photopic curve.
    ///
    /// # Source
    /// Luminous efficiency V(λ) of the CIE 1924 observer at 470, 500, … 650 nm.
    #[must_use]
    pub fn white() -> Self {
        const V: [(f64, f64); 7] = [
            (0.47, 0.090_98),
            (0.50, 0.323),
            (0.53, 0.862),
            (0.56, 0.995),
            (0.59, 0.757),
            (0.62, 0.381),
            (0.65, 0.107),
        ];
        let sum: f64 = V.iter().map(|l| l.1).sum();
        Self { lines: V.iter().map(|&(l, v)| (Um::new(l), v / sum)).collect() }
    }

    /// Wavelengths and weights; the weights sum to 1.
    #[must_use]
    pub fn lines(&self) -> &[(Um, f64)] {
        &self.lines
    }

    /// The shortest wavelength: it has the last contrast.
    #[must_use]
    pub fn shortest(&self) -> Um {
        Um::new(self.lines.iter().map(|(l, _)| l.get()).fold(f64::INFINITY, f64::min))
    }

    /// Weighted mean wavelength, used where a formula takes only one.
    #[must_use]
    pub fn mean(&self) -> Um {
        Um::new(self.lines.iter().map(|(l, w)| l.get() * w).sum())
    }
}

impl Default for Spectrum {
    fn default() -> Self {
        Self::green()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn white_light_has_its_mean_near_the_photopic_mean() {
        // Equal-energy V-weighted mean of the CIE 1924 curve: 560.2 nm.
        assert!((Spectrum::white().mean().get() - 0.5602).abs() < 0.001, "{}", Spectrum::white().mean());
    }

    #[test]
    fn weights_are_normalised_and_nonsense_refused() {
        let s = Spectrum::weighted(&[(Um::new(0.5), 2.0), (Um::new(0.6), 6.0), (Um::new(0.7), 0.0)]).unwrap();
        assert_eq!(s.lines().len(), 2);
        assert!((s.mean().get() - 0.575).abs() < 1e-12);
        assert_eq!(Spectrum::weighted(&[]), Err(OpticsError::EmptySpectrum));
        assert!(Spectrum::single(Um::new(550.0)).is_err());
    }
}
