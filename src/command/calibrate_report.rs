//! What `calibrate` prints.

use std::path::PathBuf;

use serde::Serialize;

use super::Failure;
use super::console::Console;
use super::table::{lines_of, percent};
use crate::optics::BlurSpot;
use crate::optics::measured::BlurVerdict;
use crate::setup::{PooledNote, ReadingRecord, ScaleUncertainty, source};
use crate::slide::Reading;
use crate::uncertainty::significant;
use crate::units::{PxPerUm, Um};

/// A picture that gave a reading.
#[derive(Debug)]
pub(super) struct Calibrated {
    pub(super) path: PathBuf,
    pub(super) reading: Reading,
    pub(super) record: ReadingRecord,
    /// Uncertainty of this reading alone.
    pub(super) own: ScaleUncertainty,
    pub(super) predicted: Option<BlurSpot>,
    pub(super) warnings: Vec<String>,
    pub(super) pooled: Option<PooledNote>,
    pub(super) setup_file: Option<PathBuf>,
}

/// What became of one picture.
#[derive(Debug)]
pub(super) enum Answer {
    Calibrated(Box<Calibrated>),
    Refused { picture: String, refused: String, detail: String },
    Failed { picture: String, error: String },
}

impl Answer {
    /// The exit status that it would have alone.
    pub(super) const fn status(&self) -> u8 {
        match self {
            Self::Calibrated(_) => 0,
            Self::Refused { .. } => 3,
            Self::Failed { .. } => 2,
        }
    }
}

#[derive(Serialize)]
struct Json<'a> {
    picture: String,
    scale_px_per_um: f64,
    um_per_px: f64,
    u_rel: f64,
    u_rel_fit: f64,
    rotation_deg: f64,
    graduations_used: u32,
    graduations_rejected: u32,
    residual_rms_px: f64,
    model: &'a str,
    blur_spot_um: Option<f64>,
    u_blur_spot_um: Option<f64>,
    blur_spot_predicted_um: Option<f64>,
    blur_verdict: Option<BlurVerdict>,
    u_rel_by_source: &'a toml::Table,
    warnings: &'a [String],
    setup_file: Option<String>,
    setup_scale_px_per_um: Option<f64>,
    setup_u_rel: Option<f64>,
    setup_readings: Option<u32>,
}

#[derive(Serialize)]
struct RefusedJson<'a> {
    picture: &'a str,
    refused: &'a str,
    detail: &'a str,
}

#[derive(Serialize)]
struct FailedJson<'a> {
    picture: &'a str,
    error: &'a str,
}

/// Prints one answer: results to standard output, what went wrong or is to be known to standard error too.
pub(super) fn print(answer: &Answer, json: bool, console: &mut Console) -> Result<(), Failure> {
    match answer {
        Answer::Calibrated(done) if json => console.say_json(&done.json()),
        Answer::Calibrated(done) => {
            console.say(&done.text())?;
            for w in &done.warnings {
                console.warn(&format!("warning: {}: {w}", done.path.display()));
            }
            Ok(())
        }
        Answer::Refused { picture, refused, detail } => {
            if json {
                console.say_json(&RefusedJson { picture, refused, detail })?;
            }
            console.warn(&format!("refused: {picture}: {detail}"));
            Ok(())
        }
        Answer::Failed { picture, error } => {
            if json {
                console.say_json(&FailedJson { picture, error })?;
            }
            console.warn(&format!("error: {error}"));
            Ok(())
        }
    }
}

impl Calibrated {
    fn json(&self) -> Json<'_> {
        let r = &self.record;
        Json {
            picture: self.path.display().to_string(),
            scale_px_per_um: r.scale_px_per_um,
            um_per_px: r.scale().um_per_px(),
            u_rel: r.u_rel,
            u_rel_fit: r.u_rel_fit,
            rotation_deg: r.rotation_deg,
            graduations_used: r.graduations_used,
            graduations_rejected: r.graduations_rejected,
            residual_rms_px: r.residual_rms_px,
            model: &r.model,
            blur_spot_um: r.blur_spot_um,
            u_blur_spot_um: r.u_blur_spot_um,
            blur_verdict: self.blur_verdict(),
            blur_spot_predicted_um: self.predicted.as_ref().map(|b| b.w_um.get()),
            u_rel_by_source: &r.u_rel_by_source,
            warnings: &self.warnings,
            setup_file: self.setup_file.as_ref().map(|p| p.display().to_string()),
            setup_scale_px_per_um: self.pooled.as_ref().map(|p| p.scale_px_per_um),
            setup_u_rel: self.pooled.as_ref().map(|p| p.u_rel),
            setup_readings: self.pooled.as_ref().map(|p| p.readings),
        }
    }

    fn text(&self) -> String {
        let r = &self.record;
        let mut lines = vec![
            ("scale", scale_text(r.scale(), r.u_rel)),
            (
                "ruling",
                format!(
                    "turned {:.2}°, {} graduations used, {} left out, residuals {} px rms",
                    r.rotation_deg,
                    r.graduations_used,
                    r.graduations_rejected,
                    significant(r.residual_rms_px, 2)
                ),
            ),
            ("scale map", r.model.clone()),
            ("blur spot", self.blur_text()),
        ];
        if let Some(p) = self.pooled.as_ref().filter(|p| p.readings > 1) {
            let spread = p.spread_rel.map_or(String::new(), |s| format!(", spread {}", percent(s)));
            let drift = p.drift_rel.map_or(String::new(), |d| format!(", {} from first to last", percent(d)));
            let mean = scale_text(PxPerUm::new(p.scale_px_per_um), p.u_rel);
            lines.push(("all together", format!("{mean} from {} readings{spread}{drift}", p.readings)));
        }
        if let Some(file) = &self.setup_file {
            lines.push(("kept in", file.display().to_string()));
        }
        let mut text = format!("{}\n{}", self.path.display(), lines_of(&lines, 2));
        text.push_str("\n  what the scale is uncertain by (relative standard uncertainties, largest first)\n");
        let parts: Vec<(&str, String)> = self.own.parts.iter().map(|(id, u)| (id.as_str(), percent(*u))).collect();
        text.push_str(&lines_of(&parts, 4));
        if let Some(advice) = self.own.parts.first().and_then(|p| advice(&p.0)) {
            text.push_str(&format!("\n  what would lessen it most: {advice}"));
        }
        text
    }

    fn blur_text(&self) -> String {
        let r = &self.record;
        let measured = match (r.blur_spot(), r.blur_spot_in_picture()) {
            (Some(um), Some(px)) => format!("{:.1} µm ({:.1} px) measured", um.get(), px.get()),
            _ => "could not be measured".to_owned(),
        };
        let Some(predicted) = &self.predicted else {
            return format!(
                "{measured}; give --magnification and --aperture to compare it with what the settings promise"
            );
        };
        let verdict = match self.blur_verdict() {
            Some(v) => format!("; {}", v.words()),
            None => String::new(),
        };
        format!("{measured}, {:.1} µm predicted from the settings{verdict}", predicted.w_um.get())
    }

    /// Measured against predicted, where there are both.
    fn blur_verdict(&self) -> Option<BlurVerdict> {
        let (w, u) = (self.record.blur_spot_um?, self.record.u_blur_spot_um?);
        Some(BlurVerdict::of(Um::new(w), Um::new(u), self.predicted.as_ref()?))
    }
}

/// `1.3441 px/µm (0.7440 µm/px) ± 0.68 %`.
pub(super) fn scale_text(scale: PxPerUm, u_rel: f64) -> String {
    format!(
        "{} px/µm ({} µm/px) ± {} (k = 2)",
        significant(scale.get(), 5),
        significant(scale.um_per_px(), 5),
        percent(2.0 * u_rel)
    )
}

/// What a person can do about the largest part.
pub(super) fn advice(id: &str) -> Option<&'static str> {
    Some(match id {
        source::CERTIFICATE => "a ruled slide with a certificate, stated with --slide-uncertainty",
        source::REPRODUCIBILITY => {
            "further readings of this setup, each after setting the rig anew (four tell their own spread), or --rig fixed where nothing is touched"
        }
        source::FIT => "a sharper, more evenly lit picture that shows more of the ruling",
        source::TILT => "levelling the slide, and saying how well with --slide-tilt",
        source::TEMPERATURE => "the slide's temperature, in the setup's file",
        source::FOCUS => {
            "a wider aperture, a lens with more working distance, or the distance to its entrance pupil in the setup's file"
        }
        source::ACROSS => "a second picture with the slide turned by 90°, given with --crossways",
        _ => return None,
    })
}
