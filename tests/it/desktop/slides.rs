//! The slide by hand: marks on a ruler, graduations left out, a second picture of the turned slide.

use eframe::egui;
use egui_kittest::Harness;
use egui_kittest::kittest::Queryable;
use motestick::desktop::Desktop;

use motestick::phantom::slide::{SlideScene, render};

use super::{click, click_at, has, on_canvas, rest, sample, texts, type_into, until, window};

const SIZE: (f32, f32) = (2400.0, 1600.0);

fn slide(home: &std::path::Path) -> Harness<'static, Desktop> {
    let mut h = window([1280.0, 720.0], home);
    h.state_mut().open_paths(&[sample("slide_still.jpg")]);
    rest(&mut h);
    click(&mut h, "Picture slide_still.jpg");
    until(&mut h, "the slide", |h| has(h, "Picture canvas"));
    rest(&mut h);
    h
}

/// The number that a text with this word begins with.
fn number(h: &Harness<'static, Desktop>, word: &str) -> f64 {
    let text = texts(h, word).join(" ");
    text.split(' ').next().and_then(|n| n.parse().ok()).unwrap_or_else(|| panic!("{text}"))
}

#[test]
fn marks_by_hand_make_a_setup() {
    let home = tempfile::tempdir().expect("works");
    let mut h = slide(home.path());
    h.key_press(egui::Key::M);
    h.step();
    h.step();
    assert!(has(&h, "Marks by hand") && has(&h, "No mark yet"));
    let (a, b) = (on_canvas(&h, SIZE, (700.0, 800.0)), on_canvas(&h, SIZE, (1700.0, 800.0)));
    click_at(&mut h, a);
    click_at(&mut h, b);
    type_into(&mut h, "Mark 2 says", "500um");
    click(&mut h, "Read the marks");
    rest(&mut h);
    h.step();
    assert!(has(&h, "2 in the fit") && has(&h, "marks set by hand, turned"), "{:?}", texts(&h, "marks"));
    // 1000 px are 500 µm; the screen's points are 0.4 px of the picture wide.
    let scale = number(&h, "px/µm ±");
    assert!((scale - 2.0).abs() < 0.006, "{scale}");
    // The hand moves the second mark by the keys: 10 px further.
    h.key_press_modifiers(egui::Modifiers::SHIFT, egui::Key::ArrowRight);
    h.step();
    h.step();
    click(&mut h, "Read the marks");
    rest(&mut h);
    h.step();
    let further = number(&h, "px/µm ±");
    assert!((further - scale - 0.02).abs() < 1e-3, "{scale} became {further}");
    // Below what a small window shows; a screen reader presses it all the same.
    h.get_by_label("Save the setup").click_accesskit();
    h.step();
    h.step();
    assert!(has(&h, "is saved with 1 reading"), "{:?}", texts(&h, "setup"));
}

#[test]
fn a_graduation_is_left_out_with_its_reason_and_counted_again() {
    let home = tempfile::tempdir().expect("works");
    let mut h = slide(home.path());
    type_into(&mut h, "Division", "10um");
    click(&mut h, "Read the slide");
    until(&mut h, "the reading", |h| has(h, "in the fit"));
    rest(&mut h);
    let used = number(&h, "in the fit, ");
    h.key_press(egui::Key::N);
    h.step();
    h.step();
    assert!(has(&h, "Graduation "), "stepped to the first");
    click(&mut h, "Leave it out");
    rest(&mut h);
    h.step();
    assert_eq!(number(&h, "in the fit, "), used - 1.0);
    assert!(has(&h, ": by hand, ") && has(&h, "1 graduation was left out by hand"), "{:?}", texts(&h, "by hand"));
    h.key_press(egui::Key::Delete);
    h.step();
    rest(&mut h);
    h.step();
    assert_eq!(number(&h, "in the fit, "), used);
    assert!(!has(&h, ": by hand, "));
}

/// Renders a slide turned by so many degrees into the folder.
fn turned_by(degrees: f64, folder: &std::path::Path, name: &str) {
    let scene = SlideScene {
        width_px: 800,
        height_px: 800,
        px_per_um: 1.0,
        centre_um: [400.0, 30.0],
        rotation_deg: degrees,
        seed: 3,
        ..SlideScene::default()
    };
    let (bytes, extension) = render(&scene).expect("renders").picture.file().expect("encodes");
    std::fs::write(folder.join(format!("{name}.{extension}")), bytes).expect("writes");
}

/// Takes the picture of this name as that of the turned slide.
fn turn(h: &mut Harness<'static, Desktop>, name: &str) {
    h.get_by_label("Slide turned by 90°").click();
    h.step();
    h.step();
    h.get_by_role_and_label(egui::accesskit::Role::Button, name).click();
    h.step();
    rest(h);
    h.step();
}

#[test]
fn a_turned_slide_tells_the_scale_across() {
    let home = tempfile::tempdir().expect("works");
    let folder = home.path().join("slides");
    std::fs::create_dir(&folder).expect("works");
    turned_by(2.0, &folder, "first");
    turned_by(92.0, &folder, "second");
    turned_by(10.0, &folder, "third");
    let mut h = window([1280.0, 720.0], home.path());
    h.state_mut().open_paths(std::slice::from_ref(&folder));
    rest(&mut h);
    let names: Vec<String> = texts(&h, "Picture ").iter().map(|t| t.replace("Picture ", "")).collect();
    let named = |stem: &str| names.iter().find(|n| n.starts_with(stem)).expect("is in the strip").clone();
    click(&mut h, &format!("Picture {}", named("first")));
    until(&mut h, "the slide", |h| has(h, "Picture canvas"));
    rest(&mut h);
    type_into(&mut h, "Division", "10um");
    click(&mut h, "Read the slide");
    until(&mut h, "the reading", |h| has(h, "in the fit"));
    rest(&mut h);
    assert!(has(&h, "not read; taken as equal"));
    // One that is hardly turned is not taken, and what was read stays.
    turn(&mut h, &named("third"));
    assert!(has(&h, "must be 60 to 120°") && has(&h, "not read; taken as equal"), "{:?}", texts(&h, "turned"));
    turn(&mut h, &named("second"));
    assert!(has(&h, "of that along (k = 2), no difference is seen"), "{:?}", texts(&h, "along"));
    click(&mut h, "Save the setup");
    let file = std::fs::read_dir(home.path().join("data/setups")).expect("kept").flatten().next().expect("kept").path();
    let kept = motestick::setup::read(&file).expect("reads");
    let crossways = kept.readings[0].crossways.as_ref().expect("the turned picture is named in the setup");
    assert_eq!(crossways.picture, named("second"));
}
