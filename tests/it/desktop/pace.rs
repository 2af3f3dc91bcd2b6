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

use super::{click, has, rest, sample, until, window};

const NOW: &str = "2024-05-01T10:00:00Z";

/// Processor time of this thread so far, ms, where the system tells it: other programs' load is not in it.
fn own_ms() -> Option<f64> {
    let text = std::fs::read_to_string("/proc/thread-self/schedstat").ok()?;
    Some(1e-6 * text.split(' ').next()?.parse::<f64>().ok()?)
}

/// Times of frames in ms by the clock, sorted; beside them the mean time of this thread on the processor is told (its clock goes on in
/// steps of several ms, so that it says nothing of single frames).
fn times(
    harness: &mut Harness<'static, Desktop>,
    frames: usize,
    mut before: impl FnMut(&mut Harness<'static, Desktop>, usize),
) -> Vec<f64> {
    let own = own_ms();
    let mut times: Vec<f64> = (0..frames)
        .map(|i| {
            before(harness, i);
            let start = Instant::now();
            harness.step();
            1e3 * start.elapsed().as_secs_f64()
        })
        .collect();
    if let (Some(before), Some(after)) = (own, own_ms()) {
        println!("  on the processor {:.2} ms a frame", (after - before) / frames as f64);
    }
    times.sort_by(f64::total_cmp);
    times
}

fn told(what: &str, times: &[f64]) -> (f64, f64) {
    let (median, p99) = (times[times.len() / 2], times[times.len() * 99 / 100]);
    println!("{what}: median {median:.2} ms, 99th percentile {p99:.2} ms, longest {:.2} ms", times[times.len() - 1]);
    (median, p99)
}

#[test]
#[ignore = "measures time, which says little while other programs run"]
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
    println!("first full view after {:.2} s", start.elapsed().as_secs_f64());
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
    told("panning, tiles uploaded on the way", &times(&mut h, 240, way));
    let (median, _) = told("panning, tiles resident", &times(&mut h, 600, way));
    assert!(median < 50.0, "{median}");
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

#[test]
fn a_table_of_two_thousand_rows_stays_smooth() {
    let home = tempfile::tempdir().expect("a folder");
    let setup = motestick::setup::read(&setup_file(home.path())).expect("reads");
    let file = home.path().join("overfull.json");
    std::fs::write(&file, to_text(&overfull(setup, 2000)).expect("writes")).expect("writes");
    let mut h = window([1280.0, 720.0], home.path());
    h.state_mut().open_paths(std::slice::from_ref(&file));
    rest(&mut h);
    assert!(has(&h, "2000 measurements of 1 animals"));
    // Rows beyond the screen are not made.
    let rows = h.query_all_by_label_contains("mite, span").count();
    assert!((10..80).contains(&rows), "{rows}");
    click(&mut h, "sort by quantity");
    click(&mut h, "sort by quantity");
    assert!(has(&h, "mite, span 999"), "sorted the other way round");
    let wheel = |h: &mut Harness<'static, Desktop>, _: usize| {
        h.hover_at(egui::pos2(600.0, 400.0));
        h.event(egui::Event::MouseWheel {
            unit: egui::MouseWheelUnit::Point,
            delta: egui::vec2(0.0, -120.0),
            phase: egui::TouchPhase::Move,
            source: egui::MouseWheelSource::Unknown,
            modifiers: egui::Modifiers::NONE,
        });
    };
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
    let (median, _) = told("2,000 lines of statistics", &times(&mut h, 40, |_, _| {}));
    assert!(median < 40.0, "{median} ms");
}
