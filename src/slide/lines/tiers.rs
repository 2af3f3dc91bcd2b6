//! The pattern of longer graduations, and how far each class of them reaches.

use super::Tiers;
use super::fold::Folded;
use super::median_of;
use super::steps;

/// Rows about `centre` whose level stays above `least`; a single low row does not end the run.
pub(super) fn half_height_run(levels: &[f64], centre: usize, least: f64) -> std::ops::Range<usize> {
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
pub(super) fn tiers(
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
    let stand = |tens: i64| steps::stand(y, folded, (from, to), band, top, tens);
    let tiers = match search_tiers(&table, band, top, noise, &stand) {
        _ if to - from < 11 => Tiers::Alike,
        Tiers::Alike => by_length(&table, band),
        found => found,
    };
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
            Tiers::Alike | Tiers::Twos | Tiers::Odd => (0..10).collect(),
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
        Tiers::Alike | Tiers::Twos | Tiers::Odd => None,
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
///
/// Fifths and tenths that do not `stand` line by line are fifths all alike.
fn search_tiers(
    table: &[[(f64, f64); 10]],
    band: &std::ops::Range<usize>,
    top: f64,
    noise: f64,
    stand: &dyn Fn(i64) -> bool,
) -> Tiers {
    let margin = band.len().max(3) * 3 / 2;
    let mut known = [None; 10];
    // Which of the two is longer is told by their ends: faint lines among the tenths make the fifths the stronger ones.
    let mut decimal = |of_pair: i64| -> Tiers {
        let mut stands = |tens: &i64| *known[*tens as usize].get_or_insert_with(|| stand(*tens));
        let tens = [of_pair % 10, (of_pair + 5) % 10].into_iter().find(|tens| stands(tens));
        tens.map_or(Tiers::Fives { fives: of_pair % 5 }, |tens| Tiers::TensAndFives { tens })
    };
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
            let found = match classify(&sums, sd, top) {
                Tiers::TensAndFives { tens: of_pair } | Tiers::Fives { fives: of_pair } => decimal(of_pair),
                other => other,
            };
            if rank(found) > rank(best) {
                best = found;
            }
        }
    }
    best
}

/// Least step between lengths that counts, rows: lines of one length end alike to a fraction of a row where they are seen at all.
const LEAST_STEP: f64 = 0.6;

/// Long graduations that reach beyond the others by less than the windows of [`search_tiers`] leave out, told by where each residue's
/// level falls to half. So small a step may take the trust from lines that seemed all alike, never state a decimal division.
fn by_length(table: &[[(f64, f64); 10]], band: &std::ops::Range<usize>) -> Tiers {
    let ends = |step: isize| -> Option<[f64; 10]> {
        let mut out = [0.0; 10];
        for (r, end) in out.iter_mut().enumerate() {
            *end = half_height_end(table, r, band, step)?;
        }
        Some(out)
    };
    // A side on which a line leaves the picture tells no lengths.
    let mut lengths = [0.0; 10];
    for end in [ends(-1), ends(1)].into_iter().flatten() {
        lengths.iter_mut().zip(end).for_each(|(length, end)| *length += end);
    }
    match classify(&lengths, LEAST_STEP / 6.0, LEAST_STEP) {
        found @ (Tiers::Twos | Tiers::Fives { .. } | Tiers::Odd) => found,
        // One residue is a few lines, and dirt at their ends.
        _ => Tiers::Alike,
    }
}

/// How far residue `r` reaches from the middle of the band in the direction of `step`, rows; absent where it leaves the picture.
fn half_height_end(table: &[[(f64, f64); 10]], r: usize, band: &std::ops::Range<usize>, step: isize) -> Option<f64> {
    let half = 0.5 * median_of(band.clone().map(|j| table[j][r].0).collect());
    let middle = band.start.midpoint(band.end);
    let (mut j, mut level) = (middle, table[middle][r].0);
    loop {
        let next = j.checked_add_signed(step).filter(|j| table.get(*j).is_some_and(|row| row[r].1 > 0.0))?;
        let beyond = table[next][r].0;
        if beyond < half {
            let part = ((level - half) / (level - beyond).max(1e-12)).clamp(0.0, 1.0);
            return Some(j.abs_diff(middle) as f64 + part);
        }
        (j, level) = (next, beyond);
    }
}

/// How much a pattern tells about the division.
const fn rank(t: Tiers) -> u8 {
    match t {
        Tiers::Alike => 0,
        Tiers::Odd => 1,
        Tiers::Twos => 2,
        Tiers::Fives { .. } => 3,
        Tiers::Tens { .. } => 4,
        Tiers::TensAndFives { .. } => 5,
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
    if parts_in_two(sums, least) { Tiers::Odd } else { Tiers::Alike }
}

/// Most spread within either part, over the gap between them: beside long lines the ground about the others is judged by three intervals
/// that hold these too, which moves it by a third of what they show.
const WITHIN_PART: f64 = 0.75;

/// Whether some of them lie above all others by more than `least`, and those of either part closer to each other.
fn parts_in_two(sums: &[f64; 10], least: f64) -> bool {
    let mut order = *sums;
    order.sort_by(f64::total_cmp);
    let gap = |i: usize| order[i] - order[i - 1];
    let Some(at) = (1..10).max_by(|a, b| gap(*a).total_cmp(&gap(*b))) else { return false };
    let spread = (order[at - 1] - order[0]).max(order[9] - order[at]);
    gap(at) > least && spread < WITHIN_PART * gap(at)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The pattern of these strengths over a top of 1 and hardly any noise.
    fn of(sums: [f64; 10]) -> Tiers {
        classify(&sums, 0.1, 1.0)
    }

    #[test]
    fn patterns_are_told_by_which_lines_are_long() {
        assert_eq!(of([0.0; 10]), Tiers::Alike);
        assert_eq!(of([4.0, 0.0, 0.1, 0.0, 0.0, 2.0, 0.0, 0.0, 0.1, 0.0]), Tiers::TensAndFives { tens: 0 });
        assert_eq!(of([0.0, 0.0, 0.1, 4.0, 0.0, 0.0, 0.0, 0.0, 0.1, 0.0]), Tiers::Tens { tens: 3 });
        assert_eq!(of([0.0, 0.0, 0.1, 4.0, 0.0, 0.0, 0.0, 0.0, 3.9, 0.0]), Tiers::Fives { fives: 3 });
        assert_eq!(of([4.0, 0.0, 4.1, 0.1, 3.9, 0.0, 4.0, 0.0, 4.0, 0.0]), Tiers::Twos);
    }

    #[test]
    fn a_step_of_one_row_at_an_end_takes_the_trust_from_lines_all_alike() {
        // Rows 2 to 5 are full; odd residues go on for one row, which the windows beyond the band leave out.
        let row = |even: f64, odd: f64| std::array::from_fn(|r| (if r % 2 == 0 { even } else { odd }, 9.0));
        let stepped = [(0.0, 0.0), (0.3, 0.3), (1.0, 1.0), (1.0, 1.0), (1.0, 1.0), (0.5, 1.0), (0.0, 0.7), (0.0, 0.0)];
        let even_ends =
            [(0.0, 0.0), (0.3, 0.3), (1.0, 1.0), (1.0, 1.0), (1.0, 1.0), (0.8, 1.0), (0.2, 0.3), (0.0, 0.0)];
        let tiers_of = |levels: [(f64, f64); 8]| by_length(&levels.map(|(even, odd)| row(even, odd)), &(2..6));
        assert_eq!(tiers_of(stepped), Tiers::Twos);
        assert_eq!(tiers_of(even_ends), Tiers::Alike);
    }

    #[test]
    fn pairs_of_long_lines_are_no_decimal_pattern() {
        // Two exposures half a division apart.
        assert_eq!(of([3.0, 3.0, 0.1, 0.0, 0.0, 0.0, 0.0, 0.1, 0.0, 0.0]), Tiers::Odd);
        assert_eq!(of([3.0, 0.0, 0.1, 3.2, 0.0, 0.0, 3.1, 0.1, 0.0, 0.0]), Tiers::Odd);
        // Beside long lines the others show less than nothing (two exposures of 2.6 px a division).
        assert_eq!(of([-0.4, 0.5, 0.2, 0.2, 0.1, 0.2, 0.6, -0.5, 2.6, 2.6]), Tiers::Odd);
        // What grows from line to line has no two parts.
        assert_eq!(of([0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0, 4.5]), Tiers::Alike);
    }
}
