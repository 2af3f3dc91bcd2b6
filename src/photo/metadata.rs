//! What the camera wrote beside the picture.
//!
//! All of it is a hint: programs copy it into resized and cropped pictures, cameras without contact to the
//! lens leave it empty, and the aperture may be the marked or the effective one.
//!
//! Source: Exif 2.32 (CIPA DC-008-2019), section 4.6.

use std::io::Cursor;
use std::panic::{AssertUnwindSafe, catch_unwind};

use exif::{Exif, In, Tag, Value};

use super::orientation::Orientation;
use crate::units::Um;

/// The camera's notes on a picture; what is absent or senseless (f/0, blank names) is `None`.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct Metadata {
    /// Maker of the camera.
    pub camera_make: Option<String>,
    /// Model of the camera.
    pub camera_model: Option<String>,
    /// Model of the lens.
    pub lens: Option<String>,
    /// Focal length in millimetres.
    pub focal_length_mm: Option<f64>,
    /// Aperture number as the camera states it; whether it is the marked or the effective one is unknown.
    pub aperture: Option<f64>,
    /// Exposure time in seconds.
    pub exposure_s: Option<f64>,
    /// ISO speed.
    pub iso: Option<u32>,
    /// Width of the picture that the camera recorded, in pixels, before turning it.
    pub stated_width_px: Option<u32>,
    /// Height of the picture that the camera recorded, in pixels, before turning it.
    pub stated_height_px: Option<u32>,
    /// When it was taken, as `2024-05-01T10:00:00`, with the offset from UTC where known.
    pub taken: Option<String>,
    /// Pitch of the recorded pixels on the sensor by the focal-plane resolution, columns: a hint only.
    pub focal_plane_pitch_um: Option<Um>,
    /// Ratio of digital zoom, above 1 only.
    pub digital_zoom: Option<f64>,
    /// The program or firmware that wrote the file.
    pub software: Option<String>,
    /// How the recorded pixels are turned to be seen.
    pub orientation: Orientation,
}

impl Metadata {
    /// From the bytes of a JPEG, TIFF or PNG file; empty where there are none or they cannot be read.
    pub(super) fn read(bytes: &[u8]) -> Self {
        let read = || {
            let mut reader = exif::Reader::new();
            reader.continue_on_error(true);
            reader.read_from_container(&mut Cursor::new(bytes)).or_else(|e| e.distill_partial_result(|_minor| {})).ok()
        };
        // A picture with unreadable notes is still a picture.
        catch_unwind(AssertUnwindSafe(read)).ok().flatten().map(|exif| Self::from_exif(&exif)).unwrap_or_default()
    }

    fn from_exif(exif: &Exif) -> Self {
        let positive = |tag| number(exif, tag).filter(|v| v.is_finite() && *v > 0.0);
        let whole = |tag| positive(tag).filter(|v| *v < 4e9).map(|v| v as u32);
        Self {
            camera_make: text(exif, Tag::Make),
            camera_model: text(exif, Tag::Model),
            lens: text(exif, Tag::LensModel),
            focal_length_mm: positive(Tag::FocalLength),
            aperture: positive(Tag::FNumber).or_else(|| positive(Tag::ApertureValue).map(|apex| (apex / 2.0).exp2())),
            exposure_s: positive(Tag::ExposureTime),
            // 65535 stands for "above what this field can hold".
            iso: whole(Tag::PhotographicSensitivity).filter(|v| *v != 65_535).or_else(|| whole(Tag::ISOSpeed)),
            stated_width_px: whole(Tag::PixelXDimension),
            stated_height_px: whole(Tag::PixelYDimension),
            taken: taken(exif),
            focal_plane_pitch_um: focal_plane_pitch(exif),
            digital_zoom: positive(Tag::DigitalZoomRatio).filter(|v| *v > 1.0),
            software: text(exif, Tag::Software),
            orientation: whole(Tag::Orientation).and_then(Orientation::from_exif).unwrap_or_default(),
        }
    }
}

fn number(exif: &Exif, tag: Tag) -> Option<f64> {
    match &exif.get_field(tag, In::PRIMARY)?.value {
        Value::Rational(v) => v.first().map(|r| f64::from(r.num) / f64::from(r.denom)),
        Value::SRational(v) => v.first().map(|r| f64::from(r.num) / f64::from(r.denom)),
        Value::Double(v) => v.first().copied(),
        Value::Float(v) => v.first().copied().map(f64::from),
        value => value.get_uint(0).map(f64::from),
    }
}

/// Readable text; blanks, dashes and control characters alone are no name.
fn text(exif: &Exif, tag: Tag) -> Option<String> {
    let Value::Ascii(parts) = &exif.get_field(tag, In::PRIMARY)?.value else { return None };
    let joined = parts.iter().map(|p| String::from_utf8_lossy(p).into_owned()).collect::<Vec<_>>().join(" ");
    let clean: String = joined.chars().filter(|c| !c.is_control()).take(256).collect();
    let clean = clean.trim();
    clean.chars().any(char::is_alphanumeric).then(|| clean.to_owned())
}

fn taken(exif: &Exif) -> Option<String> {
    let (stamp, offset) = match text(exif, Tag::DateTimeOriginal) {
        Some(stamp) => (stamp, text(exif, Tag::OffsetTimeOriginal)),
        None => (text(exif, Tag::DateTime)?, text(exif, Tag::OffsetTime)),
    };
    let stamp = iso_8601(&stamp)?;
    let offset = offset.filter(|o| o == "Z" || (o.len() == 6 && o.starts_with(['+', '-'])));
    Some(stamp + offset.as_deref().unwrap_or(""))
}

/// `2024:05:01 10:00:00` as ISO 8601 has it.
fn iso_8601(stamp: &str) -> Option<String> {
    let exif = exif::DateTime::from_ascii(stamp.as_bytes()).ok()?;
    let plausible = exif.year > 0
        && (1..=12).contains(&exif.month)
        && (1..=31).contains(&exif.day)
        && exif.hour < 24
        && exif.minute < 60
        && exif.second <= 60;
    plausible.then(|| {
        format!(
            "{:04}-{:02}-{:02}T{:02}:{:02}:{:02}",
            exif.year, exif.month, exif.day, exif.hour, exif.minute, exif.second
        )
    })
}

fn focal_plane_pitch(exif: &Exif) -> Option<Um> {
    let per_unit = number(exif, Tag::FocalPlaneXResolution).filter(|v| v.is_finite() && *v > 0.0)?;
    // Inch is the default; 4 and 5 are not in the standard but are written by some cameras.
    let unit_um = match number(exif, Tag::FocalPlaneResolutionUnit).unwrap_or(2.0) as u32 {
        3 => 10_000.0,
        4 => 1000.0,
        5 => 1.0,
        _ => 25_400.0,
    };
    let pitch_um = unit_um / per_unit;
    // Photosites lie between half a micrometre and, binned, some tens of micrometres.
    (0.3..100.0).contains(&pitch_um).then(|| Um::new(pitch_um))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stamps_become_iso_8601() {
        assert_eq!(iso_8601("2024:05:01 10:00:07").as_deref(), Some("2024-05-01T10:00:07"));
        assert_eq!(iso_8601("0000:00:00 00:00:00"), None);
        assert_eq!(iso_8601("    :  :     :  :  "), None);
    }

    #[test]
    fn nonsense_has_no_metadata() {
        assert_eq!(Metadata::read(b"nothing of the kind"), Metadata::default());
    }
}
