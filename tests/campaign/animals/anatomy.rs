//! Where the errors of snapped marks come from: nothing but the hand and the noise are drawn, so that what is left is the measuring's
//! own. Places against the truth in µm, along a chain in blur spots and in the marks' own standard uncertainties.

use std::collections::BTreeMap;

use motestick::animal::snap::{Expected, snap_shape};
use motestick::animal::{Curve, Kind, Mark, MarkKind, Placement, Shape};
use motestick::phantom::animal::{AnimalTruth, render};
use motestick::photo::Light;
use motestick::setup::Coherence;
use motestick::units::{Image, Point, Px, Vector};
use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution as _, Normal};
use rand_pcg::Pcg64Mcg;
use rayon::prelude::*;

use super::trial::{Regime, fit_frame, scene_of};

/// One departure, under its name.
type Departure = (&'static str, f64);

/// A rendered animal, and the hand.
struct Drawn {
    truth: AnimalTruth,
    light: Light,
    /// Partly coherent only where a threshold is drawn.
    coherence: Coherence,
    rng: Pcg64Mcg,
}

impl Drawn {
    fn of(regime: Regime, seed: u64, lit: Option<bool>) -> Option<Self> {
        let mut scene = scene_of(regime, seed);
        scene.bright_on_dark = seed.is_multiple_of(2);
        if let Some(bright) = lit {
            scene.bright_on_dark = bright;
            let mut rng = Pcg64Mcg::seed_from_u64(!seed);
            // Half width from 25 to 75 % of the light: 0.322 λN/m (measurement model, section 4).
            let reach = 0.322 * scene.wavelengths_um[0] * scene.effective_aperture / scene.magnification;
            scene.threshold_um = rng.random_range(0.0..reach);
            scene.sensor.tone_exponent = rng.random_range(0.75..1.3);
        }
        fit_frame(&mut scene)?;
        let rendered = render(&scene).ok()?;
        let picture = &rendered.picture;
        let light = Light::new(picture.width, picture.height, picture.linear_luminance());
        let coherence = if lit.is_some() { Coherence::Unknown } else { Coherence::Incoherent };
        Some(Self { truth: rendered.truth?, light, coherence, rng: Pcg64Mcg::seed_from_u64(seed) })
    }

    fn w_px(&self) -> f64 {
        self.truth.blur_spot_px
    }

    /// Marks set by hand, snapped.
    fn snapped(&mut self, kind: Kind, at: &[Point<Image>]) -> Vec<Mark> {
        let w = self.w_px();
        let mut off = || {
            let pointed: f64 = Normal::new(0.0, 1.2).map_or(0.0, |n| n.sample(&mut self.rng));
            self.rng.random_range(-0.5..0.5) * w + pointed
        };
        let hand: Vec<Point<Image>> = at.iter().map(|p| *p + Vector::new(off(), off())).collect();
        // First joints drawn here lie in the body's edge.
        let shape = Shape::by_hand("drawn".to_owned(), kind, &hand, MarkKind::Silhouette);
        snap_shape(&self.light, &shape, Expected { w: Px::new(w), coherence: self.coherence }).shape.marks
    }

    /// The axis: its length as a share of the true one, %, and its tips outward and beside.
    fn axis(&mut self) -> Vec<Departure> {
        let points = points(&self.truth.axis_px);
        let wanted: Vec<Point<Image>> = points.iter().step_by(5).copied().collect();
        let marks = self.snapped(Kind::Axis, &wanted);
        let scale = self.truth.px_per_um;
        let found: Vec<Point<Image>> = marks.iter().map(|m| m.at).collect();
        let percent = |p: &[Point<Image>]| {
            let length = Curve::through(p).map_or(f64::NAN, |c| c.length().value);
            100.0 * (length / scale / self.truth.projected_length_um - 1.0)
        };
        let (n, last) = (points.len(), found.len() - 1);
        let mut inner = found.clone();
        (inner[0], inner[last]) = (wanted[0], wanted[last]);
        let by_hand = |i: usize| marks[i].placement == Placement::Hand;
        let which = if by_hand(0) || by_hand(last) { "axis where a tip stays, %" } else { "axis where both move, %" };
        let mut out = vec![("axis, %", percent(&found)), (which, percent(&found))];
        out.push(("axis by its inner marks, %", percent(&inner)));
        let ends = [
            (["head outward", "head outward, stays", "head beside", "head outward, u"], 0, points[1]),
            (["tail outward", "tail outward, stays", "tail beside", "tail outward, u"], last, points[n - 2]),
        ];
        for ([outward, stays, beside, in_u], i, next) in ends {
            let direction = wanted[i] - next;
            let (along, across) = split(found[i] - wanted[i], direction);
            out.extend([(if by_hand(i) { stays } else { outward }, along / scale), (beside, across / scale)]);
            if let Some(u) = u_along(&marks[i], direction) {
                out.push((in_u, along / u));
            }
        }
        out
    }

    /// Marks of the outline outward: near limbs and elsewhere, and those left to the hand.
    fn outline(&mut self) -> Vec<Departure> {
        let rim = points(&self.truth.outline_px);
        let wanted: Vec<Point<Image>> = rim.iter().step_by(8).copied().collect();
        let marks = self.snapped(Kind::Outline, &wanted);
        let (n, scale) = (rim.len(), self.truth.px_per_um);
        let area: f64 = (0..n).map(|i| rim[i].x * rim[(i + 1) % n].y - rim[i].y * rim[(i + 1) % n].x).sum();
        let roots: Vec<Vec<Point<Image>>> = self.truth.limbs.iter().map(|l| points(&l.joints_px)).collect();
        let reach = 1.2 * self.w_px() + 4.0 * scale;
        let of = |m: &Mark| {
            let distance = |i: &usize| (rim[*i] - m.at).length();
            let k = (0..n).min_by(|a, b| distance(a).total_cmp(&distance(b))).unwrap_or(0);
            let run = rim[(k + 1) % n] - rim[(k + n - 1) % n];
            let outward = split(m.at - rim[k], Vector::new(run.y, -run.x) * area.signum()).0;
            let near = roots.iter().any(|joints| {
                let v = joints[1] - joints[0];
                let along = ((m.at - joints[0]).dot(v) / v.dot(v)).clamp(0.0, 1.0);
                (joints[0] + v * along - m.at).length() < reach
            });
            let name = match (m.placement, near) {
                (Placement::Hand, _) => "outline, by hand",
                (_, true) => "outline near limbs",
                (_, false) => "outline elsewhere",
            };
            (name, outward / scale)
        };
        marks.iter().map(of).collect()
    }

    /// Marks of an antenna along it.
    fn chain(&mut self) -> Vec<Departure> {
        const NAMES: [[&str; 2]; 5] = [
            ["base, w", "base, u"],
            ["joint 1, w", "joint 1, u"],
            ["joint 2, w", "joint 2, u"],
            ["joint 3, w", "joint 3, u"],
            ["tip, w", "tip, u"],
        ];
        let Some(limb) = self.truth.limbs.iter().find(|l| l.name == "antenna left") else { return vec![] };
        let joints = points(&limb.joints_px);
        let (marks, w) = (self.snapped(Kind::Appendage, &joints), self.w_px());
        let mut out = Vec::new();
        for (i, (mark, [in_w, in_u])) in marks.iter().zip(NAMES).enumerate() {
            let v = if i == 0 { joints[1] - joints[0] } else { joints[i] - joints[i - 1] };
            let Some(u) = u_along(mark, v) else { continue };
            let along = split(mark.at - joints[i], v).0;
            out.extend([(in_w, along / w), (in_u, along / u)]);
        }
        out
    }
}

fn points(px: &[[f64; 2]]) -> Vec<Point<Image>> {
    px.iter().map(|p| Point::new(p[0], p[1])).collect()
}

/// Standard uncertainty of a snapped mark along a direction, px.
fn u_along(mark: &Mark, direction: Vector<Image>) -> Option<f64> {
    let Placement::Snapped { covariance_px2: [xx, xy, yy], .. } = mark.placement else { return None };
    let n = direction * (1.0 / direction.length());
    Some((xx * n.x * n.x + 2.0 * xy * n.x * n.y + yy * n.y * n.y).sqrt())
}

/// A departure along a direction and across it.
fn split(v: Vector<Image>, direction: Vector<Image>) -> (f64, f64) {
    let n = direction * (1.0 / direction.length());
    (v.dot(n), v.dot(Vector::new(-n.y, n.x)))
}

/// Mean, root mean square and share beyond 1.96 of every departure.
///
/// `lit` draws what moves silhouettes too, the threshold of the edge and the tone curve, on bright animals or on dark ones.
pub(crate) fn print(regime: Regime, seeds: std::ops::Range<u64>, lit: Option<bool>, each: bool) {
    let of = |seed| {
        let mut drawn = Drawn::of(regime, seed, lit)?;
        let found = [drawn.axis(), drawn.outline(), drawn.chain()].concat();
        if each {
            let axis = found.iter().filter(|d| !d.0.starts_with("outline"));
            println!("{} seed {seed}: {:?}", regime.name(), axis.collect::<Vec<_>>());
        }
        Some(found)
    };
    let all: Vec<Departure> = seeds.into_par_iter().filter_map(of).flatten_iter().collect();
    let mut by_name: BTreeMap<&str, Vec<f64>> = BTreeMap::new();
    all.into_iter().for_each(|(name, value)| by_name.entry(name).or_default().push(value));
    for (name, values) in by_name {
        let n = values.len() as f64;
        let mean = values.iter().sum::<f64>() / n;
        let rms = (values.iter().map(|v| v * v).sum::<f64>() / n).sqrt();
        let beyond = 100.0 * values.iter().filter(|v| v.abs() > 1.96).count() as f64 / n;
        println!("{:8} {name:28} {n:5} mean {mean:+.3} rms {rms:.3} beyond 1.96 {beyond:.1} %", regime.name());
    }
}
