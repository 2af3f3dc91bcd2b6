//! The mid-line between the two sides of an animal.

use nalgebra::{DMatrix, DVector};

use super::shape::SnappedShape;
use super::sides::{Station, find_sides, stations};
use super::strip::median_of;
use crate::animal::{Curve, CurveError, Levels, Mark, MarkKind, Placement, by_hand};
use crate::photo::Light;
use crate::units::{Image, Point, Px, Vector};

/// Stations along an axis.
const STATIONS: usize = 32;
/// Share of stations with both sides that an axis needs to be refined.
const LEAST_SIDES: f64 = 0.5;
/// An axis is refined when the mid-line is nowhere farther from it than this share of the breadth.
const FARTHEST: f64 = 0.35;
/// Stations nearer to a tip than this share of the breadth are left out: antennae and the round end are no sides.
const FROM_TIP: f64 = 0.35;
/// Highest degree of the polynomials; the data choose.
const HIGHEST: usize = 6;
/// How often the sides are looked for, each time square to the line found before.
const PASSES: usize = 2;
/// What the middle between two sides is uncertain by at the least, as a share of the breadth: sides are not mirror images.
const UNLIKE_SIDES: f64 = 0.004;

/// A smooth line through the middles between the two sides: polynomials of the arc length along the axis as it was drawn.
#[derive(Clone, Debug)]
pub(in crate::animal) struct MidLine {
    length: f64,
    coefficients: DMatrix<f64>,
    /// Covariance of the coefficients, the same for x and y, px².
    covariance: DMatrix<f64>,
    /// Widths of the edges found, with their standard uncertainties.
    pub(in crate::animal) widths: Vec<(Px, Px)>,
}

impl MidLine {
    /// From the sides along a curve that lies within the animal. `None` where they are not clear along most of it.
    ///
    /// A chord that is not square to the axis has its middle on the inner side of a bend, by `b² δ² / (2 R)` for the half breadth `b`, the
    /// slant `δ` and the radius `R`: so the sides are looked for once more, square to the line that was found.
    pub(in crate::animal) fn of(light: &Light, curve: &Curve<Image>, levels: &Levels, w: Px) -> Option<Self> {
        let (first, last) = (*curve.points().first()?, *curve.points().last()?);
        let mut line = Self::square_to(light, curve, [first, last], levels, w)?;
        for _ in 1..PASSES {
            let again =
                line.curve([first, last]).ok().and_then(|c| Self::square_to(light, &c, [first, last], levels, w));
            let Some(again) = again else { break };
            line = again;
        }
        Some(line)
    }

    /// The same once. The tips are where the hand set them, before and beyond the ends of the curve, and as well known: no polynomial
    /// through the sides alone can be trusted so far out.
    fn square_to(light: &Light, curve: &Curve<Image>, tips: [Point<Image>; 2], levels: &Levels, w: Px) -> Option<Self> {
        let mut all = stations(curve, STATIONS);
        let length = curve.length().value;
        find_sides(light, &mut all, levels, w, length);
        let widths = all.iter().flat_map(|s| s.sides).flatten().map(|p| (p.w, p.u_w)).collect();
        let both: Vec<Middle> = all.iter().filter_map(Middle::of).collect();
        let breadth = median_of(both.iter().map(|b| b.breadth))?;
        let mut kept = like_their_neighbours(&both, breadth, length);
        let enough = kept.len() as f64 >= LEAST_SIDES * (1.0 - 2.0 * FROM_TIP * breadth / length) * all.len() as f64;
        let close = kept.iter().all(|m| m.offset.abs() < FARTHEST * breadth);
        if !(enough && close && kept.len() >= 6) {
            return None;
        }
        for (at, along) in tips.into_iter().zip([0.0, length]) {
            kept.push(Middle { along, at, offset: 0.0, breadth, u: by_hand(w).get() });
        }
        let floor = UNLIKE_SIDES * breadth;
        let fits = (1..=HIGHEST.min(kept.len() - 3)).filter_map(|degree| Polynomial::fit(&kept, length, degree, floor));
        let best = fits.min_by(|a, b| a.criterion.total_cmp(&b.criterion))?;
        let Polynomial { coefficients, covariance, .. } = best;
        Some(Self { length, coefficients, covariance, widths })
    }

    /// The line from tip to tip.
    fn curve(&self, tips: [Point<Image>; 2]) -> Result<Curve<Image>, CurveError> {
        const PIECES: usize = 16;
        let [from, to] = tips.map(|t| self.foot(t));
        let at = |i: usize| self.at(from + (to - from) * i as f64 / PIECES as f64).0;
        Curve::through(&(0..=PIECES).map(at).collect::<Vec<_>>())
    }

    /// The place at an arc length, with its standard uncertainty across.
    pub(in crate::animal) fn at(&self, along: f64) -> (Point<Image>, f64) {
        let row = powers(along, self.length, self.coefficients.nrows());
        let place = row.transpose() * &self.coefficients;
        let variance = (row.transpose() * &self.covariance * &row)[(0, 0)];
        (Point::new(place[(0, 0)], place[(0, 1)]), variance.max(0.0).sqrt())
    }

    /// Direction of travel at an arc length, of length 1.
    pub(in crate::animal) fn tangent(&self, along: f64) -> Vector<Image> {
        let step = 1e-4 * self.length;
        let v = self.at(along + step).0 - self.at(along - step).0;
        v * (1.0 / v.length().max(1e-12))
    }

    /// The arc length at which the line passes a place.
    fn foot(&self, place: Point<Image>) -> f64 {
        const COARSE: usize = 64;
        let distance = |along: f64| (self.at(along).0 - place).length();
        let tried = (0..=COARSE).map(|i| self.length * (1.1 * i as f64 / COARSE as f64 - 0.05));
        let mut along = tried.min_by(|a, b| distance(*a).total_cmp(&distance(*b))).unwrap_or(0.0);
        for _ in 0..4 {
            along += (place - self.at(along).0).dot(self.tangent(along));
        }
        along
    }

    /// Moves the inner marks to the line. The tips stay as the hand set them across it: the line is extrapolated there, and on bent
    /// bodies it was 2 µm off where the hand was 1.5 µm off.
    pub(super) fn apply(&self, out: &mut SnappedShape, w: Px) {
        out.widths.extend(self.widths.iter().copied());
        let last = out.shape.marks.len().saturating_sub(1);
        let hand2 = by_hand(w).get().powi(2);
        for mark in out.shape.marks.iter_mut().take(last).skip(1) {
            let along = self.foot(mark.at);
            let (at, u) = self.at(along);
            let tangent = self.tangent(along);
            let normal: Vector<Image> = Vector::new(-tangent.y, tangent.x);
            let u2 = (u * u).max(0.02 * 0.02);
            let entry = |a: f64, b: f64, c: f64, d: f64| u2 * a * b + hand2 * c * d;
            let covariance_px2 = [
                entry(normal.x, normal.x, tangent.x, tangent.x),
                entry(normal.x, normal.y, tangent.x, tangent.y),
                entry(normal.y, normal.y, tangent.y, tangent.y),
            ];
            let placement = Placement::snapped(covariance_px2, None);
            *mark = Mark { at, kind: MarkKind::Feature, placement };
        }
    }
}

/// The middle between the two sides at one station.
#[derive(Clone, Copy, Debug)]
struct Middle {
    along: f64,
    at: Point<Image>,
    /// From the axis, along the normal.
    offset: f64,
    breadth: f64,
    u: f64,
}

impl Middle {
    fn of(station: &Station) -> Option<Self> {
        let (a, b) = station.reach()?;
        let offset = 0.5 * (a + b);
        let u = 0.5 * station.sides.iter().flatten().map(|p| p.u_along.get().powi(2)).sum::<f64>().sqrt();
        let at = station.at + station.normal * offset;
        Some(Self { along: station.along_px, at, offset, breadth: (a - b).abs(), u })
    }
}

/// A leg on one side moves the middle by half its length: what departs from its neighbours is left out, and so are the tips.
fn like_their_neighbours(all: &[Middle], breadth: f64, length: f64) -> Vec<Middle> {
    let tip = FROM_TIP * breadth;
    let like = |i: usize| {
        let window = &all[i.saturating_sub(4)..(i + 5).min(all.len())];
        let offset = median_of(window.iter().map(|m| m.offset)).unwrap_or(0.0);
        (all[i].offset - offset).abs() < 0.15 * breadth
    };
    let inside = |m: &Middle| m.along > tip && m.along < length - tip;
    (0..all.len()).filter(|i| inside(&all[*i]) && like(*i)).map(|i| all[i]).collect()
}

/// Powers of an arc length brought to −1 … 1.
fn powers(along: f64, length: f64, count: usize) -> DVector<f64> {
    let x = 2.0 * along / length - 1.0;
    DVector::from_fn(count, |k, _| x.powi(k as i32))
}

/// A robust fit of one degree.
struct Polynomial {
    coefficients: DMatrix<f64>,
    covariance: DMatrix<f64>,
    /// Akaike's, corrected for small samples.
    criterion: f64,
}

impl Polynomial {
    fn fit(middles: &[Middle], length: f64, degree: usize, floor: f64) -> Option<Self> {
        let n = middles.len();
        let design = DMatrix::from_fn(n, degree + 1, |i, k| powers(middles[i].along, length, degree + 1)[k]);
        let places = DMatrix::from_fn(n, 2, |i, k| if k == 0 { middles[i].at.x } else { middles[i].at.y });
        let given: Vec<f64> = middles.iter().map(|m| 1.0 / m.u.hypot(floor).powi(2)).collect();
        let mut says = vec![1.0; n];
        let mut coefficients = DMatrix::zeros(degree + 1, 2);
        let mut cofactor = DMatrix::zeros(degree + 1, degree + 1);
        let mut scale2 = 1.0;
        for _ in 0..8 {
            let weights = DVector::from_fn(n, |i, _| given[i] * says[i]);
            let weighted = DMatrix::from_fn(n, degree + 1, |i, k| weights[i] * design[(i, k)]);
            cofactor = (design.transpose() * &weighted).try_inverse()?;
            coefficients = &cofactor * weighted.transpose() * &places;
            let rest = &places - &design * &coefficients;
            // Distances in units of what each middle is known to; along the line they carry nothing.
            let squares: Vec<f64> = (0..n).map(|i| rest.row(i).norm_squared() * given[i]).collect();
            let median = median_of(squares.iter().copied())?;
            // Median of χ² with one degree of freedom: 0.4549.
            scale2 = (median / 0.4549).max(0.05);
            for (say, r2) in says.iter_mut().zip(&squares) {
                let q = r2 / (scale2 * 21.9);
                *say = if q < 1.0 { (1.0 - q).powi(2) } else { 0.0 };
            }
        }
        let used: f64 = says.iter().sum();
        let parameters = 2.0 * (degree as f64 + 1.0);
        let correction = 2.0 * parameters * (parameters + 1.0) / (2.0 * used - parameters - 1.0).max(0.5);
        let criterion = 2.0 * used * (scale2 / 2.0).ln() + 2.0 * parameters + correction;
        Some(Self { coefficients, covariance: cofactor * scale2.max(1.0), criterion })
    }
}
