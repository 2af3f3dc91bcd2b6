//! Makes `sample_data/`: `cargo run --example make_sample_data [DIR]`.
//!
//! Two pictures of one ruled slide (a still and a frame of footage) and three animals photographed with the still's setup, all rendered
//! with exact truth. Beside each animal stands a TOML file: what it is, how it was made, the marks that a person placed
//! (the truth moved by a hand that errs evenly over the blur spot) and the true figures.
#![allow(clippy::print_stdout, reason = "a maker program tells what it wrote")]

use motestick::phantom::animal::{Animal, AnimalScene, Placed, RenderedAnimal, render as render_animal, species};
use motestick::phantom::slide::{Distortion, DistortionForm, SlideScene, render as render_slide};
use motestick::phantom::{Coding, Sensor};
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;
use std::path::{Path, PathBuf};

/// Pixel pitch on the sensor of the still, µm.
const STILL_PITCH_UM: f64 = 3.72;
/// The footage uses the same 2400 columns of the sensor for 1920.
const FOOTAGE_PITCH_UM: f64 = STILL_PITCH_UM * 2400.0 / 1920.0;
const MARKED_APERTURE: f64 = 5.6;
/// Real magnification of the rig: a little off the mark, as rigs are.
const REAL_MAGNIFICATION: f64 = 4.03;

fn main() {
    let dir = std::env::args().nth(1).map_or_else(|| PathBuf::from("sample_data"), PathBuf::from);
    std::fs::create_dir_all(&dir).expect("the folder can be made");
    slide(&dir, "slide_still", 2400, 1600, REAL_MAGNIFICATION / STILL_PITCH_UM, -6.4, 11);
    slide(&dir, "slide_footage", 1920, 1080, REAL_MAGNIFICATION / FOOTAGE_PITCH_UM, 3.1, 12);
    let wasp = Wanted {
        file: "fairyfly",
        name: "fairyfly wasp",
        what: "a female fairyfly wasp from a leaf washing, wings spread, antennae forward",
        heading_deg: 24.0,
        tilt_deg: 6.0,
        lying: "within:10",
        antenna: Some("antenna left"),
        seed: 21,
    };
    animal(&dir, species::fairyfly(), &wasp);
    let thrips = Wanted {
        file: "thrips",
        name: "thrips",
        what: "a thrips from a sticky card, abdomen stretched",
        heading_deg: -17.0,
        tilt_deg: 3.0,
        lying: "within:10",
        antenna: Some("antenna left"),
        seed: 22,
    };
    animal(&dir, species::thrips(), &thrips);
    let mite = Wanted {
        file: "mite",
        name: "mite",
        what: "a mite from a leaf washing, eight legs, seen from above",
        heading_deg: 96.0,
        tilt_deg: 2.0,
        lying: "flat",
        antenna: None,
        seed: 23,
    };
    animal(&dir, species::mite(), &mite);
}

fn sensor() -> Sensor {
    Sensor {
        electrons_at_full_scale: Some(14_000.0),
        read_noise_electrons: 3.0,
        coding: Coding::Rgb8,
        jpeg_quality: Some(90),
        ..Sensor::default()
    }
}

fn distortion() -> Distortion {
    Distortion { k1: -0.002, form: DistortionForm::IdealFromRecorded }
}

fn write(dir: &Path, name: &str, bytes: &[u8]) {
    let path = dir.join(name);
    std::fs::write(&path, bytes).expect("the file can be written");
    println!("{}: {} kB", path.display(), bytes.len() / 1000);
}

fn slide(dir: &Path, name: &str, width_px: usize, height_px: usize, px_per_um: f64, rotation_deg: f64, seed: u64) {
    let mut scene = SlideScene {
        width_px,
        height_px,
        px_per_um,
        rotation_deg,
        magnification: REAL_MAGNIFICATION,
        effective_aperture: MARKED_APERTURE * (1.0 + REAL_MAGNIFICATION),
        distortion: distortion(),
        tilt_deg: 0.4,
        contrast: 0.72,
        background: 0.62,
        vignette: 0.18,
        gradient: 0.12,
        dirt_specks: 14,
        scratches: 1,
        sensor: sensor(),
        seed,
        ..SlideScene::default()
    };
    scene.rulings[0].origin_um = [0.0, -30.0];
    scene.rulings[0].placement_sd_um = 0.08;
    let rendered = render_slide(&scene).expect("renders");
    let (bytes, extension) = rendered.picture.file().expect("encodes");
    write(dir, &format!("{name}.{extension}"), &bytes);
    println!("  true scale {:.6} px/µm, blur spot {:.2} µm", rendered.truth.px_per_um, rendered.truth.blur_spot_um);
}

struct Wanted {
    file: &'static str,
    name: &'static str,
    what: &'static str,
    heading_deg: f64,
    tilt_deg: f64,
    lying: &'static str,
    antenna: Option<&'static str>,
    seed: u64,
}

fn animal(dir: &Path, animal: Animal, wanted: &Wanted) {
    let px_per_um = REAL_MAGNIFICATION / STILL_PITCH_UM;
    let scene = AnimalScene {
        width_px: 2400,
        height_px: 1600,
        px_per_um,
        distortion: distortion(),
        magnification: REAL_MAGNIFICATION,
        effective_aperture: MARKED_APERTURE * (1.0 + REAL_MAGNIFICATION),
        animals: vec![Placed { animal, position_um: [40.0, -25.0], heading_deg: wanted.heading_deg }],
        tilt_deg: wanted.tilt_deg,
        tilt_azimuth_deg: wanted.heading_deg,
        // A third of the way from the half-way crossing to its quarter, toward the dark side.
        threshold_um: 0.6,
        background: 0.62,
        texture: 0.06,
        debris: 7,
        vignette: 0.18,
        gradient: 0.1,
        sensor: sensor(),
        seed: wanted.seed,
        ..AnimalScene::default()
    };
    let rendered = render_animal(&scene).expect("renders");
    let (bytes, extension) = rendered.picture.file().expect("encodes");
    let picture = format!("{}.{extension}", wanted.file);
    write(dir, &picture, &bytes);
    write(dir, &format!("{}.toml", wanted.file), notes(&rendered, wanted, &picture).as_bytes());
}

/// Marks as a hand places them: evenly over the blur spot about the truth.
struct Hand {
    rng: Pcg64Mcg,
    blur_px: f64,
}

impl Hand {
    fn place(&mut self, p: [f64; 2]) -> String {
        let mut slip = || self.blur_px * self.rng.random_range(-0.5..0.5);
        let (dx, dy) = (slip(), slip());
        format!("{:.1},{:.1}", p[0] + dx, p[1] + dy)
    }

    fn all(&mut self, points: impl IntoIterator<Item = [f64; 2]>) -> String {
        points.into_iter().map(|p| self.place(p)).collect::<Vec<_>>().join(" ")
    }
}

fn notes(rendered: &RenderedAnimal, wanted: &Wanted, picture: &str) -> String {
    let truth = rendered.truth.as_ref().expect("the scene has an animal");
    let mut hand = Hand { rng: Pcg64Mcg::seed_from_u64(wanted.seed), blur_px: truth.blur_spot_px };
    let mut out = format!(
        "# Rendered by tests/make/sample_data.rs; image coordinates, origin at the outer corner of the top-left pixel.\n\
         name = \"{}\"\nwhat = \"{}\"\npicture = \"{picture}\"\nlying = \"{}\"\n",
        wanted.name, wanted.what, wanted.lying
    );
    let axis = hand.all(truth.axis_px.iter().step_by(5).copied());
    let breadth = hand.all(truth.breadth_px);
    out.push_str(&format!("\n[marks]\naxis = \"{axis}\"\nspan = \"{breadth}\"\n"));
    let antenna = wanted.antenna.and_then(|name| truth.limbs.iter().find(|l| l.name == name));
    if let Some(limb) = antenna {
        out.push_str(&format!("appendage = \"{}\"\n", hand.all(limb.joints_px.iter().copied())));
    }
    out.push_str(&format!(
        "\n[truth]\nbody_length_um = {:.3}\nbreadth_um = {:.3}\nblur_spot_um = {:.3}\ntilt_deg = {:.1}\n",
        truth.body_length_um, truth.breadth_um, truth.blur_spot_um, wanted.tilt_deg
    ));
    if let Some(limb) = antenna {
        let list = limb.segment_um.iter().map(|v| format!("{v:.3}")).collect::<Vec<_>>().join(", ");
        out.push_str(&format!("segment_um = [{list}]\n"));
    }
    out
}
