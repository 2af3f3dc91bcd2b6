//! The scale bar of the canvas: a 1-2-5 length that follows the zoom. No toolkit types here.

use crate::units::{PxPerUm, Um};

/// Share of the canvas's width that the bar takes at most.
const MOST_SHARE: f64 = 0.2;

/// A bar to be drawn.
#[derive(Clone, Debug, PartialEq)]
pub struct Bar {
    /// Its length on the specimen.
    pub length: Um,
    /// Its length on the canvas, points.
    pub points: f64,
    /// What stands beside it: `200 µm`, `1 mm`.
    pub label: String,
}

/// The longest bar of 1, 2 or 5 times a power of ten that takes at most a fifth of the canvas.
#[must_use]
pub fn bar(scale: PxPerUm, zoom: f64, canvas_width: f64) -> Option<Bar> {
    let points_per_um = scale.get() * zoom;
    let most_um = MOST_SHARE * canvas_width / points_per_um;
    if !(most_um.is_finite() && most_um > 0.0) {
        return None;
    }
    let decade = 10_f64.powi(most_um.log10().floor() as i32);
    let step = [5.0, 2.0, 1.0].into_iter().find(|s| s * decade <= most_um * (1.0 + 1e-9)).unwrap_or(1.0);
    let um = step * decade;
    Some(Bar { length: Um::new(um), points: um * points_per_um, label: label(um) })
}

fn label(um: f64) -> String {
    if um >= 1000.0 {
        format!("{} mm", plain(um / 1000.0))
    } else if um >= 0.999 {
        format!("{} µm", plain(um))
    } else {
        format!("{} nm", plain(um * 1000.0))
    }
}

/// A number of one digit and a power of ten without what rounding left.
fn plain(v: f64) -> String {
    let digits = if v < 1.0 { (-v.log10().floor()) as usize } else { 0 };
    format!("{v:.digits$}")
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn known_bars() {
        // 1 px/µm at zoom 1 on 1000 points: at most 200 µm.
        let b = bar(PxPerUm::new(1.0), 1.0, 1000.0).unwrap();
        assert_eq!((b.label.as_str(), b.points), ("200 µm", 200.0));
        assert_eq!(bar(PxPerUm::new(0.05), 1.0, 1000.0).unwrap().label, "2 mm");
        assert_eq!(bar(PxPerUm::new(1.0), 64.0, 1000.0).unwrap().label, "2 µm");
        assert_eq!(bar(PxPerUm::new(20.0), 64.0, 1000.0).unwrap().label, "100 nm");
        assert_eq!(bar(PxPerUm::new(f64::NAN), 1.0, 1000.0), None);
    }

    proptest! {
        #[test]
        fn a_bar_is_1_2_5_and_neither_tiny_nor_too_long(scale in 0.001..100.0_f64, zoom in 0.01..80.0_f64, width in 200.0..4000.0_f64) {
            let b = bar(PxPerUm::new(scale), zoom, width).unwrap();
            prop_assert!(b.points <= 0.2 * width * (1.0 + 1e-6) && b.points >= 0.2 * width / 2.5 * (1.0 - 1e-6));
            let mantissa = b.length.get() / 10_f64.powi((b.length.get() * (1.0 + 1e-12)).log10().floor() as i32);
            prop_assert!([1.0, 2.0, 5.0].iter().any(|m| (mantissa - m).abs() < 1e-6), "{mantissa}");
            let first = b.label.trim_start_matches(['0', '.']).chars().next();
            prop_assert!(matches!(first, Some('1' | '2' | '5')), "{}", b.label);
        }
    }
}
