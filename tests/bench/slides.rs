//! Reading a ruled slide on pictures of 24 and 100 megapixels, beside the bare decoding of the same JPEG.
//!
//! `cargo bench --bench slides`. The pipeline that a script over common libraries would be is `tests/bench/script_peer.py`; where
//! Python has OpenCV and SciPy, `PEER=1 cargo bench --bench slides` runs it in the same run on the same file and prints its time
//! (`PYTHON` names the interpreter). `PAIRS=1` decodes and reads by turns, so that a machine whose pace changes slows both alike.
//! `BATCH=1` runs `calibrate` on twelve such pictures on one thread and on two, `MEMORY=1` prints how much memory the reading takes beside the decoded picture (Linux).
#![allow(clippy::print_stderr, reason = "a report for people")]

use divan::Bencher;
use motestick::phantom::slide::{Ruling, SlideScene, render};
use motestick::photo::{Channel, Limits, Photo};
use motestick::slide::{Reading, Request, read};
use motestick::units::Um;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;
use std::time::{Duration, Instant};
use zune_jpeg::JpegDecoder;
use zune_jpeg::zune_core::bytestream::ZCursor;
use zune_jpeg::zune_core::options::DecoderOptions;

fn main() {
    let wanted = |name: &str| std::env::var_os(name).is_some();
    if let Some(picture) = std::env::var_os("MEMORY_OF") {
        return memory_of(Path::new(&picture));
    }
    if wanted("MEMORY") {
        memory();
    }
    if wanted("PEER") {
        peer();
    }
    if wanted("BATCH") {
        batch();
    }
    if wanted("PAIRS") {
        pairs();
    }
    divan::main();
}

/// A slide whose 100 divisions cross the picture at 7°, 40 px each on 6000 × 4000 px, on `megapixels` of 24 or 100.
fn file(megapixels: usize) -> &'static [u8] {
    static FILES: [OnceLock<Vec<u8>>; 2] = [const { OnceLock::new() }; 2];
    let (width_px, height_px) = if megapixels < 50 { (6000, 4000) } else { (12_250, 8166) };
    FILES[usize::from(megapixels >= 50)].get_or_init(|| {
        let mut scene = SlideScene {
            width_px,
            height_px,
            px_per_um: 4.0 * width_px as f64 / 6000.0,
            rotation_deg: 7.0,
            centre_um: [500.0, 50.0],
            magnification: 10.0,
            effective_aperture: 44.0,
            rulings: vec![Ruling::default()],
            ..SlideScene::default()
        };
        scene.sensor.jpeg_quality = Some(92);
        let rendered = render(&scene).expect("renders");
        rendered.picture.file().expect("encodes").0
    })
}

/// The file of 24 megapixels on disk.
fn written() -> PathBuf {
    let picture = std::env::temp_dir().join("motestick-bench-slide.jpg");
    std::fs::write(&picture, file(24)).expect("writes");
    picture
}

fn read_slide(photo: &Photo) -> Reading {
    read(&photo.light(Channel::Even), &Request::new(Um::new(10.0))).expect("reads")
}

/// Runs the script on the same file; its own output tells the seconds.
fn peer() {
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/bench/script_peer.py");
    let python = std::env::var_os("PYTHON").unwrap_or_else(|| "python3".into());
    match Command::new(python).arg(script).arg(written()).output() {
        Ok(out) => eprintln!("{}{}", String::from_utf8_lossy(&out.stdout), String::from_utf8_lossy(&out.stderr)),
        Err(e) => eprintln!("the script was not run: {e}"),
    }
}

/// Times `calibrate` on twelve pictures on one thread and on two, by turns, and takes the fastest of each.
fn batch() {
    let picture = written();
    let once = |threads: &str| {
        let start = Instant::now();
        let mut command = Command::new(env!("CARGO_BIN_EXE_motestick"));
        command.env("RAYON_NUM_THREADS", threads).args(["calibrate", "--division", "10um"]);
        let out = command.args(std::iter::repeat_n(&picture, 12)).output().expect("runs");
        assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
        start.elapsed()
    };
    let (mut one, mut two) = (Duration::MAX, Duration::MAX);
    for _ in 0..3 {
        one = one.min(once("1"));
        two = two.min(once("2"));
    }
    let times = one.as_secs_f64() / two.as_secs_f64();
    eprintln!("calibrate on 12 pictures: {one:.2?} on one thread, {two:.2?} on two, {times:.2} times as fast");
}

/// Bare decoding and reading by turns: medians, and the median of the ratios.
fn pairs() {
    let photo = Photo::from_bytes(file(24), &Limits::default()).expect("opens");
    let options = DecoderOptions::default().set_max_width(65_535).set_max_height(65_535);
    let seconds = |work: &dyn Fn() -> usize| {
        let start = Instant::now();
        std::hint::black_box(work());
        start.elapsed().as_secs_f64()
    };
    let decode = || JpegDecoder::new_with_options(ZCursor::new(file(24)), options).decode().expect("decodes").len();
    let once = |_| (seconds(&decode), seconds(&|| read_slide(&photo).used()));
    let times: Vec<(f64, f64)> = (0..41).map(once).collect();
    let median = |of: &dyn Fn(&(f64, f64)) -> f64| {
        let mut all: Vec<f64> = times.iter().map(of).collect();
        all.sort_by(f64::total_cmp);
        all[all.len() / 2]
    };
    let (decoding, reading, ratio) = (median(&|t| t.0), median(&|t| t.1), median(&|t| t.1 / t.0));
    eprintln!("24 megapixels by turns: decoding {decoding:.3} s, reading {reading:.3} s, {ratio:.2} times as long");
}

/// Reads the slide in a process of its own, so that nothing freed before hides what it takes.
fn memory() {
    let own = std::env::current_exe().expect("a bench");
    let out = Command::new(own).env("MEMORY_OF", written()).output().expect("runs");
    eprintln!("{}{}", String::from_utf8_lossy(&out.stdout), String::from_utf8_lossy(&out.stderr));
}

fn memory_of(picture: &Path) {
    let bytes_of = |name: &str| -> f64 {
        let status = std::fs::read_to_string("/proc/self/status").expect("Linux");
        let line = status.lines().find(|l| l.starts_with(name)).expect("stands there");
        1024.0 * line.split_whitespace().nth(1).and_then(|v| v.parse::<f64>().ok()).expect("a number of kB")
    };
    let photo = Photo::open(picture, &Limits::default()).expect("opens");
    // Sets the mark of the most memory back to what is held now (proc(5), clear_refs).
    std::fs::write("/proc/self/clear_refs", "5").expect("Linux");
    let before = bytes_of("VmRSS");
    let used = read_slide(&photo).used();
    let pixels = (photo.width() * photo.height()) as f64;
    let more = bytes_of("VmHWM") - before;
    eprintln!("{used} graduations read with {:.2} bytes a pixel beside the decoded picture", more / pixels);
}

#[divan::bench(sample_count = 7, args = [24, 100])]
fn bare_decode(bencher: Bencher<'_, '_>, megapixels: usize) {
    let bytes = file(megapixels);
    let options = DecoderOptions::default().set_max_width(65_535).set_max_height(65_535);
    bencher.bench(|| JpegDecoder::new_with_options(ZCursor::new(bytes), options).decode().expect("decodes").len());
}

#[divan::bench(sample_count = 7, args = [24, 100])]
fn open(bencher: Bencher<'_, '_>, megapixels: usize) {
    let bytes = file(megapixels);
    bencher.bench(|| Photo::from_bytes(bytes, &Limits::default()).expect("opens").width());
}

#[divan::bench(sample_count = 7, args = [24, 100])]
fn light_and_reading(bencher: Bencher<'_, '_>, megapixels: usize) {
    let photo = Photo::from_bytes(file(megapixels), &Limits::default()).expect("opens");
    bencher.bench(|| read_slide(&photo).used());
}

#[divan::bench(sample_count = 7, args = [24, 100])]
fn light_and_reading_on_one_thread(bencher: Bencher<'_, '_>, megapixels: usize) {
    let photo = Photo::from_bytes(file(megapixels), &Limits::default()).expect("opens");
    let pool = rayon::ThreadPoolBuilder::new().num_threads(1).build().expect("a thread");
    bencher.bench(|| pool.install(|| read_slide(&photo).used()));
}
