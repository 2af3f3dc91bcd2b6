//! The blur spot as a picture shows it: from the profile of an edge, of a line, and from a slanted edge.
//!
//! All widths are the 10–90 % width of the edge response of the recorded picture, pixels included, in px. They come
//! from fitting modelled responses with their tails; reading them off a profile that was normalised over a few widths
//! is wrong by 7 to 20 %. What the optics' part looks like is not assumed: diffraction in focus, defocus of many sizes, soft
//! lenses and movement are fitted and averaged by how well they fit, with three tenths of the weight on
//! diffraction beforehand; how much they disagree is part of the uncertainty.

mod band;
mod edge;
mod fit;
mod iso;
mod line;
mod shape;
mod slanted;
mod verdict;

pub use edge::edge_blur;
pub use line::{LineWidth, line_blur};
pub use shape::BlurShape;
pub use slanted::{SlantedEdge, slanted_edge};
pub use verdict::BlurVerdict;

use crate::units::{Angle, Px, PxPerUm, Um};

/// One sample of a profile.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ProfilePoint {
    /// Distance along the normal from any origin, px.
    pub distance_px: f64,
    /// Linear light.
    pub light: f64,
    /// Standard deviation of its noise, in the same unit as the light.
    pub sd: f64,
}

/// How the samples of a profile were taken.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sampling {
    /// Direction of the profile against the pixels' rows (or columns: only its sine and cosine in size count).
    pub normal: Angle,
    /// Width of the bins that were averaged along the profile, 0 for none.
    pub bin: Px,
}

impl Sampling {
    /// Along the pixels' rows or columns, nothing averaged.
    pub const ALONG_PIXELS: Self = Self { normal: Angle::new(0.0), bin: Px::new(0.0) };
}

/// A measured blur spot.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub struct MeasuredBlur {
    /// 10–90 % width of the recorded picture's edge response.
    pub w: Px,
    /// Its standard uncertainty.
    pub u_w: Px,
    /// Place of the 50 % crossing of the edge, or of the middle of the line, along the profile.
    pub position: Px,
    /// Its standard uncertainty, noise and shape alone.
    pub u_position: Px,
    /// Height of the step or line over its noise.
    pub signal_to_noise: f64,
    /// The shape that fits best.
    pub shape: BlurShape,
    /// Mean square of the residuals over the stated noise; well above 1 the profile is not what was modelled.
    pub chi2_reduced: f64,
    /// Frequency at which the best shape's contrast is one half, cycles per px.
    pub mtf50_per_px: f64,
    /// For a line, its own width as far as the profile tells it.
    pub line_width: Option<Px>,
}

impl MeasuredBlur {
    /// The blur spot on the specimen by a scale whose own uncertainty is `u_scale_rel`, with its standard uncertainty.
    #[must_use]
    pub fn on_specimen(&self, scale: PxPerUm, u_scale_rel: f64) -> (Um, Um) {
        let w = self.w / scale;
        let u = w.get() * (self.u_w / self.w).hypot(u_scale_rel);
        (w, Um::new(u))
    }
}

/// Why no blur can be measured.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum MeasureError {
    /// Too few usable samples.
    #[error("the profile has {points} usable samples, at least {needed} are needed; take a longer one")]
    TooFewPoints {
        /// Usable samples.
        points: usize,
        /// The least that will do.
        needed: usize,
    },
    /// A distance, value or noise is not a finite number, or a noise is not above zero.
    #[error("sample {index} of the profile is not finite or its noise is not above zero")]
    NotFinite {
        /// Place in the profile, from 0.
        index: usize,
    },
    /// Nothing stands out of the noise.
    #[error(
        "the step is only {signal_to_noise:.1} times the noise, at least {needed} is needed; choose a stronger edge"
    )]
    TooFaint {
        /// Step over noise.
        signal_to_noise: f64,
        /// The least that will do.
        needed: f64,
    },
    /// The profile ends before the response has levelled off.
    #[error(
        "the edge is {w_px:.1} px wide but the profile reaches only {reach_px:.1} px beyond it, it needs at least {needed_px:.1} px"
    )]
    TooShort {
        /// Width found.
        w_px: f64,
        /// Shorter of the two sides.
        reach_px: f64,
        /// The least that will do.
        needed_px: f64,
    },
    /// No shape could be fitted.
    #[error("no modelled response fits the profile, it may hold more than one edge; choose a clean edge")]
    NoFit,
    /// The edge wanders too far from a straight line or gentle bow.
    #[error(
        "the edge wanders by {rms_px:.1} px about its line, at most {limit_px:.1} px will do; choose a straighter part"
    )]
    NotStraight {
        /// Root mean square distance, px.
        rms_px: f64,
        /// The limit, px.
        limit_px: f64,
    },
    /// Too many pixels beside the edge are at an end of the recording range.
    #[error("{:.0} % of the pixels beside the edge are clipped, at most {:.0} % will do; expose less or choose another edge", share * 100.0, limit * 100.0)]
    Clipped {
        /// Share of clipped pixels, 0 to 1.
        share: f64,
        /// The limit.
        limit: f64,
    },
    /// The two points are too close or outside the picture.
    #[error("the edge is {length_px:.1} px long inside the picture, at least {needed_px:.0} px are needed")]
    ShortEdge {
        /// Length usable, px.
        length_px: f64,
        /// The least that will do, px.
        needed_px: f64,
    },
}

/// Checks a profile: enough samples, all finite, noise above zero.
fn checked(points: &[ProfilePoint], needed: usize) -> Result<(), MeasureError> {
    if points.len() < needed {
        return Err(MeasureError::TooFewPoints { points: points.len(), needed });
    }
    let bad = |p: &ProfilePoint| !(p.distance_px.is_finite() && p.light.is_finite() && p.sd.is_finite() && p.sd > 0.0);
    match points.iter().position(bad) {
        Some(index) => Err(MeasureError::NotFinite { index }),
        None => Ok(()),
    }
}
