//! Files that lie, break off or were damaged: always a clear refusal or a picture, never a panic.

use image::ImageFormat;
use motestick::photo::{Limits, Photo, PhotoErrorKind};
use rand::{RngExt, SeedableRng};

use super::fixtures::*;
use super::{colours, encoded, error};

#[test]
fn headers_that_claim_too_much_are_refused_before_anything_is_allocated() {
    let too_many = |bytes: &[u8]| {
        let refused = Photo::from_bytes(bytes, &Limits::default()).expect_err("refused");
        assert!(matches!(refused.kind(), PhotoErrorKind::TooManyPixels { .. }), "{refused}");
    };
    too_many(&png_header(60_000, 60_000, 8, 2));
    too_many(&png_header(0x7fff_ffff, 1, 1, 0));
    let mut jpeg = encoded(&colours(16, 16), ImageFormat::Jpeg);
    let frame = jpeg.windows(2).position(|w| w == [0xff, 0xc0]).expect("baseline");
    jpeg[frame + 5..frame + 9].copy_from_slice(&[0xfd, 0xe8, 0xfd, 0xe8]);
    too_many(&jpeg);
    too_many(&tiff(false, &picture_fields(100_000, 100_000, &[8], 1, vec![0; 64])));
    let mut bmp = encoded(&colours(16, 16), ImageFormat::Bmp);
    bmp[18..22].copy_from_slice(&60_000_u32.to_le_bytes());
    bmp[22..26].copy_from_slice(&60_000_u32.to_le_bytes());
    too_many(&bmp);
    // Within the limits, but not in the file.
    let text = error(&tiff(true, &picture_fields(10_000, 10_000, &[8], 1, vec![0; 64])));
    assert!(text.contains("TIFF is"), "{text}");
}

#[test]
fn a_jpeg_cut_short_and_closed_again_is_refused_or_named() {
    let whole = encoded(&noisy(256, 192), ImageFormat::Jpeg);
    for part in [0.4, 0.7, 0.9] {
        let mut cut = whole[..(whole.len() as f64 * part) as usize].to_vec();
        cut.extend([0xff, 0xd9]);
        let text = error(&cut);
        assert!(text.contains("cut short") || text.contains("damaged"), "{part}: {text}");
    }
}

/// A picture with texture everywhere.
fn noisy(width: u32, height: u32) -> image::DynamicImage {
    let mut rng = rand_pcg::Pcg64::seed_from_u64(11);
    image::RgbImage::from_fn(width, height, |x, y| {
        let base = 60 + (x + y) % 100;
        image::Rgb([0; 3].map(|_zero: u8| (base + rng.random_range(0..40_u32)) as u8))
    })
    .into()
}

#[test]
fn damaged_files_never_panic() {
    let picture = noisy(24, 16);
    let block = orientation_block(true, 6);
    let jpeg = encoded(&picture, ImageFormat::Jpeg);
    let png = encoded(&picture, ImageFormat::Png);
    let mut palette = picture_fields(8, 8, &[4], 3, (0..32).collect());
    palette.push(Field(320, Values::Short((0..48).map(|i| i * 1300).collect())));
    let files = [
        jpeg_with_exif(&jpeg, &block),
        png_with_chunk(&png, b"eXIf", &block),
        encoded(&picture, ImageFormat::Bmp),
        encoded(&picture, ImageFormat::Tiff),
        tiff(true, &palette),
        tiff(false, &picture_fields(8, 8, &[1], 0, vec![0x5a; 8])),
        tiff(true, &picture_fields(4, 4, &[16, 16, 16], 2, vec![7; 96])),
    ];
    let limits = Limits { max_pixels: 1 << 20, max_decoded_bytes: 1 << 23, ..Limits::default() };
    let mut rng = rand_pcg::Pcg64::seed_from_u64(2);
    let (mut opened, mut refused) = (0, 0);
    for file in &files {
        for trial in 0..400 {
            let mut bad = file.clone();
            // Mostly the header, where lengths and counts stand.
            let reach = if trial % 4 == 0 { bad.len() } else { bad.len().min(260) };
            for _change in 0..rng.random_range(1..=4) {
                let at = rng.random_range(0..reach);
                bad[at] = match rng.random_range(0..4) {
                    0 => 0,
                    1 => 0xff,
                    2 => bad[at] ^ 1 << rng.random_range(0..8),
                    _ => rng.random(),
                };
            }
            if trial % 10 == 0 {
                bad.truncate(rng.random_range(0..bad.len()));
            }
            match Photo::from_bytes(&bad, &limits) {
                Ok(photo) => {
                    assert!(photo.width() > 0 && photo.rgba8().len() == photo.width() * photo.height() * 4);
                    opened += 1;
                }
                Err(e) => {
                    assert!(e.to_string().len() > 20);
                    refused += 1;
                }
            }
        }
    }
    // Both must happen, or the trial tries nothing.
    assert!(opened > 100 && refused > 100, "{opened} opened, {refused} refused");
}
