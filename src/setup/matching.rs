//! Does a picture belong to a setup?

use super::Setup;
use crate::slide::ScaleMap;

/// What is known of a picture when it is held against a setup.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct PictureFacts {
    /// Columns, after orientation.
    pub width_px: u32,
    /// Rows, after orientation.
    pub height_px: u32,
    /// Camera by EXIF.
    pub exif_camera: Option<String>,
    /// Lens by EXIF.
    pub exif_lens: Option<String>,
    /// Recording mode as stated by a person.
    pub mode: Option<String>,
}

/// One way in which a picture differs from its setup.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Difference {
    /// What differs.
    pub what: &'static str,
    /// In the setup.
    pub setup: String,
    /// In the picture.
    pub picture: String,
    /// What may be behind it, perhaps empty.
    pub hint: &'static str,
}

impl std::fmt::Display for Difference {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}: setup {}, picture {}", self.what, self.setup, self.picture)?;
        if self.hint.is_empty() { Ok(()) } else { write!(f, " ({})", self.hint) }
    }
}

/// How the picture's pixels relate to those of the setup.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum PixelSize {
    /// The same.
    Same,
    /// The whole frame made smaller, by this factor below 1.
    WholeFrameResized(f64),
    /// Something else.
    Different,
}

/// Two sides agree in aspect when rounding each to whole pixels explains the difference.
const ROUNDING_PX: f64 = 1.0;

impl Setup {
    /// How the picture's pixels relate to those of the setup.
    #[must_use]
    pub fn pixel_size_of(&self, facts: &PictureFacts) -> PixelSize {
        let (w0, h0) = (f64::from(self.picture_width_px), f64::from(self.picture_height_px));
        let (w, h) = (f64::from(facts.width_px), f64::from(facts.height_px));
        if (facts.width_px, facts.height_px) == (self.picture_width_px, self.picture_height_px) {
            return PixelSize::Same;
        }
        // Height expected from the width and the reverse, each within the rounding of a pixel.
        let fits = (h - w * h0 / w0).abs() <= ROUNDING_PX && (w - h * w0 / h0).abs() <= ROUNDING_PX * w0 / h0.min(w0);
        if fits && w < w0 && h < h0 {
            PixelSize::WholeFrameResized((w / w0).midpoint(h / h0))
        } else {
            PixelSize::Different
        }
    }

    /// In what a picture differs from the setup; empty where it belongs to it. A whole frame made smaller is no difference.
    #[must_use]
    pub fn differences(&self, facts: &PictureFacts) -> Vec<Difference> {
        let mut out = Vec::new();
        if self.pixel_size_of(facts) == PixelSize::Different {
            let turned = (facts.height_px, facts.width_px) == (self.picture_width_px, self.picture_height_px);
            let hint = if turned {
                "the camera was turned by 90°"
            } else if facts.width_px < self.picture_width_px || facts.height_px < self.picture_height_px {
                "a crop or another recording mode; a crop that keeps its pixels keeps its scale"
            } else {
                "another recording mode, or enlarged"
            };
            out.push(Difference {
                what: "pixel size",
                setup: format!("{} x {} px", self.picture_width_px, self.picture_height_px),
                picture: format!("{} x {} px", facts.width_px, facts.height_px),
                hint,
            });
        }
        let texts = [
            ("camera", &self.exif_camera, &facts.exif_camera),
            ("lens", &self.exif_lens, &facts.exif_lens),
            ("mode", &self.mode, &facts.mode),
        ];
        for (what, setup, picture) in texts {
            if let (Some(a), Some(b)) = (setup, picture)
                && !same_text(a, b)
            {
                out.push(Difference { what, setup: format!("\"{a}\""), picture: format!("\"{b}\""), hint: "" });
            }
        }
        out
    }

    /// The scale map for a picture of the given size, through the pooled scale of all readings.
    ///
    /// The last reading's map gives its form. A picture of another size, accepted all the same, is taken as a crop about an unknown
    /// centre: it gets the plain scale without tilt and distortion.
    #[must_use]
    pub fn map_for(&self, facts: &PictureFacts) -> Option<ScaleMap> {
        let last = self.last_counted()?;
        let map = match self.pixel_size_of(facts) {
            PixelSize::Same => last.map.clone(),
            PixelSize::WholeFrameResized(_) => last.map.resized(facts.width_px as usize, facts.height_px as usize),
            PixelSize::Different => {
                let turned = (facts.height_px, facts.width_px) == (self.picture_width_px, self.picture_height_px);
                let direction = last.map.direction();
                let quarter = crate::units::Angle::from_degrees(90.0);
                ScaleMap::similarity(
                    facts.width_px as usize,
                    facts.height_px as usize,
                    last.map.centre_scale(),
                    if turned { direction + quarter } else { direction },
                    last.u_rel_fit,
                )
            }
        };
        Some(map)
    }

    /// What lengths through [`Setup::map_for`] must be multiplied by so that they rest on the mean of all readings and not on
    /// the last alone.
    #[must_use]
    pub fn pooling_factor(&self) -> f64 {
        let pooled = self.pooled_readings();
        self.last_counted().map_or(1.0, |r| r.map.centre_scale() / pooled.scale)
    }
}

/// The same text apart from case and spacing.
fn same_text(a: &str, b: &str) -> bool {
    let plain = |s: &str| s.split_whitespace().collect::<Vec<_>>().join(" ").to_lowercase();
    plain(a) == plain(b)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::setup::testing::setup_of;

    fn facts(width_px: u32, height_px: u32) -> PictureFacts {
        PictureFacts { width_px, height_px, ..PictureFacts::default() }
    }

    #[test]
    fn pixel_sizes_are_told_apart() {
        let mut setup = setup_of(&[1.0]);
        (setup.picture_width_px, setup.picture_height_px) = (6000, 4000);
        assert_eq!(setup.pixel_size_of(&facts(6000, 4000)), PixelSize::Same);
        assert_eq!(setup.pixel_size_of(&facts(3000, 2000)), PixelSize::WholeFrameResized(0.5));
        for whole in [(1999, 1333), (1024, 683), (2048, 1365), (600, 400)] {
            assert!(
                matches!(setup.pixel_size_of(&facts(whole.0, whole.1)), PixelSize::WholeFrameResized(_)),
                "{whole:?}"
            );
        }
        for other in [(4000, 6000), (6000, 3999), (1920, 1080), (12_000, 8000), (3000, 2005), (5999, 4000)] {
            assert_eq!(setup.pixel_size_of(&facts(other.0, other.1)), PixelSize::Different, "{other:?}");
        }
    }

    #[test]
    fn differences_are_named() {
        let mut setup = setup_of(&[1.0]);
        setup.exif_camera = Some("Lumen K1".into());
        setup.mode = Some("still".into());
        let mut f = facts(setup.picture_width_px, setup.picture_height_px);
        assert!(setup.differences(&f).is_empty());
        f.exif_camera = Some("lumen  k1".into());
        f.exif_lens = Some("some lens".into());
        assert!(setup.differences(&f).is_empty(), "what only one side knows is no difference");
        f.exif_camera = Some("Lumen K2".into());
        f.mode = Some("footage 1920x1080".into());
        f.width_px -= 10;
        let d: Vec<_> = setup.differences(&f).iter().map(ToString::to_string).collect();
        assert_eq!(d.len(), 3, "{d:?}");
        assert!(d[0].starts_with("pixel size: setup 1200 x 900 px, picture 1190 x 900 px (a crop"), "{}", d[0]);
        assert_eq!(d[1], "camera: setup \"Lumen K1\", picture \"Lumen K2\"");
    }

    #[test]
    fn resized_pictures_keep_micrometres() {
        let setup = setup_of(&[1.0]);
        let half = setup.map_for(&facts(600, 450)).unwrap();
        assert!((half.centre_scale().get() - 0.5).abs() < 1e-9);
        let turned = setup.map_for(&facts(900, 1200)).unwrap();
        assert!((turned.centre_scale().get() - 1.0).abs() < 1e-9);
        let by = (turned.direction().degrees() - setup.readings[0].map.direction().degrees()).abs();
        assert!((by - 90.0).abs() < 1e-6, "{by}");
    }

    #[test]
    fn lengths_rest_on_the_mean_of_the_readings() {
        let setup = setup_of(&[1.00, 1.02]);
        // The last map says 1.02 px/µm, the mean is 1.01: lengths by the map are too short.
        assert!((setup.pooling_factor() - 1.02 / 1.01).abs() < 1e-9);
    }
}
