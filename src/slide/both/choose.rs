//! Which terms of the map the data support, and the scale map that follows.
//!
//! The data enter as a Gaussian: the most probable parameters with every term free, and the data's information about them. Leaving
//! out a term means that it is exactly 0; the probability of that against the free term is the posterior density at 0
//! over the prior's (the Savage–Dickey ratio, exact for a linear model: Dickey, Annals of Mathematical Statistics 42,
//! 1971, 204). What then holds for the others is the conditional Gaussian. All combinations, equally probable beforehand, are
//! averaged by their probabilities, so that a term the data cannot decide leaves its uncertainty in the scale.

use super::model::{self, COUNT, Parameters, Spread, place};
use crate::slide::reading::{Isotropy, Squareness};
use crate::slide::scale_map::{MapModel, ScaleMap, TERMS};
use crate::units::Angle;
use nalgebra::{DMatrix, DVector};

/// Standard deviations of the Gaussian priors of the terms.
#[derive(Clone, Copy, Debug)]
pub(in super::super) struct Priors {
    /// Ratio of the scales minus 1, and slant, radians: pixels are square within 0.1 % unless footage was squeezed.
    pub(in super::super) affine: f64,
    /// κ, relative displacement at half a diagonal.
    pub(in super::super) radial: f64,
    /// κ₂.
    pub(in super::super) radial_2: f64,
    /// Centre of distortion, half diagonals.
    pub(in super::super) centre: f64,
    /// Perspective.
    pub(in super::super) perspective: f64,
}

impl Priors {
    /// Weights, the inverse squares; 0 where nothing is known beforehand.
    pub(in super::super) fn weights(&self) -> Parameters {
        let mut w = Parameters::zeros();
        let of = |sd: f64| 1.0 / (sd * sd);
        w[place::RATIO] = of(self.affine);
        w[place::SLANT] = of(self.affine);
        w[place::RADIAL[0]] = of(self.radial);
        w[place::RADIAL[1]] = of(self.radial_2);
        place::CENTRE.iter().for_each(|i| w[*i] = of(self.centre));
        place::PERSPECTIVE.iter().for_each(|i| w[*i] = of(self.perspective));
        w
    }
}

/// The map with its terms weighted by evidence.
#[derive(Clone, Debug)]
pub(in super::super) struct Chosen {
    pub(in super::super) parameters: Parameters,
    pub(in super::super) covariance: Spread,
    pub(in super::super) model: MapModel,
    /// Probability of radial distortion, of perspective, of two scales or axes that are not square.
    pub(in super::super) radial: f64,
    pub(in super::super) perspective: f64,
    pub(in super::super) affine: f64,
}

/// Terms that are 0 in a combination.
fn left_out(radial: usize, perspective: bool, affine: bool) -> Vec<usize> {
    let mut out = Vec::new();
    match radial {
        0 => out.extend([place::RADIAL[0], place::RADIAL[1], place::CENTRE[0], place::CENTRE[1]]),
        1 => out.extend([place::RADIAL[1], place::CENTRE[0], place::CENTRE[1]]),
        2 => out.extend(place::CENTRE),
        3 => out.push(place::RADIAL[1]),
        _ => {}
    }
    if !perspective {
        out.extend(place::PERSPECTIVE);
    }
    if !affine {
        out.extend([place::RATIO, place::SLANT]);
    }
    out
}

/// Averages over the combinations. `mean` is the most probable map under data and priors with every term free,
/// `information` that of the data alone. Absent where the data leave offsets or slopes open.
pub(in super::super) fn choose(mean: &Parameters, information: &Spread, priors: &Priors) -> Option<Chosen> {
    let weights = priors.weights();
    let posterior = (information + Spread::from_diagonal(&weights)).cholesky()?.inverse();
    let combinations = (0..5)
        .flat_map(|r| [(r, false), (r, true)])
        .flat_map(|(r, p)| [(r, p, false), (r, p, true)])
        .filter_map(|(r, p, a)| {
            let (log_weight, mean, covariance) = conditional(mean, &posterior, &weights, &left_out(r, p, a))?;
            Some((r > 0, p, a, log_weight, mean, covariance))
        });
    let all: Vec<_> = combinations.collect();
    let best = all.iter().map(|c| c.3).fold(f64::MIN, f64::max);
    let total: f64 = all.iter().map(|c| (c.3 - best).exp()).sum();
    let mut parameters = Parameters::zeros();
    for c in &all {
        parameters += c.4 * ((c.3 - best).exp() / total);
    }
    let mut covariance = Spread::zeros();
    let (mut radial, mut perspective, mut affine) = (0.0, 0.0, 0.0);
    for (has_radial, has_perspective, is_affine, log_weight, mean, own) in &all {
        let w = (log_weight - best).exp() / total;
        let d = mean - parameters;
        covariance += (own + d * d.transpose()) * w;
        let add = |on: bool| if on { w } else { 0.0 };
        radial += add(*has_radial);
        perspective += add(*has_perspective);
        affine += add(*is_affine);
    }
    let model = MapModel::of(affine > 0.5, perspective > 0.5, radial > 0.5);
    Some(Chosen { parameters, covariance, model, radial, perspective, affine })
}

/// The Gaussian given that some parameters are 0, and the logarithm of how probable that is against leaving them free.
fn conditional(
    mean: &Parameters,
    covariance: &Spread,
    prior_weights: &Parameters,
    zero: &[usize],
) -> Option<(f64, Parameters, Spread)> {
    if zero.is_empty() {
        return Some((0.0, *mean, *covariance));
    }
    let n = zero.len();
    let own = DMatrix::from_fn(n, n, |i, k| covariance[(zero[i], zero[k])]);
    let towards = DMatrix::from_fn(COUNT, n, |i, k| covariance[(i, zero[k])]);
    let value = DVector::from_fn(n, |i, _| mean[zero[i]]);
    let factor = own.cholesky()?;
    let solved = factor.solve(&value);
    let log_det: f64 = 2.0 * factor.l().diagonal().iter().map(|v| v.ln()).sum::<f64>();
    let log_prior_det: f64 = -zero.iter().map(|i| prior_weights[*i].ln()).sum::<f64>();
    let shift = &towards * &solved;
    let gain = &towards * factor.inverse() * towards.transpose();
    let mut m = *mean - Parameters::from_column_slice(shift.as_slice());
    let mut c = *covariance - Spread::from_column_slice(gain.as_slice());
    for &i in zero {
        m[i] = 0.0;
        c.row_mut(i).fill(0.0);
        c.column_mut(i).fill(0.0);
    }
    Some((-0.5 * value.dot(&solved) - 0.5 * log_det + 0.5 * log_prior_det, m, c))
}

/// The scale map in micrometres, with what both directions say of each other at the picture's centre.
pub(in super::super) fn scale_map(
    width_px: usize,
    height_px: usize,
    chosen: &Chosen,
    division_um: f64,
) -> (ScaleMap, Isotropy) {
    let mut map = plain_map(width_px, height_px, chosen, division_um);
    let told = |p: &Parameters| {
        let moved = plain_map(width_px, height_px, &Chosen { parameters: *p, ..chosen.clone() }, division_um);
        [moved.ratio_across(), moved.squareness().get()]
    };
    let here = told(&chosen.parameters);
    let mut slopes = [Parameters::zeros(); 2];
    for i in 0..COUNT {
        let step = 1e-2 * chosen.covariance[(i, i)].max(0.0).sqrt();
        if step > 0.0 {
            let (mut up, mut down) = (chosen.parameters, chosen.parameters);
            up[i] += step;
            down[i] -= step;
            let (up, down) = (told(&up), told(&down));
            for (k, slope) in slopes.iter_mut().enumerate() {
                slope[i] = (up[k] - down[k]) / (2.0 * step);
            }
        }
    }
    let [u_ratio, u_square] = slopes.map(|g| (g.transpose() * chosen.covariance * g)[(0, 0)].max(0.0).sqrt());
    map.u_rel_across = Some(u_ratio);
    let isotropy = Isotropy {
        ratio: here[0],
        u_ratio,
        squareness: Some(Squareness { angle: Angle::new(here[1]), u: Angle::new(u_square) }),
        evidence: chosen.affine,
    };
    (map, isotropy)
}

fn plain_map(width_px: usize, height_px: usize, chosen: &Chosen, division_um: f64) -> ScaleMap {
    let p = &chosen.parameters;
    let [b1, b2] = model::across_slopes(p);
    let ([k1, k2], [o1, o2], [g1, g2]) = (place::RADIAL, place::CENTRE, place::PERSPECTIVE);
    let order: [usize; TERMS] = [0, 1, 2, k1, g1, g2, k2, o1, o2];
    let unit = |i: usize| if i < 3 { division_um } else { 1.0 };
    let covariance =
        std::array::from_fn(|i| std::array::from_fn(|k| chosen.covariance[(order[i], order[k])] * unit(i) * unit(k)));
    ScaleMap {
        width_px,
        height_px,
        model: chosen.model,
        along_um: [p[0], p[1], p[2]].map(|v| v * division_um),
        across_um: [p[place::ACROSS], b1, b2].map(|v| v * division_um),
        radial: p[k1],
        radial_2: p[k2],
        radial_centre: place::CENTRE.map(|i| p[i]),
        perspective: place::PERSPECTIVE.map(|i| p[i]),
        covariance,
        u_rel_across: None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::slide::both::model::tests::everything;
    use crate::units::{Image, Point};

    const PRIORS: Priors = Priors { affine: 0.002, radial: 0.03, radial_2: 0.01, centre: 0.05, perspective: 0.01 };

    /// Information of a square lattice of points over the picture, each located to `u` divisions in both directions.
    fn lattice(p: &Parameters, u: f64) -> Spread {
        let mut n = Spread::zeros();
        for i in -8..=8 {
            for j in -6..=6 {
                let here = model::at(p, f64::from(i) * 0.1, f64::from(j) * 0.1);
                for row in here.by_parameter {
                    n += row * row.transpose() / (u * u);
                }
            }
        }
        n
    }

    #[test]
    fn what_the_data_show_is_kept_and_the_map_agrees_with_its_model() {
        let p = everything();
        let chosen = choose(&p, &lattice(&p, 1e-4), &PRIORS).unwrap();
        assert_eq!(chosen.model, MapModel::AffinePerspectiveRadial);
        assert!((chosen.parameters - p).amax() < 1e-9, "{}", chosen.parameters - p);
        let (map, told) = scale_map(1600, 1200, &chosen, 10.0);
        let (x, y) = (-0.37, 0.22);
        let want = model::at(&p, x, y).value;
        let got = map.slide_from_image(Point::<Image>::new(800.0 + 1000.0 * x, 600.0 + 1000.0 * y));
        assert!((got.x - 10.0 * want[0]).abs() < 1e-9 && (got.y - 10.0 * want[1]).abs() < 1e-9);
        // At the picture's centre the distortion about its own centre stretches one direction by 2 κ e² = 2e-4 more.
        assert!((told.ratio * 1.004 - 1.0).abs() < 3e-4, "{}", told.ratio);
        let square = told.squareness.unwrap();
        assert!((square.angle.get() - 0.003).abs() < 3e-4, "{}", square.angle);
    }

    #[test]
    fn terms_that_the_data_rule_out_cost_nothing() {
        let mut p = Parameters::zeros();
        (p[1], p[2]) = (80.0, 5.0);
        let sharp = choose(&p, &lattice(&p, 1e-4), &PRIORS).unwrap();
        assert_eq!(sharp.model, MapModel::Similarity);
        assert!(sharp.affine < 0.1 && sharp.radial < 0.1 && sharp.perspective < 0.1);
        // Hardly any data: nothing is decided, and the ratio keeps about half of its prior variance.
        let dull = choose(&p, &lattice(&p, 10.0), &PRIORS).unwrap();
        assert!((dull.affine - 0.5).abs() < 0.05, "{}", dull.affine);
        let u = dull.covariance[(place::RATIO, place::RATIO)].sqrt();
        assert!((u / (0.002 / 2.0_f64.sqrt()) - 1.0).abs() < 0.1, "{u}");
    }
}
