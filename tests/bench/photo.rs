//! Opening a picture of 24 megapixels and making light of it.
//!
//! The peer of opening is the bare decoding of the same bytes by the library that decodes them.

use std::io::Cursor;

use divan::Bencher;
use motestick::photo::{Channel, Limits, Photo};
use zune_jpeg::JpegDecoder;
use zune_jpeg::zune_core::bytestream::ZCursor;

const WIDTH: u32 = 6000;
const HEIGHT: u32 = 4000;

fn main() {
    divan::main();
}

/// A picture with texture at every scale, as photographs have it.
fn picture() -> image::RgbImage {
    image::RgbImage::from_fn(WIDTH, HEIGHT, |x, y| {
        let noise = (x.wrapping_mul(2_654_435_761) ^ y.wrapping_mul(40_503_001)).wrapping_mul(2_246_822_519) >> 28;
        let (u, v) = (f64::from(x) / 37.0, f64::from(y) / 51.0);
        let base = 120.0 + 60.0 * u.sin() * v.cos() + 30.0 * (0.13 * (u + v)).sin();
        image::Rgb([base as u8 + noise as u8, (0.8 * base) as u8 + noise as u8, (0.6 * base) as u8 + noise as u8])
    })
}

fn encoded(format: image::ImageFormat) -> Vec<u8> {
    let mut bytes = Vec::new();
    picture().write_to(&mut Cursor::new(&mut bytes), format).expect("encodes");
    bytes
}

#[divan::bench(sample_count = 5)]
fn jpeg_bare_decode(bencher: Bencher<'_, '_>) {
    let bytes = encoded(image::ImageFormat::Jpeg);
    bencher.bench(|| JpegDecoder::new(ZCursor::new(&bytes)).decode().expect("decodes").len());
}

#[divan::bench(sample_count = 5)]
fn jpeg_open(bencher: Bencher<'_, '_>) {
    let bytes = encoded(image::ImageFormat::Jpeg);
    bencher.bench(|| Photo::from_bytes(&bytes, &Limits::default()).expect("opens").width());
}

#[divan::bench(sample_count = 5)]
fn tiff_open(bencher: Bencher<'_, '_>) {
    let bytes = encoded(image::ImageFormat::Tiff);
    bencher.bench(|| Photo::from_bytes(&bytes, &Limits::default()).expect("opens").width());
}

#[divan::bench(sample_count = 9, args = [Channel::Luminance, Channel::Green])]
fn light_of_eight_bits(bencher: Bencher<'_, '_>, channel: Channel) {
    let photo = Photo::from_bytes(&encoded(image::ImageFormat::Jpeg), &Limits::default()).expect("opens");
    bencher.bench(|| photo.light(channel));
}

#[divan::bench(sample_count = 9)]
fn light_of_sixteen_bits(bencher: Bencher<'_, '_>) {
    let wide = image::DynamicImage::from(picture()).to_rgb16();
    let mut bytes = Vec::new();
    wide.write_to(&mut Cursor::new(&mut bytes), image::ImageFormat::Tiff).expect("encodes");
    let photo = Photo::from_bytes(&bytes, &Limits::default()).expect("opens");
    bencher.bench(|| photo.light(Channel::Luminance));
}

#[divan::bench(sample_count = 5)]
fn noise(bencher: Bencher<'_, '_>) {
    let photo = Photo::from_bytes(&encoded(image::ImageFormat::Jpeg), &Limits::default()).expect("opens");
    let light = photo.light(Channel::Luminance);
    bencher.bench(|| photo.noise(&light));
}

#[divan::bench(sample_count = 3)]
fn orientation_six(bencher: Bencher<'_, '_>) {
    let plain = encoded(image::ImageFormat::Jpeg);
    // An EXIF segment with orientation 6 behind the first marker.
    let exif = b"\xff\xe1\0\x22Exif\0\0MM\0*\0\0\0\x08\0\x01\x01\x12\0\x03\0\0\0\x01\0\x06\0\0\0\0\0\0";
    let turned = [&plain[..2], exif, &plain[2..]].concat();
    bencher.bench(|| Photo::from_bytes(&turned, &Limits::default()).expect("opens").width());
}
