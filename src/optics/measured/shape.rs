//! Shapes that a blurred edge can have, each with one size.

use std::f64::consts::PI;
use std::sync::LazyLock;

use serde::{Deserialize, Serialize};

use crate::optics::response::{Lengths, ResponseTable, TableNode, sinc_and_slope};

/// How the samples of a profile were taken.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Kernel {
    /// Angle between the profile and the pixels' rows.
    pub(crate) normal_rad: f64,
    /// Side of the pixel in px: 1, or 0 where the profile is not made of pixels.
    pub(crate) pixel_px: f64,
    /// Width of the bins that were averaged, px.
    pub(crate) bin_px: f64,
}

/// What the optics' part of a measured blur looks like.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[non_exhaustive]
pub enum BlurShape {
    /// Diffraction in focus: long tails.
    Diffraction,
    /// Diffraction with a Gaussian on top: a softer lens, many small causes.
    Soft,
    /// Out of focus.
    Defocus,
    /// Moved evenly during the exposure.
    Motion,
}

impl BlurShape {
    /// In plain words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Diffraction => "diffraction in focus",
            Self::Soft => "a soft lens or many small causes",
            Self::Defocus => "out of focus",
            Self::Motion => "movement",
        }
    }
}

/// One shape with what distinguishes it, in units of its own diffraction length.
#[derive(Debug)]
pub(crate) struct Candidate {
    pub(crate) shape: BlurShape,
    /// Weight before any data: the largest single one for diffraction, which is what a stopped-down lens in focus has.
    pub(crate) prior: f64,
    lengths: Lengths,
    /// Its 10–90 % width in diffraction lengths.
    width: f64,
    /// Transfer function sampled for tables that reach 5 widths, and for those that reach 18.
    near: Vec<(f64, f64)>,
    far: Vec<(f64, f64)>,
}

/// Points of a table, and its reach in widths of optics and pixel together.
const TABLE_POINTS: usize = 129;
const TABLE_REACH: f64 = 4.0;
/// Smallest size, px; what is smaller hides in the pixel.
pub(crate) const SMALLEST_PX: f64 = 0.25;
/// From this size on the coarser sampling will do.
const NEAR_FROM_PX: f64 = 1.6;

/// Wavefront errors at the rim of the pupil, waves.
const WAVES: [f64; 22] = [
    0.1, 0.17, 0.23, 0.28, 0.32, 0.36, 0.4, 0.44, 0.48, 0.52, 0.57, 0.62, 0.69, 0.77, 0.86, 0.95, 1.05, 1.2, 1.4, 1.65,
    2.0, 2.8,
];
/// Gaussian σ in diffraction lengths.
const SOFT: [f64; 5] = [0.25, 0.45, 0.8, 1.5, 6.0];
/// Movement in diffraction lengths.
const MOVED: [f64; 3] = [1.2, 2.4, 5.0];

static CANDIDATES: LazyLock<Vec<Candidate>> =
    LazyLock::new(|| {
        let bare = || Lengths { diffraction: vec![(1.0, 1.0)], ..Lengths::default() };
        let mut all = vec![Candidate::new(BlurShape::Diffraction, 0.3, bare())];
        all.extend(WAVES.iter().map(|w| {
            Candidate::new(BlurShape::Defocus, 0.4 / WAVES.len() as f64, Lengths { defocus: 8.0 * w, ..bare() })
        }));
        all.extend(
            SOFT.iter()
                .map(|g| Candidate::new(BlurShape::Soft, 0.2 / SOFT.len() as f64, Lengths { gaussian: *g, ..bare() })),
        );
        all.extend(
            MOVED
                .iter()
                .map(|m| Candidate::new(BlurShape::Motion, 0.1 / MOVED.len() as f64, Lengths { motion: *m, ..bare() })),
        );
        all
    });

impl Candidate {
    /// All shapes, neighbours beside each other.
    pub(crate) fn all() -> &'static [Self] {
        &CANDIDATES
    }

    fn new(shape: BlurShape, prior: f64, lengths: Lengths) -> Self {
        let width = lengths.response(TABLE_REACH).map_or(f64::NAN, |r| r.w());
        let (near, far) = (lengths.samples(5.0 * width), lengths.samples(18.0 * width));
        Self { shape, prior, lengths, width, near, far }
    }

    /// A table of the response when the optics alone are `size_px` wide (10–90 %).
    pub(crate) fn table(&self, size_px: f64, kernel: Kernel) -> ResponseTable {
        self.table_for(size_px, kernel, TABLE_REACH * (size_px + kernel.pixel_px), TABLE_POINTS)
    }

    fn table_for(&self, size_px: f64, kernel: Kernel, reach_px: f64, points: usize) -> ResponseTable {
        let samples = if size_px >= NEAR_FROM_PX * kernel.pixel_px { &self.near } else { &self.far };
        let unit_px = size_px / self.width;
        let (sin, cos) = kernel.normal_rad.sin_cos();
        let nodes: Vec<TableNode> = samples
            .iter()
            .map(|&(q, h)| {
                let (f, h) = (q / unit_px, h / unit_px);
                let (a, a_slope) = sinc_and_slope(f * kernel.pixel_px * cos);
                let (b, b_slope) = sinc_and_slope(f * kernel.pixel_px * sin);
                let (bin, bin_slope) = sinc_and_slope(f * kernel.bin_px);
                let held = (a_slope * b + a * b_slope) * bin + a * b * bin_slope;
                TableNode { f, h: h * a * b * bin, held: h * held }
            })
            .collect();
        ResponseTable::of_nodes(&nodes, reach_px, points, 2.0 * unit_px / PI.powi(3))
    }

    /// 10–90 % width of the recorded picture (pixels included, bins not) for one size, px.
    pub(crate) fn recorded_width(&self, size_px: f64, kernel: Kernel) -> f64 {
        let kernel = Kernel { bin_px: 0.0, ..kernel };
        self.table_for(size_px, kernel, 1.6 * (size_px + kernel.pixel_px), TABLE_POINTS).width(0.9)
    }

    /// Frequency where the recorded picture's contrast is one half, cycles per px.
    pub(crate) fn mtf50_per_px(&self, size_px: f64, kernel: Kernel) -> f64 {
        let unit_px = size_px / self.width;
        Lengths {
            diffraction: vec![(unit_px, 1.0)],
            defocus: self.lengths.defocus * unit_px,
            gaussian: self.lengths.gaussian * unit_px,
            motion: self.lengths.motion * unit_px,
            pixel: kernel.pixel_px,
            pixel_rad: kernel.normal_rad,
            bin: 0.0,
        }
        .mtf50()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const BARE: Kernel = Kernel { normal_rad: 0.0, pixel_px: 0.0, bin_px: 0.0 };
    const TILTED: Kernel = Kernel { normal_rad: 0.3, pixel_px: 1.0, bin_px: 0.25 };

    #[test]
    fn sizes_are_widths() {
        for c in Candidate::all() {
            let w = c.recorded_width(5.0, BARE);
            assert!((w / 5.0 - 1.0).abs() < 1e-3, "{:?} {:?}: {w}", c.shape, c.lengths);
        }
    }

    #[test]
    fn priors_sum_to_one() {
        assert!((Candidate::all().iter().map(|c| c.prior).sum::<f64>() - 1.0).abs() < 1e-12);
    }

    #[test]
    fn cached_samples_agree_with_the_integral() {
        for c in Candidate::all() {
            for size in [0.3, 1.0, 1.7, 9.0] {
                let unit = size / c.width;
                let full = Lengths {
                    diffraction: vec![(unit, 1.0)],
                    defocus: c.lengths.defocus * unit,
                    gaussian: c.lengths.gaussian * unit,
                    motion: c.lengths.motion * unit,
                    pixel: 1.0,
                    pixel_rad: 0.3,
                    bin: 0.25,
                };
                let r = full.response(30.0).unwrap();
                let table = c.table(size, TILTED);
                for k in 0..40 {
                    let x = 0.1 * f64::from(k) * (size + 1.0);
                    let (got, wanted) = (table.edge_and_line(x).0, r.edge(x));
                    assert!((got - wanted).abs() < 4e-4, "{:?} size {size} at {x}: {got} {wanted}", c.lengths);
                }
            }
        }
    }

    #[test]
    fn growth_is_the_derivative_by_size() {
        for c in Candidate::all() {
            let at = |s: f64| c.table(s, TILTED);
            let (low, middle, high) = (at(3.0 * 0.999), at(3.0), at(3.0 * 1.001));
            for x in [-4.1, -1.3, -0.2, 0.4, 2.2, 6.0] {
                let wanted = (high.edge_and_line(x).0 - low.edge_and_line(x).0) / 0.002;
                let got = middle.edge_line_and_growth(x).2;
                assert!((got - wanted).abs() < 3e-3, "{:?} at {x}: {got} {wanted}", c.shape);
            }
        }
    }
}
