//! From shapes to lengths with their uncertainty.

use super::blur::PictureBlur;
use super::build::{Built, build};
use super::closed::Closed;
use super::curve::Curve;
use super::error::AnimalError;
use super::figure::{Figure, Part, Recipe};
use super::lying::Lying;
use super::mark::{Kind, MarkKind, Shape, Unit};
use super::stated::given_that_it_is_stated;
use super::verdict::Verdict;
use crate::setup::Setup;
use crate::slide::ScaleMap;
use crate::uncertainty::{BudgetLine, Matrix, Options, Output, UncertaintyError, evaluate};
use crate::units::{Image, Px, Slide, Um};

/// Source ids of what marks and edges contribute, beside those of the scale and the lying.
pub mod source {
    pub use crate::animal::lying::LYING;
    /// Marks set by hand, anywhere within the blur spot.
    pub const HAND: &str = "blur spot";
    /// Marks set by a fit.
    pub const SNAP: &str = "snapping";
    /// Where one observer sees the edge, the same at all silhouettes.
    pub const OBSERVER: &str = "observer's threshold";
    /// A camera's own tone curve.
    pub const TONE: &str = "tone curve";
    /// Partly coherent light at snapped silhouettes.
    pub const THRESHOLD: &str = "threshold of the edge";
    /// The curve between the marks of an axis.
    pub const BETWEEN: &str = "curve between the marks";
}

/// A bound of what is not resolved lies at least this many standard uncertainties above it, since such a length was chosen for looking
/// short: a segment of 1.7 blur spots looks shorter than one only when its marks are off by nearly two. u is that of a length that long
/// enough is straight: where marks are off by more than they are apart, the distance between them scatters by two thirds of that alone
/// and what is taken off for its being too long on average puts the value about 0 (so bounds held in 144 of 150 by hand at 3.5).
const BOUND_U: f64 = 3.0;
/// Turns between chords above this are too sharp for the marks: about 60°.
const SHARP_TURN_RAD: f64 = 1.05;

/// All that is known beside the marks.
#[derive(Clone, Debug)]
pub struct Circumstances<'a> {
    /// The setup that took the picture.
    pub setup: &'a Setup,
    /// The scale map of the picture.
    pub map: &'a ScaleMap,
    /// The blur spot that budgets and verdicts use.
    pub blur: PictureBlur,
    /// How the animal lies.
    pub lying: Lying,
    /// Total depth of field, where it is known.
    pub depth: Option<Um>,
    /// Coverage probability, Monte Carlo and its seed.
    pub options: Options,
}

/// One measured figure. What is not resolved has only `high`, the upper bound.
#[derive(Clone, Debug, PartialEq)]
pub struct Measured {
    /// Its name, as `axis 1`, or `segment 2` within an appendage.
    pub name: String,
    /// What it measures.
    pub kind: Kind,
    /// What value, u, low and high are counted in.
    pub unit: Unit,
    /// The value.
    pub value: Option<f64>,
    /// Standard uncertainty.
    pub u: Option<f64>,
    /// Lower end of the coverage interval.
    pub low: Option<f64>,
    /// Upper end, or the bound; infinite where there is none: a ratio to what is not resolved.
    pub high: f64,
    /// Coverage probability.
    pub coverage: f64,
    /// Half of the interval over u.
    pub k: Option<f64>,
    /// Effective degrees of freedom; may be infinite.
    pub dof: Option<f64>,
    /// Whether the picture resolves it.
    pub verdict: Verdict,
    /// The segments of an appendage; perimeter, longest and shortest caliper of an outline.
    pub parts: Vec<Self>,
    /// What each source contributes, largest first; empty where not resolved.
    pub budget: Vec<BudgetLine>,
    /// What travels with it.
    pub warnings: Vec<String>,
    /// What its ends stand on; `None` where they differ.
    pub ends: Option<MarkKind>,
    /// How its marks were placed: `hand`, `snapped`, `some snapped`, or empty for ratios and sums.
    pub placement: &'static str,
}

/// All figures of a picture with their covariance.
#[derive(Clone, Debug, PartialEq)]
pub struct Evaluated {
    /// One entry a shape, then one a ratio or sum.
    pub measured: Vec<Measured>,
    /// Names of the rows of the covariance: shapes, behind each its parts, and at the end ratios and sums.
    pub names: Vec<String>,
    /// Covariance of all of them, each in its own unit.
    pub covariance: Matrix,
}

/// Evaluates all shapes of one picture together, and the ratios and sums made of them.
///
/// # Errors
/// [`AnimalError`]: marks that make no length or lie outside the picture, an unknown lying without a depth of field.
/// # Source
/// The measurement model, sections 4 and 5; JCGM 100 and 101 through the engine.
pub fn evaluate_shapes(
    shapes: &[Shape],
    figures: &[Figure],
    about: &Circumstances<'_>,
) -> Result<Evaluated, AnimalError> {
    for shape in shapes {
        check(shape, about.map)?;
    }
    let Built { inputs, model, bias, .. } = build(shapes, figures, about)?;
    let mut names = names_of(shapes);
    names.extend(figures.iter().map(|f| f.name.clone()));
    let labels: Vec<&str> = names.iter().map(String::as_str).collect();
    let options = Options { curve_bias: bias, ..about.options.clone() };
    let evaluation = evaluate(&inputs, &labels, model, &options)?;
    let measured = assembled(shapes, figures, evaluation.outputs, about)?;
    Ok(Evaluated { measured, names, covariance: evaluation.covariance })
}

/// Outputs as measured figures, with verdicts and words.
pub(super) fn assembled(
    shapes: &[Shape],
    figures: &[Figure],
    outputs: Vec<Output>,
    about: &Circumstances<'_>,
) -> Result<Vec<Measured>, AnimalError> {
    let mut outputs = outputs.into_iter();
    let mut measured =
        shapes.iter().map(|shape| of_shape(shape, &mut outputs, about)).collect::<Result<Vec<Measured>, _>>()?;
    let combined: Vec<Measured> =
        figures.iter().map(|f| of_figure(f, shapes, &measured, outputs.next(), about)).collect();
    measured.extend(combined);
    Ok(measured)
}

pub(super) fn check(shape: &Shape, map: &ScaleMap) -> Result<(), AnimalError> {
    let name = || shape.name.clone();
    for (i, mark) in shape.marks.iter().enumerate() {
        let (w, h) = (map.width_px, map.height_px);
        let inside = |v: f64, most: usize| v >= 0.0 && v <= most as f64;
        if !(inside(mark.at.x, w) && inside(mark.at.y, h)) {
            let (x, y) = (mark.at.x, mark.at.y);
            return Err(AnimalError::Outside { name: name(), mark: i + 1, x, y, width_px: w, height_px: h });
        }
    }
    let found = shape.marks.len();
    let exactly = match shape.kind {
        Kind::Span | Kind::Breadth => Some(2),
        Kind::Angle => Some(3),
        _ => None,
    };
    if let Some(needed) = exactly.filter(|n| *n != found) {
        return Err(AnimalError::MarkCount { name: name(), found, needed });
    }
    if matches!(shape.kind, Kind::Ratio | Kind::Sum) {
        return Err(AnimalError::NoShape { name: name() });
    }
    image_curve(shape).map_err(|source| AnimalError::Marks { name: name(), source })?;
    Ok(())
}

fn image_curve(shape: &Shape) -> Result<Curve<Image>, super::CurveError> {
    Curve::through(&shape.marks.iter().map(|m| m.at).collect::<Vec<_>>())
}

pub(super) fn names_of(shapes: &[Shape]) -> Vec<String> {
    let mut names = Vec::new();
    for shape in shapes {
        names.push(shape.name.clone());
        names.extend(shape.part_names().iter().map(|part| format!("{}, {part}", shape.name)));
    }
    names
}

pub(super) fn slide_curve(shape: &Shape, map: &ScaleMap) -> Result<Curve<Slide>, super::CurveError> {
    Curve::through(&shape.marks.iter().map(|m| map.slide_from_image(m.at)).collect::<Vec<_>>())
}

/// Length as drawn: of the whole on the specimen, µm, and in the picture, px; an outline's longest caliper, an angle's arms.
pub(super) fn projected_um(shape: &Shape, about: &Circumstances<'_>) -> (f64, f64) {
    let pooling = about.setup.pooling_factor();
    match shape.kind {
        Kind::Outline => calipers_as_drawn(shape, about)[0],
        Kind::Axis | Kind::Span | Kind::Breadth | Kind::Ratio | Kind::Sum => (
            slide_curve(shape, about.map).map_or(0.0, |c| c.quick_length()) * pooling,
            image_curve(shape).map_or(0.0, |c| c.quick_length()),
        ),
        Kind::Appendage | Kind::Angle => {
            segments_as_drawn(shape, about).iter().fold((0.0, 0.0), |s, d| (s.0 + d.0, s.1 + d.1))
        }
    }
}

fn segments_as_drawn(shape: &Shape, about: &Circumstances<'_>) -> Vec<(f64, f64)> {
    let pooling = about.setup.pooling_factor();
    let on_slide = |m: &super::Mark| about.map.slide_from_image(m.at);
    shape
        .marks
        .windows(2)
        .map(|p| ((on_slide(&p[1]) - on_slide(&p[0])).length() * pooling, (p[1].at - p[0].at).length()))
        .collect()
}

/// Longest and shortest caliper of an outline: µm and px.
fn calipers_as_drawn(shape: &Shape, about: &Circumstances<'_>) -> [(f64, f64); 2] {
    let marks: Vec<_> = shape.marks.iter().map(|m| about.map.slide_from_image(m.at)).collect();
    let pooling = about.setup.pooling_factor();
    let scale = about.map.scale_at(shape.middle(), about.map.direction()).get();
    let values = Closed::through(&marks).map_or([0.0; 4], |c| c.values);
    [values[2], values[3]].map(|um| (um * pooling, um * scale))
}

/// What decides whether a figure is resolved: a length as drawn, on the specimen and in the picture.
#[derive(Clone, Copy)]
struct Decisive {
    um: f64,
    px: f64,
    /// Whether that length is the figure itself: then the figure is stated only where it looks long.
    itself: bool,
}

impl Decisive {
    fn itself((um, px): (f64, f64)) -> Self {
        Self { um, px, itself: true }
    }

    fn beside((um, px): (f64, f64)) -> Self {
        Self { um, px, itself: false }
    }

    /// What it must look like to be stated, µm: the blur spot, or three pixels.
    fn least_um(self, w: Um) -> f64 {
        w.get().max(if self.px > 0.0 { 3.0 * self.um / self.px } else { 0.0 })
    }
}

fn of_shape(
    shape: &Shape,
    outputs: &mut impl Iterator<Item = Output>,
    about: &Circumstances<'_>,
) -> Result<Measured, AnimalError> {
    let drawn = projected_um(shape, about);
    let segments =
        if matches!(shape.kind, Kind::Appendage | Kind::Angle) { segments_as_drawn(shape, about) } else { vec![] };
    // What must be resolved: the shortest way across an outline, the shorter arm of an angle.
    let decisive = match shape.kind {
        Kind::Outline => Decisive::beside(calipers_as_drawn(shape, about)[1]),
        Kind::Angle => Decisive::beside(segments.iter().copied().min_by(|a, b| a.0.total_cmp(&b.0)).unwrap_or(drawn)),
        _ => Decisive::itself(drawn),
    };
    let mut whole = one(shape, (shape.name.clone(), shape.kind.unit()), outputs.next(), decisive, about)?;
    if shape.kind == Kind::Axis {
        let turn = image_curve(shape).map_or(0.0, |c| c.sharpest_turn_rad());
        if turn > SHARP_TURN_RAD {
            whole.warnings.push(format!(
                "the axis turns by {:.0}° between two marks; set more marks where it bends",
                turn.to_degrees()
            ));
        }
    }
    let parts: Vec<Decisive> = match shape.kind {
        Kind::Appendage => segments.into_iter().map(Decisive::itself).collect(),
        // Perimeter, longest and shortest caliper.
        Kind::Outline => vec![decisive, Decisive::itself(drawn), Decisive { itself: true, ..decisive }],
        _ => vec![],
    };
    whole.parts = shape
        .part_names()
        .into_iter()
        .zip(parts)
        .map(|(name, drawn)| one(shape, (name, Unit::Um), outputs.next(), drawn, about))
        .collect::<Result<_, _>>()?;
    Ok(whole)
}

fn one(
    shape: &Shape,
    (name, unit): (String, Unit),
    output: Option<Output>,
    drawn: Decisive,
    about: &Circumstances<'_>,
) -> Result<Measured, AnimalError> {
    let w = about.blur.w_um;
    let verdict = Verdict::of(Um::new(drawn.um), w, Px::new(drawn.px));
    let mut m = Measured::empty(name, shape.kind, unit, verdict, about);
    m.ends = shape.ends();
    m.placement = shape.placement();
    let Some(mut output) = output else { return Ok(m) };
    // Whatever is below a blur spot, or three pixels, looks about that large.
    let looks_um = drawn.least_um(w);
    if verdict == Verdict::NotResolved {
        // What is called unresolved was chosen for looking short: the bound allows for that.
        let (looks, u) =
            (output.value.max(if drawn.itself { drawn.um } else { 0.0 }), output.u.max(output.first_order.u));
        let most = output.high.max(looks + BOUND_U * u);
        m.high = match unit {
            Unit::Um => most.max(looks_um),
            Unit::Deg => 180.0,
            // Across not more than it looks, along as it is.
            Unit::Um2 => most.max(looks_um * projected_um(shape, about).0),
            Unit::One => f64::INFINITY,
        };
        m.warnings.push(format!(
            "not resolved: shorter than the blur spot of {:.1} µm or than 3 px; at most {} {}",
            w.get(),
            crate::uncertainty::significant(m.high, 3),
            unit.symbol()
        ));
        return Ok(m);
    }
    if verdict == Verdict::Marginal {
        m.warnings.push(format!(
            "marginal: {:.1} blur spots and {:.1} px long; 2 blur spots and 6 px are needed to be resolved",
            drawn.um / w.get(),
            drawn.px
        ));
    }
    if drawn.itself
        && let Some(by) = given_that_it_is_stated(&mut output, drawn.um - looks_um).map_err(UncertaintyError::from)?
    {
        m.warnings.push(format!(
            "only what looks at least {} µm long is stated, so what is stated looks too long on average: {} µm are taken off, and the interval reaches farther down",
            crate::uncertainty::significant(looks_um, 2),
            crate::uncertainty::significant(by, 2)
        ));
    }
    m.filled(output);
    if unit == Unit::Deg {
        m.high = m.high.min(180.0);
    }
    Ok(m)
}

/// A ratio or sum is as well resolved as the worst of what it is made of.
fn of_figure(
    figure: &Figure,
    shapes: &[Shape],
    measured: &[Measured],
    output: Option<Output>,
    about: &Circumstances<'_>,
) -> Measured {
    let find = |p: &Part| {
        let whole = measured.get(p.shape)?;
        p.part.map_or(Some(whole), |k| whole.parts.get(k))
    };
    let of = figure.parts();
    let verdict = of.iter().filter_map(find).map(|m| m.verdict).max().unwrap_or(Verdict::NotResolved);
    let mut m = Measured::empty(figure.name.clone(), figure.kind(), figure.unit(shapes), verdict, about);
    let Some(output) = output else { return m };
    if verdict == Verdict::NotResolved {
        let high = |p: &Part| find(p).map_or(f64::INFINITY, |m| m.high);
        let low = |p: &Part| find(p).and_then(|m| m.low).unwrap_or(0.0);
        m.high = match &figure.recipe {
            Recipe::Ratio(a, b) if low(b) > 0.0 => high(a) / low(b),
            Recipe::Ratio(..) => f64::INFINITY,
            Recipe::Sum(terms) => terms.iter().map(high).sum(),
        };
        m.warnings.push("not resolved: made of what is not resolved".to_owned());
        return m;
    }
    if verdict == Verdict::Marginal {
        m.warnings.push("marginal: made of what is marginal".to_owned());
    }
    m.filled(output);
    m
}

impl Measured {
    fn empty(name: String, kind: Kind, unit: Unit, verdict: Verdict, about: &Circumstances<'_>) -> Self {
        Self {
            name,
            kind,
            unit,
            value: None,
            u: None,
            low: None,
            high: f64::INFINITY,
            coverage: about.options.coverage,
            k: None,
            dof: None,
            verdict,
            parts: vec![],
            budget: vec![],
            warnings: vec![],
            ends: None,
            placement: "",
        }
    }

    fn filled(&mut self, output: Output) {
        self.value = Some(output.value);
        self.u = Some(output.u);
        self.low = Some(output.low.max(0.0));
        self.high = output.high;
        self.k = Some(output.k);
        self.dof = Some(output.dof);
        self.warnings.extend(output.warnings.iter().map(ToString::to_string));
        self.budget = output.budget;
    }
}
