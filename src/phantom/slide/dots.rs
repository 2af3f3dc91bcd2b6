//! Dot plates: discs blurred by the exact radial response.

use std::f64::consts::PI;

use rand::RngExt;
use rand_distr::StandardNormal;

use super::super::optics::{SystemMtf, otf_defocused, sinc};
use super::super::random::{Stream, generator};
use super::super::special::{bessel_j0, bessel_j1};
use super::map::SlideMap;
use super::scene::{Ruling, SlideScene};
use super::truth::{DotTruth, placed};

/// One dot as drawn by lot, µm from the ruling's origin.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Dot {
    along_um: f64,
    across_um: f64,
    strength: f64,
}

/// The dots of a plate, row by row.
#[derive(Debug)]
pub(crate) struct Plate {
    origin_um: [f64; 2],
    turned: bool,
    division_um: f64,
    columns: usize,
    rows: usize,
    dots: Vec<Dot>,
    reach_um: f64,
    per_um: f64,
    radial: Vec<[f32; 4]>,
}

/// Draws the dots of a plate by lot.
pub(crate) fn dots(ruling: &Ruling, seed: u64, number: usize) -> Vec<Dot> {
    let mut rng = generator(seed, Stream::Ruling, number as u64);
    let mut out = Vec::new();
    for row in 0..ruling.rows {
        for column in 0..=ruling.divisions {
            let error: [f64; 2] = [rng.sample(StandardNormal), rng.sample(StandardNormal)];
            let lot: f64 = rng.random();
            let faintness: f64 = rng.random_range(0.15..0.45);
            let strength = if lot < ruling.missing_fraction {
                0.0
            } else if lot < ruling.missing_fraction + ruling.faint_fraction {
                faintness
            } else {
                1.0
            };
            out.push(Dot {
                along_um: f64::from(column) * ruling.division_um + error[0] * ruling.placement_sd_um,
                across_um: f64::from(row) * ruling.division_um + error[1] * ruling.placement_sd_um,
                strength,
            });
        }
    }
    out
}

/// Truth of the dots of one plate.
pub(crate) fn dot_truth(
    scene: &SlideScene,
    ruling: &Ruling,
    number: usize,
    dots: &[Dot],
    map: &SlideMap,
) -> Vec<DotTruth> {
    let columns = ruling.divisions as usize + 1;
    dots.iter()
        .enumerate()
        .map(|(i, d)| {
            let p = map.image_from_slide(placed(ruling, d.along_um, d.across_um));
            let (w, h) = (scene.width_px as f64, scene.height_px as f64);
            DotTruth {
                ruling: number,
                column: (i % columns) as u32,
                row: (i / columns) as u32,
                centre_px: [p.x, p.y],
                strength: d.strength,
                in_picture: (0.0..=w).contains(&p.x) && (0.0..=h).contains(&p.y),
            }
        })
        .collect()
}

impl Plate {
    /// Tables for a plate with one system MTF a colour.
    pub(crate) fn of(ruling: &Ruling, diameter_um: f64, dots: &[Dot], colours: &[SystemMtf], step_um: f64) -> Self {
        let radius_um = diameter_um / 2.0;
        let reach_um = radius_um + colours.iter().map(|c| c.support_um() * 0.2).fold(0.0, f64::max);
        let n = (reach_um / step_um).ceil() as usize + 2;
        let mut radial = vec![[0.0_f32; 4]; n];
        for (k, mtf) in colours.iter().enumerate() {
            for (v, cover) in radial.iter_mut().zip(disc_response(mtf, radius_um, step_um, n)) {
                v[k] = cover as f32;
            }
        }
        Self {
            origin_um: ruling.origin_um,
            turned: ruling.across,
            division_um: ruling.division_um,
            columns: ruling.divisions as usize + 1,
            rows: ruling.rows as usize,
            dots: dots.to_vec(),
            reach_um,
            per_um: 1.0 / step_um,
            radial,
        }
    }

    /// Adds the dots near a slide position to `cover`.
    pub(crate) fn cover(&self, x_um: f64, y_um: f64, cover: &mut [f32; 4]) {
        let (dx, dy) = (x_um - self.origin_um[0], y_um - self.origin_um[1]);
        let (along, across) = if self.turned { (dy, -dx) } else { (dx, dy) };
        let near = |v: f64, size: usize| {
            let from = ((v - self.reach_um) / self.division_um).ceil().max(0.0) as usize;
            let to = ((v + self.reach_um) / self.division_um).floor() + 1.0;
            from..(to.max(0.0) as usize).min(size)
        };
        for row in near(across, self.rows) {
            for column in near(along, self.columns) {
                let dot = self.dots[row * self.columns + column];
                let t = (dot.along_um - along).hypot(dot.across_um - across) * self.per_um;
                let i = t as usize;
                let (Some(a), Some(b)) = (self.radial.get(i), self.radial.get(i + 1)) else { continue };
                let f = (t - i as f64) as f32;
                for k in 0..4 {
                    let own = dot.strength as f32 * (a[k] + f * (b[k] - a[k]));
                    cover[k] += own - cover[k] * own;
                }
            }
        }
    }
}

/// Blurred coverage of a disc against the distance from its centre, µm, `n` values `step_um` apart.
///
/// `2πR ∫ OTF(f) J₁(2πRf) J₀(2πρf) df` up to the cut-off (Hankel transform), the square pixel averaged over directions,
/// by Simpson's rule fine enough for the oscillation (error below 1e-5). The far tail, which goes on as ρ⁻³, is
/// brought to 0 at the end of the table.
pub(crate) fn disc_response(mtf: &SystemMtf, radius_um: f64, step_um: f64, n: usize) -> Vec<f64> {
    let far = radius_um + n as f64 * step_um;
    let steps = 2 * ((mtf.cutoff_per_um * far * 8.0).ceil() as usize + 50);
    let df = mtf.cutoff_per_um / steps as f64;
    let weighted: Vec<(f64, f64)> = (0..=steps)
        .map(|i| {
            let f = i as f64 * df;
            let simpson = if i == 0 || i == steps { 1.0 } else { [2.0, 4.0][i % 2] } * df / 3.0;
            let optical = otf_defocused(f / mtf.cutoff_per_um, mtf.defocus_phase);
            let gauss = (-2.0 * (PI * mtf.sigma_um * f).powi(2)).exp();
            let pixel = (0..8)
                .map(|k| {
                    let (sin, cos) = (PI * (f64::from(k) + 0.5) / 16.0).sin_cos();
                    sinc(f * mtf.pixel_um * cos) * sinc(f * mtf.pixel_um * sin)
                })
                .sum::<f64>()
                / 8.0;
            let disc = 2.0 * PI * radius_um * bessel_j1(2.0 * PI * radius_um * f);
            (2.0 * PI * f, simpson * optical * gauss * pixel * disc)
        })
        .collect();
    let end = (n - 1) as f64 * step_um;
    let fade_from = end - 0.2 * (end - radius_um);
    (0..n)
        .map(|i| {
            let rho = i as f64 * step_um;
            let value: f64 = weighted.iter().map(|(k, w)| w * bessel_j0(k * rho)).sum();
            let t = ((end - rho) / (end - fade_from)).clamp(0.0, 1.0);
            value * t * t * (3.0 - 2.0 * t)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Blur that is Gaussian as far as matters: a fine optical cut-off, no pixel.
    fn gaussian(sigma_um: f64) -> SystemMtf {
        SystemMtf { cutoff_per_um: 60.0, defocus_phase: 0.0, sigma_um, pixel_um: 0.0, normal_rad: 0.0 }
    }

    #[test]
    fn half_height_of_a_blurred_disc_lies_inside() {
        // r50 − R for σ = 1.5: R 5 → −0.2342, 10 → −0.11358, 20 → −0.05638 (non-central χ² integral, SciPy).
        for (radius, want) in [(5.0, -0.2342), (10.0, -0.113_58), (20.0, -0.056_38)] {
            let step = 0.05;
            let response = disc_response(&gaussian(1.5), radius, step, ((radius + 12.0) / step) as usize);
            let i = response.iter().position(|v| *v < 0.5).unwrap();
            let r50 = (i as f64 - (0.5 - response[i]) / (response[i - 1] - response[i])) * step;
            assert!((r50 - radius - want).abs() < 2e-3, "R {radius}: {}", r50 - radius);
        }
    }
}
