//! The last resort: marks that a person sets on a ruler whose distances are known.
//!
//! The marks are taken to follow the ruler, so that their line is its direction. What a hand cannot tell, lens distortion and tilt of
//! the slide, stays open with the standard deviations that the automatic reading starts from; so the uncertainty of the scale grows
//! from the marked span outwards, and never falls to that of a fitted ruling.

use super::fit::{PRIOR_PERSPECTIVE, PRIOR_RADIAL};
use super::reading::{Family, Graduation, LongGraduations, Reading, ReadingWarning, Ruler};
use super::scale_map::{ScaleMap, half_diagonal};
use crate::units::{Angle, Image, Point, Px, PxPerUm, Um};
use nalgebra::{Matrix6, Vector6};

/// The span must be this many times the uncertainty of a mark, else the scale is not worth stating.
const LEAST_SPAN: f64 = 20.0;
/// A mark farther from its place than this many uncertainties is a slip.
const SLIP: f64 = 5.0;
/// Marks follow the ruler's direction within this angle; what runs askew looks longer than it is. By eye along an edge.
const ASKEW_DEG: f64 = 2.0;

/// One mark on a ruler.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HandMark {
    /// Where it was set.
    pub at: Point<Image>,
    /// What the ruler says there, from any zero.
    pub along: Um,
}

/// Why marks give no scale.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum HandError {
    /// Too few marks.
    #[error("{found} marks were given; at least 2 with different places on the ruler are needed")]
    TooFew {
        /// Marks given.
        found: usize,
    },
    /// A mark outside the picture.
    #[error("mark {number} at {x:.1}, {y:.1} lies outside the picture of {width} x {height} px")]
    Outside {
        /// Which, from 1.
        number: usize,
        /// Its place.
        x: f64,
        /// Its place.
        y: f64,
        /// Columns.
        width: usize,
        /// Rows.
        height: usize,
    },
    /// The marks lie too close together.
    #[error(
        "the marks lie {span_px:.0} px apart, at least {least_px:.0} px are needed with marks set within ±{half_px:.1} px; mark graduations farther apart"
    )]
    TooClose {
        /// From the first to the last, px.
        span_px: f64,
        /// Least span, px.
        least_px: f64,
        /// Half-width of the placement, px.
        half_px: f64,
    },
    /// A mark does not fit the others.
    #[error(
        "mark {number} lies {off_px:.1} px from where the others put it, at most {limit_px:.1} px are believable; check the mark and its length"
    )]
    Slip {
        /// Which, from 1.
        number: usize,
        /// Distance along the ruler, px.
        off_px: f64,
        /// Largest believable, px.
        limit_px: f64,
    },
}

/// Reads the scale from marks set by hand.
///
/// # Inputs
/// `marks`: two or more, set on one ruler, in any order. `u_mark`: standard uncertainty of placing one, px.
/// # Returns
/// A reading of one direction; isotropy is not known. `u_rel_fit` holds placement (the stated one, or the scatter of four and more
/// marks where that is larger), askew marks, and what distortion and tilt may do that the marks do not show.
/// # Errors
/// [`HandError`].
pub fn read_by_hand(width_px: usize, height_px: usize, marks: &[HandMark], u_mark: Px) -> Result<Reading, HandError> {
    check(width_px, height_px, marks, u_mark)?;
    let n = marks.len() as f64;
    let (cx, cy) = (0.5 * width_px as f64, 0.5 * height_px as f64);
    let radius = half_diagonal(width_px, height_px);
    let mean = marks.iter().map(|m| m.along.get()).sum::<f64>() / n;
    // Direction: the line through the marks along which the lengths grow.
    let slope = |pick: &dyn Fn(&HandMark) -> f64| marks.iter().map(|m| (m.along.get() - mean) * pick(m)).sum::<f64>();
    let (dx, dy) = (slope(&|m| m.at.x), slope(&|m| m.at.y));
    let (c, s) = (dx / dx.hypot(dy), dy / dx.hypot(dy));
    let places: Vec<(f64, f64)> = marks
        .iter()
        .map(|m| {
            let (x, y) = ((m.at.x - cx) / radius, (m.at.y - cy) / radius);
            (x * c + y * s, -x * s + y * c)
        })
        .collect();
    let start = {
        let t_mean = places.iter().map(|p| p.0).sum::<f64>() / n;
        let top: f64 = places.iter().zip(marks).map(|(p, m)| (p.0 - t_mean) * (m.along.get() - mean)).sum();
        let bottom: f64 = places.iter().map(|p| (p.0 - t_mean).powi(2)).sum();
        let per = top / bottom;
        (mean - per * t_mean, per)
    };
    let mut u_um = u_mark.get() * start.1 / radius;
    let mut solved = solve(&places, marks, start, u_um);
    // Marks that scatter more than stated tell their own uncertainty, once there are enough of them.
    let dof = n - 2.0;
    let scatter = (solved.residuals.iter().map(|r| r * r).sum::<f64>() / dof.max(1.0)).sqrt();
    let told = dof >= 2.0 && scatter > u_um;
    if told {
        u_um = scatter;
        solved = solve(&places, marks, start, u_um);
    }
    let limit = SLIP * u_mark.get();
    let per_px = solved.parameters[1] / radius;
    for (i, r) in solved.residuals.iter().enumerate() {
        let off_px = (r / per_px).abs();
        if off_px > limit {
            return Err(HandError::Slip { number: i + 1, off_px, limit_px: limit });
        }
    }
    let map = map(width_px, height_px, (c, s), &solved);
    let graduations = marks
        .iter()
        .zip(&solved.residuals)
        .enumerate()
        .map(|(i, (m, r))| Graduation {
            family: Family::Along,
            index: i as i64 + 1,
            at: m.at,
            residual: Px::new(r / per_px),
            u: Px::new(u_um / per_px),
            contrast: 0.0,
            rejected: None,
        })
        .collect();
    let rms_um = (solved.residuals.iter().map(|r| r * r).sum::<f64>() / n).sqrt();
    Ok(Reading {
        scale: map.centre_scale(),
        rotation: map.direction(),
        ruler: Ruler::ByHand,
        isotropy: None,
        graduations,
        residual_rms: Px::new(rms_um / per_px),
        u_rel_fit: map.u_rel_fit_at(map.centre()),
        // A stated uncertainty has no degrees of freedom to speak of: that of a hand is known to a quarter or so (GUM G.4.2: 8).
        dof: if told { dof } else { 8.0 },
        ruling_sd: Um::new(0.0),
        bright_lines: false,
        long_graduations: LongGraduations::None,
        evidence_radial: 0.0,
        evidence_perspective: 0.0,
        line_width: Px::new(0.0),
        line_shape: vec![],
        blur: None,
        signal_to_noise: None,
        warnings: vec![ReadingWarning::ByHand { marks: marks.len(), u_mark }],
        map,
    })
}

fn check(width: usize, height: usize, marks: &[HandMark], u_mark: Px) -> Result<(), HandError> {
    let inside = |p: Point<Image>| (0.0..=width as f64).contains(&p.x) && (0.0..=height as f64).contains(&p.y);
    if let Some((i, m)) = marks.iter().enumerate().find(|(_, m)| !inside(m.at)) {
        return Err(HandError::Outside { number: i + 1, x: m.at.x, y: m.at.y, width, height });
    }
    let order = |a: &&HandMark, b: &&HandMark| a.along.get().total_cmp(&b.along.get());
    let (Some(low), Some(high)) = (marks.iter().min_by(order), marks.iter().max_by(order)) else {
        return Err(HandError::TooFew { found: 0 });
    };
    let span_um = high.along.get() - low.along.get();
    if span_um.is_nan() || span_um <= 0.0 {
        return Err(HandError::TooFew { found: 1 });
    }
    let span_px = (high.at.x - low.at.x).hypot(high.at.y - low.at.y);
    let least_px = LEAST_SPAN * u_mark.get();
    if span_px.is_nan() || span_px < least_px {
        return Err(HandError::TooClose { span_px, least_px, half_px: u_mark.get() * 3f64.sqrt() });
    }
    Ok(())
}

/// Offset and slope along the marks, slope across (held at 0 by the direction), κ, perspective along and across.
struct Solved {
    parameters: Vector6<f64>,
    covariance: Matrix6<f64>,
    /// Length by the ruler less that by the map, µm.
    residuals: Vec<f64>,
}

fn solve(places: &[(f64, f64)], marks: &[HandMark], start: (f64, f64), u_um: f64) -> Solved {
    let of = |sd: f64| 1.0 / (sd * sd);
    let askew = ASKEW_DEG.to_radians();
    // The slope across is 0 by the choice of the direction; its uncertainty is second order in the scale and added below.
    let priors =
        Vector6::new(0.0, 0.0, of(1e-9 * start.1), of(PRIOR_RADIAL), of(PRIOR_PERSPECTIVE), of(PRIOR_PERSPECTIVE));
    let (mut normal, mut right) = (Matrix6::from_diagonal(&priors), Vector6::zeros());
    let row = |(t, s): (f64, f64)| {
        let value = start.0 + start.1 * t;
        Vector6::new(1.0, t, s, start.1 * t * (t * t + s * s), -value * t, -value * s)
    };
    for (p, m) in places.iter().zip(marks) {
        let (r, v) = (row(*p), m.along.get() - (start.0 + start.1 * p.0));
        normal += r * r.transpose() / (u_um * u_um);
        right += r * v / (u_um * u_um);
    }
    let covariance = normal.cholesky().map_or_else(Matrix6::zeros, |c| c.inverse());
    let step = covariance * right;
    let residuals =
        places.iter().zip(marks).map(|(p, m)| m.along.get() - start.0 - start.1 * p.0 - row(*p).dot(&step)).collect();
    let mut covariance = covariance;
    // Askew by up to 2° either way: longer by θ²/2, root mean square θ²/(2 √5).
    covariance[(1, 1)] += (start.1 * askew * askew / (2.0 * 5f64.sqrt())).powi(2);
    let mut parameters = step;
    parameters[0] += start.0;
    parameters[1] += start.1;
    Solved { parameters, covariance, residuals }
}

fn map(width_px: usize, height_px: usize, (c, s): (f64, f64), solved: &Solved) -> ScaleMap {
    let p = &solved.parameters;
    let scale = PxPerUm::new(half_diagonal(width_px, height_px) / p[1]);
    let mut map = ScaleMap::similarity(width_px, height_px, scale, Angle::new(s.atan2(c)), 0.0);
    map.along_um = [p[0], p[1] * c, p[1] * s];
    map.across_um = [0.0, -p[1] * s, p[1] * c];
    map.radial = p[3];
    map.perspective = [p[4] * c - p[5] * s, p[4] * s + p[5] * c];
    // The same turned into image axes.
    let mut turn = Matrix6::<f64>::identity();
    for i in [1, 4] {
        (turn[(i, i)], turn[(i, i + 1)], turn[(i + 1, i)], turn[(i + 1, i + 1)]) = (c, -s, s, c);
    }
    let spread = turn * solved.covariance * turn.transpose();
    map.covariance =
        std::array::from_fn(|i| std::array::from_fn(|k| if i < 6 && k < 6 { spread[(i, k)] } else { 0.0 }));
    map
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng};
    use rand_distr::StandardNormal;

    fn marks(of: &[(f64, f64, f64)]) -> Vec<HandMark> {
        of.iter().map(|(x, y, um)| HandMark { at: Point::new(*x, *y), along: Um::new(*um) }).collect()
    }

    #[test]
    fn two_marks_give_the_plain_quotient_and_its_uncertainty() {
        // 500 µm over 600 px along 3-4-5, each mark known to 1 px: √2 / 600.
        let m = marks(&[(420.0, 210.0, 0.0), (780.0, 690.0, 500.0)]);
        let r = read_by_hand(1200, 900, &m, Px::new(1.0)).unwrap();
        assert!((r.scale.get() - 1.2).abs() < 1e-9, "{}", r.scale);
        assert!((r.rotation.degrees() - 53.130_102).abs() < 1e-5, "{}", r.rotation);
        let placed = 2f64.sqrt() / 600.0;
        assert!(r.u_rel_fit > placed && r.u_rel_fit < 1.6 * placed, "{} against {placed}", r.u_rel_fit);
        assert_eq!((r.ruler, r.isotropy, r.map.u_rel_across), (Ruler::ByHand, None, None));
        // Far from the marks distortion and tilt may have their way.
        assert!(r.map.u_rel_fit_at(Point::new(1190.0, 890.0)) > 2.0 * r.u_rel_fit);
        // The order of the marks changes nothing but the direction's sense.
        let turned =
            read_by_hand(1200, 900, &marks(&[(780.0, 690.0, 500.0), (420.0, 210.0, 0.0)]), Px::new(1.0)).unwrap();
        assert!((turned.scale.get() - r.scale.get()).abs() < 1e-12);
    }

    #[test]
    fn what_gives_no_scale_is_refused_in_words() {
        let e = |m: &[(f64, f64, f64)]| read_by_hand(1200, 900, &marks(m), Px::new(1.0)).unwrap_err().to_string();
        assert!(e(&[(10.0, 10.0, 0.0)]).starts_with("1 marks were given"));
        assert!(e(&[]).starts_with("0 marks"));
        assert!(e(&[(10.0, 10.0, 5.0), (300.0, 10.0, 5.0)]).contains("different places"));
        assert!(e(&[(10.0, 10.0, 0.0), (1300.0, 10.0, 5.0)]).starts_with("mark 2 at 1300.0, 10.0 lies outside"));
        assert!(e(&[(10.0, 10.0, 0.0), (25.0, 10.0, 5.0)]).contains("15 px apart, at least 20 px"));
        let slip = e(&[(100.0, 400.0, 0.0), (500.0, 400.0, 400.0), (900.0, 400.0, 850.0)]);
        assert!(slip.starts_with("mark ") && slip.contains("check the mark and its length"), "{slip}");
    }

    #[test]
    fn the_uncertainty_holds_over_hands_lenses_and_tilts() {
        // Each trial draws the placement of three marks, distortion and perspective from what is stated; the scale's error at the
        // centre and far from the marks lies within 2 u in 93 to 99 % (askew marks are counted but not drawn).
        let mut rng = rand_pcg::Pcg64Mcg::seed_from_u64(3);
        let mut gauss = |sd: f64| -> f64 { sd * rng.sample::<f64, _>(StandardNormal) };
        let mut held = [0; 2];
        for _ in 0..1000 {
            let mut truth = ScaleMap::similarity(1200, 900, PxPerUm::new(1.0), Angle::new(0.0), 0.0);
            truth.radial = gauss(PRIOR_RADIAL);
            truth.perspective = [gauss(PRIOR_PERSPECTIVE), gauss(PRIOR_PERSPECTIVE)];
            let m: Vec<HandMark> = [350.0, 600.0, 900.0]
                .into_iter()
                .map(|x| HandMark {
                    at: Point::new(x + gauss(1.0), 500.0),
                    along: Um::new(truth.slide_from_image(Point::new(x, 500.0)).x),
                })
                .collect();
            let r = read_by_hand(1200, 900, &m, Px::new(1.0)).unwrap();
            for (k, p) in [Point::new(600.0, 450.0), Point::new(1150.0, 850.0)].into_iter().enumerate() {
                let along = |map: &ScaleMap| 1.0 / map.jacobian_at(p)[0].x.hypot(map.jacobian_at(p)[1].x);
                let error = along(&r.map) / along(&truth) - 1.0;
                held[k] += usize::from(error.abs() < 2.0 * r.map.u_rel_fit_at(p));
            }
        }
        assert!(held.iter().all(|h| (930..=990).contains(h)), "{held:?} of 1000");
    }
}
