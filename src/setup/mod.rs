//! Setups: one camera, lens, magnification and mode with its scale and history.
