//! Least-squares fit of one blurred edge or line, shape by shape, and the average over shapes.

use nalgebra::{DMatrix, DVector};

use super::shape::{Candidate, Kernel, SMALLEST_PX};
use super::{MeasureError, ProfilePoint};
use crate::optics::response::ResponseTable;

/// Most steps of one fit.
const MAX_STEPS: usize = 40;
/// Steps that may fail in a row.
const MAX_REFUSED: usize = 8;
/// A fit is done when a step gains less χ² than this.
const ENOUGH: f64 = 5e-3;
/// Narrowest line, px.
const NARROWEST_PX: f64 = 0.02;

/// What stands in the profile.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Figure {
    /// One edge. Parameters: position, ln size, base, height.
    Edge,
    /// A line of known width, on a background that may slope.
    /// Parameters: position, ln size, base, area, slope.
    Line {
        /// Width of the line, px.
        width_px: f64,
    },
    /// A line whose width is fitted too: its square is the sixth parameter.
    FreeLine,
}

impl Figure {
    const fn parameters(self) -> usize {
        match self {
            Self::Edge => 4,
            Self::Line { .. } => 5,
            Self::FreeLine => 6,
        }
    }

    fn line_width(self, p: &[f64]) -> f64 {
        match self {
            Self::Edge => 0.0,
            Self::Line { width_px } => width_px.max(NARROWEST_PX),
            Self::FreeLine => p[5].sqrt(),
        }
    }

    /// Value and derivatives for one point, the derivatives into `row`.
    fn model(self, table: &ResponseTable, x: f64, p: &[f64], row: &mut [f64; 6]) -> f64 {
        if self == Self::Edge {
            let (value, slope, growth) = table.edge_line_and_growth(x - p[0]);
            *row = [-p[3] * slope, p[3] * growth, 1.0, value, 0.0, 0.0];
            return p[2] + p[3] * value;
        }
        let width = self.line_width(p);
        let a = table.edge_line_and_growth(x - p[0] + 0.5 * width);
        let b = table.edge_line_and_growth(x - p[0] - 0.5 * width);
        let value = (a.0 - b.0) / width;
        let by_width = (0.5 * (a.1 + b.1) - value) / width;
        let k = p[3] / width;
        *row = [-k * (a.1 - b.1), k * (a.2 - b.2), 1.0, value, x, p[3] * by_width / (2.0 * width)];
        p[2] + p[3] * value + p[4] * x
    }
}

/// The best fit of one shape.
#[derive(Clone, Debug)]
pub(crate) struct ShapeFit {
    pub(crate) candidate: &'static Candidate,
    pub(crate) figure: Figure,
    pub(crate) p: Vec<f64>,
    pub(crate) chi2: f64,
    pub(crate) covariance: DMatrix<f64>,
    kernel: Kernel,
}

impl ShapeFit {
    pub(crate) fn size_px(&self) -> f64 {
        self.p[1].exp()
    }

    pub(crate) fn line_width_px(&self) -> f64 {
        self.figure.line_width(&self.p)
    }

    /// 10–90 % width of the recorded picture, px.
    pub(crate) fn w_px(&self) -> f64 {
        self.w_of(self.p[1])
    }

    /// Its standard uncertainty under this shape, px.
    pub(crate) fn u_w_px(&self) -> f64 {
        let sd = self.covariance[(1, 1)].max(0.0).sqrt().min(1.0);
        0.5 * (self.w_of(self.p[1] + sd) - self.w_of(self.p[1] - sd)).abs()
    }

    fn w_of(&self, ln_size: f64) -> f64 {
        self.candidate.recorded_width(ln_size.exp().max(SMALLEST_PX), self.kernel)
    }
}

/// χ² with its normal equations.
struct Equations {
    chi2: f64,
    normal: DMatrix<f64>,
    right: DVector<f64>,
}

impl Equations {
    fn new(points: &[ProfilePoint], kernel: Kernel, figure: Figure, candidate: &Candidate, p: &[f64]) -> Self {
        let n = figure.parameters();
        let table = candidate.table(p[1].exp(), kernel);
        let (mut normal, mut right) = ([[0.0; 6]; 6], [0.0; 6]);
        let mut chi2 = 0.0;
        let mut row = [0.0; 6];
        for point in points {
            let weight = 1.0 / (point.sd * point.sd);
            let residual = point.light - figure.model(&table, point.distance_px, p, &mut row);
            chi2 += weight * residual * residual;
            for i in 0..n {
                right[i] += weight * row[i] * residual;
                for j in 0..=i {
                    normal[i][j] += weight * row[i] * row[j];
                }
            }
        }
        Self {
            chi2,
            normal: DMatrix::from_fn(n, n, |i, j| normal[i.max(j)][i.min(j)]),
            right: DVector::from_fn(n, |i, _| right[i]),
        }
    }
}

/// The samples to fit, how they were taken, and how far they reach.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Profile<'a> {
    pub(crate) points: &'a [ProfilePoint],
    pub(crate) kernel: Kernel,
    pub(crate) range_px: f64,
}

/// Fits one shape from a start, by damped Gauss–Newton steps.
///
/// Stops early when χ² is bound to stay above `hopeless`. Returns nothing when the normal equations are singular.
pub(crate) fn fit_shape(
    profile: &Profile<'_>,
    figure: Figure,
    candidate: &'static Candidate,
    start: &[f64],
    hopeless: f64,
) -> Option<ShapeFit> {
    let Profile { points, kernel, range_px } = *profile;
    let n = figure.parameters();
    let bounded = |p: &mut [f64]| {
        p[1] = p[1].clamp(SMALLEST_PX.ln(), range_px.max(2.0 * SMALLEST_PX).ln());
        if figure == Figure::FreeLine {
            p[5] = p[5].clamp(NARROWEST_PX * NARROWEST_PX, range_px * range_px);
        }
    };
    let mut p: Vec<f64> = start.iter().copied().chain(std::iter::repeat(0.0)).take(n).collect();
    bounded(&mut p);
    let evaluate = |p: &[f64]| Equations::new(points, kernel, figure, candidate, p);
    let mut at = evaluate(&p);
    let (mut damping, mut refused) = (1e-3, 0);
    for step in 0..MAX_STEPS {
        let mut damped = at.normal.clone();
        for i in 0..n {
            damped[(i, i)] = damped[(i, i)] * (1.0 + damping) + 1e-12;
        }
        let change = damped.cholesky()?.solve(&at.right);
        let mut next: Vec<f64> = p.iter().zip(change.iter()).map(|(a, b)| a + b).collect();
        next[1] = next[1].clamp(p[1] - 1.0, p[1] + 1.0);
        bounded(&mut next);
        let tried = evaluate(&next);
        if tried.chi2 <= at.chi2 {
            let gain = at.chi2 - tried.chi2;
            (at, p) = (tried, next);
            damping = (damping * 0.2).max(1e-9);
            refused = 0;
            if gain < ENOUGH || (step >= 2 && at.chi2 - 3.0 * gain > hopeless) {
                break;
            }
        } else {
            damping *= 10.0;
            refused += 1;
            if refused > MAX_REFUSED {
                break;
            }
        }
    }
    finish(at, p, kernel, figure, candidate)
}

fn finish(
    at: Equations,
    p: Vec<f64>,
    kernel: Kernel,
    figure: Figure,
    candidate: &'static Candidate,
) -> Option<ShapeFit> {
    let mut normal = at.normal;
    // A faint ridge on ln size: where the pixel rules, the data do not know it, and a factor e² is as wide as it gets.
    normal[(1, 1)] += 0.25;
    let covariance = normal.try_inverse()?;
    at.chi2.is_finite().then_some(ShapeFit { candidate, figure, p, chi2: at.chi2, covariance, kernel })
}

/// Share of the width by which the true shape may lie beside all that are tried, as a standard uncertainty.
const SHAPE_FLOOR: f64 = 0.004;
/// Weight, relative to the best, below which a fit has no part in an average.
const LEAST_WEIGHT: f64 = 1e-9;

/// The average over hypotheses that fit about equally well.
#[derive(Clone, Debug)]
pub(crate) struct Average {
    pub(crate) best: ShapeFit,
    pub(crate) w_px: f64,
    pub(crate) u_w_px: f64,
    pub(crate) position_px: f64,
    pub(crate) u_position_px: f64,
    pub(crate) line_width_px: f64,
    pub(crate) chi2_reduced: f64,
}

/// A fit in an average.
struct Weighted<'a> {
    weight: f64,
    fit: &'a ShapeFit,
    w_px: f64,
    u_w_px: f64,
}

/// Averages fits with weights prior × `exp(-χ²/2)`, in which χ² counts in units of the best fit's reduced χ² where
/// that exceeds 1: what the points scatter beyond their stated noise is noise too. The spread between hypotheses is
/// part of the uncertainty.
pub(crate) fn average(fits: &[(ShapeFit, f64)], points: usize) -> Result<Average, MeasureError> {
    let best = fits
        .iter()
        .filter(|f| f.1 > 0.0)
        .min_by(|a, b| a.0.chi2.total_cmp(&b.0.chi2))
        .map(|f| f.0.clone())
        .ok_or(MeasureError::NoFit)?;
    let dof = (points as f64 - best.p.len() as f64).max(1.0);
    let chi2_reduced = best.chi2 / dof;
    let inflate = chi2_reduced.max(1.0);
    let weight = |(f, prior): &(ShapeFit, f64)| prior * (-0.5 * (f.chi2 - best.chi2) / inflate).exp();
    let highest = fits.iter().map(weight).fold(0.0, f64::max);
    let weighted: Vec<Weighted<'_>> = fits
        .iter()
        .map(|f| (weight(f), &f.0))
        .filter(|(weight, _)| *weight > LEAST_WEIGHT * highest)
        .map(|(weight, fit)| Weighted { weight, fit, w_px: fit.w_px(), u_w_px: fit.u_w_px() })
        .filter(|f| f.w_px.is_finite())
        .collect();
    let total: f64 = weighted.iter().map(|f| f.weight).sum();
    if total <= 0.0 {
        return Err(MeasureError::NoFit);
    }
    let mean = |value: &dyn Fn(&Weighted<'_>) -> f64| weighted.iter().map(|f| f.weight * value(f)).sum::<f64>() / total;
    let w_px = mean(&|f| f.w_px);
    let u_w_px = mean(&|f| inflate * f.u_w_px.powi(2) + (f.w_px - w_px).powi(2)).sqrt().hypot(SHAPE_FLOOR * w_px);
    let position_px = mean(&|f| f.fit.p[0]);
    let u_position_px = mean(&|f| inflate * f.fit.covariance[(0, 0)] + (f.fit.p[0] - position_px).powi(2)).sqrt();
    let line_width_px = mean(&|f| f.fit.line_width_px());
    Ok(Average { best, w_px, u_w_px, position_px, u_position_px, line_width_px, chi2_reduced })
}

/// Thins a dense profile to at most `most` points by averaging in narrow bins, by weight; distances, light and noise are those of the mean.
pub(crate) fn thinned(points: &[ProfilePoint], most: usize) -> Vec<ProfilePoint> {
    if points.len() <= most {
        return points.to_vec();
    }
    let low = points.iter().map(|p| p.distance_px).fold(f64::INFINITY, f64::min);
    let high = points.iter().map(|p| p.distance_px).fold(f64::NEG_INFINITY, f64::max);
    let scale = most as f64 / (high - low).max(1e-9);
    // Sums of weight, weight × distance, weight × light.
    let mut bins = vec![[0.0; 3]; most];
    for p in points {
        let k = (((p.distance_px - low) * scale) as usize).min(most - 1);
        let weight = 1.0 / (p.sd * p.sd);
        bins[k][0] += weight;
        bins[k][1] += weight * p.distance_px;
        bins[k][2] += weight * p.light;
    }
    let filled = bins.iter().filter(|b| b[0] > 0.0);
    filled.map(|b| ProfilePoint { distance_px: b[1] / b[0], light: b[2] / b[0], sd: b[0].sqrt().recip() }).collect()
}
