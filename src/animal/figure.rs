//! Figures made of others: ratios and sums.

use serde::{Deserialize, Serialize};

use super::mark::{Kind, Shape, Unit};

/// A measurement, or a part of it: a segment of an appendage, a perimeter or caliper of an outline.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Part {
    /// Place of the shape among those evaluated together.
    pub shape: usize,
    /// Place among its parts, from 0; `None` for the whole.
    pub part: Option<usize>,
}

/// How a figure is made of others.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Recipe {
    /// The first over the second.
    Ratio(Part, Part),
    /// All added up.
    Sum(Vec<Part>),
}

/// A ratio or sum of measurements of one picture.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Figure {
    /// Its name, as `antenna 1/axis 1`.
    pub name: String,
    /// How it is made.
    pub recipe: Recipe,
}

/// Names of an outline's parts, in their order.
pub(super) const OUTLINE_PARTS: [&str; 3] = ["perimeter", "longest caliper", "shortest caliper"];

impl Shape {
    /// Names of its parts in their order: the segments of an appendage; perimeter and calipers of an outline.
    #[must_use]
    pub fn part_names(&self) -> Vec<String> {
        match self.kind {
            Kind::Appendage => (1..self.marks.len()).map(|i| format!("segment {i}")).collect(),
            Kind::Outline => OUTLINE_PARTS.map(str::to_owned).to_vec(),
            _ => Vec::new(),
        }
    }

    /// What the whole or a part is counted in.
    #[must_use]
    pub fn unit_of(&self, part: Option<usize>) -> Unit {
        if part.is_some() { Unit::Um } else { self.kind.unit() }
    }
}

/// Why a name means no measurement.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum FigureError {
    /// No such name.
    #[error("there is no measurement \"{name}\"; there are: {known}")]
    Unknown {
        /// What was asked for.
        name: String,
        /// All names.
        known: String,
    },
    /// A ratio or sum of nothing.
    #[error("\"{text}\" is no {what}; write {example}")]
    Shape {
        /// What was written.
        text: String,
        /// Ratio or sum.
        what: &'static str,
        /// How it is written.
        example: &'static str,
    },
    /// Terms in different units.
    #[error("\"{text}\" mixes {first} and {second}; only like units can be added or compared")]
    Units {
        /// What was written.
        text: String,
        /// Unit of the first.
        first: &'static str,
        /// Unit of another.
        second: &'static str,
    },
}

impl Figure {
    /// A ratio from names, as `antenna 1/axis 1` or `antenna 1 segment 2/antenna 1`.
    ///
    /// # Errors
    /// [`FigureError`]: no such name, unlike units.
    pub fn ratio(text: &str, shapes: &[Shape]) -> Result<Self, FigureError> {
        let bad = || FigureError::Shape {
            text: text.to_owned(),
            what: "ratio of two measurements",
            example: "\"appendage 1/axis 1\"",
        };
        let (above, below) = text.split_once('/').ok_or_else(bad)?;
        let parts = (find(above, shapes)?, find(below, shapes)?);
        alike(text, &[parts.0, parts.1], shapes)?;
        Ok(Self { name: text.trim().to_owned(), recipe: Recipe::Ratio(parts.0, parts.1) })
    }

    /// A sum from names, as `axis 1 + span 2`.
    ///
    /// # Errors
    /// [`FigureError`]: no such name, unlike units.
    pub fn sum(text: &str, shapes: &[Shape]) -> Result<Self, FigureError> {
        let parts = text.split('+').map(|name| find(name, shapes)).collect::<Result<Vec<_>, _>>()?;
        if parts.len() < 2 {
            return Err(FigureError::Shape {
                text: text.to_owned(),
                what: "sum of measurements",
                example: "\"axis 1 + span 2\"",
            });
        }
        alike(text, &parts, shapes)?;
        Ok(Self { name: text.trim().to_owned(), recipe: Recipe::Sum(parts) })
    }

    /// What it is made of.
    #[must_use]
    pub fn parts(&self) -> Vec<Part> {
        match &self.recipe {
            Recipe::Ratio(a, b) => vec![*a, *b],
            Recipe::Sum(terms) => terms.clone(),
        }
    }

    /// Ratio or sum.
    #[must_use]
    pub const fn kind(&self) -> Kind {
        match self.recipe {
            Recipe::Ratio(..) => Kind::Ratio,
            Recipe::Sum(_) => Kind::Sum,
        }
    }

    /// What it is counted in.
    #[must_use]
    pub fn unit(&self, shapes: &[Shape]) -> Unit {
        match &self.recipe {
            Recipe::Ratio(..) => Unit::One,
            Recipe::Sum(terms) => {
                terms.first().and_then(|t| Some(shapes.get(t.shape)?.unit_of(t.part))).unwrap_or(Unit::Um)
            }
        }
    }
}

fn alike(text: &str, parts: &[Part], shapes: &[Shape]) -> Result<(), FigureError> {
    let units: Vec<Unit> = parts.iter().map(|p| shapes[p.shape].unit_of(p.part)).collect();
    match units.iter().find(|u| **u != units[0]) {
        Some(other) => {
            Err(FigureError::Units { text: text.to_owned(), first: units[0].symbol(), second: other.symbol() })
        }
        None => Ok(()),
    }
}

/// A shape by its name, or a part by the shape's name and its own behind it.
fn find(name: &str, shapes: &[Shape]) -> Result<Part, FigureError> {
    let wanted = plain(name);
    let mut known = Vec::new();
    for (shape, s) in shapes.iter().enumerate() {
        if plain(&s.name) == wanted {
            return Ok(Part { shape, part: None });
        }
        known.push(s.name.clone());
        for (part, own) in s.part_names().iter().enumerate() {
            let full = format!("{} {own}", s.name);
            if plain(&full) == wanted {
                return Ok(Part { shape, part: Some(part) });
            }
            known.push(full);
        }
    }
    Err(FigureError::Unknown { name: name.trim().to_owned(), known: known.join(", ") })
}

/// Case, commas and repeated spaces do not matter.
fn plain(name: &str) -> String {
    name.to_lowercase().replace(',', " ").split_whitespace().collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::animal::MarkKind;
    use crate::units::Point;

    fn shapes() -> Vec<Shape> {
        let points: Vec<_> = (0..4).map(|i| Point::new(f64::from(i), 1.0)).collect();
        [("axis 1", Kind::Axis), ("Antenna", Kind::Appendage), ("outline 1", Kind::Outline)]
            .map(|(name, kind)| Shape::by_hand(name.to_owned(), kind, &points, MarkKind::Feature))
            .to_vec()
    }

    #[test]
    fn names_of_wholes_and_parts_are_found() {
        let s = shapes();
        let part = |shape, part| Part { shape, part };
        let ratio = Figure::ratio(" antenna segment 2 / axis 1", &s).unwrap();
        assert_eq!(ratio.recipe, Recipe::Ratio(part(1, Some(1)), part(0, None)));
        let sum = Figure::sum("axis 1+Antenna, segment 3+outline 1 perimeter", &s).unwrap();
        assert_eq!(sum.recipe, Recipe::Sum(vec![part(0, None), part(1, Some(2)), part(2, Some(0))]));
        assert_eq!((ratio.unit(&s), sum.unit(&s)), (Unit::One, Unit::Um));
    }

    #[test]
    fn what_makes_no_sense_is_refused_with_words() {
        let s = shapes();
        let unknown = Figure::ratio("tail/axis 1", &s).unwrap_err().to_string();
        assert!(unknown.starts_with("there is no measurement \"tail\"; there are: axis 1, Antenna, Antenna segment 1"));
        assert!(matches!(Figure::ratio("axis 1", &s), Err(FigureError::Shape { .. })));
        assert!(matches!(Figure::sum("axis 1", &s), Err(FigureError::Shape { .. })));
        let mixed = Figure::sum("axis 1 + outline 1", &s).unwrap_err().to_string();
        assert_eq!(mixed, "\"axis 1 + outline 1\" mixes µm and µm²; only like units can be added or compared");
    }
}
