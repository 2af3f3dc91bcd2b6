//! What `calibrate` prints.

use std::path::PathBuf;

use serde::Serialize;

use super::calibrate_quality::{self as quality, LeftOut, PartJson, Quality};
use super::console::Console;
use super::table::{lines_of, percent};
use super::{Failure, calibrate_advice};
use crate::optics::BlurSpot;
use crate::optics::measured::BlurVerdict;
use crate::setup::{PooledNote, ReadingRecord, ScaleUncertainty, source};
use crate::slide::{Family, Graduation, Isotropy, Reading, Ruler, ScaleMap, Squareness};
use crate::uncertainty::significant;
use crate::units::{Angle, Image, Point, PxPerUm, Um};

/// A picture that gave a reading.
#[derive(Debug)]
pub(super) struct Calibrated {
    pub(super) path: PathBuf,
    pub(super) reading: Reading,
    pub(super) record: ReadingRecord,
    /// Uncertainty of this reading alone.
    pub(super) own: ScaleUncertainty,
    pub(super) predicted: Option<BlurSpot>,
    pub(super) quality: Quality,
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
    ruler: &'static str,
    dot_columns: Option<usize>,
    dot_rows: Option<usize>,
    ratio_across: Option<f64>,
    u_ratio_across: Option<f64>,
    squareness_deg: Option<f64>,
    u_squareness_deg: Option<f64>,
    evidence_affine: Option<f64>,
    evidence_perspective: f64,
    evidence_radial: f64,
    residual_rms_um: f64,
    local_scales: Vec<LocalScale>,
    signal_to_noise: Option<f64>,
    blur_spots: Vec<PartJson>,
    left_out: Vec<LeftOut>,
    scale_gradient_over_diagonal: f64,
    u_scale_gradient_over_diagonal: f64,
    scale_grows_towards_deg: f64,
    tilt_deg: Option<f64>,
    u_tilt_deg: Option<f64>,
    improve_by: Option<String>,
    setup_spread_rel: Option<f64>,
    setup_file: Option<String>,
    setup_scale_px_per_um: Option<f64>,
    setup_u_rel: Option<f64>,
    setup_readings: Option<u32>,
}

/// The scale at one place of the picture.
#[derive(Serialize)]
struct LocalScale {
    place: &'static str,
    x_px: f64,
    y_px: f64,
    horizontal_px_per_um: f64,
    vertical_px_per_um: f64,
    u_rel_fit: f64,
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
        let gradient = r.map.scale_gradient();
        let tilt = self.quality.pupil_distance.map(|d| r.map.tilt(d));
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
            ruler: kind(self.reading.ruler),
            dot_columns: self.dots().map(|d| d.0),
            dot_rows: self.dots().map(|d| d.1),
            ratio_across: self.isotropy().map(|i| i.ratio),
            u_ratio_across: self.isotropy().map(|i| i.u_ratio),
            squareness_deg: self.squareness().map(|s| s.angle.degrees()),
            u_squareness_deg: self.squareness().map(|s| s.u.degrees()),
            evidence_affine: self.isotropy().map(|i| i.evidence),
            evidence_perspective: self.reading.evidence_perspective,
            evidence_radial: self.reading.evidence_radial,
            residual_rms_um: (self.reading.residual_rms / r.scale()).get(),
            local_scales: local_scales(&r.map),
            signal_to_noise: self.reading.signal_to_noise,
            blur_spots: self.quality.parts_json(r.scale_px_per_um),
            left_out: quality::left_out(&self.reading),
            scale_gradient_over_diagonal: gradient.over_diagonal,
            u_scale_gradient_over_diagonal: gradient.u_over_diagonal,
            scale_grows_towards_deg: gradient.towards.degrees(),
            tilt_deg: tilt.map(|t| t.0.degrees()),
            u_tilt_deg: tilt.map(|t| t.1.degrees()),
            improve_by: calibrate_advice::most(self),
            setup_spread_rel: self.pooled.as_ref().and_then(|p| p.spread_rel),
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
                    "{}turned {:.2}°, {} {} used, {}, residuals {} px rms ({} µm)",
                    self.ruler_text(),
                    r.rotation_deg,
                    r.graduations_used,
                    self.marks_text(),
                    quality::left_out_text(&self.reading),
                    significant(r.residual_rms_px, 2),
                    significant((self.reading.residual_rms / r.scale()).get(), 2)
                ),
            ),
            ("scale map", self.map_text()),
            ("isotropy", self.isotropy_text()),
            ("blur spot", self.blur_text()),
        ];
        lines.extend(self.quality.gradient_text(&self.reading).map(|t| ("gradient", t)));
        lines.extend(self.quality.focus_text().map(|t| ("focus", t)));
        if let Some(s) = self.reading.signal_to_noise {
            lines.push(("contrast", format!("{} times the noise of a pixel", significant(s, 2))));
        }
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
        if let Some(advice) = calibrate_advice::most(self) {
            text.push_str(&format!("\n  what would better it most: {advice}"));
        }
        text
    }

    const fn isotropy(&self) -> Option<&Isotropy> {
        self.reading.isotropy.as_ref()
    }

    fn squareness(&self) -> Option<Squareness> {
        self.isotropy().and_then(|i| i.squareness)
    }

    /// Columns and rows of a dot plate.
    const fn dots(&self) -> Option<(usize, usize)> {
        match self.reading.ruler {
            Ruler::Dots { columns, rows } => Some((columns, rows)),
            _ => None,
        }
    }

    const fn marks_text(&self) -> &'static str {
        match self.reading.ruler {
            Ruler::Dots { .. } => "dots",
            Ruler::ByHand => "marks",
            _ => "graduations",
        }
    }

    fn ruler_text(&self) -> String {
        match self.reading.ruler {
            Ruler::ByHand => "marked by hand, ".to_owned(),
            Ruler::Dots { columns, rows } => format!("plate of {columns} x {rows} dots, "),
            Ruler::Crossed => {
                let across = |g: &&Graduation| g.family == Family::Across && g.rejected.is_none();
                let n = self.reading.graduations.iter().filter(across).count();
                format!("lines in both directions ({} along, {n} across), ", self.reading.used() - n)
            }
            _ => String::new(),
        }
    }

    fn map_text(&self) -> String {
        let map = &self.record.map;
        let corners = corners(map).map(|(_, p)| {
            let at = |degrees| map.scale_at(p, Angle::from_degrees(degrees)).get();
            (at(0.0) * at(90.0)).sqrt() / map.centre_scale().get()
        });
        let least = corners.iter().copied().fold(f64::MAX, f64::min);
        let most = corners.iter().copied().fold(f64::MIN, f64::max);
        if (least - 1.0).abs().max((most - 1.0).abs()) < 5e-5 {
            return format!("{}, the scale is the same all over the picture", self.record.model);
        }
        let signed = |v: f64| format!("{:+.2} %", 100.0 * (v - 1.0));
        format!(
            "{}, scale in the corners {} to {} of that at the centre",
            self.record.model,
            signed(least),
            signed(most)
        )
    }

    fn isotropy_text(&self) -> String {
        let Some(i) = self.isotropy() else {
            return "not known: one direction was read, the other is taken as equal within ±0.1 %; a picture with the slide turned by 90° (--crossways) or a crossed ruling tells"
                .to_owned();
        };
        let square = match i.squareness {
            Some(s) => format!("axes {:.4}° off square ± {}°", s.angle.degrees().abs(), significant(s.u.degrees(), 1)),
            None => "whether the axes are square, two pictures do not tell".to_owned(),
        };
        let verdict = if i.evidence > 0.5 {
            "the two directions differ"
        } else if i.u_ratio < 1e-3 {
            "the same in both directions"
        } else {
            "no difference is seen"
        };
        format!("{verdict}: scale across over along {:.6} ± {} (k = 1), {square}", i.ratio, significant(i.u_ratio, 1))
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
    pub(super) fn blur_verdict(&self) -> Option<BlurVerdict> {
        let (w, u) = (self.record.blur_spot_um?, self.record.u_blur_spot_um?);
        Some(BlurVerdict::of(Um::new(w), Um::new(u), self.predicted.as_ref()?))
    }
}

/// The ruler in one word, for scripts.
const fn kind(ruler: Ruler) -> &'static str {
    match ruler {
        Ruler::Crossed => "crossed",
        Ruler::Dots { .. } => "dots",
        Ruler::ByHand => "by hand",
        _ => "lines",
    }
}

/// The picture's corners, a hundredth of its sides inwards.
fn corners(map: &ScaleMap) -> [(&'static str, Point<Image>); 4] {
    let (w, h) = (map.width_px as f64, map.height_px as f64);
    let at = |x: f64, y: f64| Point::new(x * w, y * h);
    [
        ("top left", at(0.01, 0.01)),
        ("top right", at(0.99, 0.01)),
        ("bottom left", at(0.01, 0.99)),
        ("bottom right", at(0.99, 0.99)),
    ]
}

fn local_scales(map: &ScaleMap) -> Vec<LocalScale> {
    std::iter::once(("centre", map.centre()))
        .chain(corners(map))
        .map(|(place, p)| LocalScale {
            place,
            x_px: p.x,
            y_px: p.y,
            horizontal_px_per_um: map.scale_at(p, Angle::from_degrees(0.0)).get(),
            vertical_px_per_um: map.scale_at(p, Angle::from_degrees(90.0)).get(),
            u_rel_fit: map.u_rel_fit_at(p),
        })
        .collect()
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
