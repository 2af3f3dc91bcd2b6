//! Blur from a slanted edge in a picture.

use nalgebra::{Matrix3, Vector3};

use super::band::{Course, Crossing, Frame, Near, course_of};
use super::edge::{fit_edge, to_blur};
use super::fit::{Average, Figure, Profile, fit_shape};
use super::iso::mtf50_of_profile;
use super::{MeasureError, MeasuredBlur, ProfilePoint, Sampling};
use crate::optics::response::ResponseTable;
use crate::photo::Light;
use crate::units::{Angle, Image, Point, Px};

/// Shortest edge, px.
const SHORTEST_PX: f64 = 10.0;
/// First half width of the band, px, and its least and greatest.
const FIRST_PX: f64 = 14.0;
const LEAST_PX: f64 = 6.0;
const GREATEST_PX: f64 = 90.0;
/// Half width of the band in blur spots, and px on top.
const REACH: f64 = 2.5;
const REACH_PX: f64 = 2.0;
/// Width of the bins of the oversampled profile.
pub(crate) const BIN_PX: f64 = 0.25;
/// Pixels this many standard deviations off their bin are left out.
const OUTLIER: f64 = 3.5;
/// Parts into which the edge is cut to see how its blur scatters along it.
const BLOCKS: usize = 8;
/// An edge may scatter this much about its course, in blur spots, plus this much in px.
const ROUGH: f64 = 0.25;
const ROUGH_PX: f64 = 0.3;
/// The scatter between blocks replaces the fit's uncertainty when it is this much larger.
const MARKED_EXCESS: f64 = 1.4;
/// While the course is sought only every so many shapes are fitted.
const FEW_SHAPES: usize = 5;
/// With more clipped pixels than this in the band the edge carries no width.
const MOST_CLIPPED: f64 = 0.2;

/// A blur spot measured on an edge of a picture.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub struct SlantedEdge {
    /// The blur; its position is the distance of the edge from the middle of the segment given.
    pub blur: MeasuredBlur,
    /// Ends of the edge as fitted.
    pub from: Point<Image>,
    /// The other end.
    pub to: Point<Image>,
    /// Angle of the edge's normal against the pixels' rows.
    pub normal: Angle,
    /// Sag of the edge from straight over its length; 0 where no bow was significant.
    pub sag: Px,
    /// Robust scatter of the edge about its course, noise included.
    pub scatter: Px,
    /// Spatial frequency at which the contrast is one half, cycles per px, by the slanted-edge method of ISO 12233:
    /// derivative of the oversampled profile, window, Fourier transform, corrected for bins and difference.
    /// Nothing where the edge lies so along the pixels that bins stay empty, or noise drowns it.
    pub mtf50_iso_per_px: Option<f64>,
    /// How far the profile rises above the fitted response beside the edge, as a share of the step: clearly above
    /// 0 in a sharpened picture.
    pub halo: f64,
    /// Share of pixels beside the edge that are clipped and left out.
    pub clipped_share: f64,
    /// Pixels used.
    pub pixels: usize,
}

/// Measures the blur of the edge that runs near the segment from `from` to `to`.
///
/// All pixels of a band along the edge are used at the exact distance of their centres, with no interpolation. The edge's
/// course (a line, or a gentle bow where that is significant) is fitted robustly to crossings in short pieces; levels that change
/// along the edge are taken out; outlying pixels are left out; the oversampled profile is fitted as by
/// [`super::edge_blur`]. The uncertainty is the fit's own or, where that is clearly greater, the one from leaving out
/// each eighth of the edge in turn, so that texture counts.
///
/// # Inputs
/// The segment within about a blur spot of the edge, at least 10 px long; `most_half_width` keeps the band clear of other
/// edges.
/// # Accuracy
/// At a signal to noise of 15 on edges of 160 px the rms error of the width is within 1.3 of the Cramér–Rao bound and below 5 %
/// from 2 to 20 px. The bound is 1 to 3 %, most where the edge is 2 to 4 px wide and slight defocus (0.4 waves) gives it long
/// shoulders: there one reading in ten is off by more than 5 %, whatever the method, and it takes an edge of 480 px for three standard
/// deviations within 5 %. Stated uncertainty honest (rms pull 0.7 to 1.3), tests/it/optics, tests/data/edge_width_bound.csv.
/// # Errors
/// [`MeasureError`] when the edge is too short, too faint, not straight enough, or too much of it is clipped.
/// # Source
/// Many normals and oversampling: the slanted-edge method of ISO 12233.
pub fn slanted_edge(
    light: &Light,
    from: Point<Image>,
    to: Point<Image>,
    most_half_width: Option<Px>,
) -> Result<SlantedEdge, MeasureError> {
    let frame = Frame::new(from, to);
    let length_px = 2.0 * frame.half_length;
    if !(length_px.is_finite() && length_px >= SHORTEST_PX) {
        return Err(MeasureError::ShortEdge { length_px, needed_px: SHORTEST_PX });
    }
    let most = most_half_width.map_or(GREATEST_PX, |w| w.get().clamp(LEAST_PX, GREATEST_PX));
    let mut half_width = FIRST_PX.min(most);
    let mut course = Course::default();
    let mut work = loop {
        match Work::new(light, frame, course, half_width) {
            // A wide blur needs a wide band.
            Err(MeasureError::TooShort { .. }) if half_width < most => half_width = (1.6 * half_width).min(most),
            other => break other?,
        }
    };
    for _ in 0..4 {
        let found = work.crossings()?;
        let (change, _) = course_of(&found, frame.half_length)?;
        course.offset += change.offset;
        course.tilt += change.tilt;
        course.bow += change.bow;
        let wanted = (REACH * work.fitted.w_px + REACH_PX).clamp(LEAST_PX, most);
        let settled = change.offset.abs() < 0.02
            && (change.tilt * frame.half_length).abs() < 0.02
            && (wanted / half_width - 1.0).abs() < 0.15;
        half_width = wanted;
        work = Work::new(light, frame, course, half_width)?;
        if settled {
            break;
        }
    }
    work.finish()
}

/// The state of one pass: pixels, course, profile and its fit.
struct Work {
    frame: Frame,
    course: Course,
    pixels: Vec<Near>,
    clipped_share: f64,
    points: Vec<ProfilePoint>,
    fitted: Average,
    sampling: Sampling,
}

impl Work {
    fn new(light: &Light, frame: Frame, course: Course, half_width: f64) -> Result<Self, MeasureError> {
        let reach = half_width + course.across(frame.half_length).abs().max(course.across(-frame.half_length).abs());
        let (mut pixels, clipped_share) = frame.gather(light, reach);
        pixels.retain(|p| course.distance(p).abs() <= half_width);
        if clipped_share > MOST_CLIPPED {
            return Err(MeasureError::Clipped { share: clipped_share, limit: MOST_CLIPPED });
        }
        let sampling = Sampling { normal: Angle::new(frame.normal_rad(course.tilt)), bin: Px::new(BIN_PX) };
        let points = profile(&pixels, &course);
        if points.len() < 12 {
            return Err(MeasureError::TooFewPoints { points: points.len(), needed: 12 });
        }
        let fitted = fit_edge(&points, sampling.kernel(), FEW_SHAPES)?;
        Ok(Self { frame, course, pixels, clipped_share, points, fitted, sampling })
    }

    fn table(&self) -> ResponseTable {
        self.fitted.best.candidate.table(self.fitted.best.size_px(), self.sampling.kernel())
    }

    /// Crossings relative to the present course, in pieces along the edge.
    fn crossings(&self) -> Result<Vec<Crossing>, MeasureError> {
        let table = self.table();
        let length = 2.0 * self.frame.half_length;
        let pieces = ((length / 5.0) as usize).clamp(3, 64);
        let mut sorted: Vec<Vec<&Near>> = vec![Vec::new(); pieces];
        for p in &self.pixels {
            let k = ((p.along / length + 0.5) * pieces as f64) as usize;
            sorted[k.min(pieces - 1)].push(p);
        }
        let p = &self.fitted.best.p;
        let found: Vec<Crossing> =
            sorted.iter().filter_map(|piece| locate(piece, &self.course, &table, [p[0], p[2], p[3]])).collect();
        if found.len() < 3 {
            return Err(MeasureError::NoFit);
        }
        Ok(found)
    }

    fn finish(mut self) -> Result<SlantedEdge, MeasureError> {
        let found = self.crossings()?;
        let (_, scatter) = course_of(&found, self.frame.half_length)?;
        let mean_u = (found.iter().map(|c| c.u * c.u).sum::<f64>() / found.len() as f64).sqrt();
        let rough = (scatter * scatter - mean_u * mean_u).max(0.0).sqrt();
        let limit_px = ROUGH * self.fitted.w_px + ROUGH_PX;
        if rough > limit_px {
            return Err(MeasureError::NotStraight { rms_px: rough, limit_px });
        }
        self.level(&found);
        self.points = profile(&self.pixels, &self.course);
        self.fitted = fit_edge(&self.points, self.sampling.kernel(), 1)?;
        let mut blur = to_blur(&self.fitted, &self.points, self.sampling, None);
        // Eight blocks know their scatter only to a quarter; below this excess it is no news.
        let by_blocks = self.scatter_of_blocks();
        if by_blocks > MARKED_EXCESS * blur.u_w.get() {
            blur.u_w = Px::new(by_blocks);
        }
        blur.signal_to_noise = self.fitted.best.p[3].abs() / self.pixel_noise();
        let half = self.frame.half_length;
        let end = |along: f64| self.frame.point(along, self.course.across(along) + self.fitted.position_px);
        Ok(SlantedEdge {
            mtf50_iso_per_px: mtf50_of_profile(
                &self.points,
                self.fitted.position_px,
                self.fitted.w_px,
                self.fitted.best.p[3],
            ),
            halo: self.halo(),
            from: end(-half),
            to: end(half),
            normal: self.sampling.normal,
            sag: Px::new(self.course.bow * half * half),
            scatter: Px::new(scatter),
            clipped_share: self.clipped_share,
            pixels: self.pixels.len(),
            blur,
        })
    }

    /// Takes out levels that change evenly along the edge.
    fn level(&mut self, found: &[Crossing]) {
        let trend = |value: &dyn Fn(&Crossing) -> f64| {
            let n = found.len() as f64;
            let (mx, my) = (found.iter().map(|c| c.along).sum::<f64>() / n, found.iter().map(value).sum::<f64>() / n);
            let sxx: f64 = found.iter().map(|c| (c.along - mx).powi(2)).sum();
            let sxy: f64 = found.iter().map(|c| (c.along - mx) * (value(c) - my)).sum();
            let slope = if sxx > 0.0 { sxy / sxx } else { 0.0 };
            move |along: f64| my + slope * (along - mx)
        };
        let (base, height) = (trend(&|c| c.base), trend(&|c| c.height));
        let (base0, height0) = (base(0.0), height(0.0));
        if height0 == 0.0 {
            return;
        }
        for p in &mut self.pixels {
            let (b, h) = (base(p.along), height(p.along));
            if h / height0 > 0.2 {
                p.light = base0 + height0 * (p.light - b) / h;
            }
        }
    }

    /// Scatter of one pixel about the fit, robust.
    fn pixel_noise(&self) -> f64 {
        let table = self.table();
        let p = &self.fitted.best.p;
        let mut sizes: Vec<f64> = self
            .pixels
            .iter()
            .map(|q| (q.light - p[2] - p[3] * table.edge_and_line(self.course.distance(q) - p[0]).0).abs())
            .collect();
        sizes.sort_by(f64::total_cmp);
        1.4826 * sizes.get(sizes.len() / 2).copied().unwrap_or(0.0)
    }

    /// Standard uncertainty of the width from leaving out each eighth of the edge in turn (the jackknife).
    fn scatter_of_blocks(&self) -> f64 {
        let best = &self.fitted.best;
        let length = 2.0 * self.frame.half_length;
        let block = |p: &Near| (((p.along / length + 0.5) * BLOCKS as f64) as usize).min(BLOCKS - 1);
        let widths: Vec<f64> = (0..BLOCKS)
            .filter_map(|k| {
                let kept: Vec<Near> = self.pixels.iter().filter(|p| block(p) != k).copied().collect();
                let points = profile(&kept, &self.course);
                let profile = Profile { points: &points, kernel: self.sampling.kernel(), range_px: 4.0 * GREATEST_PX };
                fit_shape(&profile, Figure::Edge, best.candidate, &best.p, f64::INFINITY).map(|f| f.w_px())
            })
            .collect();
        let n = widths.len() as f64;
        if widths.len() < 4 {
            return 0.0;
        }
        let mean = widths.iter().sum::<f64>() / n;
        ((n - 1.0) / n * widths.iter().map(|w| (w - mean).powi(2)).sum::<f64>()).sqrt()
    }

    /// Mean overshoot of the profile over the fit from 0.5 to 1.5 widths beside the edge, both sides, share of the step.
    fn halo(&self) -> f64 {
        let table = self.table();
        let (p, w) = (&self.fitted.best.p, self.fitted.w_px);
        let (mut sum, mut n) = (0.0, 0.0);
        for q in &self.points {
            let x = q.distance_px - p[0];
            if (0.5 * w..1.5 * w).contains(&x.abs()) {
                let over = (q.light - p[2] - p[3] * table.edge_and_line(x).0) / p[3];
                sum += over * x.signum();
                n += 1.0;
            }
        }
        if n > 0.0 { sum / n } else { 0.0 }
    }
}

/// The oversampled profile: pixels in bins of a quarter px by distance, outliers left out, each bin's noise from the scatter of
/// the bins around it.
fn profile(pixels: &[Near], course: &Course) -> Vec<ProfilePoint> {
    let distances: Vec<f64> = pixels.iter().map(|p| course.distance(p)).collect();
    let low = distances.iter().copied().fold(f64::INFINITY, f64::min);
    let high = distances.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if !(high - low).is_finite() || high <= low {
        return Vec::new();
    }
    let bins = ((high - low) / BIN_PX) as usize + 1;
    let mut members: Vec<Vec<(f64, f64)>> = vec![Vec::new(); bins];
    for (p, d) in pixels.iter().zip(&distances) {
        members[(((d - low) / BIN_PX) as usize).min(bins - 1)].push((*d, p.light));
    }
    // Residuals from each bin's own slope would need a fit; neighbours give the slope well enough.
    let medians: Vec<Option<f64>> = members.iter().map(|m| median(m.iter().map(|p| p.1))).collect();
    let slope = |k: usize| match (k.checked_sub(1).and_then(|j| medians[j]), medians.get(k + 1).copied().flatten()) {
        (Some(a), Some(b)) => (b - a) / (2.0 * BIN_PX),
        _ => 0.0,
    };
    let centre = |k: usize| low + (k as f64 + 0.5) * BIN_PX;
    let residuals: Vec<Vec<f64>> = (0..bins)
        .map(|k| {
            let m = medians[k].unwrap_or(0.0);
            members[k].iter().map(|p| p.1 - m - slope(k) * (p.0 - centre(k))).collect()
        })
        .collect();
    let spread: Vec<f64> = (0..bins)
        .map(|k| {
            let around = k.saturating_sub(6)..(k + 7).min(bins);
            let sizes = around.flat_map(|j| residuals[j].iter().map(|r| r.abs()));
            // A bin's median takes up part of its scatter: n/(n−1) for the typical number in a bin.
            let n = (pixels.len() as f64 / bins as f64).max(2.0);
            1.4826 * median(sizes).unwrap_or(0.0) * (n / (n - 1.0)).sqrt()
        })
        .collect();
    let floor = 1e-6 * medians.iter().flatten().fold(0.0_f64, |a, m| a.max(m.abs())) + 1e-9;
    (0..bins)
        .filter_map(|k| {
            let limit = OUTLIER * spread[k] + floor;
            let kept: Vec<&(f64, f64)> =
                members[k].iter().zip(&residuals[k]).filter(|(_, r)| r.abs() <= limit).map(|(p, _)| p).collect();
            let n = kept.len() as f64;
            (!kept.is_empty()).then(|| ProfilePoint {
                distance_px: kept.iter().map(|p| p.0).sum::<f64>() / n,
                light: kept.iter().map(|p| p.1).sum::<f64>() / n,
                sd: spread[k].max(floor) / n.sqrt(),
            })
        })
        .collect()
}

fn median(values: impl Iterator<Item = f64>) -> Option<f64> {
    let mut v: Vec<f64> = values.collect();
    if v.is_empty() {
        return None;
    }
    let middle = v.len() / 2;
    let (_, m, _) = v.select_nth_unstable_by(middle, f64::total_cmp);
    Some(*m)
}

/// Finds the crossing in one piece of the edge: place and both levels by Gauss–Newton steps with Huber's weights.
fn locate(piece: &[&Near], course: &Course, table: &ResponseTable, start: [f64; 3]) -> Option<Crossing> {
    if piece.len() < 12 {
        return None;
    }
    let mut p = Vector3::from(start);
    let along = piece.iter().map(|q| q.along).sum::<f64>() / piece.len() as f64;
    let mut noise = f64::INFINITY;
    let mut covariance = Matrix3::zeros();
    for _ in 0..8 {
        let (mut normal, mut right) = (Matrix3::zeros(), Vector3::zeros());
        let mut sizes = Vec::with_capacity(piece.len());
        for q in piece {
            let (e, l) = table.edge_and_line(course.distance(q) - p[0]);
            let row = Vector3::new(-p[2] * l, 1.0, e);
            let residual = q.light - p[1] - p[2] * e;
            sizes.push(residual.abs());
            let weight = (1.5 * noise / residual.abs().max(1e-12)).min(1.0);
            normal += row * row.transpose() * weight;
            right += row * (weight * residual);
        }
        noise = 1.4826 * median(sizes.into_iter())? + 1e-9;
        let inverse = normal.try_inverse()?;
        let step = inverse * right;
        p += step;
        covariance = inverse;
        if step[0].abs() < 1e-4 {
            break;
        }
    }
    let u = noise * covariance[(0, 0)].max(0.0).sqrt();
    let usable = p.iter().all(|v| v.is_finite()) && u.is_finite() && p[2].signum() == start[2].signum();
    usable.then(|| Crossing { along, across: p[0] - start[0], u: u.max(1e-4), base: p[1], height: p[2] })
}
