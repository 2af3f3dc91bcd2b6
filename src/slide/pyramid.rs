//! A picture at halved sizes, so that coarse rulings are found as cheaply as fine ones.

use crate::photo::Light;
use rayon::prelude::*;
use std::ops::Range;

/// Pixels of a picture that is looked at roughly first, halved sizes and all: that is for finding the ruling, which is then located in the picture itself.
pub(super) const LARGE: usize = 12_000_000;

/// A plane of linear light with the number of full-size pixels that one of its pixels spans.
#[derive(Clone, Debug)]
pub(super) struct Level<'a> {
    pub(super) width: usize,
    pub(super) height: usize,
    content: Content<'a>,
    /// Full-size pixels per pixel of this level, a power of two.
    pub(super) step_px: usize,
}

#[derive(Clone, Debug)]
enum Content<'a> {
    /// The picture itself.
    Full(&'a Light),
    /// Means over squares of it.
    Halved(Vec<f32>),
}

impl<'a> Level<'a> {
    fn full(light: &'a Light) -> Self {
        Self { width: light.width(), height: light.height(), content: Content::Full(light), step_px: 1 }
    }

    /// A level of these values, row by row.
    pub(super) const fn of_values(width: usize, height: usize, values: Vec<f32>, step_px: usize) -> Self {
        Self { width, height, content: Content::Halved(values), step_px }
    }

    /// The values from `column` on in one row, as many as `out` holds.
    pub(super) fn fill(&self, column: usize, row: usize, out: &mut [f32]) {
        match &self.content {
            Content::Full(light) => light.fill(column, row, out),
            Content::Halved(values) => out.copy_from_slice(&values[row * self.width + column..][..out.len()]),
        }
    }

    /// Bilinear value at full-size image coordinates (half-pixel rule); `None` within half a
    /// level pixel of the border and outside.
    pub(super) fn sample(&self, x_px: f64, y_px: f64) -> Option<f32> {
        let mut one = None;
        self.walk((x_px, y_px), (0.0, 0.0), 0..1, |_, v| one = Some(v));
        one
    }

    /// Hands `to` the bilinear values (half-pixel rule) at `from`, a `step` beyond it and so on, both in full-size image coordinates, for
    /// those of the numbers that lie in the picture and not within half a level pixel of its border: these it returns.
    pub(super) fn walk(
        &self,
        from: (f64, f64),
        step: (f64, f64),
        numbers: Range<usize>,
        to: impl FnMut(usize, f32),
    ) -> Range<usize> {
        match &self.content {
            Content::Full(light) => {
                let four = |i: usize, j: usize| {
                    [light.at(i, j), light.at(i + 1, j), light.at(i, j + 1), light.at(i + 1, j + 1)]
                };
                self.walk_in(four, from, step, numbers, to)
            }
            Content::Halved(values) => {
                // The walk keeps off the last column, so that there are always two.
                let two = |i: usize, j: usize| values[j * self.width + i..].first_chunk().copied().unwrap_or([0.0; 2]);
                let four = |i: usize, j: usize| {
                    let ([a, b], [c, d]) = (two(i, j), two(i, j + 1));
                    [a, b, c, d]
                };
                self.walk_in(four, from, step, numbers, to)
            }
        }
    }

    fn walk_in(
        &self,
        four: impl Fn(usize, usize) -> [f32; 4],
        from: (f64, f64),
        step: (f64, f64),
        numbers: Range<usize>,
        mut to: impl FnMut(usize, f32),
    ) -> Range<usize> {
        // Nothing lies between the pixels of a single row or column.
        let (Some(right), Some(bottom)) = (self.width.checked_sub(2), self.height.checked_sub(2)) else { return 0..0 };
        let scale = 1.0 / self.step_px as f64;
        let (u0, v0) = (from.0 * scale - 0.5, from.1 * scale - 0.5);
        let (du, dv) = (step.0 * scale, step.1 * scale);
        let across = inside(u0, du, (self.width - 1) as f64, &numbers);
        let numbers = inside(v0, dv, (self.height - 1) as f64, &across);
        // In units of 2⁻³² of a pixel: whole pixels and the rest are then had by shifts, which is far cheaper than rounding.
        let first = numbers.start as f64;
        let (mut u, mut v) = (to_fixed(u0 + first * du), to_fixed(v0 + first * dv));
        let (du, dv) = (to_fixed(du), to_fixed(dv));
        // The last pixel but one of a row and a column: what rounding moves over the border is less than a millionth of a pixel beyond it.
        let (right, bottom) = (right as i64, bottom as i64);
        for n in numbers.clone() {
            let (i, j) = ((u >> 32).clamp(0, right), (v >> 32).clamp(0, bottom));
            let (a, b) = (beyond(u, i), beyond(v, j));
            let [p, q, r, s] = four(i as usize, j as usize);
            let (upper, lower) = (p * (1.0 - a) + q * a, r * (1.0 - a) + s * a);
            to(n, upper * (1.0 - b) + lower * b);
            u += du;
            v += dv;
        }
        numbers
    }

    /// Means over squares of two pixels a side, and the share of clipped pixels where the picture itself was looked at.
    fn halved(&self) -> (Level<'static>, Option<f64>) {
        let (width, height, step_px) = (self.width / 2, self.height / 2, 2 * self.step_px);
        let source = match &self.content {
            Content::Full(light) => {
                let large = self.width * self.height > LARGE;
                let (values, clipped) = if large { light.halved_roughly() } else { light.halved() };
                return (Level::of_values(width, height, values, step_px), Some(clipped));
            }
            Content::Halved(values) => values,
        };
        let mut values = vec![0_f32; width * height];
        values.par_chunks_mut(width).enumerate().for_each(|(row, out)| {
            let top = &source[2 * row * self.width..][..2 * width];
            let bottom = &source[(2 * row + 1) * self.width..][..2 * width];
            for ((o, a), b) in out.iter_mut().zip(top.chunks_exact(2)).zip(bottom.chunks_exact(2)) {
                *o = 0.25 * (a[0] + a[1] + b[0] + b[1]);
            }
        });
        (Level::of_values(width, height, values, step_px), None)
    }
}

/// Of these numbers those `n` for which `from + n step` lies between 0 and `most`.
fn inside(from: f64, step: f64, most: f64, numbers: &Range<usize>) -> Range<usize> {
    let holds = |n: usize| (0.0..=most).contains(&(from + n as f64 * step));
    if step == 0.0 {
        return if holds(numbers.start) { numbers.clone() } else { numbers.start..numbers.start };
    }
    let (a, b) = (-from / step, (most - from) / step);
    let whole = |n: f64| (n.max(0.0) as usize).clamp(numbers.start, numbers.end);
    // Rounding may miss by one either way.
    let mut range = whole(a.min(b).floor())..whole(a.max(b).floor() + 2.0);
    while range.start < range.end && !holds(range.start) {
        range.start += 1;
    }
    while range.start < range.end && !holds(range.end - 1) {
        range.end -= 1;
    }
    range
}

/// A length in px as a multiple of 2⁻³² px.
fn to_fixed(px: f64) -> i64 {
    (px * 4_294_967_296.0).round() as i64
}

/// What a fixed length has beyond so many whole pixels, px.
fn beyond(fixed: i64, whole: i64) -> f32 {
    ((fixed - (whole << 32)) >> 8) as f32 / 16_777_216.0
}

/// A picture at all sizes, and what its pixels showed on the way.
#[derive(Clone, Debug)]
pub(super) struct Pyramid<'a> {
    pub(super) levels: Vec<Level<'a>>,
    /// Share of clipped pixels, 0 to 1.
    pub(super) clipped_share: f64,
}

/// The picture itself, then halved again and again until a side would fall below `smallest` pixels.
/// Extra memory: 4/3 bytes a pixel.
pub(super) fn pyramid(light: &Light, smallest: usize) -> Pyramid<'_> {
    let mut levels = vec![Level::full(light)];
    let mut clipped_share = None;
    while let Some(last) = levels.last().filter(|l| (l.width / 2).min(l.height / 2) >= smallest) {
        let (next, clipped) = last.halved();
        clipped_share = clipped_share.or(clipped);
        levels.push(next);
    }
    Pyramid { levels, clipped_share: clipped_share.unwrap_or_else(|| light.clipped_share()) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_walk_hands_out_what_lies_inside_and_nothing_else() {
        let (w, h) = (40, 30);
        let ramp = (0..w * h).map(|i| (i % w) as f32 + 0.5 + 100.0 * ((i / w) as f32 + 0.5)).collect();
        let light = Light::new(w, h, ramp);
        let level = Level::full(&light);
        for turn in 0..48 {
            let angle = f64::from(turn) * std::f64::consts::TAU / 48.0;
            for (x, y) in [(20.0, 15.0), (-3.0, 4.0), (0.5, 0.5), (39.5, 29.5), (60.0, 10.0)] {
                let step = (0.7 * angle.cos(), 0.7 * angle.sin());
                let mut seen = std::collections::BTreeMap::new();
                let walked = level.walk((x, y), step, 3..90, |n, v| assert!(seen.insert(n, v).is_none()));
                assert!(walked.eq(seen.keys().copied()), "{turn}");
                for n in 3..90 {
                    let (px, py) = (x + n as f64 * step.0, y + n as f64 * step.1);
                    let margin = (px - 0.5).min(39.5 - px).min(py - 0.5).min(29.5 - py);
                    match seen.get(&n) {
                        Some(v) => {
                            assert!(margin > -1e-6, "{n} of {turn} lies outside");
                            assert!((f64::from(*v) - (px + 100.0 * py)).abs() < 1e-3, "{n} of {turn}: {v}");
                        }
                        None => assert!(margin < 1e-6, "{n} of {turn} is missing"),
                    }
                }
            }
        }
    }

    #[test]
    fn a_ramp_keeps_its_place_at_every_level() {
        let (w, h) = (160, 96);
        let ramp = (0..w * h).map(|i| (i % w) as f32 + 0.5 + 10.0 * ((i / w) as f32 + 0.5)).collect();
        let light = Light::new(w, h, ramp);
        for level in pyramid(&light, 16).levels {
            let got = level.sample(64.3, 40.8).expect("inside");
            assert!((got - (64.3 + 408.0)).abs() < 1e-3, "step {}: {got}", level.step_px);
        }
        assert!(pyramid(&light, 16).levels.len() == 3, "160 x 96 halves to 40 x 24 and stops");
    }
}
