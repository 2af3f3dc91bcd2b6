//! What would better a reading most: one sentence, from the budget and the blur.

use super::calibrate_report::{Calibrated, advice};
use crate::optics::measured::BlurVerdict;
use crate::setup::source;
use crate::slide::{Focus, Ruler, focus};

/// Fewer graduations than this are called few.
const FEW: u32 = 30;
/// Signal to noise below which light is short.
const DIM: f64 = 10.0;
/// Part of the picture's width that a ruling should fill.
const WIDE: f64 = 0.5;

/// The one thing to do next.
pub(super) fn most(done: &Calibrated) -> Option<String> {
    if done.reading.ruler == Ruler::ByHand {
        return Some("a picture of the slide that can be read, in place of marks set by hand".to_owned());
    }
    if let Focus::OutToOneSide { blurred, sharp } | Focus::OutAtTheEnds { blurred, sharp } = focus(&done.quality.parts)
        && blurred.blur.width > sharp.blur.width * 2.0
    {
        return Some(format!("levelling the slide, whose {} is out of focus", blurred.words()));
    }
    if done.blur_verdict() == Some(BlurVerdict::Worse) {
        return Some("focus: the graduations are blurred beyond what the settings explain".to_owned());
    }
    // Square pixels within a half-width, rectangular.
    let across =
        done.record.map.u_rel_across.is_none().then(|| done.quality.square_pixels_half_width_rel / 3f64.sqrt());
    let largest = done.own.parts.first()?;
    if across.is_some_and(|a| a > largest.1) {
        return advice(source::ACROSS).map(str::to_owned);
    }
    if largest.0 == source::FOCUS && done.predicted.is_none() && done.quality.pupil_distance.is_none() {
        return Some(
            "--magnification, --aperture and --pixel, or the distance to the entrance pupil (--pupil-distance): without them the depth in focus is guessed from the blur"
                .to_owned(),
        );
    }
    if largest.0 == source::FIT {
        return Some(fit(done).to_owned());
    }
    advice(&largest.0).map(str::to_owned)
}

/// What the fit lacks.
fn fit(done: &Calibrated) -> &'static str {
    let xs = || done.reading.graduations.iter().filter(|g| g.rejected.is_none()).map(|g| (g.at.x, g.at.y));
    let span = |pick: fn((f64, f64)) -> f64| {
        let (low, high) = xs().map(pick).fold((f64::MAX, f64::MIN), |r, v| (r.0.min(v), r.1.max(v)));
        (high - low).max(0.0)
    };
    let (w, h) = (done.record.map.width_px as f64, done.record.map.height_px as f64);
    if done.record.graduations_used < FEW || (span(|p| p.0) / w).max(span(|p| p.1) / h) < WIDE {
        "more of the ruling in the picture, from edge to edge"
    } else if done.reading.signal_to_noise.is_some_and(|s| s < DIM) {
        "more light, or a longer exposure: the graduations hardly stand out of the noise"
    } else {
        "a cleaner, more evenly lit slide"
    }
}
