//! Blurred coverage along one slide axis, tabulated.

use super::super::optics::{Response, SystemMtf, box_response, cubic_weights, edge_response};

/// A box on the axis: centre, width, and how strongly it is drawn.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Bar {
    pub(crate) centre_um: f64,
    pub(crate) width_um: f64,
    pub(crate) strength: f64,
}

/// Sum of the blurred bars over a range of the axis, up to three colours side by side; 0 outside.
#[derive(Clone, Debug)]
pub(crate) struct Profile {
    start_um: f64,
    per_um: f64,
    values: Vec<[f32; 4]>,
}

impl Profile {
    /// Tabulates `bars` over `range_um` (cut to where the bars have any effect).
    ///
    /// `colours` holds one system MTF a colour. Thin bars are placed by cubic interpolation of the box response, wide
    /// ones as the difference of two edges; both leave an error below 1e-5 of the strength.
    pub(crate) fn tabulate(bars: &[Bar], colours: &[SystemMtf], range_um: (f64, f64), step_um: f64) -> Self {
        let reach_um = colours.iter().map(SystemMtf::support_um).fold(0.0, f64::max);
        let low = bars.iter().map(|b| b.centre_um - b.width_um / 2.0).fold(f64::INFINITY, f64::min) - reach_um;
        let high = bars.iter().map(|b| b.centre_um + b.width_um / 2.0).fold(f64::NEG_INFINITY, f64::max) + reach_um;
        let (start_um, end_um) = (low.max(range_um.0 - step_um), high.min(range_um.1 + step_um));
        let n = if end_um > start_um { ((end_um - start_um) / step_um).ceil() as usize + 2 } else { 0 };
        let mut values = vec![[0.0_f32; 4]; n];
        if n > 0 {
            for (colour, mtf) in colours.iter().enumerate() {
                let sum = one_colour(bars, mtf, start_um, step_um, n);
                for (v, s) in values.iter_mut().zip(sum) {
                    v[colour] = s as f32;
                }
            }
        }
        Self { start_um, per_um: 1.0 / step_um, values }
    }

    /// Linear between samples; `None` outside.
    #[inline]
    pub(crate) fn at(&self, x_um: f64) -> Option<[f32; 4]> {
        let t = (x_um - self.start_um) * self.per_um;
        if t < 0.0 {
            return None;
        }
        let i = t as usize;
        let (a, b) = (self.values.get(i)?, self.values.get(i + 1)?);
        let f = (t - i as f64) as f32;
        Some(std::array::from_fn(|k| a[k] + f * (b[k] - a[k])))
    }
}

fn one_colour(bars: &[Bar], mtf: &SystemMtf, start_um: f64, step_um: f64, n: usize) -> Vec<f64> {
    let mut sum = vec![0.0; n];
    let reach_um = mtf.support_um();
    let mut edge: Option<Response> = None;
    let mut boxes: Vec<(f64, Vec<f64>)> = Vec::new();
    for bar in bars {
        if bar.width_um > reach_um / 2.0 {
            let edge = edge.get_or_insert_with(|| edge_response(mtf, step_um));
            let (from, to) = (bar.centre_um - bar.width_um / 2.0, bar.centre_um + bar.width_um / 2.0);
            for (i, s) in sum.iter_mut().enumerate() {
                let x = start_um + i as f64 * step_um;
                *s += bar.strength * (edge.at(x - from) - edge.at(x - to));
            }
            continue;
        }
        let known = boxes.iter().position(|(w, _)| (w - bar.width_um).abs() < 1e-12);
        let k = known.unwrap_or_else(|| {
            boxes.push((bar.width_um, tapered(&box_response(mtf, bar.width_um, step_um), reach_um)));
            boxes.len() - 1
        });
        add_shifted(&mut sum, &boxes[k].1, (bar.centre_um - start_um) / step_um, bar.strength);
    }
    sum
}

/// The response within the reach, brought smoothly to 0 over its last fifth.
fn tapered(response: &Response, reach_um: f64) -> Vec<f64> {
    let all = response.values();
    let keep = ((reach_um / response.step_um()) as usize).min(all.len() / 2 - 1);
    let middle = all.len() / 2;
    let fade = keep as f64 / 5.0;
    (middle - keep..=middle + keep)
        .map(|i| {
            let from_end = (keep - i.abs_diff(middle)) as f64;
            let t = (from_end / fade).min(1.0);
            all[i] * t * t * (3.0 - 2.0 * t)
        })
        .collect()
}

/// Adds `strength` times a response centred at sample position `centre`; the shift is the same for all samples.
fn add_shifted(sum: &mut [f64], response: &[f64], centre: f64, strength: f64) {
    let half = (response.len() / 2) as i64;
    let floor = centre.floor();
    // Sample i of the sum sees the response at (i − centre) = k − t with integer k and t in 0..1: weights at 1 − t.
    let t = centre - floor;
    let weights = cubic_weights(1.0 - t).map(|w| w * strength);
    let base = floor as i64;
    let from = (base - half + 2).max(0);
    let to = (base + half - 2).min(sum.len() as i64 - 1);
    for i in from..=to {
        // Response index just below (i − centre): k − 1, so that the four neighbours begin at k − 2.
        let first = (i - base + half - 2) as usize;
        if let Some(r) = response.get(first..first + 4) {
            sum[i as usize] += weights[0] * r[0] + weights[1] * r[1] + weights[2] * r[2] + weights[3] * r[3];
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MTF: SystemMtf =
        SystemMtf { cutoff_per_um: 0.4, defocus_phase: 0.0, sigma_um: 0.3, pixel_um: 1.0, normal_rad: 0.2 };

    #[test]
    fn bars_stand_where_they_are_put() {
        let step = 0.03;
        for centre in [0.0, 7.031, 12.499] {
            let bar = Bar { centre_um: centre, width_um: 1.9, strength: 1.0 };
            let profile = Profile::tabulate(&[bar], &[MTF], (-200.0, 200.0), step);
            let edge = edge_response(&MTF, step);
            for x in [-2.0, -0.9, -0.1, 0.0, 0.45, 3.0] {
                let want = edge.at(x + 0.95) - edge.at(x - 0.95);
                let got = f64::from(profile.at(centre + x).unwrap()[0]);
                assert!((got - want).abs() < 5e-5, "{centre} + {x}: {got} {want}");
            }
        }
    }

    #[test]
    fn wide_bars_are_one_inside_and_half_at_their_ends() {
        let bar = Bar { centre_um: 100.0, width_um: 200.0, strength: 0.8 };
        let profile = Profile::tabulate(&[bar], &[MTF], (-500.0, 500.0), 0.05);
        let at = |x: f64| f64::from(profile.at(x).map_or(0.0, |v| v[0]));
        assert!((at(100.0) - 0.8).abs() < 0.8 * 0.01, "{}", at(100.0));
        assert!((at(0.0) - 0.4).abs() < 0.4 * 0.01, "{}", at(0.0));
        assert!((at(0.0) - at(200.0)).abs() < 1e-6);
        assert!(at(-400.0).abs() < 1e-12);
    }
}
