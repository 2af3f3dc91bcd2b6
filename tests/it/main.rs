//! Integration tests, one binary so that linking is paid once.
mod animals;
mod cli;
mod cli_rulers;
#[cfg(feature = "desktop")]
mod desktop;
mod draw;
mod find;
mod notebook;
mod optics;
mod outlines;
mod phantom;
mod photo;
mod reference;
mod rulers;
mod slides;
