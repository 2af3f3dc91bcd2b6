//! Other rulings than the plain one: scenes of each kind, drawn by lot.

use rand::RngExt;

use super::field::setup_by_lot;
use super::random::{Stream, generator};
use super::slide::{BurnedIn, Ruling, Side, SlideScene, Tier};

/// Kinds of rulings.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub enum Style {
    /// Lines on both sides of a base line, three lengths.
    BothSides,
    /// All graduations of one length.
    Tierless,
    /// Two rulings crossing at right angles in their middle.
    Crossed,
    /// Lines both ways over a square.
    Grid,
    /// Dots in a square lattice, some missing.
    DotPlate,
    /// Figures at the long graduations.
    Numbered,
    /// 1 mm divisions at low magnification, numbered.
    Millimetre,
    /// 0.5 mm divisions at low magnification, long lines every 2 and 10.
    HalfMillimetre,
    /// Lines on both sides, a caption, a thin line and a grey box burned in, the slide out of focus at one side.
    Captioned,
}

impl Style {
    /// All kinds.
    pub const ALL: [Self; 9] = [
        Self::BothSides,
        Self::Tierless,
        Self::Crossed,
        Self::Grid,
        Self::DotPlate,
        Self::Numbered,
        Self::Millimetre,
        Self::HalfMillimetre,
        Self::Captioned,
    ];
}

/// A scene with the ruling of `style`; light, noise and place by lot, little dirt.
///
/// The division is that of `rulings[0]`: 10 µm, except 1000 and 500 µm for the two coarse ones.
#[must_use]
pub fn style_scene(style: Style, seed: u64) -> SlideScene {
    let mut rng = generator(seed, Stream::Scene, 2 + style as u64);
    let mut scene = setup_by_lot(&mut rng, 0.3);
    scene.seed = seed;
    scene.extra_sigma_um = 0.0;
    scene.dark_field = rng.random_bool(0.3);
    scene.contrast = rng.random_range(0.4..0.9);
    scene.background = rng.random_range(0.45..0.7);
    scene.vignette = rng.random_range(0.0..0.3);
    scene.dirt_specks = rng.random_range(0..20);
    scene.placement(style);
    scene
}

impl SlideScene {
    /// Puts the ruling of a style in the scene, in view.
    fn placement(&mut self, style: Style) {
        let plain = self.rulings[0].clone();
        let frame_um = self.height_px as f64 / self.px_per_um;
        let both = Ruling { side: Side::Both, ..plain.clone() };
        let full = both.span_um();
        match style {
            Style::BothSides => self.rulings = vec![Ruling { base_line: true, ..both }],
            Style::Tierless => {
                let tiers = vec![Tier { every: 1, length_um: 60.0 }];
                self.rulings = vec![Ruling { tiers, ..plain }];
            }
            Style::Crossed => {
                let second = Ruling { origin_um: [full / 2.0, -full / 2.0], across: true, ..both.clone() };
                self.rulings = vec![both, second];
                self.centre_um = [full / 2.0 + 0.1 * frame_um, 0.1 * frame_um];
            }
            Style::Grid => {
                let tiers = vec![Tier { every: 1, length_um: full }];
                let lines = Ruling { tiers, ..both };
                let second = Ruling { origin_um: [full / 2.0, -full / 2.0], across: true, ..lines.clone() };
                self.rulings = vec![lines, second];
                self.centre_um = [full / 2.0, 0.2 * frame_um];
            }
            Style::DotPlate => {
                self.rulings = vec![Ruling { dots_um: Some(4.0), rows: 80, missing_fraction: 0.05, ..plain }];
                self.centre_um = [0.45 * full, 380.0];
            }
            Style::Numbered => {
                self.rulings = vec![Ruling { figures_um: Some(28.0), base_line: true, ..plain }];
            }
            Style::Millimetre | Style::HalfMillimetre => self.coarse(style),
            Style::Captioned => {
                self.rulings = vec![both];
                self.dark_field = false;
                self.defocus_slope = 0.06;
                self.rotation_deg = self.rotation_deg.clamp(-8.0, 8.0);
                let (w, h) = (self.width_px as f64, self.height_px as f64);
                self.burned_in = vec![
                    BurnedIn::Text {
                        text: "SLIDE 3 CAMERA 2 10X".to_owned(),
                        at_px: [0.05 * w, 0.05 * h],
                        height_px: 0.025 * h,
                        level: 0.05,
                    },
                    BurnedIn::Text {
                        text: "89 TICKS 890 UM".to_owned(),
                        at_px: [0.1 * w, 0.82 * h],
                        height_px: 0.025 * h,
                        level: 0.05,
                    },
                    BurnedIn::Box { from_px: [0.55 * w, 0.8 * h], to_px: [0.8 * w, 0.85 * h], level: 0.1 },
                    BurnedIn::Line { from_px: [0.0, 0.52 * h], to_px: [w, 0.47 * h], level: 0.05 },
                ];
            }
        }
    }

    /// A ruler at 0.5x: millimetres or half millimetres.
    fn coarse(&mut self, style: Style) {
        let (division_um, every) = if style == Style::Millimetre { (1000.0, [5, 10]) } else { (500.0, [2, 10]) };
        self.magnification = 0.5;
        self.effective_aperture = 8.0 * 1.5;
        self.px_per_um = 0.5 / 5.0;
        let half = self.px_per_um * division_um / 2.0;
        self.rulings = vec![Ruling {
            division_um,
            divisions: 30,
            line_um: 120.0,
            tiers: vec![
                Tier { every: 1, length_um: 3000.0 },
                Tier { every: every[0], length_um: 4500.0 },
                Tier { every: every[1], length_um: 6000.0 },
            ],
            figures_um: Some(if half > 40.0 { 1500.0 } else { 1200.0 }),
            ..self.rulings[0].clone()
        }];
        let side = if self.rulings[0].side == Side::Below { 1.0 } else { -1.0 };
        self.centre_um = [0.4 * self.rulings[0].span_um(), 3000.0 * side];
    }
}

#[cfg(test)]
mod tests {
    use super::super::slide::render;
    use super::*;

    #[test]
    fn every_style_shows_its_graduations_in_the_picture() {
        for style in Style::ALL {
            let rendered = render(&style_scene(style, 3)).unwrap();
            let truth = &rendered.truth;
            let seen = truth.graduations.iter().filter(|g| g.in_picture).count()
                + truth.dots.iter().filter(|d| d.in_picture).count();
            assert!(seen >= 10, "{style:?}: {seen}");
            let light = rendered.picture.linear_luminance();
            let mean = light.iter().sum::<f32>() / light.len() as f32;
            let deviation = light.iter().map(|v| (v - mean).abs()).fold(0.0, f32::max);
            assert!(deviation > 0.05, "{style:?} shows something");
        }
    }
}
