//! From shapes to lengths with their uncertainty.

use super::blur::PictureBlur;
use super::curve::Curve;
use super::error::AnimalError;
use super::lying::Lying;
use super::mark::{Kind, MarkKind, Placement, Shape};
use super::model::{End, MarkPlace, PictureModel, SharedPlaces, Traced};
use super::verdict::Verdict;
use crate::setup::{Coherence, Setup, ToneCurve};
use crate::slide::ScaleMap;
use crate::uncertainty::{
    BudgetLine, CurveBias, EvaluationType, Input, Inputs, Matrix, Member, Options, Output, Trials, evaluate,
};
use crate::units::{Image, Point, Px, Slide, Um};

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

/// Residual tone exponent of a camera's own picture: rectangular, measurement model section 1.
const TONE_EXPONENTS: (f64, f64) = (0.75, 1.3);
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

/// One measured length. A length that is not resolved has only `high_um`, the upper bound.
#[derive(Clone, Debug, PartialEq)]
pub struct Measured {
    /// Its name, as `axis 1`, or `segment 2` within an appendage.
    pub name: String,
    /// What it measures.
    pub kind: Kind,
    /// The value.
    pub value_um: Option<f64>,
    /// Standard uncertainty.
    pub u_um: Option<f64>,
    /// Lower end of the coverage interval.
    pub low_um: Option<f64>,
    /// Upper end, or the bound.
    pub high_um: f64,
    /// Coverage probability.
    pub coverage: f64,
    /// Half of the interval over u.
    pub k: Option<f64>,
    /// Effective degrees of freedom; may be infinite.
    pub dof: Option<f64>,
    /// Whether the picture resolves it.
    pub verdict: Verdict,
    /// The segments of an appendage.
    pub segments: Vec<Self>,
    /// What each source contributes, largest first; empty where not resolved.
    pub budget: Vec<BudgetLine>,
    /// What travels with it.
    pub warnings: Vec<String>,
    /// What its ends stand on; `None` where they differ.
    pub ends: Option<MarkKind>,
    /// How its marks were placed.
    pub placement: &'static str,
}

/// All lengths of a picture with their covariance.
#[derive(Clone, Debug, PartialEq)]
pub struct Evaluated {
    /// One entry a shape.
    pub measured: Vec<Measured>,
    /// Names of the rows of the covariance: shapes, and behind each appendage its segments.
    pub names: Vec<String>,
    /// Covariance of all of them, µm².
    pub covariance_um2: Matrix,
}

/// Evaluates all shapes of one picture together.
///
/// # Errors
/// [`AnimalError`]: marks that make no length or lie outside the picture, an unknown lying without a depth of field.
/// # Source
/// The measurement model, sections 4 and 5; JCGM 100 and 101 through the engine.
pub fn evaluate_shapes(shapes: &[Shape], about: &Circumstances<'_>) -> Result<Evaluated, AnimalError> {
    for shape in shapes {
        check(shape, about.map)?;
    }
    let (inputs, model, bias) = build(shapes, about)?;
    let names = names_of(shapes);
    let labels: Vec<&str> = names.iter().map(String::as_str).collect();
    let options = Options { curve_bias: bias, ..about.options.clone() };
    let evaluation = evaluate(&inputs, &labels, model, &options)?;
    let mut outputs = evaluation.outputs.into_iter();
    let measured = shapes.iter().map(|shape| measured(shape, &mut outputs, about)).collect();
    Ok(Evaluated { measured, names, covariance_um2: evaluation.covariance })
}

fn check(shape: &Shape, map: &ScaleMap) -> Result<(), AnimalError> {
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
    if matches!(shape.kind, Kind::Span | Kind::Breadth) && found != 2 {
        return Err(AnimalError::NotTwoMarks { name: name(), found });
    }
    image_curve(shape).map_err(|source| AnimalError::Marks { name: name(), source })?;
    Ok(())
}

fn image_curve(shape: &Shape) -> Result<Curve<Image>, super::CurveError> {
    Curve::through(&shape.marks.iter().map(|m| m.at).collect::<Vec<_>>())
}

fn names_of(shapes: &[Shape]) -> Vec<String> {
    let mut names = Vec::new();
    for shape in shapes {
        names.push(shape.name.clone());
        if shape.kind == Kind::Appendage {
            names.extend((1..shape.marks.len()).map(|i| format!("{}, segment {i}", shape.name)));
        }
    }
    names
}

/// The input vector, the model over it, and which outputs are lengths along drawn marks.
fn build<'a>(
    shapes: &[Shape],
    about: &Circumstances<'a>,
) -> Result<(Inputs, PictureModel<'a>, Vec<CurveBias>), AnimalError> {
    let mut inputs = Inputs::new();
    let n = shapes.len().max(1) as f64;
    let (x, y) = shapes.iter().map(Shape::middle).fold((0.0, 0.0), |s, m| (s.0 + m.x / n, s.1 + m.y / n));
    let scale = about.setup.push_scale_inputs(&mut inputs, Point::new(x, y))?;
    let shared = push_shared(&mut inputs, shapes, about)?;
    let mut traced = Vec::with_capacity(shapes.len());
    let mut bias = Vec::new();
    let mut output = 0;
    for shape in shapes {
        let marks = push_marks(&mut inputs, shape, about)?;
        let (first, last) = (end_of(shape.marks.first()), end_of(shape.marks.last()));
        let between = push_between(&mut inputs, shape, about)?;
        let projected = Um::new(projected_um(shape, about).0);
        let raise = match about.lying.input(projected, about.depth, inputs.len())? {
            Some((input, raise)) => {
                inputs.push(input);
                raise
            }
            None => return Err(AnimalError::DepthUnknown),
        };
        let shape = Traced { kind: shape.kind, marks, first, last, raise: Some(raise), between };
        let coordinates: Vec<usize> = shape.marks.iter().flat_map(|m| [m.dx, m.dy]).collect();
        for _ in 0..shape.outputs() {
            bias.push(CurveBias { output, inputs: coordinates.clone() });
            output += 1;
        }
        traced.push(shape);
    }
    let model = PictureModel {
        map: about.map,
        pooling: about.setup.pooling_factor(),
        scale,
        shared,
        w_um: about.blur.w_um.get(),
        shapes: traced,
    };
    Ok((inputs, model, bias))
}

fn end_of(mark: Option<&super::Mark>) -> End {
    match mark.map(|m| (m.kind, m.placement)) {
        Some((MarkKind::Silhouette, Placement::Hand)) => End::by_hand(),
        Some((MarkKind::Silhouette, Placement::Snapped { ground: Some(ground), .. })) => End::snapped(ground),
        _ => End::feature(),
    }
}

/// What all silhouettes of the picture share.
fn push_shared(inputs: &mut Inputs, shapes: &[Shape], about: &Circumstances<'_>) -> Result<SharedPlaces, AnimalError> {
    let ends = || shapes.iter().flat_map(|s| [s.marks.first(), s.marks.last()]).flatten();
    let silhouettes = || ends().filter(|m| m.kind == MarkKind::Silhouette);
    let by_hand = silhouettes().any(|m| m.placement == Placement::Hand);
    let snapped = silhouettes().any(|m| m.placement != Placement::Hand);
    let reach_um = about.blur.x50_minus_x25().get();
    let mut shared = SharedPlaces::default();
    if by_hand {
        let label = "where one observer sees the edge: between a quarter and three quarters of the light";
        shared.observer = Some(inputs.push(Input::rectangular(source::OBSERVER, label, 0.0, reach_um)?));
    }
    if (by_hand || snapped) && about.setup.tone_curve == ToneCurve::Unknown {
        let (low, high) = TONE_EXPONENTS;
        let label = format!("residual exponent of the tone curve, {low} to {high}");
        shared.exponent = Some(inputs.push(Input::between(source::TONE, &label, low, high)?));
    }
    if snapped && about.setup.coherence == Coherence::Unknown {
        let label = "partly coherent light puts the edge toward the dark side";
        shared.threshold = Some(inputs.push(Input::between(source::THRESHOLD, label, 0.0, reach_um)?));
    }
    Ok(shared)
}

/// Both coordinates of every mark, as departures in px.
fn push_marks(inputs: &mut Inputs, shape: &Shape, about: &Circumstances<'_>) -> Result<Vec<MarkPlace>, AnimalError> {
    let mut places = Vec::with_capacity(shape.marks.len());
    for mark in &shape.marks {
        let place = match mark.placement {
            Placement::Hand => {
                let direction = about.map.direction();
                let w = about.blur.w_um * about.map.scale_at(mark.at, direction);
                let label = "marks set by hand, anywhere within the blur spot";
                let dx = inputs.push(Input::rectangular(source::HAND, label, 0.0, 0.5 * w.get())?);
                let dy = inputs.push(Input::rectangular(source::HAND, label, 0.0, 0.5 * w.get())?);
                MarkPlace { at: mark.at, dx, dy }
            }
            Placement::Snapped { covariance_px2: [xx, xy, yy], .. } => {
                let member = |label| Member { source: source::SNAP, label, estimate: 0.0 };
                let members = [member("marks set by the fit, x"), member("marks set by the fit, y")];
                let range = inputs.push_block(&members, &[xx, xy, xy, yy], f64::INFINITY, EvaluationType::A)?;
                MarkPlace { at: mark.at, dx: range.start, dy: range.start + 1 }
            }
        };
        places.push(place);
    }
    Ok(places)
}

fn push_between(inputs: &mut Inputs, shape: &Shape, about: &Circumstances<'_>) -> Result<Option<usize>, AnimalError> {
    if shape.kind != Kind::Axis || shape.marks.len() < 3 {
        return Ok(None);
    }
    let half_um = slide_curve(shape, about.map).map_or(0.0, |c| c.between_marks());
    let input = Input::rectangular(source::BETWEEN, "how the animal runs between the marks", 0.0, half_um)?;
    Ok(Some(inputs.push(input)))
}

fn slide_curve(shape: &Shape, map: &ScaleMap) -> Result<Curve<Slide>, super::CurveError> {
    Curve::through(&shape.marks.iter().map(|m| map.slide_from_image(m.at)).collect::<Vec<_>>())
}

/// Length as drawn: of the whole on the specimen, µm, and in the picture, px.
fn projected_um(shape: &Shape, about: &Circumstances<'_>) -> (f64, f64) {
    let pooling = about.setup.pooling_factor();
    match shape.kind {
        Kind::Axis | Kind::Span | Kind::Breadth => (
            slide_curve(shape, about.map).map_or(0.0, |c| c.quick_length()) * pooling,
            image_curve(shape).map_or(0.0, |c| c.quick_length()),
        ),
        Kind::Appendage => segments_as_drawn(shape, about).iter().fold((0.0, 0.0), |s, d| (s.0 + d.0, s.1 + d.1)),
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

fn measured(shape: &Shape, outputs: &mut impl Iterator<Item = Output>, about: &Circumstances<'_>) -> Measured {
    let mut whole = one(shape, shape.name.clone(), outputs.next(), projected_um(shape, about), about);
    whole.ends = shape.ends();
    if shape.kind == Kind::Axis {
        let turn = image_curve(shape).map_or(0.0, |c| c.sharpest_turn_rad());
        if turn > SHARP_TURN_RAD {
            whole.warnings.push(format!(
                "the axis turns by {:.0}° between two marks; set more marks where it bends",
                turn.to_degrees()
            ));
        }
    }
    if shape.kind == Kind::Appendage {
        let drawn = segments_as_drawn(shape, about);
        whole.segments = drawn
            .into_iter()
            .enumerate()
            .map(|(i, d)| one(shape, format!("segment {}", i + 1), outputs.next(), d, about))
            .collect();
    }
    whole
}

fn one(
    shape: &Shape,
    name: String,
    output: Option<Output>,
    (drawn_um, drawn_px): (f64, f64),
    about: &Circumstances<'_>,
) -> Measured {
    let w = about.blur.w_um;
    let verdict = Verdict::of(Um::new(drawn_um), w, Px::new(drawn_px));
    let coverage = about.options.coverage;
    let mut m = Measured {
        name,
        kind: shape.kind,
        value_um: None,
        u_um: None,
        low_um: None,
        high_um: f64::NAN,
        coverage,
        k: None,
        dof: None,
        verdict,
        segments: vec![],
        budget: vec![],
        warnings: vec![],
        ends: shape.ends(),
        placement: shape.placement(),
    };
    let Some(output) = output else { return m };
    if verdict == Verdict::NotResolved {
        // Whatever is below a blur spot, or three pixels, looks about that large.
        let three_px_um = if drawn_px > 0.0 { 3.0 * drawn_um / drawn_px } else { 0.0 };
        m.high_um = output.high.max(w.get()).max(three_px_um);
        m.warnings.push(format!(
            "not resolved: shorter than the blur spot of {:.1} µm or than 3 px; at most {:.1} µm",
            w.get(),
            m.high_um
        ));
        return m;
    }
    if verdict == Verdict::Marginal {
        m.warnings.push(format!(
            "marginal: {:.1} blur spots and {drawn_px:.1} px long; 2 blur spots and 6 px are needed to be resolved",
            drawn_um / w.get()
        ));
    }
    m.value_um = Some(output.value);
    m.u_um = Some(output.u);
    m.low_um = Some(output.low.max(0.0));
    m.high_um = output.high;
    m.k = Some(output.k);
    m.dof = Some(output.dof);
    m.warnings.extend(output.warnings.iter().map(ToString::to_string));
    m.budget = output.budget;
    m
}

/// First order only: for figures that change while a mark is dragged.
#[must_use]
pub fn quick_options() -> Options {
    Options { trials: Trials::Skip, ..Options::default() }
}
