//! Codes to linear light through tables, where it is asked for.

use std::sync::Arc;

use super::raster::{Raster, Samples};
use super::tone::Transfer;

/// Which light of a picture.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Channel {
    /// 0.2126 red + 0.7152 green + 0.0722 blue, of linear values (ITU-R BT.709-6, item 3.2).
    #[default]
    Luminance,
    /// (red + green + blue) / 3 of linear values: the light of all photosites alike, for places of lines. Where the three are
    /// equally noisy it carries 1.3 times the signal to noise of luminance, and more where blue is the sharpest.
    Even,
    /// Red alone.
    Red,
    /// Green alone.
    Green,
    /// Blue alone.
    Blue,
}

const LUMINANCE: [f64; 3] = [0.2126, 0.7152, 0.0722];
const EVEN: [f64; 3] = [1.0 / 3.0; 3];

impl Channel {
    /// Shares of red, green and blue in a mixture; `None` for a single channel.
    const fn weights(self) -> Option<[f64; 3]> {
        match self {
            Self::Luminance => Some(LUMINANCE),
            Self::Even => Some(EVEN),
            Self::Red | Self::Green | Self::Blue => None,
        }
    }

    const fn index(self) -> usize {
        match self {
            Self::Luminance | Self::Even | Self::Red => 0,
            Self::Green => 1,
            Self::Blue => 2,
        }
    }
}

/// The light of one channel of a decoded picture: its samples, shared, and the tables that turn codes into light.
///
/// A pixel counts as clipped in a mixture when any of its samples is at `full` or all are 0, in a single
/// channel when that sample is.
///
/// # Accuracy
/// Each table entry is the exact curve rounded once to `f32` (6e-8 relative); mixtures add two roundings.
#[derive(Clone)]
pub(super) struct Coded {
    raster: Arc<Raster>,
    curve: Curve,
}

#[derive(Clone)]
enum Curve {
    Eight(Arc<Tables<256>>),
    Sixteen(Arc<Tables<65_536>>),
}

/// Light of every code.
struct Tables<const S: usize> {
    full: u16,
    kind: Kind<S>,
}

enum Kind<const S: usize> {
    /// One sample of each pixel of so many.
    One { at: usize, of: usize, table: Box<[f32; S]> },
    /// The sum over the three of a pixel.
    Sum([Box<[f32; S]>; 3]),
}

/// Pixels whose range is looked at together.
const PART: usize = 64;

/// What samples have in common.
trait Code: Copy + Ord {
    fn index(self) -> usize;
    fn wide(self) -> u16;
}

impl Code for u8 {
    fn index(self) -> usize {
        usize::from(self)
    }
    fn wide(self) -> u16 {
        u16::from(self)
    }
}

impl Code for u16 {
    fn index(self) -> usize {
        usize::from(self)
    }
    fn wide(self) -> u16 {
        self
    }
}

/// Calls a method of the tables with the samples of their depth.
macro_rules! of_depth {
    ($coded:expr, |$tables:ident, $samples:ident| $call:expr, $never:expr) => {
        match (&$coded.curve, &$coded.raster.samples) {
            (Curve::Eight($tables), Samples::Eight($samples)) => $call,
            (Curve::Sixteen($tables), Samples::Sixteen($samples)) => $call,
            // Tables are made for the depth of the samples beside them.
            _ => $never,
        }
    };
}

impl Coded {
    pub(super) fn new(raster: Arc<Raster>, channel: Channel, transfer: Transfer, full: u16) -> Self {
        let curve = match raster.samples {
            Samples::Eight(_) => Curve::Eight(Arc::new(Tables::new(raster.channels, channel, transfer, full))),
            Samples::Sixteen(_) => Curve::Sixteen(Arc::new(Tables::new(raster.channels, channel, transfer, full))),
        };
        Self { raster, curve }
    }

    pub(super) fn width(&self) -> usize {
        self.raster.width
    }

    pub(super) fn height(&self) -> usize {
        self.raster.height
    }

    /// Light of the pixel `i` in row order.
    #[inline]
    pub(super) fn at(&self, i: usize) -> f32 {
        of_depth!(self, |tables, samples| tables.at(samples, i), f32::NAN)
    }

    /// Whether the pixel `i` is at an end of the range.
    #[inline]
    pub(super) fn is_clipped(&self, i: usize) -> bool {
        of_depth!(self, |tables, samples| tables.is_clipped(samples, i), true)
    }

    /// Light of the pixels from `first` on.
    pub(super) fn fill(&self, first: usize, out: &mut [f32]) {
        of_depth!(self, |tables, samples| tables.fill(samples, first, out), out.fill(f32::NAN));
    }

    /// The same, NaN where a pixel is at an end of the range.
    pub(super) fn fill_unclipped(&self, first: usize, out: &mut [f32]) {
        of_depth!(self, |tables, samples| tables.fill_unclipped(samples, first, out), out.fill(f32::NAN));
    }

    /// Clipped pixels among `count` from `first` on.
    pub(super) fn count_clipped(&self, first: usize, count: usize) -> usize {
        of_depth!(self, |tables, samples| tables.count_clipped(samples, first, count), count)
    }

    /// [`Coded::halve`] with the square of a code for its light and all channels alike, about twice as fast; where that is far from the
    /// curve, or samples are deep, as it does.
    pub(super) fn halve_roughly(&self, upper: usize, lower: usize, out: &mut [f32]) {
        match (&self.curve, &self.raster.samples) {
            (Curve::Eight(tables), Samples::Eight(samples)) if tables.are_near_squares() => {
                halve_squares(&samples[3 * upper..], &samples[3 * lower..], out);
            }
            _ => self.halve(upper, lower, out),
        }
    }

    /// Means over squares of two pixels a side, of the two rows that begin at `upper` and `lower`.
    pub(super) fn halve(&self, upper: usize, lower: usize, out: &mut [f32]) {
        of_depth!(self, |tables, samples| tables.halve(samples, upper, lower, out), out.fill(f32::NAN));
    }
}

impl<const S: usize> Tables<S> {
    fn new(channels: usize, channel: Channel, transfer: Transfer, full: u16) -> Self {
        // The table has S entries by construction; an all-zero one cannot occur.
        let table = |weight| transfer.table::<S>(weight).try_into().unwrap_or_else(|_never| Box::new([0.0; S]));
        let kind = match (channels, channel.weights()) {
            (1, _) => Kind::One { at: 0, of: 1, table: table(1.0) },
            (_, Some(weights)) => Kind::Sum(weights.map(table)),
            (_, None) => Kind::One { at: channel.index(), of: 3, table: table(1.0) },
        };
        Self { full, kind }
    }

    #[inline]
    fn at<T: Code>(&self, samples: &[T], i: usize) -> f32 {
        match &self.kind {
            Kind::One { at, of, table } => table[samples[i * of + at].index()],
            Kind::Sum(tables) => samples[3 * i..].first_chunk().map_or(f32::NAN, |p| sum(tables, p)),
        }
    }

    #[inline]
    fn is_clipped<T: Code>(&self, samples: &[T], i: usize) -> bool {
        let code = match &self.kind {
            Kind::One { at, of, .. } => samples[i * of + at].wide(),
            Kind::Sum(_) => samples[3 * i..].first_chunk().map_or(0, |p| highest(p)),
        };
        code >= self.full || code == 0
    }

    /// Whether the light of all three channels goes about with the square of the code, as by the curve of sRGB: half the light is at 0.74 of
    /// full scale there and at 0.71 by squares.
    fn are_near_squares(&self) -> bool {
        let half = |table: &[f32; S]| table[S * 47 / 64] / table[S - 1];
        matches!(&self.kind, Kind::Sum(tables) if tables.iter().all(|t| (half(t) - 0.5).abs() < 0.06))
    }

    fn fill<T: Code>(&self, samples: &[T], first: usize, out: &mut [f32]) {
        match &self.kind {
            Kind::One { at, of: 3, table } => {
                for (o, p) in out.iter_mut().zip(pixels::<T, 3>(samples, first)) {
                    *o = table[p[*at].index()];
                }
            }
            Kind::One { table, .. } => {
                for (o, s) in out.iter_mut().zip(&samples[first..]) {
                    *o = table[s.index()];
                }
            }
            Kind::Sum(tables) => {
                for (o, p) in out.iter_mut().zip(pixels::<T, 3>(samples, first)) {
                    *o = sum(tables, p);
                }
            }
        }
    }

    fn fill_unclipped<T: Code>(&self, samples: &[T], first: usize, out: &mut [f32]) {
        self.fill(samples, first, out);
        self.each_clipped(samples, first, out.len(), |i| out[i - first] = f32::NAN);
    }

    fn count_clipped<T: Code>(&self, samples: &[T], first: usize, count: usize) -> usize {
        let mut clipped = 0;
        self.each_clipped(samples, first, count, |_| clipped += 1);
        clipped
    }

    /// Tells the clipped ones among `count` pixels from `first` on.
    fn each_clipped<T: Code>(&self, samples: &[T], first: usize, count: usize, mut tell: impl FnMut(usize)) {
        let of = match &self.kind {
            Kind::One { of, .. } => *of,
            Kind::Sum(_) => 3,
        };
        // Most parts of most pictures have no sample at an end of the range, which is seen faster than pixel by pixel.
        for (n, part) in samples[of * first..of * (first + count)].chunks(of * PART).enumerate() {
            let ends = part.iter().fold((part[0], part[0]), |(l, h), c| (l.min(*c), h.max(*c)));
            if ends.0.wide() == 0 || ends.1.wide() >= self.full {
                let start = first + n * PART;
                (start..start + part.len() / of).filter(|i| self.is_clipped(samples, *i)).for_each(&mut tell);
            }
        }
    }

    fn halve<T: Code>(&self, samples: &[T], upper: usize, lower: usize, out: &mut [f32]) {
        match &self.kind {
            Kind::One { at, of: 3, table } => {
                halve(pixels::<T, 3>(samples, upper), pixels(samples, lower), out, |p| table[p[*at].index()]);
            }
            Kind::One { table, .. } => halve(&samples[upper..], &samples[lower..], out, |s| table[s.index()]),
            Kind::Sum(tables) => {
                halve(pixels::<T, 3>(samples, upper), pixels(samples, lower), out, |p| sum(tables, p));
            }
        }
    }
}

/// The pixels from `first` on.
fn pixels<T, const N: usize>(samples: &[T], first: usize) -> &[[T; N]] {
    samples[N * first..].as_chunks().0
}

#[inline]
fn sum<T: Code, const S: usize>([red, green, blue]: &[Box<[f32; S]>; 3], [r, g, b]: &[T; 3]) -> f32 {
    red[r.index()] + green[g.index()] + blue[b.index()]
}

#[inline]
fn highest<T: Code>([r, g, b]: &[T; 3]) -> u16 {
    r.max(g).max(b).wide()
}

/// Means over squares of two pixels a side.
pub(super) fn halve<P>(upper: &[P], lower: &[P], out: &mut [f32], light: impl Fn(&P) -> f32) {
    for ((o, a), b) in out.iter_mut().zip(upper.as_chunks::<2>().0).zip(lower.as_chunks::<2>().0) {
        *o = 0.25 * (light(&a[0]) + light(&a[1]) + light(&b[0]) + light(&b[1]));
    }
}

/// The same over squares of codes, three samples a pixel. Sums of a column come first, which are had many at a time.
fn halve_squares(upper: &[u8], lower: &[u8], out: &mut [f32]) {
    const SCALE: f32 = 1.0 / (12.0 * 255.0 * 255.0);
    let square = |c: u8| u32::from(u16::from(c) * u16::from(c));
    let mut sums = [0_u32; 6 * PART];
    for ((out, a), b) in out.chunks_mut(PART).zip(upper.chunks(6 * PART)).zip(lower.chunks(6 * PART)) {
        for ((sum, a), b) in sums.iter_mut().zip(a).zip(b) {
            *sum = square(*a) + square(*b);
        }
        for (o, six) in out.iter_mut().zip(sums.as_chunks::<6>().0) {
            *o = SCALE * six.iter().sum::<u32>() as f32;
        }
    }
}
