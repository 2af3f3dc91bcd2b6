//! Drawing: a small list of shapes that becomes a PNG or an SVG, and drawing over photographs.
//!
//! A [`Scene`] is plain data: paths, discs and texts with their inks, in pixels from the upper left. The same
//! scene renders to pixels and to SVG. Texts are measured with the font that draws them, so that whoever lays
//! out a scene knows what fits. [`Overlay`] draws over a photograph at its full size and never touches the file.

mod ink;
mod overlay;
mod png;
mod raster;
mod scale_bar;
mod scene;
mod svg;
mod text;

pub use ink::{Ink, Tone};
pub use overlay::{Drawn, Overlay, OverlayItem};
pub use png::encode_rgb;
pub(super) use png::physical_size;
pub use scale_bar::{Corner, DrawnBar, ScaleBar};
pub use scene::{Anchor, MarkShape, Scene, Shape, Stroke};
pub use text::{text_height_px, text_width_px, wrapped};

/// Why a drawing could not be made.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum DrawError {
    /// The size is zero or too large to draw.
    #[error("cannot draw {width_px} × {height_px} px; sides of 1 to {limit_px} px can be drawn")]
    Size {
        /// Width asked for, px.
        width_px: usize,
        /// Height asked for, px.
        height_px: usize,
        /// Largest side, px.
        limit_px: usize,
    },
    /// The PNG encoder failed.
    #[error("cannot encode the drawing as PNG ({0})")]
    Encode(#[from] image::ImageError),
}

/// Largest side that is drawn, px.
const MAX_SIDE_PX: usize = 50_000;
