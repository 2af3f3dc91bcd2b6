//! Ruled slides read: rendered ones with truth, traps, and real photographs.

use std::path::{Path, PathBuf};

use motestick::phantom::bound::scale_bound;
use motestick::phantom::field::{clean_scene, field_scene};
use motestick::phantom::slide::{DistortionForm, render};
use motestick::phantom::trap::{Expectation, TrapKind, trap};
use motestick::phantom::{Picture, slide::SlideScene};
use motestick::photo::{Channel, Light, Limits, Photo};
use motestick::slide::{Reading, Refusal, Request, read};
use motestick::units::{PxPerUm, Um};

fn light_of(picture: &Picture) -> Light {
    let (bytes, _) = picture.file().expect("encodes");
    Photo::from_bytes(&bytes, &Limits::default()).expect("opens").light(Channel::Even)
}

fn reading_of(scene: &SlideScene) -> Result<Reading, Refusal> {
    let rendered = render(scene).expect("renders");
    read(&light_of(&rendered.picture), &Request::new(Um::new(scene.rulings[0].division_um)))
}

/// A folder beside the project, or a plain word that the test is skipped.
fn shared(path: &str) -> Option<PathBuf> {
    let full = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared").join(path);
    if full.exists() {
        Some(full)
    } else {
        println!("skipped: {path} is not beside the project");
        None
    }
}

fn read_file(path: &Path, division_um: f64) -> Result<Reading, Refusal> {
    let photo = Photo::open(path, &Limits::default()).expect("opens");
    read(&photo.light(Channel::Even), &Request::new(Um::new(division_um)))
}

#[test]
fn clean_pictures_are_read_to_a_few_millionths_and_their_uncertainty_holds() {
    let (mut errors, mut over, mut held, n) = (Vec::new(), Vec::new(), 0, 16);
    for seed in 520..520 + n {
        let scene = clean_scene(seed);
        let reading = reading_of(&scene).unwrap_or_else(|e| panic!("seed {seed}: {e}"));
        let error = reading.scale.get() / scene.px_per_um - 1.0;
        over.push(error.abs() / scale_bound(&scene).expect("has a bound").u_rel_scale);
        held += usize::from(error.abs() < 2.5 * reading.u_rel_fit);
        errors.push(error.abs());
    }
    errors.sort_by(f64::total_cmp);
    over.sort_by(f64::total_cmp);
    // The median of a perfect reader is 0.67 bounds; terms that the data cannot rule out cost the rest (DEVELOPERS.md, "Known limits").
    assert!(errors[8] < 1e-5 && over[8] < 4.0, "median error {:.1e}, {:.1} bounds", errors[8], over[8]);
    assert!(held >= 15, "only {held} of {n} within 2.5 standard uncertainties");
}

#[test]
fn field_pictures_are_read_and_their_uncertainty_holds() {
    let (mut read, mut held) = (0, 0);
    let n = 20;
    for seed in 700..700 + n {
        let scene = field_scene(seed);
        let rendered = render(&scene).expect("renders");
        let answer =
            motestick::slide::read(&light_of(&rendered.picture), &Request::new(Um::new(scene.rulings[0].division_um)));
        let Ok(reading) = answer else { continue };
        read += 1;
        let error = reading.scale.get() / scene.px_per_um - 1.0;
        assert!(error.abs() < 0.01, "seed {seed}: wrong by {error:+.1e}");
        let in_picture = reading.scale.get() / rendered.truth.local_px_per_um - 1.0;
        // The reading is square to the lines, the truth along the ruling: a tilt of 1° parts them by up to 5e-5.
        held += usize::from(in_picture.abs() < 3.0 * reading.u_rel_fit + 5e-5);
    }
    assert!(read >= 18, "only {read} of {n} read");
    assert!(held >= read - 2, "only {held} of {read} within three standard uncertainties");
}

/// Narrow strips are enough of a large picture, but not of these, whose lines are half a division wide: looked at no closer, the last two of the first three
/// are refused, and of the fourth a few lines that stand out by chance give a scale that is 3e-3 off at a stated 7e-4.
#[test]
fn faint_and_broad_lines_of_a_large_picture_are_looked_at_more_closely() {
    for (electrons, contrast, is_read) in
        [(903.0, 0.19, true), (903.0, 0.12, true), (400.0, 0.12, true), (150.0, 0.12, false)]
    {
        let mut scene = field_scene(14);
        scene.px_per_um *= 2400.0 / scene.width_px as f64;
        (scene.width_px, scene.height_px, scene.contrast) = (2400, 1800, contrast);
        scene.sensor.electrons_at_full_scale = Some(electrons);
        let reading = reading_of(&scene);
        assert!(reading.is_ok() || !is_read, "{electrons} electrons: {reading:?}");
        let Ok(reading) = reading else { continue };
        let error = reading.scale.get() / scene.px_per_um - 1.0;
        assert!(error.abs() < 3.0 * reading.u_rel_fit && error.abs() < 5e-4, "{electrons} electrons: {error:+.1e}");
    }
}

/// Seeds whose dirt out of focus had the scale off by 8e-4 and 6e-4 while the ground between lines was straight over six of them.
#[test]
fn dirt_out_of_focus_does_not_move_the_scale() {
    for seed in [1007, 1024] {
        let mut scene = field_scene(seed);
        scene.rulings[0].placement_sd_um = 0.0;
        let reading = reading_of(&scene).expect("reads");
        let error = reading.scale.get() / scene.px_per_um - 1.0;
        assert!(error.abs() < 3e-4, "{seed}: {error:.1e}");
        assert!(reading.u_rel_fit < 3e-4, "{seed}: {:.1e}", reading.u_rel_fit);
    }
}

#[test]
fn no_trap_gives_a_wrong_scale() {
    for kind in TrapKind::ALL {
        let trap = trap(kind, 3).expect("renders");
        let answer = read(&light_of(&trap.picture), &Request::new(Um::new(trap.division_um)));
        let Ok(reading) = answer else { continue };
        let right = match trap.expectation {
            Expectation::Refuse => false,
            Expectation::RefuseOrCorrect(s) | Expectation::Correct(s) => (reading.scale.get() / s - 1.0).abs() < 0.01,
        };
        assert!(right, "{kind:?}: {} px/µm, expected {:?}", reading.scale.get(), trap.expectation);
    }
}

#[test]
fn two_scales_that_share_a_wave_are_not_read_as_one() {
    // Divisions of 10 µm beside some of 20 µm, whose overtones are the waves of the first.
    let trap = trap(TrapKind::TwoScales, 225).expect("renders");
    let answer = read(&light_of(&trap.picture), &Request::new(Um::new(trap.division_um)));
    assert!(matches!(answer, Err(Refusal::TwoRulings { .. })), "{answer:?}");
}

#[test]
fn a_bar_with_teeth_lone_fifths_and_a_double_exposure_are_not_read() {
    // Fifths that stand out of graduations too fine to be seen: too short to tell their own direction.
    let trap_902 = trap(TrapKind::Undersampled, 902).expect("renders");
    let answer = read(&light_of(&trap_902.picture), &Request::new(Um::new(trap_902.division_um)));
    assert!(matches!(answer, Err(Refusal::NotARuling { .. } | Refusal::Unresolved)), "{answer:?}");
    // Every fifth line alone: thin for their distance.
    let fifths = trap(TrapKind::EveryFifth, 1303).expect("renders");
    let answer = read(&light_of(&fifths.picture), &Request::new(Um::new(fifths.division_um)));
    assert!(matches!(answer, Err(Refusal::DivisionAmbiguous { .. })), "{answer:?}");
    // Two exposures half a division apart: all lines even, the long ones in pairs.
    let twice = trap(TrapKind::DoubleExposure, 905).expect("renders");
    let answer = read(&light_of(&twice.picture), &Request::new(Um::new(twice.division_um)));
    assert!(matches!(answer, Err(Refusal::DivisionAmbiguous { .. })), "{answer:?}");
}

#[test]
fn fifths_all_alike_are_not_taken_for_fifths_and_tenths() {
    // Every second or every fifth line alone, made uneven by dirt at the ends of few long lines or by what leaves the picture; and pairs of long
    // lines of two exposures.
    let seeds = [
        (TrapKind::EverySecond, 1309),
        (TrapKind::EverySecond, 1320),
        (TrapKind::EverySecond, 1360),
        (TrapKind::EveryFifth, 1309),
        (TrapKind::DoubleExposure, 1423),
    ];
    for (kind, seed) in seeds {
        let trap = trap(kind, seed).expect("renders");
        let answer = read(&light_of(&trap.picture), &Request::new(Um::new(trap.division_um)));
        assert!(matches!(answer, Err(Refusal::DivisionAmbiguous { .. })), "{kind:?} {seed}: {answer:?}");
    }
}

#[test]
fn either_form_of_distortion_is_followed_to_its_second_term() {
    // The form that the map has, and the one that takes a second term of 3 κ²: 7e-4 at the corner.
    for form in [DistortionForm::IdealFromRecorded, DistortionForm::RecordedFromIdeal] {
        let mut sum = 0.0;
        let seeds = 503..511_u64;
        let count = seeds.clone().count() as f64;
        for seed in seeds {
            let mut scene = clean_scene(seed);
            (scene.distortion.k1, scene.distortion.form) = (0.01, form);
            let reading = reading_of(&scene).unwrap_or_else(|e| panic!("{form:?} {seed}: {e}"));
            let error = reading.scale.get() / scene.px_per_um - 1.0;
            let pull = error / reading.u_rel_fit;
            // 508 finds a perspective that is not there and grows with the distortion (see the developers' guide, known limits).
            // 504 lies at two of its stated uncertainties in the other form.
            let (most_error, most_pull) = match (form, seed) {
                (_, 508) => (3e-4, 4.0),
                (DistortionForm::RecordedFromIdeal, 504) => (8e-5, 2.5),
                _ => (6e-5, 3.5),
            };
            assert!(
                error.abs() < most_error && pull.abs() < most_pull,
                "{form:?} {seed}: {error:+.1e}, pull {pull:.1}"
            );
            sum += pull * pull;
        }
        // Without the second term the pulls of the other form are about 5.
        let rms = (sum / count).sqrt();
        assert!(rms < 1.8, "{form:?}: pulls of {rms:.2} rms");
    }
}

#[test]
fn an_expectation_far_off_is_refused() {
    let scene = clean_scene(502);
    let rendered = render(&scene).expect("renders");
    let expected = Some(PxPerUm::new(scene.px_per_um / 1.25 / 1.8));
    let request = Request { expected, ..Request::new(Um::new(scene.rulings[0].division_um)) };
    assert!(matches!(read(&light_of(&rendered.picture), &request), Err(Refusal::OutsideExpectation { .. })));
}

#[test]
fn real_ruled_slides_have_their_stated_scale() {
    let Some(folder) = shared("real/ruled_slide") else { return };
    // Stated by the photographer: 1.293 µm/px and 0.3214 µm/px (README beside the pictures).
    let ten = read_file(&folder.join("tenfold_tilted.png"), 10.0).expect("reads");
    assert!((ten.scale.um_per_px() / 1.293 - 1.0).abs() < 3e-3, "{} µm/px", ten.scale.um_per_px());
    let forty = read_file(&folder.join("fortyfold_defocused.png"), 10.0).expect("reads");
    assert!((0.320..0.324).contains(&forty.scale.um_per_px()), "{} µm/px", forty.scale.um_per_px());
}

#[test]
fn rendered_slides_of_another_hand_agree() {
    let Some(folder) = shared("trial/slides") else { return };
    let text = std::fs::read_to_string(folder.join("truth.json")).expect("reads");
    let truth: Vec<serde_json::Value> = serde_json::from_str(&text).expect("parses");
    let mut near = 0;
    for t in &truth {
        let answer =
            read_file(&folder.join(t["file"].as_str().expect("a name")), t["division_um"].as_f64().expect("a number"));
        let Ok(reading) = answer else { continue };
        let error = reading.scale.get() / t["px_per_um"].as_f64().expect("a number") - 1.0;
        assert!(error.abs() < 0.01, "{}: {error:+.1e}", t["file"]);
        near += usize::from(error.abs() < 1e-3);
    }
    assert!(near + 1 >= truth.len(), "{near} of {} within 1e-3", truth.len());
}
