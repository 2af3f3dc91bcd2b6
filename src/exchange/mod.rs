//! What leaves the program: tables, plots and marked pictures. Results in, bytes out.

pub mod card;
pub mod csv;
pub mod darwin;
pub mod datapackage;
pub mod draw;
pub mod marked;
mod pdf;
pub mod picture_out;
pub mod plot;
pub mod preview;
pub mod report;
pub mod tidy;
