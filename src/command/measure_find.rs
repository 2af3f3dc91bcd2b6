//! `measure --find`: the proposal, its words, and a drawing to look at.

use serde::Serialize;

use super::Failure;
use super::opened::Opened;
use crate::animal::find::{LimbProposal, find};
use crate::animal::{AnimalError, Kind, Shape};
use crate::exchange::draw::{MarkShape, OverlayItem, Tone};
use crate::photo::Channel;
use crate::setup::Setup;
use crate::units::{Image, Point};

/// What is said of a proposal beside its measurements.
#[derive(Clone, Debug, Serialize)]
pub(super) struct Proposed {
    /// `high`, `medium` or `low`.
    sureness: &'static str,
    /// What to look at.
    reasons: Vec<String>,
    /// Axis, breadth and antennae as arguments that confirm them.
    confirm: Vec<String>,
    /// Antennae that are proposed but not measured.
    antennae: Vec<AntennaJson>,
}

#[derive(Clone, Debug, Serialize)]
struct AntennaJson {
    name: String,
    marks_px: Vec<[f64; 2]>,
    joints_resolved: usize,
    reasons: Vec<String>,
}

/// Finds the largest animal and puts its axis, breadth and outline before the other shapes.
///
/// Nothing is looked for in a picture that does not match the setup without a reason to accept it: measuring refuses it anyway.
pub(super) fn found(
    setup: &Setup,
    opened: &Opened,
    accepted: bool,
    shapes: &mut Vec<Shape>,
) -> Result<Option<Proposed>, Failure> {
    if !accepted && !setup.differences(&opened.facts).is_empty() {
        return Ok(None);
    }
    let map = setup.map_for(&opened.facts).ok_or_else(|| Failure::Usage("the setup has no reading".to_owned()))?;
    let optics = |e: crate::optics::OpticsError| Failure::Usage(format!("the setup's notes on its optics: {e}"));
    let predicted = setup.predicted_blur().map_err(optics)?.map(|b| b.w_um);
    let w_um = setup.blur_on_slide().or(predicted).ok_or_else(|| Failure::usage(AnimalError::BlurUnknown))?;
    let light = opened.photo.light(Channel::Luminance);
    let proposal = find(&light, w_um * map.centre_scale())
        .map_err(|e| Failure::Refused { reason: "no animal found".to_owned(), detail: e.to_string() })?;
    let confirm = [&proposal.axis, &proposal.breadth].map(argument).into_iter();
    let antennae = proposal.antennae.iter();
    let proposed = Proposed {
        sureness: proposal.confidence.sureness.name(),
        reasons: proposal.confidence.reasons.clone(),
        confirm: confirm.chain(antennae.clone().map(|a| argument(&a.shape))).collect(),
        antennae: antennae.map(antenna).collect(),
    };
    let own = [proposal.axis, proposal.breadth, proposal.outline].map(|s| free_name(s, shapes));
    shapes.splice(0..0, own);
    Ok(Some(proposed))
}

impl Proposed {
    /// For people.
    pub(super) fn text(&self) -> String {
        let mut out = format!("  proposed, sureness {}: {}\n", self.sureness, self.reasons.join("; "));
        for a in &self.antennae {
            out.push_str(&format!("  {} not measured: {}\n", a.name, a.reasons.join("; ")));
        }
        out.push_str("  look at it (--overlay FILE.png), then confirm or move the marks:\n");
        for line in &self.confirm {
            out.push_str(&format!("    {line}\n"));
        }
        out
    }

    /// Antennae that are proposed but not measured, as they are drawn.
    pub(super) fn antennae_drawn(&self) -> Vec<OverlayItem> {
        let tone = Tone::Purple;
        let places =
            |a: &AntennaJson| a.marks_px.iter().map(|[x, y]| Point::new(*x, *y)).collect::<Vec<Point<Image>>>();
        let cross = |at| OverlayItem::Mark { at, shape: MarkShape::Cross, tone };
        let line = |points| OverlayItem::Line { points, closed: false, dashed: true, tone };
        let drawn = |a| std::iter::once(line(places(a))).chain(places(a).into_iter().map(cross));
        self.antennae.iter().flat_map(drawn).collect()
    }
}

/// `axis 1`, or the next number that no other shape has.
fn free_name(mut shape: Shape, others: &[Shape]) -> Shape {
    let mut number = 1;
    while others.iter().any(|s| s.name == format!("{} {number}", shape.kind.name())) {
        number += 1;
    }
    shape.name = format!("{} {number}", shape.kind.name());
    shape
}

/// The shape as an argument of `measure`.
fn argument(shape: &Shape) -> String {
    let marks: Vec<String> = shape.marks.iter().map(|m| format!("{:.1},{:.1}", m.at.x, m.at.y)).collect();
    // Antennae keep their names; the others are numbered anyway.
    let name = if shape.kind == Kind::Appendage { format!("{}: ", shape.name) } else { String::new() };
    format!("--{} \"{name}{}\"", shape.kind.name(), marks.join(" "))
}

fn antenna(limb: &LimbProposal) -> AntennaJson {
    AntennaJson {
        name: limb.shape.name.clone(),
        marks_px: limb.shape.marks.iter().map(|m| [m.at.x, m.at.y]).collect(),
        joints_resolved: limb.joints_resolved,
        reasons: limb.doubts.clone(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::animal::MarkKind;

    #[test]
    fn names_do_not_collide_and_arguments_read_back() {
        let at = [Point::new(1.0, 2.0), Point::new(3.26, 4.0)];
        let shape = |name: &str| Shape::by_hand(name.to_owned(), Kind::Axis, &at, MarkKind::Silhouette);
        let others = [shape("axis 1"), shape("body")];
        assert_eq!(free_name(shape("axis 1"), &others).name, "axis 2");
        assert_eq!(free_name(shape("axis 1"), &others[1..]).name, "axis 1");
        assert_eq!(argument(&others[0]), "--axis \"1.0,2.0 3.3,4.0\"");
    }
}
