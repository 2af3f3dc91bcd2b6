//! Rendered animals: curved bodies, jointed antennae and legs, wings, with exact truth.
//!
//! A body is given by its axis (heading as a polynomial of the arc length, so that the length along the axis is exact)
//! and its half breadth at each station, square to the axis. All parts become fine polygons; their exact area coverage
//! goes through the two-dimensional response of the optics and the pixels (`blur`), then light, noise and coding.
//!
//! Convention: the true outline is the animal's. Partial coherence moves the half-way crossing of the picture by
//! `threshold_um` toward the bright side of the true edge, so a dark animal is drawn that much larger all round, a bright one
//! smaller. Truth never includes it.

mod blur;
mod body;
mod coverage;
mod limb;
mod lot;
mod part;
mod render;
mod scene;
pub mod species;
mod truth;

pub use body::Animal;
pub use limb::{Limb, LimbSegment, Wing};
pub use lot::animal_scene;
pub use render::{RenderedAnimal, linear_light, render};
pub use scene::{AnimalScene, Placed};
pub use truth::{AnimalTruth, LimbTruth};
