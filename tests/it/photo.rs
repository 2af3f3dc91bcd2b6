//! Opening pictures: formats, orientation, limits, damage, metadata, light.

mod fixtures;
mod formats;
mod hostile;

use std::io::Cursor;

use image::{DynamicImage, ImageFormat, Luma, Rgb};
use motestick::photo::{Channel, Format, Limits, Photo, PhotoErrorKind, PhotoWarning, Transfer};

fn open(bytes: &[u8]) -> Photo {
    Photo::from_bytes(bytes, &Limits::default()).expect("opens")
}

fn error(bytes: &[u8]) -> String {
    Photo::from_bytes(bytes, &Limits::default()).expect_err("refused").to_string()
}

fn encoded(picture: &DynamicImage, format: ImageFormat) -> Vec<u8> {
    let mut bytes = Vec::new();
    picture.write_to(&mut Cursor::new(&mut bytes), format).expect("encodes");
    bytes
}

/// A colour picture without symmetry.
fn colours(width: u32, height: u32) -> DynamicImage {
    image::RgbImage::from_fn(width, height, |x, y| Rgb([(40 + x * 3) as u8, (60 + y * 4) as u8, (x + y + 20) as u8]))
        .into()
}

#[test]
fn every_lossless_format_gives_the_same_light() {
    let picture = colours(37, 23);
    let reference = open(&encoded(&picture, ImageFormat::Png)).light(Channel::Luminance);
    for (image_format, format) in
        [(ImageFormat::Png, Format::Png), (ImageFormat::Tiff, Format::Tiff), (ImageFormat::Bmp, Format::Bmp)]
    {
        let photo = open(&encoded(&picture, image_format));
        assert_eq!((photo.width(), photo.height(), photo.format(), photo.bits()), (37, 23, format, 8));
        assert_eq!(photo.light(Channel::Luminance), reference, "{format:?}");
        assert!(photo.warnings().is_empty(), "{:?}", photo.warnings());
    }
    // Pixel (10, 5) is (70, 80, 35): luminance by IEC 61966-2-1 and BT.709 worked by hand.
    let hand = 0.2126 * 0.061_246_06 + 0.7152 * 0.080_219_82 + 0.0722 * 0.016_807_375;
    assert!((f64::from(reference.at(10, 5)) - hand).abs() < 1e-7, "{}", reference.at(10, 5));
}

#[test]
fn sixteen_bits_keep_their_depth() {
    let picture: DynamicImage =
        image::ImageBuffer::from_fn(300, 2, |x, y| Luma([(20_000 + x + y * 1000) as u16])).into();
    for format in [ImageFormat::Png, ImageFormat::Tiff] {
        let photo = open(&encoded(&picture, format));
        assert_eq!((photo.bits(), photo.is_grey()), (16, true));
        let light = photo.light_by(Channel::Green, Transfer::Linear);
        for x in 0..300 {
            assert!((f64::from(light.at(x, 1)) - (21_000 + x) as f64 / 65_535.0).abs() < 3e-8);
        }
    }
}

#[test]
fn the_real_jpeg_under_a_png_name_opens() {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/../shared/real/pseudoscorpion");
    let file = format!("{folder}/scorpion_lapse_1.png");
    if !std::path::Path::new(&file).exists() {
        println!("skipped: {file} is missing");
        return;
    }
    let photo = Photo::open(&file, &Limits::default()).unwrap();
    assert_eq!((photo.format(), photo.width(), photo.height()), (Format::Jpeg, 2592, 1944));
    assert_eq!(photo.metadata().camera_make.as_deref(), Some("RaspberryPi"));
    assert_eq!(photo.metadata().camera_model.as_deref(), Some("RP_OV5647"));
}

#[test]
fn what_is_no_picture_file_says_so() {
    let folder = tempfile::tempdir().unwrap();
    let limits = Limits::default();
    let text = Photo::open(folder.path(), &limits).unwrap_err().to_string();
    assert_eq!(text, format!("this is not a file but a folder; name a picture file: {}", folder.path().display()));
    let empty = folder.path().join("empty.png");
    std::fs::write(&empty, b"").unwrap();
    let text = Photo::open(&empty, &limits).unwrap_err().to_string();
    assert!(text.starts_with("the file is empty (0 bytes)") && text.ends_with("empty.png"), "{text}");
    let missing = Photo::open(folder.path().join("missing.png"), &limits).unwrap_err();
    assert!(matches!(missing.kind(), PhotoErrorKind::Io(_)) && missing.path().is_some());
    assert!(missing.to_string().ends_with("missing.png"));
    // SHA-256 of "abc" is the example of FIPS 180-4; a picture's is that of its file.
    let png = encoded(&colours(3, 2), ImageFormat::Png);
    let file = folder.path().join("some.jpg");
    std::fs::write(&file, &png).unwrap();
    let photo = Photo::open(&file, &limits).unwrap();
    assert_eq!((photo.format(), photo.file_bytes(), photo.sha256().len()), (Format::Png, png.len() as u64, 64));
}

#[test]
fn pictures_cut_short_are_refused() {
    let picture = colours(160, 120);
    for format in [ImageFormat::Jpeg, ImageFormat::Png, ImageFormat::Tiff, ImageFormat::Bmp] {
        let whole = encoded(&picture, format);
        open(&whole);
        for part in [0.3, 0.6, 0.9, 0.99] {
            let cut = &whole[..(whole.len() as f64 * part) as usize];
            let text = error(cut);
            assert!(text.contains("cut short") || text.contains("damaged"), "{format:?} at {part}: {text}");
        }
    }
}

#[test]
fn size_differing_from_the_cameras_statement_is_a_warning_and_small_limits_refuse() {
    let bytes = encoded(&colours(160, 120), ImageFormat::Png);
    let limits = Limits { max_side_px: 100, ..Limits::default() };
    let text = Photo::from_bytes(&bytes, &limits).unwrap_err().to_string();
    assert!(text.starts_with("the picture says it is 160 × 120 px, above the limit of 100 px a side"), "{text}");
    let limits = Limits { max_decoded_bytes: 50_000, ..Limits::default() };
    for format in [ImageFormat::Jpeg, ImageFormat::Png, ImageFormat::Tiff, ImageFormat::Bmp] {
        let refused = Photo::from_bytes(&encoded(&colours(160, 120), format), &limits);
        assert!(matches!(refused.unwrap_err().kind(), PhotoErrorKind::TooMuchMemory { .. }), "{format:?}");
    }
    assert!(!open(&bytes).warnings().iter().any(|w| matches!(w, PhotoWarning::SizeDiffers { .. })));
}
