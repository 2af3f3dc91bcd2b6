//! A scale bar: a round length, in an ink that can be seen where it lies.

use super::ink::Ink;
use super::scene::{Anchor, Scene, Shape, Stroke};
use super::text::{text_height_px, text_width_px};
use crate::photo::Transfer;
use crate::units::{Px, PxPerUm, Um};

/// Largest share of the picture's width that the bar takes; the next shorter round length is at least 2.5 times
/// less, so the bar takes 10 % to 25 %.
const LARGEST_SHARE: f64 = 0.25;

/// Contrast of bar and label to their ground below which they get a plate.
///
/// Source: Web Content Accessibility Guidelines 2.1, 1.4.3: 4.5 for text.
const ENOUGH_CONTRAST: f64 = 4.5;

/// Where a scale bar lies.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Corner {
    /// The corner whose ground is most even, the lower right one when all are alike.
    #[default]
    Quietest,
    /// Lower right.
    BottomRight,
    /// Lower left.
    BottomLeft,
    /// Upper right.
    TopRight,
    /// Upper left.
    TopLeft,
}

/// A scale bar to draw.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ScaleBar {
    /// The picture's scale where the bar stands for it: the centre's.
    pub scale: PxPerUm,
    /// Where it lies.
    pub corner: Corner,
}

/// A scale bar as it was drawn.
#[derive(Clone, Debug, PartialEq)]
pub struct DrawnBar {
    /// The length that the bar stands for.
    pub length: Um,
    /// The bar's length in the picture.
    pub drawn: Px,
    /// What is written at it.
    pub label: String,
    /// The corner chosen.
    pub corner: Corner,
    /// Contrast ratio of the ink to the least favourable tenth of its ground, 1 to 21.
    pub contrast: f64,
    /// True when a plate was laid below it.
    pub plate: bool,
}

/// Pixels of the picture: columns, rows and opaque RGBA.
#[derive(Clone, Copy)]
pub(super) struct Ground<'a> {
    pub(super) width: usize,
    pub(super) height: usize,
    pub(super) rgba: &'a [u8],
}

/// The largest of 1, 2, 5 times a power of ten that is not above `limit`.
fn round_length(limit_um: f64) -> f64 {
    let decade = 10_f64.powf(limit_um.log10().floor());
    // Rounding of the logarithm may put the decade one step too high or low.
    [10.0, 5.0, 2.0, 1.0, 0.5].map(|m| m * decade).into_iter().find(|l| *l <= limit_um).unwrap_or(0.1 * decade)
}

fn label(length_um: f64) -> String {
    if length_um >= 1000.0 {
        format!("{} mm", length_um / 1000.0)
    } else if length_um >= 1.0 {
        format!("{length_um} µm")
    } else {
        format!("{} nm", (length_um * 1000.0 * 1e6).round() / 1e6)
    }
}

struct Layout {
    length_um: f64,
    bar_px: f64,
    thick_px: f64,
    text_px: f64,
    label: String,
    /// Width and height of bar and label together.
    size: (f64, f64),
}

fn layout(width_px: f64, height_px: f64, scale: PxPerUm) -> Option<Layout> {
    if !(scale.is_finite() && scale.get() > 0.0) {
        return None;
    }
    let length_um = round_length(LARGEST_SHARE * width_px / scale.get());
    let bar_px = length_um * scale.get();
    if !bar_px.is_finite() || bar_px < 8.0 {
        return None;
    }
    let label = label(length_um);
    // Readable when the picture fills a page or a screen, never below 11 px, never wider than the picture allows.
    let wanted = (0.032 * width_px.min(1.5 * height_px)).max(11.0);
    let widest = 0.4 * width_px;
    let text_px = wanted * (widest / text_width_px(&label, wanted)).min(1.0);
    let thick_px = (0.2 * text_px).max(2.0).round();
    let size = (bar_px.max(text_width_px(&label, text_px)), text_height_px(text_px) + 0.45 * text_px + thick_px);
    (size.1 + 2.0 * text_px <= height_px && text_px >= 6.0).then_some(Layout {
        length_um,
        bar_px,
        thick_px,
        text_px,
        label,
        size,
    })
}

impl ScaleBar {
    /// Adds the bar to a scene over `ground`; `None` where the picture is too small for one.
    pub(super) fn draw(&self, ground: Ground<'_>, scene: &mut Scene) -> Option<DrawnBar> {
        let (width, height) = (ground.width as f64, ground.height as f64);
        let Layout { length_um, bar_px, thick_px, text_px, label, size } = layout(width, height, self.scale)?;
        let pad = 0.5 * text_px;
        let place = |corner: Corner| {
            let right = matches!(corner, Corner::BottomRight | Corner::TopRight | Corner::Quietest);
            let bottom = matches!(corner, Corner::BottomRight | Corner::BottomLeft | Corner::Quietest);
            let x = if right { width - 2.0 * pad - size.0 } else { 2.0 * pad };
            let y = if bottom { height - 2.0 * pad - size.1 } else { 2.0 * pad };
            // Whole pixels keep the bar's ends sharp.
            (x.round(), y.round())
        };
        let spread = |corner| {
            let (low, high) = ground.range(place(corner), size, pad);
            (high + 0.05) / (low + 0.05)
        };
        let corner = match self.corner {
            Corner::Quietest => {
                [Corner::BottomLeft, Corner::TopRight, Corner::TopLeft]
                    .into_iter()
                    .fold((Corner::BottomRight, spread(Corner::BottomRight)), |best, corner| {
                        let own = spread(corner);
                        // Another corner must be clearly better.
                        if own < 0.8 * best.1 { (corner, own) } else { best }
                    })
                    .0
            }
            chosen => chosen,
        };
        let (x, y) = place(corner);
        let (low, high) = ground.range((x, y), size, pad);
        let (white, black) = (1.05 / (high + 0.05), (low + 0.05) / 0.05);
        let (mut ink, mut contrast) = if white >= black { (Ink::WHITE, white) } else { (Ink::BLACK, black) };
        let plate = contrast < ENOUGH_CONTRAST;
        if plate {
            // Opaque, so that its contrast is known: white on near black.
            ink = Ink::WHITE;
            let dark = Ink::rgb(24, 24, 24);
            contrast = 1.05 / (Transfer::Srgb.light(24.0 / 255.0) + 0.05);
            scene.rectangle((x - pad, y - pad), (size.0 + 2.0 * pad, size.1 + 2.0 * pad), Some(dark), None);
        }
        let middle = x + 0.5 * size.0;
        scene.shapes.push(Shape::Text {
            at: (middle, y + text_height_px(text_px)),
            text: label.clone(),
            size_px: text_px,
            anchor: Anchor::Middle,
            upwards: false,
            heavy: true,
            ink,
            halo: (!plate).then(|| {
                Stroke::new(if ink == Ink::WHITE { Ink::BLACK } else { Ink::WHITE }.with_alpha(90), 0.14 * text_px)
            }),
        });
        let top = y + size.1 - thick_px;
        scene.rectangle((middle - 0.5 * bar_px, top), (bar_px, thick_px), Some(ink), None);
        Some(DrawnBar { length: Um::new(length_um), drawn: Px::new(bar_px), label, corner, contrast, plate })
    }
}

impl Ground<'_> {
    /// Relative luminance that a tenth of a region lies below, and that a tenth lies above.
    fn range(&self, (x, y): (f64, f64), (w, h): (f64, f64), pad: f64) -> (f64, f64) {
        let clamp = |v: f64, n: usize| (v.max(0.0) as usize).min(n);
        let (left, right) = (clamp(x - pad, self.width), clamp(x + w + pad, self.width));
        let (top, bottom) = (clamp(y - pad, self.height), clamp(y + h + pad, self.height));
        let mut lights: Vec<f64> = (top..bottom)
            .flat_map(|row| (left..right).map(move |column| (row * self.width + column) * 4))
            .filter_map(|i| self.rgba.get(i..i + 3))
            .map(|p| {
                let light = |c: u8| Transfer::Srgb.light(f64::from(c) / 255.0);
                0.2126 * light(p[0]) + 0.7152 * light(p[1]) + 0.0722 * light(p[2])
            })
            .collect();
        if lights.is_empty() {
            return (0.0, 1.0);
        }
        let n = lights.len();
        let mut at = |share: f64| {
            let i = ((n - 1) as f64 * share).round() as usize;
            *lights.select_nth_unstable_by(i, f64::total_cmp).1
        };
        (at(0.1), at(0.9))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_are_round_and_take_a_tenth_to_a_quarter() {
        for i in 0..400 {
            let scale = PxPerUm::new(10_f64.powf(-3.0 + f64::from(i) * 0.015));
            let Some(layout) = layout(6000.0, 4000.0, scale) else { panic!("no bar at {scale}") };
            let share = layout.bar_px / 6000.0;
            assert!((0.1 - 1e-9..=0.25 + 1e-9).contains(&share), "{scale}: {share}");
            let leading = layout.length_um / 10_f64.powf(layout.length_um.log10().floor());
            assert!([1.0, 2.0, 5.0, 10.0].iter().any(|m| (leading - m).abs() < 1e-9), "{leading}");
        }
        assert_eq!((label(200.0), label(5000.0), label(0.5)), ("200 µm".into(), "5 mm".into(), "500 nm".into()));
        assert!(layout(600.0, 400.0, PxPerUm::new(f64::NAN)).is_none());
        assert!(layout(20.0, 10.0, PxPerUm::new(1.0)).is_none());
    }

    #[test]
    fn the_ink_is_seen_on_black_white_grey_and_checks() {
        let (width, height) = (600, 400);
        let grounds: [fn(usize, usize) -> u8; 4] =
            [|_x, _y| 0, |_x, _y| 255, |_x, _y| 118, |x, y| if (x / 8 + y / 8) % 2 == 0 { 0 } else { 255 }];
        for (i, of) in grounds.into_iter().enumerate() {
            let rgba: Vec<u8> = (0..width * height)
                .flat_map(|p| {
                    let v = of(p % width, p / width);
                    [v, v, v, 255]
                })
                .collect();
            let mut scene = Scene::new(width as f64, height as f64);
            let bar = ScaleBar { scale: PxPerUm::new(1.0), corner: Corner::Quietest };
            let drawn = bar.draw(Ground { width, height, rgba: &rgba }, &mut scene).unwrap();
            assert!(drawn.contrast >= ENOUGH_CONTRAST, "ground {i}: {drawn:?}");
            assert_eq!(drawn.plate, i == 3, "ground {i}: {drawn:?}");
            assert_eq!(drawn.corner, Corner::BottomRight);
            assert_eq!(drawn.length, Um::new(100.0));
        }
    }
}
