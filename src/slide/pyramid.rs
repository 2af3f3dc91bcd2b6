//! A picture at halved sizes, so that coarse rulings are found as cheaply as fine ones.

use crate::photo::Light;
use rayon::prelude::*;

/// A plane of linear light with the number of full-size pixels that one of its pixels spans.
#[derive(Clone, Debug)]
pub(super) struct Level<'a> {
    pub(super) width: usize,
    pub(super) height: usize,
    pub(super) values: std::borrow::Cow<'a, [f32]>,
    /// Full-size pixels per pixel of this level, a power of two.
    pub(super) step_px: usize,
}

impl Level<'_> {
    /// Bilinear value at full-size image coordinates (half-pixel rule); `None` within half a
    /// level pixel of the border and outside.
    pub(super) fn sample(&self, x_px: f64, y_px: f64) -> Option<f32> {
        let u = x_px / self.step_px as f64 - 0.5;
        let v = y_px / self.step_px as f64 - 0.5;
        if u < 0.0 || v < 0.0 || u > (self.width - 1) as f64 || v > (self.height - 1) as f64 {
            return None;
        }
        let (i, j) = (u as usize, v as usize);
        let (i1, j1) = ((i + 1).min(self.width - 1), (j + 1).min(self.height - 1));
        let (a, b) = ((u - i as f64) as f32, (v - j as f64) as f32);
        let top = self.values[j * self.width + i] * (1.0 - a) + self.values[j * self.width + i1] * a;
        let bottom = self.values[j1 * self.width + i] * (1.0 - a) + self.values[j1 * self.width + i1] * a;
        Some(top * (1.0 - b) + bottom * b)
    }
}

/// The picture itself, then halved again and again until a side would fall below `smallest` pixels.
/// Extra memory: a third of the plane.
pub(super) fn levels(light: &Light, smallest: usize) -> Vec<Level<'_>> {
    let mut all =
        vec![Level { width: light.width(), height: light.height(), values: light.values().into(), step_px: 1 }];
    while let Some(last) = all.last() {
        let (width, height) = (last.width / 2, last.height / 2);
        if width.min(height) < smallest {
            break;
        }
        let source = &last.values;
        let stride = last.width;
        let mut values = vec![0_f32; width * height];
        values.par_chunks_mut(width).enumerate().for_each(|(row, out)| {
            let top = &source[2 * row * stride..][..2 * width];
            let bottom = &source[(2 * row + 1) * stride..][..2 * width];
            for ((o, a), b) in out.iter_mut().zip(top.chunks_exact(2)).zip(bottom.chunks_exact(2)) {
                *o = 0.25 * (a[0] + a[1] + b[0] + b[1]);
            }
        });
        let step_px = last.step_px * 2;
        all.push(Level { width, height, values: values.into(), step_px });
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_ramp_keeps_its_place_at_every_level() {
        let (w, h) = (160, 96);
        let ramp = (0..w * h).map(|i| (i % w) as f32 + 0.5 + 10.0 * ((i / w) as f32 + 0.5)).collect();
        let light = Light::new(w, h, ramp);
        for level in levels(&light, 16) {
            let got = level.sample(64.3, 40.8).expect("inside");
            assert!((got - (64.3 + 408.0)).abs() < 1e-3, "step {}: {got}", level.step_px);
        }
        assert!(levels(&light, 16).len() == 3, "160 x 96 halves to 40 x 24 and stops");
    }
}
