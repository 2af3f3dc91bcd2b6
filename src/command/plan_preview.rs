//! The preview of a plan: two apertures side by side, with a scale bar.

use std::path::Path;

use super::Failure;
use super::plan::Args;
use crate::exchange::draw::{Corner, Overlay, OverlayItem, ScaleBar, Tone, encode_rgb};
use crate::exchange::preview::{self, BASE_ISO, Preview, Shot};
use crate::optics::planner::{Advice, Plan, PlanRequest};
use crate::optics::{Aperture, System};
use crate::phantom::animal::{AnimalScene, Placed, render, species};
use crate::phantom::{Coding, Sensor};
use crate::photo::{Limits, Photo};
use crate::uncertainty::significant;
use crate::units::{Point, PxPerUm, Um};

/// Given in place of a file, the drawn animal.
pub(super) const RENDERED: &str = "rendered";
/// Side of the drawn picture, px, and its pixels per recorded one: what the preview takes, and enough beyond it.
const SIDE_PX: usize = 1100;
const FINER: f64 = 1.6;
/// Numerical aperture of the drawing, so that its own blur (0.3 µm) hardly counts.
const SHARP_NA: f64 = 0.95;
/// How far the middle of the drawn wasp lies behind the middle of the picture, where its antennae are, µm.
const BODY_BEHIND_UM: f64 = 330.0;

/// What a preview starts from.
pub(super) struct Sharp {
    photo: Photo,
    scale: PxPerUm,
    words: String,
}

impl Sharp {
    /// The picture in a file, with its scale, or the drawn animal.
    pub(super) fn of(path: &Path, scale: Option<f64>, request: &PlanRequest) -> Result<Self, Failure> {
        if path != Path::new(RENDERED) {
            let Some(scale) = scale else {
                return Err(Failure::Usage(format!(
                    "the scale of {} is not known; give --preview-scale, pixels per µm, or take the drawn animal: --preview {RENDERED}",
                    path.display()
                )));
            };
            let photo = Photo::open(path, &Limits::default()).map_err(Failure::usage)?;
            return Ok(Self { photo, scale: PxPerUm::new(scale), words: format!("the middle of {}", path.display()) });
        }
        if scale.is_some() {
            return Err(Failure::Usage(format!("--preview {RENDERED} has its own scale; leave --preview-scale out")));
        }
        let m = request.magnification;
        let scale = FINER * m / request.pixel_pitch.get();
        let wasp = Placed { animal: species::fairyfly(), position_um: [BODY_BEHIND_UM, 0.0], heading_deg: 0.0 };
        let scene = AnimalScene {
            width_px: SIDE_PX,
            height_px: SIDE_PX,
            px_per_um: scale,
            magnification: m,
            effective_aperture: m / (2.0 * SHARP_NA),
            animals: vec![wasp],
            sensor: Sensor { electrons_at_full_scale: None, coding: Coding::Rgb16, ..Sensor::default() },
            ..AnimalScene::default()
        };
        let drawn = render(&scene).map_err(Failure::usage)?;
        let (bytes, _) = drawn.picture.file().map_err(Failure::usage)?;
        let photo = Photo::from_bytes(&bytes, &Limits::default()).map_err(Failure::usage)?;
        Ok(Self { photo, scale: PxPerUm::new(scale), words: "a drawn fairyfly wasp, head and antennae".to_owned() })
    }
}

/// Renders the panels; returns the PNG and what to tell beside it.
pub(super) fn previewed(
    args: &Args,
    request: &PlanRequest,
    made: &Plan,
    sharp: &Sharp,
) -> Result<(Vec<u8>, String), Failure> {
    let shown = Shown { rows: rows(args, request, made), defocus: args.defocus, electrons: args.electrons };
    shown.rendered(request, made, sharp)
}

/// What is shown, and how it is taken.
pub(super) struct Shown {
    /// One or two rows of the plan.
    pub(super) rows: Vec<usize>,
    pub(super) defocus: Option<Um>,
    /// Electrons at full scale at base sensitivity.
    pub(super) electrons: f64,
}

impl Shown {
    /// Renders the panels; returns the PNG and what to tell beside it.
    pub(super) fn rendered(
        &self,
        request: &PlanRequest,
        made: &Plan,
        sharp: &Sharp,
    ) -> Result<(Vec<u8>, String), Failure> {
        let (photo, scale) = (&sharp.photo, sharp.scale);
        let mut panels = Vec::new();
        for (n, index) in self.rows.iter().copied().enumerate() {
            panels.push(panel(self, request, made, index, |shot| preview::preview(photo, scale, shot, n as u64 + 1))?);
        }
        if panels.len() == 1 {
            // A single aperture stands beside what a perfect picture would show.
            let all = preview::original(photo, scale).map_err(Failure::usage)?;
            panels.insert(0, (all, "the sharp picture itself".to_owned()));
        }
        let said = format!(
            "preview: {}; {}; noise of {} electrons at full scale at ISO {BASE_ISO} and {} read; the sharp picture's own blur comes on top",
            sharp.words,
            panels.iter().map(|p| p.1.as_str()).collect::<Vec<_>>().join(" beside "),
            self.electrons,
            preview::READ_NOISE_ELECTRONS
        );
        let (all, labels): (Vec<Preview>, Vec<String>) = panels.into_iter().unzip();
        Ok((page(&all, labels)?, said))
    }
}

/// The rows shown: the two asked for; the one asked for and the best (or, where that is the same, the widest); without one
/// asked for the best (or the widest) and the narrowest.
fn rows(args: &Args, request: &PlanRequest, made: &Plan) -> Vec<usize> {
    let marked = |n: f64| made.apertures.iter().position(|r| r.aperture.is_some_and(|a| (a / n - 1.0).abs() < 1e-6));
    let asked: Vec<usize> = if args.aperture.is_empty() {
        let several = args.na.len().max(args.effective_aperture.len());
        (0..several.min(2)).collect()
    } else {
        args.aperture.iter().take(2).filter_map(|n| marked(*n)).collect()
    };
    if asked.len() == 2 {
        return asked;
    }
    let best = match &made.advice {
        Some(Advice::Best(best)) => best.index,
        Some(Advice::DependsOnPupil(d)) => d.index,
        _ => 0,
    };
    let first = asked.first().copied().or(request.asked).unwrap_or(made.apertures.len() - 1);
    let second = if best == first { 0 } else { best };
    if second == first { vec![first] } else { vec![second.min(first), second.max(first)] }
}

fn panel(
    how: &Shown,
    request: &PlanRequest,
    made: &Plan,
    index: usize,
    render: impl Fn(&Shot) -> Result<Preview, preview::PreviewError>,
) -> Result<(Preview, String), Failure> {
    let row = &made.apertures[index];
    let aperture =
        Aperture::new(request.apertures[index], request.magnification, request.pupil).map_err(Failure::usage)?;
    let system = System::in_focus(aperture, request.pixel_pitch)
        .and_then(|s| s.with_spectrum(request.spectrum.clone()).with_refractive_index(request.refractive_index))
        .and_then(|s| s.with_defocus(how.defocus.unwrap_or(Um::new(0.0))))
        .and_then(|s| s.with_motion(row.motion_um.unwrap_or(Um::new(0.0))))
        .map_err(Failure::usage)?;
    let w = system.w().map_err(Failure::usage)?;
    // Sensitivity makes up for missing light: fewer electrons fill the picture's scale.
    let (share, iso) = match row.iso_needed {
        Some(iso) => ((BASE_ISO / iso).min(1.0), format!(", ISO {}", significant(iso.max(BASE_ISO), 2))),
        None => (2_f64.powf(row.exposure_stops.min(0.0)), String::new()),
    };
    let shot = Shot { system, electrons: (how.electrons * share).max(1.0) };
    let focus = how.defocus.map_or(String::new(), |z| format!(", {} µm out of focus", significant(z.get(), 2)));
    let label = format!("{}{focus}: blur {} µm{iso}", row.aperture_text, significant(w.get(), 2));
    Ok((render(&shot).map_err(Failure::usage)?, label))
}

fn page(all: &[Preview], labels: Vec<String>) -> Result<Vec<u8>, Failure> {
    let (width, height, rgb) = preview::side_by_side(all);
    let panel = width as f64 / all.len() as f64;
    // All panels show the same field at the same size.
    let scale = all[0].scale * (height as f64 / all[0].side_px as f64);
    let mut overlay = Overlay { items: Vec::new(), scale_bar: Some(ScaleBar { scale, corner: Corner::BottomRight }) };
    for (n, text) in labels.into_iter().enumerate() {
        let at = Point::new(n as f64 * panel + 12.0, 24.0);
        overlay.items.push(OverlayItem::Label { at, text, tone: Tone::Sky });
    }
    let png = encode_rgb(&rgb, width, height).map_err(Failure::usage)?;
    let shown = Photo::from_bytes(&png, &Limits::default()).map_err(Failure::usage)?;
    Ok(overlay.draw_on(&shown).map_err(Failure::usage)?.png)
}
