//! What leaves the program: tables, plots and marked pictures. Results in, bytes out.

pub mod csv;
pub mod draw;
pub mod plot;
pub mod preview;
