//! The light about a chain: which pixels are fitted.

use super::Looks;
use super::model::EndKind;
use super::raster::Layer;
use crate::animal::snap::strip::is_burnt;
use crate::photo::Light;
use crate::units::{Image, Point, Vector};

/// The patch reaches this many blur spots beyond the chain, the samples that are fitted this far beyond its rim.
const MARGIN_W: f64 = 2.6;
const BESIDE_W: f64 = 1.3;
/// The body is fitted this far behind its edge, in blur spots, and its edge this far beside the chain: the light of a flank has fallen to a
/// tenth there.
const INTO_BODY_W: f64 = 1.0;
const CLEAR_OF_CHAIN_W: f64 = 0.5;
/// Largest patch, samples.
const MOST_SAMPLES: usize = 60_000;

/// The edge of the body where the chain springs from it, as a first fit finds it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Rim {
    pub(super) at: Point<Image>,
    /// Unit vector out of the body.
    pub(super) outward: Vector<Image>,
    /// Curvature a px, positive where the body bulges.
    pub(super) bend: f64,
    /// Cosine of the angle between `outward` and the first segment.
    pub(super) cosine: f64,
}

impl Rim {
    /// How far a place is out of the body, and how far along its edge, px.
    fn out_and_beside(&self, p: Point<Image>) -> (f64, f64) {
        let v = p - self.at;
        let (out, t) = (v.dot(self.outward), v.dot(Vector::new(-self.outward.y, self.outward.x)));
        // To first order the distance to a circle; beyond its centre nothing needs to be exact.
        let slope = (1.0 + self.bend * out).hypot(self.bend * t).max(0.3);
        ((out + 0.5 * self.bend * (out * out + t * t)) / slope, t)
    }

    /// Whether a place is fitted: the edge as far on one side of the chain as on the other, nothing deep in the body, elsewhere what is
    /// `near` the chain. What is cut off square to the chain instead leaves one side alone of an edge that is met aslant, and where its
    /// curvature changes, the arc that follows that side crosses the chain in a wrong place.
    fn chooses(&self, p: Point<Image>, near: bool, (half, w): (f64, f64)) -> bool {
        let (out, t) = self.out_and_beside(p);
        let beside = t.abs() <= half / self.cosine + CLEAR_OF_CHAIN_W * w;
        if out < -INTO_BODY_W * w {
            false
        } else if out < CLEAR_OF_CHAIN_W * w {
            beside
        } else {
            near || beside && out < INTO_BODY_W * w
        }
    }
}

/// The light about the chain on a grid of samples: pixels, or means of `bin` × `bin` of them.
pub(super) struct Samples {
    pub(super) columns: usize,
    pub(super) rows: usize,
    /// Cells of the drawing a sample, each way.
    pub(super) per: usize,
    /// Image position of the patch's corner, and size of a cell, px.
    pub(super) origin: Point<Image>,
    pub(super) cell_px: f64,
    /// Samples that are fitted: place in the patch, and light.
    pub(super) used: Vec<(usize, f64)>,
    /// Which of them lie beside the chain, not just beside the body's edge.
    pub(super) of_chain: Vec<bool>,
    /// Column and row of the first cell of each of them.
    first_cells: Vec<[usize; 2]>,
}

impl Samples {
    /// `None` where the patch is too large or too little of it lies in the picture.
    pub(super) fn about(
        light: &Light,
        marks: &[Point<Image>],
        w: f64,
        (per, bin): (usize, usize),
        (looks, rim): (&Looks, Option<Rim>),
    ) -> Option<Self> {
        let margin = MARGIN_W * w + looks.halves.iter().copied().fold(0.0, f64::max);
        let low = |pick: fn(&Point<Image>) -> f64| marks.iter().map(pick).fold(f64::INFINITY, f64::min) - margin;
        let high = |pick: fn(&Point<Image>) -> f64| marks.iter().map(pick).fold(f64::NEG_INFINITY, f64::max) + margin;
        let (x0, y0) = (low(|p| p.x).floor(), low(|p| p.y).floor());
        let size = |from: f64, to: f64| ((to - from) / bin as f64).ceil().max(0.0) as usize;
        let (columns, rows) = (size(x0, high(|p| p.x)), size(y0, high(|p| p.y)));
        if columns * rows > MOST_SAMPLES {
            return None;
        }
        let cell_px = bin as f64 / per as f64;
        let (used, of_chain, first_cells) = (Vec::new(), Vec::new(), Vec::new());
        let mut samples = Self { columns, rows, per, origin: Point::new(x0, y0), cell_px, used, of_chain, first_cells };
        let widest = looks.halves.iter().copied().fold(0.0, f64::max);
        for place in 0..columns * rows {
            let corner =
                Point::<Image>::new(x0 + ((place % columns) * bin) as f64, y0 + ((place / columns) * bin) as f64);
            let centre = corner + Vector::new(0.5 * bin as f64, 0.5 * bin as f64);
            let of_chain = near(centre, marks, widest + BESIDE_W * w, looks, w);
            if !rim.map_or(of_chain, |rim| rim.chooses(centre, of_chain, (looks.halves[0], w))) {
                continue;
            }
            if let Some(v) = mean(light, corner, bin) {
                samples.used.push((place, v));
                samples.of_chain.push(of_chain);
                samples.first_cells.push([per * (place % columns), per * (place / columns)]);
            }
        }
        (samples.used.len() >= 60).then_some(samples)
    }

    /// A layer averaged over the cells of each sample that is used, 0 outside of its window.
    pub(super) fn seen(&self, layer: &Layer) -> Vec<f64> {
        let n = self.per;
        let [x0, y0] = layer.corner;
        let value = |[column, row]: [usize; 2]| {
            // Below the corner the difference wraps to beyond every end.
            let (x, y) = (column.wrapping_sub(x0), row.wrapping_sub(y0));
            if n == 1 {
                return if x < layer.columns && y < layer.rows { layer.values[y * layer.columns + x] } else { 0.0 };
            }
            let mut sum = 0.0;
            for y in (0..n).map(|k| y.wrapping_add(k)).filter(|y| *y < layer.rows) {
                for x in (0..n).map(|k| x.wrapping_add(k)).filter(|x| *x < layer.columns) {
                    sum += layer.values[y * layer.columns + x];
                }
            }
            sum / (n * n) as f64
        };
        self.first_cells.iter().map(|c| value(*c)).collect()
    }

    /// The whole patch in cells, as a window.
    pub(super) fn whole(&self) -> [usize; 4] {
        [0, 0, self.columns * self.per, self.rows * self.per]
    }
}

/// Whether a place is near enough to the chain to be fitted: a little into the body, not at all beyond an end that goes on.
fn near(p: Point<Image>, marks: &[Point<Image>], reach: f64, looks: &Looks, w: f64) -> bool {
    let n = marks.len();
    let mut closest = f64::INFINITY;
    for (i, pair) in marks.windows(2).enumerate() {
        let v = pair[1] - pair[0];
        let (length, d) = (v.length(), p - pair[0]);
        let along = d.dot(v) / length;
        let beyond_first = if looks.first == EndKind::Body { INTO_BODY_W * w } else { 0.3 * w };
        let beyond_last = if looks.last == EndKind::Tip { reach } else { 0.3 * w };
        let from = if i == 0 { -beyond_first } else { 0.0 };
        let to = if i + 2 == n { length + beyond_last } else { length };
        if along < from || along > to {
            if (i == 0 && along < from) || (i + 2 == n && along > to) {
                continue;
            }
            closest = closest.min((p - pair[0]).length()).min((p - pair[1]).length());
        } else {
            closest = closest.min((d.dot(Vector::new(-v.y, v.x)) / length).abs());
        }
    }
    closest <= reach
}

/// Mean light of a square of pixels; `None` outside the picture or where one is burnt.
fn mean(light: &Light, corner: Point<Image>, bin: usize) -> Option<f64> {
    let inside = corner.x >= 0.0
        && corner.y >= 0.0
        && corner.x as usize + bin <= light.width()
        && corner.y as usize + bin <= light.height();
    if !inside {
        return None;
    }
    let (column, row) = (corner.x as usize, corner.y as usize);
    let mut sum = 0.0;
    for y in row..row + bin {
        for x in column..column + bin {
            if is_burnt(light, x, y) {
                return None;
            }
            sum += f64::from(light.at(x, y));
        }
    }
    Some(sum / (bin * bin) as f64)
}
