//! Opening pictures: decoding with limits, orientation, metadata, linear light.

mod light;

pub use light::Light;
