//! Which candidate is the ruling, and whether it is safe to say so.

use super::candidate::{Candidate, angle_between};
use super::lines::Tiers;
use super::mesh;
use super::pyramid::Level;
use super::reading::{LongGraduations, ReadingWarning, Refusal, Request};

/// Fewest graduations of a ruling with long ones in sight.
const LEAST_GRADUATIONS: usize = 6;
/// Fewest where no long graduation tells the division.
const LEAST_ALIKE: usize = 25;

/// Least length of lines that are all alike over their distance: below it they may be the ends of fifths or tenths that stand out of a bar of
/// graduations too fine to be seen.
const LEAST_LENGTH: f64 = 1.5;

/// Least width of lines that are all alike, over their distance: ruled lines take 0.15 to 0.3 of a division (common practice) and blur adds to it, so that thinner
/// ones may be the fifths or tenths of graduations that are not seen.
const THINNEST_ALIKE: f64 = 0.15;

/// Lines broader than this share of their distance would melt together at half of it.
const HIDING: f64 = 0.35;

/// The chosen one and what must be said about it.
#[derive(Clone, Debug)]
pub(super) struct Verdict<'a> {
    pub(super) chosen: &'a Candidate,
    /// Lines of the same spacing at right angles to it.
    pub(super) crossed: Option<&'a Candidate>,
    pub(super) long: LongGraduations,
    pub(super) warnings: Vec<ReadingWarning>,
}

/// How much of an interval a line covers at half height, from the mean shape of an interval (16 samples, line in the middle).
fn relative_width(shape: &[f64; 16]) -> f64 {
    let peak = shape[6..10].iter().copied().fold(f64::MIN, f64::max);
    let ground = shape.iter().copied().fold(f64::MAX, f64::min);
    let half = 0.5 * (peak + ground);
    // Linear interpolation between samples at the two crossings nearest to the middle.
    let crossing = |at: &dyn Fn(usize) -> f64| -> f64 {
        for i in 1..8 {
            let (a, b) = (at(i - 1), at(i));
            if b < half {
                return (i as f64 - 1.0) + (a - half) / (a - b).max(1e-12);
            }
        }
        8.0
    };
    let right = crossing(&|i| shape[(8 + i).min(15)]);
    let left = crossing(&|i| shape[7_usize.saturating_sub(i)]);
    (right + left + 1.0) / 16.0
}

/// Chooses, or refuses.
pub(super) fn judge<'a>(
    found: &'a [Candidate],
    levels: &[Level<'_>],
    request: &Request,
) -> Result<Verdict<'a>, Refusal> {
    let best = found.first().ok_or(Refusal::NoRuling)?;
    if let Some((chosen, crossed)) = grid(found, levels) {
        return Ok(Verdict {
            chosen,
            crossed: Some(crossed),
            long: LongGraduations::None,
            warnings: vec![ReadingWarning::NoLongGraduations],
        });
    }
    // Among candidates of the same direction and place whose spacings are whole multiples, the finest real one is the division. A
    // decimal pattern of long graduations tells the division by itself: fewer lines than all would show another pattern, and the
    // gaps beside sharp lines look like lines at half the spacing, but never like that.
    let told = |c: &Candidate| matches!(c.lines.tiers, Tiers::TensAndFives { .. });
    let related: Vec<&Candidate> = found
        .iter()
        .filter(|c| c.strength > 0.25 * best.strength && is_multiple(best, c) && !is_ground(best, c))
        .collect();
    let any_told = related.iter().any(|c| told(c));
    let chosen = related
        .into_iter()
        .filter(|c| told(c) || !any_told)
        .min_by(|a, b| a.pitch_px.total_cmp(&b.pitch_px))
        .unwrap_or(best);
    let seen = chosen.seen();
    if seen < LEAST_GRADUATIONS {
        return Err(Refusal::TooFewGraduations { found: seen, needed: LEAST_GRADUATIONS });
    }
    let span = chosen.lines.present.len();
    if (seen as f64) < 0.5 * span as f64 {
        return Err(Refusal::NoRuling);
    }
    let crossed = found.iter().find(|c| is_square_to(chosen, c) && c.seen() >= LEAST_GRADUATIONS);
    let of_lattice = |c: &Candidate| crossed.is_some_and(|x| is_of_lattice(chosen, x, c));
    if let Some(rival) = found.iter().find(|c| is_rival(chosen, c) && !of_lattice(c)) {
        return Err(Refusal::TwoRulings { first_px: chosen.pitch_px, second_px: rival.pitch_px });
    }
    let second = |c: &Candidate| told(chosen) && told(c) && is_second_decimal(chosen, c);
    if let Some(rival) = found.iter().find(|c| second(c) || stands_apart(chosen, c)) {
        return Err(Refusal::TwoRulings { first_px: chosen.pitch_px, second_px: rival.pitch_px });
    }
    let mut warnings = Vec::new();
    let long = division(chosen, crossed, levels, request, &mut warnings)?;
    Ok(Verdict { chosen, crossed, long, warnings })
}

/// Lines all alike both ways whose lattice holds every other wave in the picture: their overtones and diagonals.
///
/// Thin lines that run through are a grid as they are; broader ones must be seen to cover each other where they cross.
fn grid<'a>(found: &'a [Candidate], levels: &[Level<'_>]) -> Option<(&'a Candidate, &'a Candidate)> {
    let strongest = found.first()?.strength;
    let told = |c: &Candidate| !matches!(c.lines.tiers, Tiers::Alike | Tiers::Twos | Tiers::Odd);
    if found.iter().any(|c| told(c) && c.strength > 0.25 * strongest) {
        return None;
    }
    let lines = |c: &&Candidate| {
        let seen = c.seen();
        seen >= 8 && 10 * seen > 9 * c.lines.present.len() && c.lines.continuity > 0.8 && !c.lines.bar_beyond
    };
    let pairs = found.iter().enumerate().filter(|(_, c)| lines(c)).flat_map(|(i, a)| {
        let across = found[i + 1..].iter().filter(lines);
        across.filter(move |b| is_square_to(a, b) && a.lines.bright == b.lines.bright).map(move |b| (a, b))
    });
    let others = |a: &Candidate, b: &Candidate| {
        let clear = found.iter().filter(|c| is_clear(a, c) && c.depth() > 0.3 * a.depth());
        clear.clone().all(|c| is_of_lattice(a, b, c))
    };
    // Fainter lines between these, told from their overtones by being there: then these are not the finest.
    let finer = |a: &Candidate| {
        let between =
            |c: &Candidate| is_multiple(a, c) && c.pitch_px < 0.6 * a.pitch_px && c.lines.bright == a.lines.bright;
        found.iter().any(|c| between(c) && 2 * c.seen() > 3 * a.seen())
    };
    let level = levels.first()?;
    let width = |a: &Candidate, b: &Candidate| relative_width(&a.lines.shape).max(relative_width(&b.lines.shape));
    let clear = |a: &Candidate, b: &Candidate| width(a, b) < 0.55 && others(a, b) && !finer(a) && !finer(b);
    pairs.filter(|(a, b)| clear(a, b)).find(|(a, b)| {
        let cell = mesh::Cell::of(level, a, b);
        cell.is_some_and(|c| c.is_whole() && (width(a, b) < 0.3 || c.is_crossing(a.lines.bright)))
    })
}

/// The same spacing at right angles.
fn is_square_to(a: &Candidate, b: &Candidate) -> bool {
    let turned = angle_between(b.angle, a.angle);
    (turned - std::f64::consts::FRAC_PI_2).abs() < 0.03 && (b.pitch_px / a.pitch_px - 1.0).abs() < 0.02
}

fn is_multiple(a: &Candidate, b: &Candidate) -> bool {
    let ratio = (a.pitch_px / b.pitch_px).max(b.pitch_px / a.pitch_px);
    let (t, s) = a.frame.ts(b.middle().0, b.middle().1);
    let (half_t, half_s) = a.half_size();
    let (other_t, other_s) = b.half_size();
    // Short lines far apart tell their direction to a share of the distance only.
    let known = |c: &Candidate| (0.15 * c.pitch_px / (c.lines.band.1 - c.lines.band.0)).clamp(0.03, 0.08);
    angle_between(a.angle, b.angle) < known(a).max(known(b))
        && (ratio / ratio.round() - 1.0).abs() < 0.015
        && t.abs() < half_t + other_t
        && s.abs() < half_s + other_s + 3.0 * a.pitch_px.max(b.pitch_px)
}

/// An overtone of thin lines takes the ground between them for lines: it is finer and of the other polarity, and where the thin lines
/// are, every second, third … of its places is empty.
fn is_ground(best: &Candidate, c: &Candidate) -> bool {
    let parts = (best.pitch_px / c.pitch_px).round() as usize;
    if parts < 2
        || c.lines.bright == best.lines.bright
        || !matches!(c.lines.tiers, Tiers::Alike | Tiers::Twos | Tiers::Odd)
    {
        return false;
    }
    let empty = |r: usize| {
        let places = c.lines.present.iter().skip(r).step_by(parts);
        places.clone().filter(|p| **p).count() * 10 <= places.count()
    };
    matches!(best.lines.tiers, Tiers::TensAndFives { .. }) || (0..parts).any(empty)
}

/// Of two decimal patterns in one direction, a second ruling even where one spacing is twice the other; long graduations that are
/// decimal by themselves stand five or ten divisions apart.
fn is_second_decimal(chosen: &Candidate, c: &Candidate) -> bool {
    let ratio = (c.pitch_px / chosen.pitch_px).max(chosen.pitch_px / c.pitch_px);
    // Of an overtone of the pattern of fifths about half of the places are empty.
    let dense = c.seen() as f64 > 0.6 * c.lines.present.len() as f64;
    ratio > 1.02
        && ![5.0, 10.0].iter().any(|r| (ratio / r - 1.0).abs() < 0.015)
        && c.seen() > 10
        && dense
        && angle_between(c.angle, chosen.angle) < 0.05
}

/// Even lines in the same direction beyond the longest graduations of the first: a ruling of its own, even where one spacing is a
/// multiple of the other. Figures and ends of long graduations stand five or ten divisions apart.
fn stands_apart(chosen: &Candidate, c: &Candidate) -> bool {
    let ratio = (c.pitch_px / chosen.pitch_px).max(chosen.pitch_px / c.pitch_px);
    let (from, to) = chosen.lines.extent();
    let s = chosen.frame.ts(c.middle().0, c.middle().1).1;
    let half = 0.5 * (c.lines.band.1 - c.lines.band.0);
    let apart = chosen.pitch_px.max(c.pitch_px);
    ratio > 1.02
        && ![5.0, 10.0].iter().any(|r| (ratio / r - 1.0).abs() < 0.015)
        && angle_between(c.angle, chosen.angle) < 0.05
        && (s - half > to + apart || s + half < from - apart)
        && is_clear(chosen, c)
}

/// Many lines without gaps, nearly as strong as those of the first.
fn is_clear(chosen: &Candidate, c: &Candidate) -> bool {
    let seen = c.seen();
    let dense = seen as f64 > 0.7 * c.lines.present.len() as f64;
    seen >= 8 && dense && c.strength > 0.2 * chosen.strength && c.strength > 10.0 * seen as f64
}

/// A second even set of lines that does not belong to the first.
fn is_rival(chosen: &Candidate, c: &Candidate) -> bool {
    if std::ptr::eq(chosen, c) || is_multiple(chosen, c) {
        return false;
    }
    if is_square_to(chosen, c) {
        return false;
    }
    let turned = angle_between(c.angle, chosen.angle);
    // Faint and shallow, or inside the chosen ruling's own footprint: a beat between its lines, not another ruling.
    let beat = c.depth() < 0.3 * chosen.depth() || (turned < 0.6 && inside(chosen, c, turned < 0.05));
    // Overtones of the pattern of fifths: five divisions over 2, 3 or 4.
    let ratio = c.pitch_px / chosen.pitch_px;
    let told = matches!(chosen.lines.tiers, Tiers::TensAndFives { .. });
    let overtone = told && turned < 0.05 && [2.5, 5.0 / 3.0, 1.25].iter().any(|r| (ratio / r - 1.0).abs() < 0.007);
    is_clear(chosen, c) && !beat && !overtone
}

/// A wave of the lattice that two crossed sets of lines make: their harmonics and diagonals are no rulings of their own.
fn is_of_lattice(along: &Candidate, across: &Candidate, c: &Candidate) -> bool {
    let wave = |c: &Candidate| (c.angle.cos() / c.pitch_px, c.angle.sin() / c.pitch_px);
    let ((ax, ay), (bx, by), (x, y)) = (wave(along), wave(across), wave(c));
    let det = ax * by - ay * bx;
    let (m, n) = ((x * by - y * bx) / det, (ax * y - ay * x) / det);
    let whole = |v: f64| (v - v.round()).abs() < 0.03;
    whole(m) && whole(n) && m.abs() + n.abs() < 4.5
}

/// The middle of `c` lies where the graduations of `chosen` reach; for lines of the same direction, within the short ones, since
/// a second scale may stand right beside the first.
fn inside(chosen: &Candidate, c: &Candidate, same_direction: bool) -> bool {
    let (t, s) = chosen.frame.ts(c.middle().0, c.middle().1);
    let band = chosen.lines.band;
    let reach = if same_direction {
        let margin = 0.2 * (band.1 - band.0);
        (band.0 - margin, band.1 + margin)
    } else {
        let margin = 3.0 * chosen.pitch_px;
        let all = chosen.lines.extent();
        (all.0 - margin, all.1 + margin)
    };
    let (half_t, _) = chosen.half_size();
    t.abs() < half_t + 3.0 * chosen.pitch_px && s > reach.0 && s < reach.1
}

fn division(
    chosen: &Candidate,
    crossed: Option<&Candidate>,
    levels: &[Level<'_>],
    request: &Request,
    warnings: &mut Vec<ReadingWarning>,
) -> Result<LongGraduations, Refusal> {
    let found = chosen.pitch_px / request.division.get();
    let agrees = request.expected.is_some_and(|e| (found / e.get() - 1.0).abs() < 0.2);
    let lines = &chosen.lines;
    let ambiguous = |why, factors| Err(Refusal::DivisionAmbiguous { why, factors });
    match lines.tiers {
        Tiers::TensAndFives { .. } => return Ok(LongGraduations::FifthsAndTenths),
        // Where the long ones leave the picture, fifths and tenths cannot be told apart: that is no sign against the division.
        // But where the lines are thin enough for others between them to be seen, these might be missing.
        Tiers::Fives { .. } if lines.long_run_out && relative_width(&lines.shape) > HIDING => {
            return Ok(LongGraduations::Fifths);
        }
        Tiers::Tens { .. } if agrees => return Ok(LongGraduations::Tenths),
        Tiers::Fives { .. } if agrees => return Ok(LongGraduations::Fifths),
        Tiers::Tens { .. } => {
            return ambiguous(
                "every tenth line is longer, but whether the fifths between are too is not certain",
                "2 or 5",
            );
        }
        Tiers::Fives { .. } => {
            return ambiguous(
                "every fifth line is longer, but all of these alike, as when every second graduation is missing",
                "2",
            );
        }
        Tiers::Twos if agrees => {
            warnings.push(ReadingWarning::DivisionHelpedByExpectation);
            return Ok(LongGraduations::None);
        }
        Tiers::Twos => {
            return ambiguous("every second line is longer, as when only the fifths and tenths are seen", "2, 5 or 10");
        }
        Tiers::Odd if !agrees && crossed.is_none() => {
            return ambiguous(
                "some lines are longer, but neither every fifth nor every tenth, as when two exposures or two rulings lie over each other",
                "2 or more",
            );
        }
        Tiers::Alike | Tiers::Odd => {}
    }
    let seen = chosen.seen();
    let width = relative_width(&chosen.lines.shape);
    if chosen.lines.bar_beyond {
        return Err(Refusal::Unresolved);
    }
    if agrees {
        warnings.push(ReadingWarning::DivisionHelpedByExpectation);
        return Ok(LongGraduations::None);
    }
    // Both directions of a grid are ruled alike: dark on bright or bright on dark, never one of each.
    let grid = crossed.is_some_and(|c| c.lines.continuity > 0.8 && c.lines.bright == lines.bright)
        && lines.continuity > 0.8
        && seen >= 8
        && width < 0.3
        && levels.first().zip(crossed).and_then(|(l, c)| mesh::Cell::of(l, chosen, c)).is_some_and(|c| c.is_whole());
    if !grid && crossed.is_some() {
        return Err(Refusal::NotARuling {
            missing: "it repeats in both directions, but not as lines that run through",
        });
    }
    if !grid {
        if seen < LEAST_ALIKE {
            return Err(Refusal::DivisionAmbiguous {
                why: "the few lines in sight are all alike; show more of the slide, with its longer graduations, or give magnification and pixel pitch",
                factors: "2, 5 or 10",
            });
        }
        if lines.blind {
            return Err(Refusal::DivisionAmbiguous {
                why: "the lines seem all alike, but are so faint that longer ones among them would not be seen; use more light or more magnification",
                factors: "2, 5 or 10",
            });
        }
        if width < THINNEST_ALIKE {
            return Err(Refusal::DivisionAmbiguous {
                why: "the lines are all alike and very thin for their distance, as when finer graduations are not seen",
                factors: "5 or 10",
            });
        }
        if lines.band.1 - lines.band.0 < LEAST_LENGTH * chosen.pitch_px {
            return Err(Refusal::NotARuling {
                missing: "no line is longer, and all are hardly longer than they are apart",
            });
        }
        if lines.ends_seen < 2 {
            return Err(Refusal::NotARuling {
                missing: "no line is longer, and the lines do not end within the picture",
            });
        }
        if lines.outermost_seen < 2 {
            return Err(Refusal::NotARuling {
                missing: "no line is longer, and the first and the last line are not both in sight with empty ground beyond",
            });
        }
        if (seen as f64) < 0.92 * lines.present.len() as f64 || lines.continuity < 0.8 {
            return Err(Refusal::NotARuling { missing: "no line is longer, and many are broken or missing" });
        }
    }
    warnings.push(ReadingWarning::NoLongGraduations);
    Ok(LongGraduations::None)
}
