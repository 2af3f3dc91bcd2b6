//! The shapes, ratios and sums that arguments ask for.

use super::parse::{self, BreadthAsked, NamedMarks};
use crate::animal::{Figure, FigureError, Kind, MarkKind, Shape};

/// What is to be measured.
#[derive(Clone, Debug, Default, clap::Args)]
pub(super) struct Asked {
    /// Length along a smooth curve through these marks
    #[arg(long, value_name = "MARKS", value_parser = parse::named_marks, allow_hyphen_values = true)]
    axis: Vec<NamedMarks>,
    /// Straight distance between two marks
    #[arg(long, value_name = "MARKS", value_parser = parse::named_marks, allow_hyphen_values = true)]
    span: Vec<NamedMarks>,
    /// Distance across the animal: between two marks, or square to an axis by its edges, where it is widest ("axis 1") or at a place
    /// along it ("axis 1 at 40%")
    #[arg(long, value_name = "MARKS|AXIS", value_parser = parse::breadth, allow_hyphen_values = true)]
    breadth: Vec<BreadthAsked>,
    /// Segments from joint to joint, and their sum
    #[arg(long, value_name = "MARKS", value_parser = parse::named_marks, allow_hyphen_values = true)]
    appendage: Vec<NamedMarks>,
    /// Area, perimeter and calipers of the smooth closed line through these marks
    #[arg(long, value_name = "MARKS", value_parser = parse::named_marks, allow_hyphen_values = true)]
    outline: Vec<NamedMarks>,
    /// Angle at the second of three marks
    #[arg(long, value_name = "MARKS", value_parser = parse::named_marks, allow_hyphen_values = true)]
    angle: Vec<NamedMarks>,
    /// Ratio of two measurements by their names, as "appendage 1/axis 1" or "appendage 1 segment 2/appendage 1"
    #[arg(long, value_name = "A/B")]
    ratio: Vec<String>,
    /// Sum of measurements by their names, as "axis 1 + span 2"
    #[arg(long, value_name = "A + B")]
    sum: Vec<String>,
}

impl Asked {
    /// The shapes in the order of their kinds, with their own names or numbered by kind; marks as the hand set them.
    pub(super) fn shapes(&self, ends: Option<MarkKind>) -> Vec<Shape> {
        let marks = |b: &BreadthAsked| match b {
            BreadthAsked::Marks(marks) => Some(marks.clone()),
            BreadthAsked::Across(..) => None,
        };
        let breadths: Vec<NamedMarks> = self.breadth.iter().filter_map(marks).collect();
        let kinds = [
            (Kind::Axis, &self.axis),
            (Kind::Span, &self.span),
            (Kind::Breadth, &breadths),
            (Kind::Appendage, &self.appendage),
            (Kind::Outline, &self.outline),
            (Kind::Angle, &self.angle),
        ];
        let mut out = Vec::new();
        for (kind, all) in kinds {
            for (i, NamedMarks { name, points }) in all.iter().enumerate() {
                let name = name.clone().unwrap_or_else(|| format!("{} {}", kind.name(), i + 1));
                // An outline is one of the animal; the arms of an angle are lines.
                let ends = match kind {
                    Kind::Outline | Kind::Angle => kind.usual_ends(),
                    _ => ends.unwrap_or(kind.usual_ends()),
                };
                out.push(Shape::by_hand(name, kind, points, ends));
            }
        }
        out
    }

    /// Breadths to be found across an axis: their names, the axis's, and the share of its length.
    pub(super) fn across(&self) -> Vec<(String, &str, Option<f64>)> {
        let by_marks = self.breadth.iter().filter(|b| matches!(b, BreadthAsked::Marks(_))).count();
        let asked = self.breadth.iter().filter_map(|b| match b {
            BreadthAsked::Across(axis, at) => Some((axis.as_str(), *at)),
            BreadthAsked::Marks(_) => None,
        });
        asked.enumerate().map(|(i, (axis, at))| (format!("breadth {}", by_marks + i + 1), axis, at)).collect()
    }

    /// Ratios and sums of those shapes.
    pub(super) fn figures(&self, shapes: &[Shape]) -> Result<Vec<Figure>, FigureError> {
        let ratios = self.ratio.iter().map(|text| Figure::ratio(text, shapes));
        ratios.chain(self.sum.iter().map(|text| Figure::sum(text, shapes))).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Point;

    #[derive(clap::Parser)]
    struct Only {
        #[command(flatten)]
        asked: Asked,
    }

    fn asked(words: &[&str]) -> Asked {
        let words = std::iter::once("x").chain(words.iter().copied());
        <Only as clap::Parser>::try_parse_from(words).unwrap().asked
    }

    #[test]
    fn shapes_are_numbered_by_kind_and_have_their_usual_ends() {
        let words = ["--span", "1,2 3,4", "--axis", "1,2 3,4 5,6", "--span", "-5,6 7,8", "--appendage", "1,1 2,2 3,3"];
        let shapes =
            asked(&[&words[..], &["--outline", "1,1 5,1 5,5", "--angle", "1,1 2,2 3,1"]].concat()).shapes(None);
        let names: Vec<_> = shapes.iter().map(|s| s.name.as_str()).collect();
        assert_eq!(names, ["axis 1", "span 1", "span 2", "appendage 1", "outline 1", "angle 1"]);
        assert_eq!(shapes[2].marks[0].at, Point::new(-5.0, 6.0));
        let kinds = |i: usize| shapes[i].marks.iter().map(|m| m.kind).collect::<Vec<_>>();
        use MarkKind::{Feature, Silhouette};
        assert_eq!(kinds(0), [Silhouette, Feature, Silhouette]);
        assert_eq!(kinds(3), [Feature, Feature, Feature]);
        assert_eq!(kinds(4), [Silhouette, Silhouette, Silhouette]);
    }

    #[test]
    fn ratios_and_sums_name_what_is_measured() {
        let asked =
            asked(&["--axis", "body: 1,2 3,4", "--span", "1,1 2,2", "--ratio", "span 1/body", "--sum", "body+span 1"]);
        let shapes = asked.shapes(None);
        let figures = asked.figures(&shapes).unwrap();
        assert_eq!(figures.iter().map(Figure::kind).collect::<Vec<_>>(), [Kind::Ratio, Kind::Sum]);
        assert!(asked.figures(&shapes[..1]).is_err());
    }
}
