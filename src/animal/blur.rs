//! Which blur spot a picture's budgets and verdicts use.

use serde::{Deserialize, Serialize};

use crate::optics::BlurSpot;
use crate::optics::measured::BlurVerdict;
use crate::units::Um;

/// Half the 25–75 % width over the 10–90 % width of the edge response for diffraction alone, 0.6436 / 2 / 1.3329 (measurement
/// model, section 2): where no settings are known to compute it from.
pub(super) const X50_MINUS_X25_PER_W: f64 = 0.6436 / 2.0 / 1.3329;

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
    /// What the measurement in the picture itself says of focus, movement, sharpening and notes.
    pub verdict: Option<BlurVerdict>,
    /// How far an edge moves between the quarter and the half of its light: the reach of thresholds.
    pub x50_minus_x25_um: Um,
}

impl PictureBlur {
    /// The larger of the prediction and the measurement in the animal's own picture;
    /// where that is missing, the slide's takes its place. `None` where nothing is known.
    ///
    /// The ratio of the 25–75 % width to the blur spot is the predicted one, or that of diffraction where nothing is predicted.
    #[must_use]
    pub fn choose(predicted: Option<&BlurSpot>, in_picture: Option<Um>, on_slide: Option<Um>) -> Option<Self> {
        let predicted_um = predicted.map(|p| p.w_um);
        let (measured, measured_origin) = match in_picture {
            Some(w) => (Some(w), BlurOrigin::Picture),
            None => (on_slide, BlurOrigin::Slide),
        };
        let (w_um, origin) = match (predicted_um, measured) {
            (Some(p), Some(m)) if p >= m => (p, BlurOrigin::Predicted),
            (_, Some(m)) => (m, measured_origin),
            (Some(p), None) => (p, BlurOrigin::Predicted),
            (None, None) => return None,
        };
        let ratio = predicted.map_or(X50_MINUS_X25_PER_W, |p| p.x50_minus_x25() / p.w_um);
        Some(Self { w_um, origin, predicted_um, measured_um: measured, verdict: None, x50_minus_x25_um: w_um * ratio })
    }

    /// The same with the verdict on a measurement in the picture itself, whose standard uncertainty is `u`.
    #[must_use]
    pub fn judged(mut self, u: Um, predicted: &BlurSpot) -> Self {
        self.verdict = self.measured_um.map(|w| BlurVerdict::of(w, u, predicted));
        self
    }

    /// What a person should know about the choice.
    #[must_use]
    pub fn warning(&self) -> Option<String> {
        let w = self.w_um.get();
        match (self.verdict, self.predicted_um, self.measured_um, self.origin) {
            (Some(verdict), Some(predicted), Some(measured), _) => Some(format!(
                "blur spot {:.1} µm at the animal's edges, {:.1} µm predicted: {}",
                measured.get(),
                predicted.get(),
                verdict.words()
            )),
            (_, _, _, BlurOrigin::Picture) => None,
            (_, _, _, BlurOrigin::Slide) => Some(format!(
                "the blur spot of {w:.1} µm is that of the slide's picture; the animal's focus may be another"
            )),
            (_, _, _, BlurOrigin::Predicted) => Some(format!(
                "the blur spot of {w:.1} µm is predicted from the settings; out of focus or moved it is larger"
            )),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::optics::{Aperture, ApertureNote, PupilMagnification, System};

    /// f/8 at 5x on 3.72 µm pixels, by the optics room: about 7.3 µm.
    fn predicted() -> BlurSpot {
        let aperture = Aperture::new(ApertureNote::Marked(8.0), 5.0, PupilMagnification::Known(1.0)).unwrap();
        System::in_focus(aperture, Um::new(3.72)).unwrap().blur().unwrap()
    }

    #[test]
    fn the_larger_of_prediction_and_own_picture_else_the_slide() {
        let p = predicted();
        let w = p.w_um.get();
        let um = |v: f64| Some(Um::new(v));
        let own = um;
        let chosen = |p, own, slide| PictureBlur::choose(p, own, slide).map(|b| (b.w_um.get(), b.origin));
        assert_eq!(chosen(Some(&p), own(9.0), um(12.0)), Some((9.0, BlurOrigin::Picture)));
        assert_eq!(chosen(Some(&p), own(4.0), um(12.0)), Some((w, BlurOrigin::Predicted)));
        assert_eq!(chosen(Some(&p), None, um(9.0)), Some((9.0, BlurOrigin::Slide)));
        assert_eq!(chosen(Some(&p), None, um(2.0)), Some((w, BlurOrigin::Predicted)));
        assert_eq!(chosen(None, None, um(2.0)), Some((2.0, BlurOrigin::Slide)));
        assert_eq!(chosen(None, None, None), None);
    }

    #[test]
    fn measured_against_predicted_is_told_in_words() {
        let p = predicted();
        let say = |ratio: f64| {
            let w = p.w_um * ratio;
            PictureBlur::choose(Some(&p), Some(w), None).unwrap().judged(w * 0.03, &p).warning().unwrap()
        };
        assert!(say(1.0).ends_with("as sharp as predicted"), "{}", say(1.0));
        assert!(say(0.5).contains("sharpened") && say(2.0).contains("out of focus"));
    }

    #[test]
    fn the_reach_of_thresholds_is_that_of_the_predicted_response() {
        let p = predicted();
        let in_focus = PictureBlur::choose(Some(&p), None, None).unwrap();
        assert_eq!(in_focus.x50_minus_x25_um, p.x50_minus_x25());
        let unknown = PictureBlur::choose(None, None, Some(p.w_um)).unwrap();
        assert!((unknown.x50_minus_x25_um / p.x50_minus_x25() - 1.0).abs() < 0.02);
    }
}
