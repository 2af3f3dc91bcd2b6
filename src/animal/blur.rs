//! Which blur spot a picture's budgets and verdicts use.

use serde::{Deserialize, Serialize};

use crate::units::Um;

/// Half the 25–75 % width over the 10–90 % width of the edge response, for diffraction alone: 0.6436 / 2 / 1.3329
/// (measurement model, section 2). Within 2 % for diffraction with pixels up to the blur spot itself.
const X50_MINUS_X25_PER_W: f64 = 0.6436 / 2.0 / 1.3329;

/// Where a blur spot comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum BlurOrigin {
    /// Settings: a lower bound.
    Predicted,
    /// Edges of the animal's own picture.
    Picture,
    /// The graduations of the slide: another focus.
    Slide,
}

/// The blur spot of a picture.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct PictureBlur {
    /// Its size `w` on the specimen: the 10–90 % width.
    pub w_um: Um,
    /// Where it comes from.
    pub origin: BlurOrigin,
    /// The prediction, where the settings are known.
    pub predicted_um: Option<Um>,
    /// The measurement, in the picture itself or else on the slide.
    pub measured_um: Option<Um>,
}

impl PictureBlur {
    /// The larger of the prediction and the measurement in the animal's own picture; where that is missing, the slide's takes
    /// its place. `None` where nothing is known.
    #[must_use]
    pub fn choose(predicted: Option<Um>, in_picture: Option<Um>, on_slide: Option<Um>) -> Option<Self> {
        let (measured, measured_origin) = match in_picture {
            Some(w) => (Some(w), BlurOrigin::Picture),
            None => (on_slide, BlurOrigin::Slide),
        };
        let (w_um, origin) = match (predicted, measured) {
            (Some(p), Some(m)) if p >= m => (p, BlurOrigin::Predicted),
            (_, Some(m)) => (m, measured_origin),
            (Some(p), None) => (p, BlurOrigin::Predicted),
            (None, None) => return None,
        };
        Some(Self { w_um, origin, predicted_um: predicted, measured_um: measured })
    }

    /// How far an edge moves between the quarter and the half of its light: the reach of thresholds.
    #[must_use]
    pub fn x50_minus_x25(&self) -> Um {
        self.w_um * X50_MINUS_X25_PER_W
    }

    /// What a person should know about the choice.
    #[must_use]
    pub fn warning(&self, in_picture: bool) -> Option<String> {
        if in_picture {
            return None;
        }
        let w = self.w_um.get();
        Some(match self.origin {
            BlurOrigin::Slide => {
                format!("the blur spot of {w:.1} µm is that of the slide's picture; the animal's focus may be another")
            }
            _ => {
                format!("the blur spot of {w:.1} µm is predicted from the settings; out of focus or moved it is larger")
            }
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_larger_of_prediction_and_own_picture_else_the_slide() {
        let um = |v: f64| Some(Um::new(v));
        let chosen = |p, own, slide| PictureBlur::choose(p, own, slide).map(|b| (b.w_um.get(), b.origin));
        assert_eq!(chosen(um(3.0), um(4.0), um(9.0)), Some((4.0, BlurOrigin::Picture)));
        assert_eq!(chosen(um(5.0), um(4.0), um(9.0)), Some((5.0, BlurOrigin::Predicted)));
        assert_eq!(chosen(um(3.0), None, um(9.0)), Some((9.0, BlurOrigin::Slide)));
        assert_eq!(chosen(um(3.0), None, um(2.0)), Some((3.0, BlurOrigin::Predicted)));
        assert_eq!(chosen(None, None, um(2.0)), Some((2.0, BlurOrigin::Slide)));
        assert_eq!(chosen(None, None, None), None);
    }

    #[test]
    fn the_quarter_light_ratio_agrees_with_the_numeric_response() {
        // Independent of the constant: the response of f/8 at 5x on 3.72 µm pixels, integrated by the optics room.
        use crate::optics::{Aperture, ApertureNote, PupilMagnification, System};
        let aperture = Aperture::new(ApertureNote::Marked(8.0), 5.0, PupilMagnification::Known(1.0)).unwrap();
        let spot = System::in_focus(aperture, Um::new(3.72)).unwrap().blur().unwrap();
        let here = PictureBlur::choose(Some(spot.w_um), None, None).unwrap().x50_minus_x25();
        assert!((here / spot.x50_minus_x25() - 1.0).abs() < 0.02);
    }
}
