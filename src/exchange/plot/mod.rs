//! Plots: panels of points, lines, bands and bars, with axes in round steps. Data in, PNG or SVG out.
//!
//! What series mean is told by shape and words as well as by colour. Legends stand above their panel, never
//! over the data; texts are measured, wrapped and spaced so that none is cut and none covers another.

mod layout;
mod panel;
mod ticks;

use super::draw::{DrawError, MarkShape, Scene, Tone};

/// A page of panels.
#[derive(Clone, Debug, PartialEq)]
pub struct Plot {
    /// Heading of the page; empty for none.
    pub title: String,
    /// A line or two below it; empty for none.
    pub subtitle: String,
    /// The panels, row by row.
    pub panels: Vec<Panel>,
    /// Panels side by side; 1 stacks them.
    pub columns: usize,
}

/// One pair of axes.
#[derive(Clone, Debug, PartialEq)]
pub struct Panel {
    /// Heading of the panel; empty for none.
    pub title: String,
    /// The axis across.
    pub x: Axis,
    /// The axis upwards.
    pub y: Axis,
    /// What is drawn, in order.
    pub series: Vec<Series>,
    /// Height in comparison with other rows of panels; 1 for most.
    pub weight: f64,
}

/// One axis.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Axis {
    /// What it shows.
    pub label: String,
    /// Its unit; empty for a bare number.
    pub unit: String,
    /// Ends of the axis in data units; all of the data where `None`.
    pub range: Option<(f64, f64)>,
    /// True when zero must be on it.
    pub with_zero: bool,
}

impl Axis {
    /// An axis over all of the data.
    #[must_use]
    pub fn new(label: &str, unit: &str) -> Self {
        Self { label: label.to_owned(), unit: unit.to_owned(), ..Self::default() }
    }
}

/// One kind of thing drawn into a panel.
#[derive(Clone, Debug, PartialEq)]
pub struct Series {
    /// Its name in the legend; empty to leave it out.
    pub name: String,
    /// What is drawn; values that are not finite are left out.
    pub data: Data,
    /// Its colour; by its place among the series where `None`.
    pub tone: Option<Tone>,
    /// The shape of its points; by its place among the series where `None`.
    pub shape: Option<MarkShape>,
    /// True for dashed lines.
    pub dashed: bool,
}

/// The values of a series, in data units.
#[derive(Clone, Debug, PartialEq)]
pub enum Data {
    /// Points (x, y).
    Points(Vec<(f64, f64)>),
    /// Points (x, y, half the length of the error bar).
    PointsWithErrors(Vec<(f64, f64, f64)>),
    /// A line through points (x, y).
    Line(Vec<(f64, f64)>),
    /// A band from (x, low, high) to the next.
    Band(Vec<(f64, f64, f64)>),
    /// Bars (from, to, height), standing on zero.
    Bars(Vec<(f64, f64, f64)>),
    /// A line across at a value of y.
    Across(f64),
    /// A line upwards at a value of x.
    Upwards(f64),
}

impl Series {
    /// A series with colour and shape by its place.
    #[must_use]
    pub fn new(name: &str, data: Data) -> Self {
        Self { name: name.to_owned(), data, tone: None, shape: None, dashed: false }
    }

    /// The same in a colour of its own.
    #[must_use]
    pub const fn tone(mut self, tone: Tone) -> Self {
        self.tone = Some(tone);
        self
    }

    /// The same with a shape of its own.
    #[must_use]
    pub const fn shape(mut self, shape: MarkShape) -> Self {
        self.shape = Some(shape);
        self
    }

    /// The same, dashed.
    #[must_use]
    pub const fn dashed(mut self) -> Self {
        self.dashed = true;
        self
    }
}

impl Panel {
    /// A panel of ordinary height without heading.
    #[must_use]
    pub const fn new(x: Axis, y: Axis, series: Vec<Series>) -> Self {
        Self { title: String::new(), x, y, series, weight: 1.0 }
    }
}

impl Plot {
    /// One column of panels.
    #[must_use]
    pub fn new(title: &str, panels: Vec<Panel>) -> Self {
        Self { title: title.to_owned(), subtitle: String::new(), panels, columns: 1 }
    }

    /// The plot as shapes.
    #[must_use]
    pub fn to_scene(&self, width_px: usize, height_px: usize) -> Scene {
        layout::page(self, width_px as f64, height_px as f64)
    }

    /// The plot as a PNG on white.
    ///
    /// # Errors
    /// [`DrawError::Size`] for a side of 0 or above 50,000 px.
    pub fn to_png(&self, width_px: usize, height_px: usize) -> Result<Vec<u8>, DrawError> {
        self.to_scene(width_px, height_px).to_png()
    }

    /// The plot as SVG on white.
    #[must_use]
    pub fn to_svg(&self, width_px: usize, height_px: usize) -> String {
        self.to_scene(width_px, height_px).to_svg()
    }
}
