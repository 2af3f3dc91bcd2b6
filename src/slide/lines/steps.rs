//! Whether a decimal pattern stands row by row: fifths that reach beyond the others and end, tenths that go on.

use super::fold::Folded;
use super::median_of;

/// A graduation counts where it has at least this share of the level of a typical one: fainter ones tell no lengths.
const FAINTEST: f64 = 0.25;
/// Below this share of what long lines show a line is over.
const OVER: f64 = 0.35;
/// Above this multiple of what long lines show it is no line but dirt, which tells nothing.
const DIRT: f64 = 1.75;
/// Least share of the rows of a step that must show that the shorter lines are over: the others may have dirt.
const LEAST_SHARE: f64 = 0.8;
/// Least share of them in which the longer lines show as such.
const LEAST_SHOWN: f64 = 0.5;
/// Least sum over the rows of a step of what the longer lines show more, in units of what a long line shows times rows: what half a row at either end may
/// feign is less.
const LEAST_STEP: f64 = 0.75;
/// Least number of long lines in sight: of one tenth and one fifth, dirt on either makes tenths and fifths of any two.
const LEAST_LONG: usize = 3;

/// One side of the band, from it outward, and at each row how strongly tenths, fifths and the others show, in units of their own level
/// within the band; ends where the picture ends.
type Profile = Vec<[f64; 3]>;

/// Whether the lines whose index is ≡ `tens` modulo 10 reach beyond those half-way between, and these beyond the rest, on either side of the band.
///
/// The sum of a class over a window beyond the band, which finds the pattern, is moved by one speck where few lines are in sight; that the
/// lines themselves end where their class ends is not.
pub(super) fn stand(
    y: &[f64],
    folded: &Folded,
    run: (usize, usize),
    band: &std::ops::Range<usize>,
    top: f64,
    tens: i64,
) -> bool {
    let own = |k: usize| median_of(band.clone().map(|j| y[j * folded.count + k]).filter(|v| v.is_finite()).collect());
    let mut classes: [Vec<(usize, f64)>; 3] = Default::default();
    for k in run.0..run.1 {
        let class = match (folded.first + k as i64 - tens).rem_euclid(10) {
            0 => 0,
            5 => 1,
            _ => 2,
        };
        let level = own(k);
        if level > FAINTEST * top {
            classes[class].push((k, level));
        }
    }
    if classes.iter().any(Vec::is_empty) || classes[0].len() + classes[1].len() < LEAST_LONG {
        return false;
    }
    let level = |class: &[(usize, f64)], j: usize| -> f64 {
        median_of(class.iter().map(|(k, own)| y[j * folded.count + k] / own).filter(|v| v.is_finite()).collect())
    };
    let side = |rows: &mut dyn Iterator<Item = usize>| -> Profile {
        rows.map(|j| std::array::from_fn(|c| level(&classes[c], j)))
            .take_while(|row: &[f64; 3]| row[0].is_finite())
            .collect()
    };
    let before = side(&mut (0..band.start).rev());
    let after = side(&mut (band.end..folded.rows));
    [before, after].into_iter().filter_map(alone).any(|profile| is_stepped(&profile))
}

/// In units of what a long line shows beyond the band: where its neighbours are blurred, it stands out more where they have ended.
fn alone(mut profile: Profile) -> Option<Profile> {
    let shown = profile.iter().flat_map(|row| [row[0], row[1]]).filter(|v| *v > 0.5).collect();
    let level = median_of(shown);
    profile.iter_mut().flatten().for_each(|v| *v /= level);
    level.is_finite().then_some(profile)
}

/// How far a class reaches: the row up to which the sum of what it has above half of its level is greatest, so that neither a gap nor dirt
/// beyond its end counts for more than its own length.
fn reach(profile: &Profile, class: usize) -> usize {
    let (mut sum, mut best, mut end) = (0.0, 0.0, 0);
    for (j, row) in profile.iter().enumerate() {
        sum += match row[class] {
            v if v.is_nan() => -0.5,
            v if v > DIRT => 0.0,
            v => (v - 0.5).clamp(-0.5, 0.5),
        };
        if sum > best {
            (best, end) = (sum, j + 1);
        }
    }
    end
}

fn is_stepped(profile: &Profile) -> bool {
    let [tens, fives, rest] = std::array::from_fn(|c| reach(profile, c));
    let step = |rows: std::ops::Range<usize>, longer: usize, shorter: usize| -> bool {
        let rows = &profile[rows];
        let over = |row: &&[f64; 3]| row[shorter..].iter().all(|v| v.is_nan() || *v <= OVER);
        let shown = |row: &&[f64; 3]| (0.5..DIRT).contains(&row[longer]);
        let clean = rows.iter().filter(|row| row[longer] < DIRT);
        let more: f64 = clean.map(|row| row[longer] - row[shorter]).filter(|v| v.is_finite()).sum();
        // The shorter lines' ends lie anywhere within the first row.
        let whole = &rows[1..];
        let share = |of: usize| of as f64 / whole.len().max(1) as f64;
        // Figures stand right beyond the tenths.
        let [over, shown] = [whole.iter().filter(over).count(), whole.iter().filter(shown).count()].map(share);
        more > LEAST_STEP && (whole.is_empty() || over >= LEAST_SHARE && shown >= LEAST_SHOWN)
    };
    rest < fives && fives < tens && step(rest..fives, 1, 2) && step(fives..tens, 0, 1)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Lines of these lengths beyond the band, rows, with a last row half covered.
    fn profile(lengths: [usize; 3]) -> Profile {
        (0..20)
            .map(|j| {
                lengths.map(|l| {
                    if j < l {
                        1.0
                    } else if j == l {
                        0.4
                    } else {
                        0.02
                    }
                })
            })
            .collect()
    }

    #[test]
    fn fifths_and_tenths_are_steps() {
        assert!(is_stepped(&profile([12, 6, 0])));
        assert!(is_stepped(&profile([4, 2, 0])));
        assert!(!is_stepped(&profile([6, 6, 0])), "fifths all alike");
        assert!(!is_stepped(&profile([6, 0, 0])), "no fifths");
        assert!(!is_stepped(&profile([6, 6, 6])), "the band goes on");
    }

    #[test]
    fn dirt_makes_no_step() {
        let mut speck = profile([6, 6, 0]);
        // Beyond the end of the ones, and over the end of the others.
        speck[8][0] = 2.0;
        speck[9][0] = 2.0;
        assert!(!is_stepped(&speck));
        let mut blot = profile([8, 8, 0]);
        blot[3][1] = -0.5;
        blot[4][1] = 0.1;
        blot[5][1] = 0.2;
        assert!(!is_stepped(&blot));
        let mut dirty = profile([12, 6, 0]);
        dirty[3][2] = 0.6;
        dirty[8][1] = 0.7;
        assert!(is_stepped(&dirty), "and hides none of six rows");
    }
}
