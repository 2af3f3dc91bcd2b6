//! The outline at full size: half-way crossings along the normals.

use rayon::prelude::*;

use super::ground::{Ground, middle_of};
use crate::animal::outline::{edges, normals, perimeter, resampled, smoothed};
use crate::photo::Light;
use crate::units::{Image, Point};

/// A body's outline with what is known of it.
#[derive(Clone, Debug)]
pub(super) struct Rim {
    pub(super) points: Vec<Point<Image>>,
    /// True where the silhouette was seen; false where a limb leaves the body and the outline is drawn across.
    pub(super) seen: Vec<bool>,
    /// Scatter of single crossings along the normal, px.
    pub(super) scatter_px: f64,
    /// 10–90 % width of the edges, px; median.
    pub(super) width_px: f64,
    /// Where a refracting body has a rim: from where the ground's light is crossed to the rim's darkest or brightest, px.
    pub(super) rim_px: Option<f64>,
    /// Share of the points that lie on the border of the picture.
    pub(super) on_border: f64,
}

/// What is looked for.
#[derive(Clone, Copy, Debug)]
pub(super) struct Task<'a> {
    pub(super) light: &'a Light,
    pub(super) ground: &'a Ground,
    /// The blur spot, px.
    pub(super) w_px: f64,
    /// Uncertainty of the outline to begin with, px.
    pub(super) about_px: f64,
    /// 1 for a bright body, −1 for a dark one; of the rim where there is one.
    pub(super) sign: f64,
    /// Whether the edge is that of a refracting rim.
    pub(super) of_rim: bool,
}

/// Shift of a fitted edge of curvature κ inward: this × w² κ, for diffraction between 0.055 and 0.060, for Gaussian blur 0.076
/// (tests/derivations/curved_edge.py).
const CURVED: f64 = 0.066;
/// A limb within this many blur spots outside of a vertex, or beside it along the outline, bends the edge there.
const LOOK_OUT_W: f64 = 1.0;
const BESIDE_W: f64 = 0.8;
/// Least share of vertices with a crossing.
const LEAST_SEEN: f64 = 0.3;

/// Moves an outline to the half-way crossings of the light; `None` where too few are found.
pub(super) fn refined(
    task: &Task<'_>,
    outline: &[Point<Image>],
    crossed: impl Fn(Point<Image>) -> bool,
) -> Option<Rim> {
    let spacing = (task.w_px / 3.0).clamp(1.0, 8.0);
    let count = ((perimeter(outline) / spacing) as usize).clamp(40, 720);
    let mut points = resampled(outline, count);
    let mut out = None;
    for round in 0..3 {
        let spacing = perimeter(&points) / points.len() as f64;
        let reach = 1.8 * task.w_px + if round == 0 { task.about_px } else { 0.5 };
        let found = Crossings::of(task, &points, spacing, reach);
        let mut seen: Vec<bool> = points
            .iter()
            .zip(&found.normals)
            .map(|(p, n)| {
                !(0..=6).any(|k| {
                    crossed(*p + *n * (f64::from(k) / 6.0 * (1.2 * task.about_px).max(LOOK_OUT_W * task.w_px)))
                })
            })
            .collect();
        // A limb's base reaches a little further than its cells.
        let wide = ((BESIDE_W * task.w_px / spacing).round() as usize).max(1);
        seen =
            (0..seen.len()).map(|i| (0..=2 * wide).all(|k| seen[(i + k + seen.len() - wide) % seen.len()])).collect();
        let (shift, scatter_px, good) = found.shifts(&seen, task.w_px, spacing);
        if good < LEAST_SEEN {
            return None;
        }
        points = points.iter().zip(&found.normals).zip(&shift).map(|((p, n), d)| *p + *n * *d).collect();
        out = Some((found, seen, scatter_px, spacing));
    }
    let (found, seen, scatter_px, spacing) = out?;
    let width_px = found.width_px(task, &seen);
    let rim_px = task.of_rim.then(|| found.rim_width_px());
    let points = if task.of_rim { points } else { uncurved(&points, task.w_px, spacing) };
    // Drawn on across a limb that the picture cuts off, it may leave the picture.
    let (right, bottom) = (task.light.width() as f64, task.light.height() as f64);
    let within = |p: Point<Image>| Point::new(p.x.clamp(0.0, right), p.y.clamp(0.0, bottom));
    let points: Vec<_> = drawn_across(&points, &seen, task.w_px / spacing).into_iter().map(within).collect();
    let at_border = |p: &&Point<Image>| p.x.min(right - p.x).min(p.y.min(bottom - p.y)) < 0.5 * task.about_px;
    let on_border = points.iter().filter(at_border).count() as f64 / points.len() as f64;
    Some(Rim { points, seen, scatter_px, width_px, rim_px, on_border })
}

/// Draws the outline across the roots of limbs: from the last vertex seen to the next one, leaving and arriving as it runs there.
fn drawn_across(points: &[Point<Image>], seen: &[bool], w_vertices: f64) -> Vec<Point<Image>> {
    let n = points.len();
    let mut out = points.to_vec();
    let Some(first) = (0..n).find(|i| seen[*i] && !seen[(i + 1) % n]) else { return out };
    let back = (w_vertices.round() as usize).clamp(2, 12);
    let mut at = first;
    while at < first + n {
        let gap = (1..n).take_while(|k| !seen[(at + k) % n]).count();
        if gap > 0 {
            let (a, b) = (points[at % n], points[(at + gap + 1) % n]);
            let steps = (gap + 1) as f64;
            // Tangents from the vertices that are seen next to the gap, as far as they go.
            let before = (1..=back).take_while(|k| seen[(at + n - k) % n]).last();
            let after = (1..=back).take_while(|k| seen[(at + gap + 1 + k) % n]).last();
            let chord = (b - a) * (1.0 / steps);
            let leave = before.map_or(chord, |k| (a - points[(at + n - k) % n]) * (1.0 / k as f64));
            let arrive = after.map_or(chord, |k| (points[(at + gap + 1 + k) % n] - b) * (1.0 / k as f64));
            for k in 1..=gap {
                let t = k as f64 / steps;
                let (t2, t3) = (t * t, t * t * t);
                // Hermite's cubic, tangents per unit of t.
                let on = (b - a) * (3.0 * t2 - 2.0 * t3)
                    + leave * (steps * (t3 - 2.0 * t2 + t))
                    + arrive * (steps * (t3 - t2));
                out[(at + k) % n] = a + on;
            }
        }
        at += gap + 1;
    }
    out
}

/// Takes back what blur moved curved edges inward.
fn uncurved(points: &[Point<Image>], w_px: f64, spacing: f64) -> Vec<Point<Image>> {
    let n = points.len();
    let smooth = smoothed(points, (w_px / spacing).max(1.0));
    let normals = normals(&smooth);
    (0..n)
        .map(|i| {
            let (a, b) = (normals[(i + n - 1) % n], normals[(i + 1) % n]);
            let along = smooth[(i + 1) % n] - smooth[(i + n - 1) % n];
            // Outward normals turn with the way where the outline is convex.
            let curvature = (b + a * -1.0).dot(along) / along.dot(along).max(1e-12);
            points[i] + normals[i] * (CURVED * w_px * w_px * curvature).clamp(-0.2 * w_px, 0.3 * w_px)
        })
        .collect()
}

/// Light along the normals of all vertices.
struct Crossings {
    normals: Vec<crate::units::Vector<Image>>,
    /// Light less that of the ground surface.
    profiles: Vec<Vec<f64>>,
    from: f64,
    step: f64,
    inside: Vec<f64>,
    outside: Vec<f64>,
    at: Vec<f64>,
}

impl Crossings {
    fn of(task: &Task<'_>, points: &[Point<Image>], spacing: f64, reach: f64) -> Self {
        let w = task.w_px;
        let normals = normals(&smoothed(points, (0.7 * w / spacing).max(0.8)));
        let step = (w / 8.0).clamp(0.25, 1.5);
        let half = (reach / step).ceil() as i32;
        let single: Vec<Vec<f64>> = points
            .par_iter()
            .zip(&normals)
            .map(|(p, n)| {
                let at = |k: i32| *p + *n * (f64::from(k) * step);
                let light = |q: Point<Image>| task.light.sample(q).map_or(f64::NAN, |v| v - task.ground.at(q));
                (-half..=half).map(|k| light(at(k))).collect()
            })
            .collect();
        let profiles = averaged(&single, 0.3 * w / spacing);
        let mut out = Self {
            normals,
            profiles,
            from: -f64::from(half) * step,
            step,
            inside: Vec::new(),
            outside: Vec::new(),
            at: Vec::new(),
        };
        out.levels(task, spacing);
        out.at = (0..out.profiles.len())
            .map(|i| if task.of_rim { out.rim(i, task) } else { out.half_way(i, task) })
            .collect();
        out
    }

    fn levels(&mut self, task: &Task<'_>, spacing: f64) {
        let w = task.w_px;
        let between = |profile: &[f64], from: f64, to: f64| {
            let index = |s: f64| (((s - self.from) / self.step).round().max(0.0) as usize).min(profile.len());
            let mut part: Vec<f64> =
                profile[index(from).min(index(to))..index(to)].iter().copied().filter(|v| v.is_finite()).collect();
            if part.is_empty() { f64::NAN } else { middle_of(&mut part) }
        };
        let inside: Vec<f64> = self.profiles.iter().map(|p| between(p, -2.0 * w, -0.75 * w)).collect();
        let outside: Vec<f64> = self.profiles.iter().map(|p| between(p, 0.75 * w, 2.0 * w)).collect();
        let wide = ((1.2 * w / spacing) as usize).max(1);
        self.inside = running_median(&inside, wide);
        let contrast = middle_of(&mut self.inside.iter().copied().filter(|v| v.is_finite()).collect::<Vec<_>>()).abs();
        // Something beside the animal, or another limb, is no ground: the surface is.
        let own = running_median(&outside, wide);
        self.outside = own.iter().map(|v| if v.abs() < 0.2 * contrast { *v } else { 0.0 }).collect();
    }

    /// Nearest crossing of half the light, from the body to the ground.
    fn half_way(&self, i: usize, task: &Task<'_>) -> f64 {
        let profile = &self.profiles[i];
        let (inside, outside) = (self.inside[i], self.outside[i]);
        let half = 0.5 * (inside + outside);
        if (inside - outside) * task.sign <= 0.0 || !half.is_finite() {
            return f64::NAN;
        }
        let mut best: Option<f64> = None;
        for k in 1..profile.len() {
            let (a, b) = ((profile[k - 1] - half) * task.sign, (profile[k] - half) * task.sign);
            if a >= 0.0 && b < 0.0 {
                let s = self.from + self.step * (k as f64 - 1.0 + a / (a - b));
                if best.is_none_or(|b| s.abs() < b.abs()) {
                    best = Some(s);
                }
            }
        }
        best.unwrap_or(f64::NAN)
    }

    /// Half the rim's depth on its inner side.
    fn rim(&self, i: usize, task: &Task<'_>) -> f64 {
        let profile = &self.profiles[i];
        let value = |k: usize| profile[k] * task.sign;
        let Some(peak) =
            (0..profile.len()).filter(|k| value(*k).is_finite()).max_by(|a, b| value(*a).total_cmp(&value(*b)))
        else {
            return f64::NAN;
        };
        let half = 0.5 * value(peak);
        for k in (1..=peak).rev() {
            let (a, b) = (value(k - 1) - half, value(k) - half);
            if a < 0.0 && b >= 0.0 {
                return self.from + self.step * (k as f64 - b / (b - a));
            }
        }
        f64::NAN
    }

    /// From the half depth to the peak of the rim twice over: about where the ground's light is crossed to where it is darkest.
    fn rim_width_px(&self) -> f64 {
        let mut widths: Vec<f64> = self
            .profiles
            .iter()
            .zip(&self.at)
            .filter(|(_, at)| at.is_finite())
            .map(|(p, at)| {
                let index = ((at - self.from) / self.step) as usize;
                let depth = |k: &usize| p[*k].abs();
                let last = p.len().min(index + (3.0 / self.step) as usize + 8);
                let peak = (index..last).max_by(|a, b| depth(a).total_cmp(&depth(b))).unwrap_or(index);
                2.0 * (self.from + peak as f64 * self.step - at)
            })
            .collect();
        middle_of(&mut widths)
    }

    /// Shifts along the normals without outliers, over gaps by their neighbours; scatter; share of vertices with a crossing.
    fn shifts(&self, seen: &[bool], w_px: f64, spacing: f64) -> (Vec<f64>, f64, f64) {
        let n = self.at.len();
        let mut own: Vec<f64> = (0..n).map(|i| if seen[i] { self.at[i] } else { f64::NAN }).collect();
        let wide = ((1.5 * w_px / spacing) as usize).max(3);
        let middle = running_median(&own, wide);
        let mut apart: Vec<f64> =
            own.iter().zip(&middle).map(|(a, b)| (a - b).abs()).filter(|v| v.is_finite()).collect();
        let good = apart.len() as f64 / n as f64;
        let limit = (4.0 * 1.4826 * middle_of(&mut apart)).max(0.25 * w_px);
        for (a, b) in own.iter_mut().zip(&middle) {
            let off = (*a - b).abs();
            if off.is_nan() || off > limit {
                *a = f64::NAN;
            }
        }
        let filled = bridged(&own);
        let smooth = gaussian(&filled, (0.35 * w_px / spacing).max(0.7));
        let mut scatter: Vec<f64> =
            own.iter().zip(&smooth).map(|(a, b)| (a - b).abs()).filter(|v| v.is_finite()).collect();
        (smooth, 1.4826 * middle_of(&mut scatter), good)
    }

    /// 10–90 % width from the steepest slope, which for diffraction and for Gaussian blur is within 3 % of the step over `1.09 w⁻¹`.
    fn width_px(&self, task: &Task<'_>, seen: &[bool]) -> f64 {
        let mut widths = Vec::new();
        for (i, profile) in self.profiles.iter().enumerate() {
            let at = self.at[i];
            if !seen[i] || !at.is_finite() {
                continue;
            }
            let value = |s: f64| {
                let x = ((s - self.from) / self.step).clamp(0.0, profile.len() as f64 - 1.001);
                let k = x as usize;
                profile[k] + (x - k as f64) * (profile[k + 1] - profile[k])
            };
            let arm = 0.25 * task.w_px;
            let slope = (value(at - arm) - value(at + arm)) / (2.0 * arm) * task.sign;
            let step = (self.inside[i] - self.outside[i]) * task.sign;
            if slope > 0.0 {
                widths.push(step / slope * SLOPE_TO_W);
            }
        }
        middle_of(&mut widths)
    }
}

/// Width over step by slope, the slope taken over half the width: Gaussian edge of σ = w/2.563, whose response at ±w/4 is 0.739 and 0.261.
const SLOPE_TO_W: f64 = 2.0 * (0.739 - 0.5) / 0.5;

/// Weighted means over neighbours, so that curved edges stay sharp.
fn averaged(profiles: &[Vec<f64>], sigma: f64) -> Vec<Vec<f64>> {
    let n = profiles.len();
    let reach = (2.0 * sigma).ceil() as usize;
    if reach == 0 || n < 2 * reach + 1 {
        return profiles.to_vec();
    }
    let weights: Vec<f64> =
        (0..=2 * reach).map(|k| (-0.5 * ((k as f64 - reach as f64) / sigma).powi(2)).exp()).collect();
    let sum: f64 = weights.iter().sum();
    (0..n)
        .into_par_iter()
        .map(|i| {
            let mut out = vec![0.0; profiles[i].len()];
            for (k, w) in weights.iter().enumerate() {
                let other = &profiles[(i + k + n - reach) % n];
                out.iter_mut().zip(other).for_each(|(o, v)| *o += w / sum * v);
            }
            out
        })
        .collect()
}

fn running_median(values: &[f64], wide: usize) -> Vec<f64> {
    let n = values.len();
    let wide = wide.min((n - 1) / 2);
    (0..n)
        .map(|i| {
            let mut near: Vec<f64> =
                (0..=2 * wide).map(|k| values[(i + k + n - wide) % n]).filter(|v| v.is_finite()).collect();
            if near.is_empty() { f64::NAN } else { middle_of(&mut near) }
        })
        .collect()
}

/// Straight lines over what is missing, round the closed row; zeros where all is missing.
fn bridged(values: &[f64]) -> Vec<f64> {
    let n = values.len();
    let Some(first) = values.iter().position(|v| v.is_finite()) else { return vec![0.0; n] };
    let mut out = values.to_vec();
    let mut last = first;
    for k in 1..=n {
        let i = (first + k) % n;
        if !values[i].is_finite() {
            continue;
        }
        let gap = first + k - last;
        for g in 1..gap {
            let share = g as f64 / gap as f64;
            out[(last + g) % n] = values[last % n] * (1.0 - share) + values[i] * share;
        }
        last = first + k;
    }
    out
}

fn gaussian(values: &[f64], sigma: f64) -> Vec<f64> {
    let n = values.len();
    let reach = ((3.0 * sigma).ceil() as usize).min((n - 1) / 2);
    let weight = |k: usize| (-0.5 * ((k as f64 - reach as f64) / sigma).powi(2)).exp();
    let weights: Vec<f64> = (0..=2 * reach).map(weight).collect();
    let sum: f64 = weights.iter().sum();
    (0..n).map(|i| weights.iter().enumerate().map(|(k, w)| w / sum * values[(i + k + n - reach) % n]).sum()).collect()
}

/// Length of outline that is not seen, px, and the number of gaps.
pub(super) fn unseen(rim: &Rim) -> (f64, usize) {
    let n = rim.points.len();
    let hidden = edges(&rim.points).zip(&rim.seen).filter(|(_, s)| !**s).map(|((a, b), _)| (b - a).length()).sum();
    let gaps = (0..n).filter(|i| rim.seen[*i] && !rim.seen[(i + 1) % n]).count();
    (hidden, gaps)
}
