//! Where the recording range ends.

use rayon::prelude::*;

use super::raster::{Raster, Samples};
use super::warning::PhotoWarning;

/// The code from which on a sample counts as clipped; see [`super::Photo::full_scale`].
pub(super) fn full_scale(raster: &Raster, lossy: bool) -> u16 {
    match &raster.samples {
        Samples::Eight(_) if lossy => 254,
        Samples::Eight(_) => 255,
        Samples::Sixteen(samples) => narrow_full_scale(samples).unwrap_or(u16::MAX),
    }
}

/// The highest code of 10, 12 or 14 bits, at the lower or the upper end of the word, where the samples
/// pile up there and none lies above.
fn narrow_full_scale(samples: &[u16]) -> Option<u16> {
    let top = samples.par_iter().copied().max()?;
    let step = [10, 12, 14].into_iter().find_map(|bits| {
        let code = (1_u16 << bits) - 1;
        let shift = 16 - bits;
        if top == code { Some(1) } else { (top == code << shift).then_some(1 << shift) }
    })?;
    let count = |code: u16| samples.par_iter().filter(|s| **s == code).count();
    let (at_top, below) = (count(top), count(top - step));
    // A pile-up: more than chance puts there, and several times what lies one code below.
    (at_top >= 16 && at_top > 4 * below).then_some(top)
}

/// Samples looked at for a pile-up, at most; enough to see one that matters.
const MOST_SAMPLES: usize = 2_000_000;

/// A pile-up of samples at the brightest end of the picture, where that lies below full scale: raw files developed
/// with a lowered white, or cameras whose curve ends early, clip there.
pub(super) fn pile_up(raster: &Raster, full: u16) -> Option<PhotoWarning> {
    let counts = match &raster.samples {
        Samples::Eight(samples) => counts(samples, raster, 256),
        Samples::Sixteen(samples) => counts(samples, raster, 65_536),
    };
    let total: usize = counts.iter().sum();
    // A few hot pixels above do not hide a pile-up.
    let mut above = 0;
    let top = counts.iter().rposition(|n| {
        above += n;
        above > total / 20_000
    })?;
    if top >= usize::from(full) || top < 16 {
        return None;
    }
    // Lossy compression smears a pile-up over a few codes.
    let window = |end: usize| counts[end.saturating_sub(2)..=end].iter().sum::<usize>();
    let at_top = counts[top - 2..].iter().sum::<usize>();
    let below = (1..=4).map(|k| window(top - 3 * k)).max()?;
    let share = at_top as f64 / total as f64;
    (share > 0.005 && at_top > 5 * below).then_some(PhotoWarning::PileUp {
        code: top as u16,
        full_scale: if raster.bits() == 8 { 255 } else { u16::MAX },
        share,
    })
}

/// How often each code occurs, in whole rows spread evenly over the picture.
fn counts<T: Copy>(samples: &[T], raster: &Raster, codes: usize) -> Vec<usize>
where
    usize: From<T>,
{
    let row = raster.width * raster.channels;
    let stride = samples.len().div_ceil(MOST_SAMPLES).max(1);
    let mut counts = vec![0; codes];
    for sample in samples.chunks(row.max(1)).step_by(stride).flatten() {
        counts[usize::from(*sample)] += 1;
    }
    counts
}

#[cfg(test)]
mod tests {
    use super::*;

    fn grey(samples: Vec<u16>) -> Raster {
        Raster { width: samples.len(), height: 1, channels: 1, samples: Samples::Sixteen(samples) }
    }

    #[test]
    fn the_end_of_twelve_bits_is_found_only_where_samples_pile_up() {
        let mut ramp: Vec<u16> = (0..4000).collect();
        assert_eq!(full_scale(&grey(ramp.clone()), false), 65_535);
        ramp.extend([4095; 40]);
        assert_eq!(full_scale(&grey(ramp.clone()), false), 4095);
        let shifted: Vec<u16> = ramp.iter().map(|v| v << 4).collect();
        assert_eq!(full_scale(&grey(shifted), false), 65_520);
        // Above is above.
        ramp.push(5000);
        assert_eq!(full_scale(&grey(ramp), false), 65_535);
    }

    #[test]
    fn a_pile_up_below_full_scale_is_found_and_a_plain_ground_is_not() {
        // A bright ground of ordinary noise: a hump, no pile-up.
        let hump = |i: u32| {
            let noise: u32 =
                (0..12).map(|k| (i.wrapping_mul(2_654_435_761).wrapping_add(k * 40_503_001) >> 13) % 9).sum();
            150 + noise
        };
        let picture = |top: u32| Raster {
            width: 400,
            height: 300,
            channels: 1,
            samples: Samples::Eight((0..120_000_u32).map(|i| hump(i).min(top) as u8).collect()),
        };
        assert_eq!(pile_up(&picture(255), 255), None);
        let found = pile_up(&picture(195), 255);
        assert!(matches!(found, Some(PhotoWarning::PileUp { code: 195, .. })), "{found:?}");
    }
}
