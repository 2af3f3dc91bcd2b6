//! Measuring and outlining text.
//!
//! The face is Ubuntu Light (Ubuntu Font Licence 1.0), with Hack (MIT and Bitstream Vera licences) for
//! characters that it lacks; both come with the `epaint_default_fonts` package and are part of the program.

use std::sync::OnceLock;

use ab_glyph::{Font, FontRef, GlyphId, OutlineCurve};
use tiny_skia::{Path, PathBuilder};

use super::scene::Anchor;

/// Height from the base line to the top of capitals, as a share of the em of the face.
const CAPITAL: f64 = 0.69;

/// Room added after every letter, as a share of the em: the outline is thickened when drawn.
const TRACKING: f64 = 0.02;

struct Faces {
    faces: [Option<FontRef<'static>>; 2],
}

fn faces() -> &'static Faces {
    static FACES: OnceLock<Faces> = OnceLock::new();
    FACES.get_or_init(|| {
        let face = |bytes| FontRef::try_from_slice(bytes).ok();
        Faces { faces: [face(epaint_default_fonts::UBUNTU_LIGHT), face(epaint_default_fonts::HACK_REGULAR)] }
    })
}

/// One placed glyph.
struct Placed {
    face: &'static FontRef<'static>,
    glyph: GlyphId,
    x: f64,
    scale: f64,
}

/// Places the glyphs of a line; returns them with the width, both at the given em.
fn placed(text: &str, size_px: f64) -> (Vec<Placed>, f64) {
    let mut x = 0.0;
    let mut glyphs = Vec::new();
    let mut before: Option<(usize, GlyphId)> = None;
    for c in text.chars() {
        let found =
            faces().faces.iter().enumerate().filter_map(|(i, face)| Some((i, face.as_ref()?))).find_map(|(i, face)| {
                let glyph = face.glyph_id(c);
                (glyph.0 != 0).then_some((i, face, glyph))
            });
        // A character that no face has is left as a gap of half an em.
        let Some((i, face, glyph)) = found else {
            x += 0.5 * size_px;
            before = None;
            continue;
        };
        let scale = size_px / f64::from(face.units_per_em().unwrap_or(1000.0));
        if let Some((j, last)) = before
            && j == i
        {
            x += f64::from(face.kern_unscaled(last, glyph)) * scale;
        }
        glyphs.push(Placed { face, glyph, x, scale });
        x += f64::from(face.h_advance_unscaled(glyph)) * scale + TRACKING * size_px;
        before = Some((i, glyph));
    }
    (glyphs, x)
}

/// Width of a line of text, px, for a font of the given height.
#[must_use]
pub fn text_width_px(text: &str, size_px: f64) -> f64 {
    placed(text, size_px).1
}

/// Height of capitals and figures, px, for a font of the given height.
#[must_use]
pub fn text_height_px(size_px: f64) -> f64 {
    CAPITAL * size_px
}

/// The letters as one outline, anchored at a point of the base line.
pub(super) fn outline(text: &str, size_px: f64, at: (f64, f64), anchor: Anchor, upwards: bool) -> Option<Path> {
    let (glyphs, width) = placed(text, size_px);
    let shift = match anchor {
        Anchor::Start => 0.0,
        Anchor::Middle => -0.5 * width,
        Anchor::End => -width,
    };
    let mut path = PathBuilder::new();
    for Placed { face, glyph, x, scale } in glyphs {
        let Some(outline) = face.outline(glyph) else { continue };
        let point = |p: ab_glyph::Point| {
            let (along, up) = (shift + x + f64::from(p.x) * scale, f64::from(p.y) * scale);
            let (px, py) = if upwards { (at.0 - up, at.1 - along) } else { (at.0 + along, at.1 - up) };
            (px as f32, py as f32)
        };
        let mut end = None;
        let mut begin = |path: &mut PathBuilder, start: (f32, f32), last: (f32, f32)| {
            if end != Some(start) {
                if end.is_some() {
                    path.close();
                }
                path.move_to(start.0, start.1);
            }
            end = Some(last);
        };
        for curve in outline.curves {
            match curve {
                OutlineCurve::Line(a, b) => {
                    let (a, b) = (point(a), point(b));
                    begin(&mut path, a, b);
                    path.line_to(b.0, b.1);
                }
                OutlineCurve::Quad(a, b, c) => {
                    let (a, b, c) = (point(a), point(b), point(c));
                    begin(&mut path, a, c);
                    path.quad_to(b.0, b.1, c.0, c.1);
                }
                OutlineCurve::Cubic(a, b, c, d) => {
                    let (a, b, c, d) = (point(a), point(b), point(c), point(d));
                    begin(&mut path, a, d);
                    path.cubic_to(b.0, b.1, c.0, c.1, d.0, d.1);
                }
            }
        }
        path.close();
    }
    path.finish()
}

/// Breaks a text into lines that fit a width, between words where it can, else within a word.
#[must_use]
pub fn wrapped(text: &str, size_px: f64, width_px: f64) -> Vec<String> {
    let fits = |line: &str| text_width_px(line, size_px) <= width_px;
    let mut lines = Vec::new();
    let mut line = String::new();
    for word in text.split_whitespace() {
        let longer = if line.is_empty() { word.to_owned() } else { format!("{line} {word}") };
        if fits(&longer) {
            line = longer;
            continue;
        }
        if !line.is_empty() {
            lines.push(std::mem::take(&mut line));
        }
        for c in word.chars() {
            line.push(c);
            if !fits(&line) && line.chars().count() > 1 {
                line.pop();
                lines.push(std::mem::replace(&mut line, c.to_string()));
            }
        }
    }
    if !line.is_empty() {
        lines.push(line);
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_character_the_program_writes_is_in_a_face() {
        for c in "0aZ µμ×±−²³°≤≥≈σνΔθλ√·–—…½→⁻⁰¹⁴⁵⁶⁷⁸⁹₅₀%/()äéöüß".chars()
        {
            let there = faces().faces.iter().flatten().any(|face| face.glyph_id(c).0 != 0);
            assert!(there, "{c}");
        }
    }

    #[test]
    fn widths_add_up_and_scale() {
        let one = text_width_px("5", 20.0);
        assert!(one > 5.0 && one < 20.0, "{one}");
        assert!((text_width_px("555", 20.0) - 3.0 * one).abs() < 1e-6);
        assert!((text_width_px("555", 40.0) - 6.0 * one).abs() < 1e-6);
    }

    #[test]
    fn wrapping_keeps_every_letter_and_the_width() {
        let text = "residuals of the graduations along the ruling, Donaudampfschifffahrtsgesellschaft";
        let lines = wrapped(text, 15.0, 120.0);
        assert!(lines.len() > 3);
        for line in &lines {
            assert!(text_width_px(line, 15.0) <= 120.0, "{line}");
        }
        let letters = |s: &str| s.chars().filter(|c| !c.is_whitespace()).collect::<String>();
        assert_eq!(letters(&lines.concat()), letters(text));
        // A width too narrow for anything still ends.
        assert_eq!(wrapped("ab", 15.0, 0.0), ["a", "b"]);
    }
}
