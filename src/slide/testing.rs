//! Readings for tests.

use super::reading::{LongGraduations, Reading, Ruler};
use super::scale_map::ScaleMap;
use crate::units::{Px, Um};

/// A reading of a plain ruling with this map.
pub(crate) fn reading_of(map: ScaleMap) -> Reading {
    Reading {
        scale: map.centre_scale(),
        rotation: map.direction(),
        u_rel_fit: map.u_rel_fit_at(map.centre()),
        map,
        ruler: Ruler::Lines,
        isotropy: None,
        graduations: vec![],
        residual_rms: Px::new(0.03),
        dof: 90.0,
        ruling_sd: Um::new(0.0),
        bright_lines: false,
        long_graduations: LongGraduations::FifthsAndTenths,
        evidence_radial: 0.1,
        evidence_perspective: 0.1,
        line_width: Px::new(4.0),
        line_shape: vec![],
        blur: None,
        signal_to_noise: Some(50.0),
        warnings: vec![],
    }
}
