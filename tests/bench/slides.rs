//! Reading a ruled slide on a picture of 24 megapixels, beside the bare decoding of the same JPEG.
//!
//! `cargo bench --bench slides`. The pipeline that a script over common libraries would be is `tests/bench/script_peer.py`; where
//! Python has OpenCV and SciPy, `PEER=1 cargo bench --bench slides` runs it in the same run on the same file and prints its time.
#![allow(clippy::print_stderr, reason = "a report for people")]

use divan::Bencher;
use motestick::phantom::slide::{Ruling, SlideScene, render};
use motestick::photo::{Channel, Limits, Photo};
use motestick::slide::{Request, read};
use motestick::units::Um;
use std::sync::OnceLock;
use zune_jpeg::JpegDecoder;
use zune_jpeg::zune_core::bytestream::ZCursor;

fn main() {
    if std::env::var_os("PEER").is_some() {
        peer();
    }
    divan::main();
}

/// A slide whose 100 divisions of 40 px cross the picture at 7°.
fn file() -> &'static [u8] {
    static FILE: OnceLock<Vec<u8>> = OnceLock::new();
    FILE.get_or_init(|| {
        let scene = SlideScene {
            width_px: 6000,
            height_px: 4000,
            px_per_um: 4.0,
            rotation_deg: 7.0,
            centre_um: [500.0, 50.0],
            magnification: 10.0,
            effective_aperture: 44.0,
            rulings: vec![Ruling::default()],
            ..SlideScene::default()
        };
        let mut scene = scene;
        scene.sensor.jpeg_quality = Some(92);
        let rendered = render(&scene).expect("renders");
        rendered.picture.file().expect("encodes").0
    })
}

/// Runs the script on the same file; its own output tells the seconds.
fn peer() {
    let picture = std::env::temp_dir().join("motestick-bench-slide.jpg");
    std::fs::write(&picture, file()).expect("writes");
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/bench/script_peer.py");
    match std::process::Command::new("python3").arg(script).arg(&picture).output() {
        Ok(out) => eprintln!("{}{}", String::from_utf8_lossy(&out.stdout), String::from_utf8_lossy(&out.stderr)),
        Err(e) => eprintln!("the script was not run: {e}"),
    }
}

#[divan::bench(sample_count = 7)]
fn bare_decode(bencher: Bencher<'_, '_>) {
    let bytes = file();
    bencher.bench(|| JpegDecoder::new(ZCursor::new(bytes)).decode().expect("decodes").len());
}

#[divan::bench(sample_count = 7)]
fn light_and_reading(bencher: Bencher<'_, '_>) {
    let photo = Photo::from_bytes(file(), &Limits::default()).expect("opens");
    bencher.bench(|| read(&photo.light(Channel::Even), &Request::new(Um::new(10.0))).expect("reads").used());
}

#[divan::bench(sample_count = 7)]
fn light_alone(bencher: Bencher<'_, '_>) {
    let photo = Photo::from_bytes(file(), &Limits::default()).expect("opens");
    bencher.bench(|| photo.light(Channel::Even).width());
}
