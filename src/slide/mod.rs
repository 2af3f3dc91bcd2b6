//! Reading a ruled slide: finding, indexing and fitting graduations; the scale map.
//!
//! The way of a picture: tiles whose spectra show the same wave form clusters (`periodic`); each cluster is followed by its phase
//! (`phase`) in a turned frame (`rectify`) and surveyed for graduations (`lines`); the candidates are judged
//! (`judge`): one is the ruling, or the picture is refused. Then all graduations are located at full size (`locate`) and
//! the map is fitted with its uncertainty (`fit`). Dot plates go their own way (`dots`); where both directions are measured,
//! one map holds them (`both`): crossed rulings and grids (`grid`), and two pictures between which the slide was turned (`crossways`).
//! What no program reads, a person may mark (`manual`).

mod arrow;
mod both;
mod candidate;
mod crossways;
mod dots;
mod fall_off;
mod fit;
mod grid;
mod judge;
mod knots;
mod lines;
mod locate;
mod manual;
mod map_gradient;
mod mesh;
mod periodic;
mod phase;
mod pyramid;
mod quality;
mod reading;
mod rectify;
mod refine;
mod scale_map;
mod shape;
mod spectrum;
mod strip;
#[cfg(test)]
mod testing;

pub use crossways::{Crosswise, CrosswiseError, combine_crossways};
pub use manual::{HandError, HandMark, read_by_hand};
pub use map_gradient::ScaleGradient;
pub use quality::{Focus, RegionBlur, blur_by_region, focus};
pub use reading::{
    Family, Graduation, Isotropy, LeftOut, LongGraduations, MeasuredBlur, Reading, ReadingWarning, Refusal, Rejection,
    Request, Ruler, Squareness,
};
pub use scale_map::{MapModel, ScaleMap};

use crate::photo::Light;
use pyramid::Pyramid;

/// Smallest side of a picture that can be read, px.
const SMALLEST_SIDE: usize = 128;

/// Reads the ruled slide on a picture.
///
/// # Errors
/// A [`Refusal`] with the reason wherever the scale could be wrong.
pub fn read(light: &Light, request: &Request) -> Result<Reading, Refusal> {
    read_without(light, request, &[])
}

/// The same without the graduations that a person leaves out: they take no part in the fit, and stand in the reading as left out
/// by hand with their distance from the map of the others. Of dots none can be left out.
///
/// # Errors
/// As [`read`].
pub fn read_without(light: &Light, request: &Request, left_out: &[LeftOut]) -> Result<Reading, Refusal> {
    let (width, height) = (light.width(), light.height());
    if width.min(height) < SMALLEST_SIDE {
        return Err(Refusal::TooSmall { width, height });
    }
    // Halved until one tile of the search fills the smaller side: neighbouring harmonics of coarse lines then stand apart.
    let Pyramid { levels, clipped_share: share } = pyramid::pyramid(light, periodic::TILE);
    let clusters = periodic::clusters(&levels);
    if let Some(plate) = dots::read(light, &levels, &clusters, request) {
        return plate;
    }
    let found = candidate::candidates(&levels, &clusters, (width as f64, height as f64));
    let verdict = judge::judge(&found, &levels, request).map_err(|refusal| match refusal {
        Refusal::NoRuling | Refusal::TooFewGraduations { .. } if share > 0.6 => Refusal::Clipped { share },
        other => other,
    })?;
    let mut reading = refine::refine(light, &verdict, request, left_out)?;
    if share > 0.3 {
        reading.warnings.push(ReadingWarning::Clipped { share });
    }
    Ok(reading)
}
