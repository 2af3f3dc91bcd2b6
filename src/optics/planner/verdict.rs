//! When a length counts as resolved: the verdict rule of the measurement model.

use crate::units::Um;

/// Lengths from this many blur spots and px on are resolved, and marginal.
pub(super) const RESOLVED: (f64, f64) = (2.0, 6.0);
pub(super) const MARGINAL: (f64, f64) = (1.0, 3.0);

/// Smallest length of a verdict: so many blur spots and so many px.
pub(super) fn smallest(limit: (f64, f64), w: Um, footprint: Um) -> Um {
    Um::new((limit.0 * w.get()).max(limit.1 * footprint.get()))
}

/// The verdict on a length for a blur spot `w` and pixels of `footprint` on the animal.
pub(super) fn verdict(length: Um, w: Um, footprint: Um) -> &'static str {
    if length >= smallest(RESOLVED, w, footprint) {
        "resolved"
    } else if length >= smallest(MARGINAL, w, footprint) {
        "marginal"
    } else {
        "not resolved"
    }
}

/// True when a length has too few pixels, however sharp they are.
pub(super) fn lacks_pixels(length: Um, footprint: Um) -> bool {
    length < footprint * RESOLVED.1
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_verdict_needs_blur_spots_and_pixels() {
        let of = |l: f64, w: f64, p: f64| verdict(Um::new(l), Um::new(w), Um::new(p));
        assert_eq!(of(20.0, 10.0, 1.0), "resolved");
        assert_eq!(of(19.9, 10.0, 1.0), "marginal");
        assert_eq!(of(20.0, 1.0, 3.5), "marginal");
        assert_eq!(of(9.9, 10.0, 1.0), "not resolved");
        assert!(lacks_pixels(Um::new(20.0), Um::new(3.5)));
        assert!(!lacks_pixels(Um::new(21.0), Um::new(3.5)));
    }
}
