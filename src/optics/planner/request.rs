//! What a plan is made for.

use serde::{Deserialize, Serialize};

use super::row::words;
use crate::optics::error::{not_negative, positive};
use crate::optics::{Aperture, ApertureNote, OpticsError, PupilMagnification, Spectrum};
use crate::units::{Angle, Um};

/// The usual whole stops of a lens for close work.
pub const WHOLE_STOPS: [f64; 6] = [2.8, 4.0, 5.6, 8.0, 11.0, 16.0];
/// Relative standard uncertainty of a scale where nothing is said: a slide without certificate (±0.2 % rectangular) and a ring
/// with a stop (0.3 %), the measurement model's defaults.
pub const USUAL_SCALE_U_REL: f64 = 0.0032;

/// The kind of lens, as far as it changes what a plan says.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LensKind {
    /// A lens with an aperture ring or a set aperture: macro lens, lens on extension, close-up lens or tube lens system.
    #[default]
    Macro,
    /// A lens mounted back to front: a pupil magnification P stated for its ordinary mounting counts as 1/P.
    Reversed,
    /// A microscope objective: its numerical aperture is fixed and engraved, and made for its magnification.
    Objective,
    /// A lens whose entrance pupil lies at infinity: the scale does not change with depth; its aperture is effective.
    Telecentric,
}

impl LensKind {
    /// In plain words, with the article.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Macro => "a macro lens",
            Self::Reversed => "a reversed lens",
            Self::Objective => "a microscope objective",
            Self::Telecentric => "a telecentric lens",
        }
    }

    /// True when an aperture marked on the lens, with the pupil magnification, tells the effective one.
    #[must_use]
    pub const fn has_marked_aperture(self) -> bool {
        matches!(self, Self::Macro | Self::Reversed)
    }
}

/// How the animal will lie.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PlannedLying {
    /// Tilt uniform within an angle.
    Within(Angle),
    /// Each end anywhere in the depth of field, tilt at most 45°.
    Unknown,
}

/// How marks will be set.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PlannedPlacement {
    /// By hand: rectangular over the blur spot.
    Hand,
    /// Snapped to the edge.
    Snapped,
}

/// An exposure that was right on the same subject in the same light.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Exposure {
    /// Aperture, noted the same way as the plan's, at the plan's magnification.
    pub aperture: f64,
    /// Exposure time, s.
    pub shutter_s: f64,
    /// ISO sensitivity.
    pub iso: f64,
}

/// What a plan is made for. Everything but magnification, pixels and apertures may stay unknown.
#[derive(Clone, Debug, PartialEq)]
pub struct PlanRequest {
    /// Magnification on the sensor.
    pub magnification: f64,
    /// Pitch on the sensor of the recorded picture's pixels: of the binned or scaled ones in footage.
    pub pixel_pitch: Um,
    /// Apertures to compare, each as noted.
    pub apertures: Vec<ApertureNote>,
    /// The one among them that was asked for.
    pub asked: Option<usize>,
    /// The kind of lens.
    pub lens: LensKind,
    /// Pupil magnification of the lens as mounted.
    pub pupil: PupilMagnification,
    /// Distance between lens and animal, for the change of scale with depth; nothing leaves that out.
    pub working_distance: Option<Um>,
    /// Size of the recorded picture, px.
    pub picture_px: Option<(u32, u32)>,
    /// The light.
    pub spectrum: Spectrum,
    /// Refractive index around the animal.
    pub refractive_index: f64,
    /// Blur accepted as sharp in the depth of field, recorded pixels.
    pub accepted_blur_px: f64,
    /// Length of the part that matters.
    pub wanted: Option<Um>,
    /// Length of the animal.
    pub animal: Option<Um>,
    /// Thickness of the animal along the view.
    pub thickness: Option<Um>,
    /// Speed of the animal, µm/s.
    pub speed_um_per_s: Option<f64>,
    /// Exposure time, s.
    pub shutter_s: Option<f64>,
    /// Frames a second of footage.
    pub frame_rate_hz: Option<f64>,
    /// Time in which the sensor is read from the first to the last row, s.
    pub readout_s: Option<f64>,
    /// An exposure that was right.
    pub exposure: Option<Exposure>,
    /// Highest ISO sensitivity accepted.
    pub iso: Option<f64>,
    /// Aperture against which exposures are compared; the first one where nothing is said.
    pub reference: Option<ApertureNote>,
    /// Relative standard uncertainty of the scale.
    pub scale_u_rel: f64,
    /// How the animal will lie.
    pub lying: PlannedLying,
    /// How marks will be set.
    pub placement: PlannedPlacement,
    /// True when the light is known to be incoherent.
    pub incoherent: bool,
    /// True when the tone curve is known.
    pub tone_known: bool,
}

impl PlanRequest {
    /// A plan for the usual whole stops of a lens with unknown pupils, in air and green light, everything else unknown.
    #[must_use]
    pub fn new(magnification: f64, pixel_pitch: Um) -> Self {
        Self {
            magnification,
            pixel_pitch,
            apertures: WHOLE_STOPS.iter().map(|&n| ApertureNote::Marked(n)).collect(),
            asked: None,
            lens: LensKind::Macro,
            pupil: PupilMagnification::Unknown,
            working_distance: None,
            picture_px: None,
            spectrum: Spectrum::green(),
            refractive_index: 1.0,
            accepted_blur_px: 2.0,
            wanted: None,
            animal: None,
            thickness: None,
            speed_um_per_s: None,
            shutter_s: None,
            frame_rate_hz: None,
            readout_s: None,
            exposure: None,
            iso: None,
            reference: None,
            scale_u_rel: USUAL_SCALE_U_REL,
            lying: PlannedLying::Unknown,
            placement: PlannedPlacement::Hand,
            incoherent: false,
            tone_known: false,
        }
    }

    /// A number noted as the plan's apertures are.
    pub(super) fn noted_alike(&self, aperture: f64) -> ApertureNote {
        match self.apertures.first() {
            Some(ApertureNote::Effective(_)) => ApertureNote::Effective(aperture),
            Some(ApertureNote::NumericalAperture(_)) => ApertureNote::NumericalAperture(aperture),
            _ => ApertureNote::Marked(aperture),
        }
    }

    /// Apertures that such a lens has, in such a medium.
    fn check_lens(&self) -> Result<(), OpticsError> {
        for &note in &self.apertures {
            if matches!(note, ApertureNote::Marked(_)) && !self.lens.has_marked_aperture() {
                return Err(OpticsError::NoMarkedAperture { lens: self.lens.words(), aperture: words(note) });
            }
            let na = Aperture::new(note, self.magnification, self.pupil)?.numerical_aperture();
            if na >= self.refractive_index {
                return Err(OpticsError::BeyondMedium { aperture: words(note), na, index: self.refractive_index });
            }
        }
        Ok(())
    }

    /// Checks what the parts of the optics do not check themselves.
    pub(super) fn check(&self) -> Result<(), OpticsError> {
        let length = |name, value: Option<Um>| match value {
            Some(v) => positive(name, v.get(), " µm", 1e6, "above 0 and at most 1000000").map(|_| ()),
            None => Ok(()),
        };
        let number = |name, unit, value: Option<f64>| match value {
            Some(v) => positive(name, v, unit, 1e9, "above 0").map(|_| ()),
            None => Ok(()),
        };
        length("the wanted length", self.wanted)?;
        length("the animal's length", self.animal)?;
        length("the animal's thickness", self.thickness)?;
        if let Some(v) = self.speed_um_per_s {
            not_negative("the animal's speed", v, " µm/s")?;
        }
        number("the shutter time", " s", self.shutter_s)?;
        number("the frame rate", " frames/s", self.frame_rate_hz)?;
        number("the read-out time", " s", self.readout_s)?;
        if let Some(e) = self.exposure {
            number("the aperture of the known exposure", "", Some(e.aperture))?;
            number("the shutter time of the known exposure", " s", Some(e.shutter_s))?;
            number("the ISO of the known exposure", "", Some(e.iso))?;
        }
        length("the working distance", self.working_distance)?;
        number("the highest ISO", "", self.iso)?;
        self.check_lens()?;
        not_negative("the scale's uncertainty", self.scale_u_rel, "")?;
        not_negative("the accepted blur", self.accepted_blur_px, " px")?;
        if let PlannedLying::Within(a) = self.lying
            && !(0.0..=80.0).contains(&a.degrees())
        {
            let (name, unit, limits) = ("the tilt", "°", "between 0 and 80");
            return Err(OpticsError::OutOfRange { name, value: a.degrees(), unit, limits });
        }
        if self.apertures.is_empty() {
            return Err(OpticsError::NoAperture);
        }
        Ok(())
    }
}
