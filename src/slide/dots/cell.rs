//! The mean surroundings of a dot, to tell a plate from cloth, print and bricks: round dots, even ground, all places alike.

use super::centre::{Dot, Profile, patch};
use crate::photo::Light;

/// Cells each way over ± [`HALF`] of the distance of the dots.
const SIDE: usize = 26;
/// Half the side of the square looked at, as a share of the distance.
const HALF: f64 = 0.65;
/// Most dots looked at.
const MOST: usize = 4000;

/// Figures of the mean dot, all as shares of its contrast.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Roundness {
    /// Largest four-fold variation on a circle about the centre: squares, crosses.
    pub(super) four_fold: f64,
    /// Largest two-fold variation: ellipses, lines.
    pub(super) two_fold: f64,
    /// Cover half-way to the nearest dots against the middle of the four: bridges between dots, no ground.
    pub(super) bridges: f64,
    /// Root mean square difference between dots at even and odd places: threads over and under, courses of bricks.
    pub(super) parity: f64,
}

/// Mean cover on a square, one of four classes of places.
#[derive(Clone, Debug)]
struct Cell {
    sum: Vec<f64>,
    weight: Vec<f64>,
}

impl Cell {
    fn new() -> Self {
        Self { sum: vec![0.0; SIDE * SIDE], weight: vec![0.0; SIDE * SIDE] }
    }

    fn mean(&self, i: usize) -> Option<f64> {
        (self.weight[i] > 0.0).then(|| self.sum[i] / self.weight[i])
    }
}

/// Looks at the dots in the lattice's own axes, `along` being the unit step direction.
pub(super) fn roundness(light: &Light, dots: &[Dot], pitch_px: f64, along: (f64, f64), profile: &Profile) -> Roundness {
    let mut rings = Rings::new();
    let mut classes: [Cell; 4] = std::array::from_fn(|_| Cell::new());
    let every = dots.len().div_ceil(MOST).max(1);
    for d in dots.iter().step_by(every) {
        let class = (d.place.0.rem_euclid(2) + 2 * d.place.1.rem_euclid(2)) as usize;
        let cell = &mut classes[class];
        for p in patch(light, d.x, d.y, HALF * pitch_px * std::f64::consts::SQRT_2).filter(|p| !p.clipped) {
            let u = (p.dx * along.0 + p.dy * along.1) / pitch_px;
            let v = (p.dy * along.0 - p.dx * along.1) / pitch_px;
            // Each dot in units of its own contrast; the middle of the four is the ground below.
            let t = (p.value - d.ground) / d.contrast;
            rings.add(u, v, t - profile.at(p.r).0);
            if let (Some(i), Some(j)) = (bin(u), bin(v)) {
                cell.sum[j * SIDE + i] += t;
                cell.weight[j * SIDE + i] += 1.0;
            }
        }
    }
    let mut whole = Cell::new();
    for c in &classes {
        for i in 0..SIDE * SIDE {
            whole.sum[i] += c.sum[i];
            whole.weight[i] += c.weight[i];
        }
    }
    let (two_fold, four_fold) = rings.variation();
    Roundness { four_fold, two_fold, bridges: bridges(&whole), parity: parity(&classes, &whole) }
}

fn bin(u: f64) -> Option<usize> {
    let i = ((u / HALF + 1.0) * 0.5 * SIDE as f64).floor();
    (0.0..SIDE as f64).contains(&i).then_some(i as usize)
}

fn middle(i: usize) -> (f64, f64) {
    let at = |i: usize| ((i as f64 + 0.5) / SIDE as f64 * 2.0 - 1.0) * HALF;
    (at(i % SIDE), at(i / SIDE))
}

/// Departures from the round profile on rings, by twelve-degree sectors.
#[derive(Clone, Debug)]
struct Rings {
    sum: Vec<f64>,
    weight: Vec<f64>,
}

/// Rings over 0.5 of the distance, and sectors on each.
const RINGS: usize = 12;
const SECTORS: usize = 24;

impl Rings {
    fn new() -> Self {
        Self { sum: vec![0.0; RINGS * SECTORS], weight: vec![0.0; RINGS * SECTORS] }
    }

    /// A pixel at `(u, v)`, shares of the distance, that departs from the profile by `t`.
    fn add(&mut self, u: f64, v: f64, t: f64) {
        let ring = (u.hypot(v) * 2.0 * RINGS as f64) as usize;
        let sector = ((v.atan2(u) / std::f64::consts::TAU + 0.5) * SECTORS as f64) as usize % SECTORS;
        if ring < RINGS {
            self.sum[ring * SECTORS + sector] += t;
            self.weight[ring * SECTORS + sector] += 1.0;
        }
    }

    /// Largest two-fold and four-fold parts of a ring all of whose sectors are seen.
    fn variation(&self) -> (f64, f64) {
        let (mut two, mut four) = (0.0_f64, 0.0_f64);
        for ring in 0..RINGS {
            let range = ring * SECTORS..(ring + 1) * SECTORS;
            if self.weight[range.clone()].iter().any(|w| *w < 1.0) {
                continue;
            }
            let mut parts = [0.0; 4];
            for (k, i) in range.enumerate() {
                let a = (k as f64 + 0.5) / SECTORS as f64 * std::f64::consts::TAU;
                let t = self.sum[i] / self.weight[i];
                let waves = [(2.0 * a).cos(), (2.0 * a).sin(), (4.0 * a).cos(), (4.0 * a).sin()];
                for (p, w) in parts.iter_mut().zip(waves) {
                    *p += t * w;
                }
            }
            two = two.max(2.0 * parts[0].hypot(parts[1]) / SECTORS as f64);
            four = four.max(2.0 * parts[2].hypot(parts[3]) / SECTORS as f64);
        }
        (two, four)
    }
}

/// Mean cover about the four midpoints to the neighbours less that about the four corners; 0 where all of it is clipped.
fn bridges(cell: &Cell) -> f64 {
    let near = |u: f64, v: f64| {
        let mut sum = (0.0, 0.0);
        for i in 0..SIDE * SIDE {
            let (x, y) = middle(i);
            if let Some(t) = cell.mean(i)
                && (x.abs() - u).hypot(y.abs() - v) < 0.07
            {
                sum = (sum.0 + t, sum.1 + 1.0);
            }
        }
        sum
    };
    let (a, b, corner) = (near(0.5, 0.0), near(0.0, 0.5), near(0.5, 0.5));
    let side = [a, b]
        .into_iter()
        .filter(|s| s.1 > 0.0)
        .map(|s| s.0 / s.1)
        .fold(0.0, |m: f64, v| if v.abs() > m.abs() { v } else { m });
    let ground = if corner.1 > 0.0 { corner.0 / corner.1 } else { 0.0 };
    f64::max((side - ground).abs(), ground.abs())
}

/// Largest difference of a class of places from all, root mean square over the square.
fn parity(classes: &[Cell; 4], whole: &Cell) -> f64 {
    classes
        .iter()
        .map(|c| {
            let mut sum = (0.0, 0.0);
            for i in 0..SIDE * SIDE {
                // Fewer than three pixels say little.
                if let (Some(a), Some(b)) = (c.mean(i), whole.mean(i))
                    && c.weight[i] >= 3.0
                {
                    sum = (sum.0 + (a - b).powi(2), sum.1 + 1.0);
                }
            }
            (sum.0 / f64::max(sum.1, 1.0)).sqrt()
        })
        .fold(0.0, f64::max)
}
