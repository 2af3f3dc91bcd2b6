//! The second picture, with the slide turned by about 90°.

use std::path::Path;

use super::calibrate::Args;
use super::calibrate_batch::{Trouble, read_light};
use super::opened::{self, file_name};
use crate::setup::{Crossways, Setup, source};
use crate::slide::{Reading, Request, combine_crossways};

/// Adds the other direction from a second picture to a reading; `setup` holds the first alone. What is to be said goes to `warnings`.
pub(super) fn turn(
    reading: &mut Reading,
    path: &Path,
    args: &Args,
    request: &Request,
    setup: &Setup,
    warnings: &mut Vec<String>,
) -> Result<Crossways, Trouble> {
    let opened = opened::open(path, args.mode.as_deref())?;
    let second = read_light(&opened, request, &[])?;
    // Tilt and focus of the slide are anew in each picture.
    let parts = setup.scale_uncertainty(reading.map.centre())?.parts;
    let anew = |id: &str| id == source::TILT || id == source::FOCUS;
    let one: f64 = parts.iter().filter(|p| anew(&p.0)).map(|p| p.1 * p.1).sum();
    let both = combine_crossways(reading, &second, (2.0 * one).sqrt())?;
    if both.diagonal {
        warnings.push(
            "both rulings stand near the picture's diagonals, where oblong pixels do not show; let them follow the picture's sides"
                .to_owned(),
        );
    }
    let (seen, taken, u) = (both.seen_ratio, both.isotropy.ratio, both.isotropy.u_ratio);
    if (seen - taken).abs() > u {
        warnings.push(format!(
            "the turned picture shows a scale {seen:.5} times that along; tilt and focus between the two pictures explain part of it, so that {taken:.5} ± {u:.5} is taken; repeat both pictures with the slide level, or state the optics, to tell it better"
        ));
    }
    reading.map = both.map;
    reading.isotropy = Some(both.isotropy);
    Ok(Crossways {
        picture: file_name(path),
        picture_sha256: opened.photo.sha256().to_owned(),
        scale_px_per_um: second.scale.get(),
        u_rel_fit: second.u_rel_fit,
        rotation_deg: second.rotation.degrees(),
    })
}
