//! Codes to linear light, through tables, with the mask of clipped pixels.

use rayon::prelude::*;

use super::light::Light;
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

/// Pixels handled at a time; a multiple of 64 so that no two tasks share a word of the mask.
const TASK: usize = 64 * 256;

/// The plane of light of one channel.
///
/// A pixel counts as clipped in a mixture when any of its samples is at `full` or all are 0, in a single
/// channel when that sample is.
///
/// # Accuracy
/// Each table entry is the exact curve rounded once to `f32` (6e-8 relative); luminance adds two roundings.
pub(super) fn light(raster: &Raster, channel: Channel, transfer: Transfer, full: u16) -> Light {
    let (width, height) = (raster.width, raster.height);
    let (values, clipped) = match (&raster.samples, raster.channels, channel) {
        (Samples::Eight(v), 1, _) => one_of::<u8, 1, 256>(v, 0, transfer, full),
        (Samples::Sixteen(v), 1, _) => one_of::<u16, 1, 65_536>(v, 0, transfer, full),
        (Samples::Eight(v), _, Channel::Luminance) => weighted::<u8, 256>(v, LUMINANCE, transfer, full),
        (Samples::Sixteen(v), _, Channel::Luminance) => weighted::<u16, 65_536>(v, LUMINANCE, transfer, full),
        (Samples::Eight(v), _, Channel::Even) => weighted::<u8, 256>(v, EVEN, transfer, full),
        (Samples::Sixteen(v), _, Channel::Even) => weighted::<u16, 65_536>(v, EVEN, transfer, full),
        (Samples::Eight(v), _, single) => one_of::<u8, 3, 256>(v, index(single), transfer, full),
        (Samples::Sixteen(v), _, single) => one_of::<u16, 3, 65_536>(v, index(single), transfer, full),
    };
    Light::with_clipped(width, height, values, clipped)
}

const fn index(channel: Channel) -> usize {
    match channel {
        Channel::Luminance | Channel::Even | Channel::Red => 0,
        Channel::Green => 1,
        Channel::Blue => 2,
    }
}

fn table<const S: usize>(transfer: Transfer, weight: f64) -> Box<[f32; S]> {
    // The table has S entries by construction; an all-zero one cannot occur.
    transfer.table::<S>(weight).try_into().unwrap_or_else(|_never| Box::new([0.0; S]))
}

fn weighted<T, const S: usize>(samples: &[T], weights: [f64; 3], transfer: Transfer, full: u16) -> (Vec<f32>, Vec<u64>)
where
    T: Copy + Ord + Send + Sync,
    usize: From<T>,
    u16: From<T>,
{
    let [red, green, blue] = weights.map(|w| table::<S>(transfer, w));
    planes::<T, 3>(samples, |[r, g, b]| {
        let value = red[usize::from(r)] + green[usize::from(g)] + blue[usize::from(b)];
        let top = u16::from(r.max(g).max(b));
        (value, top >= full || top == 0)
    })
}

fn one_of<T, const N: usize, const S: usize>(
    samples: &[T],
    at: usize,
    transfer: Transfer,
    full: u16,
) -> (Vec<f32>, Vec<u64>)
where
    T: Copy + Send + Sync,
    usize: From<T>,
    u16: From<T>,
{
    let table = table::<S>(transfer, 1.0);
    planes::<T, N>(samples, |pixel| {
        let code = u16::from(pixel[at]);
        (table[usize::from(pixel[at])], code >= full || code == 0)
    })
}

/// Runs `of_pixel` over all pixels in parallel: values and mask.
fn planes<T, const N: usize>(samples: &[T], of_pixel: impl Fn([T; N]) -> (f32, bool) + Sync) -> (Vec<f32>, Vec<u64>)
where
    T: Copy + Send + Sync,
{
    let (pixels, _rest) = samples.as_chunks::<N>();
    let mut values = vec![0.0; pixels.len()];
    let mut clipped = vec![0; pixels.len().div_ceil(64)];
    let tasks = values.par_chunks_mut(TASK).zip(clipped.par_chunks_mut(TASK / 64)).zip(pixels.par_chunks(TASK));
    tasks.for_each(|((values, words), pixels)| {
        for ((values, word), pixels) in values.chunks_mut(64).zip(words).zip(pixels.chunks(64)) {
            let mut bits = 0_u64;
            for (i, (value, pixel)) in values.iter_mut().zip(pixels).enumerate() {
                let (light, clipped) = of_pixel(*pixel);
                *value = light;
                bits |= u64::from(clipped) << i;
            }
            *word = bits;
        }
    });
    (values, clipped)
}
