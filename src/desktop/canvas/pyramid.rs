//! The picture in halvings, packed, for showing only.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use rayon::prelude::*;

use super::tiles::{self, TILE_PX, Tile};
use super::tone::ToneView;
use crate::photo::Photo;

/// One level, samples row by row.
struct Level {
    width: usize,
    height: usize,
    samples: Samples,
}

/// Where the samples of a level are.
enum Samples {
    /// Here.
    Own(Vec<u8>),
    /// In the decoded picture, which has 8 bits a sample.
    Decoded(Arc<Photo>),
}

impl Level {
    fn samples(&self) -> &[u8] {
        match &self.samples {
            Samples::Own(v) => v,
            Samples::Decoded(photo) => photo.samples8().unwrap_or_default(),
        }
    }
}

/// A picture at full size and in halvings, 8 bits a sample, 1 or 3 samples a pixel.
///
/// Memory: the halvings take ⅓ byte a sample, and full size is that of the decoded picture where it has 8 bits. With the decoded picture
/// one of 8 bits, in colour or grey, takes 1⅓ times its decoded size, one of 16 bits 1⅔ times; nothing larger is held on the way.
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
    pub fn of(photo: &Arc<Photo>, cancelled: &AtomicBool) -> Option<Self> {
        let size = (photo.width(), photo.height());
        let samples = match photo.samples8() {
            Some(_) => Samples::Decoded(Arc::clone(photo)),
            None => Samples::Own(photo.packed8()),
        };
        Self::of_samples(samples, size, channels_of(photo), cancelled)
    }

    /// From red, green, blue and a fourth byte that is left out; with one channel the red stands for all.
    #[must_use]
    pub fn of_rgba(rgba: Vec<u8>, picture_px: (usize, usize), channels: usize, cancelled: &AtomicBool) -> Option<Self> {
        Self::of_samples(Samples::Own(packed(rgba, channels)), picture_px, channels, cancelled)
    }

    fn of_samples(
        samples: Samples,
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

    /// A small picture of at most `side` px each way, as [`small`] makes it, from a halving: at once, whatever the picture's size.
    #[must_use]
    pub fn small(&self, side: usize) -> (usize, usize, Vec<[u8; 3]>) {
        let is_enough = |l: &&Level| l.width.max(l.height) >= 2 * side;
        let Some(level) = self.levels.iter().rev().find(is_enough).or(self.levels.first()) else {
            return (0, 0, vec![]);
        };
        small_of(level.samples(), (level.width, level.height), self.channels, side)
    }

    /// Bytes held beside the decoded picture.
    #[must_use]
    pub fn bytes(&self) -> usize {
        let own = |l: &Level| if let Samples::Own(v) = &l.samples { v.capacity() } else { 0 };
        self.levels.iter().map(own).sum()
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
        match l.samples().get(i..i + self.channels)? {
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
        let (table, plain) = (tone.table(), tone.is_plain());
        let samples = l.samples();
        let mut out = Vec::with_capacity(w * h);
        let (left, top) = (tile.x as usize * TILE_PX, tile.y as usize * TILE_PX);
        for row in top..top + h {
            let from = (row * l.width + left) * self.channels;
            let line = &samples[from..from + w * self.channels];
            if self.channels == 1 {
                out.extend(line.iter().map(|&v| make(tone.shown(&table, [v; 3]))));
            } else {
                let pixels = line.as_chunks::<3>().0;
                if plain {
                    out.extend(pixels.iter().map(|&p| make(p)));
                } else {
                    out.extend(pixels.iter().map(|&p| make(tone.shown(&table, p))));
                }
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
}

/// Samples a pixel.
fn channels_of(photo: &Photo) -> usize {
    if photo.is_grey() { 1 } else { 3 }
}

/// Samples each way whose mean is a pixel of a small picture.
const SMALL_SAMPLES: usize = 6;

/// A small picture of at most `side` px each way, for the strip: columns, rows, pixels.
#[must_use]
pub fn small(photo: &Photo, side: usize) -> (usize, usize, Vec<[u8; 3]>) {
    let packed = photo.samples8().is_none().then(|| photo.packed8());
    let samples = photo.samples8().or(packed.as_deref()).unwrap_or_default();
    small_of(samples, (photo.width(), photo.height()), channels_of(photo), side)
}

fn small_of(
    samples: &[u8],
    (width, height): (usize, usize),
    channels: usize,
    side: usize,
) -> (usize, usize, Vec<[u8; 3]>) {
    let factor = (width.max(height) as f64 / side.max(1) as f64).max(1.0);
    let (w, h) = (((width as f64 / factor) as usize).max(1), ((height as f64 / factor) as usize).max(1));
    // Where in the picture the samples of a column or row of the small one are.
    let places = |i: usize, whole: usize| -> [usize; SMALL_SAMPLES] {
        std::array::from_fn(|k| {
            let at = (i as f64 + (k as f64 + 0.5) / SMALL_SAMPLES as f64) * factor;
            (at as usize).min(whole.saturating_sub(1))
        })
    };
    let columns: Vec<[usize; SMALL_SAMPLES]> = (0..w).map(|x| places(x, width)).collect();
    let mut out = Vec::with_capacity(w * h);
    for y in 0..h {
        let rows = places(y, height);
        for columns in &columns {
            let mut sum = [0_usize; 3];
            for row in rows {
                for column in columns {
                    let i = (row * width + column) * channels;
                    let Some(pixel) = samples.get(i..i + channels) else { continue };
                    for (c, s) in sum.iter_mut().enumerate() {
                        *s += usize::from(pixel[c.min(channels - 1)]);
                    }
                }
            }
            let n = SMALL_SAMPLES * SMALL_SAMPLES;
            out.push(sum.map(|s| ((s + n / 2) / n).min(255) as u8));
        }
    }
    (w, h, out)
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
    let (width, height) = (level.width.div_ceil(2), level.height.div_ceil(2));
    let samples = if channels == 1 { halved_samples::<1>(level) } else { halved_samples::<3>(level) };
    Level { width, height, samples: Samples::Own(samples) }
}

/// The number of channels is known beforehand, so that the loop over a row has no loop within.
fn halved_samples<const CHANNELS: usize>(level: &Level) -> Vec<u8> {
    let (w, h) = (level.width.div_ceil(2), level.height.div_ceil(2));
    let finer = level.samples().as_chunks::<CHANNELS>().0;
    let mut samples = vec![0_u8; w * h * CHANNELS];
    samples.par_chunks_mut(w * CHANNELS).enumerate().for_each(|(row, out)| {
        let line = |r: usize| &finer[r * level.width..(r + 1) * level.width];
        let (above, below) = (line(2 * row), line((2 * row + 1).min(level.height - 1)));
        let (pairs_above, odd_above) = above.as_chunks::<2>();
        let (pairs_below, odd_below) = below.as_chunks::<2>();
        let mean =
            |a: u8, b: u8, c: u8, d: u8| ((u32::from(a) + u32::from(b) + u32::from(c) + u32::from(d) + 2) / 4) as u8;
        let (out, _) = out.as_chunks_mut::<CHANNELS>();
        for (pixel, (a, b)) in out.iter_mut().zip(pairs_above.iter().zip(pairs_below)) {
            for c in 0..CHANNELS {
                pixel[c] = mean(a[0][c], a[1][c], b[0][c], b[1][c]);
            }
        }
        if let (Some(pixel), [a], [b]) = (out.get_mut(pairs_above.len()), odd_above, odd_below) {
            for c in 0..CHANNELS {
                pixel[c] = mean(a[c], a[c], b[c], b[c]);
            }
        }
    });
    samples
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
    fn memory_of_a_level_of_its_own_is_one_and_a_third_bytes_a_sample() {
        let p = ramp(3000, 2000, 3);
        let samples = 3000 * 2000 * 3;
        assert!(p.bytes() < samples * 134 / 100, "{} of {samples}", p.bytes());
    }

    #[test]
    fn the_loupe_has_ground_outside_the_picture() {
        let p = ramp(700, 500, 3);
        let square = p.square(0, 0, 5, &ToneView::default(), |c| c, [77; 3]);
        assert_eq!((square[0], square[12]), ([77; 3], [0, 0, 9]));
    }

    fn photo(colours: bool) -> Arc<Photo> {
        let ramp = |x: u32, y: u32| image::Rgb([(x / 4) as u8, (y / 2) as u8, 9]);
        let rgb = image::DynamicImage::ImageRgb8(image::RgbImage::from_fn(700, 500, ramp));
        let picture = if colours { rgb } else { rgb.to_luma8().into() };
        let mut file = std::io::Cursor::new(Vec::new());
        picture.write_to(&mut file, image::ImageFormat::Png).unwrap();
        Arc::new(Photo::from_bytes(file.get_ref(), &crate::photo::Limits::default()).unwrap())
    }

    #[test]
    fn full_size_is_that_of_the_decoded_picture() {
        for colours in [true, false] {
            let photo = photo(colours);
            let p = Pyramid::of(&photo, &AtomicBool::new(false)).unwrap();
            let samples = 700 * 500 * if colours { 3 } else { 1 };
            assert!(p.bytes() < samples * 34 / 100, "{} of {samples}", p.bytes());
            let decoded = photo.packed8();
            let at = (123 * 700 + 321) * if colours { 3 } else { 1 };
            assert_eq!(p.codes_at(321, 123).unwrap()[0], decoded[at]);
        }
    }

    #[test]
    fn small_pictures_show_means() {
        let (w, h, pixels) = small(&photo(true), 96);
        assert_eq!((w, h, pixels.len()), (96, 68, 96 * 68));
        // Column 48 begins at 48 · 700 / 96 = 350 and is 7.3 wide: mean code of x / 4 is 88.
        let [red, green, blue] = pixels[34 * 96 + 48];
        assert!((87..=89).contains(&red) && (124..=127).contains(&green) && blue == 9, "{red} {green} {blue}");
        let (.., grey) = small(&photo(false), 96);
        assert!(grey.iter().all(|[r, g, b]| r == g && g == b));
        assert_eq!(small(&photo(true), 5000).0, 700, "never enlarged");
        // From a halving the same, but for where its pixels begin.
        let pyramid = Pyramid::of(&photo(true), &AtomicBool::new(false)).unwrap();
        assert_eq!(pyramid.levels.len(), 2);
        let (w, h, halving) = pyramid.small(96);
        assert_eq!((w, h), (96, 68));
        for (a, b) in pixels.iter().zip(&halving) {
            assert!((0..3).all(|c| a[c].abs_diff(b[c]) <= 3), "{a:?} {b:?}");
        }
        assert_eq!(pyramid.small(5000).0, 700, "never enlarged");
    }

    #[test]
    fn work_that_is_not_wanted_any_more_ends() {
        let stop = AtomicBool::new(true);
        assert!(Pyramid::of_rgba(vec![0; 4 * 1000 * 1000], (1000, 1000), 3, &stop).is_none());
    }
}
