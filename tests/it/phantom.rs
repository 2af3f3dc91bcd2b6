//! The renderer seen from outside: its files through the project's own reader, its scenes through JSON, its conventions.

use motestick::phantom::animal::{Animal, AnimalScene, Placed, animal_scene, render as render_animal};
use motestick::phantom::field::{clean_scene, field_scene};
use motestick::phantom::slide::{SlideScene, render};
use motestick::phantom::{Coding, Picture, Sensor};
use motestick::photo::{Channel, Light, Limits, Photo};
use motestick::units::Point;

fn through_file(picture: &Picture) -> (Light, &'static str) {
    let (bytes, extension) = picture.file().expect("encodes");
    (Photo::from_bytes(&bytes, &Limits::default()).expect("opens").light(Channel::Luminance), extension)
}

#[test]
fn files_open_as_the_light_that_was_drawn() {
    let deep = SlideScene {
        sensor: Sensor { coding: Coding::Rgb16, ..Sensor::default() },
        width_px: 300,
        height_px: 200,
        ..SlideScene::default()
    };
    let jpeg = (0..).map(field_scene).find(|s| s.sensor.jpeg_quality.is_some()).expect("half of them");
    let mut seen = Vec::new();
    for scene in [clean_scene(0), clean_scene(1), deep, jpeg] {
        let picture = render(&scene).expect("renders").picture;
        let (light, extension) = through_file(&picture);
        let worst =
            light.values().iter().zip(picture.linear_luminance()).map(|(a, b)| (a - b).abs()).fold(0.0, f32::max);
        // One 8-bit step is at most 0.009 of light; the same decoder and tone curve must leave rounding alone.
        assert!(worst < 2e-6, "{extension}: {worst}");
        seen.push(extension);
    }
    assert_eq!(seen, ["png", "png", "tif", "jpg"]);
}

#[test]
fn scenes_survive_being_written_down() {
    for seed in 0..4 {
        let scene = field_scene(seed);
        let back: SlideScene = serde_json::from_str(&serde_json::to_string(&scene).unwrap()).unwrap();
        // Numbers with all digits come back the same, and so does the picture's truth.
        assert_eq!(scene.rulings, back.rulings);
        assert!((scene.px_per_um - back.px_per_um).abs() < 1e-15 * scene.px_per_um.abs().max(1.0));
        let scene = animal_scene(seed);
        let back: AnimalScene = serde_json::from_str(&serde_json::to_string(&scene).unwrap()).unwrap();
        assert_eq!(scene.animals.len(), back.animals.len());
        assert!((scene.animals[0].animal.length_um - back.animals[0].animal.length_um).abs() < 1e-12);
    }
    let plain: SlideScene = serde_json::from_str("{\"rotation_deg\": 3.0}").unwrap();
    assert_eq!(plain, SlideScene { rotation_deg: 3.0, ..SlideScene::default() });
}

/// Breadth between the half-way crossings along the line through both ends of the greatest breadth, µm.
fn shown_breadth_um(scene: &AnimalScene) -> f64 {
    let rendered = render_animal(scene).expect("renders");
    let truth = rendered.truth.expect("has an animal");
    let (w, h) = (scene.width_px, scene.height_px);
    let light = Light::new(w, h, rendered.picture.linear_luminance());
    let [a, b] = truth.breadth_px;
    let tone = scene.animals[0].animal.tone;
    let half = scene.background * if scene.bright_on_dark { scene.dark_floor + tone / 2.0 } else { 1.0 - tone / 2.0 };
    let middle = [(a[0] + b[0]) / 2.0, (a[1] + b[1]) / 2.0];
    let reach = |end: [f64; 2]| {
        let at = |t: f64| {
            let p = Point::new(middle[0] + t * (end[0] - middle[0]), middle[1] + t * (end[1] - middle[1]));
            let v = light.sample_cubic(p).expect("inside the picture");
            if scene.bright_on_dark { v } else { 2.0 * half - v }
        };
        let (mut low, mut high) = (0.6, 1.4);
        for _ in 0..40 {
            let mid = (low + high) / 2.0;
            if at(mid) > half { low = mid } else { high = mid }
        }
        low
    };
    (reach(a) + reach(b)) / 2.0 * truth.breadth_um
}

#[test]
fn dark_animals_look_larger_and_bright_ones_smaller_by_the_threshold() {
    let plain = AnimalScene {
        animals: vec![Placed { animal: Animal::default(), position_um: [3.3, 1.7], heading_deg: 33.0 }],
        sensor: Sensor { electrons_at_full_scale: None, coding: Coding::LinearGray, ..Sensor::default() },
        wavelengths_um: vec![0.55],
        ..AnimalScene::default()
    };
    for (bright_on_dark, sign) in [(false, 1.0), (true, -1.0)] {
        let scene = |threshold_um| AnimalScene { bright_on_dark, threshold_um, ..plain.clone() };
        let neutral = shown_breadth_um(&scene(0.0));
        // Straight flanks, 85 µm apart: the crossing is the edge but for the far side's tail and the flanks' slight curvature.
        assert!((neutral - 85.0).abs() < 0.1, "{neutral}");
        let moved = shown_breadth_um(&scene(0.9));
        assert!((moved - neutral - sign * 1.8).abs() < 0.01, "bright {bright_on_dark}: {neutral} {moved}");
    }
}

#[test]
fn a_tone_curve_moves_both_edges_the_same_way() {
    // MEASUREMENT_MODEL section 1: an exponent of 1.3 moves an edge by about 0.08 blur spots.
    let mut scene = AnimalScene {
        animals: vec![Placed {
            animal: Animal { tone: 0.9, ..Animal::default() },
            position_um: [0.0, 0.0],
            heading_deg: 21.0,
        }],
        sensor: Sensor { electrons_at_full_scale: None, coding: Coding::LinearGray, ..Sensor::default() },
        wavelengths_um: vec![0.55],
        background: 1.0,
        ..AnimalScene::default()
    };
    let spot_um = render_animal(&scene).unwrap().truth.unwrap().blur_spot_um;
    let plain = shown_breadth_um(&scene);
    scene.sensor.tone_exponent = 1.3;
    // The crossing of the recorded levels' middle: ground 1, body 0.1 to the power 1.3.
    let body = 0.1_f64.powf(1.3);
    let recorded_half = (1.0 + body) / 2.0;
    let light = render_animal(&scene).unwrap();
    let values = light.picture.linear_luminance();
    let truth = light.truth.unwrap();
    // Undo the curve on the one level instead of on the picture, and cross there.
    let level = recorded_half.powf(1.0 / 1.3);
    let undone = Light::new(scene.width_px, scene.height_px, values.iter().map(|v| v.powf(1.0 / 1.3)).collect());
    let [a, b] = truth.breadth_px;
    let middle = [(a[0] + b[0]) / 2.0, (a[1] + b[1]) / 2.0];
    let (mut low, mut high) = (0.6, 1.4);
    for _ in 0..40 {
        let mid = (low + high) / 2.0;
        let p = Point::new(middle[0] + mid * (a[0] - middle[0]), middle[1] + mid * (a[1] - middle[1]));
        if undone.sample_cubic(p).unwrap() < level { low = mid } else { high = mid }
    }
    let shift_um = (low * truth.breadth_um - plain) / 2.0;
    let share = shift_um / spot_um;
    assert!((0.05..0.12).contains(&share.abs()), "{share} blur spots");
}
