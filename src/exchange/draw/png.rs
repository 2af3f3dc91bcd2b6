//! Pixels to PNG, with the scale where it is known.

use image::codecs::png::{CompressionType, FilterType, PngEncoder};
use image::{ExtendedColorType, ImageEncoder};

use super::DrawError;
use crate::units::PxPerUm;

/// Encodes opaque red, green, blue pixels, 8 bits, row by row, as a PNG.
///
/// # Errors
/// [`DrawError`] from the encoder, also where the samples do not fill the size.
pub fn encode_rgb(rgb: &[u8], width_px: usize, height_px: usize) -> Result<Vec<u8>, DrawError> {
    if rgb.len() != 3 * width_px * height_px {
        return Err(DrawError::Size { width_px, height_px, limit_px: super::MAX_SIDE_PX });
    }
    let mut png = Vec::new();
    let encoder = PngEncoder::new_with_quality(&mut png, CompressionType::Fast, FilterType::Adaptive);
    encoder.write_image(rgb, width_px as u32, height_px as u32, ExtendedColorType::Rgb8)?;
    Ok(png)
}

/// Encodes opaque red, green, blue, alpha pixels; a scale goes into the pHYs chunk.
pub(super) fn encoded(rgba: &[u8], width: usize, height: usize, scale: Option<PxPerUm>) -> Result<Vec<u8>, DrawError> {
    let rgb: Vec<u8> = rgba.as_chunks::<4>().0.iter().flat_map(|p| [p[0], p[1], p[2]]).collect();
    let mut png = Vec::new();
    let encoder = PngEncoder::new_with_quality(&mut png, CompressionType::Fast, FilterType::Adaptive);
    encoder.write_image(&rgb, width as u32, height as u32, ExtendedColorType::Rgb8)?;
    if let Some(chunk) = scale.and_then(physical_size) {
        // Behind the signature (8 bytes) and the header chunk (25 bytes).
        let _replaced: Vec<u8> = png.splice(33..33, chunk).collect();
    }
    Ok(png)
}

/// The pHYs chunk: pixels per metre on the specimen, both ways (PNG 3rd edition, 11.3.4.3).
///
/// Rounded to whole pixels per metre, below 1e-6 relative for scales above 0.5 px/µm. `None` where that is
/// no 32-bit number above 0.
pub(in crate::exchange) fn physical_size(scale: PxPerUm) -> Option<Vec<u8>> {
    let per_metre = (scale.get() * 1e6).round();
    if !(1.0..=2_147_483_647.0).contains(&per_metre) {
        return None;
    }
    let per_metre = (per_metre as u32).to_be_bytes();
    let body = [&b"pHYs"[..], &per_metre, &per_metre, &[1]].concat();
    Some([&9_u32.to_be_bytes()[..], &body, &crc32(&body).to_be_bytes()].concat())
}

/// CRC-32 as PNG has it (ISO/IEC 15948, annex D).
fn crc32(bytes: &[u8]) -> u32 {
    !bytes.iter().fold(u32::MAX, |crc, byte| {
        (0..8).fold(crc ^ u32::from(*byte), |c, _bit| if c & 1 == 1 { 0xedb8_8320 ^ c >> 1 } else { c >> 1 })
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_check_sum_is_that_of_the_standard() {
        // The check value of CRC-32/ISO-HDLC for "123456789".
        assert_eq!(crc32(b"123456789"), 0xcbf4_3926);
        // And of an empty IEND chunk, the last eight bytes of every PNG.
        assert_eq!(crc32(b"IEND"), 0xae42_6082);
    }

    #[test]
    fn the_scale_is_pixels_per_metre_of_specimen() {
        // 0.8 µm pixels are 1.25 px/µm, 1,250,000 px/m.
        let png = encoded(&[9; 16], 2, 2, Some(PxPerUm::new(1.25))).unwrap();
        assert_eq!(&png[33..50], b"\0\0\0\x09pHYs\0\x13\x12\xd0\0\x13\x12\xd0\x01");
        assert!(image::load_from_memory(&png).is_ok());
        assert_eq!(physical_size(PxPerUm::new(f64::NAN)), None);
        assert_eq!(physical_size(PxPerUm::new(1e9)), None);
    }
}
