//! The list of shapes.

use super::ink::Ink;

/// A line's ink and width.
#[derive(Clone, Debug, PartialEq)]
pub struct Stroke {
    /// The ink.
    pub ink: Ink,
    /// The width, px.
    pub width_px: f64,
    /// Lengths of dashes and gaps in turn, px; empty for a full line. An even number of them.
    pub dashes_px: Vec<f64>,
}

impl Stroke {
    /// A full line.
    #[must_use]
    pub const fn new(ink: Ink, width_px: f64) -> Self {
        Self { ink, width_px, dashes_px: Vec::new() }
    }

    /// The same, dashed in proportion to its width.
    #[must_use]
    pub fn dashed(mut self) -> Self {
        self.dashes_px = vec![4.0 * self.width_px, 3.0 * self.width_px];
        self
    }
}

/// Which point of a text stands at its position.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Anchor {
    /// The left end of the base line.
    Start,
    /// The middle of the base line.
    Middle,
    /// The right end of the base line.
    End,
}

/// Something drawn; positions are pixels from the upper left corner, x right, y down.
#[derive(Clone, Debug, PartialEq)]
pub enum Shape {
    /// A line or an area.
    Path {
        /// Corners.
        points: Vec<(f64, f64)>,
        /// True when the last corner joins the first.
        closed: bool,
        /// Ink of the area.
        fill: Option<Ink>,
        /// The line.
        stroke: Option<Stroke>,
    },
    /// A disc or a ring.
    Circle {
        /// Its centre.
        centre: (f64, f64),
        /// Its radius, px.
        radius_px: f64,
        /// Ink of the disc.
        fill: Option<Ink>,
        /// The ring.
        stroke: Option<Stroke>,
    },
    /// One line of text.
    Text {
        /// Where its anchor stands.
        at: (f64, f64),
        /// The text.
        text: String,
        /// Height of the font (its em), px.
        size_px: f64,
        /// Which point stands there.
        anchor: Anchor,
        /// True when the text runs upwards.
        upwards: bool,
        /// True for a heavier face.
        heavy: bool,
        /// Its ink.
        ink: Ink,
        /// A line around the letters, drawn below them.
        halo: Option<Stroke>,
    },
}

/// Marks told apart by their shape, without colour.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MarkShape {
    /// A filled disc.
    Disc,
    /// An open ring.
    Ring,
    /// A filled square.
    Square,
    /// An upright cross.
    Plus,
    /// A diagonal cross.
    Cross,
    /// A filled triangle, point up.
    Triangle,
    /// A filled diamond.
    Diamond,
}

impl MarkShape {
    /// The order in which unnamed series take their shapes.
    pub const ORDER: [Self; 6] = [Self::Disc, Self::Cross, Self::Square, Self::Ring, Self::Triangle, Self::Diamond];

    /// The mark of a half-width about a centre, in an ink, with lines of the given width.
    pub(crate) fn shapes(self, centre: (f64, f64), half_px: f64, ink: Ink, line_px: f64) -> Vec<Shape> {
        let (x, y) = centre;
        let at = |dx: f64, dy: f64| (x + dx * half_px, y + dy * half_px);
        let area = |points: Vec<(f64, f64)>| vec![Shape::Path { points, closed: true, fill: Some(ink), stroke: None }];
        let line = |from, to| Shape::Path {
            points: vec![from, to],
            closed: false,
            fill: None,
            stroke: Some(Stroke::new(ink, line_px)),
        };
        match self {
            Self::Disc => vec![Shape::Circle { centre, radius_px: half_px, fill: Some(ink), stroke: None }],
            Self::Ring => {
                vec![Shape::Circle { centre, radius_px: half_px, fill: None, stroke: Some(Stroke::new(ink, line_px)) }]
            }
            Self::Square => area(vec![at(-0.88, -0.88), at(0.88, -0.88), at(0.88, 0.88), at(-0.88, 0.88)]),
            Self::Plus => vec![line(at(-1.2, 0.0), at(1.2, 0.0)), line(at(0.0, -1.2), at(0.0, 1.2))],
            Self::Cross => vec![line(at(-0.9, -0.9), at(0.9, 0.9)), line(at(-0.9, 0.9), at(0.9, -0.9))],
            Self::Triangle => area(vec![at(0.0, -1.15), at(1.05, 0.8), at(-1.05, 0.8)]),
            Self::Diamond => area(vec![at(0.0, -1.25), at(1.0, 0.0), at(0.0, 1.25), at(-1.0, 0.0)]),
        }
    }
}

/// Shapes on a ground of the given size, drawn in order.
#[derive(Clone, Debug, PartialEq)]
pub struct Scene {
    /// Width, px.
    pub width_px: f64,
    /// Height, px.
    pub height_px: f64,
    /// The shapes.
    pub shapes: Vec<Shape>,
}

impl Scene {
    /// An empty scene.
    #[must_use]
    pub const fn new(width_px: f64, height_px: f64) -> Self {
        Self { width_px, height_px, shapes: Vec::new() }
    }

    /// Adds a line through points.
    pub fn line(&mut self, points: Vec<(f64, f64)>, stroke: Stroke) {
        self.shapes.push(Shape::Path { points, closed: false, fill: None, stroke: Some(stroke) });
    }

    /// Adds an upright rectangle.
    pub fn rectangle(
        &mut self,
        (x, y): (f64, f64),
        (width, height): (f64, f64),
        fill: Option<Ink>,
        stroke: Option<Stroke>,
    ) {
        let points = vec![(x, y), (x + width, y), (x + width, y + height), (x, y + height)];
        self.shapes.push(Shape::Path { points, closed: true, fill, stroke });
    }
}
