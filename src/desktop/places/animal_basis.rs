//! What a figure rests on beside its marks: picture, setup, how the animal lies.

use std::sync::Arc;

use super::super::pictures::OpenPicture;
use super::animal::AnimalPlace;
use super::animal_figured::in_window_words;
use super::setups::{Setups, Suggestion};
use crate::animal::{Lying, Measured, Shape};
use crate::exchange::marked;
use crate::notebook::{MeasurementId, Notebook, Question, evaluate};
use crate::setup::Setup;
use crate::slide::ScaleMap;
use crate::uncertainty::{Options, Trials};
use crate::units::{Angle, PxPerUm};

/// How the animal lies, as chosen.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) enum LyingIs {
    #[default]
    Unknown,
    Flat,
    Within,
    Tilt,
}

impl LyingIs {
    pub(super) const ALL: [(Self, &'static str); 4] = [
        (Self::Unknown, "not known"),
        (Self::Flat, "flat (within 5°)"),
        (Self::Within, "tilted by at most"),
        (Self::Tilt, "tilted by"),
    ];
}

/// What a figure rests on beside its marks.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Basis {
    pub(super) setup: Setup,
    pub(super) lying: Lying,
    pub(super) accepted_mismatch: Option<String>,
}

impl Basis {
    /// The figure of a shape without trials, to second order.
    pub(super) fn at_once(&self, picture: &OpenPicture, shape: &Shape) -> Result<Measured, String> {
        let answer = evaluate(&Question {
            setup: &self.setup,
            facts: &picture.opened.facts,
            exif_aperture: picture.opened.photo.metadata().aperture,
            blur_spot: None,
            u_blur_spot: None,
            warnings: &[],
            shapes: std::slice::from_ref(shape),
            figures: &[],
            lying: self.lying,
            accepted_mismatch: self.accepted_mismatch.as_deref(),
            options: Options { trials: Trials::Skip, ..Options::default() },
        });
        match answer {
            Ok(mut a) if !a.measured.is_empty() => Ok(a.measured.swap_remove(0)),
            Ok(_) => Err("nothing was measured".to_owned()),
            Err(e) => Err(in_window_words(&e)),
        }
    }
}

/// All that is known of the picture in this frame.
#[derive(Debug)]
pub(super) struct Situation<'a> {
    pub(super) picture: &'a Arc<OpenPicture>,
    pub(super) setup: Option<&'a Setup>,
    pub(super) suggestion: Suggestion,
    pub(super) map: Option<ScaleMap>,
    pub(super) pooling: f64,
    pub(super) blur_px: Option<f64>,
    pub(super) differences: Vec<String>,
    pub(super) depth_known: bool,
}

impl AnimalPlace {
    /// How the animal lies; words where the angle is missing.
    pub(super) fn lying(&self) -> Result<Lying, String> {
        let angle = || match self.degrees.trim().trim_end_matches('°').replace(',', ".").parse::<f64>() {
            Ok(d) if d > 0.0 && d <= 80.0 => Ok(Angle::from_degrees(d)),
            _ => Err("type the angle in degrees, above 0 and at most 80".to_owned()),
        };
        match self.lying {
            LyingIs::Unknown => Ok(Lying::Unknown),
            LyingIs::Flat => Ok(Lying::Flat),
            LyingIs::Within => angle().map(Lying::Within),
            LyingIs::Tilt => angle().map(Lying::Tilt),
        }
    }

    /// Chooses at the side how an animal lies.
    pub(super) fn take_lying(&mut self, lying: Lying) {
        let (is, degrees) = match lying {
            Lying::Flat => (LyingIs::Flat, None),
            Lying::Within(a) => (LyingIs::Within, Some(a)),
            Lying::Tilt(a) => (LyingIs::Tilt, Some(a)),
            _ => (LyingIs::Unknown, None),
        };
        self.lying = is;
        if let Some(a) = degrees {
            self.degrees = format!("{}", (a.degrees() * 1e6).round() / 1e6);
        }
    }

    /// What is known of the picture.
    pub(super) fn situation<'a>(&self, picture: &'a Arc<OpenPicture>, setups: &'a Setups) -> Situation<'a> {
        let facts = &picture.opened.facts;
        let suggestion = setups.suggest(facts);
        let setup = match (&self.setup_by_hand, &suggestion) {
            (Some(name), _) => setups.named(name),
            (None, Suggestion::Fits(i, _)) => setups.all().get(*i),
            _ => None,
        };
        let differences: Vec<String> =
            setup.map(|s| s.differences(facts).iter().map(ToString::to_string).collect()).unwrap_or_default();
        let usable = setup.filter(|_| differences.is_empty() || self.is_accepted());
        let map = usable.and_then(|s| s.map_for(facts));
        let pooling = usable.map_or(1.0, Setup::pooling_factor);
        let blur_um = usable.and_then(|s| {
            let predicted = s.predicted_blur().ok().flatten();
            crate::animal::PictureBlur::choose(predicted.as_ref(), None, s.blur_on_slide()).map(|b| b.w_um)
        });
        let blur_px = blur_um.zip(map.as_ref()).map(|(w, m)| (w * m.centre_scale()).get() / pooling);
        let depth_known = usable.is_some_and(|s| s.depth_of_field(1.0).ok().flatten().is_some());
        Situation { picture, setup, suggestion, map, pooling, blur_px, differences, depth_known }
    }

    pub(super) fn is_accepted(&self) -> bool {
        self.accept && !self.reason.trim().is_empty()
    }

    /// The scale at the middle of a picture: as it was measured last, or that of the setup at hand.
    pub(crate) fn scale_of(&self, picture: &Arc<OpenPicture>, setups: &Setups, notebook: &Notebook) -> Option<PxPerUm> {
        let kept = Self::picture_in(notebook, picture).and_then(|id| marked::scale_of(notebook, id));
        let about = self.situation(picture, setups);
        kept.or_else(|| about.map.as_ref().map(|m| m.centre_scale() / about.pooling))
    }

    /// What a figure is worked out with: what the measurement has that is changed, or else what is chosen at the side.
    pub(super) fn basis(
        &self,
        about: &Situation<'_>,
        notebook: &Notebook,
        change: Option<MeasurementId>,
    ) -> Result<Basis, String> {
        if let Some(m) = change.and_then(|id| notebook.measurement(id))
            && let Some(kept) = notebook.setup(m.setup)
        {
            let accepted_mismatch = m.accepted_mismatch.clone();
            return Ok(Basis { setup: kept.setup.clone(), lying: m.lying, accepted_mismatch });
        }
        let Some(setup) = about.setup.cloned() else {
            return Err("no setup is chosen, so nothing tells how large anything is; read a ruled slide in Slide first, or choose the setup".to_owned());
        };
        if !about.differences.is_empty() && !self.is_accepted() {
            return Err(format!(
                "the picture does not match the setup \"{}\": {}; choose the setup that took it, or say why the scale holds all the same",
                setup.name,
                about.differences.join("; ")
            ));
        }
        let accepted_mismatch = self.is_accepted().then(|| self.reason.trim().to_owned());
        Ok(Basis { setup, lying: self.lying()?, accepted_mismatch })
    }
}
