//! Blur from the profile of a line: a graduation of a ruled slide.

use super::edge::{to_blur, typical_noise};
use super::fit::{Figure, Profile, ShapeFit, average, fit_shape, thinned};
use super::shape::Candidate;
use super::{MeasureError, MeasuredBlur, ProfilePoint, Sampling, checked};
use crate::units::Px;
use rayon::prelude::*;

/// Least samples of a profile.
const NEEDED: usize = 9;
/// Least height over the noise of one sample, times the root of the samples under the line.
const FAINTEST: f64 = 4.0;
/// Points to which a denser profile is thinned.
const MOST: usize = 200;
/// Line widths tried over the whole range.
const COARSE: u32 = 8;
/// Shapes whose χ² exceeds the best by more than this are left out.
const HOPELESS: f64 = 16.0;
/// Line widths tried about the best one, in its standard deviations.
const DEVIATIONS: [f64; 9] = [-2.8, -1.9, -1.2, -0.6, 0.0, 0.6, 1.2, 1.9, 2.8];
/// Every second shape is tried: a line tells them apart less than an edge.
const EVERY: usize = 2;
/// Shapes of which each is fitted from the answer of the one before.
const IN_A_ROW: usize = 4;
/// What lies beyond this multiple of the best χ², and this much more, under the likeliest width of the line is not tried under other widths.
const FAR_WORSE: (f64, f64) = (4.0, 64.0);

/// What is known of the width of a line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum LineWidth {
    /// Nothing; lines narrower than the blur spot still tell it well.
    Unknown,
    /// Known, with a standard uncertainty.
    Known {
        /// Width in the picture.
        width: Px,
        /// Its standard uncertainty.
        u: Px,
    },
}

/// Measures the blur from samples across a line of even darkness or brightness.
///
/// The line is a rectangle convolved with the system's response, on a background that may slope. An unknown width is
/// fitted, then widths about the best one are held and averaged by likelihood like the shapes, so that what the
/// profile cannot tell apart widens the stated uncertainty.
///
/// # Inputs
/// `points`: at least 9 samples, along one normal or from many; one line only; distances from any origin.
/// # Accuracy
/// Rms pull of the width 0.7 to 1.3 over lines of 0.2 to 2 blur spots. With the line's width known within 2 % the rms error is
/// within 1.3 of the Cramér–Rao bound: 2 to 3 % for lines of half a blur spot or more at a noise of 2 % on 16 normals, so that a
/// graduation of 150 normals is read within 5 %. Unknown lines far narrower than the blur spot read it low, by up to a third when it
/// covers 3 px: their tails drown in noise (tests/it/optics, tests/data/edge_width_bound.csv).
/// # Errors
/// [`MeasureError`] when samples are too few, not finite or too faint, or nothing fits.
pub fn line_blur(
    points: &[ProfilePoint],
    sampling: Sampling,
    line_width: LineWidth,
) -> Result<MeasuredBlur, MeasureError> {
    checked(points, NEEDED)?;
    let kernel = sampling.kernel();
    let start = Start::of(points)?;
    let thin = thinned(points, MOST);
    let profile = Profile { points: &thin, kernel, range_px: start.range };
    let fits = match line_width {
        LineWidth::Unknown => fits_of_unknown(&profile, &start),
        LineWidth::Known { width, u } => fits_of_known(&profile, &start, (width.get(), u.get())),
    };
    let fitted = average(&fits, thin.len())?;
    let line_width = Px::new(fitted.line_width_px);
    Ok(to_blur(&fitted, points, sampling, Some(line_width)))
}

/// Every second shape with the width fitted first, then with widths about the best one.
fn fits_of_unknown(profile: &Profile<'_>, start: &Start) -> Vec<(ShapeFit, f64)> {
    let fit = |figure, candidate, p: &[f64]| fit_shape(profile, figure, candidate, p, f64::INFINITY);
    let mut free: Vec<ShapeFit> = Vec::new();
    let mut from = start.parameters();
    for candidate in Candidate::all().iter().step_by(EVERY) {
        if let Some(fitted) = fit(Figure::FreeLine, candidate, &from) {
            from.clone_from(&fitted.p);
            free.push(fitted);
        }
    }
    let least = free.iter().map(|f| f.chi2).fold(f64::INFINITY, f64::min);
    let inflate = (least / profile.points.len() as f64).max(1.0);
    let mut fits: Vec<(ShapeFit, f64)> = Vec::new();
    for free in free.iter().filter(|f| f.chi2 - least < HOPELESS * inflate) {
        let mut p = free.p[..5].to_vec();
        for (width_px, weight) in widths(free, start.fwhm) {
            if let Some(fitted) = fit(Figure::Line { width_px }, free.candidate, &p) {
                p.clone_from(&fitted.p);
                fits.push((fitted, free.candidate.prior * weight));
            }
        }
    }
    fits
}

/// Every second shape with the width that is known, then with the widths beside it those that are not far worse than the best.
fn fits_of_known(profile: &Profile<'_>, start: &Start, (width, u): (f64, f64)) -> Vec<(ShapeFit, f64)> {
    // Gauss–Hermite: three points stand for the normal distribution.
    let beside = [-1.0, 1.0].map(|t| (width + t * 3.0_f64.sqrt() * u).max(0.0));
    let candidates: Vec<&'static Candidate> = Candidate::all().iter().step_by(EVERY).collect();
    let fit =
        |width_px, candidate, p: &[f64]| fit_shape(profile, Figure::Line { width_px }, candidate, p, f64::INFINITY);
    // Neighbouring shapes have nearly the same answer, so that each starts where the last one ended.
    let in_a_row = |row: &[&'static Candidate]| -> Vec<ShapeFit> {
        let mut from = start.parameters();
        let mut fits = Vec::with_capacity(row.len());
        for candidate in row {
            if let Some(fitted) = fit(width, candidate, &from) {
                from.clone_from(&fitted.p);
                fits.push(fitted);
            }
        }
        fits
    };
    let rows: Vec<Vec<ShapeFit>> = candidates.par_chunks(IN_A_ROW).map(in_a_row).collect();
    let middle: Vec<ShapeFit> = rows.into_iter().flatten().collect();
    let least = middle.iter().map(|f| f.chi2).fold(f64::INFINITY, f64::min);
    // Another width may fit all shapes better, and some of them more than others.
    let hopeful = |f: &&ShapeFit| f.chi2 < FAR_WORSE.0 * least + FAR_WORSE.1;
    let sides: Vec<Vec<ShapeFit>> = middle
        .par_iter()
        .map(|f| match hopeful(&f) {
            true => beside.iter().filter_map(|width| fit(*width, f.candidate, &f.p)).collect(),
            false => Vec::new(),
        })
        .collect();
    let weighted = |f: ShapeFit, weight: f64| {
        let prior = f.candidate.prior * weight;
        (f, prior)
    };
    let sides = sides.into_iter().flatten().map(|f| weighted(f, 1.0 / 6.0));
    middle.into_iter().map(|f| weighted(f, 2.0 / 3.0)).chain(sides).collect()
}

/// Widths of the line to try, ascending, with the weight of each before any data: from nothing to a little over what is seen, all alike,
/// sampled coarsely everywhere and finely about the best.
fn widths(free: &ShapeFit, fwhm: f64) -> Vec<(f64, f64)> {
    let most = 1.1 * fwhm;
    let best = free.line_width_px().min(most);
    let sd = (free.covariance[(5, 5)].max(0.0).sqrt() / (2.0 * best)).clamp(1e-4 * most, 0.3 * most);
    let mut all: Vec<f64> = (0..=COARSE).map(|k| most * f64::from(k) / f64::from(COARSE)).collect();
    all.extend(DEVIATIONS.iter().map(|t| best + t * sd).filter(|b| (0.0..=most).contains(b)));
    all.sort_by(f64::total_cmp);
    let last = all.len() - 1;
    let span = |k: usize| 0.5 * (all[(k + 1).min(last)] - all[k.saturating_sub(1)]) / most;
    (0..=last).map(|k| (all[k], span(k))).collect()
}

/// Where the fit of a line begins.
struct Start {
    position: f64,
    fwhm: f64,
    base: f64,
    height: f64,
    range: f64,
}

impl Start {
    /// Position, ln size, base, area, slope, squared width: as if blur and line were equally wide.
    fn parameters(&self) -> Vec<f64> {
        let width = 0.7 * self.fwhm;
        vec![self.position, (0.9 * self.fwhm).ln(), self.base, self.height * self.fwhm, 0.0, width * width]
    }

    /// Background from the ends, position and width from the centroid and area of what stands out of it.
    fn of(points: &[ProfilePoint]) -> Result<Self, MeasureError> {
        let mut sorted: Vec<&ProfilePoint> = points.iter().collect();
        sorted.sort_by(|a, b| a.distance_px.total_cmp(&b.distance_px));
        let n = sorted.len();
        let side = (n / 8).max(2);
        let mean = |part: &[&ProfilePoint]| part.iter().map(|p| p.light).sum::<f64>() / part.len() as f64;
        let base = 0.5 * (mean(&sorted[..side]) + mean(&sorted[n - side..]));
        let (from, to) = (sorted[0].distance_px, sorted[n - 1].distance_px);
        let range = to - from;
        // Smoothed over a twentieth of the profile, so that noise is not taken for the line.
        let half = (n / 40).max(1);
        let smooth = |k: usize| mean(&sorted[k.saturating_sub(half)..(k + half + 1).min(n)]) - base;
        let peak = (0..n).max_by(|&a, &b| smooth(a).abs().total_cmp(&smooth(b).abs())).unwrap_or(0);
        let height = smooth(peak);
        let sign = height.signum();
        let above = |k: usize| sign * smooth(k) > 0.5 * height.abs();
        let first = (0..=peak).rev().take_while(|&k| above(k)).last().unwrap_or(peak);
        let last = (peak..n).take_while(|&k| above(k)).last().unwrap_or(peak);
        let pitch = range / (n - 1) as f64;
        let fwhm = (sorted[last].distance_px - sorted[first].distance_px + pitch).max(0.5);
        let noise = typical_noise(points);
        let signal_to_noise = height.abs() / noise * ((last - first + 1) as f64).sqrt();
        if range <= 0.0 || signal_to_noise < FAINTEST {
            return Err(MeasureError::TooFaint { signal_to_noise, needed: FAINTEST });
        }
        let position = 0.5 * (sorted[first].distance_px + sorted[last].distance_px);
        Ok(Self { position, fwhm, base, height, range })
    }
}
