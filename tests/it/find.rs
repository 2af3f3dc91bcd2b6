//! Proposals on rendered animals with known truth, and on photographs.
//!
//! A fast part of the campaign in tests/campaign/find.rs.

use motestick::animal::find::{NotFound, Proposal, Sureness, find};
use motestick::animal::outline::area;
use motestick::animal::{Ground, Shape};
use motestick::phantom::animal::{AnimalScene, AnimalTruth, Placed, animal_scene, render};
use motestick::photo::{Channel, Light, Limits, Photo};
use motestick::units::Px;

fn seen(scene: &AnimalScene) -> (Light, AnimalTruth) {
    let rendered = render(scene).expect("a scene");
    let p = &rendered.picture;
    (Light::new(p.width, p.height, p.linear_luminance()), rendered.truth.expect("an animal"))
}

fn length_px(shape: &Shape) -> f64 {
    shape.marks.windows(2).map(|w| (w[1].at - w[0].at).length()).sum()
}

/// Relative errors of length, breadth and area.
fn errors(found: &Proposal, truth: &AnimalTruth) -> [f64; 3] {
    let s = truth.px_per_um;
    [
        length_px(&found.axis) / s / truth.body_length_um - 1.0,
        length_px(&found.breadth) / s / truth.breadth_um - 1.0,
        area(&found.contour) / s / s / truth.area_um2 - 1.0,
    ]
}

#[test]
fn bodies_are_found_with_their_length_breadth_and_area() {
    let mut squares = 0.0;
    for seed in 0..8 {
        let scene = animal_scene(seed);
        let (light, truth) = seen(&scene);
        let found = find(&light, Px::new(truth.blur_spot_px)).unwrap_or_else(|e| panic!("seed {seed}: {e}"));
        let [length, breadth, size] = errors(&found, &truth);
        assert!(length.abs() < 0.01 && breadth.abs() < 0.02 && size.abs() < 0.015, "{seed}: {length} {breadth} {size}");
        squares += length * length / 8.0;
        assert_eq!(found.ground == Ground::Dark, scene.bright_on_dark, "{seed}");
        assert!(found.confidence.sureness >= Sureness::Medium, "{seed}: {:?}", found.confidence);
        // The head is where the antennae are.
        let head = truth.tips_px[0];
        let first = found.axis.marks[0].at;
        assert!(!found.antennae.is_empty(), "{seed}");
        assert!((first.x - head[0]).hypot(first.y - head[1]) < 0.1 * length_px(&found.axis), "{seed}: {first:?}");
        assert!((found.edge_width.get() / truth.blur_spot_px - 1.0).abs() < 0.3, "{seed}: {:?}", found.edge_width);
    }
    assert!(squares.sqrt() < 0.005, "body length rms {}", squares.sqrt());
}

#[test]
fn the_largest_of_two_among_debris_and_highlights() {
    for seed in [1, 6] {
        let mut scene = animal_scene(seed);
        (scene.debris, scene.highlights) = (12, 3);
        (scene.width_px, scene.height_px) = (1300, 1000);
        let mut other = animal_scene(seed + 5000).animals.swap_remove(0).animal;
        let share = 0.6 * scene.animals[0].animal.length_um / other.length_um;
        (other.length_um, other.breadth_um) = (share * other.length_um, share * other.breadth_um);
        other.limbs.clear();
        scene.animals.push(Placed { animal: other, position_um: [260.0, -220.0], heading_deg: 33.0 });
        let (light, truth) = seen(&scene);
        let found = find(&light, Px::new(truth.blur_spot_px)).unwrap_or_else(|e| panic!("seed {seed}: {e}"));
        let [length, breadth, size] = errors(&found, &truth);
        assert!(length.abs() < 0.015 && breadth.abs() < 0.03 && size.abs() < 0.03, "{seed}: {length} {breadth} {size}");
    }
}

#[test]
fn nothing_is_found_in_nothing() {
    let mut scene = animal_scene(3);
    scene.animals.clear();
    let rendered = render(&scene).expect("a scene");
    let p = &rendered.picture;
    let empty = Light::new(p.width, p.height, p.linear_luminance());
    let refused = find(&empty, Px::new(6.0)).map(|_| ());
    assert!(matches!(refused, Err(NotFound::Empty { .. } | NotFound::OnlySpecks { .. })), "{refused:?}");
    let small = Light::new(10, 10, vec![0.5; 100]);
    assert!(matches!(find(&small, Px::new(6.0)), Err(NotFound::TooSmall { .. })));
    assert!(matches!(find(&empty, Px::new(f64::NAN)), Err(NotFound::Blur { .. })));
    // A third of the picture, cut off by its border, is never proposed with more than low sureness.
    let half = Light::new(200, 200, (0..40_000).map(|i| if i % 200 < 70 { 0.1 } else { 0.7 }).collect());
    let refused = find(&half, Px::new(4.0)).map(|p| p.confidence);
    let doubtful = match &refused {
        Ok(c) => c.sureness == Sureness::Low && c.reasons.iter().any(|r| r.contains("border")),
        Err(e) => matches!(e, NotFound::CutOff { .. } | NotFound::OnlySpecks { .. }),
    };
    assert!(doubtful, "{refused:?}");
}

/// Photographs with known scales: the bead's stated 2.12 µm at 0.15193 µm/px are 13.95 px; the left embryo is about 620 px across.
#[test]
fn photographs_of_a_bead_and_an_embryo() {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/../shared/real");
    for (file, w, want, within) in
        [("beads/bf_0000.png", 4.0, 13.95, 1.0), ("embryos/1M14_scale.jpg", 8.0, 620.0, 12.0)]
    {
        let path = format!("{folder}/{file}");
        if !std::path::Path::new(&path).exists() {
            eprintln!("skipped: {path} is not there");
            continue;
        }
        let light = Photo::open(&path, &Limits::default()).expect("a picture").light(Channel::Luminance);
        let found = find(&light, Px::new(w)).unwrap_or_else(|e| panic!("{file}: {e}"));
        let across = (length_px(&found.axis) + length_px(&found.breadth)) / 2.0;
        let axis = length_px(&found.axis);
        assert!((axis - want).abs() < within, "{file}: {axis} px, mean of both {across} px");
        assert!(
            !found.confidence.reasons.is_empty() && found.confidence.sureness < Sureness::High,
            "round: {:?}",
            found.confidence
        );
    }
}

/// From the ruled slide to a proposal on the command line: exactly one axis, breadth and outline, true within their intervals.
#[test]
fn the_command_proposes_and_refuses() {
    let folder = tempfile::tempdir().expect("a folder");
    let run = |args: &[&str]| {
        std::process::Command::new(env!("CARGO_BIN_EXE_motestick"))
            .args(args)
            .current_dir(folder.path())
            .output()
            .expect("the program runs")
    };
    let sample = |name: &str| format!("{}/sample_data/{name}", env!("CARGO_MANIFEST_DIR"));
    let optics = ["--magnification", "4", "--aperture", "5.6", "--pixel", "3.72um"];
    let slide = sample("slide_still.jpg");
    let calibrate = ["calibrate", &slide, "--division", "10um", "--setup", "rig", "--library", "."];
    let read = run(&[&calibrate[..], &optics].concat());
    assert!(read.status.success(), "{}", String::from_utf8_lossy(&read.stderr));
    let mite = sample("mite.jpg");
    let measure = |picture: &str, more: &[&str]| {
        let fixed = ["measure", picture, "--setup", "rig", "--library", ".", "--lying", "flat", "--find", "--json"];
        run(&[&fixed[..], more].concat())
    };
    let found = measure(&mite, &["--overlay", "seen.png", "--ratio", "breadth 1/axis 1"]);
    assert!(found.status.success(), "{}", String::from_utf8_lossy(&found.stderr));
    let j: serde_json::Value = serde_json::from_slice(&found.stdout).expect("JSON");
    let of = |kind: &str| {
        let all: Vec<_> = j["measurements"].as_array().expect("a list").iter().filter(|m| m["kind"] == kind).collect();
        assert_eq!(all.len(), 1, "{kind}: {all:?}");
        all[0].clone()
    };
    // sample_data/README.md: body 430 µm, breadth 268 µm.
    for (kind, suffix, truth) in [("axis", "_um", 430.0), ("breadth", "_um", 268.0), ("ratio", "", 268.0 / 430.0)] {
        let m = of(kind);
        let at = |key: &str| m[format!("{key}{suffix}")].as_f64().expect("a number");
        let held = at("low") <= truth && truth <= at("high");
        assert!(held, "{kind}: {truth} not within {m}");
        assert!((at("value") / truth - 1.0).abs() < 0.015, "{kind}: {truth} {m}");
    }
    assert!(of("outline")["value_um2"].as_f64().is_some_and(|a| a > 0.6 * 430.0 * 268.0));
    assert!(["low", "medium", "high"].contains(&j["proposal"]["sureness"].as_str().expect("a word")));
    let drawn = std::fs::read(folder.path().join("seen.png")).expect("the overlay");
    assert_eq!(&drawn[1..4], b"PNG");
    // The same marks by hand are drawn too.
    let confirm = j["proposal"]["confirm"][0].as_str().expect("an argument");
    let marks = confirm.trim_start_matches("--axis ").trim_matches('"');
    let rig = ["--setup", "rig", "--library", ".", "--lying", "flat"];
    let by_hand = [&["measure", &mite, "--axis", marks, "--snap", "--overlay", "hand.png"], &rig[..]].concat();
    let measured = run(&by_hand);
    assert!(measured.status.success(), "{}", String::from_utf8_lossy(&measured.stderr));
    let (drawn, plain) = (image::open(folder.path().join("hand.png")), image::open(&mite));
    let (drawn, plain) = (drawn.expect("a picture").to_rgb8(), plain.expect("a picture").to_rgb8());
    let differ =
        drawn.pixels().zip(plain.pixels()).filter(|(a, b)| a.0.iter().zip(b.0).any(|(a, b)| a.abs_diff(b) > 40));
    assert!((200..20_000).contains(&differ.count()), "an axis is drawn, and nothing else");
    let empty = image::GrayImage::from_fn(2400, 1600, |x, y| image::Luma([150 + ((x * 7 + y * 13) % 5) as u8]));
    empty.save(folder.path().join("empty.png")).expect("written");
    let refused = measure("empty.png", &[]);
    assert_eq!(refused.status.code(), Some(3), "{}", String::from_utf8_lossy(&refused.stderr));
    let j: serde_json::Value = serde_json::from_slice(&refused.stdout).expect("JSON");
    assert_eq!(j["refused"], "no animal found", "{j}");
}
