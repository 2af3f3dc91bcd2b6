//! Which aperture suits the part that matters.

use serde::Serialize;

use super::expect::Expected;
use super::remedy::{Remedy, remedy};
use super::request::PlanRequest;
use super::row::PlanRow;
use crate::optics::OpticsError;
use crate::units::Um;

/// An aperture whose expected uncertainty is within this of the least is as good, and the deeper one is chosen.
const AS_GOOD: f64 = 1.05;

/// The aperture that suits.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Best {
    /// Place among the plan's apertures.
    pub index: usize,
    /// The aperture in words.
    pub aperture_text: String,
    /// Why.
    pub reason: String,
    /// The aperture of most depth that still resolves the part, in words.
    pub deepest_text: String,
}

/// What is resolved or not by a pupil magnification that is not known.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct DependsOnPupil {
    /// Place among the plan's apertures of the one that asks least of the pupil.
    pub index: usize,
    /// That aperture in words.
    pub aperture_text: String,
    /// Least pupil magnification with which it resolves the part.
    pub pupil_at_least: f64,
    /// In words.
    pub text: String,
}

/// Advice for the wanted part.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Advice {
    /// An aperture resolves it, whatever the pupil.
    Best(Best),
    /// An aperture resolves it if the pupil magnification is large enough.
    DependsOnPupil(DependsOnPupil),
    /// None does.
    NotAtThisMagnification(Remedy),
}

/// Two significant digits for sentences, whole numbers from 100 on.
pub(super) fn two_digits(value: f64) -> String {
    if !value.is_finite() || value <= 0.0 {
        return format!("{value}");
    }
    let decimals = (1.0 - value.log10().floor()).clamp(0.0, 9.0) as usize;
    format!("{value:.decimals$}")
}

fn u_of(e: Option<&Expected>) -> f64 {
    e.map_or(f64::INFINITY, |e| e.u_um.get())
}

/// Chooses for the wanted part.
///
/// Among the apertures that resolve it whatever the pupil the one with the least expected uncertainty, the deepest of those
/// within 5 % of that.
pub(super) fn advise(request: &PlanRequest, rows: &[PlanRow], wanted: Um) -> Result<Advice, OpticsError> {
    let resolving: Vec<(usize, &PlanRow)> =
        rows.iter().enumerate().filter(|(_, r)| r.wanted_verdict == Some("resolved")).collect();
    let least = resolving.iter().map(|(_, r)| u_of(r.wanted.as_ref())).fold(f64::INFINITY, f64::min);
    let deepest = |a: &&(usize, &PlanRow), b: &&(usize, &PlanRow)| a.1.depth_um.get().total_cmp(&b.1.depth_um.get());
    let best = resolving.iter().filter(|(_, r)| u_of(r.wanted.as_ref()) <= AS_GOOD * least).max_by(deepest);
    if let (Some(&(index, row)), Some(&(_, deep))) = (best, resolving.iter().max_by(deepest)) {
        return Ok(Advice::Best(Best {
            index,
            aperture_text: row.aperture_text.clone(),
            reason: reason(request, rows, (row, deep), wanted),
            deepest_text: deep.aperture_text.clone(),
        }));
    }
    let pupil = |r: &PlanRow| r.wanted_resolved_from_pupil;
    let undecided = rows.iter().enumerate().filter_map(|(i, r)| Some((i, r, pupil(r)?)));
    match undecided.min_by(|a, b| a.2.total_cmp(&b.2)) {
        Some((index, row, at_least)) => Ok(Advice::DependsOnPupil(undecided_by_pupil(request, index, row, at_least))),
        None => Ok(Advice::NotAtThisMagnification(remedy(request, rows, wanted)?)),
    }
}

fn reason(request: &PlanRequest, rows: &[PlanRow], (row, deep): (&PlanRow, &PlanRow), wanted: Um) -> String {
    let footprint = request.pixel_pitch / request.magnification;
    let known = row.blur_spot_high_um.get() <= 1.001 * row.blur_spot_um.get();
    let spots = if known {
        format!("{} blur spots", two_digits(wanted / row.blur_spot_um))
    } else {
        format!("at least {} blur spots, whatever the pupil,", two_digits(wanted / row.blur_spot_high_um))
    };
    let expect = |r: &PlanRow| two_digits(2.0 * u_of(r.wanted.as_ref()));
    let mut text = format!(
        "the {} µm part is {spots} and {} px long (2 and 6 are needed). Expect ± {} µm on it (k = 2)",
        wanted.get(),
        two_digits(wanted / footprint),
        expect(row)
    );
    if let Some(term) = row.wanted.as_ref().and_then(|e| e.budget.first()) {
        text.push_str(&format!(", mostly from: {}", term.source));
    }
    let depth = |r: &PlanRow| two_digits(r.depth_um.get());
    text.push_str(&format!(". Depth of field {} µm", depth(row)));
    if deep.aperture_text != row.aperture_text {
        text.push_str(&format!(
            "; {} still resolves it with {} µm of depth, then expect ± {} µm",
            deep.aperture_text,
            depth(deep),
            expect(deep)
        ));
    } else if rows.iter().any(|r| r.effective_aperture > row.effective_aperture) {
        text.push_str("; stopping down further would lose the part");
    }
    text.push('.');
    text
}

fn undecided_by_pupil(request: &PlanRequest, index: usize, row: &PlanRow, at_least: f64) -> DependsOnPupil {
    let pupil_at_least = (at_least * 100.0).ceil() / 100.0;
    let factor = 1.0 + request.magnification / at_least;
    let marked = row.aperture.unwrap_or(row.effective_aperture);
    let text = format!(
        "{} resolves it with a pupil magnification of at least {pupil_at_least} (an effective aperture of f/{} or wider); with less, no aperture here does. The pupil magnification of the lens is not known: giving it (--pupil), or the effective aperture that the camera shows (--effective-aperture), would settle it.",
        row.aperture_text,
        two_digits(marked * factor),
    );
    DependsOnPupil { index, aperture_text: row.aperture_text.clone(), pupil_at_least, text }
}
