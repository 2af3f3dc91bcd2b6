//! The picture in halvings, packed, for showing only.

use std::sync::atomic::{AtomicBool, Ordering};

use rayon::prelude::*;

use super::tiles::{self, TILE_PX, Tile};
use super::tone::ToneView;
use crate::photo::Photo;

/// One level, samples row by row.
struct Level {
    width: usize,
    height: usize,
    samples: Vec<u8>,
}

/// A picture at full size and in halvings, 8 bits a sample, 1 or 3 samples a pixel.
///
/// Memory: 1⅓ bytes a sample, so that with the decoded picture beside it an 8-bit picture, in colour or grey, takes 2⅓ times its decoded
/// size and one of 16 bits 1⅔ times; nothing larger is held on the way.
pub struct Pyramid {
    picture_px: (usize, usize),
    channels: usize,
    levels: Vec<Level>,
}

impl std::fmt::Debug for Pyramid {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Pyramid")
            .field("picture_px", &self.picture_px)
            .field("channels", &self.channels)
            .field("levels", &self.levels.len())
            .finish()
    }
}

impl Pyramid {
    /// From a decoded picture; `None` when cancelled.
    #[must_use]
    pub fn of(photo: &Photo, cancelled: &AtomicBool) -> Option<Self> {
        let size = (photo.width(), photo.height());
        let channels = if photo.is_grey() { 1 } else { 3 };
        Self::of_packed(photo.packed8(), size, channels, cancelled)
    }

    /// From red, green, blue and a fourth byte that is left out; with one channel the red stands for all.
    #[must_use]
    pub fn of_rgba(rgba: Vec<u8>, picture_px: (usize, usize), channels: usize, cancelled: &AtomicBool) -> Option<Self> {
        Self::of_packed(packed(rgba, channels), picture_px, channels, cancelled)
    }

    fn of_packed(
        samples: Vec<u8>,
        picture_px: (usize, usize),
        channels: usize,
        cancelled: &AtomicBool,
    ) -> Option<Self> {
        let full = Level { width: picture_px.0, height: picture_px.1, samples };
        let mut levels = vec![full];
        for _ in 1..tiles::levels(picture_px) {
            if cancelled.load(Ordering::Relaxed) {
                return None;
            }
            let half = levels.last().map(|l| halved(l, channels))?;
            levels.push(half);
        }
        Some(Self { picture_px, channels, levels })
    }

    /// Columns and rows of the picture.
    #[must_use]
    pub const fn picture_px(&self) -> (usize, usize) {
        self.picture_px
    }

    /// Bytes held.
    #[must_use]
    pub fn bytes(&self) -> usize {
        self.levels.iter().map(|l| l.samples.capacity()).sum()
    }

    /// The recorded codes of a pixel, for the read-out.
    #[must_use]
    pub fn codes_at(&self, column: usize, row: usize) -> Option<[u8; 3]> {
        self.pixel(0, column, row)
    }

    fn pixel(&self, level: usize, column: usize, row: usize) -> Option<[u8; 3]> {
        let l = self.levels.get(level)?;
        if column >= l.width || row >= l.height {
            return None;
        }
        let i = (row * l.width + column) * self.channels;
        match l.samples.get(i..i + self.channels)? {
            [grey] => Some([*grey; 3]),
            [r, g, b] => Some([*r, *g, *b]),
            _ => None,
        }
    }

    /// Size of a tile, px of its level; 0 outside the picture.
    #[must_use]
    pub fn tile_size(&self, tile: Tile) -> (usize, usize) {
        let Some(l) = self.levels.get(usize::from(tile.level)) else { return (0, 0) };
        let of = |whole: usize, i: u32| whole.saturating_sub(i as usize * TILE_PX).min(TILE_PX);
        (of(l.width, tile.x), of(l.height, tile.y))
    }

    /// The pixels of a tile as shown, row by row, through `make` for each.
    pub fn tile_pixels<P>(&self, tile: Tile, tone: &ToneView, make: impl Fn([u8; 3]) -> P) -> Vec<P> {
        let (w, h) = self.tile_size(tile);
        let Some(l) = self.levels.get(usize::from(tile.level)) else { return Vec::new() };
        let table = tone.table();
        let mut out = Vec::with_capacity(w * h);
        let (left, top) = (tile.x as usize * TILE_PX, tile.y as usize * TILE_PX);
        for row in top..top + h {
            let from = (row * l.width + left) * self.channels;
            let line = &l.samples[from..from + w * self.channels];
            if self.channels == 1 {
                out.extend(line.iter().map(|&v| make(tone.shown(&table, [v; 3]))));
            } else {
                let pixels = line.as_chunks::<3>().0;
                out.extend(pixels.iter().map(|&p| make(tone.shown(&table, p))));
            }
        }
        out
    }

    /// A square of full-size pixels about a place as shown, for the loupe; outside the picture `outside` stands.
    pub fn square<P: Copy>(
        &self,
        column: i64,
        row: i64,
        side: usize,
        tone: &ToneView,
        make: impl Fn([u8; 3]) -> P,
        outside: P,
    ) -> Vec<P> {
        let table = tone.table();
        let half = side as i64 / 2;
        let mut out = Vec::with_capacity(side * side);
        for y in row - half..row - half + side as i64 {
            for x in column - half..column - half + side as i64 {
                let pixel = usize::try_from(x).ok().zip(usize::try_from(y).ok()).and_then(|(x, y)| self.pixel(0, x, y));
                out.push(pixel.map_or(outside, |p| make(tone.shown(&table, p))));
            }
        }
        out
    }

    /// A small picture of at most `side` px each way, for the strip.
    #[must_use]
    pub fn thumbnail(&self, side: usize) -> (usize, usize, Vec<[u8; 3]>) {
        let level = self.levels.iter().rposition(|l| l.width.max(l.height) >= side).unwrap_or(0);
        let Some(l) = self.levels.get(level) else { return (0, 0, Vec::new()) };
        let factor = (l.width.max(l.height) as f64 / side as f64).max(1.0);
        let (w, h) = (((l.width as f64 / factor) as usize).max(1), ((l.height as f64 / factor) as usize).max(1));
        let mut out = Vec::with_capacity(w * h);
        for y in 0..h {
            for x in 0..w {
                let (cx, cy) = (((x as f64 + 0.5) * factor) as usize, ((y as f64 + 0.5) * factor) as usize);
                out.push(self.pixel(level, cx, cy).unwrap_or([0; 3]));
            }
        }
        (w, h, out)
    }
}

/// Leaves out what is not needed, within the memory that is there already.
fn packed(mut rgba: Vec<u8>, channels: usize) -> Vec<u8> {
    let pixels = rgba.len() / 4;
    for i in 0..pixels {
        for c in 0..channels {
            rgba[i * channels + c] = rgba[i * 4 + c];
        }
    }
    rgba.truncate(pixels * channels);
    rgba.shrink_to_fit();
    rgba
}

/// The mean of every 2 × 2 pixels, of fewer at an odd edge.
fn halved(level: &Level, channels: usize) -> Level {
    let (w, h) = (level.width.div_ceil(2), level.height.div_ceil(2));
    let mut samples = vec![0_u8; w * h * channels];
    samples.par_chunks_mut(w * channels).enumerate().for_each(|(row, out)| {
        let rows = [2 * row, (2 * row + 1).min(level.height - 1)];
        let line = |r: usize| &level.samples[r * level.width * channels..(r + 1) * level.width * channels];
        let (above, below) = (line(rows[0]), line(rows[1]));
        for (column, pixel) in out.chunks_exact_mut(channels).enumerate() {
            let (a, b) = (2 * column * channels, (2 * column + 1).min(level.width - 1) * channels);
            for (c, sample) in pixel.iter_mut().enumerate() {
                let sum = u32::from(above[a + c])
                    + u32::from(above[b + c])
                    + u32::from(below[a + c])
                    + u32::from(below[b + c]);
                *sample = ((sum + 2) / 4) as u8;
            }
        }
    });
    Level { width: w, height: h, samples }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ramp(width: usize, height: usize, channels: usize) -> Pyramid {
        let rgba =
            (0..width * height).flat_map(|i| [(i % width % 256) as u8, (i / width % 256) as u8, 9, 255]).collect();
        Pyramid::of_rgba(rgba, (width, height), channels, &AtomicBool::new(false)).unwrap()
    }

    #[test]
    fn halvings_keep_the_mean_and_edges_of_odd_pictures() {
        let p = ramp(1201, 901, 3);
        assert_eq!(p.levels.len(), 3);
        assert_eq!((p.levels[1].width, p.levels[1].height), (601, 451));
        assert_eq!(p.codes_at(5, 7), Some([5, 7, 9]));
        // Columns 10 and 11, rows 20 and 21: means 10.5 and 20.5, rounded up.
        assert_eq!(p.pixel(1, 5, 10), Some([11, 21, 9]));
        // The last column stands alone.
        assert_eq!(p.pixel(1, 600, 0).unwrap()[0], (1200 % 256) as u8);
        assert_eq!(p.codes_at(1201, 0), None);
    }

    #[test]
    fn tiles_hold_the_picture_and_nothing_else() {
        for channels in [1, 3] {
            let p = ramp(1201, 901, channels);
            let last = Tile { level: 0, x: 2, y: 1 };
            assert_eq!(p.tile_size(last), (177, 389));
            let pixels = p.tile_pixels(last, &ToneView::default(), |c| c);
            assert_eq!(pixels.len(), 177 * 389);
            assert_eq!(pixels[0][0], (1024 % 256) as u8);
            assert_eq!(p.tile_size(Tile { level: 0, x: 3, y: 0 }).0, 0);
        }
    }

    #[test]
    fn memory_is_one_and_a_third_bytes_a_sample() {
        let p = ramp(3000, 2000, 3);
        let samples = 3000 * 2000 * 3;
        assert!(p.bytes() < samples * 134 / 100, "{} of {samples}", p.bytes());
    }

    #[test]
    fn the_loupe_has_ground_outside_the_picture() {
        let p = ramp(700, 500, 3);
        let square = p.square(0, 0, 5, &ToneView::default(), |c| c, [77; 3]);
        assert_eq!((square[0], square[12]), ([77; 3], [0, 0, 9]));
        let (w, h, small) = p.thumbnail(96);
        assert_eq!((w, h, small.len()), (96, 68, 96 * 68));
    }

    #[test]
    fn work_that_is_not_wanted_any_more_ends() {
        let stop = AtomicBool::new(true);
        assert!(Pyramid::of_rgba(vec![0; 4 * 1000 * 1000], (1000, 1000), 3, &stop).is_none());
    }
}
