//! The window without a screen: the day's work by role and label, pictures of every place.

mod cpu;
mod day;
mod looks;
mod pace;
mod slides;
mod whole;

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use eframe::egui;
use egui_kittest::kittest::{NodeT, Queryable};
use egui_kittest::{Harness, Node};
use motestick::desktop::{Desktop, Folders};

/// A window of this size over an empty home.
fn window(size: [f32; 2], home: &Path) -> Harness<'static, Desktop> {
    window_on(size, 1.0, home)
}

/// The same on a screen with so many pixels a point.
fn window_on(size: [f32; 2], pixels_per_point: f32, home: &Path) -> Harness<'static, Desktop> {
    let folders = Folders { data: home.join("data"), start: home.to_owned() };
    let mut harness = Harness::builder()
        .with_size(size)
        .with_pixels_per_point(pixels_per_point)
        .with_max_steps(60)
        .renderer(cpu::Cpu::default())
        .build_ui_state(|ui, desktop: &mut Desktop| desktop.show(ui), Desktop::new(folders));
    harness.step();
    harness
}

fn sample(name: &str) -> PathBuf {
    Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/sample_data")).join(name)
}

/// Steps until `ready`; what is awaited is named when it does not come.
fn until(harness: &mut Harness<'static, Desktop>, what: &str, ready: impl Fn(&Harness<'static, Desktop>) -> bool) {
    let end = Instant::now() + Duration::from_secs(300);
    while !ready(harness) {
        assert!(Instant::now() < end, "{what} did not come");
        std::thread::sleep(Duration::from_millis(10));
        harness.step();
    }
    harness.step();
}

/// Until nothing runs in the background.
fn rest(harness: &mut Harness<'static, Desktop>) {
    harness.step();
    until(harness, "rest", |h| !h.state().is_busy());
    for _ in 0..4 {
        harness.step();
    }
}

fn has(harness: &Harness<'static, Desktop>, label: &str) -> bool {
    harness.query_all_by_label_contains(label).next().is_some()
}

/// Clicks on what has this label.
fn click(harness: &mut Harness<'static, Desktop>, label: &str) {
    harness.get_by_label(label).click();
    harness.step();
    harness.step();
}

/// Types into the field of this name.
fn type_into(harness: &mut Harness<'static, Desktop>, label: &str, text: &str) {
    let field = harness.get_by_role_and_label(egui::accesskit::Role::TextInput, label);
    field.focus();
    harness.step();
    harness.get_by_role_and_label(egui::accesskit::Role::TextInput, label).type_text(text);
    harness.step();
}

/// The texts of all nodes that contain a word.
fn texts(harness: &Harness<'static, Desktop>, word: &str) -> Vec<String> {
    let text = |n: Node<'_>| n.accesskit_node().label().or_else(|| n.accesskit_node().value()).unwrap_or_default();
    harness.query_all_by_label_contains(word).map(text).collect()
}

/// Where a place of the picture (px, of a picture of this size) is on the screen while the whole picture is shown.
fn on_canvas(harness: &Harness<'static, Desktop>, (width, height): (f32, f32), (x, y): (f32, f32)) -> egui::Pos2 {
    let rect = harness.get_by_label("Picture canvas").rect();
    // A little room is left around it.
    let zoom = 0.97 * (rect.width() / width).min(rect.height() / height);
    rect.center() + zoom * egui::vec2(x - 0.5 * width, y - 0.5 * height)
}

/// Turns the wheel at a place of the screen.
fn turn_wheel(harness: &mut Harness<'static, Desktop>, at: egui::Pos2, points: f32) {
    harness.hover_at(at);
    harness.event(egui::Event::MouseWheel {
        unit: egui::MouseWheelUnit::Point,
        delta: egui::vec2(0.0, points),
        phase: egui::TouchPhase::Move,
        source: egui::MouseWheelSource::Unknown,
        modifiers: egui::Modifiers::NONE,
    });
}

/// A click on the canvas at a place of the screen.
fn click_at(harness: &mut Harness<'static, Desktop>, at: egui::Pos2) {
    harness.hover_at(at);
    harness.step();
    harness.drag_at(at);
    harness.step();
    harness.drop_at(at);
    harness.step();
}
