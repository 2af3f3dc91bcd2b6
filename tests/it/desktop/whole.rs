//! The sample notebook and what is done with it: proposals, repeats, statistics, comparison, exports.

use std::path::Path;
use std::sync::OnceLock;

use eframe::egui;
use egui_kittest::Harness;
use egui_kittest::kittest::Queryable;
use motestick::desktop::Desktop;

use super::{click, click_at, has, on_canvas, rest, texts, until, window};

/// A home in which a window has made the sample notebook, once for all tests.
fn made() -> &'static Path {
    static MADE: OnceLock<tempfile::TempDir> = OnceLock::new();
    let home = MADE.get_or_init(|| {
        let home = tempfile::tempdir().expect("a folder");
        let mut h = window([1280.0, 720.0], home.path());
        click(&mut h, "Open the sample notebook");
        rest(&mut h);
        assert!(h.state().notebook_file().is_some(), "{:?}", texts(&h, "sample"));
        h.state_mut().close();
        home
    });
    home.path()
}

/// The files of the sample notebook that the window looks for, as another window made them.
fn put_sample_notebook(home: &Path) {
    let to = home.join("data/sample notebook");
    if to.exists() {
        return;
    }
    std::fs::create_dir_all(&to).expect("works");
    for entry in std::fs::read_dir(made().join("data/sample notebook")).expect("works").flatten() {
        if entry.path().is_file() {
            std::fs::copy(entry.path(), to.join(entry.file_name())).expect("works");
        }
    }
}

/// A window with the sample notebook.
pub(super) fn sample_notebook(size: [f32; 2], home: &Path) -> Harness<'static, Desktop> {
    put_sample_notebook(home);
    let mut h = window(size, home);
    click(&mut h, "Open the sample notebook");
    rest(&mut h);
    assert!(has(&h, "measurements of 3 animals"), "{:?}", texts(&h, "measure"));
    h
}

/// The picture of the strip in the animal place.
fn animal(h: &mut Harness<'static, Desktop>, name: &str) {
    click(h, "Animal");
    click(h, &format!("Picture {name}"));
    until(h, name, |h| has(h, "Picture canvas"));
    rest(h);
}

/// Presses what may be out of sight at the side, as a screen reader does.
fn press(h: &mut Harness<'static, Desktop>, label: &str) {
    h.get_by_label_contains(label).click_accesskit();
    h.step();
    h.step();
}

/// On the page of comparison: the table's body length is what this animal's axis 1 is.
pub(super) fn axis_1_is_the_body_length(h: &mut Harness<'static, Desktop>) {
    click(h, "The body length is");
    click(h, "axis 1");
}

/// The number before "measurements of".
fn measurements(h: &mut Harness<'static, Desktop>) -> usize {
    click(h, "Notebook");
    let text = texts(h, "measurements of").join(" ");
    text.split(' ').next().and_then(|n| n.parse().ok()).unwrap_or_else(|| panic!("{text}"))
}

/// Value and U of a text like `axis 1   650.1 ± 3.4 µm, resolved`.
fn figure(text: &str) -> (f64, f64) {
    let (value, rest) = text.split_once(" ± ").unwrap_or_else(|| panic!("{text}"));
    let number = |t: &str| t.parse::<f64>().unwrap_or_else(|e| panic!("{e}: {text}"));
    (number(value.rsplit(' ').next().unwrap_or(value)), number(rest.split(' ').next().unwrap_or(rest)))
}

#[test]
fn the_sample_notebook_opens_and_stays_as_it_was_left() {
    let home = tempfile::tempdir().expect("works");
    let mut h = sample_notebook([1280.0, 720.0], home.path());
    let before = measurements(&mut h);
    assert!(before >= 6, "{before}");
    h.get_by_label_contains("mite, axis 1").click();
    h.step();
    click(&mut h, "Remove");
    assert_eq!(measurements(&mut h), before - 1);
    h.state_mut().close();
    drop(h);
    let mut h = sample_notebook([1280.0, 720.0], home.path());
    assert_eq!(measurements(&mut h), before - 1, "made anew over what a person did");
}

#[test]
fn a_proposal_is_accepted_in_part_as_one_step() {
    let home = tempfile::tempdir().expect("works");
    let mut h = sample_notebook([1280.0, 720.0], home.path());
    let before = measurements(&mut h);
    animal(&mut h, "mite.jpg");
    h.key_press(egui::Key::Q);
    rest(&mut h);
    assert!(has(&h, "Proposed, sureness"), "{:?}", texts(&h, "propos"));
    // The animal has an axis 1 already. Sample data: 430 µm long, 268 µm broad.
    let (value, expanded) = figure(&texts(&h, "axis 2   ").join(" "));
    assert!((value - 430.0).abs() < 1.5 * expanded && expanded < 20.0, "{value} ± {expanded}");
    press(&mut h, "outline 1   ");
    h.step();
    h.key_press(egui::Key::Y);
    rest(&mut h);
    assert!(!has(&h, "Proposed, sureness"));
    assert!(has(&h, "axis 2   ") && has(&h, "breadth 1   "), "{:?}", texts(&h, "   "));
    assert_eq!(measurements(&mut h), before + 2);
    h.key_press_modifiers(egui::Modifiers::COMMAND, egui::Key::Z);
    h.step();
    assert_eq!(measurements(&mut h), before, "one step, undone as one");
    // Nothing ticked, nothing measured; dropped by a key.
    animal(&mut h, "mite.jpg");
    click(&mut h, "Propose");
    rest(&mut h);
    h.key_press(egui::Key::Escape);
    h.step();
    h.step();
    assert!(!has(&h, "Proposed, sureness") && has(&h, "Propose"));
}

#[test]
fn a_proposed_mark_is_moved_by_hand() {
    let home = tempfile::tempdir().expect("works");
    let mut h = sample_notebook([1280.0, 720.0], home.path());
    animal(&mut h, "mite.jpg");
    h.key_press(egui::Key::Q);
    rest(&mut h);
    let before = figure(&texts(&h, "axis 2   ").join(" ")).0;
    // The rear tip of the sample's mite, taken 40 px further back along the axis.
    let size = (2400.0, 1600.0);
    let (from, to) = (on_canvas(&h, size, (1214.2, 1006.1)), on_canvas(&h, size, (1208.0, 1046.0)));
    h.hover_at(from);
    h.step();
    h.drag_at(from);
    h.step();
    h.hover_at(from + 0.5 * (to - from));
    h.step();
    h.hover_at(to);
    h.step();
    h.drop_at(to);
    rest(&mut h);
    let after = figure(&texts(&h, "axis 2   ").join(" ")).0;
    assert!(after > before + 20.0 && after < before + 60.0, "{before} became {after}");
    assert!(has(&h, "Moved marks count as set by hand."));
}

#[test]
fn a_blind_repeat_tells_the_error_of_measurement() {
    let home = tempfile::tempdir().expect("works");
    let mut h = sample_notebook([1280.0, 720.0], home.path());
    click(&mut h, "Repeats");
    rest(&mut h);
    h.step();
    assert!(has(&h, "Nothing was measured twice yet"));
    animal(&mut h, "mite.jpg");
    press(&mut h, "axis 1   ");
    h.key_press(egui::Key::T);
    h.step();
    h.step();
    assert!(has(&h, "Earlier marks and figures are hidden") && !has(&h, "axis 1   "));
    let size = (2400.0, 1600.0);
    for at in [(1263.0, 541.0), (1242.0, 775.0), (1214.0, 1007.0)] {
        let at = on_canvas(&h, size, at);
        click_at(&mut h, at);
    }
    h.key_press(egui::Key::Enter);
    rest(&mut h);
    assert!(has(&h, "Reading 2 of axis 1 is kept"), "{:?}", texts(&h, "kept"));
    click(&mut h, "Notebook");
    click(&mut h, "Repeats");
    rest(&mut h);
    h.step();
    assert!(has(&h, "Technical error of measurement") && has(&h, "mite, axis 1"), "{:?}", texts(&h, "mite"));
    assert!(has(&h, "Repeated measurement"), "the observed spread stands in the budget");
    assert!(has(&h, "one animal tells none"));
}

#[test]
fn every_page_of_the_notebook_is_one_key_away() {
    let home = tempfile::tempdir().expect("works");
    let mut h = sample_notebook([1280.0, 720.0], home.path());
    h.key_press(egui::Key::Num2);
    h.step();
    rest(&mut h);
    h.step();
    assert!(has(&h, "95 % of the mean") && has(&h, "Below 5 animals a distribution says little: 4"));
    click(&mut h, "Ratio to another");
    assert!(has(&h, "Save the plot…"));
    h.key_press(egui::Key::Num4);
    h.step();
    h.step();
    assert!(has(&h, "Nothing to compare") || has(&h, "no identification"), "{:?}", texts(&h, "compare"));
    axis_1_is_the_body_length(&mut h);
    assert!(has(&h, "Sizes that fit are no identification") && has(&h, "none of these"));
    assert!(has(&h, "Copy the sentence"));
    h.key_press(egui::Key::Num1);
    h.step();
    h.step();
    assert!(has(&h, "measurements of 3 animals"));
}

#[test]
fn a_plan_is_previewed_on_a_picture_of_ones_own() {
    let home = tempfile::tempdir().expect("works");
    let mut h = sample_notebook([1280.0, 720.0], home.path());
    animal(&mut h, "mite.jpg");
    click(&mut h, "Planner");
    // The sample's scale, 1.083 px/µm, is finer than the 1.075 px/µm that is planned.
    h.get_by_label("Preview of").click();
    h.step();
    h.step();
    h.get_by_label_contains("mite.jpg, 1.08").click();
    h.step();
    h.get_by_label("Render the preview").click_accesskit();
    h.step();
    rest(&mut h);
    h.step();
    assert!(!has(&h, "No preview"), "{:?}", texts(&h, "picture"));
    let words = texts(&h, "the middle of").join(" ") + &texts(&h, "The middle of").join(" ");
    assert!(words.contains("mite.jpg"), "{:?}", texts(&h, "review"));
}

#[test]
fn pictures_leave_in_the_format_that_is_chosen() {
    let home = tempfile::tempdir().expect("works");
    let mut h = sample_notebook([1280.0, 720.0], home.path());
    click(&mut h, "Export");
    click(&mut h, "TIFF");
    click(&mut h, "with marks and figures");
    assert!(has(&h, "one row a figure"), "each has a line that says what it is for");
    click(&mut h, "Pictures…");
    click(&mut h, "Write");
    rest(&mut h);
    assert!(has(&h, "Written:"), "{:?}", texts(&h, "Problem"));
    let files = std::fs::read_dir(home.path().join("pictures with scale bar")).expect("was written");
    let names: Vec<String> = files.flatten().map(|f| f.file_name().to_string_lossy().into_owned()).collect();
    assert!(names.len() == 3 && names.iter().all(|n| n.ends_with(".ome.tif")), "{names:?}");
}

#[test]
fn everything_that_leaves_a_notebook_has_its_button() {
    let home = tempfile::tempdir().expect("works");
    let mut h = sample_notebook([1280.0, 720.0], home.path());
    for (button, name) in [
        ("Table (CSV)…", "measurements.csv"),
        ("Report (HTML)…", "report.html"),
        ("Pictures…", "pictures with marks"),
        ("Drawings (SVG)…", "drawings"),
        ("Record cards (PDF)…", "record cards"),
        ("Data package…", "data package"),
        ("Darwin Core…", "darwin core"),
    ] {
        click(&mut h, "Export");
        click(&mut h, button);
        click(&mut h, "Write");
        rest(&mut h);
        assert!(has(&h, "Written:"), "{button}: {:?}", texts(&h, "Problem"));
        let path = home.path().join(name);
        let some = std::fs::read_dir(&path).map(|d| d.count()).unwrap_or(usize::from(path.is_file()));
        assert!(some > 0, "{name} was not written");
    }
}

/// A mark that was set where the picture stood a moment ago would be a wrong one.
#[test]
fn the_picture_stays_where_it_is_when_messages_come_and_go() {
    let home = tempfile::tempdir().expect("works");
    let mut h = sample_notebook([1280.0, 720.0], home.path());
    animal(&mut h, "mite.jpg");
    while h.query_by_label("Close").is_some() {
        click(&mut h, "Close");
    }
    h.step();
    let before = h.get_by_label("Picture canvas").rect();
    h.key_press(egui::Key::X);
    h.step();
    h.step();
    assert!(has(&h, "Marks snap when a shape is finished"));
    assert_eq!(h.get_by_label("Picture canvas").rect(), before);
    click(&mut h, "Close");
    h.step();
    assert!(has(&h, "mite.jpg   2400 × 1600 px"), "{:?}", texts(&h, "mite"));
    assert_eq!(h.get_by_label("Picture canvas").rect(), before);
}

/// What was moved a moment before another notebook is opened belongs to the one before.
#[test]
fn a_nudged_mark_is_kept_before_another_notebook_is_opened() {
    let home = tempfile::tempdir().expect("works");
    let mut h = sample_notebook([1280.0, 720.0], home.path());
    let file = h.state().notebook_file().expect("a notebook").to_owned();
    let marks = |h: &mut Harness<'static, Desktop>| {
        h.state_mut().close();
        let n = motestick::notebook::read(&file).expect("reads");
        let m = n.measurements.iter().rfind(|m| m.quantity == "axis 1").expect("the mite's");
        m.marks.iter().map(|m| (m.x_px, m.y_px)).collect::<Vec<_>>()
    };
    let other = home.path().join("other.json");
    std::fs::copy(Path::new(env!("CARGO_MANIFEST_DIR")).join("sample_data/sample_notebook.json"), &other)
        .expect("copies");
    animal(&mut h, "mite.jpg");
    h.key_press(egui::Key::L);
    h.step();
    let first = on_canvas(&h, (2400.0, 1600.0), (1263.6, 540.4));
    click_at(&mut h, first);
    h.key_press(egui::Key::ArrowRight);
    h.step();
    h.state_mut().open_paths(std::slice::from_ref(&other));
    rest(&mut h);
    assert_eq!(h.state().notebook_file(), Some(other.as_path()));
    let moved = marks(&mut h);
    std::fs::copy(&other, &file).expect("copies");
    let before = marks(&mut h);
    assert!(moved[0].0 > before[0].0 && moved[1..] == before[1..], "{before:?} became {moved:?}");
}
