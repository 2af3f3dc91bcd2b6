//! Varieties of TIFF and PNG, orientation, metadata, tone curves.

use image::{DynamicImage, ImageFormat};
use motestick::photo::{Channel, Orientation, Photo, PhotoWarning, Transfer};

use super::fixtures::*;
use super::{colours, encoded, error, open};

/// The codes of a picture, by undoing an identity tone curve.
fn codes(photo: &Photo, channel: Channel) -> Vec<u32> {
    let full = if photo.bits() == 8 { 255.0 } else { 65_535.0 };
    photo.light_by(channel, Transfer::Linear).values().iter().map(|v| (f64::from(*v) * full).round() as u32).collect()
}

#[test]
fn tiff_of_both_byte_orders_at_both_depths() {
    let grey: Vec<u16> = (0..12).map(|i| i * 5001).collect();
    let rgb: Vec<u16> = (0..36).map(|i| 60_000 - i * 1501).collect();
    for big_endian in [false, true] {
        let file = tiff(big_endian, &picture_fields(4, 3, &[16], 1, words(big_endian, &grey)));
        let photo = open(&file);
        assert_eq!((photo.width(), photo.height(), photo.bits(), photo.is_grey()), (4, 3, 16, true));
        assert_eq!(codes(&photo, Channel::Luminance), grey.iter().map(|v| u32::from(*v)).collect::<Vec<_>>());

        let file = tiff(big_endian, &picture_fields(4, 3, &[16, 16, 16], 2, words(big_endian, &rgb)));
        let photo = open(&file);
        for (i, channel) in [Channel::Red, Channel::Green, Channel::Blue].into_iter().enumerate() {
            let wanted: Vec<u32> = rgb.iter().skip(i).step_by(3).map(|v| u32::from(*v)).collect();
            assert_eq!(codes(&photo, channel), wanted, "big-endian {big_endian} {channel:?}");
        }
    }
}

#[test]
fn tiff_palettes_of_one_four_and_eight_bits() {
    // Index 0 dark red, 1 bright green, 2 blue, the rest grey.
    let map = |n: usize, low: u16| -> Vec<u16> {
        let colour = |i: usize| match i {
            0 => [0x40, 0, 0],
            1 => [0, 0xe0, 0],
            2 => [0, 0, 0x90],
            _ => [0x55; 3],
        };
        let plane = |c: usize| (0..n).map(move |i| colour(i)[c] * 256 + if low == 0 { 0 } else { colour(i)[c] });
        (0..3).flat_map(plane).collect()
    };
    // Width 5 leaves padding at the end of every row of packed indices.
    let indices = [[0_u8, 1, 0, 1, 1], [1, 1, 0, 0, 0]];
    let pack = |bits: usize| -> Vec<u8> {
        let mut bytes = Vec::new();
        for row in indices {
            let text: String = row.iter().map(|i| format!("{i:0bits$b}")).collect();
            let padded = format!("{text:0<width$}", width = text.len().next_multiple_of(8));
            bytes.extend(padded.as_bytes().chunks(8).map(|c| c.iter().fold(0, |a, b| a << 1 | (b - b'0'))));
        }
        bytes
    };
    for (bits, low, big_endian) in [(1, 1, false), (4, 1, true), (8, 1, false), (8, 0, true), (4, 0, false)] {
        let mut fields = picture_fields(5, 2, &[bits], 3, pack(usize::from(bits)));
        fields.push(Field(320, Values::Short(map(1 << bits, low))));
        let photo = open(&tiff(big_endian, &fields));
        assert_eq!((photo.width(), photo.height(), photo.bits(), photo.is_grey()), (5, 2, 8, false), "{bits} bits");
        let wanted = |off: u32, on: u32| -> Vec<u32> {
            indices.iter().flatten().map(|i| if *i == 0 { off } else { on }).collect()
        };
        assert_eq!(codes(&photo, Channel::Red), wanted(0x40, 0), "{bits} bits");
        assert_eq!(codes(&photo, Channel::Green), wanted(0, 0xe0), "{bits} bits");
    }
    let mut fields = picture_fields(5, 2, &[8], 3, pack(8));
    fields.push(Field(320, Values::Short(vec![0; 3])));
    assert!(error(&tiff(false, &fields)).contains("colour 1 of a colour map of 1"));
}

#[test]
fn tiff_bilevel_inverted_alpha_and_planes() {
    let photo = open(&tiff(true, &picture_fields(10, 2, &[1], 1, vec![0b1010_0000, 0b0100_0000, 0xff, 0x80])));
    assert_eq!(codes(&photo, Channel::Luminance)[..10], [255, 0, 255, 0, 0, 0, 0, 0, 0, 255]);
    let photo = open(&tiff(false, &picture_fields(10, 1, &[1], 0, vec![0b1010_0000, 0b0100_0000])));
    assert_eq!(codes(&photo, Channel::Luminance), [0, 255, 0, 255, 255, 255, 255, 255, 255, 0]);
    let photo = open(&tiff(false, &picture_fields(2, 2, &[8], 0, vec![0, 255, 10, 200])));
    assert_eq!(codes(&photo, Channel::Luminance), [255, 0, 245, 55]);
    let photo = open(&tiff(true, &picture_fields(2, 1, &[16], 0, words(true, &[0, 65_000]))));
    assert_eq!(codes(&photo, Channel::Luminance), [65_535, 535]);

    let mut fields = picture_fields(2, 1, &[8, 8], 1, vec![7, 255, 9, 128]);
    fields.push(Field(338, Values::Short(vec![2])));
    let photo = open(&tiff(false, &fields));
    assert_eq!(codes(&photo, Channel::Luminance), [7, 9]);
    assert!(photo.is_grey() && photo.warnings().contains(&PhotoWarning::Transparent));

    let mut fields = picture_fields(2, 1, &[8, 8, 8], 2, vec![1, 2, 3, 4, 5, 6]);
    fields.retain(|f| !matches!(f.0, 273 | 279));
    // Three strips, one a plane; they stand behind each other, found by a strip of all of them.
    let whole = tiff(false, &fields);
    let at = whole.len() as u32 + 3 * 12 + 2 * 12;
    fields.push(Field(273, Values::Long(vec![at, at + 2, at + 4])));
    fields.push(Field(279, Values::Long(vec![2, 2, 2])));
    fields.push(Field(284, Values::Short(vec![2])));
    let mut file = tiff(false, &fields);
    file.resize(at as usize, 0);
    file.extend([1, 2, 3, 4, 5, 6]);
    let photo = open(&file);
    assert_eq!(codes(&photo, Channel::Red), [1, 2]);
    assert_eq!(codes(&photo, Channel::Green), [3, 4]);
    assert_eq!(codes(&photo, Channel::Blue), [5, 6]);
}

#[test]
fn raw_files_and_previews_are_not_taken_for_the_picture() {
    let preview = |extra: Vec<Field>| {
        let mut fields = picture_fields(2, 2, &[8], 1, vec![0; 4]);
        fields.extend(extra);
        error(&tiff(false, &fields))
    };
    let maker = || Field(271, Values::Ascii("Example"));
    let negative = preview(vec![Field(50706, Values::Short(vec![1, 4, 0, 0]))]);
    assert!(negative.contains("camera raw file") && negative.contains("at full size"), "{negative}");
    let inner = vec![maker(), Field(254, Values::Long(vec![1])), Field(330, Values::Directory(vec![maker()]))];
    assert!(preview(inner).contains("camera raw file"));
}

#[test]
fn all_eight_orientations_in_every_format_that_has_them() {
    let picture = colours(40, 24);
    let seen = |picture: &DynamicImage, value: u16| match value {
        2 => picture.fliph(),
        3 => picture.rotate180(),
        4 => picture.flipv(),
        5 => picture.rotate90().fliph(),
        6 => picture.rotate90(),
        7 => picture.rotate270().fliph(),
        8 => picture.rotate270(),
        _ => picture.clone(),
    };
    let (jpeg, png) = (encoded(&picture, ImageFormat::Jpeg), encoded(&picture, ImageFormat::Png));
    let decoded_jpeg = image::load_from_memory(&jpeg).expect("decodes");
    for value in 1..=8 {
        for big_endian in [false, true] {
            let block = orientation_block(big_endian, value);
            let rgb = picture.to_rgb8().into_raw();
            let mut fields = picture_fields(40, 24, &[8, 8, 8], 2, rgb);
            fields.push(Field(274, Values::Short(vec![value])));
            for (file, source) in [
                (jpeg_with_exif(&jpeg, &block), &decoded_jpeg),
                (png_with_chunk(&png, b"eXIf", &block), &picture),
                (tiff(big_endian, &fields), &picture),
            ] {
                let photo = open(&file);
                let wanted = seen(source, value).to_rgba8();
                let what = (photo.format(), value);
                assert_eq!((photo.width() as u32, photo.height() as u32), wanted.dimensions(), "{what:?}");
                assert_eq!(photo.rgba8(), wanted.into_raw(), "{what:?}");
                assert_eq!(photo.recorded_px(), (40, 24), "{what:?}");
                assert_eq!(u16::from(photo.metadata().orientation.exif()), value, "{what:?}");
            }
        }
    }
    let senseless = open(&jpeg_with_exif(&jpeg, &orientation_block(true, 0)));
    assert_eq!(senseless.metadata().orientation, Orientation::Upright);
}

fn camera_fields(aperture: (u32, u32)) -> Vec<Field> {
    let inner = vec![
        Field(0x829a, Values::Rational(1, 125)),
        Field(0x829d, Values::Rational(aperture.0, aperture.1)),
        Field(0x8827, Values::Short(vec![400])),
        Field(0x9003, Values::Ascii("2024:05:01 10:11:12")),
        Field(0x9011, Values::Ascii("+02:00")),
        Field(0x920a, Values::Rational(650, 10)),
        Field(0xa002, Values::Long(vec![40])),
        Field(0xa003, Values::Long(vec![24])),
        Field(0xa20e, Values::Rational(26_882, 10)),
        Field(0xa210, Values::Short(vec![3])),
        Field(0xa434, Values::Ascii("Macro 65 1-5x")),
    ];
    vec![
        Field(0x10f, Values::Ascii("Fernery Works  ")),
        Field(0x110, Values::Ascii("Model One")),
        Field(EXIF_IFD, Values::Directory(inner)),
    ]
}

#[test]
fn the_cameras_notes_are_read_from_jpeg_png_and_tiff() {
    let picture = colours(40, 24);
    for big_endian in [false, true] {
        let block = tiff(big_endian, &camera_fields((8, 1)));
        let mut fields = picture_fields(40, 24, &[8, 8, 8], 2, picture.to_rgb8().into_raw());
        fields.extend(camera_fields((8, 1)));
        for file in [
            jpeg_with_exif(&encoded(&picture, ImageFormat::Jpeg), &block),
            png_with_chunk(&encoded(&picture, ImageFormat::Png), b"eXIf", &block),
            tiff(big_endian, &fields),
        ] {
            let photo = open(&file);
            let notes = photo.metadata();
            assert_eq!(notes.camera_make.as_deref(), Some("Fernery Works"));
            assert_eq!(notes.camera_model.as_deref(), Some("Model One"));
            assert_eq!(notes.lens.as_deref(), Some("Macro 65 1-5x"));
            assert_eq!((notes.focal_length_mm, notes.aperture, notes.iso), (Some(65.0), Some(8.0), Some(400)));
            assert_eq!(notes.exposure_s, Some(0.008));
            assert_eq!(notes.taken.as_deref(), Some("2024-05-01T10:11:12+02:00"));
            assert_eq!((notes.stated_width_px, notes.stated_height_px), (Some(40), Some(24)));
            // 2688.2 pixels a centimetre are 3.72 µm apart.
            let pitch_um = notes.focal_plane_pitch_um.expect("stated").get();
            assert!((pitch_um - 3.72).abs() < 1e-3, "{pitch_um}");
            assert!(photo.warnings().is_empty(), "{:?}", photo.warnings());
            let json = serde_json::to_string(notes).expect("serialises");
            assert!(json.contains("\"focal_length_mm\":65.0"), "{json}");
        }
    }
}

#[test]
fn absent_and_senseless_notes_are_none_and_a_resized_picture_is_noticed() {
    let jpeg = encoded(&colours(20, 12), ImageFormat::Jpeg);
    for aperture in [(0, 1), (0, 0), (8, 0)] {
        let photo = open(&jpeg_with_exif(&jpeg, &tiff(true, &camera_fields(aperture))));
        assert_eq!(photo.metadata().aperture, None, "{aperture:?}");
        let differs = PhotoWarning::SizeDiffers { stated_px: (40, 24), decoded_px: (20, 12) };
        assert_eq!(photo.warnings(), std::slice::from_ref(&differs));
        assert_eq!(
            differs.to_string(),
            "the camera recorded 40 × 24 px but the picture has 20 × 12 px: it was resized or cropped, and so may be its scale"
        );
    }
    assert_eq!(open(&jpeg).metadata(), &motestick::photo::Metadata::default());
}

#[test]
fn tone_curves_declared_by_the_file_are_honoured() {
    let png = encoded(&colours(4, 4), ImageFormat::Png);
    let gamma = |hundred_thousandths: u32| open(&png_with_chunk(&png, b"gAMA", &hundred_thousandths.to_be_bytes()));
    assert_eq!(gamma(100_000).transfer(), Transfer::Linear);
    assert!(matches!(gamma(55_556).transfer(), Transfer::Gamma(g) if (g - 1.8).abs() < 1e-4));
    assert_eq!((gamma(45_455).transfer(), gamma(1).transfer()), (Transfer::Srgb, Transfer::Srgb));
    assert!(gamma(45_455).warnings().is_empty());
    assert_eq!(gamma(100_000).warnings(), [PhotoWarning::Gamma { transfer: Transfer::Linear }]);
    // An sRGB chunk outranks gAMA (PNG 3rd edition, 11.3.2.5).
    let both = png_with_chunk(&png_with_chunk(&png, b"gAMA", &100_000_u32.to_be_bytes()), b"sRGB", &[0]);
    assert_eq!(open(&both).transfer(), Transfer::Srgb);

    // A profile with a power of 2.2 outranks it too.
    let icc = wide_profile();
    let chunk = [&b"wide\0\0"[..], &zlib_stored(&icc)].concat();
    let photo = open(&png_with_chunk(&png, b"iCCP", &chunk));
    assert!(
        matches!(photo.transfer(), Transfer::Gamma(g) if (g - 2.199_218_75).abs() < 1e-9),
        "{:?}",
        photo.transfer()
    );
    assert!(photo.warnings()[0].to_string().contains("\"Wide\", not sRGB; its tone curve (power 2.20) is used"));
    let mut fields = picture_fields(2, 1, &[8], 1, vec![10, 20]);
    fields.push(Field(34675, Values::Undefined(icc)));
    assert!(matches!(open(&tiff(true, &fields)).transfer(), Transfer::Gamma(_)));
}

/// A colour profile of a name and one power curve of 2.19921875.
fn wide_profile() -> Vec<u8> {
    let mut icc = vec![0; 128];
    icc[36..40].copy_from_slice(b"acsp");
    icc.extend(2_u32.to_be_bytes());
    let (name, curve) = (b"desc\0\0\0\0\0\0\0\x05Wide\0\0\0\0", b"curv\0\0\0\0\0\0\0\x01\x02\x33");
    let first = 132 + 24;
    for (tag, at, size) in [(b"desc", first, name.len()), (b"gTRC", first + name.len(), curve.len())] {
        icc.extend(tag);
        icc.extend((at as u32).to_be_bytes());
        icc.extend((size as u32).to_be_bytes());
    }
    icc.extend(name);
    icc.extend(curve);
    // The size that the header of a profile states.
    let size = icc.len() as u32;
    icc[..4].copy_from_slice(&size.to_be_bytes());
    icc
}

#[test]
fn clipped_pixels_are_those_at_the_ends_of_the_range() {
    let rgb = vec![255, 9, 9, 0, 0, 0, 0, 0, 1, 254, 254, 254, 100, 100, 100];
    let png: DynamicImage = image::RgbImage::from_raw(5, 1, rgb).expect("fits").into();
    let photo = open(&encoded(&png, ImageFormat::Png));
    let mask = |channel| -> Vec<bool> {
        let light = photo.light(channel);
        (0..5).map(|x| light.is_clipped(x, 0)).collect()
    };
    assert_eq!(mask(Channel::Luminance), [true, true, false, false, false]);
    assert_eq!(mask(Channel::Red), [true, true, true, false, false]);
    assert_eq!(mask(Channel::Blue), [false, true, false, false, false]);
    // Across more than one word of the mask and a ragged end.
    let wide: DynamicImage =
        image::GrayImage::from_fn(203, 331, |x, y| image::Luma([if (x + y) % 7 == 0 { 255 } else { 90 }])).into();
    let light = open(&encoded(&wide, ImageFormat::Png)).light(Channel::Luminance);
    for y in 0..331 {
        for x in 0..203 {
            assert_eq!(light.is_clipped(x, y), (x + y) % 7 == 0, "{x} {y}");
        }
    }
}
