//! Where the picture is periodic in one direction: local spectra, and clusters of tiles that agree.
//!
//! Each level of the pyramid is cut into overlapping tiles of 64 pixels. A ruling shows in a tile's power
//! spectrum as a peak far above the floor; neighbouring tiles see nearly the same wave vector. Tiles that agree with a
//! neighbour form clusters, the candidates for a ruling. Textures and print give peaks too, but few neighbours agree.

use super::pyramid::Level;
use super::spectrum::{self, Spectrum, Transform};
use rayon::prelude::*;

/// Tile side, level pixels.
pub(super) const TILE: usize = 64;
/// Half overlap.
const STRIDE: usize = TILE / 2;
/// Least frequency looked at, cycles per tile: below it lie shading and blobs.
const LEAST_CYCLES: f64 = 3.5;
/// Power of a peak over the median power of the tile that makes it worth a vote. White noise gives a
/// maximum near ln(2000)/ln 2 = 11 times the median.
const LEAST_PEAK: f32 = 24.0;
/// A peak over its ray on both sides, in power.
const VALLEY: f32 = 4.0;
/// Waves fainter than this, relative to the ground, are not told from the edges of JPEG blocks at the frequencies of these (common
/// practice: they stay below a code of 8 bits, which is 1 % of the light).
const FAINTEST_ON_BLOCKS: f32 = 0.005;
/// Most tiles looked at on one level: all those of 3 megapixels, of larger ones a third of that.
const MOST_TILES: usize = 2800;
const MOST_OF_MANY: usize = 900;
/// The same of pictures of more than 12 megapixels, whose halvings are large too.
const MOST_OF_LARGE: usize = 600;
/// Peaks kept per tile.
const PEAKS: usize = 4;

/// Neighbouring tiles that see the same wave.
#[derive(Clone, Debug)]
pub(super) struct Cluster {
    /// Wave vector at full size, cycles per px, x component (half plane fx > 0, or fx = 0 and fy > 0).
    pub(super) fx: f64,
    /// Its y component, cycles per px.
    pub(super) fy: f64,
    /// Centres of the tiles, full-size image px.
    pub(super) centres: Vec<(f64, f64)>,
    /// ln(peak / floor) of each tile.
    pub(super) strengths: Vec<f64>,
    /// Their sum.
    pub(super) score: f64,
    /// Full-size px of a tile's half side.
    pub(super) reach_px: f64,
    /// Tiles farther from each other than this do not touch, px: all tiles but one between them look elsewhere.
    apart_px: f64,
}

#[derive(Clone, Copy, Debug)]
struct Peak {
    fx: f64,
    fy: f64,
    strength: f32,
}

impl Cluster {
    /// The part of it that lies where `keep` says so; the wave is that of the whole.
    pub(super) fn only(&self, keep: impl Fn((f64, f64)) -> bool) -> Self {
        self.select(|i| keep(self.centres[i]))
    }

    /// Its parts that stand apart, as after something in the midst of it was taken out.
    pub(super) fn parts(&self) -> Vec<Self> {
        let near = |a: (f64, f64), b: (f64, f64)| (a.0 - b.0).hypot(a.1 - b.1) < self.apart_px;
        let mut part = vec![usize::MAX; self.centres.len()];
        let mut count = 0;
        for first in 0..part.len() {
            if part[first] != usize::MAX {
                continue;
            }
            part[first] = count;
            let mut stack = vec![first];
            while let Some(i) = stack.pop() {
                for (k, (of, centre)) in part.iter_mut().zip(&self.centres).enumerate() {
                    if *of == usize::MAX && near(*centre, self.centres[i]) {
                        *of = count;
                        stack.push(k);
                    }
                }
            }
            count += 1;
        }
        (0..count).map(|n| self.select(|i| part[i] == n)).collect()
    }

    fn select(&self, keep: impl Fn(usize) -> bool) -> Self {
        let kept = (0..self.centres.len()).filter(|i| keep(*i)).map(|i| (self.centres[i], self.strengths[i]));
        let (centres, strengths): (Vec<_>, Vec<f64>) = kept.unzip();
        Self { score: strengths.iter().sum(), centres, strengths, ..*self }
    }
}

/// Clusters over all levels, strongest first.
pub(super) fn clusters(levels: &[Level<'_>]) -> Vec<Cluster> {
    let mut all: Vec<Cluster> = levels.par_iter().flat_map_iter(level_clusters).collect();
    all.sort_by(|a, b| b.score.total_cmp(&a.score));
    all
}

fn level_clusters(level: &Level<'_>) -> Vec<Cluster> {
    if level.width < TILE || level.height < TILE {
        return Vec::new();
    }
    let columns = (level.width - TILE) / STRIDE + 1;
    let rows = (level.height - TILE) / STRIDE + 1;
    let transform = spectrum::transform();
    let window: Vec<f32> =
        (0..TILE).map(|i| (std::f32::consts::PI * (i as f32 + 0.5) / TILE as f32).sin().powi(2)).collect();
    let rings = Rings::new();
    let (looked_at, apart) = tiles(level, columns, rows);
    let found: Vec<(usize, Vec<Peak>)> = looked_at
        .into_par_iter()
        .map_init(
            || Scratch::new(&transform),
            |scratch, i| {
                (i, tile_peaks(level, (i % columns) * STRIDE, (i / columns) * STRIDE, &window, &rings, scratch))
            },
        )
        .collect();
    let mut peaks = vec![Vec::new(); rows * columns];
    for (i, p) in found {
        peaks[i] = p;
    }
    join(level, columns, rows, &peaks, apart.max(2))
}

/// The tiles to look at, and how far apart they lie at most, in tiles.
///
/// All of a small level. Of a large one an even lattice, and besides it the liveliest ones, so that a small ruling in a large picture is
/// seen by as many tiles as in a small picture.
fn tiles(level: &Level<'_>, columns: usize, rows: usize) -> (Vec<usize>, usize) {
    let all = columns * rows;
    // In large pictures every thirty-second row tells where they are lively, else every sixteenth.
    let (enough, most, every) = match all * level.step_px.pow(2) > 4 * MOST_TILES {
        true => (MOST_OF_LARGE, MOST_OF_LARGE, STRIDE),
        false => (MOST_TILES, MOST_OF_MANY, STRIDE / 2),
    };
    if all <= enough {
        return ((0..all).collect(), 1);
    }
    let apart = (all as f64 / (0.5 * most as f64)).sqrt().ceil() as usize;
    let mut chosen: Vec<bool> =
        (0..all).map(|i| (i % columns).is_multiple_of(apart) && (i / columns).is_multiple_of(apart)).collect();
    // Steps from pixel to pixel along those rows, and to the row after the next, by halves of a tile.
    let across = columns + 1;
    let band = |y: usize| -> Vec<f32> {
        let (mut upper, mut lower) = (vec![0.0; across * STRIDE], vec![0.0; across * STRIDE]);
        let mut steps = vec![0.0; across];
        for j in (0..STRIDE).step_by(every) {
            level.fill(0, y * STRIDE + j, &mut upper);
            level.fill(0, y * STRIDE + j + 2, &mut lower);
            for ((sum, a), b) in steps.iter_mut().zip(upper.chunks_exact(STRIDE)).zip(lower.chunks_exact(STRIDE)) {
                *sum += distances(&a[..STRIDE - 1], &a[1..]) + distances(a, b);
            }
        }
        steps
    };
    let steps: Vec<f32> = (0..=rows).into_par_iter().flat_map_iter(band).collect();
    let lively = |i: usize| -> f32 {
        let at = (i / columns) * across + i % columns;
        steps[at] + steps[at + 1] + steps[at + across] + steps[at + across + 1]
    };
    let mut order: Vec<(f32, usize)> = (0..all).map(|i| (lively(i), i)).collect();
    let most = most / 2;
    order.select_nth_unstable_by(most, |a, b| b.0.total_cmp(&a.0));
    for (_, i) in &order[..most] {
        chosen[*i] = true;
    }
    ((0..all).filter(|i| chosen[*i]).collect(), apart)
}

/// The sum of the distances of values from those beside them, four sums at a time.
fn distances(a: &[f32], b: &[f32]) -> f32 {
    let ((a, a_rest), (b, b_rest)) = (a.as_chunks::<4>(), b.as_chunks::<4>());
    let mut sums = [0.0_f32; 4];
    for (a, b) in a.iter().zip(b) {
        for ((sum, a), b) in sums.iter_mut().zip(a).zip(b) {
            *sum += (a - b).abs();
        }
    }
    sums.iter().sum::<f32>() + a_rest.iter().zip(b_rest).map(|(a, b)| (a - b).abs()).sum::<f32>()
}

/// One bin of a tile's half spectrum: its frequency, cycles per tile, and where the spectrum has its power.
struct Bin {
    i: i32,
    j: i32,
    r: f64,
    place: usize,
}

/// The bins that are looked at, ring by ring of equal frequency.
struct Rings {
    bins: Vec<Bin>,
    /// Where each ring begins among them, and after the last one their number.
    starts: Vec<usize>,
}

impl Rings {
    fn new() -> Self {
        let half = TILE as i32 / 2;
        let all = (0..half).flat_map(|i| (-half..half).map(move |j| (i, j)));
        let mut bins: Vec<Bin> = all
            .filter_map(|(i, j)| {
                let r = f64::from(i).hypot(f64::from(j));
                let inside = (LEAST_CYCLES..=0.47 * TILE as f64).contains(&r) && !(i == 0 && j < 0);
                inside.then(|| Bin { i, j, r, place: Spectrum::place(i, j) })
            })
            .collect();
        bins.sort_by_key(|b| b.r as usize);
        let starts = (0..=TILE / 2).map(|ring| bins.partition_point(|b| (b.r as usize) < ring)).collect();
        Self { bins, starts }
    }

    fn each(&self) -> impl Iterator<Item = &[Bin]> {
        self.starts.windows(2).map(|w| &self.bins[w[0]..w[1]])
    }
}

struct Scratch {
    tile: Vec<f32>,
    spectrum: Spectrum,
    /// Power in one ring.
    ring: Vec<f32>,
}

impl Scratch {
    fn new(transform: &Transform) -> Self {
        Self { tile: vec![0.0; TILE * TILE], spectrum: Spectrum::new(transform), ring: Vec::with_capacity(4 * TILE) }
    }

    fn power_near(&self, p: &Peak) -> f32 {
        self.spectrum.near(p.fx, p.fy)
    }
}

/// The strongest peaks of one tile.
fn tile_peaks(level: &Level<'_>, x0: usize, y0: usize, window: &[f32], rings: &Rings, s: &mut Scratch) -> Vec<Peak> {
    for (j, row) in s.tile.chunks_exact_mut(TILE).enumerate() {
        level.fill(x0, y0 + j, row);
    }
    let mean = s.tile.chunks_exact(TILE).map(|r| r.iter().sum::<f32>()).sum::<f32>() / (TILE * TILE) as f32;
    if !mean.is_finite() || mean <= 0.0 {
        return Vec::new();
    }
    s.spectrum.fill(&s.tile, mean, window);
    let mut peaks = pick_peaks(rings, s);
    // The sine-square window passes a quarter of a wave's amplitude; half of it goes to each of the two peaks.
    let power_at = |relative: f32| (relative * mean * (TILE * TILE) as f32 / 8.0).powi(2);
    peaks.retain(|p| !(on_block_grid(p, level.step_px) && s.power_near(p) < power_at(FAINTEST_ON_BLOCKS)));
    peaks
}

/// The frequencies at which the edges of JPEG blocks repeat: along an axis, whole multiples of 1/8 cycle a pixel. And the highest
/// along an axis, from the seventh multiple of 1/16 on: where compression has left hardly any of the finest frequencies, the rest
/// stands out like a wave.
fn on_block_grid(p: &Peak, step_px: usize) -> bool {
    let bins = (TILE * step_px) as f64 / 8.0;
    let along = |a: f64, b: f64| {
        let n = (a.abs() / bins).round();
        let repeats = n >= 1.0 && (a.abs() - n * bins).abs() < 0.4 && b.abs() < 0.4;
        repeats || (a.abs() > 3.3 * bins && b.abs() < 1.5)
    };
    along(p.fx, p.fy) || along(p.fy, p.fx)
}

/// Up to four peaks that stand out from their ring of equal frequency and from their own ray.
///
/// Shading, specks and single edges have spectra that fall smoothly along a ray from the origin; a periodic pattern has
/// a maximum with valleys on both sides. Each bin is compared with the median of its ring and with the ray 3 bins nearer and farther.
fn pick_peaks(rings: &Rings, s: &mut Scratch) -> Vec<Peak> {
    let power = &s.spectrum;
    let mut order: Vec<(f32, i32, i32)> = Vec::new();
    for bins in rings.each() {
        s.ring.clear();
        s.ring.extend(bins.iter().map(|b| power.power()[b.place]));
        let Some(floor) = floor_below_a_peak(&mut s.ring) else { continue };
        for &Bin { i, j, r, place } in bins {
            let over = power.power()[place] / floor;
            if over > LEAST_PEAK && is_local_maximum(power, i, j) && has_valleys(power, i, j, r) {
                order.push((over, i, j));
            }
        }
    }
    order.sort_by(|a, b| b.0.total_cmp(&a.0));
    let mut found: Vec<Peak> = Vec::new();
    for (over, i, j) in order.into_iter().take(PEAKS) {
        let (fx, fy) = centroid(power, i, j);
        found.push(Peak { fx, fy, strength: over });
    }
    found
}

/// The median of a ring, where its highest power stands out of it enough for a vote.
///
/// In most rings of most tiles it does not, which is seen without the median: at least half of the powers are then near the highest.
fn floor_below_a_peak(ring: &mut [f32]) -> Option<f32> {
    // Four at a time; a plain comparison, unlike `f32::max`, is one instruction.
    let higher = |a: f32, b: f32| if a > b { a } else { b };
    let (fours, rest) = ring.as_chunks::<4>();
    let highest = fours.iter().fold([0.0; 4], |h: [f32; 4], p| std::array::from_fn(|i| higher(p[i], h[i])));
    let highest = highest.iter().chain(rest).copied().fold(0.0, higher);
    let near = ring.iter().filter(|p| **p * LEAST_PEAK >= highest).count();
    let middle = ring.len() / 2;
    if near >= ring.len() - middle {
        return None;
    }
    let (_, floor, _) = ring.select_nth_unstable_by(middle, f32::total_cmp);
    Some(floor.max(f32::MIN_POSITIVE))
}

fn is_local_maximum(power: &Spectrum, i: i32, j: i32) -> bool {
    let p = power.at(i, j);
    [(-1, 0), (1, 0), (0, -1), (0, 1), (1, 1), (-1, -1), (1, -1), (-1, 1)]
        .iter()
        .all(|(di, dj)| power.at(i + di, j + dj) <= p)
}

fn has_valleys(power: &Spectrum, i: i32, j: i32, r: f64) -> bool {
    let p = power.at(i, j);
    let (fi, fj) = (f64::from(i), f64::from(j));
    let (ui, uj) = (fi / r, fj / r);
    [-3.0, 3.0].iter().all(|d| {
        let at = power.near(fi + d * ui, fj + d * uj);
        // Past the Nyquist frequency the ray folds back: no valley to look for there.
        r + d > 0.5 * TILE as f64 || at * VALLEY < p
    })
}

/// Power centroid of the 3 x 3 bins about a peak, cycles per tile.
fn centroid(power: &Spectrum, i: i32, j: i32) -> (f64, f64) {
    let (mut sum, mut sx, mut sy) = (0.0, 0.0, 0.0);
    for di in [-1, 0, 1] {
        for dj in [-1, 0, 1] {
            let p = f64::from(power.at(i + di, j + dj));
            sum += p;
            sx += p * f64::from(di);
            sy += p * f64::from(dj);
        }
    }
    (f64::from(i) + sx / sum, f64::from(j) + sy / sum)
}

/// The same wave in two neighbouring tiles: their frequencies are within 0.9 cycles per tile of each other.
fn same_wave(a: &Peak, b: &Peak) -> Option<f64> {
    let near = |sign: f64| {
        let d = (a.fx - sign * b.fx).hypot(a.fy - sign * b.fy);
        d < 0.9
    };
    if near(1.0) {
        Some(1.0)
    } else if near(-1.0) {
        Some(-1.0)
    } else {
        None
    }
}

fn join(level: &Level<'_>, columns: usize, rows: usize, peaks: &[Vec<Peak>], reach: usize) -> Vec<Cluster> {
    // Each (tile, peak) is a node; flood over neighbours up to `reach` tiles away: two where all tiles were looked at, so that a gap
    // of one does not part a ruling.
    let mut seen: Vec<Vec<bool>> = peaks.iter().map(|p| vec![false; p.len()]).collect();
    let mut out = Vec::new();
    let scale = 1.0 / (TILE * level.step_px) as f64;
    for start in 0..peaks.len() {
        for which in 0..peaks[start].len() {
            if seen[start][which] {
                continue;
            }
            seen[start][which] = true;
            let mut stack = vec![(start, which, 1.0)];
            let (mut centres, mut strengths, mut sum) = (Vec::new(), Vec::new(), (0.0, 0.0));
            while let Some((tile, k, sign)) = stack.pop() {
                let peak = &peaks[tile][k];
                let (c, r) = (tile % columns, tile / columns);
                let place = |n: usize| ((n * STRIDE + STRIDE) * level.step_px) as f64;
                centres.push((place(c), place(r)));
                let w = f64::from(peak.strength.ln());
                strengths.push(w);
                sum.0 += w * sign * peak.fx;
                sum.1 += w * sign * peak.fy;
                for rr in r.saturating_sub(reach)..(r + reach + 1).min(rows) {
                    for cc in c.saturating_sub(reach)..(c + reach + 1).min(columns) {
                        let next = rr * columns + cc;
                        for (m, other) in peaks[next].iter().enumerate() {
                            if !seen[next][m]
                                && let Some(turn) = same_wave(peak, other)
                            {
                                seen[next][m] = true;
                                stack.push((next, m, sign * turn));
                            }
                        }
                    }
                }
            }
            let score: f64 = strengths.iter().sum();
            let (fx, fy) = (sum.0 / score * scale, sum.1 / score * scale);
            let flip = if fx < 0.0 { -1.0 } else { 1.0 };
            out.push(Cluster {
                fx: fx * flip,
                fy: fy * flip,
                centres,
                strengths,
                score,
                reach_px: (STRIDE * level.step_px) as f64,
                apart_px: 1.15 * (reach * STRIDE * level.step_px) as f64,
            });
        }
    }
    out
}
