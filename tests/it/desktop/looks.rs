//! Pictures of the places, for people to look at, in `target/window`.

use std::path::{Path, PathBuf};

use eframe::egui;
use egui_kittest::Harness;
use egui_kittest::kittest::Queryable;
use motestick::desktop::Desktop;

use super::whole::{axis_1_is_the_body_length, sample_notebook};
use super::{click, click_at, has, rest, turn_wheel, type_into, until, window_on};

/// Keeps a picture of the window as it is.
pub(super) fn save(harness: &mut Harness<'static, Desktop>, name: &str) {
    harness.step();
    let folder: PathBuf = Path::new(env!("CARGO_TARGET_TMPDIR")).parent().unwrap_or(Path::new(".")).join("window");
    std::fs::create_dir_all(&folder).expect("works");
    let picture = harness.render().expect("works");
    let mean = picture.pixels().map(|p| u64::from(p.0[0])).sum::<u64>() / u64::from(picture.width() * picture.height());
    assert!(mean > 5, "{name} is black");
    picture.save(folder.join(format!("{name}.png"))).expect("works");
    // The README's picture: UPDATE_PICTURES=1 cargo test --test it pages_small
    if name.ends_with("1280x720_light_e_proposal") && std::env::var_os("UPDATE_PICTURES").is_some() {
        let docs = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs");
        std::fs::create_dir_all(&docs).expect("works");
        picture.save(docs.join("window.png")).expect("works");
    }
}

fn day(size: [f32; 2], pixels_per_point: f32, dark: bool) {
    let home = tempfile::tempdir().expect("works");
    let tag = format!(
        "{}x{}_{}",
        size[0] * pixels_per_point,
        size[1] * pixels_per_point,
        match (dark, pixels_per_point > 1.0) {
            (true, _) => "dark",
            (false, true) => "fine",
            (false, false) => "light",
        }
    );
    let mut h = window_on(size, pixels_per_point, home.path());
    h.ctx.set_theme(if dark { egui::ThemePreference::Dark } else { egui::ThemePreference::Light });
    h.step();
    save(&mut h, &format!("{tag}_0_start"));
    for (key, name) in [(egui::Key::F3, "animal"), (egui::Key::F4, "notebook"), (egui::Key::F2, "slide")] {
        h.key_press(key);
        h.step();
        h.step();
        save(&mut h, &format!("{tag}_0_{name}_empty"));
    }
    click(&mut h, "Open the sample pictures");
    rest(&mut h);
    click(&mut h, "Picture slide_still.jpg");
    until(&mut h, "the picture", |h| has(h, "Picture canvas"));
    type_into(&mut h, "Division", "10um");
    click(&mut h, "Read the slide");
    until(&mut h, "the reading", |h| has(h, "in the fit"));
    rest(&mut h);
    save(&mut h, &format!("{tag}_1_slide"));
    click(&mut h, "Save the setup");
    click(&mut h, "Animal");
    click(&mut h, "Picture thrips.jpg");
    until(&mut h, "the thrips", |h| has(h, "Picture canvas"));
    rest(&mut h);
    save(&mut h, &format!("{tag}_2_animal_before"));
    click(&mut h, "It lies flat");
    let c = h.get_by_label("Picture canvas").rect().center();
    for (x, y) in [(-150.0, 50.0), (-60.0, 20.0), (60.0, -20.0)] {
        click_at(&mut h, c + egui::vec2(x, y));
    }
    h.hover_at(c + egui::vec2(170.0, -55.0));
    h.step();
    h.step();
    save(&mut h, &format!("{tag}_3_animal_drawing"));
    click_at(&mut h, c + egui::vec2(170.0, -55.0));
    h.key_press(egui::Key::Enter);
    rest(&mut h);
    save(&mut h, &format!("{tag}_4_animal"));
    click(&mut h, "Notebook");
    save(&mut h, &format!("{tag}_5_notebook"));
    click(&mut h, "Planner");
    h.step();
    save(&mut h, &format!("{tag}_6_planner"));
    h.key_press(egui::Key::F1);
    h.step();
    h.step();
    save(&mut h, &format!("{tag}_7_keys"));
}

/// The pages over the sample notebook, a proposal, marks by hand.
fn pages(size: [f32; 2], dark: bool) {
    let home = tempfile::tempdir().expect("works");
    let tag = format!("{}x{}_{}", size[0], size[1], if dark { "dark" } else { "light" });
    let mut h = sample_notebook(size, home.path());
    h.ctx.set_theme(if dark { egui::ThemePreference::Dark } else { egui::ThemePreference::Light });
    h.step();
    save(&mut h, &format!("{tag}_a_table"));
    click(&mut h, "Export");
    save(&mut h, &format!("{tag}_a_table_export"));
    h.key_press(egui::Key::Escape);
    h.step();
    for (page, name) in [("Statistics", "b_statistics"), ("Repeats", "c_repeats"), ("Comparison", "d_comparison")] {
        click(&mut h, page);
        rest(&mut h);
        if page == "Comparison" {
            axis_1_is_the_body_length(&mut h);
        }
        h.step();
        h.step();
        save(&mut h, &format!("{tag}_{name}"));
    }
    click(&mut h, "Animal");
    click(&mut h, "Picture thrips.jpg");
    until(&mut h, "the thrips", |h| has(h, "Picture canvas"));
    rest(&mut h);
    save(&mut h, &format!("{tag}_e_animal"));
    h.key_press(egui::Key::H);
    h.key_press(egui::Key::Q);
    rest(&mut h);
    h.step();
    save(&mut h, &format!("{tag}_e_proposal"));
    h.key_press(egui::Key::Escape);
    h.key_press(egui::Key::H);
    h.key_press(egui::Key::L);
    h.step();
    h.get_by_label_contains("axis 1   ").click_accesskit();
    h.step();
    h.step();
    save(&mut h, &format!("{tag}_e_chosen"));
    click(&mut h, "View");
    save(&mut h, &format!("{tag}_e_view"));
    click(&mut h, "View");
    click(&mut h, "Slide");
    click(&mut h, "Picture mite.jpg");
    until(&mut h, "the mite", |h| has(h, "Picture canvas"));
    rest(&mut h);
    click(&mut h, "Mark by hand");
    let c = h.get_by_label("Picture canvas").rect().center();
    click_at(&mut h, c + egui::vec2(-200.0, 40.0));
    click_at(&mut h, c + egui::vec2(180.0, 20.0));
    save(&mut h, &format!("{tag}_f_by_hand"));
    click(&mut h, "Planner");
    click(&mut h, "Render the preview");
    rest(&mut h);
    turn_wheel(&mut h, c, -2000.0);
    for _ in 0..30 {
        h.step();
    }
    save(&mut h, &format!("{tag}_g_preview"));
}

#[test]
fn pages_small_and_light() {
    pages([1280.0, 720.0], false);
}

#[test]
#[ignore = "takes half a minute; for looking at"]
fn pages_large_and_dark() {
    pages([2560.0, 1440.0], true);
}

#[test]
fn small_and_dark() {
    day([1280.0, 720.0], 1.0, true);
}

#[test]
#[ignore = "takes half a minute; for looking at"]
fn large_and_light() {
    day([2560.0, 1440.0], 1.0, false);
}

#[test]
#[ignore = "takes half a minute; for looking at"]
fn on_a_fine_screen() {
    day([1280.0, 720.0], 2.0, false);
}
