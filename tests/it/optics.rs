//! Optics against outside values, and blur measured on rendered edges.

#![allow(clippy::unwrap_used, reason = "helpers of tests")]

mod animals;
mod measured;
mod outside;
mod rendered;
mod slanted;
