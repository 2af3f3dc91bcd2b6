//! The residuals of a reading as a picture.

use crate::exchange::draw::DrawError;
use crate::exchange::plot::{Axis, Data, Panel, Plot, Series};
use crate::slide::{Graduation, Reading, Rejection};
use crate::uncertainty::significant;

const WIDTH_PX: usize = 1200;
const HEIGHT_PX: usize = 800;

/// Residuals and contrast of every graduation, as PNG.
///
/// # Errors
/// [`DrawError`] when drawing fails.
pub(super) fn png(reading: &Reading, picture: &str) -> Result<Vec<u8>, DrawError> {
    let used = |g: &&Graduation| g.rejected.is_none();
    let out_of_place = |g: &&Graduation| g.rejected == Some(Rejection::OutOfPlace);
    let residuals: Vec<_> = reading.graduations.iter().filter(used).map(residual).collect();
    let rejected: Vec<_> = reading.graduations.iter().filter(out_of_place).map(residual).collect();
    let missing = reading.graduations.iter().filter(|g| g.rejected == Some(Rejection::NotSeen)).count();
    let mut series = vec![Series::new("used, with standard uncertainty", Data::PointsWithErrors(residuals))];
    if !rejected.is_empty() {
        series.push(Series::new("left out: out of place", Data::PointsWithErrors(rejected)));
    }
    series.push(Series::new("", Data::Across(0.0)).dashed());
    let contrast = reading.graduations.iter().map(|g| (g.index as f64, g.contrast.abs())).collect();
    let mut top = Panel::new(Axis::new("graduation", ""), Axis::new("distance from the scale map", "px"), series);
    top.weight = 2.0;
    let bottom = Panel::new(
        Axis::new("graduation", ""),
        Axis { with_zero: true, ..Axis::new("contrast, linear light", "") },
        vec![Series::new("", Data::Points(contrast))],
    );
    let mut plot = Plot::new(&format!("Reading of {picture}"), vec![top, bottom]);
    plot.subtitle = format!(
        "{} px/µm, {} map, {} graduations used, {} left out ({missing} not seen), residuals {} px rms",
        significant(reading.scale.get(), 6),
        reading.map.model.name(),
        reading.used(),
        reading.rejected(),
        significant(reading.residual_rms.get(), 2)
    );
    plot.to_png(WIDTH_PX, HEIGHT_PX)
}

fn residual(g: &Graduation) -> (f64, f64, f64) {
    (g.index as f64, g.residual.get(), g.u.get())
}
