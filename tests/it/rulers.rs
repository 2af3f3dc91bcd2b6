//! Rulers other than a plain ruling: dot plates, grids, crossed rulings, pairs of pictures, marks by hand.

use std::path::{Path, PathBuf};

use motestick::phantom::Picture;
use motestick::phantom::slide::{Rendered, SlideScene, render};
use motestick::phantom::style::{Style, style_scene};
use motestick::photo::{Channel, Light, Limits, Photo};
use motestick::slide::{Family, Graduation, MapModel, Reading, Refusal, Request, Ruler, read};
use motestick::units::{Image, Point, Um};

fn light_of(picture: &Picture) -> Light {
    let (bytes, _) = picture.file().expect("encodes");
    Photo::from_bytes(&bytes, &Limits::default()).expect("opens").light(Channel::Even)
}

fn rendered(scene: &SlideScene) -> (Rendered, Result<Reading, Refusal>) {
    let rendered = render(scene).expect("renders");
    let answer = read(&light_of(&rendered.picture), &Request::new(Um::new(scene.rulings[0].division_um)));
    (rendered, answer)
}

/// A picture beside the project, read with a division of `division_um`, or a plain word that the test is skipped.
fn shared(path: &str, division_um: f64) -> Option<Reading> {
    let full: PathBuf = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/real").join(path);
    if !full.exists() {
        println!("skipped: {path} is not beside the project");
        return None;
    }
    let light = Photo::open(&full, &Limits::default()).expect("opens").light(Channel::Even);
    Some(read(&light, &Request::new(Um::new(division_um))).unwrap_or_else(|e| panic!("{path}: {e}")))
}

fn row(g: &Graduation) -> i64 {
    match g.family {
        Family::Dot { row, .. } => row,
        _ => panic!("a plate has dots alone"),
    }
}

fn distance(a: Point<Image>, b: Point<Image>) -> f64 {
    (a.x - b.x).hypot(a.y - b.y)
}

/// Mean distance of `n` neighbouring dots along the row and the column that start at each corner of a plate, px.
fn corner_steps(reading: &Reading, n: i64) -> Vec<[f64; 2]> {
    let at = |i: i64, j: i64| reading.graduations.iter().find(|g| g.index == i && row(g) == j).map(|g| g.at);
    let range = |pick: &dyn Fn(&Graduation) -> i64| {
        let all = reading.graduations.iter().map(pick);
        (all.clone().min().expect("dots"), all.max().expect("dots"))
    };
    let ((left, right), (top, bottom)) = (range(&|g| g.index), range(&row));
    let mut out = Vec::new();
    for (i, di) in [(left, n), (right, -n)] {
        for (j, dj) in [(top, n), (bottom, -n)] {
            if let (Some(a), Some(b), Some(c)) = (at(i, j), at(i + di, j), at(i, j + dj)) {
                out.push([distance(a, b) / n as f64, distance(a, c) / n as f64]);
            }
        }
    }
    out
}

#[test]
fn the_large_dot_plate_is_read_whole() {
    // 170 × 116 dots, 0.5 mm apart: 21.67 px at the centre, 20.3 px across and 20.7 to 20.9 px down in the corners (README beside it).
    let Some(reading) = shared("dot_plate/distcor_01_raw_gray.png", 500.0) else { return };
    assert_eq!(reading.ruler, Ruler::Dots { columns: 170, rows: 116 });
    let per_division = 500.0 * reading.scale.get();
    assert!((per_division - 21.67).abs() < 0.01, "{per_division} px");
    assert!(reading.used() > 19_000, "{} of 19720 dots used", reading.used());
    // What remains about the map: 1/400 of the distance of the dots.
    assert!(reading.residual_rms.get() < 0.06, "{}", reading.residual_rms);
    assert!(reading.map.radial > 0.045 && reading.map.radial < 0.055, "barrel of {}", reading.map.radial);
    let corners = corner_steps(&reading, 40);
    assert!(corners.len() >= 3, "corners with whole rows: {}", corners.len());
    for [across, down] in corners {
        assert!((20.25..20.55).contains(&across) && (20.55..20.9).contains(&down), "{across} {down} px");
    }
    // The map against the dots themselves, ten steps from dot to dot anywhere: to 0.3 %, their scatter.
    let mut seen = 0;
    for g in reading.graduations.iter().filter(|g| g.rejected.is_none()).step_by(97) {
        let other = reading.graduations.iter().find(|o| o.index == g.index + 10 && row(o) == row(g));
        let Some(other) = other.filter(|o| o.rejected.is_none()) else { continue };
        let by_map = (reading.map.slide_from_image(other.at) - reading.map.slide_from_image(g.at)).length();
        assert!((by_map / 5000.0 - 1.0).abs() < 3e-3, "{by_map} µm at {:?}", g.at);
        seen += 1;
    }
    assert!(seen > 100, "{seen} distances compared");
}

#[test]
fn the_small_dot_plate_is_read() {
    // 15.14 to 15.18 px at the centre, 14.96 to 15.05 off axis (README beside it); the division is unknown, any will do.
    let Some(reading) = shared("line_grid/dot_pattern_05.jpg", 1.0) else { return };
    assert!(matches!(reading.ruler, Ruler::Dots { columns: 84..=86, rows: 52..=54 }), "{:?}", reading.ruler);
    assert!((15.13..15.19).contains(&reading.scale.get()), "{}", reading.scale);
    let across = reading.scale.get() * reading.isotropy.expect("both directions").ratio;
    assert!((15.13..15.19).contains(&across), "{across} px down");
    assert!(reading.residual_rms.get() < 0.05, "{}", reading.residual_rms);
    for [across, down] in corner_steps(&reading, 15) {
        assert!((14.85..15.1).contains(&across) && (14.9..15.1).contains(&down), "{across} {down} px");
    }
}

#[test]
fn rendered_dot_plates_are_right_within_their_uncertainty() {
    let (mut read, mut held) = (0, 0);
    for seed in [2, 4, 7, 10, 11, 12] {
        let scene = style_scene(Style::DotPlate, seed);
        let (rendered, answer) = rendered(&scene);
        let reading = answer.unwrap_or_else(|e| panic!("seed {seed}: {e}"));
        let error = reading.scale.get() / rendered.truth.local_px_per_um - 1.0;
        // A hundredth of a pixel over a plate of some 800 px.
        assert!(error.abs() < 1.2e-5, "seed {seed}: {error:+.1e}");
        read += 1;
        held += usize::from(error.abs() < 2.0 * reading.u_rel_fit);
        let told = reading.isotropy.expect("both directions");
        assert!((told.ratio - 1.0).abs() < 3.0 * told.u_ratio + 1e-6, "seed {seed}: ratio {}", told.ratio);
        // Every dot where it was drawn, to five standard uncertainties but for dirt.
        let off = |g: &&Graduation| {
            let near = rendered.truth.dots.iter().filter(|d| d.strength > 0.0);
            let d = near.map(|d| distance(g.at, Point::new(d.centre_px[0], d.centre_px[1]))).fold(f64::MAX, f64::min);
            d > 5.0 * g.u.get()
        };
        let wrong = reading.graduations.iter().filter(|g| g.rejected.is_none()).step_by(29).filter(off).count();
        assert!(wrong <= 2, "seed {seed}: {wrong} dots out of place");
    }
    assert!(held + 1 >= read, "{held} of {read} within two standard uncertainties");
}

#[test]
fn a_tilted_distorted_plate_with_holes_and_oblong_pixels_is_mapped() {
    let mut scene = style_scene(Style::DotPlate, 12);
    scene.rulings[0].missing_fraction = 0.3;
    scene.pixel_aspect = 1.004;
    scene.tilt_deg = 2.0;
    scene.tilt_azimuth_deg = 50.0;
    scene.pupil_distance_um = 30_000.0;
    scene.distortion.k1 = 0.03;
    let (rendered, answer) = rendered(&scene);
    let reading = answer.expect("reads");
    assert_eq!(reading.map.model, MapModel::AffinePerspectiveRadial);
    // Lengths through the map between true places all over the picture, against the plate.
    let dots: Vec<_> = rendered.truth.dots.iter().filter(|d| d.in_picture).step_by(331).collect();
    for a in &dots {
        for b in &dots {
            let want = 10.0 * (f64::from(a.column) - f64::from(b.column)).hypot(f64::from(a.row) - f64::from(b.row));
            let on = |p: [f64; 2]| reading.map.slide_from_image(Point::new(p[0], p[1]));
            let got = (on(a.centre_px) - on(b.centre_px)).length();
            assert!((got - want).abs() < 2e-4 * want + 0.01, "{got} µm for {want} µm");
        }
    }
}
