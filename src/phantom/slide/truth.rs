//! What was drawn.

use crate::units::{Point, Slide};

use super::family::Graduation;
use super::map::SlideMap;
use super::scene::{Ruling, SlideScene};

/// One graduation of a ruling.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct GraduationTruth {
    /// Which ruling of the scene.
    pub ruling: usize,
    /// Index from the ruling's graduation 0.
    pub index: u32,
    /// Position along the ruling with its own placement error, µm.
    pub along_um: f64,
    /// Image positions of the two ends of the line, px.
    pub ends_px: [[f64; 2]; 2],
    /// 1 as drawn, between 0 and 1 faint, 0 missing.
    pub strength: f64,
    /// Any part of it lies in the picture.
    pub in_picture: bool,
}

/// One dot of a plate.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct DotTruth {
    /// Which ruling of the scene.
    pub ruling: usize,
    /// Column, along the ruling.
    pub column: u32,
    /// Row, across the ruling.
    pub row: u32,
    /// Image position of the centre with its own placement error, px.
    pub centre_px: [f64; 2],
    /// 1 as drawn, between 0 and 1 faint, 0 missing.
    pub strength: f64,
    /// The centre lies in the picture.
    pub in_picture: bool,
}

/// The truth of a rendered slide.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct SlideTruth {
    /// Scale at the picture's centre in the plane square to the axis, px/µm: what a reading is compared with.
    pub px_per_um: f64,
    /// Local scale along the first ruling at the picture's centre, foreshortened by the slide's tilt, px/µm.
    pub local_px_per_um: f64,
    /// Direction in which the graduations of the first ruling follow each other, degrees in (−90, 90].
    pub rotation_deg: f64,
    /// 10-90 % width of the edge response at the picture's centre, colours weighted as luminance, µm.
    pub blur_spot_um: f64,
    /// The same in pixels.
    pub blur_spot_px: f64,
    /// Every graduation of every ruling of lines.
    pub graduations: Vec<GraduationTruth>,
    /// Every dot of every dot plate.
    pub dots: Vec<DotTruth>,
}

pub(crate) fn graduation_truth(
    scene: &SlideScene,
    ruling: &Ruling,
    number: usize,
    drawn: &[Graduation],
    map: &SlideMap,
) -> Vec<GraduationTruth> {
    drawn
        .iter()
        .map(|g| {
            let (from, to) = ruling.reach_um(g.length_um);
            let ends = [from, to].map(|across| map.image_from_slide(placed(ruling, g.along_um, across)));
            let inside = (0..=20).any(|i| {
                let t = f64::from(i) / 20.0;
                let (x, y) = (ends[0].x + t * (ends[1].x - ends[0].x), ends[0].y + t * (ends[1].y - ends[0].y));
                (0.0..=scene.width_px as f64).contains(&x) && (0.0..=scene.height_px as f64).contains(&y)
            });
            GraduationTruth {
                ruling: number,
                index: g.index,
                along_um: g.along_um,
                ends_px: ends.map(|p| [p.x, p.y]),
                strength: g.strength,
                in_picture: inside,
            }
        })
        .collect()
}

/// Slide position of a point of a ruling.
pub(crate) fn placed(ruling: &Ruling, along_um: f64, across_um: f64) -> Point<Slide> {
    let [x, y] = ruling.origin_um;
    if ruling.across { Point::new(x - across_um, y + along_um) } else { Point::new(x + along_um, y + across_um) }
}

/// Brings a direction into (−90, 90].
pub(crate) fn fold_direction_deg(degrees: f64) -> f64 {
    let t = degrees.rem_euclid(180.0);
    if t > 90.0 { t - 180.0 } else { t }
}
