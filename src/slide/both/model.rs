//! The map of both directions, in divisions, with its derivatives.

use nalgebra::{Matrix2, SMatrix, SVector};

/// Number of parameters.
pub(in super::super) const COUNT: usize = 12;
/// One value a parameter; see [`place`].
pub(in super::super) type Parameters = SVector<f64, COUNT>;
/// One value a pair of parameters.
pub(in super::super) type Spread = SMatrix<f64, COUNT, COUNT>;

/// Where each parameter stands.
pub(in super::super) mod place {
    // Along: offset and two slopes, divisions per half diagonal, come first.
    /// Across: offset, divisions.
    pub(in super::super::super) const ACROSS: usize = 3;
    /// Divisions per px across over those along, minus 1.
    pub(in super::super::super) const RATIO: usize = 4;
    /// Share of the along direction in the across coordinate, radians: minus the departure from square.
    pub(in super::super::super) const SLANT: usize = 5;
    /// κ and κ₂.
    pub(in super::super::super) const RADIAL: [usize; 2] = [6, 7];
    /// Centre of the distortion, half diagonals.
    pub(in super::super::super) const CENTRE: [usize; 2] = [8, 9];
    /// Perspective.
    pub(in super::super::super) const PERSPECTIVE: [usize; 2] = [10, 11];
}

/// The map at one place.
#[derive(Clone, Copy, Debug)]
pub(in super::super) struct At {
    /// Along and across, divisions.
    pub(in super::super) value: [f64; 2],
    /// Derivatives of both by the parameters.
    pub(in super::super) by_parameter: [Parameters; 2],
    /// Derivatives of both (rows) by the place in half diagonals (columns).
    pub(in super::super) by_place: Matrix2<f64>,
}

/// Slopes of the across coordinate.
pub(in super::super) fn across_slopes(p: &Parameters) -> [f64; 2] {
    let (ratio, slant) = (1.0 + p[place::RATIO], p[place::SLANT]);
    [-p[2] * ratio + slant * p[1], p[1] * ratio + slant * p[2]]
}

/// The map at `(x, y)`, half diagonals from the picture's centre. The formulas are those of [`crate::slide::ScaleMap`].
pub(in super::super) fn at(p: &Parameters, x: f64, y: f64) -> At {
    let [k1, k2] = place::RADIAL.map(|i| p[i]);
    let [ox, oy] = place::CENTRE.map(|i| p[i]);
    let [g1, g2] = place::PERSPECTIVE.map(|i| p[i]);
    let (ex, ey) = (x - ox, y - oy);
    let rr = ex * ex + ey * ey;
    let stretch = 1.0 + rr * (k1 + rr * k2);
    let by_rr = k1 + 2.0 * k2 * rr;
    let (u, v) = (ox + ex * stretch, oy + ey * stretch);
    let (u_x, u_y, v_y) = (stretch + 2.0 * ex * ex * by_rr, 2.0 * ex * ey * by_rr, stretch + 2.0 * ey * ey * by_rr);
    let v_x = u_y;
    let depth = 1.0 + g1 * u + g2 * v;
    let [b1, b2] = across_slopes(p);
    let a = (p[0] + p[1] * u + p[2] * v) / depth;
    let b = (p[place::ACROSS] + b1 * u + b2 * v) / depth;
    let (a_u, a_v) = ((p[1] - a * g1) / depth, (p[2] - a * g2) / depth);
    let (b_u, b_v) = ((b1 - b * g1) / depth, (b2 - b * g2) / depth);
    let lens = |by_u: f64, by_v: f64, into: &mut Parameters| {
        let outward = by_u * ex + by_v * ey;
        into[place::RADIAL[0]] = outward * rr;
        into[place::RADIAL[1]] = outward * rr * rr;
        into[place::CENTRE[0]] = by_u * (1.0 - u_x) - by_v * v_x;
        into[place::CENTRE[1]] = by_v * (1.0 - v_y) - by_u * u_y;
    };
    let (ratio, slant) = (1.0 + p[place::RATIO], p[place::SLANT]);
    let mut along = Parameters::zeros();
    along[0] = 1.0 / depth;
    along[1] = u / depth;
    along[2] = v / depth;
    let mut across = Parameters::zeros();
    across[place::ACROSS] = 1.0 / depth;
    across[1] = (slant * u + ratio * v) / depth;
    across[2] = (slant * v - ratio * u) / depth;
    across[place::RATIO] = (p[1] * v - p[2] * u) / depth;
    across[place::SLANT] = (p[1] * u + p[2] * v) / depth;
    for (row, value, by_u, by_v) in [(&mut along, a, a_u, a_v), (&mut across, b, b_u, b_v)] {
        lens(by_u, by_v, row);
        row[place::PERSPECTIVE[0]] = -value * u / depth;
        row[place::PERSPECTIVE[1]] = -value * v / depth;
    }
    At {
        value: [a, b],
        by_parameter: [along, across],
        by_place: Matrix2::new(
            a_u * u_x + a_v * v_x,
            a_u * u_y + a_v * v_y,
            b_u * u_x + b_v * v_x,
            b_u * u_y + b_v * v_y,
        ),
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    /// A map with every term in play.
    pub(in super::super) fn everything() -> Parameters {
        Parameters::from_column_slice(&[0.3, 85.0, 12.0, -0.4, 0.004, -0.003, 0.05, -0.01, 0.02, -0.04, 0.007, -0.005])
    }

    #[test]
    fn derivatives_are_those_of_the_values() {
        let p = everything();
        let (x, y) = (0.43, -0.61);
        let here = at(&p, x, y);
        let step = 1e-6;
        for i in 0..COUNT {
            let (mut up, mut down) = (p, p);
            up[i] += step;
            down[i] -= step;
            let (hi, lo) = (at(&up, x, y).value, at(&down, x, y).value);
            for c in 0..2 {
                let want = (hi[c] - lo[c]) / (2.0 * step);
                let got = here.by_parameter[c][i];
                assert!((got - want).abs() < 1e-5 * (1.0 + want.abs()), "parameter {i} of {c}: {got}, by steps {want}");
            }
        }
        for (k, (dx, dy)) in [(step, 0.0), (0.0, step)].into_iter().enumerate() {
            let (hi, lo) = (at(&p, x + dx, y + dy).value, at(&p, x - dx, y - dy).value);
            for c in 0..2 {
                let want = (hi[c] - lo[c]) / (2.0 * step);
                assert!((here.by_place[(c, k)] - want).abs() < 1e-5 * (1.0 + want.abs()));
            }
        }
    }
}
