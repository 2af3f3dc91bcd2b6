//! JPEG through zune-jpeg, strict about the picture itself: a picture that ends early is refused and not
//! filled up with grey, as lenient decoders do.

use zune_jpeg::JpegDecoder;
use zune_jpeg::zune_core::bytestream::ZCursor;
use zune_jpeg::zune_core::colorspace::ColorSpace;
use zune_jpeg::zune_core::options::DecoderOptions;

use super::decode::Decoded;
use super::error::PhotoErrorKind;
use super::format::Format;
use super::jpeg_scan;
use super::limits::Limits;
use super::raster::{Raster, Samples};

const NAME: &str = Format::Jpeg.name();

pub(super) fn decode(bytes: &[u8], limits: &Limits) -> Result<Decoded, PhotoErrorKind> {
    // Neither needs the other, and both take time; the picture takes longest and is begun first, so that another processor walks
    // (and hashes) meanwhile. What the walk finds is said first.
    let (decoded, complete) = rayon::join(|| picture(bytes, limits), || jpeg_scan::check(bytes, limits));
    complete?;
    decoded
}

fn picture(bytes: &[u8], limits: &Limits) -> Result<Decoded, PhotoErrorKind> {
    let damaged = |e: &dyn std::fmt::Display| PhotoErrorKind::Damaged { format: NAME, detail: e.to_string() };
    let unsupported = |what: String| PhotoErrorKind::Unsupported { format: NAME, what, advice: "a grey or RGB JPEG" };

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
