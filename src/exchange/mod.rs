//! What leaves the program: tables, plots and marked pictures. Results in, bytes out.

pub mod draw;
pub mod plot;
