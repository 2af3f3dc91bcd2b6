//! Geometry of outlines: area, perimeter, caliper diameters, equivalent ellipse.

mod caliper;
mod contour;
mod polygon;

pub use caliper::{Caliper, convex_hull, longest_caliper, shortest_caliper};
pub use contour::outline_of_cells;
pub use polygon::{Ellipse, area, centroid, equivalent_ellipse, perimeter};

pub(in crate::animal) use contour::{normals, resampled, smoothed};
pub(in crate::animal) use polygon::{edges, holds};
