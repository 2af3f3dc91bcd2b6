//! Scenes to SVG 1.1.

use std::fmt::Write;

use super::ink::Ink;
use super::scene::{Anchor, Scene, Shape, Stroke};
use super::text::text_width_px;

/// Faces asked for in turn; whichever the viewer has, the width is held by `textLength`.
const FACES: &str = "Ubuntu, 'DejaVu Sans', Verdana, sans-serif";

impl Scene {
    /// The scene on a white ground as SVG. Text stays text, held to the width that was laid out.
    #[must_use]
    pub fn to_svg(&self) -> String {
        self.to_svg_over(None)
    }

    /// The same over the picture at `href`, filling the scene; on white where there is none.
    #[must_use]
    pub(super) fn to_svg_over(&self, href: Option<&str>) -> String {
        let (w, h) = (number(self.width_px), number(self.height_px));
        let ground = match href {
            Some(href) => format!("<image href=\"{}\" width=\"{w}\" height=\"{h}\"/>", escaped(href)),
            None => format!("<rect width=\"{w}\" height=\"{h}\" fill=\"#ffffff\"/>"),
        };
        let mut svg = format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{w}\" height=\"{h}\" viewBox=\"0 0 {w} {h}\" font-family=\"{FACES}\" stroke-linecap=\"round\" stroke-linejoin=\"round\">\n{ground}\n"
        );
        for shape in &self.shapes {
            svg.push_str(&element(shape));
            svg.push('\n');
        }
        svg.push_str("</svg>\n");
        svg
    }
}

fn element(shape: &Shape) -> String {
    match shape {
        Shape::Path { points, closed, fill, stroke } => {
            let name = if *closed { "polygon" } else { "polyline" };
            let points: Vec<String> = points.iter().map(|(x, y)| format!("{},{}", number(*x), number(*y))).collect();
            format!("<{name} points=\"{}\"{}{}/>", points.join(" "), filled(*fill), stroked(stroke.as_ref()))
        }
        Shape::Circle { centre, radius_px, fill, stroke } => format!(
            "<circle cx=\"{}\" cy=\"{}\" r=\"{}\"{}{}/>",
            number(centre.0),
            number(centre.1),
            number(*radius_px),
            filled(*fill),
            stroked(stroke.as_ref())
        ),
        Shape::Text { at, text, size_px, anchor, upwards, heavy, ink, halo } => {
            let anchor = match anchor {
                Anchor::Start => "start",
                Anchor::Middle => "middle",
                Anchor::End => "end",
            };
            let (x, y) = (number(at.0), number(at.1));
            let turn = if *upwards { format!(" transform=\"rotate(-90 {x} {y})\"") } else { String::new() };
            let weight = if *heavy { " font-weight=\"600\"" } else { "" };
            let halo =
                halo.as_ref().map_or_else(String::new, |s| format!(" paint-order=\"stroke\"{}", stroked(Some(s))));
            format!(
                "<text x=\"{x}\" y=\"{y}\" font-size=\"{}\" text-anchor=\"{anchor}\" textLength=\"{}\" lengthAdjust=\"spacingAndGlyphs\"{weight}{turn}{}{halo}>{}</text>",
                number(*size_px),
                number(text_width_px(text, *size_px)),
                filled(Some(*ink)),
                escaped(text)
            )
        }
    }
}

fn number(v: f64) -> String {
    let text = format!("{v:.2}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

fn colour(ink: Ink) -> String {
    format!("#{:02x}{:02x}{:02x}", ink.red, ink.green, ink.blue)
}

fn opacity(name: &str, ink: Ink) -> String {
    if ink.alpha == 255 { String::new() } else { format!(" {name}-opacity=\"{:.3}\"", f64::from(ink.alpha) / 255.0) }
}

fn filled(fill: Option<Ink>) -> String {
    fill.map_or_else(|| " fill=\"none\"".to_owned(), |ink| format!(" fill=\"{}\"{}", colour(ink), opacity("fill", ink)))
}

fn stroked(stroke: Option<&Stroke>) -> String {
    let Some(stroke) = stroke else { return String::new() };
    let mut text = format!(
        " stroke=\"{}\" stroke-width=\"{}\"{}",
        colour(stroke.ink),
        number(stroke.width_px),
        opacity("stroke", stroke.ink)
    );
    if !stroke.dashes_px.is_empty() {
        let dashes: Vec<String> = stroke.dashes_px.iter().map(|v| number(*v)).collect();
        // Writing to a string cannot fail.
        let _written = write!(text, " stroke-dasharray=\"{}\"", dashes.join(" "));
    }
    text
}

fn escaped(text: &str) -> String {
    // Control characters are not allowed in XML 1.0 at all.
    text.chars()
        .filter(|c| !c.is_control())
        .map(|c| match c {
            '&' => "&amp;".to_owned(),
            '<' => "&lt;".to_owned(),
            '>' => "&gt;".to_owned(),
            '"' => "&quot;".to_owned(),
            c => c.to_string(),
        })
        .collect()
}
