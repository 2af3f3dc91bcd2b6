//! A place on the silhouette, what is known when it is sought, and why there may be none.

use crate::animal::by_hand;
use crate::animal::{Ground, Levels, Mark, MarkKind, Placement};
use crate::units::{Image, Point, Px, Vector};

/// A tip, or an outline's mark, whose silhouette is hollow with a radius below this many blur spots has something attached beside it;
/// so has an outline's mark whose silhouette runs aslant of the outline by more than this, radians. Set on rendered animals at f/4: marks
/// of outlines that limbs had drawn outward (0.3 µm on the average, 1.0 µm rms) are left to the hand, those kept beside limbs are within
/// 0.11 µm as anywhere else; all heads that had been sought between two antennae (2 to 3 µm too far) are. Bodies themselves are
/// seldom hollow so sharply.
const HOLLOW_W: f64 = 7.0;
pub(super) const ASLANT_RAD: f64 = 0.4;
/// The same at a tip, beside which the hand may have set the mark, so that a rounded end turns. Not derived: flanks of antennae that were taken for heads
/// stood at 40°, and of 60 rendered animals no tip is lost by this at f/4 and two heads at f/8 (`animal_campaign anatomy`, from 5000).
const TIP_ASLANT_RAD: f64 = 0.55;
/// The same farther from the mark than this many of its standard uncertainties. A head that an antenna covers was sought 2.3 blur spots down the
/// antenna's flank, aslant by less than the limit above.
const FAR_TIP_ASLANT_RAD: f64 = 0.3;
const FAR_FROM_HAND: f64 = 4.0;

/// What is known when a mark is snapped.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Snapping {
    /// The blur spot in the picture, 10–90 %.
    pub w: Px,
    /// Largest distance by which a mark may move.
    pub capture: Px,
    /// How far the animal surely reaches inward from the mark; half the length of a span.
    pub inside: Px,
    /// Standard uncertainty of the mark's place across the direction in which it is snapped.
    pub u_across: Px,
    /// What animal and ground look like, where that is known; else the line's own ends tell.
    pub levels: Option<Levels>,
    /// True where the outermost point of a rounded end is wanted: a mark beside it meets the silhouette short of it.
    pub tip: bool,
}

impl Snapping {
    /// For marks set by hand on a picture with this blur spot: captured within 2½ blur spots and at least 6 px.
    #[must_use]
    pub fn by_hand(w: Px) -> Self {
        let w = Px::new(w.get().max(1.0));
        let capture = Px::new((2.5 * w.get()).max(6.0));
        Self { w, capture, inside: Px::new(f64::INFINITY), u_across: by_hand(w), levels: None, tip: false }
    }

    /// The same where the animal reaches at least this far inward.
    #[must_use]
    pub fn with_inside(self, inside: Px) -> Self {
        Self { inside, ..self }
    }

    /// The same with known levels.
    #[must_use]
    pub fn with_levels(self, levels: Option<Levels>) -> Self {
        Self { levels, ..self }
    }
}

/// A place on the silhouette.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SilhouettePoint {
    /// The place, corrected for curvature.
    pub at: Point<Image>,
    /// By how much it moved outward along the direction.
    pub moved: Px,
    /// Standard uncertainty along the direction: noise, texture, the correction for curvature.
    pub u_along: Px,
    /// Covariance of the place, px²: xx, xy, yy. Across the direction it is the mark's own, turned along the silhouette.
    pub covariance_px2: [f64; 3],
    /// Outward normal of the silhouette, of length 1.
    pub normal: Vector<Image>,
    /// Whether the animal is dark or bright there.
    pub ground: Ground,
    /// Light just inside and just outside.
    pub levels: Levels,
    /// 10–90 % width of the edge across the silhouette.
    pub w: Px,
    /// Its standard uncertainty.
    pub u_w: Px,
    /// Curvature of the silhouette, 1/px, positive where it is convex.
    pub curvature_per_px: f64,
    /// Correction for curvature that is contained, along the normal.
    pub correction: Px,
    /// Step over the scatter of a pixel.
    pub contrast_to_noise: f64,
}

impl SilhouettePoint {
    /// Whether the silhouette is hollow there, as between an animal and a limb that springs from it.
    pub(super) fn is_hollow(&self, w: Px) -> bool {
        self.curvature_per_px * w.get() < -1.0 / HOLLOW_W
    }

    /// Whether the silhouette runs aslant of a line that is square to `outward` by more than `limit_rad`, as the flank of a limb does.
    pub(super) fn is_aslant(&self, outward: Vector<Image>, limit_rad: f64) -> bool {
        self.normal.dot(outward) < limit_rad.cos() * outward.length()
    }

    /// Whether it is the flank of a limb rather than the tip that was marked: it runs too far aslant of the direction in which the tip was
    /// sought, or less so but far from where the hand saw the tip.
    pub(super) fn is_flank(&self, outward: Vector<Image>, w: Px) -> bool {
        let far = self.moved.get().abs() > FAR_FROM_HAND * by_hand(w).get();
        self.is_aslant(outward, if far { FAR_TIP_ASLANT_RAD } else { TIP_ASLANT_RAD })
    }

    /// The mark that it makes.
    #[must_use]
    pub const fn mark(&self) -> Mark {
        let placement = Placement::snapped(self.covariance_px2, Some(self.levels));
        Mark { at: self.at, kind: MarkKind::Silhouette, placement }
    }
}

/// Why a mark stays where the hand put it.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum NoEdge {
    /// The direction has no length or a number is not finite.
    #[error("no direction to look along; set marks at different places")]
    NoDirection,
    /// Too much of the line lies outside the picture.
    #[error("the picture ends beside the mark")]
    OutsidePicture,
    /// Nothing like a silhouette within reach.
    #[error("no edge within {capture_px:.1} px; set the mark nearer to the edge")]
    None {
        /// The reach, px.
        capture_px: f64,
    },
    /// An edge far fainter than the rest of the animal.
    #[error("the edge has only {percent:.0} % of the contrast expected, 35 % are needed")]
    Faint {
        /// Share of the expected contrast, percent.
        percent: f64,
    },
    /// Animal and ground look alike.
    #[error(
        "animal and ground differ by only {percent:.1} % in light there, at least 6 % are needed to be sure of an edge"
    )]
    Pale {
        /// Step over the brighter side, percent.
        percent: f64,
    },
    /// Lost in the noise.
    #[error("the edge is only {contrast_to_noise:.1} times the noise, at least 2 are needed")]
    Noisy {
        /// Step over noise of a pixel.
        contrast_to_noise: f64,
    },
    /// Two edges that are as good as each other.
    #[error("two edges {apart_px:.1} px apart are equally likely; set the mark on the right one")]
    Ambiguous {
        /// Distance, px.
        apart_px: f64,
    },
    /// Pixels at the end of the recording range.
    #[error("{percent:.0} % of the pixels at the edge are burnt out, at most 30 % will do; expose less")]
    Burnt {
        /// Share, percent.
        percent: f64,
    },
    /// The silhouette runs hollow where it should be round, or aslant: something is attached there.
    #[error("the outline runs on into something beside it, a limb perhaps; set the mark where the animal itself ends")]
    Attached,
    /// The edge is nothing like as sharp as the blur spot says.
    #[error(
        "the edge is {w_px:.1} px wide, more than 3 times the blur spot of {blur_px:.1} px; it is out of focus or no edge"
    )]
    Wide {
        /// Width found, px.
        w_px: f64,
        /// Blur spot, px.
        blur_px: f64,
    },
    /// So little of the silhouette is clear that the hand knows its place better.
    #[error(
        "the edge is known to {u_px:.1} px only, a mark set by hand to {by_hand_px:.1} px; too little of it is clear there"
    )]
    Unsure {
        /// Standard uncertainty of the place found, px.
        u_px: f64,
        /// That of a mark set by hand, px.
        by_hand_px: f64,
    },
    /// The fit does not settle near the crossing.
    #[error("no modelled edge fits the light there")]
    NoFit,
}
