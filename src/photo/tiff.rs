//! TIFF through the tiff crate, with what it leaves to the caller: palettes, inverted grey, a few bits a
//! sample, planes and alpha.
//!
//! Source: TIFF 6.0 (1992).

use std::borrow::Cow;
use std::io::Cursor;

use tiff::decoder::{Decoder, DecodingResult};
use tiff::tags::{CompressionMethod, Tag};
use tiff::{ColorType, TiffError};

use super::decode::{Decoded, is_early_end};
use super::error::PhotoErrorKind;
use super::format::Format;
use super::limits::Limits;
use super::raster::{Raster, Samples, keep_channels};
use super::tiff_tags::{PALETTE, Tags, WHITE_IS_ZERO};

const NAME: &str = Format::Tiff.name();

pub(super) fn decode(bytes: &[u8], limits: &Limits) -> Result<Decoded, PhotoErrorKind> {
    let tags = Tags::read(bytes);
    let Some((tags, page)) = tags.as_ref().and_then(|tags| Some((tags, *tags.pages.first()?))) else {
        return Err(PhotoErrorKind::Truncated { format: NAME, detail: "no page can be found in it".to_owned() });
    };
    limits.check(page.width, page.height, page.bits.div_ceil(8).max(1))?;
    if let Some(larger) = tags.pages.iter().find(|p| p.width * p.height > page.width * page.height && p.width > 0) {
        return Err(PhotoErrorKind::Unsupported {
            format: NAME,
            what: format!(
                "a first page of {} × {} px, only a preview of a larger one of {} × {} px",
                page.width, page.height, larger.width, larger.height
            ),
            advice: "a TIFF with the full-size page alone",
        });
    }
    let palette = if page.photometric == PALETTE {
        Some(tags.colour_map(bytes).ok_or_else(|| PhotoErrorKind::Damaged {
            format: NAME,
            detail: "the colour map is missing or outside the file".to_owned(),
        })?)
    } else {
        None
    };
    let inverted = page.photometric == WHITE_IS_ZERO;

    // The decoder hands palette indices and inverted grey out as they are when told that they are plain grey.
    let mut source = Cow::Borrowed(bytes);
    if (palette.is_some() || inverted)
        && let Some((at, value)) = tags.as_plain_grey()
        && let Some(place) = source.to_mut().get_mut(at..at + value.len())
    {
        place.copy_from_slice(&value);
    }
    let mut budget = tiff::decoder::Limits::default();
    budget.decoding_buffer_size = usize::try_from(limits.max_decoded_bytes).unwrap_or(usize::MAX);
    budget.intermediate_buffer_size = budget.decoding_buffer_size;
    budget.ifd_value_size = 16 << 20;
    let mut decoder = Decoder::new(Cursor::new(source.as_ref())).map_err(|e| problem(&e, limits))?.with_limits(budget);
    let (width, height) = decoder.dimensions().map_err(|e| problem(&e, limits))?;
    let colour = decoder.colortype().map_err(|e| problem(&e, limits))?;
    limits.check(
        u64::from(width),
        u64::from(height),
        u64::from(colour.num_samples()) * page.bits.div_ceil(8).max(1),
    )?;
    let icc = decoder.find_tag(Tag::IccProfile).ok().flatten().and_then(|value| value.into_u8_vec().ok());
    let lossy = page.compression == u64::from(CompressionMethod::ModernJPEG.to_u16());

    let mut buffer = DecodingResult::U8(Vec::new());
    let layout = decoder.read_image_to_buffer(&mut buffer).map_err(|e| problem(&e, limits))?;
    let (width, height) = (width as usize, height as usize);
    let stored = Stored { width, height, colour, planes: layout.planes, lossy };
    let (mut raster, transparent) = match buffer {
        DecodingResult::U8(samples) => stored.eight(samples, palette.as_deref())?,
        DecodingResult::U16(samples) => stored.sixteen(samples, palette.as_deref())?,
        _ => {
            return Err(unsupported(format!(
                "{colour:?} samples of another kind than whole numbers of 16 bits at most"
            )));
        }
    };
    if inverted && palette.is_none() {
        match &mut raster.samples {
            Samples::Eight(v) => v.iter_mut().for_each(|s| *s = u8::MAX - *s),
            Samples::Sixteen(v) => v.iter_mut().for_each(|s| *s = u16::MAX - *s),
        }
    }
    Ok(Decoded { icc, transparent, lossy, pages: tags.pages.len(), ..Decoded::plain(raster) })
}

/// What the decoder's buffer holds.
struct Stored {
    width: usize,
    height: usize,
    colour: ColorType,
    planes: usize,
    lossy: bool,
}

impl Stored {
    fn eight(&self, samples: Vec<u8>, palette: Option<&[[u16; 3]]>) -> Result<(Raster, bool), PhotoErrorKind> {
        let bits = u32::from(self.colour.bit_depth());
        if bits < 8 {
            if self.colour.num_samples() != 1 || !matches!(bits, 1 | 2 | 4) {
                return Err(unsupported(format!("{:?} samples", self.colour)));
            }
            let indices = self.unpacked(&samples, bits);
            if let Some(palette) = palette {
                return self.coloured(indices.iter().map(|i| usize::from(*i)), palette);
            }
            let full = u8::MAX / ((1 << bits) - 1) as u8;
            let grey = indices.into_iter().map(|v| v * full).collect();
            return Ok((self.raster(1, Samples::Eight(grey)), false));
        }
        if bits != 8 {
            return Err(unsupported(format!("samples of {bits} bits")));
        }
        if let Some(palette) = palette {
            return self.coloured(samples.iter().map(|i| usize::from(*i)), palette);
        }
        let mut samples = self.interleaved(samples)?;
        let (of, kept) = self.channels()?;
        let transparent = keep_channels(&mut samples, of, kept, u8::MAX);
        if matches!(self.colour, ColorType::YCbCr(_)) {
            samples.as_chunks_mut::<3>().0.iter_mut().for_each(|pixel| *pixel = rgb_from_ycbcr(*pixel));
        }
        Ok((self.raster(kept, Samples::Eight(samples)), transparent))
    }

    fn sixteen(&self, samples: Vec<u16>, palette: Option<&[[u16; 3]]>) -> Result<(Raster, bool), PhotoErrorKind> {
        if self.colour.bit_depth() != 16 || matches!(self.colour, ColorType::YCbCr(_)) {
            return Err(unsupported(format!("{:?} samples", self.colour)));
        }
        if let Some(palette) = palette {
            return self.coloured(samples.iter().map(|i| usize::from(*i)), palette);
        }
        let mut samples = self.interleaved(samples)?;
        let (of, kept) = self.channels()?;
        let transparent = keep_channels(&mut samples, of, kept, u16::MAX);
        Ok((self.raster(kept, Samples::Sixteen(samples)), transparent))
    }

    /// Samples stored for a pixel and samples kept of them.
    fn channels(&self) -> Result<(usize, usize), PhotoErrorKind> {
        match self.colour {
            ColorType::Gray(_) => Ok((1, 1)),
            ColorType::GrayA(_) => Ok((2, 1)),
            // Grey with one more sample: alpha.
            ColorType::Multiband { num_samples: 2, .. } => Ok((2, 1)),
            ColorType::RGB(_) => Ok((3, 3)),
            ColorType::RGBA(_) => Ok((4, 3)),
            // Only JPEG inside a TIFF arrives with its colour differences at full size.
            ColorType::YCbCr(8) if self.lossy => Ok((3, 3)),
            ColorType::CMYK(_) | ColorType::CMYKA(_) => Err(unsupported("printing inks (CMYK)".to_owned())),
            other => Err(unsupported(format!("{other:?} samples"))),
        }
    }

    /// One pixel after the other, from one plane after the other where the file has it so.
    fn interleaved<T: Copy>(&self, samples: Vec<T>) -> Result<Vec<T>, PhotoErrorKind> {
        if self.planes <= 1 {
            return Ok(samples);
        }
        let n = self.width * self.height;
        if samples.len() < n * self.planes {
            return Err(PhotoErrorKind::Damaged { format: NAME, detail: "not all colour planes are there".to_owned() });
        }
        Ok((0..n).flat_map(|i| (0..self.planes).map(move |p| i + p * n)).map(|i| samples[i]).collect())
    }

    /// Indices of 1, 2 or 4 bits, most significant first, rows padded to whole bytes.
    fn unpacked(&self, packed: &[u8], bits: u32) -> Vec<u8> {
        let a_byte = (8 / bits) as usize;
        let mask = (1_u8 << bits) - 1;
        let stride = self.width.div_ceil(a_byte);
        let value = |row: &[u8], x: usize| {
            let byte = row.get(x / a_byte).copied().unwrap_or(0);
            byte >> (8 - bits - (x % a_byte) as u32 * bits) & mask
        };
        packed.chunks(stride).flat_map(|row| (0..self.width).map(move |x| value(row, x))).collect()
    }

    /// Colours for indices; 8 bits where the colour map needs no more.
    fn coloured(
        &self,
        indices: impl Iterator<Item = usize>,
        palette: &[[u16; 3]],
    ) -> Result<(Raster, bool), PhotoErrorKind> {
        let mut rgb = Vec::with_capacity(self.width * self.height * 3);
        for index in indices {
            let Some(colour) = palette.get(index) else {
                return Err(PhotoErrorKind::Damaged {
                    format: NAME,
                    detail: format!("colour {index} of a colour map of {}", palette.len()),
                });
            };
            rgb.extend_from_slice(colour);
        }
        // Eight-bit maps are written as v × 257 or, against the standard, as v × 256.
        let eight =
            palette.iter().flatten().all(|c| c & 0xff == c >> 8) || palette.iter().flatten().all(|c| c & 0xff == 0);
        let samples = if eight {
            Samples::Eight(rgb.into_iter().map(|c| (c >> 8) as u8).collect())
        } else {
            Samples::Sixteen(rgb)
        };
        Ok((self.raster(3, samples), false))
    }

    const fn raster(&self, channels: usize, samples: Samples) -> Raster {
        Raster { width: self.width, height: self.height, channels, samples }
    }
}

/// Full-range colour differences to red, green, blue (ITU-T T.871, 2011, clause 7).
fn rgb_from_ycbcr([y, cb, cr]: [u8; 3]) -> [u8; 3] {
    let (y, cb, cr) = (f32::from(y), f32::from(cb) - 128.0, f32::from(cr) - 128.0);
    [y + 1.402 * cr, y - 0.344_136 * cb - 0.714_136 * cr, y + 1.772 * cb].map(|v| v.round().clamp(0.0, 255.0) as u8)
}

fn unsupported(what: String) -> PhotoErrorKind {
    PhotoErrorKind::Unsupported { format: NAME, what, advice: "a grey or RGB TIFF or PNG of 8 or 16 bits" }
}

fn problem(error: &TiffError, limits: &Limits) -> PhotoErrorKind {
    match error {
        TiffError::UnsupportedError(what) => unsupported(what.to_string()),
        TiffError::LimitsExceeded => PhotoErrorKind::Unsupported {
            format: NAME,
            what: format!("parts that need more than {} bytes of memory", limits.max_decoded_bytes),
            advice: "a smaller picture, or raise the limit",
        },
        _ if is_early_end(error) => PhotoErrorKind::Truncated { format: NAME, detail: error.to_string() },
        _ => PhotoErrorKind::Damaged { format: NAME, detail: error.to_string() },
    }
}
