//! A reading as a picture: residuals along the ruling, contrast, and the residuals over the picture.

use super::calibrate_quality::left_out_text;
use super::residual_map;
use crate::exchange::draw::DrawError;
use crate::exchange::plot::{Axis, Data, Panel, Plot, Series};
use crate::slide::{Family, Graduation, Reading, RegionBlur, Rejection};
use crate::uncertainty::significant;

const WIDTH_PX: usize = 1200;
const HEIGHT_PX: usize = 760;
/// Beyond this many, error bars cover each other.
const MOST_WITH_ERRORS: usize = 1000;

/// Residuals and contrast of every graduation, and the map of the residuals below, as PNG.
///
/// # Errors
/// [`DrawError`] when drawing fails.
pub(super) fn png(reading: &Reading, parts: &[RegionBlur], picture: &str) -> Result<Vec<u8>, DrawError> {
    let mut series = Vec::new();
    for (family, name) in
        [(Family::Along, "used, with standard uncertainty"), (Family::Across, "used, of the lines across")]
    {
        let points: Vec<_> =
            reading.graduations.iter().filter(|g| g.rejected.is_none() && of(g, family)).map(residual).collect();
        if points.len() > MOST_WITH_ERRORS {
            let bare = points.iter().map(|p| (p.0, p.1)).collect();
            series.push(Series::new("used", Data::Points(bare)));
        } else if !points.is_empty() {
            series.push(Series::new(name, Data::PointsWithErrors(points)));
        }
    }
    let rejected: Vec<_> =
        reading.graduations.iter().filter(|g| g.rejected == Some(Rejection::OutOfPlace)).map(residual).collect();
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
        "{} px/µm, {} map, {} used, {}, residuals {} px rms",
        significant(reading.scale.get(), 6),
        reading.map.model.name(),
        reading.used(),
        left_out_text(reading),
        significant(reading.residual_rms.get(), 2)
    );
    let mut page = plot.to_scene(WIDTH_PX, HEIGHT_PX);
    residual_map::below(&mut page, reading, parts);
    page.to_png()
}

/// Lines of a family; dots are shown by columns, as lines along are.
fn of(g: &Graduation, family: Family) -> bool {
    match g.family {
        Family::Dot { .. } => family == Family::Along,
        own => own == family,
    }
}

fn residual(g: &Graduation) -> (f64, f64, f64) {
    (g.index as f64, g.residual.get(), g.u.get())
}
