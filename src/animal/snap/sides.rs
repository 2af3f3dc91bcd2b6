//! The two sides of an animal on normals along its axis.

use super::edge::snap_to_silhouette;
use super::silhouette::{SilhouettePoint, Snapping};
use super::strip::{Frame, Stations, along, median_of};
use crate::animal::{Curve, Levels};
use crate::photo::Light;
use crate::units::{Image, Point, Px, Vector};

/// A place on the axis with the silhouette on both sides of it.
#[derive(Clone, Copy, Debug)]
pub(in crate::animal) struct Station {
    /// Arc length from the first mark, px.
    pub(in crate::animal) along_px: f64,
    pub(in crate::animal) at: Point<Image>,
    /// Direction of travel and a normal to it, of length 1.
    pub(in crate::animal) tangent: Vector<Image>,
    pub(in crate::animal) normal: Vector<Image>,
    /// Silhouette in the direction of the normal, and against it.
    pub(in crate::animal) sides: [Option<SilhouettePoint>; 2],
}

impl Station {
    /// Signed distances of the two sides along the normal.
    pub(in crate::animal) fn reach(&self) -> Option<(f64, f64)> {
        let [a, b] = self.sides;
        let of = |p: SilhouettePoint| (p.at - self.at).dot(self.normal);
        Some((of(a?), of(b?)))
    }
}

/// Longest look to either side, as a share of the axis.
const REACH: f64 = 0.6;
/// What it costs when the distance jumps by a blur spot from one station to the next, in blur spots of misfit.
const JUMP: f64 = 0.5;
/// Most that a jump can cost.
const MOST_JUMP: f64 = 2.0;
/// What it costs to find nothing at a station.
const NOTHING: f64 = 2.5;

/// Even stations along a curve, with direction.
pub(in crate::animal) fn stations(curve: &Curve<Image>, count: usize) -> Vec<Station> {
    let shares: Vec<f64> = (0..count).map(|i| (i as f64 + 0.5) / count as f64).collect();
    stations_at(curve, &shares)
}

/// Stations at shares of a curve's length, with direction.
pub(super) fn stations_at(curve: &Curve<Image>, shares: &[f64]) -> Vec<Station> {
    const FINE: usize = 24;
    let line = curve.polyline(FINE);
    let mut sums = vec![0.0];
    for pair in line.windows(2) {
        sums.push(sums[sums.len() - 1] + (pair[1] - pair[0]).length());
    }
    let total = sums[sums.len() - 1];
    let station = |share: &f64| {
        let s = total * share;
        let k = sums.partition_point(|v| *v <= s).clamp(1, sums.len() - 1);
        let frame = Frame::new(line[k - 1], line[k] - line[k - 1])?;
        let at = frame.at(s - sums[k - 1], 0.0);
        Some(Station { along_px: s, at, tangent: frame.along, normal: frame.across, sides: [None, None] })
    };
    shares.iter().filter_map(station).collect()
}

/// Finds both sides at every station; legs, antennae, highlights and neighbours are passed over as far as the rest of the side
/// shows where it runs.
pub(in crate::animal) fn find_sides(light: &Light, stations: &mut [Station], levels: &Levels, w: Px, length_px: f64) {
    for side in [0, 1] {
        let sign = if side == 0 { 1.0 } else { -1.0 };
        let lines: Vec<Vec<(f64, f64)>> = stations
            .iter()
            .map(|s| crossings(light, s.at, s.normal * sign, levels, w.get(), REACH * length_px))
            .collect();
        let chosen = smoothest(&lines, w.get());
        for (station, distance) in stations.iter_mut().zip(chosen) {
            let Some(distance) = distance else { continue };
            let normal = station.normal * sign;
            let how = Snapping { capture: w * 1.2, inside: Px::new(distance), ..Snapping::by_hand(w) };
            let how = how.with_levels(Some(*levels));
            station.sides[side] = snap_to_silhouette(light, station.at + normal * distance, normal, &how).ok();
        }
    }
}

/// Crossings from animal to ground outward from the axis, each with its misfit in blur spots.
fn crossings(
    light: &Light,
    from: Point<Image>,
    outward: Vector<Image>,
    levels: &Levels,
    w: f64,
    reach: f64,
) -> Vec<(f64, f64)> {
    let Some(frame) = Frame::new(from, outward) else { return Vec::new() };
    let stations = Stations::new(0.0, reach, (w / 5.0).clamp(0.5, 3.0));
    let lines: Vec<Vec<f64>> = [-0.4, 0.0, 0.4].iter().map(|t| along(light, &frame, t * w, &stations)).collect();
    let contrast = levels.ground - levels.animal;
    let place: Vec<f64> = (0..stations.count)
        .map(|i| median_of(lines.iter().map(|l| (l[i] - levels.animal) / contrast)).unwrap_or(f64::NAN))
        .collect();
    let step_w = stations.step / w;
    let near = (2.5 / step_w) as usize;
    let cost = |x: f64| if x.is_finite() { (2.0 * x).clamp(0.0, 1.0).powi(2) } else { 0.0 };
    let mut inner = 0.0;
    let mut found = Vec::new();
    for i in 1..place.len() {
        inner += step_w * cost(place[i - 1]);
        if place[i - 1] <= 0.5 && place[i] > 0.5 {
            let s = stations.at(i - 1) + stations.step * (0.5 - place[i - 1]) / (place[i] - place[i - 1]);
            let outer: f64 = place[i..(i + near).min(place.len())].iter().map(|x| step_w * cost(1.0 - x)).sum();
            found.push((s, inner + outer));
        }
    }
    found
}

/// One crossing a station, or none, so that misfit and jumps together cost least.
fn smoothest(lines: &[Vec<(f64, f64)>], w: f64) -> Vec<Option<f64>> {
    // States of a station: its crossings, and "none" last, which carries no place.
    let mut costs: Vec<Vec<f64>> = Vec::with_capacity(lines.len());
    let mut from: Vec<Vec<usize>> = Vec::with_capacity(lines.len());
    let place = |line: &[(f64, f64)], state: usize| line.get(state).map(|c| c.0);
    for (i, line) in lines.iter().enumerate() {
        let (mut cost, mut back) = (Vec::new(), Vec::new());
        for state in 0..=line.len() {
            let own = line.get(state).map_or(NOTHING, |c| c.1);
            let Some(before) = i.checked_sub(1) else {
                cost.push(own);
                back.push(0);
                continue;
            };
            let jump = |k: usize| match (place(&lines[before], k), place(line, state)) {
                (Some(a), Some(b)) => (JUMP * (a - b).abs() / w).min(MOST_JUMP),
                _ => 0.5 * MOST_JUMP,
            };
            let best = (0..costs[before].len())
                .map(|k| (costs[before][k] + jump(k), k))
                .min_by(|a, b| a.0.total_cmp(&b.0))
                .unwrap_or((0.0, 0));
            cost.push(own + best.0);
            back.push(best.1);
        }
        costs.push(cost);
        from.push(back);
    }
    let mut chosen = vec![None; lines.len()];
    let Some(last) = costs.last() else { return chosen };
    let mut state = (0..last.len()).min_by(|a, b| last[*a].total_cmp(&last[*b])).unwrap_or(0);
    for i in (0..lines.len()).rev() {
        chosen[i] = place(&lines[i], state);
        state = from[i][state];
    }
    chosen
}

/// Light of the animal along its axis, and of the ground about it: the far thirds of looks to both sides and beyond both ends.
/// `None` where the axis lies outside the picture or nothing tells the two apart.
pub(in crate::animal) fn levels_about(light: &Light, curve: &Curve<Image>, w: Px) -> Option<Levels> {
    let stations = stations(curve, 24);
    let length = curve.length().value;
    let inner = &stations[2..stations.len().saturating_sub(2).max(2)];
    let animal = median_of(inner.iter().map(|s| light.sample(s.at).unwrap_or(f64::NAN)))?;
    let reach = (0.6 * length).max(8.0 * w.get());
    let mut far = Vec::new();
    let mut look = |from: Point<Image>, direction: Vector<Image>| {
        for k in 0..12 {
            let d = reach * (0.67 + 0.33 * f64::from(k) / 11.0);
            far.push(light.sample(from + direction * d).unwrap_or(f64::NAN));
        }
    };
    for s in &stations {
        look(s.at, s.normal);
        look(s.at, s.normal * -1.0);
    }
    if let (Some(first), Some(last)) = (stations.first(), stations.last()) {
        look(first.at, first.tangent * -1.0);
        look(last.at, last.tangent);
    }
    let ground = median_of(far.into_iter())?;
    ((ground - animal).abs() > 1e-4).then_some(Levels { animal, ground })
}
