//! Lengths on animals: marks, the shapes they make, and evaluation with one input vector for everything in a picture.

mod curve;
mod quadrature;

pub use curve::{Curve, CurveError};
pub use quadrature::Integral;
