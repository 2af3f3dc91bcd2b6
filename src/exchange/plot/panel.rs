//! One panel: axes, legend, and the data.

use super::super::draw::{Anchor, Ink, MarkShape, Scene, Shape, Stroke, Tone, text_height_px, text_width_px, wrapped};
use super::layout::{FAINT, INK, Manner, SOFT, lines, text, widest};
use super::ticks::{Ticks, power_of_ten};
use super::{Axis, Data, Panel, Series};

/// A panel with its place on the page and the ends of its axes.
pub(super) struct Frame<'a> {
    panel: &'a Panel,
    manner: Manner,
    /// The box on the page: left, top, width, height.
    place: (f64, f64, f64, f64),
    left_inset: f64,
    x: (f64, f64),
    y: (f64, f64),
}

/// The area of the data on the page: left, top, right, bottom.
type Area = (f64, f64, f64, f64);

impl<'a> Frame<'a> {
    pub(super) fn new(panel: &'a Panel, manner: Manner, place: (f64, f64, f64, f64), left_inset: f64) -> Self {
        let (x, y) = ends(panel);
        Self { panel, manner, place, left_inset, x, y }
    }

    /// The room that a panel's vertical axis needs for its figures and words.
    pub(super) fn left_inset(panel: &Panel, manner: Manner, height: f64) -> f64 {
        let t = manner.text_px;
        let (_x, y) = ends(panel);
        let ticks = Ticks::between(y.0, y.1, most_rows(height, t));
        let words = axis_words(&panel.y, ticks.exponent);
        let rows = if words.is_empty() { 0 } else { wrapped(&words, t, upright_room(height, t)).len() };
        widest(&ticks.labels, t) + 0.8 * t + rows as f64 * manner.step_px()
    }

    pub(super) fn draw(&self, scene: &mut Scene) {
        let t = self.manner.text_px;
        let (left, mut top, width, height) = self.place;
        let bottom_of_box = top + height;
        if !self.panel.title.is_empty() {
            top += lines(scene, (left, top), width, &self.panel.title, 1.1 * t, true);
        }
        top += self.legend(scene, (left + self.left_inset, top), width - self.left_inset);
        top += 0.4 * t;

        let x0 = left + self.left_inset;
        let x1 = (left + width - 0.6 * t).max(x0 + t);
        let x_ticks = self.x_ticks(x1 - x0);
        let words = axis_words(&self.panel.x, x_ticks.exponent);
        let words = wrapped(&words, t, (x1 - x0).max(1.0));
        let below = 1.5 * t + words.len() as f64 * self.manner.step_px();
        let area = (x0, top, x1, (bottom_of_box - below).max(top + 2.0 * t));

        let y_ticks = Ticks::between(self.y.0, self.y.1, most_rows(height, t));
        self.grid(scene, area, &x_ticks, &y_ticks);
        for (i, series) in self.panel.series.iter().enumerate() {
            self.series(scene, area, i, series);
        }
        let frame = Stroke::new(INK, self.manner.line_px);
        scene.line(vec![(area.0, area.1), (area.0, area.3), (area.2, area.3)], frame);
        self.labels(scene, area, &x_ticks, &y_ticks);
        for (i, line) in words.iter().enumerate() {
            let base = area.3 + 1.5 * t + (i as f64 + 0.75) * self.manner.step_px();
            scene.shapes.push(text((0.5 * (area.0 + area.2), base), line, t, Anchor::Middle, INK));
        }
    }

    /// As many ticks across as have room for their labels.
    fn x_ticks(&self, length: f64) -> Ticks {
        let t = self.manner.text_px;
        let mut most = (length / (3.5 * t)).clamp(2.0, 11.0) as usize;
        loop {
            let ticks = Ticks::between(self.x.0, self.x.1, most);
            let each = length / ticks.at.len().max(1) as f64;
            if most <= 1 || widest(&ticks.labels, t) + 1.2 * t <= each {
                return ticks;
            }
            most -= 1;
        }
    }

    fn at(&self, area: Area, (x, y): (f64, f64)) -> (f64, f64) {
        let across = (x - self.x.0) / (self.x.1 - self.x.0);
        let up = (y - self.y.0) / (self.y.1 - self.y.0);
        (area.0 + across * (area.2 - area.0), area.3 - up * (area.3 - area.1))
    }

    fn grid(&self, scene: &mut Scene, area: Area, x_ticks: &Ticks, y_ticks: &Ticks) {
        let stroke = Stroke::new(FAINT, self.manner.line_px);
        for x in &x_ticks.at {
            let (px, _) = self.at(area, (*x, self.y.0));
            scene.line(vec![(px, area.1), (px, area.3)], stroke.clone());
        }
        for y in &y_ticks.at {
            let (_, py) = self.at(area, (self.x.0, *y));
            scene.line(vec![(area.0, py), (area.2, py)], stroke.clone());
        }
    }

    fn labels(&self, scene: &mut Scene, area: Area, x_ticks: &Ticks, y_ticks: &Ticks) {
        let t = self.manner.text_px;
        let tick = Stroke::new(INK, self.manner.line_px);
        for (x, label) in x_ticks.at.iter().zip(&x_ticks.labels) {
            let (px, _) = self.at(area, (*x, self.y.0));
            scene.line(vec![(px, area.3), (px, area.3 + 0.3 * t)], tick.clone());
            scene.shapes.push(text((px, area.3 + 0.55 * t + text_height_px(t)), label, t, Anchor::Middle, INK));
        }
        for (y, label) in y_ticks.at.iter().zip(&y_ticks.labels) {
            let (_, py) = self.at(area, (self.x.0, *y));
            scene.line(vec![(area.0 - 0.3 * t, py), (area.0, py)], tick.clone());
            scene.shapes.push(text((area.0 - 0.5 * t, py + 0.5 * text_height_px(t)), label, t, Anchor::End, INK));
        }
        let words = axis_words(&self.panel.y, y_ticks.exponent);
        for (i, line) in wrapped(&words, t, upright_room(self.place.3, t)).iter().enumerate() {
            let x = self.place.0 + (i as f64 + 0.7) * self.manner.step_px();
            // Centred on the axis, but kept within the panel's box.
            let half = 0.5 * text_width_px(line, t);
            let (low, high) = (self.place.1 + half, self.place.1 + self.place.3 - half);
            let y = (0.5 * (area.1 + area.3)).min(high).max(low);
            scene.shapes.push(Shape::Text {
                at: (x, y),
                text: line.clone(),
                size_px: t,
                anchor: Anchor::Middle,
                upwards: true,
                heavy: false,
                ink: INK,
                halo: None,
            });
        }
    }

    fn look(&self, place: usize, series: &Series) -> Look {
        let reference = matches!(series.data, Data::Across(_) | Data::Upwards(_));
        let (tone, shape) = by_place(place);
        let ink = series.tone.unwrap_or(if reference { Tone::Grey } else { tone }).ink();
        let shape = series.shape.unwrap_or(shape);
        let width = if reference { 1.2 } else { 1.8 } * self.manner.line_px;
        let stroke = Stroke::new(ink, width);
        let stroke = if series.dashed { stroke.dashed() } else { stroke };
        Look { ink, shape, stroke, half_px: 0.27 * self.manner.text_px, thin_px: 1.5 * self.manner.line_px }
    }

    /// Draws the legend in rows; returns the height used.
    fn legend(&self, scene: &mut Scene, (left, top): (f64, f64), width: f64) -> f64 {
        let t = self.manner.text_px;
        let (swatch, step) = (2.2 * t, self.manner.step_px());
        let named = self.panel.series.iter().enumerate().filter(|(_, s)| !s.name.is_empty());
        let mut entries: Vec<(Option<usize>, &str)> = named.map(|(i, s)| (Some(i), s.name.as_str())).collect();
        if self.panel.series.iter().any(|s| self.reaches_beyond(s)) {
            entries.push((None, "lies beyond the axis"));
        }
        let (mut x, mut row) = (0.0, 0);
        for (place, name) in &entries {
            let words = wrapped(name, t, (width - swatch - 0.6 * t).max(1.0));
            let entry = swatch + 0.5 * t + widest(&words, t);
            if x > 0.0 && (x + entry > width || words.len() > 1) {
                x = 0.0;
                row += 1;
            }
            let middle = top + row as f64 * step + 0.5 * step;
            match place.and_then(|i| Some((i, self.panel.series.get(i)?))) {
                Some((i, series)) => self.look(i, series).sample(&series.data, (left + x, middle), swatch, t, scene),
                None => scene.shapes.push(arrow(
                    (left + x + 0.5 * swatch, middle - 0.35 * t),
                    (0.0, 1.0),
                    0.35 * t,
                    SOFT,
                    self.manner,
                )),
            }
            for (k, line) in words.iter().enumerate() {
                let base = middle + 0.5 * text_height_px(t) + k as f64 * step;
                scene.shapes.push(text((left + x + swatch + 0.5 * t, base), line, t, Anchor::Start, SOFT));
            }
            row += words.len() - 1;
            x = if words.len() > 1 { width } else { x + entry + 2.4 * t };
        }
        if entries.is_empty() { 0.0 } else { (row + 1) as f64 * step }
    }

    /// True when a point of the series lies beyond the ends of an axis.
    fn reaches_beyond(&self, series: &Series) -> bool {
        let beyond = |x: f64, y: f64| {
            let out = |v: f64, (low, high): (f64, f64)| v < low || v > high;
            x.is_finite() && y.is_finite() && (out(x, self.x) || out(y, self.y))
        };
        match &series.data {
            Data::Points(v) => v.iter().any(|p| beyond(p.0, p.1)),
            Data::PointsWithErrors(v) => v.iter().any(|p| beyond(p.0, p.1)),
            _ => false,
        }
    }

    fn series(&self, scene: &mut Scene, area: Area, place: usize, series: &Series) {
        let look = self.look(place, series);
        match &series.data {
            Data::Points(points) => {
                for point in points {
                    self.point(scene, area, *point, 0.0, &look);
                }
            }
            Data::PointsWithErrors(points) => {
                for (x, y, half) in points {
                    self.point(scene, area, (*x, *y), *half, &look);
                }
            }
            Data::Line(points) => self.polyline(scene, area, points, &look.stroke),
            Data::Across(y) => self.polyline(scene, area, &[(self.x.0, *y), (self.x.1, *y)], &look.stroke),
            Data::Upwards(x) => self.polyline(scene, area, &[(*x, self.y.0), (*x, self.y.1)], &look.stroke),
            Data::Band(points) => {
                let inside: Vec<_> =
                    points.iter().filter(|p| p.0.is_finite() && p.1.is_finite() && p.2.is_finite()).collect();
                let corners = inside.iter().map(|p| (p.0, p.2)).chain(inside.iter().rev().map(|p| (p.0, p.1)));
                let points = corners.map(|p| self.kept(area, self.at(area, p))).collect();
                let fill = Some(look.ink.with_alpha(56));
                scene.shapes.push(Shape::Path { points, closed: true, fill, stroke: None });
            }
            Data::Bars(bars) => {
                for (from, to, height) in bars.iter().filter(|b| b.0.is_finite() && b.1.is_finite() && b.2.is_finite())
                {
                    let a = self.kept(area, self.at(area, (*from, 0.0)));
                    let b = self.kept(area, self.at(area, (*to, *height)));
                    let corner = (a.0.min(b.0), a.1.min(b.1));
                    let size = ((b.0 - a.0).abs(), (b.1 - a.1).abs());
                    let edge = Stroke::new(look.ink, self.manner.line_px);
                    scene.rectangle(corner, size, Some(look.ink.with_alpha(90)), Some(edge));
                }
            }
        }
    }

    /// The nearest place within the area.
    const fn kept(&self, area: Area, (x, y): (f64, f64)) -> (f64, f64) {
        (x.max(area.0).min(area.2), y.max(area.1).min(area.3))
    }

    /// A point with its error bar; one that lies beyond the axes becomes an arrow at the edge.
    fn point(&self, scene: &mut Scene, area: Area, (x, y): (f64, f64), half: f64, look: &Look) {
        if !(x.is_finite() && y.is_finite()) {
            return;
        }
        let at = self.at(area, (x, y));
        let (beside, over) = (x < self.x.0 || x > self.x.1, y < self.y.0 || y > self.y.1);
        if beside || over {
            let towards = |v: f64, (low, high): (f64, f64)| {
                if v < low {
                    -1.0
                } else if v > high {
                    1.0
                } else {
                    0.0
                }
            };
            let inwards = if over { (0.0, towards(y, self.y)) } else { (-towards(x, self.x), 0.0) };
            scene.shapes.push(arrow(self.kept(area, at), inwards, 1.3 * look.half_px, look.ink, self.manner));
            return;
        }
        if half.is_finite() && half > 0.0 {
            let (low, high) =
                (self.kept(area, self.at(area, (x, y - half))), self.kept(area, self.at(area, (x, y + half))));
            scene.line(vec![low, high], Stroke::new(look.ink, look.thin_px));
            for end in [low, high] {
                let cap = 0.7 * look.half_px;
                scene.line(vec![(end.0 - cap, end.1), (end.0 + cap, end.1)], Stroke::new(look.ink, look.thin_px));
            }
        }
        scene.shapes.extend(look.shape.shapes(at, look.half_px, look.ink, look.thin_px));
    }

    /// A line through the finite points, cut at the edges of the area.
    fn polyline(&self, scene: &mut Scene, area: Area, points: &[(f64, f64)], stroke: &Stroke) {
        let mut run: Vec<(f64, f64)> = Vec::new();
        for pair in points.windows(2) {
            let finite = pair.iter().all(|p| p.0.is_finite() && p.1.is_finite());
            let part = if finite { clipped(self.at(area, pair[0]), self.at(area, pair[1]), area) } else { None };
            let Some((from, to)) = part else {
                flush(scene, &mut run, stroke);
                continue;
            };
            if run.last() != Some(&from) {
                flush(scene, &mut run, stroke);
                run.push(from);
            }
            run.push(to);
        }
        flush(scene, &mut run, stroke);
    }
}

/// Colour and shape of a series by its place: a colour that comes again has another shape.
const fn by_place(place: usize) -> (Tone, MarkShape) {
    let turned = place + place / Tone::ORDER.len();
    (Tone::ORDER[place % Tone::ORDER.len()], MarkShape::ORDER[turned % MarkShape::ORDER.len()])
}

/// An open arrow head whose point is at the edge; `inwards` leads from there into the area.
fn arrow(tip: (f64, f64), inwards: (f64, f64), half_px: f64, ink: Ink, manner: Manner) -> Shape {
    let (dx, dy) = inwards;
    let foot = (tip.0 + 2.0 * half_px * dx, tip.1 + 2.0 * half_px * dy);
    let (wide_x, wide_y) = (half_px * dy, half_px * dx);
    let points = vec![tip, (foot.0 + wide_x, foot.1 + wide_y), (foot.0 - wide_x, foot.1 - wide_y)];
    Shape::Path { points, closed: true, fill: None, stroke: Some(Stroke::new(ink, 1.5 * manner.line_px)) }
}

fn flush(scene: &mut Scene, run: &mut Vec<(f64, f64)>, stroke: &Stroke) {
    if run.len() > 1 {
        scene.line(std::mem::take(run), stroke.clone());
    }
    run.clear();
}

/// How a series is drawn.
struct Look {
    ink: Ink,
    shape: MarkShape,
    stroke: Stroke,
    half_px: f64,
    thin_px: f64,
}

impl Look {
    /// A sample for the legend, in a box of the given width.
    fn sample(&self, data: &Data, (x, y): (f64, f64), width: f64, t: f64, scene: &mut Scene) {
        match data {
            Data::Points(_) | Data::PointsWithErrors(_) => {
                let at = (x + 0.5 * width, y);
                if matches!(data, Data::PointsWithErrors(_)) {
                    scene.line(vec![(at.0, y - 0.5 * t), (at.0, y + 0.5 * t)], Stroke::new(self.ink, self.thin_px));
                }
                scene.shapes.extend(self.shape.shapes(at, self.half_px, self.ink, self.thin_px));
            }
            Data::Line(_) | Data::Across(_) | Data::Upwards(_) => {
                scene.line(vec![(x, y), (x + width, y)], self.stroke.clone());
            }
            Data::Band(_) => scene.rectangle((x, y - 0.35 * t), (width, 0.7 * t), Some(self.ink.with_alpha(56)), None),
            Data::Bars(_) => {
                let edge = Some(Stroke::new(self.ink, 0.5 * self.thin_px));
                scene.rectangle((x, y - 0.35 * t), (width, 0.7 * t), Some(self.ink.with_alpha(90)), edge);
            }
        }
    }
}

/// The part of a straight line that lies within a box (Liang and Barsky, ACM Trans. Graphics 3, 1984, 1).
fn clipped(a: (f64, f64), b: (f64, f64), area: Area) -> Option<((f64, f64), (f64, f64))> {
    let (dx, dy) = (b.0 - a.0, b.1 - a.1);
    let (mut from, mut to) = (0.0_f64, 1.0_f64);
    for (p, q) in [(-dx, a.0 - area.0), (dx, area.2 - a.0), (-dy, a.1 - area.1), (dy, area.3 - a.1)] {
        if p == 0.0 {
            if q < 0.0 {
                return None;
            }
        } else if p < 0.0 {
            from = from.max(q / p);
        } else {
            to = to.min(q / p);
        }
    }
    let at = |s: f64| {
        if s == 0.0 {
            a
        } else if s == 1.0 {
            b
        } else {
            (a.0 + s * dx, a.1 + s * dy)
        }
    };
    (from <= to).then(|| (at(from), at(to)))
}

/// Ticks upwards for a panel of a height.
fn most_rows(height: f64, text_px: f64) -> usize {
    ((height - 5.0 * text_px) / (2.2 * text_px)).clamp(2.0, 9.0) as usize
}

/// Room for the words of the vertical axis.
fn upright_room(height: f64, text_px: f64) -> f64 {
    (height - text_px).max(1.0)
}

fn axis_words(axis: &Axis, exponent: i32) -> String {
    let unit = match (exponent, axis.unit.as_str()) {
        (0, "") => String::new(),
        (0, unit) => format!(" ({unit})"),
        (e, "") => format!(" ({})", power_of_ten(e)),
        (e, unit) => format!(" ({} {unit})", power_of_ten(e)),
    };
    format!("{}{unit}", axis.label).trim().to_owned()
}

/// Ends of both axes: as told, or all of the data with a little room.
fn ends(panel: &Panel) -> ((f64, f64), (f64, f64)) {
    let (mut xs, mut ys) = (Vec::new(), Vec::new());
    for series in &panel.series {
        match &series.data {
            Data::Points(v) | Data::Line(v) => {
                xs.extend(v.iter().map(|p| p.0));
                ys.extend(v.iter().map(|p| p.1));
            }
            Data::PointsWithErrors(v) => {
                xs.extend(v.iter().map(|p| p.0));
                ys.extend(v.iter().flat_map(|p| if p.2.is_finite() { [p.1 - p.2, p.1 + p.2] } else { [p.1, p.1] }));
            }
            Data::Band(v) => {
                xs.extend(v.iter().map(|p| p.0));
                ys.extend(v.iter().flat_map(|p| [p.1, p.2]));
            }
            Data::Bars(v) => {
                xs.extend(v.iter().flat_map(|p| [p.0, p.1]));
                ys.extend(v.iter().flat_map(|p| [0.0, p.2]));
            }
            Data::Across(y) => ys.push(*y),
            Data::Upwards(x) => xs.push(*x),
        }
    }
    // Bars stand on the axis.
    let standing = panel.series.iter().any(|s| matches!(s.data, Data::Bars(_)));
    let y = Axis { with_zero: panel.y.with_zero || standing, ..panel.y.clone() };
    (axis_ends(&panel.x, xs), axis_ends(&y, ys))
}

fn axis_ends(axis: &Axis, values: Vec<f64>) -> (f64, f64) {
    let sensible = |(low, high): (f64, f64)| (low.is_finite() && high.is_finite() && low < high).then_some((low, high));
    if let Some(ends) = axis.range.and_then(sensible) {
        return ends;
    }
    let all = values.into_iter().filter(|v| v.is_finite()).chain(axis.with_zero.then_some(0.0));
    let (low, high) = all.fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| (a.min(v), b.max(v)));
    if low > high {
        return (0.0, 1.0);
    }
    // Values that are all alike still get an axis.
    let least = (1e-9 * low.abs().max(high.abs())).max(f64::MIN_POSITIVE * 1e20);
    let room = if high - low > least {
        0.05 * (high - low)
    } else if low == 0.0 {
        1.0
    } else {
        0.1 * low.abs()
    };
    let keep_zero = |end: f64, padded: f64| if axis.with_zero && end == 0.0 { end } else { padded };
    match (keep_zero(low, low - room), keep_zero(high, high + room)) {
        (low, high) if low < high => (low, high),
        _ => (low, low + room),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_two_of_many_series_look_alike() {
        let looks: Vec<_> = (0..36).map(by_place).collect();
        for (i, a) in looks.iter().enumerate() {
            assert!(looks[..i].iter().all(|b| a != b), "{i}: {a:?}");
        }
    }
}
