//! The ground between the lines of a strip: straight pieces between knots, finer where the residuals tell of dirt out of focus.

use super::strip::{Block, Pixel, Place, Solved, usual_size};
use crate::stats::{median, median_absolute_deviation};

/// Background: straight pieces between knots, about six graduations long, shorter about dirt.
#[derive(Clone, Debug)]
pub(super) struct Knots {
    /// Places in graduations, ascending.
    places: Vec<f64>,
    /// For each half graduation from the first knot on, the last knot before it.
    before: Vec<usize>,
}

/// Graduations in a straight piece of an even ground.
const PIECE: f64 = 6.0;

impl Knots {
    /// For these graduations, with knots midway between lines about the intervals `uneven`, each named by the graduation that it begins at.
    pub(super) fn over(graduations: &[Place], uneven: &[i64]) -> Self {
        let (a, b) = (graduations[0].k as f64 - 1.0, graduations[graduations.len() - 1].k as f64 + 1.0);
        let pieces = ((b - a) / PIECE).ceil().max(1.0);
        let even = (0..=pieces as usize).map(|i| a + i as f64 * (b - a) / pieces);
        let mut fine: Vec<i64> = uneven.iter().flat_map(|k| k - 1..=k + 1).collect();
        fine.sort_unstable();
        fine.dedup();
        let fine: Vec<f64> = fine.into_iter().map(|k| k as f64 + 0.5).filter(|p| *p > a && *p < b).collect();
        let clear = |p: &f64| *p == a || *p == b || fine.iter().all(|q| (p - q).abs() > 0.75);
        let mut places: Vec<f64> = even.filter(clear).chain(fine.iter().copied()).collect();
        places.sort_by(f64::total_cmp);
        let mut before = Vec::with_capacity((2.0 * (b - a)) as usize + 1);
        for half in 0..=(2.0 * (b - a)) as usize {
            let from = a + 0.5 * half as f64;
            before.push(places.partition_point(|p| *p <= from).saturating_sub(1).min(places.len() - 2));
        }
        Self { places, before }
    }

    /// The knot before a place and the share of the way to the next one.
    pub(super) fn at(&self, phase: f64) -> (usize, f64) {
        let first = self.places[0];
        let half = (2.0 * (phase - first)).clamp(0.0, (self.before.len() - 1) as f64) as usize;
        let mut i = self.before[half];
        while i + 2 < self.places.len() && self.places[i + 1] <= phase {
            i += 1;
        }
        let (from, to) = (self.places[i], self.places[i + 1]);
        (i, ((phase - from) / (to - from)).clamp(0.0, 1.0))
    }

    /// How many there are.
    pub(super) const fn count(&self) -> usize {
        self.places.len()
    }
}

/// Parts of an interval whose mean residuals tell whether its ground is even.
const PARTS: usize = 4;
/// Sum of squares over the parts of one interval, in units of what is usual, beyond which its ground is uneven: chance makes 30 in one interval of 200,000.
const UNEVEN: f64 = 30.0;
/// Least mean residual of a part that matters, relative to the lines' amplitude: it moves a line by a hundredth of its width.
const LEAST_UNEVEN: f64 = 0.02;

/// Intervals whose ground departs from the straight pieces, as under dirt out of focus, each named by the graduation that it begins at.
///
/// What is left in the same part of most intervals is the line shape's fault, not the ground's.
pub(super) fn uneven(pixels: &[Pixel], residuals: &[f64], solved: &Solved, block: &Block) -> Vec<i64> {
    let (Some(first), Some(last)) = (block.places.first().map(|p| p.k - 1), block.places.last().map(|p| p.k)) else {
        return Vec::new();
    };
    let mut sums = vec![[(0.0, 0.0); PARTS]; (last - first + 1) as usize];
    for ((p, r), w) in pixels.iter().zip(residuals).zip(&solved.weights) {
        let k = p.phase.floor();
        let Some(parts) = usize::try_from(k as i64 - first).ok().and_then(|i| sums.get_mut(i)) else { continue };
        let part = &mut parts[(((p.phase - k) * PARTS as f64) as usize).min(PARTS - 1)];
        *part = (part.0 + w * r, part.1 + w);
    }
    let amplitudes: Vec<f64> = block.ours.clone().map(|i| solved.x[2 * i].abs()).collect();
    let (Ok(amplitude), sd) = (median(&amplitudes), usual_size(residuals).max(1e-7)) else { return Vec::new() };
    let seen = |part: &(f64, f64)| part.1 >= 4.0;
    let usual: [f64; PARTS] = std::array::from_fn(|b| {
        let means: Vec<f64> = sums.iter().map(|parts| parts[b]).filter(|p| seen(p)).map(|p| p.0 / p.1).collect();
        median(&means).unwrap_or(0.0)
    });
    let depart = |part: &(f64, f64), usual: f64| part.0 / part.1 - usual;
    // What JPEG leaves is alike in neighbouring pixels, so that means scatter by more than the pixels tell.
    let all: Vec<f64> = sums
        .iter()
        .flat_map(|parts| parts.iter().zip(&usual).filter(|(p, _)| seen(p)))
        .map(|(p, u)| depart(p, *u) * p.1.sqrt() / sd)
        .collect();
    let spread = median_absolute_deviation(&all).unwrap_or(1.0).max(1.0);
    let is_uneven = |parts: &[(f64, f64); PARTS]| {
        let (mut squares, mut largest) = (0.0, 0.0_f64);
        for (part, usual) in parts.iter().zip(&usual).filter(|(p, _)| seen(p)) {
            let by = depart(part, *usual);
            squares += by * by * part.1 / (sd * spread).powi(2);
            largest = largest.max(by.abs());
        }
        squares > UNEVEN && largest > LEAST_UNEVEN * amplitude
    };
    (first..).zip(&sums).filter(|(_, parts)| is_uneven(parts)).map(|(k, _)| k).collect()
}

#[cfg(test)]
mod tests {
    use super::super::shape::{Optical, Shape};
    use super::super::strip::{Design, Tails, finish, solve};
    use super::*;

    /// A line every 20 px from the graduation 0 on.
    fn places(count: i64) -> Vec<Place> {
        let place =
            |k: i64| Place { k, t: 20.0 * k as f64, at: (20.0 * k as f64, 0.0), across: (1.0, 0.0), pitch: 20.0 };
        (0..count).map(place).collect()
    }

    #[test]
    fn a_ground_is_straight_between_knots_and_finer_where_it_is_asked_for() {
        let lines = places(30);
        for finer in [vec![], vec![0], vec![11, 12], vec![28, 29]] {
            let knots = Knots::over(&lines, &finer);
            assert!(knots.places.windows(2).all(|w| w[1] - w[0] > 0.4), "{:?}", knots.places);
            for k in finer.iter().flat_map(|k| k - 1..=k + 1).filter(|k| (0..29).contains(k)) {
                assert!(knots.places.contains(&(k as f64 + 0.5)), "{finer:?} {k}");
            }
            for i in -10..=300 {
                let phase = 0.1 * f64::from(i);
                let (knot, f) = knots.at(phase);
                let (from, to) = (knots.places[knot], knots.places[knot + 1]);
                assert!((from + f * (to - from) - phase).abs() < 1e-9, "{finer:?} {phase}");
            }
        }
        let even = Knots::over(&lines, &[]);
        assert_eq!(even.places.len(), 7, "31 graduations in six pieces");
    }

    #[test]
    fn dirt_out_of_focus_becomes_ground_and_moves_no_line() {
        let mut rng = <rand_pcg::Pcg64Mcg as rand::SeedableRng>::seed_from_u64(5);
        let shape = Shape::optical(Optical { cut_off: 0.12, line_px: 4.0, sigma_px: 0.4 });
        let noise = rand_distr::Normal::new(0.0, 0.004).unwrap();
        let lines: Vec<(i64, f64)> = (0..30).map(|k| (k, 1.0)).collect();
        let block =
            Block { places: places(30), ours: 0..30, tails: Tails::of(&lines, shape.reach() / 20.0, (-2.0, 31.0)) };
        // A blurred speck, far fainter than the lines, over the right flank of one of them; strong dirt is left out pixel by pixel. The third is faint.
        let dirt = |t: f64| -0.03 * (-0.5 * ((t - 248.0) / 12.0_f64).powi(2)).exp();
        let pixels: Vec<Pixel> = (0..12)
            .flat_map(|row| (-10..592).map(move |i| f64::from(i) + 0.08 * f64::from(row)))
            .map(|t| {
                let height = |k: i64| if k == 3 { -0.04 } else { -0.2 };
                let near: f64 = (0..30).map(|k| height(k) * shape.at(t - 20.0 * k as f64).0).sum();
                let value = 0.6 + 1e-4 * t + near + dirt(t) + rand_distr::Distribution::sample(&noise, &mut rng);
                Pixel { phase: t / 20.0, value }
            })
            .collect();
        let moved = |finer: &[i64]| {
            let design = Design::of(&pixels, &block, &shape, finer);
            let solved = solve(&design, 3).unwrap();
            let said = finish(&design, &solved, &design.residuals(&solved.x), 0..30).unwrap();
            let found = uneven(&pixels, &design.residuals(&solved.x), &solved, &block);
            (said.delta, found)
        };
        let (plain, found) = moved(&[]);
        assert!(!found.is_empty() && found.iter().all(|k| (8..17).contains(k)), "{found:?}");
        let (finer, left) = moved(&found);
        let largest = |v: &[f64]| (4..30).map(|i| v[i].abs()).fold(0.0, f64::max);
        let (by_dirt, by_noise) = (largest(&plain), largest(&finer));
        assert!(by_dirt > 0.08 && by_noise < 0.6 * by_dirt, "{by_dirt} {by_noise}");
        assert!(left.len() <= found.len(), "{left:?}");
        // Without dirt every interval is even, the faint line's too.
        let clean: Vec<Pixel> = pixels.iter().map(|p| Pixel { value: p.value - dirt(20.0 * p.phase), ..*p }).collect();
        let design = Design::of(&clean, &block, &shape, &[]);
        let solved = solve(&design, 3).unwrap();
        assert!(uneven(&clean, &design.residuals(&solved.x), &solved, &block).is_empty());
    }
}
