//! Pages of text, lines and pictures as PDF, with the font in the file.
//!
//! Positions are points (1/72 inch) from the lower left corner, as PDF has them.

use std::collections::BTreeMap;

use ab_glyph::{Font, FontRef};
use pdf_writer::types::{CidFontType, FontFlags, SystemInfo, UnicodeCmap};
use pdf_writer::{Content, Filter, Finish, Name, Pdf, Rect, Ref, Str, TextStr};
use subsetter::GlyphRemapper;

/// Why a page cannot be written.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum PdfError {
    /// The program's own font cannot be used.
    #[error("the program's own font cannot be embedded; please report this")]
    Font,
}

/// A4, points.
pub(super) const PAGE: (f32, f32) = (595.276, 841.89);

/// A document being written.
pub(super) struct Document {
    font: FontRef<'static>,
    remapper: GlyphRemapper,
    /// New glyph, its character and its width in thousandths of an em.
    used: BTreeMap<u16, (char, f32)>,
    pages: Vec<Page>,
    title: String,
}

struct Page {
    content: Content,
    pictures: Vec<JpegPicture>,
}

/// A JPEG of red, green and blue.
pub(super) struct JpegPicture {
    pub(super) bytes: Vec<u8>,
    pub(super) width_px: u32,
    pub(super) height_px: u32,
}

impl Document {
    pub(super) fn new(title: &str) -> Result<Self, PdfError> {
        let font = FontRef::try_from_slice(epaint_default_fonts::UBUNTU_LIGHT).map_err(|_err| PdfError::Font)?;
        let title = title.to_owned();
        Ok(Self { font, remapper: GlyphRemapper::new(), used: BTreeMap::new(), pages: Vec::new(), title })
    }

    pub(super) fn add_page(&mut self) {
        self.pages.push(Page { content: Content::new(), pictures: Vec::new() });
    }

    /// Width of a text, points.
    pub(super) fn width(&self, text: &str, size: f32) -> f32 {
        text.chars().map(|c| self.advance(c)).sum::<f32>() * size
    }

    /// Advance of a character in ems.
    fn advance(&self, c: char) -> f32 {
        let units = self.font.units_per_em().unwrap_or(1000.0);
        self.font.h_advance_unscaled(self.font.glyph_id(c)) / units
    }

    /// Breaks a text into lines no wider than `width`; a word that is wider alone is broken where it must be.
    pub(super) fn wrapped(&self, text: &str, size: f32, width: f32) -> Vec<String> {
        let mut lines = Vec::new();
        let mut line = String::new();
        for word in text.split_whitespace() {
            let longer = if line.is_empty() { word.to_owned() } else { format!("{line} {word}") };
            if self.width(&longer, size) <= width {
                line = longer;
                continue;
            }
            if !line.is_empty() {
                lines.push(std::mem::take(&mut line));
            }
            for c in word.chars() {
                if !line.is_empty() && self.width(&line, size) + self.advance(c) * size > width {
                    lines.push(std::mem::take(&mut line));
                }
                line.push(c);
            }
        }
        if !line.is_empty() {
            lines.push(line);
        }
        lines
    }

    /// Writes a text; heavier letters are drawn with an outline of their own colour.
    pub(super) fn text(&mut self, (x, y): (f32, f32), text: &str, size: f32, heavy: bool, grey: f32) {
        let mut bytes = Vec::with_capacity(2 * text.len());
        for c in text.chars() {
            let glyph = self.remapper.remap(self.font.glyph_id(c).0);
            self.used.insert(glyph, (c, 1000.0 * self.advance(c)));
            bytes.extend(glyph.to_be_bytes());
        }
        let Some(page) = self.pages.last_mut() else { return };
        let content = &mut page.content;
        content.set_fill_gray(grey).set_stroke_gray(grey);
        // The face is a light one: a thin outline makes it an ordinary one on paper.
        content.set_line_width(size * if heavy { 0.045 } else { 0.016 });
        content.begin_text();
        content.set_text_rendering_mode(pdf_writer::types::TextRenderingMode::FillStroke);
        content.set_font(Name(b"F1"), size);
        content.next_line(x, y);
        content.show(Str(&bytes));
        content.end_text();
    }

    /// Writes a small grey line at the foot of every page that there is; `words` gets the page's number, from 1, and how many there are.
    pub(super) fn feet(&mut self, at: (f32, f32), size: f32, words: impl Fn(usize, usize) -> String) {
        let pages = std::mem::take(&mut self.pages);
        let of = pages.len();
        for (i, page) in pages.into_iter().enumerate() {
            self.pages.push(page);
            self.text(at, &words(i + 1, of), size, false, 0.35);
        }
    }

    pub(super) fn line(&mut self, from: (f32, f32), to: (f32, f32), width: f32, grey: f32) {
        if let Some(page) = self.pages.last_mut() {
            page.content.set_line_width(width).set_stroke_gray(grey);
            page.content.move_to(from.0, from.1).line_to(to.0, to.1).stroke();
        }
    }

    /// Puts a picture with its lower left corner at a place.
    pub(super) fn picture(&mut self, (x, y): (f32, f32), (width, height): (f32, f32), picture: JpegPicture) {
        if let Some(page) = self.pages.last_mut() {
            let name = format!("P{}", page.pictures.len());
            page.content.save_state().transform([width, 0.0, 0.0, height, x, y]);
            page.content.x_object(Name(name.as_bytes())).restore_state();
            page.pictures.push(picture);
        }
    }

    /// The file.
    pub(super) fn finish(self) -> Result<Vec<u8>, PdfError> {
        let mut pdf = Pdf::new();
        let mut next = 1;
        let mut new_ref = || {
            next += 1;
            Ref::new(next - 1)
        };
        let (catalog, tree, info) = (new_ref(), new_ref(), new_ref());
        let fonts =
            FontRefs { outer: new_ref(), cid: new_ref(), about: new_ref(), file: new_ref(), unicode: new_ref() };
        let mut kids = Vec::new();
        let count = self.pages.len();
        for page in self.pages {
            let (id, content_id) = (new_ref(), new_ref());
            kids.push(id);
            let pictures: Vec<(Ref, JpegPicture)> = page.pictures.into_iter().map(|p| (new_ref(), p)).collect();
            let mut out = pdf.page(id);
            out.media_box(Rect::new(0.0, 0.0, PAGE.0, PAGE.1)).parent(tree).contents(content_id);
            let mut resources = out.resources();
            resources.fonts().pair(Name(b"F1"), fonts.outer);
            let mut objects = resources.x_objects();
            for (i, (id, _)) in pictures.iter().enumerate() {
                objects.pair(Name(format!("P{i}").as_bytes()), *id);
            }
            objects.finish();
            resources.finish();
            out.finish();
            let content = deflated(page.content.finish().as_slice());
            pdf.stream(content_id, &content).filter(Filter::FlateDecode);
            for (id, picture) in pictures {
                let mut image = pdf.image_xobject(id, &picture.bytes);
                image.filter(Filter::DctDecode);
                image.width(picture.width_px as i32).height(picture.height_px as i32);
                image.color_space().device_rgb();
                image.bits_per_component(8);
            }
        }
        pdf.catalog(catalog).pages(tree);
        pdf.pages(tree).kids(kids).count(count as i32);
        let program = concat!("motestick ", env!("CARGO_PKG_VERSION"));
        pdf.document_info(info).title(TextStr(&self.title)).creator(TextStr(program));
        write_font(&mut pdf, &fonts, &self.font, &self.remapper, &self.used)?;
        Ok(pdf.finish())
    }
}

struct FontRefs {
    outer: Ref,
    cid: Ref,
    about: Ref,
    file: Ref,
    unicode: Ref,
}

const FONT_NAME: Name<'static> = Name(b"MOTEST+Ubuntu-Light");
const IDENTITY: SystemInfo<'static> = SystemInfo { registry: Str(b"Adobe"), ordering: Str(b"Identity"), supplement: 0 };

/// The letters in use, as ISO 32000-1 section 9.7 has composite fonts; text can be searched and copied.
fn write_font(
    pdf: &mut Pdf,
    refs: &FontRefs,
    font: &FontRef<'static>,
    remapper: &GlyphRemapper,
    used: &BTreeMap<u16, (char, f32)>,
) -> Result<(), PdfError> {
    let subset = subsetter::subset(epaint_default_fonts::UBUNTU_LIGHT, 0, remapper).map_err(|_err| PdfError::Font)?;
    pdf.type0_font(refs.outer)
        .base_font(FONT_NAME)
        .encoding_predefined(Name(b"Identity-H"))
        .descendant_font(refs.cid)
        .to_unicode(refs.unicode);
    let mut cid = pdf.cid_font(refs.cid);
    cid.subtype(CidFontType::Type2).base_font(FONT_NAME).system_info(IDENTITY).font_descriptor(refs.about);
    cid.default_width(0.0).cid_to_gid_map_predefined(Name(b"Identity"));
    let mut widths = cid.widths();
    for (glyph, (_, width)) in used {
        widths.consecutive(*glyph, [*width]);
    }
    widths.finish();
    cid.finish();
    let mut unicode = UnicodeCmap::new(Name(b"Custom"), IDENTITY);
    for (glyph, (c, _)) in used {
        unicode.pair(*glyph, *c);
    }
    let unicode = unicode.finish();
    pdf.cmap(refs.unicode, unicode.as_slice());
    let em = |v: f32| 1000.0 * v / font.units_per_em().unwrap_or(1000.0);
    pdf.font_descriptor(refs.about)
        .name(FONT_NAME)
        .flags(FontFlags::NON_SYMBOLIC)
        .bbox(Rect::new(-200.0, -300.0, 1500.0, 1100.0))
        .italic_angle(0.0)
        .ascent(em(font.ascent_unscaled()))
        .descent(em(font.descent_unscaled()))
        .cap_height(693.0)
        .stem_v(60.0)
        .font_file2(refs.file);
    let packed = deflated(&subset);
    pdf.stream(refs.file, &packed).filter(Filter::FlateDecode).pair(Name(b"Length1"), subset.len() as i32);
    Ok(())
}

fn deflated(bytes: &[u8]) -> Vec<u8> {
    miniz_oxide::deflate::compress_to_vec_zlib(bytes, 6)
}
