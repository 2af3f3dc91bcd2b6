//! Opening pictures: decoding with limits, orientation, metadata, linear light.
//!
//! [`Photo::open`] reads JPEG, PNG, TIFF and BMP by content, turns them by their EXIF orientation and keeps
//! every bit; [`Photo::light`] gives the linear light on which everything is measured. Nothing here changes a
//! file, prints, or guesses a scale.

mod convert;
mod decode;
mod error;
mod format;
mod icc;
mod jpeg;
mod jpeg_scan;
mod levels;
mod light;
mod limits;
mod metadata;
mod noise;
mod orientation;
mod picture;
mod raster;
mod sample;
mod tiff;
mod tiff_tags;
mod tone;
mod warning;

pub use convert::Channel;
pub use error::{PhotoError, PhotoErrorKind};
pub use format::Format;
pub use light::Light;
pub use limits::Limits;
pub use metadata::Metadata;
pub use noise::NoiseModel;
pub use orientation::Orientation;
pub use picture::Photo;
pub use tone::Transfer;
pub use warning::PhotoWarning;
