//! Integration tests, one binary so that linking is paid once.
mod draw;
mod optics;
mod photo;
mod reference;
