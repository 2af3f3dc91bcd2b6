//! Drawing over a photograph, at its full size.

use tiny_skia::{IntSize, Pixmap};

use super::ink::{Ink, Tone};
use super::scale_bar::{DrawnBar, Ground, ScaleBar};
use super::scene::{Anchor, MarkShape, Scene, Shape, Stroke};
use super::text::{text_height_px, text_width_px};
use super::{DrawError, MAX_SIDE_PX, png};
use crate::photo::Photo;
use crate::units::{Image, Point};

/// Something drawn over a photograph.
#[derive(Clone, Debug, PartialEq)]
pub enum OverlayItem {
    /// A line through points.
    Line {
        /// The points.
        points: Vec<Point<Image>>,
        /// True when the last joins the first.
        closed: bool,
        /// True for a dashed line.
        dashed: bool,
        /// Its colour.
        tone: Tone,
    },
    /// A small mark; the point itself stays visible within a ring or between the arms of a cross.
    Mark {
        /// The point.
        at: Point<Image>,
        /// Its shape.
        shape: MarkShape,
        /// Its colour.
        tone: Tone,
    },
    /// A text beside a point, moved so that it stays within the picture and off other labels.
    Label {
        /// The point.
        at: Point<Image>,
        /// The text.
        text: String,
        /// The colour of the letters.
        tone: Tone,
    },
}

/// What to draw over a photograph. Lines have a halo, so that they show on dark and on bright ground.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Overlay {
    /// The items, drawn in order; labels come last.
    pub items: Vec<OverlayItem>,
    /// A scale bar; its scale is also written into the picture's pHYs chunk.
    pub scale_bar: Option<ScaleBar>,
}

/// A drawn-over photograph.
#[derive(Clone, Debug)]
pub struct Drawn {
    /// The picture as a PNG, 8 bits, at the photograph's full size.
    pub png: Vec<u8>,
    /// The scale bar as drawn; `None` without one, or where the picture is too small for it.
    pub scale_bar: Option<DrawnBar>,
}

/// Sizes that follow from the picture's.
#[derive(Clone, Copy)]
struct Sizes {
    line_px: f64,
    mark_px: f64,
    text_px: f64,
}

impl Sizes {
    /// Lines stay thin against what is measured, letters readable when the picture fills a screen.
    fn of(width: usize, height: usize) -> Self {
        let diagonal = (width as f64).hypot(height as f64);
        let line_px = (diagonal / 1800.0).clamp(1.0, 8.0);
        let text_px = (0.028 * (width as f64).min(1.5 * height as f64)).max(10.0);
        Self { line_px, mark_px: 4.5 * line_px, text_px }
    }
}

impl Overlay {
    /// Draws over a copy of the photograph's pixels.
    ///
    /// # Errors
    /// [`DrawError::Size`] for photographs above 50,000 px a side, [`DrawError::Encode`] from the encoder.
    pub fn draw_on(&self, photo: &Photo) -> Result<Drawn, DrawError> {
        let (rgba, scale_bar) = self.draw_rgba(photo)?;
        let scale = self.scale_bar.map(|bar| bar.scale);
        Ok(Drawn { png: png::encoded(&rgba, photo.width(), photo.height(), scale)?, scale_bar })
    }

    /// The same as opaque pixels of red, green, blue and alpha, row by row.
    ///
    /// # Errors
    /// [`DrawError::Size`] for photographs above 50,000 px a side.
    pub fn draw_rgba(&self, photo: &Photo) -> Result<(Vec<u8>, Option<DrawnBar>), DrawError> {
        let (width, height) = (photo.width(), photo.height());
        let wrong = DrawError::Size { width_px: width, height_px: height, limit_px: MAX_SIDE_PX };
        if width > MAX_SIDE_PX || height > MAX_SIDE_PX {
            return Err(wrong);
        }
        let rgba = photo.rgba8();
        let (scene, bar) = self.scene_over(width, height, &rgba);
        let size = IntSize::from_wh(width as u32, height as u32);
        let Some(mut pixels) = size.and_then(|size| Pixmap::from_vec(rgba, size)) else { return Err(wrong) };
        scene.draw_on(&mut pixels);
        Ok((pixels.take(), bar))
    }

    /// What is drawn over a photograph of opaque pixels, and the scale bar in it.
    fn scene_over(&self, width: usize, height: usize, rgba: &[u8]) -> (Scene, Option<DrawnBar>) {
        let mut scene = Scene::new(width as f64, height as f64);
        let sizes = Sizes::of(width, height);
        self.add_lines_and_marks(&mut scene, sizes);
        let bar = self.scale_bar.and_then(|bar| bar.draw(Ground { width, height, rgba }, &mut scene));
        self.add_labels(&mut scene, sizes);
        (scene, bar)
    }

    /// The drawing as SVG over the picture at `href`, which stays where it is.
    #[must_use]
    pub fn to_svg_over(&self, photo: &Photo, href: &str) -> String {
        self.scene_over(photo.width(), photo.height(), &photo.rgba8()).0.to_svg_over(Some(href))
    }

    fn add_lines_and_marks(&self, scene: &mut Scene, sizes: Sizes) {
        let Sizes { line_px, mark_px, .. } = sizes;
        for item in &self.items {
            match item {
                OverlayItem::Line { points, closed, dashed, tone } => {
                    let points: Vec<(f64, f64)> = finite(points).collect();
                    let mut add = |stroke| {
                        scene.shapes.push(Shape::Path {
                            points: points.clone(),
                            closed: *closed,
                            fill: None,
                            stroke: Some(stroke),
                        });
                    };
                    let (core, halo) = inks(*tone);
                    add(Stroke::new(halo, 2.6 * line_px));
                    let stroke = Stroke::new(core, line_px);
                    add(if *dashed { stroke.dashed() } else { stroke });
                }
                OverlayItem::Mark { at, shape, tone } => {
                    for (x, y) in finite(std::slice::from_ref(at)) {
                        let (core, halo) = inks(*tone);
                        let below = shape.shapes((x, y), mark_px, halo, 2.6 * line_px);
                        let above = shape.shapes((x, y), mark_px, core, line_px);
                        scene.shapes.extend(below.into_iter().map(|s| widened(s, halo, 1.6 * line_px)).chain(above));
                    }
                }
                OverlayItem::Label { .. } => {}
            }
        }
    }

    /// Points along the lines, `step` pixels apart.
    fn along_lines(&self, step: f64) -> Vec<(f64, f64)> {
        /// Enough for any line that a person drew; more would only take time.
        const MOST: usize = 20_000;
        let mut along = Vec::new();
        for item in &self.items {
            let OverlayItem::Line { points, closed, .. } = item else { continue };
            let mut corners: Vec<(f64, f64)> = finite(points).collect();
            if *closed {
                corners.extend(corners.first().copied());
            }
            for pair in corners.windows(2) {
                let (dx, dy) = (pair[1].0 - pair[0].0, pair[1].1 - pair[0].1);
                let n = (dx.hypot(dy) / step).ceil().clamp(1.0, 1000.0);
                let room = MOST - along.len().min(MOST);
                along.extend((0..n as usize).take(room).map(|i| {
                    let s = i as f64 / n;
                    (pair[0].0 + s * dx, pair[0].1 + s * dy)
                }));
            }
        }
        along
    }

    fn add_labels(&self, scene: &mut Scene, sizes: Sizes) {
        let mut taken: Vec<Box4> = Vec::new();
        let marks: Vec<(f64, f64)> = self
            .items
            .iter()
            .filter_map(|item| if let OverlayItem::Mark { at, .. } = item { Some(*at) } else { None })
            .map(|p| (p.x, p.y))
            .collect();
        let lines = self.along_lines(0.5 * sizes.text_px);
        for item in &self.items {
            let OverlayItem::Label { at, text, tone } = item else { continue };
            for point in finite(std::slice::from_ref(at)) {
                let (place, box4) =
                    placed_label(point, text, sizes, &Obstacles { scene, taken: &taken, marks: &marks, lines: &lines });
                let (core, halo) = inks(*tone);
                taken.push(box4);
                scene.shapes.push(Shape::Text {
                    at: place,
                    text: text.clone(),
                    size_px: sizes.text_px,
                    anchor: Anchor::Start,
                    upwards: false,
                    heavy: true,
                    ink: core,
                    halo: Some(Stroke::new(halo, 0.22 * sizes.text_px)),
                });
            }
        }
    }
}

/// What a label should keep off.
struct Obstacles<'a> {
    scene: &'a Scene,
    taken: &'a [Box4],
    marks: &'a [(f64, f64)],
    /// Points along the lines.
    lines: &'a [(f64, f64)],
}

fn finite(points: &[Point<Image>]) -> impl Iterator<Item = (f64, f64)> {
    points.iter().map(|p| (p.x, p.y)).filter(|(x, y)| x.is_finite() && y.is_finite())
}

/// A bright core and a dark halo: one of the two differs from any ground.
const fn inks(tone: Tone) -> (Ink, Ink) {
    let dark = Ink::BLACK.with_alpha(170);
    match tone {
        // The one dark core has a bright halo.
        Tone::Black => (Ink::BLACK, Ink::WHITE.with_alpha(230)),
        Tone::Grey => (Ink::WHITE, dark),
        Tone::Blue => (Ink::rgb(80, 170, 255), dark),
        Tone::Vermilion => (Ink::rgb(255, 120, 40), dark),
        Tone::Green => (Ink::rgb(60, 220, 160), dark),
        Tone::Orange => (Ink::rgb(255, 190, 30), dark),
        Tone::Sky => (Ink::rgb(140, 215, 255), dark),
        Tone::Purple => (Ink::rgb(240, 150, 200), dark),
    }
}

/// A filled shape with a line of the same ink around it, as the halo of a filled shape.
fn widened(shape: Shape, ink: Ink, by_px: f64) -> Shape {
    let around = Some(Stroke::new(ink, by_px));
    match shape {
        Shape::Path { points, closed, fill: Some(fill), .. } => {
            Shape::Path { points, closed, fill: Some(fill), stroke: around }
        }
        Shape::Circle { centre, radius_px, fill: Some(fill), .. } => {
            Shape::Circle { centre, radius_px, fill: Some(fill), stroke: around }
        }
        other => other,
    }
}

/// An upright box: left, top, right, bottom.
type Box4 = (f64, f64, f64, f64);

fn overlap(a: Box4, b: Box4) -> f64 {
    let side = |a0: f64, a1: f64, b0: f64, b1: f64| (a1.min(b1) - a0.max(b0)).max(0.0);
    side(a.0, a.2, b.0, b.2) * side(a.1, a.3, b.1, b.3)
}

/// The best of eight places around a point, then of rows further away: inside the picture, off other labels and off marks.
fn placed_label((x, y): (f64, f64), text: &str, sizes: Sizes, obstacles: &Obstacles<'_>) -> ((f64, f64), Box4) {
    let (width, height) = (text_width_px(text, sizes.text_px), text_height_px(sizes.text_px));
    let (gap, pad) = (2.0 * sizes.mark_px, 0.25 * sizes.text_px);
    let mut best: Option<(f64, (f64, f64), Box4)> = None;
    for ring in 0..4 {
        let far = gap + f64::from(ring) * 1.5 * height;
        let columns = [x + far, x - 0.5 * width, x - far - width];
        let rows = [y + 0.5 * height, y - far, y + far + height];
        // Right first, then above and below, the plain sides before the corners.
        for (order, (c, r)) in [(0, 0), (1, 1), (1, 2), (2, 0), (0, 1), (0, 2), (2, 1), (2, 2)].into_iter().enumerate()
        {
            let left = columns[c].clamp(pad, (obstacles.scene.width_px - width - pad).max(pad));
            let base = rows[r].clamp(height + pad, (obstacles.scene.height_px - pad).max(height + pad));
            let own = (left - pad, base - height - pad, left + width + pad, base + pad);
            let area = (own.2 - own.0) * (own.3 - own.1);
            let on_labels: f64 = obstacles.taken.iter().map(|b| overlap(own, *b)).sum::<f64>() / area;
            let near = |points: &[(f64, f64)], m: f64| {
                points.iter().filter(|(px, py)| overlap(own, (px - m, py - m, px + m, py + m)) > 0.0).count() as f64
            };
            let on_marks = near(obstacles.marks, sizes.mark_px);
            let on_lines = near(obstacles.lines, sizes.line_px);
            let cost = 2000.0 * on_labels + 5.0 * on_marks + 0.6 * on_lines + f64::from(ring) + 0.01 * order as f64;
            if best.as_ref().is_none_or(|b| cost < b.0) {
                best = Some((cost, (left, base), own));
            }
        }
    }
    // There are always places to choose from.
    best.map_or(((x, y), (x, y, x, y)), |(_cost, place, own)| (place, own))
}
