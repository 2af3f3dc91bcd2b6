//! Light in a strip of the picture along a line: samples for looking, pixels for fitting.

use crate::photo::Light;
use crate::units::{Image, Point, Vector};

/// A place and two directions: `s` along, `t` across, px.
#[derive(Clone, Copy, Debug)]
pub(in crate::animal) struct Frame {
    pub(in crate::animal) origin: Point<Image>,
    pub(in crate::animal) along: Vector<Image>,
    pub(in crate::animal) across: Vector<Image>,
}

impl Frame {
    /// `None` where the direction has no length.
    pub(in crate::animal) fn new(origin: Point<Image>, along: Vector<Image>) -> Option<Self> {
        let length = along.length();
        if !(length.is_finite() && length > 1e-9 && origin.x.is_finite() && origin.y.is_finite()) {
            return None;
        }
        let along = along * (1.0 / length);
        Some(Self { origin, along, across: Vector::new(-along.y, along.x) })
    }

    pub(in crate::animal) fn at(&self, s: f64, t: f64) -> Point<Image> {
        self.origin + self.along * s + self.across * t
    }

    /// Along and across of an image position.
    pub(in crate::animal) fn of(&self, p: Point<Image>) -> (f64, f64) {
        let v = p - self.origin;
        (v.dot(self.along), v.dot(self.across))
    }
}

/// One pixel of a strip.
#[derive(Clone, Copy, Debug)]
pub(super) struct Pixel {
    pub(super) s: f64,
    pub(super) t: f64,
    pub(super) light: f64,
    /// At the upper end of the recording range.
    pub(super) clipped: bool,
}

/// A pixel at the upper end says nothing of its light; one at the lower end is as good as black.
pub(super) fn is_burnt(light: &Light, column: usize, row: usize) -> bool {
    light.is_clipped(column, row) && light.at(column, row) > 0.0
}

/// Every pixel whose centre lies in the strip `from ≤ s ≤ to`, `|t| ≤ half`.
pub(super) fn pixels(light: &Light, frame: &Frame, (from, to): (f64, f64), half: f64) -> Vec<Pixel> {
    let corners = [(from, -half), (from, half), (to, -half), (to, half)].map(|(s, t)| frame.at(s, t));
    let span = |pick: fn(&Point<Image>) -> f64, most: usize| {
        let low = corners.iter().map(pick).fold(f64::INFINITY, f64::min);
        let high = corners.iter().map(pick).fold(f64::NEG_INFINITY, f64::max);
        // The half-pixel rule: pixel i has its centre at i + 0.5.
        let first = (low - 0.5).ceil().max(0.0) as usize;
        let end = ((high - 0.5).floor() + 1.0).clamp(0.0, most as f64) as usize;
        first..end
    };
    let mut found = Vec::new();
    for row in span(|p| p.y, light.height()) {
        for column in span(|p| p.x, light.width()) {
            let (s, t) = frame.of(Point::of_pixel_centre(column, row));
            if s >= from && s <= to && t.abs() <= half {
                let clipped = is_burnt(light, column, row);
                found.push(Pixel { s, t, light: f64::from(light.at(column, row)), clipped });
            }
        }
    }
    found
}

/// Light along the line `t` at even stations, NaN outside the picture.
pub(super) fn along(light: &Light, frame: &Frame, t: f64, stations: &Stations) -> Vec<f64> {
    (0..stations.count).map(|i| light.sample(frame.at(stations.at(i), t)).unwrap_or(f64::NAN)).collect()
}

/// Even stations along a line.
#[derive(Clone, Copy, Debug)]
pub(super) struct Stations {
    pub(super) from: f64,
    pub(super) step: f64,
    pub(super) count: usize,
}

impl Stations {
    pub(super) fn new(from: f64, to: f64, step: f64) -> Self {
        Self { from, step, count: ((to - from) / step).floor().max(0.0) as usize + 1 }
    }

    pub(super) fn at(&self, i: usize) -> f64 {
        self.from + i as f64 * self.step
    }

    /// Indices of the stations in a stretch.
    pub(super) fn between(&self, from: f64, to: f64) -> std::ops::Range<usize> {
        let index = |s: f64| ((s - self.from) / self.step).clamp(0.0, self.count as f64);
        let first = index(from).ceil() as usize;
        let end = (index(to).floor() as usize + 1).min(self.count);
        first..end.max(first)
    }
}

/// Median of the finite values; `None` where there is none.
pub(in crate::animal) fn median_of(values: impl Iterator<Item = f64>) -> Option<f64> {
    let mut v: Vec<f64> = values.filter(|v| v.is_finite()).collect();
    if v.is_empty() {
        return None;
    }
    let middle = v.len() / 2;
    let (below, at, _) = v.select_nth_unstable_by(middle, f64::total_cmp);
    let (at, before) = (*at, below.iter().copied().fold(f64::NEG_INFINITY, f64::max));
    Some(if v.len().is_multiple_of(2) { 0.5 * (at + before) } else { at })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_strip_holds_its_pixels_once() {
        let light = Light::new(40, 30, (0..1200).map(|i| i as f32).collect());
        let frame = Frame::new(Point::new(20.0, 15.0), Vector::new(1.0, 0.0)).unwrap();
        let found = pixels(&light, &frame, (-3.0, 3.0), 2.0);
        // Centres at 17.5 to 22.5 and 13.5 to 16.5.
        assert_eq!(found.len(), 6 * 4);
        assert!(found.iter().any(|p| (p.s - 2.5).abs() < 1e-12 && (p.t - 1.5).abs() < 1e-12 && p.light == 662.0));
        let outside = Frame::new(Point::new(-20.0, 15.0), Vector::new(1.0, 1.0)).unwrap();
        assert!(pixels(&light, &outside, (-3.0, 3.0), 2.0).is_empty());
        let turned = Frame::new(Point::new(20.0, 15.0), Vector::new(1.0, 1.0)).unwrap();
        let n = pixels(&light, &turned, (-5.0, 5.0), 5.0).len();
        // 100 square pixels, and the centres on its border.
        assert!((95..=115).contains(&n), "{n}");
    }

    #[test]
    fn medians() {
        assert_eq!(median_of([3.0, f64::NAN, 1.0, 2.0].into_iter()), Some(2.0));
        assert_eq!(median_of([3.0, 1.0, 2.0, 10.0].into_iter()), Some(2.5));
        assert_eq!(median_of([f64::NAN].into_iter()), None);
    }

    #[test]
    fn stations_in_a_stretch() {
        let s = Stations::new(-2.0, 2.0, 0.5);
        assert_eq!(s.count, 9);
        assert_eq!(s.between(-1.0, 1.0), 2..7);
        assert_eq!(s.between(3.0, 9.0), 9..9);
    }
}
