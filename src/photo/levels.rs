//! Where the recording range ends.

use rayon::prelude::*;

use super::raster::{Raster, Samples};

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
}
