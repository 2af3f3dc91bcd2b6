//! From a tracked phase to graduations: polarity, which ones are there, how far each reaches, and the pattern of long ones.

mod fold;
mod ground;
mod present;
mod steps;
mod tiers;

use super::phase::{Phase, Tracked};
use super::rectify::Strips;
use fold::{FOLD, Folded, fold, strength_noise, strengths};
use ground::{bar_beyond, lift, row_means};
use present::{occupancy, ruled_run, sparse_classes, typical};
use tiers::{half_height_run, tiers};

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
    /// Some longer than others, but neither every fifth nor every tenth, nor every second.
    Odd,
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
    /// The lines are so faint that longer ones among them would not be seen.
    pub(super) blind: bool,
    /// Beside the lines lies a bar, as finer graduations give that are not resolved.
    pub(super) bar_beyond: bool,
}

impl Lines {
    /// From where to where any graduation reaches, px of `s`.
    pub(super) fn extent(&self) -> (f64, f64) {
        self.reach.iter().fold(self.band, |all, r| (all.0.min(r.0), all.1.max(r.1)))
    }
}

/// Standard error of a row of one residue, over the level of a line, above which longer lines might go unseen: two rows more would not stand
/// out by six of them.
const FAINT: f64 = 0.2;

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

/// Looks at a tracked candidate for graduations; it was seen before at `seen`, px of `s`.
pub(super) fn survey(strips: &Strips, tracked: &Tracked, seen: (f64, f64)) -> Result<Lines, NotLines> {
    let rows = in_step_rows(strips, tracked, seen).ok_or(NotLines::NoBand)?;
    let plain = fold(strips, &tracked.phase).ok_or(NotLines::NoPhase)?;
    let shape = mean_shape(&plain, &rows, tracked);
    if harmonic(&shape, 1) < 0.8 * (2..=6).map(|m| harmonic(&shape, m)).fold(0.0, f64::max) {
        return Err(NotLines::Finer);
    }
    let bright = || with_polarity(strips, tracked.phase.clone(), plain.clone(), true, &rows);
    let dark = || with_polarity(strips, tracked.phase.recounted(0.5, 1.0), plain.half_later(), false, &rows);
    match rayon::join(bright, dark) {
        (Ok(bright), Ok(dark)) => Ok(better_polarity(bright, dark, &shape)),
        (Ok(lines), Err(_)) | (Err(_), Ok(lines)) => Ok(lines),
        (Err(_), Err(_)) => Err(NotLines::NoContrast),
    }
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

/// The run of strips with the most cells in step, as a range of strip indices: of those where the wave was seen before, since beside
/// them another ruling may have the same wave among its overtones.
fn in_step_rows(strips: &Strips, tracked: &Tracked, seen: (f64, f64)) -> Option<std::ops::Range<usize>> {
    let counts: Vec<usize> = (0..strips.s.len())
        .map(|j| tracked.in_step[j * tracked.cells..(j + 1) * tracked.cells].iter().filter(|b| **b).count())
        .collect();
    let most_of = |inside: &dyn Fn(f64) -> bool| {
        let rows = counts.iter().zip(&strips.s).enumerate().filter(|(_, (c, s))| **c >= 4 && inside(**s));
        rows.rev().max_by_key(|(_, (c, _))| **c).map(|(j, (c, _))| (j, *c))
    };
    let (peak, most) = most_of(&|s| s > seen.0 && s < seen.1).or_else(|| most_of(&|_| true))?;
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

fn median_of(mut v: Vec<f64>) -> f64 {
    if v.is_empty() {
        return f64::NAN;
    }
    let middle = v.len() / 2;
    *v.select_nth_unstable_by(middle, f64::total_cmp).1
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
    let blind = {
        let of_a_residue = (0.1 * (to - from) as f64).max(1.0);
        sd * (rows.len() as f64 / of_a_residue).sqrt() > FAINT * top
    };
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
        blind,
        bar_beyond,
    }
}

fn strips_pitch(strips: &Strips) -> f64 {
    if strips.s.len() > 1 { strips.s[1] - strips.s[0] } else { strips.height }
}
