//! Rulings and sensor formats that come with the program, from `calibration/`.

use std::sync::LazyLock;

use serde::Deserialize;

use super::SetupError;
use crate::units::Um;

/// A ruled slide as its maker describes it: nominal values, no certificate.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[non_exhaustive]
pub struct Ruling {
    /// Version of the file's form.
    pub schema: u32,
    /// Short name by which commands call it.
    pub name: String,
    /// Name for people.
    pub title: String,
    /// Distance between neighbouring graduations, µm.
    pub division_um: f64,
    /// Number of divisions; there is one graduation more.
    pub divisions: u32,
    /// Whole ruled length, µm.
    pub length_um: f64,
    /// After how many divisions graduations are drawn longer.
    pub longer_every: Vec<u32>,
    /// 1, or 2 where two rulings cross at right angles.
    pub directions: u32,
    /// Linear expansion of the substrate, 1/K.
    pub expansion_per_k: f64,
    /// Half-width of the expansion's rectangular distribution, relative.
    pub expansion_half_width_rel: f64,
    /// Half-width of the rectangular distribution of the ruled length without a certificate, relative.
    pub uncertified_half_width_rel: f64,
}

impl Ruling {
    /// Distance between neighbouring graduations.
    #[must_use]
    pub const fn division(&self) -> Um {
        Um::new(self.division_um)
    }
}

/// A sensor format by its usual dimensions.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[non_exhaustive]
pub struct SensorFormat {
    /// Short name by which commands call it: rounded millimetres.
    pub name: String,
    /// Name for people.
    pub title: String,
    /// Longer side, mm.
    pub width_mm: f64,
    /// Shorter side, mm.
    pub height_mm: f64,
}

impl SensorFormat {
    /// Pixel pitch of a picture that records the whole longer side in `longer_side_px` pixels.
    ///
    /// Good to the 2 % by which sensors of one nominal format differ: enough for optics, not for a scale.
    #[must_use]
    pub fn pixel_pitch(&self, longer_side_px: u32) -> Um {
        Um::from_mm(self.width_mm / f64::from(longer_side_px.max(1)))
    }
}

#[derive(Deserialize)]
struct Formats {
    format: Vec<SensorFormat>,
}

const RULING_FILES: [&str; 5] = [
    include_str!("../../calibration/rulings/1mm-100.toml"),
    include_str!("../../calibration/rulings/2mm-200.toml"),
    include_str!("../../calibration/rulings/10mm-100.toml"),
    include_str!("../../calibration/rulings/5mm-50.toml"),
    include_str!("../../calibration/rulings/1mm-100-crossed.toml"),
];

// The files are part of the program: a test parses each, so that none is silently left out here.
static RULINGS: LazyLock<Vec<Ruling>> =
    LazyLock::new(|| RULING_FILES.iter().filter_map(|text| toml::from_str(text).ok()).collect());

static FORMATS: LazyLock<Vec<SensorFormat>> = LazyLock::new(|| {
    toml::from_str::<Formats>(include_str!("../../calibration/sensor_formats.toml"))
        .map_or_else(|_| vec![], |f| f.format)
});

/// All rulings that come with the program.
#[must_use]
pub fn rulings() -> &'static [Ruling] {
    &RULINGS
}

/// All sensor formats that come with the program.
#[must_use]
pub fn sensor_formats() -> &'static [SensorFormat] {
    &FORMATS
}

/// The ruling called `name`.
///
/// # Errors
/// [`SetupError::NoSuchName`] listing the names there are.
pub fn ruling(name: &str) -> Result<&'static Ruling, SetupError> {
    rulings().iter().find(|r| r.name == name).ok_or_else(|| SetupError::NoSuchName {
        what: "ruling",
        name: name.to_owned(),
        known: rulings().iter().map(|r| r.name.as_str()).collect::<Vec<_>>().join(", "),
    })
}

/// The sensor format called `name`.
///
/// # Errors
/// [`SetupError::NoSuchName`] listing the names there are.
pub fn sensor_format(name: &str) -> Result<&'static SensorFormat, SetupError> {
    sensor_formats().iter().find(|f| f.name == name).ok_or_else(|| SetupError::NoSuchName {
        what: "sensor format",
        name: name.to_owned(),
        known: sensor_formats().iter().map(|f| f.name.as_str()).collect::<Vec<_>>().join(", "),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_ruling_file_is_read_and_consistent() {
        for text in RULING_FILES {
            let r: Ruling = toml::from_str(text).unwrap();
            assert_eq!(r.schema, 1, "{}", r.name);
            assert!((r.division_um * f64::from(r.divisions) - r.length_um).abs() < 1e-9, "{}", r.name);
            assert!(r.directions == 1 || r.directions == 2, "{}", r.name);
            // Window and soda-lime glass 8.3 to 9.1e-6 /K, borosilicate 3.3e-6 /K (makers' data sheets).
            assert!((3e-6..1e-5).contains(&r.expansion_per_k), "{}", r.name);
            assert!(r.longer_every.iter().all(|n| r.divisions.is_multiple_of(*n)), "{}", r.name);
        }
        let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/calibration/rulings");
        assert_eq!(std::fs::read_dir(folder).unwrap().count(), RULING_FILES.len(), "a ruling is not compiled in");
        assert_eq!(rulings().len(), RULING_FILES.len());
        let mut names: Vec<_> = rulings().iter().map(|r| &r.name).collect();
        names.sort();
        names.dedup();
        assert_eq!(names.len(), RULING_FILES.len(), "two rulings share a name");
    }

    #[test]
    fn the_common_rulings_are_there() {
        for (name, division, length) in [
            ("1mm-100", 10.0, 1000.0),
            ("2mm-200", 10.0, 2000.0),
            ("10mm-100", 100.0, 10_000.0),
            ("5mm-50", 100.0, 5000.0),
            ("1mm-100-crossed", 10.0, 1000.0),
        ] {
            let r = ruling(name).unwrap();
            assert_eq!((r.division_um, r.length_um), (division, length), "{name}");
        }
        assert_eq!(ruling("1mm-100-crossed").unwrap().directions, 2);
        let e = ruling("yard").unwrap_err().to_string();
        assert!(e.starts_with("there is no ruling \"yard\"; known are 1mm-100, 2mm-200"), "{e}");
    }

    #[test]
    fn sensor_formats_have_the_usual_crop_factors() {
        // Crop factor: ratio of the diagonals to that of 36 mm x 24 mm, as stated for these formats everywhere in the trade.
        for (name, crop) in [("36x24", 1.0), ("24x16", 1.5), ("22x15", 1.6), ("17x13", 2.0), ("13x9", 2.7)] {
            let f = sensor_format(name).unwrap();
            let got = 36f64.hypot(24.0) / f.width_mm.hypot(f.height_mm);
            assert!((got / crop - 1.0).abs() < 0.03, "{name}: crop factor {got}");
        }
        assert!(sensor_formats().iter().all(|f| f.width_mm > f.height_mm));
        // 36 mm over 6000 pixels are 6 µm.
        assert!((sensor_format("36x24").unwrap().pixel_pitch(6000).get() - 6.0).abs() < 1e-12);
    }
}
