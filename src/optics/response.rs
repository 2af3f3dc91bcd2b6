//! The response of a system to a line and to an edge, from its transfer function.
//!
//! Everything here is in one unit of length that the caller chooses (µm on the specimen or px in the picture).

use std::f64::consts::PI;

use super::OpticsError;
use super::otf::defocused_otf_and_slope;
use super::quadrature::{PANEL, for_nodes};
use crate::units::Um;

/// Largest part of the blur in units of the diffraction length.
const LARGEST_OVER_DIFFRACTION: f64 = 3000.0;
/// A Gaussian of σ passes `exp(-2 (π σ f)²)`; past `f = 1.1/σ` less than 1e-10.
const GAUSSIAN_BAND: f64 = 1.1;
/// Reach and points of the table in which widths are looked up: half a width is never more than half the first guess,
/// which adds variances of parts that have them and so errs by a tenth.
const WIDTH_REACH: f64 = 1.1;
const WIDTH_POINTS: usize = 97;
/// Distances of a table for which sums run side by side.
const SIDE_BY_SIDE: usize = 4;
/// Oscillations of the integrand given to one panel of quadrature.
const CYCLES_PER_PANEL: f64 = 2.5;

/// The lengths that make up a blur.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Lengths {
    /// `λ N_eff / m` of each wavelength, with weights that sum to 1. Not empty.
    pub(crate) diffraction: Vec<(f64, f64)>,
    /// Diameter of the geometric defocus disc.
    pub(crate) defocus: f64,
    /// Side of the square pixel.
    pub(crate) pixel: f64,
    /// Angle between the edge's normal and the pixels' rows.
    pub(crate) pixel_rad: f64,
    /// Path during the exposure, along the edge's normal.
    pub(crate) motion: f64,
    /// Width of the bins in which a profile was averaged.
    pub(crate) bin: f64,
    /// Standard deviation of a Gaussian part.
    pub(crate) gaussian: f64,
}

/// A sampled transfer function, ready to give responses at any distance.
#[derive(Clone, Debug)]
pub(crate) struct Response {
    /// Frequency, quadrature weight × transfer function.
    nodes: Vec<(f64, f64)>,
    /// Quadrature weight × derivative of the transfer function by the logarithm of each length.
    slopes: Vec<Slopes>,
    /// Sum of the tails' strength: 1 − edge(x) → `tail / x` far out.
    tail: f64,
    /// A first guess of the 10–90 % width.
    guess: f64,
}

/// Derivatives of the transfer function at one node by the logarithms of the lengths.
#[derive(Clone, Copy, Debug, Default)]
struct Slopes {
    pixel: f64,
    motion: f64,
    defocus: f64,
    bin: f64,
}

/// Shares of the 10–90 % width, which sum to 1.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Shares {
    pub(crate) diffraction: f64,
    pub(crate) defocus: f64,
    pub(crate) pixel: f64,
    pub(crate) motion: f64,
}

/// sin(πx)/(πx) and its derivative by ln x.
pub(crate) fn sinc_and_slope(x: f64) -> (f64, f64) {
    let t = PI * x;
    if t.abs() < 1e-4 {
        (1.0 - t * t / 6.0, -t * t / 3.0)
    } else {
        let s = t.sin() / t;
        (s, t.cos() - s)
    }
}

impl Lengths {
    /// Signed transfer function at `f` with its logarithmic slopes.
    fn transfer(&self, f: f64) -> (f64, Slopes) {
        let (mut optics, mut optics_slope) = (0.0, 0.0);
        for &(d, weight) in &self.diffraction {
            let (v, s) = defocused_otf_and_slope(f * d, self.defocus / (8.0 * d));
            optics += weight * v;
            optics_slope += weight * s;
        }
        let (sin, cos) = self.pixel_rad.sin_cos();
        let (pa, pa_slope) = sinc_and_slope(f * self.pixel * cos);
        let (pb, pb_slope) = sinc_and_slope(f * self.pixel * sin);
        let (motion, motion_slope) = sinc_and_slope(f * self.motion);
        let (bin, bin_slope) = sinc_and_slope(f * self.bin);
        let g = PI * f * self.gaussian;
        let gaussian = (-2.0 * g * g).exp();
        let rest = bin * gaussian;
        let slopes = Slopes {
            pixel: optics * (pa_slope * pb + pa * pb_slope) * motion * rest,
            motion: optics * pa * pb * motion_slope * rest,
            defocus: optics_slope * pa * pb * motion * rest,
            bin: optics * pa * pb * motion * bin_slope * gaussian,
        };
        (optics * pa * pb * motion * rest, slopes)
    }

    /// Signed contrast at the frequency `f`.
    pub(crate) fn contrast(&self, f: f64) -> f64 {
        if f <= 0.0 { 1.0 } else { self.transfer(f).0 }
    }

    /// Lowest frequency at which contrast has fallen to one half.
    pub(crate) fn mtf50(&self) -> f64 {
        const STEPS: usize = 24;
        let band = self.band().min(2.0 / self.largest().max(1e-300));
        let at = |k: usize| band * k as f64 / STEPS as f64;
        let k = (1..STEPS).find(|&k| self.contrast(at(k)) < 0.5).unwrap_or(STEPS);
        let (mut low, mut high) = (at(k - 1), at(k));
        for _ in 0..40 {
            let middle = 0.5 * (low + high);
            if self.contrast(middle) >= 0.5 { low = middle } else { high = middle }
        }
        0.5 * (low + high)
    }

    /// Highest frequency that matters.
    fn band(&self) -> f64 {
        let cutoff = self.diffraction.iter().map(|d| 1.0 / d.0).fold(0.0, f64::max);
        if self.gaussian > 0.0 { cutoff.min(GAUSSIAN_BAND / self.gaussian) } else { cutoff }
    }

    /// Frequencies with quadrature weight × transfer function, fine enough for distances up to `reach`; those that
    /// no longer matter (less than 1e-4 of an edge in all) are left out.
    pub(crate) fn samples(&self, reach: f64) -> Vec<(f64, f64)> {
        let band = self.band();
        let panels = 2 + (band * (reach + self.largest()) / CYCLES_PER_PANEL) as usize;
        let mut all = Vec::with_capacity(panels * PANEL);
        for_nodes(0.0, band, panels, |f, w| all.push((f, w * self.transfer(f).0)));
        all.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut rest = 0.0;
        let kept = all.iter().rposition(|&(f, h)| {
            rest += (h / (PI * f)).abs();
            rest > 1e-4
        });
        all.truncate(kept.map_or(all.len(), |k| k + 1));
        all
    }

    /// Largest length that is not diffraction.
    fn largest(&self) -> f64 {
        self.defocus.max(self.pixel).max(self.motion).max(self.bin).max(self.gaussian)
    }

    /// Samples the transfer function finely enough for distances up to `reach` widths.
    ///
    /// # Errors
    /// [`OpticsError::BlurTooLarge`] when one part exceeds 3000 diffraction lengths.
    pub(crate) fn response(&self, reach: f64) -> Result<Response, OpticsError> {
        let mean: f64 = self.diffraction.iter().map(|(d, w)| d * w).sum();
        if self.largest() > LARGEST_OVER_DIFFRACTION * mean && self.gaussian <= 0.0 {
            let (largest_um, diffraction_um) = (self.largest(), mean);
            return Err(OpticsError::BlurTooLarge { largest_um, diffraction_um, limit: LARGEST_OVER_DIFFRACTION });
        }
        let guess = [1.33 * mean, 0.69 * self.defocus, 0.8 * self.pixel, 0.8 * self.motion, 2.56 * self.gaussian]
            .iter()
            .map(|v| v * v)
            .sum::<f64>()
            .sqrt();
        let band = self.band();
        let cycles = band * (reach * guess + self.defocus + self.pixel + self.motion);
        let panels = 2 + (cycles / CYCLES_PER_PANEL) as usize;
        let mut nodes = Vec::with_capacity(panels * PANEL);
        let mut slopes = Vec::with_capacity(panels * PANEL);
        for_nodes(0.0, band, panels, |f, w| {
            let (h, s) = self.transfer(f);
            nodes.push((f, w * h));
            slopes.push(Slopes { pixel: w * s.pixel, motion: w * s.motion, defocus: w * s.defocus, bin: w * s.bin });
        });
        // The transfer function falls from 1 with slope −4/π per cut-off, which makes the line's tails 2/(π³ x²).
        Ok(Response { nodes, slopes, tail: 2.0 * mean / PI.powi(3), guess })
    }
}

impl Response {
    /// Light at distance `x` beyond an edge that is 0 on the left and 1 on the right.
    pub(crate) fn edge(&self, x: f64) -> f64 {
        let sum: f64 = self.nodes.iter().map(|&(f, h)| h * (2.0 * PI * f * x).sin() / f).sum();
        0.5 + sum / PI
    }

    /// Response to a line of unit light, per unit of length.
    pub(crate) fn line(&self, x: f64) -> f64 {
        2.0 * self.nodes.iter().map(|&(f, h)| h * (2.0 * PI * f * x).cos()).sum::<f64>()
    }

    /// 10–90, 25–75 and 40–60 % widths.
    ///
    /// Found in a table of the response and polished by a step of Newton's method on the integral itself.
    pub(crate) fn widths(&self) -> [f64; 3] {
        let table = self.table(WIDTH_REACH * self.guess, WIDTH_POINTS);
        [0.9, 0.75, 0.6].map(|level| self.polished(&table, level))
    }

    /// The 10–90 % width alone.
    pub(crate) fn w(&self) -> f64 {
        self.polished(&self.table(WIDTH_REACH * self.guess, WIDTH_POINTS), 0.9)
    }

    fn polished(&self, table: &ResponseTable, level: f64) -> f64 {
        let x = 0.5 * table.width(level);
        2.0 * (x - (self.edge(x) - level) / self.line(x))
    }

    /// Full width of the line response at half its greatest value, outermost crossing within the table.
    pub(crate) fn line_fwhm(&self) -> f64 {
        let table = self.table(WIDTH_REACH * self.guess, WIDTH_POINTS);
        let half = 0.5 * table.line.iter().copied().fold(f64::MIN, f64::max);
        let Some(k) = table.line.iter().rposition(|&l| l >= half) else { return 0.0 };
        let (mut low, mut high) = (k as f64 * table.step, (k + 1) as f64 * table.step);
        // Bisection on the integral, to 1e-7 of a step of the table.
        for _ in 0..24 {
            let middle = 0.5 * (low + high);
            if self.line(middle) >= half { low = middle } else { high = middle }
        }
        low + high
    }

    /// Shares of the 10–90 % width.
    ///
    /// The width is homogeneous of degree one in the lengths of its parts, so by Euler's theorem
    /// `w = Σ ∂w/∂ln s`; each part's share is its term over `w`, found by implicit differentiation of
    /// `edge(w/2) = 0.9`. Diffraction is what the others leave.
    pub(crate) fn shares(&self, width: f64) -> Shares {
        let x = 0.5 * width;
        let slope = self.line(x);
        let share = |pick: fn(&Slopes) -> f64| {
            let change: f64 = self
                .nodes
                .iter()
                .zip(&self.slopes)
                .map(|(&(f, _), s)| pick(s) * (2.0 * PI * f * x).sin() / f)
                .sum::<f64>()
                / PI;
            -change / slope / x
        };
        let (pixel, motion, defocus) = (share(|s| s.pixel), share(|s| s.motion), share(|s| s.defocus));
        Shares { diffraction: 1.0 - pixel - motion - defocus, defocus, pixel, motion }
    }

    /// Tables of edge and line on an even grid, for fits.
    pub(crate) fn table(&self, reach: f64, points: usize) -> ResponseTable {
        let node = |(&(f, h), s): (&(f64, f64), &Slopes)| TableNode { f, h, held: s.pixel + s.bin };
        let nodes: Vec<TableNode> = self.nodes.iter().zip(&self.slopes).map(node).collect();
        ResponseTable::of_nodes(&nodes, reach, points, self.tail)
    }
}

/// One frequency of a transfer function from which a table is made.
#[derive(Clone, Copy, Debug)]
pub(crate) struct TableNode {
    pub(crate) f: f64,
    /// Quadrature weight × transfer function.
    pub(crate) h: f64,
    /// Quadrature weight × derivative by the logarithm of what does not grow with the optics: pixel and bins.
    pub(crate) held: f64,
}

/// Edge and line response of a system in a table with cubic interpolation; beyond it the tails of diffraction.
///
/// Accuracy 1e-5 of the contrast with at least 40 points per width.
#[derive(Clone, Debug)]
pub struct ResponseTable {
    step: f64,
    /// Edge minus one half at 0, step, 2 step, …
    edge: Vec<f64>,
    line: Vec<f64>,
    /// Derivative of the edge by the logarithm of the pixel's (and the bins') size.
    by_pixel: Vec<f64>,
    tail: f64,
}

impl ResponseTable {
    pub(crate) fn of_nodes(nodes: &[TableNode], reach: f64, points: usize, tail: f64) -> Self {
        let step = reach / (points - 1) as f64;
        // Edge, line and what the pixel adds, at four distances in a row.
        let mut sums = vec![[[0.0; SIDE_BY_SIDE]; 3]; points.div_ceil(SIDE_BY_SIDE)];
        for node in nodes {
            // Rotating phasors instead of calling sin and cos for every distance; several, since each waits for its last turn.
            let (sin, cos) = (2.0 * PI * node.f * step).sin_cos();
            let mut next = (0.0, 1.0);
            let phasors: &mut [(f64, f64); SIDE_BY_SIDE] = &mut std::array::from_fn(|_| {
                let (s, c) = next;
                next = (s * cos + c * sin, c * cos - s * sin);
                (s, c)
            });
            let (sin_step, cos_step) = next;
            let (per_edge, per_line, per_pixel) = (node.h / (PI * node.f), 2.0 * node.h, node.held / (PI * node.f));
            for [edge, line, by_pixel] in &mut sums {
                for (((e, l), p), (s, c)) in edge.iter_mut().zip(line).zip(by_pixel).zip(&mut *phasors) {
                    *e += per_edge * *s;
                    *l += per_line * *c;
                    *p += per_pixel * *s;
                    (*s, *c) = (*s * cos_step + *c * sin_step, *c * cos_step - *s * sin_step);
                }
            }
        }
        let of = |which: usize| sums.iter().flat_map(|s| s[which]).take(points).collect();
        Self { step, edge: of(0), line: of(1), by_pixel: of(2), tail }
    }

    /// Distance between the crossings of `1 − level` and `level`, to 1e-6; the table's reach where it ends before.
    pub(crate) fn width(&self, level: f64) -> f64 {
        let last = self.edge.len() - 1;
        let k = self.edge.iter().position(|e| *e + 0.5 >= level).unwrap_or(last).max(1);
        let (mut low, mut high) = ((k - 1) as f64 * self.step, k as f64 * self.step);
        for _ in 0..30 {
            let middle = 0.5 * (low + high);
            if self.right(middle).0 + 0.5 < level { low = middle } else { high = middle }
        }
        low + high
    }

    /// Light at signed `distance` from an edge, 0 far on the left, 1 far on the right.
    #[must_use]
    pub fn edge(&self, distance: Um) -> f64 {
        self.edge_and_line(distance.get()).0
    }

    /// Response to a line of unit light at `distance` from it, per µm.
    #[must_use]
    pub fn line_per_um(&self, distance: Um) -> f64 {
        self.edge_and_line(distance.get()).1
    }

    /// Light at signed distance `x` from an edge, 0 to 1, and the line response there.
    pub(crate) fn edge_and_line(&self, x: f64) -> (f64, f64) {
        let (e, l) = self.right(x.abs());
        if x < 0.0 { (0.5 - e, l) } else { (0.5 + e, l) }
    }

    /// Edge, line, and the derivative of the edge by the logarithm of everything but pixel and bins.
    ///
    /// The edge depends on ratios of lengths only, so that scaling the optics is scaling all (−x · line) less
    /// scaling the pixel.
    pub(crate) fn edge_line_and_growth(&self, x: f64) -> (f64, f64, f64) {
        let (e, l) = self.edge_and_line(x);
        let t = x.abs() / self.step;
        let last = self.by_pixel.len() - 1;
        let by_pixel = if t >= last as f64 {
            0.0
        } else {
            let k = t as usize;
            let t = t - k as f64;
            (self.by_pixel[k] * (1.0 - t) + self.by_pixel[k + 1] * t) * x.signum()
        };
        (e, l, -x * l - by_pixel)
    }

    fn right(&self, x: f64) -> (f64, f64) {
        let t = x / self.step;
        let last = self.edge.len() - 1;
        if t >= last as f64 {
            let end = last as f64 * self.step;
            // Joined so that the edge is continuous.
            let missing = 0.5 - self.edge[last];
            return (0.5 - missing * end / x, self.tail / (x * x));
        }
        let k = t as usize;
        let t = t - k as f64;
        let (e0, e1) = (self.edge[k], self.edge[k + 1]);
        let (l0, l1) = (self.line[k] * self.step, self.line[k + 1] * self.step);
        // Cubic Hermite: values and slopes at both ends.
        let rise = e1 - e0;
        let (a, b) = (3.0 * rise - 2.0 * l0 - l1, l0 + l1 - 2.0 * rise);
        let edge = e0 + t * (l0 + t * (a + t * b));
        let line = (l0 + t * (2.0 * a + 3.0 * t * b)) / self.step;
        (edge, line)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn diffraction() -> Lengths {
        Lengths { diffraction: vec![(1.0, 1.0)], ..Lengths::default() }
    }

    #[test]
    fn diffraction_alone_has_the_known_widths() {
        // MEASUREMENT_MODEL, computed from the closed-form MTF; the 10–90 % figure also independently in the reference tables.
        let r = diffraction().response(4.0).unwrap();
        for (got, wanted, tolerance) in [
            (r.widths()[0], 1.332_869_7, 1e-6),
            (r.w(), 1.332_869_7, 1e-6),
            (r.widths()[1], 0.6436, 6e-5),
            (r.widths()[2], 0.2386, 6e-5),
        ] {
            assert!((got - wanted).abs() < tolerance, "{got} {wanted}");
        }
        assert!((r.line_fwhm() - 1.001_662_3).abs() < 1e-6, "{}", r.line_fwhm());
        // LSF(0) = 8 / (3π) in units of 1/(λN).
        assert!((r.line(0.0) - 8.0 / (3.0 * PI)).abs() < 1e-8, "{}", r.line(0.0));
    }

    #[test]
    fn mtf50_of_gaussian_and_pixel_as_tabulated() {
        // Roots of exp(-2 (π σ f)²) sinc(f) = 1/2, tests/data/mtf50_gauss_pixel.csv.
        let table = include_str!("../../tests/data/mtf50_gauss_pixel.csv");
        let rows = table.lines().filter(|l| l.starts_with(|c: char| c.is_ascii_digit()));
        let mut n = 0;
        for row in rows {
            let v: Vec<f64> = row.split(',').map(|t| t.parse().unwrap()).collect();
            let none = Lengths { diffraction: vec![(1e-5, 1.0)], gaussian: v[0], ..Lengths::default() };
            assert!((none.mtf50() - v[1]).abs() < 2e-5, "{row}: {}", none.mtf50());
            let pixel = Lengths { pixel: 1.0, ..none };
            assert!((pixel.mtf50() - v[2]).abs() < 2e-5, "{row}: {}", pixel.mtf50());
            n += 1;
        }
        assert_eq!(n, 8);
    }

    #[test]
    fn gaussian_and_box_have_their_textbook_widths() {
        let nearly_no_diffraction = vec![(0.01, 1.0)];
        let gauss = Lengths { diffraction: nearly_no_diffraction.clone(), gaussian: 1.0, ..Lengths::default() };
        // 2.563103 σ from the normal distribution.
        let w = gauss.response(4.0).unwrap().w();
        assert!((w - 2.563_103).abs() < 0.01, "{w}");
        let pixel = Lengths { diffraction: nearly_no_diffraction, pixel: 1.0, ..Lengths::default() };
        let w = pixel.response(4.0).unwrap().w();
        assert!((w - 0.8).abs() < 0.01, "{w}");
    }

    #[test]
    fn shares_sum_to_one_and_match_finite_differences() {
        let base = Lengths {
            diffraction: vec![(0.9, 0.4), (1.1, 0.6)],
            defocus: 3.0,
            pixel: 1.5,
            motion: 0.7,
            ..Lengths::default()
        };
        let r = base.response(4.0).unwrap();
        let w = r.w();
        let shares = r.shares(w);
        let h = 1e-4;
        let width = |l: &Lengths| l.response(4.0).unwrap().w();
        let numeric = |change: &dyn Fn(&mut Lengths, f64)| {
            let (mut up, mut down) = (base.clone(), base.clone());
            change(&mut up, 1.0 + h);
            change(&mut down, 1.0 - h);
            (width(&up) - width(&down)) / (2.0 * h * w)
        };
        assert!((shares.pixel - numeric(&|l, k| l.pixel *= k)).abs() < 1e-6);
        assert!((shares.motion - numeric(&|l, k| l.motion *= k)).abs() < 1e-6);
        assert!((shares.defocus - numeric(&|l, k| l.defocus *= k)).abs() < 1e-6);
        let by_diffraction = numeric(&|l, k| l.diffraction.iter_mut().for_each(|d| d.0 *= k));
        assert!((shares.diffraction - by_diffraction).abs() < 1e-5, "{shares:?} {by_diffraction}");
    }

    #[test]
    fn tables_agree_with_the_integral() {
        let l = Lengths { defocus: 2.0, pixel: 0.8, ..diffraction() };
        let r = l.response(6.0).unwrap();
        let w = r.w();
        let table = r.table(4.0 * w, 201);
        for i in -500..500 {
            let x = f64::from(i) * 0.007 * w;
            let (e, l) = table.edge_and_line(x);
            assert!((e - r.edge(x)).abs() < 1e-5, "edge at {x}");
            assert!((l - r.line(x)).abs() < 2e-3, "line at {x}: {l} {}", r.line(x));
        }
    }

    #[test]
    fn tails_follow_the_asymptote() {
        let r = diffraction().response(60.0).unwrap();
        // Mean over one oscillation at 20 diffraction lengths against 2 / (π³ x).
        let mean: f64 = (0..10).map(|k| 1.0 - r.edge(20.0 + 0.1 * f64::from(k))).sum::<f64>() / 10.0;
        assert!((mean * 20.45 - 2.0 / PI.powi(3)).abs() < 2e-4, "{}", mean * 20.45);
    }

    #[test]
    fn absurd_blur_is_an_error() {
        let l = Lengths { motion: 1e6, ..diffraction() };
        assert!(matches!(l.response(4.0), Err(OpticsError::BlurTooLarge { .. })));
    }
}
