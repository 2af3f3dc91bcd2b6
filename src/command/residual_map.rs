//! The residuals over the picture's outline: where and which way graduations lie off the scale map.
//!
//! A graduation off toward higher numbers is a full disc, one off the other way an open ring; its size tells how far. Dots, whose residuals
//! have a direction, are arrows, the mean of each cell. Shape and size tell all; colour only helps.

use crate::exchange::draw::{Anchor, Ink, MarkShape, Scene, Shape, Stroke, Tone, text_height_px};
use crate::slide::{Family, Graduation, Reading, RegionBlur, Rejection};
use crate::uncertainty::significant;

const TEXT_PX: f64 = 16.0;
const MARGIN_PX: f64 = 16.0;
/// Size on the page of the length in the key.
const KEY_PX: f64 = 14.0;
/// Cells over the longer side, for dots.
const CELLS: usize = 28;
/// Highest map on the page.
const MOST_HEIGHT_PX: f64 = 900.0;
const INK: Ink = Ink::rgb(40, 40, 40);
const SOFT: Ink = Ink::rgb(90, 90, 90);

/// Where the picture's pixels lie on the page.
struct Place {
    left: f64,
    top: f64,
    per_px: f64,
}

impl Place {
    fn of(&self, x: f64, y: f64) -> (f64, f64) {
        (self.left + x * self.per_px, self.top + y * self.per_px)
    }
}

/// Adds the map below what is on the page.
pub(super) fn below(page: &mut Scene, reading: &Reading, parts: &[RegionBlur]) {
    let (w, h) = (reading.map.width_px as f64, reading.map.height_px as f64);
    let head = 3.8 * TEXT_PX;
    let width = page.width_px - 2.0 * MARGIN_PX;
    let per_px = (width / w).min(MOST_HEIGHT_PX / h);
    let top = page.height_px + head;
    let place = Place { left: MARGIN_PX + 0.5 * (width - w * per_px), top, per_px };
    let from = page.height_px;
    page.height_px = top + h * per_px + MARGIN_PX;
    let key = key_length(reading);
    heading(page, from, key, matches!(reading.graduations.first().map(|g| g.family), Some(Family::Dot { .. })));
    page.rectangle((place.left, place.top), (w * per_px, h * per_px), None, Some(Stroke::new(SOFT, 1.5)));
    for part in parts {
        let at = place.of((part.column as f64 + 0.5) * w / 3.0, (part.row as f64 + 0.5) * h / 3.0);
        let words = format!("blur {} px", significant(part.blur.width.get(), 2));
        write(page, (at.0, place.of(0.0, part.row as f64 * h / 3.0).1 + 1.6 * TEXT_PX), &words, Anchor::Middle, SOFT);
    }
    let scale = KEY_PX / key;
    if reading.graduations.iter().any(|g| matches!(g.family, Family::Dot { .. })) {
        arrows(page, reading, &place, scale);
    } else {
        for g in &reading.graduations {
            line(page, g, &place, scale);
        }
    }
    for g in reading.graduations.iter().filter(|g| g.rejected.is_some()) {
        let not_seen = g.rejected == Some(Rejection::NotSeen);
        let (shape, tone) = if not_seen { (MarkShape::Plus, Tone::Grey) } else { (MarkShape::Cross, Tone::Vermilion) };
        cross(page, place.of(g.at.x, g.at.y), shape, tone.ink());
    }
}

/// A round length near twice the root mean square, px.
fn key_length(reading: &Reading) -> f64 {
    let wanted = (2.0 * reading.residual_rms.get()).max(1e-4);
    let decade = 10_f64.powf(wanted.log10().floor());
    [1.0, 2.0, 5.0, 10.0].map(|m| m * decade).into_iter().find(|v| *v >= wanted).unwrap_or(wanted)
}

fn heading(page: &mut Scene, top: f64, key: f64, dots: bool) {
    let base = top + TEXT_PX;
    write(page, (MARGIN_PX, base), "Distance from the scale map over the picture", Anchor::Start, INK);
    let y = base + 1.7 * TEXT_PX;
    let middle = y - 0.5 * text_height_px(TEXT_PX);
    let mut x = MARGIN_PX + KEY_PX;
    if dots {
        arrow(page, (x, middle), (KEY_PX, 0.0));
        x += KEY_PX + 10.0;
        x = write(page, (x, y), &format!("{} px, mean of a cell", significant(key, 1)), Anchor::Start, SOFT);
    } else {
        disc(page, (x, middle), KEY_PX);
        x += KEY_PX + 6.0;
        x = write(page, (x, y), &format!("{} px toward higher numbers", significant(key, 1)), Anchor::Start, SOFT);
        x += KEY_PX + 16.0;
        ring(page, (x, middle), KEY_PX);
        x += KEY_PX + 6.0;
        x = write(page, (x, y), &format!("{} px toward lower", significant(key, 1)), Anchor::Start, SOFT);
    }
    x += 30.0;
    cross(page, (x, middle), MarkShape::Cross, Tone::Vermilion.ink());
    x = write(page, (x + 12.0, y), "left out: out of place", Anchor::Start, SOFT) + 24.0;
    if !dots {
        cross(page, (x, middle), MarkShape::Plus, Tone::Grey.ink());
        write(page, (x + 12.0, y), "not seen", Anchor::Start, SOFT);
    }
}

/// Returns where the text ends.
fn write(page: &mut Scene, at: (f64, f64), text: &str, anchor: Anchor, ink: Ink) -> f64 {
    page.shapes.push(Shape::Text {
        at,
        text: text.to_owned(),
        size_px: TEXT_PX,
        anchor,
        upwards: false,
        heavy: false,
        ink,
        halo: None,
    });
    at.0 + crate::exchange::draw::text_width_px(text, TEXT_PX)
}

fn line(page: &mut Scene, g: &Graduation, place: &Place, scale: f64) {
    if g.rejected.is_some() {
        return;
    }
    let at = place.of(g.at.x, g.at.y);
    let radius = (g.residual.get().abs() * scale).clamp(1.0, 3.0 * KEY_PX);
    if g.residual.get() < 0.0 { ring(page, at, radius) } else { disc(page, at, radius) }
}

fn disc(page: &mut Scene, centre: (f64, f64), radius_px: f64) {
    let fill = Some(Tone::Blue.ink().with_alpha(150));
    page.shapes.push(Shape::Circle { centre, radius_px, fill, stroke: Some(Stroke::new(Tone::Blue.ink(), 1.0)) });
}

fn ring(page: &mut Scene, centre: (f64, f64), radius_px: f64) {
    let stroke = Some(Stroke::new(Tone::Orange.ink(), 2.0));
    page.shapes.push(Shape::Circle { centre, radius_px, fill: None, stroke });
}

fn cross(page: &mut Scene, at: (f64, f64), shape: MarkShape, ink: Ink) {
    let d = 5.0;
    let ends = if shape == MarkShape::Plus {
        [((-d, 0.0), (d, 0.0)), ((0.0, -d), (0.0, d))]
    } else {
        [((-d, -d), (d, d)), ((-d, d), (d, -d))]
    };
    for (a, b) in ends {
        page.line(vec![(at.0 + a.0, at.1 + a.1), (at.0 + b.0, at.1 + b.1)], Stroke::new(ink, 1.8));
    }
}

fn arrow(page: &mut Scene, from: (f64, f64), (dx, dy): (f64, f64)) {
    let tip = (from.0 + dx, from.1 + dy);
    let stroke = Stroke::new(Tone::Blue.ink(), 1.6);
    page.line(vec![from, tip], stroke.clone());
    let length = dx.hypot(dy);
    if length > 3.0 {
        let (ux, uy) = (dx / length, dy / length);
        let size = (0.4 * length).min(6.0);
        let side = |s: f64| (tip.0 - size * (ux - 0.5 * s * uy), tip.1 - size * (uy + 0.5 * s * ux));
        page.line(vec![side(1.0), tip, side(-1.0)], stroke);
    }
}

/// Mean residuals of cells as arrows.
fn arrows(page: &mut Scene, reading: &Reading, place: &Place, scale: f64) {
    let (w, h) = (reading.map.width_px as f64, reading.map.height_px as f64);
    let cell = w.max(h) / CELLS as f64;
    let mut cells = std::collections::BTreeMap::<(i64, i64), (f64, f64, f64)>::new();
    for g in reading.graduations.iter().filter(|g| g.rejected.is_none()) {
        let Family::Dot { residual_across, .. } = g.family else { continue };
        // Along the ruling's direction and square to it.
        let (sin, cos) = reading.rotation.get().sin_cos();
        let (a, b) = (g.residual.get(), residual_across.get());
        let sum = cells.entry(((g.at.x / cell) as i64, (g.at.y / cell) as i64)).or_default();
        sum.0 += a * cos - b * sin;
        sum.1 += a * sin + b * cos;
        sum.2 += 1.0;
    }
    for ((i, k), (x, y, n)) in cells {
        let from = place.of((i as f64 + 0.5) * cell, (k as f64 + 0.5) * cell);
        arrow(page, from, (x / n * scale, y / n * scale));
    }
}
