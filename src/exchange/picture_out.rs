//! Pictures that leave with their scale in the metadata the open formats have for it, and with what the camera wrote.
//!
//! The scale means pixels on the specimen: `pHYs` of PNG in pixels per metre, density of JFIF and resolution of TIFF in pixels per
//! centimetre, `PhysicalSizeX` of OME-XML in micrometres. EXIF goes along with its orientation set to upright, since the pixels are
//! turned, and without its thumbnail, which would show the picture without the drawing.

use std::io::Cursor;
use std::panic::{AssertUnwindSafe, catch_unwind};

use image::codecs::jpeg::{JpegEncoder, PixelDensity, PixelDensityUnit};
use image::codecs::png::{CompressionType, FilterType, PngEncoder};
use image::{ExtendedColorType, ImageEncoder};
use tiff::encoder::{Compression, DeflateLevel, Rational, TiffEncoder, colortype};
use tiff::tags::{ResolutionUnit, Tag};

use super::draw::{DrawError, Overlay, physical_size};
use crate::photo::{Metadata, Photo};
use crate::units::PxPerUm;

/// The format of a picture that leaves.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Format {
    /// PNG, without loss.
    Png,
    /// JPEG, quality 95.
    Jpeg,
    /// TIFF with OME-XML, without loss.
    Tiff,
}

impl Format {
    /// The ending of its files' names.
    #[must_use]
    pub const fn ending(self) -> &'static str {
        match self {
            Self::Png => "png",
            Self::Jpeg => "jpg",
            // Two endings tell readers to look for OME-XML.
            Self::Tiff => "ome.tif",
        }
    }
}

/// Why a picture cannot be written.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum PictureError {
    /// Drawing failed.
    #[error(transparent)]
    Draw(#[from] DrawError),
    /// The encoder of PNG or JPEG failed.
    #[error("cannot encode the picture: {0}")]
    Encode(#[from] image::ImageError),
    /// The encoder of TIFF failed.
    #[error("cannot encode the picture as TIFF: {0}")]
    Tiff(#[from] tiff::TiffError),
}

/// A picture ready to be written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Written {
    /// The file's content.
    pub bytes: Vec<u8>,
    /// True where the scale stands in the metadata; false where there is none or the format cannot hold it.
    pub has_scale: bool,
}

/// Draws `overlay` over the photograph and encodes it at full size. `original` is the content of the photograph's own file, from which
/// EXIF is taken; `name` goes into OME-XML.
///
/// # Errors
/// [`PictureError`].
pub fn encode(
    photo: &Photo,
    overlay: &Overlay,
    original: &[u8],
    name: &str,
    format: Format,
) -> Result<Written, PictureError> {
    let (rgba, _bar) = overlay.draw_rgba(photo)?;
    let rgb: Vec<u8> = rgba.as_chunks::<4>().0.iter().flat_map(|p| [p[0], p[1], p[2]]).collect();
    let size = (photo.width() as u32, photo.height() as u32);
    let scale = overlay.scale_bar.map(|bar| bar.scale);
    match format {
        Format::Png => png(&rgb, size, scale, original),
        Format::Jpeg => jpeg(&rgb, size, scale, original, 95),
        Format::Tiff => tiff(&rgb, size, scale, photo.metadata(), name),
    }
}

fn png(rgb: &[u8], (w, h): (u32, u32), scale: Option<PxPerUm>, original: &[u8]) -> Result<Written, PictureError> {
    let mut bytes = Vec::new();
    let mut encoder = PngEncoder::new_with_quality(&mut bytes, CompressionType::Fast, FilterType::Adaptive);
    if let Some(exif) = kept_exif(original, scale) {
        // A format that cannot hold it goes without.
        drop(encoder.set_exif_metadata(exif));
    }
    encoder.write_image(rgb, w, h, ExtendedColorType::Rgb8)?;
    let chunk = scale.and_then(physical_size);
    let has_scale = chunk.is_some();
    if let Some(chunk) = chunk {
        // Behind the signature (8 bytes) and the header chunk (25 bytes).
        let _replaced: Vec<u8> = bytes.splice(33..33, chunk).collect();
    }
    Ok(Written { bytes, has_scale })
}

/// Encodes red, green, blue pixels as JPEG with the scale as density.
pub(super) fn jpeg(
    rgb: &[u8],
    (w, h): (u32, u32),
    scale: Option<PxPerUm>,
    original: &[u8],
    quality: u8,
) -> Result<Written, PictureError> {
    let mut bytes = Vec::new();
    let mut encoder = JpegEncoder::new_with_quality(&mut bytes, quality);
    let density = scale.map(per_cm).filter(|d| (1.0..=65_535.0).contains(d)).map(|d| d as u16);
    if let Some(d) = density {
        encoder.set_pixel_density(PixelDensity { density: (d, d), unit: PixelDensityUnit::Centimeters });
    }
    if let Some(exif) = kept_exif(original, scale) {
        // An APP1 segment holds 65,533 bytes at most; longer notes stay behind.
        if exif.len() < 65_000 {
            drop(encoder.set_exif_metadata(exif));
        }
    }
    encoder.write_image(rgb, w, h, ExtendedColorType::Rgb8)?;
    Ok(Written { bytes, has_scale: density.is_some() })
}

/// Pixels per centimetre of specimen, whole.
fn per_cm(scale: PxPerUm) -> f64 {
    (scale.get() * 1e4).round()
}

fn tiff(
    rgb: &[u8],
    (w, h): (u32, u32),
    scale: Option<PxPerUm>,
    metadata: &Metadata,
    name: &str,
) -> Result<Written, PictureError> {
    let mut bytes = Cursor::new(Vec::new());
    let mut encoder = TiffEncoder::new(&mut bytes)?.with_compression(Compression::Deflate(DeflateLevel::default()));
    let mut image = encoder.new_image::<colortype::RGB8>(w, h)?;
    let mut tags = vec![(Tag::ImageDescription, ome_xml((w, h), scale, metadata, name))];
    tags.extend(metadata.camera_make.as_deref().map(|t| (Tag::Make, ascii(t))));
    tags.extend(metadata.camera_model.as_deref().map(|t| (Tag::Model, ascii(t))));
    tags.extend(metadata.taken.as_deref().and_then(tiff_date).map(|t| (Tag::DateTime, t)));
    tags.push((Tag::Software, concat!("motestick ", env!("CARGO_PKG_VERSION")).to_owned()));
    for (tag, text) in tags {
        image.encoder().write_tag(tag, text.as_str())?;
    }
    let resolution = scale.and_then(rational_per_cm);
    if let Some((n, d)) = resolution {
        image.resolution(ResolutionUnit::Centimeter, Rational { n, d });
    }
    image.write_data(rgb)?;
    Ok(Written { bytes: bytes.into_inner(), has_scale: scale.is_some() })
}

/// Pixels per centimetre as a fraction of 32-bit numbers, to 1e-6 or better for scales of 0.001 to 400 px/µm.
fn rational_per_cm(scale: PxPerUm) -> Option<(u32, u32)> {
    let value = scale.get() * 1e4;
    let d = [100_000_u32, 1000, 10, 1].into_iter().find(|d| value * f64::from(*d) < 4e9)?;
    let n = (value * f64::from(d)).round();
    (n >= 1.0).then_some((n as u32, d))
}

/// `2024-05-01T10:00:00` as TIFF 6.0 has it.
fn tiff_date(iso: &str) -> Option<String> {
    let text = iso.get(..19)?;
    Some(text.replacen('-', ":", 2).replacen('T', " ", 1))
}

fn ascii(text: &str) -> String {
    text.chars().map(|c| if c.is_ascii() && !c.is_ascii_control() { c } else { '?' }).collect()
}

/// The description that readers of OME-TIFF look for: the size of a pixel on the specimen.
///
/// # Source
/// Open Microscopy Environment, OME model, schema of June 2016.
fn ome_xml((w, h): (u32, u32), scale: Option<PxPerUm>, metadata: &Metadata, name: &str) -> String {
    let size = scale.map_or_else(String::new, |s| {
        let um = 1.0 / s.get();
        format!(
            " PhysicalSizeX=\"{um}\" PhysicalSizeXUnit=\"&#181;m\" PhysicalSizeY=\"{um}\" PhysicalSizeYUnit=\"&#181;m\""
        )
    });
    let taken = metadata
        .taken
        .as_deref()
        .map_or_else(String::new, |t| format!("<AcquisitionDate>{}</AcquisitionDate>", xml(t)));
    format!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?><OME xmlns=\"http://www.openmicroscopy.org/Schemas/OME/2016-06\" xmlns:xsi=\"http://www.w3.org/2001/XMLSchema-instance\" xsi:schemaLocation=\"http://www.openmicroscopy.org/Schemas/OME/2016-06 http://www.openmicroscopy.org/Schemas/OME/2016-06/ome.xsd\"><Image ID=\"Image:0\" Name=\"{}\">{taken}<Pixels ID=\"Pixels:0\" DimensionOrder=\"XYCZT\" Type=\"uint8\" SizeX=\"{w}\" SizeY=\"{h}\" SizeZ=\"1\" SizeC=\"3\" SizeT=\"1\"{size}><Channel ID=\"Channel:0:0\" SamplesPerPixel=\"3\"/><TiffData IFD=\"0\" PlaneCount=\"1\"/></Pixels></Image></OME>",
        xml(name)
    )
}

/// Text for XML in ASCII alone.
fn xml(text: &str) -> String {
    let one = |c: char| match c {
        '&' | '<' | '>' | '"' => format!("&#{};", u32::from(c)),
        c if c.is_control() => " ".to_owned(),
        c if c.is_ascii() => c.to_string(),
        c => format!("&#{};", u32::from(c)),
    };
    text.chars().map(one).collect()
}

/// The EXIF of a file, upright, with the scale in place of a resolution that meant nothing, without its thumbnail.
fn kept_exif(original: &[u8], scale: Option<PxPerUm>) -> Option<Vec<u8>> {
    // Notes that cannot be read are left behind; those that can be in part are kept.
    let read = || {
        let mut reader = exif::Reader::new();
        reader.continue_on_error(true);
        let read = reader.read_from_container(&mut Cursor::new(original));
        read.or_else(|e| e.distill_partial_result(|_minor| {})).ok().map(|e| e.buf().to_vec())
    };
    let mut exif = catch_unwind(AssertUnwindSafe(read)).ok().flatten()?;
    patch(&mut exif, scale)?;
    Some(exif)
}

const ORIENTATION: u16 = 0x0112;
const X_RESOLUTION: u16 = 0x011a;
const Y_RESOLUTION: u16 = 0x011b;
const RESOLUTION_UNIT: u16 = 0x0128;

/// Changes what no longer holds in a TIFF structure. `None` where it is not one.
fn patch(exif: &mut [u8], scale: Option<PxPerUm>) -> Option<()> {
    let big = match exif.get(..4)? {
        b"MM\0\x2a" => true,
        b"II\x2a\0" => false,
        _ => return None,
    };
    let get16 = |b: &[u8], at: usize| {
        b.get(at..at + 2).map(|v| if big { u16::from_be_bytes([v[0], v[1]]) } else { u16::from_le_bytes([v[0], v[1]]) })
    };
    let get32 = |b: &[u8], at: usize| {
        b.get(at..at + 4).map(|v| {
            if big {
                u32::from_be_bytes([v[0], v[1], v[2], v[3]])
            } else {
                u32::from_le_bytes([v[0], v[1], v[2], v[3]])
            }
        })
    };
    let four = |v: u32| if big { v.to_be_bytes() } else { v.to_le_bytes() };
    let two = |v: u16| if big { v.to_be_bytes() } else { v.to_le_bytes() };
    let first = get32(exif, 4)? as usize;
    let count = usize::from(get16(exif, first)?);
    let put = |exif: &mut [u8], at: usize, bytes: &[u8]| {
        if let Some(place) = exif.get_mut(at..at + bytes.len()) {
            place.copy_from_slice(bytes);
        }
    };
    for i in 0..count {
        let at = first + 2 + 12 * i;
        match get16(exif, at)? {
            ORIENTATION => put(exif, at + 8, &two(1)),
            RESOLUTION_UNIT if scale.is_some() => put(exif, at + 8, &two(3)),
            X_RESOLUTION | Y_RESOLUTION => {
                if let (Some((n, d)), Some(value)) = (scale.and_then(rational_per_cm), get32(exif, at + 8)) {
                    put(exif, value as usize, &[four(n), four(d)].concat());
                }
            }
            _ => {}
        }
    }
    put(exif, first + 2 + 12 * count, &four(0));
    Some(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::photo::Limits;

    /// A small picture with notes: make, orientation 6, 72 dpi, and a thumbnail's directory.
    fn noted() -> Vec<u8> {
        let mut exif = b"MM\0\x2a\0\0\0\x08\0\x04".to_vec();
        let mut entry = |tag: u16, kind: u16, count: u32, value: [u8; 4]| {
            exif.extend([&tag.to_be_bytes()[..], &kind.to_be_bytes(), &count.to_be_bytes(), &value].concat());
        };
        entry(0x010f, 2, 4, *b"own\0");
        entry(ORIENTATION, 3, 1, [0, 6, 0, 0]);
        entry(X_RESOLUTION, 5, 1, 62_u32.to_be_bytes());
        entry(RESOLUTION_UNIT, 3, 1, [0, 2, 0, 0]);
        exif.extend(99_u32.to_be_bytes());
        exif.extend([72_u32.to_be_bytes(), 1_u32.to_be_bytes()].concat());
        let mut bytes = Vec::new();
        let mut encoder = JpegEncoder::new_with_quality(&mut bytes, 90);
        encoder.set_exif_metadata(exif).unwrap();
        encoder.write_image(&[128; 3 * 64 * 48], 64, 48, ExtendedColorType::Rgb8).unwrap();
        bytes
    }

    #[test]
    fn every_format_carries_the_scale_and_what_the_camera_wrote() {
        use super::super::draw::{Corner, ScaleBar};
        let original = noted();
        let photo = Photo::from_bytes(&original, &Limits::default()).unwrap();
        assert_eq!((photo.width(), photo.height()), (48, 64), "turned by its EXIF");
        let bar = ScaleBar { scale: PxPerUm::new(1.25), corner: Corner::BottomRight };
        let overlay = Overlay { items: vec![], scale_bar: Some(bar) };
        for format in [Format::Png, Format::Jpeg, Format::Tiff] {
            let written = encode(&photo, &overlay, &original, "a <b> µ", format).unwrap();
            assert!(written.has_scale);
            let back = Photo::from_bytes(&written.bytes, &Limits::default()).unwrap();
            assert_eq!((back.width(), back.height()), (48, 64), "{format:?} is not turned again");
            assert_eq!(back.metadata().camera_make.as_deref(), Some("own"), "{format:?}");
            // 1.25 px/µm is 12,500 px/cm.
            let exif = exif::Reader::new().read_from_container(&mut Cursor::new(&written.bytes)).unwrap();
            let field = |tag| exif.get_field(tag, exif::In::PRIMARY).map(|f| f.display_value().to_string());
            assert_eq!(field(exif::Tag::XResolution).as_deref(), Some("12500"), "{format:?}");
            assert_eq!(field(exif::Tag::ResolutionUnit).as_deref(), Some("cm"), "{format:?}");
            assert!(exif.get_field(exif::Tag::Make, exif::In::THUMBNAIL).is_none());
        }
        let jpeg = encode(&photo, &overlay, &original, "", Format::Jpeg).unwrap().bytes;
        // JFIF 1.02: units 2 are pixels per centimetre.
        let at = jpeg.windows(5).position(|w| w == b"JFIF\0").unwrap();
        assert_eq!(&jpeg[at + 7..at + 12], &[2, 0x30, 0xd4, 0x30, 0xd4]);
    }

    #[test]
    fn scales_that_a_format_cannot_hold_are_left_out() {
        assert!(!jpeg(&[0; 12], (2, 2), Some(PxPerUm::new(7.0)), b"", 90).unwrap().has_scale);
        assert_eq!(rational_per_cm(PxPerUm::new(0.8)), Some((800_000_000, 100_000)));
        assert_eq!(rational_per_cm(PxPerUm::new(f64::NAN)), None);
        assert_eq!(tiff_date("2024-05-01T10:00:00+02:00").as_deref(), Some("2024:05:01 10:00:00"));
        assert_eq!(xml("a<µ"), "a&#60;&#181;");
    }

    #[test]
    fn nonsense_in_notes_does_no_harm() {
        for bytes in
            [&b"II\x2a\0\xff\xff\xff\xff"[..], b"MM\0\x2a\0\0\0\x08\xff\xff", b"MM", b"", b"XX\0\x2a\0\0\0\x08"]
        {
            assert_eq!(patch(&mut bytes.to_vec(), None), None);
        }
    }
}
