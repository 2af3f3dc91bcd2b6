//! Reading what people type after options.

use crate::animal::{Lying, MarkKind};
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
            "\"{text}\" holds {} marks, at least 2 are needed, as in \"120.5,88 310,95.5\"",
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
        assert!(marks("1,2").unwrap_err().contains("holds 1 marks"));
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
