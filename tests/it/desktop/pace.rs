//! How fast frames are made: a large picture panned, a full table scrolled.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Instant;

use eframe::egui;
use egui_kittest::Harness;
use egui_kittest::kittest::Queryable;
use motestick::animal::{Kind, Lying, MarkKind, Placement};
use motestick::desktop::Desktop;
use motestick::notebook::{
    Action, Animal, AnimalId, KeptSetup, Measurement, MeasurementId, Notebook, NotebookId, Picture, PictureId, SetupId,
    StoredMark, Unknown, to_text,
};
use motestick::setup::Setup;

use super::looks::save;
use super::{click, has, rest, sample, turn_wheel, until, window};

const NOW: &str = "2024-05-01T10:00:00Z";

/// Processor time of this thread so far, ms: other programs' load is not in it. Elsewhere than on Linux the clock's.
#[cfg_attr(target_os = "linux", expect(unused_variables, reason = "the clock is for other systems"))]
fn own_ms(since: Instant) -> f64 {
    #[cfg(target_os = "linux")]
    let t = rustix::time::clock_gettime(rustix::time::ClockId::ThreadCPUTime);
    #[cfg(target_os = "linux")]
    let own = 1e3 * t.tv_sec as f64 + 1e-6 * t.tv_nsec as f64;
    #[cfg(not(target_os = "linux"))]
    let own = 1e3 * since.elapsed().as_secs_f64();
    own
}

/// What frames took, ms, each list sorted.
struct Times {
    /// On the processor.
    own: Vec<f64>,
    /// By the clock.
    clock: Vec<f64>,
}

fn at(sorted: &[f64], percent: usize) -> f64 {
    sorted[(sorted.len() * percent / 100).min(sorted.len() - 1)]
}

/// Times of frames.
fn times(
    harness: &mut Harness<'static, Desktop>,
    frames: usize,
    mut before: impl FnMut(&mut Harness<'static, Desktop>, usize),
) -> Times {
    let mut times = Times { own: Vec::new(), clock: Vec::new() };
    for i in 0..frames {
        before(harness, i);
        let start = Instant::now();
        let own = own_ms(start);
        harness.step();
        times.own.push(own_ms(start) - own);
        times.clock.push(1e3 * start.elapsed().as_secs_f64());
    }
    times.own.sort_by(f64::total_cmp);
    times.clock.sort_by(f64::total_cmp);
    times
}

/// Tells how frames are spread; median and 99th percentile of the time on the processor.
fn told(what: &str, times: &Times) -> (f64, f64) {
    for (which, t) in [("on the processor", &times.own), ("by the clock", &times.clock)] {
        let (median, p99, longest) = (at(t, 50), at(t, 99), at(t, 100));
        println!("{what}, {which}: median {median:.2} ms, 99th percentile {p99:.2} ms, longest {longest:.2} ms");
    }
    let bounds = [0.0, 0.25, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 50.0, f64::INFINITY];
    for b in bounds.windows(2) {
        let n = times.own.iter().filter(|t| (b[0]..b[1]).contains(*t)).count();
        if n > 0 {
            println!("  {:>5} to {:>4} ms: {n:>4} frames", b[0], b[1]);
        }
    }
    (at(&times.own, 50), at(&times.own, 99))
}

#[test]
fn a_large_picture_is_panned() {
    let home = tempfile::tempdir().expect("a folder");
    let file = home.path().join("large.jpg");
    let picture = image::RgbImage::from_fn(6000, 4000, |x, y| {
        image::Rgb([(x / 9 % 251) as u8, (y / 7 % 241) as u8, ((x + y) / 23 % 239) as u8])
    });
    picture.save(&file).expect("writes");
    drop(picture);
    let mut h = window([2560.0, 1440.0], home.path());
    h.state_mut().open_paths(std::slice::from_ref(&file));
    rest(&mut h);
    let start = Instant::now();
    click(&mut h, "Picture large.jpg");
    until(&mut h, "the picture", |h| has(h, "Picture canvas"));
    let first = start.elapsed().as_secs_f64();
    let bare = bare_decode_s(&file);
    println!("first full view after {first:.2} s, bare decoding {bare:.2} s, ratio {:.2}", first / bare);
    h.key_press(egui::Key::Num1);
    let c = h.get_by_label("Picture canvas").rect().center();
    h.hover_at(c);
    // All tiles of the way become resident, then the same way again.
    let way = |h: &mut Harness<'static, Desktop>, i: usize| {
        let step = if i % 120 < 60 { 6.0 } else { -6.0 };
        if i.is_multiple_of(120) {
            h.drag_at(c);
        }
        h.hover_at(c + egui::vec2(step * (i % 60) as f32, 0.0));
    };
    let (_, p99) = told("panning, tiles uploaded on the way", &times(&mut h, 240, way));
    assert!(p99 < 50.0, "{p99} ms");
    let (_, p99) = told("panning, tiles resident", &times(&mut h, 600, way));
    assert!(p99 < 4.0, "{p99} ms");
}

/// Time for decoding a JPEG and nothing else, s: the shortest of three.
fn bare_decode_s(file: &Path) -> f64 {
    let bytes = std::fs::read(file).expect("reads");
    let one = || {
        let start = Instant::now();
        let mut decoder = zune_jpeg::JpegDecoder::new(zune_jpeg::zune_core::bytestream::ZCursor::new(&bytes));
        assert!(decoder.decode().expect("decodes").len() > 1000);
        start.elapsed().as_secs_f64()
    };
    (0..3).map(|_| one()).fold(f64::MAX, f64::min)
}

/// A setup from the sample slide, made by the command line.
fn setup_file(home: &Path) -> PathBuf {
    let library = home.join("data/setups");
    let done = Command::new(env!("CARGO_BIN_EXE_motestick"))
        .args(["calibrate".as_ref(), sample("slide_footage.jpg").as_os_str(), "--setup=footage".as_ref()])
        .args(["--division=10um".as_ref(), "--library".as_ref(), library.as_os_str()])
        .output()
        .expect("runs");
    assert!(done.status.success(), "{done:?}");
    library.join("footage.toml")
}

fn overfull(setup: Setup, measurements: u64) -> Notebook {
    let mut n = Notebook::new(NotebookId::of_seed(b"full"), "overfull", "test", NOW);
    let kept = KeptSetup { id: SetupId::new(1), kept: NOW.into(), setup, other: Unknown::new() };
    let picture = Picture::of_file(PictureId::new(2), "p.jpg", 1, &"0".repeat(64), 1920, 1080);
    let mark = |x_px: f64| StoredMark {
        x_px,
        y_px: 50.0,
        on: MarkKind::Silhouette,
        placement: Placement::Hand,
        other: Unknown::new(),
    };
    let one = |i: u64| Measurement {
        id: MeasurementId::new(4 + i),
        animal: AnimalId::new(3),
        picture: PictureId::new(2),
        setup: SetupId::new(1),
        quantity: format!("span {i}"),
        part: String::new(),
        kind: Kind::Span,
        marks: vec![mark(10.0), mark(20.0 + (i % 700) as f64)],
        of: Vec::new(),
        lying: Lying::Flat,
        coverage: 0.95,
        together: None,
        accepted_mismatch: None,
        person: String::new(),
        date: NOW.into(),
        remarks: String::new(),
        reported: None,
        other: Unknown::new(),
    };
    let mut actions = vec![
        Action::AddSetup { setup: Box::new(kept), at: None },
        Action::AddPicture { picture, at: None },
        Action::AddAnimal { animal: Box::new(Animal::named(AnimalId::new(3), "mite")), at: None },
    ];
    actions.extend((0..measurements).map(|i| Action::AddMeasurement { measurement: Box::new(one(i)), at: None }));
    for action in actions {
        n.apply(action).expect("fits");
    }
    n
}

/// Pictures of the window as it is and of a large one.
fn save_small_and_large(h: &mut Harness<'static, Desktop>, name: &str) {
    let resize = |h: &mut Harness<'static, Desktop>, size: [f32; 2]| {
        h.set_size(size.into());
        rest(h);
        h.step();
    };
    save(h, name);
    resize(h, [2560.0, 1440.0]);
    save(h, &format!("{name}_large"));
    resize(h, [1280.0, 720.0]);
}

#[test]
fn a_table_of_two_thousand_rows_stays_smooth() {
    let home = tempfile::tempdir().expect("a folder");
    let setup = motestick::setup::read(&setup_file(home.path())).expect("reads");
    let file = home.path().join("overfull.json");
    std::fs::write(&file, to_text(&overfull(setup, 2000)).expect("writes")).expect("writes");
    let mut h = window([1280.0, 720.0], home.path());
    h.state_mut().open_paths(std::slice::from_ref(&file));
    rest(&mut h);
    assert!(has(&h, "2000 measurements of 1 animal"));
    // Rows beyond the screen are not made.
    let rows = h.query_all_by_label_contains("mite, span").count();
    assert!((10..80).contains(&rows), "{rows}");
    click(&mut h, "sort by quantity");
    click(&mut h, "sort by quantity");
    assert!(has(&h, "mite, span 1999"), "sorted the other way round");
    let wheel = |h: &mut Harness<'static, Desktop>, _: usize| turn_wheel(h, egui::pos2(600.0, 400.0), -120.0);
    save_small_and_large(&mut h, "overfull_table");
    let (median, _) = told("a table of 2000 rows, scrolled", &times(&mut h, 60, wheel));
    // A frame that makes all rows takes several times as long.
    assert!(median < 40.0, "{median} ms");
}

#[test]
fn a_strip_of_five_hundred_pictures_stays_smooth() {
    let home = tempfile::tempdir().expect("a folder");
    let folder = home.path().join("pictures");
    std::fs::create_dir(&folder).expect("a folder");
    let picture = image::RgbImage::from_fn(200, 150, |x, y| image::Rgb([x as u8, y as u8, 90]));
    let first = folder.join("000.png");
    picture.save(&first).expect("writes");
    for i in 1..500 {
        std::fs::copy(&first, folder.join(format!("{i:03}.png"))).expect("copies");
    }
    let mut h = window([1280.0, 720.0], home.path());
    h.state_mut().open_paths(std::slice::from_ref(&folder));
    rest(&mut h);
    // Pictures beyond the window are not drawn.
    let drawn = h.query_all_by_label_contains("Picture ").count();
    assert!((8..40).contains(&drawn), "{drawn}");
    click(&mut h, "Picture 000.png");
    until(&mut h, "the picture", |h| has(h, "Picture canvas"));
    save_small_and_large(&mut h, "overfull_strip");
    let mut last = 0;
    let next = |h: &mut Harness<'static, Desktop>, i: usize| {
        h.key_press(egui::Key::PageDown);
        last = i;
    };
    let (median, _) = told("500 pictures, the next one each frame", &times(&mut h, 60, next));
    assert!(median < 40.0, "{median} ms");
    rest(&mut h);
    assert!(has(&h, &format!("Picture {:03}.png", last + 1)), "the strip follows");
}

#[test]
fn the_pages_of_an_overfull_notebook_make_only_what_is_in_sight() {
    let home = tempfile::tempdir().expect("a folder");
    let setup = motestick::setup::read(&setup_file(home.path())).expect("reads");
    let mut notebook = overfull(setup, 2000);
    let figure = |i: usize| -> motestick::notebook::FigureNote {
        let value = 100.0 + i as f64;
        let json = serde_json::json!({
            "unit": "um", "value": value, "u": 2.0, "low": value - 4.0, "high": value + 4.0, "k": 2.0,
            "verdict": "resolved", "budget": [{ "source": "hand", "type": "B", "u": 2.0, "share": 1.0 }]
        });
        serde_json::from_value(json).expect("a figure")
    };
    for (i, m) in notebook.measurements.iter_mut().enumerate() {
        m.reported = Some(motestick::notebook::Reported {
            figure: figure(i),
            blur_spot_um: 5.0,
            scale_px_per_um: 1.0,
            u_rel_scale: 0.003,
            warnings: Vec::new(),
            program: "test".to_owned(),
            other: Unknown::new(),
        });
    }
    let file = home.path().join("overfull.json");
    std::fs::write(&file, to_text(&notebook).expect("writes")).expect("writes");
    let mut h = window([1280.0, 720.0], home.path());
    h.state_mut().open_paths(std::slice::from_ref(&file));
    rest(&mut h);
    click(&mut h, "Statistics");
    rest(&mut h);
    h.step();
    // A quantity of its own each: 2,000 lines.
    let rows = h.query_all_by_label_contains("span ").count();
    assert!((4..80).contains(&rows), "{rows}");
    save_small_and_large(&mut h, "overfull_statistics");
    let (median, _) = told("2,000 lines of statistics", &times(&mut h, 40, |_, _| {}));
    assert!(median < 40.0, "{median} ms");
}
