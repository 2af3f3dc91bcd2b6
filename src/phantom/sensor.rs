//! The camera: shot noise, read noise, tone curve, quantisation.

use rand::RngExt;
use rand_distr::{Distribution, Poisson, StandardNormal};
use rayon::prelude::*;

use super::picture::{Coding, Picture, Samples, linear_of_srgb, srgb_of_linear};
use super::random::{Stream, generator};
use super::{SceneError, require};

/// Noise and coding of the recorded picture.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct Sensor {
    /// Electrons that full scale stands for; `None` leaves all noise out.
    pub electrons_at_full_scale: Option<f64>,
    /// Standard deviation of the read noise, electrons.
    pub read_noise_electrons: f64,
    /// Residual tone curve: recorded linear light is the true one to this power (full scale stays), 1 for none.
    pub tone_exponent: f64,
    /// How samples are coded.
    pub coding: Coding,
    /// JPEG quality, 1 to 100; `None` keeps the samples as they are.
    pub jpeg_quality: Option<u8>,
}

impl Default for Sensor {
    fn default() -> Self {
        Self {
            electrons_at_full_scale: Some(10_000.0),
            read_noise_electrons: 3.0,
            tone_exponent: 1.0,
            coding: Coding::Rgb8,
            jpeg_quality: None,
        }
    }
}

/// Below this many electrons the Poisson law itself is drawn, above a normal one with the same variance.
const NORMAL_FROM_ELECTRONS: f64 = 50.0;

impl Sensor {
    pub(crate) fn check(&self) -> Result<(), SceneError> {
        if let Some(e) = self.electrons_at_full_scale {
            require("electrons_at_full_scale", e, e >= 10.0, "at least 10, or absent for no noise")?;
        }
        let read = self.read_noise_electrons;
        require("read_noise_electrons", read, read >= 0.0, "0 or more")?;
        let tone = self.tone_exponent;
        require("tone_exponent", tone, (0.2..=5.0).contains(&tone), "between 0.2 and 5")?;
        if let Some(q) = self.jpeg_quality {
            require("jpeg_quality", f64::from(q), (1..=100).contains(&q), "1 to 100")?;
        }
        Ok(())
    }

    /// Variance of one linear sample (full scale 1) of mean `light`: shot and read noise and the quantisation step.
    #[must_use]
    pub fn variance(&self, light: f64) -> f64 {
        let light = light.clamp(0.0, 1.0);
        let noise = self.electrons_at_full_scale.map_or(0.0, |e| light / e + (self.read_noise_electrons / e).powi(2));
        let codes = match self.coding {
            Coding::Gray8 | Coding::Rgb8 => 255.0,
            Coding::Gray16 | Coding::Rgb16 => 65535.0,
            Coding::LinearGray | Coding::LinearRgb => return noise,
        };
        // Slope of linear light against the code value: the width of one step in light.
        let step = if light <= 0.003_130_8 { 1.0 / 12.92 } else { 2.4 / 1.055 * light.powf(1.0 - 1.0 / 2.4) } / codes;
        noise + step * step / 12.0
    }

    /// Records linear light (channels interleaved, full scale 1).
    pub(crate) fn record(&self, width: usize, mut light: Vec<f32>, seed: u64) -> Result<Picture, SceneError> {
        let channels = self.coding.channels();
        let row_length = width * channels;
        let height = light.len() / row_length.max(1);
        if let Some(electrons) = self.electrons_at_full_scale {
            let read = self.read_noise_electrons;
            light.par_chunks_mut(row_length).enumerate().for_each(|(row, values)| {
                let mut rng = generator(seed, Stream::Noise, row as u64);
                for v in values {
                    let mean = f64::from(*v).max(0.0) * electrons;
                    let normal: f64 = rng.sample(StandardNormal);
                    let got = if mean >= NORMAL_FROM_ELECTRONS {
                        mean + (mean + read * read).sqrt() * normal
                    } else {
                        Poisson::new(mean).map_or(0.0, |p| p.sample(&mut rng)) + read * normal
                    };
                    *v = (got / electrons) as f32;
                }
            });
        }
        if (self.tone_exponent - 1.0).abs() > 1e-12 {
            let exponent = self.tone_exponent as f32;
            light.par_iter_mut().for_each(|v| *v = v.max(0.0).powf(exponent));
        }
        let samples = match self.coding {
            Coding::LinearGray | Coding::LinearRgb => Samples::Linear(light),
            Coding::Gray8 | Coding::Rgb8 => Samples::Srgb8(quantise_8bit(&light)),
            Coding::Gray16 | Coding::Rgb16 => Samples::Srgb16(
                light
                    .par_iter()
                    .map(|v| (srgb_of_linear(f64::from(*v).clamp(0.0, 1.0)) * 65535.0).round() as u16)
                    .collect(),
            ),
        };
        let picture = Picture { width, height, channels, samples, jpeg: None };
        match self.jpeg_quality {
            Some(quality) => picture.through_jpeg(quality),
            None => Ok(picture),
        }
    }
}

/// Rounds to the nearest 8-bit sRGB code, exactly: a table gives the first guess, thresholds decide.
fn quantise_8bit(light: &[f32]) -> Vec<u8> {
    const GUESSES: usize = 4096;
    // Linear light at which code k gives way to code k + 1.
    let thresholds: Vec<f32> = (0..255).map(|k| linear_of_srgb((f64::from(k) + 0.5) / 255.0) as f32).collect();
    let guess: Vec<u8> = (0..=GUESSES)
        .map(|i| {
            let v = i as f32 / GUESSES as f32;
            thresholds.partition_point(|t| *t < v).min(255) as u8
        })
        .collect();
    light
        .par_iter()
        .map(|v| {
            let v = v.clamp(0.0, 1.0);
            let mut code = guess[(v * GUESSES as f32) as usize];
            while code < 255 && thresholds[usize::from(code)] < v {
                code += 1;
            }
            code
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn eight_bit_codes_are_the_nearest() {
        let values: Vec<f32> = (0..=20_000).map(|i| i as f32 / 20_000.0).collect();
        for (v, got) in values.iter().zip(quantise_8bit(&values)) {
            let exact = srgb_of_linear(f64::from(*v)) * 255.0;
            assert!((exact - f64::from(got)).abs() < 0.5 + 1e-4, "{v}: {got}, {exact}");
        }
    }

    #[test]
    fn noise_has_the_stated_variance() {
        for (light, electrons) in [(0.02, 800.0), (0.5, 800.0), (0.7, 20_000.0)] {
            let sensor = Sensor {
                electrons_at_full_scale: Some(electrons),
                read_noise_electrons: 3.0,
                coding: Coding::Gray8,
                ..Sensor::default()
            };
            let picture = sensor.record(400, vec![light; 400 * 400], 7).unwrap();
            let values = picture.linear_luminance();
            let n = values.len() as f64;
            let mean = values.iter().map(|v| f64::from(*v)).sum::<f64>() / n;
            let variance = values.iter().map(|v| (f64::from(*v) - mean).powi(2)).sum::<f64>() / n;
            let want = sensor.variance(f64::from(light));
            // 160 000 samples give the variance to 0.35 % (1 sigma); the mean to sd/400.
            assert!((variance / want - 1.0).abs() < 0.02, "{light}: {variance} {want}");
            assert!((mean - f64::from(light)).abs() < 5.0 * (want / n).sqrt() + 1e-4 * f64::from(light), "{mean}");
        }
    }
}
