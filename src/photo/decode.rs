//! From bytes to a raster: one function a format, all held to the limits, none allowed to panic.

use std::io::{Cursor, ErrorKind};
use std::panic::{AssertUnwindSafe, catch_unwind};

use image::codecs::bmp::BmpDecoder;
use image::codecs::png::PngDecoder;
use image::{ColorType, ImageDecoder, ImageError};

use super::error::PhotoErrorKind;
use super::format::Format;
use super::limits::Limits;
use super::raster::{Raster, Samples, keep_channels};
use super::{jpeg, tiff};

/// What a decoder found.
#[derive(Debug)]
pub(super) struct Decoded {
    pub(super) raster: Raster,
    /// Embedded colour profile.
    pub(super) icc: Option<Vec<u8>>,
    /// The exponent of a PNG's gAMA chunk (sample = light to this power).
    pub(super) png_gamma: Option<f64>,
    /// True where the file has an alpha channel that is not full everywhere.
    pub(super) transparent: bool,
    /// Pictures in the file.
    pub(super) pages: usize,
    /// True when the samples went through a lossy compression.
    pub(super) lossy: bool,
}

impl Decoded {
    pub(super) const fn plain(raster: Raster) -> Self {
        Self { raster, icc: None, png_gamma: None, transparent: false, pages: 1, lossy: false }
    }
}

/// Decodes `bytes`; a panic inside a decoder becomes [`PhotoErrorKind::Damaged`].
pub(super) fn decode(format: Format, bytes: &[u8], limits: &Limits) -> Result<Decoded, PhotoErrorKind> {
    let run = || match format {
        Format::Jpeg => jpeg::decode(bytes, limits),
        Format::Png => png(bytes, limits),
        Format::Tiff => tiff::decode(bytes, limits),
        Format::Bmp => bmp(bytes, limits),
    };
    let decoded = catch_unwind(AssertUnwindSafe(run)).unwrap_or_else(|_panic| {
        Err(PhotoErrorKind::Damaged { format: format.name(), detail: "the decoder gave up on its content".to_owned() })
    })?;
    let Raster { width, height, channels, samples } = &decoded.raster;
    let samples = match samples {
        Samples::Eight(v) => v.len(),
        Samples::Sixteen(v) => v.len(),
    };
    if *width == 0 || *height == 0 || samples != width * height * channels {
        return Err(PhotoErrorKind::Damaged {
            format: format.name(),
            detail: format!("{samples} samples for {width} × {height} px with {channels} channels"),
        });
    }
    Ok(decoded)
}

fn png(bytes: &[u8], limits: &Limits) -> Result<Decoded, PhotoErrorKind> {
    let name = Format::Png.name();
    let size = |at: usize| bytes.get(at..at + 4).map_or(0, |b| b.iter().fold(0, |acc, b| acc << 8 | u64::from(*b)));
    // Width and height stand at fixed places in the header chunk: no decoder is needed to refuse a bomb.
    limits.check(size(16), size(20), 1)?;
    let mut budget = image::Limits::no_limits();
    budget.max_alloc = Some(limits.max_decoded_bytes);
    let mut decoder = PngDecoder::with_limits(Cursor::new(bytes), budget).map_err(|e| problem(name, e))?;
    let icc = decoder.icc_profile().ok().flatten();
    let png_gamma = png_gamma(bytes);
    let pages = if decoder.is_apng().unwrap_or(false) { 2 } else { 1 };
    let (raster, transparent) = read(name, decoder, limits)?;
    Ok(Decoded { icc, png_gamma, transparent, pages, ..Decoded::plain(raster) })
}

/// The gAMA chunk's exponent, unless an sRGB chunk outranks it (PNG 3rd edition, 11.3.2).
///
/// Read here because the decoder behind the image crate keeps it to itself.
fn png_gamma(bytes: &[u8]) -> Option<f64> {
    let mut rest = bytes.get(8..)?;
    let mut gamma = None;
    while let Some((&[l3, l2, l1, l0, k0, k1, k2, k3], after)) = rest.split_first_chunk::<8>() {
        let length = usize::try_from(u32::from_be_bytes([l3, l2, l1, l0])).ok()?;
        match &[k0, k1, k2, k3] {
            b"sRGB" => return None,
            b"gAMA" => gamma = after.first_chunk().map(|v| f64::from(u32::from_be_bytes(*v)) / 100_000.0),
            b"IDAT" => break,
            _ => {}
        }
        // Behind the data stands a check sum of four bytes.
        rest = after.get(length.checked_add(4)?..)?;
    }
    gamma
}

fn bmp(bytes: &[u8], limits: &Limits) -> Result<Decoded, PhotoErrorKind> {
    let decoder = BmpDecoder::new(Cursor::new(bytes)).map_err(|e| problem(Format::Bmp.name(), e))?;
    let (raster, transparent) = read(Format::Bmp.name(), decoder, limits)?;
    Ok(Decoded { transparent, ..Decoded::plain(raster) })
}

/// Reads all samples of one of the image crate's decoders and drops alpha.
fn read(name: &'static str, decoder: impl ImageDecoder, limits: &Limits) -> Result<(Raster, bool), PhotoErrorKind> {
    let (width, height) = decoder.dimensions();
    let colour = decoder.color_type();
    limits.check(u64::from(width), u64::from(height), u64::from(colour.bytes_per_pixel()))?;
    let (of, kept) = match colour.channel_count() {
        n @ (1 | 2) => (usize::from(n), 1),
        n => (usize::from(n), 3),
    };
    let mut bytes = vec![0; usize::try_from(decoder.total_bytes()).unwrap_or(usize::MAX)];
    decoder.read_image(&mut bytes).map_err(|e| problem(name, e))?;
    let (samples, transparent) = match colour {
        ColorType::L8 | ColorType::La8 | ColorType::Rgb8 | ColorType::Rgba8 => {
            let transparent = keep_channels(&mut bytes, of, kept, u8::MAX);
            (Samples::Eight(bytes), transparent)
        }
        ColorType::L16 | ColorType::La16 | ColorType::Rgb16 | ColorType::Rgba16 => {
            let mut words: Vec<u16> = bytes.as_chunks::<2>().0.iter().map(|b| u16::from_ne_bytes(*b)).collect();
            let transparent = keep_channels(&mut words, of, kept, u16::MAX);
            (Samples::Sixteen(words), transparent)
        }
        other => {
            return Err(PhotoErrorKind::Unsupported {
                format: name,
                what: format!("{other:?} samples"),
                advice: "a grey or RGB picture of 8 or 16 bits",
            });
        }
    };
    Ok((Raster { width: width as usize, height: height as usize, channels: kept, samples }, transparent))
}

/// Words for what one of the image crate's decoders says.
fn problem(format: &'static str, error: ImageError) -> PhotoErrorKind {
    let detail = inner_words(&error);
    match &error {
        ImageError::IoError(e) if e.kind() == ErrorKind::UnexpectedEof => PhotoErrorKind::Truncated { format, detail },
        ImageError::Decoding(_) if is_early_end(&error) => PhotoErrorKind::Truncated { format, detail },
        ImageError::Unsupported(_) => PhotoErrorKind::Unsupported {
            format,
            what: detail,
            advice: "a grey or RGB picture of 8 or 16 bits, PNG or TIFF",
        },
        ImageError::Limits(_) => {
            PhotoErrorKind::Unsupported { format, what: detail, advice: "a smaller picture, or raise the limit" }
        }
        _ => PhotoErrorKind::Damaged { format, detail },
    }
}

/// True when an "unexpected end of file" lies anywhere below the error.
pub(super) fn is_early_end(error: &(dyn std::error::Error + 'static)) -> bool {
    let mut at = Some(error);
    while let Some(e) = at {
        if e.downcast_ref::<std::io::Error>().is_some_and(|e| e.kind() == ErrorKind::UnexpectedEof) {
            return true;
        }
        at = e.source();
    }
    false
}

/// The innermost message, which says most in the fewest words.
fn inner_words(error: &(dyn std::error::Error + 'static)) -> String {
    let mut at = error;
    while let Some(inner) = at.source() {
        at = inner;
    }
    at.to_string()
}
