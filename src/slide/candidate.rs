//! Candidates for the ruling: clusters of tiles, followed and surveyed twice, the second time in their own frame.

use std::collections::VecDeque;

use super::lines::{self, Lines, NotLines, Tiers};
use super::periodic::Cluster;
use super::phase::{self, Seen};
use super::pyramid::{self, Level};
use super::rectify::{self, Extent, Frame};

/// Most clusters looked at.
const MOST: usize = 12;
/// Most looks at one wave in separate places.
const MOST_ALIKE: usize = 4;
/// A candidate is given up where its strength in a look stays below this share of the best so far.
const LEAST_SHARE: f64 = 0.05;
/// Lines fainter than this, relative to the ground, are not told from the edges of JPEG blocks (a code or two of 8 bits).
const FAINTEST_ON_BLOCKS: f64 = 0.04;
/// Most strips of a survey.
const MOST_STRIPS: usize = 96;
/// The same of the first look in large pictures, which tells where and how fast the lines follow each other; the second one finds what they are.
const MOST_STRIPS_OF_LARGE: usize = 32;
/// Samples from line to line, and in the first look at a large picture.
const SAMPLES_A_LINE: f64 = 12.0;
const SAMPLES_OF_LARGE: f64 = 8.0;
/// Least cluster score worth a look: three tiles at the threshold.
const LEAST_SCORE: f64 = 9.0;

/// Graduations in their frame.
#[derive(Clone, Debug)]
pub(super) struct Candidate {
    pub(super) frame: Frame,
    pub(super) lines: Lines,
    /// Distance from line to line at the middle, px.
    pub(super) pitch_px: f64,
    /// Direction of the ruling at the middle, radians.
    pub(super) angle: f64,
    /// Sum over the seen graduations of contrast over noise, each at most 30; less where many places are empty,
    /// more where long graduations are in order.
    pub(super) strength: f64,
    /// Score of the cluster it was found by, and half the side of its tiles, px.
    score: f64,
    reach_px: f64,
}

impl Candidate {
    pub(super) fn seen(&self) -> usize {
        self.lines.present.iter().filter(|p| **p).count()
    }

    /// Middle of the ruled part, image px.
    pub(super) fn middle(&self) -> (f64, f64) {
        self.frame.origin
    }

    /// Half length along and across, px.
    pub(super) fn half_size(&self) -> (f64, f64) {
        (0.5 * self.pitch_px * self.lines.present.len() as f64, 0.5 * (self.lines.band.1 - self.lines.band.0))
    }
}

impl Candidate {
    /// Height of the mean profile, relative to the ground.
    pub(super) fn depth(&self) -> f64 {
        let fold = |f: fn(f64, f64) -> f64, start| self.lines.shape.iter().copied().fold(start, f);
        fold(f64::max, f64::MIN) - fold(f64::min, f64::MAX)
    }
}

/// Clearly weaker than a ruling whose long graduations are in order: where that ruling is, a beat of it.
///
/// Fine waves are seen by small tiles, of which there are many to an area: those of another direction than the ruling's count by the area that
/// they are seen in, since what a compressed picture has left of its finest frequencies would else be followed at full size wherever lines are.
fn outshines(f: &Candidate, c: &Cluster) -> bool {
    let told = matches!(f.lines.tiers, Tiers::TensAndFives { .. }) && f.seen() >= 20;
    // A second scale may stand right beside the first, in the same direction and with a like spacing.
    let ratio = c.fx.hypot(c.fy) * f.pitch_px;
    let turned = angle_between(c.fy.atan2(c.fx), f.angle);
    let beside = turned < 0.08 && (0.6..1.6).contains(&ratio) && (ratio - 1.0).abs() > 0.02;
    let area = if turned > 0.08 { (c.reach_px / f.reach_px).powi(2).min(1.0) } else { 1.0 };
    told && !beside && area * c.score < 0.6 * f.score
}

/// Smallest angle between two line directions, radians.
pub(super) fn angle_between(a: f64, b: f64) -> f64 {
    super::scale_map::folded(a - b).abs()
}

/// The candidates of a picture, strongest first.
pub(super) fn candidates(levels: &[Level<'_>], clusters: &[Cluster], size: (f64, f64)) -> Vec<Candidate> {
    let mut found: Vec<Candidate> = Vec::new();
    for cluster in worth_a_look(clusters) {
        // What the rulings found before have no part in: a second one may share a wave with the overtones of the first.
        let explained = found.iter().filter(|f| is_overtone(f, cluster) || outshines(f, cluster));
        let rest = explained.fold(cluster.clone(), |c, f| c.only(|p| !covers(f, p, c.reach_px)));
        let mut looks = 0;
        let mut parts: VecDeque<Cluster> =
            if rest.centres.len() < cluster.centres.len() { rest.parts() } else { vec![rest] }.into();
        while let Some(part) = parts.pop_front() {
            if part.score < LEAST_SCORE {
                continue;
            }
            let least = LEAST_SHARE * found.iter().map(|f| f.strength).fold(0.0, f64::max);
            if let Ok(candidate) = examine(levels, &part, size, least)
                && !found.iter().any(|f| same(f, &candidate))
                && !is_block_grid(&candidate)
            {
                // A wave that was taken for an overtone may be a ruling of its own where this one is not.
                let overtone =
                    is_overtone(&candidate, cluster) && candidate.pitch_px * cluster.fx.hypot(cluster.fy) > 1.5;
                let rest = part.only(|p| overtone && !covers(&candidate, p, part.reach_px));
                found.push(candidate);
                looks += 1;
                if looks < MOST_ALIKE {
                    parts.extend(rest.parts());
                }
            }
        }
    }
    found.sort_by(|a, b| b.strength.total_cmp(&a.strength));
    found
}

/// The strongest clusters, of one wave seen in many separate places only the first few: sharp edges alias into fine waves all over
/// the picture, and must not leave the ruling without a look.
fn worth_a_look(clusters: &[Cluster]) -> Vec<&Cluster> {
    let mut out: Vec<&Cluster> = Vec::new();
    for c in clusters.iter().filter(|c| c.score >= LEAST_SCORE) {
        let alike = |o: &&&Cluster| {
            (o.fx.hypot(o.fy) / c.fx.hypot(c.fy) - 1.0).abs() < 0.02
                && angle_between(o.fy.atan2(o.fx), c.fy.atan2(c.fx)) < 0.06
        };
        if out.iter().filter(alike).count() < MOST_ALIKE {
            out.push(c);
        }
        if out.len() == MOST {
            break;
        }
    }
    out
}

/// The cluster's wave is that of a ruling found already: the same direction, its spacing or a harmonic of it.
fn is_overtone(f: &Candidate, c: &Cluster) -> bool {
    let ratio = c.fx.hypot(c.fy) * f.pitch_px;
    let harmonic = ratio.round().max(1.0);
    // A tile tells directions to about a fifth of its frequency bin.
    angle_between(c.fy.atan2(c.fx), f.angle) < 0.06 && (ratio / harmonic - 1.0).abs() < 0.04 && f.seen() >= 20
}

/// The edges of the blocks that JPEG compresses by itself: faint, along the picture's axes, every 8 or 16 pixels as well as that can be told.
fn is_block_grid(c: &Candidate) -> bool {
    // So faint a grid is followed to a sixth of a block from its first line to its last, and to a tenth of a pixel along its lines.
    let (turned, off) = (0.2 / (c.lines.band.1 - c.lines.band.0), 0.16 / c.seen() as f64);
    let along_axis = (2.0 * c.angle).sin().abs() < turned.max(0.01);
    let blocks = [8.0, 16.0].iter().any(|b| (c.pitch_px / b - 1.0).abs() < off.max(0.004));
    let told = matches!(c.lines.tiers, Tiers::TensAndFives { .. });
    along_axis && blocks && !told && c.depth() < FAINTEST_ON_BLOCKS
}

fn covers(f: &Candidate, p: (f64, f64), margin: f64) -> bool {
    let (t, s) = f.frame.ts(p.0, p.1);
    let (half_t, _) = f.half_size();
    t.abs() < half_t + margin && s > f.lines.band.0 - margin && s < f.lines.band.1 + margin
}

fn same(a: &Candidate, b: &Candidate) -> bool {
    angle_between(a.angle, b.angle) < 0.03
        && (a.pitch_px / b.pitch_px - 1.0).abs() < 0.01
        && covers(a, b.middle(), 2.0 * a.pitch_px)
}

/// Follows one cluster; gives up early where it stays below `least` strength.
fn examine(levels: &[Level<'_>], cluster: &Cluster, size: (f64, f64), least: f64) -> Result<Candidate, NotLines> {
    let f = cluster.fx.hypot(cluster.fy);
    let count = cluster.centres.len() as f64;
    let mean = |pick: fn(&(f64, f64)) -> f64| cluster.centres.iter().map(pick).sum::<f64>() / count;
    let mut frame = Frame { origin: (mean(|c| c.0), mean(|c| c.1)), n: (cluster.fx / f, cluster.fy / f) };
    let mut pitch = 1.0 / f;
    let (mut lo, mut hi) = (f64::MAX, f64::MIN);
    for c in &cluster.centres {
        let s = frame.ts(c.0, c.1).1;
        lo = lo.min(s);
        hi = hi.max(s);
    }
    let seen_t = cluster
        .centres
        .iter()
        .map(|c| frame.ts(c.0, c.1).0)
        .fold((f64::MAX, f64::MIN), |r, t| (r.0.min(t), r.1.max(t)));
    // Along the lines a tile hardly sees beyond half of its half side.
    let (reach, near) = (cluster.reach_px, 0.6 * cluster.reach_px);
    let mut seen = Seen { t: (seen_t.0 - reach, seen_t.1 + reach), s: (lo - near, hi + near) };
    let mut along = (lo - cluster.reach_px, hi + cluster.reach_px);
    let mut result = Err(NotLines::NoPhase);
    for pass in 0..3 {
        let (t, s) = rectify::picture_range(frame, size.0, size.1);
        let Some(level) = levels.iter().rev().find(|l| pitch / l.step_px as f64 >= 8.0).or(levels.first()) else {
            return Err(NotLines::NoPhase);
        };
        let rough = pass == 0 && size.0 * size.1 > pyramid::LARGE as f64;
        let extent = Extent {
            t,
            s: (along.0.max(s.0), along.1.min(s.1)),
            dt: (pitch / if rough { SAMPLES_OF_LARGE } else { SAMPLES_A_LINE }).max(0.5 * level.step_px as f64),
            height: if pass == 0 { (0.5 * pitch).max(3.0) } else { (0.4 * pitch).max(2.0) },
            most_strips: if rough { MOST_STRIPS_OF_LARGE } else { MOST_STRIPS },
        };
        if extent.s.1 - extent.s.0 < extent.height {
            return Err(NotLines::NoBand);
        }
        let strips = rectify::sample(level, frame, extent);
        let surveyed = phase::track(&strips, pitch, seen)
            .ok_or(NotLines::NoPhase)
            .and_then(|tracked| lines::survey(&strips, &tracked, seen.s));
        let lines = match surveyed {
            Ok(lines) => lines,
            Err(why) => return result.map_err(|_none: NotLines| why),
        };
        let s = 0.5 * (lines.band.0 + lines.band.1);
        let k = lines.first as f64 + 0.5 * lines.present.len() as f64;
        let t = lines.phase.t_of(k, s, 0.0).ok_or(NotLines::NoPhase)?;
        let (gt, gs) = lines.phase.gradient(t, s);
        let slope = gt.hypot(gs);
        let n = frame.n;
        let turned = ((gt * n.0 - gs * n.1) / slope, (gt * n.1 + gs * n.0) / slope);
        let turn = (gs / slope).asin().abs();
        let old_frame = frame;
        let (lines_count, lines_band) = (lines.present.len(), lines.band);
        let there = lines.present.iter().filter(|p| **p).count();
        pitch = 1.0 / slope;
        // The second pass sees the lines in their own frame and looks farther along them for long ones.
        let band = (lines.band.1 - lines.band.0).max(4.0 * pitch);
        let reach = lines.extent();
        along = (reach.0 - s - 0.75 * band, reach.1 - s + 0.75 * band);
        let density = there as f64 / lines.present.len() as f64;
        let told = if matches!(lines.tiers, Tiers::Alike | Tiers::Twos | Tiers::Odd) { 1.0 } else { 1.5 };
        let strength = told
            * density.powi(2)
            * lines
                .present
                .iter()
                .zip(&lines.contrast)
                .filter(|(p, _)| **p)
                .map(|(_, c)| (c / lines.noise).min(30.0))
                .sum::<f64>();
        if strength < least {
            return result.map_err(|_none: NotLines| NotLines::NoContrast);
        }
        if pass > 0 {
            let angle = turned.1.atan2(turned.0);
            let Cluster { score, reach_px, .. } = *cluster;
            result = Ok(Candidate { frame: old_frame, lines, pitch_px: pitch, angle, strength, score, reach_px });
            if turn * 0.5 * there as f64 * pitch < 0.5 * pitch || pass == 2 {
                break;
            }
        }
        frame = Frame { origin: old_frame.xy(t, s), n: turned };
        let half = 0.5 * lines_count as f64 * pitch;
        seen = Seen { t: (-half, half), s: (lines_band.0 - s - pitch, lines_band.1 - s + pitch) };
    }
    result
}
