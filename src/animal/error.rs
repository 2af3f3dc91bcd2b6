//! Why shapes cannot be evaluated.

use super::CurveError;
use crate::uncertainty::UncertaintyError;

/// Why shapes cannot be evaluated.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum AnimalError {
    /// A span, breadth or angle has another number of marks than it needs.
    #[error("{name} has {found} marks, must have exactly {needed}")]
    MarkCount {
        /// The shape's name.
        name: String,
        /// Number of marks.
        found: usize,
        /// Number of marks that make it.
        needed: usize,
    },
    /// A ratio or sum among the shapes.
    #[error("{name}: a ratio or sum has no marks of its own, it is made of other measurements")]
    NoShape {
        /// Its name.
        name: String,
    },
    /// A ratio or sum names what is not there.
    #[error("{name}: made of a measurement that is not there")]
    NoSuchPart {
        /// Its name.
        name: String,
    },
    /// No length goes through the marks.
    #[error("{name}: {source}")]
    Marks {
        /// The shape's name.
        name: String,
        /// What is wrong.
        source: CurveError,
    },
    /// A mark is outside the picture.
    #[error(
        "{name}: mark {mark} at ({x}, {y}) is outside the picture of {width_px} x {height_px} px; coordinates run from 0,0 at its top left corner to {width_px},{height_px}"
    )]
    Outside {
        /// The shape's name.
        name: String,
        /// Number of the mark, counted from 1.
        mark: usize,
        /// Coordinate, px.
        x: f64,
        /// Coordinate, px.
        y: f64,
        /// The picture's width, px.
        width_px: usize,
        /// The picture's height, px.
        height_px: usize,
    },
    /// How the animal lies is unknown and so is the depth of field.
    #[error(
        "how the animal lies is unknown, and the setup has no magnification and aperture from which a depth of field could bound it; say --lying flat, within:20 or tilt:20, or calibrate the setup with --magnification and --aperture"
    )]
    DepthUnknown,
    /// No blur spot is known.
    #[error(
        "the blur spot is not known: it could not be measured on the slide, and the setup has no magnification and aperture to predict it; calibrate with --magnification and --aperture"
    )]
    BlurUnknown,
    /// The engine refuses.
    #[error(transparent)]
    Uncertainty(#[from] UncertaintyError),
}
