//! Every spot to its place in a square lattice: from the best-ordered spot outward, over gaps, by the local steps.

use super::blob::Blob;
use std::collections::{BTreeMap, VecDeque};

/// Farthest a spot may lie from where its neighbour's steps put it, as a share of a step.
const NEAR: f64 = 0.22;
/// Weight of a new step in the local ones.
const FRESH: f64 = 0.25;
/// How far a gap is bridged, steps.
const BRIDGE: f64 = 2.6;
/// Agreement of the neighbours' directions, 0 to 1, below which there is no square lattice.
const LEAST_ORDER: f64 = 0.7;

/// The lattice of a set of spots.
#[derive(Clone, Debug)]
pub(super) struct Lattice {
    /// The spot at each taken place, `(column, row)`: columns run along the axis nearest to x, rows a right angle on (y down).
    pub(super) taken: BTreeMap<(i32, i32), usize>,
    /// Typical step, px.
    pub(super) pitch_px: f64,
    /// Spots within the lattice that have no place in it.
    pub(super) strays: usize,
}

impl Lattice {
    /// First and last column and row.
    pub(super) fn bounds(&self) -> ((i32, i32), (i32, i32)) {
        let fold = |pick: fn(&(i32, i32)) -> i32| {
            self.taken.keys().map(pick).fold((i32::MAX, i32::MIN), |(a, b), v| (a.min(v), b.max(v)))
        };
        (fold(|k| k.0), fold(|k| k.1))
    }

    /// Share of the places within the rows' and columns' own reach that is taken.
    pub(super) fn occupancy(&self) -> f64 {
        let mut by_row = BTreeMap::<i32, (i32, i32)>::new();
        let mut by_column = BTreeMap::<i32, (i32, i32)>::new();
        for &(i, j) in self.taken.keys() {
            let r = by_row.entry(j).or_insert((i, i));
            *r = (r.0.min(i), r.1.max(i));
            let c = by_column.entry(i).or_insert((j, j));
            *c = (c.0.min(j), c.1.max(j));
        }
        let inside = |i: i32, j: i32| by_column.get(&i).is_some_and(|c| (c.0..=c.1).contains(&j));
        let places: usize = by_row.iter().map(|(j, r)| (r.0..=r.1).filter(|i| inside(*i, *j)).count()).sum();
        self.taken.len() as f64 / places.max(1) as f64
    }
}

/// Spots by squares of one step.
struct Near<'a> {
    blobs: &'a [Blob],
    side: f64,
    columns: usize,
    rows: usize,
    cells: Vec<Vec<u32>>,
}

impl<'a> Near<'a> {
    fn new(blobs: &'a [Blob], side: f64) -> Self {
        let reach = |pick: fn(&Blob) -> f64| blobs.iter().map(pick).fold(0.0, f64::max);
        let columns = (reach(|b| b.x) / side) as usize + 1;
        let rows = (reach(|b| b.y) / side) as usize + 1;
        let mut cells = vec![Vec::new(); columns * rows];
        for (i, b) in blobs.iter().enumerate() {
            cells[(b.y / side) as usize * columns + (b.x / side) as usize].push(i as u32);
        }
        Self { blobs, side, columns, rows, cells }
    }

    /// Spots within `reach` of a point, with their distances.
    fn around(&self, x: f64, y: f64, reach: f64) -> impl Iterator<Item = (usize, f64)> + '_ {
        let range = |v: f64, count: usize| {
            let from = ((v - reach) / self.side).max(0.0) as usize;
            let to = ((v + reach) / self.side).floor() + 1.0;
            from..(to.max(0.0) as usize).min(count)
        };
        let columns = range(x, self.columns);
        range(y, self.rows)
            .flat_map(move |r| columns.clone().map(move |c| r * self.columns + c))
            .flat_map(|cell| self.cells[cell].iter())
            .map(move |&i| {
                let b = &self.blobs[i as usize];
                (i as usize, (b.x - x).hypot(b.y - y))
            })
            .filter(move |(_, d)| *d <= reach)
    }

    fn nearest(&self, x: f64, y: f64, reach: f64) -> Option<usize> {
        self.around(x, y, reach).min_by(|a, b| a.1.total_cmp(&b.1)).map(|n| n.0)
    }
}

/// The local steps along columns and rows, px.
type Steps = [(f64, f64); 2];
/// Place of a spot and the steps there.
type Placed = ((i32, i32), Steps);

/// Indexes the spots, which lie about `pitch_px` apart. Absent where they form no square lattice.
pub(super) fn index(blobs: &[Blob], pitch_px: f64) -> Option<Lattice> {
    if blobs.len() < 9 {
        return None;
    }
    let near = Near::new(blobs, pitch_px);
    let steps = typical_steps(&near, pitch_px)?;
    let pitch = steps[0].0.hypot(steps[0].1);
    let seed = seed(&near, &steps, pitch)?;
    let mut taken = BTreeMap::from([((0, 0), seed)]);
    let mut place: Vec<Option<Placed>> = vec![None; blobs.len()];
    place[seed] = Some(((0, 0), steps));
    let mut queue = VecDeque::from([seed]);
    while !queue.is_empty() {
        while let Some(at) = queue.pop_front() {
            let Some(((i, j), own)) = place[at] else { continue };
            for (di, dj) in [(1, 0), (-1, 0), (0, 1), (0, -1)] {
                let axis = usize::from(dj != 0);
                let sign = f64::from(di + dj);
                let b = &blobs[at];
                let (x, y) = (b.x + sign * own[axis].0, b.y + sign * own[axis].1);
                let Some(next) = near.nearest(x, y, NEAR * pitch) else { continue };
                if place[next].is_some() || taken.contains_key(&(i + di, j + dj)) {
                    continue;
                }
                let mut steps = own;
                let step = (sign * (blobs[next].x - b.x), sign * (blobs[next].y - b.y));
                steps[axis].0 += FRESH * (step.0 - steps[axis].0);
                steps[axis].1 += FRESH * (step.1 - steps[axis].1);
                taken.insert((i + di, j + dj), next);
                place[next] = Some(((i + di, j + dj), steps));
                queue.push_back(next);
            }
        }
        bridge(&near, pitch, &mut taken, &mut place, &mut queue);
    }
    let strays = (0..blobs.len()).filter(|i| place[*i].is_none() && enclosed(&near, &place, *i, pitch)).count();
    Some(Lattice { taken, pitch_px: pitch, strays })
}

/// Median distance to the nearest neighbour and the direction modulo a right angle.
fn typical_steps(near: &Near<'_>, pitch_px: f64) -> Option<Steps> {
    let mut nearest: Vec<f64> = near
        .blobs
        .iter()
        .enumerate()
        .filter_map(|(i, b)| {
            let others = near.around(b.x, b.y, 1.5 * pitch_px).filter(|n| n.0 != i);
            others.map(|n| n.1).min_by(f64::total_cmp)
        })
        .collect();
    if nearest.len() * 2 < near.blobs.len() {
        return None;
    }
    let middle = nearest.len() / 2;
    let pitch = *nearest.select_nth_unstable_by(middle, f64::total_cmp).1;
    let (mut re, mut im, mut n) = (0.0, 0.0, 0.0);
    for (i, b) in near.blobs.iter().enumerate() {
        for (k, d) in near.around(b.x, b.y, 1.2 * pitch) {
            if k != i && d > 0.8 * pitch {
                let a = 4.0 * (near.blobs[k].y - b.y).atan2(near.blobs[k].x - b.x);
                re += a.cos();
                im += a.sin();
                n += 1.0;
            }
        }
    }
    if n == 0.0 || f64::hypot(re, im) < LEAST_ORDER * n {
        return None;
    }
    let (sin, cos) = (0.25 * im.atan2(re)).sin_cos();
    Some([(pitch * cos, pitch * sin), (-pitch * sin, pitch * cos)])
}

/// The spot whose surroundings are best in order.
fn seed(near: &Near<'_>, steps: &Steps, pitch: f64) -> Option<usize> {
    let order = |b: &Blob| {
        (-2..=2)
            .flat_map(|i| (-2..=2).map(move |j| (f64::from(i), f64::from(j))))
            .filter(|(i, j)| {
                let (x, y) = (b.x + i * steps[0].0 + j * steps[1].0, b.y + i * steps[0].1 + j * steps[1].1);
                near.nearest(x, y, NEAR * pitch).is_some()
            })
            .count()
    };
    // A share of the spots is enough to find a good one.
    let every = near.blobs.len().div_ceil(400);
    let best = (0..near.blobs.len()).step_by(every).map(|i| (order(&near.blobs[i]), i)).max()?;
    (best.0 >= 9).then_some(best.1)
}

/// Gives places to spots that lie within a few steps of an indexed one, across a gap.
fn bridge(
    near: &Near<'_>,
    pitch: f64,
    taken: &mut BTreeMap<(i32, i32), usize>,
    place: &mut [Option<Placed>],
    queue: &mut VecDeque<usize>,
) {
    for at in 0..near.blobs.len() {
        if place[at].is_some() {
            continue;
        }
        let b = &near.blobs[at];
        let from = near
            .around(b.x, b.y, BRIDGE * pitch)
            .filter(|n| place[n.0].is_some())
            .min_by(|a, b| a.1.total_cmp(&b.1))
            .and_then(|n| Some((n.0, place[n.0]?)));
        let Some((other, ((i, j), steps))) = from else { continue };
        let [u, v] = steps;
        let det = u.0 * v.1 - u.1 * v.0;
        let (dx, dy) = (b.x - near.blobs[other].x, b.y - near.blobs[other].y);
        let (p, q) = ((dx * v.1 - dy * v.0) / det, (dy * u.0 - dx * u.1) / det);
        let (di, dj) = (p.round(), q.round());
        let key = (i + di as i32, j + dj as i32);
        if (p - di).hypot(q - dj) < NEAR && !taken.contains_key(&key) {
            taken.insert(key, at);
            place[at] = Some((key, steps));
            queue.push_back(at);
        }
    }
}

/// An unplaced spot with placed ones on all sides.
fn enclosed(near: &Near<'_>, place: &[Option<Placed>], at: usize, pitch: f64) -> bool {
    let b = &near.blobs[at];
    let mut quarters = [false; 4];
    for (k, _) in near.around(b.x, b.y, 1.6 * pitch) {
        if place[k].is_some() {
            let (right, below) = (near.blobs[k].x > b.x, near.blobs[k].y > b.y);
            quarters[usize::from(right) + 2 * usize::from(below)] = true;
        }
    }
    quarters.iter().all(|q| *q)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn blob(x: f64, y: f64) -> Blob {
        Blob { x, y, area: 20.0, ellipticity: 1.0 }
    }

    /// A barrel-distorted, turned lattice with holes: every seventh dot and a whole gap of two columns over 12 rows.
    fn distorted() -> (Vec<Blob>, Vec<(i32, i32)>) {
        let (mut blobs, mut places) = (Vec::new(), Vec::new());
        for j in -30..=30_i32 {
            for i in -40..=40_i32 {
                if (i * 5 + j * 3).rem_euclid(7) == 0 || ((10..12).contains(&i) && (-6..6).contains(&j)) {
                    continue;
                }
                let (s, c) = 0.3_f64.sin_cos();
                let (u, v) =
                    (14.0 * (f64::from(i) * c - f64::from(j) * s), 14.0 * (f64::from(i) * s + f64::from(j) * c));
                let shrink = 1.0 - 0.06 * (u * u + v * v) / (700.0 * 700.0);
                blobs.push(blob(900.0 + u * shrink, 800.0 + v * shrink));
                places.push((i, j));
            }
        }
        (blobs, places)
    }

    #[test]
    fn every_spot_gets_its_place_over_gaps_and_distortion() {
        let (blobs, places) = distorted();
        let lattice = index(&blobs, 15.5).unwrap();
        assert_eq!(lattice.taken.len(), blobs.len());
        assert_eq!(lattice.strays, 0);
        let ((i0, j0), &first) = lattice.taken.iter().next().unwrap();
        let (di, dj) = (i0 - places[first].0, j0 - places[first].1);
        for ((i, j), k) in &lattice.taken {
            assert_eq!((i - di, j - dj), places[*k]);
        }
        let share = lattice.occupancy();
        assert!((share - 6.0 / 7.0).abs() < 0.01, "{share}");
    }

    #[test]
    fn hexagons_and_disorder_are_no_square_lattice() {
        let mut hexagonal = Vec::new();
        let mut disorder = Vec::new();
        let mut state = 7_u64;
        let mut draw = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 33) as f64 / (1_u64 << 31) as f64
        };
        for j in 0..40 {
            for i in 0..40 {
                let (x, y) = (f64::from(i) * 14.0 + 7.0 * f64::from(j % 2), f64::from(j) * 14.0 * 0.866);
                hexagonal.push(blob(x + 10.0, y + 10.0));
                disorder.push(blob(600.0 * draw(), 600.0 * draw()));
            }
        }
        assert!(index(&hexagonal, 14.0).is_none());
        assert!(index(&disorder, 14.0).is_none_or(|l| l.taken.len() < 60));
    }
}
