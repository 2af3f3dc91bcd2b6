//! The blur spot that a system is predicted to have.

use serde::{Deserialize, Serialize};

use super::error::{not_negative, positive};
use super::response::{Lengths, Response, ResponseTable};
use super::{Aperture, OpticsError, Spectrum};
use crate::units::{PxPerUm, Um};

/// Distances, in blur spots, for which a response is sampled.
const REACH: f64 = 4.0;
/// Reach of a table in blur spots, and its points.
const TABLE_REACH: f64 = 6.0;
const TABLE_POINTS: usize = 321;

/// All that blurs a picture: light, aperture, pixels, focus and movement.
///
/// ```
/// use motestick::optics::{Aperture, ApertureNote, PupilMagnification, System};
/// use motestick::units::Um;
/// let aperture = Aperture::new(ApertureNote::Marked(8.0), 5.0, PupilMagnification::Known(1.0))?;
/// let spot = System::in_focus(aperture, Um::new(3.72))?.blur()?;
/// assert!((spot.w_um.get() - 7.07).abs() < 0.01);
/// # Ok::<(), motestick::optics::OpticsError>(())
/// ```
#[derive(Clone, Debug, PartialEq)]
pub struct System {
    aperture: Aperture,
    pixel_pitch: Um,
    spectrum: Spectrum,
    defocus: Um,
    motion: Um,
    refractive_index: f64,
}

/// What a part of the blur comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum BlurCause {
    /// Diffraction at the effective aperture.
    Diffraction,
    /// The extent of a pixel.
    Pixel,
    /// Distance from the plane of focus.
    Defocus,
    /// Movement during the exposure.
    Motion,
}

impl BlurCause {
    /// In plain words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Diffraction => "diffraction",
            Self::Pixel => "pixels",
            Self::Defocus => "out of focus",
            Self::Motion => "movement",
        }
    }
}

/// One part of a blur spot.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct BlurPart {
    /// Where it comes from.
    pub cause: BlurCause,
    /// Its own size on the specimen: `λ N_eff / m`, the pixel's footprint, the defocus disc's diameter, the path moved.
    pub length_um: Um,
    /// Share of the blur spot, all shares summing to 1.
    ///
    /// It is `∂ ln w / ∂ ln length`: by how many per cent the spot shrinks when this part alone shrinks by one per
    /// cent. The spot is homogeneous of degree one in its parts' lengths, so these add up to exactly 1 whatever the
    /// order. For Gaussian parts it would be the share of the variance. With strong defocus the share of
    /// diffraction may fall a little below 0.
    pub share: f64,
}

/// The blur spot of a system on the specimen.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct BlurSpot {
    /// Its size `w`: the 10–90 % width of the response to an edge.
    pub w_um: Um,
    /// Least `w` that the notes on the aperture allow; equal to `w_um` where the aperture is known.
    pub w_low_um: Um,
    /// Greatest `w` that the notes on the aperture allow.
    pub w_high_um: Um,
    /// 25–75 % width of the same response.
    pub width_25_75_um: Um,
    /// 40–60 % width of the same response.
    pub width_40_60_um: Um,
    /// Full width at half height of the response to a line.
    pub line_fwhm_um: Um,
    /// Frequency, cycles per µm, at which contrast has fallen to one half.
    pub mtf50_per_um: f64,
    /// Where it comes from, the largest share first; parts of length 0 are left out.
    pub parts: Vec<BlurPart>,
}

impl BlurSpot {
    /// The greatest distance `x₅₀ − x₂₅` by which the true edge of a silhouette may lie toward the dark side of the
    /// 50 % crossing when the light is partly coherent: half the 25–75 % width.
    #[must_use]
    pub fn x50_minus_x25(&self) -> Um {
        self.width_25_75_um * 0.5
    }

    /// True when the aperture behind it is known; only then may a measured blur be judged against it.
    #[must_use]
    pub fn is_aperture_known(&self) -> bool {
        (self.w_high_um - self.w_low_um).get() <= 1e-9 * self.w_um.get()
    }

    /// Share of one cause, 0 when it has none.
    #[must_use]
    pub fn share(&self, cause: BlurCause) -> f64 {
        self.parts.iter().find(|p| p.cause == cause).map_or(0.0, |p| p.share)
    }
}

impl System {
    /// A system in focus and at rest, in air and green light (0.55 µm).
    ///
    /// `pixel_pitch` is that of the recorded picture's pixels on the sensor, so of binned or scaled pixels in footage.
    ///
    /// # Errors
    /// [`OpticsError::OutOfRange`] when the pitch is not between 0 and 1 mm.
    pub fn in_focus(aperture: Aperture, pixel_pitch: Um) -> Result<Self, OpticsError> {
        positive("the pixel pitch", pixel_pitch.get(), " µm", 1000.0, "above 0 and at most 1000")?;
        let (spectrum, defocus, motion) = (Spectrum::green(), Um::new(0.0), Um::new(0.0));
        Ok(Self { aperture, pixel_pitch, spectrum, defocus, motion, refractive_index: 1.0 })
    }

    /// The same in other light.
    #[must_use]
    pub fn with_spectrum(mut self, spectrum: Spectrum) -> Self {
        self.spectrum = spectrum;
        self
    }

    /// The same at a distance from the plane of focus, in whatever direction.
    ///
    /// # Errors
    /// [`OpticsError::OutOfRange`] when negative or not finite.
    pub fn with_defocus(mut self, distance: Um) -> Result<Self, OpticsError> {
        not_negative("the distance from focus", distance.get(), " µm")?;
        self.defocus = distance;
        Ok(self)
    }

    /// The same while the specimen moves along a path during the exposure, across the edges looked at.
    ///
    /// # Errors
    /// [`OpticsError::OutOfRange`] when negative or not finite.
    pub fn with_motion(mut self, path: Um) -> Result<Self, OpticsError> {
        not_negative("the movement during the exposure", path.get(), " µm")?;
        self.motion = path;
        Ok(self)
    }

    /// The same in a medium, such as water with 1.333.
    ///
    /// # Errors
    /// [`OpticsError::OutOfRange`] outside 1 to 2.
    pub fn with_refractive_index(mut self, index: f64) -> Result<Self, OpticsError> {
        if !(1.0..=2.0).contains(&index) {
            let (name, unit, limits) = ("the refractive index", "", "between 1 and 2");
            return Err(OpticsError::OutOfRange { name, value: index, unit, limits });
        }
        self.refractive_index = index;
        Ok(self)
    }

    /// The aperture at work.
    #[must_use]
    pub const fn aperture(&self) -> &Aperture {
        &self.aperture
    }

    /// Pitch of the recorded pixels on the sensor.
    #[must_use]
    pub const fn pixel_pitch(&self) -> Um {
        self.pixel_pitch
    }

    /// The light.
    #[must_use]
    pub const fn spectrum(&self) -> &Spectrum {
        &self.spectrum
    }

    /// Refractive index around the specimen.
    #[must_use]
    pub const fn refractive_index(&self) -> f64 {
        self.refractive_index
    }

    /// Scale that magnification and pixel pitch promise.
    #[must_use]
    pub fn nominal_scale(&self) -> PxPerUm {
        PxPerUm::new(self.aperture.magnification() / self.pixel_pitch.get())
    }

    /// Extent of one pixel on the specimen.
    #[must_use]
    pub fn pixel_footprint(&self) -> Um {
        self.pixel_pitch / self.aperture.magnification()
    }

    /// Diameter of the geometric defocus disc on the specimen, `z m / (n N_eff)`.
    #[must_use]
    pub fn defocus_disc(&self) -> Um {
        self.defocus * (2.0 * self.aperture.numerical_aperture() / self.refractive_index)
    }

    fn lengths(&self) -> Lengths {
        Lengths {
            diffraction: self
                .spectrum
                .lines()
                .iter()
                .map(|&(wavelength, weight)| (self.aperture.diffraction_length(wavelength).get(), weight))
                .collect(),
            defocus: self.defocus_disc().get(),
            pixel: self.pixel_footprint().get(),
            motion: self.motion.get(),
            ..Lengths::default()
        }
    }

    pub(crate) fn response(&self) -> Result<Response, OpticsError> {
        self.lengths().response(REACH)
    }

    /// The size `w` of the blur spot alone, for loops that need nothing else.
    ///
    /// # Errors
    /// As [`Self::blur`].
    pub fn w(&self) -> Result<Um, OpticsError> {
        Ok(Um::new(self.response()?.w()))
    }

    /// `w` and `x₅₀ − x₂₅` alone.
    pub(crate) fn w_and_reach(&self) -> Result<(Um, Um), OpticsError> {
        let [w, width_25_75, _] = self.response()?.widths();
        Ok((Um::new(w), Um::new(0.5 * width_25_75)))
    }

    /// Predicts the blur spot.
    ///
    /// The transfer function of the system is that of the defocused circular pupil (numerically, signed) times the
    /// sinc of the pixel and of the movement; widths are those of the edge response that follows from it by Fourier
    /// integral. Variances are never added: those of diffraction do not exist. With a spectrum the pupil's
    /// functions are averaged over the wavelengths by weight.
    ///
    /// The prediction is a lower bound: real lenses are worse than diffraction, above all wide open.
    ///
    /// # Accuracy
    /// 1e-3 relative, which is the error of the independent transform of a drawn pupil it is tested against
    /// (tests/it/optics); 1e-6 for diffraction alone.
    /// # Assumes
    /// Incoherent light; a straight edge along the pixels' rows or columns (an edge at 45° is narrower by at most 2 % of the
    /// pixel's footprint); a lens without aberrations; paraxial defocus.
    /// # Errors
    /// [`OpticsError::BlurTooLarge`] when movement or defocus exceed 3000 diffraction lengths.
    pub fn blur(&self) -> Result<BlurSpot, OpticsError> {
        let response = self.response()?;
        let [w, width_25_75, width_40_60] = response.widths();
        let shares = response.shares(w);
        let (w_low, w_high) = if self.aperture.is_known() {
            (w, w)
        } else {
            let (wide, narrow) = self.aperture.ends();
            let at = |aperture| Self { aperture, ..self.clone() }.w();
            let (a, b) = (at(wide)?.get(), at(narrow)?.get());
            (a.min(b).min(w), a.max(b).max(w))
        };
        let part = |cause, length_um, share| BlurPart { cause, length_um, share };
        let mut parts = vec![
            part(BlurCause::Diffraction, self.aperture.diffraction_length(self.spectrum.mean()), shares.diffraction),
            part(BlurCause::Pixel, self.pixel_footprint(), shares.pixel),
            part(BlurCause::Defocus, self.defocus_disc(), shares.defocus),
            part(BlurCause::Motion, self.motion, shares.motion),
        ];
        parts.retain(|p| p.length_um.get() > 0.0);
        parts.sort_by(|a, b| b.share.total_cmp(&a.share));
        Ok(BlurSpot {
            w_um: Um::new(w),
            w_low_um: Um::new(w_low),
            w_high_um: Um::new(w_high),
            width_25_75_um: Um::new(width_25_75),
            width_40_60_um: Um::new(width_40_60),
            line_fwhm_um: Um::new(response.line_fwhm()),
            mtf50_per_um: self.lengths().mtf50(),
            parts,
        })
    }

    /// The response to an edge and to a line, ready for any distance.
    ///
    /// # Errors
    /// As [`Self::blur`].
    pub fn response_table(&self) -> Result<ResponseTable, OpticsError> {
        let response = self.lengths().response(TABLE_REACH)?;
        Ok(response.table(TABLE_REACH * response.w(), TABLE_POINTS))
    }

    /// Movement during the exposure.
    #[must_use]
    pub const fn motion(&self) -> Um {
        self.motion
    }

    /// Distance from the plane of focus.
    #[must_use]
    pub const fn defocus(&self) -> Um {
        self.defocus
    }

    /// Contrast of the optics alone, without pixels and movement, signed; the same in every direction.
    #[must_use]
    pub fn contrast_of_optics(&self, cycles_per_um: f64) -> f64 {
        Lengths { pixel: 0.0, motion: 0.0, ..self.lengths() }.contrast(cycles_per_um)
    }

    /// Contrast at a frequency on the specimen, signed: negative where defocus turns it over.
    #[must_use]
    pub fn contrast(&self, cycles_per_um: f64) -> f64 {
        self.lengths().contrast(cycles_per_um)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::optics::{ApertureNote, PupilMagnification};

    fn at(n: f64, m: f64, pixel: f64) -> System {
        let a = Aperture::new(ApertureNote::Marked(n), m, PupilMagnification::Known(1.0)).unwrap();
        System::in_focus(a, Um::new(pixel)).unwrap()
    }

    #[test]
    fn diffraction_alone_when_pixels_are_tiny() {
        let spot = at(8.0, 5.0, 1e-3).blur().unwrap();
        let unit = 0.55 * 48.0 / 5.0;
        assert!((spot.w_um.get() / unit - 1.332_869_7).abs() < 1e-5);
        assert!((spot.x50_minus_x25().get() / unit - 0.322).abs() < 3e-4);
        assert!((spot.share(BlurCause::Diffraction) - 1.0).abs() < 1e-5);
        // MTF50 of diffraction: q = 0.4039728 (reference table).
        assert!((spot.mtf50_per_um * unit - 0.403_972_8).abs() < 1e-5);
    }

    #[test]
    fn shares_of_all_parts_sum_to_one_largest_first() {
        let s = at(4.0, 3.0, 4.0).with_defocus(Um::new(30.0)).unwrap().with_motion(Um::new(2.0)).unwrap();
        let spot = s.blur().unwrap();
        let sum: f64 = spot.parts.iter().map(|p| p.share).sum();
        assert!((sum - 1.0).abs() < 1e-12);
        assert_eq!(spot.parts.len(), 4);
        assert!(spot.parts.windows(2).all(|p| p[0].share >= p[1].share));
    }

    #[test]
    fn unknown_pupil_gives_a_range_and_known_none() {
        let a = Aperture::new(ApertureNote::Marked(2.8), 5.0, PupilMagnification::Unknown).unwrap();
        let spot = System::in_focus(a, Um::new(3.72)).unwrap().blur().unwrap();
        assert!(!spot.is_aperture_known());
        // Diffraction at f/9.8 and f/52.8 at least.
        assert!(spot.w_low_um.get() > 1.3329 * 0.55 * 9.8 / 5.0 && spot.w_low_um < spot.w_um);
        assert!(spot.w_high_um.get() > 1.3329 * 0.55 * 52.8 / 5.0);
        assert!(at(2.8, 5.0, 3.72).blur().unwrap().is_aperture_known());
    }

    #[test]
    fn blur_grows_with_each_part() {
        let w = |s: System| s.w().unwrap().get();
        let base = w(at(4.0, 3.0, 4.0));
        assert!(w(at(5.6, 3.0, 4.0)) > base);
        assert!(w(at(4.0, 3.0, 6.0)) > base);
        assert!(w(at(4.0, 3.0, 4.0).with_defocus(Um::new(40.0)).unwrap()) > base);
        assert!(w(at(4.0, 3.0, 4.0).with_motion(Um::new(2.0)).unwrap()) > base);
    }

    #[test]
    fn nonsense_is_refused() {
        assert!(at(4.0, 3.0, 4.0).with_motion(Um::new(f64::NAN)).is_err());
        assert!(at(4.0, 3.0, 4.0).with_refractive_index(0.5).is_err());
        let a = *at(4.0, 3.0, 4.0).aperture();
        assert!(System::in_focus(a, Um::new(0.0)).is_err());
    }
}
