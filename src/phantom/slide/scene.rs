//! The scene: what lies on the stage and how it is photographed.

use super::super::{SceneError, Sensor, require};
use super::map::Distortion;

/// Lengths of graduations: every `every`-th one is `length_um` long; the largest `every` that divides the index wins.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Tier {
    /// 1 for all graduations, 5, 10 ….
    pub every: u32,
    /// Length of the line, µm.
    pub length_um: f64,
}

/// Where the graduations lie relative to the base of the ruling (slide y = 0, y grows downward before rotation).
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub enum Side {
    /// From the base toward positive y.
    Below,
    /// From the base toward negative y.
    Above,
    /// Half of the length on each side.
    Both,
}

/// One ruling.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct Ruling {
    /// Distance from one graduation to the next, µm.
    pub division_um: f64,
    /// Number of divisions: one less than the graduations.
    pub divisions: u32,
    /// Width of a line, µm.
    pub line_um: f64,
    /// Lengths of the graduations.
    pub tiers: Vec<Tier>,
    /// Which side of the base the lines are on.
    pub side: Side,
    /// A line along the base, of the same width.
    pub base_line: bool,
    /// Slide position of graduation 0 on the base, µm.
    pub origin_um: [f64; 2],
    /// Turned by +90° about its origin: graduations follow each other along slide y.
    pub across: bool,
    /// Only graduations whose index is a multiple of this are drawn.
    pub draw_every: u32,
    /// Share of graduations drawn at 0.15 to 0.45 of the contrast.
    pub faint_fraction: f64,
    /// Share of graduations left out.
    pub missing_fraction: f64,
    /// Standard deviation of each graduation's own placement error, µm.
    pub placement_sd_um: f64,
    /// Figures at the graduations of the longest tier, of this height, µm: the index over `figure_divisor`.
    pub figures_um: Option<f64>,
    /// What a figure counts: 10 writes 1 at the tenth graduation.
    pub figure_divisor: u32,
    /// Dots of this diameter instead of lines, µm: `rows` rows, one division apart, with `divisions` + 1 dots each.
    pub dots_um: Option<f64>,
    /// Rows of a dot plate.
    pub rows: u32,
}

impl Default for Ruling {
    /// 1 mm in 100 divisions, three lengths, lines on one side.
    fn default() -> Self {
        Self {
            division_um: 10.0,
            divisions: 100,
            line_um: 2.0,
            tiers: vec![
                Tier { every: 1, length_um: 50.0 },
                Tier { every: 5, length_um: 75.0 },
                Tier { every: 10, length_um: 100.0 },
            ],
            side: Side::Below,
            base_line: false,
            origin_um: [0.0, 0.0],
            across: false,
            draw_every: 1,
            faint_fraction: 0.0,
            missing_fraction: 0.0,
            placement_sd_um: 0.0,
            figures_um: None,
            figure_divisor: 10,
            dots_um: None,
            rows: 1,
        }
    }
}

/// Something that a program wrote into the picture: as sharp as pixels allow, not on the slide.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub enum BurnedIn {
    /// A caption in capitals.
    Text {
        /// Letters A to Z without Q, figures, `.`, `-`, `/`; others leave a gap.
        text: String,
        /// Upper left corner, px.
        at_px: [f64; 2],
        /// Height of the letters, px.
        height_px: f64,
        /// Linear light.
        level: f64,
    },
    /// A filled box.
    Box {
        /// Upper left corner, px.
        from_px: [f64; 2],
        /// Lower right corner, px.
        to_px: [f64; 2],
        /// Linear light.
        level: f64,
    },
    /// A straight line.
    Line {
        /// One end, px.
        from_px: [f64; 2],
        /// The other end, px.
        to_px: [f64; 2],
        /// Linear light.
        level: f64,
    },
}

impl Ruling {
    /// Length of graduation `index`, µm.
    #[must_use]
    pub fn length_um(&self, index: u32) -> f64 {
        let fitting = self.tiers.iter().filter(|t| index.is_multiple_of(t.every.max(1)));
        fitting.max_by_key(|t| t.every).map_or(0.0, |t| t.length_um)
    }

    /// From where to where across the ruling a line of `length_um` reaches, µm from the base.
    #[must_use]
    pub fn reach_um(&self, length_um: f64) -> (f64, f64) {
        match self.side {
            Side::Below => (0.0, length_um),
            Side::Above => (-length_um, 0.0),
            Side::Both => (-length_um / 2.0, length_um / 2.0),
        }
    }

    /// Length from the first to the last graduation, µm.
    #[must_use]
    pub fn span_um(&self) -> f64 {
        f64::from(self.divisions) * self.division_um
    }

    fn check(&self) -> Result<(), SceneError> {
        require("division_um", self.division_um, self.division_um > 0.0, "above 0")?;
        require("line_um", self.line_um, self.line_um > 0.0, "above 0")?;
        let n = f64::from(self.divisions);
        require("divisions", n, self.divisions <= 20_000, "at most 20000")?;
        require("draw_every", f64::from(self.draw_every), self.draw_every > 0, "at least 1")?;
        for (field, share) in [("faint_fraction", self.faint_fraction), ("missing_fraction", self.missing_fraction)] {
            require(field, share, (0.0..=1.0).contains(&share), "between 0 and 1")?;
        }
        require("placement_sd_um", self.placement_sd_um, self.placement_sd_um >= 0.0, "0 or more")?;
        for tier in &self.tiers {
            require("length_um", tier.length_um, tier.length_um >= 0.0, "0 or more")?;
        }
        require("rows", f64::from(self.rows), self.rows <= 5_000, "at most 5000")?;
        if let Some(d) = self.dots_um {
            require("dots_um", d, d > 0.0, "above 0")?;
        }
        if let Some(h) = self.figures_um {
            require("figures_um", h, h > 0.0, "above 0")?;
            require("figure_divisor", f64::from(self.figure_divisor), self.figure_divisor > 0, "at least 1")?;
        }
        require("origin_um", self.origin_um[0] + self.origin_um[1], true, "finite")
    }
}

/// A photograph of a ruled slide.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct SlideScene {
    /// Columns of the picture.
    pub width_px: usize,
    /// Rows of the picture.
    pub height_px: usize,
    /// Scale at the picture's centre in the plane square to the optical axis: what the setup is to be given.
    /// Along a tilted slide the picture is foreshortened against it.
    pub px_per_um: f64,
    /// Scale down the columns over scale along the rows; 1 for square pixels.
    pub pixel_aspect: f64,
    /// What is ruled on the slide.
    pub rulings: Vec<Ruling>,
    /// Direction in which the graduations follow each other, from the picture's x toward its y axis, degrees.
    pub rotation_deg: f64,
    /// Slide position imaged at the picture's centre, µm.
    pub centre_um: [f64; 2],
    /// Radial distortion.
    pub distortion: Distortion,
    /// Tilt of the slide against the plane square to the axis, degrees.
    pub tilt_deg: f64,
    /// Direction in the picture in which the slide recedes from the lens, from x toward y, degrees.
    pub tilt_azimuth_deg: f64,
    /// Distance from the slide to the entrance pupil, µm; `f64::MAX` or so for telecentric.
    pub pupil_distance_um: f64,
    /// Magnification on the sensor.
    pub magnification: f64,
    /// Effective aperture (f-number at this magnification).
    pub effective_aperture: f64,
    /// Wavelengths, µm: one, or three for red, green, blue.
    pub wavelengths_um: Vec<f64>,
    /// Further Gaussian blur (one standard deviation), µm on the object.
    pub extra_sigma_um: f64,
    /// Distance of the slide's centre from focus, µm; the slide's tilt adds its own.
    pub defocus_um: f64,
    /// Further defocus growing along the picture's x axis, µm a µm.
    pub defocus_slope: f64,
    /// Bright lines on dark ground.
    pub dark_field: bool,
    /// Light taken away by a line (bright field) or added (dark field), as a share of `background`.
    pub contrast: f64,
    /// Linear light of the empty bright field, full scale 1.
    pub background: f64,
    /// In dark field, light of the empty ground as a share of `background`.
    pub dark_floor: f64,
    /// Loss of light in the picture's corners (grows with the square of the distance from the centre).
    pub vignette: f64,
    /// Relative change of light over the picture's width along `gradient_direction_deg`.
    pub gradient: f64,
    /// Direction of the gradient, degrees from x toward y.
    pub gradient_direction_deg: f64,
    /// Number of specks of dirt, sharp and blurred.
    pub dirt_specks: u32,
    /// Number of scratches right through the picture.
    pub scratches: u32,
    /// Captions and the like.
    pub burned_in: Vec<BurnedIn>,
    /// Noise and coding.
    pub sensor: Sensor,
    /// Seed of everything drawn by lot.
    pub seed: u64,
}

impl Default for SlideScene {
    /// A clean 1 mm ruling at 4x, f/20 effective, bright field.
    fn default() -> Self {
        Self {
            width_px: 1200,
            height_px: 900,
            px_per_um: 1.0,
            pixel_aspect: 1.0,
            rulings: vec![Ruling::default()],
            rotation_deg: 0.0,
            centre_um: [500.0, 30.0],
            distortion: Distortion::default(),
            tilt_deg: 0.0,
            tilt_azimuth_deg: 0.0,
            pupil_distance_um: 60_000.0,
            magnification: 4.0,
            effective_aperture: 20.0,
            wavelengths_um: vec![0.61, 0.54, 0.46],
            extra_sigma_um: 0.0,
            defocus_um: 0.0,
            defocus_slope: 0.0,
            dark_field: false,
            contrast: 0.6,
            background: 0.6,
            dark_floor: 0.05,
            vignette: 0.0,
            gradient: 0.0,
            gradient_direction_deg: 0.0,
            dirt_specks: 0,
            scratches: 0,
            burned_in: Vec::new(),
            sensor: Sensor::default(),
            seed: 1,
        }
    }
}

impl SlideScene {
    /// Distance between samples of the tables, µm on the object: a small share of a pixel.
    pub(crate) fn pixel_um(&self) -> f64 {
        1.0 / self.px_per_um
    }

    /// Numerical aperture on the object.
    #[must_use]
    pub fn numerical_aperture(&self) -> f64 {
        self.magnification / (2.0 * self.effective_aperture)
    }

    /// # Errors
    /// [`SceneError::Field`] for the first field that the renderer cannot draw.
    pub fn check(&self) -> Result<(), SceneError> {
        let pixels = self.width_px as f64 * self.height_px as f64;
        require("width_px × height_px", pixels, (1.0..=4e8).contains(&pixels), "between 1 and 4e8")?;
        for (field, value) in [
            ("px_per_um", self.px_per_um),
            ("pixel_aspect", self.pixel_aspect),
            ("pupil_distance_um", self.pupil_distance_um),
            ("magnification", self.magnification),
            ("effective_aperture", self.effective_aperture),
            ("background", self.background),
        ] {
            require(field, value, value > 0.0, "above 0")?;
        }
        let n = self.wavelengths_um.len();
        require("number of wavelengths_um", n as f64, n == 1 || n == 3, "1 or 3")?;
        for w in &self.wavelengths_um {
            require("wavelengths_um", *w, (0.2..=2.0).contains(w), "between 0.2 and 2")?;
        }
        require("extra_sigma_um", self.extra_sigma_um, self.extra_sigma_um >= 0.0, "0 or more")?;
        require("tilt_deg", self.tilt_deg, self.tilt_deg.abs() <= 45.0, "within 45 either way")?;
        let k1 = self.distortion.k1;
        require("k1", k1, k1.abs() <= 0.15, "within 0.15 either way, else the map folds")?;
        require("contrast", self.contrast, (0.0..=1.0).contains(&self.contrast), "between 0 and 1")?;
        for (field, value) in [
            ("rotation_deg", self.rotation_deg),
            ("centre_um", self.centre_um[0] + self.centre_um[1]),
            ("tilt_azimuth_deg", self.tilt_azimuth_deg),
            ("defocus_um", self.defocus_um),
            ("defocus_slope", self.defocus_slope),
            ("dark_floor", self.dark_floor),
            ("vignette", self.vignette),
            ("gradient", self.gradient),
            ("gradient_direction_deg", self.gradient_direction_deg),
        ] {
            require(field, value, true, "finite")?;
        }
        self.rulings.iter().try_for_each(Ruling::check)?;
        self.sensor.check()
    }
}
