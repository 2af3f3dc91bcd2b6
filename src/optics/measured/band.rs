//! The pixels along an edge, and the line or gentle bow that the edge follows.

use nalgebra::{DMatrix, DVector};

use super::MeasureError;
use crate::photo::Light;
use crate::units::{Image, Point};

/// One pixel near an edge.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Near {
    /// Along the edge from the middle of the segment, px.
    pub(crate) along: f64,
    /// Across it, px, before the edge's own place is taken off.
    pub(crate) across: f64,
    pub(crate) light: f64,
}

/// The frame of a segment: its middle, unit vector along it, half its length.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Frame {
    middle: (f64, f64),
    along: (f64, f64),
    pub(crate) half_length: f64,
}

impl Frame {
    pub(crate) fn new(from: Point<Image>, to: Point<Image>) -> Self {
        let d = to - from;
        let length = d.length().max(1e-9);
        Self {
            middle: (0.5 * (from.x + to.x), 0.5 * (from.y + to.y)),
            along: (d.x / length, d.y / length),
            half_length: 0.5 * length,
        }
    }

    /// Angle of the normal against the rows, with a tilt of the edge (px across per px along) taken in.
    pub(crate) fn normal_rad(&self, tilt: f64) -> f64 {
        let (x, y) = (-self.along.1 - tilt * self.along.0, self.along.0 - tilt * self.along.1);
        y.atan2(x)
    }

    /// The picture point at a place along and across.
    pub(crate) fn point(&self, along: f64, across: f64) -> Point<Image> {
        Point::new(
            self.middle.0 + along * self.along.0 - across * self.along.1,
            self.middle.1 + along * self.along.1 + across * self.along.0,
        )
    }

    /// All usable pixels whose centres lie within `half_width` of the segment, and the share of the pixels there that
    /// are clipped.
    pub(crate) fn gather(&self, light: &Light, half_width: f64) -> (Vec<Near>, f64) {
        let corners = [(-1.0, -1.0), (-1.0, 1.0), (1.0, -1.0), (1.0, 1.0)]
            .map(|(a, b)| self.point(a * self.half_length, b * half_width));
        let span = |pick: fn(&Point<Image>) -> f64, limit: usize| {
            let low = corners.iter().map(pick).fold(f64::INFINITY, f64::min).floor().max(0.0);
            let high = corners.iter().map(pick).fold(0.0, f64::max).ceil().min(limit as f64);
            (low as usize, high.max(low) as usize)
        };
        let (columns, rows) = (span(|p| p.x, light.width()), span(|p| p.y, light.height()));
        let (mut near, mut clipped, mut all) = (Vec::new(), 0.0, 0.0_f64);
        for row in rows.0..rows.1.min(light.height()) {
            for column in columns.0..columns.1.min(light.width()) {
                let (dx, dy) = (column as f64 + 0.5 - self.middle.0, row as f64 + 0.5 - self.middle.1);
                let along = dx * self.along.0 + dy * self.along.1;
                let across = dy * self.along.0 - dx * self.along.1;
                if along.abs() > self.half_length || across.abs() > half_width {
                    continue;
                }
                all += 1.0;
                let value = light.at(column, row);
                if light.is_clipped(column, row) || !value.is_finite() {
                    clipped += 1.0;
                } else {
                    near.push(Near { along, across, light: f64::from(value) });
                }
            }
        }
        (near, clipped / all.max(1.0))
    }
}

/// Where the edge runs: `across = offset + tilt · along + bow · along²`.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Course {
    pub(crate) offset: f64,
    pub(crate) tilt: f64,
    pub(crate) bow: f64,
}

impl Course {
    pub(crate) fn across(&self, along: f64) -> f64 {
        self.offset + along * (self.tilt + self.bow * along)
    }

    /// Distance of a pixel from the edge, along the edge's normal.
    pub(crate) fn distance(&self, p: &Near) -> f64 {
        (p.across - self.across(p.along)) / (1.0 + (self.tilt + 2.0 * self.bow * p.along).powi(2)).sqrt()
    }
}

/// A crossing found in a piece of the edge.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Crossing {
    pub(crate) along: f64,
    /// Across, relative to the course assumed before.
    pub(crate) across: f64,
    pub(crate) u: f64,
    pub(crate) base: f64,
    pub(crate) height: f64,
}

/// Fits a course to crossings by reweighted least squares (Huber's weights), with a bow only when it is significant.
///
/// Returns the course and the robust scatter of the crossings about it.
pub(crate) fn course_of(crossings: &[Crossing], half_length: f64) -> Result<(Course, f64), MeasureError> {
    let straight = polynomial(crossings, 1).ok_or(MeasureError::NoFit)?;
    if crossings.len() < 6 {
        return Ok((straight.course, straight.scatter));
    }
    let Some(bowed) = polynomial(crossings, 2) else { return Ok((straight.course, straight.scatter)) };
    // The sag must stand out of its own uncertainty, and matter.
    let sag = bowed.course.bow.abs() * half_length * half_length;
    let significant = bowed.course.bow.abs() > 3.0 * bowed.u_bow && sag > 0.02;
    Ok(if significant { (bowed.course, bowed.scatter) } else { (straight.course, straight.scatter) })
}

struct Polynomial {
    course: Course,
    u_bow: f64,
    scatter: f64,
}

fn polynomial(crossings: &[Crossing], degree: usize) -> Option<Polynomial> {
    const HUBER: f64 = 1.5;
    let n = degree + 1;
    let mut weights: Vec<f64> = crossings.iter().map(|c| 1.0 / (c.u * c.u)).collect();
    let mut result = None;
    for _ in 0..12 {
        let (mut normal, mut right) = (DMatrix::zeros(n, n), DVector::zeros(n));
        for (c, k) in crossings.iter().zip(&weights) {
            let row = DVector::from_fn(n, |i, _| c.along.powi(i32::try_from(i).unwrap_or(0)));
            normal += &row * row.transpose() * *k;
            right += row * (c.across * k);
        }
        let solved = normal.clone().cholesky()?;
        let p = solved.solve(&right);
        let course = Course { offset: p[0], tilt: p[1], bow: if degree > 1 { p[2] } else { 0.0 } };
        let mut sizes: Vec<f64> = crossings.iter().map(|c| (c.across - course.across(c.along)).abs()).collect();
        for ((k, c), size) in weights.iter_mut().zip(crossings).zip(&sizes) {
            let pull = size / c.u;
            *k = (HUBER / pull.max(HUBER)) / (c.u * c.u);
        }
        sizes.sort_by(f64::total_cmp);
        // 1.4826 × the median of the sizes is the standard deviation of normal scatter.
        let scatter = 1.4826 * sizes[sizes.len() / 2];
        let mean_u2 = crossings.iter().map(|c| c.u * c.u).sum::<f64>() / crossings.len() as f64;
        let excess = (scatter * scatter / mean_u2).max(1.0).sqrt();
        let u_bow = if degree > 1 { solved.inverse()[(2, 2)].sqrt() * excess } else { 0.0 };
        result = Some(Polynomial { course, u_bow, scatter });
    }
    result
}
