//! Where things go on the page.

use super::super::draw::{Anchor, Ink, Scene, Shape, text_height_px, text_width_px, wrapped};
use super::panel::Frame;
use super::{Panel, Plot};

/// Sizes and inks that all of a page shares.
#[derive(Clone, Copy, Debug)]
pub(super) struct Manner {
    /// Height of ordinary text, px.
    pub(super) text_px: f64,
    /// Thin lines, px.
    pub(super) line_px: f64,
}

pub(super) const INK: Ink = Ink::rgb(40, 40, 40);
pub(super) const SOFT: Ink = Ink::rgb(90, 90, 90);
pub(super) const FAINT: Ink = Ink::rgb(226, 226, 226);

impl Manner {
    fn of(width_px: f64, height_px: f64) -> Self {
        // 16 px on a page of 1200 × 800; less on long and narrow ones.
        let text_px = ((width_px * height_px).sqrt() / 60.0).min(width_px.min(height_px) / 32.0).clamp(9.0, 60.0);
        Self { text_px, line_px: text_px / 14.0 }
    }

    /// From one base line to the next.
    pub(super) fn step_px(self) -> f64 {
        1.35 * self.text_px
    }
}

/// A text of one line.
pub(super) fn text(at: (f64, f64), text: &str, size_px: f64, anchor: Anchor, ink: Ink) -> Shape {
    Shape::Text { at, text: text.to_owned(), size_px, anchor, upwards: false, heavy: false, ink, halo: None }
}

fn heading(shape: Shape) -> Shape {
    match shape {
        Shape::Text { at, text, size_px, anchor, upwards, ink, halo, .. } => {
            Shape::Text { at, text, size_px, anchor, upwards, heavy: true, ink, halo }
        }
        other => other,
    }
}

/// Share of a line's width that its text may fill: viewers of SVG may put a wider font in place of ours.
const FILLED: f64 = 0.86;

/// Writes lines from the top of a box; returns the height used.
pub(super) fn lines(scene: &mut Scene, (x, y): (f64, f64), width: f64, words: &str, size_px: f64, head: bool) -> f64 {
    let mut used = 0.0;
    for line in wrapped(words, size_px, FILLED * width) {
        let base = y + used + text_height_px(size_px) + 0.15 * size_px;
        let shape = text((x, base), &line, size_px, Anchor::Start, if head { INK } else { SOFT });
        scene.shapes.push(if head { heading(shape) } else { shape });
        used += 1.3 * size_px;
    }
    used
}

/// The whole page.
pub(super) fn page(plot: &Plot, width: f64, height: f64) -> Scene {
    let mut scene = Scene::new(width, height);
    let manner = Manner::of(width, height);
    let t = manner.text_px;
    let margin = t;
    let mut top = margin;
    if !plot.title.is_empty() {
        top += lines(&mut scene, (margin, top), width - 2.0 * margin, &plot.title, 1.35 * t, true);
    }
    if !plot.subtitle.is_empty() {
        top += lines(&mut scene, (margin, top), width - 2.0 * margin, &plot.subtitle, t, false);
    }
    if top > margin {
        top += 0.5 * t;
    }
    let columns = plot.columns.clamp(1, plot.panels.len().max(1));
    let rows: Vec<&[Panel]> = plot.panels.chunks(columns).collect();
    let weight = |row: &[Panel]| row.iter().map(|p| p.weight).filter(|w| w.is_finite() && *w > 0.0).fold(0.1, f64::max);
    let total: f64 = rows.iter().map(|row| weight(row)).sum();
    let gap = 1.2 * t;
    let column_width = (width - 2.0 * margin - gap * (columns - 1) as f64) / columns as f64;
    let space = height - top - margin - gap * (rows.len().saturating_sub(1)) as f64;
    // Panels below each other share their left edge, so that their x axes line up.
    let left_insets: Vec<f64> = (0..columns)
        .map(|c| {
            let column = rows.iter().filter_map(|row| Some((row.get(c)?, weight(row))));
            column.map(|(panel, w)| Frame::left_inset(panel, manner, space * w / total)).fold(0.0, f64::max)
        })
        .collect();
    for row in rows {
        let row_height = space * weight(row) / total;
        for (c, panel) in row.iter().enumerate() {
            let x = margin + c as f64 * (column_width + gap);
            Frame::new(panel, manner, (x, top, column_width, row_height), left_insets[c]).draw(&mut scene);
        }
        top += row_height + gap;
    }
    scene
}

/// Width of the widest of some labels.
pub(super) fn widest(labels: &[String], size_px: f64) -> f64 {
    labels.iter().map(|l| text_width_px(l, size_px)).fold(0.0, f64::max)
}
