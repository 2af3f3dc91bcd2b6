//! The scene: which animals, how they lie, how they are photographed.

use super::super::slide::Distortion;
use super::super::{SceneError, Sensor, require};
use super::body::Animal;

/// An animal put in the picture.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Placed {
    /// The animal.
    pub animal: Animal,
    /// Where the middle of its axis lies, µm from the picture's centre, image directions, before the tilt.
    pub position_um: [f64; 2],
    /// Direction from head to tail in the middle of the axis, degrees from the picture's x toward its y axis.
    pub heading_deg: f64,
}

/// A photograph of animals.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct AnimalScene {
    /// Columns of the picture.
    pub width_px: usize,
    /// Rows of the picture.
    pub height_px: usize,
    /// Scale at the picture's centre in the plane square to the axis.
    pub px_per_um: f64,
    /// Radial distortion, as in slide scenes.
    pub distortion: Distortion,
    /// Magnification on the sensor.
    pub magnification: f64,
    /// Effective aperture (f-number at this magnification).
    pub effective_aperture: f64,
    /// Wavelengths, µm: one, or three for red, green, blue.
    pub wavelengths_um: Vec<f64>,
    /// Further Gaussian blur (one standard deviation), µm on the object.
    pub extra_sigma_um: f64,
    /// Distance of the animals from focus, µm; the tilt's own depth does not change the blur.
    pub defocus_um: f64,
    /// The measured animal first, then others.
    pub animals: Vec<Placed>,
    /// Tilt of the animals' plane against the plane square to the axis, degrees.
    pub tilt_deg: f64,
    /// Direction in the picture along which the tilt foreshortens, degrees from x toward y.
    pub tilt_azimuth_deg: f64,
    /// Bright animals on dark ground.
    pub bright_on_dark: bool,
    /// How far the half-way crossing lies outside of a dark animal's true edge, or inside of a bright one's, µm.
    pub threshold_um: f64,
    /// Linear light of the empty bright ground (of full tone on dark ground), full scale 1.
    pub background: f64,
    /// On dark ground, light of the empty ground as a share of `background`.
    pub dark_floor: f64,
    /// Relative standard deviation of the bodies' tone.
    pub texture: f64,
    /// Grain of the texture, µm.
    pub texture_grain_um: f64,
    /// Specular highlights on the measured body.
    pub highlights: u32,
    /// Specks of debris, away from the measured animal.
    pub debris: u32,
    /// Loss of light in the picture's corners.
    pub vignette: f64,
    /// Relative change of light over the picture's width along `gradient_direction_deg`.
    pub gradient: f64,
    /// Direction of the gradient, degrees from x toward y.
    pub gradient_direction_deg: f64,
    /// Noise, residual tone curve and coding.
    pub sensor: Sensor,
    /// Seed of everything drawn by lot.
    pub seed: u64,
}

impl Default for AnimalScene {
    /// One plain body at 4x, f/20 effective, dark on bright.
    fn default() -> Self {
        Self {
            width_px: 900,
            height_px: 700,
            px_per_um: 1.2,
            distortion: Distortion::default(),
            magnification: 4.0,
            effective_aperture: 20.0,
            wavelengths_um: vec![0.61, 0.54, 0.46],
            extra_sigma_um: 0.0,
            defocus_um: 0.0,
            animals: vec![Placed { animal: Animal::default(), position_um: [0.0, 0.0], heading_deg: 0.0 }],
            tilt_deg: 0.0,
            tilt_azimuth_deg: 0.0,
            bright_on_dark: false,
            threshold_um: 0.0,
            background: 0.6,
            dark_floor: 0.08,
            texture: 0.0,
            texture_grain_um: 8.0,
            highlights: 0,
            debris: 0,
            vignette: 0.0,
            gradient: 0.0,
            gradient_direction_deg: 0.0,
            sensor: Sensor::default(),
            seed: 1,
        }
    }
}

impl AnimalScene {
    /// Numerical aperture on the object.
    #[must_use]
    pub fn numerical_aperture(&self) -> f64 {
        self.magnification / (2.0 * self.effective_aperture)
    }

    /// # Errors
    /// [`SceneError::Field`] for the first field that the renderer cannot draw.
    pub fn check(&self) -> Result<(), SceneError> {
        let pixels = self.width_px as f64 * self.height_px as f64;
        require("width_px × height_px", pixels, (1.0..=1e8).contains(&pixels), "between 1 and 1e8")?;
        for (field, value) in [
            ("px_per_um", self.px_per_um),
            ("magnification", self.magnification),
            ("effective_aperture", self.effective_aperture),
            ("background", self.background),
            ("texture_grain_um", self.texture_grain_um),
        ] {
            require(field, value, value > 0.0, "above 0")?;
        }
        let n = self.wavelengths_um.len();
        require("number of wavelengths_um", n as f64, n == 1 || n == 3, "1 or 3")?;
        for w in &self.wavelengths_um {
            require("wavelengths_um", *w, (0.2..=2.0).contains(w), "between 0.2 and 2")?;
        }
        require("extra_sigma_um", self.extra_sigma_um, self.extra_sigma_um >= 0.0, "0 or more")?;
        require("tilt_deg", self.tilt_deg, self.tilt_deg.abs() <= 80.0, "within 80 either way")?;
        require("k1", self.distortion.k1, self.distortion.k1.abs() <= 0.15, "within 0.15 either way")?;
        let t = self.threshold_um;
        require("threshold_um", t, t.abs() <= 20.0, "within 20 either way")?;
        for (field, value) in [
            ("defocus_um", self.defocus_um),
            ("tilt_azimuth_deg", self.tilt_azimuth_deg),
            ("dark_floor", self.dark_floor),
            ("texture", self.texture),
            ("vignette", self.vignette),
            ("gradient", self.gradient),
            ("gradient_direction_deg", self.gradient_direction_deg),
        ] {
            require(field, value, true, "finite")?;
        }
        for placed in &self.animals {
            let animal = &placed.animal;
            require("length_um", animal.length_um, animal.length_um > 0.0, "above 0")?;
            require("breadth_um", animal.breadth_um, animal.breadth_um > 0.0, "above 0")?;
            let place = placed.position_um[0] + placed.position_um[1] + placed.heading_deg;
            require("position_um and heading_deg", place, true, "finite")?;
        }
        self.sensor.check()
    }
}
