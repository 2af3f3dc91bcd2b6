//! Blur measured on drawn edges and lines.

use motestick::optics::measured::{LineWidth, ProfilePoint, Sampling, edge_blur, line_blur};
use motestick::units::Px;

use super::rendered::{Edge, Noise, Recorded};

/// A recorded edge about `w` wide, by a few secant steps.
pub(crate) fn recorded_with_width(edge: &Edge, w: f64, angle_rad: f64) -> Recorded {
    let mut unit = 0.5 * w;
    let mut r = edge.recorded(unit, angle_rad);
    for _ in 0..4 {
        unit *= w / r.width();
        r = edge.recorded(unit, angle_rad);
    }
    r
}

/// Samples along `normals` normals of an upright edge, one px apart, each shifted by another fraction of a px.
fn edge_profile(r: &Recorded, normals: usize, reach: f64, sd: f64, noise: &mut Noise) -> Vec<ProfilePoint> {
    let mut points = Vec::new();
    for k in 0..normals {
        let shift = (k as f64 * 0.618_034).fract();
        let n = reach as i32;
        for i in -n..n {
            let x = f64::from(i) + shift;
            points.push(ProfilePoint { distance_px: x + 40.0, light: 0.2 + 0.5 * r.at(x) + noise.draw(), sd });
        }
    }
    points
}

/// Root mean square pull, mean relative error and greatest relative error.
#[derive(Default)]
pub(crate) struct Tally {
    pulls: f64,
    errors: f64,
    pub(crate) worst: f64,
    n: f64,
}

impl Tally {
    pub(crate) fn add(&mut self, got: f64, u: f64, truth: f64) {
        self.pulls += ((got - truth) / u).powi(2);
        self.errors += got / truth - 1.0;
        self.worst = self.worst.max((got / truth - 1.0).abs());
        self.n += 1.0;
    }

    pub(crate) fn pull(&self) -> f64 {
        (self.pulls / self.n).sqrt()
    }

    pub(crate) fn bias(&self) -> f64 {
        self.errors / self.n
    }
}

#[test]
fn edge_width_is_right_and_its_uncertainty_honest() {
    let mut all = Tally::default();
    for waves in [0.0, 0.3, 1.2] {
        let edge = Edge::of_pupil(waves);
        for w in [2.0, 4.0, 8.0, 20.0] {
            let r = recorded_with_width(&edge, w, 0.0);
            let truth = r.width();
            // A signal to noise of 15 a pixel on an edge of 150 px, and of 60 on one of 30 px.
            for (snr, normals) in [(15.0, 150), (60.0, 30)] {
                let sd = 0.5 / snr;
                let mut t = Tally::default();
                for seed in 0..3 {
                    let mut noise = Noise::new(sd, 100 + seed);
                    let points = edge_profile(&r, normals, (2.5 * w).max(6.0), sd, &mut noise);
                    let m = edge_blur(&points, Sampling::ALONG_PIXELS).unwrap();
                    t.add(m.w.get(), m.u_w.get(), truth);
                    all.add(m.w.get(), m.u_w.get(), truth);
                    assert!((m.position.get() - 40.0).abs() < 4.0 * m.u_position.get());
                    assert!((m.signal_to_noise / snr - 1.0).abs() < 0.2, "{}", m.signal_to_noise);
                }
                // The demand: within 5 % of truth from 2 to 20 px and down to a signal to noise of 15.
                let (bias, worst, pull) = (t.bias(), t.worst, t.pull());
                let what = format!("waves {waves} w {w} px snr {snr}: bias {bias:.4} worst {worst:.4} pull {pull:.2}");
                assert!(worst < 0.05 && pull < 2.0, "{what}");
            }
        }
    }
    assert!((0.7..1.3).contains(&all.pull()), "pull over all cases {:.2}", all.pull());
}

#[test]
fn line_width_and_blur_are_told_apart_as_far_as_the_data_allow() {
    let edge = Edge::of_pupil(0.0);
    let mut all = Tally::default();
    for w in [3.0, 8.0] {
        let r = recorded_with_width(&edge, w, 0.0);
        let truth = r.width();
        for ratio in [0.2, 0.5, 1.0, 2.0] {
            let b = ratio * w;
            for known in [false, true] {
                let mut t = Tally::default();
                for seed in 0..3 {
                    let points = line_profile(&r, b, w, 500 + seed);
                    let width = if known {
                        LineWidth::Known { width: Px::new(b), u: Px::new(0.02 * b) }
                    } else {
                        LineWidth::Unknown
                    };
                    let m = line_blur(&points, Sampling::ALONG_PIXELS, width).unwrap();
                    t.add(m.w.get(), m.u_w.get(), truth);
                    all.add(m.w.get(), m.u_w.get(), truth);
                    assert!(m.position.get().abs() < 5.0 * m.u_position.get(), "{m:?}");
                }
                let (bias, worst, pull) = (t.bias(), t.worst, t.pull());
                let what =
                    format!("line w {w} b/w {ratio} known {known}: bias {bias:.4} worst {worst:.4} pull {pull:.2}");
                let limit = if known && ratio >= 0.5 { 0.1 } else { 0.45 };
                assert!(worst < limit && pull < 2.5, "{what}");
            }
        }
    }
    assert!((0.7..1.3).contains(&all.pull()), "pull over all cases {:.2}", all.pull());
}

/// Samples across a dark line `b` wide along 16 normals with a noise of 2 % of the line's depth.
fn line_profile(r: &Recorded, b: f64, w: f64, seed: u64) -> Vec<ProfilePoint> {
    let sd = 0.01;
    let mut noise = Noise::new(sd, seed);
    let mut points = Vec::new();
    for k in 0..16 {
        let shift = (f64::from(k) * 0.618_034).fract();
        let n = (2.5 * w + b) as i32;
        for i in -n..n {
            let x = f64::from(i) + shift;
            let line = r.at(x + 0.5 * b) - r.at(x - 0.5 * b);
            points.push(ProfilePoint { distance_px: x, light: 0.8 - 0.5 * line + noise.draw(), sd });
        }
    }
    points
}
