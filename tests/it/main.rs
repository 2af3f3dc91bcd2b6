//! Integration tests, one binary so that linking is paid once.
mod photo;
