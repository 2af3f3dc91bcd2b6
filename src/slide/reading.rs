//! What a ruled-slide picture yields: a reading, or a refusal with its reason.

use super::scale_map::ScaleMap;
use crate::units::{Angle, Image, Point, Px, PxPerUm, Um};

/// What is asked of a picture.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Request {
    /// Distance from one graduation to the next on the slide.
    pub division: Um,
    /// Scale expected from magnification and pixel pitch. It may help to choose between readings that the picture itself
    /// supports; it never makes one.
    pub expected: Option<PxPerUm>,
}

impl Request {
    /// A plain reading.
    #[must_use]
    pub const fn new(division: Um) -> Self {
        Self { division, expected: None }
    }
}

/// Why a graduation does not count.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Rejection {
    /// Nothing significant at its place.
    NotSeen,
    /// Its position disagrees with the others: dirt, damage, or a wrong mark.
    OutOfPlace,
    /// A person left it out.
    ByHand,
}

impl Rejection {
    /// In words.
    #[must_use]
    pub const fn reason(self) -> &'static str {
        match self {
            Self::NotSeen => "not seen",
            Self::OutOfPlace => "out of place",
            Self::ByHand => "by hand",
        }
    }
}

/// Which of a ruler's marks a graduation is.
#[derive(Clone, Copy, Debug, PartialEq)]
#[non_exhaustive]
pub enum Family {
    /// A line of the ruling.
    Along,
    /// A line of the ruling that crosses it.
    Across,
    /// A dot of a plate; its index is the column.
    Dot {
        /// Row, counted like the columns from an arbitrary one.
        row: i64,
        /// Distance from the fitted map across the ruling's direction.
        residual_across: Px,
    },
}

/// A graduation that a person leaves out of the fit, named by a place on it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LeftOut {
    /// The place; the line nearest to it is meant, where one is within a third of their distance.
    pub at: Point<Image>,
    /// True for a line of the ruling that crosses the first one.
    pub across: bool,
}

/// What kind of ruler was read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Ruler {
    /// Lines in one direction.
    Lines,
    /// Two rulings at right angles, or a grid.
    Crossed,
    /// Dots in a square lattice.
    Dots {
        /// Places along the ruling, from the first dot to the last.
        columns: usize,
        /// Places across it.
        rows: usize,
    },
    /// Marks that a person set on it.
    ByHand,
}

/// What two measured directions say of each other.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Isotropy {
    /// Scale across the ruling over the scale along it at the picture's centre.
    pub ratio: f64,
    /// Its standard uncertainty from the fit.
    pub u_ratio: f64,
    /// Angle between the two axes less a right angle, where one picture shows both; unknown from two pictures, between which the
    /// slide was turned by an unknown angle.
    pub squareness: Option<Squareness>,
    /// Probability that the data give to two scales or axes that are not square.
    pub evidence: f64,
}

/// How square two measured axes are.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Squareness {
    /// Angle between them less a right angle.
    pub angle: Angle,
    /// Its standard uncertainty from the fit.
    pub u: Angle,
}

/// One graduation of the ruling.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Graduation {
    /// Line of the ruling, line across it, or dot.
    pub family: Family,
    /// Its number, counted from an arbitrary one along the ruling's direction.
    pub index: i64,
    /// Middle of its measured part.
    pub at: Point<Image>,
    /// Distance from the fitted map across the line.
    pub residual: Px,
    /// Standard uncertainty of that distance, with the ruling's own errors.
    pub u: Px,
    /// Difference in linear light against the ground, negative for dark lines; full scale 1.
    pub contrast: f64,
    /// Why it was left out of the fit.
    pub rejected: Option<Rejection>,
}

impl Graduation {
    /// Distance of a dot from the map across the ruling's direction, px; 0 for lines.
    pub(super) const fn residual_across(&self) -> f64 {
        match self.family {
            Family::Dot { residual_across, .. } => residual_across.get(),
            Family::Along | Family::Across => 0.0,
        }
    }
}

/// A pattern of longer graduations, as far as it was seen.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum LongGraduations {
    /// Every tenth longest, every fifth between.
    FifthsAndTenths,
    /// Every tenth longer.
    Tenths,
    /// Every fifth longer.
    Fifths,
    /// None seen.
    None,
}

/// The blur measured from the graduations.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MeasuredBlur {
    /// 10–90 % width of the edge response.
    pub width: Px,
    /// Its standard uncertainty.
    pub u: Px,
}

/// Something that a person should know about a reading that stands.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum ReadingWarning {
    /// A person set the marks.
    ByHand {
        /// How many.
        marks: usize,
        /// Standard uncertainty of placing one.
        u_mark: Px,
    },
    /// Only a few graduations support the scale.
    FewGraduations(usize),
    /// A person left graduations out.
    LeftOutByHand(usize),
    /// A large part was left out.
    ManyRejected {
        /// Used in the fit.
        used: usize,
        /// Left out.
        rejected: usize,
    },
    /// No longer graduations in the picture tell the division.
    NoLongGraduations,
    /// The choice of the division rests on the expected scale as well.
    DivisionHelpedByExpectation,
    /// The scale changes over the picture.
    UnevenScale {
        /// Greatest over least local scale, minus 1.
        relative: f64,
    },
    /// The residuals are larger than the picture's noise explains.
    RulingErrors {
        /// Standard deviation of the ruling's own errors on the slide.
        sd_um: f64,
    },
    /// A large part of the graduations' neighbourhood is clipped.
    Clipped {
        /// Share of the picture, 0 to 1.
        share: f64,
    },
}

impl std::fmt::Display for ReadingWarning {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::ByHand { marks, u_mark } => write!(
                f,
                "the scale rests on {marks} marks set by hand, each known to {:.1} px; an automatic reading is better by far and guards against slips, so photograph the slide anew where you can",
                u_mark.get()
            ),
            Self::FewGraduations(n) => write!(f, "only {n} graduations support the scale; show more of the slide"),
            Self::LeftOutByHand(n) => write!(
                f,
                "{n} {} left out by hand; leave out only what the picture shows to be dirty or damaged, never what merely lies off",
                if *n == 1 { "graduation was" } else { "graduations were" }
            ),
            Self::ManyRejected { used, rejected } => write!(
                f,
                "{rejected} of {} graduations were left out as missing, faint or dirty; clean the slide or light it more evenly",
                used + rejected
            ),
            Self::NoLongGraduations => {
                write!(f, "no longer graduations are in the picture to confirm the division; check that it is right")
            }
            Self::DivisionHelpedByExpectation => write!(
                f,
                "the picture alone leaves the division open; it agrees with magnification over pixel pitch, so that was taken"
            ),
            Self::UnevenScale { relative } => write!(
                f,
                "the scale changes by {:.2} % over the picture (distortion or a tilted slide); lengths use the local scale",
                100.0 * relative
            ),
            Self::RulingErrors { sd_um } => write!(
                f,
                "the graduations scatter by {sd_um:.2} µm more than the picture's noise explains: the slide's own errors"
            ),
            Self::Clipped { share } => write!(
                f,
                "{:.0} % of the picture is clipped and carries no position; expose so that the ground stays below white",
                100.0 * share
            ),
        }
    }
}

/// A reading of one picture.
#[derive(Clone, Debug, PartialEq)]
pub struct Reading {
    /// Micrometres from pixels.
    pub map: ScaleMap,
    /// Scale at the picture's centre along the ruling's direction.
    pub scale: PxPerUm,
    /// Direction in which the graduations follow each other, image axes, in (−90°, 90°].
    pub rotation: Angle,
    /// What kind of ruler it was.
    pub ruler: Ruler,
    /// Ratio and squareness of the two directions, where both were measured.
    pub isotropy: Option<Isotropy>,
    /// Every graduation between the first and the last seen; every dot found.
    pub graduations: Vec<Graduation>,
    /// Root mean square distance of the used graduations from the map.
    pub residual_rms: Px,
    /// Relative standard uncertainty of the scale from the fit: localisation, the ruling's own errors, model choice.
    pub u_rel_fit: f64,
    /// Degrees of freedom of that uncertainty.
    pub dof: f64,
    /// Standard deviation of the ruling's own errors, on the slide.
    pub ruling_sd: Um,
    /// Bright lines on dark ground.
    pub bright_lines: bool,
    /// The pattern that tells the division.
    pub long_graduations: LongGraduations,
    /// Probability that the data give to radial distortion and to perspective.
    pub evidence_radial: f64,
    /// See `evidence_radial`.
    pub evidence_perspective: f64,
    /// Full width at half maximum of a graduation.
    pub line_width: Px,
    /// Shape of a graduation: distance from its centre in px and relative height, finely tabulated.
    pub line_shape: Vec<(f64, f64)>,
    /// Blur from the graduations.
    pub blur: Option<MeasuredBlur>,
    /// Contrast of a typical graduation over the noise of one pixel; unknown for marks set by hand.
    pub signal_to_noise: Option<f64>,
    /// What a person should know.
    pub warnings: Vec<ReadingWarning>,
}

impl Reading {
    /// Graduations in the fit.
    #[must_use]
    pub fn used(&self) -> usize {
        self.graduations.iter().filter(|g| g.rejected.is_none()).count()
    }

    /// Graduations left out.
    #[must_use]
    pub fn rejected(&self) -> usize {
        self.graduations.len() - self.used()
    }
}

/// Why a picture gives no scale.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum Refusal {
    /// The picture is too small to hold a ruling.
    #[error("the picture is only {width} × {height} px; at least 128 px each way are needed")]
    TooSmall {
        /// Columns.
        width: usize,
        /// Rows.
        height: usize,
    },
    /// Nothing periodic and straight.
    #[error(
        "no ruling was found: no straight, evenly spaced lines stand out; check focus, light and that the slide is in the frame"
    )]
    NoRuling,
    /// The light is clipped.
    #[error("{:.0} % of the picture is clipped, so the graduations cannot be located; expose less (or more) and try again", 100.0 * share)]
    Clipped {
        /// Share of the picture, 0 to 1.
        share: f64,
    },
    /// Too few lines to be sure.
    #[error(
        "only {found} graduations were found; at least {needed} are needed to be sure of the spacing; show more of the slide"
    )]
    TooFewGraduations {
        /// Seen.
        found: usize,
        /// Least number.
        needed: usize,
    },
    /// Evenly spaced lines, but not evenly enough.
    #[error(
        "the lines found are not evenly spaced (they scatter by {scatter_percent:.1} % of their distance; a ruling stays below {limit_percent} %); focus on the ruling itself, clean the slide, and frame more of the ruling and nothing else"
    )]
    Uneven {
        /// Scatter of the positions over the distance.
        scatter_percent: f64,
        /// Largest accepted.
        limit_percent: f64,
    },
    /// Few of the lines found are in the fit.
    #[error(
        "only {used} of {seen} lines found are in the fit ({by_hand} left out by hand), at least {needed_percent:.0} % are needed; count some of them again, or clean the slide and photograph it anew"
    )]
    TooManyLeftOut {
        /// Lines in the fit.
        used: usize,
        /// Lines found.
        seen: usize,
        /// Of those that are not in it, how many a person left out.
        by_hand: usize,
        /// Least share.
        needed_percent: f64,
    },
    /// The pattern has neither line ends nor longer graduations and is no thin-lined ruling.
    #[error("an even pattern was found, but nothing shows that it is a ruling: {missing}")]
    NotARuling {
        /// What was looked for.
        missing: &'static str,
    },
    /// The finest graduations may be unresolved.
    #[error("the division cannot be told: {why}; the scale could be wrong by {factors}")]
    DivisionAmbiguous {
        /// What was seen.
        why: &'static str,
        /// Possible factors.
        factors: &'static str,
    },
    /// The division itself is blurred away.
    #[error(
        "the division is not resolved: the graduations melt into a bar; use more magnification, a wider aperture or a coarser ruling"
    )]
    Unresolved,
    /// Two rulings with different spacings.
    #[error(
        "two rulings disagree: one has {first_px:.2} px, the other {second_px:.2} px from line to line; frame one of them"
    )]
    TwoRulings {
        /// Distance in the stronger one.
        first_px: f64,
        /// Distance in the other.
        second_px: f64,
    },
    /// The spacing is far from what magnification and pixel pitch promise.
    #[error(
        "the ruling reads {found_px_per_um:.4} px/µm, but magnification over pixel pitch gives {expected_px_per_um:.4} px/µm; check division, magnification and pixel pitch"
    )]
    OutsideExpectation {
        /// As read.
        found_px_per_um: f64,
        /// As expected.
        expected_px_per_um: f64,
    },
}

impl Refusal {
    /// A few words for tables and JSON.
    #[must_use]
    pub const fn reason(&self) -> &'static str {
        match self {
            Self::TooSmall { .. } => "picture too small",
            Self::NoRuling => "no ruling found",
            Self::Clipped { .. } => "clipped light",
            Self::TooFewGraduations { .. } => "too few graduations",
            Self::Uneven { .. } => "spacing not even",
            Self::TooManyLeftOut { .. } => "too many graduations left out",
            Self::NotARuling { .. } => "not a ruling",
            Self::DivisionAmbiguous { .. } => "division ambiguous",
            Self::Unresolved => "division not resolved",
            Self::TwoRulings { .. } => "two rulings disagree",
            Self::OutsideExpectation { .. } => "outside the expected scale",
        }
    }
}
