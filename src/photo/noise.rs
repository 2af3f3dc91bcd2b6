//! How noisy a picture is, told from the picture itself.
//!
//! Small blocks are seen through a mask that lets neither slopes nor straight edges along the axes pass, only what
//! changes from pixel to pixel. Structure that does pass makes blocks noisier and never quieter, so each level
//! of light is judged by its quieter blocks, corrected for having chosen them.

use rayon::prelude::*;

use super::light::Light;
use super::tone::Transfer;

/// Noise of one channel of a picture in linear light (full scale is 1).
///
/// The variance is `read_variance + shot_variance * light`, but never less than the rounding to codes makes it.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct NoiseModel {
    /// Variance without light.
    pub read_variance: f64,
    /// Growth of the variance with the light.
    pub shot_variance: f64,
    /// Least light at which it was seen.
    pub darkest: f64,
    /// Most light at which it was seen.
    pub brightest: f64,
    /// Variance of means over 2 × 2 pixels, as a multiple of what independent pixels give. Near 1 for independent
    /// pixels; above it where compression, noise reduction or colour interpolation have smoothed the
    /// noise between neighbours, which then averages out less than it seems; below it after sharpening.
    pub coarseness: f64,
    /// Blocks that were judged.
    pub blocks: usize,
    /// Distance between two codes, as a share of full scale; 0 when unknown.
    code_step: f64,
    /// The curve between codes and light.
    transfer: Transfer,
}

/// Side of a block, px.
const SIDE: usize = 8;

/// Blocks judged at most; a large picture is sampled evenly.
const MOST_BLOCKS: usize = 30_000;

/// Levels of light, and blocks that each needs.
const LEVELS: usize = 16;
const LEAST_BLOCKS: usize = 24;

/// The share of blocks taken to be quieter than the level's estimate. Up to three quarters of a level may be
/// structure before the estimate is off by 10 %.
const QUIET_SHARE: f64 = 0.2;

/// The standard normal value that `QUIET_SHARE` lies below.
const QUIET_Z: f64 = -0.841_621_233_572_914_2;

/// A level whose variance is more than so many times that of the line is taken to be all structure.
const STRUCTURED: f64 = 1.3;

/// Sum of squares of the mask (1, −2, 1) ⊗ (1, −2, 1): what it makes of the variance of independent pixels.
const MASK_GAIN: f64 = 36.0;

/// Independent values among the 64 of a block seen through the mask: 64 over the sum of the squared
/// correlations of the mask with itself, which is (1 + 2 (4/9 + 1/36))² = 3.7809.
const BLOCK_DOF: f64 = 64.0 / 3.780_9;

impl NoiseModel {
    /// Estimates the noise of linear light; `None` where too little of it is unclipped.
    ///
    /// # Accuracy
    /// For independent Gaussian noise within 5 % of the standard deviation on ground without structure, within
    /// 15 % on rulings at any angle (test `noise_is_found_beside_rulings`). Smoothed noise is underestimated:
    /// see [`NoiseModel::coarseness`].
    ///
    /// # Source
    /// The mask: J. Immerkær, Fast noise variance estimation, Computer Vision and Image Understanding 64
    /// (1996) 300. Linear growth of the variance: EMVA 1288 release 4.0, clause 2.2. The choice of quiet blocks
    /// is our own.
    #[must_use]
    pub fn of(light: &Light) -> Option<Self> {
        Self::with_codes(light, 0.0, Transfer::Linear)
    }

    /// The same for light that comes from codes of a known step and curve.
    pub(super) fn with_codes(light: &Light, code_step: f64, transfer: Transfer) -> Option<Self> {
        let fine = levels(light)?;
        let (read_variance, shot_variance) = line(&fine);
        let expected = |level: &Level| read_variance + shot_variance * level.light;
        let agreeing: Vec<&Level> = fine.iter().filter(|l| l.variance <= STRUCTURED * expected(l)).collect();
        // Means over 2 × 2 of independent pixels have a quarter of the variance.
        let coarseness = light.binned(2).as_ref().and_then(levels).map_or(1.0, |coarse| {
            let (at_zero, growth) = line(&coarse);
            let n: f64 = agreeing.iter().map(|l| l.blocks as f64).sum();
            let ratio = |l: &&Level| 4.0 * (at_zero + growth * l.light) / expected(l) * l.blocks as f64 / n;
            let ratio: f64 = agreeing.iter().map(ratio).sum();
            if ratio.is_finite() && ratio > 0.0 { ratio } else { 1.0 }
        });
        Some(Self {
            read_variance,
            shot_variance,
            darkest: agreeing.first().or(fine.first().as_ref())?.light,
            brightest: agreeing.last().or(fine.last().as_ref())?.light,
            coarseness,
            blocks: agreeing.iter().map(|l| l.blocks).sum(),
            code_step,
            transfer,
        })
    }

    /// Standard deviation of a pixel at the given light, in linear light.
    #[must_use]
    pub fn sd(&self, light: f64) -> f64 {
        let light = light.clamp(0.0, 1.0);
        let seen = self.read_variance + self.shot_variance * light;
        seen.max(self.rounding_variance(light)).sqrt()
    }

    /// The same for use in averages over many pixels, where smoothed noise counts by its coarseness.
    #[must_use]
    pub fn sd_in_averages(&self, light: f64) -> f64 {
        self.sd(light) * self.coarseness.max(1.0).sqrt()
    }

    /// True when neighbouring pixels share so much of their noise that [`NoiseModel::sd`] tells too little.
    #[must_use]
    pub fn is_smoothed(&self) -> bool {
        self.coarseness > 1.5
    }

    /// Rounding to codes: a rectangular distribution over one code.
    fn rounding_variance(&self, light: f64) -> f64 {
        let code = self.transfer.code(light);
        let half = 0.5 * self.code_step;
        let step = self.transfer.light((code + half).min(1.0)) - self.transfer.light((code - half).max(0.0));
        step * step / 12.0
    }
}

/// Noise at one level of light.
#[derive(Clone, Copy, Debug)]
struct Level {
    light: f64,
    variance: f64,
    blocks: usize,
}

/// Judges blocks and sums them up by levels, darkest first.
fn levels(light: &Light) -> Option<Vec<Level>> {
    let mut blocks = blocks(light);
    if blocks.len() < LEAST_BLOCKS {
        return None;
    }
    blocks.sort_by(|a, b| a.0.total_cmp(&b.0));
    let a_level = blocks.len().div_ceil(LEVELS).max(LEAST_BLOCKS);
    let quiet = quiet_mean_square(BLOCK_DOF);
    let level = |part: &[(f64, f64)]| {
        let mut variances: Vec<f64> = part.iter().map(|b| b.1).collect();
        let i = ((variances.len() as f64 * QUIET_SHARE) as usize).min(variances.len() - 1);
        let (_below, at, _above) = variances.select_nth_unstable_by(i, f64::total_cmp);
        let mean = part.iter().map(|b| b.0).sum::<f64>() / part.len() as f64;
        Level { light: mean, variance: *at / quiet, blocks: part.len() }
    };
    // A last level that is too small to be judged is left out.
    Some(blocks.chunks(a_level).filter(|part| part.len() >= LEAST_BLOCKS).map(level).collect())
}

/// Mean light and mean square behind the mask, for blocks spread evenly over the picture.
fn blocks(light: &Light) -> Vec<(f64, f64)> {
    let (across, down) = ((light.width().max(2) - 2) / SIDE, (light.height().max(2) - 2) / SIDE);
    let stride = (across * down).div_ceil(MOST_BLOCKS).max(1);
    (0..down)
        .into_par_iter()
        .flat_map_iter(|by| {
            // The start differs from row to row, so that the sample is no stripe pattern.
            let first = (by * 7919) % stride;
            (first..across).step_by(stride).filter_map(move |bx| block(light, 1 + bx * SIDE, 1 + by * SIDE))
        })
        .collect()
}

/// One block with its upper left pixel; `None` when any pixel in or around it is clipped.
fn block(light: &Light, left: usize, top: usize) -> Option<(f64, f64)> {
    let mut sum = 0.0;
    let mut squares = 0.0;
    for y in top - 1..=top + SIDE {
        if (left - 1..=left + SIDE).any(|x| light.is_clipped(x, y)) {
            return None;
        }
    }
    let mut pixels = [[0.0; SIDE + 2]; SIDE + 2];
    for (j, row) in pixels.iter_mut().enumerate() {
        light.fill(left - 1, top - 1 + j, row);
    }
    for rows in pixels.windows(3) {
        for x in 1..=SIDE {
            let across = |row: &[f32]| f64::from(row[x - 1]) - 2.0 * f64::from(row[x]) + f64::from(row[x + 1]);
            let seen = across(&rows[0]) - 2.0 * across(&rows[1]) + across(&rows[2]);
            squares += seen * seen;
            sum += f64::from(rows[1][x]);
        }
    }
    let n = (SIDE * SIDE) as f64;
    Some((sum / n, squares / n / MASK_GAIN))
}

/// What a share of `QUIET_SHARE` of means of squares of `dof` standard normal values lies below: χ² over `dof`.
///
/// Accurate to 0.5 % for 10 degrees of freedom or more. Source: E. B. Wilson and M. M. Hilferty, PNAS 17 (1931) 684.
fn quiet_mean_square(dof: f64) -> f64 {
    let v = 2.0 / (9.0 * dof);
    (1.0 - v + QUIET_Z * v.sqrt()).powi(3)
}

/// Variance as a straight line of the light, neither part below 0.
///
/// Levels that are all structure lie above the line, none can lie below it: of the lines through any two levels,
/// through one, and level ones, the one is taken that most blocks agree with and none lies below; then it is
/// fitted to the levels that agree.
fn line(levels: &[Level]) -> (f64, f64) {
    let mut candidates: Vec<(f64, f64)> = Vec::new();
    for (i, a) in levels.iter().enumerate() {
        candidates.push((a.variance, 0.0));
        candidates.push((0.0, a.variance / a.light.max(1e-3)));
        for b in &levels[i + 1..] {
            let slope = (b.variance - a.variance) / (b.light - a.light);
            let at_zero = a.variance - slope * a.light;
            if slope.is_finite() && slope >= 0.0 && at_zero >= 0.0 {
                candidates.push((at_zero, slope));
            }
        }
    }
    let smallest = levels.iter().map(|l| l.variance).fold(f64::INFINITY, f64::min);
    let cost = |line: &(f64, f64)| -> f64 {
        let one = |l: &Level| {
            let r = l.variance / (line.0 + line.1 * l.light).max(1e-3 * smallest).max(f64::MIN_POSITIVE) - 1.0;
            // Levels scatter by some hundredths; above, all far ones count alike.
            let steps = r / 0.08;
            l.blocks as f64 * if r < 0.0 { 4.0 * steps * steps } else { (steps * steps).min(9.0) }
        };
        levels.iter().map(one).sum()
    };
    let Some(start) = candidates.into_iter().min_by(|a, b| cost(a).total_cmp(&cost(b))) else { return (0.0, 0.0) };
    let agreeing: Vec<&Level> =
        levels.iter().filter(|l| l.variance <= STRUCTURED * (start.0 + start.1 * l.light)).collect();
    fitted(&agreeing, start)
}

/// Least squares, each level counting by its blocks over the square of its expected variance.
fn fitted(levels: &[&Level], start: (f64, f64)) -> (f64, f64) {
    let mut fit = start;
    for _pass in 0..3 {
        let (mut w, mut x, mut y, mut xx, mut xy) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for level in levels {
            let expected = fit.0 + fit.1 * level.light;
            let weight = level.blocks as f64 / (expected * expected).max(f64::MIN_POSITIVE);
            w += weight;
            x += weight * level.light;
            y += weight * level.variance;
            xx += weight * level.light * level.light;
            xy += weight * level.light * level.variance;
        }
        let spread = w * xx - x * x;
        let slope = if spread > 1e-9 * w * xx { (w * xy - x * y) / spread } else { 0.0 };
        let at_zero = (y - slope * x) / w;
        let next = if slope < 0.0 {
            (y / w, 0.0)
        } else if at_zero < 0.0 {
            (0.0, xy / xx)
        } else {
            (at_zero, slope)
        };
        if !(next.0.is_finite() && next.1.is_finite()) {
            return fit;
        }
        fit = next;
    }
    fit
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};
    use statrs::distribution::{ChiSquared, ContinuousCDF};

    use super::*;

    /// Light by a formula, with Gaussian noise of a variance by the light.
    fn noisy(width: usize, height: usize, of: impl Fn(f64, f64) -> f64, variance: impl Fn(f64) -> f64) -> Light {
        let mut rng = rand_pcg::Pcg64::seed_from_u64(5);
        let values = (0..width * height).map(|i| {
            let light = of((i % width) as f64, (i / width) as f64);
            let z: f64 = StandardNormal.sample(&mut rng);
            (light + z * variance(light).sqrt()) as f32
        });
        Light::new(width, height, values.collect())
    }

    #[test]
    fn the_quiet_quantile_is_that_of_chi_square() {
        assert!((crate::stats::normal_quantile(QUIET_SHARE).unwrap() - QUIET_Z).abs() < 1e-9);
        // Against the inverse of the χ² distribution of the statrs crate.
        for dof in [10.0, 17.0, BLOCK_DOF, 60.0] {
            let exact = ChiSquared::new(dof).unwrap().inverse_cdf(QUIET_SHARE) / dof;
            assert!((quiet_mean_square(dof) / exact - 1.0).abs() < 0.005, "{dof}: {exact}");
        }
    }

    #[test]
    fn noise_of_an_even_slope_is_found_at_every_light() {
        let variance = |light: f64| 4e-6 + 3e-5 * light;
        let light = noisy(600, 400, |x, _y| 0.05 + 0.85 * x / 600.0, variance);
        let model = NoiseModel::of(&light).unwrap();
        for at in [0.06, 0.2, 0.5, 0.9] {
            let (got, wanted) = (model.sd(at), variance(at).sqrt());
            assert!((got / wanted - 1.0).abs() < 0.05, "at {at}: {got} wanted {wanted}, {model:?}");
        }
        assert!((model.coarseness - 1.0).abs() < 0.1 && !model.is_smoothed(), "{model:?}");
    }

    #[test]
    fn noise_is_found_beside_rulings() {
        let variance = |light: f64| 1e-5 + 2e-5 * light;
        for degrees in [0.0_f64, 7.3, 45.0, 83.0] {
            let (s, c) = degrees.to_radians().sin_cos();
            // Lines of 5 px every 14 px, their edges 3 px wide.
            let of = move |x: f64, y: f64| {
                let along = (x * c + y * s).rem_euclid(14.0) - 7.0;
                let edge = |d: f64| 1.0 / (1.0 + (-d / 0.7).exp());
                0.75 - 0.6 * edge(along + 2.5) * edge(2.5 - along)
            };
            // The ruling fills the lower half.
            let light = noisy(640, 480, |x, y| if y < 240.0 { 0.75 } else { of(x, y) }, variance);
            let model = NoiseModel::of(&light).unwrap();
            let (got, wanted) = (model.sd(0.75), variance(0.75).sqrt());
            assert!((got / wanted - 1.0).abs() < 0.15, "{degrees}°: {got} wanted {wanted}, {model:?}");
        }
    }

    #[test]
    fn smoothed_noise_is_called_so() {
        let rough = noisy(402, 302, |_x, _y| 0.5, |_light| 1e-4);
        let values = (0..400 * 300).map(|i| {
            let (x, y) = (i % 400, i / 400);
            (0..9).map(|k| rough.at(x + k % 3, y + k / 3)).sum::<f32>() / 9.0
        });
        let model = NoiseModel::of(&Light::new(400, 300, values.collect())).unwrap();
        assert!(model.is_smoothed() && model.sd_in_averages(0.5) > 1.5 * model.sd(0.5), "{model:?}");
    }

    #[test]
    fn without_noise_the_rounding_remains_and_clipped_pictures_have_none() {
        let even = Light::new(200, 200, vec![0.5; 40_000]);
        assert_eq!(NoiseModel::of(&even).unwrap().sd(0.5), 0.0);
        let model = NoiseModel::with_codes(&even, 1.0 / 255.0, Transfer::Srgb).unwrap();
        // At half light the sRGB curve rises by 1.5183 a unit of code (derivative of IEC 61966-2-1).
        let wanted = 1.5183 / 255.0 / 12.0_f64.sqrt();
        assert!((model.sd(0.5) / wanted - 1.0).abs() < 1e-3, "{} {wanted}", model.sd(0.5));
        let clipped = Light::with_clipped(200, 200, vec![1.0; 40_000], vec![u64::MAX; 625]);
        assert_eq!(NoiseModel::of(&clipped), None);
        assert_eq!(NoiseModel::of(&Light::new(1, 1, vec![0.5])), None);
        assert_eq!(NoiseModel::of(&Light::new(0, 0, vec![])), None);
    }
}
