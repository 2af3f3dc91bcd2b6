//! The scale map: micrometres on the ruled plane as a function of pixels.

use crate::units::{Angle, Image, Point, PxPerUm, Slide, Vector};
use serde::{Deserialize, Serialize};

/// Number of parameters of the along-the-ruling coordinate: offset, two slopes, radial, two of perspective.
pub(super) const PARAMETERS: usize = 6;

/// Which departures from a plain scale the data support.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[non_exhaustive]
pub enum MapModel {
    /// One scale and a rotation.
    Similarity,
    /// Two scales or axes that are not square, from a crossed ruling, a grid or a second picture.
    Affine,
    /// A gradient of scale, as a tilted slide gives.
    Perspective,
    /// Radial distortion of the lens.
    Radial,
    /// Both.
    PerspectiveRadial,
}

impl MapModel {
    /// The word used in tables and JSON.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Similarity => "similarity",
            Self::Affine => "affine",
            Self::Perspective => "perspective",
            Self::Radial => "radial",
            Self::PerspectiveRadial => "perspective and radial",
        }
    }
}

/// Object coordinates as a function of pixel coordinates.
///
/// With `q = (p − c) / R` (`c` the picture's centre, `R` half its diagonal) and `r = q (1 + κ |q|²)`:
/// along the ruling `(a0 + a1 r_x + a2 r_y) / (1 + g1 r_x + g2 r_y)` µm, across it the same with `b`.
/// Distortion is the one-parameter polynomial model on the recorded position; the perspective is that of a tilted plane.
/// The covariance is that of `(a0, a1, a2, κ, g1, g2)` with a1, a2 in µm per `R`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ScaleMap {
    /// Columns of the picture it holds for.
    pub width_px: usize,
    /// Rows of the picture it holds for.
    pub height_px: usize,
    /// Which terms are supported by evidence.
    pub model: MapModel,
    /// Along the ruling: offset and slopes, µm.
    pub along_um: [f64; 3],
    /// Across the ruling: offset and slopes, µm.
    pub across_um: [f64; 3],
    /// κ, relative displacement at the picture's corner.
    pub radial: f64,
    /// g, relative change at half a diagonal from the centre.
    pub perspective: [f64; 2],
    /// Covariance of the fit.
    pub covariance: [[f64; PARAMETERS]; PARAMETERS],
    /// Relative standard uncertainty of the ratio of the scales across and along, where it was measured; absent
    /// where square pixels are only assumed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub u_rel_across: Option<f64>,
}

impl ScaleMap {
    /// A plain scale with the ruling along `direction` (image axes), known to `u_rel_fit`.
    #[must_use]
    pub fn similarity(width_px: usize, height_px: usize, scale: PxPerUm, direction: Angle, u_rel_fit: f64) -> Self {
        let radius = half_diagonal(width_px, height_px);
        let per = radius / scale.get();
        let (sin, cos) = direction.get().sin_cos();
        let mut covariance = [[0.0; PARAMETERS]; PARAMETERS];
        let u = per * u_rel_fit;
        covariance[1][1] = u * u * cos * cos;
        covariance[1][2] = u * u * cos * sin;
        covariance[2][1] = covariance[1][2];
        covariance[2][2] = u * u * sin * sin;
        Self {
            width_px,
            height_px,
            model: MapModel::Similarity,
            along_um: [0.0, per * cos, per * sin],
            across_um: [0.0, -per * sin, per * cos],
            radial: 0.0,
            perspective: [0.0, 0.0],
            covariance,
            u_rel_across: None,
        }
    }

    /// The picture's centre.
    #[must_use]
    pub fn centre(&self) -> Point<Image> {
        Point::new(0.5 * self.width_px as f64, 0.5 * self.height_px as f64)
    }

    fn parameters(&self) -> [f64; PARAMETERS] {
        let [a0, a1, a2] = self.along_um;
        [a0, a1, a2, self.radial, self.perspective[0], self.perspective[1]]
    }

    /// The place on the ruled plane, µm along and across the ruling from its own zero.
    #[must_use]
    pub fn slide_from_image(&self, p: Point<Image>) -> Point<Slide> {
        let (x, y) = self.undistorted(p);
        let depth = 1.0 + self.perspective[0] * x + self.perspective[1] * y;
        let of = |c: [f64; 3]| (c[0] + c[1] * x + c[2] * y) / depth;
        Point::new(of(self.along_um), of(self.across_um))
    }

    fn undistorted(&self, p: Point<Image>) -> (f64, f64) {
        let c = self.centre();
        let radius = half_diagonal(self.width_px, self.height_px);
        let (x, y) = ((p.x - c.x) / radius, (p.y - c.y) / radius);
        let stretch = 1.0 + self.radial * (x * x + y * y);
        (x * stretch, y * stretch)
    }

    /// The displacement on the ruled plane, µm, per pixel of displacement in the picture at `p`: columns are image x and y.
    #[must_use]
    pub fn jacobian_at(&self, p: Point<Image>) -> [Vector<Slide>; 2] {
        // Central differences over one pixel: the map is smooth over thousands, so the error is far below 1e-9.
        let d = 0.5;
        [
            self.slide_from_image(Point::new(p.x + d, p.y)) - self.slide_from_image(Point::new(p.x - d, p.y)),
            self.slide_from_image(Point::new(p.x, p.y + d)) - self.slide_from_image(Point::new(p.x, p.y - d)),
        ]
    }

    /// Local scale at `p` for lengths that lie along `direction` in the picture.
    #[must_use]
    pub fn scale_at(&self, p: Point<Image>, direction: Angle) -> PxPerUm {
        let [jx, jy] = self.jacobian_at(p);
        let (sin, cos) = direction.get().sin_cos();
        PxPerUm::new(1.0 / (jx * cos + jy * sin).length())
    }

    /// The scale at the picture's centre along the ruling's direction: the one number that stands for the map.
    #[must_use]
    pub fn centre_scale(&self) -> PxPerUm {
        PxPerUm::new(along_scale(&self.parameters(), self, self.centre()))
    }

    /// Direction in which the graduations follow each other at the centre, image axes, in (−90°, 90°].
    #[must_use]
    pub fn direction(&self) -> Angle {
        let (gx, gy) = along_gradient(&self.parameters(), self, self.centre());
        Angle::new(folded(gy.atan2(gx)))
    }

    /// Relative standard uncertainty of the local scale along the ruling at `p`, from the fit alone.
    /// It grows away from the ruled part.
    #[must_use]
    pub fn u_rel_fit_at(&self, p: Point<Image>) -> f64 {
        let base = self.parameters();
        let value = along_scale(&base, self, p).ln();
        let mut gradient = [0.0; PARAMETERS];
        for (i, g) in gradient.iter_mut().enumerate() {
            let sd = self.covariance[i][i].sqrt();
            if sd > 0.0 {
                let step = 1e-3 * sd;
                let mut moved = base;
                moved[i] += step;
                *g = (along_scale(&moved, self, p).ln() - value) / step;
            }
        }
        let mut variance = 0.0;
        for (i, a) in gradient.iter().enumerate() {
            for (j, b) in gradient.iter().enumerate() {
                variance += a * b * self.covariance[i][j];
            }
        }
        variance.max(0.0).sqrt()
    }

    /// The map of the same picture resized as a whole by `factor` (0.5: half the pixels each way).
    #[must_use]
    pub fn resized(&self, width_px: usize, height_px: usize) -> Self {
        // Everything is in units of half the diagonal, so only the pixel counts change.
        Self { width_px, height_px, ..self.clone() }
    }

    /// Change of the local scale over the picture: greatest over least along the ruling among centre and corners, minus 1.
    #[must_use]
    pub fn unevenness(&self) -> f64 {
        let (w, h) = (self.width_px as f64, self.height_px as f64);
        let scales = [(0.5 * w, 0.5 * h), (0.0, 0.0), (w, 0.0), (0.0, h), (w, h)]
            .map(|(x, y)| along_scale(&self.parameters(), self, Point::new(x, y)));
        let hi = scales.iter().copied().fold(f64::MIN, f64::max);
        let lo = scales.iter().copied().fold(f64::MAX, f64::min);
        hi / lo - 1.0
    }
}

/// Half the diagonal of the picture, px.
pub(super) fn half_diagonal(width_px: usize, height_px: usize) -> f64 {
    0.5 * (width_px as f64).hypot(height_px as f64)
}

/// The same line direction in (−π/2, π/2].
pub(super) fn folded(angle: f64) -> f64 {
    use std::f64::consts::{FRAC_PI_2, PI};
    let a = angle.rem_euclid(PI);
    if a > FRAC_PI_2 { a - PI } else { a }
}

fn along(params: &[f64; PARAMETERS], map: &ScaleMap, p: Point<Image>) -> f64 {
    let c = map.centre();
    let radius = half_diagonal(map.width_px, map.height_px);
    let (x, y) = ((p.x - c.x) / radius, (p.y - c.y) / radius);
    let stretch = 1.0 + params[3] * (x * x + y * y);
    let (x, y) = (x * stretch, y * stretch);
    (params[0] + params[1] * x + params[2] * y) / (1.0 + params[4] * x + params[5] * y)
}

fn along_gradient(params: &[f64; PARAMETERS], map: &ScaleMap, p: Point<Image>) -> (f64, f64) {
    let d = 0.5;
    let at = |dx: f64, dy: f64| along(params, map, Point::new(p.x + dx, p.y + dy));
    (at(d, 0.0) - at(-d, 0.0), at(0.0, d) - at(0.0, -d))
}

fn along_scale(params: &[f64; PARAMETERS], map: &ScaleMap, p: Point<Image>) -> f64 {
    let (gx, gy) = along_gradient(params, map, p);
    1.0 / gx.hypot(gy)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn distorted() -> ScaleMap {
        let mut map = ScaleMap::similarity(1200, 900, PxPerUm::new(0.8), Angle::from_degrees(30.0), 1e-4);
        map.radial = 0.01;
        map.perspective = [0.003, -0.002];
        map
    }

    #[test]
    fn a_plain_map_keeps_its_scale_everywhere() {
        let map = ScaleMap::similarity(1200, 900, PxPerUm::new(0.8), Angle::from_degrees(30.0), 1e-4);
        for (x, y, a) in [(600.0, 450.0, 30.0), (3.0, 890.0, 77.0), (1100.0, 20.0, -60.0)] {
            let got = map.scale_at(Point::new(x, y), Angle::from_degrees(a)).get();
            assert!((got - 0.8).abs() < 1e-9, "{got} at ({x}, {y})");
        }
        assert!((map.direction().degrees() - 30.0).abs() < 1e-9);
        assert!((map.u_rel_fit_at(map.centre()) - 1e-4).abs() < 1e-9);
    }

    #[test]
    fn radial_distortion_changes_the_scale_by_its_closed_form() {
        // r = q (1 + κ q²) has the radial derivative 1 + 3 κ q²; at the corner q = 1.
        let mut map = distorted();
        map.perspective = [0.0, 0.0];
        let corner = Point::new(1200.0, 900.0);
        let radial = Angle::new((900.0_f64).atan2(1200.0));
        let got = map.scale_at(corner, radial) / map.centre_scale();
        assert!((got - 1.0 / 1.03).abs() < 1e-6, "{got}");
    }

    #[test]
    fn a_resized_picture_keeps_micrometres() {
        let map = distorted();
        let half = map.resized(600, 450);
        let (a, b) = (map.slide_from_image(Point::new(100.0, 700.0)), half.slide_from_image(Point::new(50.0, 350.0)));
        assert!((a - b).length() < 1e-9);
        assert!((half.centre_scale() / map.centre_scale() - 0.5).abs() < 1e-6);
    }

    #[test]
    fn the_map_survives_being_written_and_read() {
        let map = distorted();
        let text = toml::to_string(&map).expect("writes");
        assert_eq!(toml::from_str::<ScaleMap>(&text).expect("reads"), map);
    }
}
