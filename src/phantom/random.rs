//! Seeded random numbers: one stream for each use, so that adding a speck does not change the noise.

use rand::SeedableRng;
use rand_pcg::Pcg64Mcg;

/// The uses of randomness in a scene.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Stream {
    Ruling = 1,
    Dirt = 2,
    Scratches = 3,
    Noise = 4,
    Scene = 5,
}

/// A generator for `stream` of `seed`; `part` tells rows or objects apart.
pub(crate) fn generator(seed: u64, stream: Stream, part: u64) -> Pcg64Mcg {
    let mixed = mix(mix(mix(seed) ^ (stream as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15)) ^ part);
    Pcg64Mcg::seed_from_u64(mixed)
}

/// Finaliser of SplitMix64 (Steele, Lea, Flood 2014): spreads neighbouring seeds over all bits.
fn mix(seed: u64) -> u64 {
    let mut z = seed.wrapping_add(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}
