//! Closed polygons: area, perimeter, centroid, second moments.

use crate::units::{Point, Vector};

/// Area enclosed by a closed polygon that does not cross itself, in the frame's unit squared; positive whichever way it turns.
///
/// # Accuracy
/// Exact up to rounding (shoelace formula about the first vertex).
#[must_use]
pub fn area<F: Copy>(polygon: &[Point<F>]) -> f64 {
    signed_area(polygon).abs()
}

/// Positive where the polygon turns from x toward y.
pub(in crate::animal) fn signed_area<F: Copy>(polygon: &[Point<F>]) -> f64 {
    let Some(&first) = polygon.first() else { return 0.0 };
    edges(polygon).map(|(a, b)| 0.5 * cross(a - first, b - first)).sum()
}

/// Length of a closed polygon, in the frame's unit.
#[must_use]
pub fn perimeter<F: Copy>(polygon: &[Point<F>]) -> f64 {
    edges(polygon).map(|(a, b)| (b - a).length()).sum()
}

/// The centroid of the area; `None` where there is none.
#[must_use]
pub fn centroid<F: Copy>(polygon: &[Point<F>]) -> Option<Point<F>> {
    let &first = polygon.first()?;
    let whole = signed_area(polygon);
    if whole == 0.0 || !whole.is_finite() {
        return None;
    }
    let (mut x, mut y) = (0.0, 0.0);
    for (a, b) in edges(polygon) {
        let (a, b) = (a - first, b - first);
        let c = cross(a, b) / 6.0;
        (x, y) = (x + c * (a.x + b.x), y + c * (a.y + b.y));
    }
    Some(first + Vector::new(x / whole, y / whole))
}

/// The ellipse with the same area moments as an outline.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ellipse<F> {
    /// Its centre, the outline's centroid.
    pub centre: Point<F>,
    /// Longer axis, full length, in the frame's unit.
    pub major: f64,
    /// Shorter axis, full length, in the frame's unit.
    pub minor: f64,
    /// Direction of the longer axis, rad from the frame's x toward its y axis, in (−π/2, π/2].
    pub direction_rad: f64,
}

/// The ellipse whose area has the same centroid and normalised second moments as the polygon's.
///
/// Its axes are `4 √λ` with λ the eigenvalues of the covariance of the area. Its area is the polygon's only where that is an ellipse.
/// `None` for polygons without area.
/// # Accuracy
/// Exact up to rounding: moments by Green's theorem (C. Steger, On the calculation of arbitrary moments of polygons, FGBV-96-05, 1996).
#[must_use]
pub fn equivalent_ellipse<F: Copy>(polygon: &[Point<F>]) -> Option<Ellipse<F>> {
    let centre = centroid(polygon)?;
    let whole = signed_area(polygon);
    let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
    for (a, b) in edges(polygon) {
        let (a, b) = (a - centre, b - centre);
        let c = cross(a, b);
        xx += c * (a.x * a.x + a.x * b.x + b.x * b.x) / 12.0;
        yy += c * (a.y * a.y + a.y * b.y + b.y * b.y) / 12.0;
        xy += c * (2.0 * a.x * a.y + a.x * b.y + b.x * a.y + 2.0 * b.x * b.y) / 24.0;
    }
    let (xx, xy, yy) = (xx / whole, xy / whole, yy / whole);
    let (mean, half) = (0.5 * (xx + yy), (0.5 * (xx - yy)).hypot(xy));
    let direction_rad = 0.5 * (2.0 * xy).atan2(xx - yy);
    let axis = |variance: f64| 4.0 * variance.max(0.0).sqrt();
    Some(Ellipse { centre, major: axis(mean + half), minor: axis(mean - half), direction_rad })
}

/// Directed edges of a closed polygon.
pub(in crate::animal) fn edges<F: Copy>(polygon: &[Point<F>]) -> impl Iterator<Item = (Point<F>, Point<F>)> {
    let next = polygon.iter().cycle().skip(1);
    polygon.iter().copied().zip(next.copied())
}

pub(in crate::animal) fn cross<F>(a: Vector<F>, b: Vector<F>) -> f64 {
    a.x * b.y - a.y * b.x
}

/// True where the point lies within the closed polygon.
pub(in crate::animal) fn holds<F: Copy>(polygon: &[Point<F>], p: Point<F>) -> bool {
    let mut inside = false;
    for (a, b) in edges(polygon) {
        if (a.y > p.y) != (b.y > p.y) && p.x < a.x + (p.y - a.y) / (b.y - a.y) * (b.x - a.x) {
            inside = !inside;
        }
    }
    inside
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Slide;

    fn of(points: &[[f64; 2]]) -> Vec<Point<Slide>> {
        points.iter().map(|p| Point::new(p[0], p[1])).collect()
    }

    #[test]
    fn a_rectangle_far_from_the_origin() {
        // Closed forms: second moments a²/12, b²/12; 4 √(a²/12) = 2a/√3.
        let (a, b, turn) = (30.0, 8.0, 0.4_f64);
        let (sin, cos) = turn.sin_cos();
        let corners = [[0.5, 0.5], [-0.5, 0.5], [-0.5, -0.5], [0.5, -0.5]];
        let turned: Vec<[f64; 2]> =
            corners.iter().map(|[u, v]| [4e4 + a * u * cos - b * v * sin, 3e4 + a * u * sin + b * v * cos]).collect();
        let polygon = of(&turned);
        assert!((area(&polygon) - 240.0).abs() < 1e-7);
        assert!((perimeter(&polygon) - 76.0).abs() < 1e-9);
        let c = centroid(&polygon).unwrap();
        assert!((c.x - 4e4).abs() < 1e-6 && (c.y - 3e4).abs() < 1e-6);
        let e = equivalent_ellipse(&polygon).unwrap();
        let root3 = 3f64.sqrt();
        assert!((e.major - 2.0 * a / root3).abs() < 1e-6 && (e.minor - 2.0 * b / root3).abs() < 1e-6, "{e:?}");
        assert!((e.direction_rad - turn).abs() < 1e-7);
        assert!(holds(&polygon, c) && !holds(&polygon, Point::new(4e4 + 20.0, 3e4)));
    }

    #[test]
    fn an_ellipse_is_its_own() {
        let (a, b) = (50.0, 20.0);
        let points: Vec<[f64; 2]> = (0..4000)
            .map(|i| {
                let (sin, cos) = (std::f64::consts::TAU * f64::from(i) / 4000.0).sin_cos();
                [a * cos, b * sin]
            })
            .collect();
        let polygon = of(&points);
        assert!((area(&polygon) / (std::f64::consts::PI * a * b) - 1.0).abs() < 1e-6);
        // Perimeter of the ellipse 5 : 2, a = 50: 4 a E(e), by the series of the arithmetic-geometric mean, mpmath 1.3: 230.131298
        assert!((perimeter(&polygon) / ellipse_perimeter(a, b) - 1.0).abs() < 1e-6);
        let e = equivalent_ellipse(&polygon).unwrap();
        assert!((e.major - 100.0).abs() < 1e-4 && (e.minor - 40.0).abs() < 1e-4 && e.direction_rad.abs() < 1e-9);
        let reversed: Vec<_> = polygon.iter().rev().copied().collect();
        assert!((equivalent_ellipse(&reversed).unwrap().major - e.major).abs() < 1e-9);
    }

    /// Gauss's arithmetic–geometric mean: Abramowitz and Stegun 17.6.
    fn ellipse_perimeter(a: f64, b: f64) -> f64 {
        let (mut x, mut y, mut sum, mut power) = (a, b, 0.5 * (a * a - b * b), 0.5);
        for _ in 0..12 {
            let c = 0.5 * (x - y);
            (x, y) = (0.5 * (x + y), (x * y).sqrt());
            power *= 2.0;
            sum += power * c * c;
        }
        std::f64::consts::TAU * (a * a - sum) / x
    }

    #[test]
    fn nothing_has_no_centre() {
        assert!(centroid::<Slide>(&[]).is_none());
        assert!(equivalent_ellipse(&of(&[[1.0, 1.0], [2.0, 2.0], [3.0, 3.0]])).is_none());
        assert_eq!(area::<Slide>(&[]), 0.0);
    }
}
