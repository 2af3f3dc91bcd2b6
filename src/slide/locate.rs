//! Graduations to a fraction of a pixel: all lines of one strip fitted at once, in linear light.
//!
//! A strip is a narrow part of the picture across the ruling. Its pixels are modelled as a background of straight pieces plus, for
//! each graduation, amplitude times the common line shape, displaced by a small amount:
//! `I(p) = Σ β_m B_m + Σ_k A_k [T(d_k) − δ_k T′(d_k)]`, with `d_k` the distance of the pixel from the predicted line. This is
//! linear in β, A and A·δ, so neighbours that overlap, faint and missing graduations are handled exactly, and the information
//! about all δ of the strip (everything else eliminated) is the Fisher information of the pixels: the fit that follows is the
//! maximum-likelihood one. Specks are taken out by bisquare weights on pixel residuals.

use super::knots;
use super::lines::Lines;
use super::phase::Phase;
use super::rectify::Frame;
use super::shape::{Optical, Shape};
use super::strip::{self, Block, Design, Pixel, Place, Said, Solved, Tails};
use crate::photo::Light;
use crate::stats::median;
use nalgebra::DMatrix;
use rayon::prelude::*;

/// Most graduations in one joint solution; longer rulings are cut into blocks.
const BLOCK: usize = 96;
/// The same in large pictures: the time of a fit grows with the cube of it.
const BLOCK_OF_LARGE: usize = 48;
/// Most pixels of a ruling that a full solution looks at; beyond it strips are left out evenly.
const MOST_PIXELS: f64 = 1.2e6;
/// The same in pictures of more than [`LARGE`] pixels, whose graduations are located far better than slides are ruled.
const MOST_PIXELS_OF_LARGE: f64 = 1.1e5;
/// Pixels of a large picture.
const LARGE: usize = 4_000_000;
/// Most pixels of one strip in a trial, but never fewer than this many graduations.
const TRIAL: (f64, f64) = (8e3, 24.0);
/// The same in large pictures, in strips as narrow as that takes.
const TRIAL_OF_LARGE: f64 = 2e3;
/// How far beyond the outermost graduations the pixels of a trial reach, divisions.
const TRIAL_MARGIN: f64 = 1.2;
/// Strips of a trial.
const TRIAL_STRIPS: usize = 6;
/// The same in large pictures.
const TRIAL_STRIPS_OF_LARGE: usize = 4;
/// Strips of a look that is not the last.
const SOME_STRIPS: usize = 24;
/// Most strips in large pictures: of the last look, and of those before it.
const ALL_OF_LARGE: usize = 12;
const SOME_OF_LARGE: usize = 6;
/// Most pixels of one strip there, in a look that is not the last: the phase to a fraction of a pixel and the line shape, which are sought
/// then, few pixels tell.
const MOST_OF_NARROW: f64 = 3.5e3;

/// Widest lines, relative to their distance, between which the ground is looked at: wider ones share their pixels with it.
const WIDEST_FOR_GROUND: f64 = 0.5;

/// What one strip says about the graduations of one block.
#[derive(Clone, Debug)]
pub(super) struct Spots {
    /// Indices of the graduations.
    pub(super) k: Vec<i64>,
    /// Where each was predicted, image px.
    pub(super) at: Vec<(f64, f64)>,
    /// Unit vector across the line at each, image axes.
    pub(super) across: Vec<(f64, f64)>,
    /// Displacement of each from the prediction, px along `across`.
    pub(super) delta: Vec<f64>,
    /// Amplitude of each, linear light.
    pub(super) amplitude: Vec<f64>,
    /// Information about the displacements, 1/px²: rows and columns as `k`; of a look at some strips its diagonal alone.
    pub(super) information: DMatrix<f64>,
    /// What the fit leaves over the lines' amplitude, folded into one interval: sums of value and weight. Of a look at some strips only.
    folded: Vec<(f64, f64)>,
    /// Noise of one pixel, linear light.
    pub(super) pixel_sd: f64,
}

/// How much of the ruling a solution looks at.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Effort {
    /// A few strips, in large pictures narrow ones.
    Some,
    /// All of it.
    Full,
}

/// One strip to be fitted.
#[derive(Clone, Copy, Debug)]
struct Strip {
    s: f64,
    half: f64,
}

/// Everything that the strips share.
pub(super) struct Locator<'a> {
    pub(super) light: &'a Light,
    pub(super) frame: Frame,
    pub(super) lines: &'a Lines,
    /// How many times as many pixels of a large picture are looked at as its lines mostly need.
    pub(super) times: f64,
}

impl std::fmt::Debug for Locator<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Locator").field("frame", &self.frame).finish_non_exhaustive()
    }
}

impl Locator<'_> {
    fn pitch_px(&self) -> f64 {
        let s = 0.5 * (self.lines.band.0 + self.lines.band.1);
        let k = self.lines.first as f64 + 0.5 * self.lines.present.len() as f64;
        let t = self.lines.phase.t_of(k, s, 0.0).unwrap_or(0.0);
        let g = self.lines.phase.gradient(t, s);
        1.0 / g.0.hypot(g.1)
    }

    /// Strips over everything that any graduation reaches, about `height` px each.
    fn strips(&self, height: f64) -> Vec<Strip> {
        let (lo, hi) = self.lines.extent();
        let n = ((hi - lo) / height).round().max(1.0);
        let half = 0.5 * (hi - lo) / n;
        (0..n as usize).map(|i| Strip { s: lo + (2.0 * i as f64 + 1.0) * half, half }).collect()
    }

    /// Of these strips as many as hold the most pixels that a full solution looks at, evenly. In large pictures a dozen narrow ones:
    /// where they are few, all might lie where the short graduations end.
    fn affordable(&self, strips: Vec<Strip>) -> Vec<Strip> {
        let length = self.length();
        let height: f64 = strips.iter().map(|s| 2.0 * s.half).sum();
        let most = self.times * MOST_PIXELS_OF_LARGE;
        if self.is_large() && length * height > most {
            return narrowed(strips, ALL_OF_LARGE, most / length);
        }
        let keep = (MOST_PIXELS / (length * height)).min(1.0);
        let kept = |i: usize| ((i as f64 + 1.0) * keep).floor() > (i as f64 * keep).floor();
        strips.into_iter().enumerate().filter(|(i, _)| kept(*i)).map(|(_, s)| s).collect()
    }

    pub(super) const fn is_large(&self) -> bool {
        self.light.width() * self.light.height() > LARGE
    }

    /// Length of the ruling, px.
    fn length(&self) -> f64 {
        self.lines.present.len() as f64 * self.pitch_px()
    }

    /// The strips of this effort, fitted with this phase and line shape.
    pub(super) fn spots(&self, phase: &Phase, shape: &Shape, effort: Effort) -> Vec<Spots> {
        let strips = match effort {
            Effort::Some => self.some(SOME_STRIPS, usize::MAX, (SOME_OF_LARGE, MOST_OF_NARROW)),
            Effort::Full => self.in_blocks(self.affordable(self.strips(self.height())), usize::MAX),
        };
        strips.par_iter().filter_map(|(strip, ks)| self.fit(*strip, ks, phase, shape, effort)).collect()
    }

    /// A few strips to compare shapes in, of a long ruling only its beginning.
    pub(super) fn trials<'a>(&'a self, phase: &'a Phase) -> Trials<'a> {
        let pitch = self.pitch_px();
        let lines = (TRIAL.0 / (self.height() * pitch)).max(TRIAL.1) as usize;
        let with_pixels = |(strip, ks): (Strip, Vec<i64>)| {
            let places: Vec<Place> = ks.iter().filter_map(|k| self.place(*k, strip.s, phase)).collect();
            let pixels = self.pixels(strip, &places, phase, TRIAL_MARGIN * pitch);
            (strip, ks, pixels)
        };
        let strips = self
            .some(TRIAL_STRIPS, lines, (TRIAL_STRIPS_OF_LARGE, TRIAL_OF_LARGE))
            .into_par_iter()
            .map(with_pixels)
            .collect();
        Trials { locator: self, phase, strips }
    }

    /// Height of a strip, px.
    fn height(&self) -> f64 {
        (1.5 * self.pitch_px()).clamp(8.0, 24.0)
    }

    /// At most so many strips, evenly, each with its first `lines` graduations in blocks; in large pictures so many of about `narrow` pixels.
    fn some(&self, most: usize, lines: usize, (of_large, narrow): (usize, f64)) -> Vec<(Strip, Vec<i64>)> {
        let all = self.strips(self.height());
        if self.is_large() {
            let length = lines.min(self.lines.present.len()) as f64 * self.pitch_px();
            let height = self.times * of_large as f64 * narrow / length;
            return self.in_blocks(narrowed(all, of_large, height), lines);
        }
        let all = self.affordable(all);
        let every = all.len().div_ceil(most).max(1);
        self.in_blocks(all.into_iter().skip(every / 2).step_by(every), lines)
    }

    fn in_blocks(&self, strips: impl IntoIterator<Item = Strip>, lines: usize) -> Vec<(Strip, Vec<i64>)> {
        let blocks = |strip| self.blocks(strip, lines).into_iter().map(move |ks| (strip, ks));
        strips.into_iter().flat_map(blocks).collect()
    }

    /// Whether a graduation reaches into a strip, or would if it were there.
    fn reaches(&self, k: i64, strip: Strip) -> bool {
        let r = self.lines.reach[k.rem_euclid(10) as usize];
        strip.s + strip.half > r.0 && strip.s - strip.half < r.1
    }

    /// The first `most` graduations that reach into a strip, in blocks.
    fn blocks(&self, strip: Strip, most: usize) -> Vec<Vec<i64>> {
        let all: Vec<i64> = (self.lines.first..self.lines.first + self.lines.present.len() as i64)
            .filter(|k| self.reaches(*k, strip))
            .take(most)
            .collect();
        all.chunks(if self.is_large() { BLOCK_OF_LARGE } else { BLOCK }).map(<[i64]>::to_vec).collect()
    }

    /// A block with its guards and the tails of the whole strip.
    fn block(&self, ks: &[i64], strip: Strip, phase: &Phase, shape: &Shape) -> Option<Block> {
        let (first, last) = (*ks.first()?, *ks.last()?);
        let guards = (shape.reach() / self.pitch_px()).ceil().clamp(1.0, 4.0) as i64;
        let reaches = |k: &i64| self.reaches(*k, strip);
        let before: Vec<i64> = (first - guards..first).filter(reaches).collect();
        let after: Vec<i64> = (last + 1..=last + guards).filter(reaches).collect();
        let (mut places, mut ours) = (Vec::with_capacity(ks.len() + 8), 0..0);
        for (list, counts) in [(&before[..], false), (ks, true), (&after[..], false)] {
            let from = places.len();
            places.extend(list.iter().filter_map(|k| self.place(*k, strip.s, phase)));
            if counts {
                ours = from..places.len();
            }
        }
        let pitch = places.get(places.len() / 2)?.pitch;
        let lines: Vec<(i64, f64)> = (self.lines.first..)
            .zip(self.lines.present.iter().zip(&self.lines.contrast))
            .filter(|(k, (present, contrast))| **present && contrast.is_finite() && reaches(k))
            .map(|(k, (_, contrast))| (k, *contrast))
            .collect();
        let typical = lines.iter().map(|l| l.1).sum::<f64>() / lines.len().max(1) as f64;
        let lines: Vec<(i64, f64)> = lines.into_iter().map(|(k, c)| (k, c / typical)).collect();
        let margin = 1.0 + shape.reach() / pitch;
        let tails = Tails::of(&lines, shape.reach() / pitch, (first as f64 - margin, last as f64 + margin));
        Some(Block { places, ours, tails })
    }

    fn fit(&self, strip: Strip, ks: &[i64], phase: &Phase, shape: &Shape, effort: Effort) -> Option<Spots> {
        let block = self.block(ks, strip, phase, shape)?;
        if block.ours.len() < 2 {
            return None;
        }
        let places = block.counted();
        let pixels = self.pixels(strip, places, phase, Self::margin(places, shape));
        let rounds = if effort == Effort::Full { 3 } else { 2 };
        let (design, solved, residuals) = self.solved(&pixels, &block, shape, rounds)?;
        let (said, folded) = match effort {
            Effort::Full => (strip::finish(&design, &solved, &residuals, block.ours.clone())?, Vec::new()),
            Effort::Some => {
                let said = strip::finish_roughly(&design, &solved, &residuals, block.ours.clone())?;
                let folded = folded(&pixels, &residuals, places, &said, bins(self.pitch_px()));
                (said, folded)
            }
        };
        Some(Spots {
            k: places.iter().map(|p| p.k).collect(),
            at: places.iter().map(|p| p.at).collect(),
            across: places.iter().map(|p| p.across).collect(),
            delta: said.delta,
            amplitude: said.amplitude,
            information: said.information,
            folded,
            pixel_sd: said.pixel_sd,
        })
    }

    /// The model of a block, its solution and what it leaves of each pixel, with a finer ground where the plain one does not hold; wide lines leave no
    /// ground to tell that by.
    fn solved(
        &self,
        pixels: &[Pixel],
        block: &Block,
        shape: &Shape,
        rounds: usize,
    ) -> Option<(Design, Solved, Vec<f64>)> {
        let with_ground = |uneven: &[i64]| {
            let design = Design::of(pixels, block, shape, uneven);
            let solved = strip::solve(&design, rounds)?;
            let residuals = design.residuals(&solved.x);
            Some((design, solved, residuals))
        };
        let plain = with_ground(&[])?;
        if shape.fwhm() > WIDEST_FOR_GROUND * self.pitch_px() {
            return Some(plain);
        }
        let uneven = knots::uneven(pixels, &plain.2, &plain.1, block);
        if uneven.is_empty() { Some(plain) } else { with_ground(&uneven).or(Some(plain)) }
    }

    fn place(&self, k: i64, s: f64, phase: &Phase) -> Option<Place> {
        let guess = self.lines.phase.t_of(k as f64, s, 0.0)?;
        let t = phase.t_of(k as f64, s, guess)?;
        let (gt, gs) = phase.gradient(t, s);
        let slope = gt.hypot(gs);
        let (x, y) = self.frame.xy(t, s);
        let n = self.frame.n;
        let across = ((gt * n.0 - gs * n.1) / slope, (gt * n.1 + gs * n.0) / slope);
        Some(Place { k, t, at: (x, y), across, pitch: 1.0 / slope })
    }

    /// The pixels of a strip from its first graduation to the last one and `margin` px beyond them, by rows.
    fn pixels(&self, strip: Strip, places: &[Place], phase: &Phase, margin: f64) -> Vec<Pixel> {
        let (Some(a), Some(b)) = (places.first(), places.last()) else { return Vec::new() };
        let (t_lo, t_hi) = (a.t - margin, b.t + margin);
        let (s_lo, s_hi) = (strip.s - strip.half, strip.s + strip.half);
        let n = self.frame.n;
        let corners = [(t_lo, s_lo), (t_lo, s_hi), (t_hi, s_lo), (t_hi, s_hi)].map(|(t, s)| self.frame.xy(t, s));
        let y_lo = corners.iter().map(|c| c.1).fold(f64::MAX, f64::min).floor().max(0.0) as usize;
        let y_hi =
            corners.iter().map(|c| c.1).fold(f64::MIN, f64::max).ceil().clamp(0.0, self.light.height() as f64) as usize;
        let mut out = Vec::with_capacity((4.0 * strip.half * (t_hi - t_lo)) as usize);
        let mut values: Vec<f32> = Vec::new();
        for row in y_lo..y_hi {
            let y = row as f64 + 0.5;
            let dy = y - self.frame.origin.1;
            // t = dx n.0 + dy n.1 and s = −dx n.1 + dy n.0, each within its bounds: an interval of dx.
            let across = span(n.0, t_lo - dy * n.1, t_hi - dy * n.1);
            let along = span(-n.1, s_lo - dy * n.0, s_hi - dy * n.0);
            let lo = across.0.max(along.0) + self.frame.origin.0;
            let hi = across.1.min(along.1) + self.frame.origin.0;
            let from = (lo - 0.5).ceil().max(0.0);
            let to = (hi - 0.5).floor().min(self.light.width() as f64 - 1.0);
            if from.is_nan() || to.is_nan() || from > to {
                continue;
            }
            let first = from as usize;
            values.resize(to as usize + 1 - first, 0.0);
            self.light.fill_unclipped(first, row, &mut values);
            for (i, value) in values.iter().enumerate().filter(|(_, v)| !v.is_nan()) {
                let (t, s) = self.frame.ts((first + i) as f64 + 0.5, y);
                if s >= s_lo && s < s_hi {
                    out.push(Pixel { phase: phase.at(t, s), value: f64::from(*value) });
                }
            }
        }
        out
    }

    /// Where the pixels of a block end beyond its outermost graduations, px.
    fn margin(places: &[Place], shape: &Shape) -> f64 {
        places.first().map_or(0.0, |a| shape.reach().max(0.6 * a.pitch))
    }

    /// The line shape as the strips show it: the optics whose even row of lines leaves no harmonic in the residuals.
    pub(super) fn refined_shape(&self, shape: &Shape, spots: &[Spots]) -> Option<Shape> {
        let pitch = self.pitch_px();
        let bins = bins(pitch);
        // Summed in their order, so that a picture reads the same to the last digit on any number of threads.
        let mut sums = vec![(0.0, 0.0); bins];
        for one in spots {
            for (sum, v) in sums.iter_mut().zip(&one.folded) {
                *sum = (sum.0 + v.0, sum.1 + v.1);
            }
        }
        if sums.iter().any(|s| s.1 <= 0.0) {
            return None;
        }
        // Harmonics up to half a cycle a pixel.
        let count = ((0.5 * pitch).floor() as usize).clamp(1, 8);
        let harmonics: Vec<f64> = (1..=count)
            .map(|n| {
                let turn = std::f64::consts::TAU * n as f64 / bins as f64;
                let residual: f64 =
                    sums.iter().enumerate().map(|(j, s)| s.0 / s.1 * (turn * (j as f64 + 0.5)).cos()).sum();
                shape.transform(n as f64 / pitch) + residual * pitch / bins as f64
            })
            .collect();
        Some(Shape::optical(Optical::of_harmonics(&harmonics, pitch, shape)?))
    }
}

/// Parts of one interval between two lines into which residuals are folded.
fn bins(pitch_px: f64) -> usize {
    ((4.0 * pitch_px).round() as usize).clamp(32, 256)
}

/// Residuals of a strip over the lines' amplitude, folded into one interval that begins at a line: sums of value and weight.
fn folded(pixels: &[Pixel], residuals: &[f64], places: &[Place], said: &Said, bins: usize) -> Vec<(f64, f64)> {
    let mut sum = vec![(0.0, 0.0); bins];
    for (p, r) in pixels.iter().zip(residuals) {
        let k = p.phase.round() as i64;
        let Ok(i) = places.binary_search_by_key(&k, |q| q.k) else { continue };
        // Only where lines stand in a row.
        let row = i > 0 && i + 1 < places.len() && places[i - 1].k == k - 1 && places[i + 1].k == k + 1;
        let a = said.amplitude[i];
        if !row || r.abs() > 4.0 * said.pixel_sd || a.abs() < 4.0 * said.pixel_sd {
            continue;
        }
        let place = (p.phase - said.delta[i] / places[i].pitch).rem_euclid(1.0);
        let bin = &mut sum[((place * bins as f64) as usize).min(bins - 1)];
        bin.0 += a * r;
        bin.1 += a * a;
    }
    sum
}

/// Strips in which shapes are compared, with the pixels that all of them are tried on.
pub(super) struct Trials<'a> {
    locator: &'a Locator<'a>,
    phase: &'a Phase,
    strips: Vec<(Strip, Vec<i64>, Vec<Pixel>)>,
}

impl Trials<'_> {
    /// Mean square that this line shape leaves of a pixel in most intervals from line to line: a shape that is off is so at every line, dirt lies on
    /// some, and a wide shape follows it better than the lines do.
    pub(super) fn left(&self, shape: &Shape) -> Option<f64> {
        let squares = |(strip, ks, pixels): &(Strip, Vec<i64>, Vec<Pixel>)| {
            let block = self.locator.block(ks, *strip, self.phase, shape).filter(|b| b.ours.len() >= 2)?;
            let (first, last) = (*ks.first()?, *ks.last()?);
            let design = Design::of(pixels, &block, shape, &[]);
            let residuals = design.residuals(&strip::solve(&design, 1)?.x);
            let mut sums = vec![(0.0, 0.0); (last - first + 1) as usize];
            for (p, r) in pixels.iter().zip(&residuals) {
                let interval = (p.phase.round() as i64).clamp(first, last) - first;
                let (sum, count) = &mut sums[interval as usize];
                (*sum, *count) = (*sum + r * r, *count + 1.0);
            }
            Some(sums.into_iter().filter(|s| s.1 > 0.0).map(|(sum, count)| sum / count).collect())
        };
        let all: Vec<Vec<f64>> = self.strips.par_iter().filter_map(squares).collect();
        median(&all.concat()).ok()
    }
}

/// At most `count` of these strips, evenly, of at most this height together, px, but each at least two pixels high.
fn narrowed(strips: Vec<Strip>, count: usize, height: f64) -> Vec<Strip> {
    let all = strips.len();
    let count = count.min(all);
    let half = (0.5 * height / count as f64).max(1.0);
    let places = (0..count).map(|i| (2 * i + 1) * all / (2 * count));
    places.map(|i| Strip { s: strips[i].s, half: strips[i].half.min(half) }).collect()
}

/// The interval of x with `lo <= a x <= hi`.
fn span(a: f64, lo: f64, hi: f64) -> (f64, f64) {
    if a.abs() < 1e-12 {
        return if lo <= 0.0 && hi >= 0.0 { (f64::MIN, f64::MAX) } else { (f64::MAX, f64::MIN) };
    }
    let (x, y) = (lo / a, hi / a);
    (x.min(y), x.max(y))
}
