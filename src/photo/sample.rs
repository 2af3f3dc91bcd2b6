//! Light between pixels, and light of whole regions.

use super::light::Light;
use crate::units::{Image, Point};

impl Light {
    /// Light at any point by bilinear interpolation between the four nearest pixel centres.
    ///
    /// Obeys the half-pixel rule: the value of pixel (column, row) stands at (column + 0.5, row + 0.5).
    /// `None` outside the rectangle of pixel centres, where nothing can be interpolated.
    ///
    /// # Accuracy
    /// Exact for light that is linear in x and y.
    #[must_use]
    pub fn sample(&self, at: Point<Image>) -> Option<f64> {
        let (column, fx) = between(at.x, self.width(), 0)?;
        let (row, fy) = between(at.y, self.height(), 0)?;
        let right = usize::from(fx > 0.0);
        let down = usize::from(fy > 0.0);
        let across = |row: usize| {
            let (a, b) = (f64::from(self.at(column, row)), f64::from(self.at(column + right, row)));
            a + (b - a) * fx
        };
        let (upper, lower) = (across(row), across(row + down));
        Some(upper + (lower - upper) * fy)
    }

    /// Light at any point by cubic convolution over the sixteen nearest pixel centres (Catmull–Rom).
    ///
    /// `None` within one pixel of the rectangle of pixel centres: nothing is made up beyond the border.
    /// May overshoot beside sharp edges.
    ///
    /// # Accuracy
    /// Exact for light that is quadratic in x and y; the error falls with the third power of the pixel.
    ///
    /// # Source
    /// R. G. Keys, Cubic convolution interpolation for digital image processing, IEEE Trans. ASSP 29 (1981) 1153,
    /// equation 15 (a = −1/2).
    #[must_use]
    pub fn sample_cubic(&self, at: Point<Image>) -> Option<f64> {
        let (column, fx) = between(at.x, self.width(), 1)?;
        let (row, fy) = between(at.y, self.height(), 1)?;
        let (across, down) = (keys_weights(fx), keys_weights(fy));
        let line = |row: usize| -> f64 {
            let mut pixels = [0.0; 4];
            self.fill(column - 1, row, &mut pixels);
            pixels.iter().zip(across).map(|(v, w)| f64::from(*v) * w).sum()
        };
        Some(down.iter().enumerate().map(|(i, w)| w * line(row + i - 1)).sum())
    }

    /// True when any of the four pixels around the point is clipped, or the point lies outside the picture.
    #[must_use]
    pub fn is_clipped_near(&self, at: Point<Image>) -> bool {
        let inside = at.x >= 0.0 && at.y >= 0.0 && at.x <= self.width() as f64 && at.y <= self.height() as f64;
        if !inside || self.width() == 0 || self.height() == 0 {
            return true;
        }
        let pair = |at: f64, n: usize| {
            let first = (at - 0.5).floor().max(0.0) as usize;
            (first.min(n - 1), (first + 1).min(n - 1))
        };
        let ((left, right), (up, down)) = (pair(at.x, self.width()), pair(at.y, self.height()));
        self.is_clipped(left, up)
            || self.is_clipped(right, up)
            || self.is_clipped(left, down)
            || self.is_clipped(right, down)
    }

    /// The picture at `factor` times fewer pixels a side: means over squares of `factor` × `factor`.
    ///
    /// Coordinates simply divide by `factor`. Columns and rows left over at the right and the bottom are
    /// dropped. A pixel is clipped where any of its square is. `None` when the factor is 0 or larger than a side.
    #[must_use]
    pub fn binned(&self, factor: usize) -> Option<Self> {
        if factor == 0 || factor > self.width() || factor > self.height() {
            return None;
        }
        let (width, height) = (self.width() / factor, self.height() / factor);
        let weight = 1.0 / (factor * factor) as f32;
        let mut values = vec![0.0_f32; width * height];
        let mut clipped = vec![0_u64; values.len().div_ceil(64)];
        let mut source = vec![0.0_f32; width * factor];
        for (y, line) in values.chunks_exact_mut(width).enumerate() {
            for row in y * factor..(y + 1) * factor {
                self.fill(0, row, &mut source);
                for (x, (value, square)) in line.iter_mut().zip(source.chunks_exact(factor)).enumerate() {
                    *value += square.iter().sum::<f32>();
                    let i = y * width + x;
                    let any = (x * factor..(x + 1) * factor).any(|column| self.is_clipped(column, row));
                    clipped[i / 64] |= u64::from(any) << (i % 64);
                }
            }
            line.iter_mut().for_each(|v| *v *= weight);
        }
        Some(Self::with_clipped(width, height, values, clipped))
    }

    /// A rectangle of the picture; its (0, 0) is (`column`, `row`) here. `None` unless it lies wholly inside
    /// and has an area.
    #[must_use]
    pub fn cropped(&self, column: usize, row: usize, width: usize, height: usize) -> Option<Self> {
        let fits = |from: usize, n: usize, all: usize| n > 0 && from.checked_add(n).is_some_and(|end| end <= all);
        if !fits(column, width, self.width()) || !fits(row, height, self.height()) {
            return None;
        }
        let mut values = vec![0.0; width * height];
        for (y, line) in values.chunks_exact_mut(width).enumerate() {
            self.fill(column, row + y, line);
        }
        let mut clipped = vec![0_u64; (width * height).div_ceil(64)];
        for y in 0..height {
            for x in 0..width {
                let i = y * width + x;
                clipped[i / 64] |= u64::from(self.is_clipped(column + x, row + y)) << (i % 64);
            }
        }
        Some(Self::with_clipped(width, height, values, clipped))
    }
}

/// The pixel whose centre is at or before `at`, and how far on the way to the next one, with `margin` more
/// pixels needed on both sides.
fn between(at: f64, n: usize, margin: usize) -> Option<(usize, f64)> {
    // The half-pixel rule: centre coordinates are half a pixel less than image coordinates.
    let centre = at - 0.5;
    let (first, last) = (margin as f64, n as f64 - 1.0 - margin as f64);
    if !(first <= centre && centre <= last) {
        return None;
    }
    let i = centre.floor();
    // On the last centre the margin must still be met: step back by one and stand at its end.
    if margin > 0 && i >= last {
        let i = (i as usize).checked_sub(1).filter(|i| *i >= margin)?;
        return Some((i, 1.0));
    }
    Some((i as usize, centre - i))
}

fn keys_weights(t: f64) -> [f64; 4] {
    let (t2, t3) = (t * t, t * t * t);
    [0.5 * (-t3 + 2.0 * t2 - t), 0.5 * (3.0 * t3 - 5.0 * t2 + 2.0), 0.5 * (-3.0 * t3 + 4.0 * t2 + t), 0.5 * (t3 - t2)]
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plane(width: usize, height: usize, of: impl Fn(f64, f64) -> f64) -> Light {
        let values =
            (0..width * height).map(|i| of((i % width) as f64 + 0.5, (i / width) as f64 + 0.5) as f32).collect();
        Light::new(width, height, values)
    }

    #[test]
    fn bilinear_is_exact_for_a_slope_and_ends_at_the_pixel_centres() {
        let of = |x: f64, y: f64| 0.1 + 0.02 * x + 0.03 * y;
        let light = plane(7, 5, of);
        for (x, y) in [(0.5, 0.5), (1.25, 3.9), (6.5, 4.5), (3.0, 2.0)] {
            assert!((light.sample(Point::new(x, y)).unwrap() - of(x, y)).abs() < 1e-7, "{x} {y}");
        }
        for (x, y) in [(0.49, 1.0), (6.51, 1.0), (1.0, 4.51), (f64::NAN, 1.0), (1.0, f64::INFINITY)] {
            assert_eq!(light.sample(Point::new(x, y)), None, "{x} {y}");
        }
        assert_eq!(light.sample(Point::of_pixel_centre(2, 3)), Some(f64::from(light.at(2, 3))));
    }

    #[test]
    fn cubic_is_exact_for_a_parabola() {
        let of = |x: f64, y: f64| 0.2 + 0.01 * x * x - 0.02 * x * y + 0.005 * y * y;
        let light = plane(9, 8, of);
        for (x, y) in [(1.5, 1.5), (4.2, 3.77), (7.5, 6.5), (2.0, 6.0)] {
            let got = light.sample_cubic(Point::new(x, y)).unwrap();
            assert!((got - of(x, y)).abs() < 1e-6, "{x} {y}: {got} wanted {}", of(x, y));
        }
        for (x, y) in [(1.49, 3.0), (7.51, 3.0), (3.0, 6.51)] {
            assert_eq!(light.sample_cubic(Point::new(x, y)), None);
        }
        assert_eq!(plane(3, 3, of).sample_cubic(Point::of_pixel_centre(1, 1)), None);
    }

    #[test]
    fn bins_and_crops_keep_the_mask() {
        let light = plane(7, 5, |x, y| x + 10.0 * y);
        let mut clipped = vec![0_u64];
        clipped[0] |= 1 << (2 * 7 + 3);
        let light = Light::with_clipped(7, 5, light.values(), clipped);
        let half = light.binned(2).unwrap();
        assert_eq!((half.width(), half.height()), (3, 2));
        // Mean of x over columns 2 and 3 is 3; of y over rows 2 and 3 it is 3.
        assert!((half.at(1, 1) - 33.0).abs() < 1e-5);
        assert!(half.is_clipped(1, 1) && !half.is_clipped(0, 1));
        let part = light.cropped(2, 1, 3, 4).unwrap();
        assert_eq!((part.width(), part.height(), part.at(0, 0)), (3, 4, light.at(2, 1)));
        assert!(part.is_clipped(1, 1) && !part.is_clipped(0, 0));
        assert_eq!(light.cropped(5, 0, 3, 1), None);
        assert_eq!(light.cropped(0, 0, 0, 1), None);
        assert_eq!(light.cropped(usize::MAX, 0, 2, 1), None);
        assert_eq!(light.binned(0), None);
        assert!(light.is_clipped_near(Point::new(3.2, 2.2)));
        assert!(!light.is_clipped_near(Point::new(1.0, 1.0)));
        assert!(light.is_clipped_near(Point::new(-1.0, 1.0)));
    }
}
