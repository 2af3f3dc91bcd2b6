//! The scale map from located graduations: generalised least squares over all strips, weighted over models by evidence.
//!
//! A plain scale, radial distortion, perspective, and both are fitted as hypotheses. Each extra
//! parameter has a Gaussian prior of the size that lenses and hand-laid slides have; perspective is one hypothesis with two components, because a
//! slide that lies askew has no reason to do so along one axis only, and comes in two sizes: as a levelled slide has it, and as one laid by hand. How much
//! perspective a tilt makes follows from the field of view, which the ruling itself tells. The evidence of each hypothesis
//! (Laplace's approximation, exact here but for the slight non-linearity) weights its parameters and covariance.
//! Where the data cannot tell whether a term is there, the term's uncertainty stays in the scale; where they
//! rule it out, it costs nothing.

mod hypothesis;
mod weights;

use super::locate::Spots;
use super::scale_map::{MapModel, PARAMETERS};
pub(super) use hypothesis::prior_plain;
use hypothesis::{Hypothesis, hypotheses};
use nalgebra::{DMatrix, DVector, SMatrix, SVector};
use rayon::prelude::*;
use std::collections::BTreeSet;
use weights::{line_residuals, own_weights, robust_line_weights, ruling_variance};

/// Standard deviation of the prior of radial distortion at the corner (common practice: macro lenses distort by less than 1 %).
pub(super) const PRIOR_RADIAL: f64 = 0.008;
/// Standard deviation of the prior of the perspective terms: a few degrees of tilt at usual pupil distances.
pub(super) const PRIOR_PERSPECTIVE: f64 = 0.004;
/// What lenses have of the next radial term beyond what follows from the first, relative to it (common practice).
const OWN_RADIAL_2: f64 = 0.02;

/// Most rounds of weights, and the change of every weight and of both variances, relative, below which no further one follows
/// (rendered slides: field errors within 3e-4 and clean ones over the bound are the same as with all rounds).
const MOST_ROUNDS: usize = 5;
const SETTLED: f64 = 0.1;
/// Share of the priors that stays in a fit with every term free.
const LEAST_PRIOR: f64 = 1e-6;

/// Offset and two slopes in graduations, κ, perspective, κ₂.
pub(super) type Terms = SVector<f64, PARAMETERS>;
/// One value a pair of them.
pub(super) type Spread = SMatrix<f64, PARAMETERS, PARAMETERS>;

/// Prior of κ₂, mean and standard deviation, where the first term is `radial`.
///
/// A lens may be a plain cubic in the place that it should have drawn or in the one that it did draw; turned round, the first has
/// 3 κ² as its next term, the second none.
fn prior_radial_2(radial: f64) -> (f64, f64) {
    let half = 1.5 * radial * radial;
    (half, half.hypot(OWN_RADIAL_2 * radial).max(1e-6))
}

/// Result of the fit, in graduations over half-diagonal coordinates.
#[derive(Clone, Debug)]
pub(super) struct Fitted {
    pub(super) parameters: Terms,
    pub(super) covariance: Spread,
    pub(super) model: MapModel,
    /// Per graduation: index, residual (px, along the normal), its standard uncertainty, place, robust weight.
    pub(super) residuals: Vec<LineResidual>,
    /// Standard deviation of the ruling's own errors, px.
    pub(super) ruling_sd_px: f64,
    /// The fit with every term free, where the data allow one.
    pub(super) free: Option<Free>,
    /// Evidence weight of the models that have a radial term and of those that have a perspective term.
    pub(super) weight_radial: f64,
    pub(super) weight_perspective: f64,
}

/// A fit with every term free: most probable parameters and what the data alone say about them.
#[derive(Clone, Debug)]
pub(super) struct Free {
    pub(super) parameters: Terms,
    pub(super) information: Spread,
}

impl Free {
    /// From the widest solution, which its priors held: what data alone would find follows from the same normal equations.
    fn of(s: &Solution, prior_perspective: f64) -> Option<Self> {
        let of = |sd: f64| 1.0 / (sd * sd);
        let (radial, perspective) = (of(PRIOR_RADIAL), of(prior_perspective));
        let (mean, sd) = s.radial_2;
        let priors = Spread::from_diagonal(&Terms::from([0.0, 0.0, 0.0, radial, perspective, perspective, of(sd)]));
        let means = Terms::from([0.0, 0.0, 0.0, 0.0, 0.0, 0.0, mean]);
        let held = s.covariance.try_inverse()?;
        let information = held - priors;
        // Where the data say nothing, the smallest part of the priors that keeps the inverse: more would draw what is weakly known to 0.
        let parameters = (information + priors * LEAST_PRIOR).try_inverse()? * (held * s.parameters - priors * means);
        Some(Self { parameters, information })
    }
}

/// How one graduation sits about the fit.
#[derive(Clone, Copy, Debug)]
pub(super) struct LineResidual {
    pub(super) k: i64,
    pub(super) residual_px: f64,
    pub(super) u_px: f64,
    pub(super) at: (f64, f64),
    pub(super) weight: f64,
    pub(super) contrast: f64,
}

/// The geometry of the picture for the fit.
#[derive(Clone, Copy, Debug)]
pub(super) struct Ground {
    pub(super) centre: (f64, f64),
    pub(super) radius: f64,
    /// Distance from one graduation to the next, mm.
    pub(super) division_mm: f64,
    /// Probability of a plain scale before the graduations are asked.
    pub(super) plain: f64,
}

/// Graduations at a point and the derivatives by the parameters.
fn model(p: &Terms, x: f64, y: f64) -> (f64, Terms) {
    let rr = x * x + y * y;
    let stretch = 1.0 + rr * (p[3] + rr * p[6]);
    let (u, v) = (x * stretch, y * stretch);
    let depth = 1.0 + p[4] * u + p[5] * v;
    let value = (p[0] + p[1] * u + p[2] * v) / depth;
    let by_u = (p[1] - value * p[4]) / depth;
    let by_v = (p[2] - value * p[5]) / depth;
    let outward = by_u * x + by_v * y;
    let gradient = Terms::from([
        1.0 / depth,
        u / depth,
        v / depth,
        outward * rr,
        -value * u / depth,
        -value * v / depth,
        outward * rr * rr,
    ]);
    (value, gradient)
}

/// Derivatives of the graduation count by image px.
fn slope(p: &Terms, x: f64, y: f64, radius: f64) -> (f64, f64) {
    let d = 1e-4;
    let f = |dx: f64, dy: f64| model(p, x + dx, y + dy).0;
    ((f(d, 0.0) - f(-d, 0.0)) / (2.0 * d * radius), (f(0.0, d) - f(0.0, -d)) / (2.0 * d * radius))
}

struct Strip<'a> {
    spots: &'a Spots,
    /// Variance of each displacement with those of its neighbours unknown, px².
    variance: Vec<f64>,
    /// Robust weight of each graduation in this strip.
    own: Vec<f64>,
    /// Information that is left with the weights.
    held: DMatrix<f64>,
}

/// Weights below this share stand for none.
const LEAST_SHARE: f64 = 1e-6;

impl<'a> Strip<'a> {
    fn of(spots: &'a Spots) -> Self {
        let n = spots.k.len();
        // Where lines overlap, their displacements are known far worse than each would be with the others given.
        let largest = spots.information.diagonal().max();
        let ridge = DMatrix::identity(n, n) * (1e-12 * largest).max(1e-30);
        let inverse = (&spots.information + ridge).cholesky().map(|c| c.inverse());
        let variance =
            (0..n).map(|i| inverse.as_ref().map_or_else(|| 1.0 / spots.information[(i, i)], |v| v[(i, i)])).collect();
        Self { spots, variance, own: vec![1.0; n], held: spots.information.clone() }
    }
}

/// What is left of the information about displacements with the weights `w`, as if the variance of each were larger by 1 / w: a graduation without
/// weight has then any displacement, which is not that of the fit where its neighbours overlap it.
fn held(information: &DMatrix<f64>, variance: &[f64], w: &[f64]) -> DMatrix<f64> {
    let n = w.len();
    if w.iter().all(|w| *w == 1.0) {
        return information.clone();
    }
    let more = DVector::from_fn(n, |i, _| (variance[i] * (1.0 / w[i].max(LEAST_SHARE) - 1.0)).max(0.0).sqrt());
    let right = DMatrix::from_fn(n, n, |a, b| more[a] * information[(a, b)]);
    let inner = DMatrix::from_fn(n, n, |a, b| right[(a, b)] * more[b] + f64::from(u8::from(a == b)));
    let by_rows = || DMatrix::from_fn(n, n, |a, b| (w[a] * w[b]).sqrt() * information[(a, b)]);
    let half = inner.cholesky().and_then(|c| c.l_dirty().solve_lower_triangular(&right));
    half.map_or_else(by_rows, |half| information - half.tr_mul(&half))
}

/// Residuals of a strip in px and the derivative rows, px per parameter.
fn linearised(strip: &Strip<'_>, p: &Terms, g: Ground) -> (DVector<f64>, Rows) {
    let n = strip.spots.k.len();
    let mut r = DVector::zeros(n);
    let mut rows = Rows::zeros(n);
    for i in 0..n {
        let (ax, ay) = strip.spots.across[i];
        let x = strip.spots.at[i].0 + strip.spots.delta[i] * ax;
        let y = strip.spots.at[i].1 + strip.spots.delta[i] * ay;
        let (qx, qy) = ((x - g.centre.0) / g.radius, (y - g.centre.1) / g.radius);
        let (value, gradient) = model(p, qx, qy);
        let s = slope(p, qx, qy, g.radius);
        let per_px = s.0 * ax + s.1 * ay;
        r[i] = (strip.spots.k[i] as f64 - value) / per_px;
        rows.0.row_mut(i).copy_from(&(gradient / per_px).transpose());
    }
    (r, rows)
}

/// Rows of derivatives, one per graduation.
struct Rows(nalgebra::OMatrix<f64, nalgebra::Dyn, nalgebra::Const<PARAMETERS>>);

impl Rows {
    fn zeros(n: usize) -> Self {
        Self(nalgebra::OMatrix::<f64, nalgebra::Dyn, nalgebra::Const<PARAMETERS>>::zeros(n))
    }
}

/// The plain scale is the value as long as its probability is at least this: below one in two, since a term that is not there moves the
/// scale by more than one that is there and left out (clean rendered pictures, errors over the bound).
const PLAIN_STANDS: f64 = 0.3;

/// One Gauss–Newton solution in the subspace of a combination.
struct Solution {
    parameters: Terms,
    covariance: Spread,
    log_evidence: f64,
    /// The prior of κ₂ that was used.
    radial_2: (f64, f64),
}

fn gauss_newton(
    strips: &[Strip<'_>],
    start: &Terms,
    hypothesis: &Hypothesis,
    g: Ground,
    scale2: f64,
) -> Option<Solution> {
    let radial_2 = prior_radial_2(start[3]);
    let free = hypothesis.free(radial_2);
    let m = free.len();
    let mut p = Terms::zeros();
    for (i, _) in &free {
        p[*i] = start[*i];
    }
    let mut out = None;
    for _ in 0..8 {
        let mut normal = DMatrix::<f64>::zeros(m, m);
        let mut right = DVector::<f64>::zeros(m);
        let mut chi2 = 0.0;
        let part = |strip: &Strip<'_>| {
            let (r, rows) = linearised(strip, &p, g);
            let j = DMatrix::from_fn(r.len(), m, |i, b| rows.0[(i, free[b].0)]);
            let ij = &strip.held * &j;
            (j.tr_mul(&ij), ij.tr_mul(&r), r.dot(&(&strip.held * &r)))
        };
        // Summed in their order, so that a picture reads the same on any number of threads.
        for (n, r, c) in strips.par_iter().map(part).collect::<Vec<_>>() {
            normal += n;
            right += r;
            chi2 += c;
        }
        normal /= scale2;
        right /= scale2;
        chi2 /= scale2;
        let mut log_prior = 0.0;
        for (b, (i, prior)) in free.iter().enumerate() {
            if let Some((mean, sd)) = prior {
                let off = p[*i] - mean;
                normal[(b, b)] += 1.0 / (sd * sd);
                right[b] -= off / (sd * sd);
                chi2 += (off / sd).powi(2);
                log_prior -= sd.ln();
            }
        }
        let ch = normal.clone().cholesky()?;
        let step = ch.solve(&right);
        let expected = step.dot(&right);
        let log_det = 2.0 * ch.l().diagonal().iter().map(|v| v.ln()).sum::<f64>();
        let inverse = ch.inverse();
        let mut spread = Spread::zeros();
        for (a, (i, _)) in free.iter().enumerate() {
            p[*i] += step[a];
            for (b, (k, _)) in free.iter().enumerate() {
                spread[(*i, *k)] = inverse[(a, b)];
            }
        }
        out = Some(Solution {
            parameters: p,
            covariance: spread,
            log_evidence: -0.5 * (chi2 - expected) - 0.5 * log_det + log_prior,
            radial_2,
        });
        if expected < 1e-8 {
            break;
        }
    }
    out
}

/// What is known of each graduation over all strips: its robust weight and its information, 1/px².
type Table = std::collections::BTreeMap<i64, (f64, f64)>;

/// Takes all weights into the information of the strips; `counts` for graduations that are not in the table yet.
fn hold(strips: &mut [Strip<'_>], lines: &Table, tau2: f64, counts: &(dyn Fn(&i64) -> f64 + Sync)) {
    strips.par_iter_mut().for_each(|strip| {
        let of = |k: &i64| lines.get(k).copied().unwrap_or((counts(k), 0.0));
        let weights: Vec<f64> = strip
            .spots
            .k
            .iter()
            .zip(&strip.own)
            .map(|(k, own)| {
                let (robust, total) = of(k);
                own * robust / (1.0 + tau2 * total)
            })
            .collect();
        strip.held = held(&strip.spots.information, &strip.variance, &weights);
    });
}

/// Fits the map. `start` is any close guess of `(a0, a1, a2, κ, g1, g2, κ₂)` in graduations; those of `left_out` have no weight.
pub(super) fn fit(spots: &[Spots], start: Terms, g: Ground, left_out: &BTreeSet<i64>) -> Option<Fitted> {
    let counts = |k: &i64| if left_out.contains(k) { 0.0 } else { 1.0 };
    let mut strips: Vec<Strip<'_>> = spots.par_iter().map(Strip::of).collect();
    let all = hypotheses(start[1].hypot(start[2]) * g.division_mm, g.plain);
    let widest = *all.last()?;
    let mut tau2 = 0.0;
    let mut scale2 = 1.0;
    let mut lines = Table::new();
    let mut p = start;
    for round in 0..MOST_ROUNDS {
        hold(&mut strips, &lines, tau2, &counts);
        // The full model follows any shape while outliers are being found.
        let full = gauss_newton(&strips, &p, &widest, g, scale2)?;
        p = full.parameters;
        let line = line_residuals(&strips, &p, g);
        let mut robust = robust_line_weights(&line, tau2, scale2);
        for (w, l) in robust.iter_mut().zip(&line) {
            *w *= counts(&l.k);
        }
        let before = (tau2, scale2);
        tau2 = ruling_variance(&line, &robust, scale2);
        let table: Table = line.iter().zip(&robust).map(|(l, w)| (l.k, (*w, l.information / scale2))).collect();
        let mut changed =
            table.iter().map(|(k, v)| (v.0 - lines.get(k).map_or(1.0, |v| v.0)).abs()).fold(0.0, f64::max);
        lines = table;
        let (own, within) = own_weights(&strips, &p, g, &line, scale2);
        for (s, w) in strips.iter_mut().zip(own) {
            changed = s.own.iter().zip(&w).map(|(a, b)| (a - b).abs()).fold(changed, f64::max);
            s.own = w;
        }
        if round > 0 {
            scale2 = within.max(1.0);
        }
        let grown = |old: f64, new: f64| (new - old).abs() / new.max(f64::MIN_POSITIVE);
        if round > 0 && changed.max(grown(before.1, scale2)).max(grown(before.0, tau2)) < SETTLED {
            break;
        }
    }
    hold(&mut strips, &lines, tau2, &counts);
    let table = lines;
    let solutions: Vec<(Hypothesis, Solution)> =
        all.par_iter().filter_map(|h| Some((*h, gauss_newton(&strips, &p, h, g, scale2)?))).collect();
    let free = solutions.last().and_then(|(h, s)| Free::of(s, h.perspective?));
    let evidences: Vec<f64> = solutions.iter().map(|(h, s)| s.log_evidence + h.probability.ln()).collect();
    let best = evidences.iter().copied().fold(f64::MIN, f64::max);
    let weights: Vec<f64> = evidences.iter().map(|e| (e - best).exp()).collect();
    let total: f64 = weights.iter().sum();
    let mut mean = Terms::zeros();
    for ((_, s), w) in solutions.iter().zip(&weights) {
        mean += s.parameters * (*w / total);
    }
    // A doubt that the data do not support widens the uncertainty but does not move the value.
    if let (Some((_, plain)), Some(w)) = (solutions.iter().find(|(h, _)| h.is_plain()), weights.first())
        && *w >= PLAIN_STANDS * total
    {
        mean = plain.parameters;
    }
    let mut covariance = Spread::zeros();
    let (mut radial, mut perspective) = (0.0, 0.0);
    for ((h, s), w) in solutions.iter().zip(&weights) {
        let d = s.parameters - mean;
        covariance += (s.covariance + d * d.transpose()) * (*w / total);
        if h.radial.is_some() {
            radial += w / total;
        }
        if h.perspective.is_some() {
            perspective += w / total;
        }
    }
    let model = MapModel::of(false, perspective > 0.5, radial > 0.5);
    let final_lines = line_residuals(&strips, &mean, g);
    let residuals = final_lines
        .iter()
        .map(|l| LineResidual {
            k: l.k,
            residual_px: l.residual,
            u_px: (scale2 / l.information + tau2).sqrt(),
            at: l.at,
            weight: table.get(&l.k).map_or(0.0, |v| v.0),
            contrast: l.amplitude,
        })
        .collect();
    Some(Fitted {
        parameters: mean,
        covariance,
        model,
        residuals,
        ruling_sd_px: tau2.sqrt(),
        free,
        weight_radial: radial,
        weight_perspective: perspective,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Information about three lines that overlap.
    fn overlapping() -> DMatrix<f64> {
        DMatrix::from_row_slice(3, 3, &[100.0, -60.0, 20.0, -60.0, 110.0, -50.0, 20.0, -50.0, 90.0])
    }

    #[test]
    fn a_line_without_weight_has_any_displacement() {
        let information = overlapping();
        let covariance = information.clone().cholesky().unwrap().inverse();
        let variance: Vec<f64> = covariance.diagonal().iter().copied().collect();
        let left = held(&information, &variance, &[1.0, 0.0, 1.0]);
        // What the outer two say with the middle one unknown: the inverse of their own part of the covariance.
        let two = DMatrix::from_fn(2, 2, |a, b| covariance[(2 * a, 2 * b)]).cholesky().unwrap().inverse();
        for (a, b) in [(0, 0), (0, 1), (1, 1)] {
            assert!((left[(2 * a, 2 * b)] - two[(a, b)]).abs() < 1e-3, "{left} {two}");
        }
        assert!(left[(1, 1)].abs() < 1e-3 && left[(0, 1)].abs() < 1e-3);
        assert!((held(&information, &variance, &[1.0; 3]) - &information).amax() < 1e-9);
    }

    #[test]
    fn less_weight_is_more_variance() {
        let information = overlapping();
        let covariance = information.clone().cholesky().unwrap().inverse();
        let variance: Vec<f64> = covariance.diagonal().iter().copied().collect();
        let mut want = covariance;
        want[(2, 2)] *= 4.0;
        let got = held(&information, &variance, &[1.0, 1.0, 0.25]).cholesky().unwrap().inverse();
        assert!((got - want).amax() < 1e-9);
    }
}
