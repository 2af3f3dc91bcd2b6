//! The axis of a body: the line midway between its sides, from tip to tip.

use super::body::{Body, ways};
use super::plane::Plane;
use crate::animal::outline::{Ellipse, edges, equivalent_ellipse, holds};
use crate::units::{Image, Point, Vector};

/// A mid-line with the body's breadth along it.
#[derive(Clone, Debug)]
pub(super) struct MidLine {
    /// Points from tip to tip at even distances.
    pub(super) points: Vec<Point<Image>>,
    /// Its length, px.
    pub(super) length_px: f64,
    /// Root mean square distance of midpoints from the smooth line, px.
    pub(super) rms_px: f64,
    /// Degree of the polynomials.
    pub(super) degree: usize,
}

/// A chord square to the axis.
#[derive(Clone, Copy, Debug)]
pub(super) struct Chord {
    pub(super) ends: [Point<Image>; 2],
    /// By how much a chord that ends at the root of a limb is longer, px.
    pub(super) hidden_px: f64,
}

impl Chord {
    pub(super) fn length(&self) -> f64 {
        (self.ends[1] - self.ends[0]).length()
    }
}

/// Bodies less slender than this are taken as straight to begin with.
const BENDABLE: f64 = 2.6;
/// Stations along the axis.
const STATIONS: usize = 48;
/// Chords are used up to this share from either end: nearer the tips they run along the outline.
const END_SHARE: f64 = 0.05;
/// Points of the finished line.
const POINTS: usize = 201;
/// Rounds of chords and fits.
const ROUNDS: usize = 8;

/// Degree of the smooth line that a body of this slenderness can support: a round one has no bend to see.
pub(super) fn degree_for(slenderness: f64) -> usize {
    match slenderness {
        s if s < 2.0 => 1,
        s if s < 2.6 => 2,
        s if s < 3.2 => 3,
        _ => 5,
    }
}

/// Starts the axis as the way between the two ends of the body that lie farthest apart within it.
pub(super) fn first_line(plane: &Plane, body: &Body, ellipse: &Ellipse<Image>) -> Vec<Point<Image>> {
    const BANDS: usize = 24;
    let mask = &body.body;
    let slender = ellipse.major / ellipse.minor.max(1e-9);
    let straight = || {
        let (sin, cos) = ellipse.direction_rad.sin_cos();
        let arm = Vector::new(cos, sin) * (0.4 * ellipse.major);
        vec![ellipse.centre + arm * -1.0, ellipse.centre, ellipse.centre + arm]
    };
    let deepest = (0..mask.cells.len()).max_by(|a, b| body.depth[*a].total_cmp(&body.depth[*b]));
    let (Some(deepest), true) = (deepest, slender >= BENDABLE) else { return straight() };
    let far = |way: &[f32]| {
        (0..way.len()).filter(|i| way[*i].is_finite()).max_by(|a, b| way[*a].total_cmp(&way[*b])).unwrap_or(0) as u32
    };
    let one_end = far(&ways(mask, &[deepest as u32]).0);
    let (way, length) = ways(mask, &[one_end]);
    let mut sums = [(0.0, 0.0, 0.0); BANDS];
    for (i, v) in way.iter().enumerate().filter(|(_, v)| v.is_finite()) {
        let band = ((f64::from(*v) / length * BANDS as f64) as usize).min(BANDS - 1);
        let (x, y) = ((i % mask.width) as f64 + 0.5, (i / mask.width) as f64 + 0.5);
        let s = &mut sums[band];
        *s = (s.0 + x, s.1 + y, s.2 + 1.0);
    }
    let line: Vec<Point<Image>> =
        sums[2..BANDS - 2].iter().filter(|s| s.2 > 0.0).map(|s| plane.image_from_cells(s.0 / s.2, s.1 / s.2)).collect();
    if line.len() < 3 { straight() } else { line }
}

/// Moves a line to midway between the sides of the outline and lengthens it to the tips.
pub(super) fn mid_line(outline: &[Point<Image>], first: &[Point<Image>], degree: usize) -> Option<MidLine> {
    let mut line = to_the_tips(outline, first)?;
    let mut rms_px = 0.0;
    for _ in 0..ROUNDS {
        let length = length_of(&line);
        let mut samples = Vec::with_capacity(STATIONS);
        for k in 0..STATIONS {
            let share = END_SHARE + (1.0 - 2.0 * END_SHARE) * k as f64 / (STATIONS - 1) as f64;
            if let Some(chord) = chord_at(outline, &line, share) {
                let middle = chord.ends[0] + (chord.ends[1] - chord.ends[0]) * 0.5;
                samples.push((2.0 * share - 1.0, middle));
            }
        }
        if samples.len() < 3 * (degree + 1) {
            return None;
        }
        let fit = Polynomial::through(&samples, degree)?;
        rms_px = fit.rms_px;
        let (from, to) = (samples[0].0, samples[samples.len() - 1].0);
        let inner: Vec<Point<Image>> = (0..=120).map(|i| fit.at(from + (to - from) * f64::from(i) / 120.0)).collect();
        line = to_the_tips(outline, &inner)?;
        if (length_of(&line) - length).abs() < 1e-3 {
            break;
        }
    }
    let length_px = length_of(&line);
    Some(MidLine { points: evenly(&line, POINTS), length_px, rms_px, degree })
}

/// Standard uncertainty of the axis' length by the ways to draw it: with a stiffer and with a more pliant line, evenly between.
pub(super) fn spread_px(outline: &[Point<Image>], first: &[Point<Image>], line: &MidLine) -> f64 {
    let others = [line.degree.saturating_sub(1).max(1), line.degree + 1];
    let lengths = others.iter().filter_map(|d| mid_line(outline, first, *d)).map(|l| l.length_px);
    let (low, high) = lengths.fold((line.length_px, line.length_px), |(a, b), v| (a.min(v), b.max(v)));
    0.5 * (high - low) / 3f64.sqrt()
}

/// The chord square to the line at a share of its length; `None` where the line lies outside.
pub(super) fn chord_at(outline: &[Point<Image>], line: &[Point<Image>], share: f64) -> Option<Chord> {
    let (p, direction) = place(line, share)?;
    if !holds(outline, p) {
        return None;
    }
    let across = Vector::new(-direction.y, direction.x);
    let ends = [reach(outline, p, across * -1.0)?, reach(outline, p, across)?];
    Some(Chord { ends, hidden_px: 0.0 })
}

/// Where the ray from `p` first leaves the outline.
fn reach(outline: &[Point<Image>], p: Point<Image>, direction: Vector<Image>) -> Option<Point<Image>> {
    let mut nearest = f64::INFINITY;
    for (a, b) in edges(outline) {
        let (e, d) = (b - a, a - p);
        let cross = direction.x * e.y - direction.y * e.x;
        if cross == 0.0 {
            continue;
        }
        let along = (d.x * e.y - d.y * e.x) / cross;
        let on_edge = (d.x * direction.y - d.y * direction.x) / cross;
        if along > 0.0 && along < nearest && (0.0..=1.0).contains(&on_edge) {
            nearest = along;
        }
    }
    nearest.is_finite().then(|| p + direction * nearest)
}

/// Lengthens a line inside the outline straight on to it at both ends.
fn to_the_tips(outline: &[Point<Image>], line: &[Point<Image>]) -> Option<Vec<Point<Image>>> {
    let inside: Vec<Point<Image>> = line.iter().copied().filter(|p| holds(outline, *p)).collect();
    let n = inside.len();
    if n < 2 {
        return None;
    }
    let back = (n / 10).max(1);
    let unit = |v: Vector<Image>| v * (1.0 / v.length().max(1e-12));
    let first = reach(outline, inside[0], unit(inside[0] - inside[back]))?;
    let last = reach(outline, inside[n - 1], unit(inside[n - 1] - inside[n - 1 - back]))?;
    let mut out = Vec::with_capacity(n + 2);
    out.push(first);
    out.extend(inside);
    out.push(last);
    Some(out)
}

pub(super) fn length_of(line: &[Point<Image>]) -> f64 {
    line.windows(2).map(|w| (w[1] - w[0]).length()).sum()
}

/// Point and direction at a share of a line's length.
pub(super) fn place(line: &[Point<Image>], share: f64) -> Option<(Point<Image>, Vector<Image>)> {
    let want = share * length_of(line);
    let mut gone = 0.0;
    for (i, w) in line.windows(2).enumerate() {
        let step = (w[1] - w[0]).length();
        if gone + step >= want || i + 2 == line.len() {
            let p = w[0] + (w[1] - w[0]) * ((want - gone) / step.max(1e-12)).clamp(0.0, 1.0);
            // The direction over a few steps: single ones are short.
            let (a, b) = (line[i.saturating_sub(2)], line[(i + 3).min(line.len() - 1)]);
            let v = b - a;
            return Some((p, v * (1.0 / v.length().max(1e-12))));
        }
        gone += step;
    }
    None
}

pub(super) fn evenly(line: &[Point<Image>], count: usize) -> Vec<Point<Image>> {
    (0..count).filter_map(|i| place(line, i as f64 / (count - 1) as f64).map(|p| p.0)).collect()
}

/// Even shares along an axis, without its very tips.
fn between_tips(steps: usize) -> impl Iterator<Item = f64> {
    (0..=steps).map(move |k| 0.04 + 0.92 * k as f64 / steps as f64)
}

/// The widest chord: where the breadth, smoothed over a few per cent of the axis, is greatest.
/// Chords that end where the silhouette was seen go before others.
pub(super) fn widest(outline: &[Point<Image>], seen: &[bool], line: &[Point<Image>]) -> Option<Chord> {
    const STEPS: usize = 120;
    const SMOOTH: usize = 2;
    let chords: Vec<Option<Chord>> = between_tips(STEPS).map(|share| chord_at(outline, line, share)).collect();
    let smooth = |k: usize| {
        let near = &chords[k.saturating_sub(SMOOTH)..(k + SMOOTH + 1).min(chords.len())];
        let lengths: Vec<f64> = near.iter().flatten().map(Chord::length).collect();
        lengths.iter().sum::<f64>() / lengths.len().max(1) as f64
    };
    let at_seen = |p: &Point<Image>| {
        let off = |i: &usize| (outline[*i] - *p).length();
        (0..outline.len()).min_by(|a, b| off(a).total_cmp(&off(b))).is_some_and(|i| seen[i])
    };
    let best_of = |all: &dyn Fn(usize) -> bool| {
        (0..chords.len()).filter(|k| chords[*k].is_some() && all(*k)).max_by(|a, b| smooth(*a).total_cmp(&smooth(*b)))
    };
    let clear = |k: usize| chords[k].is_some_and(|c| c.ends.iter().all(at_seen));
    let all = best_of(&|_| true)?;
    let best = best_of(&clear).unwrap_or(all);
    let hidden_px = (smooth(all) - smooth(best)).max(0.0);
    chords[best].map(|c| Chord { hidden_px, ..c })
}

/// How far each side goes in and out again along the axis, beyond once out and once in, both together as a share of the greatest breadth; what does so
/// by less than a ripple is a ring of the body.
pub(super) fn ins_and_outs(outline: &[Point<Image>], line: &[Point<Image>]) -> f64 {
    const STEPS: usize = 80;
    const RIPPLE: f64 = 0.045;
    let chords: Vec<(Point<Image>, Chord)> = between_tips(STEPS)
        .filter_map(|share| Some((place(line, share)?.0, chord_at(outline, line, share)?)))
        .collect();
    let most = chords.iter().map(|c| c.1.length()).fold(0.0, f64::max);
    let excess = |side: usize| {
        let outs = chords.iter().map(|(p, c)| (c.ends[side] - *p).length());
        // Turning points that stand out by more than a ripple.
        let mut turns: Vec<f64> = Vec::new();
        for out in outs {
            let n = turns.len();
            let further = n > 1 && (turns[n - 1] > turns[n - 2]) == (out > turns[n - 1]);
            match turns.last_mut() {
                Some(last) if further => *last = out,
                Some(last) if (out - *last).abs() <= RIPPLE * most => {}
                _ => turns.push(out),
            }
        }
        let way: f64 = turns.windows(2).map(|t| (t[1] - t[0]).abs()).sum();
        let top = turns.iter().copied().fold(0.0, f64::max);
        let ends = turns.first().copied().unwrap_or(0.0) + turns.last().copied().unwrap_or(0.0);
        (way - (2.0 * top - ends)).max(0.0)
    };
    (excess(0) + excess(1)) / most.max(1e-9)
}

/// The ellipse with the outline's moments: where the axis begins.
pub(super) fn ellipse_of(outline: &[Point<Image>]) -> Option<Ellipse<Image>> {
    equivalent_ellipse(outline)
}

/// Both coordinates as polynomials of the share along the line, −1 to 1.
struct Polynomial {
    coefficients: nalgebra::DMatrix<f64>,
    rms_px: f64,
}

impl Polynomial {
    /// Least squares in Legendre polynomials, then with Tukey's weights against bulges on one side.
    fn through(samples: &[(f64, Point<Image>)], degree: usize) -> Option<Self> {
        let terms = degree + 1;
        let mut weights = vec![1.0; samples.len()];
        let mut out = None;
        for _ in 0..5 {
            let mut normal = nalgebra::DMatrix::<f64>::zeros(terms, terms);
            let mut right = nalgebra::DMatrix::<f64>::zeros(terms, 2);
            for ((t, p), w) in samples.iter().zip(&weights) {
                let row = legendre(*t, terms);
                for i in 0..terms {
                    for j in 0..terms {
                        normal[(i, j)] += w * row[i] * row[j];
                    }
                    right[(i, 0)] += w * row[i] * p.x;
                    right[(i, 1)] += w * row[i] * p.y;
                }
            }
            let coefficients = normal.cholesky()?.solve(&right);
            let fit = Self { coefficients, rms_px: 0.0 };
            let off: Vec<f64> = samples.iter().map(|(t, p)| (*p - fit.at(*t)).length()).collect();
            let scale = (1.4826 * super::ground::middle_of(&mut off.clone())).max(0.05);
            weights = off
                .iter()
                .map(|r| {
                    let u = r / (6.0 * scale);
                    if u < 1.0 { (1.0 - u * u).powi(2) } else { 0.0 }
                })
                .collect();
            let rms_px = (off.iter().map(|r| r * r).sum::<f64>() / off.len() as f64).sqrt();
            out = Some(Self { rms_px, ..fit });
        }
        out
    }

    fn at(&self, t: f64) -> Point<Image> {
        let row = legendre(t, self.coefficients.nrows());
        let sum = |c: usize| row.iter().enumerate().map(|(i, v)| v * self.coefficients[(i, c)]).sum();
        Point::new(sum(0), sum(1))
    }
}

/// Legendre polynomials by their recurrence.
fn legendre(t: f64, terms: usize) -> Vec<f64> {
    let mut p = vec![1.0, t];
    for n in 1..terms.max(2) - 1 {
        let k = n as f64;
        p.push(((2.0 * k + 1.0) * t * p[n] - k * p[n - 1]) / (k + 1.0));
    }
    p.truncate(terms);
    p
}
