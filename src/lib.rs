//! Motestick measures very small animals on photographs and states how far each figure can be trusted.
//!
//! The crate is a pure core: no printing, no clock, no environment. Data flows one way:
//!
//! ```text
//! picture → reading → setup → marks → lengths with uncertainty → exports
//! photo     slide     setup   animal   uncertainty               exchange
//! ```
//!
//! `command` is the thin layer for the command line. Rooms use only the rooms to their left:
//! `units`, `stats` ← `uncertainty`, `optics` ← `photo` ← `slide` ← `setup` ← `animal` ← `notebook` ← `exchange` ← `command`.
//! `phantom` renders pictures with exact truth and shares no code with what it tests.

#![warn(clippy::print_stdout, clippy::print_stderr)]

pub mod animal;
pub mod command;
#[cfg(feature = "desktop")]
pub mod desktop;
pub mod exchange;
pub mod notebook;
pub mod optics;
pub mod phantom;
pub mod photo;
pub mod setup;
pub mod slide;
pub mod stats;
pub mod uncertainty;
pub mod units;
