//! Whether located dots are a plate that may give a scale.

use super::cell::Roundness;
use super::centre::{Dot, median};
use super::lattice::Lattice;
use crate::slide::reading::Refusal;

/// Fewest places each way and dots in all.
const LEAST_SIDE: i32 = 8;
const LEAST_DOTS: usize = 60;
/// Least share of the places that is taken.
const LEAST_OCCUPANCY: f64 = 0.6;
/// Most spots without a place, as a share of those with one.
const MOST_STRAYS: f64 = 0.15;
/// Diameters over distance: plates are made with half the distance or less (with blur 0.53 was seen), printed tints run on to
/// touching dots.
const DIAMETERS: (f64, f64) = (0.12, 0.545);
/// Least diameter at half height, px: below it the dots are points whose shape nobody can see.
const LEAST_DIAMETER_PX: f64 = 1.8;
/// Departures from round dots on even ground, shares of the contrast: a square of the dots' size has a four-fold part of 0.4 and
/// more, cloth and bricks differ from place to place by 0.2 and more; a well-lit plate stays below 0.05 in all.
const MOST_FOUR_FOLD: f64 = 0.15;
const MOST_TWO_FOLD: f64 = 0.25;
const MOST_BRIDGES: f64 = 0.3;
const MOST_PARITY: f64 = 0.12;
/// Spread of the diameters over the picture beyond that between neighbours, and between neighbours (which holds the noise). A plate
/// with an overexposed ground and soft corners had 0.020 and 0.006; a printed picture has 0.03 to 0.3.
const MOST_SPREAD: f64 = 0.028;
const MOST_LOCAL_SPREAD: f64 = 0.06;
/// Most of the dots' inner parts that may be clipped.
const MOST_CLIPPED: f64 = 0.3;

/// Whether the lattice is large and full enough to be worth locating its dots.
pub(super) fn worth_it(lattice: &Lattice) -> bool {
    let (columns, rows) = lattice.bounds();
    columns.1 - columns.0 + 1 >= LEAST_SIDE
        && rows.1 - rows.0 + 1 >= LEAST_SIDE
        && lattice.taken.len() >= LEAST_DOTS
        && lattice.occupancy() >= LEAST_OCCUPANCY
        && (lattice.strays as f64) < MOST_STRAYS * lattice.taken.len() as f64
}

/// Spread of the dots' sizes over the picture and between neighbours, as shares of the diameter.
pub(super) fn size_spread(dots: &[Dot]) -> (f64, f64) {
    // Median absolute deviation to standard deviation of a normal: 1.4826.
    let middle = median(dots.iter().map(|d| d.size).collect());
    let whole = 1.4826 * median(dots.iter().map(|d| (d.size - middle).abs()).collect());
    let steps = dots
        .windows(2)
        .filter(|w| w[0].place.0 == w[1].place.0 && w[1].place.1 - w[0].place.1 == 1)
        .map(|w| (w[1].size - w[0].size).abs())
        .collect();
    (whole, 1.4826 * median(steps) / std::f64::consts::SQRT_2)
}

/// What the dots' looks say: nothing against them, no dots at all, or a refusal.
pub(super) enum Looks {
    Plate,
    NoDots,
    Refused(Refusal),
}

/// Judges shape, size and light.
pub(super) fn looks(dots: &[Dot], round: &Roundness, diameter_px: f64, pitch_px: f64) -> Looks {
    let share = diameter_px / pitch_px;
    if round.four_fold > MOST_FOUR_FOLD
        || round.two_fold > MOST_TWO_FOLD
        || round.bridges > MOST_BRIDGES
        || round.parity > MOST_PARITY
    {
        return Looks::NoDots;
    }
    let clipped = dots.iter().filter(|d| d.clipped > 0.5).count() as f64 / dots.len() as f64;
    if clipped > MOST_CLIPPED {
        return Looks::Refused(Refusal::Clipped { share: clipped });
    }
    if diameter_px < LEAST_DIAMETER_PX {
        return Looks::Refused(Refusal::Unresolved);
    }
    if !(DIAMETERS.0..=DIAMETERS.1).contains(&share) {
        return Looks::Refused(Refusal::NotARuling {
            missing: "the dots of a plate are at most half as wide as their distance, as those of a print need not be",
        });
    }
    let (whole, local) = size_spread(dots);
    if (whole * whole - local * local).max(0.0).sqrt() > MOST_SPREAD || local > MOST_LOCAL_SPREAD {
        return Looks::Refused(Refusal::NotARuling {
            missing: "the dots of a plate are all of one size, and these are not",
        });
    }
    Looks::Plate
}
