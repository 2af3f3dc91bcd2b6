//! What a file holds, told by its content and never by its name.

use super::error::PhotoErrorKind;
use super::tiff_tags;

/// A format that is read.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Format {
    /// JPEG: 8 bits, lossy.
    Jpeg,
    /// PNG: 1 to 16 bits, lossless.
    Png,
    /// TIFF: 1 to 16 bits here.
    Tiff,
    /// Windows bitmap.
    Bmp,
}

impl Format {
    /// Its usual name.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Jpeg => "JPEG",
            Self::Png => "PNG",
            Self::Tiff => "TIFF",
            Self::Bmp => "BMP",
        }
    }

    /// Recognises the content.
    ///
    /// # Errors
    /// [`PhotoErrorKind::Empty`], [`PhotoErrorKind::DevelopFirst`] for camera raw files, HEIC, video and
    /// other formats that have to be converted, [`PhotoErrorKind::UnknownFormat`] otherwise.
    pub fn of_content(bytes: &[u8]) -> Result<Self, PhotoErrorKind> {
        if bytes.is_empty() {
            return Err(PhotoErrorKind::Empty);
        }
        if bytes.starts_with(b"\xff\xd8\xff") {
            return Ok(Self::Jpeg);
        }
        if bytes.starts_with(b"\x89PNG\r\n\x1a\n") {
            return Ok(Self::Png);
        }
        if let Some((what, advice)) = convert_first(bytes) {
            return Err(PhotoErrorKind::DevelopFirst { what, advice });
        }
        if tiff_tags::is_tiff(bytes) {
            return Ok(Self::Tiff);
        }
        if bytes.starts_with(b"BM") && bytes.len() >= 18 {
            return Ok(Self::Bmp);
        }
        let head: Vec<String> = bytes.iter().take(8).map(|b| format!("{b:02x}")).collect();
        Err(PhotoErrorKind::UnknownFormat(head.join(" ")))
    }
}

const DEVELOP: &str =
    "develop it to TIFF, PNG or JPEG at full size, without cropping or lens correction, and open that";
const CONVERT: &str = "save it as TIFF or PNG at full size and open that";
const FRAME: &str = "save the frame you want as PNG at full size and open that";

fn convert_first(bytes: &[u8]) -> Option<(&'static str, &'static str)> {
    let at = |offset: usize, text: &[u8]| bytes.get(offset..offset + text.len()) == Some(text);
    const RAW: (&str, &str) = ("a camera raw file", DEVELOP);
    const VIDEO: (&str, &str) = ("a video file", FRAME);
    if at(0, b"FUJIFILMCCD-RAW")
        || at(0, b"IIRO")
        || at(0, b"IIRS")
        || at(0, b"MMOR")
        || at(0, b"IIU\0")
        || at(0, b"FOVb")
        || at(0, b"\0MRM")
        || at(0, b"HEAPCCDR")
        || (at(0, b"II*\0") && at(8, b"CR"))
        || (tiff_tags::is_tiff(bytes) && tiff_tags::looks_raw(bytes))
    {
        return Some(RAW);
    }
    if at(4, b"ftyp") {
        let brand = bytes.get(8..12)?;
        return Some(match brand {
            b"crx " => RAW,
            b"heic" | b"heix" | b"heim" | b"heis" | b"hevc" | b"hevx" | b"mif1" | b"msf1" => {
                ("an HEIC picture", DEVELOP)
            }
            b"avif" | b"avis" => ("an AVIF picture", CONVERT),
            _ => VIDEO,
        });
    }
    if (at(4, b"moov") || at(4, b"mdat") || at(4, b"wide") || at(4, b"free"))
        || at(0, b"\x1a\x45\xdf\xa3")
        || (at(0, b"RIFF") && at(8, b"AVI "))
        || at(0, b"\0\0\x01\xba")
        || at(0, b"\0\0\x01\xb3")
        || (at(0, b"G") && at(188, b"G") && at(376, b"G"))
    {
        return Some(VIDEO);
    }
    if at(0, b"RIFF") && at(8, b"WEBP") {
        return Some(("a WebP picture", CONVERT));
    }
    if at(0, b"GIF87a") || at(0, b"GIF89a") {
        return Some(("a GIF picture", CONVERT));
    }
    if at(0, b"\0\0\0\x0cJXL ") || at(0, b"\xff\x0a") {
        return Some(("a JPEG XL picture", CONVERT));
    }
    if at(0, b"\0\0\0\x0cjP  ") || at(0, b"\xff\x4f\xff\x51") {
        return Some(("a JPEG 2000 picture", CONVERT));
    }
    if at(0, b"8BPS") {
        return Some(("a layered picture file", CONVERT));
    }
    if at(0, b"SIMPLE  =") {
        return Some(("a FITS file", CONVERT));
    }
    if at(0, b"%PDF") {
        return Some(("a PDF document", CONVERT));
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_must_be_developed_first_says_so() {
        let mut heic = b"\0\0\0\x18ftypheic\0\0\0\0mif1heic".to_vec();
        heic.resize(64, 0);
        let text = Format::of_content(&heic).unwrap_err().to_string();
        assert_eq!(
            text,
            "this is an HEIC picture, which is not measured directly; develop it to TIFF, PNG or JPEG at full size, \
             without cropping or lens correction, and open that"
        );
        for raw in [&b"II*\0\x10\0\0\0CR\x02\0"[..], b"FUJIFILMCCD-RAW 0201", b"\0\0\0\x18ftypcrx \0\0\0\x01"] {
            let text = Format::of_content(raw).unwrap_err().to_string();
            assert!(text.starts_with("this is a camera raw file"), "{text}");
        }
        for video in [&b"\0\0\0\x18ftypisom\0\0\0\0"[..], b"RIFF\0\0\0\0AVI LIST", b"\x1a\x45\xdf\xa3\x01\0\0\0"] {
            let text = Format::of_content(video).unwrap_err().to_string();
            assert!(text.starts_with("this is a video file") && text.contains("frame"), "{text}");
        }
    }

    #[test]
    fn what_is_unknown_shows_how_it_begins() {
        assert!(matches!(Format::of_content(b""), Err(PhotoErrorKind::Empty)));
        let text = Format::of_content(b"hello").unwrap_err().to_string();
        assert!(text.contains("begins with 68 65 6c 6c 6f"), "{text}");
    }
}
