//! The body: an axis and a half breadth at each station.

use super::limb::{Limb, Wing};

/// An animal in its own plane, µm; the axis runs from head (share 0) to tail (share 1).
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct Animal {
    /// Length along the axis from tip to tip, without antennae, legs and wings, µm.
    pub length_um: f64,
    /// Greatest breadth square to the axis, µm.
    pub breadth_um: f64,
    /// Heading against the middle's, rad: first, second and third power of the share along the axis from the middle.
    pub bend_rad: [f64; 3],
    /// Share along the axis and relative half breadth there, ascending from 0 to 1; a monotone cubic runs through them.
    pub stations: Vec<[f64; 2]>,
    /// Shares of the axis over which the head and tail are rounded off elliptically.
    pub caps: [f64; 2],
    /// Light taken away (dark animal) or given (bright animal) by the body, as a share of the background.
    pub tone: f64,
    /// Antennae, legs, furca; drawn in order, beneath the body.
    pub limbs: Vec<Limb>,
    /// Wings, beneath the limbs.
    pub wings: Vec<Wing>,
    /// Round spots on the body (eyes, pigment): share along, share across (−1 to 1), radius in µm, tone.
    pub spots: Vec<[f64; 4]>,
}

impl Default for Animal {
    fn default() -> Self {
        Self {
            length_um: 300.0,
            breadth_um: 85.0,
            bend_rad: [0.0; 3],
            stations: vec![[0.0, 0.8], [0.25, 0.8], [0.7, 1.0], [1.0, 0.8]],
            caps: [0.2, 0.2],
            tone: 0.6,
            limbs: Vec::new(),
            wings: Vec::new(),
            spots: Vec::new(),
        }
    }
}

/// Number of steps along the axis.
const STEPS: usize = 2000;

/// The body worked out: axis points and headings at equal steps of arc length, and half breadths.
#[derive(Clone, Debug)]
pub(crate) struct Body {
    length_um: f64,
    points: Vec<[f64; 2]>,
    bend_rad: [f64; 3],
    half_breadth_um: Vec<f64>,
}

impl Body {
    /// Integrates the heading; the axis' middle is the origin, and the animal faces −x there (tail toward +x).
    pub(crate) fn of(animal: &Animal) -> Self {
        let step = animal.length_um / STEPS as f64;
        let mut points = vec![[0.0, 0.0]];
        for i in 0..STEPS {
            // Two-point Gauss rule on each step: error below 1e-9 of the length.
            let mid = (i as f64 + 0.5) / STEPS as f64;
            let off = 0.5 / STEPS as f64 / 3.0_f64.sqrt();
            let [x, y] = points[i];
            let (mut dx, mut dy) = (0.0, 0.0);
            for share in [mid - off, mid + off] {
                let (sin, cos) = heading(&animal.bend_rad, share).sin_cos();
                (dx, dy) = (dx + cos * step / 2.0, dy + sin * step / 2.0);
            }
            points.push([x + dx, y + dy]);
        }
        let [mx, my] = points[STEPS / 2];
        points.iter_mut().for_each(|p| *p = [p[0] - mx, p[1] - my]);
        let shape: Vec<f64> = (0..=STEPS).map(|i| relative_breadth(animal, i as f64 / STEPS as f64)).collect();
        let greatest = shape.iter().copied().fold(1e-12, f64::max);
        let half_breadth_um = shape.iter().map(|v| v / greatest * animal.breadth_um / 2.0).collect();
        Self { length_um: animal.length_um, points, bend_rad: animal.bend_rad, half_breadth_um }
    }

    /// Length along the axis, µm.
    pub(crate) fn length_um(&self) -> f64 {
        self.length_um
    }

    /// Axis point at a share of the length, µm (outside, along the end's heading).
    pub(crate) fn axis(&self, share: f64) -> [f64; 2] {
        let t = share.clamp(0.0, 1.0) * STEPS as f64;
        let i = (t as usize).min(STEPS - 1);
        let (a, b, f) = (self.points[i], self.points[i + 1], t - i as f64);
        [a[0] + f * (b[0] - a[0]), a[1] + f * (b[1] - a[1])]
    }

    /// Heading from head to tail at a share of the length, rad.
    pub(crate) fn heading(&self, share: f64) -> f64 {
        heading(&self.bend_rad, share)
    }

    /// Half breadth at a share of the length, µm.
    pub(crate) fn half_breadth_um(&self, share: f64) -> f64 {
        let t = share.clamp(0.0, 1.0) * STEPS as f64;
        let i = (t as usize).min(STEPS - 1);
        let f = t - i as f64;
        self.half_breadth_um[i] + f * (self.half_breadth_um[i + 1] - self.half_breadth_um[i])
    }

    /// Share of the length at the greatest breadth.
    pub(crate) fn widest(&self) -> f64 {
        let best = self.half_breadth_um.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1));
        best.map_or(0.5, |(i, _)| i as f64 / STEPS as f64)
    }

    /// Point at a share along and a share across (−1 left rim, 1 right rim), µm.
    pub(crate) fn point(&self, along: f64, across: f64) -> [f64; 2] {
        let [x, y] = self.axis(along);
        let (sin, cos) = self.heading(along).sin_cos();
        let off = across * self.half_breadth_um(along);
        [x - off * sin, y + off * cos]
    }

    /// The outline as a closed polygon, µm: 800 vertices, crowded at the tips.
    pub(crate) fn outline(&self) -> Vec<[f64; 2]> {
        const SIDE: usize = 400;
        let share = |i: usize| (1.0 - (std::f64::consts::PI * i as f64 / SIDE as f64).cos()) / 2.0;
        let right = (0..SIDE).map(|i| self.rim(share(i), 1.0));
        let left = (1..=SIDE).rev().map(|i| self.rim(share(i), -1.0));
        right.chain(left).collect()
    }

    /// A rim point with the half breadth taken from the exact elliptical end, where a table would be too coarse.
    fn rim(&self, along: f64, side: f64) -> [f64; 2] {
        let near_end = along < 2.0 / STEPS as f64 || along > 1.0 - 2.0 / STEPS as f64;
        if !near_end {
            return self.point(along, side);
        }
        // Within the last steps the half breadth grows as the root of the distance from the tip.
        let (end, inner) = if along < 0.5 { (along, 2.0 / STEPS as f64) } else { (1.0 - along, 2.0 / STEPS as f64) };
        let at_inner = self.half_breadth_um(if along < 0.5 { inner } else { 1.0 - inner });
        let off = side * at_inner * (end / inner).max(0.0).sqrt();
        let [x, y] = self.axis(along);
        let (sin, cos) = self.heading(along).sin_cos();
        [x - off * sin, y + off * cos]
    }
}

fn heading(bend_rad: &[f64; 3], share: f64) -> f64 {
    let t = share - 0.5;
    t * (bend_rad[0] + t * (bend_rad[1] + t * bend_rad[2]))
}

/// Relative half breadth: stations times the round ends.
fn relative_breadth(animal: &Animal, share: f64) -> f64 {
    let cap = |from_end: f64, size: f64| {
        if from_end >= size { 1.0 } else { (1.0 - (1.0 - from_end / size).powi(2)).max(0.0).sqrt() }
    };
    let [head, tail] = animal.caps.map(|c| c.clamp(1e-3, 1.0));
    monotone_cubic(&animal.stations, share).max(0.0) * cap(share, head) * cap(1.0 - share, tail)
}

/// Fritsch–Carlson monotone cubic through `(x, y)` points, constant outside (SIAM J. Numer. Anal. 17, 1980).
fn monotone_cubic(points: &[[f64; 2]], x: f64) -> f64 {
    let (Some(first), Some(last)) = (points.first(), points.last()) else { return 1.0 };
    if points.len() == 1 || x <= first[0] {
        return first[1];
    }
    if x >= last[0] {
        return last[1];
    }
    let slope = |i: usize| (points[i + 1][1] - points[i][1]) / (points[i + 1][0] - points[i][0]);
    let tangent = |i: usize| {
        if i == 0 {
            return slope(0);
        }
        if i == points.len() - 1 {
            return slope(i - 1);
        }
        let (a, b) = (slope(i - 1), slope(i));
        if a * b <= 0.0 { 0.0 } else { 2.0 * a * b / (a + b) }
    };
    let i = points.partition_point(|p| p[0] <= x) - 1;
    let h = points[i + 1][0] - points[i][0];
    let t = (x - points[i][0]) / h;
    let (t2, t3) = (t * t, t * t * t);
    points[i][1] * (2.0 * t3 - 3.0 * t2 + 1.0)
        + points[i + 1][1] * (3.0 * t2 - 2.0 * t3)
        + h * (tangent(i) * (t3 - 2.0 * t2 + t) + tangent(i + 1) * (t3 - t2))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn axis_has_its_length_and_ends_at_the_outline() {
        let animal = Animal { bend_rad: [0.9, 0.4, -0.6], ..Animal::default() };
        let body = Body::of(&animal);
        let chords: f64 = body.points.windows(2).map(|w| (w[1][0] - w[0][0]).hypot(w[1][1] - w[0][1])).sum();
        assert!((chords - 300.0).abs() < 1e-4, "{chords}");
        let outline = body.outline();
        for (tip, index) in [(0.0, 0), (1.0, 400)] {
            let (a, b) = (body.axis(tip), outline[index]);
            assert!((a[0] - b[0]).hypot(a[1] - b[1]) < 1e-9, "{a:?} {b:?}");
        }
        assert!((2.0 * body.half_breadth_um(body.widest()) - 85.0).abs() < 1e-9);
    }

    #[test]
    fn an_ellipse_has_the_area_of_an_ellipse() {
        let animal = Animal { stations: vec![[0.0, 1.0], [1.0, 1.0]], caps: [0.5, 0.5], ..Animal::default() };
        let outline = Body::of(&animal).outline();
        let area = super::super::part::area(&outline);
        let want = std::f64::consts::PI * 150.0 * 42.5;
        assert!((area / want - 1.0).abs() < 2e-5, "{area} {want}");
    }
}
