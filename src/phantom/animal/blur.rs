//! The two-dimensional system response, by Fourier transform of exact coverage.
//!
//! Coverage is given on cells of half a pixel. Its spectrum is divided by the cell's own sinc, multiplied by the
//! optics and the pixel, and sampled at pixel centres by folding. Frequencies above one cycle a pixel fold from the
//! cells' own sampling. What folds is below 1e-3 of an edge for blur spots from 2 px and edges that run across the grid; an edge
//! exactly along it keeps its place but may be sharper or softer by up to h²/6 of variance (h half a pixel).

use std::f64::consts::TAU;
use std::sync::Arc;

use rayon::prelude::*;
use rustfft::num_complex::Complex32;
use rustfft::{Fft, FftPlanner};

use super::super::optics::{SystemMtf, otf_defocused, sinc};

/// Cells a pixel, each way.
pub(crate) const CELLS: usize = 2;

/// A frame of pixels with a margin on every side, so that nothing wraps round into the picture.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Grid {
    pub(crate) width_px: usize,
    pub(crate) height_px: usize,
    /// Margin to the left of and above the picture, px.
    pub(crate) margin_px: usize,
    nx: usize,
    ny: usize,
}

impl Grid {
    pub(crate) fn new(width_px: usize, height_px: usize, margin_px: usize) -> Self {
        let size = |n: usize| good_size(n + 2 * margin_px);
        Self { width_px, height_px, margin_px, nx: size(width_px), ny: size(height_px) }
    }

    /// Cells along the rows, margins included.
    pub(crate) fn columns(&self) -> usize {
        self.nx * CELLS
    }

    /// Cells down the columns, margins included.
    pub(crate) fn rows(&self) -> usize {
        self.ny * CELLS
    }

    /// Cell coordinates of an image position, px.
    pub(crate) fn cells_from_image(&self, p: [f64; 2]) -> [f64; 2] {
        p.map(|v| (v + self.margin_px as f64) * CELLS as f64)
    }
}

/// The next product of 2, 3 and 5, even.
fn good_size(n: usize) -> usize {
    (n..)
        .find(|m| {
            let mut rest = *m;
            for p in [2, 3, 5] {
                while rest.is_multiple_of(p) {
                    rest /= p;
                }
            }
            rest == 1 && m.is_multiple_of(2)
        })
        .unwrap_or(n)
}

/// Radial part of the transfer function, tabulated up to one cycle a pixel.
struct Radial {
    per_cycle: f64,
    values: Vec<f32>,
}

impl Radial {
    /// `mtf` in µm on the object, `px_per_um` the scale; the pixel is left out.
    fn of(mtf: &SystemMtf, px_per_um: f64) -> Self {
        const N: usize = 4096;
        let top = (mtf.cutoff_per_um / px_per_um).min(1.0);
        let per_cycle = N as f64 / top;
        let values = (0..=N + 1)
            .map(|i| {
                let f_per_um = i as f64 / per_cycle * px_per_um;
                let gauss = (-2.0 * (std::f64::consts::PI * mtf.sigma_um * f_per_um).powi(2)).exp();
                let value = otf_defocused(f_per_um / mtf.cutoff_per_um, mtf.defocus_phase) * gauss;
                if i > N { 0.0 } else { value as f32 }
            })
            .collect();
        Self { per_cycle, values }
    }

    fn at(&self, f: f32) -> f32 {
        let t = f * self.per_cycle as f32;
        let i = t as usize;
        match (self.values.get(i), self.values.get(i + 1)) {
            (Some(a), Some(b)) => a + (t - i as f32) * (b - a),
            _ => 0.0,
        }
    }

    fn top(&self) -> f64 {
        (self.values.len() - 2) as f64 / self.per_cycle
    }
}

/// Coverage as the sensor's pixels see it, one picture a colour, row by row without the margins.
///
/// `cells` has [`Grid::columns`] × [`Grid::rows`] values; `px_per_um` converts the optics' frequencies.
///
/// # Accuracy
/// Half-height positions to 2e-3 px and levels to 2e-3 for blur spots from 2 px (tests against closed forms and against the
/// Hankel transform of a disc).
pub(crate) fn blurred(grid: &Grid, cells: &[f32], colours: &[SystemMtf], px_per_um: f64) -> Vec<Vec<f32>> {
    let radials: Vec<Radial> = colours.iter().map(|c| Radial::of(c, px_per_um)).collect();
    let top = radials.iter().map(Radial::top).fold(0.0, f64::max);
    let kept = ((top * grid.nx as f64).ceil() as usize + 1).min(grid.nx);
    let mut planner = FftPlanner::new();
    let spectrum = forward(grid, cells, kept, &mut planner);
    let mut out = Vec::new();
    for pair in radials.chunks(2) {
        out.extend(inverse(grid, &spectrum, kept, pair, &mut planner));
    }
    out
}

/// Columns `0..kept` of the spectrum of the cells, column by column.
fn forward(grid: &Grid, cells: &[f32], kept: usize, planner: &mut FftPlanner<f32>) -> Vec<Complex32> {
    let (columns, rows) = (grid.columns(), grid.rows());
    let along = planner.plan_fft_forward(columns);
    // Two real rows travel as one complex row.
    let pairs: Vec<Vec<Complex32>> = cells
        .par_chunks(2 * columns)
        .map(|two| {
            let (a, b) = two.split_at(columns);
            if two.iter().all(|v| *v == 0.0) {
                return Vec::new();
            }
            let mut z: Vec<Complex32> = a.iter().zip(b).map(|(a, b)| Complex32::new(*a, *b)).collect();
            along.process(&mut z);
            let mut split = Vec::with_capacity(2 * kept);
            for k in 0..kept {
                let (p, q) = (z[k], z[(columns - k) % columns].conj());
                let (sum, difference) = ((p + q) * 0.5, (p - q) * 0.5);
                split.push(sum);
                split.push(Complex32::new(difference.im, -difference.re));
            }
            split
        })
        .collect();
    let down = planner.plan_fft_forward(rows);
    let mut spectrum = vec![Complex32::default(); kept * rows];
    spectrum.par_chunks_mut(rows).enumerate().for_each(|(k, column)| {
        for (two, pair) in column.chunks_mut(2).zip(&pairs) {
            if let (Some(a), Some(b)) = (pair.get(2 * k), pair.get(2 * k + 1)) {
                two[0] = *a;
                two[1] = *b;
            }
        }
        down.process(column);
    });
    spectrum
}

/// One or two pictures from the spectrum: they travel as real and imaginary part.
fn inverse(
    grid: &Grid,
    spectrum: &[Complex32],
    kept: usize,
    radials: &[Radial],
    planner: &mut FftPlanner<f32>,
) -> Vec<Vec<f32>> {
    let (nx, ny, rows) = (grid.nx, grid.ny, grid.rows());
    let normal = 1.0 / (grid.columns() as f32 * rows as f32);
    let axis = |n: usize| -> Vec<(f32, Complex32)> { (0..=n).map(|k| axis_factor(k as f64 / n as f64)).collect() };
    let (x_factors, y_factors) = (axis(nx), axis(ny));
    let up: Arc<dyn Fft<f32>> = planner.plan_fft_inverse(ny);
    // Column m of the pixels' spectrum gathers cell columns m and m − nx (which is the mirror of nx − m).
    let mut folded = vec![Complex32::default(); nx * ny];
    folded.par_chunks_mut(ny).enumerate().for_each(|(m, column)| {
        for kx in [m as i64, m as i64 - nx as i64] {
            let k = kx.unsigned_abs() as usize;
            if k >= kept || (kx == 0 && m != 0) {
                continue;
            }
            let mirrored = kx < 0;
            let source = &spectrum[k * rows..(k + 1) * rows];
            let (x_gain, x_phase) = x_factors[k];
            for ky in -(ny as i64) + 1..ny as i64 {
                let j = ky.unsigned_abs() as usize;
                let f = (k as f32 / nx as f32).hypot(j as f32 / ny as f32);
                let (y_gain, y_phase) = y_factors[j];
                let gain = (radials[0].at(f), radials.get(1).map_or(0.0, |r| r.at(f)));
                if gain.0 == 0.0 && gain.1 == 0.0 {
                    continue;
                }
                // The spectrum of real cells: F(−k) is the conjugate of F(k).
                let value = if mirrored {
                    source[(-ky).rem_euclid(rows as i64) as usize].conj()
                } else {
                    source[ky.rem_euclid(rows as i64) as usize]
                };
                let x_turn = if mirrored { x_phase.conj() } else { x_phase };
                let y_turn = if ky < 0 { y_phase.conj() } else { y_phase };
                let common = value * x_turn * y_turn * (x_gain * y_gain * normal);
                let turn = Complex32::new(gain.0, gain.1);
                column[ky.rem_euclid(ny as i64) as usize] += common * turn;
            }
        }
        up.process(column);
    });
    let back = planner.plan_fft_inverse(nx);
    let (w, h, margin) = (grid.width_px, grid.height_px, grid.margin_px);
    let lines: Vec<Vec<Complex32>> = (margin..margin + h)
        .into_par_iter()
        .map(|y| {
            let mut row: Vec<Complex32> = (0..nx).map(|m| folded[m * ny + y]).collect();
            back.process(&mut row);
            row[margin..margin + w].to_vec()
        })
        .collect();
    let part = |f: fn(&Complex32) -> f32| lines.iter().flatten().map(f).collect::<Vec<f32>>();
    let mut out = vec![part(|c| c.re)];
    if radials.len() == 2 {
        out.push(part(|c| c.im));
    }
    out
}

/// Gain and phase of one axis at `f` cycles a pixel: pixel over cell, and the way from the cells' to the pixels' centres.
fn axis_factor(f: f64) -> (f32, Complex32) {
    let cell = 1.0 / CELLS as f64;
    // Values of cells belong to (k + ½) cells, those of pixels to i + ½: half a pixel less half a cell further on.
    let shift = 0.5 - cell / 2.0;
    let (sin, cos) = (TAU * f * shift).sin_cos();
    ((sinc(f) / sinc(f * cell)) as f32, Complex32::new(cos as f32, sin as f32))
}

#[cfg(test)]
mod tests {
    use super::super::coverage::Patch;
    use super::*;

    /// A Gaussian of `sigma` px with a pixel, in the blurred picture of one polygon.
    fn picture_of(polygon: &[[f64; 2]], mtf: SystemMtf, size: usize) -> Vec<f32> {
        let grid = Grid::new(size, size, 20);
        let cells: Vec<[f64; 2]> = polygon.iter().map(|p| grid.cells_from_image(*p)).collect();
        let patch = Patch::of(&cells).unwrap();
        let mut all = vec![0.0; grid.columns() * grid.rows()];
        for (i, v) in patch.values.iter().enumerate() {
            let column = patch.column as usize + i % patch.columns;
            let row = patch.row as usize + i / patch.columns;
            all[row * grid.columns() + column] = *v;
        }
        blurred(&grid, &all, &[mtf], 1.0).remove(0)
    }

    fn gaussian(sigma_px: f64) -> SystemMtf {
        SystemMtf { cutoff_per_um: 400.0, defocus_phase: 0.0, sigma_um: sigma_px, pixel_um: 1.0, normal_rad: 0.0 }
    }

    fn disc(centre: [f64; 2], radius: f64) -> Vec<[f64; 2]> {
        (0..2000)
            .map(|i| {
                let (sin, cos) = (TAU * f64::from(i) / 2000.0).sin_cos();
                [centre[0] + radius * cos, centre[1] + radius * sin]
            })
            .collect()
    }

    /// Where a row of the picture falls through one half, to the right of `from`, by a cubic through four pixels.
    fn half_crossing(row: &[f32], from: usize) -> f64 {
        let i = (from..row.len()).find(|i| row[*i] < 0.5).unwrap();
        let at = |t: f64| {
            let weights = super::super::super::optics::cubic_weights(t);
            (0..4).map(|k| weights[k] * f64::from(row[i + k - 2])).sum::<f64>()
        };
        let (mut low, mut high) = (0.0, 1.0);
        for _ in 0..50 {
            let mid = (low + high) / 2.0;
            if at(mid) > 0.5 { low = mid } else { high = mid }
        }
        i as f64 - 0.5 + low
    }

    #[test]
    fn half_height_of_a_disc_lies_inside() {
        // r50 − R by the non-central χ² integral (SciPy) for a Gaussian of σ = 1.5 px: the pixel makes that
        // √(1.5² + 1/12) along a row through the centre, to second order; at R = 20, 50, 100 the table has −0.05638,
        // −0.022508, −0.011251 and −σ²/(2R) scales it.
        for (radius, want) in [(20.0, -0.056_38), (50.0, -0.022_508)] {
            let centre = [70.3, 60.5];
            let picture = picture_of(&disc(centre, radius), gaussian(1.5), 140);
            let r50 = half_crossing(&picture[60 * 140..61 * 140], 70) - centre[0];
            let want = want * (1.5 * 1.5 + 1.0 / 12.0) / (1.5 * 1.5);
            assert!((r50 - radius - want).abs() < 2e-3, "R {radius}: {} {want}", r50 - radius);
        }
    }

    #[test]
    fn bars_lose_their_contrast_as_they_should() {
        // Peak of a bar of width w = n σ under a Gaussian: 0.3829, 0.6827, 0.8664, 0.9545, 0.9973 (normal integral); σ here is
        // large against the pixel, whose share of the variance is taken along.
        let sigma = (9.0_f64 - 1.0 / 12.0).sqrt();
        for (n, want) in [(1.0, 0.3829), (2.0, 0.6827), (3.0, 0.8664), (4.0, 0.9545)] {
            let half = n * 3.0 / 2.0;
            // Turned by 20°: along the grid the cells' own sampling would change the variance by up to a sixth of a cell squared.
            let (sin, cos) = 20.0_f64.to_radians().sin_cos();
            let bar = [[-half, -60.0], [half, -60.0], [half, 60.0], [-half, 60.0]]
                .map(|[u, v]| [70.5 + u * cos - v * sin, 70.5 + u * sin + v * cos]);
            let picture = picture_of(&bar, gaussian(sigma), 140);
            let peak = picture[70 * 140 + 70];
            assert!((f64::from(peak) - want).abs() < 1e-3, "{n}: {peak}");
        }
    }

    #[test]
    fn diffraction_agrees_with_the_hankel_transform() {
        let mtf = SystemMtf { cutoff_per_um: 0.35, defocus_phase: 3.0, sigma_um: 0.4, pixel_um: 1.0, normal_rad: 0.0 };
        let centre = [70.5, 70.5];
        for radius in [3.0, 15.0] {
            let picture = picture_of(&disc(centre, radius), mtf, 141);
            let radial = super::super::super::slide::disc_response(&mtf, radius, 0.05, 1400);
            for offset in 0..25 {
                let got = f64::from(picture[70 * 141 + 70 + offset]);
                assert!(
                    (got - radial[offset * 20]).abs() < 2e-3,
                    "R {radius} at {offset}: {got} {}",
                    radial[offset * 20]
                );
            }
        }
    }
}
