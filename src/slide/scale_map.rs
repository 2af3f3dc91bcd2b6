//! The scale map: micrometres on the ruled plane as a function of pixels.

use crate::units::{Angle, Image, Point, PxPerUm, Slide, Vector};
use serde::{Deserialize, Serialize};

/// Number of parameters that a ruling of lines in one direction fits: offset, two slopes, radial, two of perspective, second radial.
pub(super) const PARAMETERS: usize = 7;
/// Number of parameters of the along-the-ruling coordinate: those, then the centre of distortion.
pub(super) const TERMS: usize = 9;

/// Which departures from a plain scale the data support.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
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
    /// Affine with a gradient of scale.
    AffinePerspective,
    /// Affine with radial distortion.
    AffineRadial,
    /// Affine with both.
    AffinePerspectiveRadial,
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
            Self::AffinePerspective => "affine and perspective",
            Self::AffineRadial => "affine and radial",
            Self::AffinePerspectiveRadial => "affine, perspective and radial",
        }
    }

    /// The model with these terms.
    pub(super) const fn of(affine: bool, perspective: bool, radial: bool) -> Self {
        match (affine, perspective, radial) {
            (false, false, false) => Self::Similarity,
            (true, false, false) => Self::Affine,
            (false, true, false) => Self::Perspective,
            (false, false, true) => Self::Radial,
            (false, true, true) => Self::PerspectiveRadial,
            (true, true, false) => Self::AffinePerspective,
            (true, false, true) => Self::AffineRadial,
            (true, true, true) => Self::AffinePerspectiveRadial,
        }
    }
}

/// Object coordinates as a function of pixel coordinates.
///
/// With `q = (p − c) / R` (`c` the picture's centre, `R` half its diagonal), `e = q − o` and `r = o + e (1 + κ |e|² + κ₂ |e|⁴)`:
/// along the ruling `(a0 + a1 r_x + a2 r_y) / (1 + g1 r_x + g2 r_y)` µm, across it the same with `b`.
/// Distortion is the polynomial model on the recorded position about its own centre `o`; the perspective is that of a tilted plane.
/// The covariance is that of `(a0, a1, a2, κ, g1, g2, κ₂, o_x, o_y)` with a1, a2 in µm per `R`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
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
    /// κ₂, the next term of the polynomial.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub radial_2: f64,
    /// Centre of the distortion from the picture's centre, in half diagonals; only dot plates tell it.
    #[serde(default, skip_serializing_if = "is_origin")]
    pub radial_centre: [f64; 2],
    /// g, relative change at half a diagonal from the centre.
    pub perspective: [f64; 2],
    /// Covariance of the fit; written as the smallest leading square that holds all that is not zero.
    #[serde(with = "leading_square")]
    #[cfg_attr(test, schemars(with = "Vec<Vec<f64>>"))]
    pub covariance: [[f64; TERMS]; TERMS],
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
        let mut covariance = [[0.0; TERMS]; TERMS];
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
            radial_2: 0.0,
            radial_centre: [0.0, 0.0],
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

    fn parameters(&self) -> [f64; TERMS] {
        let [a0, a1, a2] = self.along_um;
        let ([g1, g2], [ox, oy]) = (self.perspective, self.radial_centre);
        [a0, a1, a2, self.radial, g1, g2, self.radial_2, ox, oy]
    }

    /// The place on the ruled plane, µm along and across the ruling from its own zero.
    #[must_use]
    pub fn slide_from_image(&self, p: Point<Image>) -> Point<Slide> {
        let (x, y) = undistorted(&self.parameters(), self, p);
        let depth = 1.0 + self.perspective[0] * x + self.perspective[1] * y;
        let of = |c: [f64; 3]| (c[0] + c[1] * x + c[2] * y) / depth;
        Point::new(of(self.along_um), of(self.across_um))
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

    /// Scale along the ruling's direction at a place, px/µm, and that direction there in (−π/2, π/2].
    pub(super) fn along_at(&self, p: Point<Image>) -> (f64, f64) {
        let (gx, gy) = along_gradient(&self.parameters(), self, p);
        (1.0 / gx.hypot(gy), folded(gy.atan2(gx)))
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
        let mut gradient = [0.0; TERMS];
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

    /// Scale across the ruling over the scale along it, both px/µm at the picture's centre: 1 for square pixels seen squarely.
    #[must_use]
    pub fn ratio_across(&self) -> f64 {
        let (along, across) = self.gradients();
        along.length() / across.length()
    }

    /// Angle from along to across at the picture's centre less a right angle, in (−90°, 90°]: 0 for square axes.
    #[must_use]
    pub fn squareness(&self) -> Angle {
        let (along, across) = self.gradients();
        Angle::new(folded(across.y.atan2(across.x) - along.y.atan2(along.x) - std::f64::consts::FRAC_PI_2))
    }

    /// Gradients of the two slide coordinates at the picture's centre, µm/px.
    fn gradients(&self) -> (Vector<Image>, Vector<Image>) {
        let [jx, jy] = self.jacobian_at(self.centre());
        (Vector::new(jx.x, jy.x), Vector::new(jx.y, jy.y))
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

/// The ideal position of an image point, in half diagonals from the picture's centre.
fn undistorted(params: &[f64; TERMS], map: &ScaleMap, p: Point<Image>) -> (f64, f64) {
    let c = map.centre();
    let radius = half_diagonal(map.width_px, map.height_px);
    let [.., ox, oy] = *params;
    let (x, y) = ((p.x - c.x) / radius - ox, (p.y - c.y) / radius - oy);
    let rr = x * x + y * y;
    let stretch = 1.0 + rr * (params[3] + rr * params[6]);
    (ox + x * stretch, oy + y * stretch)
}

fn along(params: &[f64; TERMS], map: &ScaleMap, p: Point<Image>) -> f64 {
    let (x, y) = undistorted(params, map, p);
    (params[0] + params[1] * x + params[2] * y) / (1.0 + params[4] * x + params[5] * y)
}

fn along_gradient(params: &[f64; TERMS], map: &ScaleMap, p: Point<Image>) -> (f64, f64) {
    let d = 0.5;
    let at = |dx: f64, dy: f64| along(params, map, Point::new(p.x + dx, p.y + dy));
    (at(d, 0.0) - at(-d, 0.0), at(0.0, d) - at(0.0, -d))
}

fn along_scale(params: &[f64; TERMS], map: &ScaleMap, p: Point<Image>) -> f64 {
    let (gx, gy) = along_gradient(params, map, p);
    1.0 / gx.hypot(gy)
}

#[allow(clippy::trivially_copy_pass_by_ref, reason = "the signature that serde asks for")]
fn is_zero(v: &f64) -> bool {
    *v == 0.0
}

fn is_origin(v: &[f64; 2]) -> bool {
    v.iter().all(is_zero)
}

/// A covariance on paper: rows and columns of zeros at the end are left out.
mod leading_square {
    use super::TERMS;
    use serde::{Deserialize, Deserializer, Serialize, Serializer, de::Error};

    pub(super) fn serialize<S: Serializer>(c: &[[f64; TERMS]; TERMS], to: S) -> Result<S::Ok, S::Error> {
        let size = (0..TERMS).rev().find(|i| c[*i][..].iter().any(|v| *v != 0.0)).map_or(0, |i| i + 1);
        c[..size].iter().map(|row| &row[..size]).collect::<Vec<_>>().serialize(to)
    }

    pub(super) fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<[[f64; TERMS]; TERMS], D::Error> {
        let rows = Vec::<Vec<f64>>::deserialize(from)?;
        let mut c = [[0.0; TERMS]; TERMS];
        if rows.len() > TERMS || rows.iter().any(|r| r.len() != rows.len()) {
            return Err(D::Error::custom(format!("the covariance must be square with at most {TERMS} rows")));
        }
        for (to, from) in c.iter_mut().zip(&rows) {
            to[..from.len()].copy_from_slice(from);
        }
        Ok(c)
    }
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
        assert!(!text.contains("radial_2"), "terms that a ruling of lines does not have are not written");
        let mut whole = map;
        (whole.radial_2, whole.radial_centre, whole.covariance[8][8]) = (-0.002, [0.01, 0.03], 1e-9);
        let text = toml::to_string(&whole).expect("writes");
        assert_eq!(toml::from_str::<ScaleMap>(&text).expect("reads"), whole);
    }

    #[test]
    fn the_second_radial_term_and_its_centre_follow_their_closed_form() {
        // About its own centre the distortion has the radial derivative 1 + 3 κ e² + 5 κ₂ e⁴.
        let mut map = ScaleMap::similarity(1200, 900, PxPerUm::new(0.8), Angle::from_degrees(30.0), 1e-4);
        (map.radial, map.radial_2, map.radial_centre) = (0.03, 0.01, [0.1, 0.0]);
        let p = Point::new(600.0 + 0.6 * 750.0, 450.0);
        let got = map.scale_at(p, Angle::new(0.0)).get() / 0.8;
        assert!((got - 1.0 / (1.0 + 0.09 * 0.25 + 0.05 * 0.0625)).abs() < 1e-6, "{got}");
    }

    #[test]
    fn two_scales_and_a_slant_are_told() {
        let mut map = ScaleMap::similarity(1200, 900, PxPerUm::new(0.8), Angle::from_degrees(30.0), 1e-4);
        assert!((map.ratio_across() - 1.0).abs() < 1e-12 && map.squareness().get().abs() < 1e-12);
        // µm/px across 1 % up: the scale across is 1 % down; 2 mrad of the along direction mixed in turn it back.
        let [_, a1, a2] = map.along_um;
        map.across_um = [0.0, 1.01 * (-a2 + 0.002 * a1), 1.01 * (a1 + 0.002 * a2)];
        assert!((map.ratio_across() * 1.01 - 1.0).abs() < 3e-6, "{}", map.ratio_across());
        assert!((map.squareness().get() + 0.002).abs() < 1e-7, "{}", map.squareness());
    }
}
