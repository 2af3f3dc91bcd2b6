//! Scenes to pixels.

use tiny_skia::{FillRule, LineCap, LineJoin, Paint, Path, PathBuilder, Pixmap, Transform};

use super::ink::Ink;
use super::scene::{Scene, Shape, Stroke};
use super::{DrawError, MAX_SIDE_PX, png, text};

/// How much a heavy face gains at its outline, as a share of the em: between the light and a regular face.
const REGULAR_GAIN: f64 = 0.025;
/// The same for a heavy face.
const HEAVY_GAIN: f64 = 0.05;

impl Scene {
    /// The scene on a white ground as a PNG.
    ///
    /// # Errors
    /// [`DrawError::Size`] for a side of 0 or above 50,000 px.
    pub fn to_png(&self) -> Result<Vec<u8>, DrawError> {
        let (width, height) = (self.width_px.round() as usize, self.height_px.round() as usize);
        let mut pixels = pixmap(width, height)?;
        pixels.fill(tiny_skia::Color::WHITE);
        self.draw_on(&mut pixels);
        png::encoded(pixels.data(), width, height, None)
    }

    /// Draws over pixels.
    pub(super) fn draw_on(&self, pixels: &mut Pixmap) {
        for shape in &self.shapes {
            draw(shape, pixels);
        }
    }
}

/// An empty pixmap.
pub(super) fn pixmap(width_px: usize, height_px: usize) -> Result<Pixmap, DrawError> {
    let wrong = DrawError::Size { width_px, height_px, limit_px: MAX_SIDE_PX };
    if width_px > MAX_SIDE_PX || height_px > MAX_SIDE_PX {
        return Err(wrong);
    }
    Pixmap::new(width_px as u32, height_px as u32).ok_or(wrong)
}

fn draw(shape: &Shape, pixels: &mut Pixmap) {
    match shape {
        Shape::Path { points, closed, fill, stroke } => {
            let mut path = PathBuilder::new();
            for (i, (x, y)) in points.iter().enumerate() {
                if i == 0 { path.move_to(*x as f32, *y as f32) } else { path.line_to(*x as f32, *y as f32) }
            }
            if *closed {
                path.close();
            }
            if let Some(path) = path.finish() {
                paint(&path, *fill, stroke.as_ref(), pixels);
            }
        }
        Shape::Circle { centre, radius_px, fill, stroke } => {
            if let Some(path) = PathBuilder::from_circle(centre.0 as f32, centre.1 as f32, *radius_px as f32) {
                paint(&path, *fill, stroke.as_ref(), pixels);
            }
        }
        Shape::Text { at, text, size_px, anchor, upwards, heavy, ink, halo } => {
            if let Some(path) = text::outline(text, *size_px, *at, *anchor, *upwards) {
                let gain = size_px * if *heavy { HEAVY_GAIN } else { REGULAR_GAIN };
                paint(&path, None, halo.as_ref(), pixels);
                paint(&path, Some(*ink), Some(&Stroke::new(*ink, gain)), pixels);
            }
        }
    }
}

fn paint(path: &Path, fill: Option<Ink>, stroke: Option<&Stroke>, pixels: &mut Pixmap) {
    if let Some(ink) = fill {
        pixels.fill_path(path, &paint_of(ink), FillRule::Winding, Transform::identity(), None);
    }
    if let Some(stroke) = stroke {
        let pen = tiny_skia::Stroke {
            width: stroke.width_px as f32,
            line_cap: LineCap::Round,
            line_join: LineJoin::Round,
            dash: tiny_skia::StrokeDash::new(stroke.dashes_px.iter().map(|v| *v as f32).collect(), 0.0),
            ..tiny_skia::Stroke::default()
        };
        pixels.stroke_path(path, &paint_of(stroke.ink), &pen, Transform::identity(), None);
    }
}

fn paint_of(ink: Ink) -> Paint<'static> {
    let mut paint = Paint::default();
    paint.set_color_rgba8(ink.red, ink.green, ink.blue, ink.alpha);
    paint.anti_alias = true;
    paint
}
