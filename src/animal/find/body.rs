//! The body: a piece of the picture without legs and antennae.

use std::cell::LazyCell;

use super::ground::middle_of;
use super::mask::{Mask, Piece};
use super::plane::Plane;

/// A body, its limbs and what else was attached to it, on one plane.
#[derive(Clone, Debug)]
pub(super) struct Body {
    /// The body alone.
    pub(super) body: Mask,
    /// Body, legs, antennae, hairs.
    pub(super) whole: Mask,
    /// What was taken off.
    pub(super) limbs: Vec<Piece>,
    /// Distances within the body.
    pub(super) depth: Vec<f32>,
    /// Half the greatest breadth, cells.
    pub(super) radius: f32,
    /// Departure of the body's light from the ground's, with its sign.
    pub(super) level: f64,
    /// Departure of the rim's light, of the other sign, where a refracting body has a rim about a core.
    pub(super) rim: Option<f64>,
    /// Share of the body's boundary on the border of the picture.
    pub(super) on_border: f64,
    /// Other animals that touched it were cut off.
    pub(super) cut: bool,
}

/// Least half breadth of a body, cells.
const LEAST_RADIUS: f32 = 2.5;
/// The edge of the whole lies at this share of the body's departure at least: glow lies below, dim parts of a patchy body above.
const EDGE_SHARE: f64 = 0.12;
/// Bins of the histogram of departures, on a logarithmic scale.
const BINS: usize = 32;
/// Departures fall into two kinds where the histogram between them sinks below this share of the lower peak.
const VALLEY: f64 = 0.3;
/// A dense body is at least this share of its piece.
const LEAST_DENSE: f64 = 0.15;
/// Each kind has at least this share of the cells.
const LEAST_KIND: f64 = 0.06;
/// Openings tried, as shares of the body's greatest half breadth.
const OPENINGS: [f64; 7] = [0.16, 0.2, 0.24, 0.28, 0.32, 0.37, 0.42];
/// A piece that comes off belongs to the body all the same where it is at most this much longer than broad at its base.
const STUMPY: f64 = 1.2;
/// A tapering end of the body is about as broad at its base as the opening, and at most this much longer.
const TAPERING: f64 = 3.0;
/// Holes up to this share of the piece are highlights, larger ones at the ground's light are gaps between limbs.
const HIGHLIGHT: f64 = 0.1;
/// Holes up to this share are bubbles and spots on any body.
const SPECK: f64 = 0.012;
/// A hole belongs to a body where at least half of its rim does, and not limbs: parts thinner than this share of the greatest half breadth. Of 11
/// rendered animals (0.1 to 3 mm, six legs) rims of eyes lay 57 to 72 % in the body so, those of ground between legs 16 to 50 %.
const THICK: f32 = 0.2;
/// A small hole belongs to a body too where that is this thick all about it, the hole filled: between legs 59 to 88 % of the rim was.
const MIDST: f32 = 0.65;
/// Parts joined by necks narrower than this share of the greatest breadth may be animals that touch.
const NECK: f64 = 0.55;
/// Parts that lie off the line through the farthest two by this share of the half breadth are no head, thorax and abdomen.
const OFF_LINE: f64 = 0.7;
/// A waist is at least this share of the opening broad; a limb that touches another animal is thinner.
const WAIST: f32 = 0.8;
/// A part of the body that a waist joins to it has at least this share of its area.
const LEAST_PART: f64 = 0.04;

impl Body {
    /// The body of the piece of `seed` in the light that departs from the ground by at least `threshold`.
    ///
    /// `None` where nothing thick enough is left.
    pub(super) fn of(plane: &Plane, departures: &[f32], seed: &Mask, threshold: f64) -> Option<Self> {
        let low = piece_over(plane, departures, seed, threshold, 0.5 * threshold)?;
        let distances = low.distances();
        let radius = peak(&distances);
        if radius < LEAST_RADIUS {
            return None;
        }
        let core = |share: f32| Mask { cells: distances.iter().map(|d| *d >= share * radius).collect(), ..low };
        let level = level_of(departures, &core(0.6));
        let rim = rim_of(departures, &low, &distances, level, threshold);
        let whole = match rim {
            Some(_) => low,
            None => {
                let edge = threshold.max(EDGE_SHARE * level.abs());
                let low = piece_over(plane, departures, &core(0.6), edge, 0.5 * threshold)?;
                let distances = low.distances();
                let between = valley(departures, &distances, edge);
                between.and_then(|e| dense_part(plane, departures, &low, e, radius)).unwrap_or(low)
            }
        };
        let distances = whole.distances();
        let (whole, distances, cut) = apart(whole, distances);
        let radius = peak(&distances);
        if radius < LEAST_RADIUS {
            return None;
        }
        let opening = opening_for(&whole, &distances, radius);
        let (body, limbs) = without_limbs(&whole, &distances, radius, opening)?;
        let depth = body.distances();
        let on_border = border_share(&body);
        Some(Self { radius: peak(&depth), body, whole, limbs, depth, level, rim, on_border, cut })
    }
}

fn peak(distances: &[f32]) -> f32 {
    distances.iter().copied().fold(0.0, f32::max)
}

/// The piece of cells beyond the threshold that shares most with the seed, with its highlights and holes brighter or darker than
/// `dim` filled.
fn piece_over(plane: &Plane, departures: &[f32], seed: &Mask, threshold: f64, dim: f64) -> Option<Mask> {
    let t = threshold as f32;
    let beyond = Mask::new(plane.width, plane.height, departures.iter().map(|d| d.abs() > t).collect());
    let shared = |p: &Piece| p.cells.iter().filter(|c| seed.cells[**c as usize]).count();
    let pieces = beyond.pieces(true);
    let (_, piece) = pieces.iter().map(|p| (shared(p), p)).filter(|(n, _)| *n > 0).max_by_key(|(n, _)| *n)?;
    let dark = piece.cells.iter().filter(|c| departures[**c as usize] < 0.0).count() * 2 > piece.len();
    let (large, size) = (HIGHLIGHT * piece.len() as f64, piece.len());
    let own = Mask::of_pieces(plane.width, plane.height, [piece]);
    let tiny = SPECK * piece.len() as f64;
    let opened = |mask: Mask, share: f32| {
        let distances = mask.distances();
        mask.opened(&distances, share * peak(&distances))
    };
    let thick = LazyCell::new(|| opened(own.clone(), THICK));
    let midst = LazyCell::new(|| opened(own.filled(|hole| (hole.len() as f64) < tiny), MIDST));
    // Limbs that cross enclose a piece of ground, a body its eyes, spots and highlights.
    let in_body = |hole: &Piece| {
        let rim: Vec<usize> =
            hole.cells.iter().flat_map(|c| own.around(*c as usize, false)).filter(|o| own.cells[*o]).collect();
        let within = |m: &Mask| rim.iter().filter(|o| m.cells[**o]).count();
        2 * within(&thick) >= rim.len() || within(&midst) == rim.len()
    };
    let filled = own.filled(|hole| {
        if hole.len() < 4 {
            return true;
        }
        let mut inside: Vec<f64> = hole.cells.iter().map(|c| f64::from(departures[*c as usize].abs())).collect();
        let dim = middle_of(&mut inside) > dim;
        // A highlight on a dark body may be as bright as the ground; a hole in a bright one is a gap.
        let len = hole.len() as f64;
        hole.len() < size && (dim || len < tiny || (dark && len < large)) && in_body(hole)
    });
    Some(filled)
}

fn level_of(departures: &[f32], core: &Mask) -> f64 {
    let mut inside: Vec<f64> =
        departures.iter().zip(&core.cells).filter(|(_, c)| **c).map(|(d, _)| f64::from(*d)).collect();
    middle_of(&mut inside)
}

/// What departs by more than `edge`, where that is a body and not a few dark spots.
fn dense_part(plane: &Plane, departures: &[f32], low: &Mask, edge: f64, radius: f32) -> Option<Mask> {
    let dense = piece_over(plane, departures, low, edge, 0.5 * edge)?;
    let enough = dense.count() as f64 >= LEAST_DENSE * low.count() as f64;
    (enough && peak(&dense.distances()) >= 0.4 * radius).then_some(dense)
}

/// Where the departures inside a piece fall into two kinds, as those of clear wings and of a dense body do: the departure between them.
fn valley(departures: &[f32], distances: &[f32], threshold: f64) -> Option<f64> {
    let inside: Vec<f64> =
        departures.iter().zip(distances).filter(|(_, d)| **d > 2.0).map(|(v, _)| f64::from(v.abs())).collect();
    let most = inside.iter().copied().fold(0.0, f64::max);
    let span = (most / threshold).ln();
    if span.is_nan() || span <= 0.7 || inside.len() < 200 {
        return None;
    }
    let mut counts = [0.0; BINS];
    for v in &inside {
        let x = (v / threshold).max(1.0).ln() / span * BINS as f64;
        counts[(x as usize).min(BINS - 1)] += 1.0;
    }
    let smooth: Vec<f64> = (0..BINS)
        .map(|i| {
            let near = &counts[i.saturating_sub(2)..(i + 3).min(BINS)];
            near.iter().sum::<f64>() / near.len() as f64
        })
        .collect();
    let all: f64 = counts.iter().sum();
    let peak = |part: &[f64]| part.iter().copied().fold(0.0, f64::max);
    let depth = |i: usize| smooth[i] / peak(&smooth[..i]).min(peak(&smooth[i + 1..])).max(1e-9);
    let share = |part: &[f64]| part.iter().sum::<f64>() / all;
    let enough = |i: &usize| share(&counts[..*i]) > LEAST_KIND && share(&counts[*i + 1..]) > LEAST_KIND;
    let at = (2..BINS - 2).filter(enough).min_by(|a, b| depth(*a).total_cmp(&depth(*b)))?;
    (depth(at) < VALLEY).then(|| threshold * ((at as f64 + 0.5) / BINS as f64 * span).exp())
}

/// A rim of the other sign all round: light that a refracting body bends away from its edge.
fn rim_of(departures: &[f32], low: &Mask, distances: &[f32], level: f64, threshold: f64) -> Option<f64> {
    let mut rim: Vec<f64> = low
        .cells
        .iter()
        .zip(distances)
        .zip(departures)
        .filter(|((inside, distance), _)| **inside && **distance <= 2.5)
        .map(|(_, d)| f64::from(*d))
        .collect();
    if rim.is_empty() {
        return None;
    }
    let of_other_sign = rim.iter().filter(|d| **d * level < 0.0).count() as f64 / rim.len() as f64;
    let middle = middle_of(&mut rim);
    (of_other_sign > 0.85 && middle.abs() > threshold).then_some(middle)
}

/// Cuts off animals that touch: where narrow necks part the piece into three or more broad parts that do not follow each other along a
/// line, as head, thorax and abdomen do, the broadest part stays.
fn apart(whole: Mask, distances: Vec<f32>) -> (Mask, Vec<f32>, bool) {
    let radius = peak(&distances);
    let parted = whole.opened(&distances, (NECK * f64::from(radius)) as f32);
    let parts: Vec<Piece> = parted.pieces(true);
    let Some(first) = parts.first() else { return (whole, distances, false) };
    let broad: Vec<&Piece> = parts.iter().filter(|p| p.len() * 4 > first.len()).collect();
    let middles: Vec<(f64, f64)> = broad.iter().map(|p| middle(p, whole.width)).collect();
    if broad.len() < 3 || off_line(&middles) < OFF_LINE * f64::from(radius) {
        return (whole, distances, false);
    }
    // Every cell goes to the part that it is nearest to; the broadest keeps its own.
    let deepest = |p: &Piece| p.cells.iter().map(|c| distances[*c as usize]).fold(0.0, f32::max);
    let Some(keep) = broad.iter().max_by(|a, b| deepest(a).total_cmp(&deepest(b))) else {
        return (whole, distances, false);
    };
    let of = |pieces: Vec<&Piece>| Mask::of_pieces(whole.width, whole.height, pieces);
    let outside_of = |mask: Mask| Mask { cells: mask.cells.iter().map(|c| !c).collect(), ..mask }.distances();
    let to_kept = outside_of(of(vec![keep]));
    let to_others = outside_of(of(broad.iter().copied().filter(|p| !std::ptr::eq(*p, *keep)).collect()));
    let cells = (0..whole.cells.len()).map(|i| whole.cells[i] && to_kept[i] < to_others[i]).collect();
    let own = Mask { cells, ..whole };
    let Some(piece) = own.pieces(true).into_iter().next() else { return (whole, distances, false) };
    let own = Mask::of_pieces(own.width, own.height, [&piece]);
    let distances = own.distances();
    (own, distances, true)
}

fn middle(piece: &Piece, width: usize) -> (f64, f64) {
    let n = piece.len() as f64;
    let sum = |f: fn(usize, usize) -> usize| piece.cells.iter().map(|c| f(*c as usize, width) as f64).sum::<f64>();
    (sum(|c, w| c % w) / n, sum(|c, w| c / w) / n)
}

/// Greatest distance of points from the line through the two that lie farthest apart.
fn off_line(points: &[(f64, f64)]) -> f64 {
    let pairs = points.iter().flat_map(|a| points.iter().map(move |b| (*a, *b)));
    let length = |(a, b): &((f64, f64), (f64, f64))| (b.0 - a.0).hypot(b.1 - a.1);
    let Some((a, b)) = pairs.max_by(|p, q| length(p).total_cmp(&length(q))) else { return 0.0 };
    let long = length(&(a, b)).max(1e-9);
    points.iter().map(|p| ((b.0 - a.0) * (p.1 - a.1) - (b.1 - a.1) * (p.0 - a.0)).abs() / long).fold(0.0, f64::max)
}

/// The opening between limbs and body: where a little more of it takes off least.
fn opening_for(whole: &Mask, distances: &[f32], radius: f32) -> f64 {
    let areas: Vec<f64> = OPENINGS
        .iter()
        .map(|share| whole.opened(distances, (share * f64::from(radius)) as f32).count() as f64)
        .collect();
    let loss = |i: usize| (areas[i - 1] - areas[i + 1]) / (OPENINGS[i + 1] - OPENINGS[i - 1]);
    (1..OPENINGS.len() - 1).min_by(|a, b| loss(*a).total_cmp(&loss(*b))).map_or(OPENINGS[3], |i| OPENINGS[i])
}

/// Takes off what is narrower than the opening and longer than broad; waists, blunt corners and tapering ends stay.
fn without_limbs(whole: &Mask, distances: &[f32], radius: f32, opening: f64) -> Option<(Mask, Vec<Piece>)> {
    let reach = (opening * f64::from(radius)) as f32;
    let opened = whole.opened(distances, reach);
    let parts = opened.pieces(true);
    let main = parts.first()?;
    // Openings of cells are not quite nested.
    let finer = whole.opened(distances, WAIST * reach).or(&opened);
    // Parts that a waist joins to the main one lie with it in one piece of the finer opening.
    let joined = finer.pieces(true).into_iter().map(|p| Mask::of_pieces(whole.width, whole.height, [&p]));
    let with_main = joined.into_iter().find(|m| m.cells[main.cells[0] as usize])?;
    let own: Vec<&Piece> = parts
        .iter()
        .filter(|p| p.len() as f64 >= LEAST_PART * main.len() as f64 && with_main.cells[p.cells[0] as usize])
        .collect();
    let mut body = Mask::of_pieces(whole.width, whole.height, own.iter().copied());
    let several = own.len() > 1;
    let part_of: Vec<u8> = {
        let mut at = vec![0_u8; whole.cells.len()];
        for (k, p) in own.iter().enumerate() {
            p.cells.iter().for_each(|c| at[*c as usize] = 1 + k.min(200) as u8);
        }
        at
    };
    let mut limbs = Vec::new();
    for piece in whole.and_not(&body).pieces(true) {
        let waist = several && touches_several(&body, &piece, &part_of);
        let tail = if waist {
            let kept = Mask::of_pieces(whole.width, whole.height, [&piece]).and(&with_main);
            body = body.or(&kept);
            continue;
        } else {
            Attached::of(&body, &piece)
        };
        let stump = tail.length <= 2.0 || (!tail.forked && tail.length <= STUMPY * tail.base);
        let end = !tail.forked && tail.base >= 1.5 * f64::from(reach) && tail.length <= TAPERING * tail.base;
        if tail.base > 0.0 && (stump || end) {
            piece.cells.iter().for_each(|c| body.cells[*c as usize] = true);
        } else {
            limbs.push(piece);
        }
    }
    let body = body.filled(|_| true);
    let largest = body.pieces(false).into_iter().next()?;
    Some((Mask::of_pieces(whole.width, whole.height, [&largest]), limbs))
}

fn touches_several(body: &Mask, piece: &Piece, part_of: &[u8]) -> bool {
    let mut first = 0;
    for cell in &piece.cells {
        for other in body.around(*cell as usize, true) {
            let part = part_of[other];
            if part != 0 && first != 0 && part != first {
                return true;
            }
            first = if part == 0 { first } else { part };
        }
    }
    false
}

/// How a piece sits on the body.
#[derive(Clone, Copy, Debug)]
struct Attached {
    /// Breadth at the base, cells.
    base: f64,
    /// Greatest way from the base to its far end, cells.
    length: f64,
    /// It has more than one base.
    forked: bool,
}

impl Attached {
    fn of(body: &Mask, piece: &Piece) -> Self {
        let root: Vec<u32> =
            piece.cells.iter().copied().filter(|c| body.around(*c as usize, false).any(|o| body.cells[o])).collect();
        let own_at = |f: fn(usize, usize) -> usize| root.iter().map(move |c| f(*c as usize, body.width));
        let extent = |f: fn(usize, usize) -> usize| match (own_at(f).min(), own_at(f).max()) {
            (Some(a), Some(b)) => (b - a + 1) as f64,
            _ => 0.0,
        };
        // Two limbs that meet have two bases with a gap between: what touches the body counts, slanting rows a little more.
        let base = extent(|c, w| c % w).hypot(extent(|c, w| c / w)).min(1.3 * root.len() as f64);
        let own = Mask::of_pieces(body.width, body.height, [piece]);
        let bases = Mask::of_pieces(body.width, body.height, [&Piece { cells: root.clone(), bounds: piece.bounds }]);
        Self { base, length: ways(&own, &root).1, forked: bases.pieces(true).len() > 1 }
    }
}

/// Way of every cell of a mask from the nearest of `from` within the mask, cells, and the greatest; infinite where there is none.
pub(super) fn ways(mask: &Mask, from: &[u32]) -> (Vec<f32>, f64) {
    let mut way = vec![f32::INFINITY; mask.cells.len()];
    let mut queue: std::collections::VecDeque<u32> = from.iter().copied().collect();
    from.iter().for_each(|c| way[*c as usize] = 0.0);
    let mut greatest = 0.0_f32;
    // Straight steps are 1, slanting ones √2; cells are taken up again where a shorter way is found.
    while let Some(cell) = queue.pop_front() {
        let here = way[cell as usize];
        for other in mask.around(cell as usize, true) {
            if !mask.cells[other] {
                continue;
            }
            let (x, y) = (other % mask.width, other / mask.width);
            let slanting = x != cell as usize % mask.width && y != cell as usize / mask.width;
            let there = here + if slanting { std::f32::consts::SQRT_2 } else { 1.0 };
            if there < way[other] - 1e-3 {
                way[other] = there;
                queue.push_back(other as u32);
            }
        }
    }
    for v in &way {
        if v.is_finite() {
            greatest = greatest.max(*v);
        }
    }
    (way, f64::from(greatest))
}

/// Share of the boundary's cells that lie on the border.
fn border_share(body: &Mask) -> f64 {
    let (mut border, mut all) = (0_usize, 0_usize);
    for (i, inside) in body.cells.iter().enumerate() {
        if !inside {
            continue;
        }
        let (x, y) = (i % body.width, i / body.width);
        let at_border = x == 0 || y == 0 || x + 1 == body.width || y + 1 == body.height;
        border += usize::from(at_border);
        all += usize::from(at_border || body.around(i, false).any(|o| !body.cells[o]));
    }
    border as f64 / all.max(1) as f64
}
