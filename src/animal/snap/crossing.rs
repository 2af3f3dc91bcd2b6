//! Which crossing of a line is the silhouette.

use super::strip::{Frame, Stations, along, median_of};
use crate::animal::Levels;
use crate::photo::Light;

/// A crossing from animal to ground.
#[derive(Clone, Copy, Debug)]
pub(super) struct Crossing {
    pub(super) s: f64,
    pub(super) levels: Levels,
    /// How much better than the next, in blur spots of misfit; infinite where it is the only one.
    pub(super) lead: f64,
}

/// Why there is none.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Missing {
    Outside,
    Flat,
    Faint { share: f64 },
}

/// Where to look.
#[derive(Clone, Copy, Debug)]
pub(super) struct Search {
    pub(super) w_px: f64,
    pub(super) capture_px: f64,
    /// How far the animal surely reaches inward.
    pub(super) inside_px: f64,
    pub(super) levels: Option<Levels>,
}

/// Beyond the capture range the line is read for this many blur spots more.
const BEYOND_W: f64 = 2.5;
/// A level that this share of a line has is no speck or highlight.
const GOOD_PART: f64 = 0.2;
/// Least share of the expected contrast that an edge must have.
const LEAST_SHARE: f64 = 0.35;
/// How much a crossing at the end of the capture range must fit better than one at the mark, in blur spots.
const FAR_COSTS_W: f64 = 1.2;

/// Finds the crossing on the line through the frame's origin that parts animal from ground best.
///
/// Light is the median of parallel lines. With levels of animal and ground, a crossing's misfit is the length over which the
/// inner part does not look like the animal or the outer part not like the ground: a highlight has animal
/// beyond it, debris has ground before it, and both are short.
pub(super) fn crossing(light: &Light, frame: &Frame, search: &Search) -> Result<Crossing, Missing> {
    let w = search.w_px;
    let beyond = search.capture_px + BEYOND_W * w;
    let inner = beyond.min(search.inside_px.max(w));
    let stations = Stations::new(-inner, beyond, (w / 8.0).clamp(0.25, 2.0));
    let profile = profile(light, frame, &stations, 0.5 * w);
    let usable = profile.iter().filter(|v| v.is_finite()).count();
    if usable * 2 < profile.len() {
        return Err(Missing::Outside);
    }
    if let Some(expected) = search.levels {
        return choose(&profile, &stations, search, &expected).map(|c| c.0);
    }
    let [dark, bright] = from_line(&profile).ok_or(Missing::Outside)?.map(|l| choose(&profile, &stations, search, &l));
    match (dark, bright) {
        (Ok(a), Ok(b)) => {
            let ((better, cost), (_, other)) = if a.1 <= b.1 { (a, b) } else { (b, a) };
            Ok(Crossing { lead: better.lead.min(other - cost), ..better })
        }
        (Ok(found), Err(_)) | (Err(_), Ok(found)) => Ok(found.0),
        (Err(missing), Err(_)) => Err(missing),
    }
}

/// Median over parallel lines.
fn profile(light: &Light, frame: &Frame, stations: &Stations, half: f64) -> Vec<f64> {
    let lines = half.round().clamp(1.0, 6.0) as i32;
    let step = half.max(1.0) / f64::from(lines);
    let all: Vec<Vec<f64>> = (-lines..=lines).map(|k| along(light, frame, f64::from(k) * step, stations)).collect();
    (0..stations.count).map(|i| median_of(all.iter().map(|line| line[i])).unwrap_or(f64::NAN)).collect()
}

/// The two levels that good parts of the line have, as either may be the animal's, where nothing better is known.
fn from_line(profile: &[f64]) -> Option<[Levels; 2]> {
    let mut sorted: Vec<f64> = profile.iter().copied().filter(|v| v.is_finite()).collect();
    sorted.sort_by(f64::total_cmp);
    let at = |share: f64| sorted.get((share * sorted.len() as f64) as usize).copied();
    let (low, high) = (at(GOOD_PART)?, at(1.0 - GOOD_PART)?);
    Some([Levels { animal: low, ground: high }, Levels { animal: high, ground: low }])
}

/// Misfit up to each station from the left as animal, and from the right as ground.
fn misfits(profile: &[f64], expected: &Levels, step_w: f64) -> (Vec<f64>, Vec<f64>) {
    let contrast = expected.contrast();
    // 0 at the animal, 1 at the ground.
    let place: Vec<f64> = profile.iter().map(|v| (v - expected.animal) / contrast).collect();
    let cost = |x: f64| if x.is_finite() { (2.0 * x).clamp(0.0, 1.0).powi(2) } else { 0.0 };
    let mut as_animal = vec![0.0; place.len() + 1];
    let mut as_ground = vec![0.0; place.len() + 1];
    for (i, x) in place.iter().enumerate() {
        as_animal[i + 1] = as_animal[i] + step_w * cost(*x);
    }
    for (i, x) in place.iter().enumerate().rev() {
        as_ground[i] = as_ground[i + 1] + step_w * cost(1.0 - x);
    }
    (as_animal, as_ground)
}

/// The best crossing for these levels, with its misfit in blur spots.
fn choose(
    profile: &[f64],
    stations: &Stations,
    search: &Search,
    expected: &Levels,
) -> Result<(Crossing, f64), Missing> {
    let w = search.w_px;
    if expected.contrast().abs() < 1e-6 {
        return Err(Missing::Flat);
    }
    let half = 0.5 * (expected.animal + expected.ground);
    let (as_animal, as_ground) = misfits(profile, expected, stations.step / w);
    let mut found: Vec<(f64, f64)> = Vec::new();
    for i in 1..profile.len() {
        let (a, b) = (profile[i - 1] - half, profile[i] - half);
        let outward = (b - a) * expected.contrast() > 0.0;
        if !(a * b <= 0.0 && a != b && outward) {
            continue;
        }
        let s = stations.at(i - 1) + stations.step * a / (a - b);
        if s.abs() <= search.capture_px {
            found.push((as_animal[i] + as_ground[i] + FAR_COSTS_W * (s / search.capture_px).powi(2), s));
        }
    }
    found.sort_by(|a, b| a.0.total_cmp(&b.0));
    let Some(&(cost, s)) = found.first() else {
        return Err(Missing::Flat);
    };
    // Crossings within a blur spot are one edge in noise.
    let lead = found.iter().find(|f| (f.1 - s).abs() > w).map_or(f64::INFINITY, |f| f.0 - cost);
    let level = |from: f64, to: f64| median_of(profile[stations.between(from, to)].iter().copied());
    let levels = Levels {
        animal: level(s - 2.0 * w, s - 0.7 * w).unwrap_or(expected.animal),
        ground: level(s + 0.7 * w, s + 2.0 * w).unwrap_or(expected.ground),
    };
    let share = levels.contrast() / expected.contrast();
    if share < LEAST_SHARE {
        return Err(Missing::Faint { share });
    }
    Ok((Crossing { s, levels, lead }, cost))
}
