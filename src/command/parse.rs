//! Reading what people type after options.

use crate::animal::{Lying, MarkKind};
use crate::slide::HandMark;
use crate::units::{Angle, Image, Point, Um, parse_length, parse_ratio_of_lengths};

/// A length with its unit.
pub(super) fn length(text: &str) -> Result<Um, String> {
    parse_length(text).map_err(|e| e.to_string())
}

/// An uncertainty over a length, as `0.5um/1mm`.
pub(super) fn ratio(text: &str) -> Result<(Um, Um), String> {
    let (u, over) = parse_ratio_of_lengths(text).map_err(|e| e.to_string())?;
    if u / over > 0.1 {
        let percent = 100.0 * (u / over);
        return Err(format!("{text} is {percent:.0} % of the length; a ruled slide is known better than 10 %"));
    }
    Ok((u, over))
}

/// A finite number above zero.
pub(super) fn positive(text: &str) -> Result<f64, String> {
    let value = number(text)?;
    if value > 0.0 { Ok(value) } else { Err(format!("{text} must be above 0")) }
}

/// An angle in degrees from 0 to 45.
pub(super) fn tilt_degrees(text: &str) -> Result<f64, String> {
    let value = number(text)?;
    if (0.0..=45.0).contains(&value) { Ok(value) } else { Err(format!("{text}° must be between 0 and 45")) }
}

fn number(text: &str) -> Result<f64, String> {
    let plain = text.trim().trim_end_matches(['x', '×']).trim_start_matches("f/");
    match plain.replace(',', ".").parse::<f64>() {
        Ok(v) if v.is_finite() => Ok(v),
        _ => Err(format!("\"{text}\" is not a number")),
    }
}

/// Marks as `x,y x,y …`.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Marks(pub(super) Vec<Point<Image>>);

/// Marks as `x,y x,y …`: pixels, a comma inside a mark, spaces between marks.
pub(super) fn marks(text: &str) -> Result<Marks, String> {
    let mut points = Vec::new();
    for pair in text.split([' ', ';', '\t', '\n']).filter(|p| !p.is_empty()) {
        let bad = || format!("\"{pair}\" is not a mark; write x,y in pixels, as in \"120.5,88 310,95.5\"");
        let (x, y) = pair.split_once(',').ok_or_else(bad)?;
        let coordinate = |t: &str| t.trim().parse::<f64>().ok().filter(|v| v.is_finite()).ok_or_else(bad);
        points.push(Point::new(coordinate(x)?, coordinate(y)?));
    }
    if points.len() < 2 {
        return Err(format!(
            "\"{text}\" holds too few marks ({}), at least 2 are needed, as in \"120.5,88 310,95.5\"",
            points.len()
        ));
    }
    Ok(Marks(points))
}

/// Marks, with a name before a colon or without: `antenna: x,y x,y …`.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct NamedMarks {
    pub(super) name: Option<String>,
    pub(super) points: Vec<Point<Image>>,
}

/// A breadth: two marks, or across an axis by its name.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum BreadthAsked {
    Marks(NamedMarks),
    /// The axis's name and the share of its length; `None` where it is widest.
    Across(String, Option<f64>),
}

/// `x,y x,y`, or `axis 1`, or `axis 1 at 40%`.
pub(super) fn breadth(text: &str) -> Result<BreadthAsked, String> {
    if text.contains(',') {
        return named_marks(text).map(BreadthAsked::Marks);
    }
    let (axis, at) = match text.rsplit_once(" at ") {
        None => (text, None),
        Some((axis, place)) => {
            let bad = || format!("\"{}\" is no place along an axis; write as in \"axis 1 at 40%\"", place.trim());
            let percent: f64 = place.trim().strip_suffix('%').ok_or_else(bad)?.trim().parse().map_err(|_err| bad())?;
            if !(percent > 0.0 && percent < 100.0) {
                return Err(format!("{percent} % is not along the axis; it must be between 0 and 100"));
            }
            (axis, Some(0.01 * percent))
        }
    };
    if axis.trim().is_empty() {
        return Err(
            "a breadth is two marks, as \"x,y x,y\", or an axis's name, as \"axis 1\" or \"axis 1 at 40%\"".to_owned()
        );
    }
    Ok(BreadthAsked::Across(axis.trim().to_owned(), at))
}

/// Marks, with a name before a colon or without.
pub(super) fn named_marks(text: &str) -> Result<NamedMarks, String> {
    let Some((name, rest)) = text.split_once(':') else {
        return marks(text).map(|Marks(points)| NamedMarks { name: None, points });
    };
    let name = name.trim();
    if name.is_empty() || name.contains(['/', '+', ',']) {
        return Err(format!(
            "\"{name}\" is no name: it must not be empty nor hold / + or a comma, which ratios and sums need"
        ));
    }
    Ok(NamedMarks { name: Some(name.to_owned()), points: marks(rest)?.0 })
}

/// Marks on a ruler as `x,y=LENGTH x,y=LENGTH …`.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct HandMarks(pub(super) Vec<HandMark>);

/// Marks on a ruler: pixels, `=`, and what the ruler says there with its unit.
pub(super) fn hand_marks(text: &str) -> Result<HandMarks, String> {
    let mut marks = Vec::new();
    for one in text.split([' ', ';', '\t', '\n']).filter(|p| !p.is_empty()) {
        let bad =
            || format!("\"{one}\" is not a mark on a ruler; write x,y=LENGTH, as in \"120.5,88=0um 910,95.5=500um\"");
        let (at, along) = one.split_once('=').ok_or_else(bad)?;
        let (x, y) = at.split_once(',').ok_or_else(bad)?;
        let coordinate = |t: &str| t.trim().parse::<f64>().ok().filter(|v| v.is_finite()).ok_or_else(bad);
        let at = Point::new(coordinate(x)?, coordinate(y)?);
        marks.push(HandMark { at, along: from_zero(along)? });
    }
    if marks.len() < 2 {
        return Err(format!(
            "{} marks were given, at least 2 are needed, as in \"120.5,88=0um 910,95.5=500um\"",
            marks.len()
        ));
    }
    Ok(HandMarks(marks))
}

/// A length that may be 0, with its unit.
fn from_zero(text: &str) -> Result<Um, String> {
    let text = text.trim();
    let number_end = text.find(|c: char| !(c.is_ascii_digit() || matches!(c, '.' | ','))).unwrap_or(text.len());
    let (number, unit) = text.split_at(number_end);
    let zero = !number.is_empty() && number.chars().all(|c| matches!(c, '0' | '.' | ','));
    // Zero, but in a unit that exists.
    if zero && length(&format!("1{unit}")).is_ok() { Ok(Um::new(0.0)) } else { length(text) }
}

/// How the animal lies.
pub(super) fn lying(text: &str) -> Result<Lying, String> {
    let bad = || format!("\"{text}\" is none of flat, within:20, tilt:20, unknown (angles in degrees)");
    let angle = |t: &str, most: f64| {
        let degrees: f64 = t.trim().trim_end_matches('°').parse().map_err(|_err| bad())?;
        if degrees > 0.0 && degrees <= most {
            Ok(Angle::from_degrees(degrees))
        } else {
            Err(format!("the angle in \"{text}\" must be above 0 and at most {most}°"))
        }
    };
    match text.trim().split_once(':') {
        None if text.trim() == "flat" => Ok(Lying::Flat),
        None if text.trim() == "unknown" => Ok(Lying::Unknown),
        Some(("within", a)) => angle(a, 80.0).map(Lying::Within),
        Some(("tilt", a)) => angle(a, 80.0).map(Lying::Tilt),
        _ => Err(bad()),
    }
}

/// What the ends stand on.
pub(super) fn ends(text: &str) -> Result<MarkKind, String> {
    match text.trim() {
        "silhouette" => Ok(MarkKind::Silhouette),
        "feature" => Ok(MarkKind::Feature),
        _ => Err(format!("\"{text}\" is neither silhouette (the animal's outer edge) nor feature (a joint or line)")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn marks_as_people_type_them() {
        let got = marks(" 1.5,2  3,-4.25;5,6 ").unwrap();
        assert_eq!(got.0, [Point::new(1.5, 2.0), Point::new(3.0, -4.25), Point::new(5.0, 6.0)]);
        assert!(marks("1,2").unwrap_err().contains("holds too few marks (1)"));
        assert!(marks("1,2 3").unwrap_err().contains("\"3\" is not a mark"));
        assert!(marks("1,2 nan,3").is_err());
        assert!(marks("").is_err());
    }

    #[test]
    fn marks_may_have_a_name() {
        let got = named_marks(" left antenna : 1,2 3,4").unwrap();
        assert_eq!((got.name.as_deref(), got.points.len()), (Some("left antenna"), 2));
        assert_eq!(named_marks("1,2 3,4").unwrap().name, None);
        assert!(named_marks(":1,2 3,4").is_err() && named_marks("a/b: 1,2 3,4").unwrap_err().contains("is no name"));
    }

    #[test]
    fn marks_on_a_ruler_as_people_type_them() {
        let got = hand_marks("120.5,88=0um  910,95.5=0.5mm;915,95=0,51mm").unwrap().0;
        assert_eq!(got.len(), 3);
        assert_eq!((got[0].at, got[0].along), (Point::new(120.5, 88.0), Um::new(0.0)));
        assert!((got[1].along.get() - 500.0).abs() < 1e-9 && (got[2].along.get() - 510.0).abs() < 1e-9);
        for (bad, words) in [
            ("1,2=0um", "1 marks were given"),
            ("1,2=0um 3,4", "\"3,4\" is not a mark on a ruler"),
            ("1,2=0um 3=5um", "\"3=5um\""),
            ("1,2=0 3,4=5um", "no unit"),
            ("1,2=0um 3,4=5furlong", "furlong"),
            ("1,2=0um 3,nan=5um", "not a mark"),
            ("", "0 marks"),
        ] {
            let e = hand_marks(bad).unwrap_err();
            assert!(e.contains(words), "{bad}: {e}");
        }
    }

    #[test]
    fn a_breadth_is_two_marks_or_across_an_axis() {
        assert!(matches!(breadth("1,2 3,4"), Ok(BreadthAsked::Marks(_))));
        assert_eq!(breadth("axis 1"), Ok(BreadthAsked::Across("axis 1".to_owned(), None)));
        assert_eq!(breadth("axis 1 at 40 %"), Ok(BreadthAsked::Across("axis 1".to_owned(), Some(0.4))));
        assert!(breadth("axis 1 at 40").is_err() && breadth("axis 1 at 140%").is_err() && breadth(" ").is_err());
    }

    #[test]
    fn lying_as_people_type_it() {
        assert_eq!(lying("flat").unwrap(), Lying::Flat);
        assert_eq!(lying("within:20").unwrap(), Lying::Within(Angle::from_degrees(20.0)));
        assert_eq!(lying("tilt:7.5").unwrap(), Lying::Tilt(Angle::from_degrees(7.5)));
        for bad in ["", "within", "within:", "tilt:-3", "tilt:90", "within:inf", "sideways"] {
            assert!(lying(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn numbers_may_carry_their_habits() {
        assert_eq!(positive("5x").unwrap(), 5.0);
        assert_eq!(positive("f/2,8").unwrap(), 2.8);
        assert!(positive("0").is_err() && positive("-1").is_err() && positive("inf").is_err());
        assert!(ratio("0.5um/1mm").is_ok() && ratio("0.5mm/1mm").is_err());
    }
}
