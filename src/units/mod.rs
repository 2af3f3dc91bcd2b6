//! Lengths, scales, angles and points that remember their unit and their frame.
//!
//! Everything public in the crate uses these types; a raw `f64` appears only inside function
//! bodies, for ratios, or with its unit in the name (`width_px`, `pitch_um`, `tilt_rad`).
//!
//! Unlike units do not add:
//!
//! ```compile_fail
//! use motestick::units::{Px, Um};
//! let _ = Px::new(1.0) + Um::new(1.0);
//! ```

mod frame;
mod quantity;
mod text;

pub use frame::{Image, Point, Slide, Vector};
pub use quantity::{Angle, Px, PxPerUm, Um};
pub use text::{ParseQuantityError, parse_length, parse_ratio_of_lengths};
