//! Pictures that a reading of a ruled slide must not be fooled by, each with what may honestly be said of it.

mod paint;
mod plain;
mod repeated;
mod ruled;

use rand::RngExt;
use rand_pcg::Pcg64Mcg;

use super::field::log_uniform;
use super::picture::{Coding, Picture};
use super::random::{Stream, generator};
use super::{SceneError, Sensor};

/// What a reading may say.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub enum Expectation {
    /// There is no scale to give.
    Refuse,
    /// Either no scale, or this one, px/µm (within 1 %).
    RefuseOrCorrect(f64),
    /// This scale, px/µm.
    Correct(f64),
}

/// A rendered trap.
#[derive(Clone, Debug, PartialEq)]
pub struct Trap {
    /// Its kind.
    pub kind: TrapKind,
    /// The picture.
    pub picture: Picture,
    /// What may be said.
    pub expectation: Expectation,
    /// The division that the user states, µm.
    pub division_um: f64,
}

/// Kinds of traps.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub enum TrapKind {
    /// Uneven light, perhaps dirt and scratches, no ruling.
    Blank,
    /// Smooth random texture.
    Noise,
    /// Two warped sinusoids, as in loose cloth.
    Fabric,
    /// Plain weave, threads over and under, regular.
    Weave,
    /// Shaft and barbs of a feather.
    Feather,
    /// Lines of print.
    Text,
    /// A printed picture's dots.
    Halftone,
    /// Courses of bricks.
    Brickwork,
    /// Straight interference fringes, sin².
    FringesStraight,
    /// Rings, equally spaced or Fresnel zones.
    FringesCircular,
    /// Two gratings over each other.
    Moire,
    /// Bars as wide as their gaps, over the whole frame; their period is the division.
    Ronchi,
    /// Divisions of 9 µm beside the ruling's 10 µm.
    Vernier,
    /// Divisions of 12.7 µm (1/2000 inch) beside the ruling's 10 µm.
    InchAndMetric,
    /// Two rulings of different division in one picture, apart.
    TwoScales,
    /// Two graduations only.
    TwoGraduations,
    /// Three to six graduations.
    FewGraduations,
    /// Every second graduation is drawn.
    EverySecond,
    /// Only every fifth graduation is drawn.
    EveryFifth,
    /// Only every tenth graduation is drawn.
    EveryTenth,
    /// Blurred so that only the long graduations' ends stand out.
    BlurredToFifth,
    /// Blurred to a band.
    Unresolved,
    /// Fewer than two pixels a division: what shows is an alias.
    Undersampled,
    /// Everything clipped.
    Saturated,
    /// The ground clipped, the lines not.
    Overexposed,
    /// Two exposures of the ruling, shifted along it.
    DoubleExposure,
    /// All graduations of one length: to be read.
    Tierless,
    /// Hairs lying side by side.
    Hair,
    /// A comb of setae.
    Setae,
    /// Bars of random width, as on a parcel.
    Barcode,
    /// Striae of a diatom.
    Diatom,
}

impl TrapKind {
    /// All kinds.
    pub const ALL: [Self; 31] = [
        Self::Blank,
        Self::Noise,
        Self::Fabric,
        Self::Weave,
        Self::Feather,
        Self::Text,
        Self::Halftone,
        Self::Brickwork,
        Self::FringesStraight,
        Self::FringesCircular,
        Self::Moire,
        Self::Ronchi,
        Self::Vernier,
        Self::InchAndMetric,
        Self::TwoScales,
        Self::TwoGraduations,
        Self::FewGraduations,
        Self::EverySecond,
        Self::EveryFifth,
        Self::EveryTenth,
        Self::BlurredToFifth,
        Self::Unresolved,
        Self::Undersampled,
        Self::Saturated,
        Self::Overexposed,
        Self::DoubleExposure,
        Self::Tierless,
        Self::Hair,
        Self::Setae,
        Self::Barcode,
        Self::Diatom,
    ];
}

/// The division stated for every trap, µm.
const DIVISION_UM: f64 = 10.0;

/// Renders the trap of a kind; frame, light, noise, contrast and size by lot.
///
/// # Errors
/// [`SceneError`] when the picture cannot be coded.
pub fn trap(kind: TrapKind, seed: u64) -> Result<Trap, SceneError> {
    let mut rng = generator(seed, Stream::Scene, 100 + kind as u64);
    let made = |picture, expectation| Trap { kind, picture, expectation, division_um: DIVISION_UM };
    if let Some((picture, expectation)) = ruled::trap(kind, seed, &mut rng)? {
        return Ok(made(picture, expectation));
    }
    let (width, height) = [(1200, 900), (1600, 900), (1600, 1200)][rng.random_range(0..3)];
    let canvas = paint::Canvas { width, height };
    let (light, period_px) = match kind {
        TrapKind::Noise | TrapKind::Text | TrapKind::Hair | TrapKind::Setae | TrapKind::Barcode => {
            (plain::light(kind, canvas, seed, &mut rng), None)
        }
        _ => repeated::light(kind, canvas, &mut rng),
    };
    let sensor = sensor_by_lot(&mut rng);
    let channels = sensor.coding.channels();
    let light = light.iter().flat_map(|v| std::iter::repeat_n(*v, channels)).collect();
    let picture = sensor.record(width, light, seed)?;
    let expectation = period_px.map_or(Expectation::Refuse, |p| Expectation::RefuseOrCorrect(p / DIVISION_UM));
    Ok(made(picture, expectation))
}

/// Noise and coding by lot.
fn sensor_by_lot(rng: &mut Pcg64Mcg) -> Sensor {
    Sensor {
        electrons_at_full_scale: Some(log_uniform(rng, 1500.0, 30_000.0)),
        read_noise_electrons: 3.0,
        tone_exponent: 1.0,
        coding: Coding::Rgb8,
        jpeg_quality: rng.random_bool(0.5).then_some(85),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_seed_decides_all() {
        for kind in [TrapKind::Blank, TrapKind::Setae] {
            assert_eq!(trap(kind, 11).unwrap(), trap(kind, 11).unwrap(), "{kind:?}");
            assert_ne!(trap(kind, 11).unwrap().picture, trap(kind, 12).unwrap().picture, "{kind:?}");
        }
    }

    #[test]
    fn every_kind_renders_and_is_clipped_only_where_meant() {
        for kind in TrapKind::ALL {
            let a = trap(kind, 11).unwrap();
            if let Expectation::Correct(scale) | Expectation::RefuseOrCorrect(scale) = a.expectation {
                assert!((0.05..6.0).contains(&scale), "{kind:?}: {scale}");
            }
            let light = a.picture.linear_luminance();
            let clipped = light.iter().filter(|v| **v > 0.999).count() as f64 / light.len() as f64;
            assert_eq!(
                clipped > 0.3,
                matches!(kind, TrapKind::Saturated | TrapKind::Overexposed),
                "{kind:?}: {clipped}"
            );
        }
    }
}
