//! A part of the picture sampled on a grid turned along a candidate ruling.
//!
//! `t` runs across the graduations (the direction in which they follow each other), `s` along them, both in full-size
//! px from the candidate's origin. A *strip* is a row of the grid: the mean over a short length of `s`.

use super::pyramid::Level;
use rayon::prelude::*;

/// An oriented frame in the picture.
#[derive(Clone, Copy, Debug)]
pub(super) struct Frame {
    pub(super) origin: (f64, f64),
    /// Unit vector of `t`, image axes.
    pub(super) n: (f64, f64),
}

impl Frame {
    /// `(t, s)` of an image point, px.
    pub(super) fn ts(&self, x: f64, y: f64) -> (f64, f64) {
        let (dx, dy) = (x - self.origin.0, y - self.origin.1);
        (dx * self.n.0 + dy * self.n.1, -dx * self.n.1 + dy * self.n.0)
    }

    /// The image point at `(t, s)`.
    pub(super) fn xy(&self, t: f64, s: f64) -> (f64, f64) {
        (self.origin.0 + t * self.n.0 - s * self.n.1, self.origin.1 + t * self.n.1 + s * self.n.0)
    }
}

/// Strips of the picture in a turned [`Frame`]. Cells outside the picture are NaN.
#[derive(Clone, Debug)]
pub(super) struct Strips {
    /// `t` of the first cell's centre, px.
    pub(super) t0: f64,
    /// Cell width along `t`, px.
    pub(super) dt: f64,
    pub(super) cells: usize,
    /// Centre of each strip, px.
    pub(super) s: Vec<f64>,
    /// Height over which a strip averages, px.
    pub(super) height: f64,
    /// Row-major, strips by cells, linear light.
    pub(super) values: Vec<f32>,
}

impl Strips {
    pub(super) fn strip(&self, j: usize) -> &[f32] {
        &self.values[j * self.cells..(j + 1) * self.cells]
    }

    /// Linear interpolation along `t` in strip `j`; NaN outside.
    pub(super) fn at(&self, j: usize, t: f64) -> f32 {
        let u = (t - self.t0) / self.dt;
        if u < 0.0 || u >= (self.cells - 1) as f64 {
            return f32::NAN;
        }
        let i = u as usize;
        let a = (u - i as f64) as f32;
        let row = self.strip(j);
        row[i] * (1.0 - a) + row[i + 1] * a
    }
}

/// What to sample.
#[derive(Clone, Copy, Debug)]
pub(super) struct Extent {
    pub(super) t: (f64, f64),
    pub(super) s: (f64, f64),
    pub(super) dt: f64,
    pub(super) height: f64,
    /// At most this many strips; beyond it they stand apart.
    pub(super) most_strips: usize,
}

pub(super) fn sample(level: &Level<'_>, frame: Frame, e: Extent) -> Strips {
    let cells = (((e.t.1 - e.t.0) / e.dt).ceil() as usize).max(2);
    let wanted = (((e.s.1 - e.s.0) / e.height).ceil() as usize).max(1);
    let count = wanted.min(e.most_strips);
    let pitch = (e.s.1 - e.s.0) / count as f64;
    let s: Vec<f64> = (0..count).map(|j| e.s.0 + (j as f64 + 0.5) * pitch).collect();
    let lines = ((e.height / level.step_px as f64).ceil() as usize).clamp(1, 12);
    let mut values = vec![0.0_f32; count * cells];
    let step = (e.dt * frame.n.0, e.dt * frame.n.1);
    values.par_chunks_mut(cells).zip(&s).for_each_init(
        || vec![0_u16; cells],
        |seen, (row, &centre)| {
            seen.fill(0);
            for l in 0..lines {
                let at = centre + ((l as f64 + 0.5) / lines as f64 - 0.5) * e.height;
                let walked = level.walk(frame.xy(e.t.0, at), step, 0..cells, |i, v| row[i] += v);
                seen[walked].iter_mut().for_each(|n| *n += 1);
            }
            for (sum, n) in row.iter_mut().zip(&*seen) {
                *sum = if *n > 0 { *sum / f32::from(*n) } else { f32::NAN };
            }
        },
    );
    Strips { t0: e.t.0, dt: e.dt, cells, s, height: e.height, values }
}

/// The range of `(t, s)` that the picture covers in a frame.
pub(super) fn picture_range(frame: Frame, width: f64, height: f64) -> ((f64, f64), (f64, f64)) {
    let corners = [(0.0, 0.0), (width, 0.0), (0.0, height), (width, height)].map(|(x, y)| frame.ts(x, y));
    let fold = |pick: fn(&(f64, f64)) -> f64| {
        corners.iter().map(pick).fold((f64::MAX, f64::MIN), |(lo, hi), v| (lo.min(v), hi.max(v)))
    };
    (fold(|c| c.0), fold(|c| c.1))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn there_and_back_in_a_turned_frame() {
        let a = 0.7_f64;
        let frame = Frame { origin: (300.0, 120.0), n: (a.cos(), a.sin()) };
        let (t, s) = frame.ts(17.0, 900.5);
        let (x, y) = frame.xy(t, s);
        assert!((x - 17.0).abs() < 1e-9 && (y - 900.5).abs() < 1e-9);
        let along = frame.ts(300.0 + a.cos(), 120.0 + a.sin());
        assert!((along.0 - 1.0).abs() < 1e-12 && along.1.abs() < 1e-12);
    }
}
