//! From the picture to the slide and back, exactly.

use crate::units::{Image, Point, Slide};

use super::scene::SlideScene;

/// Which way the polynomial of the distortion runs.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub enum DistortionForm {
    /// `ideal = recorded · (1 + k1 (recorded / R)²)`: positive `k1` draws the recorded picture in (barrel).
    #[default]
    IdealFromRecorded,
    /// `recorded = ideal · (1 + k1 (ideal / R)²)`: positive `k1` pushes it out (pincushion).
    RecordedFromIdeal,
}

/// Radial distortion about the picture's centre; `R` is half of the picture's longer side.
#[derive(Clone, Copy, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Distortion {
    /// Relative displacement at distance `R` from the centre.
    pub k1: f64,
    /// Which way the polynomial runs.
    pub form: DistortionForm,
}

/// The exact map between picture and slide.
///
/// From the picture outward: take the centre off; undo the distortion; divide by the scale, which gives the point on
/// the plane square to the optical axis; follow the ray through the entrance pupil to the tilted slide; turn by minus
/// the rotation; add the slide position of the picture's centre. The centre itself is fixed by distortion and tilt.
#[derive(Clone, Copy, Debug)]
pub struct SlideMap {
    centre_px: [f64; 2],
    px_per_um: [f64; 2],
    k1_per_px2: f64,
    form: DistortionForm,
    sin_tilt: f64,
    cos_tilt: f64,
    recede: [f64; 2],
    pupil_um: f64,
    along: [f64; 2],
    centre_um: [f64; 2],
    defocus_um: f64,
    defocus_slope: f64,
}

/// Slide position with the distance from focus there.
#[derive(Clone, Copy, Debug)]
pub(crate) struct OnSlide {
    pub(crate) x_um: f64,
    pub(crate) y_um: f64,
    pub(crate) defocus_um: f64,
}

impl SlideMap {
    /// The map of a scene.
    #[must_use]
    pub fn of(scene: &SlideScene) -> Self {
        let (w, h) = (scene.width_px as f64, scene.height_px as f64);
        let radius = w.max(h) / 2.0;
        let (sin_tilt, cos_tilt) = scene.tilt_deg.to_radians().sin_cos();
        let azimuth = scene.tilt_azimuth_deg.to_radians();
        let rotation = scene.rotation_deg.to_radians();
        Self {
            centre_px: [w / 2.0, h / 2.0],
            px_per_um: [scene.px_per_um, scene.px_per_um * scene.pixel_aspect],
            k1_per_px2: scene.distortion.k1 / (radius * radius),
            form: scene.distortion.form,
            sin_tilt,
            cos_tilt,
            recede: [azimuth.cos(), azimuth.sin()],
            pupil_um: scene.pupil_distance_um,
            along: [rotation.cos(), rotation.sin()],
            centre_um: scene.centre_um,
            defocus_um: scene.defocus_um,
            defocus_slope: scene.defocus_slope,
        }
    }

    /// Slide position of an image position. Exact (Newton to 1e-12 px where the polynomial runs the other way).
    #[must_use]
    pub fn slide_from_image(&self, p_image: Point<Image>) -> Point<Slide> {
        let s = self.on_slide(p_image.x, p_image.y);
        Point::new(s.x_um, s.y_um)
    }

    pub(crate) fn on_slide(&self, x_px: f64, y_px: f64) -> OnSlide {
        let d = [x_px - self.centre_px[0], y_px - self.centre_px[1]];
        let r2 = d[0] * d[0] + d[1] * d[1];
        let stretch = match self.form {
            DistortionForm::IdealFromRecorded => 1.0 + self.k1_per_px2 * r2,
            DistortionForm::RecordedFromIdeal => invert_radial(self.k1_per_px2 * r2),
        };
        // On the plane square to the axis, µm, image directions.
        let q = [d[0] * stretch / self.px_per_um[0], d[1] * stretch / self.px_per_um[1]];
        let q_recede = q[0] * self.recede[0] + q[1] * self.recede[1];
        let q_across = q[1] * self.recede[0] - q[0] * self.recede[1];
        let u = q_recede * self.pupil_um / (self.pupil_um * self.cos_tilt - q_recede * self.sin_tilt);
        let depth = u * self.sin_tilt;
        let v = q_across * (1.0 + depth / self.pupil_um);
        let w = [u * self.recede[0] - v * self.recede[1], u * self.recede[1] + v * self.recede[0]];
        OnSlide {
            x_um: self.centre_um[0] + w[0] * self.along[0] + w[1] * self.along[1],
            y_um: self.centre_um[1] + w[1] * self.along[0] - w[0] * self.along[1],
            defocus_um: self.defocus_um + depth + self.defocus_slope * q[0],
        }
    }

    /// Image position of a slide position, exact to 1e-10 px within the picture and near it.
    #[must_use]
    pub fn image_from_slide(&self, p_slide: Point<Slide>) -> Point<Image> {
        let s = [p_slide.x - self.centre_um[0], p_slide.y - self.centre_um[1]];
        let w = [s[0] * self.along[0] - s[1] * self.along[1], s[0] * self.along[1] + s[1] * self.along[0]];
        let u = w[0] * self.recede[0] + w[1] * self.recede[1];
        let v = w[1] * self.recede[0] - w[0] * self.recede[1];
        let shrink = 1.0 / (1.0 + u * self.sin_tilt / self.pupil_um);
        let (u, v) = (u * self.cos_tilt * shrink, v * shrink);
        let ideal = [
            (u * self.recede[0] - v * self.recede[1]) * self.px_per_um[0],
            (u * self.recede[1] + v * self.recede[0]) * self.px_per_um[1],
        ];
        let r2 = ideal[0] * ideal[0] + ideal[1] * ideal[1];
        let stretch = match self.form {
            DistortionForm::IdealFromRecorded => invert_radial(self.k1_per_px2 * r2),
            DistortionForm::RecordedFromIdeal => 1.0 + self.k1_per_px2 * r2,
        };
        Point::new(self.centre_px[0] + ideal[0] * stretch, self.centre_px[1] + ideal[1] * stretch)
    }

    /// Image px for each µm along (`[0]`) and across (`[1]`) the ruling at a slide position, numerically to 1e-9.
    #[must_use]
    pub fn local_px_per_um(&self, p_slide: Point<Slide>) -> [f64; 2] {
        let h = 1e-3;
        let px = |dx: f64, dy: f64| {
            let a = self.image_from_slide(Point::new(p_slide.x - dx, p_slide.y - dy));
            let b = self.image_from_slide(Point::new(p_slide.x + dx, p_slide.y + dy));
            (b - a).length() / (2.0 * h)
        };
        [px(h, 0.0), px(0.0, h)]
    }
}

/// The factor `t` with `t (1 + a t²) = 1`: undoes `r → r (1 + a)` where `a` is `k1 (r/R)²` at the displaced point.
fn invert_radial(a: f64) -> f64 {
    let mut t = 1.0 - a / (1.0 + 3.0 * a).max(0.2);
    for _ in 0..8 {
        let step = (t * (1.0 + a * t * t) - 1.0) / (1.0 + 3.0 * a * t * t);
        t -= step;
        if step.abs() < 1e-15 {
            break;
        }
    }
    t
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn there_and_back() {
        for form in [DistortionForm::IdealFromRecorded, DistortionForm::RecordedFromIdeal] {
            for k1 in [-0.02, 0.0, 0.01] {
                let scene = SlideScene {
                    distortion: Distortion { k1, form },
                    tilt_deg: 3.0,
                    tilt_azimuth_deg: 40.0,
                    rotation_deg: -71.0,
                    pixel_aspect: 1.01,
                    ..SlideScene::default()
                };
                let map = SlideMap::of(&scene);
                for (x, y) in [(600.0, 450.0), (0.0, 0.0), (1200.0, 31.0), (17.5, 880.0)] {
                    let back = map.image_from_slide(map.slide_from_image(Point::new(x, y)));
                    assert!((back.x - x).abs() < 1e-9 && (back.y - y).abs() < 1e-9, "{form:?} {k1}: {back:?}");
                }
            }
        }
    }

    #[test]
    fn distortion_is_k1_at_half_the_longer_side() {
        let scene = SlideScene {
            distortion: Distortion { k1: 0.01, form: DistortionForm::IdealFromRecorded },
            centre_um: [0.0, 0.0],
            ..SlideScene::default()
        };
        let p = SlideMap::of(&scene).slide_from_image(Point::new(1200.0, 450.0));
        assert!((p.x - 606.0).abs() < 1e-9, "{p:?}");
        // The other form: an ideal 600 px is recorded at 606.
        let scene =
            SlideScene { distortion: Distortion { k1: 0.01, form: DistortionForm::RecordedFromIdeal }, ..scene };
        let p = SlideMap::of(&scene).image_from_slide(Point::new(600.0, 0.0));
        assert!((p.x - 1206.0).abs() < 1e-9, "{p:?}");
    }

    #[test]
    fn tilt_foreshortens_along_its_direction_alone() {
        let scene = SlideScene { tilt_deg: 1.4, rotation_deg: 25.0, tilt_azimuth_deg: 25.0, ..SlideScene::default() };
        let centre = Point::new(scene.centre_um[0], scene.centre_um[1]);
        let [along, across] = SlideMap::of(&scene).local_px_per_um(centre);
        // MEASUREMENT_MODEL: 1 − cos 1.4° is 3e-4.
        assert!((along - 1.4_f64.to_radians().cos()).abs() < 1e-7, "{along}");
        assert!((across - 1.0).abs() < 1e-7, "{across}");
    }

    #[test]
    fn rotation_turns_from_x_toward_y() {
        let scene = SlideScene { rotation_deg: 90.0, centre_um: [0.0, 0.0], ..SlideScene::default() };
        let p = SlideMap::of(&scene).image_from_slide(Point::new(100.0, 0.0));
        assert!((p.x - 600.0).abs() < 1e-9 && (p.y - 550.0).abs() < 1e-9, "{p:?}");
    }
}
