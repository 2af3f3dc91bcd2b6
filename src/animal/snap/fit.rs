//! Fit of one blurred edge, straight or bowed, to the pixels of a strip.

use nalgebra::{SMatrix, SVector};

use super::response::{Shape, Unit};
use super::strip::median_of;

/// Most steps of one fit.
const MAX_STEPS: usize = 25;
/// Rounds of setting noise and say of each sample from the residuals.
const ROUNDS: usize = 3;
/// A sample's share of the contrast that no model explains: unevenness just inside and outside the edge.
const UNEXPLAINED: f64 = 0.02;
/// Tukey's limit, in standard deviations.
const TUKEY: f64 = 4.685;
/// Samples above this are gathered in cells.
const MOST: usize = 700;
/// Normalised median absolute deviation to standard deviation: 1 / Φ⁻¹(3/4).
const MAD_TO_SD: f64 = 1.482_602_218_505_602;
/// Edges bow with radii from about two blur spots: standard deviation of the bend before any data, × 1/w.
const BEND_PRIOR: f64 = 0.25;
/// Edges are seldom sharper than the blur spot, often softer: standard deviations of ln w before any data.
const NARROWER_U: f64 = 0.12;
const WIDER_U: f64 = 0.6;

/// Parameters: level, slope and bend of the edge's course, ln w, light of animal and ground.
const N: usize = 6;
const W: usize = 3;
const ANIMAL: usize = 4;
const GROUND: usize = 5;

/// One pixel or the mean of a few: along and across the strip, px, and linear light.
#[derive(Clone, Copy, Debug)]
pub(super) struct Sample {
    pub(super) s: f64,
    pub(super) t: f64,
    pub(super) light: f64,
    /// How many pixels it stands for.
    pub(super) pixels: f64,
}

/// What is known before.
#[derive(Clone, Copy, Debug)]
pub(super) struct Start {
    pub(super) w_px: f64,
    pub(super) course: Course,
    pub(super) animal: Known,
    pub(super) ground: Known,
}

/// A level and its spread from place to place, as a wider look gives them.
#[derive(Clone, Copy, Debug)]
pub(super) struct Known {
    pub(super) level: f64,
    pub(super) spread: f64,
}

/// The course of the edge over the strip: s = level + slope t + bend t².
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Course {
    pub(super) level: f64,
    pub(super) slope: f64,
    pub(super) bend: f64,
}

impl Course {
    pub(super) fn at(&self, t: f64) -> f64 {
        self.level + t * (self.slope + t * self.bend)
    }

    /// Curvature at t = 0, 1/px, positive where the animal is convex (it falls away on both sides).
    pub(super) fn curvature(&self) -> f64 {
        -2.0 * self.bend / self.stretch().powi(3)
    }

    /// Length along the strip per length along the edge's normal.
    pub(super) fn stretch(&self) -> f64 {
        self.slope.hypot(1.0)
    }
}

impl Start {
    /// Levels pull on the fit by their spread, and never by less than what no model explains.
    fn pulls(&self) -> [(usize, f64, f64); 3] {
        let least = UNEXPLAINED * (self.animal.level - self.ground.level).abs();
        let weight = |k: Known| 1.0 / k.spread.hypot(least).powi(2);
        [
            (ANIMAL, self.animal.level, weight(self.animal)),
            (GROUND, self.ground.level, weight(self.ground)),
            (2, 0.0, (self.w_px / BEND_PRIOR).powi(2)),
        ]
    }
}

/// A fitted edge: light = animal + (ground − animal) · edge(distance to the course / w).
#[derive(Clone, Copy, Debug)]
pub(super) struct Edge {
    pub(super) course: Course,
    pub(super) w_px: f64,
    pub(super) animal: f64,
    pub(super) ground: f64,
    /// Standard uncertainties of the level, along the strip, and of the curvature; by noise and shape.
    pub(super) u_level: f64,
    pub(super) u_curvature: f64,
    pub(super) u_w_px: f64,
    /// Scatter of a pixel about the model inside and outside.
    pub(super) noise_animal: f64,
    pub(super) noise_ground: f64,
}

impl Edge {
    pub(super) fn contrast(&self) -> f64 {
        (self.ground - self.animal).abs()
    }
}

type Normal = SMatrix<f64, N, N>;
type Right = SVector<f64, N>;

/// What holds a fit.
struct Limits {
    ln_w: (f64, f64),
    prior_ln_w: f64,
    /// Parameter, value and weight.
    pulls: [(usize, f64, f64); 3],
}

/// One fit.
struct Trial {
    p: [f64; N],
    chi2: f64,
    normal: Normal,
}

/// Fits every shape; places and width are averages by likelihood, and how they disagree is part of their uncertainty.
///
/// `None` where the samples do not determine an edge.
pub(super) fn fit_edge(samples: &[Sample], start: Start) -> Option<Edge> {
    if samples.len() < 10 || start.animal.level == start.ground.level {
        return None;
    }
    let gathered = gathered(samples);
    let Course { level, slope, bend } = start.course;
    let mut p = [level, slope, bend, start.w_px.ln(), start.animal.level, start.ground.level];
    let prior_ln_w = start.w_px.ln();
    let limits = Limits { ln_w: (prior_ln_w - 1.4, prior_ln_w + 1.4), prior_ln_w, pulls: start.pulls() };
    // Before the noise is known every pixel is as good as the wider look at the levels.
    let even = limits.pulls[0].2.min(limits.pulls[1].2).max(1.0);
    let mut weights: Vec<f64> = gathered.iter().map(|s| even * s.pixels).collect();
    let mut noise = (0.0, 0.0);
    for _ in 0..ROUNDS {
        p = solve(&gathered, &weights, Shape::Diffraction, p, &limits)?.p;
        noise = reweigh(&gathered, &p, &mut weights);
    }
    let trials: Vec<Trial> = Shape::ALL
        .into_iter()
        .filter_map(|shape| solve(&gathered, &weights, shape, p, &limits))
        .filter(|t| t.p[W] < limits.ln_w.1 - 1e-6)
        .collect();
    average(&trials, &weights, noise)
}

fn average(trials: &[Trial], weights: &[f64], noise: (f64, f64)) -> Option<Edge> {
    let best = trials.iter().min_by(|a, b| a.chi2.total_cmp(&b.chi2))?;
    let used = weights.iter().filter(|w| **w > 0.0).count() as f64;
    let inflate = (best.chi2 / (used - 4.0).max(1.0)).max(1.0);
    let likely: Vec<f64> = trials.iter().map(|t| (-0.5 * (t.chi2 - best.chi2) / inflate).exp()).collect();
    let total: f64 = likely.iter().sum();
    let mean =
        |value: &dyn Fn(&Trial) -> f64| trials.iter().zip(&likely).map(|(t, k)| k * value(t)).sum::<f64>() / total;
    let inverse = best.normal.try_inverse()?;
    let course = Course { level: mean(&|t| t.p[0]), slope: mean(&|t| t.p[1]), bend: mean(&|t| t.p[2]) };
    let w_px = mean(&|t| t.p[W].exp());
    let shape_level = mean(&|t| (t.p[0] - course.level).powi(2));
    let shape_w = mean(&|t| (t.p[W].exp() - w_px).powi(2));
    let variance = |i: usize| (inverse[(i, i)] * inflate).max(0.0);
    let edge = Edge {
        course,
        w_px,
        animal: mean(&|t| t.p[ANIMAL]),
        ground: mean(&|t| t.p[GROUND]),
        u_level: (variance(0) + shape_level).sqrt(),
        u_curvature: 2.0 * variance(2).sqrt() / course.stretch().powi(3),
        u_w_px: (variance(W) * w_px * w_px + shape_w).sqrt(),
        noise_animal: noise.0,
        noise_ground: noise.1,
    };
    [course.level, course.slope, course.bend, w_px, edge.u_level, edge.u_w_px]
        .iter()
        .all(|v| v.is_finite())
        .then_some(edge)
}

/// Means over square cells where there are many samples.
fn gathered(samples: &[Sample]) -> Vec<Sample> {
    if samples.len() <= MOST {
        return samples.to_vec();
    }
    let low = |pick: fn(&Sample) -> f64| samples.iter().map(pick).fold(f64::INFINITY, f64::min);
    let high = |pick: fn(&Sample) -> f64| samples.iter().map(pick).fold(f64::NEG_INFINITY, f64::max);
    let (s0, t0) = (low(|s| s.s), low(|s| s.t));
    let cell = (samples.len() as f64 / (0.7 * MOST as f64)).sqrt();
    let columns = ((high(|s| s.s) - s0) / cell) as usize + 1;
    let rows = ((high(|s| s.t) - t0) / cell) as usize + 1;
    let mut sums = vec![[0.0; 4]; columns * rows];
    for v in samples {
        let sum = &mut sums[((v.t - t0) / cell) as usize * columns + ((v.s - s0) / cell) as usize];
        for (total, value) in sum.iter_mut().zip([1.0, v.s, v.t, v.light]) {
            *total += v.pixels * value;
        }
    }
    let filled = sums.into_iter().filter(|s| s[0] > 0.0);
    filled.map(|[n, s, t, l]| Sample { s: s / n, t: t / n, light: l / n, pixels: n }).collect()
}

/// Light of the model at a sample, its derivatives by the parameters, and the edge's share of the ground.
fn model(unit: &Unit, p: &[f64; N], sample: &Sample) -> (f64, [f64; N], f64) {
    let Sample { s, t, .. } = *sample;
    let stretch = p[1].hypot(1.0);
    let scale = 1.0 / (p[W].exp() * stretch);
    let x = (s - p[0] - t * (p[1] + t * p[2])) * scale;
    let (edge, slope) = unit.edge_and_slope(x);
    let height = p[GROUND] - p[ANIMAL];
    let along = height * slope * scale;
    // The stretch changes with the slope too, in proportion to the distance.
    let by_slope = -along * t - height * slope * x * p[1] / (stretch * stretch);
    (p[ANIMAL] + height * edge, [-along, by_slope, -along * t * t, -height * slope * x, 1.0 - edge, edge], edge)
}

fn equations(samples: &[Sample], weights: &[f64], unit: &Unit, p: &[f64; N], limits: &Limits) -> (f64, Normal, Right) {
    let (mut chi2, mut normal, mut right) = (0.0, [[0.0; N]; N], [0.0; N]);
    for (sample, w) in samples.iter().zip(weights).filter(|(_, w)| **w > 0.0) {
        let (value, row, _) = model(unit, p, sample);
        let residual = sample.light - value;
        chi2 += w * residual * residual;
        for i in 0..N {
            let weighted = w * row[i];
            right[i] += weighted * residual;
            for j in 0..=i {
                normal[i][j] += weighted * row[j];
            }
        }
    }
    let narrower = p[W] < limits.prior_ln_w;
    let u_ln_w = if narrower { NARROWER_U } else { WIDER_U };
    let width = (W, limits.prior_ln_w, 1.0 / (u_ln_w * u_ln_w));
    for (i, value, weight) in limits.pulls.into_iter().chain([width]) {
        chi2 += weight * (value - p[i]).powi(2);
        right[i] += weight * (value - p[i]);
        normal[i][i] += weight;
    }
    (chi2, Normal::from_fn(|i, j| normal[i.max(j)][i.min(j)]), Right::from(right))
}

/// Damped Gauss–Newton from `p`.
fn solve(samples: &[Sample], weights: &[f64], shape: Shape, p: [f64; N], limits: &Limits) -> Option<Trial> {
    let (unit, mut p) = (Unit::get(shape), p);
    let (mut chi2, mut normal, mut right) = equations(samples, weights, unit, &p, limits);
    let mut damping = 1e-3;
    for _ in 0..MAX_STEPS {
        let mut damped = normal;
        for i in 0..N {
            damped[(i, i)] = damped[(i, i)] * (1.0 + damping) + 1e-300;
        }
        let step = damped.cholesky()?.solve(&right);
        let mut next = p;
        for (v, d) in next.iter_mut().zip(step.iter()) {
            *v += d;
        }
        next[W] = next[W].clamp((p[W] - 0.7).max(limits.ln_w.0), (p[W] + 0.7).min(limits.ln_w.1));
        let tried = equations(samples, weights, unit, &next, limits);
        if tried.0 <= chi2 {
            let gain = chi2 - tried.0;
            ((chi2, normal, right), p) = (tried, next);
            damping = (damping * 0.2).max(1e-9);
            if gain <= 1e-4 * chi2 {
                break;
            }
        } else {
            damping *= 10.0;
            if damping > 1e6 {
                break;
            }
        }
    }
    chi2.is_finite().then_some(Trial { p, chi2, normal })
}

/// Noise inside and outside from the residuals, and from it the weight of every sample: by noise and by Tukey's say.
fn reweigh(samples: &[Sample], p: &[f64; N], weights: &mut [f64]) -> (f64, f64) {
    let unit = Unit::get(Shape::Diffraction);
    let looked: Vec<(f64, f64)> = samples
        .iter()
        .map(|s| {
            let (value, _, share) = model(unit, p, s);
            (s.light - value, share)
        })
        .collect();
    let scatter = |inside: bool| {
        let side = looked.iter().zip(samples).filter(|((_, share), _)| (*share < 0.5) == inside);
        MAD_TO_SD * median_of(side.map(|((r, _), s)| r.abs() * s.pixels.sqrt())).unwrap_or(0.0)
    };
    let (animal, ground) = (scatter(true), scatter(false));
    let unexplained = UNEXPLAINED * (p[GROUND] - p[ANIMAL]).abs();
    for (((residual, share), s), weight) in looked.iter().zip(samples).zip(weights) {
        let own = animal * animal * (1.0 - share) + ground * ground * share;
        let variance = own / s.pixels + unexplained * unexplained;
        let r2 = residual.powi(2) / (variance * TUKEY * TUKEY);
        *weight = if r2 < 1.0 { (1.0 - r2).powi(2) / variance } else { 0.0 };
    }
    (animal, ground)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng};

    fn start(w_px: f64, animal: f64, ground: f64, spread: f64) -> Start {
        let known = |level| Known { level, spread };
        let course = Course { level: 0.0, slope: 0.0, bend: 0.0 };
        Start { w_px, course, animal: known(animal), ground: known(ground) }
    }

    fn samples(unit: &Unit, position: f64, w: f64, noise: f64, rng: &mut rand_pcg::Pcg64) -> Vec<Sample> {
        let mut made = Vec::new();
        for i in 0..300 {
            let s = -2.0 * w + 4.0 * w * f64::from(i) / 299.0;
            let t = f64::from(i * 37 % 100) / 10.0 - 5.0;
            // A slope of 0.1 and a bend of 0.01 all along.
            let distance = (s - 0.1 * t - 0.01 * t * t - position) / 1.01f64.sqrt();
            // Sum of twelve uniform numbers: normal with σ = 1 but for its far tails.
            let z: f64 = (0..12).map(|_| rng.random::<f64>()).sum::<f64>() - 6.0;
            let light = 0.2 + 0.5 * unit.edge_and_slope(distance / w).0 + noise * z;
            made.push(Sample { s, t, light, pixels: 1.0 });
        }
        made
    }

    #[test]
    fn planted_edges_are_found_with_honest_uncertainty() {
        let mut rng = rand_pcg::Pcg64::seed_from_u64(4);
        let start = start(6.0, 0.25, 0.6, 0.1);
        for shape in Shape::ALL {
            let (mut pull2, mut bias, mut n) = (0.0, 0.0, 0.0);
            for trial in 0..60 {
                let (position, w) = (0.05 * f64::from(trial) - 1.5, 4.5 + 0.05 * f64::from(trial));
                let edge = fit_edge(&samples(Unit::get(shape), position, w, 0.02, &mut rng), start).unwrap();
                assert!((edge.course.bend - 0.01).abs() < 0.02 && (edge.course.slope - 0.1).abs() < 0.1, "{edge:?}");
                assert!((edge.w_px - w).abs() < 0.25 * w, "{shape:?} w {w} {edge:?}");
                pull2 += ((edge.course.level - position) / edge.u_level).powi(2);
                bias += edge.course.level - position;
                n += 1.0;
            }
            let (rms, bias): (f64, f64) = ((pull2 / n).sqrt(), bias / n);
            assert!((0.6..1.4).contains(&rms), "{shape:?}: pull {rms}");
            assert!(bias.abs() < 0.02, "{shape:?}: bias {bias} px");
        }
    }

    #[test]
    fn a_highlight_does_not_pull() {
        let mut rng = rand_pcg::Pcg64::seed_from_u64(5);
        let mut made = samples(Unit::get(Shape::Diffraction), 0.7, 5.0, 0.005, &mut rng);
        for s in made.iter_mut().filter(|s| (-8.0..-6.0).contains(&s.s)) {
            s.light = 0.9;
        }
        let edge = fit_edge(&made, start(5.0, 0.2, 0.7, 0.02)).unwrap();
        assert!((edge.course.level - 0.7).abs() < 0.03, "{edge:?}");
    }

    #[test]
    fn no_edge_no_answer() {
        let flat: Vec<Sample> = (0..100)
            .map(|i| Sample { s: 0.1 * f64::from(i) - 5.0, t: f64::from(i % 7), light: 0.4, pixels: 1.0 })
            .collect();
        let found = fit_edge(&flat, start(3.0, 0.2, 0.7, 0.5));
        assert!(found.is_none_or(|e| e.contrast() < 1e-3), "{found:?}");
    }
}
