//! Both directions of the ruled plane at once: one map for dot plates, grids, crossed rulings and pairs of pictures.
//!
//! [`model`] is the map and its derivatives, [`choose`] weighs which of its terms the data support and makes the
//! [`ScaleMap`](super::ScaleMap). How the data come about is the business of `dots`, `grid` and `crossways`.

mod choose;
mod model;

pub(super) use choose::{Chosen, Priors, choose, scale_map};
pub(super) use model::{COUNT, Parameters, Spread, at, place};
