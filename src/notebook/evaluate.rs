//! Figures from what is inside: the same way from setup, picture and marks to lengths for the command line, the desktop and years
//! later.

use std::collections::HashSet;

use rayon::prelude::*;

use super::document::Notebook;
use super::form::Unknown;
use super::id::MeasurementId;
use super::measurement::{BudgetNote, FigureNote, Measurement, Reported};
use super::statistics::is_shared;
use crate::animal::{
    AnimalError, Circumstances, Evaluated, Figure, Kind, Lying, Measured, Part, PictureBlur, Recipe, Shape,
    evaluate_live, evaluate_shapes,
};
use crate::optics::OpticsError;
use crate::setup::{PictureFacts, PixelSize, Setup};
use crate::uncertainty::{Matrix, Options, Trials, UncertaintyError};
use crate::units::{PxPerUm, Um};

/// All that figures on one picture follow from.
#[derive(Clone, Debug)]
pub struct Question<'a> {
    /// The setup that took it.
    pub setup: &'a Setup,
    /// What is known of the picture.
    pub facts: &'a PictureFacts,
    /// Aperture number by the picture's EXIF.
    pub exif_aperture: Option<f64>,
    /// The blur spot measured in the picture itself.
    pub blur_spot: Option<Um>,
    /// Its standard uncertainty: with it comes a verdict on focus and notes.
    pub u_blur_spot: Option<Um>,
    /// What was to be said when the picture was opened.
    pub warnings: &'a [String],
    /// What was drawn.
    pub shapes: &'a [Shape],
    /// Ratios and sums of them.
    pub figures: &'a [Figure],
    /// How the animal lies.
    pub lying: Lying,
    /// Why it is measured although it does not match the setup.
    pub accepted_mismatch: Option<&'a str>,
    /// Coverage, Monte Carlo and its seed.
    pub options: Options,
}

/// The figures, and what holds for all of them.
#[derive(Clone, Debug)]
pub struct Answer {
    /// One entry a shape, then one a ratio or sum.
    pub measured: Vec<Measured>,
    /// Names of the rows of the covariance: shapes, behind each its parts, and at the end ratios and sums.
    pub names: Vec<String>,
    /// Covariance of all of them, each in its own unit.
    pub covariance: Matrix,
    /// The blur spot that budgets and verdicts used.
    pub blur: PictureBlur,
    /// Scale at the picture's centre through the mean of all readings.
    pub scale: PxPerUm,
    /// Its relative standard uncertainty with everything.
    pub u_rel_scale: f64,
    /// What holds for all figures.
    pub warnings: Vec<String>,
}

/// Why there are no figures.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum EvaluateError {
    /// The picture does not match the setup.
    #[error(
        "the picture does not match the setup \"{setup}\": {differences}; use the setup that took it, or say --accept-mismatch with the reason why the scale holds all the same"
    )]
    Mismatch {
        /// The setup's name.
        setup: String,
        /// In what they differ.
        differences: String,
    },
    /// The setup was never calibrated.
    #[error("the setup \"{setup}\" has no reading of a ruled slide; calibrate it first")]
    NoReading {
        /// The setup's name.
        setup: String,
    },
    /// The setup's notes on its optics make no sense.
    #[error("the setup's notes on its optics: {0}")]
    Optics(#[from] OpticsError),
    /// The marks make no length.
    #[error(transparent)]
    Animal(#[from] AnimalError),
    /// The setup's scale makes no input.
    #[error(transparent)]
    Uncertainty(#[from] UncertaintyError),
    /// The notebook has no such measurement.
    #[error("the notebook has no measurement {0}")]
    NotThere(MeasurementId),
}

/// Answers a question.
///
/// # Errors
/// [`EvaluateError`].
/// # Source
/// The measurement model, sections 2 to 5.
pub fn evaluate(question: &Question<'_>) -> Result<Answer, EvaluateError> {
    let Question { setup, facts, shapes, figures, lying, .. } = *question;
    let mut warnings = question.warnings.to_vec();
    check_match(question, &mut warnings)?;
    let map = setup.map_for(facts).ok_or_else(|| EvaluateError::NoReading { setup: setup.name.clone() })?;
    let predicted = setup.predicted_blur()?;
    let depth = setup.depth_of_field(1.0)?;
    let mut blur = PictureBlur::choose(predicted.as_ref(), question.blur_spot, setup.blur_on_slide())
        .ok_or(AnimalError::BlurUnknown)?;
    if let (Some(u), Some(predicted)) = (question.u_blur_spot, &predicted) {
        blur = blur.judged(u, predicted);
    }
    if question.blur_spot.is_none() || blur.verdict.is_some() {
        warnings.extend(blur.warning());
    }
    if setup.certificate_expanded_rel().is_none() {
        warnings.push("the setup's ruled slide has no certificate; the scale may be off by 0.2 %".to_owned());
    }
    aperture_warnings(question, &mut warnings);
    let about = Circumstances { setup, map: &map, blur, lying, depth, options: question.options.clone() };
    // Without trials, to second order: the value does not jump when the trials follow.
    let work = if matches!(question.options.trials, Trials::Skip) { evaluate_live } else { evaluate_shapes };
    let Evaluated { measured, names, covariance } = work(shapes, figures, &about)?;
    let place = shapes.first().map_or(map.centre(), Shape::middle);
    let u_rel_scale = setup.scale_uncertainty(place)?.u_rel;
    let scale = PxPerUm::new(map.centre_scale().get() / setup.pooling_factor());
    Ok(Answer { measured, names, covariance, blur, scale, u_rel_scale, warnings })
}

fn check_match(question: &Question<'_>, warnings: &mut Vec<String>) -> Result<(), EvaluateError> {
    let Question { setup, facts, .. } = *question;
    let differences = setup.differences(facts);
    if !differences.is_empty() {
        let differences = differences.iter().map(ToString::to_string).collect::<Vec<_>>().join("; ");
        let Some(reason) = question.accepted_mismatch else {
            return Err(EvaluateError::Mismatch { setup: setup.name.clone(), differences });
        };
        warnings.push(format!("does not match the setup ({differences}); accepted because: {}", reason.trim()));
        if setup.pixel_size_of(facts) == PixelSize::Different {
            warnings.push(
                "where the picture lies within the frame is unknown, so distortion and tilt are not corrected"
                    .to_owned(),
            );
        }
    }
    if let PixelSize::WholeFrameResized(factor) = setup.pixel_size_of(facts) {
        warnings.push(format!(
            "derived scale: the picture is taken as the whole frame made smaller, {factor:.4} times the setup's {} x {} px; if it is a crop the scale is wrong",
            setup.picture_width_px, setup.picture_height_px
        ));
    }
    Ok(())
}

fn aperture_warnings(question: &Question<'_>, warnings: &mut Vec<String>) {
    let setup = question.setup;
    if let (Some(then), Some(now)) = (setup.optics.exif_aperture, question.exif_aperture)
        && (then / now).log2().abs() > 0.25
    {
        warnings.push(format!(
            "the picture was taken at f/{now:.1}, the slide at f/{then:.1}: the scale holds, the blur spot and depth of field are those of the slide's aperture"
        ));
    }
    let range_only = setup.optics.aperture().ok().flatten().is_some_and(|a| !a.is_known());
    if question.lying == Lying::Unknown && range_only {
        warnings.push("the pupil magnification is unknown and taken as 1 for the depth of field".to_owned());
    }
}

impl Answer {
    /// What is kept of figure `i`, shapes first; `program` is name and version of what evaluated it.
    #[must_use]
    pub fn reported(&self, i: usize, program: &str) -> Option<Reported> {
        Some(Reported {
            figure: figure(self.measured.get(i)?, true),
            blur_spot_um: self.blur.w_um.get(),
            scale_px_per_um: self.scale.get(),
            u_rel_scale: self.u_rel_scale,
            warnings: self.warnings.clone(),
            program: program.to_owned(),
            other: Unknown::new(),
        })
    }
}

/// Lines of a budget below this share of the variance are not kept.
const KEPT_SHARE: f64 = 0.001;
/// The same for what animals share. It is small beside one animal's marks and does not lessen with their number: in the mean of a thousand
/// it is as large as they are.
const KEPT_SHARED: f64 = 1e-6;

/// A figure as it is kept.
fn figure(m: &Measured, whole: bool) -> FigureNote {
    let finite = |v: Option<f64>| v.filter(|v| v.is_finite());
    let note = |l: &crate::uncertainty::BudgetLine| BudgetNote {
        source: l.source.clone(),
        evaluation: l.evaluation.letter().to_owned(),
        u: l.u,
        share: l.share,
        other: Unknown::new(),
    };
    let kept = |l: &&crate::uncertainty::BudgetLine| {
        let least = if is_shared(&l.source) { KEPT_SHARED } else { KEPT_SHARE };
        l.share.abs() >= least && l.u.is_finite()
    };
    FigureNote {
        name: if whole { String::new() } else { m.name.clone() },
        unit: m.unit,
        value: finite(m.value),
        u: finite(m.u),
        low: finite(m.low),
        high: finite(Some(m.high)),
        k: finite(m.k),
        dof: m.dof.filter(|d| !d.is_nan()),
        verdict: m.verdict,
        parts: m.parts.iter().map(|s| figure(s, false)).collect(),
        budget: m.budget.iter().filter(kept).map(note).collect(),
        warnings: m.warnings.clone(),
        other: Unknown::new(),
    }
}

/// Where each of some measurements stands in the [`Answer`] about them: shapes first, then ratios and sums.
#[must_use]
pub fn places_of(go: &[&Measurement]) -> Vec<usize> {
    let shapes = go.iter().filter(|m| !m.is_made_of_others()).count();
    let (mut shape, mut figure) = (0..shapes, shapes..);
    go.iter().map(|m| if m.is_made_of_others() { figure.next() } else { shape.next() }.unwrap_or(usize::MAX)).collect()
}

/// Ratios and sums among some measurements.
fn figures_of(go: &[&Measurement]) -> Result<Vec<Figure>, EvaluateError> {
    let shapes: Vec<MeasurementId> = go.iter().filter(|m| !m.is_made_of_others()).map(|m| m.id).collect();
    let figure = |m: &&&Measurement| {
        let part = |p: &super::PartOf| match shapes.iter().position(|id| *id == p.measurement) {
            Some(shape) => Ok(Part { shape, part: p.part }),
            None => Err(EvaluateError::NotThere(p.measurement)),
        };
        let parts = m.of.iter().map(part).collect::<Result<Vec<_>, _>>()?;
        let recipe = match (m.kind, parts.as_slice()) {
            (Kind::Ratio, [above, below]) => Recipe::Ratio(*above, *below),
            _ => Recipe::Sum(parts),
        };
        Ok(Figure { name: m.quantity.clone(), recipe })
    };
    go.iter().filter(|m| m.is_made_of_others()).map(|m| figure(&m)).collect()
}

/// A stored figure beside what is evaluated from the same marks now.
#[derive(Clone, Debug)]
pub struct Recheck {
    /// Which measurement.
    pub id: MeasurementId,
    /// Its figure now.
    pub now: Result<Reported, EvaluateError>,
    /// True where the stored figure is the same to the last digit; false where it differs or there was none.
    pub same: bool,
}

impl Notebook {
    /// The measurements that are evaluated in one go with this one, itself among them, in their order.
    #[must_use]
    pub fn go_of(&self, id: MeasurementId) -> Vec<&Measurement> {
        let Some(one) = self.measurement(id) else { return Vec::new() };
        if one.together.is_none() { vec![one] } else { self.measurements.iter().filter(|m| m.goes_with(one)).collect() }
    }

    /// Evaluates some measurements on one picture in one input vector, in the order given, from what is inside alone. The answer has
    /// shapes first and then ratios and sums: see [`places_of`].
    ///
    /// Setup, lying and coverage are those of the first.
    ///
    /// # Errors
    /// [`EvaluateError`].
    pub fn evaluate(&self, go: &[&Measurement], options: Options) -> Result<Answer, EvaluateError> {
        self.evaluate_with(go, &[], options)
    }

    /// The same with further ratios and sums of the shapes among them, which come last.
    ///
    /// # Errors
    /// [`EvaluateError`].
    pub fn evaluate_with(
        &self,
        go: &[&Measurement],
        further: &[Figure],
        options: Options,
    ) -> Result<Answer, EvaluateError> {
        let not_there = || EvaluateError::NotThere(go.first().map_or(MeasurementId::new(0), |m| m.id));
        let first = go.first().ok_or_else(not_there)?;
        let picture = self.picture(first.picture).ok_or_else(not_there)?;
        let kept = self.setup(first.setup).ok_or_else(not_there)?;
        let shapes: Vec<Shape> = go.iter().filter_map(|m| m.shape()).collect();
        let mut figures = figures_of(go)?;
        figures.extend_from_slice(further);
        evaluate(&Question {
            setup: &kept.setup,
            facts: &picture.facts(),
            exif_aperture: picture.exif_aperture,
            blur_spot: picture.blur_spot_um.map(Um::new),
            u_blur_spot: None,
            warnings: &picture.warnings,
            shapes: &shapes,
            figures: &figures,
            lying: first.lying,
            accepted_mismatch: first.accepted_mismatch.as_deref(),
            options: Options { coverage: first.coverage, ..options },
        })
    }

    /// Evaluates every measurement anew from what is inside and holds it against the stored figure; on all cores.
    #[must_use]
    pub fn recheck(&self, program: &str) -> Vec<Recheck> {
        let mut seen = HashSet::new();
        let mut goes = Vec::new();
        for m in &self.measurements {
            if !seen.contains(&m.id) {
                let go = self.go_of(m.id);
                seen.extend(go.iter().map(|m| m.id));
                goes.push(go);
            }
        }
        let per_go = |go: &Vec<&Measurement>| -> Vec<Recheck> {
            let answer = self.evaluate(go, Options::default());
            let places = places_of(go);
            let one = |(i, m): (usize, &&Measurement)| {
                let now = match &answer {
                    Ok(a) => a.reported(places[i], program).ok_or(EvaluateError::NotThere(m.id)),
                    Err(e) => Err(e.clone()),
                };
                let same = matches!((&now, &m.reported), (Ok(a), Some(b)) if same_figures(&a.figure, &b.figure));
                Recheck { id: m.id, now, same }
            };
            go.iter().enumerate().map(one).collect()
        };
        goes.par_iter().flat_map_iter(per_go).collect()
    }
}

/// Numbers to the last digit; words may be put better in a later version.
fn same_figures(a: &FigureNote, b: &FigureNote) -> bool {
    (a.unit, a.value, a.u, a.low, a.high, a.k, a.dof, a.verdict)
        == (b.unit, b.value, b.u, b.low, b.high, b.k, b.dof, b.verdict)
        && a.parts.len() == b.parts.len()
        && a.parts.iter().zip(&b.parts).all(|(x, y)| same_figures(x, y))
}
