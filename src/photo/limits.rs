//! How much a picture may ask for before it is refused.

use super::error::PhotoErrorKind;

/// Limits against files that ask for more memory than a photograph needs. All are checked against the
/// header, before anything of that size is allocated.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limits {
    /// Largest size of the file in bytes.
    pub max_file_bytes: u64,
    /// Largest width and largest height in pixels.
    pub max_side_px: u32,
    /// Largest number of pixels.
    pub max_pixels: u64,
    /// Largest decoded size in bytes, as the file has its channels.
    pub max_decoded_bytes: u64,
}

impl Default for Limits {
    /// 2 GiB of file, 50,000 px a side, 300 megapixels, 2 GiB decoded: twice what the largest
    /// cameras record, at 16 bits a channel.
    fn default() -> Self {
        Self { max_file_bytes: 2 << 30, max_side_px: 50_000, max_pixels: 300_000_000, max_decoded_bytes: 2 << 30 }
    }
}

impl Limits {
    /// Refuses a picture whose header asks for too much.
    pub(super) fn check(&self, width_px: u64, height_px: u64, bytes_per_pixel: u64) -> Result<(), PhotoErrorKind> {
        let side = u64::from(self.max_side_px);
        if width_px > side || height_px > side || width_px * height_px > self.max_pixels {
            return Err(PhotoErrorKind::TooManyPixels {
                width_px,
                height_px,
                limit_side_px: self.max_side_px,
                limit_pixels: self.max_pixels,
            });
        }
        let bytes = width_px * height_px * bytes_per_pixel;
        if bytes > self.max_decoded_bytes {
            return Err(PhotoErrorKind::TooMuchMemory { bytes, limit: self.max_decoded_bytes });
        }
        Ok(())
    }
}
