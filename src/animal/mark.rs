//! Marks and the shapes that they make.

use serde::{Deserialize, Serialize};

use crate::units::{Image, Point};

/// What a mark stands on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "lowercase")]
pub enum MarkKind {
    /// The outer edge of the animal: threshold, tone curve and glow move it.
    Silhouette,
    /// A joint or a line: they do not.
    Feature,
}

/// Whether the animal is darker or brighter than the ground about it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "lowercase")]
pub enum Ground {
    /// A dark animal on bright ground.
    Bright,
    /// A bright animal on dark ground.
    Dark,
}

/// What the animal and the ground about it look like, as far as it is known.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Levels {
    /// Linear light of the animal.
    pub animal: f64,
    /// Linear light of the ground beside it.
    pub ground: f64,
}

impl Levels {
    /// Whether the animal is dark or bright.
    #[must_use]
    pub fn ground_is(&self) -> Ground {
        if self.animal < self.ground { Ground::Bright } else { Ground::Dark }
    }

    /// Full contrast, where only the ground is known: a tone curve then counts with its largest shift.
    pub(super) const fn of_ground(ground: Ground) -> Self {
        match ground {
            Ground::Bright => Self { animal: 0.0, ground: 1.0 },
            Ground::Dark => Self { animal: 1.0, ground: 0.0 },
        }
    }

    pub(super) fn contrast(&self) -> f64 {
        self.ground - self.animal
    }
}

/// How a mark came to its place.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "lowercase")]
pub enum Placement {
    /// By hand: anywhere within the blur spot.
    Hand,
    /// By a fit to the edge or feature.
    Snapped {
        /// Covariance of the fit, px²: xx, xy, yy.
        covariance_px2: [f64; 3],
        /// Light of animal and ground at a silhouette; `None` at a feature.
        levels: Option<Levels>,
        /// Covariance with the next mark of the shape, px², where both were fitted together: this one's x with the other's x and y, its y
        /// with the other's x and y.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        with_next_px2: Option<[f64; 4]>,
        /// How much farther along the shape a silhouette end moves than its edge does square to itself, one over the cosine of the angle
        /// between; absent where the edge is square to the shape.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        slant: Option<f64>,
    },
}

impl Placement {
    /// By a fit to this mark alone.
    #[must_use]
    pub const fn snapped(covariance_px2: [f64; 3], levels: Option<Levels>) -> Self {
        Self::Snapped { covariance_px2, levels, with_next_px2: None, slant: None }
    }

    /// The same with the covariance with the next mark of the shape, px²; by hand it stays as it is.
    #[must_use]
    pub const fn with_next(self, with_next_px2: Option<[f64; 4]>) -> Self {
        match self {
            Self::Hand => self,
            Self::Snapped { covariance_px2, levels, slant, .. } => {
                Self::Snapped { covariance_px2, levels, with_next_px2, slant }
            }
        }
    }

    /// The same where the edge is met aslant; by hand it stays as it is.
    #[must_use]
    pub const fn aslant(self, slant: Option<f64>) -> Self {
        match self {
            Self::Hand => self,
            Self::Snapped { covariance_px2, levels, with_next_px2, .. } => {
                Self::Snapped { covariance_px2, levels, with_next_px2, slant }
            }
        }
    }

    /// The word for tables.
    #[must_use]
    pub const fn name(&self) -> &'static str {
        match self {
            Self::Hand => "hand",
            Self::Snapped { .. } => "snapped",
        }
    }
}

/// One placed point.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Mark {
    /// Where, image coordinates.
    pub at: Point<Image>,
    /// What it stands on.
    pub kind: MarkKind,
    /// How it came there.
    pub placement: Placement,
}

impl Mark {
    /// A mark set by hand.
    #[must_use]
    pub const fn by_hand(at: Point<Image>, kind: MarkKind) -> Self {
        Self { at, kind, placement: Placement::Hand }
    }
}

/// What a shape measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "lowercase")]
#[non_exhaustive]
pub enum Kind {
    /// The straight distance between two marks.
    Span,
    /// The length along a smooth curve through the marks.
    Axis,
    /// The straight distance across an axis.
    Breadth,
    /// Straight segments from joint to joint, and their sum.
    Appendage,
    /// The area within a closed line, with its perimeter and calipers.
    Outline,
    /// The angle at the second of three marks.
    Angle,
    /// One measurement over another.
    Ratio,
    /// Measurements added up.
    Sum,
}

/// What a figure is counted in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "lowercase")]
pub enum Unit {
    /// Micrometres.
    Um,
    /// Square micrometres.
    Um2,
    /// Degrees.
    Deg,
    /// A bare number.
    One,
}

impl Unit {
    /// As people write it, empty for a bare number.
    #[must_use]
    pub const fn symbol(self) -> &'static str {
        match self {
            Self::Um => "µm",
            Self::Um2 => "µm²",
            Self::Deg => "°",
            Self::One => "",
        }
    }

    /// What ends the keys of files: `_um`, `_um2`, `_deg`, or nothing.
    #[must_use]
    pub const fn suffix(self) -> &'static str {
        match self {
            Self::Um => "_um",
            Self::Um2 => "_um2",
            Self::Deg => "_deg",
            Self::One => "",
        }
    }
}

impl Kind {
    /// The word for tables and JSON.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Span => "span",
            Self::Axis => "axis",
            Self::Breadth => "breadth",
            Self::Appendage => "appendage",
            Self::Outline => "outline",
            Self::Angle => "angle",
            Self::Ratio => "ratio",
            Self::Sum => "sum",
        }
    }

    /// What its value is counted in; a sum's is that of its terms, lengths.
    #[must_use]
    pub const fn unit(self) -> Unit {
        match self {
            Self::Span | Self::Axis | Self::Breadth | Self::Appendage | Self::Sum => Unit::Um,
            Self::Outline => Unit::Um2,
            Self::Angle => Unit::Deg,
            Self::Ratio => Unit::One,
        }
    }

    /// What its ends are unless a person says otherwise.
    #[must_use]
    pub const fn usual_ends(self) -> MarkKind {
        match self {
            Self::Span | Self::Axis | Self::Breadth | Self::Outline => MarkKind::Silhouette,
            Self::Appendage | Self::Angle | Self::Ratio | Self::Sum => MarkKind::Feature,
        }
    }
}

/// A shape drawn on a picture.
#[derive(Clone, Debug, PartialEq)]
pub struct Shape {
    /// Its name, as `axis 1`.
    pub name: String,
    /// What it measures.
    pub kind: Kind,
    /// Its marks in their order.
    pub marks: Vec<Mark>,
}

impl Shape {
    /// A shape from points set by hand: its first and last mark stand on `ends`, those between on features; all of an outline's
    /// stand on `ends`.
    #[must_use]
    pub fn by_hand(name: String, kind: Kind, points: &[Point<Image>], ends: MarkKind) -> Self {
        let last = points.len().saturating_sub(1);
        let kind_of = |i: usize| if i == 0 || i == last || kind == Kind::Outline { ends } else { MarkKind::Feature };
        let marks = points.iter().enumerate().map(|(i, &p)| Mark::by_hand(p, kind_of(i))).collect();
        Self { name, kind, marks }
    }

    /// What its ends stand on, where both stand on the same.
    #[must_use]
    pub fn ends(&self) -> Option<MarkKind> {
        let (first, last) = (self.marks.first()?, self.marks.last()?);
        (first.kind == last.kind).then_some(first.kind)
    }

    /// How its marks were placed: `hand`, `snapped` or `some snapped`.
    #[must_use]
    pub fn placement(&self) -> &'static str {
        let snapped = self.marks.iter().filter(|m| m.placement != Placement::Hand).count();
        match snapped {
            0 => "hand",
            n if n == self.marks.len() => "snapped",
            _ => "some snapped",
        }
    }

    /// The middle of its marks, image coordinates.
    #[must_use]
    pub fn middle(&self) -> Point<Image> {
        let n = self.marks.len().max(1) as f64;
        let (x, y) = self.marks.iter().fold((0.0, 0.0), |s, m| (s.0 + m.at.x, s.1 + m.at.y));
        Point::new(x / n, y / n)
    }
}
