//! The window: four places over one notebook.
//!
//! Places draw what the state holds and say what a person asks; every edit is one [`crate::notebook::Action`] applied in one place;
//! work that takes long runs on threads of its own. [`canvas`] is the picture with everything that belongs to looking at it.

mod app;
pub mod canvas;
mod document;
mod filing;
mod help;
mod keys;
mod message;
mod opening;
mod picker;
mod pictures;
mod places;
mod settings;
mod shell;
mod start;
mod theme;
mod window;
mod work;

pub use app::{Desktop, Folders, Place};
pub use window::{Entry, open};
