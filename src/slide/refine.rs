//! From the chosen candidate to the reading: locating at full size, fitting, and the figures that go with it.

use super::both;
use super::candidate::{Candidate, angle_between};
use super::fall_off;
use super::fit::{self, Fitted, Ground, Terms};
use super::grid;
use super::judge::Verdict;
use super::locate::{Effort, Locator, Spots};
use super::phase::Phase;
use super::reading::{
    Family, Graduation, LeftOut, MeasuredBlur, Reading, ReadingWarning, Refusal, Rejection, Request, Ruler,
};
use super::scale_map::{PARAMETERS, ScaleMap, TERMS, half_diagonal};
use super::shape::{Optical, Shape};
use crate::optics::measured::{LineWidth, ProfilePoint, Sampling, line_blur};
use crate::photo::Light;
use crate::units::{Angle, Image, Point, Px, PxPerUm, Um};
use rayon::prelude::*;
use std::collections::{BTreeMap, BTreeSet};

/// Scatter of the graduations about the map, relative to their distance, beyond which the lines are no ruling.
/// Ordinary slides stay below 0.03 (common practice: a few tenths of a micrometre in 10).
const MOST_SCATTER: f64 = 0.05;
/// The same of fewer than [`FEW`] graduations: bristles in a row scatter by 5 % and more of their distance, of which few tell less, and
/// may show a pattern of fives and tens by chance.
const MOST_SCATTER_OF_FEW: f64 = 0.025;
/// Graduations in sight that a pattern of tens shows in three times.
const FEW: usize = 30;
/// Least share of the lines found that must be in the fit (common practice: a slide of which more is dirty or damaged is cleaned first).
const LEAST_IN_FIT: f64 = 0.6;
/// Least noise of the common line shape, relative to its peak.
const BLUR_FLOOR: f64 = 0.01;
/// Relative uncertainty of the blur for what a traced line shape shares with no model: uneven focus, the line's own edges and width, and how much of
/// the blur is diffraction, whose far tails neighbouring lines hide (rendered slides: 0.12).
const TRACED_SHAPE: f64 = 0.12;
/// The same where the line shape was assumed.
const ASSUMED_SHAPE: f64 = 0.25;
/// Most points of the line shape that the blur is fitted to: more than ten within the width at half height.
const MOST_SHAPE_POINTS: usize = 64;
/// Rungs of the ladder of shapes that are tried first: to 1.6 cycles a pixel even for lines 10,000 px apart.
const MOST_RUNGS: i32 = 32;
/// Cut-off of the finest of them, cycles a pixel.
const FINEST_CUT_OFF: f64 = 1.6;
/// Fewest located graduations.
const LEAST_POINTS: usize = 6;
/// How many times as many pixels of a large picture are looked at, one after the other until its lines are seen.
const MORE_PIXELS: [f64; 3] = [1.0, 5.0, 25.0];
/// Looks at some strips before the one at all of them; fewer where the last one has moved no line by more of a line's width, and that width
/// by no greater share: the strips' model is linear in steps s, of which it misses some s (s / w)², and a width that is off pulls a line
/// to neither side.
const MOST_ROUNDS: u32 = 3;
const SETTLED: f64 = 0.02;
const SETTLED_SHAPE: f64 = 0.01;
/// Steps in widths of a line that widen it in the sum of many by more than a tenth.
const FAR_OFF: f64 = 0.15;
/// Most that the fitted distance and direction may differ from those of the survey, which knows them to a hundredth: relative, and radians.
const MOST_OFF: f64 = 0.05;
const MOST_TURNED: f64 = 0.1;
/// Fewest lines across that may join.
const LEAST_ACROSS: usize = 6;
/// Robust weight below which a graduation counts as rejected.
const LEAST_WEIGHT: f64 = 0.2;

/// Locates and fits.
pub(super) fn refine(
    light: &Light,
    verdict: &Verdict<'_>,
    request: &Request,
    left_out: &[LeftOut],
) -> Result<Reading, Refusal> {
    let ground = Ground {
        centre: (0.5 * light.width() as f64, 0.5 * light.height() as f64),
        radius: half_diagonal(light.width(), light.height()),
        division_mm: 1e-3 * request.division.get(),
        plain: fit::prior_plain(fall_off::fall_off(light, verdict.chosen)),
    };
    let own = family(light, verdict.chosen, ground, &places(left_out, false))?;
    let mut reading = assemble(light, verdict, request, &own)?;
    if let Some(crossed) = verdict.crossed {
        join_across(light, (crossed, &places(left_out, true)), (ground, &own.fitted), request, &mut reading);
    }
    let by_hand = reading.graduations.iter().filter(|g| g.rejected == Some(Rejection::ByHand)).count();
    if by_hand > 0 {
        reading.warnings.push(ReadingWarning::LeftOutByHand(by_hand));
    }
    Ok(reading)
}

fn places(left_out: &[LeftOut], across: bool) -> Vec<Point<Image>> {
    left_out.iter().filter(|l| l.across == across).map(|l| l.at).collect()
}

/// The located and fitted lines of one candidate.
struct Located {
    fitted: Fitted,
    shape: Shape,
    spots: Vec<Spots>,
    /// Numbers of the graduations that a person left out.
    by_hand: BTreeSet<i64>,
}

/// Locates and fits the lines of one candidate, in more of a large picture where little of it tells nothing.
fn family(light: &Light, chosen: &Candidate, ground: Ground, left_out: &[Point<Image>]) -> Result<Located, Refusal> {
    let mut result = Err(Refusal::NoRuling);
    for times in MORE_PIXELS {
        let locator = Locator { light, frame: chosen.frame, lines: &chosen.lines, times };
        result = located(&locator, chosen, ground, left_out);
        // The narrow strips of a large picture tell faint and broad lines nothing.
        if !(locator.is_large() && matches!(result, Err(Refusal::TooFewGraduations { .. }))) {
            break;
        }
    }
    result
}

/// Fewest located graduations that the phase is taken from; where more pixels may be looked at, half of those that are there, since what the few
/// strongest by chance say is off by more than they know.
fn least_points(locator: &Locator<'_>, spots: &[Spots]) -> usize {
    if !locator.is_large() || locator.times >= MORE_PIXELS[MORE_PIXELS.len() - 1] {
        return LEAST_POINTS;
    }
    let seen = |k: &i64| locator.lines.present.get((k - locator.lines.first) as usize) == Some(&true);
    (spots.iter().flat_map(|s| &s.k).filter(|k| seen(k)).count() / 2).max(LEAST_POINTS)
}

fn located(
    locator: &Locator<'_>,
    chosen: &Candidate,
    ground: Ground,
    left_out: &[Point<Image>],
) -> Result<Located, Refusal> {
    let mut phase = chosen.lines.phase.clone();
    let mut shape = best_start(locator, &phase, chosen.pitch_px).ok_or(Refusal::NoRuling)?;
    let mut settled = false;
    let mut spots = Vec::new();
    for round in 0.. {
        let last = settled || round == MOST_ROUNDS;
        spots = locator.spots(&phase, &shape, if last { Effort::Full } else { Effort::Some });
        let points = phase_points(locator, &spots, chosen.pitch_px);
        if points.len() < least_points(locator, &spots) {
            return Err(Refusal::TooFewGraduations { found: points.len(), needed: LEAST_POINTS });
        }
        let better = phase.through(&points);
        let old = std::mem::replace(&mut phase, better);
        if last {
            break;
        }
        let moved = moved_px(locator, &old, &phase, chosen.pitch_px) / shape.fwhm();
        // Lines that lay far from where they were sought look wide.
        let better = (moved < FAR_OFF).then(|| locator.refined_shape(&shape, &spots)).flatten();
        let changed = better.as_ref().map_or(0.0, |b| (b.fwhm() / shape.fwhm() - 1.0).abs());
        settled = moved < SETTLED && changed < SETTLED_SHAPE;
        shape = better.unwrap_or(shape);
    }
    let start = start(&phase, locator, ground);
    let number = |p: &Point<Image>| {
        let (t, s) = locator.frame.ts(p.x, p.y);
        let k = phase.at(t, s);
        ((k - k.round()).abs() < 1.0 / 3.0).then(|| k.round() as i64)
    };
    let by_hand: BTreeSet<i64> = left_out.iter().filter_map(number).collect();
    let fitted = fit::fit(&spots, start, ground, &by_hand).ok_or(Refusal::NoRuling)?;
    Ok(Located { fitted, shape, spots, by_hand })
}

/// Adds the lines across to a reading, where they are as good as those along.
fn join_across(
    light: &Light,
    (crossed, left_out): (&Candidate, &[Point<Image>]),
    (ground, along): (Ground, &Fitted),
    request: &Request,
    reading: &mut Reading,
) {
    let Ok(own) = family(light, crossed, ground, left_out) else { return };
    let lines = graduations(crossed.lines.first, &crossed.lines.present, &own);
    let used = lines.iter().filter(|g| g.rejected.is_none()).count();
    if used < LEAST_ACROSS
        || (used as f64) < 0.6 * crossed.seen() as f64
        || own.fitted.ruling_sd_px > MOST_SCATTER * crossed.pitch_px
    {
        return;
    }
    let (Some(free_along), Some(free_across)) = (&along.free, &own.fitted.free) else { return };
    let Some(joined) = grid::join(free_along, free_across) else { return };
    let (map, isotropy) = both::scale_map(light.width(), light.height(), &joined.chosen, request.division.get());
    for g in &mut reading.graduations {
        g.index -= joined.shift_along;
    }
    let sign = if joined.turned { -1 } else { 1 };
    reading.graduations.extend(lines.into_iter().map(|g| Graduation {
        family: Family::Across,
        index: sign * g.index - joined.shift_across,
        residual: Px::new(g.residual.get() * sign as f64),
        ..g
    }));
    let squares: Vec<f64> =
        reading.graduations.iter().filter(|g| g.rejected.is_none()).map(|g| g.residual.get().powi(2)).collect();
    reading.residual_rms = Px::new((squares.iter().sum::<f64>() / squares.len().max(1) as f64).sqrt());
    // Ten parameters: two offsets, four slopes, lens and tilt.
    reading.dof = (squares.len() as f64 - 10.0).max(1.0);
    reading.scale = map.centre_scale();
    reading.rotation = map.direction();
    reading.u_rel_fit = map.u_rel_fit_at(map.centre());
    (reading.evidence_radial, reading.evidence_perspective) = (joined.chosen.radial, joined.chosen.perspective);
    (reading.ruler, reading.isotropy, reading.map) = (Ruler::Crossed, Some(isotropy), map);
}

/// The diffraction that leaves the least of most intervals between lines, for a line of usual width.
fn best_start(locator: &Locator<'_>, phase: &Phase, pitch: f64) -> Option<Shape> {
    let trials = locator.trials(phase);
    // From what just resolves the division to what just fills a pixel.
    let rung = |i: &i32| Optical::usual(1.08 / pitch * 1.35_f64.powi(*i), pitch);
    let best = |rungs: Vec<i32>| {
        let rungs: Vec<i32> = rungs.into_iter().filter(|i| *i >= 0 && rung(i).cut_off < FINEST_CUT_OFF).collect();
        let tried = rungs.into_par_iter().filter_map(|i| {
            let shape = Shape::optical(rung(&i));
            Some((trials.left(&shape)?, i, shape))
        });
        tried.min_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, i, shape)| (i, shape))
    };
    // Every second rung, since the noise may have two hollows, then the two beside the best.
    let rough = best((0..MOST_RUNGS).step_by(2).collect())?.0;
    best((rough - 1..=rough + 1).collect()).map(|(_, shape)| shape)
}

/// Located graduations as points of the phase, `(t, s, k, weight)`.
fn phase_points(locator: &Locator<'_>, spots: &[Spots], pitch: f64) -> Vec<(f64, f64, f64, f64)> {
    let first = locator.lines.first;
    let mut out = Vec::new();
    for s in spots {
        for i in 0..s.k.len() {
            let seen = locator.lines.present.get((s.k[i] - first) as usize).copied().unwrap_or(false);
            let information = s.information[(i, i)];
            // Steps known to half a pixel at least; the phase of a coarse look may be off by a share of the distance.
            if !seen || information < 4.0 || s.delta[i].abs() > (0.1 * pitch).max(3.0) {
                continue;
            }
            let x = s.at[i].0 + s.delta[i] * s.across[i].0;
            let y = s.at[i].1 + s.delta[i] * s.across[i].1;
            let (t, along) = locator.frame.ts(x, y);
            out.push((t, along, s.k[i] as f64, information.min(1e4)));
        }
    }
    // Drop what lies far from its neighbours in step: median of |δ| as the yardstick.
    let mut sizes: Vec<f64> = spots.iter().flat_map(|s| s.delta.iter().map(|d| d.abs())).collect();
    if sizes.is_empty() {
        return out;
    }
    let middle = sizes.len() / 2;
    let yard = sizes.select_nth_unstable_by(middle, f64::total_cmp).1.max(0.05) * 8.0;
    let near = |p: &(f64, f64, f64, f64)| {
        let slope = locator.lines.phase.gradient(p.0, p.1).0;
        (locator.lines.phase.at(p.0, p.1) - p.2).abs() / slope < yard
    };
    let kept: Vec<_> = out.iter().filter(|p| near(p)).copied().collect();
    if kept.len() * 2 > out.len() { kept } else { out }
}

/// How far a new phase has moved the lines at the corners and the middle of the ruling, px at most.
fn moved_px(locator: &Locator<'_>, old: &Phase, new: &Phase, pitch: f64) -> f64 {
    let lines = locator.lines;
    let (first, count) = (lines.first as f64, lines.present.len() as f64);
    let (low, high) = lines.band;
    let step = |k: f64, s: f64| old.t_of(k, s, 0.0).map_or(f64::INFINITY, |t| (new.at(t, s) - k).abs() * pitch);
    [0.0, 0.5, 1.0]
        .iter()
        .flat_map(|a| [low, 0.5 * (low + high), high].map(|s| step(first + a * count, s)))
        .fold(0.0, f64::max)
}

/// A plain start for the fit from the phase at two places.
fn start(phase: &Phase, locator: &Locator<'_>, ground: Ground) -> Terms {
    let lines = locator.lines;
    let s = 0.5 * (lines.band.0 + lines.band.1);
    let k = lines.first as f64 + 0.5 * lines.present.len() as f64;
    let t = phase.t_of(k, s, 0.0).unwrap_or(0.0);
    let (gt, gs) = phase.gradient(t, s);
    let n = locator.frame.n;
    let (gx, gy) = (gt * n.0 - gs * n.1, gt * n.1 + gs * n.0);
    let (x, y) = locator.frame.xy(t, s);
    let (dx, dy) = (ground.centre.0 - x, ground.centre.1 - y);
    Terms::from([k + gx * dx + gy * dy, gx * ground.radius, gy * ground.radius, 0.0, 0.0, 0.0, 0.0])
}

/// Whether the fitted lines stand, in the middle of the ruling, as the survey saw them: where lines are too short to tell their own direction, the
/// fit may lean them along the ruling, and the scale with them.
fn is_as_seen(map: &ScaleMap, chosen: &Candidate, division: f64) -> bool {
    let (x, y) = chosen.middle();
    let (scale, direction) = map.along_at(Point::new(x, y));
    (scale * division / chosen.pitch_px - 1.0).abs() < MOST_OFF && angle_between(direction, chosen.angle) < MOST_TURNED
}

fn assemble(light: &Light, verdict: &Verdict<'_>, request: &Request, own: &Located) -> Result<Reading, Refusal> {
    let Located { fitted, shape, spots, .. } = own;
    let chosen = verdict.chosen;
    let division = request.division.get();
    let map = scale_map(light, fitted, division);
    if !is_as_seen(&map, chosen, division) {
        return Err(Refusal::NotARuling {
            missing: "its lines, looked at finely, run in another direction or at another distance than they follow each other",
        });
    }
    let scale = map.centre_scale();
    let graduations = graduations(chosen.lines.first, &chosen.lines.present, own);
    let used: Vec<&Graduation> = graduations.iter().filter(|g| g.rejected.is_none()).collect();
    if used.len() < 6 {
        return Err(Refusal::TooFewGraduations { found: used.len(), needed: 6 });
    }
    let rms = |values: &mut dyn Iterator<Item = f64>| {
        let (mut sum, mut n) = (0.0, 0.0);
        for v in values {
            sum += v * v;
            n += 1.0;
        }
        (sum / f64::max(n, 1.0)).sqrt()
    };
    let residual_rms = rms(&mut used.iter().map(|g| g.residual.get()));
    // Scatter beyond what noise explains, as a share of the distance.
    let scatter = fitted.ruling_sd_px / chosen.pitch_px;
    let most = if used.len() < FEW { MOST_SCATTER_OF_FEW } else { MOST_SCATTER };
    if scatter > most {
        return Err(Refusal::Uneven { scatter_percent: 100.0 * scatter, limit_percent: 100.0 * most });
    }
    if (used.len() as f64) < LEAST_IN_FIT * chosen.seen() as f64 {
        return Err(Refusal::TooManyLeftOut {
            used: used.len(),
            seen: chosen.seen(),
            by_hand: own.by_hand.len(),
            needed_percent: 100.0 * LEAST_IN_FIT,
        });
    }
    check_expectation(scale, request)?;
    let mut warnings = verdict.warnings.clone();
    // What a person left out is told by itself.
    let rejected = (graduations.len() - used.len()).saturating_sub(own.by_hand.len());
    if used.len() < 15 {
        warnings.push(ReadingWarning::FewGraduations(used.len()));
    }
    if rejected * 3 > graduations.len() {
        warnings.push(ReadingWarning::ManyRejected { used: used.len(), rejected });
    }
    let unevenness = map.unevenness();
    if unevenness > 0.002 {
        warnings.push(ReadingWarning::UnevenScale { relative: unevenness });
    }
    let ruling_um = fitted.ruling_sd_px / scale.get();
    if ruling_um > 0.05 * division {
        warnings.push(ReadingWarning::RulingErrors { sd_um: ruling_um });
    }
    let pixel_sd = median(spots.iter().map(|s| s.pixel_sd).collect());
    let contrast = median(used.iter().map(|g| g.contrast.abs()).collect());
    let u_rel_fit = map.u_rel_fit_at(map.centre());
    let signal_to_noise = contrast / pixel_sd.max(1e-12);
    let area_px = used.len() as f64 * (chosen.lines.band.1 - chosen.lines.band.0);
    let blur = blur(shape, map.direction(), signal_to_noise, area_px, chosen.pitch_px);
    Ok(Reading {
        scale,
        rotation: map.direction(),
        residual_rms: Px::new(residual_rms),
        u_rel_fit,
        // Offset, scale and direction, and as much of κ and the perspective's two components as is believed to be there; κ₂ follows
        // from κ but for a hair.
        dof: (used.len() as f64 - 3.0 - fitted.weight_radial - 2.0 * fitted.weight_perspective).max(1.0),
        ruling_sd: Um::new(ruling_um),
        bright_lines: chosen.lines.bright,
        long_graduations: verdict.long,
        evidence_radial: fitted.weight_radial,
        evidence_perspective: fitted.weight_perspective,
        line_width: Px::new(shape.fwhm()),
        line_shape: shape.points().collect(),
        blur,
        signal_to_noise: Some(signal_to_noise),
        warnings,
        graduations,
        ruler: Ruler::Lines,
        isotropy: None,
        map,
    })
}

/// The blur from the common line shape; its samples stand for `area_px` pixels of all graduations.
///
/// The width of the ruled lines is not stated on a slide. It is taken as a fifth of the division, give or take a third of that
/// (common practice: 1.5 to 3 µm in 10), and never as more than two thirds of what is seen.
fn blur(shape: &Shape, direction: Angle, signal_to_noise: f64, area_px: f64, pitch_px: f64) -> Option<MeasuredBlur> {
    let step = shape.step();
    // Noise of one table entry relative to the peak; the floor stands for what the strips do not share (focus, light).
    let sd = (1.0 / signal_to_noise / (area_px * step).max(1.0).sqrt()).max(BLUR_FLOOR);
    // A fine table says no more by all its entries than by some that carry the weight of their neighbours.
    let all: Vec<(f64, f64)> = shape.points().collect();
    let every = all.len().div_ceil(MOST_SHAPE_POINTS);
    let sd = sd / (every as f64).sqrt();
    let kept = all.iter().skip(every / 2).step_by(every);
    let points: Vec<ProfilePoint> =
        kept.map(|(distance_px, light)| ProfilePoint { distance_px: *distance_px, light: *light, sd }).collect();
    let sampling = Sampling { normal: direction, bin: Px::new(step) };
    let width = (0.2 * pitch_px).min(0.67 * shape.fwhm());
    let known = LineWidth::Known { width: Px::new(width), u: Px::new(0.33 * width) };
    let fitted = line_blur(&points, sampling, known).ok()?;
    // A shape that was only assumed, since neighbours overlap, says less than one that was traced.
    let assumed = if shape.fwhm() < 0.62 * pitch_px { TRACED_SHAPE } else { ASSUMED_SHAPE };
    let u = fitted.u_w.get().hypot(assumed * fitted.w.get());
    Some(MeasuredBlur { width: fitted.w, u: Px::new(u) })
}

fn median(mut v: Vec<f64>) -> f64 {
    if v.is_empty() {
        return 0.0;
    }
    let middle = v.len() / 2;
    *v.select_nth_unstable_by(middle, f64::total_cmp).1
}

/// Known reasons for a scale off by a plain factor; those are warned about where the setup is checked.
const KNOWN_RATIOS: [f64; 6] = [1.5, 1.6, 2.0, 3.0, 5.0, 10.0];

pub(super) fn check_expectation(scale: PxPerUm, request: &Request) -> Result<(), Refusal> {
    let Some(expected) = request.expected else { return Ok(()) };
    let ratio = (scale / expected).max(expected / scale);
    // "About 3" covers still sensors of 5 to 7 thousand columns read out at 1920.
    let known = KNOWN_RATIOS.iter().any(|r| (ratio / r - 1.0).abs() < if *r == 3.0 { 0.15 } else { 0.06 });
    if ratio > 1.3 && !known {
        return Err(Refusal::OutsideExpectation { found_px_per_um: scale.get(), expected_px_per_um: expected.get() });
    }
    Ok(())
}

fn scale_map(light: &Light, fitted: &Fitted, division: f64) -> ScaleMap {
    let p = &fitted.parameters;
    let mut covariance = [[0.0; TERMS]; TERMS];
    let unit = |i: usize| if i < 3 { division } else { 1.0 };
    for (i, row) in covariance.iter_mut().enumerate().take(PARAMETERS) {
        for (j, v) in row.iter_mut().enumerate().take(PARAMETERS) {
            *v = fitted.covariance[(i, j)] * unit(i) * unit(j);
        }
    }
    ScaleMap {
        width_px: light.width(),
        height_px: light.height(),
        model: fitted.model,
        along_um: [p[0] * division, p[1] * division, p[2] * division],
        // Square pixels: across is along turned by a right angle.
        across_um: [0.0, -p[2] * division, p[1] * division],
        radial: p[3],
        radial_2: p[6],
        radial_centre: [0.0, 0.0],
        perspective: [p[4], p[5]],
        covariance,
        u_rel_across: None,
    }
}

fn graduations(first: i64, present: &[bool], own: &Located) -> Vec<Graduation> {
    let by_index: BTreeMap<i64, &fit::LineResidual> = own.fitted.residuals.iter().map(|r| (r.k, r)).collect();
    present
        .iter()
        .enumerate()
        .filter_map(|(i, seen)| {
            let index = first + i as i64;
            let r = by_index.get(&index)?;
            let rejected = if own.by_hand.contains(&index) {
                Some(Rejection::ByHand)
            } else if !seen {
                Some(Rejection::NotSeen)
            } else if r.weight < LEAST_WEIGHT {
                Some(Rejection::OutOfPlace)
            } else {
                None
            };
            Some(Graduation {
                family: Family::Along,
                index,
                at: Point::new(r.at.0, r.at.1),
                residual: Px::new(r.residual_px),
                u: Px::new(r.u_px),
                contrast: r.contrast,
                rejected,
            })
        })
        .collect()
}
