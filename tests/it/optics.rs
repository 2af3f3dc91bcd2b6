//! Optics against outside values, and blur measured on rendered edges.

mod measured;
mod outside;
mod rendered;
