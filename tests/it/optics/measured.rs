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

/// The least relative standard deviation with which a width can be measured at all, tests/data/edge_width_bound.csv.
pub(crate) fn bound(figure: &str, waves: f64, line_over_w: Option<f64>, w: f64) -> f64 {
    let table = include_str!("../../data/edge_width_bound.csv");
    let same = |text: &str, value: Option<f64>| text.parse::<f64>().ok() == value;
    let row = table
        .lines()
        .map(|l| l.split(',').collect::<Vec<_>>())
        .find(|r| r[0] == figure && same(r[1], Some(waves)) && same(r[2], line_over_w) && same(r[3], Some(w)));
    row.and_then(|r| r[6].parse().ok()).unwrap_or_else(|| panic!("no bound for {figure} {waves} {line_over_w:?} {w}"))
}

/// Root mean square pull, mean relative error and greatest relative error.
#[derive(Default)]
pub(crate) struct Tally {
    pulls: f64,
    errors: f64,
    squares: f64,
    pub(crate) worst: f64,
    n: f64,
}

impl Tally {
    pub(crate) fn add(&mut self, got: f64, u: f64, truth: f64) {
        self.pulls += ((got - truth) / u).powi(2);
        self.errors += got / truth - 1.0;
        self.squares += (got / truth - 1.0).powi(2);
        self.worst = self.worst.max((got / truth - 1.0).abs());
        self.n += 1.0;
    }

    pub(crate) fn pull(&self) -> f64 {
        (self.pulls / self.n).sqrt()
    }

    /// Root mean square relative error.
    pub(crate) fn rms(&self) -> f64 {
        (self.squares / self.n).sqrt()
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
    let (mut over_bound, mut n) = (0.0, 0.0);
    for w in [3.0, 8.0] {
        let r = recorded_with_width(&edge, w, 0.0);
        let truth = r.width();
        for ratio in [0.2, 0.5, 1.0, 2.0] {
            let b = ratio * w;
            for known in [false, true] {
                let mut t = Tally::default();
                for seed in 0..3 {
                    let points = line_profile(&r, b, w, 16, 500 + seed);
                    let m = line_blur(&points, Sampling::ALONG_PIXELS, line_width(b, known)).unwrap();
                    t.add(m.w.get(), m.u_w.get(), truth);
                    all.add(m.w.get(), m.u_w.get(), truth);
                    assert!(m.position.get().abs() < 5.0 * m.u_position.get(), "{m:?}");
                    if known {
                        over_bound += ((m.w.get() / truth - 1.0) / bound("line", 0.0, Some(ratio), w)).powi(2);
                        n += 1.0;
                    }
                }
                let (bias, worst, pull) = (t.bias(), t.worst, t.pull());
                let what =
                    format!("line w {w} b/w {ratio} known {known}: bias {bias:.4} worst {worst:.4} pull {pull:.2}");
                // So little of a line tells no more: see the bounds.
                let limit = if known { 3.3 * bound("line", 0.0, Some(ratio), w) } else { 0.45 };
                assert!(worst < limit && pull < 2.5, "{what}");
            }
        }
    }
    assert!((0.7..1.3).contains(&all.pull()), "pull over all cases {:.2}", all.pull());
    let over_bound = f64::sqrt(over_bound / n);
    assert!(over_bound < 1.3, "rms error of known lines is {over_bound:.2} of the Cramér–Rao bound");
}

#[test]
fn graduations_of_known_width_give_the_blur_within_5_per_cent() {
    // A graduation 150 px long.
    let edge = Edge::of_pupil(0.0);
    for w in [3.0, 8.0] {
        let r = recorded_with_width(&edge, w, 0.0);
        for ratio in [0.5, 1.0, 2.0] {
            for seed in 0..2 {
                let points = line_profile(&r, ratio * w, w, 150, 900 + seed);
                let m = line_blur(&points, Sampling::ALONG_PIXELS, line_width(ratio * w, true)).unwrap();
                let off = m.w.get() / r.width() - 1.0;
                assert!(off.abs() < 0.05, "w {w} b/w {ratio}: off {off:.4}, u {:.4}", m.u_w.get() / r.width());
            }
        }
    }
}

fn line_width(b: f64, known: bool) -> LineWidth {
    if known { LineWidth::Known { width: Px::new(b), u: Px::new(0.02 * b) } } else { LineWidth::Unknown }
}

/// Samples across a dark line `b` wide along so many normals with a noise of 2 % of the line's depth.
fn line_profile(r: &Recorded, b: f64, w: f64, normals: u32, seed: u64) -> Vec<ProfilePoint> {
    let sd = 0.01;
    let mut noise = Noise::new(sd, seed);
    let mut points = Vec::new();
    for k in 0..normals {
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
