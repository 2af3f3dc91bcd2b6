//! The gradient of scale that a tilted slide leaves in the map, and the tilt where the pupil's distance is known.

use super::scale_map::{ScaleMap, half_diagonal};
use crate::units::{Angle, Um};

/// A gradient of scale.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ScaleGradient {
    /// Change of scale over the picture's diagonal's length in the direction of growth, relative; along the ruling lengths change
    /// twice as much where the ruling follows the gradient.
    pub over_diagonal: f64,
    /// Its standard uncertainty.
    pub u_over_diagonal: f64,
    /// Direction in the picture in which the scale grows, image axes: there the slide is nearer to the lens.
    pub towards: Angle,
}

impl ScaleGradient {
    /// Which side of the picture the scale grows to, in words.
    #[must_use]
    pub fn side(&self) -> &'static str {
        let eighth = (self.towards.degrees() / 45.0).round().rem_euclid(8.0) as u8;
        match eighth {
            0 => "right",
            1 => "lower right",
            2 => "bottom",
            3 => "lower left",
            4 => "left",
            5 => "upper left",
            6 => "top",
            _ => "upper right",
        }
    }
}

impl ScaleMap {
    /// The gradient of scale at the picture's centre, from the perspective terms.
    ///
    /// Across the direction of tilt the scale goes with the depth, `1 + g · q` with `q` in half diagonals: over the length of a
    /// diagonal it changes by `2 |g|`.
    #[must_use]
    pub fn scale_gradient(&self) -> ScaleGradient {
        let [g1, g2] = self.perspective;
        let size = g1.hypot(g2);
        let (c, s) = if size > 0.0 { (g1 / size, g2 / size) } else { (1.0, 0.0) };
        let v = &self.covariance;
        let variance = c * c * v[4][4] + 2.0 * c * s * v[4][5] + s * s * v[5][5];
        ScaleGradient {
            over_diagonal: 2.0 * size,
            u_over_diagonal: 2.0 * variance.max(0.0).sqrt(),
            towards: Angle::new(s.atan2(c)),
        }
    }

    /// Tilt of the slide against the sensor with its standard uncertainty from the fit, for an entrance pupil `distance` away:
    /// `tan θ = |g| · distance / R`, with the half diagonal `R` on the slide.
    #[must_use]
    pub fn tilt(&self, distance: Um) -> (Angle, Angle) {
        let gradient = self.scale_gradient();
        let radius_um = half_diagonal(self.width_px, self.height_px) / self.centre_scale().get();
        let per = 0.5 * distance.get() / radius_um;
        let tangent = per * gradient.over_diagonal;
        let u = per * gradient.u_over_diagonal / (1.0 + tangent * tangent);
        (Angle::new(tangent.atan()), Angle::new(u))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::phantom::slide::{SlideMap, SlideScene};
    use crate::units::{Point, PxPerUm};

    #[test]
    fn the_tilt_of_a_plane_seen_through_a_pupil_comes_back() {
        // The phantom's own exact ray map of a slide tilted by 3°, receding toward 30° below the right: nearer at the upper left.
        let scene =
            SlideScene { tilt_deg: 3.0, tilt_azimuth_deg: 30.0, pupil_distance_um: 50_000.0, ..SlideScene::default() };
        let exact = SlideMap::of(&scene);
        let mut map = ScaleMap::similarity(1200, 900, PxPerUm::new(1.0), Angle::new(0.0), 0.0);
        let tan = 3f64.to_radians().tan();
        let (c, s) = (30f64.to_radians().cos(), 30f64.to_radians().sin());
        map.perspective = [-750.0 * tan / 50_000.0 * c, -750.0 * tan / 50_000.0 * s];
        // That these terms are the phantom's: scale across the tilt, far from the centre, both ways.
        let size = |p: Point<crate::units::Image>,
                    f: &dyn Fn(Point<crate::units::Image>) -> Point<crate::units::Slide>| {
            let d = 5.0;
            (f(Point::new(p.x - s * d, p.y + c * d)) - f(Point::new(p.x + s * d, p.y - c * d))).length()
        };
        let centre = map.centre();
        for p in [Point::new(1100.0, 740.0), Point::new(80.0, 150.0)] {
            let want = size(p, &|q| exact.slide_from_image(q)) / size(centre, &|q| exact.slide_from_image(q));
            let got = size(p, &|q| map.slide_from_image(q)) / size(centre, &|q| map.slide_from_image(q));
            assert!((got / want - 1.0).abs() < 2e-4, "{got} for {want}");
        }
        let (tilt, _) = map.tilt(Um::new(50_000.0));
        assert!((tilt.degrees() - 3.0).abs() < 0.01, "{tilt}");
        let gradient = map.scale_gradient();
        assert_eq!(gradient.side(), "upper left");
        assert!((gradient.over_diagonal - 2.0 * 750.0 * tan / 50_000.0).abs() < 1e-9);
    }

    #[test]
    fn a_level_slide_has_none() {
        let map = ScaleMap::similarity(1200, 900, PxPerUm::new(1.0), Angle::new(0.3), 1e-4);
        assert_eq!(map.scale_gradient().over_diagonal, 0.0);
        assert_eq!(map.tilt(Um::new(1e5)).0.get(), 0.0);
    }
}
