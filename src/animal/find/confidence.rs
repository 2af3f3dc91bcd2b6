//! How sure a proposal is, and why.

use super::axis::{MidLine, ins_and_outs};
use super::detect::Chosen;
use super::edge::{Rim, unseen};
use crate::animal::outline::perimeter;

/// How sure a proposal is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Sureness {
    /// Look at it closely; it may be the wrong thing or the wrong line.
    Low,
    /// Look at what is named.
    Medium,
    /// Nothing speaks against it.
    High,
}

impl Sureness {
    /// The word for reports.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Low => "low",
            Self::Medium => "medium",
            Self::High => "high",
        }
    }
}

/// How sure a proposal is and what a person should look at.
#[derive(Clone, Debug, PartialEq)]
pub struct Confidence {
    /// The word.
    pub sureness: Sureness,
    /// Reasons, in words; the doubts first.
    pub reasons: Vec<String>,
}

/// Sides that go in and out by more than this share of the breadth are doubted. Of 133 rendered animals they did in 20, 19 of which had limbs taken for body or a
/// breadth off by more than 4 %; so had 7 of the other 113.
const LUMPY: f64 = 0.08;
/// Bodies with stumpy legs, as water bears have, do so by 1.2 and more; those of three parts by less.
const STUMPY: f64 = 0.8;

/// A doubt and how low it makes the sureness.
struct Doubt(Sureness, String);

/// Weighs everything that can be seen of a proposal.
pub(super) fn confidence(chosen: &Chosen, rim: &Rim, line: &MidLine, slender: f64, u_axis_px: f64) -> Confidence {
    let mut doubts = Vec::new();
    let body = &chosen.body;
    if chosen.rival > 0.6 {
        let share = 100.0 * chosen.rival.min(1.0);
        let how = if chosen.rival > 0.85 { Sureness::Low } else { Sureness::Medium };
        doubts.push(Doubt(
            how,
            format!("another thing in the picture is {share:.0} % as large; look whether this one is meant"),
        ));
    }
    if rim.on_border > 0.0 {
        let words = "the outline reaches the picture's border: the animal may be cut off";
        doubts.push(Doubt(Sureness::Low, words.to_owned()));
    }
    if body.cut {
        doubts.push(Doubt(Sureness::Low, "it touches others, which were cut off where it is narrow".to_owned()));
    }
    if rim.rim_px.is_some() {
        doubts.push(Doubt(
            Sureness::Low,
            "a bright core with a dark rim, or the reverse: light is refracted; the edge is taken at half the rim's depth on its inner side"
                .to_owned(),
        ));
    }
    if slender < 1.15 {
        doubts.push(Doubt(Sureness::Medium, "nearly round: the direction of the axis is a guess".to_owned()));
    } else if slender < 1.5 {
        doubts.push(Doubt(Sureness::Medium, "plump: the direction of the axis is not sharp".to_owned()));
    }
    let (hidden, gaps) = unseen(rim);
    let share = hidden / perimeter(&rim.points).max(1e-9);
    if share > 0.12 {
        let how = if share > 0.35 { Sureness::Low } else { Sureness::Medium };
        doubts.push(Doubt(
            how,
            format!("{:.0} % of the outline is drawn across the roots of limbs, in {gaps} places", 100.0 * share),
        ));
    }
    let lumps = ins_and_outs(&rim.points, &line.points);
    if lumps > LUMPY {
        let how = if lumps > STUMPY { Sureness::Low } else { Sureness::Medium };
        doubts.push(Doubt(
            how,
            format!(
                "its sides go in and out by {:.0} % of its breadth: stumpy limbs, or limbs that lie along it, may be taken for body",
                100.0 * lumps
            ),
        ));
    }
    if rim.scatter_px > 0.25 * chosen.edge_w_px {
        doubts.push(Doubt(Sureness::Medium, "the edge is ragged or patchy".to_owned()));
    }
    if chosen.noise_share > 0.05 {
        doubts.push(Doubt(
            Sureness::Medium,
            format!("little contrast: the ground's grain is {:.0} % of it", 100.0 * chosen.noise_share),
        ));
    }
    if u_axis_px > 0.01 * line.length_px {
        doubts.push(Doubt(
            Sureness::Medium,
            format!("ways to draw the axis differ by {:.1} % of its length", 200.0 * u_axis_px / line.length_px),
        ));
    }
    let sureness = doubts.iter().map(|d| d.0).min().unwrap_or(Sureness::High);
    let mut reasons: Vec<String> = doubts.into_iter().map(|d| d.1).collect();
    if reasons.is_empty() {
        reasons.push("one animal stands out clearly, with a sharp outline all round and a clear axis".to_owned());
    }
    Confidence { sureness, reasons }
}
