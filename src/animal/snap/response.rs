//! Edge responses in units of their own 10–90 % width.

use std::sync::LazyLock;

use crate::optics::{Aperture, ApertureNote, PupilMagnification, ResponseTable, System};
use crate::stats::normal_cdf;
use crate::units::Um;

/// 10–90 % width of a Gaussian's edge response over its σ: twice the 90 % quantile of the normal distribution.
pub(super) const NORMAL_W_PER_SIGMA: f64 = 2.563_103_131_089_2;

/// What a blurred edge may look like.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Shape {
    /// Diffraction in focus: long tails.
    Diffraction,
    /// Many small causes: none.
    Soft,
    /// Out of focus, or a pixel that rules: short.
    Disc,
}

impl Shape {
    pub(super) const ALL: [Self; 3] = [Self::Diffraction, Self::Soft, Self::Disc];
}

/// Points of a table per width, and widths that it reaches; beyond, the edge has risen.
const PER_WIDTH: f64 = 48.0;
const REACH: f64 = 5.0;

/// Edge minus one half and its slope at 0, 1/48, 2/48, … widths.
#[derive(Debug)]
pub(super) struct Unit {
    nodes: Vec<(f64, f64)>,
}

static UNITS: LazyLock<[Unit; 3]> = LazyLock::new(|| Shape::ALL.map(Unit::of));

impl Unit {
    /// The table of a shape.
    pub(super) fn get(shape: Shape) -> &'static Self {
        &UNITS[shape as usize]
    }

    fn of(shape: Shape) -> Self {
        let count = (REACH * PER_WIDTH) as usize + 1;
        let at = |k: usize| k as f64 / PER_WIDTH;
        let table = match shape {
            Shape::Soft => None,
            Shape::Diffraction => optical(0.0),
            // Fifteen diffraction lengths across: geometric but for its rim.
            Shape::Disc => optical(15.0),
        };
        let nodes = (0..count).map(|k| match &table {
            Some((t, w)) => (t.edge(Um::new(at(k) * w)) - 0.5, t.line_per_um(Um::new(at(k) * w)) * w),
            None => {
                let z = at(k) * NORMAL_W_PER_SIGMA;
                let density = (-0.5 * z * z).exp() / std::f64::consts::TAU.sqrt();
                (normal_cdf(z) - 0.5, density * NORMAL_W_PER_SIGMA)
            }
        });
        Self { nodes: nodes.collect() }
    }

    /// Light at `x` widths beyond an edge that is 0 on the left and 1 on the right, and its slope per width.
    ///
    /// # Accuracy
    /// 1e-5 within 5 widths; beyond, the last value (diffraction has up to 1 % left to rise there).
    pub(super) fn edge_and_slope(&self, x: f64) -> (f64, f64) {
        let t = x.abs() * PER_WIDTH;
        let k = t as usize;
        let (half, slope) = match (self.nodes.get(k), self.nodes.get(k + 1)) {
            (Some(&(e0, l0)), Some(&(e1, l1))) => {
                let (t, step) = (t - k as f64, 1.0 / PER_WIDTH);
                let (l0, l1, rise) = (l0 * step, l1 * step, e1 - e0);
                let (a, b) = (3.0 * rise - 2.0 * l0 - l1, l0 + l1 - 2.0 * rise);
                (e0 + t * (l0 + t * (a + t * b)), (l0 + t * (2.0 * a + 3.0 * t * b)) / step)
            }
            _ => (self.nodes.last().map_or(0.5, |n| n.0), 0.0),
        };
        if x < 0.0 { (0.5 - half, slope) } else { (0.5 + half, slope) }
    }
}

/// Table and width of diffraction with a defocus disc of so many diffraction lengths; pixels of no extent.
fn optical(disc_over_diffraction: f64) -> Option<(ResponseTable, f64)> {
    let aperture = Aperture::new(ApertureNote::Effective(10.0), 1.0, PupilMagnification::Known(1.0)).ok()?;
    let system = System::in_focus(aperture, Um::new(1e-3)).ok()?;
    let diffraction = aperture.diffraction_length(system.spectrum().mean());
    let defocus = diffraction * (disc_over_diffraction / (2.0 * aperture.numerical_aperture()));
    let system = system.with_defocus(defocus).ok()?;
    Some((system.response_table().ok()?, system.w().ok()?.get()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_shape_is_one_wide_and_rises_from_0_to_1() {
        for shape in Shape::ALL {
            let unit = Unit::get(shape);
            let at = |x: f64| unit.edge_and_slope(x).0;
            assert!((at(0.5) - 0.9).abs() < 1e-4 && (at(-0.5) - 0.1).abs() < 1e-4, "{shape:?} {}", at(0.5));
            assert!((at(0.0) - 0.5).abs() < 1e-12);
            assert!(at(4.9) > 0.985, "{shape:?} {}", at(4.9));
            for i in -40..40 {
                let (x, h) = (0.11 * f64::from(i), 1e-5);
                let numeric = (at(x + h) - at(x - h)) / (2.0 * h);
                assert!((unit.edge_and_slope(x).1 - numeric).abs() < 2e-3, "{shape:?} at {x}");
            }
        }
    }

    #[test]
    fn quarter_widths_are_those_of_the_closed_forms() {
        // Diffraction: 0.6436 / 1.3329 (measurement model, section 2). Gaussian: 0.674490 / 1.281552 (normal quantiles).
        for (shape, wanted) in [(Shape::Diffraction, 0.482_86), (Shape::Soft, 0.526_31)] {
            let unit = Unit::get(shape);
            let rise = unit.edge_and_slope(0.5 * wanted).0;
            assert!((rise - 0.75).abs() < 2e-4, "{shape:?}: {rise}");
        }
    }
}
