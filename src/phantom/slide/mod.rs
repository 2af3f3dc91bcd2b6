//! Ruled slides: a scene is plain data, [`render`] makes the picture and its truth.
//!
//! Light on the sensor is the incoherent image of the slide: every line is a box of its own width along the ruling and of
//! its own length across, each blurred by the exact system response ([`super::optics`]) and taken at the slide
//! coordinates of the pixel's centre through the exact map ([`SlideMap`]). So positions are exact to 1e-3 px; the map's
//! curvature within one blur spot is left out (at most 4e-4 px for 1 % distortion and 3 px blur).

mod dirt;
mod dots;
mod family;
mod ink;
mod map;
mod profile;
mod render;
mod scene;
mod truth;

#[cfg(test)]
pub(crate) use dots::disc_response;
pub use map::{Distortion, DistortionForm, SlideMap};
#[cfg(test)]
pub(crate) use render::linear_light_in_steps;
pub use render::{Rendered, linear_light, render};
pub use scene::{BurnedIn, Ruling, Side, SlideScene, Tier};
pub use truth::{DotTruth, GraduationTruth, SlideTruth};
