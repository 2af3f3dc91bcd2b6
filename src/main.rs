//! The `motestick` program.

fn main() {}
