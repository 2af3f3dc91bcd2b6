//! The setup as it stands in its file.

use serde::{Deserialize, Serialize};

use super::SetupError;
use crate::optics::{Aperture, ApertureNote, OpticsError, PupilMagnification, System};
use crate::slide::{Reading, Ruler, ScaleMap};
use crate::units::{Px, PxPerUm, Um};

/// Version of the file's form that this program writes.
pub const SCHEMA: u32 = 1;
/// Degrees of freedom beyond this are as good as infinite, which TOML readers do not all take.
const MOST_DOF: f64 = 1e6;

/// One camera, lens, magnification, aperture and recording mode, with every reading of a ruled slide made through it.
///
/// Keys that this version does not know are kept when the file is written again.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Setup {
    /// Version of the file's form.
    pub schema: u32,
    /// Name under which the library keeps it.
    pub name: String,
    /// Camera as a person calls it.
    pub camera: Option<String>,
    /// Lens as a person calls it.
    pub lens: Option<String>,
    /// Recording mode as a person calls it: still, footage and its size, crop.
    pub mode: Option<String>,
    /// Camera as the pictures name it (EXIF make and model).
    pub exif_camera: Option<String>,
    /// Lens as the pictures name it (EXIF lens model).
    pub exif_lens: Option<String>,
    /// Width of its pictures, px, after orientation.
    pub picture_width_px: u32,
    /// Height of its pictures, px, after orientation.
    pub picture_height_px: u32,
    /// What is known of the illumination.
    #[serde(default)]
    pub coherence: Coherence,
    /// What is known of the tone curve.
    #[serde(default)]
    pub tone_curve: ToneCurve,
    /// Magnification, aperture and pixels.
    #[serde(default)]
    pub optics: OpticsNotes,
    /// The ruled slide.
    pub slide: SlideNotes,
    /// What is assumed where nobody measured it; all of it may be edited.
    #[serde(default)]
    pub assumed: Assumed,
    /// The figures of all readings together, written for people; worked out anew from the readings whenever the file is used.
    pub pooled: Option<PooledNote>,
    /// One entry a reading, in the order in which they were made.
    #[serde(default, rename = "reading")]
    pub readings: Vec<ReadingRecord>,
    /// Keys of other programs or later versions.
    #[serde(flatten)]
    #[cfg_attr(test, schemars(with = "serde_json::Map<String, serde_json::Value>"))]
    pub other: toml::Table,
}

/// What is known of the illumination.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "lowercase")]
pub enum Coherence {
    /// Nothing: the threshold term of snapped silhouettes applies.
    #[default]
    Unknown,
    /// Incoherent: dark field or diffuse light from above; no threshold term.
    Incoherent,
}

/// What is known of the tone curve.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "lowercase")]
pub enum ToneCurve {
    /// A camera's own rendering: the residual exponent is an input.
    #[default]
    Unknown,
    /// Raw-linear data, or the curve was measured and the file declares it.
    Known,
}

/// Magnification, aperture and pixels as noted; each may be missing.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct OpticsNotes {
    /// Magnification as marked.
    pub magnification: Option<f64>,
    /// Aperture number engraved or set at infinity.
    pub aperture_marked: Option<f64>,
    /// Aperture number with the magnification already in it.
    pub aperture_effective: Option<f64>,
    /// Numerical aperture of an objective.
    pub numerical_aperture: Option<f64>,
    /// Pupil magnification; missing means unknown.
    pub pupil_magnification: Option<f64>,
    /// Pitch of the recorded pixels on the sensor, µm.
    pub pixel_pitch_um: Option<f64>,
    /// Focal length by EXIF, mm.
    pub focal_length_mm: Option<f64>,
    /// Aperture number by EXIF at the last reading, marked or effective as the camera has it.
    pub exif_aperture: Option<f64>,
}

impl OpticsNotes {
    /// The aperture at work; `None` where magnification or aperture were not noted.
    ///
    /// # Errors
    /// [`OpticsError::OutOfRange`] for notes that make no sense.
    pub fn aperture(&self) -> Result<Option<Aperture>, OpticsError> {
        let note = match (self.aperture_marked, self.aperture_effective, self.numerical_aperture) {
            (Some(n), _, _) => ApertureNote::Marked(n),
            (None, Some(n), _) => ApertureNote::Effective(n),
            (None, None, Some(na)) => ApertureNote::NumericalAperture(na),
            (None, None, None) => return Ok(None),
        };
        let Some(magnification) = self.magnification else { return Ok(None) };
        let pupil = self.pupil_magnification.map_or(PupilMagnification::Unknown, PupilMagnification::Known);
        Aperture::new(note, magnification, pupil).map(Some)
    }

    /// The system in focus and at rest; `None` where something was not noted.
    ///
    /// # Errors
    /// [`OpticsError::OutOfRange`] for notes that make no sense.
    pub fn system(&self) -> Result<Option<System>, OpticsError> {
        match (self.aperture()?, self.pixel_pitch_um) {
            (Some(aperture), Some(pitch)) => System::in_focus(aperture, Um::new(pitch)).map(Some),
            _ => Ok(None),
        }
    }

    /// Scale that magnification and pixel pitch promise, where both are noted.
    #[must_use]
    pub fn nominal_scale(&self) -> Option<PxPerUm> {
        match (self.magnification, self.pixel_pitch_um) {
            (Some(m), Some(p)) if m > 0.0 && p > 0.0 => Some(PxPerUm::new(m / p)),
            _ => None,
        }
    }
}

/// The ruled slide.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct SlideNotes {
    /// Distance between neighbouring graduations, µm.
    pub division_um: f64,
    /// Name of the ruling in the program's collection.
    pub ruling: Option<String>,
    /// Expanded uncertainty of the certificate, k = 2, µm; missing where there is no certificate.
    pub certificate_expanded_um: Option<f64>,
    /// The length over which the certificate states it, µm.
    pub certificate_over_um: Option<f64>,
    /// Half-width of the rectangular distribution of the ruled length without a certificate, relative.
    #[serde(default = "SlideNotes::uncertified")]
    pub uncertified_half_width_rel: f64,
    /// Linear expansion of the substrate, 1/K.
    #[serde(default = "SlideNotes::expansion")]
    pub expansion_per_k: f64,
    /// Half-width of the expansion's rectangular distribution, relative.
    #[serde(default = "SlideNotes::expansion_half_width")]
    pub expansion_half_width_rel: f64,
}

impl SlideNotes {
    /// ±0.2 %: the measurement model's default for a slide without a certificate.
    const fn uncertified() -> f64 {
        0.002
    }

    /// Soda-lime float glass, 0 to 300 °C, makers' data sheets.
    const fn expansion() -> f64 {
        8.6e-6
    }

    /// Covers the spread between makers and the lower value near 20 °C.
    const fn expansion_half_width() -> f64 {
        0.10
    }

    /// A slide of which only the division is known.
    #[must_use]
    pub fn of_division(division: Um) -> Self {
        Self {
            division_um: division.get(),
            ruling: None,
            certificate_expanded_um: None,
            certificate_over_um: None,
            uncertified_half_width_rel: Self::uncertified(),
            expansion_per_k: Self::expansion(),
            expansion_half_width_rel: Self::expansion_half_width(),
        }
    }
}

/// What is assumed where nobody measured it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(default)]
pub struct Assumed {
    /// Tilt of the slide against the sensor: uniform within this many degrees. 2: levelled by eye on a stand.
    pub slide_tilt_within_deg: f64,
    /// Departure of the slide's temperature from 20 °C: rectangular, ± this many kelvin. 5: a heated room.
    pub slide_temperature_departure_k: f64,
    /// Standard deviation of the scale from one setting of the rig to the next, relative, while fewer than four readings tell it.
    /// 0.003: a ring with a stop.
    pub reproducibility_rel: f64,
    /// True when the rig was not touched between slide and animals: the reproducibility above does not apply.
    pub rig_fixed: bool,
    /// Pixels are square within ± this, relative, rectangular: holds across the ruling while only one direction is calibrated.
    pub square_pixels_half_width_rel: f64,
    /// Distance from the object to the entrance pupil, mm; missing: worked out from the focal length, or else 40 mm, ±30 %.
    pub entrance_pupil_distance_mm: Option<f64>,
    /// True for a lens that is telecentric on the object's side: its magnification does not change with depth.
    pub telecentric: bool,
}

impl Default for Assumed {
    fn default() -> Self {
        Self {
            slide_tilt_within_deg: 2.0,
            slide_temperature_departure_k: 5.0,
            reproducibility_rel: 0.003,
            rig_fixed: false,
            square_pixels_half_width_rel: 0.001,
            entrance_pupil_distance_mm: None,
            telecentric: false,
        }
    }
}

/// The figures of all readings together, as written for people.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct PooledNote {
    /// Mean scale, px/µm.
    pub scale_px_per_um: f64,
    /// Its relative standard uncertainty with everything.
    pub u_rel: f64,
    /// Number of readings.
    pub readings: u32,
    /// Relative standard deviation between the readings; missing for one.
    pub spread_rel: Option<f64>,
    /// Relative change from the first reading to the last; missing for one.
    pub drift_rel: Option<f64>,
    /// The largest |E_n| between two readings; missing for one.
    pub largest_en: Option<f64>,
}

/// One reading in a setup's history.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct ReadingRecord {
    /// When it was made, UTC, as `2024-05-01T10:00:00Z`.
    pub date: String,
    /// The picture's file name.
    pub picture: String,
    /// SHA-256 of the picture's file.
    pub picture_sha256: String,
    /// Scale at the picture's centre along the ruling, px/µm.
    pub scale_px_per_um: f64,
    /// Relative standard uncertainty of the fit alone.
    pub u_rel_fit: f64,
    /// Degrees of freedom of that uncertainty.
    pub dof_fit: f64,
    /// Relative standard uncertainty with everything, at the time.
    pub u_rel: f64,
    /// Direction in which the graduations follow each other, degrees, in (-90, 90].
    pub rotation_deg: f64,
    /// The model chosen for the scale map.
    pub model: String,
    /// Graduations used.
    pub graduations_used: u32,
    /// Graduations found and rejected.
    pub graduations_rejected: u32,
    /// Root mean square of the residuals, px.
    pub residual_rms_px: f64,
    /// Measured blur spot, µm; missing where it could not be measured.
    pub blur_spot_um: Option<f64>,
    /// Its standard uncertainty, µm.
    pub u_blur_spot_um: Option<f64>,
    /// Relative standard uncertainty by source, for people; worked out anew when used.
    #[serde(default)]
    #[cfg_attr(test, schemars(with = "serde_json::Map<String, serde_json::Value>"))]
    pub u_rel_by_source: toml::Table,
    /// What was to be said about it.
    #[serde(default)]
    pub warnings: Vec<String>,
    /// The other direction, from a second picture with the slide turned by about 90°.
    pub crossways: Option<Crossways>,
    /// True where a person set the marks, since no reading succeeded.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub by_hand: bool,
    /// The scale map.
    pub map: ScaleMap,
}

impl ReadingRecord {
    /// A reading as a setup holds it: `u_rel`, `u_rel_by_source` and `warnings` are still to be filled from the setup.
    ///
    /// `date` is UTC in the form of the field, `picture` the file's name and `picture_sha256` the hash of its bytes.
    #[must_use]
    pub fn of(reading: &Reading, date: String, picture: String, picture_sha256: String) -> Self {
        let count = |n: usize| u32::try_from(n).unwrap_or(u32::MAX);
        Self {
            date,
            picture,
            picture_sha256,
            scale_px_per_um: reading.scale.get(),
            u_rel_fit: reading.u_rel_fit,
            dof_fit: reading.dof.clamp(1.0, MOST_DOF),
            u_rel: 0.0,
            rotation_deg: reading.rotation.degrees(),
            model: reading.map.model.name().to_owned(),
            graduations_used: count(reading.used()),
            graduations_rejected: count(reading.rejected()),
            residual_rms_px: reading.residual_rms.get(),
            blur_spot_um: reading.blur.map(|b| (b.width / reading.scale).get()),
            u_blur_spot_um: reading.blur.map(|b| (b.u / reading.scale).get()),
            u_rel_by_source: toml::Table::new(),
            warnings: vec![],
            crossways: None,
            by_hand: reading.ruler == Ruler::ByHand,
            map: reading.map.clone(),
        }
    }

    /// Scale at the picture's centre along the ruling.
    #[must_use]
    pub const fn scale(&self) -> PxPerUm {
        PxPerUm::new(self.scale_px_per_um)
    }

    /// The measured blur spot on the object.
    #[must_use]
    pub fn blur_spot(&self) -> Option<Um> {
        self.blur_spot_um.map(Um::new)
    }

    /// The measured blur spot in the picture.
    #[must_use]
    pub fn blur_spot_in_picture(&self) -> Option<Px> {
        self.blur_spot().map(|w| w * self.scale())
    }
}

/// The scale in the other direction.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Crossways {
    /// The second picture's file name.
    pub picture: String,
    /// SHA-256 of its file.
    pub picture_sha256: String,
    /// Scale at the picture's centre along the turned ruling, px/µm.
    pub scale_px_per_um: f64,
    /// Relative standard uncertainty of the fit alone.
    pub u_rel_fit: f64,
    /// Its direction, degrees, in (-90, 90].
    pub rotation_deg: f64,
}

impl Setup {
    /// The readings that count: those that the program made, or the marks set by hand where there are no others.
    pub fn counted(&self) -> impl Iterator<Item = &ReadingRecord> {
        let by_hand_alone = self.readings.iter().all(|r| r.by_hand);
        self.readings.iter().filter(move |r| by_hand_alone || !r.by_hand)
    }

    /// The last reading that counts; its map is the setup's.
    #[must_use]
    pub fn last_counted(&self) -> Option<&ReadingRecord> {
        self.counted().last()
    }

    /// Looks through the values for those that make no sense, as after editing by hand.
    ///
    /// # Errors
    /// [`SetupError::Value`] with the key, the value and what is allowed.
    pub fn checked(self) -> Result<Self, SetupError> {
        let bad = |key: &str, value: String, limits| Err(SetupError::Value { key: key.to_owned(), value, limits });
        if self.picture_width_px == 0 || self.picture_height_px == 0 {
            let size = format!("{} x {} px", self.picture_width_px, self.picture_height_px);
            return bad("picture size", size, "above 0 both ways");
        }
        let above_zero = "a finite number above 0";
        let share = "between 0 and 0.5";
        let numbers = [
            ("slide.division_um", Some(self.slide.division_um), 1e9, above_zero),
            ("slide.certificate_over_um", self.slide.certificate_over_um, 1e9, above_zero),
            ("optics.magnification", self.optics.magnification, 1e3, above_zero),
            ("optics.pixel_pitch_um", self.optics.pixel_pitch_um, 1e3, above_zero),
            ("assumed.entrance_pupil_distance_mm", self.assumed.entrance_pupil_distance_mm, 1e6, above_zero),
        ];
        for (key, value, most, limits) in numbers {
            if let Some(v) = value.filter(|v| !(*v > 0.0 && *v <= most)) {
                return bad(key, v.to_string(), limits);
            }
        }
        let shares = [
            ("slide.certificate_expanded_um over certificate_over_um", self.certificate_expanded_rel().unwrap_or(0.0)),
            ("slide.uncertified_half_width_rel", self.slide.uncertified_half_width_rel),
            ("slide.expansion_half_width_rel", self.slide.expansion_half_width_rel),
            ("assumed.reproducibility_rel", self.assumed.reproducibility_rel),
            ("assumed.square_pixels_half_width_rel", self.assumed.square_pixels_half_width_rel),
        ];
        for (key, v) in shares {
            if !(0.0..=0.5).contains(&v) {
                return bad(key, v.to_string(), share);
            }
        }
        if !(0.0..=45.0).contains(&self.assumed.slide_tilt_within_deg) {
            let v = self.assumed.slide_tilt_within_deg.to_string();
            return bad("assumed.slide_tilt_within_deg", v, "between 0 and 45");
        }
        if !(0.0..=500.0).contains(&self.assumed.slide_temperature_departure_k) {
            let v = self.assumed.slide_temperature_departure_k.to_string();
            return bad("assumed.slide_temperature_departure_k", v, "between 0 and 500");
        }
        if self.readings.is_empty() {
            return bad("reading", "missing".to_owned(), "at least one [[reading]]");
        }
        for (i, r) in self.readings.iter().enumerate() {
            for (key, v) in [("scale_px_per_um", r.scale_px_per_um), ("map's scale", r.map.centre_scale().get())] {
                if !(v > 0.0 && v.is_finite()) {
                    return bad(&format!("{key} of reading {}", i + 1), v.to_string(), above_zero);
                }
            }
            if r.dof_fit.is_nan() || r.dof_fit <= 0.0 {
                return bad(&format!("dof_fit of reading {}", i + 1), r.dof_fit.to_string(), above_zero);
            }
            if !(0.0..0.5).contains(&r.u_rel_fit) {
                return bad(&format!("u_rel_fit of reading {}", i + 1), r.u_rel_fit.to_string(), share);
            }
        }
        Ok(self)
    }

    /// The certificate's expanded uncertainty (k = 2), relative; `None` without a certificate.
    #[must_use]
    pub fn certificate_expanded_rel(&self) -> Option<f64> {
        Some(self.slide.certificate_expanded_um? / self.slide.certificate_over_um?)
    }
}
