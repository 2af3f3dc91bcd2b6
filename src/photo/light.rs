//! A picture as linear light.

use std::fmt;
use std::sync::Arc;

use rayon::prelude::*;

use super::convert::{self, Coded};

/// Linear light of a picture, 0 (black) to 1 (full scale), one value a pixel, row by row,
/// after orientation. Every localisation works on this and never on gamma-coded values.
///
/// Pixels at the end of the recording range carry no position; [`Light::is_clipped`] tells them.
///
/// Light of a photograph is a view of its samples: it takes no memory of its own, shares the samples with the photograph, and
/// turns codes into light where they are looked at. Light made of values keeps these, four bytes and one bit a pixel.
/// A clone shares what its original holds.
#[derive(Clone)]
pub struct Light {
    width: usize,
    height: usize,
    content: Content,
}

#[derive(Clone)]
enum Content {
    /// Values, and a bit for each that is set where it is clipped.
    Plane(Arc<Vec<f32>>, Arc<Vec<u64>>),
    Coded(Coded),
}

/// Rows that one task of a walk through a picture takes, so that tasks are neither many nor long.
const TASK_ROWS: usize = 32;

impl fmt::Debug for Light {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Light").field("width", &self.width).field("height", &self.height).finish_non_exhaustive()
    }
}

/// The same values in the same places, and the same pixels clipped; where they come from does not count.
impl PartialEq for Light {
    fn eq(&self, other: &Self) -> bool {
        let same = |row: usize| {
            let (mut a, mut b) = (vec![0.0; self.width], vec![0.0; self.width]);
            self.fill(0, row, &mut a);
            other.fill(0, row, &mut b);
            a == b && (0..self.width).all(|x| self.is_clipped(x, row) == other.is_clipped(x, row))
        };
        (self.width, self.height) == (other.width, other.height) && (0..self.height).all(same)
    }
}

impl Light {
    /// From row-major linear values; nothing is marked as clipped.
    ///
    /// # Panics
    /// When `values.len()` is not `width * height`: a bug of the caller.
    #[must_use]
    pub fn new(width: usize, height: usize, values: Vec<f32>) -> Self {
        let words = values.len().div_ceil(64);
        Self::with_clipped(width, height, values, vec![0; words])
    }

    /// The same with a mask of clipped pixels, bit `i % 64` of word `i / 64` for pixel `i` in row order.
    ///
    /// # Panics
    /// When the lengths do not fit: a bug of the caller.
    #[must_use]
    pub fn with_clipped(width: usize, height: usize, values: Vec<f32>, clipped: Vec<u64>) -> Self {
        assert_eq!(values.len(), width * height, "one value a pixel");
        assert_eq!(clipped.len(), values.len().div_ceil(64), "one bit a pixel");
        Self { width, height, content: Content::Plane(Arc::new(values), Arc::new(clipped)) }
    }

    pub(super) fn of_codes(coded: Coded) -> Self {
        Self { width: coded.width(), height: coded.height(), content: Content::Coded(coded) }
    }

    /// Columns.
    #[must_use]
    pub const fn width(&self) -> usize {
        self.width
    }

    /// Rows.
    #[must_use]
    pub const fn height(&self) -> usize {
        self.height
    }

    /// All values, row by row, in a new list.
    #[must_use]
    pub fn values(&self) -> Vec<f32> {
        let mut all = vec![0.0; self.width * self.height];
        all.par_chunks_mut(self.width.max(1)).enumerate().for_each(|(row, out)| self.fill(0, row, out));
        all
    }

    /// The values from `column` on in one row, as many as `out` holds.
    ///
    /// # Panics
    /// When they are not all in that row of the picture.
    pub fn fill(&self, column: usize, row: usize, out: &mut [f32]) {
        assert!(column + out.len() <= self.width && row < self.height, "within the row");
        let first = row * self.width + column;
        match &self.content {
            Content::Plane(values, _) => out.copy_from_slice(&values[first..first + out.len()]),
            Content::Coded(coded) => coded.fill(first, out),
        }
    }

    /// The same, NaN where a pixel is clipped.
    ///
    /// # Panics
    /// As [`Light::fill`].
    pub(crate) fn fill_unclipped(&self, column: usize, row: usize, out: &mut [f32]) {
        assert!(column + out.len() <= self.width && row < self.height, "within the row");
        let first = row * self.width + column;
        match &self.content {
            Content::Plane(values, clipped) => {
                out.copy_from_slice(&values[first..first + out.len()]);
                for (i, v) in (first..).zip(out) {
                    if clipped[i / 64] >> (i % 64) & 1 == 1 {
                        *v = f32::NAN;
                    }
                }
            }
            Content::Coded(coded) => coded.fill_unclipped(first, out),
        }
    }

    /// The value of the pixel in `column`, `row`.
    ///
    /// # Panics
    /// When outside the picture.
    #[must_use]
    #[inline]
    pub fn at(&self, column: usize, row: usize) -> f32 {
        let i = row * self.width + column;
        match &self.content {
            Content::Plane(values, _) => values[i],
            Content::Coded(coded) => coded.at(i),
        }
    }

    /// True where the pixel is at an end of the recording range.
    #[must_use]
    #[inline]
    pub fn is_clipped(&self, column: usize, row: usize) -> bool {
        let i = row * self.width + column;
        match &self.content {
            Content::Plane(_, clipped) => clipped[i / 64] >> (i % 64) & 1 == 1,
            Content::Coded(coded) => coded.is_clipped(i),
        }
    }

    /// Clipped pixels of some rows.
    fn count_clipped(&self, first_row: usize, rows: usize) -> usize {
        let (first, count) = (first_row * self.width, rows * self.width);
        match &self.content {
            Content::Plane(_, clipped) => {
                (first..first + count).filter(|i| clipped[i / 64] >> (i % 64) & 1 == 1).count()
            }
            Content::Coded(coded) => coded.count_clipped(first, count),
        }
    }

    /// Share of clipped pixels, 0 to 1.
    #[must_use]
    pub fn clipped_share(&self) -> f64 {
        let tasks = (0..self.height.div_ceil(TASK_ROWS)).into_par_iter();
        let count = |task: usize| {
            let first = task * TASK_ROWS;
            self.count_clipped(first, TASK_ROWS.min(self.height - first))
        };
        let clipped: usize = tasks.map(count).sum();
        clipped as f64 / (self.width * self.height).max(1) as f64
    }

    /// Means over squares of two pixels a side, row by row, and the share of clipped pixels in the whole picture.
    ///
    /// Columns and rows left over at the right and the bottom are in no square.
    pub(crate) fn halved(&self) -> (Vec<f32>, f64) {
        self.halved_by(Self::halve)
    }

    /// The same with light from codes of 8 bits known to a tenth of full scale only, in about half the time: to look for patterns in, not to
    /// measure in.
    pub(crate) fn halved_roughly(&self) -> (Vec<f32>, f64) {
        self.halved_by(|light, row, out| match &light.content {
            Content::Coded(coded) => coded.halve_roughly(row * light.width, (row + 1) * light.width, out),
            Content::Plane(..) => light.halve(row, out),
        })
    }

    fn halved_by(&self, halve: impl Fn(&Self, usize, &mut [f32]) + Sync) -> (Vec<f32>, f64) {
        let (width, height) = (self.width / 2, self.height / 2);
        let mut values = vec![0.0; width * height];
        let tasks = values.par_chunks_mut((width * TASK_ROWS).max(1)).enumerate();
        let clipped: usize = tasks
            .map(|(task, part)| {
                let rows = part.chunks_exact_mut(width).zip((2 * task * TASK_ROWS..).step_by(2));
                // Two rows at a time are still at hand when their ends are looked for.
                rows.map(|(out, row)| {
                    halve(self, row, out);
                    self.count_clipped(row, 2)
                })
                .sum::<usize>()
            })
            .sum();
        let rest = if width == 0 { self.height } else { self.height % 2 };
        let clipped = clipped + self.count_clipped(self.height - rest, rest);
        (values, clipped as f64 / (self.width * self.height).max(1) as f64)
    }

    fn halve(&self, row: usize, out: &mut [f32]) {
        let (upper, lower) = (row * self.width, (row + 1) * self.width);
        match &self.content {
            Content::Plane(values, _) => convert::halve(&values[upper..lower], &values[lower..], out, |v| *v),
            Content::Coded(coded) => coded.halve(upper, lower, out),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::convert::Channel;
    use super::super::raster::{Raster, Samples};
    use super::super::tone::Transfer;
    use super::*;

    const ALL: [Channel; 5] = [Channel::Luminance, Channel::Even, Channel::Red, Channel::Green, Channel::Blue];

    /// Samples without order, some at either end of the range.
    fn raster(width: usize, height: usize, channels: usize, deep: bool) -> Raster {
        let codes = (0..width * height * channels).map(|i| {
            let v = (i as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15) >> 40;
            match v % 11 {
                0 => u16::MAX,
                1..4 => 0,
                _ => (v >> 4) as u16,
            }
        });
        let samples = if deep {
            Samples::Sixteen(codes.collect())
        } else {
            Samples::Eight(codes.map(|c| (c >> 8) as u8).collect())
        };
        Raster { width, height, channels, samples }
    }

    #[test]
    fn a_view_of_samples_has_the_light_of_the_curve_wherever_it_is_looked_at() {
        let transfer = Transfer::Srgb;
        for (channels, deep) in [(1, false), (3, false), (1, true), (3, true)] {
            let (width, height) = (71, 69);
            let raster = raster(width, height, channels, deep);
            let full = if deep { u16::MAX } else { 255 };
            let code = |i: usize| match &raster.samples {
                Samples::Eight(v) => u16::from(v[i]),
                Samples::Sixteen(v) => v[i],
            };
            for channel in ALL {
                // Each share is rounded once; the sum is taken in the order red, green, blue.
                let shares: Vec<(usize, f64)> = match channel {
                    _ if channels == 1 => vec![(0, 1.0)],
                    Channel::Luminance => vec![(0, 0.2126), (1, 0.7152), (2, 0.0722)],
                    Channel::Even => (0..3).map(|c| (c, 1.0 / 3.0)).collect(),
                    Channel::Red => vec![(0, 1.0)],
                    Channel::Green => vec![(1, 1.0)],
                    Channel::Blue => vec![(2, 1.0)],
                };
                let codes = |i: usize| shares.iter().map(move |(c, w)| (code(channels * i + c), *w));
                let values: Vec<f32> = (0..width * height)
                    .map(|i| {
                        let parts = codes(i).map(|(c, w)| (w * transfer.light(f64::from(c) / f64::from(full))) as f32);
                        parts.reduce(|a, b| a + b).unwrap()
                    })
                    .collect();
                let ends = |i: usize| codes(i).any(|(c, _)| c >= full) || codes(i).all(|(c, _)| c == 0);
                let mut clipped = vec![0_u64; (width * height).div_ceil(64)];
                (0..width * height).filter(|i| ends(*i)).for_each(|i| clipped[i / 64] |= 1 << (i % 64));
                let count = clipped.iter().map(|w| w.count_ones()).sum::<u32>();
                assert!(count > 100, "{channel:?}");
                let plane = Light::with_clipped(width, height, values, clipped);
                let view = Light::of_codes(Coded::new(Arc::new(raster.clone()), channel, transfer, full));
                assert_eq!(view, plane, "{channels} {deep} {channel:?}");
                assert_eq!(view.values(), plane.values());
                for light in [&view, &plane] {
                    let mut part = [0.0; 50];
                    light.fill_unclipped(9, 40, &mut part);
                    let same = |(i, v): (usize, &f32)| {
                        if plane.is_clipped(9 + i, 40) { v.is_nan() } else { *v == plane.at(9 + i, 40) }
                    };
                    assert!(part.iter().enumerate().all(same), "{channels} {deep} {channel:?}");
                }
                assert!((0..height).all(|y| (0..width).all(|x| view.at(x, y).to_bits() == plane.at(x, y).to_bits())));
                let share = f64::from(count) / (width * height) as f64;
                assert_eq!((view.clipped_share(), plane.clipped_share()), (share, share));
                let (half, seen) = view.halved();
                assert_eq!((&half, seen), (&plane.halved().0, share));
                let (rough, seen) = view.halved_roughly();
                assert_eq!(seen, share);
                if deep || channels == 1 || matches!(channel, Channel::Red | Channel::Green | Channel::Blue) {
                    assert_eq!(rough, half);
                } else {
                    let mean = |columns: [usize; 2], rows: [usize; 2]| -> f64 {
                        let pixels = rows.into_iter().flat_map(|y| columns.map(|x| y * width + x));
                        let all = pixels.flat_map(|i| (0..3).map(move |c| 3 * i + c));
                        all.map(|i| (f64::from(code(i)) / 255.0).powi(2)).sum::<f64>() / 12.0
                    };
                    for (i, v) in rough.iter().enumerate() {
                        let (x, y) = (2 * (i % (width / 2)), 2 * (i / (width / 2)));
                        assert!((f64::from(*v) - mean([x, x + 1], [y, y + 1])).abs() < 1e-6, "{channel:?} {i}");
                    }
                }
                // Binning adds in another order.
                let binned = plane.binned(2).unwrap().values();
                assert!(half.len() == binned.len() && half.iter().zip(&binned).all(|(a, b)| (a - b).abs() < 2e-7));
                assert_eq!(view.binned(2), plane.binned(2));
            }
        }
    }

    #[test]
    fn a_picture_without_pixels_has_no_halves() {
        for (width, height) in [(0, 0), (1, 5), (5, 1), (0, 7)] {
            let light = Light::new(width, height, vec![0.5; width * height]);
            assert_eq!(light.halved(), (vec![], 0.0), "{width} {height}");
        }
    }
}
