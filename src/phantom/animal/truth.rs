//! What was drawn.

use super::body::Body;
use super::part::{area, perimeter};
use super::render::Placement;
use super::scene::AnimalScene;

/// A limb's truth.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct LimbTruth {
    /// Its name.
    pub name: String,
    /// Joints from the body outward, the last the tip, image px.
    pub joints_px: Vec<[f64; 2]>,
    /// Length of each segment in the animal's own plane, µm.
    pub segment_um: Vec<f64>,
    /// Length of each segment as the picture shows it, µm.
    pub projected_segment_um: Vec<f64>,
    /// Greatest width of each segment, µm.
    pub width_um: Vec<f64>,
}

/// The truth of the first animal of a scene.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct AnimalTruth {
    /// Scale at the picture's centre, px/µm.
    pub px_per_um: f64,
    /// Length along the axis from tip to tip, in the animal's own plane, µm.
    pub body_length_um: f64,
    /// The same as the picture shows it: the projected axis' own length, µm.
    pub projected_length_um: f64,
    /// 41 points along the axis from head to tail, image px.
    pub axis_px: Vec<[f64; 2]>,
    /// Head and tail tip, image px.
    pub tips_px: [[f64; 2]; 2],
    /// Greatest breadth square to the axis, in the animal's own plane, µm.
    pub breadth_um: f64,
    /// Ends of the greatest breadth, image px.
    pub breadth_px: [[f64; 2]; 2],
    /// Where it is, share along the axis.
    pub breadth_at: f64,
    /// Area of the body as the picture shows it, µm².
    pub area_um2: f64,
    /// Perimeter of the body as the picture shows it, µm.
    pub perimeter_um: f64,
    /// The body's outline, 200 points, image px.
    pub outline_px: Vec<[f64; 2]>,
    /// Antennae, legs and so on.
    pub limbs: Vec<LimbTruth>,
    /// 10-90 % width of the edge response, colours weighted as luminance, µm.
    pub blur_spot_um: f64,
    /// The same in pixels.
    pub blur_spot_px: f64,
}

pub(crate) fn truth_of(scene: &AnimalScene, blur_spot_um: f64) -> Option<AnimalTruth> {
    let placed = scene.animals.first()?;
    let body = Body::of(&placed.animal);
    let placement = Placement::of(scene, placed);
    let image = |p: [f64; 2]| placement.image(p);
    let length =
        |points: &[[f64; 2]]| -> f64 { points.windows(2).map(|w| (w[1][0] - w[0][0]).hypot(w[1][1] - w[0][1])).sum() };
    let fine: Vec<[f64; 2]> = (0..=4000).map(|i| placement.flat(body.axis(f64::from(i) / 4000.0))).collect();
    let widest = body.widest();
    let outline = body.outline();
    let flat_outline: Vec<[f64; 2]> = outline.iter().map(|p| placement.flat(*p)).collect();
    let limbs = placed.animal.limbs.iter().map(|limb| {
        let joints = limb.joints(&body);
        let flat: Vec<[f64; 2]> = joints.iter().map(|p| placement.flat(*p)).collect();
        LimbTruth {
            name: limb.name.clone(),
            joints_px: joints.iter().map(|p| image(*p)).collect(),
            segment_um: limb.segments.iter().map(|s| s.length_um).collect(),
            projected_segment_um: flat.windows(2).map(length).collect(),
            width_um: limb.segments.iter().map(|s| s.width_um).collect(),
        }
    });
    Some(AnimalTruth {
        px_per_um: scene.px_per_um,
        body_length_um: body.length_um(),
        projected_length_um: length(&fine),
        axis_px: (0..=40).map(|i| image(body.axis(f64::from(i) / 40.0))).collect(),
        tips_px: [image(body.axis(0.0)), image(body.axis(1.0))],
        breadth_um: 2.0 * body.half_breadth_um(widest),
        breadth_px: [image(body.point(widest, -1.0)), image(body.point(widest, 1.0))],
        breadth_at: widest,
        area_um2: area(&flat_outline),
        perimeter_um: perimeter(&flat_outline),
        outline_px: outline.iter().step_by(4).map(|p| image(*p)).collect(),
        limbs: limbs.collect(),
        blur_spot_um,
        blur_spot_px: blur_spot_um * scene.px_per_um,
    })
}
