//! Integration tests, one binary so that linking is paid once.
mod optics;
mod draw;
mod photo;
mod reference;
