//! Rendered pictures with exact truth: ruled slides, traps, animals.
//!
//! Tests, the demo and benches measure these pictures and compare with what was drawn. The renderer
//! uses [`crate::units`] alone: it has its own optics, its own tone curve and its own camera, so that no
//! error can hide by being made twice.
//!
//! Scenes are plain data with the unit in every field's name. Image coordinates follow the half-pixel rule
//! ([`crate::units`]): the centre of the top-left pixel is at (0.5, 0.5).

pub mod animal;
pub mod bound;
pub mod field;
pub mod optics;
pub mod picture;
mod random;
mod sensor;
pub mod slide;
mod special;
mod strokes;
pub mod style;
pub mod trap;

pub use picture::{Coding, Picture, Samples};
pub use sensor::Sensor;

/// Why a scene cannot be rendered.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum SceneError {
    /// A field is outside the range in which the renderer keeps its accuracy.
    #[error("{field} is {value}; it must be {rule}")]
    Field {
        /// Name of the field, with its unit.
        field: &'static str,
        /// What the scene holds.
        value: f64,
        /// The rule that it breaks.
        rule: &'static str,
    },
    /// The picture could not be written in a file format.
    #[error("the rendered picture cannot be coded as {format}: {reason}")]
    Coding {
        /// Name of the format.
        format: &'static str,
        /// What the encoder said.
        reason: String,
    },
}

/// Checks one field of a scene.
pub(crate) fn require(field: &'static str, value: f64, ok: bool, rule: &'static str) -> Result<(), SceneError> {
    if ok && value.is_finite() { Ok(()) } else { Err(SceneError::Field { field, value, rule }) }
}
