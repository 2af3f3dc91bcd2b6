//! Lengths on animals: marks, the shapes they make, and evaluation with one input vector for everything in a picture.
//!
//! * [`Mark`], [`Shape`]: what was placed on the picture.
//! * [`Curve`]: the smooth curve through the marks of an axis and its arc length.
//! * [`PictureBlur`]: the blur spot that budgets and [`Verdict`]s use; [`Lying`]: how the animal lies.
//! * [`evaluate_shapes`]: all figures with their uncertainty and covariance; [`Figure`]: ratios and sums of them.
//! * [`find`]: axis, breadth and outline proposed for the largest animal; [`outline`]: geometry of closed lines.
//! * [`repeat`]: the same quantity measured again.

mod blur;
mod build;
mod closed;
mod curve;
mod error;
mod evaluate;
#[cfg(test)]
mod evaluate_tests;
mod figure;
pub mod find;
mod joint;
mod live;
mod lying;
mod mark;
mod model;
pub mod outline;
mod quadrature;
pub mod repeat;
pub mod snap;
mod stated;
mod verdict;

use build::by_hand;

pub use blur::{BlurOrigin, PictureBlur};
pub use curve::{Curve, CurveError};
pub use error::AnimalError;
pub use evaluate::{Circumstances, Evaluated, Measured, evaluate_shapes, source};
pub use figure::{Figure, FigureError, Part, Recipe};
pub use live::evaluate_live;
pub use lying::{LYING, Lying};
pub use mark::{Ground, Kind, Levels, Mark, MarkKind, Placement, Shape, Unit};
pub use quadrature::Integral;
pub use verdict::Verdict;
