//! Things without a regular period: texture, print, hairs, setae, bars of random width.

use rand::RngExt;
use rand_distr::StandardNormal;
use rand_pcg::Pcg64Mcg;

use super::super::strokes::{Segment, draw_strokes, text_strokes};
use super::TrapKind;
use super::paint::{Canvas, Turned, turned_by_lot};

/// Linear light of a trap of this module.
pub(super) fn light(kind: TrapKind, canvas: Canvas, seed: u64, rng: &mut Pcg64Mcg) -> Vec<f32> {
    let dark_field = rng.random_bool(0.4);
    let (ground, thing) = if dark_field {
        (rng.random_range(0.02..0.06), rng.random_range(0.2..0.5))
    } else {
        let ground = rng.random_range(0.4..0.8);
        (ground, ground * rng.random_range(0.1..0.7))
    };
    let cover = match kind {
        TrapKind::Noise => {
            let grain = 2.0_f64.powf(rng.random_range(0.0..4.5));
            let depth: f32 = rng.random_range(0.05..0.35);
            return canvas.texture(grain, rng).iter().map(|v| 0.45 * (1.0 + depth * v).max(0.0)).collect();
        }
        TrapKind::Text => print(canvas, seed, rng),
        TrapKind::Hair => hairs(canvas, rng),
        TrapKind::Setae => setae(canvas, rng),
        _ => bars(canvas, rng),
    };
    cover.iter().map(|c| (ground + (thing - ground) * f64::from(*c)) as f32).collect()
}

/// Lines of words in capitals and figures.
fn print(canvas: Canvas, seed: u64, rng: &mut Pcg64Mcg) -> Vec<f32> {
    const LETTERS: &[u8] = b"ABCDEFGHIJKLMNOPRSTUVWXYZ0123456789";
    let frame = turned_by_lot(canvas, rng);
    let angle_rad = {
        let [x, y] = frame.back(1.0, 0.0);
        let [x0, y0] = frame.back(0.0, 0.0);
        (y - y0).atan2(x - x0)
    };
    let height = rng.random_range(9.0..36.0);
    let reach = (canvas.width as f64).hypot(canvas.height as f64) / 2.0;
    let all_ones = seed.is_multiple_of(5);
    let mut strokes = Vec::new();
    let mut line = -reach;
    while line < reach {
        let mut text = String::new();
        while (text.len() as f64) * 0.85 * height < 2.0 * reach {
            for _ in 0..rng.random_range(1..9) {
                // Every fifth page is a column of strokes, the nearest that print comes to a ruling.
                text.push(if all_ones { 'I' } else { char::from(LETTERS[rng.random_range(0..LETTERS.len())]) });
            }
            text.push(' ');
        }
        strokes.extend(text_strokes(&text, frame.back(-reach, line), height, angle_rad));
        line += height * rng.random_range(1.5..1.7);
    }
    drawn(canvas, &strokes, height / rng.random_range(6.0..14.0), rng.random_range(0.5..1.5))
}

/// Nearly parallel hairs, gently bent, unevenly spaced.
fn hairs(canvas: Canvas, rng: &mut Pcg64Mcg) -> Vec<f32> {
    let frame = turned_by_lot(canvas, rng);
    let spacing = rng.random_range(6.0..40.0);
    let unevenness = rng.random_range(0.15..0.6);
    let reach = (canvas.width as f64).hypot(canvas.height as f64) / 2.0;
    let mut layer = vec![0.0; canvas.width * canvas.height];
    let count = rng.random_range(8..60);
    for i in 0..count {
        let normal: f64 = rng.sample(StandardNormal);
        let across = (f64::from(i) - f64::from(count) / 2.0 + unevenness * normal) * spacing;
        let (lean, bend) = (rng.random_range(-0.03..0.03), rng.random_range(-0.1..0.1) / reach);
        let point = |t: f64| frame.back(t, across + lean * t + bend * t * t);
        let strokes: Vec<Segment> =
            (0..40).map(|k| [0, 1].map(|e| point(reach * (f64::from(k + e) / 20.0 - 1.0)))).collect();
        draw_strokes(&mut layer, canvas.width, &strokes, rng.random_range(1.2..6.0), rng.random_range(0.6..2.0));
    }
    layer
}

/// A comb of tapering setae along a bent edge, their spacing uneven by a few per cent and more.
fn setae(canvas: Canvas, rng: &mut Pcg64Mcg) -> Vec<f32> {
    let frame = turned_by_lot(canvas, rng);
    let spacing = rng.random_range(5.0..25.0);
    let unevenness = rng.random_range(0.05..0.2);
    let count = rng.random_range(15..60);
    let bend = rng.random_range(0.0..1.0) / (spacing * f64::from(count));
    let length = rng.random_range(25.0..120.0);
    let mut layer = vec![0.0; canvas.width * canvas.height];
    let base = |t: f64| (t, bend * t * t);
    let mut edge = Vec::new();
    for i in 0..count {
        let normal: f64 = rng.sample(StandardNormal);
        let s = (f64::from(i) - f64::from(count) / 2.0 + unevenness * normal) * spacing;
        let (along, across) = base(s);
        edge.push(frame.back(along, across));
        let t = f64::from(i) / f64::from(count);
        let own = length * (0.4 + 0.6 * (std::f64::consts::PI * t).sin()) * rng.random_range(0.9..1.1);
        let lean = rng.random_range(-0.06..0.06) + 0.3 * (t - 0.5);
        for piece in 0..6 {
            let strokes: Segment = [0, 1].map(|e| {
                let u = own * f64::from(piece + e) / 6.0;
                frame.back(along + lean * u, across + u)
            });
            let width = (spacing * 0.35) * (1.0 - 0.13 * f64::from(piece));
            draw_strokes(&mut layer, canvas.width, &[strokes], width, 0.8);
        }
    }
    let rim: Vec<Segment> = edge.windows(2).map(|w| [w[0], w[1]]).collect();
    draw_strokes(&mut layer, canvas.width, &rim, spacing, 1.0);
    layer
}

/// Bars of one to four units width in random order, all equally long.
fn bars(canvas: Canvas, rng: &mut Pcg64Mcg) -> Vec<f32> {
    let frame: Turned = turned_by_lot(canvas, rng);
    let unit = rng.random_range(2.0..8.0);
    let half_length = rng.random_range(60.0..300.0);
    let mut strokes_by_width: Vec<(f64, Segment)> = Vec::new();
    let mut at = -0.45 * canvas.width as f64;
    while at < 0.45 * canvas.width as f64 {
        let (bar, gap) = (f64::from(rng.random_range(1..=4)), f64::from(rng.random_range(1..=4)));
        let middle = at + bar * unit / 2.0;
        strokes_by_width.push((bar * unit, [frame.back(middle, -half_length), frame.back(middle, half_length)]));
        at += (bar + gap) * unit;
    }
    let mut layer = vec![0.0; canvas.width * canvas.height];
    for (width, stroke) in strokes_by_width {
        draw_strokes(&mut layer, canvas.width, &[stroke], width, 0.7);
    }
    layer
}

fn drawn(canvas: Canvas, strokes: &[Segment], width: f64, soft: f64) -> Vec<f32> {
    let mut layer = vec![0.0; canvas.width * canvas.height];
    draw_strokes(&mut layer, canvas.width, strokes, width.max(1.0), soft);
    layer
}
