//! A picture at halved sizes, so that coarse rulings are found as cheaply as fine ones.

use crate::photo::Light;
use rayon::prelude::*;
use std::ops::Range;

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
    /// those of the numbers that lie in the picture and not within half a level pixel of its border.
    pub(super) fn walk(&self, from: (f64, f64), step: (f64, f64), numbers: Range<usize>, to: impl FnMut(usize, f32)) {
        match &self.content {
            Content::Full(light) => self.walk_in(|i, j| light.at(i, j), from, step, numbers, to),
            Content::Halved(values) => self.walk_in(|i, j| values[j * self.width + i], from, step, numbers, to),
        }
    }

    fn walk_in(
        &self,
        at: impl Fn(usize, usize) -> f32,
        from: (f64, f64),
        step: (f64, f64),
        numbers: Range<usize>,
        mut to: impl FnMut(usize, f32),
    ) {
        let scale = 1.0 / self.step_px as f64;
        let (u0, v0) = (from.0 * scale - 0.5, from.1 * scale - 0.5);
        let (du, dv) = (step.0 * scale, step.1 * scale);
        let (right, bottom) = ((self.width - 1) as f64, (self.height - 1) as f64);
        for n in numbers {
            let (u, v) = (u0 + n as f64 * du, v0 + n as f64 * dv);
            if !(0.0..=right).contains(&u) || !(0.0..=bottom).contains(&v) {
                continue;
            }
            let (i, j) = (u as usize, v as usize);
            let (i1, j1) = ((i + 1).min(self.width - 1), (j + 1).min(self.height - 1));
            let (a, b) = ((u - i as f64) as f32, (v - j as f64) as f32);
            let upper = at(i, j) * (1.0 - a) + at(i1, j) * a;
            let lower = at(i, j1) * (1.0 - a) + at(i1, j1) * a;
            to(n, upper * (1.0 - b) + lower * b);
        }
    }

    /// Means over squares of two pixels a side, and the share of clipped pixels where the picture itself was looked at.
    fn halved(&self) -> (Level<'static>, Option<f64>) {
        let (width, height, step_px) = (self.width / 2, self.height / 2, 2 * self.step_px);
        let source = match &self.content {
            Content::Full(light) => {
                let (values, clipped) = light.halved();
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
