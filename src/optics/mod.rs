//! Blur, apertures, depth of field and the planner.
