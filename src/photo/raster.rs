//! Decoded samples before anything is made of them.

use super::orientation::Orientation;

/// Samples as recorded, at their own depth.
#[derive(Clone, Debug)]
pub(super) enum Samples {
    Eight(Vec<u8>),
    Sixteen(Vec<u16>),
}

/// A decoded picture: grey (1 channel) or red, green, blue (3 channels), no alpha.
#[derive(Clone, Debug)]
pub(super) struct Raster {
    pub(super) width: usize,
    pub(super) height: usize,
    pub(super) channels: usize,
    pub(super) samples: Samples,
}

impl Raster {
    /// Turns the picture to stand as seen.
    pub(super) fn oriented(self, orientation: Orientation) -> Self {
        let Self { width, height, channels, samples } = self;
        let (samples, width, height) = match (samples, channels) {
            (Samples::Eight(v), 1) => wrap(orientation.apply::<u8, 1>(v, width, height), Samples::Eight),
            (Samples::Eight(v), _) => wrap(orientation.apply::<u8, 3>(v, width, height), Samples::Eight),
            (Samples::Sixteen(v), 1) => wrap(orientation.apply::<u16, 1>(v, width, height), Samples::Sixteen),
            (Samples::Sixteen(v), _) => wrap(orientation.apply::<u16, 3>(v, width, height), Samples::Sixteen),
        };
        Self { width, height, channels, samples }
    }

    /// Bits of one sample.
    pub(super) const fn bits(&self) -> u32 {
        match self.samples {
            Samples::Eight(_) => 8,
            Samples::Sixteen(_) => 16,
        }
    }
}

fn wrap<T>((v, w, h): (Vec<T>, usize, usize), samples: fn(Vec<T>) -> Samples) -> (Samples, usize, usize) {
    (samples(v), w, h)
}

/// Keeps the first `kept` of every `of` samples, in place; true when any sample dropped is below `full`.
pub(super) fn keep_channels<T: Copy + PartialOrd>(samples: &mut Vec<T>, of: usize, kept: usize, full: T) -> bool {
    if of == kept {
        return false;
    }
    let pixels = samples.len() / of;
    let mut transparent = false;
    for i in 0..pixels {
        transparent |= samples[i * of + kept] < full;
        for c in 0..kept {
            samples[i * kept + c] = samples[i * of + c];
        }
    }
    samples.truncate(pixels * kept);
    transparent
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn alpha_is_dropped_and_noticed() {
        let mut rgba = vec![1_u8, 2, 3, 255, 4, 5, 6, 255];
        assert!(!keep_channels(&mut rgba, 4, 3, 255));
        assert_eq!(rgba, [1, 2, 3, 4, 5, 6]);
        let mut grey_alpha = vec![1_u16, 65535, 2, 65534];
        assert!(keep_channels(&mut grey_alpha, 2, 1, 65535));
        assert_eq!(grey_alpha, [1, 2]);
    }
}
