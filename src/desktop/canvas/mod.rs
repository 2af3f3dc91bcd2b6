//! The canvas: a picture that can be panned, zoomed and turned, with read-out, scale bar and loupe.
//!
//! `view`, `tiles`, `bar`, `tone` and `pyramid` are plain functions of plain data; `textures` and `show` draw.

mod bar;
mod pyramid;
mod show;
mod textures;
mod tiles;
mod tone;
mod view;

pub use bar::{Bar, bar};
pub use pyramid::{Pyramid, small};
pub use show::{About, Canvas, Frame};
pub use tiles::{TILE_PX, Tile, in_sight, level_for, level_size, levels};
pub use tone::{ShownChannel, ToneView};
pub use view::{OnCanvas, View};
