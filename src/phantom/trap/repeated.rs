//! Things with a period that is no ruling.

use std::f64::consts::{PI, TAU};

use rand::RngExt;
use rand_pcg::Pcg64Mcg;

use super::super::field::log_uniform;
use super::super::strokes::soft_step;
use super::TrapKind;
use super::paint::{Canvas, Wander, turned_by_lot};

/// Linear light, and the period in px where that is the division.
pub(super) fn light(kind: TrapKind, canvas: Canvas, rng: &mut Pcg64Mcg) -> (Vec<f32>, Option<f64>) {
    let level = rng.random_range(0.3..0.6);
    let depth = rng.random_range(0.15..0.8);
    let period = log_uniform(rng, 5.0, 40.0);
    let shade = |pattern: Vec<f32>| pattern.iter().map(|v| (level * (1.0 + depth * f64::from(*v))) as f32).collect();
    let pattern = match kind {
        TrapKind::Fabric => fabric(canvas, period, rng),
        TrapKind::Weave => weave(canvas, period, rng),
        TrapKind::Feather => feather(canvas, period, rng),
        TrapKind::Halftone => halftone(canvas, period, rng),
        TrapKind::Brickwork => brickwork(canvas, period, rng),
        TrapKind::FringesStraight => fringes(canvas, period, rng),
        TrapKind::FringesCircular => rings(canvas, period, rng),
        TrapKind::Moire => moire(canvas, period, rng),
        TrapKind::Diatom => diatom(canvas, period.min(18.0), rng),
        _ => {
            let frame = turned_by_lot(canvas, rng);
            let soft = rng.random_range(0.05..0.2) * period;
            let bars = canvas.paint(|x, y| {
                let t = frame.of(x, y).0.rem_euclid(period);
                let d = (t - period / 4.0).abs().min((t - period * 1.25).abs());
                1.0 - 2.0 * soft_step((period / 4.0 - d) / soft)
            });
            return (shade(bars), Some(period));
        }
    };
    (shade(pattern), None)
}

/// Two warped sinusoids at about a right angle.
fn fabric(canvas: Canvas, period: f64, rng: &mut Pcg64Mcg) -> Vec<f32> {
    let frame = turned_by_lot(canvas, rng);
    let (a, b) = (Wander::new(canvas, 250.0, rng), Wander::new(canvas, 250.0, rng));
    let strength = rng.random_range(0.0..0.8) * period;
    let other = period * rng.random_range(0.8..1.25);
    canvas.paint(|x, y| {
        let (u, v) = frame.of(x, y);
        let (u, v) = (u + strength * a.at(x, y), v + strength * b.at(x, y));
        0.5 * ((TAU * u / period).sin() + (TAU * v / other).sin())
    })
}

/// Threads over and under each other, each rounded, strictly regular.
fn weave(canvas: Canvas, period: f64, rng: &mut Pcg64Mcg) -> Vec<f32> {
    let frame = turned_by_lot(canvas, rng);
    let gap = rng.random_range(0.75..0.95);
    canvas.paint(|x, y| {
        let (u, v) = frame.of(x, y);
        let (i, j) = ((u / period).floor(), (v / period).floor());
        let (s, t) = (u / period - i - 0.5, v / period - j - 0.5);
        let over = (i + j).rem_euclid(2.0) < 0.5;
        // The upper thread hides the lower one; outside of both is a dark hole.
        let (across, along) = if over { (s, t) } else { (t, s) };
        if across.abs() < gap / 2.0 {
            (1.0 - (2.0 * across / gap).powi(2)).sqrt() * (0.6 + 0.4 * (PI * along).cos()) * 1.6 - 0.8
        } else if along.abs() < gap / 2.0 {
            -0.3
        } else {
            -0.9
        }
    })
}

/// A shaft with barbs to both sides, slightly uneven.
fn feather(canvas: Canvas, period: f64, rng: &mut Pcg64Mcg) -> Vec<f32> {
    let frame = turned_by_lot(canvas, rng);
    let wander = Wander::new(canvas, 180.0, rng);
    let slope: f64 = rng.random_range(0.5..1.2);
    let bend = rng.random_range(-4e-4..4e-4);
    let vane = rng.random_range(150.0..400.0);
    let uneven = rng.random_range(0.1..0.5) * period;
    canvas.paint(|x, y| {
        let (u, v) = frame.of(x, y);
        let v = v - bend * u * u;
        let shaft = soft_step((6.0 - v.abs()) / 1.5);
        let phase = u - v.abs() * slope + uneven * wander.at(x, y);
        let barb = (TAU * phase / period).cos();
        // Barbules: finer hatching along each barb.
        let fine = 0.25 * (TAU * (u * slope + v.abs()) / (period * 0.31)).cos();
        let vane_here = soft_step((vane - v.abs()) / 12.0);
        (0.8 - 1.6 * shaft).min(vane_here * (0.7 * barb + fine) + (1.0 - vane_here) * 0.6)
    })
}

/// A printed picture: dots on a turned lattice, their size following a smooth picture.
fn halftone(canvas: Canvas, period: f64, rng: &mut Pcg64Mcg) -> Vec<f32> {
    let frame = turned_by_lot(canvas, rng);
    let picture = Wander::new(canvas, 400.0, rng);
    let contrast = rng.random_range(0.0..0.25);
    canvas.paint(|x, y| {
        let (u, v) = frame.of(x, y);
        let (s, t) = (u / period - (u / period).round(), v / period - (v / period).round());
        let radius = 0.3 + contrast * 0.5 * picture.at(x, y);
        1.0 - 2.0 * soft_step((radius - s.hypot(t)) * period / 0.8)
    })
}

/// Bricks in running bond with pale joints.
fn brickwork(canvas: Canvas, period: f64, rng: &mut Pcg64Mcg) -> Vec<f32> {
    let frame = turned_by_lot(canvas, rng);
    let (long, high) = (period * rng.random_range(1.8..3.0), period);
    let joint = (0.12 * period).max(1.2);
    canvas.paint(|x, y| {
        let (u, v) = frame.of(x, y);
        let course = (v / high).floor();
        let u = u + if course.rem_euclid(2.0) < 0.5 { 0.0 } else { long / 2.0 };
        let brick = (u / long).floor();
        let (du, dv) = (u.rem_euclid(long), v.rem_euclid(high));
        let edge = du.min(long - du).min(dv).min(high - dv);
        // Every brick has a tone of its own: the fraction of a large sine serves as a hash.
        let tone = 0.4 * ((brick * 12.9898 + course * 78.233).sin() * 43_758.545_3).rem_euclid(1.0) - 0.7;
        tone + (0.9 - tone) * soft_step((joint / 2.0 - edge) / 0.6)
    })
}

/// sin² fringes, plain or under a diffraction envelope, perhaps slowly bent.
fn fringes(canvas: Canvas, period: f64, rng: &mut Pcg64Mcg) -> Vec<f32> {
    let frame = turned_by_lot(canvas, rng);
    let wander = Wander::new(canvas, 600.0, rng);
    let bend = if rng.random_bool(0.5) { 0.0 } else { rng.random_range(0.0..1.5) * period };
    let envelope = rng.random_bool(0.5).then(|| rng.random_range(8.0..25.0) * period);
    canvas.paint(|x, y| {
        let u = frame.of(x, y).0 + bend * wander.at(x, y);
        let wave = (PI * u / period).sin().powi(2);
        match envelope {
            Some(width) => {
                let t = PI * u / width;
                let sinc = if t.abs() < 1e-6 { 1.0 } else { t.sin() / t };
                2.0 * wave * sinc * sinc - 0.9
            }
            None => 2.0 * wave - 1.0,
        }
    })
}

/// Rings about a point in or out of the frame: equally spaced, or zones that narrow outward.
fn rings(canvas: Canvas, period: f64, rng: &mut Pcg64Mcg) -> Vec<f32> {
    let (w, h) = (canvas.width as f64, canvas.height as f64);
    let centre = [w * rng.random_range(-0.6..1.6), h * rng.random_range(-0.6..1.6)];
    let zones = rng.random_bool(0.5);
    let far = w.max(h);
    canvas.paint(|x, y| {
        let r = (x - centre[0]).hypot(y - centre[1]);
        // Zones: the spacing falls to `period` at the far side of the picture.
        let phase = if zones { r * r / (2.0 * far * period) } else { r / period };
        2.0 * (PI * phase).sin().powi(2) - 1.0
    })
}

/// Two gratings of nearly the same period and direction, one over the other.
fn moire(canvas: Canvas, period: f64, rng: &mut Pcg64Mcg) -> Vec<f32> {
    let first = turned_by_lot(canvas, rng);
    let turn: f64 = rng.random_range(-0.08..0.08);
    let stretch = rng.random_range(0.88..1.12);
    let fine = period.clamp(3.0, 12.0);
    canvas.paint(|x, y| {
        let (u, v) = first.of(x, y);
        let other = u * turn.cos() + v * turn.sin();
        let open = |t: f64| soft_step(fine * 0.2 * (TAU * t).cos() / 0.4);
        2.0 * open(u / fine) * open(other / (fine * stretch)) - 0.6
    })
}

/// A spindle with striae to both sides of a middle line, fanning out toward the tips, each a row of pores.
fn diatom(canvas: Canvas, period: f64, rng: &mut Pcg64Mcg) -> Vec<f32> {
    let frame = turned_by_lot(canvas, rng);
    let half_length = canvas.width as f64 * rng.random_range(0.25..0.45);
    let half_width = half_length * rng.random_range(0.15..0.3);
    let fan = rng.random_range(0.25..0.7);
    let pores = rng.random_bool(0.5);
    canvas.paint(|x, y| {
        let (u, v) = frame.of(x, y);
        let rim = half_width * (1.0 - (u / half_length).powi(2)).max(0.0);
        let inside = soft_step((rim - v.abs()) / 1.5) * soft_step((half_length - u.abs()) / 1.5);
        let outline = soft_step((2.5 - (rim - v.abs()).abs()) / 1.0) * soft_step((half_length - u.abs()) / 1.5);
        let raphe = soft_step((2.0 - v.abs()) / 0.8);
        // Striae lean away from the middle and bend, more so toward the tips.
        let lean = u + fan * v.abs() * (u / half_length) * (1.0 + v.abs() / half_width);
        let clear = soft_step((v.abs() - 0.12 * half_width) / 2.0);
        let mut stria = (TAU * lean / period).cos();
        if pores {
            stria *= 0.6 + 0.4 * (TAU * v / (period * 0.8)).cos();
        }
        0.5 - inside * (0.4 + 0.5 * stria * clear) - 0.8 * outline - 0.6 * raphe * inside
    })
}
