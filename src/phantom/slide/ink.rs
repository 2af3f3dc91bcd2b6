//! Figures on the slide and captions in the picture.

use super::super::strokes::{ADVANCE, Segment, draw_strokes, text_strokes};
use super::map::SlideMap;
use super::scene::{BurnedIn, Ruling, SlideScene};
use super::truth::placed;

/// Coverage by figures, one value a pixel; `None` where no ruling is numbered.
pub(crate) fn figures(scene: &SlideScene, map: &SlideMap, soft_px: f64) -> Option<Vec<f32>> {
    let numbered: Vec<&Ruling> = scene.rulings.iter().filter(|r| r.figures_um.is_some()).collect();
    if numbered.is_empty() {
        return None;
    }
    let mut layer = vec![0.0; scene.width_px * scene.height_px];
    for ruling in numbered {
        let strokes = figure_strokes(ruling, map);
        draw_strokes(&mut layer, scene.width_px, &strokes, ruling.line_um * scene.px_per_um, soft_px);
    }
    Some(layer)
}

/// The figures of one ruling as strokes in the picture.
fn figure_strokes(ruling: &Ruling, map: &SlideMap) -> Vec<Segment> {
    let height = ruling.figures_um.unwrap_or(0.0);
    let Some(longest) = ruling.tiers.iter().max_by_key(|t| t.every) else { return Vec::new() };
    let (from, to) = ruling.reach_um(longest.length_um);
    // Beyond the free end of the long lines; the figure's foot is toward positive y whichever side it is on.
    let top = if to.abs() >= from.abs() { to + 0.4 * height } else { from - 1.4 * height };
    let step = longest.every.max(1) as usize;
    (0..=ruling.divisions)
        .step_by(step)
        .flat_map(|index| {
            let text = (index / ruling.figure_divisor.max(1)).to_string();
            let width = height * (ADVANCE * text.len() as f64 - (ADVANCE - 4.0 / 6.0));
            let left = f64::from(index) * ruling.division_um - width / 2.0;
            text_strokes(&text, [left, top], height, 0.0)
        })
        .map(|stroke| {
            stroke.map(|p| {
                let q = map.image_from_slide(placed(ruling, p[0], p[1]));
                [q.x, q.y]
            })
        })
        .collect()
}

/// Writes captions, boxes and lines over linear light with `channels` values a pixel.
pub(crate) fn burn_in(scene: &SlideScene, light: &mut [f32], channels: usize) {
    for item in &scene.burned_in {
        let mut layer = vec![0.0_f32; scene.width_px * scene.height_px];
        let level = match item {
            BurnedIn::Text { text, at_px, height_px, level } => {
                let strokes = text_strokes(text, *at_px, *height_px, 0.0);
                draw_strokes(&mut layer, scene.width_px, &strokes, (height_px / 9.0).max(1.0), 0.4);
                level
            }
            BurnedIn::Line { from_px, to_px, level } => {
                draw_strokes(&mut layer, scene.width_px, &[[*from_px, *to_px]], 1.0, 0.4);
                level
            }
            BurnedIn::Box { from_px, to_px, level } => {
                for (i, v) in layer.iter_mut().enumerate() {
                    let (x, y) = ((i % scene.width_px) as f64 + 0.5, (i / scene.width_px) as f64 + 0.5);
                    let inside = (from_px[0]..to_px[0]).contains(&x) && (from_px[1]..to_px[1]).contains(&y);
                    *v = f32::from(u8::from(inside));
                }
                level
            }
        };
        for (values, cover) in light.chunks_exact_mut(channels).zip(&layer) {
            for v in values {
                *v += cover * (*level as f32 - *v);
            }
        }
    }
}
