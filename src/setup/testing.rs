//! Setups for tests.

use super::model::{Assumed, Coherence, OpticsNotes, ReadingRecord, SCHEMA, Setup, SlideNotes, ToneCurve};
use crate::slide::ScaleMap;
use crate::units::{Angle, PxPerUm, Um};

/// A setup of 1200 x 900 px with one reading a scale, the ruling at 20°, each fit known to 1e-4.
pub(crate) fn setup_of(scales_px_per_um: &[f64]) -> Setup {
    Setup {
        schema: SCHEMA,
        name: "fernery 4x".into(),
        camera: None,
        lens: None,
        mode: None,
        exif_camera: None,
        exif_lens: None,
        picture_width_px: 1200,
        picture_height_px: 900,
        coherence: Coherence::Unknown,
        tone_curve: ToneCurve::Unknown,
        optics: OpticsNotes::default(),
        slide: SlideNotes::of_division(Um::new(10.0)),
        assumed: Assumed::default(),
        pooled: None,
        readings: scales_px_per_um.iter().map(|&s| reading(s)).collect(),
        other: toml::Table::new(),
    }
}

fn reading(scale_px_per_um: f64) -> ReadingRecord {
    ReadingRecord {
        date: "2024-05-01T10:00:00Z".into(),
        picture: "slide.png".into(),
        picture_sha256: "00".repeat(32),
        scale_px_per_um,
        u_rel_fit: 1e-4,
        dof_fit: 94.0,
        u_rel: 3.4e-3,
        rotation_deg: 20.0,
        model: "similarity".into(),
        graduations_used: 97,
        graduations_rejected: 3,
        residual_rms_px: 0.03,
        blur_spot_um: Some(4.0),
        u_blur_spot_um: Some(0.1),
        u_rel_by_source: toml::Table::new(),
        warnings: vec![],
        crossways: None,
        by_hand: false,
        map: ScaleMap::similarity(1200, 900, PxPerUm::new(scale_px_per_um), Angle::from_degrees(20.0), 1e-4),
    }
}
