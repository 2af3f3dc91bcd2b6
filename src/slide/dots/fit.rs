//! The map of both directions from located dots: robust least squares, then the terms weighed by evidence.
//!
//! Each dot weighs by its own information and the plate's placement errors, whose variance is fitted. What remains may hang together over
//! parts of the picture (the lens, the plate's own waviness): the information is then less than that of independent dots.
//! How much less is told by the scores of 36 parts of the picture, whose spread gives the covariance without independence inside a
//! part (cluster-robust covariance: Liang and Zeger, Biometrika 73, 1986, 13).

use super::centre::{Dot, median};
use crate::slide::both::{self, Chosen, Parameters, Priors, Spread, place};
use nalgebra::{Matrix2, Matrix3, Vector2, Vector3};

/// Plates are read with plain lenses, phones and scanners too: barrels of several per cent, off-centre crops.
pub(super) const PRIORS: Priors =
    Priors { affine: 0.002, radial: 0.03, radial_2: 0.01, centre: 0.05, perspective: 0.01 };
/// Cut of the bisquare weight, in standard deviations of one direction.
const CUT: f64 = 6.0;
/// What centres may have in common over the plate, px, pointing outward: the profile's last imperfection. Rendered plates with
/// vignetting showed up to 0.003 px.
const COMMON_PX: f64 = 0.003;
/// Parts of the picture each way.
const PARTS: usize = 6;

/// The fit.
#[derive(Clone, Debug)]
pub(super) struct Fitted {
    pub(super) chosen: Chosen,
    /// Residual of each dot along and across the ruling, px.
    pub(super) residuals: Vec<Vector2<f64>>,
    /// Standard uncertainty of a residual in one direction, px.
    pub(super) u_px: Vec<f64>,
    /// Robust weight of each dot.
    pub(super) weights: Vec<f64>,
    /// Standard deviation of the plate's own errors in one direction, px.
    pub(super) ruling_sd_px: f64,
}

/// The picture's centre and half diagonal, px.
#[derive(Clone, Copy, Debug)]
pub(super) struct Ground {
    pub(super) centre: (f64, f64),
    pub(super) radius: f64,
}

impl Ground {
    fn scaled(&self, d: &Dot) -> (f64, f64) {
        ((d.x - self.centre.0) / self.radius, (d.y - self.centre.1) / self.radius)
    }
}

/// Residual in px (image axes) and its derivative rows.
fn linearised(p: &Parameters, d: &Dot, g: Ground) -> Option<(Vector2<f64>, [Parameters; 2])> {
    let (x, y) = g.scaled(d);
    let here = both::at(p, x, y);
    let inverse = here.by_place.try_inverse()? * g.radius;
    let off = Vector2::new(f64::from(d.place.0) - here.value[0], f64::from(d.place.1) - here.value[1]);
    let [a, b] = here.by_parameter;
    let row = |i: usize| a * inverse[(i, 0)] + b * inverse[(i, 1)];
    Some((inverse * off, [row(0), row(1)]))
}

/// Weight matrix of a dot with placement variance `tau2`.
fn weight(d: &Dot, tau2: f64) -> Matrix2<f64> {
    // (Σ + τ² I)⁻¹ = (I + τ² N)⁻¹ N with N the information.
    (Matrix2::identity() + d.information * tau2).try_inverse().unwrap_or_else(Matrix2::zeros) * d.information
}

/// A start: plain planes through the indices.
fn start(dots: &[Dot], g: Ground) -> Option<Parameters> {
    let (mut normal, mut by_i, mut by_j) = (Matrix3::zeros(), Vector3::zeros(), Vector3::zeros());
    for d in dots {
        let (x, y) = g.scaled(d);
        let row = Vector3::new(1.0, x, y);
        normal += row * row.transpose();
        by_i += row * f64::from(d.place.0);
        by_j += row * f64::from(d.place.1);
    }
    let inverse = normal.try_inverse()?;
    let (a, b) = (inverse * by_i, inverse * by_j);
    let size = a[1] * a[1] + a[2] * a[2];
    let mut p = Parameters::zeros();
    (p[0], p[1], p[2], p[place::ACROSS]) = (a[0], a[1], a[2], b[0]);
    p[place::RATIO] = (b[2] * a[1] - b[1] * a[2]) / size - 1.0;
    p[place::SLANT] = (b[1] * a[1] + b[2] * a[2]) / size;
    Some(p)
}

/// Fits the map. Absent where the dots do not span the plane.
pub(super) fn fit(dots: &[Dot], g: Ground) -> Option<Fitted> {
    let prior = PRIORS.weights();
    let mut p = start(dots, g)?;
    let mut robust = vec![1.0; dots.len()];
    // A fiftieth of a step: far above what dots are placed to, so that the first rounds see all of them alike.
    let mut tau2 = 0.02 * g.radius / p[1].hypot(p[2]);
    tau2 *= tau2;
    for round in 0..14 {
        let (normal, right) = normal_equations(dots, &robust, tau2, &p, g);
        let step = (normal + Spread::from_diagonal(&prior)).cholesky()?.solve(&(right - prior.component_mul(&p)));
        p += step;
        if round >= 2 {
            let residuals: Vec<Vector2<f64>> =
                dots.iter().map(|d| linearised(&p, d, g).map_or_else(Vector2::zeros, |l| l.0)).collect();
            tau2 = placement_variance(dots, &residuals, &robust);
            robust = robust_weights(dots, &residuals, tau2);
        }
    }
    let (normal, _) = normal_equations(dots, &robust, tau2, &p, g);
    let shared = inflation(dots, &robust, tau2, &p, g, &normal)?;
    let mut chosen = both::choose(&p, &(normal / shared), &PRIORS)?;
    add_common(&mut chosen, dots, g);
    let turned = direction(&chosen.parameters);
    let residuals: Vec<Vector2<f64>> = dots
        .iter()
        .map(|d| linearised(&chosen.parameters, d, g).map_or_else(Vector2::zeros, |l| turned * l.0))
        .collect();
    let u_px = dots.iter().map(|d| (0.5 * weight(d, tau2).try_inverse().map_or(0.0, |m| m.trace())).sqrt()).collect();
    Some(Fitted { chosen, residuals, u_px, weights: robust, ruling_sd_px: tau2.sqrt() })
}

/// A common error of the centres that grows outward stretches the scales, each on its own.
fn add_common(chosen: &mut Chosen, dots: &[Dot], g: Ground) {
    let spread = |pick: fn(&Dot) -> f64| {
        let (lo, hi) = dots.iter().map(pick).fold((f64::MAX, f64::MIN), |r, v| (r.0.min(v), r.1.max(v)));
        0.5 * (hi - lo)
    };
    let half = spread(|d| d.x).min(spread(|d| d.y)).max(1.0);
    let u = COMMON_PX / half.min(g.radius);
    let along = [chosen.parameters[1] * u, chosen.parameters[2] * u];
    for (i, a) in along.iter().enumerate() {
        for (k, b) in along.iter().enumerate() {
            chosen.covariance[(1 + i, 1 + k)] += a * b;
        }
    }
    chosen.covariance[(place::RATIO, place::RATIO)] += u * u;
    chosen.covariance[(place::SLANT, place::SLANT)] += u * u;
}

/// From image axes to along and across.
fn direction(p: &Parameters) -> Matrix2<f64> {
    let norm = p[1].hypot(p[2]);
    let (c, s) = (p[1] / norm, p[2] / norm);
    Matrix2::new(c, s, -s, c)
}

fn normal_equations(dots: &[Dot], robust: &[f64], tau2: f64, p: &Parameters, g: Ground) -> (Spread, Parameters) {
    let (mut normal, mut right) = (Spread::zeros(), Parameters::zeros());
    for (d, w) in dots.iter().zip(robust) {
        if *w <= 0.0 {
            continue;
        }
        let Some((r, [jx, jy])) = linearised(p, d, g) else { continue };
        let m = weight(d, tau2) * *w;
        let (wx, wy) = (jx * m[(0, 0)] + jy * m[(1, 0)], jx * m[(0, 1)] + jy * m[(1, 1)]);
        normal += wx * jx.transpose() + wy * jy.transpose();
        right += wx * r[0] + wy * r[1];
    }
    (normal, right)
}

/// Variance of the plate's own errors in one direction, px², by the method of moments.
fn placement_variance(dots: &[Dot], residuals: &[Vector2<f64>], robust: &[f64]) -> f64 {
    let noise: Vec<f64> =
        dots.iter().map(|d| d.information.try_inverse().map_or(f64::INFINITY, |m| 0.5 * m.trace())).collect();
    let typical = median(noise.clone());
    let mut tau2: f64 = 0.0;
    for _ in 0..20 {
        let (mut top, mut bottom) = (0.0, 0.0);
        for ((r, u2), w) in residuals.iter().zip(&noise).zip(robust) {
            let w = w / (u2 + tau2 + 0.1 * typical).powi(2);
            top += w * (0.5 * r.norm_squared() - u2);
            bottom += w;
        }
        let next = (top / bottom).max(0.0);
        let done = (next - tau2).abs() < 1e-6 * typical;
        tau2 = next;
        if done {
            break;
        }
    }
    tau2
}

fn robust_weights(dots: &[Dot], residuals: &[Vector2<f64>], tau2: f64) -> Vec<f64> {
    let squares: Vec<f64> =
        dots.iter().zip(residuals).map(|(d, r)| (r.transpose() * weight(d, tau2) * r)[(0, 0)]).collect();
    // The median of a χ² with two degrees of freedom is 2 ln 2.
    let yard = (median(squares.clone()) / std::f64::consts::LN_2 / 2.0).max(1.0);
    squares.iter().map(|z2| (1.0 - z2 / (yard * CUT * CUT)).max(0.0).powi(2)).collect()
}

/// By how much the parts of the picture disagree beyond independent dots; at least 1.
fn inflation(dots: &[Dot], robust: &[f64], tau2: f64, p: &Parameters, g: Ground, normal: &Spread) -> Option<f64> {
    let range =
        |pick: fn(&Dot) -> f64| dots.iter().map(pick).fold((f64::MAX, f64::MIN), |r, v| (r.0.min(v), r.1.max(v)));
    let (columns, rows) = (range(|d| d.x), range(|d| d.y));
    let part = |v: f64, r: (f64, f64)| (((v - r.0) / (r.1 - r.0).max(1e-9) * PARTS as f64) as usize).min(PARTS - 1);
    let mut groups: Vec<(Vec<Dot>, Vec<f64>)> = vec![(Vec::new(), Vec::new()); PARTS * PARTS];
    for (d, w) in dots.iter().zip(robust) {
        let group = &mut groups[part(d.y, rows) * PARTS + part(d.x, columns)];
        group.0.push(*d);
        group.1.push(*w);
    }
    groups.retain(|g| !g.0.is_empty());
    let count = groups.len() as f64;
    if count < 2.0 {
        return None;
    }
    let mut meat = Spread::zeros();
    for (dots, weights) in &groups {
        let score = normal_equations(dots, weights, tau2, p, g).1;
        meat += score * score.transpose() * (count / (count - 1.0));
    }
    let bread = (normal + Spread::from_diagonal(&PRIORS.weights())).cholesky()?.inverse();
    let spread = bread * meat * bread;
    // Slopes and terms that shape the scale; where the prior decides, the data's spread counts little by itself.
    let told = [1, 2, place::RATIO, place::SLANT, place::RADIAL[0], place::PERSPECTIVE[0], place::PERSPECTIVE[1]];
    let ratio = told.iter().map(|i| spread[(*i, *i)] / bread[(*i, *i)]).sum::<f64>() / told.len() as f64;
    Some(ratio.max(1.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::slide::MapModel;

    fn plate(p: &Parameters, g: Ground, sd: f64, wave_px: f64) -> Vec<Dot> {
        let mut state = 3_u64;
        let mut normal = || {
            let mut sum = 0.0;
            for _ in 0..12 {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                sum += (state >> 33) as f64 / (1_u64 << 31) as f64;
            }
            sum - 6.0
        };
        let mut dots = Vec::new();
        for j in -30..=30 {
            for i in -40..=40 {
                let (mut x, mut y) = (f64::from(i) / p[1], f64::from(j) / p[1]);
                for _ in 0..30 {
                    let here = both::at(p, x, y);
                    let off = Vector2::new(f64::from(i) - here.value[0], f64::from(j) - here.value[1]);
                    let step = here.by_place.try_inverse().unwrap() * off;
                    (x, y) = (x + step[0], y + step[1]);
                }
                let (x, y) = (g.centre.0 + x * g.radius, g.centre.1 + y * g.radius);
                let wave = wave_px * (x / 150.0).sin() * (y / 170.0).cos();
                dots.push(Dot {
                    place: (i, j),
                    x: x + sd * normal() + wave,
                    y: y + sd * normal(),
                    information: Matrix2::identity() / (sd * sd),
                    ground: 0.6,
                    contrast: -0.5,
                    size: 0.0,
                    pixel_sd: 0.01,
                    clipped: 0.0,
                });
            }
        }
        dots
    }

    fn truth() -> (Parameters, Ground) {
        let p = Parameters::from_column_slice(&[
            0.2, 51.0, 3.0, -0.3, 0.0006, -0.0004, 0.05, -0.003, 0.01, -0.04, 0.006, -0.004,
        ]);
        (p, Ground { centre: (800.0, 600.0), radius: 1000.0 })
    }

    #[test]
    fn a_barrel_off_centre_is_recovered_within_its_uncertainty() {
        let (p, g) = truth();
        let mut dots = plate(&p, g, 0.03, 0.0);
        // Dust on every fortieth dot.
        for d in dots.iter_mut().step_by(40) {
            d.x += 1.3;
        }
        let fitted = fit(&dots, g).unwrap();
        assert_eq!(fitted.chosen.model, MapModel::AffinePerspectiveRadial);
        let mut worst: f64 = 0.0;
        for i in 0..both::COUNT {
            let z = (fitted.chosen.parameters[i] - p[i]) / fitted.chosen.covariance[(i, i)].sqrt();
            worst = worst.max(z.abs());
        }
        assert!(worst < 4.0, "largest departure of 12 parameters: {worst} u");
        assert!(fitted.ruling_sd_px < 0.012, "the noise explains all: {}", fitted.ruling_sd_px);
        let out = fitted.weights.iter().filter(|w| **w < 0.05).count();
        assert_eq!(out, dots.len().div_ceil(40));
    }

    #[test]
    fn waves_over_parts_of_the_plate_widen_the_uncertainty() {
        let (p, g) = truth();
        let even = fit(&plate(&p, g, 0.03, 0.0), g).unwrap();
        let wavy = fit(&plate(&p, g, 0.03, 0.06), g).unwrap();
        let u = |f: &Fitted| f.chosen.covariance[(1, 1)].sqrt();
        // A scatter of 0.042 px explains a factor 1.4; the rest is that neighbours share it.
        assert!(u(&wavy) > 3.0 * u(&even), "{} against {}", u(&wavy), u(&even));
        assert!((wavy.chosen.parameters[1] - p[1]).abs() < 4.0 * u(&wavy));
    }
}
