//! Proposals: the largest animal of a picture, its body's axis, breadth and outline, its antennae.
//!
//! The ground is a smooth surface of light through most of the picture; what departs from it falls into pieces, and the largest
//! that looks like an animal is taken. Legs and antennae come off by an opening whose size the animal itself gives. The outline is then
//! followed at full size by half-way crossings along its normals, in linear light, and the axis is the line midway between its
//! sides. A person looks at all of it: every proposal says how sure it is.

mod axis;
mod body;
mod confidence;
mod detect;
mod edge;
mod ground;
mod limbs;
mod marks;
mod mask;
mod plane;

use super::mark::{Ground, Shape};
use super::outline::outline_of_cells;
use crate::photo::Light;
use crate::units::{Image, Point, Px};

pub use confidence::{Confidence, Sureness};
pub use limbs::LimbProposal;

/// What is proposed for the largest animal of a picture.
#[derive(Clone, Debug)]
pub struct Proposal {
    /// The axis of the body from tip to tip, from the head where antennae tell it.
    pub axis: Shape,
    /// The greatest breadth square to the axis.
    pub breadth: Shape,
    /// The body's outline by marks on the silhouette.
    pub outline: Shape,
    /// The same finely: vertices about a third of a blur spot apart.
    pub contour: Vec<Point<Image>>,
    /// Antennae, where some leave the body near one tip.
    pub antennae: Vec<LimbProposal>,
    /// Whether the animal is dark or bright.
    pub ground: Ground,
    /// Median 10–90 % width of the edges, from their slopes.
    pub edge_width: Px,
    /// How sure all of this is.
    pub confidence: Confidence,
}

/// Why nothing is proposed.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum NotFound {
    /// The picture is hardly larger than a blur spot.
    #[error("the picture is only {width_px} x {height_px} px, at least 16 x 16 are needed")]
    TooSmall {
        /// Columns.
        width_px: usize,
        /// Rows.
        height_px: usize,
    },
    /// The blur spot is no number.
    #[error("the blur spot is {w_px} px, it must be finite and above 0")]
    Blur {
        /// Blur spot, px.
        w_px: f64,
    },
    /// Nothing departs from the ground.
    #[error("nothing stands out from the ground, whose grain is {noise_percent:.2} % of full light; set marks by hand")]
    Empty {
        /// Standard deviation of the ground, percent of full scale.
        noise_percent: f64,
    },
    /// Nothing thick enough.
    #[error("{pieces} pieces stand out from the ground, all too small or thin for an animal's body; set marks by hand")]
    OnlySpecks {
        /// Number of pieces.
        pieces: usize,
    },
    /// The animal runs out of the picture.
    #[error(
        "{percent:.0} % of the outline of what stands out lies on the picture's border, at most 40 % will do; show the whole animal"
    )]
    CutOff {
        /// Share of the outline, percent.
        percent: f64,
    },
    /// The edge of what was found is not an edge.
    #[error("no clear edge around what stands out from the ground; set marks by hand")]
    NoEdge,
    /// No axis.
    #[error("no axis runs through what stands out from the ground; set marks by hand")]
    NoAxis,
}

/// Proposes axis, breadth and outline of the largest animal, and its antennae.
///
/// `w` is the blur spot in the picture.
/// # Accuracy
/// On 300 rendered animals (`tests/campaign/find.rs`), half of them with debris, highlights, odd tone curves and a second animal: the
/// right animal in all, body length 0.2 % rms, breadth and area 0.4 % rms. Photographs hold what no rendering has.
/// # Errors
/// [`NotFound`] with its reason.
pub fn find(light: &Light, w: Px) -> Result<Proposal, NotFound> {
    let w_px = w.get();
    if !(w_px.is_finite() && w_px > 0.0) {
        return Err(NotFound::Blur { w_px });
    }
    let mut chosen = detect::choose(light)?;
    let rim = rim_of(light, &chosen, w_px.max(1.0))?;
    chosen.edge_w_px = if rim.width_px > 0.0 { rim.width_px.max(w_px) } else { w_px };
    let ellipse = axis::ellipse_of(&rim.points).ok_or(NotFound::NoAxis)?;
    let first = axis::first_line(&chosen.plane, &chosen.body, &ellipse);
    let slender = axis::length_of(&first).max(ellipse.major) / ellipse.minor.max(1e-9);
    let degree = axis::degree_for(slender);
    let mut line = axis::mid_line(&rim.points, &first, degree).ok_or(NotFound::NoAxis)?;
    let u_axis_px = axis::spread_px(&rim.points, &first, &line);
    let (antennae, head) = limbs::antennae(light, &chosen, &line.points, Px::new(w_px.max(1.0)));
    if head == Some(1) {
        line.points.reverse();
    }
    let widest = axis::widest(&rim.points, &rim.seen, &line.points).ok_or(NotFound::NoAxis)?;
    let ground = if sign_of(&chosen) < 0.0 { Ground::Bright } else { Ground::Dark };
    let known = marks::Known { rim: &rim, w_px, ground, u_axis_px };
    Ok(Proposal {
        axis: known.axis(&line),
        breadth: known.breadth(&widest),
        outline: known.outline(),
        antennae,
        ground,
        edge_width: Px::new(rim.width_px),
        confidence: confidence::confidence(&chosen, &rim, &line, slender, u_axis_px),
        contour: rim.points,
    })
}

fn sign_of(chosen: &detect::Chosen) -> f64 {
    chosen.body.rim.unwrap_or(chosen.body.level).signum()
}

/// The body's outline at full size.
fn rim_of(light: &Light, chosen: &detect::Chosen, w_px: f64) -> Result<edge::Rim, NotFound> {
    let (plane, body) = (&chosen.plane, &chosen.body);
    let cells = outline_of_cells(plane.width, plane.height, |x, y| body.body.cells[y * plane.width + x]);
    let rough: Vec<Point<Image>> = cells.iter().map(|p| plane.image_from_cells(p.x, p.y)).collect();
    let crossed = |p: Point<Image>| plane.cell_at(p).is_some_and(|c| body.whole.cells[c] && !body.body.cells[c]);
    let task = edge::Task {
        light,
        ground: &chosen.ground,
        w_px,
        about_px: 1.5 * plane.step_px as f64 + 1.0,
        sign: sign_of(chosen),
        of_rim: body.rim.is_some(),
    };
    edge::refined(&task, &rough, crossed).ok_or(NotFound::NoEdge)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::animal::outline::area;
    use crate::animal::snap::scene::Scene;

    const CENTRE: (f64, f64) = (300.0, 200.0);

    fn within(x: f64, y: f64, (from, to): ((f64, f64), (f64, f64)), half: f64) -> bool {
        let (dx, dy) = (to.0 - from.0, to.1 - from.1);
        let t = (((x - from.0) * dx + (y - from.1) * dy) / dx.hypot(dy).powi(2)).clamp(0.0, 1.0);
        (x - from.0 - t * dx).hypot(y - from.1 - t * dy) < half
    }

    fn body(x: f64, y: f64) -> bool {
        ((x - CENTRE.0) / 170.0).hypot((y - CENTRE.1) / 60.0) < 1.0
    }

    fn length(shape: &Shape) -> f64 {
        shape.marks.windows(2).map(|m| (m[1].at - m[0].at).length()).sum()
    }

    /// Length, breadth and area against those of the body.
    fn holds(found: &Proposal, what: &str) {
        let want = [340.0, 120.0, std::f64::consts::PI * 170.0 * 60.0];
        let got = [length(&found.axis), length(&found.breadth), area(&found.contour)];
        for (got, want) in got.into_iter().zip(want) {
            assert!((got / want - 1.0).abs() < 0.02, "{what}: {got} for {want}, {:?}", found.confidence);
        }
    }

    #[test]
    fn ground_enclosed_by_legs_that_cross_is_no_body() {
        // Two legs on each side cross near their tips, and a third crosses the first.
        let legs: Vec<_> = [-1.0, 1.0]
            .into_iter()
            .flat_map(|side| {
                let at = move |x: f64, y: f64| (CENTRE.0 + x, CENTRE.1 + side * y);
                [
                    (at(-70.0, 45.0), at(30.0, 150.0)),
                    (at(10.0, 50.0), at(-40.0, 150.0)),
                    (at(90.0, 40.0), at(-10.0, 140.0)),
                ]
            })
            .collect();
        let inside = |x: f64, y: f64| body(x, y) || legs.iter().any(|l| within(x, y, *l, 5.0));
        for (animal, ground, name) in [(0.15, 0.6, "dark"), (0.6, 0.1, "bright")] {
            let light = Scene::of(600, 400, inside).lit(animal, ground).blurred(5.0).photographed(0.005, 3);
            let found = find(&light, Px::new(5.0)).expect("an animal");
            holds(&found, name);
        }
    }

    #[test]
    fn stumpy_legs_in_the_outline_are_doubted() {
        let stumps = [-90.0, -30.0, 30.0, 90.0].map(|x| (CENTRE.0 + x, CENTRE.1));
        let inside =
            |x: f64, y: f64| body(x, y) || stumps.iter().any(|s| ((x - s.0) / 16.0).hypot((y - s.1) / 90.0) < 1.0);
        let light = Scene::of(600, 400, inside).lit(0.15, 0.6).blurred(5.0).photographed(0.005, 7);
        let found = find(&light, Px::new(5.0)).expect("an animal");
        let taken = area(&found.contour) > 1.05 * std::f64::consts::PI * 170.0 * 60.0;
        let said = found.confidence.reasons.iter().any(|r| r.contains("in and out"));
        assert!(taken, "{}", area(&found.contour));
        assert!(said && found.confidence.sureness == Sureness::Low, "{:?}", found.confidence);
        let bare = Scene::of(600, 400, body).lit(0.15, 0.6).blurred(5.0).photographed(0.005, 7);
        let sure = find(&bare, Px::new(5.0)).expect("an animal").confidence;
        assert_eq!(sure.sureness, Sureness::High, "{sure:?}");
    }

    #[test]
    fn eyes_near_the_edge_and_highlights_belong_to_the_body() {
        let eyes = |x: f64, y: f64| (x - 150.0).hypot(y - 186.0) < 7.0 || (x - 150.0).hypot(y - 214.0) < 7.0;
        let shine = |x: f64, y: f64| ((x - 330.0) / 40.0).hypot((y - 190.0) / 16.0) < 1.0;
        for (animal, ground, name) in [(0.15, 0.6, "dark"), (0.6, 0.1, "bright")] {
            let scene = Scene::of(600, 400, body).lit(animal, ground).painted(ground, eyes);
            let scene = if animal < ground { scene.painted(0.9, shine) } else { scene };
            let found = find(&scene.blurred(5.0).photographed(0.005, 4), Px::new(5.0)).expect("an animal");
            holds(&found, name);
        }
    }

    #[test]
    fn a_compact_animal_may_fill_two_fifths_of_the_frame() {
        for (animal, ground, name) in [(0.15, 0.6, "dark"), (0.6, 0.1, "bright")] {
            let light = Scene::of(400, 240, |x, y| {
                body(x + 100.0, y + 80.0) || ((x - 200.0) / 130.0).hypot((y - 120.0) / 90.0) < 1.0
            })
            .lit(animal, ground)
            .blurred(5.0)
            .photographed(0.005, 5);
            let found = find(&light, Px::new(5.0)).unwrap_or_else(|e| panic!("{name}: {e}"));
            assert!(area(&found.contour) > 0.38 * 400.0 * 240.0, "{name}: {}", area(&found.contour));
        }
    }

    #[test]
    fn what_the_picture_cuts_off_keeps_its_marks_in_the_picture_and_is_doubted() {
        // Two branches of a tail leave the picture at the top.
        let branches = [((280.0, 60.0), (262.0, -40.0)), ((320.0, 60.0), (338.0, -40.0))];
        let upright = |x: f64, y: f64| ((x - 300.0) / 60.0).hypot((y - 200.0) / 170.0) < 1.0;
        let inside = |x: f64, y: f64| upright(x, y) || branches.iter().any(|b| within(x, y, *b, 12.0));
        let light = Scene::of(600, 400, inside).lit(0.15, 0.6).blurred(5.0).photographed(0.005, 6);
        let found = find(&light, Px::new(5.0)).expect("an animal");
        let shapes = [&found.axis, &found.breadth, &found.outline];
        let marks = shapes.iter().flat_map(|s| s.marks.iter().map(|m| m.at)).chain(found.contour.iter().copied());
        for p in marks {
            assert!((0.0..=600.0).contains(&p.x) && (0.0..=400.0).contains(&p.y), "{p:?}");
        }
        let doubted = found.confidence.reasons.iter().any(|r| r.contains("border"));
        let at_border = found.contour.iter().any(|p| p.y < 1.0);
        assert_eq!(doubted, at_border, "{:?}", found.confidence);
    }
}
