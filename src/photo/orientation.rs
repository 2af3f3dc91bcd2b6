//! EXIF orientation: from the pixels as recorded to the picture as seen.

use rayon::prelude::*;

/// How the recorded pixels must be turned to stand as seen (Exif 2.32, tag 0x0112).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Orientation {
    /// 1: as recorded.
    #[default]
    Upright,
    /// 2: left and right are exchanged.
    MirroredAcross,
    /// 3: turned by 180°.
    Turned180,
    /// 4: top and bottom are exchanged.
    MirroredDown,
    /// 5: rows become columns.
    Transposed,
    /// 6: turned by 90° clockwise.
    TurnedClockwise,
    /// 7: rows become columns about the other diagonal.
    Transversed,
    /// 8: turned by 90° anticlockwise.
    TurnedAnticlockwise,
}

impl Orientation {
    /// From the EXIF value; `None` outside 1 to 8.
    #[must_use]
    pub const fn from_exif(value: u32) -> Option<Self> {
        Some(match value {
            1 => Self::Upright,
            2 => Self::MirroredAcross,
            3 => Self::Turned180,
            4 => Self::MirroredDown,
            5 => Self::Transposed,
            6 => Self::TurnedClockwise,
            7 => Self::Transversed,
            8 => Self::TurnedAnticlockwise,
            _ => return None,
        })
    }

    /// The EXIF value, 1 to 8.
    #[must_use]
    pub const fn exif(self) -> u8 {
        match self {
            Self::Upright => 1,
            Self::MirroredAcross => 2,
            Self::Turned180 => 3,
            Self::MirroredDown => 4,
            Self::Transposed => 5,
            Self::TurnedClockwise => 6,
            Self::Transversed => 7,
            Self::TurnedAnticlockwise => 8,
        }
    }

    /// True when width and height change places.
    #[must_use]
    pub const fn swaps_sides(self) -> bool {
        matches!(self, Self::Transposed | Self::TurnedClockwise | Self::Transversed | Self::TurnedAnticlockwise)
    }

    /// Where pixel (`x`, `y`) of the picture as seen lies in the recorded one of `width` × `height`.
    const fn recorded_from_seen(self, x: usize, y: usize, width: usize, height: usize) -> (usize, usize) {
        match self {
            Self::Upright => (x, y),
            Self::MirroredAcross => (width - 1 - x, y),
            Self::Turned180 => (width - 1 - x, height - 1 - y),
            Self::MirroredDown => (x, height - 1 - y),
            Self::Transposed => (y, x),
            Self::TurnedClockwise => (y, height - 1 - x),
            Self::Transversed => (width - 1 - y, height - 1 - x),
            Self::TurnedAnticlockwise => (width - 1 - y, x),
        }
    }

    /// Turns row-major pixels of `N` samples; returns them with their new width and height.
    pub(super) fn apply<T, const N: usize>(self, pixels: Vec<T>, width: usize, height: usize) -> (Vec<T>, usize, usize)
    where
        T: Copy + Default + Send + Sync,
    {
        /// Rows and columns of a tile: small enough that both sides of a transposition stay in the cache.
        const TILE: usize = 32;
        if self == Self::Upright || pixels.is_empty() {
            return (pixels, width, height);
        }
        let (seen_width, seen_height) = if self.swaps_sides() { (height, width) } else { (width, height) };
        let (source, _rest) = pixels.as_chunks::<N>();
        let mut seen = vec![[T::default(); N]; source.len()];
        seen.par_chunks_mut(seen_width * TILE).enumerate().for_each(|(band, rows)| {
            for first in (0..seen_width).step_by(TILE) {
                let last = (first + TILE).min(seen_width);
                for (i, row) in rows.chunks_exact_mut(seen_width).enumerate() {
                    let y = band * TILE + i;
                    for (x, pixel) in row.iter_mut().enumerate().take(last).skip(first) {
                        let (column, line) = self.recorded_from_seen(x, y, width, height);
                        *pixel = source[line * width + column];
                    }
                }
            }
        });
        (seen.into_flattened(), seen_width, seen_height)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_orientation_stands_as_the_standard_says() {
        // Exif 2.32, 4.6.4 A, Orientation: where the 0th row and the 0th column of the record are seen.
        // The record is  A B C / D E F.
        let record = b"ABCDEF".to_vec();
        let wanted: [(u32, &[u8], usize); 8] = [
            (1, b"ABCDEF", 3), // top, left
            (2, b"CBAFED", 3), // top, right
            (3, b"FEDCBA", 3), // bottom, right
            (4, b"DEFABC", 3), // bottom, left
            (5, b"ADBECF", 2), // left, top
            (6, b"DAEBFC", 2), // right, top
            (7, b"FCEBDA", 2), // right, bottom
            (8, b"CFBEAD", 2), // left, bottom
        ];
        for (value, seen, width) in wanted {
            let orientation = Orientation::from_exif(value).unwrap();
            assert_eq!(u32::from(orientation.exif()), value);
            let (got, w, h) = orientation.apply::<u8, 1>(record.clone(), 3, 2);
            assert_eq!((got.as_slice(), w, h), (seen, width, 6 / width), "orientation {value}");
        }
        assert_eq!(Orientation::from_exif(0), None);
        assert_eq!(Orientation::from_exif(9), None);
    }

    #[test]
    fn large_pictures_turn_like_small_ones() {
        let (w, h) = (71, 45);
        let record: Vec<u16> = (0..w * h).flat_map(|i| [i as u16, i as u16 + 1, 7]).collect();
        for value in 1..=8 {
            let orientation = Orientation::from_exif(value).unwrap();
            let (seen, sw, sh) = orientation.apply::<u16, 3>(record.clone(), w, h);
            for y in 0..sh {
                for x in 0..sw {
                    let (c, r) = orientation.recorded_from_seen(x, y, w, h);
                    assert_eq!(seen[(y * sw + x) * 3..][..3], record[(r * w + c) * 3..][..3]);
                }
            }
        }
    }
}
