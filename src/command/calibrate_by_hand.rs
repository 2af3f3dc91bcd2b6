//! Marks set by hand, for pictures that no reading succeeds on.

use super::calibrate_batch::Trouble;
use super::opened::Opened;
use crate::setup::OpticsNotes;
use crate::slide::{HandMark, Reading, read_by_hand};
use crate::units::Px;

/// Width over which a mark is placed where no blur spot is known, px: a line seen at usual enlargement on a screen.
const UNKNOWN_WIDTH_PX: f64 = 6.0;
/// Nobody places a mark better than within this many pixels.
const LEAST_WIDTH_PX: f64 = 3.0;

/// Reads marks; the placement is rectangular over the blur spot that the settings promise, where they are known.
pub(super) fn read(opened: &Opened, marks: &[HandMark], optics: &OpticsNotes) -> Result<Reading, Trouble> {
    let (width, height) = (opened.photo.width(), opened.photo.height());
    let blur_px = match optics.system()? {
        // The settings' own scale will do for a width.
        Some(system) => optics.nominal_scale().zip(system.blur().ok()).map(|(scale, b)| (b.w_um * scale).get()),
        None => None,
    };
    let over = blur_px.map_or(UNKNOWN_WIDTH_PX, |w| w.max(LEAST_WIDTH_PX));
    Ok(read_by_hand(width, height, marks, Px::new(over / 12_f64.sqrt()))?)
}
