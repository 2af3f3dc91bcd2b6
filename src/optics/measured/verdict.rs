//! Measured blur against predicted blur, in plain words.

use serde::{Deserialize, Serialize};

use crate::optics::BlurSpot;
use crate::units::Um;

/// A measured spot this much smaller than predicted, beyond twice its uncertainty, is sharper than physics allows.
///
/// Partly coherent light and an unknown tone curve narrow an edge by up to about this much without any sharpening.
const SHARPER: f64 = 0.8;
/// A measured spot this much larger than predicted, beyond twice its uncertainty, is worse than predicted.
const WORSE: f64 = 1.25;
/// Largest relative uncertainty of a measured spot that still allows a verdict.
const VAGUE: f64 = 0.25;

/// What comparing a measured with a predicted blur spot says.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[non_exhaustive]
pub enum BlurVerdict {
    /// Below 0.8 of the prediction: no lens does that.
    SharperThanPhysics,
    /// Between 0.8 and 1.25 of the prediction, or not distinguishable from it.
    AsPredicted,
    /// Above 1.25 of the prediction.
    Worse,
    /// The aperture is known only as a range, so nothing follows.
    PupilUnknown,
    /// The measurement is too uncertain.
    TooUncertain,
}

impl BlurVerdict {
    /// Compares a measured spot of standard uncertainty `u` with the prediction.
    ///
    /// No verdict is given when the pupil magnification of a marked aperture is unknown, or when the measurement's relative
    /// uncertainty exceeds a quarter.
    #[must_use]
    pub fn of(measured: Um, u: Um, predicted: &BlurSpot) -> Self {
        if !predicted.is_aperture_known() {
            return Self::PupilUnknown;
        }
        let (ratio, u_ratio) = (measured / predicted.w_um, u / predicted.w_um);
        if !(ratio.is_finite() && u_ratio <= VAGUE * ratio) {
            Self::TooUncertain
        } else if ratio + 2.0 * u_ratio < SHARPER {
            Self::SharperThanPhysics
        } else if ratio - 2.0 * u_ratio > WORSE {
            Self::Worse
        } else {
            Self::AsPredicted
        }
    }

    /// What to tell a person.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::SharperThanPhysics => {
                "sharper than physics allows: the picture was sharpened, or aperture, magnification or scale are noted wrongly"
            }
            Self::AsPredicted => "as sharp as predicted",
            Self::Worse => {
                "less sharp than predicted: out of focus, moved, a poor lens, or aperture or magnification noted wrongly"
            }
            Self::PupilUnknown => {
                "no verdict: the effective aperture is known only as a range, state the pupil magnification or the effective aperture"
            }
            Self::TooUncertain => "no verdict: the blur could not be measured well enough here",
        }
    }

    /// True when it is a reason to look at the picture or the notes again.
    #[must_use]
    pub const fn is_warning(self) -> bool {
        matches!(self, Self::SharperThanPhysics | Self::Worse)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::optics::{Aperture, ApertureNote, PupilMagnification, System};

    fn spot(pupil: PupilMagnification) -> BlurSpot {
        let a = Aperture::new(ApertureNote::Marked(8.0), 5.0, pupil).unwrap();
        System::in_focus(a, Um::new(3.72)).unwrap().blur().unwrap()
    }

    #[test]
    fn the_ratio_decides_when_it_is_certain() {
        let s = spot(PupilMagnification::Known(1.0));
        let of = |ratio: f64, u: f64| BlurVerdict::of(s.w_um * ratio, s.w_um * u, &s);
        assert_eq!(of(0.6, 0.05), BlurVerdict::SharperThanPhysics);
        assert_eq!(of(0.75, 0.05), BlurVerdict::AsPredicted);
        assert_eq!(of(1.1, 0.05), BlurVerdict::AsPredicted);
        assert_eq!(of(1.5, 0.05), BlurVerdict::Worse);
        assert_eq!(of(1.5, 0.2), BlurVerdict::AsPredicted);
        assert_eq!(of(1.5, 0.5), BlurVerdict::TooUncertain);
        assert_eq!(of(f64::NAN, 0.1), BlurVerdict::TooUncertain);
    }

    #[test]
    fn an_unknown_pupil_never_gets_a_verdict() {
        let s = spot(PupilMagnification::Unknown);
        for ratio in [0.2, 1.0, 5.0] {
            assert_eq!(BlurVerdict::of(s.w_um * ratio, s.w_um * 0.01, &s), BlurVerdict::PupilUnknown);
        }
    }
}
