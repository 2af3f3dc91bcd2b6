//! Draws whole input vectors; blocks of trials have their own seeds, so that threads change nothing.

use rand::{Rng, SeedableRng};
use rand_distr::{ChiSquared, Distribution as _, StandardNormal};
use rand_pcg::Pcg64Mcg;

use super::Inputs;
use super::distribution::Draw;

/// The generator of one block of trials: seed and block number are mixed before they seed it (the finaliser of
/// SplitMix64, Steele and others, OOPSLA 2014), so that neighbouring blocks and seeds share nothing.
pub(super) fn generator(seed: u64, stream: u64, block: u64) -> Pcg64Mcg {
    let mut state = seed;
    for part in [stream, block] {
        state = mixed(state.wrapping_add(0x9E37_79B9_7F4A_7C15) ^ mixed(part.wrapping_add(0x9E37_79B9_7F4A_7C15)));
    }
    Pcg64Mcg::seed_from_u64(state)
}

fn mixed(mut z: u64) -> u64 {
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

/// Inputs made ready for drawing.
#[derive(Clone, Debug)]
pub(super) struct Sampler {
    estimates: Vec<f64>,
    singles: Vec<(usize, Draw)>,
    blocks: Vec<BlockDraw>,
}

#[derive(Clone, Debug)]
struct BlockDraw {
    start: usize,
    /// Members that vary, by their place within the block.
    rows: Vec<usize>,
    size: usize,
    factor: Vec<f64>,
    chi_squared: Option<(ChiSquared<f64>, f64)>,
}

impl Sampler {
    /// For the inputs for which `varied` is true; the others stay at their estimates.
    pub(super) fn new(inputs: &Inputs, varied: impl Fn(usize) -> bool) -> Self {
        let mut sampler = Self { estimates: inputs.estimates(), singles: Vec::new(), blocks: Vec::new() };
        for group in inputs.groups() {
            let start = group.members.start;
            let Some(block) = &group.block else {
                if let (true, Some(draw)) = (varied(start), Draw::of(inputs.items()[start].distribution())) {
                    sampler.singles.push((start, draw));
                }
                continue;
            };
            let size = group.members.len();
            let rows: Vec<usize> =
                (0..size).filter(|row| varied(start + row) && inputs.items()[start + row].u() > 0.0).collect();
            if rows.is_empty() {
                continue;
            }
            let chi_squared =
                if group.dof < 1e9 { ChiSquared::new(group.dof).ok().map(|c| (c, group.dof)) } else { None };
            sampler.blocks.push(BlockDraw { start, rows, size, factor: block.factor.clone(), chi_squared });
        }
        sampler
    }

    /// A vector of the right length for [`Sampler::fill`].
    pub(super) fn room(&self) -> Vec<f64> {
        self.estimates.clone()
    }

    /// Fills `x` with one trial; `normals` is scratch memory.
    pub(super) fn fill<R: Rng>(&self, rng: &mut R, x: &mut [f64], normals: &mut Vec<f64>) {
        x.copy_from_slice(&self.estimates);
        for (i, draw) in &self.singles {
            x[*i] += draw.departure(rng);
        }
        for block in &self.blocks {
            normals.clear();
            normals.extend((0..block.size).map(|_| {
                let z: f64 = StandardNormal.sample(rng);
                z
            }));
            let stretch = block.chi_squared.as_ref().map_or(1.0, |(c, dof)| (dof / c.sample(rng)).sqrt());
            for row in &block.rows {
                let factors = &block.factor[row * block.size..(row + 1) * block.size];
                let departure: f64 = factors.iter().zip(normals.iter()).map(|(f, z)| f * z).sum();
                x[block.start + row] += stretch * departure;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::uncertainty::{EvaluationType, Member};
    use rand::RngExt;

    #[test]
    fn a_block_is_drawn_with_its_covariance() {
        let mut inputs = Inputs::new();
        let members = ["x", "y"].map(|s| Member { source: s, label: s, estimate: 10.0 });
        inputs.push_block(&members, &[4.0, -3.0, -3.0, 9.0], f64::INFINITY, EvaluationType::A).unwrap();
        let sampler = Sampler::new(&inputs, |_| true);
        let (mut rng, mut x, mut z) = (generator(3, 0, 0), [0.0; 2], Vec::new());
        let n = 200_000;
        let mut sums = [0.0; 5];
        for _ in 0..n {
            sampler.fill(&mut rng, &mut x, &mut z);
            let (a, b) = (x[0] - 10.0, x[1] - 10.0);
            for (s, v) in sums.iter_mut().zip([a, b, a * a, a * b, b * b]) {
                *s += v / f64::from(n);
            }
        }
        for (got, (want, tolerance)) in
            sums.iter().zip([(0.0, 0.02), (0.0, 0.03), (4.0, 0.06), (-3.0, 0.07), (9.0, 0.12)])
        {
            assert!((got - want).abs() < tolerance, "{sums:?}");
        }
    }

    #[test]
    fn neighbouring_blocks_share_no_numbers() {
        let mut first: Vec<u64> = (0..4)
            .flat_map(|b| {
                let mut rng = generator(1, 0, b);
                (0..1000).map(move |_| rng.random::<u64>()).collect::<Vec<_>>()
            })
            .collect();
        first.sort_unstable();
        first.dedup();
        assert_eq!(first.len(), 4000);
        assert_ne!(generator(1, 0, 2).random::<u64>(), generator(2, 0, 1).random::<u64>());
        assert_ne!(generator(1, 1, 0).random::<u64>(), generator(1, 0, 1).random::<u64>());
    }
}
