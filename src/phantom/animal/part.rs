//! Polygons: area, length, and the parallel outline.

/// Area of a closed polygon (shoelace formula), positive whichever way it turns.
pub(crate) fn area(polygon: &[[f64; 2]]) -> f64 {
    signed_area(polygon).abs()
}

fn signed_area(polygon: &[[f64; 2]]) -> f64 {
    let next = polygon.iter().cycle().skip(1);
    polygon.iter().zip(next).map(|(a, b)| (a[0] * b[1] - b[0] * a[1]) / 2.0).sum()
}

/// Length of a closed polygon.
pub(crate) fn perimeter(polygon: &[[f64; 2]]) -> f64 {
    let next = polygon.iter().cycle().skip(1);
    polygon.iter().zip(next).map(|(a, b)| (a[0] - b[0]).hypot(a[1] - b[1])).sum()
}

/// The polygon moved outward by `distance` along its normals; for fine polygons whose curvature radius is well above it.
///
/// A polygon thinner than an inward move may vanish: then fewer than three vertices come back.
pub(crate) fn parallel(polygon: &[[f64; 2]], distance: f64) -> Vec<[f64; 2]> {
    if distance == 0.0 {
        return polygon.to_vec();
    }
    // Doubled vertices (as at pointed ends) have no direction of their own.
    let mut clean: Vec<[f64; 2]> = Vec::with_capacity(polygon.len());
    for p in polygon {
        if clean.last().is_none_or(|q| (p[0] - q[0]).hypot(p[1] - q[1]) > 1e-9) {
            clean.push(*p);
        }
    }
    while clean.len() > 1 && {
        let (p, q) = (clean[0], clean[clean.len() - 1]);
        (p[0] - q[0]).hypot(p[1] - q[1]) <= 1e-9
    } {
        clean.pop();
    }
    let n = clean.len();
    if n < 3 {
        return Vec::new();
    }
    let turn = signed_area(&clean).signum();
    let normal = |a: [f64; 2], b: [f64; 2]| {
        let (dx, dy) = (b[0] - a[0], b[1] - a[1]);
        let length = dx.hypot(dy);
        [turn * dy / length, -turn * dx / length]
    };
    let moved: Vec<[f64; 2]> = (0..n)
        .map(|i| {
            let (before, here, after) = (clean[(i + n - 1) % n], clean[i], clean[(i + 1) % n]);
            let (u, v) = (normal(before, here), normal(here, after));
            // The mitre of both edges, held back where they turn sharply.
            let dot = (1.0 + u[0] * v[0] + u[1] * v[1]).max(0.2);
            [here[0] + distance * (u[0] + v[0]) / dot, here[1] + distance * (u[1] + v[1]) / dot]
        })
        .collect();
    if distance < 0.0 && signed_area(&moved) * turn <= 0.0 { Vec::new() } else { moved }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parallel_discs_are_discs() {
        let disc = super::super::limb::round([3.0, 4.0], 20.0);
        let reversed: Vec<_> = disc.iter().rev().copied().collect();
        for polygon in [disc, reversed] {
            for distance in [1.5, -1.5] {
                for p in parallel(&polygon, distance) {
                    let r = (p[0] - 3.0).hypot(p[1] - 4.0);
                    assert!((r - 20.0 - distance).abs() < 5e-3, "{r}");
                }
            }
        }
    }

    #[test]
    fn a_sliver_vanishes_inward() {
        let sliver = [[0.0, 0.0], [10.0, 0.0], [10.0, 0.5], [0.0, 0.5]];
        assert!(parallel(&sliver, -0.4).is_empty());
        assert!((area(&parallel(&sliver, 0.5)) - 11.0 * 1.5).abs() < 1e-9);
    }
}
