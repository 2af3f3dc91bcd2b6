//! From a tracked phase to graduations: polarity, which ones are there, how far each reaches, and the pattern of long ones.

use super::phase::{Phase, Tracked};
use super::rectify::Strips;

/// Samples a graduation interval.
const FOLD: usize = 16;

/// Every graduation interval of every strip, resampled in phase and measured against the ground around it.
#[derive(Clone, Debug)]
pub(super) struct Folded {
    pub(super) first: i64,
    pub(super) count: usize,
    pub(super) rows: usize,
    /// rows × count × [`FOLD`]; relative departure from the local ground; NaN outside the picture.
    values: Vec<f32>,
    /// `t` of the middle of each interval, rows × count, px.
    middles: Vec<f32>,
}

impl Folded {
    fn cell(&self, j: usize, k: usize) -> &[f32] {
        &self.values[(j * self.count + k) * FOLD..][..FOLD]
    }

    /// The same cut half an interval later: for lines that lie between the whole numbers.
    fn half_later(&self) -> Self {
        let count = self.count - 1;
        let (mut values, mut middles) = (Vec::with_capacity(self.values.len()), Vec::with_capacity(self.middles.len()));
        for j in 0..self.rows {
            let row = &self.values[j * self.count * FOLD..(j + 1) * self.count * FOLD];
            values.extend_from_slice(&row[FOLD / 2..row.len() - FOLD / 2]);
            let t = &self.middles[j * self.count..(j + 1) * self.count];
            middles.extend(t.windows(2).map(|w| 0.5 * (w[0] + w[1])));
        }
        Self { first: self.first, count, rows: self.rows, values, middles }
    }
}

/// Resamples all strips at 16 phases per graduation between the phases at the ends of the strips.
pub(super) fn fold(strips: &Strips, phase: &Phase) -> Option<Folded> {
    let middle = strips.s[strips.s.len() / 2];
    let t_end = strips.t0 + (strips.cells - 1) as f64 * strips.dt;
    let first = phase.at(strips.t0, middle).ceil() as i64;
    let last = phase.at(t_end, middle).floor() as i64;
    if last - first < 3 || last - first > 20_000 {
        return None;
    }
    let count = (last - first + 1) as usize;
    let rows = strips.s.len();
    let mut values = vec![f32::NAN; rows * count * FOLD];
    let mut middles = vec![f32::NAN; rows * count];
    for (j, &s) in strips.s.iter().enumerate() {
        let out = &mut values[j * count * FOLD..(j + 1) * count * FOLD];
        // Whole intervals by Newton steps, straight lines between: an interval bends by far less than a sample.
        let mut from = phase.t_of(first as f64 - 0.5, s, strips.t0)?;
        for (k, cell) in out.chunks_exact_mut(FOLD).enumerate() {
            let to = phase.t_of(first as f64 + 0.5 + k as f64, s, from)?;
            for (i, v) in cell.iter_mut().enumerate() {
                *v = strips.at(j, from + (to - from) * (i as f64 + 0.5) / FOLD as f64);
            }
            middles[j * count + k] = (0.5 * (from + to)) as f32;
            from = to;
        }
        to_contrast(out);
    }
    Some(Folded { first, count, rows, values, middles })
}

/// Relative to the running mean over three whole intervals.
fn to_contrast(row: &mut [f32]) {
    let n = row.len();
    let mut sums = vec![(0.0_f64, 0_u32); n + 1];
    for (i, v) in row.iter().enumerate() {
        let (s, c) = sums[i];
        sums[i + 1] = if v.is_nan() { (s, c) } else { (s + f64::from(*v), c + 1) };
    }
    let half = 3 * FOLD / 2;
    for (i, v) in row.iter_mut().enumerate() {
        let (lo, hi) = (i.saturating_sub(half), (i + half).min(n));
        let count = sums[hi].1 - sums[lo].1;
        let mean = (sums[hi].0 - sums[lo].0) / f64::from(count.max(1));
        *v = if count == 0 { f32::NAN } else { (f64::from(*v) / mean.max(1e-6) - 1.0) as f32 };
    }
}

/// The pattern of longer graduations, which tells the division.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Tiers {
    /// All alike as far as can be seen.
    Alike,
    /// Every tenth longest (index ≡ `tens` mod 10), every fifth between: a decimal division.
    TensAndFives { tens: i64 },
    /// Every tenth longer, fifths like the rest.
    Tens { tens: i64 },
    /// Every fifth longer.
    Fives { fives: i64 },
    /// Every second longer: these may themselves be the fifths and tenths of an unseen division.
    Twos,
}

/// Graduations along a tracked phase.
#[derive(Clone, Debug)]
pub(super) struct Lines {
    /// Whole numbers at the centres of graduations.
    pub(super) phase: Phase,
    pub(super) bright: bool,
    pub(super) first: i64,
    /// Seen or not, from `first` on.
    pub(super) present: Vec<bool>,
    /// Contrast of each, relative to the ground, averaged over the band.
    pub(super) contrast: Vec<f64>,
    /// Where all graduations lie, px of `s`.
    pub(super) band: (f64, f64),
    /// Extent along `s` for each index modulo 10, px.
    pub(super) reach: [(f64, f64); 10],
    pub(super) tiers: Tiers,
    /// The long graduations run out of the picture wherever they pass the short ones, so that fifths and tenths look alike.
    pub(super) long_run_out: bool,
    /// Share of the band's rows in which a typical graduation stands clear: near 1 for lines, about half for dots and weaves.
    pub(super) continuity: f64,
    /// Mean shape of one interval, line in the middle, line positive; 16 samples.
    pub(super) shape: [f64; FOLD],
    /// A band edge lies inside the picture on this many sides (0, 1, 2).
    pub(super) ends_seen: u8,
    /// The first and the last graduation lie inside the picture with empty ground beyond them: how many of the two.
    pub(super) outermost_seen: u8,
    /// Standard uncertainty of one graduation's contrast.
    pub(super) noise: f64,
    /// Mean level of the band's rows above that of the rows just beyond its ends, in units of what lines
    /// of this profile explain; positive when the band is brighter. Absent where no end is in the picture.
    pub(super) lift: Option<f64>,
    /// Beside the lines lies a bar, as finer graduations give that are not resolved.
    pub(super) bar_beyond: bool,
}

/// Why a candidate is no ruling.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum NotLines {
    /// The phase could not be followed.
    NoPhase,
    /// No rows in step.
    NoBand,
    /// Nothing significant at the graduations.
    NoContrast,
    /// A finer pattern is stronger: another candidate has it.
    Finer,
}

/// Looks at a tracked candidate for graduations.
pub(super) fn survey(strips: &Strips, tracked: &Tracked) -> Result<Lines, NotLines> {
    let rows = in_step_rows(strips, tracked).ok_or(NotLines::NoBand)?;
    let plain = fold(strips, &tracked.phase).ok_or(NotLines::NoPhase)?;
    let shape = mean_shape(&plain, &rows, tracked);
    if harmonic(&shape, 1) < 0.8 * (2..=6).map(|m| harmonic(&shape, m)).fold(0.0, f64::max) {
        return Err(NotLines::Finer);
    }
    let mut best: Option<Lines> = None;
    for bright in [true, false] {
        let (phase, folded) = if bright {
            (tracked.phase.clone(), plain.clone())
        } else {
            (tracked.phase.recounted(0.5, 1.0), plain.half_later())
        };
        let Ok(lines) = with_polarity(strips, phase, folded, bright, &rows) else { continue };
        best = Some(match best {
            None => lines,
            Some(old) => better_polarity(old, lines, &shape),
        });
    }
    best.ok_or(NotLines::NoContrast)
}

/// A pattern of long graduations decides; else the sharper side of the profile is the line.
fn better_polarity(bright: Lines, dark: Lines, shape: &[f64; FOLD]) -> Lines {
    let told = |l: &Lines| matches!(l.tiers, Tiers::TensAndFives { .. } | Tiers::Tens { .. } | Tiers::Fives { .. });
    match (told(&bright), told(&dark)) {
        (true, false) => bright,
        (false, true) => dark,
        _ => {
            // Seen against the ground beyond their ends, lines make their rows brighter or darker on the whole.
            let lift = bright.lift.or(dark.lift).filter(|l| l.abs() > 0.25);
            if lift.unwrap_or_else(|| skewness(shape)) >= 0.0 { bright } else { dark }
        }
    }
}

fn skewness(shape: &[f64; FOLD]) -> f64 {
    let mean = shape.iter().sum::<f64>() / FOLD as f64;
    let moment = |p: i32| shape.iter().map(|v| (v - mean).powi(p)).sum::<f64>() / FOLD as f64;
    moment(3) / moment(2).powf(1.5).max(1e-30)
}

fn harmonic(shape: &[f64; FOLD], m: usize) -> f64 {
    let (mut re, mut im) = (0.0, 0.0);
    for (q, v) in shape.iter().enumerate() {
        let a = std::f64::consts::TAU * (m * q) as f64 / FOLD as f64;
        re += v * a.cos();
        im += v * a.sin();
    }
    re.hypot(im)
}

/// The run of strips with the most cells in step, as a range of strip indices.
fn in_step_rows(strips: &Strips, tracked: &Tracked) -> Option<std::ops::Range<usize>> {
    let counts: Vec<usize> = (0..strips.s.len())
        .map(|j| tracked.in_step[j * tracked.cells..(j + 1) * tracked.cells].iter().filter(|b| **b).count())
        .collect();
    let most = *counts.iter().max()?;
    if most < 4 {
        return None;
    }
    let peak = counts.iter().position(|c| *c == most)?;
    let enough = |j: usize| 2 * counts[j] > most;
    let mut from = peak;
    while from > 0 && (enough(from - 1) || (from > 1 && enough(from - 2))) {
        from -= 1;
    }
    let mut to = peak + 1;
    while to < counts.len() && (enough(to) || (to + 1 < counts.len() && enough(to + 1))) {
        to += 1;
    }
    Some(from..to)
}

/// Mean interval over the rows and intervals in step.
fn mean_shape(folded: &Folded, rows: &std::ops::Range<usize>, tracked: &Tracked) -> [f64; FOLD] {
    let mut sum = [0.0; FOLD];
    for j in rows.clone() {
        for k in 0..folded.count {
            let t = f64::from(folded.middles[j * folded.count + k]);
            let c = ((t - tracked.first_t) / tracked.cell_px).round();
            if c < 0.0 || c as usize >= tracked.cells || !tracked.in_step[j * tracked.cells + c as usize] {
                continue;
            }
            let cell = folded.cell(j, k);
            if cell.iter().all(|v| v.is_finite()) {
                for (o, v) in sum.iter_mut().zip(cell) {
                    *o += f64::from(*v);
                }
            }
        }
    }
    sum
}

/// Line against flanks: rows × count, positive for a line of the polarity asked.
fn strengths(folded: &Folded, bright: bool) -> Vec<f64> {
    let sign = if bright { 1.0 } else { -1.0 };
    (0..folded.rows * folded.count)
        .map(|i| {
            let cell = folded.cell(i / folded.count, i % folded.count);
            // Centre: the middle quarter; flanks: the outer quarters on both sides.
            let centre: f32 = cell[6..10].iter().sum::<f32>() / 4.0;
            let flank: f32 = (cell[0..3].iter().sum::<f32>() + cell[13..16].iter().sum::<f32>()) / 6.0;
            sign * f64::from(centre - flank)
        })
        .collect()
}

fn median_of(mut v: Vec<f64>) -> f64 {
    if v.is_empty() {
        return f64::NAN;
    }
    let middle = v.len() / 2;
    *v.select_nth_unstable_by(middle, f64::total_cmp).1
}

/// Noise of one strength, from neighbouring rows of the same graduation.
fn strength_noise(y: &[f64], count: usize, rows: &std::ops::Range<usize>) -> f64 {
    let mut steps = Vec::new();
    for j in rows.start..rows.end.saturating_sub(1) {
        for k in 0..count {
            let d = y[(j + 1) * count + k] - y[j * count + k];
            if d.is_finite() {
                steps.push(d.abs());
            }
        }
    }
    // MAD to sd of a normal (1.4826), difference of two rows (√2).
    1.4826 * median_of(steps) / std::f64::consts::SQRT_2
}

fn with_polarity(
    strips: &Strips,
    mut phase: Phase,
    mut folded: Folded,
    bright: bool,
    rows: &std::ops::Range<usize>,
) -> Result<Lines, NotLines> {
    for _ in 0..3 {
        let y = strengths(&folded, bright);
        let noise = strength_noise(&y, folded.count, rows).max(1e-6);
        let occupancy = occupancy(&y, folded.count, rows);
        let sd = noise / (rows.len() as f64).sqrt();
        let (from, to) = ruled_run(&occupancy, sd).ok_or(NotLines::NoContrast)?;
        if let Some((m, offset)) = sparse_classes(&occupancy[from..to], sd) {
            let k0 = folded.first + (from + offset) as i64;
            phase = phase.recounted(k0 as f64, 1.0 / m as f64);
            folded = fold(strips, &phase).ok_or(NotLines::NoPhase)?;
            continue;
        }
        return Ok(describe(strips, phase, bright, rows, &folded, &y, &occupancy, (from, to), sd));
    }
    Err(NotLines::NoContrast)
}

/// Mean strength of each graduation over the rows; NaN where the picture does not show it.
fn occupancy(y: &[f64], count: usize, rows: &std::ops::Range<usize>) -> Vec<f64> {
    (0..count)
        .map(|k| {
            let v: Vec<f64> = rows.clone().map(|j| y[j * count + k]).filter(|v| v.is_finite()).collect();
            if v.len() * 3 < rows.len() { f64::NAN } else { v.iter().sum::<f64>() / v.len() as f64 }
        })
        .collect()
}

/// The run of graduations, gaps allowed: best sum of (significant: +1, not: −1).
fn ruled_run(occupancy: &[f64], sd: f64) -> Option<(usize, usize)> {
    let typical = typical(occupancy);
    let seen = |v: f64| v.is_finite() && v > 4.0 * sd && v > 0.12 * typical;
    let (mut best, mut best_sum, mut start, mut sum) = (None, 0.0, 0, 0.0);
    for (k, v) in occupancy.iter().enumerate() {
        sum += if seen(*v) { 1.0 } else { -0.7 };
        if sum <= 0.0 {
            sum = 0.0;
            start = k + 1;
        } else if sum > best_sum {
            best_sum = sum;
            best = Some((start, k + 1));
        }
    }
    best.filter(|(a, b)| b - a >= 3)
}

/// Upper-quartile strength: a graduation neither faint nor missing.
fn typical(occupancy: &[f64]) -> f64 {
    let mut v: Vec<f64> = occupancy.iter().copied().filter(|v| v.is_finite()).collect();
    v.sort_by(f64::total_cmp);
    if v.is_empty() { 0.0 } else { v[v.len() * 9 / 10] }
}

/// Only every m-th place is taken: the candidate counted too finely.
fn sparse_classes(occupancy: &[f64], sd: f64) -> Option<(usize, usize)> {
    for m in [10, 6, 5, 4, 3, 2] {
        if occupancy.len() < 3 * m {
            continue;
        }
        let class = |r: usize| -> (f64, f64) {
            let v: Vec<f64> = occupancy.iter().skip(r).step_by(m).copied().filter(|v| v.is_finite()).collect();
            let n = v.len().max(1) as f64;
            (v.iter().sum::<f64>() / n, sd / n.sqrt())
        };
        let means: Vec<(f64, f64)> = (0..m).map(class).collect();
        let best = (0..m).max_by(|a, b| means[*a].0.total_cmp(&means[*b].0))?;
        let rest_max = (0..m).filter(|r| *r != best).map(|r| means[r].0).fold(f64::MIN, f64::max);
        if means[best].0 > 8.0 * means[best].1 && rest_max < 0.12 * means[best].0 {
            return Some((m, best));
        }
    }
    None
}

#[allow(clippy::too_many_arguments, reason = "one private step of the survey, split off for reading")]
fn describe(
    strips: &Strips,
    phase: Phase,
    bright: bool,
    rows: &std::ops::Range<usize>,
    folded: &Folded,
    y: &[f64],
    occupancy: &[f64],
    (from, to): (usize, usize),
    sd: f64,
) -> Lines {
    let first = folded.first + from as i64;
    let full = typical(&occupancy[from..to]);
    let contrast: Vec<f64> = occupancy[from..to].to_vec();
    let present: Vec<bool> = contrast.iter().map(|v| v.is_finite() && *v > 4.0 * sd && *v > 0.12 * full).collect();
    // Row level: the median over the graduations of the run.
    let level = |j: usize| -> f64 {
        median_of((from..to).map(|k| y[j * folded.count + k]).filter(|v| v.is_finite()).collect())
    };
    let levels: Vec<f64> = (0..folded.rows).map(level).collect();
    // Rows in step reach into the long graduations, where most places are empty: the short ones set the level.
    let top = {
        let mut v: Vec<f64> = rows.clone().map(|j| levels[j]).filter(|v| v.is_finite()).collect();
        v.sort_by(f64::total_cmp);
        v.get(v.len() * 4 / 5).copied().unwrap_or(0.0)
    };
    let strongest = rows
        .clone()
        .filter(|j| levels[*j].is_finite())
        .min_by(|a, b| (levels[*a] - top).abs().total_cmp(&(levels[*b] - top).abs()))
        .unwrap_or(rows.start);
    let band_rows = half_height_run(&levels, strongest, 0.5 * top);
    let (tiers, reach_rows, long_run_out) =
        tiers(y, folded, (from, to), &band_rows, top, sd * (rows.len() as f64).sqrt());
    let half = 0.5 * strips_pitch(strips);
    let edges = |r: &std::ops::Range<usize>| (strips.s[r.start] - half, strips.s[r.end - 1] + half);
    let reach = std::array::from_fn(|r| edges(&reach_rows[r]));
    let mut shape = [0.0; FOLD];
    let mut n = 0.0;
    for j in band_rows.clone() {
        for k in (from..to).filter(|k| present[k - from]) {
            let cell = folded.cell(j, k);
            if cell.iter().all(|v| v.is_finite()) {
                n += 1.0;
                for (o, v) in shape.iter_mut().zip(cell) {
                    *o += f64::from(if bright { *v } else { -*v });
                }
            }
        }
    }
    for v in &mut shape {
        *v /= f64::max(n, 1.0);
    }
    // An end counts where three rows of ground follow it, the row next to it left out.
    let ground = |from: Option<usize>| {
        from.and_then(|j| levels.get(j..j + 3)).is_some_and(|rows| rows.iter().all(|l| l.is_finite() && *l < 0.3 * top))
    };
    let ends_seen = u8::from(ground(band_rows.start.checked_sub(4))) + u8::from(ground(Some(band_rows.end + 1)));
    let empty = |from: Option<usize>| {
        let beyond = from.and_then(|k| occupancy.get(k..k + 2));
        beyond.is_some_and(|ks| ks.iter().all(|v| v.is_finite() && *v < 0.2 * full))
    };
    let outermost_seen = u8::from(empty(from.checked_sub(2))) + u8::from(empty(Some(to)));
    let continuity = {
        let per_line = |k: usize| -> f64 {
            let own = occupancy[k];
            let rows: Vec<f64> = band_rows.clone().map(|j| y[j * folded.count + k]).filter(|v| v.is_finite()).collect();
            rows.iter().filter(|v| **v > 0.4 * own).count() as f64 / rows.len().max(1) as f64
        };
        median_of((from..to).filter(|k| present[k - from]).map(per_line).collect())
    };
    let means = row_means(strips, &phase, (first, to - from));
    let lift = lift(&means, &band_rows, &shape);
    let bar_beyond = bar_beyond(&means, bright, &band_rows, &shape);
    Lines {
        phase,
        bright,
        first,
        present,
        contrast,
        band: edges(&band_rows),
        reach,
        tiers,
        long_run_out,
        continuity,
        shape,
        ends_seen,
        outermost_seen,
        noise: sd,
        lift,
        bar_beyond,
    }
}

fn strips_pitch(strips: &Strips) -> f64 {
    if strips.s.len() > 1 { strips.s[1] - strips.s[0] } else { strips.height }
}

/// Rows about `centre` whose level stays above `least`; a single low row does not end the run.
fn half_height_run(levels: &[f64], centre: usize, least: f64) -> std::ops::Range<usize> {
    let ok = |j: usize| levels[j].is_finite() && levels[j] > least;
    let mut from = centre;
    while from > 0 && (ok(from - 1) || (from > 1 && ok(from - 2))) {
        from -= 1;
    }
    let mut to = (centre + 1).min(levels.len());
    while to < levels.len() && (ok(to) || (to + 1 < levels.len() && ok(to + 1))) {
        to += 1;
    }
    from..to
}

/// Which residues modulo 10 reach beyond the band, and how far each class reaches.
fn tiers(
    y: &[f64],
    folded: &Folded,
    (from, to): (usize, usize),
    band: &std::ops::Range<usize>,
    top: f64,
    noise: f64,
) -> (Tiers, [std::ops::Range<usize>; 10], bool) {
    let class_of = |k: usize| (folded.first + k as i64).rem_euclid(10) as usize;
    let class_row = |r: usize, j: usize| -> (f64, f64) {
        let v: Vec<f64> = (from..to)
            .filter(|k| class_of(*k) == r)
            .map(|k| y[j * folded.count + k])
            .filter(|v| v.is_finite())
            .collect();
        if v.is_empty() { (0.0, 0.0) } else { (v.iter().sum::<f64>() / v.len() as f64, v.len() as f64) }
    };
    let table: Vec<[(f64, f64); 10]> = (0..folded.rows).map(|j| std::array::from_fn(|r| class_row(r, j))).collect();
    let tiers = if to - from < 11 { Tiers::Alike } else { search_tiers(&table, band, top, noise) };
    let reach = std::array::from_fn(|r| {
        let members: Vec<usize> = match tiers {
            Tiers::TensAndFives { tens } | Tiers::Tens { tens } => {
                let tens = tens as usize;
                if r == tens || r == (tens + 5) % 10 {
                    vec![r]
                } else {
                    (0..10).filter(|q| *q != tens && *q != (tens + 5) % 10).collect()
                }
            }
            Tiers::Fives { fives } => {
                let is = |q: usize| q % 5 == fives as usize % 5;
                (0..10).filter(|q| is(*q) == is(r)).collect()
            }
            Tiers::Alike | Tiers::Twos => (0..10).collect(),
        };
        let levels: Vec<f64> = table
            .iter()
            .map(|row| {
                let n: f64 = members.iter().map(|q| row[*q].1).sum();
                members.iter().map(|q| row[*q].0 * row[*q].1).sum::<f64>() / n.max(1.0)
            })
            .collect();
        let own = median_of(band.clone().map(|j| levels[j]).collect());
        let run = half_height_run(&levels, band.start.midpoint(band.end), 0.5 * own.min(2.0 * top));
        run.start.min(band.start)..run.end.max(band.end)
    });
    let long = match tiers {
        Tiers::TensAndFives { tens } | Tiers::Tens { tens } => Some(tens as usize % 10),
        Tiers::Fives { fives } => Some(fives as usize % 10),
        Tiers::Alike | Tiers::Twos => None,
    };
    let run_out = long.is_some_and(|r| runs_out(&table, r, band, &reach[r]));
    (tiers, reach, run_out)
}

/// Whether a class of graduations leaves the picture on every side on which it passes the band.
fn runs_out(
    table: &[[(f64, f64); 10]],
    r: usize,
    band: &std::ops::Range<usize>,
    reach: &std::ops::Range<usize>,
) -> bool {
    let in_picture = |j: usize| table[j][r].1 > 0.0;
    let first = (0..table.len()).find(|j| in_picture(*j)).unwrap_or(0);
    let last = (0..table.len()).rev().find(|j| in_picture(*j)).unwrap_or(0);
    let before = reach.start + 1 < band.start;
    let after = reach.end > band.end + 1;
    (before || after) && (!before || reach.start <= first + 2) && (!after || reach.end + 2 > last)
}

/// Looks for the pattern in windows of growing depth beyond either end of the band: long graduations show right
/// beyond the short ones, while figures and dirt stand farther off.
fn search_tiers(table: &[[(f64, f64); 10]], band: &std::ops::Range<usize>, top: f64, noise: f64) -> Tiers {
    let margin = band.len().max(3) * 3 / 2;
    let mut best = Tiers::Alike;
    for share in [1.0, 0.6, 0.35, 0.2] {
        let depth = ((margin as f64 * share) as usize).max(2);
        let before: Vec<usize> = (band.start.saturating_sub(depth + 1)..band.start.saturating_sub(1)).collect();
        let after: Vec<usize> = (band.end + 1..(band.end + 1 + depth).min(table.len())).collect();
        let both: Vec<usize> = before.iter().chain(&after).copied().collect();
        for rows in [both, before, after] {
            if rows.len() < 2 {
                continue;
            }
            let mut sums = [0.0; 10];
            let mut errors = [0.0; 10];
            for &j in &rows {
                for r in 0..10 {
                    let (m, n) = table[j][r];
                    // A class is long where it is strong: clip so that one bright speck cannot carry it.
                    sums[r] += m.clamp(-top.abs(), top.abs());
                    errors[r] += if n > 0.0 { noise * noise / n } else { 0.0 };
                }
            }
            let sd = errors.iter().copied().fold(0.0, f64::max).sqrt().max(0.1 * top);
            let found = classify(&sums, sd, top);
            if rank(found) > rank(best) {
                best = found;
            }
        }
    }
    best
}

/// How much a pattern tells about the division.
const fn rank(t: Tiers) -> u8 {
    match t {
        Tiers::Alike => 0,
        Tiers::Twos => 1,
        Tiers::Fives { .. } => 2,
        Tiers::Tens { .. } => 3,
        Tiers::TensAndFives { .. } => 4,
    }
}

/// Reads the pattern from how strongly each residue shows beyond the band.
fn classify(sums: &[f64; 10], sd: f64, top: f64) -> Tiers {
    let best = (0..10).max_by(|a, b| sums[*a].total_cmp(&sums[*b])).unwrap_or(0);
    let partner = (best + 5) % 10;
    let others: Vec<f64> = (0..10).filter(|r| *r != best && *r != partner).map(|r| sums[r]).collect();
    let rest = others.iter().sum::<f64>() / others.len() as f64;
    let rest_max = others.iter().copied().fold(f64::MIN, f64::max);
    let least = (6.0 * sd).max(0.8 * top);
    let gain = sums[best] - rest;
    if gain > least && rest_max - rest < 0.4 * gain && sums[best] - rest_max > 0.5 * gain {
        let second = sums[partner] - rest;
        // The partner must stand clear of the rest to count as a fifth.
        let clear = sums[partner] - rest_max;
        return if second > 0.72 * gain && clear > 0.4 * gain {
            Tiers::Fives { fives: (best % 5) as i64 }
        } else if (0.15..=0.72).contains(&(second / gain)) && clear > (3.0 * sd).max(0.12 * gain) {
            Tiers::TensAndFives { tens: best as i64 }
        } else {
            Tiers::Tens { tens: best as i64 }
        };
    }
    let half = |p: usize| (0..10).filter(move |r| r % 2 == p).map(|r| sums[r]);
    for p in [0, 1] {
        let low = half(p).fold(f64::MAX, f64::min);
        let high = half(1 - p).fold(f64::MIN, f64::max);
        if low - high > least {
            return Tiers::Twos;
        }
    }
    Tiers::Alike
}

/// Mean light of each row over the ruled length; NaN where the picture does not show it.
fn row_means(strips: &Strips, phase: &Phase, (first, count): (i64, usize)) -> Vec<f64> {
    let mean_of = |j: usize| -> f64 {
        let s = strips.s[j];
        let end = |k: f64| phase.t_of(k, s, 0.0);
        let (Some(a), Some(b)) = (end(first as f64 - 0.5), end((first + count as i64) as f64 - 0.5)) else {
            return f64::NAN;
        };
        let (mut sum, mut n) = (0.0, 0.0);
        let mut t = a;
        while t < b {
            let v = strips.at(j, t);
            if v.is_finite() {
                sum += f64::from(v);
                n += 1.0;
            }
            t += strips.dt;
        }
        sum / n
    };
    (0..strips.s.len()).map(mean_of).collect()
}

/// What lines of this profile add to the mean of a row, relative to the ground; positive.
fn explained(shape: &[f64; FOLD]) -> f64 {
    let low = shape.iter().copied().fold(f64::MAX, f64::min);
    shape.iter().map(|v| v - low).sum::<f64>() / FOLD as f64
}

fn lift(means: &[f64], band: &std::ops::Range<usize>, shape: &[f64; FOLD]) -> Option<f64> {
    let inside = median_of(band.clone().map(|j| means[j]).filter(|v| v.is_finite()).collect());
    // The rows next to the ends are half line, half ground: leave one out.
    let beyond: Vec<f64> = (band.start.saturating_sub(5)..band.start.saturating_sub(1))
        .chain(band.end + 1..(band.end + 5).min(means.len()))
        .map(|j| means[j])
        .filter(|v| v.is_finite())
        .collect();
    if beyond.len() < 2 || !inside.is_finite() {
        return None;
    }
    let ground = beyond.iter().sum::<f64>() / beyond.len() as f64;
    Some((inside / ground.max(1e-6) - 1.0) / explained(shape).max(1e-6))
}

/// Looks for rows next to the band that are darker (brighter for bright lines) on the whole than the lines in them explain.
///
/// In a resolved ruling the mean of a row departs from the ground by what its lines take away. Where finer graduations have melted
/// into a bar, the row departs by more.
fn bar_beyond(means: &[f64], bright: bool, band: &std::ops::Range<usize>, shape: &[f64; FOLD]) -> bool {
    let sign = if bright { 1.0 } else { -1.0 };
    let lines = median_of(band.clone().map(|j| means[j]).filter(|v| v.is_finite()).collect());
    let margin = (band.len() / 2).max(4);
    let beside: Vec<f64> = (band.start.saturating_sub(margin)..band.start.saturating_sub(1))
        .chain(band.end + 1..(band.end + margin).min(means.len()))
        .map(|j| sign * means[j])
        .filter(|v| v.is_finite())
        .collect();
    if beside.len() < 4 {
        return false;
    }
    let bar = beside.iter().copied().fold(f64::MIN, f64::max);
    // A bar: beyond the level of the line rows by more than half of all that the lines explain.
    (bar - sign * lines) / lines.abs().max(1e-6) > 0.5 * explained(shape)
}
