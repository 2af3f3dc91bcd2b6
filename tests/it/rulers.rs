//! Rulers other than a plain ruling: dot plates, grids, crossed rulings, pairs of pictures, marks by hand.

use std::path::{Path, PathBuf};

use motestick::phantom::Picture;
use motestick::phantom::slide::{Distortion, Rendered, Ruling, SlideMap, SlideScene, Tier, render};
use motestick::phantom::style::{Style, style_scene};
use motestick::photo::{Channel, Light, Limits, Photo};
use motestick::slide::{Family, Graduation, MapModel, Reading, Refusal, Request, Ruler, read};
use motestick::units::{Image, Point, PxPerUm, Um};

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

#[test]
fn the_photographed_grid_is_read_both_ways() {
    // 62.4 to 62.6 px both ways (README beside it); the division is unknown, any will do.
    let Some(reading) = shared("line_grid/line_pattern_01.jpg", 1.0) else { return };
    assert_eq!(reading.ruler, Ruler::Crossed);
    let told = reading.isotropy.expect("both directions");
    let (along, across) = (reading.scale.get(), reading.scale.get() * told.ratio);
    // At the centre; the lens draws the corners out by a per cent.
    assert!((62.25..62.6).contains(&along) && (62.25..62.6).contains(&across), "{along} and {across} px");
    let used =
        |family: Family| reading.graduations.iter().filter(|g| g.family == family && g.rejected.is_none()).count();
    assert!(
        used(Family::Along) >= 38 && used(Family::Across) >= 32,
        "{:?}",
        (used(Family::Along), used(Family::Across))
    );
    assert!(reading.residual_rms.get() < 0.1, "{}", reading.residual_rms);
    let square = told.squareness.expect("both in one picture");
    assert!(square.angle.degrees().abs() < 0.05, "{}", square.angle);
    // From the first line to the last, past the stretched rim: the mean that the README has.
    for family in [Family::Along, Family::Across] {
        let lines = || reading.graduations.iter().filter(|g| g.family == family && g.rejected.is_none());
        let (Some(a), Some(b)) = (lines().min_by_key(|g| g.index), lines().max_by_key(|g| g.index)) else {
            panic!("{family:?}: no lines")
        };
        let (dx, dy) = (b.at.x - a.at.x, b.at.y - a.at.y);
        let turn = reading.rotation.get() + if family == Family::Along { 0.0 } else { std::f64::consts::FRAC_PI_2 };
        let mean = (dx * turn.cos() + dy * turn.sin()).abs() / (b.index - a.index) as f64;
        assert!((62.4..62.6).contains(&mean), "{family:?}: {mean} px from line to line");
    }
}

#[test]
fn rendered_grids_are_read_although_broad_lines_cross() {
    let mut read = 0;
    for seed in [0, 1, 2, 3, 6, 7] {
        let scene = style_scene(Style::Grid, seed);
        let (rendered, answer) = rendered(&scene);
        let Ok(reading) = answer else { continue };
        read += 1;
        assert_eq!(reading.ruler, Ruler::Crossed, "seed {seed}");
        let error = reading.scale.get() / rendered.truth.local_px_per_um - 1.0;
        assert!(error.abs() < 2e-5, "seed {seed}: {error:+.1e}");
        let ratio = reading.isotropy.expect("both directions").ratio;
        assert!((ratio - 1.0).abs() < 2e-5, "seed {seed}: {ratio}");
    }
    assert!(read >= 5, "{read} of 6 read");
}

#[test]
fn rendered_crossed_rulings_give_both_scales_and_their_angle() {
    for (seed, aspect) in [(1, 1.0), (3, 1.0), (3, 1.003), (6, 0.995)] {
        let mut scene = style_scene(Style::Crossed, seed);
        scene.pixel_aspect = aspect;
        let (rendered, answer) = rendered(&scene);
        let reading = answer.unwrap_or_else(|e| panic!("seed {seed}: {e}"));
        assert_eq!(reading.ruler, Ruler::Crossed, "seed {seed}");
        let error = reading.scale.get() / rendered.truth.local_px_per_um - 1.0;
        assert!(error.abs() < 1.5e-5, "seed {seed}: {error:+.1e}");
        let told = reading.isotropy.expect("both directions");
        assert_eq!(told.evidence > 0.5, aspect != 1.0, "seed {seed}: {told:?}");
        // Lengths anywhere and any way through the map, against the phantom's own.
        let exact = SlideMap::of(&scene);
        for degrees in [0.0_f64, 35.0, 90.0, 140.0] {
            let (sin, cos) = degrees.to_radians().sin_cos();
            let at = |t: f64| Point::new(600.0 + t * cos, 450.0 + t * sin);
            let want = (exact.slide_from_image(at(200.0)) - exact.slide_from_image(at(-200.0))).length();
            let got = (reading.map.slide_from_image(at(200.0)) - reading.map.slide_from_image(at(-200.0))).length();
            assert!((got / want - 1.0).abs() < 3e-5, "seed {seed}, {degrees}°: {got} µm for {want} µm");
        }
    }
}

#[test]
fn away_from_a_short_ruling_the_uncertainty_grows_and_holds_the_error() {
    // 300 µm of ruling in the middle of a picture 1200 µm wide, through lenses that distort by up to 1 % at the corner.
    let lenses = [-0.006, -0.0045, -0.003, -0.0015, 0.0015, 0.003, 0.0045, 0.006];
    let (mut squares, mut worst) = (0.0, 0.0_f64);
    for (i, k1) in lenses.into_iter().enumerate() {
        let ruling = Ruling { divisions: 30, ..Ruling::default() };
        let scene = SlideScene {
            rulings: vec![ruling],
            centre_um: [150.0, 40.0],
            rotation_deg: 3.0,
            distortion: Distortion { k1, ..Distortion::default() },
            seed: 40 + i as u64,
            ..SlideScene::default()
        };
        let (_, answer) = rendered(&scene);
        let reading = answer.unwrap_or_else(|e| panic!("k1 {k1}: {e}"));
        let exact = SlideMap::of(&scene);
        let map = &reading.map;
        let u = |x: f64, y: f64| map.u_rel_fit_at(Point::new(x, y));
        let (middle, end, corner) = (u(600.0, 450.0), u(1150.0, 470.0), u(1190.0, 890.0));
        assert!(end > 3.0 * middle && corner > 3.0 * middle, "k1 {k1}: {middle} {end} {corner}");
        assert!(u(900.0, 460.0) > middle && u(900.0, 460.0) < end, "k1 {k1}: it grows with the distance");
        for p in [Point::new(1150.0, 470.0), Point::new(40.0, 430.0), Point::new(1190.0, 890.0)] {
            // How the coordinate along the ruling changes, by steps of a pixel, against the phantom's exact map.
            let slope = |f: &dyn Fn(Point<Image>) -> f64| {
                let (a, b) = (
                    f(Point::new(p.x + 0.5, p.y)) - f(Point::new(p.x - 0.5, p.y)),
                    f(Point::new(p.x, p.y + 0.5)) - f(Point::new(p.x, p.y - 0.5)),
                );
                a.hypot(b)
            };
            let error = slope(&|q| map.slide_from_image(q).x) / slope(&|q| exact.slide_from_image(q).x) - 1.0;
            let pull = error / map.u_rel_fit_at(p);
            squares += pull * pull / (3.0 * lenses.len() as f64);
            worst = worst.max(pull.abs());
        }
    }
    assert!(worst < 3.0 && squares.sqrt() < 1.4, "worst {worst:.1}, root mean square {:.2}", squares.sqrt());
    assert!(squares.sqrt() > 0.2, "cautious beyond use: {:.2}", squares.sqrt());
}

/// A ruler in millimetres or halves of them, with figures or without, at life size and below.
fn coarse(division_um: f64, px_per_um: f64, every: [u32; 2], figures: bool) -> SlideScene {
    let tier = |every, length_um| Tier { every, length_um };
    let ruling = Ruling {
        division_um,
        divisions: (60_000.0 / division_um) as u32,
        line_um: 120.0,
        tiers: vec![tier(1, 3000.0), tier(every[0], 4500.0), tier(every[1], 6000.0)],
        figures_um: figures.then_some(1300.0),
        ..Ruling::default()
    };
    SlideScene {
        width_px: 1800,
        height_px: 1000,
        px_per_um,
        magnification: 4.0 * px_per_um,
        effective_aperture: 12.0,
        rulings: vec![ruling],
        rotation_deg: 3.0,
        centre_um: [23_000.0, 4000.0],
        ..SlideScene::default()
    }
}

#[test]
fn millimetre_rulers_with_figures_are_read_at_life_size_and_below() {
    for (division_um, px_per_um, figures) in [(1000.0, 0.05, true), (1000.0, 0.05, false), (500.0, 0.1, true)] {
        let scene = coarse(division_um, px_per_um, [5, 10], figures);
        let (rendered, answer) = rendered(&scene);
        let what = format!("{division_um} µm at {px_per_um} px/µm, figures {figures}");
        let reading = answer.unwrap_or_else(|e| panic!("{what}: {e}"));
        let error = reading.scale.get() / rendered.truth.local_px_per_um - 1.0;
        assert!(error.abs() < 2e-5 && reading.rejected() == 0, "{what}: {error:+.1e}, {} left out", reading.rejected());
        // All graduations in sight but perhaps one at either edge.
        let in_sight = 1800.0 / (division_um * px_per_um);
        assert!(reading.used() as f64 > in_sight - 3.0, "{what}: {} of {in_sight:.0}", reading.used());
    }
}

#[test]
fn half_millimetres_whose_pattern_is_not_decimal_need_the_optics() {
    // Every second line longer and every tenth longest: what is seen could be the halves and wholes of something finer.
    let scene = coarse(500.0, 0.1, [2, 10], true);
    let (rendered, answer) = rendered(&scene);
    assert!(matches!(answer, Err(Refusal::DivisionAmbiguous { .. })), "{answer:?}");
    let expected = Some(PxPerUm::new(0.103));
    let light = light_of(&rendered.picture);
    let reading = read(&light, &Request { expected, ..Request::new(Um::new(500.0)) }).expect("reads");
    let error = reading.scale.get() / rendered.truth.local_px_per_um - 1.0;
    assert!(error.abs() < 2e-5, "{error:+.1e}");
}
