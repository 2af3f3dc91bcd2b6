//! A photograph, opened.

use std::fmt;
use std::fs::File;
use std::io::Read;
use std::path::Path;
use std::sync::Arc;

use sha2::{Digest, Sha256};

use super::convert::{Channel, Coded};
use super::decode::{self, Decoded};
use super::error::{PhotoError, PhotoErrorKind};
use super::format::Format;
use super::icc::Profile;
use super::levels;
use super::light::Light;
use super::limits::Limits;
use super::metadata::Metadata;
use super::noise::NoiseModel;
use super::raster::{Raster, Samples};
use super::tone::Transfer;
use super::warning::PhotoWarning;

/// A decoded picture, turned as seen, at its full depth, with what its file says about it.
///
/// Holds 1 or 3 samples a pixel of 1 or 2 bytes, which clones and the [`Light`] of it share.
#[derive(Clone)]
pub struct Photo {
    raster: Arc<Raster>,
    recorded_px: (usize, usize),
    format: Format,
    lossy: bool,
    metadata: Metadata,
    transfer: Transfer,
    full_scale: u16,
    sha256: String,
    file_bytes: u64,
    warnings: Vec<PhotoWarning>,
}

impl fmt::Debug for Photo {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Photo")
            .field("format", &self.format)
            .field("width_px", &self.width())
            .field("height_px", &self.height())
            .field("bits", &self.bits())
            .field("channels", &self.raster.channels)
            .field("sha256", &self.sha256)
            .finish_non_exhaustive()
    }
}

impl Photo {
    /// Opens a JPEG, PNG, TIFF or BMP file, recognised by its content; EXIF orientation is applied.
    ///
    /// # Errors
    /// [`PhotoError`] with the file's name: unreadable, empty, cut short, damaged, of another kind, or above a limit.
    pub fn open(path: impl AsRef<Path>, limits: &Limits) -> Result<Self, PhotoError> {
        let path = path.as_ref();
        let open = || Self::from_bytes_kind(&read_file(path, limits)?, limits);
        open().map_err(|kind| PhotoError::at(kind, path))
    }

    /// The same from the content of a file.
    ///
    /// # Errors
    /// [`PhotoError`] as for [`Photo::open`], without a name.
    pub fn from_bytes(bytes: &[u8], limits: &Limits) -> Result<Self, PhotoError> {
        Ok(Self::from_bytes_kind(bytes, limits)?)
    }

    fn from_bytes_kind(bytes: &[u8], limits: &Limits) -> Result<Self, PhotoErrorKind> {
        let format = Format::of_content(bytes)?;
        let (decoded, sha256) = rayon::join(|| decode::decode(format, bytes, limits), || sha256_hex(bytes));
        let Decoded { raster, icc, png_gamma, transparent, pages, lossy } = decoded?;
        let metadata = if format == Format::Bmp { Metadata::default() } else { Metadata::read(bytes) };
        let mut warnings = Vec::new();
        let transfer = transfer_of(icc.as_deref(), png_gamma, &mut warnings);
        let recorded_px = (raster.width, raster.height);
        if pages > 1 {
            warnings.push(PhotoWarning::MorePictures { count: pages });
        }
        if transparent {
            warnings.push(PhotoWarning::Transparent);
        }
        if let (Some(w), Some(h)) = (metadata.stated_width_px, metadata.stated_height_px) {
            let decoded = (recorded_px.0 as u64, recorded_px.1 as u64);
            let stated = (u64::from(w), u64::from(h));
            // Programs that turn the pixels often leave the statement as it was.
            if decoded != stated && (decoded.1, decoded.0) != stated {
                warnings.push(PhotoWarning::SizeDiffers { stated_px: stated, decoded_px: decoded });
            }
        }
        let full_scale = levels::full_scale(&raster, lossy);
        warnings.extend(levels::pile_up(&raster, full_scale));
        let raster = Arc::new(raster.oriented(metadata.orientation));
        let file_bytes = bytes.len() as u64;
        Ok(Self { raster, recorded_px, format, lossy, metadata, transfer, full_scale, sha256, file_bytes, warnings })
    }

    /// Columns as seen.
    #[must_use]
    pub fn width(&self) -> usize {
        self.raster.width
    }

    /// Rows as seen.
    #[must_use]
    pub fn height(&self) -> usize {
        self.raster.height
    }

    /// Columns and rows as recorded, before EXIF orientation.
    #[must_use]
    pub const fn recorded_px(&self) -> (usize, usize) {
        self.recorded_px
    }

    /// The format of the file, by its content.
    #[must_use]
    pub const fn format(&self) -> Format {
        self.format
    }

    /// True when the samples went through a lossy compression, which smooths noise and rings at edges.
    #[must_use]
    pub const fn is_lossy(&self) -> bool {
        self.lossy
    }

    /// Bits of a sample, 8 or 16; fewer bits are widened.
    #[must_use]
    pub fn bits(&self) -> u32 {
        self.raster.bits()
    }

    /// True for a picture without colours.
    #[must_use]
    pub fn is_grey(&self) -> bool {
        self.raster.channels == 1
    }

    /// What the camera wrote beside the picture.
    #[must_use]
    pub const fn metadata(&self) -> &Metadata {
        &self.metadata
    }

    /// SHA-256 of the file (FIPS 180-4), 64 lower-case hexadecimal digits.
    #[must_use]
    pub fn sha256(&self) -> &str {
        &self.sha256
    }

    /// Size of the file in bytes.
    #[must_use]
    pub const fn file_bytes(&self) -> u64 {
        self.file_bytes
    }

    /// The tone curve that the file declares, sRGB where it declares none.
    #[must_use]
    pub const fn transfer(&self) -> Transfer {
        self.transfer
    }

    /// The code from which on a sample counts as clipped, out of 255 or 65,535.
    ///
    /// It is 255 or 65,535; 254 where the file is lossy, because the compression moves clipped samples by a
    /// code; and the highest code of 10, 12 or 14 bits where a 16-bit file ends with a pile-up there.
    #[must_use]
    pub const fn full_scale(&self) -> u16 {
        self.full_scale
    }

    /// What a person should know about this picture.
    #[must_use]
    pub fn warnings(&self) -> &[PhotoWarning] {
        &self.warnings
    }

    /// Linear light by the file's own tone curve, with what is clipped: a view of the samples, made at once and without memory of its own.
    ///
    /// A pixel is clipped in a mixture of channels when any of its samples is at [`Photo::full_scale`] or all are 0, in a
    /// single channel when that sample is. A grey picture gives the same light for every channel.
    ///
    /// # Accuracy
    /// The curve is exact (tables of every code), rounded to `f32`: 2e-7 relative.
    #[must_use]
    pub fn light(&self, channel: Channel) -> Light {
        self.light_by(channel, self.transfer)
    }

    /// The same by a tone curve that is known better than the file knows it.
    #[must_use]
    pub fn light_by(&self, channel: Channel, transfer: Transfer) -> Light {
        Light::of_codes(Coded::new(Arc::clone(&self.raster), channel, transfer, self.full_scale))
    }

    /// The noise of one channel, told from the picture itself; `None` where too little of it is unclipped.
    ///
    /// Never less than the rounding to codes makes it. Lossy pictures have lost noise that is finer than their
    /// blocks: see [`NoiseModel::coarseness`]. Takes the light that [`Photo::light`] gives.
    #[must_use]
    pub fn noise(&self, light: &Light) -> Option<NoiseModel> {
        let step = if self.bits() == 8 { 1.0 / 255.0 } else { 1.0 / 65_535.0 };
        NoiseModel::with_codes(light, step, self.transfer)
    }

    /// The samples as they were decoded, where they have 8 bits: one (grey) or three a pixel, row by row; `None` where they have 16.
    #[must_use]
    pub fn samples8(&self) -> Option<&[u8]> {
        match &self.raster.samples {
            Samples::Eight(v) => Some(v),
            Samples::Sixteen(_) => None,
        }
    }

    /// The picture for showing: 8 bits a sample, one (grey) or three a pixel, row by row, by the file's own tone curve.
    #[must_use]
    pub fn packed8(&self) -> Vec<u8> {
        match &self.raster.samples {
            Samples::Eight(v) => v.clone(),
            Samples::Sixteen(v) => v.iter().map(|s| eight_of(*s)).collect(),
        }
    }

    /// The same as red, green, blue and an opaque fourth byte.
    #[must_use]
    pub fn rgba8(&self) -> Vec<u8> {
        fn rgba<T: Copy>(samples: &[T], channels: usize, eight: impl Fn(T) -> u8) -> Vec<u8> {
            match channels {
                1 => samples.iter().flat_map(|s| [eight(*s), eight(*s), eight(*s), 255]).collect(),
                _ => samples
                    .as_chunks::<3>()
                    .0
                    .iter()
                    .flat_map(|p| [eight(p[0]), eight(p[1]), eight(p[2]), 255])
                    .collect(),
            }
        }
        match &self.raster.samples {
            Samples::Eight(v) => rgba(v, self.raster.channels, |s| s),
            Samples::Sixteen(v) => rgba(v, self.raster.channels, eight_of),
        }
    }
}

/// Rounded, so that 255 × 257 is 255 and 0 is 0.
fn eight_of(sample: u16) -> u8 {
    ((u32::from(sample) * 255 + 32_767) / 65_535) as u8
}

/// Reads a file whole, within the limit even where the file system misstates its size.
fn read_file(path: &Path, limits: &Limits) -> Result<Vec<u8>, PhotoErrorKind> {
    let about = std::fs::metadata(path).map_err(PhotoErrorKind::Io)?;
    if about.is_dir() {
        return Err(PhotoErrorKind::NotAFile("a folder"));
    }
    if !about.is_file() {
        return Err(PhotoErrorKind::NotAFile("a device or pipe"));
    }
    let limit = limits.max_file_bytes;
    if about.len() > limit {
        return Err(PhotoErrorKind::FileTooLarge { bytes: about.len(), limit });
    }
    let mut bytes = Vec::with_capacity(usize::try_from(about.len()).unwrap_or(0) + 1);
    let file = File::open(path).map_err(PhotoErrorKind::Io)?;
    file.take(limit.saturating_add(1)).read_to_end(&mut bytes).map_err(PhotoErrorKind::Io)?;
    if bytes.len() as u64 > limit {
        return Err(PhotoErrorKind::FileTooLarge { bytes: bytes.len() as u64, limit });
    }
    Ok(bytes)
}

fn sha256_hex(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().map(|b| format!("{b:02x}")).collect()
}

/// The curve to use: the profile's where it is a power or sRGB, then the PNG's gamma, then sRGB.
fn transfer_of(icc: Option<&[u8]>, png_gamma: Option<f64>, warnings: &mut Vec<PhotoWarning>) -> Transfer {
    if let Some(profile) = icc.and_then(Profile::read) {
        if !profile.is_srgb() {
            warnings.push(PhotoWarning::Profile { name: profile.name, transfer: profile.transfer });
        }
        return profile.transfer.unwrap_or_default();
    }
    // 0.45455 is what writers of sRGB put beside it; powers far from any curve in use are not believed.
    match png_gamma {
        Some(g) if (0.2..=1.5).contains(&g) && (g - 0.454_55).abs() > 0.002 => {
            let transfer = Transfer::power(1.0 / g);
            warnings.push(PhotoWarning::Gamma { transfer });
            transfer
        }
        _ => Transfer::Srgb,
    }
}
