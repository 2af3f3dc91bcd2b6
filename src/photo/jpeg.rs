//! JPEG through zune-jpeg, strict about the picture itself: a picture that ends early is refused and not
//! filled up with grey, as lenient decoders do.
//!
//! Source for the markers: ITU-T T.81 (1992) table B.1.

use zune_jpeg::JpegDecoder;
use zune_jpeg::zune_core::bytestream::ZCursor;
use zune_jpeg::zune_core::colorspace::ColorSpace;
use zune_jpeg::zune_core::options::DecoderOptions;

use super::decode::Decoded;
use super::error::PhotoErrorKind;
use super::format::Format;
use super::limits::Limits;
use super::raster::{Raster, Samples};

const NAME: &str = Format::Jpeg.name();

pub(super) fn decode(bytes: &[u8], limits: &Limits) -> Result<Decoded, PhotoErrorKind> {
    let damaged = |e: &dyn std::fmt::Display| PhotoErrorKind::Damaged { format: NAME, detail: e.to_string() };
    let unsupported = |what: String| PhotoErrorKind::Unsupported { format: NAME, what, advice: "a grey or RGB JPEG" };
    check_structure(bytes, limits)?;

    // Real cameras write stray bytes between header segments, so the header is read leniently,
    // then the picture strictly.
    let lenient = DecoderOptions::default().set_strict_mode(false).set_max_width(65_535).set_max_height(65_535);
    let mut decoder = JpegDecoder::new_with_options(ZCursor::new(bytes), lenient);
    decoder.decode_headers().map_err(|e| damaged(&e))?;
    let Some(info) = decoder.info() else { return Err(damaged(&"no picture in it")) };
    let (width, height) = (usize::from(info.width), usize::from(info.height));
    let (space, channels) = match (decoder.input_colorspace(), info.components) {
        (Some(ColorSpace::Luma), _) | (_, 1) => (ColorSpace::Luma, 1),
        (Some(ColorSpace::CMYK | ColorSpace::YCCK), _) | (_, 4) => {
            return Err(unsupported("printing inks (CMYK)".to_owned()));
        }
        (_, 3) => (ColorSpace::RGB, 3),
        (_, n) => return Err(unsupported(format!("{n} channels"))),
    };
    limits.check(width as u64, height as u64, channels as u64)?;
    let icc = decoder.icc_profile();
    decoder.set_options(lenient.set_strict_mode(true).jpeg_set_out_colorspace(space));
    let mut samples = vec![0; width * height * channels];
    decoder.decode_into(&mut samples).map_err(|e| damaged(&e))?;
    let raster = Raster { width, height, channels, samples: Samples::Eight(samples) };
    Ok(Decoded { icc, lossy: true, ..Decoded::plain(raster) })
}

/// Walks the markers: the size must be within the limits and the end marker must be there.
fn check_structure(bytes: &[u8], limits: &Limits) -> Result<(), PhotoErrorKind> {
    let cut = |at: usize, missing: &str| PhotoErrorKind::Truncated {
        format: NAME,
        detail: format!("the data end at byte {at} without {missing}"),
    };
    let mut at = 2;
    let mut in_scan = false;
    loop {
        // Find the next marker: between segments stray bytes are skipped, within a scan coded data are.
        let Some(step) = bytes.get(at..).and_then(|rest| rest.iter().position(|b| *b == 0xff)) else {
            return Err(cut(bytes.len(), if in_scan { "the end marker" } else { "a picture" }));
        };
        at += step;
        let Some(&marker) = bytes.get(at + 1) else { return Err(cut(bytes.len(), "the end marker")) };
        match marker {
            0xff => at += 1,
            0x00 | 0x01 | 0xd0..=0xd8 => at += 2,
            0xd9 if in_scan => return Ok(()),
            0xd9 => return Err(cut(at, "a picture")),
            _ => {
                let Some(length) = bytes.get(at + 2..at + 4) else { return Err(cut(bytes.len(), "the end marker")) };
                let length = usize::from(length[0]) << 8 | usize::from(length[1]);
                // Start of frame: sample depth, height, width. C4, C8 and CC are other things.
                if matches!(marker, 0xc0..=0xc3 | 0xc5..=0xc7 | 0xc9..=0xcb | 0xcd..=0xcf)
                    && let Some(&[_bits, h1, h0, w1, w0, channels]) = bytes.get(at + 4..at + 10)
                {
                    let sixteen = |high: u8, low: u8| u64::from(high) << 8 | u64::from(low);
                    limits.check(sixteen(w1, w0), sixteen(h1, h0), u64::from(channels))?;
                }
                in_scan |= marker == 0xda;
                at += 2 + length.max(2);
            }
        }
    }
}
