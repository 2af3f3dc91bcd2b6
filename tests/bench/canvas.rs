//! What the canvas costs on a picture of 24 megapixels: choosing tiles, preparing an upload, making the pyramid; opening it for showing
//! beside decoding it and nothing else; and the memory that an open picture takes, told first (Linux).
//!
//! `cargo bench --bench canvas`

use std::io::Cursor;
use std::sync::atomic::AtomicBool;
use std::sync::{Arc, OnceLock};
use std::time::Instant;

use divan::{Bencher, black_box};
use motestick::desktop::canvas::{OnCanvas, Pyramid, Tile, ToneView, View, in_sight, small};
use motestick::photo::{Limits, Photo};
use motestick::units::Point;

const PICTURE: (usize, usize) = (6000, 4000);
const CANVAS: OnCanvas = OnCanvas::new(2560.0, 1300.0);

fn main() {
    for (what, file, samples) in [("grey", jpeg(false), 24e6), ("colours", jpeg(true), 72e6)] {
        if let Some((held, peak)) = memory_of(file) {
            println!(
                "memory of 24 megapixels in {what}, of the decoded size: {:.2} held, {:.2} at most on the way",
                held / samples,
                peak / samples
            );
        }
    }
    paired();
    divan::main();
}

/// Rounds of bare decoding and opening for showing, one after the other so that what else runs on the machine meets both.
const ROUNDS: usize = 15;

/// Tells how much longer than bare decoding it takes until a picture can be shown: medians of pairs, by the clock and by processor time.
fn paired() {
    let file = jpeg(true);
    let mut pairs: Vec<[(f64, f64); 2]> =
        (0..ROUNDS).map(|_| [timed(|| bare_decode_of(file)), timed(|| opened(file).1.bytes())]).collect();
    let ratio = |p: &[(f64, f64); 2]| p[1].0 / p[0].0;
    pairs.sort_by(|a, b| ratio(a).total_cmp(&ratio(b)));
    let [bare, open] = pairs[ROUNDS / 2];
    let (least, own) = (ratio(&pairs[0]), open.1 / bare.1);
    println!(
        "24 megapixels, {:.1} MB: bare decoding {:.0} ms, ready to be shown after {:.0} ms: {:.2} times (least {least:.2}); processor time {own:.2} times",
        file.len() as f64 / 1e6,
        1e3 * bare.0,
        1e3 * open.0,
        ratio(&[bare, open])
    );
}

/// Seconds by the clock, and of processor time on all threads (Linux; elsewhere the clock's).
fn timed<T>(work: impl FnOnce() -> T) -> (f64, f64) {
    let (start, own) = (Instant::now(), processor_s());
    black_box(work());
    let clock = start.elapsed().as_secs_f64();
    (clock, own.zip(processor_s()).map_or(clock, |(a, b)| b - a))
}

fn processor_s() -> Option<f64> {
    #[cfg(target_os = "linux")]
    {
        let t = rustix::time::clock_gettime(rustix::time::ClockId::ProcessCPUTime);
        Some(t.tv_sec as f64 + 1e-9 * t.tv_nsec as f64)
    }
    #[cfg(not(target_os = "linux"))]
    None
}

/// A JPEG of the picture's size with detail of some pixels and a little noise, as a photograph has.
fn jpeg(colours: bool) -> &'static [u8] {
    static FILES: [OnceLock<Vec<u8>>; 2] = [OnceLock::new(), OnceLock::new()];
    FILES[usize::from(colours)].get_or_init(|| {
        let (w, h) = (PICTURE.0 as u32, PICTURE.1 as u32);
        let wave = |x: u32, y: u32| 128.0 + 60.0 * (f64::from(x) / 9.0).sin() + 50.0 * (f64::from(y) / 13.0).cos();
        let rgb = image::RgbImage::from_fn(w, h, |x, y| {
            let mixed = (x.wrapping_mul(2_654_435_761) ^ y.wrapping_mul(2_246_822_519)).wrapping_mul(3_266_489_917);
            let v = wave(x, y) + f64::from(mixed >> 24) / 32.0;
            image::Rgb([v as u8, (0.9 * v) as u8, (255.0 - v) as u8])
        });
        let picture = image::DynamicImage::ImageRgb8(rgb);
        let picture = if colours { picture } else { picture.to_luma8().into() };
        let mut file = Cursor::new(Vec::new());
        picture.write_to(&mut file, image::ImageFormat::Jpeg).expect("encodes");
        file.into_inner()
    })
}

fn opened(file: &[u8]) -> (Arc<Photo>, Pyramid) {
    let photo = Arc::new(Photo::from_bytes(file, &Limits::default()).expect("decodes"));
    let pyramid = Pyramid::of(&photo, &AtomicBool::new(false)).expect("not cancelled");
    (photo, pyramid)
}

/// Bytes that an open picture holds, and most of them while it is opened, as the system counts them; `None` where it does not.
fn memory_of(file: &[u8]) -> Option<(f64, f64)> {
    let now = |key: &str| {
        let text = std::fs::read_to_string("/proc/self/status").ok()?;
        let line = text.lines().find(|l| l.starts_with(key))?;
        Some(1024.0 * line.split_whitespace().nth(1)?.parse::<f64>().ok()?)
    };
    // The highest mark begins anew.
    std::fs::write("/proc/self/clear_refs", "5").ok()?;
    let before = now("VmRSS")?;
    let kept = opened(file);
    let (held, peak) = (now("VmRSS")? - before, now("VmHWM")? - before);
    drop(kept);
    Some((held, peak))
}

/// A JPEG decoded and nothing else.
#[divan::bench(sample_count = 10)]
fn bare_decode() -> usize {
    bare_decode_of(jpeg(true))
}

fn bare_decode_of(file: &[u8]) -> usize {
    let mut decoder = zune_jpeg::JpegDecoder::new(zune_jpeg::zune_core::bytestream::ZCursor::new(file));
    decoder.decode().expect("decodes").len()
}

/// The same JPEG ready to be shown: checked, hashed, with its metadata and halvings.
#[divan::bench(sample_count = 10)]
fn open_for_showing() -> usize {
    opened(jpeg(true)).1.bytes()
}

/// The small picture of the strip from an open picture.
#[divan::bench(sample_count = 10)]
fn small_for_the_strip(bencher: Bencher<'_, '_>) {
    let (photo, _) = opened(jpeg(true));
    bencher.bench(|| small(&photo, 144));
}

fn pixels() -> Vec<u8> {
    (0..PICTURE.0 * PICTURE.1)
        .flat_map(|i| [(i % 251) as u8, (i / 7 % 241) as u8, (i / 6000 % 239) as u8, 255])
        .collect()
}

/// Tiles in sight while panning at full size, a thousand steps.
#[divan::bench]
fn choose_tiles_1000_frames(bencher: Bencher<'_, '_>) {
    bencher.bench(|| {
        (0..1000)
            .map(|i| {
                let centre = Point::new(500.0 + 5.0 * f64::from(i), 2000.0);
                let view = View { centre, zoom: 1.0, quarters: 0, flipped: false };
                in_sight(&view, PICTURE, CANVAS, 1.0).len()
            })
            .sum::<usize>()
    });
}

/// One frame's share of uploads: four tiles in a tone that is not plain.
#[divan::bench]
fn prepare_four_tiles(bencher: Bencher<'_, '_>) {
    let pyramid = Pyramid::of_rgba(pixels(), PICTURE, 3, &AtomicBool::new(false)).expect("not cancelled");
    let tone = ToneView { contrast: 0.3, ..ToneView::default() };
    bencher.bench(|| {
        for x in 0..4 {
            let tile = Tile { level: 0, x: 2 + x, y: 3 };
            black_box(pyramid.tile_pixels(tile, &tone, |[r, g, b]| u32::from_le_bytes([r, g, b, 255])));
        }
    });
}

/// The pyramid of a decoded picture, without the decoding.
#[divan::bench(sample_count = 10)]
fn make_pyramid(bencher: Bencher<'_, '_>) {
    bencher.with_inputs(pixels).bench_values(|p| Pyramid::of_rgba(p, PICTURE, 3, &AtomicBool::new(false)));
}
