//! From an empty window to the first measured length.

use std::process::Command;

use eframe::egui;
use egui_kittest::kittest::Queryable;

use super::{click, click_at, has, rest, sample, texts, type_into, until, window};

/// What the command line says of the same marks.
fn by_command_line(home: &std::path::Path, marks: &str, lying: &str) -> (f64, f64) {
    let motestick = env!("CARGO_BIN_EXE_motestick");
    let library = home.join("data/setups");
    let name = std::fs::read_dir(&library).expect("works").flatten().next().expect("works").path();
    let output = Command::new(motestick)
        .args(["measure".as_ref(), sample("mite.jpg").as_os_str(), "--setup".as_ref(), name.as_os_str()])
        .args(["--axis", marks, "--lying", lying, "--json"])
        .output()
        .expect("works");
    let json: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap_or_else(|e| panic!("{e}: {output:?}"));
    let m = &json["measurements"][0];
    (m["value_um"].as_f64().expect("works"), m["u_um"].as_f64().expect("works"))
}

#[test]
fn from_an_empty_window_to_the_first_length_in_ten_clicks() {
    let home = tempfile::tempdir().expect("works");
    let mut h = window([1280.0, 720.0], home.path());
    let mut clicks = 0;
    assert!(has(&h, "Open the sample pictures"));
    click(&mut h, "Open the sample pictures");
    clicks += 1;
    rest(&mut h);
    click(&mut h, "Picture slide_still.jpg");
    clicks += 1;
    until(&mut h, "the picture", |h| has(h, "Picture canvas"));
    rest(&mut h);
    type_into(&mut h, "Division", "10um");
    click(&mut h, "Read the slide");
    clicks += 1;
    until(&mut h, "the reading", |h| has(h, "in the fit"));
    // README of the sample data: 1.08333 px/µm.
    let scale = texts(&h, "px/µm ±").join(" ");
    assert!(scale.starts_with("1.083"), "{scale}");
    click(&mut h, "Save the setup");
    clicks += 1;
    assert!(has(&h, "is saved with 1 reading"));
    click(&mut h, "Animal");
    clicks += 1;
    click(&mut h, "Picture mite.jpg");
    clicks += 1;
    until(&mut h, "the mite", |h| has(h, "Picture canvas"));
    rest(&mut h);
    assert!(has(&h, "Fits by size alone"));
    // The setup has neither magnification nor aperture: the program asks how the animal lies.
    click(&mut h, "It lies flat");
    clicks += 1;
    let canvas = h.get_by_label("Picture canvas").rect();
    let (a, b) = (canvas.center() + egui::vec2(20.0, -80.0), canvas.center() + egui::vec2(10.0, 90.0));
    click_at(&mut h, a);
    click_at(&mut h, b);
    clicks += 2;
    h.key_press(egui::Key::Enter);
    rest(&mut h);
    assert!(clicks <= 10, "{clicks}");
    let shown = texts(&h, "axis 1   ").join(" ");
    click(&mut h, "Notebook");
    click(&mut h, "Export");
    click(&mut h, "Table (CSV)…");
    click(&mut h, "Write");
    rest(&mut h);
    assert!(has(&h, "Written:"));
    let exported = exported_value(&home.path().join("measurements.csv"));
    let file = h.state().notebook_file().expect("begun by itself").to_owned();
    // As when the window is closed.
    h.state_mut().close();
    let marks = marks_in(&std::fs::read_to_string(&file).expect("works"));
    let (value, u) = by_command_line(home.path(), &marks, "flat");
    assert!((exported - value).abs() < 1e-9 * value, "{exported} against {value}");
    // Shown: value and U to the place of U's second digit.
    let figures: Vec<f64> = shown.split([' ', '±']).filter_map(|w| w.parse().ok()).collect();
    let [.., v, expanded] = figures[..] else { panic!("{shown}") };
    assert!((v - value).abs() < 0.06 * expanded, "{shown} against {value}");
    assert!((expanded / (2.0 * u) - 1.0).abs() < 0.12, "{shown} against u = {u}");
}

/// The value of the first row of a table.
fn exported_value(table: &std::path::Path) -> f64 {
    let mut reader = csv::Reader::from_path(table).expect("was written");
    let column = reader.headers().expect("has headers").iter().position(|h| h == "value").expect("has a value");
    let row = reader.records().next().expect("has a row").expect("reads");
    row[column].parse().expect("a number")
}

/// The marks of the first measurement in a journal or notebook, in the words of the command line.
fn marks_in(text: &str) -> String {
    let at = text.find("\"marks\":[").expect("marks") + 8;
    let end = at + text[at..].find(']').expect("works") + 1;
    let marks: Vec<serde_json::Value> = serde_json::from_str(&text[at..end]).expect("works");
    let one = |m: &serde_json::Value| {
        format!("{},{}", m["x_px"].as_f64().expect("works"), m["y_px"].as_f64().expect("works"))
    };
    marks.iter().map(one).collect::<Vec<_>>().join(" ")
}

#[test]
fn a_picture_that_is_no_slide_is_refused_in_words() {
    let home = tempfile::tempdir().expect("works");
    let mut h = window([1280.0, 720.0], home.path());
    h.state_mut().open_paths(&[sample("mite.jpg")]);
    rest(&mut h);
    click(&mut h, "Picture mite.jpg");
    until(&mut h, "the mite", |h| has(h, "Picture canvas"));
    type_into(&mut h, "Division", "10");
    click(&mut h, "Read the slide");
    until(&mut h, "words", |h| has(h, "Not read"));
    assert!(has(&h, "has no unit"), "{:?}", texts(&h, "unit"));
    type_into(&mut h, "Division", "um");
    click(&mut h, "Read the slide");
    until(&mut h, "the refusal", |h| has(h, "Refused: this picture gives no scale"));
    click(&mut h, "Animal");
    click(&mut h, "Picture mite.jpg");
    rest(&mut h);
    assert!(has(&h, "Nothing was calibrated yet"));
}

#[test]
fn every_place_and_the_map_of_keys_are_one_key_away() {
    let home = tempfile::tempdir().expect("works");
    let mut h = window([1280.0, 720.0], home.path());
    for (key, words) in [
        (egui::Key::F5, "What will it resolve?"),
        (egui::Key::F4, "Nothing is measured yet"),
        (egui::Key::F3, "Measure an animal"),
        (egui::Key::F2, "Read a ruled slide"),
        (egui::Key::F1, "Where a picture is shown"),
    ] {
        h.key_press(key);
        h.run();
        assert!(has(&h, words), "{words}");
    }
}
