//! The real binary: output, exit status, files.

mod plan;

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use motestick::phantom::slide::{SlideScene, render};
use serde_json::Value;

pub(crate) fn motestick(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_motestick")).args(args).output().expect("the program starts")
}

pub(crate) fn sample(name: &str) -> String {
    format!("{}/sample_data/{name}", env!("CARGO_MANIFEST_DIR"))
}

pub(crate) fn stdout(out: &Output) -> String {
    String::from_utf8(out.stdout.clone()).expect("UTF-8")
}

pub(crate) fn stderr(out: &Output) -> String {
    String::from_utf8(out.stderr.clone()).expect("UTF-8")
}

pub(crate) fn json(out: &Output) -> Value {
    serde_json::from_slice(&out.stdout).unwrap_or_else(|e| panic!("{e}: {}{}", stdout(out), stderr(out)))
}

/// A library with the sample slide's setup in it.
fn library() -> tempfile::TempDir {
    let dir = tempfile::tempdir().expect("a folder");
    let out = calibrate(dir.path(), &["--setup", "fernery", "--pupil", "1"]);
    assert_eq!(out.status.code(), Some(0), "{}", stderr(&out));
    dir
}

fn calibrate(library: &Path, more: &[&str]) -> Output {
    let (picture, folder) = (sample("slide_still.jpg"), library.display().to_string());
    let mut args = vec!["calibrate", &picture, "--division", "10um", "--magnification", "4", "--aperture", "5.6"];
    args.extend(["--pixel", "3.72um", "--library", &folder, "--json"]);
    args.extend(more);
    motestick(&args)
}

fn measure(library: &Path, more: &[&str]) -> Output {
    let (picture, folder) = (sample("mite.jpg"), library.display().to_string());
    let mut args = vec!["measure", &picture, "--setup", "fernery", "--library", &folder];
    args.extend(more);
    motestick(&args)
}

/// A small blank picture.
fn blank(dir: &Path) -> PathBuf {
    let path = dir.join("blank.png");
    image::RgbImage::from_pixel(400, 300, image::Rgb([128, 128, 128])).save(&path).expect("saves");
    path
}

#[test]
fn calibrate_gives_the_keys_of_the_contract_and_saves_the_setup() {
    let dir = tempfile::tempdir().expect("a folder");
    let out = calibrate(dir.path(), &["--setup", "fernery"]);
    assert_eq!(out.status.code(), Some(0), "{}", stderr(&out));
    let j = json(&out);
    let scale = j["scale_px_per_um"].as_f64().expect("a scale");
    // The sample's true scale (sample_data/README.md).
    assert!((scale / 1.083_333 - 1.0).abs() < 3e-4, "{scale}");
    for key in ["u_rel", "u_rel_fit", "rotation_deg", "residual_rms_px", "blur_spot_um"] {
        assert!(j[key].as_f64().is_some(), "{key}: {j}");
    }
    assert!(j["u_rel"].as_f64() > j["u_rel_fit"].as_f64());
    assert_eq!(j["graduations_used"].as_u64().zip(j["graduations_rejected"].as_u64()).map(|(a, b)| a + b), Some(101));
    assert!(j["model"].is_string() && j["warnings"].is_array());
    assert!(Path::new(j["setup_file"].as_str().expect("a file")).exists());
}

#[test]
fn without_a_name_nothing_is_saved() {
    let dir = tempfile::tempdir().expect("a folder");
    let out = calibrate(dir.path(), &[]);
    assert_eq!(out.status.code(), Some(0));
    assert!(json(&out)["setup_file"].is_null());
    assert_eq!(std::fs::read_dir(dir.path()).expect("lists").count(), 0);
}

#[test]
fn a_blank_picture_is_refused_with_status_3() {
    let dir = tempfile::tempdir().expect("a folder");
    let picture = blank(dir.path()).display().to_string();
    let out = motestick(&["calibrate", &picture, "--division", "10um", "--json"]);
    assert_eq!(out.status.code(), Some(3));
    let j = json(&out);
    assert_eq!(j["refused"], "no ruling found");
    assert!(j["detail"].as_str().is_some_and(|d| d.contains("focus")), "{j}");
}

#[test]
fn a_batch_goes_on_past_failures_and_ends_with_status_1() {
    let dir = tempfile::tempdir().expect("a folder");
    let bad = blank(dir.path()).display().to_string();
    let good = sample("slide_still.jpg");
    let out = motestick(&["calibrate", &bad, "missing.png", &good, "--division", "10um", "--json"]);
    assert_eq!(out.status.code(), Some(1));
    let text = stdout(&out);
    let lines: Vec<Value> = text.lines().map(|l| serde_json::from_str(l).expect("one object a line")).collect();
    assert_eq!(lines.len(), 3, "{text}");
    assert!(lines.iter().all(|l| l["picture"].is_string()));
    assert!(lines[0]["refused"].is_string() && lines[2]["scale_px_per_um"].is_number());
}

#[test]
fn usage_and_file_errors_end_with_status_2_and_say_what_to_do() {
    for (args, words) in [
        (&["calibrate", "no-such.png", "--division", "10um"][..], "no-such.png"),
        (&["calibrate", "x.png", "--division", "10"], "no unit"),
        (&["measure", "x.png", "--setup", "nowhere", "--span", "1,1 2,2", "--library", "/nonexistent"], "nowhere"),
        (&["measure", "x.png", "--setup", "s"], "nothing to measure"),
        (&["export", "n.json", "--csv", "t.csv"], "notebook"),
        (&["plan", "--magnification", "-1", "--pixel", "3um"], "-1"),
    ] {
        let out = motestick(args);
        assert_eq!(out.status.code(), Some(2), "{args:?}: {}", stderr(&out));
        assert!(stderr(&out).contains(words), "{args:?}: {}", stderr(&out));
        assert!(out.stdout.is_empty(), "results only on standard output: {args:?}");
    }
}

#[test]
fn measure_gives_the_keys_of_the_contract_and_one_row_a_quantity() {
    let dir = library();
    let table = dir.path().join("t.csv").display().to_string();
    let joints = "1382.9,842.3 1300,830 1200,825 1094.9,813.9";
    let out = measure(
        dir.path(),
        &["--axis", "1263.6,540.4 1249.3,712.9 1234.9,830.8 1214.2,1006.1", "--span", "1382.9,842.3 1094.9,813.9"],
    );
    assert_eq!(out.status.code(), Some(0), "{}", stderr(&out));
    assert!(stdout(&out).contains("blur spot") && stdout(&out).contains("resolved"), "{}", stdout(&out));
    let out = measure(
        dir.path(),
        &["--span", "1382.9,842.3 1094.9,813.9", "--appendage", joints, "--lying", "flat", "--csv", &table, "--json"],
    );
    assert_eq!(out.status.code(), Some(0), "{}", stderr(&out));
    let j = json(&out);
    let all = j["measurements"].as_array().expect("a list");
    assert_eq!(all.len(), 2);
    let span = &all[0];
    for key in ["value_um", "u_um", "low_um", "high_um", "coverage", "k", "dof"] {
        assert!(span[key].is_number(), "{key}: {span}");
    }
    assert!(span["low_um"].as_f64() <= Some(268.0) && span["high_um"].as_f64() >= Some(268.0), "{span}");
    assert_eq!(all[1]["segments"].as_array().map(Vec::len), Some(3));
    let shares: f64 = span["budget"].as_array().expect("lines").iter().filter_map(|l| l["share"].as_f64()).sum();
    assert!((shares - 1.0).abs() < 0.02, "{shares}");
    let mut reader = csv::Reader::from_path(&table).expect("opens");
    let header: Vec<String> = reader.headers().expect("a header").iter().map(str::to_owned).collect();
    let contract = "picture, picture_sha256, setup, animal, quantity, kind, part, value, unit, u, low, high, coverage, k, dof, verdict, lying, ends, placement, blur_spot_um, scale_px_per_um, u_rel_scale, warnings";
    assert_eq!(header.join(", "), contract);
    assert_eq!(reader.records().count(), 5, "span, appendage and its three segments");
}

#[test]
fn every_kind_has_its_unit_in_its_keys_and_names_serve_ratios() {
    let dir = library();
    let shapes = [
        "--axis",
        "body: 400,400 600,380 800,420",
        "--span",
        "400,500 600,500",
        "--outline",
        "400,600 600,560 700,700 520,820",
        "--angle",
        "400,400 500,400 560,330",
    ];
    let made = ["--ratio", "span 1/body", "--sum", "body + outline 1 perimeter", "--lying", "flat", "--json"];
    let out = measure(dir.path(), &[&shapes[..], &made[..]].concat());
    assert_eq!(out.status.code(), Some(0), "{}", stderr(&out));
    let j = json(&out);
    let all = j["measurements"].as_array().expect("a list");
    let keys = [
        ("axis", "value_um"),
        ("span", "value_um"),
        ("outline", "value_um2"),
        ("angle", "value_deg"),
        ("ratio", "value"),
        ("sum", "value_um"),
    ];
    for (m, (kind, key)) in all.iter().zip(keys) {
        assert_eq!(m["kind"], kind);
        assert!(m[key].is_number(), "{key}: {m}");
    }
    assert_eq!(all[0]["name"], "body");
    // The picture's scale cancels in a ratio: 200 px over the axis' 401 to 404 px.
    assert!((all[4]["value"].as_f64().expect("a number") - 0.497).abs() < 0.006, "{}", all[4]);
    assert_eq!(all[2]["parts"].as_array().map(Vec::len), Some(3));
    let unknown = measure(dir.path(), &["--span", "1,1 9,9", "--ratio", "tail/span 1", "--lying", "flat"]);
    assert_eq!(unknown.status.code(), Some(2));
    assert!(stderr(&unknown).contains("there is no measurement \"tail\"; there are: span 1"), "{}", stderr(&unknown));
}

#[test]
fn snapping_says_which_marks_stay() {
    let dir = library();
    // Empty ground far from the mite.
    for span in ["100,1500 240,1560", "300,1400 460,1400", "2100,200 2250,260", "2000,1300 2150,1300"] {
        let out = measure(dir.path(), &["--span", span, "--snap", "--lying", "flat", "--json"]);
        assert_eq!(out.status.code(), Some(0), "{}", stderr(&out));
        let m = &json(&out)["measurements"][0];
        assert_eq!(m["placement"], "hand", "{span}: {m}");
        assert!(m["warnings"].to_string().contains("mark 1 of span 1 stays as set by hand"), "{m}");
    }
}

#[test]
fn what_is_below_the_blur_spot_is_not_resolved_and_has_no_value() {
    let dir = library();
    let out = measure(dir.path(), &["--span", "1200,800 1202,800", "--lying", "flat", "--json"]);
    assert_eq!(out.status.code(), Some(0), "{}", stderr(&out));
    let m = &json(&out)["measurements"][0];
    assert_eq!(m["verdict"], "not resolved");
    assert!(m["value_um"].is_null() && m["low_um"].is_null() && m["high_um"].as_f64() > Some(2.0), "{m}");
}

#[test]
fn a_picture_of_another_size_is_refused_unless_a_reason_is_given() {
    let dir = library();
    let picture = sample("slide_footage.jpg");
    let folder = dir.path().display().to_string();
    let args = [
        "measure",
        &picture,
        "--setup",
        "fernery",
        "--library",
        &folder,
        "--span",
        "100,100 600,100",
        "--lying",
        "flat",
        "--json",
    ];
    let out = motestick(&args);
    assert_eq!(out.status.code(), Some(3));
    assert!(
        json(&out)["detail"].as_str().is_some_and(|d| d.contains("1920") && d.contains("2400")),
        "{}",
        stdout(&out)
    );
    let mut again = args.to_vec();
    again.extend(["--accept-mismatch", "same rig, footage of the whole sensor"]);
    let out = motestick(&again);
    assert_eq!(out.status.code(), Some(0), "{}", stderr(&out));
    assert!(stdout(&out).contains("same rig, footage of the whole sensor"), "the reason is recorded: {}", stdout(&out));
}

#[test]
fn lying_unknown_without_optics_asks_for_a_choice() {
    let dir = tempfile::tempdir().expect("a folder");
    let (picture, folder) = (sample("slide_still.jpg"), dir.path().display().to_string());
    let out = motestick(&["calibrate", &picture, "--division", "10um", "--setup", "bare", "--library", &folder]);
    assert_eq!(out.status.code(), Some(0), "{}", stderr(&out));
    let picture = sample("mite.jpg");
    let out = motestick(&["measure", &picture, "--setup", "bare", "--library", &folder, "--span", "1382,842 1094,813"]);
    assert_eq!(out.status.code(), Some(2));
    assert!(stderr(&out).contains("--lying"), "{}", stderr(&out));
}

#[test]
fn a_wrong_division_is_named() {
    let dir = tempfile::tempdir().expect("a folder");
    let (picture, folder) = (sample("slide_still.jpg"), dir.path().display().to_string());
    let args = [
        "calibrate",
        &picture,
        "--division",
        "0.1mm",
        "--magnification",
        "4",
        "--pixel",
        "3.72um",
        "--library",
        &folder,
        "--json",
    ];
    let out = motestick(&args);
    assert_eq!(out.status.code(), Some(0), "{}", stderr(&out));
    let warnings = json(&out)["warnings"].to_string();
    assert!(warnings.contains("division"), "{warnings}");
}

#[test]
fn a_further_reading_of_a_setup_is_pooled_and_replace_starts_anew() {
    let dir = library();
    let mut scene = SlideScene { width_px: 2400, height_px: 1600, px_per_um: 1.0840, ..SlideScene::default() };
    scene.seed = 5;
    let (bytes, extension) = render(&scene).expect("renders").picture.file().expect("encodes");
    let second = dir.path().join(format!("second.{extension}"));
    std::fs::write(&second, bytes).expect("writes");
    let (second, folder) = (second.display().to_string(), dir.path().display().to_string());
    let base = [
        "calibrate",
        &second,
        "--division",
        "10um",
        "--magnification",
        "4",
        "--aperture",
        "5.6",
        "--pupil",
        "1",
        "--pixel",
        "3.72um",
    ];
    let more = ["--setup", "fernery", "--library", &folder, "--json"];
    let out = motestick(&[&base[..], &more[..]].concat());
    assert_eq!(out.status.code(), Some(0), "{}", stderr(&out));
    let file = json(&out)["setup_file"].as_str().expect("a file").to_owned();
    let readings = |file: &str| std::fs::read_to_string(file).expect("reads").matches("[[reading]]").count();
    assert_eq!(readings(&file), 2);
    let out = motestick(&[&base[..], &more[..], &["--replace"]].concat());
    assert_eq!(out.status.code(), Some(0), "{}", stderr(&out));
    assert_eq!(readings(&file), 1);
}

#[test]
fn plan_gives_the_worked_example() {
    let out = motestick(&[
        "plan",
        "--magnification",
        "5",
        "--aperture",
        "8",
        "--pixel",
        "3.72um",
        "--want",
        "12um",
        "--json",
    ]);
    assert_eq!(out.status.code(), Some(0), "{}", stderr(&out));
    let j = json(&out);
    let f8 = j["apertures"].as_array().expect("rows").iter().find(|r| r["asked"] == true).expect("f/8").clone();
    // Common practice: f/8 at 5x is f/48; Airy radius 1.21967 λ N / m.
    assert!((f8["effective_aperture"].as_f64().expect("a number") - 48.0).abs() < 1e-9);
    assert!((f8["airy_radius_um"].as_f64().expect("a number") - 1.219_67 * 0.55 * 48.0 / 5.0).abs() < 1e-3);
    let example = ["plan", "--magnification", "5", "--aperture", "8", "--pixel", "3.72um", "--want", "12um"];
    let out = motestick(&example);
    assert!(stdout(&out).contains("The wanted part: f/2.8 resolves it with a pupil"), "{}", stdout(&out));
    let out = motestick(&[&example[..], &["--pupil", "1"]].concat());
    assert!(stdout(&out).contains("Best for the wanted part: f/2.8"), "{}", stdout(&out));
}

#[test]
fn the_demo_does_the_whole_job_and_leaves_strange_folders_alone() {
    let dir = tempfile::tempdir().expect("a folder");
    let folder = dir.path().join("demo").display().to_string();
    let out = motestick(&["demo", &folder]);
    assert_eq!(out.status.code(), Some(0), "{}", stderr(&out));
    let text = stdout(&out);
    assert!(text.contains("fairyfly wasp") && text.contains("thrips") && text.contains("mite"), "{text}");
    for file in [
        "measurements.csv",
        "residuals_still.png",
        "marked_fairyfly.png",
        "marked_thrips.png",
        "marked_mite.png",
        "commands.txt",
    ] {
        assert!(Path::new(&folder).join(file).exists(), "{file}");
    }
    let rows =
        csv::Reader::from_path(Path::new(&folder).join("measurements.csv")).expect("opens").into_records().count();
    assert_eq!(rows, 3 * 2 + 2 + 18, "three axes and spans, two antennae, eighteen segments");
    let holds: Vec<&str> = text.lines().filter(|l| l.ends_with("  yes") || l.ends_with("  no")).collect();
    let yes = holds.iter().filter(|l| l.ends_with("yes")).count();
    assert!(holds.len() == 26 && yes >= 23, "{yes} of {}: {text}", holds.len());
    the_sample_notebook_is_of_this_demo(&Path::new(&folder).join("notebook.json"));
    let again = motestick(&["demo", &folder]);
    assert_eq!(again.status.code(), Some(0));
    assert!(stdout(&again).contains("earlier demo"));
    std::fs::write(dir.path().join("mine.txt"), "mine").expect("writes");
    let strange = motestick(&["demo", &dir.path().display().to_string()]);
    assert_eq!(strange.status.code(), Some(2));
}

/// The notebook that comes with the program has the marks and figures that the demo makes: trials and platforms differ a little.
///
/// `UPDATE_SAMPLES=1 cargo test --test it the_demo` takes the demo's.
fn the_sample_notebook_is_of_this_demo(made: &Path) {
    let shipped = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample_data/sample_notebook.json");
    let text = std::fs::read_to_string(made).expect("reads");
    if std::env::var_os("UPDATE_SAMPLES").is_some() {
        std::fs::write(&shipped, text.replacen("\"title\":\"notebook\"", "\"title\":\"sample notebook\"", 1))
            .expect("writes");
    }
    let json = |text: &str| serde_json::from_str::<Value>(text).expect("reads");
    let (made, shipped) = (json(&text), json(&std::fs::read_to_string(shipped).expect("reads")));
    let all = |n: &Value| n["measurements"].as_array().cloned().expect("measurements");
    assert_eq!(all(&made).len(), all(&shipped).len());
    for (new, old) in all(&made).iter().zip(&all(&shipped)) {
        assert_eq!((&new["quantity"], &new["marks"]), (&old["quantity"], &old["marks"]));
        let figure = |m: &Value, key: &str| m["reported"]["figure"][key].as_f64().expect("a number");
        for (key, least) in [("value", 2e-4), ("u", 0.05), ("low", 2e-3), ("high", 2e-3)] {
            let (new, old) = (figure(new, key), figure(old, key));
            assert!(
                (new / old - 1.0).abs() < least,
                "{key}: {new}, {old} in the sample notebook; UPDATE_SAMPLES=1 renews it"
            );
        }
    }
}

#[test]
fn without_argument_and_display_the_commands_are_named() {
    let mut program = Command::new(env!("CARGO_BIN_EXE_motestick"));
    for display in ["DISPLAY", "WAYLAND_DISPLAY", "WAYLAND_SOCKET"] {
        program.env_remove(display);
    }
    let out = program.output().expect("runs");
    // Without the window the help is printed.
    let windowed = cfg!(feature = "desktop");
    assert_eq!(out.status.code(), Some(if windowed { 2 } else { 0 }));
    let said = if windowed { stderr(&out) } else { stdout(&out) };
    for command in ["calibrate", "measure", "plan"] {
        assert!(said.contains(command), "{said}");
    }
}
