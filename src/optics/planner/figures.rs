//! What one certain effective aperture gives, and what follows where only a range of them is known.

use super::request::PlanRequest;
use crate::optics::depth::{DepthOfField, depth_of_field};
use crate::optics::{Aperture, ApertureNote, BlurSpot, OpticsError, System};
use crate::units::Um;

/// A system in focus for one noted aperture.
pub(super) fn system_for(request: &PlanRequest, note: ApertureNote) -> Result<System, OpticsError> {
    system(request, Aperture::new(note, request.magnification, request.pupil)?)
}

pub(super) fn system(request: &PlanRequest, aperture: Aperture) -> Result<System, OpticsError> {
    System::in_focus(aperture, request.pixel_pitch)?
        .with_spectrum(request.spectrum.clone())
        .with_refractive_index(request.refractive_index)
}

/// How far the animal moves during the exposure, where that is known.
pub(super) fn motion(request: &PlanRequest) -> Option<Um> {
    request.speed_um_per_s.zip(request.shutter_s).map(|(v, t)| Um::new(v * t))
}

/// Blur and depth at one effective aperture, all on the animal.
#[derive(Clone, Copy, Debug)]
pub(super) struct Figures {
    pub(super) effective: f64,
    /// Blur spot in focus with the movement, and its `x₅₀ − x₂₅`.
    pub(super) spot: (Um, Um),
    /// The same at rest.
    pub(super) w_at_rest: Um,
    /// The same at rest, half the animal's thickness from focus.
    pub(super) away: Option<(Um, Um)>,
    pub(super) depth: DepthOfField,
}

impl Figures {
    /// The figures of one aperture, and the blur spot with its parts.
    pub(super) fn with_spot(request: &PlanRequest, aperture: Aperture) -> Result<(Self, BlurSpot), OpticsError> {
        let at_rest = system(request, aperture)?;
        let spot = match motion(request) {
            Some(path) => at_rest.clone().with_motion(path)?.blur()?,
            None => at_rest.blur()?,
        };
        let figures = Self::of(request, &at_rest, (spot.w_um, spot.x50_minus_x25()))?;
        Ok((figures, spot))
    }

    /// The figures of one aperture alone.
    pub(super) fn new(request: &PlanRequest, aperture: Aperture) -> Result<Self, OpticsError> {
        let at_rest = system(request, aperture)?;
        let spot = match motion(request) {
            Some(path) => at_rest.clone().with_motion(path)?.w_and_reach()?,
            None => at_rest.w_and_reach()?,
        };
        Self::of(request, &at_rest, spot)
    }

    fn of(request: &PlanRequest, at_rest: &System, spot: (Um, Um)) -> Result<Self, OpticsError> {
        let aperture = at_rest.aperture();
        let accepted = request.pixel_pitch * request.accepted_blur_px;
        Ok(Self {
            effective: aperture.effective(),
            spot,
            w_at_rest: if motion(request).is_some() { at_rest.w()? } else { spot.0 },
            away: match request.thickness {
                Some(t) => Some(at_rest.clone().with_defocus(t * 0.5)?.w_and_reach()?),
                None => None,
            },
            depth: depth_of_field(aperture, request.spectrum.mean(), accepted, request.refractive_index)?,
        })
    }
}

/// The figures for P = 1 (or the known aperture), and for both ends of what an unknown pupil allows.
#[derive(Clone, Copy, Debug)]
pub(super) struct Range {
    pub(super) nominal: Figures,
    /// Widest opening and least blur; narrowest opening and greatest blur.
    pub(super) ends: Option<(Figures, Figures)>,
}

impl Range {
    pub(super) fn new(request: &PlanRequest, aperture: &Aperture) -> Result<(Self, BlurSpot), OpticsError> {
        let (nominal, spot) = Figures::with_spot(request, aperture.nominal())?;
        let ends = if aperture.is_known() {
            None
        } else {
            let (wide, narrow) = aperture.ends();
            Some((Figures::new(request, wide)?, Figures::new(request, narrow)?))
        };
        Ok((Self { nominal, ends }, spot))
    }

    /// Least and greatest of a figure; both the same where the aperture is known.
    pub(super) fn ends_of<T: Copy>(&self, of: impl Fn(&Figures) -> T) -> (T, T) {
        match &self.ends {
            Some((wide, narrow)) => (of(wide), of(narrow)),
            None => (of(&self.nominal), of(&self.nominal)),
        }
    }

    /// Mean square of a figure over effective apertures that are all alike likely, the figure taken as straight between
    /// the three apertures known.
    pub(super) fn mean_square(&self, of: impl Fn(&Figures) -> f64) -> f64 {
        let middle = of(&self.nominal);
        let Some((wide, narrow)) = &self.ends else { return middle * middle };
        let piece = |a: f64, b: f64, from: f64, to: f64| (to - from) * (a * a + a * b + b * b) / 3.0;
        let sum = piece(of(wide), middle, wide.effective, self.nominal.effective)
            + piece(middle, of(narrow), self.nominal.effective, narrow.effective);
        sum / (narrow.effective - wide.effective)
    }

    /// The least pupil magnification at which the blur spot is at most `limit`, for an aperture marked `marked`.
    ///
    /// Nothing where every pupil or none will do. One step of the secant on the blur itself; good to 1 %.
    pub(super) fn pupil_for(&self, request: &PlanRequest, marked: f64, limit: Um) -> Result<Option<f64>, OpticsError> {
        let Some((wide, narrow)) = self.ends else { return Ok(None) };
        if limit <= wide.spot.0 || limit >= narrow.spot.0 {
            return Ok(None);
        }
        let (a, b) = if limit < self.nominal.spot.0 { (wide, self.nominal) } else { (self.nominal, narrow) };
        let slope = (b.effective - a.effective) / (b.spot.0 - a.spot.0).get();
        let first = a.effective + slope * (limit - a.spot.0).get();
        let aperture = Aperture::new(ApertureNote::Effective(first), request.magnification, request.pupil)?;
        let at_rest = system(request, aperture)?;
        let w = match motion(request) {
            Some(path) => at_rest.with_motion(path)?.w()?,
            None => at_rest.w()?,
        };
        let effective = first + slope * (limit - w).get();
        Ok(Some(request.magnification / (effective / marked - 1.0)))
    }
}
