//! The setup: one camera, lens, magnification, aperture and mode, calibrated against a ruled slide, with its history.
//!
//! * [`Setup`]: what its TOML file holds; [`Library`]: the folder of those files.
//! * [`Setup::pooled_readings`]: mean, spread, drift and agreement of its readings.
//! * [`Setup::push_scale_inputs`]: what its scale is uncertain by, as inputs of the engine.
//! * [`Setup::differences`]: whether a picture belongs to it; [`Setup::map_for`]: the scale map for that picture.
//! * [`disagreement`]: a reading held against magnification and pixel pitch.
//! * [`rulings`], [`sensor_formats`]: what comes with the program in `calibration/`.

mod budget;
mod catalogue;
mod error;
mod history;
mod library;
mod matching;
mod model;
mod nominal;
mod sight;
#[cfg(test)]
pub(crate) mod testing;

pub use budget::{ScalePlaces, ScaleUncertainty, source};
pub use catalogue::{Ruling, SensorFormat, ruling, rulings, sensor_format, sensor_formats};
pub use error::SetupError;
pub use history::{PairError, Pooled, Reproducibility};
pub use library::{Library, read};
pub use matching::{Difference, PictureFacts, PixelSize};
pub use model::{
    Assumed, Coherence, Crossways, OpticsNotes, PooledNote, ReadingRecord, SCHEMA, Setup, SlideNotes, ToneCurve,
};
pub use nominal::{Disagreement, disagreement};
