//! Crossed rulings and grids: two families of lines at right angles, one map.
//!
//! Each family has been fitted by itself with every term free. Its parameters are a Gaussian: the map along the lines' own direction
//! and the lens and tilt that both share. The product of the two Gaussians is the fit of both at once, to the accuracy of the
//! linearisation; ratio and squareness of the scales follow, and all terms are weighed by evidence ([`both`]).

use super::both::{self, Chosen, Parameters, Priors, Spread, place};
use super::fit::{self, Free, Terms};
use nalgebra::{Matrix3, SMatrix, SVector};

/// As for lines in one direction; the centre of distortion is beyond what lines are asked for.
const PRIORS: Priors = Priors { affine: 0.002, radial: 0.008, radial_2: 0.002, centre: 1e-7, perspective: 0.004 };

/// Offset and slopes along, offset and slopes across, κ, perspective, κ₂.
type Ten = SVector<f64, 10>;
type TenSquare = SMatrix<f64, 10, 10>;

/// Two families joined.
#[derive(Clone, Debug)]
pub(super) struct Joined {
    pub(super) chosen: Chosen,
    /// What is taken off the indices of the lines along, so that 0 lies near the picture's centre.
    pub(super) shift_along: i64,
    /// The same across, after its indices were turned round where `turned`.
    pub(super) shift_across: i64,
    pub(super) turned: bool,
}

/// Counted from `n`: `a − n`, which in the quotient with the perspective takes `n g` off the slopes.
fn counted_from(free: &Free, n: f64) -> Free {
    let p = &free.parameters;
    let parameters = Terms::from([p[0] - n, p[1] - n * p[4], p[2] - n * p[5], p[3], p[4], p[5], p[6]]);
    let mut back = fit::Spread::identity();
    back[(1, 4)] = n;
    back[(2, 5)] = n;
    Free { parameters, information: back.transpose() * free.information * back }
}

/// Counted the other way.
fn turned_round(free: &Free) -> Free {
    let signs = Terms::from([-1.0, -1.0, -1.0, 1.0, 1.0, 1.0, 1.0]);
    let flip = fit::Spread::from_diagonal(&signs);
    Free { parameters: signs.component_mul(&free.parameters), information: flip * free.information * flip }
}

/// Joins the lines that follow each other along the ruling with those across.
pub(super) fn join(along: &Free, across: &Free) -> Option<Joined> {
    let (a, b) = (&along.parameters, &across.parameters);
    // The across direction is the along one turned by +90° in image axes.
    let turned = b[2] * a[1] - b[1] * a[2] < 0.0;
    let across = if turned { turned_round(across) } else { across.clone() };
    let (shift_along, shift_across) = (a[0].round(), across.parameters[0].round());
    let along = counted_from(along, shift_along);
    let across = counted_from(&across, shift_across);
    // Where each family's seven stand among the ten.
    let families = [(&along, [0, 1, 2, 6, 7, 8, 9]), (&across, [3, 4, 5, 6, 7, 8, 9])];
    let (mut normal, mut right) = (TenSquare::zeros(), Ten::zeros());
    for (family, at) in families {
        let own = family.information * family.parameters;
        for i in 0..at.len() {
            right[at[i]] += own[i];
            for k in 0..at.len() {
                normal[(at[i], at[k])] += family.information[(i, k)];
            }
        }
    }
    let priors = PRIORS.weights();
    let mut held = normal;
    held[(6, 6)] += priors[place::RADIAL[0]];
    held[(7, 7)] += priors[place::PERSPECTIVE[0]];
    held[(8, 8)] += priors[place::PERSPECTIVE[1]];
    held[(9, 9)] += priors[place::RADIAL[1]];
    let ten = held.cholesky()?.solve(&right);
    let start = twelve(&ten);
    let j = by_twelve(&start);
    let doubt = disagreement(&along, &across);
    let information: Spread = j.transpose() * normal * j / doubt;
    let gradient: Parameters = j.transpose() * (right - normal * ten) / doubt;
    let step =
        (information + Spread::from_diagonal(&priors)).cholesky()?.solve(&(gradient - priors.component_mul(&start)));
    let chosen = both::choose(&(start + step), &information, &PRIORS)?;
    Some(Joined { chosen, shift_along: shift_along as i64, shift_across: shift_across as i64, turned })
}

/// Slopes of both directions as slopes, ratio and slant.
fn twelve(n: &Ten) -> Parameters {
    let size = n[1] * n[1] + n[2] * n[2];
    let mut p = Parameters::zeros();
    (p[0], p[1], p[2], p[place::ACROSS]) = (n[0], n[1], n[2], n[3]);
    p[place::RATIO] = (n[5] * n[1] - n[4] * n[2]) / size - 1.0;
    p[place::SLANT] = (n[4] * n[1] + n[5] * n[2]) / size;
    (p[place::RADIAL[0]], p[place::RADIAL[1]]) = (n[6], n[9]);
    (p[place::PERSPECTIVE[0]], p[place::PERSPECTIVE[1]]) = (n[7], n[8]);
    p
}

/// Derivatives of the ten by the twelve.
fn by_twelve(p: &Parameters) -> SMatrix<f64, 10, { both::COUNT }> {
    let (ratio, slant) = (1.0 + p[place::RATIO], p[place::SLANT]);
    let mut j = SMatrix::<f64, 10, { both::COUNT }>::zeros();
    let plain = [
        (0, 0),
        (1, 1),
        (2, 2),
        (3, place::ACROSS),
        (6, place::RADIAL[0]),
        (7, place::PERSPECTIVE[0]),
        (8, place::PERSPECTIVE[1]),
        (9, place::RADIAL[1]),
    ];
    for (row, column) in plain {
        j[(row, column)] = 1.0;
    }
    let slopes = [
        (4, 1, slant),
        (4, 2, -ratio),
        (4, place::RATIO, -p[2]),
        (4, place::SLANT, p[1]),
        (5, 1, ratio),
        (5, 2, slant),
        (5, place::RATIO, p[1]),
        (5, place::SLANT, p[2]),
    ];
    for (row, column, value) in slopes {
        j[(row, column)] = value;
    }
    j
}

/// By how much the two families disagree about lens and tilt beyond their uncertainties: reduced χ² of the three terms, at least 1.
fn disagreement(along: &Free, across: &Free) -> f64 {
    let of = |f: &Free| -> Option<Matrix3<f64>> {
        let weak = Terms::from([0.0, 0.0, 0.0, 1e4, 1e4, 1e4, 1e6]);
        let held = f.information + fit::Spread::from_diagonal(&weak);
        Some(held.try_inverse()?.fixed_view::<3, 3>(3, 3).into_owned())
    };
    let d = (along.parameters - across.parameters).fixed_rows::<3>(3).into_owned();
    let square =
        of(along).zip(of(across)).and_then(|(a, b)| (a + b).try_inverse()).map(|w| (d.transpose() * w * d)[(0, 0)]);
    square.map_or(1.0, |s| (s / 3.0).max(1.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::slide::MapModel;

    /// The Gaussian of lines of one family seen all over the picture, `u` divisions each: `(a0, a1, a2, κ, g1, g2)`.
    fn family(p: &Parameters, which: usize, far: f64, u: f64) -> Free {
        let mut information = fit::Spread::zeros();
        let map = [
            [0, 1, 2, place::RADIAL[0], place::PERSPECTIVE[0], place::PERSPECTIVE[1], place::RADIAL[1]],
            [
                place::ACROSS,
                usize::MAX,
                usize::MAX,
                place::RADIAL[0],
                place::PERSPECTIVE[0],
                place::PERSPECTIVE[1],
                place::RADIAL[1],
            ],
        ][which];
        for i in -10..=10 {
            for k in -8..=8 {
                let (x, y) = (f64::from(i) * 0.08, f64::from(k) * 0.07);
                let here = both::at(p, x, y);
                let mut row = Terms::zeros();
                for (at, from) in map.iter().enumerate() {
                    if *from != usize::MAX {
                        row[at] = here.by_parameter[which][*from];
                    }
                }
                if which == 1 {
                    // Derivatives by the slopes themselves are those along: the place over the depth.
                    (row[1], row[2]) = (here.by_parameter[0][1], here.by_parameter[0][2]);
                }
                information += row * row.transpose() / (u * u);
            }
        }
        let slopes = [[p[1], p[2]], [-p[2] * (1.0 + p[4]) + p[5] * p[1], p[1] * (1.0 + p[4]) + p[5] * p[2]]][which];
        let offset = [p[0], p[place::ACROSS]][which];
        let lens = (p[place::RADIAL[0]], p[place::PERSPECTIVE[0]], p[place::PERSPECTIVE[1]]);
        let parameters = Terms::from([offset, slopes[0], slopes[1], lens.0, lens.1, lens.2, p[place::RADIAL[1]]]);
        counted_from(&Free { parameters, information }, -far)
    }

    fn truth() -> Parameters {
        let mut p = Parameters::zeros();
        (p[0], p[1], p[2], p[place::ACROSS]) = (0.2, 40.0, 3.0, -0.3);
        (p[place::RATIO], p[place::SLANT], p[place::RADIAL[0]]) = (0.0015, -0.0007, 0.008);
        (p[place::PERSPECTIVE[0]], p[place::PERSPECTIVE[1]]) = (0.003, -0.002);
        p
    }

    #[test]
    fn two_families_give_both_scales_and_their_angle() {
        let p = truth();
        let along = family(&p, 0, 31.0, 2e-3);
        let across = turned_round(&family(&p, 1, 12.0, 2e-3));
        let joined = join(&along, &across).expect("joins");
        assert!(joined.turned);
        assert_eq!((joined.shift_along, joined.shift_across), (31, 12));
        assert_eq!(joined.chosen.model, MapModel::AffinePerspectiveRadial);
        for i in 0..both::COUNT {
            let (got, u) = (joined.chosen.parameters[i], joined.chosen.covariance[(i, i)].sqrt());
            // The priors pull by less than an uncertainty.
            assert!((got - p[i]).abs() <= 0.5 * u + 1e-9, "parameter {i}: {got} for {}, u {u}", p[i]);
        }
    }

    #[test]
    fn families_that_disagree_widen_the_uncertainty() {
        let p = truth();
        let along = family(&p, 0, 0.0, 2e-3);
        let mut other = p;
        other[place::RADIAL[0]] = 0.012;
        let u = |b: &Free| join(&along, b).map(|j| j.chosen.covariance[(1, 1)].sqrt()).expect("joins");
        let (agree, disagree) = (u(&family(&p, 1, 0.0, 2e-3)), u(&family(&other, 1, 0.0, 2e-3)));
        assert!(disagree > 1.5 * agree, "{disagree} against {agree}");
    }
}
