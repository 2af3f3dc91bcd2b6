//! The real binary on rulers other than a plain ruling, on several pictures of one setup, and on marks set by hand.

use std::path::{Path, PathBuf};

use motestick::phantom::slide::{SlideScene, render};
use motestick::phantom::style::{Style, style_scene};
use serde_json::Value;

use super::cli::{json, motestick, sample, stderr, stdout};

fn picture(dir: &Path, name: &str, scene: &SlideScene) -> String {
    let (bytes, extension) = render(scene).expect("renders").picture.file().expect("encodes");
    let path = dir.join(format!("{name}.{extension}"));
    std::fs::write(&path, bytes).expect("writes");
    path.display().to_string()
}

/// A small clean picture of 1 mm in 100, 0.8 mm of it in sight.
fn small(px_per_um: f64, seed: u64) -> SlideScene {
    SlideScene { width_px: 800, height_px: 500, px_per_um, seed, ..SlideScene::default() }
}

fn number(j: &Value, key: &str) -> f64 {
    j[key].as_f64().unwrap_or_else(|| panic!("{key}: {j}"))
}

fn ok(args: &[&str]) -> std::process::Output {
    let out = motestick(args);
    assert_eq!(out.status.code(), Some(0), "{args:?}: {}", stderr(&out));
    out
}

#[test]
fn a_crossed_ruling_tells_both_directions() {
    let dir = tempfile::tempdir().expect("a folder");
    let file = picture(dir.path(), "crossed", &style_scene(Style::Crossed, 3));
    let j = json(&ok(&["calibrate", &file, "--division", "10um", "--json"]));
    assert_eq!(j["ruler"], "crossed");
    assert!((number(&j, "ratio_across") - 1.0).abs() < 1e-4 && number(&j, "squareness_deg").abs() < 0.01, "{j}");
    assert!(number(&j, "evidence_affine") < 0.5 && number(&j, "u_ratio_across") < 1e-4, "{j}");
    assert_eq!(j["local_scales"].as_array().map(Vec::len), Some(5));
    let text = stdout(&ok(&["calibrate", &file, "--division", "10um"]));
    assert!(text.contains("lines in both directions") && text.contains("the same in both directions"), "{text}");
}

#[test]
fn a_dot_plate_states_its_size_and_its_residual() {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../shared/real/line_grid/dot_pattern_05.jpg");
    if !path.exists() {
        println!("skipped: the photographed dot plate is not beside the project");
        return;
    }
    let j = json(&ok(&["calibrate", &path.display().to_string(), "--division", "0.5mm", "--json"]));
    assert_eq!(j["ruler"], "dots");
    assert!(
        (84.0..=86.0).contains(&number(&j, "dot_columns")) && (52.0..=54.0).contains(&number(&j, "dot_rows")),
        "{j}"
    );
    // 15.14 to 15.18 px at the centre (README beside it).
    assert!((15.13..15.19).contains(&(500.0 * number(&j, "scale_px_per_um"))), "{j}");
    assert!(number(&j, "residual_rms_px") < 0.05 && number(&j, "residual_rms_um") < 1.6, "{j}");
}

#[test]
fn a_turned_picture_calibrates_the_other_direction_by_evidence() {
    let dir = tempfile::tempdir().expect("a folder");
    let of = |aspect: f64, degrees: f64, name: &str| {
        let scene = SlideScene { pixel_aspect: aspect, rotation_deg: degrees, ..small(1.0, 3) };
        picture(dir.path(), name, &SlideScene { width_px: 800, height_px: 800, centre_um: [400.0, 30.0], ..scene })
    };
    for (aspect, differs) in [(1.0, false), (1.004, true)] {
        let (first, second) = (of(aspect, 2.0, "first"), of(aspect, 91.0, "second"));
        let args = [
            "calibrate",
            &first,
            "--division",
            "10um",
            "--crossways",
            &second,
            "--magnification",
            "4",
            "--na",
            "0.1",
            "--json",
        ];
        let j = json(&ok(&args));
        let off = number(&j, "ratio_across") / aspect - 1.0;
        // Slide tilt and focus between the pictures may be 1.2e-3 off by the budget, so that part of a difference is doubted.
        assert!(off.abs() < 2.0 * number(&j, "u_ratio_across") && off.abs() < 1.5e-3, "{j}");
        assert_eq!(number(&j, "evidence_affine") > 0.5, differs, "{j}");
        assert!(number(&j, "u_ratio_across") < 1.3e-3 && j["squareness_deg"].is_null(), "{j}");
        assert_eq!(j["model"].as_str().expect("a model").contains("affine"), differs, "{j}");
    }
    let again = of(1.0, 20.0, "again");
    let first = of(1.0, 2.0, "first");
    let out = motestick(&["calibrate", &first, "--division", "10um", "--crossways", &again, "--json"]);
    assert_eq!(out.status.code(), Some(3));
    assert_eq!(json(&out)["refused"], "slide not turned");
}

#[test]
fn several_pictures_of_a_setup_tell_its_reproducibility() {
    let dir = tempfile::tempdir().expect("a folder");
    let scales = [1.0, 1.002, 0.999, 1.001];
    let files: Vec<String> =
        scales.iter().zip(1..).map(|(s, i)| picture(dir.path(), &format!("{i}"), &small(*s, i))).collect();
    let folder = dir.path().display().to_string();
    let mut args = vec!["calibrate"];
    args.extend(files.iter().map(String::as_str));
    args.extend(["--division", "10um", "--setup", "rig", "--library", &folder]);
    let text = stdout(&ok(&[&args[..], &["--json"]].concat()));
    let lines: Vec<Value> = text.lines().map(|l| serde_json::from_str(l).expect("JSON")).collect();
    assert_eq!(lines.len(), 4);
    let last = &lines[3];
    assert_eq!(last["setup_readings"], 4);
    let mean = scales.iter().sum::<f64>() / 4.0;
    let s = (scales.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / 3.0).sqrt() / mean;
    assert!((number(last, "setup_scale_px_per_um") / mean - 1.0).abs() < 2e-5, "{last}");
    assert!((number(last, "setup_spread_rel") / s - 1.0).abs() < 0.02, "{last}");
    // The pooled budget: that of one reading with s √(1 + 1/4) in place of the assumed 0.3 %, and the focus term of the blurriest.
    let focus = |v: &Value| number(&v["u_rel_by_source"], "focus").powi(2);
    let blurriest = lines.iter().map(focus).fold(0.0, f64::max);
    let rest = number(last, "u_rel").powi(2) - 0.003_f64.powi(2) - focus(last) + blurriest;
    assert!((number(last, "setup_u_rel") / (rest + 1.25 * s * s).sqrt() - 1.0).abs() < 0.002, "{last}");
    // In words: the same pictures again take their own places.
    let out = ok(&args);
    let text = stdout(&out);
    assert!(text.contains("all together") && text.contains("from 4 readings, spread 0.13 %"), "{text}");
    assert!(stderr(&out).contains("takes its place"), "{}", stderr(&out));
    // Frames taken one after the other do not tell how well the rig comes back.
    let frames: Vec<String> = (11..15).map(|i| picture(dir.path(), &format!("{i}"), &small(1.0, i))).collect();
    let mut args = vec!["calibrate"];
    args.extend(frames.iter().map(String::as_str));
    args.extend(["--division", "10um", "--setup", "frames", "--library", &folder]);
    let out = ok(&args);
    assert!(stderr(&out).contains("closer than rigs come back"), "{}", stderr(&out));
}

#[test]
fn marks_by_hand_are_the_last_resort_and_say_so() {
    let dir = tempfile::tempdir().expect("a folder");
    let folder = dir.path().display().to_string();
    // Only the two ends of a ruler: nothing that a reading could be made of.
    let mut scene = small(0.5, 9);
    scene.rulings[0].draw_every = 100;
    let bare = picture(dir.path(), "ends", &scene);
    let out = motestick(&["calibrate", &bare, "--division", "10um", "--json"]);
    assert_eq!(out.status.code(), Some(3), "{}", stdout(&out));
    // 1000 µm at 0.5 px/µm, the middle of the ruler at the picture's: x 150 and 650.
    let marks = "150.3,250=0um 649.9,250.5=1mm";
    let base = ["--setup", "rig", "--library", &folder, "--json"];
    let j = json(&ok(&[&["calibrate", &bare, "--by-hand", marks][..], &base].concat()));
    assert_eq!((&j["ruler"], &j["graduations_used"]), (&Value::from("by hand"), &Value::from(2)));
    let off = number(&j, "scale_px_per_um") / 0.5 - 1.0;
    // 6 px wide, rectangular: √2 · 6 / √12 / 500 = 0.49 %.
    assert!((4.8e-3..8e-3).contains(&number(&j, "u_rel_fit")) && off.abs() < number(&j, "u_rel_fit"), "{j}");
    assert!(
        j["ratio_across"].is_null()
            && j["signal_to_noise"].is_null()
            && j["warnings"].to_string().contains("set by hand"),
        "{j}"
    );
    let setup = std::fs::read_to_string(j["setup_file"].as_str().expect("a file")).expect("reads");
    assert!(setup.contains("by_hand = true"), "{setup}");
    // A reading of the slide that succeeds counts alone.
    let good = picture(dir.path(), "good", &small(0.497, 2));
    let j = json(&ok(&[&["calibrate", &good, "--division", "10um"][..], &base].concat()));
    assert_eq!(j["setup_readings"], 1);
    assert!((number(&j, "setup_scale_px_per_um") / 0.497 - 1.0).abs() < 1e-4, "{j}");
    for (marks, code, words) in [
        ("150,250=0um", 2, "at least 2 are needed"),
        ("150,250=0 650,250=1mm", 2, "no unit"),
        ("150,250=0um 160,250=20um", 3, "farther apart"),
        ("150,250=0um 400,250=500um 650,250=1100um", 3, "check the mark and its length"),
        ("150,250=0um 950,250=1mm", 3, "outside the picture"),
    ] {
        let out = motestick(&["calibrate", &bare, "--by-hand", marks]);
        assert_eq!(out.status.code(), Some(code), "{marks}: {}", stderr(&out));
        assert!(stderr(&out).contains(words), "{marks}: {}", stderr(&out));
    }
}

#[test]
fn a_tilted_slide_is_told_by_its_blur_and_in_degrees() {
    let dir = tempfile::tempdir().expect("a folder");
    let scene =
        SlideScene { tilt_deg: 4.0, pupil_distance_um: 15_000.0, effective_aperture: 30.0, ..SlideScene::default() };
    let file = picture(dir.path(), "tilted", &scene);
    let args = ["calibrate", &file, "--division", "10um", "--pupil-distance", "15mm"];
    let j = json(&ok(&[&args[..], &["--json"]].concat()));
    assert!((number(&j, "tilt_deg") - 4.0).abs() < 3.0 * number(&j, "u_tilt_deg") + 0.3, "{j}");
    let text = stdout(&ok(&args));
    assert!(text.contains("tilted by") && text.contains("toward the left"), "{text}");
    let text = stdout(&ok(&args[..4]));
    assert!(text.contains("--pupil-distance"), "{text}");
    let spots = j["blur_spots"].as_array().expect("a list");
    assert!(spots.len() >= 2 && spots.iter().all(|s| s["place"].is_string() && s["blur_spot_px"].is_number()), "{j}");
}

#[test]
fn the_plot_holds_residuals_and_their_map_and_what_was_left_out_is_listed() {
    let dir = tempfile::tempdir().expect("a folder");
    let plot = dir.path().join("plot.png").display().to_string();
    let mut scene = small(1.0, 4);
    scene.rulings[0].missing_fraction = 0.08;
    let file = picture(dir.path(), "holes", &scene);
    let j = json(&ok(&["calibrate", &file, "--division", "10um", "--plot", &plot, "--json"]));
    let drawn = image::open(&plot).expect("a picture").to_rgb8();
    assert!(drawn.width() == 1200 && drawn.height() > 1200, "{} x {}", drawn.width(), drawn.height());
    let (inked, all) = (drawn.pixels().filter(|p| p.0 != [255; 3]).count(), drawn.pixels().len());
    assert!(inked * 200 > all, "{inked} of {all} pixels are drawn on");
    let left_out = j["left_out"].as_array().expect("a list");
    assert_eq!(Some(left_out.len() as u64), j["graduations_rejected"].as_u64());
    assert!(!left_out.is_empty() && left_out.iter().any(|l| l["reason"] == "not seen" && l["x_px"].is_number()), "{j}");
    let text = stdout(&ok(&["calibrate", &file, "--division", "10um"]));
    assert!(text.contains("left out (") && text.contains("not seen"), "{text}");
    let sharp = stdout(&ok(&["calibrate", &sample("slide_still.jpg"), "--division", "10um"]));
    assert!(sharp.contains("isotropy") && sharp.contains("what would better it most"), "{sharp}");
}
