//! The setup: one camera, lens, magnification, aperture and mode, calibrated against a ruled slide, with its history.

mod catalogue;
mod error;

pub use catalogue::{Ruling, SensorFormat, ruling, rulings, sensor_format, sensor_formats};
pub use error::SetupError;
