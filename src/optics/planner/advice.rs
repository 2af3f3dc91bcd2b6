//! Which aperture suits, and what would do where none does.

use serde::Serialize;

use super::request::PlanRequest;
use super::row::{PlanRow, pixels_limit, system_for, verdict};
use crate::optics::{Aperture, ApertureNote, OpticsError, System};
use crate::units::Um;

/// An aperture whose expected uncertainty is within this of the least is as good, and the deeper one is chosen.
const AS_GOOD: f64 = 1.05;
/// Greatest magnification that is suggested.
const GREATEST_MAGNIFICATION: f64 = 50.0;

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

/// What would resolve a part that no aperture resolves.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Remedy {
    /// In words.
    pub text: String,
    /// Smallest magnification at which an aperture of the plan resolves it, with these pixels.
    pub magnification: Option<f64>,
    /// That aperture in words.
    pub aperture_text: Option<String>,
    /// Least numerical aperture that would resolve it at this magnification; nothing where pixels forbid it.
    pub numerical_aperture: Option<f64>,
    /// Greatest pixel pitch on the sensor that would do, where pixels are what lacks.
    pub pixel_um: Option<Um>,
}

/// Advice for the wanted part.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Advice {
    /// An aperture resolves it.
    Best(Best),
    /// None does.
    NotAtThisMagnification(Remedy),
}

/// Chooses for the wanted part.
///
/// Among the apertures that resolve it the one with the least expected uncertainty, the deepest of those within 5 % of that.
pub(super) fn advise(request: &PlanRequest, rows: &[PlanRow], wanted: Um) -> Result<Advice, OpticsError> {
    let resolving: Vec<(usize, &PlanRow)> =
        rows.iter().enumerate().filter(|(_, r)| r.wanted_verdict == Some("resolved")).collect();
    let u = |r: &PlanRow| r.wanted.as_ref().map_or(f64::INFINITY, |e| e.u_um.get());
    let Some(least) = resolving.iter().map(|(_, r)| u(r)).reduce(f64::min) else {
        return Ok(Advice::NotAtThisMagnification(remedy(request, rows, wanted)?));
    };
    let deepest = |a: &&(usize, &PlanRow), b: &&(usize, &PlanRow)| a.1.depth_um.get().total_cmp(&b.1.depth_um.get());
    let best = resolving.iter().filter(|(_, r)| u(r) <= AS_GOOD * least).max_by(deepest);
    let deepest = resolving.iter().max_by(deepest);
    let (Some(&(index, row)), Some(&(_, deep))) = (best, deepest) else {
        return Ok(Advice::NotAtThisMagnification(remedy(request, rows, wanted)?));
    };
    let mut reason = format!(
        "The {} µm part spans {:.1} blur spots and {:.1} px; expected ± {:.2} µm (k = 2), the least of all apertures here",
        wanted.get(),
        wanted / row.blur_spot_um,
        row.blur_spot_px.get() * (wanted / row.blur_spot_um),
        2.0 * u(row)
    );
    if let Some(term) = row.wanted.as_ref().and_then(|e| e.budget.first()) {
        reason.push_str(&format!(", most of it from {}", term.source));
    }
    if deep.aperture_text == row.aperture_text {
        reason.push_str("; more depth would cost the part");
    } else {
        reason.push_str(&format!(
            "; {} still resolves it with {:.0} µm of depth instead of {:.0} µm, then expect ± {:.2} µm",
            deep.aperture_text,
            deep.depth_um.get(),
            row.depth_um.get(),
            2.0 * u(deep)
        ));
    }
    Ok(Advice::Best(Best {
        index,
        aperture_text: row.aperture_text.clone(),
        reason,
        deepest_text: deep.aperture_text.clone(),
    }))
}

fn remedy(request: &PlanRequest, rows: &[PlanRow], wanted: Um) -> Result<Remedy, OpticsError> {
    let footprint = request.pixel_pitch / request.magnification;
    let enough = |request: &PlanRequest, note| -> Result<bool, OpticsError> {
        let s = system_for(request, note)?;
        Ok(verdict(wanted, s.w()?, s.pixel_footprint()) == "resolved")
    };
    // Greater magnifications in steps of 5 %, each with the widest aperture: it blurs least.
    let widest = rows.iter().enumerate().min_by(|a, b| a.1.effective_aperture.total_cmp(&b.1.effective_aperture));
    let note = widest.and_then(|(i, _)| request.apertures.get(i)).copied();
    let mut magnification = None;
    // An objective is made for its magnification: another one has another aperture too.
    if let Some(note @ ApertureNote::Marked(_)) = note {
        let mut larger = request.clone();
        while magnification.is_none() && larger.magnification * 1.05 <= GREATEST_MAGNIFICATION {
            larger.magnification *= 1.05;
            if enough(&larger, note)? {
                magnification = Some((larger.magnification * 10.0).ceil() / 10.0);
            }
        }
    }
    let pixel_um = (wanted < footprint * 6.0).then(|| wanted * (request.magnification / 6.0));
    let numerical_aperture = least_numerical_aperture(request, wanted)?;
    let aperture_text = magnification.and(widest).map(|(_, r)| r.aperture_text.clone());
    let mut ways = Vec::new();
    if let (Some(m), Some(a)) = (magnification, &aperture_text) {
        ways.push(format!("{m}x with {a}"));
    }
    if let (Some(na), None) = (numerical_aperture, pixel_um) {
        let marked = request.magnification / (2.0 * na) / (1.0 + request.magnification);
        ways.push(format!(
            "an aperture of at least NA {na:.3} at {}x (an objective, or a symmetric lens at f/{marked:.1})",
            request.magnification
        ));
    }
    if let Some(p) = pixel_um {
        ways.push(format!("pixels of at most {:.2} µm on the sensor", p.get()));
    }
    let best_w = rows.iter().map(|r| r.blur_spot_um.get()).fold(f64::INFINITY, f64::min);
    let why = if rows.iter().any(|r| pixels_limit(wanted, r.blur_spot_um, footprint)) {
        format!("it spans only {:.1} px, 6 are needed", wanted / footprint)
    } else {
        format!("it spans only {:.1} blur spots at best, 2 are needed", wanted.get() / best_w)
    };
    let what = if ways.is_empty() { "nothing within reach of an ordinary lens".to_owned() } else { ways.join(", or ") };
    let text = format!("not at this magnification: {why}. What would do it: {what}");
    Ok(Remedy { text, magnification, aperture_text, numerical_aperture, pixel_um })
}

/// The least numerical aperture at which the blur spot is half the wanted length at this magnification and pixel.
fn least_numerical_aperture(request: &PlanRequest, wanted: Um) -> Result<Option<f64>, OpticsError> {
    let w = |na: f64| -> Result<Um, OpticsError> {
        let note = ApertureNote::NumericalAperture(na);
        let aperture = Aperture::new(note, request.magnification, request.pupil)?;
        System::in_focus(aperture, request.pixel_pitch)?.with_spectrum(request.spectrum.clone()).w()
    };
    let (mut low, mut high) = (0.001, 0.95);
    if w(high)? * 2.0 > wanted {
        return Ok(None);
    }
    for _ in 0..30 {
        let middle = 0.5 * (low + high);
        if w(middle)? * 2.0 > wanted { low = middle } else { high = middle }
    }
    Ok(Some(high))
}
