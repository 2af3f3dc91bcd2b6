//! Snapping marks to the silhouette or to a feature, sub-pixel, in linear light.
//!
//! What is here looks at pixels and answers with places and their uncertainty; lengths are the business of the evaluation.

mod breadth;
mod chain;
mod clear;
mod crossing;
mod edge;
#[cfg(test)]
mod edge_tests;
mod feature;
mod fit;
pub(in crate::animal) mod midline;
mod picture;
mod response;
#[cfg(test)]
pub(in crate::animal) mod scene;
mod shape;
pub(in crate::animal) mod sides;
mod silhouette;
pub(in crate::animal) mod strip;

pub use breadth::{NoBreadth, breadth_across};
pub use edge::snap_to_silhouette;
pub use feature::{Joint, NoJoint, snap_to_joint};
pub use picture::{SnappedPicture, snap_shapes};
pub use shape::{SnappedShape, snap_shape};
pub use silhouette::{NoEdge, SilhouettePoint, Snapping};

use crate::setup::Coherence;
use crate::units::Px;

/// What is known of a picture before its marks are looked for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Expected {
    /// The blur spot in the picture.
    pub w: Px,
    /// What is known of how coherent the light is.
    pub coherence: Coherence,
}

impl Expected {
    /// A blur spot under light of which nothing is known.
    #[must_use]
    pub fn blurred(w: Px) -> Self {
        Self { w, coherence: Coherence::Unknown }
    }
}
