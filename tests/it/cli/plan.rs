//! `plan` from the command line: options, tables, plot and preview.

use std::path::Path;

use serde_json::Value;

use super::{json, motestick, stderr, stdout};

const BASE: [&str; 5] = ["plan", "--magnification", "5", "--pixel", "3.72um"];

fn planned(more: &[&str]) -> Value {
    let args = [&BASE[..], more, &["--json"]].concat();
    let out = motestick(&args);
    assert_eq!(out.status.code(), Some(0), "{more:?}: {}", stderr(&out));
    json(&out)
}

fn number(v: &Value) -> f64 {
    v.as_f64().unwrap_or_else(|| panic!("no number: {v}"))
}

fn asked(j: &Value) -> Value {
    j["apertures"].as_array().expect("rows").iter().find(|r| r["asked"] == true).expect("one asked for").clone()
}

/// A picture of 1100 px with an upright edge in its middle and fine stripes to the left.
fn sharp(dir: &Path) -> String {
    let path = dir.join("sharp.png");
    let picture = image::GrayImage::from_fn(1100, 1100, |x, y| {
        let stripe = x > 300 && x < 420 && (x / 6) % 2 == 0 && y > 300 && y < 800;
        image::Luma([if x >= 550 || stripe { 200 } else { 40 }])
    });
    picture.save(&path).expect("saves");
    path.display().to_string()
}

#[test]
fn every_figure_has_a_key_with_its_unit() {
    let j = planned(&[
        "--aperture",
        "8",
        "--want",
        "12um",
        "--animal",
        "0.8mm",
        "--thickness",
        "200um",
        "--speed",
        "1mm",
        "--exposed",
        "8 1/60 400",
        "--iso",
        "800",
        "--columns",
        "6000",
        "--pupil",
        "1",
    ]);
    let r = asked(&j);
    for key in [
        "effective_aperture",
        "numerical_aperture",
        "airy_radius_um",
        "blur_spot_um",
        "blur_spot_px",
        "depth_wave_um",
        "depth_geometric_um",
        "depth_um",
        "px_per_airy_radius",
        "nyquist_cycles_per_um",
        "cutoff_cycles_per_um",
        "contrast_at_nyquist",
        "smallest_resolved_um",
        "smallest_marginal_um",
        "exposure_stops",
        "longest_shutter_s",
        "iso_needed",
        "light_lacking_stops",
        "focus_steps",
        "focus_step_um",
        "blur_spot_at_half_thickness_um",
    ] {
        assert!(r[key].is_number(), "{key}: {r}");
    }
    assert!(r["wanted"]["u_um"].is_number() && r["animal"]["budget"].is_array(), "{r}");
    assert_eq!((r["nyquist_verdict"].as_str(), r["sampling"].as_str()), (Some("full"), Some("enough")));
    // The field of 6000 x 4000 px of 0.744 µm.
    assert!(
        (number(&j["field_width_um"]) - 4464.0).abs() < 1e-9 && (number(&j["field_height_um"]) - 2976.0).abs() < 1e-9
    );
    // n λ / NA² and 2 c N_eff / m² with c two pixels.
    assert!((number(&r["depth_wave_um"]) - 0.55 * (2.0_f64 * 48.0 / 5.0).powi(2)).abs() < 1e-9);
    assert!((number(&r["depth_geometric_um"]) - 2.0 * 7.44 * 48.0 / 25.0).abs() < 1e-9);
}

#[test]
fn an_unknown_pupil_is_a_range_and_pupil_settles_it() {
    let unknown = planned(&["--aperture", "8", "--want", "40um"]);
    let r = asked(&unknown);
    let (low, high) = (number(&r["effective_aperture_low"]), number(&r["effective_aperture_high"]));
    // MEASUREMENT: N (1 + m/P) with P from 2 to 0.28.
    assert!((low - 8.0 * 3.5).abs() < 1e-9 && (high - 8.0 * (1.0 + 5.0 / 0.28)).abs() < 1e-9);
    assert!(number(&r["blur_spot_low_um"]) < number(&r["blur_spot_um"]));
    assert_eq!(r["wanted_verdict"], "marginal");
    assert_eq!(r["wanted_verdict_at_best"], "resolved");
    let pupil = number(&r["wanted_resolved_from_pupil"]);
    let source = |j: &Value| j["wanted"]["budget"].to_string();
    assert!(source(&r).contains("pupil magnification not known"), "{}", source(&r));
    let known = planned(&["--aperture", "8", "--want", "40um", "--pupil", &format!("{:.3}", 1.01 * pupil)]);
    assert_eq!(asked(&known)["wanted_verdict"], "resolved");
    assert!(!source(&asked(&known)).contains("pupil"));
    // A reversed lens has its pupils the other way round.
    let reversed = planned(&["--aperture", "8", "--lens", "reversed", "--pupil", "0.5"]);
    assert!((number(&asked(&reversed)["effective_aperture"]) - 8.0 * 3.5).abs() < 1e-9);
    let out = motestick(&[&BASE[..], &["--aperture", "8", "--want", "12um"]].concat());
    assert!(stdout(&out).contains("if P ≥ 1.2") && stderr(&out).contains("--pupil settles it"), "{}", stdout(&out));
}

#[test]
fn the_tables_fit_a_terminal_of_100_columns() {
    for more in [
        &["--aperture", "8"][..],
        &[
            "--aperture",
            "8",
            "--want",
            "12um",
            "--animal",
            "0.8mm",
            "--thickness",
            "200um",
            "--speed",
            "1mm",
            "--exposed",
            "8 1/60 400",
            "--iso",
            "800",
        ],
        &["--lens", "objective", "--na", "0.1", "0.25", "--want", "3um", "--animal", "0.3mm", "--thickness", "50um"],
    ] {
        let out = motestick(&[&BASE[..], more].concat());
        let text = stdout(&out);
        let tables = text.split("\n\n").filter(|part| part.contains("aperture  "));
        for line in tables.flat_map(str::lines).filter(|l| !l.contains("What")) {
            assert!(line.chars().count() <= 100, "{} columns: {line}", line.chars().count());
        }
    }
}

#[test]
fn recording_modes_and_inputs_change_what_they_should() {
    // Footage of 3840 columns from the middle 1/1.5 of a sensor 36 mm wide: 6.25 µm.
    let out = motestick(&[
        "plan",
        "--magnification",
        "5",
        "--sensor",
        "36x24",
        "--columns",
        "3840",
        "--crop",
        "1.5",
        "--aperture",
        "8",
        "--json",
    ]);
    let j = json(&out);
    assert!((number(&j["pixel_um"]) - 6.25).abs() < 1e-9, "{j}");
    assert!((number(&j["field_height_um"]) - 2560.0 * 1.25).abs() < 1e-6);
    assert!((number(&planned(&["--binning", "2"])["pixel_um"]) - 7.44).abs() < 1e-9);
    let depth = |more: &[&str]| number(&asked(&planned(&[&["--aperture", "8"], more].concat()))["depth_geometric_um"]);
    assert!((depth(&["--accepted-blur", "18um"]) / depth(&["--accepted-blur", "4"]) - 18.0 / 14.88).abs() < 1e-9);
    let stops = number(&asked(&planned(&["--aperture", "8", "--reference", "4"]))["exposure_stops"]);
    assert!((stops + 2.0).abs() < 1e-9);
    let u = |more: &[&str]| {
        let all = [&["--aperture", "8", "--animal", "2mm", "--pupil", "1", "--level-within", "5"], more].concat();
        number(&asked(&planned(&all))["animal"]["u_um"])
    };
    assert!(u(&["--scale-uncertainty", "0.05%"]) < u(&[]) && u(&["--tone-known"]) < u(&[]));
    assert!(u(&["--snapped", "--incoherent"]) < u(&["--snapped"]));
    assert!(u(&["--working-distance", "10mm"]) > u(&[]));
    let w = |more: &[&str]| number(&asked(&planned(&[&["--aperture", "8"], more].concat()))["blur_spot_um"]);
    assert!(w(&["--spectrum", "0.45um:1 0.5um:1"]) < w(&[]) && w(&["--white"]) > w(&["--wavelength", "0.5um"]));
}

#[test]
fn what_cannot_be_is_refused_with_what_to_do() {
    for (more, words) in [
        (&["--na", "1.2"][..], "refractive index 1 of the medium"),
        (&["--lens", "objective"], "give --na"),
        (&["--lens", "objective", "--aperture", "8"], "give --na"),
        (&["--na", "0.1", "--exposed", "8 1/60 400"], "\"0.1 1/60 400\""),
        (&["--plot", "plan.jpg"], "FILE.png or FILE.svg"),
        (&["--out", "p.png"], "--preview"),
        (&["--defocus", "10um"], "--preview"),
        (&["--preview", "x.png", "--preview-scale", "4", "--out", "p.jpg"], "does not end in .png"),
        (&["--crop", "1.5"], "--sensor"),
        (&["--aperture", "4,8"], "decimal point"),
        (&["--accepted-blur", "-2"], "above 0"),
        (&["--scale-uncertainty", "0.5"], "below 10 %"),
    ] {
        let out = motestick(&[&BASE[..], more].concat());
        assert_eq!(out.status.code(), Some(2), "{more:?}: {}{}", stdout(&out), stderr(&out));
        assert!(stderr(&out).contains(words), "{more:?}: {}", stderr(&out));
        assert!(out.stdout.is_empty(), "{more:?}");
    }
    let water = planned(&["--na", "1.2", "--medium-index", "1.333"]);
    assert!((number(&asked(&water)["numerical_aperture"]) - 1.2).abs() < 1e-12);
    let out = motestick(&["plan", "--magnification", "-1", "--pixel", "3um"]);
    assert!(stderr(&out).contains("-1 must be above 0"), "{}", stderr(&out));
}

#[test]
fn plots_are_written_in_the_format_of_their_name() {
    let dir = tempfile::tempdir().expect("a folder");
    for (name, more) in [
        ("p.png", &["--aperture", "8", "--want", "12um", "--animal", "0.8mm"][..]),
        ("p.svg", &["--aperture", "8", "--want", "12um"]),
        ("one.svg", &["--na", "0.1"]),
    ] {
        let file = dir.path().join(name);
        planned(&[more, &["--plot", &file.display().to_string()]].concat());
        let bytes = std::fs::read(&file).expect("written");
        if name.ends_with("png") {
            let picture = image::load_from_memory_with_format(&bytes, image::ImageFormat::Png).expect("a PNG");
            assert_eq!((picture.width(), picture.height()), (1200, 1000));
        } else {
            let text = String::from_utf8(bytes).expect("UTF-8");
            assert!(
                text.starts_with("<svg") && text.contains("blur spot") && text.contains("depth of field"),
                "{text}"
            );
        }
    }
}

#[test]
fn previews_show_two_panels_and_what_they_are() {
    let dir = tempfile::tempdir().expect("a folder");
    let sharp = sharp(dir.path());
    let shown = |name: &str, more: &[&str]| {
        let out = dir.path().join(name).display().to_string();
        let args = [&BASE[..], more, &["--preview", &sharp, "--preview-scale", "4", "--out", &out]].concat();
        let ran = motestick(&args);
        assert_eq!(ran.status.code(), Some(0), "{more:?}: {}", stderr(&ran));
        let picture = image::open(&out).expect("opens").to_luma8();
        assert!(picture.width() > 2 * picture.height(), "{more:?}: two squares and a gap");
        (stderr(&ran), picture)
    };
    // Contrast of the stripes, 3 µm wide on the animal, in a panel.
    let contrast = |p: &image::GrayImage, panel: u32| {
        let side = p.height();
        let from = panel * (side + 8);
        // Stripes stand from 300 to 420 of 1100 px; the region shown is the middle 860.
        let at = |share: f64| ((share * 1100.0 - 120.0) / 860.0 * f64::from(side)) as u32;
        let row: Vec<f64> = (at(0.28)..at(0.37))
            .map(|x| (at(0.4)..at(0.6)).map(|y| f64::from(p.get_pixel(from + x, y).0[0])).sum::<f64>())
            .collect();
        let (low, high) = row.iter().fold((f64::MAX, 0.0_f64), |(a, b), v| (a.min(*v), b.max(*v)));
        (high - low) / (high + low)
    };
    let (said, two) = shown("two.png", &["--aperture", "2.8", "11"]);
    assert!(said.contains("f/2.8: blur 2.6 µm beside f/11: blur 9.7 µm"), "{said}");
    assert!(contrast(&two, 0) > 2.0 * contrast(&two, 1), "{} {}", contrast(&two, 0), contrast(&two, 1));
    let (said, one) = shown("one.png", &["--na", "0.05"]);
    assert!(said.contains("the sharp picture itself beside NA 0.05"), "{said}");
    assert!(contrast(&one, 0) > 2.0 * contrast(&one, 1));
    let (said, off) = shown("off.png", &["--aperture", "2.8", "11", "--defocus", "40um"]);
    assert!(said.contains("f/2.8, 40 µm out of focus: blur"), "{said}");
    assert!(contrast(&off, 0) < 0.5 * contrast(&two, 0));
    let (said, _) = shown("iso.png", &["--aperture", "8", "--exposed", "8 1/60 400", "--shutter", "1/240"]);
    assert!(said.contains("ISO 1600"), "{said}");
}

#[test]
fn a_drawn_animal_stands_in_where_there_is_no_sharp_picture() {
    let dir = tempfile::tempdir().expect("a folder");
    let out = dir.path().join("drawn.png").display().to_string();
    let asked = ["--aperture", "4", "11", "--preview", "rendered", "--out", &out];
    let done = motestick(&[&BASE[..], &asked].concat());
    assert_eq!(done.status.code(), Some(0), "{}", stderr(&done));
    assert!(stderr(&done).contains("drawn fairyfly wasp"), "{}", stderr(&done));
    let picture = image::open(&out).expect("is a picture").to_luma8();
    // Largest step between neighbours over the head's front, in the middle rows of each panel: the wider aperture is sharper.
    let (side, half) = (picture.height(), picture.width() / 2);
    let steepest = |from: u32| -> u8 {
        (side / 2 - 20..side / 2 + 20)
            .flat_map(|y| (from + side / 3..from + side - 20).map(move |x| (x, y)))
            .map(|(x, y)| picture.get_pixel(x, y).0[0].abs_diff(picture.get_pixel(x + 6, y).0[0]))
            .max()
            .expect("pixels")
    };
    assert!(f64::from(steepest(0)) > 1.4 * f64::from(steepest(half)), "{} {}", steepest(0), steepest(half));
    let scaled = motestick(&[&BASE[..], &asked, &["--preview-scale", "4"]].concat());
    assert_eq!(scaled.status.code(), Some(2));
    let unscaled = motestick(&[&BASE[..], &["--preview", "sharp.png", "--out", &out]].concat());
    assert_eq!(unscaled.status.code(), Some(2));
    assert!(stderr(&unscaled).contains("--preview-scale"), "{}", stderr(&unscaled));
}
