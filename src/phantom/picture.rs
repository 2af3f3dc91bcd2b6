//! A rendered picture: samples, their coding, and the way back to linear light.

use std::io::Cursor;

use image::ImageEncoder;
use image::codecs::jpeg::JpegEncoder;
use image::codecs::png::PngEncoder;
use image::codecs::tiff::TiffEncoder;
use rayon::prelude::*;

use super::SceneError;

/// How light is coded in the samples.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub enum Coding {
    /// 8 bit, sRGB transfer, one channel.
    Gray8,
    /// 8 bit, sRGB transfer, red green blue.
    Rgb8,
    /// 16 bit, sRGB transfer, one channel.
    Gray16,
    /// 16 bit, sRGB transfer, red green blue.
    Rgb16,
    /// 32-bit float, linear light, one channel, not quantised.
    LinearGray,
    /// 32-bit float, linear light, red green blue, not quantised.
    LinearRgb,
}

impl Coding {
    /// Values a pixel.
    #[must_use]
    pub const fn channels(self) -> usize {
        match self {
            Self::Gray8 | Self::Gray16 | Self::LinearGray => 1,
            Self::Rgb8 | Self::Rgb16 | Self::LinearRgb => 3,
        }
    }
}

/// The samples, row by row, channels interleaved.
#[derive(Clone, Debug, PartialEq)]
pub enum Samples {
    /// 8 bit, sRGB transfer.
    Srgb8(Vec<u8>),
    /// 16 bit, sRGB transfer.
    Srgb16(Vec<u16>),
    /// Linear light, 1 is full scale.
    Linear(Vec<f32>),
}

/// A rendered picture.
#[derive(Clone, Debug, PartialEq)]
pub struct Picture {
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// 1 or 3.
    pub channels: usize,
    /// The values.
    pub samples: Samples,
    /// The JPEG file that the samples were decoded from, where the scene asks for JPEG.
    pub jpeg: Option<Vec<u8>>,
}

/// Linear light of an sRGB value in 0..1 (IEC 61966-2-1).
#[must_use]
pub fn linear_of_srgb(v: f64) -> f64 {
    if v <= 0.04045 { v / 12.92 } else { ((v + 0.055) / 1.055).powf(2.4) }
}

/// sRGB value in 0..1 of linear light (IEC 61966-2-1).
#[must_use]
pub fn srgb_of_linear(v: f64) -> f64 {
    if v <= 0.003_130_8 { v * 12.92 } else { 1.055 * v.powf(1.0 / 2.4) - 0.055 }
}

/// Weights of red, green and blue in luminance (IEC 61966-2-1, ITU-R BT.709).
const LUMINANCE: [f32; 3] = [0.2126, 0.7152, 0.0722];

impl Picture {
    /// Linear luminance, 1 is full scale, one value a pixel.
    #[must_use]
    pub fn linear_luminance(&self) -> Vec<f32> {
        let linear: Vec<f32> = match &self.samples {
            Samples::Srgb8(v) => {
                let table: Vec<f32> = (0..256).map(|i| linear_of_srgb(f64::from(i) / 255.0) as f32).collect();
                v.par_iter().map(|s| table[usize::from(*s)]).collect()
            }
            Samples::Srgb16(v) => {
                let table: Vec<f32> = (0..65536).map(|i| linear_of_srgb(f64::from(i) / 65535.0) as f32).collect();
                v.par_iter().map(|s| table[usize::from(*s)]).collect()
            }
            Samples::Linear(v) => v.clone(),
        };
        if self.channels == 1 {
            return linear;
        }
        linear.par_chunks(self.channels).map(|c| c.iter().zip(LUMINANCE).map(|(v, w)| v * w).sum()).collect()
    }

    /// Bytes of a picture file and its usual extension: the JPEG where there is one, TIFF for 16 bit, else PNG.
    ///
    /// # Errors
    /// [`SceneError::Coding`] where the samples are linear floats (no such file is written) or the encoder fails.
    pub fn file(&self) -> Result<(Vec<u8>, &'static str), SceneError> {
        if let Some(jpeg) = &self.jpeg {
            return Ok((jpeg.clone(), "jpg"));
        }
        let (w, h) = (self.width as u32, self.height as u32);
        let mut out = Vec::new();
        match &self.samples {
            Samples::Srgb8(v) => {
                let colour =
                    if self.channels == 1 { image::ExtendedColorType::L8 } else { image::ExtendedColorType::Rgb8 };
                PngEncoder::new(&mut out).write_image(v, w, h, colour).map_err(|e| coding("PNG", &e))?;
                Ok((out, "png"))
            }
            Samples::Srgb16(v) => {
                let colour =
                    if self.channels == 1 { image::ExtendedColorType::L16 } else { image::ExtendedColorType::Rgb16 };
                let bytes: Vec<u8> = v.iter().flat_map(|s| s.to_ne_bytes()).collect();
                TiffEncoder::new(Cursor::new(&mut out))
                    .write_image(&bytes, w, h, colour)
                    .map_err(|e| coding("TIFF", &e))?;
                Ok((out, "tif"))
            }
            Samples::Linear(_) => {
                Err(SceneError::Coding { format: "PNG", reason: "linear floats have no file form here".to_owned() })
            }
        }
    }

    /// Codes 8-bit samples as JPEG and keeps what a reader of that file will see.
    pub(crate) fn through_jpeg(mut self, quality: u8) -> Result<Self, SceneError> {
        let Samples::Srgb8(v) = &self.samples else {
            return Err(SceneError::Coding { format: "JPEG", reason: "only 8-bit samples go into JPEG".to_owned() });
        };
        let colour = if self.channels == 1 { image::ExtendedColorType::L8 } else { image::ExtendedColorType::Rgb8 };
        let mut file = Vec::new();
        JpegEncoder::new_with_quality(&mut file, quality)
            .encode(v, self.width as u32, self.height as u32, colour)
            .map_err(|e| coding("JPEG", &e))?;
        let decoded =
            image::load_from_memory_with_format(&file, image::ImageFormat::Jpeg).map_err(|e| coding("JPEG", &e))?;
        let samples = if self.channels == 1 { decoded.into_luma8().into_raw() } else { decoded.into_rgb8().into_raw() };
        self.samples = Samples::Srgb8(samples);
        self.jpeg = Some(file);
        Ok(self)
    }
}

fn coding(format: &'static str, error: &image::ImageError) -> SceneError {
    SceneError::Coding { format, reason: error.to_string() }
}
