//! The quality of a reading in words and for scripts: blur in the parts of the picture, what was left out and why, gradient.

use serde::Serialize;

use super::table::percent;
use crate::slide::{Family, Focus, Graduation, Reading, RegionBlur, Rejection, focus};
use crate::uncertainty::significant;
use crate::units::Um;

/// A gradient is told where its evidence and its size say so.
const GRADIENT_EVIDENCE: f64 = 0.5;

/// What is known of a reading beside its figures.
#[derive(Debug)]
pub(super) struct Quality {
    pub(super) parts: Vec<RegionBlur>,
    pub(super) pupil_distance: Option<Um>,
    pub(super) square_pixels_half_width_rel: f64,
}

/// The blur in one part of the picture.
#[derive(Serialize)]
pub(super) struct PartJson {
    place: &'static str,
    x_px: f64,
    y_px: f64,
    blur_spot_um: f64,
    blur_spot_px: f64,
    u_blur_spot_px: f64,
}

/// A graduation that was left out.
#[derive(Serialize)]
pub(super) struct LeftOut {
    family: &'static str,
    index: i64,
    row: Option<i64>,
    x_px: f64,
    y_px: f64,
    reason: &'static str,
    residual_px: Option<f64>,
}

impl Quality {
    /// Blur of the parts for scripts.
    pub(super) fn parts_json(&self, px_per_um: f64) -> Vec<PartJson> {
        let one = |p: &RegionBlur| PartJson {
            place: p.words(),
            x_px: p.at.x,
            y_px: p.at.y,
            blur_spot_um: p.blur.width.get() / px_per_um,
            blur_spot_px: p.blur.width.get(),
            u_blur_spot_px: p.blur.u.get(),
        };
        self.parts.iter().map(one).collect()
    }

    /// The focus over the picture in one sentence; nothing where one part alone shows graduations.
    pub(super) fn focus_text(&self) -> Option<String> {
        let px = |p: RegionBlur| format!("{} px", significant(p.blur.width.get(), 2));
        match focus(&self.parts) {
            Focus::Even => Some(format!("even: the blur is alike in {} parts of the picture", self.parts.len())),
            Focus::OutToOneSide { blurred, sharp } => Some(format!(
                "out of focus to the {}: blur spot {} there, {} at the {}; the slide is tilted",
                blurred.words(),
                px(blurred),
                px(sharp),
                sharp.words()
            )),
            Focus::OutAtTheEnds { blurred, sharp } => Some(format!(
                "sharp at the {} ({}) and blurred on both sides of it (most at the {}, {}); the slide is tilted about that place, or the lens's field is curved",
                sharp.words(),
                px(sharp),
                blurred.words(),
                px(blurred)
            )),
            _ => None,
        }
    }

    /// The gradient of scale, where there is one; in degrees where the pupil's distance is known.
    pub(super) fn gradient_text(&self, reading: &Reading) -> Option<String> {
        let g = reading.map.scale_gradient();
        if reading.evidence_perspective < GRADIENT_EVIDENCE || g.over_diagonal < 2.0 * g.u_over_diagonal {
            return None;
        }
        let grows = format!(
            "the scale grows by {} ± {} (k = 1) over the picture's diagonal toward the {}",
            percent(g.over_diagonal),
            percent(g.u_over_diagonal),
            g.side()
        );
        Some(match self.pupil_distance {
            Some(distance) => {
                let (tilt, u) = reading.map.tilt(distance);
                format!(
                    "{grows}: the slide is tilted by {}° ± {}° (k = 1), nearer to the lens there",
                    significant(tilt.degrees(), 2),
                    significant(u.degrees(), 1)
                )
            }
            None => format!(
                "{grows}: there the slide is nearer to the lens; by how many degrees, the distance to the entrance pupil tells (--pupil-distance)"
            ),
        })
    }
}

/// How many were left out, by reason: `3 left out (2 not seen, 1 out of place)`.
pub(super) fn left_out_text(reading: &Reading) -> String {
    let count = |why: Rejection| reading.graduations.iter().filter(|g| g.rejected == Some(why)).count();
    let reasons: Vec<String> = [Rejection::NotSeen, Rejection::OutOfPlace, Rejection::ByHand]
        .into_iter()
        .map(|why| (count(why), why))
        .filter(|r| r.0 > 0)
        .map(|(n, why)| format!("{n} {}", why.reason()))
        .collect();
    if reasons.is_empty() {
        "none left out".to_owned()
    } else {
        format!("{} left out ({})", reading.rejected(), reasons.join(", "))
    }
}

/// Every graduation that was left out.
pub(super) fn left_out(reading: &Reading) -> Vec<LeftOut> {
    let one = |g: &Graduation| {
        let reason = g.rejected?;
        let (family, row) = match g.family {
            Family::Along => ("along", None),
            Family::Across => ("across", None),
            Family::Dot { row, .. } => ("dot", Some(row)),
        };
        let residual_px = (reason == Rejection::OutOfPlace).then_some(g.residual.get());
        Some(LeftOut { family, index: g.index, row, x_px: g.at.x, y_px: g.at.y, reason: reason.reason(), residual_px })
    };
    reading.graduations.iter().filter_map(one).collect()
}
