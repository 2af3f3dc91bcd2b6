//! The second picture, with the slide turned by about 90°.

use std::path::Path;

use super::calibrate::Args;
use super::calibrate_batch::{Trouble, read_light};
use super::opened::{self, Opened, file_name};
use crate::setup::Crossways;
use crate::slide::{MapModel, Reading, Request};
use crate::units::Angle;

/// Adds the other direction from a second picture to a reading.
pub(super) fn turn(
    reading: &mut Reading,
    path: &Path,
    args: &Args,
    request: &Request,
    first: &Opened,
) -> Result<Crossways, Trouble> {
    let opened = opened::open(path, args.mode.as_deref())?;
    if (opened.facts.width_px, opened.facts.height_px) != (first.facts.width_px, first.facts.height_px) {
        return Err(Trouble::NotCrossways(format!(
            "the turned slide's picture has {} x {} px, the first {} x {} px; both must come from the same setup",
            opened.facts.width_px, opened.facts.height_px, first.facts.width_px, first.facts.height_px
        )));
    }
    let second = read_light(&opened, request)?;
    let between = (second.rotation.degrees() - reading.rotation.degrees()).rem_euclid(180.0);
    if !(60.0..=120.0).contains(&between) {
        return Err(Trouble::NotCrossways(format!(
            "the second picture's ruling is turned by {between:.0}° against the first, must be 60 to 120°; turn the slide by about 90°"
        )));
    }
    // 1/s² along a direction is cos²/s² along plus sin²/s² across: solved for across.
    let (cos, sin) = (between.to_radians().cos(), between.to_radians().sin());
    let along = reading.scale.get();
    let inverse2 = (second.scale.get().powi(-2) - (cos / along).powi(2)) / (sin * sin);
    let across = inverse2.powf(-0.5);
    let map = &mut reading.map;
    let now = map.scale_at(map.centre(), map.direction() + Angle::from_degrees(90.0)).get();
    let stretch = now / across;
    if !(stretch.is_finite() && (stretch - 1.0).abs() < 0.1) {
        return Err(Trouble::NotCrossways(format!(
            "the scales of the two directions differ by {:.0} % ({along:.4} and {:.4} px/µm); pixels are not that far from square, so one picture was taken otherwise",
            100.0 * (stretch - 1.0).abs(),
            second.scale.get()
        )));
    }
    map.across_um = map.across_um.map(|c| c * stretch);
    map.u_rel_across = Some(reading.u_rel_fit.hypot(second.u_rel_fit) / (sin * sin));
    if map.model == MapModel::Similarity {
        map.model = MapModel::Affine;
    }
    Ok(Crossways {
        picture: file_name(path),
        picture_sha256: opened.photo.sha256().to_owned(),
        scale_px_per_um: second.scale.get(),
        u_rel_fit: second.u_rel_fit,
        rotation_deg: second.rotation.degrees(),
    })
}
