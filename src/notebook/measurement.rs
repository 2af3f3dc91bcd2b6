//! Measurements: marks, and the figures that were reported for them.

use serde::{Deserialize, Serialize};

use super::form::{self, Unknown};
use super::id::{AnimalId, MeasurementId, PictureId, SetupId};
use crate::animal::{Kind, Lying, Mark, MarkKind, Placement, Shape, Unit, Verdict};
use crate::units::Point;

/// One measurement: everything that its figure follows from, and the figure as it was reported.
///
/// Measurements on one picture that share `together`, setup, lying and coverage were evaluated in one go and are so again.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Measurement {
    /// Its id.
    pub id: MeasurementId,
    /// Whose it is.
    pub animal: AnimalId,
    /// On which picture.
    pub picture: PictureId,
    /// Through which setup.
    pub setup: SetupId,
    /// Name of the quantity, as `body length` or `axis 1`.
    pub quantity: String,
    /// Part or side, as `left`; empty where there is none.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub part: String,
    /// What the marks make.
    pub kind: Kind,
    /// The marks in their order; none for ratios and sums.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub marks: Vec<StoredMark>,
    /// What a ratio or sum is made of: measurements of the same go. A ratio is the first over the second.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub of: Vec<PartOf>,
    /// How the animal lies: `flat`, `within:15`, `tilt:20` (degrees) or `unknown`.
    #[serde(with = "form::lying")]
    #[cfg_attr(
        test,
        schemars(with = "String", regex(pattern = r"^(flat|unknown|(within|tilt):[0-9.]+(e-?[0-9]+)?)$"))
    )]
    pub lying: Lying,
    /// Coverage probability of the interval.
    #[serde(default = "usual_coverage", skip_serializing_if = "is_usual_coverage")]
    pub coverage: f64,
    /// Number of the go in which it was evaluated with others; absent for one evaluated alone.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub together: Option<u64>,
    /// Why it was measured although the picture does not match the setup.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub accepted_mismatch: Option<String>,
    /// Who measured.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub person: String,
    /// When, UTC, ISO 8601.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub date: String,
    /// Anything else.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub remarks: String,
    /// The figure as it was reported; absent until it is evaluated.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reported: Option<Reported>,
    /// Keys of other programs or later versions.
    #[serde(flatten)]
    pub other: Unknown,
}

const USUAL_COVERAGE: f64 = 0.95;

const fn usual_coverage() -> f64 {
    USUAL_COVERAGE
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde wants a reference")]
fn is_usual_coverage(coverage: &f64) -> bool {
    coverage.to_bits() == USUAL_COVERAGE.to_bits()
}

/// A measurement, or a part of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct PartOf {
    /// The measurement.
    pub measurement: MeasurementId,
    /// Place among its parts, from 0; absent for the whole.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub part: Option<usize>,
}

/// One placed point.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct StoredMark {
    /// Pixels to the right of the picture's left edge.
    pub x_px: f64,
    /// Pixels below the picture's upper edge.
    pub y_px: f64,
    /// What it stands on.
    pub on: MarkKind,
    /// How it came there; absent for by hand.
    #[serde(default = "by_hand", skip_serializing_if = "is_by_hand")]
    pub placement: Placement,
    /// Keys of other programs or later versions.
    #[serde(flatten)]
    pub other: Unknown,
}

const fn by_hand() -> Placement {
    Placement::Hand
}

fn is_by_hand(placement: &Placement) -> bool {
    *placement == Placement::Hand
}

impl From<&Mark> for StoredMark {
    fn from(mark: &Mark) -> Self {
        Self { x_px: mark.at.x, y_px: mark.at.y, on: mark.kind, placement: mark.placement, other: Unknown::new() }
    }
}

impl StoredMark {
    /// The mark itself.
    #[must_use]
    pub fn mark(&self) -> Mark {
        Mark { at: Point::new(self.x_px, self.y_px), kind: self.on, placement: self.placement }
    }
}

impl Measurement {
    /// True for ratios and sums, which have no marks of their own.
    #[must_use]
    pub const fn is_made_of_others(&self) -> bool {
        matches!(self.kind, Kind::Ratio | Kind::Sum)
    }

    /// The shape to be evaluated, under the quantity's name; `None` for ratios and sums.
    #[must_use]
    pub fn shape(&self) -> Option<Shape> {
        let marks = self.marks.iter().map(StoredMark::mark).collect();
        (!self.is_made_of_others()).then(|| Shape { name: self.quantity.clone(), kind: self.kind, marks })
    }

    /// The name with its part, as `antenna, left`.
    #[must_use]
    pub fn full_name(&self) -> String {
        if self.part.is_empty() { self.quantity.clone() } else { format!("{}, {}", self.quantity, self.part) }
    }

    /// True where the two are evaluated in one go.
    #[must_use]
    pub fn goes_with(&self, other: &Self) -> bool {
        self.id == other.id
            || (self.together.is_some()
                && self.together == other.together
                && self.picture == other.picture
                && self.setup == other.setup
                && self.lying == other.lying
                && self.coverage.to_bits() == other.coverage.to_bits()
                && self.accepted_mismatch == other.accepted_mismatch)
    }
}

/// What was reported for a measurement.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Reported {
    /// The figure with its parts.
    pub figure: FigureNote,
    /// The blur spot that budget and verdict used, µm.
    pub blur_spot_um: f64,
    /// Scale at the picture's centre, px/µm.
    pub scale_px_per_um: f64,
    /// Relative standard uncertainty of the scale with everything.
    pub u_rel_scale: f64,
    /// What holds for all figures of the picture.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub warnings: Vec<String>,
    /// Program and version that evaluated it.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub program: String,
    /// Keys of other programs or later versions.
    #[serde(flatten)]
    pub other: Unknown,
}

/// A value with its uncertainty. What does not exist is absent, never 0; of what is not resolved only `high` exists, the bound.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct FigureNote {
    /// Name of a part, as `segment 2`; empty for the whole.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub name: String,
    /// Unit of value, u, low, high and of the budget's u.
    pub unit: Unit,
    /// The value.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub value: Option<f64>,
    /// Standard uncertainty.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub u: Option<f64>,
    /// Lower end of the coverage interval.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub low: Option<f64>,
    /// Upper end, or the bound.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub high: Option<f64>,
    /// Half of the interval over u.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub k: Option<f64>,
    /// Effective degrees of freedom; `"INF"` where they are infinite.
    #[serde(default, skip_serializing_if = "Option::is_none", with = "form::dof")]
    #[cfg_attr(test, schemars(with = "Option<super::schema::NumberOrInfinite>"))]
    pub dof: Option<f64>,
    /// Whether the picture resolves it.
    pub verdict: Verdict,
    /// Its parts: the segments of an appendage; perimeter, longest and shortest caliper of an outline.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub parts: Vec<Self>,
    /// What each source contributes, largest first, down to a thousandth of the variance.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub budget: Vec<BudgetNote>,
    /// What travels with it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub warnings: Vec<String>,
    /// Keys of other programs or later versions.
    #[serde(flatten)]
    pub other: Unknown,
}

/// One line of a budget.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct BudgetNote {
    /// The source's stable id.
    pub source: String,
    /// Type A, B or both.
    #[serde(rename = "type")]
    pub evaluation: String,
    /// Standard uncertainty that it gives the figure alone, in the figure's unit.
    pub u: f64,
    /// Share of the figure's variance; negative where correlation lessens it.
    pub share: f64,
    /// Keys of other programs or later versions.
    #[serde(flatten)]
    pub other: Unknown,
}
