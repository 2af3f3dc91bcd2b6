//! From shapes to one vector of inputs and the model over it.

use std::ops::Range;

use super::closed::{Closed, FIGURES};
use super::error::AnimalError;
use super::evaluate::{Circumstances, projected_um, slide_curve, source};
use super::figure::{Figure, Part, Recipe};
use super::joint;
use super::lying::Lying;
use super::mark::{Kind, Levels, Mark, MarkKind, Placement, Shape};
use super::model::{Combined, Enclosed, End, MarkPlace, PictureModel, SharedPlaces, Traced};
use crate::setup::{Coherence, ToneCurve};
use crate::uncertainty::{CurveBias, EvaluationType, Input, Inputs, Member};
use crate::units::{Point, Px, Um, Vector};

/// Residual tone exponent of a camera's own picture: rectangular, measurement model section 1.
const TONE_EXPONENTS: (f64, f64) = (0.75, 1.3);
/// How well a hand points at what it sees, where the blur spot is small: people set marks to within 1 to 1.5 px at normal zoom
/// (common practice).
const POINTING_PX: f64 = 1.2;
/// Random departures lengthen a closed smooth line by this × u²/spacing a mark (measurement model, section 4, interpolating spline).
const LENGTHENED: f64 = 1.3;

/// Standard uncertainty of a coordinate set by hand: anywhere within the blur spot, and how well the hand points.
pub(super) fn by_hand(w: Px) -> Px {
    Px::new((w / 12f64.sqrt()).get().hypot(POINTING_PX))
}

/// The input vector and the model over it.
pub(super) struct Built<'a> {
    pub(super) inputs: Inputs,
    pub(super) model: PictureModel<'a>,
    /// Which outputs are lengths along drawn marks.
    pub(super) bias: Vec<CurveBias>,
    /// For each shape its own inputs, behind those that all share.
    pub(super) own: Vec<Range<usize>>,
}

/// The input vector, the model over it, and which outputs are lengths along drawn marks.
pub(super) fn build<'a>(
    shapes: &[Shape],
    figures: &[Figure],
    about: &Circumstances<'a>,
) -> Result<Built<'a>, AnimalError> {
    let mut inputs = Inputs::new();
    let n = shapes.len().max(1) as f64;
    let (x, y) = shapes.iter().map(Shape::middle).fold((0.0, 0.0), |s, m| (s.0 + m.x / n, s.1 + m.y / n));
    let scale = about.setup.push_scale_inputs(&mut inputs, Point::new(x, y))?;
    let shared = push_shared(&mut inputs, shapes, about)?;
    let mut traced = Vec::with_capacity(shapes.len());
    let (mut bias, mut starts, mut own) = (Vec::new(), Vec::new(), Vec::new());
    let mut output = 0;
    for shape in shapes {
        let before = inputs.len();
        let shape = trace(&mut inputs, shape, about)?;
        own.push(before..inputs.len());
        let coordinates = coordinates(&shape);
        starts.push((output, coordinates.clone()));
        for _ in 0..shape.outputs() {
            if !coordinates.is_empty() {
                bias.push(CurveBias { output, inputs: coordinates.clone() });
            }
            output += 1;
        }
        traced.push(shape);
    }
    let mut combined = Vec::with_capacity(figures.len());
    for (i, figure) in figures.iter().enumerate() {
        combined.push(combine(figure, &starts, &traced)?);
        let mut marks: Vec<usize> = figure.parts().iter().flat_map(|p| starts[p.shape].1.iter().copied()).collect();
        marks.sort_unstable();
        marks.dedup();
        if !marks.is_empty() {
            bias.push(CurveBias { output: output + i, inputs: marks });
        }
    }
    let model = PictureModel {
        map: about.map,
        pooling: about.setup.pooling_factor(),
        scale,
        shared,
        w_um: about.blur.w_um.get(),
        shapes: traced,
        combined,
    };
    Ok(Built { inputs, model, bias, own })
}

/// Inputs that are coordinates of marks.
fn coordinates(shape: &Traced) -> Vec<usize> {
    shape.marks.iter().flat_map(|m| [m.dx, m.dy]).collect()
}

fn combine(figure: &Figure, starts: &[(usize, Vec<usize>)], traced: &[Traced]) -> Result<Combined, AnimalError> {
    let missing = || AnimalError::NoSuchPart { name: figure.name.clone() };
    let place = |part: &Part| {
        let within = part.part.map_or(0, |p| p + 1);
        let (start, shape) = (starts.get(part.shape).ok_or_else(missing)?, traced.get(part.shape).ok_or_else(missing)?);
        if within < shape.outputs() { Ok(start.0 + within) } else { Err(missing()) }
    };
    Ok(match &figure.recipe {
        Recipe::Ratio(a, b) => Combined::Ratio(place(a)?, place(b)?),
        Recipe::Sum(terms) => Combined::Sum(terms.iter().map(place).collect::<Result<_, _>>()?),
    })
}

fn trace(inputs: &mut Inputs, shape: &Shape, about: &Circumstances<'_>) -> Result<Traced, AnimalError> {
    let enclosed = if shape.kind == Kind::Outline { Some(push_enclosed(inputs, shape, about)?) } else { None };
    let marks = if enclosed.is_some() { Vec::new() } else { push_marks(inputs, shape, about)? };
    let (first, last) = if shape.kind == Kind::Outline {
        rim(&shape.marks)
    } else {
        let (first, last) = (end_of(shape.marks.first()), end_of(shape.marks.last()));
        (first.beside(last), last.beside(first))
    };
    let between = push_between(inputs, shape, about)?;
    let projected = Um::new(projected_um(shape, about).0);
    let Some((input, raise)) = about.lying.input(projected, about.depth, inputs.len())? else {
        return Err(AnimalError::DepthUnknown);
    };
    inputs.push(input);
    // Along itself and across an outline is tilted each for itself, as two lengths are.
    let mut raise_across = None;
    if let (Kind::Outline, Lying::Flat | Lying::Within(_)) = (shape.kind, about.lying)
        && let Some((input, raise)) = about.lying.input(projected, about.depth, inputs.len())?
    {
        inputs.push(input);
        raise_across = Some(raise);
    }
    let azimuth = if matches!(shape.kind, Kind::Outline | Kind::Angle) && raise_across.is_none() {
        let label = "direction in which it is tilted";
        let half_turn = std::f64::consts::FRAC_PI_2;
        Some(inputs.push(Input::rectangular(source::LYING, label, half_turn, half_turn)?.acting_one_way()))
    } else {
        None
    };
    Ok(Traced { kind: shape.kind, marks, first, last, raise: Some(raise), raise_across, azimuth, between, enclosed })
}

/// What the marks by hand of an outline move it outward by, and what the snapped ones do: each counts by the half of the way to its neighbours.
fn rim(marks: &[Mark]) -> (End, End) {
    let n = marks.len();
    let to_next: Vec<f64> = (0..n).map(|i| (marks[(i + 1) % n].at - marks[i].at).length()).collect();
    let total: f64 = to_next.iter().sum();
    let (mut by_hand, mut snapped, mut outward) = (0.0, 0.0, 0.0);
    let mut light = Levels { animal: 0.0, ground: 0.0 };
    for (i, mark) in marks.iter().enumerate() {
        let share = 0.5 * (to_next[i] + to_next[(i + n - 1) % n]) / total.max(f64::MIN_POSITIVE);
        match end_of(Some(mark)) {
            End { levels: Some(levels), threshold, .. } => {
                (snapped, outward) = (snapped + share, outward + share * threshold);
                light.animal += share * levels.animal;
                light.ground += share * levels.ground;
            }
            end => by_hand += share * end.observer,
        }
    }
    if snapped == 0.0 {
        return (End::by_hand().share(by_hand), End::feature());
    }
    let mean = Levels { animal: light.animal / snapped, ground: light.ground / snapped };
    let snapped = End { observer: 0.0, tone: outward, threshold: outward, levels: Some(mean) };
    (End::by_hand().beside(snapped).share(by_hand), snapped)
}

fn end_of(mark: Option<&Mark>) -> End {
    match mark.map(|m| (m.kind, m.placement)) {
        Some((MarkKind::Silhouette, Placement::Hand)) => End::by_hand(),
        Some((MarkKind::Silhouette, Placement::Snapped { levels: Some(levels), slant, .. })) => {
            End::snapped(levels).aslant(slant)
        }
        _ => End::feature(),
    }
}

/// What all silhouettes of the picture share.
fn push_shared(inputs: &mut Inputs, shapes: &[Shape], about: &Circumstances<'_>) -> Result<SharedPlaces, AnimalError> {
    let at_end = |s: &Shape, i: usize| s.kind == Kind::Outline || i == 0 || i + 1 == s.marks.len();
    let silhouettes = || {
        let all = shapes.iter().flat_map(|s| s.marks.iter().enumerate().filter(move |(i, _)| at_end(s, *i)));
        all.map(|(_, mark)| mark).filter(|m| m.kind == MarkKind::Silhouette)
    };
    let by_hand = silhouettes().any(|m| m.placement == Placement::Hand);
    let snapped = silhouettes().any(|m| m.placement != Placement::Hand);
    let reach_um = about.blur.x50_minus_x25_um.get();
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

/// Covariance of a mark in the picture, px²: xx, xy, yy.
fn covariance_px2(mark: &Mark, about: &Circumstances<'_>) -> [f64; 3] {
    match mark.placement {
        Placement::Hand => {
            let u = by_hand(about.blur.w_um * about.map.scale_at(mark.at, about.map.direction())).get();
            [u * u, 0.0, u * u]
        }
        Placement::Snapped { covariance_px2, .. } => covariance_px2,
    }
}

/// Both coordinates of every mark, as departures in px; marks fitted together as one block.
fn push_marks(inputs: &mut Inputs, shape: &Shape, about: &Circumstances<'_>) -> Result<Vec<MarkPlace>, AnimalError> {
    let mut places = Vec::with_capacity(shape.marks.len());
    let mut rest = shape.marks.as_slice();
    while let Some(mark) = rest.first() {
        let together = match mark.placement {
            Placement::Hand => {
                let [xx, _, yy] = covariance_px2(mark, about);
                let label = format!("marks set by hand within the blur spot, pointed to {POINTING_PX} px");
                let dx = inputs.push(Input::normal(source::HAND, &label, 0.0, xx.sqrt())?);
                let dy = inputs.push(Input::normal(source::HAND, &label, 0.0, yy.sqrt())?);
                places.push(MarkPlace { at: mark.at, dx, dy });
                1
            }
            Placement::Snapped { .. } => {
                let together = &rest[..joint::run(rest)];
                let member = |label| Member { source: source::SNAP, label, estimate: 0.0 };
                let both = [member("marks set by the fit, x"), member("marks set by the fit, y")];
                let members: Vec<Member<'_>> = together.iter().flat_map(|_| both).collect();
                let covariance = joint::covariance(together);
                let range = inputs.push_block(&members, &covariance, f64::INFINITY, EvaluationType::A)?;
                let place = |(m, dx): (&Mark, usize)| MarkPlace { at: m.at, dx, dy: dx + 1 };
                places.extend(together.iter().zip(range.step_by(2)).map(place));
                together.len()
            }
        };
        rest = &rest[together..];
    }
    Ok(places)
}

/// An outline's figures, and what its marks and the curve between them leave open about them: one block, exact to first order.
///
/// Marks nearer to each other than a blur spot were found in the same light: they count as one.
fn push_enclosed(inputs: &mut Inputs, shape: &Shape, about: &Circumstances<'_>) -> Result<Enclosed, AnimalError> {
    let marks: Vec<_> = shape.marks.iter().map(|m| about.map.slide_from_image(m.at)).collect();
    let mut figures =
        Closed::through(&marks).map_err(|source| AnimalError::Marks { name: shape.name.clone(), source })?;
    let mut block = [0.0; FIGURES * FIGURES];
    let w = about.blur.w_um.get();
    let spacing = figures.values[1] / marks.len() as f64;
    for (mark, slopes) in shape.marks.iter().zip(&figures.slopes) {
        let [xx, xy, yy] = covariance_px2(mark, about);
        let shared = if mark.placement == Placement::Hand { 1.0 } else { (w / spacing).max(1.0) };
        let [jx, jy] = about.map.jacobian_at(mark.at);
        let in_picture = slopes.map(|s| (s.dot(jx), s.dot(jy)));
        for (a, p) in in_picture.iter().enumerate() {
            for (b, q) in in_picture.iter().enumerate() {
                block[a * FIGURES + b] += shared * (p.0 * q.0 * xx + (p.0 * q.1 + p.1 * q.0) * xy + p.1 * q.1 * yy);
            }
        }
        if mark.placement == Placement::Hand {
            let outward = slopes[0];
            let normal = outward * (1.0 / outward.length().max(f64::MIN_POSITIVE));
            let along = |v: Vector<_>| normal.dot(v);
            let variance = along(jx).powi(2) * xx + along(jy).powi(2) * yy;
            figures.values[1] -= LENGTHENED * variance / spacing;
        }
    }
    let by_hand = shape.placement() == "hand";
    let (id, evaluation) = if by_hand { (source::HAND, EvaluationType::B) } else { (source::SNAP, EvaluationType::A) };
    let member = |label| Member { source: id, label, estimate: 0.0 };
    let members =
        ["area by the marks", "perimeter by the marks", "caliper by the marks", "caliper by the marks"].map(member);
    let departures = inputs.push_block(&members, &block, f64::INFINITY, evaluation)?.start;
    let mut between = inputs.len();
    for (k, half) in figures.between.iter().enumerate() {
        let input = Input::rectangular(source::BETWEEN, "how the outline runs between the marks", 0.0, *half)?;
        let place = inputs.push(input);
        if k == 0 {
            between = place;
        }
    }
    Ok(Enclosed { figures, departures, between })
}

fn push_between(inputs: &mut Inputs, shape: &Shape, about: &Circumstances<'_>) -> Result<Option<usize>, AnimalError> {
    if shape.kind != Kind::Axis || shape.marks.len() < 3 {
        return Ok(None);
    }
    let half_um = slide_curve(shape, about.map).map_or(0.0, |c| c.between_marks());
    let input = Input::rectangular(source::BETWEEN, "how the animal runs between the marks", 0.0, half_um)?;
    Ok(Some(inputs.push(input)))
}
