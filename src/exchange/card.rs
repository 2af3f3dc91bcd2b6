//! The record card of an animal: all that another person needs to check its figures, on paper.

use std::collections::BTreeSet;

use super::draw::{DrawError, Overlay};
use super::marked::{self, Drawn, figure_text};
use super::pdf::{Document, JpegPicture, PAGE, PdfError};
use super::picture_out::{PictureError, jpeg};
use crate::notebook::{Animal, AnimalId, Measurement, Notebook, PictureId, SetupId};
use crate::photo::Photo;
use crate::uncertainty::significant;

/// Why there is no card.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum CardError {
    /// The notebook has no such animal.
    #[error("the notebook has no animal {0}")]
    NotThere(AnimalId),
    /// The pages cannot be written.
    #[error(transparent)]
    Pdf(#[from] PdfError),
    /// A picture cannot be drawn.
    #[error(transparent)]
    Draw(#[from] DrawError),
    /// A picture cannot be encoded.
    #[error(transparent)]
    Picture(#[from] PictureError),
}

const MARGIN: f32 = 42.0;
const TEXT: f32 = 8.5;
const STEP: f32 = 11.5;

/// The card, A4, as PDF. `photo` gives the opened picture of an id, or `None` where it cannot be had; the card then says so.
///
/// # Errors
/// [`CardError`].
pub fn card(
    notebook: &Notebook,
    id: AnimalId,
    photo: impl Fn(PictureId) -> Option<Photo>,
) -> Result<Vec<u8>, CardError> {
    let animal = notebook.animal(id).ok_or(CardError::NotThere(id))?;
    let measurements: Vec<&Measurement> = notebook.measurements_of(id).collect();
    let mut sheet = Sheet { document: Document::new(&animal.name)?, y: 0.0 };
    sheet.turn();
    sheet.say(&animal.name, 17.0, true, 0.0);
    sheet.y -= 4.0;
    for (label, value) in fields(animal) {
        sheet.field(label, &value);
    }
    sheet.field("id", &notebook.id.global(&animal.id.to_string()));
    let pictures: BTreeSet<PictureId> = measurements.iter().map(|m| m.picture).collect();
    if let Some(first) = pictures.first() {
        match photo(*first) {
            Some(photo) => sheet.photo(notebook, *first, &photo)?,
            None => sheet.say("The picture was not found when this card was made.", TEXT, false, 0.35),
        }
    }
    if let Some(words) = crate::notebook::sentence_of(notebook, &[id]) {
        sheet.y -= 4.0;
        sheet.say(&words, TEXT + 1.0, false, 0.0);
    }
    sheet.heading("Measurements");
    sheet.say("Value ± U for the stated coverage; values are rounded for reading, the table and the notebook hold all digits.", 7.0, false, 0.35);
    for m in &measurements {
        sheet.measurement(notebook, m);
    }
    sheet.heading("Setups and readings");
    let setups: BTreeSet<SetupId> = measurements.iter().map(|m| m.setup).collect();
    for id in setups {
        sheet.setup(notebook, id);
    }
    sheet.heading("Pictures");
    for id in pictures {
        if let Some(p) = notebook.picture(id) {
            sheet.say(&format!("{id}  {}, {} × {} px", p.path, p.width_px, p.height_px), TEXT, false, 0.0);
            sheet.say(&format!("SHA-256 {}", p.sha256), 7.0, false, 0.35);
        }
    }
    let written = format!("notebook \"{}\", {}, written {}", notebook.title, notebook.id, notebook.changed);
    sheet.document.feet((MARGIN, 0.6 * MARGIN), 7.0, |page, of| {
        format!("{}: page {page} of {of}; {written} by {}", animal.name, notebook.program)
    });
    Ok(sheet.document.finish()?)
}

/// What is known of an animal, with its labels.
pub(super) fn fields(a: &Animal) -> Vec<(&'static str, String)> {
    let all = [
        ("what (in a person's words)", &a.what),
        ("stage", &a.stage),
        ("sex", &a.sex),
        ("found at", &a.place),
        ("found on", &a.found),
        ("found by", &a.found_by),
        ("condition", &a.condition),
        ("medium", &a.medium),
        ("posture", &a.posture),
        ("remarks", &a.remarks),
    ];
    all.into_iter().filter(|(_, v)| !v.is_empty()).map(|(l, v)| (l, v.clone())).collect()
}

/// A page being filled from the top.
struct Sheet {
    document: Document,
    y: f32,
}

impl Sheet {
    fn turn(&mut self) {
        self.document.add_page();
        self.y = PAGE.1 - MARGIN - 8.0;
    }

    fn room(&mut self, height: f32) {
        if self.y - height < MARGIN {
            self.turn();
        }
    }

    fn say(&mut self, text: &str, size: f32, heavy: bool, grey: f32) {
        self.say_at(MARGIN, text, size, heavy, grey);
    }

    fn say_at(&mut self, x: f32, text: &str, size: f32, heavy: bool, grey: f32) {
        let step = size * STEP / TEXT;
        for line in self.document.wrapped(text, size, PAGE.0 - MARGIN - x) {
            self.room(step);
            self.document.text((x, self.y), &line, size, heavy, grey);
            self.y -= step;
        }
    }

    fn heading(&mut self, text: &str) {
        self.room(40.0);
        self.y -= 9.0;
        self.document.line((MARGIN, self.y + 11.0), (PAGE.0 - MARGIN, self.y + 11.0), 0.4, 0.6);
        self.say(text, 10.5, true, 0.0);
    }

    fn field(&mut self, label: &str, value: &str) {
        self.room(STEP);
        self.document.text((MARGIN, self.y), label, TEXT, false, 0.35);
        self.say_at(MARGIN + 112.0, value, TEXT, false, 0.0);
    }

    fn photo(&mut self, notebook: &Notebook, id: PictureId, photo: &Photo) -> Result<(), CardError> {
        let picture = small(&marked::overlay(notebook, id, Drawn::All), photo, 1600)?;
        let (w, h) = (picture.width_px as f32, picture.height_px as f32);
        let width = (PAGE.0 - 2.0 * MARGIN).min(280.0 * w / h);
        let height = width * h / w;
        self.room(height + 8.0);
        self.y -= height - 4.0;
        self.document.picture((MARGIN, self.y), (width, height), picture);
        self.y -= 16.0;
        Ok(())
    }

    fn measurement(&mut self, notebook: &Notebook, m: &Measurement) {
        let Some(r) = &m.reported else { return };
        self.room(3.0 * STEP);
        self.y -= 2.0;
        let f = &r.figure;
        let top = self.y;
        self.document.text((MARGIN, top), &m.full_name(), TEXT, true, 0.0);
        self.document.text((MARGIN + 150.0, top), &figure_text(f), TEXT, true, 0.0);
        let mut about = format!("{}, {:.0} %", f.verdict.name(), 100.0 * m.coverage);
        if let Some(k) = f.k {
            about.push_str(&format!(", k = {k:.2}"));
        }
        if let Some(dof) = f.dof.filter(|d| *d < 1000.0) {
            about.push_str(&format!(", ν = {dof:.0}"));
        }
        self.document.text((MARGIN + 270.0, top), &about, TEXT, false, 0.0);
        self.y -= STEP;
        for part in &f.parts {
            self.room(STEP);
            self.document.text((MARGIN + 12.0, self.y), &part.name, TEXT, false, 0.0);
            self.document.text((MARGIN + 150.0, self.y), &figure_text(part), TEXT, false, 0.0);
            self.document.text((MARGIN + 270.0, self.y), part.verdict.name(), TEXT, false, 0.0);
            self.y -= STEP;
        }
        let unit = marked::behind(f.unit);
        let lines: Vec<String> = f
            .budget
            .iter()
            .filter(|l| l.share >= 0.005)
            .map(|l| format!("{} {}{unit} ({}, {:.0} %)", l.source, significant(l.u, 2), l.evaluation, 100.0 * l.share))
            .collect();
        if !lines.is_empty() {
            self.say_at(MARGIN + 12.0, &format!("u from: {}", lines.join("; ")), 7.0, false, 0.3);
        }
        let marks: Vec<String> = m.marks.iter().map(|k| format!("{:.2},{:.2}", k.x_px, k.y_px)).collect();
        let mut how = format!("{}, lying {}, picture {}", m.kind.name(), m.lying.words(), m.picture);
        if let Some(shape) = m.shape() {
            how.push_str(&format!(", placed: {}", shape.placement()));
        }
        if !m.person.is_empty() {
            how.push_str(&format!(", by {}", m.person));
        }
        if !m.date.is_empty() {
            how.push_str(&format!(", {}", m.date));
        }
        // All of them, however many: the figure cannot be checked without.
        if !marks.is_empty() {
            how.push_str(&format!("; marks {} px", marks.join(" ")));
        }
        self.say_at(MARGIN + 12.0, &how, 7.0, false, 0.3);
        if let Some(q) = notebook.quantity(&m.quantity) {
            self.say_at(MARGIN + 12.0, &q.definition, 7.0, false, 0.3);
        }
        for w in f.warnings.iter().chain(&r.warnings) {
            self.say_at(MARGIN + 12.0, &format!("note: {w}"), 7.0, false, 0.3);
        }
    }

    fn setup(&mut self, notebook: &Notebook, id: SetupId) {
        let Some(kept) = notebook.setup(id) else { return };
        let s = &kept.setup;
        let known = |label: &str, v: &Option<String>| v.as_ref().map(|v| format!("{label} {v}"));
        let mut words = vec![s.name.clone()];
        words
            .extend([known("camera", &s.camera), known("lens", &s.lens), known("mode", &s.mode)].into_iter().flatten());
        words.extend(s.optics.magnification.map(|m| format!("magnification {m}")));
        words.push(format!("ruled slide of {} µm divisions", s.slide.division_um));
        self.say(&words.join(", "), TEXT, true, 0.0);
        for r in &s.readings {
            let line = format!(
                "{}: {} px/µm ± {} (k = 2, {} %), {} graduations used, {} left out, residuals {} px, map {}; {}",
                r.date,
                significant(r.scale_px_per_um, 6),
                significant(2.0 * r.u_rel * r.scale_px_per_um, 2),
                significant(200.0 * r.u_rel, 2),
                r.graduations_used,
                r.graduations_rejected,
                significant(r.residual_rms_px, 2),
                r.model,
                r.picture
            );
            self.say_at(MARGIN + 12.0, &line, 7.5, false, 0.15);
            self.say_at(MARGIN + 12.0, &format!("SHA-256 {}", r.picture_sha256), 7.0, false, 0.35);
        }
    }
}

/// The picture with its drawing, no wider or higher than `most` pixels, as JPEG.
pub(super) fn small(overlay: &Overlay, photo: &Photo, most: usize) -> Result<JpegPicture, CardError> {
    let (rgba, _bar) = overlay.draw_rgba(photo)?;
    let (w, h) = (photo.width(), photo.height());
    let factor = w.max(h).div_ceil(most).max(1);
    let (sw, sh) = ((w / factor).max(1), (h / factor).max(1));
    let mut rgb = Vec::with_capacity(3 * sw * sh);
    for y in 0..sh {
        for x in 0..sw {
            // Mean of a square of whole pixels: simple, and no rings about dark lines.
            let mut sum = [0_u32; 3];
            let mut n = 0;
            for yy in (y * factor..(y + 1) * factor).take_while(|v| *v < h) {
                for xx in (x * factor..(x + 1) * factor).take_while(|v| *v < w) {
                    let at = 4 * (yy * w + xx);
                    for (s, v) in sum.iter_mut().zip(&rgba[at..at + 3]) {
                        *s += u32::from(*v);
                    }
                    n += 1;
                }
            }
            rgb.extend(sum.map(|s| ((s + n / 2) / n.max(1)) as u8));
        }
    }
    let size = (sw as u32, sh as u32);
    let bytes = jpeg(&rgb, size, None, b"", 88)?.bytes;
    Ok(JpegPicture { bytes, width_px: size.0, height_px: size.1 })
}
