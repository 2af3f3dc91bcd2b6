//! Caliper diameters: how far two parallel lines that touch an outline on both sides are apart.

use super::polygon::cross;
use crate::units::{Point, Vector};

/// A caliper diameter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Caliper<F> {
    /// The distance, in the frame's unit.
    pub length: f64,
    /// Two points of the outline, one on each line; for the shortest the second is the foot of the perpendicular on the hull's side.
    pub ends: [Point<F>; 2],
}

/// The convex hull, turning from x toward y, without points on its sides.
///
/// # Source
/// A. M. Andrew, Another efficient algorithm for convex hulls in two dimensions, Inf. Process. Lett. 9 (1979) 216–219.
#[must_use]
pub fn convex_hull<F: Copy>(points: &[Point<F>]) -> Vec<Point<F>> {
    let mut sorted: Vec<Point<F>> = points.iter().copied().filter(|p| p.x.is_finite() && p.y.is_finite()).collect();
    sorted.sort_by(|a, b| a.x.total_cmp(&b.x).then(a.y.total_cmp(&b.y)));
    if sorted.len() < 3 {
        return sorted;
    }
    let mut hull: Vec<Point<F>> = Vec::with_capacity(64);
    let mut half = |ordered: &mut dyn Iterator<Item = Point<F>>, least: usize| {
        for p in ordered {
            while hull.len() >= least + 2 {
                let (a, b) = (hull[hull.len() - 2], hull[hull.len() - 1]);
                if cross(b - a, p - a) > 0.0 {
                    break;
                }
                hull.pop();
            }
            hull.push(p);
        }
        hull.pop();
        hull.len()
    };
    let least = half(&mut sorted.iter().copied(), 0);
    half(&mut sorted.iter().rev().copied(), least);
    hull
}

/// The longest caliper diameter: the greatest distance between two points of the outline. `None` below two points.
///
/// # Accuracy
/// Exact: the greatest distance is between two vertices of the hull that are antipodal (rotating calipers).
/// # Source
/// M. I. Shamos, Computational Geometry, thesis, Yale 1978; F. P. Preparata, M. I. Shamos, Computational Geometry, 1985, section 4.2.
#[must_use]
pub fn longest_caliper<F: Copy>(outline: &[Point<F>]) -> Option<Caliper<F>> {
    let hull = convex_hull(outline);
    let n = hull.len();
    if n < 2 {
        return None;
    }
    let mut best = Caliper { length: (hull[1] - hull[0]).length(), ends: [hull[0], hull[1]] };
    let mut consider = |a: Point<F>, b: Point<F>| {
        let length = (b - a).length();
        if length > best.length {
            best = Caliper { length, ends: [a, b] };
        }
    };
    let mut j = 1;
    for i in 0..n {
        j = farthest(&hull, i, j);
        // With a side parallel to the one opposite, both its ends are antipodal.
        for k in [j, (j + 1) % n] {
            consider(hull[i], hull[k]);
            consider(hull[(i + 1) % n], hull[k]);
        }
    }
    Some(best)
}

/// The shortest caliper diameter: the least width of the hull. `None` without area.
///
/// # Accuracy
/// Exact: the least width has one line along a side of the hull.
/// # Source
/// M. E. Houle, G. T. Toussaint, Computing the width of a set, IEEE Trans. PAMI 10 (1988) 761–765.
#[must_use]
pub fn shortest_caliper<F: Copy>(outline: &[Point<F>]) -> Option<Caliper<F>> {
    let hull = convex_hull(outline);
    let n = hull.len();
    if n < 3 {
        return None;
    }
    let mut best: Option<Caliper<F>> = None;
    let mut j = 1;
    for i in 0..n {
        j = farthest(&hull, i, j);
        let side = hull[(i + 1) % n] - hull[i];
        let height = cross(side, hull[j] - hull[i]) / side.length();
        if best.is_none_or(|b| height < b.length) {
            // Inward normal of a side that turns from x toward y.
            let foot = hull[j] + Vector::new(side.y, -side.x) * (height / side.length());
            best = Some(Caliper { length: height, ends: [hull[j], foot] });
        }
    }
    best
}

/// The vertex farthest from the side that begins at `i`, looked for from `from` onward.
fn farthest<F: Copy>(hull: &[Point<F>], i: usize, from: usize) -> usize {
    let n = hull.len();
    let side = hull[(i + 1) % n] - hull[i];
    let height = |k: usize| cross(side, hull[k % n] - hull[i]);
    let mut j = if from == i { (i + 1) % n } else { from };
    for _ in 0..n {
        if height(j + 1) <= height(j) {
            break;
        }
        j = (j + 1) % n;
    }
    j
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Slide;

    fn regular(n: usize, radius: f64, turn: f64) -> Vec<Point<Slide>> {
        (0..n)
            .map(|i| {
                let (sin, cos) = (turn + std::f64::consts::TAU * i as f64 / n as f64).sin_cos();
                Point::new(3.0 + radius * cos, -2.0 + radius * sin)
            })
            .collect()
    }

    #[test]
    fn regular_polygons_have_their_closed_forms() {
        // Circumradius R: even n: 2 R and 2 R cos(π/n); odd n: 2 R cos(π/2n) and R (1 + cos(π/n)).
        let pi = std::f64::consts::PI;
        for n in 3..24_usize {
            for turn in [0.0, 0.3, 1.1] {
                let polygon = regular(n, 10.0, turn);
                let (long, short) = if n % 2 == 0 {
                    (20.0, 20.0 * (pi / n as f64).cos())
                } else {
                    (20.0 * (pi / (2 * n) as f64).cos(), 10.0 * (1.0 + (pi / n as f64).cos()))
                };
                let (l, s) = (longest_caliper(&polygon).unwrap(), shortest_caliper(&polygon).unwrap());
                assert!((l.length - long).abs() < 1e-9, "{n}, {turn}: {} for {long}", l.length);
                assert!((s.length - short).abs() < 1e-9, "{n}, {turn}: {} for {short}", s.length);
                assert!(((l.ends[0] - l.ends[1]).length() - long).abs() < 1e-9);
                assert!(((s.ends[0] - s.ends[1]).length() - short).abs() < 1e-9);
            }
        }
    }

    #[test]
    fn triangles_and_dents() {
        let of = |points: &[[f64; 2]]| points.iter().map(|p| Point::<Slide>::new(p[0], p[1])).collect::<Vec<_>>();
        // Sides 3, 4, 5: longest 5, shortest the height on it, 12/5. A dent and points on the sides change nothing.
        let triangle = of(&[[0.0, 0.0], [2.0, 0.0], [4.0, 0.0], [1.0, 1.0], [0.0, 3.0], [0.0, 1.0]]);
        assert_eq!(convex_hull(&triangle).len(), 3);
        assert!((longest_caliper(&triangle).unwrap().length - 5.0).abs() < 1e-12);
        assert!((shortest_caliper(&triangle).unwrap().length - 2.4).abs() < 1e-12);
        assert!(shortest_caliper(&of(&[[0.0, 0.0], [1.0, 1.0], [2.0, 2.0]])).is_none());
        assert!(longest_caliper(&of(&[[0.0, 0.0]])).is_none());
        assert!(longest_caliper(&of(&[[0.0, 0.0], [f64::NAN, 1.0]])).is_none());
    }

    #[test]
    fn agrees_with_the_plain_search_on_random_clouds() {
        let mut state = 1_u64;
        let mut next = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 33) as f64 / (1_u64 << 31) as f64
        };
        for _ in 0..200 {
            let cloud: Vec<Point<Slide>> = (0..12).map(|_| Point::new(100.0 * next(), 30.0 * next())).collect();
            let plain = cloud.iter().flat_map(|a| cloud.iter().map(|b| (*b - *a).length())).fold(0.0, f64::max);
            assert!((longest_caliper(&cloud).unwrap().length - plain).abs() < 1e-9);
            let width = |turn: f64| {
                let (sin, cos) = turn.sin_cos();
                let at = || cloud.iter().map(|p| p.x * cos + p.y * sin);
                at().fold(f64::MIN, f64::max) - at().fold(f64::MAX, f64::min)
            };
            let least = (0..20_000).map(|i| width(std::f64::consts::PI * f64::from(i) / 2e4)).fold(f64::MAX, f64::min);
            let got = shortest_caliper(&cloud).unwrap().length;
            assert!(got <= least + 1e-9 && got > least - 0.02, "{got} {least}");
        }
    }
}
