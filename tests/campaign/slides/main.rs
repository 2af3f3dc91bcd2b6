//! A campaign over rendered ruled slides: `cargo run --release --example slide_campaign -- KIND COUNT [FIRST_SEED] [--each]`.
//!
//! `--perfect` rules the slides of `field` and `hardest` without errors of their own; `--k1=0.01` photographs those of `clean` through a lens
//! that distorts, odd seeds in the form that the map does not have.
//!
//! `--write=FOLDER` keeps the rendered pictures of scenes.
//!
//! KIND is `field`, `large` (the same on 24 megapixels), `hardest`, `clean`, `traps`, `whole`, or a style of ruling (`Grid`, `Crossed`, `Numbered` …). Prints how many were read,
//! the errors against the truth, and the pulls (error over stated uncertainty); for traps, every wrong scale; for `whole`, how often
//! the stated uncertainty of the scale with everything in it holds the truth, over clean and field pictures.
#![allow(clippy::print_stdout, reason = "a report for people")]

mod whole;

use motestick::phantom::Picture;
use motestick::phantom::bound::scale_bound;
use motestick::phantom::field::{clean_scene, field_scene, hardest_field_scene};
use motestick::phantom::slide::{DistortionForm, SlideScene, render};
use motestick::phantom::style::{Style, style_scene};
use motestick::phantom::trap::{Expectation, TrapKind, trap};
use motestick::photo::{Channel, Limits, Photo};
use motestick::slide::{Reading, Request, read};
use motestick::units::Um;
use std::time::{Duration, Instant};

fn main() {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let each = args.iter().any(|a| a == "--each");
    let kind = args.first().map_or("field", String::as_str);
    let count = args.get(1).and_then(|s| s.parse().ok()).unwrap_or(100_u64);
    let first = args.get(2).and_then(|s| s.parse().ok()).unwrap_or(0_u64);
    match kind {
        "traps" => traps(count, first, each),
        "clean" => match args.iter().find_map(|a| a.strip_prefix("--k1=")).and_then(|k| k.parse().ok()) {
            Some(k1) => scenes(&|seed| distorted(clean_scene(seed), k1), count, first, each, false),
            None => scenes(&clean_scene, count, first, each, true),
        },
        "large" => scenes(&ruled_by(|seed| enlarged(field_scene(seed))), count, first, each, false),
        "hardest" => scenes(&ruled_by(hardest_field_scene), count, first, each, false),
        "look" => look(&args[1..]),
        "whole" => {
            whole::coverage("clean", &clean_scene, count, first);
            whole::coverage("field", &ruled_by(field_scene), count, first);
        }
        _ => match Style::ALL.into_iter().find(|s| format!("{s:?}") == kind) {
            Some(style) => scenes(&|seed| style_scene(style, seed), count, first, each, false),
            None => scenes(&ruled_by(field_scene), count, first, each, false),
        },
    }
}

/// The same on 24 megapixels: even seeds with as many pixels a division more, odd ones with the ruling in a corner of a larger field.
fn enlarged(mut scene: SlideScene) -> SlideScene {
    let (width, height) = (6000, 4000);
    if scene.seed.is_multiple_of(2) {
        scene.px_per_um *= width as f64 / scene.width_px as f64;
    }
    (scene.width_px, scene.height_px) = (width, height);
    scene
}

/// The same through a lens that distorts by `k1` at half the longer side, odd seeds in the other form.
fn distorted(mut scene: SlideScene, k1: f64) -> SlideScene {
    scene.distortion.k1 = k1;
    if !scene.seed.is_multiple_of(2) {
        scene.distortion.form = DistortionForm::RecordedFromIdeal;
    }
    scene
}

/// Reads photographs: a division in µm, then files.
fn look(args: &[String]) {
    let division = args.first().and_then(|a| a.parse().ok()).expect("a division in µm");
    for file in &args[1..] {
        let photo = Photo::open(std::path::Path::new(file), &Limits::default()).expect("opens");
        match read(&photo.light(Channel::Even), &Request::new(Um::new(division))) {
            Ok(r) => println!(
                "{file}: {:.5} px/µm, across by {:.5}, u fit {:.1e}, {:?}, {} used, residual {:.3}, {}",
                r.scale.get(),
                r.map.ratio_across(),
                r.u_rel_fit,
                r.ruler,
                r.used(),
                r.residual_rms.get(),
                terms(&r),
            ),
            Err(why) => println!("{file}: refused, {} ({why})", why.reason()),
        }
    }
}

/// The map's form with its terms, and what speaks for them.
fn terms(r: &Reading) -> String {
    let ([g_along, g_across], m) = (r.map.perspective, r.map.model.name());
    format!(
        "{m}, κ {:+.5} κ₂ {:+.5} g {g_along:+.5} {g_across:+.5}, evidence {:.2} {:.2}",
        r.map.radial, r.map.radial_2, r.evidence_radial, r.evidence_perspective,
    )
}

/// The scenes as drawn by lot, or with every graduation in its place where `--perfect` is asked for.
fn ruled_by(scene_of: fn(u64) -> SlideScene) -> impl Fn(u64) -> SlideScene {
    let perfect = std::env::args().any(|a| a == "--perfect");
    move |seed| {
        let mut scene = scene_of(seed);
        if perfect {
            scene.rulings[0].placement_sd_um = 0.0;
        }
        scene
    }
}

fn open(picture: &Picture) -> Photo {
    let (bytes, _) = picture.file().expect("encodes");
    Photo::from_bytes(&bytes, &Limits::default()).expect("opens")
}

fn scenes(scene_of: &dyn Fn(u64) -> SlideScene, count: u64, first: u64, each: bool, with_bound: bool) {
    let folder = std::env::args().find_map(|a| a.strip_prefix("--write=").map(str::to_owned));
    let mut errors = Vec::new();
    let mut pulls = Vec::new();
    let mut bounds = Vec::new();
    let (mut blurs, mut blur_pulls) = (Vec::new(), Vec::new());
    let mut refused = 0;
    let mut spent = Duration::ZERO;
    for seed in first..first + count {
        let scene = scene_of(seed);
        let rendered = render(&scene).expect("renders");
        if let Some(folder) = &folder {
            let (bytes, ending) = rendered.picture.file().expect("encodes");
            std::fs::write(format!("{folder}/{seed}.{ending}"), bytes).expect("writes");
        }
        let photo = open(&rendered.picture);
        let light = photo.light(Channel::Even);
        let start = Instant::now();
        let answer = read(&light, &Request::new(Um::new(scene.rulings[0].division_um)));
        spent += start.elapsed();
        let truth = scene.px_per_um;
        let note = format!(
            "seed {seed}: pitch {:.2} px, contrast {:.2}, {:.0} e, k1 {:+.3}, tilt {:.1}, {}, jpeg {}",
            truth * scene.rulings[0].division_um,
            scene.contrast,
            scene.sensor.electrons_at_full_scale.unwrap_or(f64::INFINITY),
            scene.distortion.k1,
            scene.tilt_deg,
            if scene.dark_field { "bright lines" } else { "dark lines" },
            scene.sensor.jpeg_quality.is_some(),
        );
        match answer {
            Err(why) => {
                refused += 1;
                println!("{note}: refused, {} ({why})", why.reason());
            }
            Ok(reading) => {
                let error = reading.scale.get() / truth - 1.0;
                // The fit answers for the scale in the picture; foreshortening by the slide's tilt is a term of its own.
                let pull = (reading.scale.get() / rendered.truth.local_px_per_um - 1.0) / reading.u_rel_fit;
                if each || error.abs() > 3e-4 || pull.abs() > 4.0 {
                    println!(
                        "{note}: error {error:+.1e}, u fit {:.1e}, pull {pull:+.1}, {} used, {}, ruling {:.3} µm",
                        reading.u_rel_fit,
                        reading.used(),
                        terms(&reading),
                        reading.ruling_sd.get(),
                    );
                }
                if let Some(blur) = reading.blur {
                    let ratio = blur.width.get() / rendered.truth.blur_spot_px;
                    blurs.push(ratio);
                    let pull = (blur.width.get() - rendered.truth.blur_spot_px) / blur.u.get();
                    blur_pulls.push(pull);
                    if each {
                        let (width, u) = (reading.line_width.get(), blur.u / blur.width);
                        println!(
                            "{note}: blur over true {ratio:.3}, u {u:.3}, pull {pull:+.1}, line {width:.2} px wide"
                        );
                    }
                }
                if with_bound {
                    let bound = scale_bound(&scene).expect("has a bound").u_rel_scale;
                    bounds.push(error / bound);
                    if each || (error / bound).abs() > 4.0 {
                        println!(
                            "{note}: error over bound {:+.1}, u fit over bound {:.2}, {}",
                            error / bound,
                            reading.u_rel_fit / bound,
                            reading.map.model.name()
                        );
                    }
                }
                errors.push(error.abs());
                pulls.push(pull);
            }
        }
    }
    errors.sort_by(f64::total_cmp);
    let at = |q: f64| errors.get(((errors.len() as f64 - 1.0) * q) as usize).copied().unwrap_or(f64::NAN);
    let share = |limit: f64| errors.iter().filter(|e| **e <= limit).count() as f64 / errors.len().max(1) as f64;
    let rms = |v: &[f64]| (v.iter().map(|p| p * p).sum::<f64>() / v.len().max(1) as f64).sqrt();
    println!(
        "read {} of {count}, refused {refused}; error median {:.1e}, 95 % {:.1e}, largest {:.1e}; within 3e-4 {:.1} %, over 1 % {}",
        errors.len(),
        at(0.5),
        at(0.95),
        at(1.0),
        100.0 * share(3e-4),
        errors.iter().filter(|e| **e > 0.01).count()
    );
    if with_bound {
        println!("error over the Cramér–Rao bound: rms {:.2} over {}", rms(&bounds), bounds.len());
    }
    blurs.sort_by(f64::total_cmp);
    let part = |q: f64| blurs.get(((blurs.len() as f64 - 1.0) * q) as usize).copied().unwrap_or(f64::NAN);
    println!(
        "blur measured over true: 5 % {:.2}, median {:.2}, 95 % {:.2} of {}; pulls rms {:.2}",
        part(0.05),
        part(0.5),
        part(0.95),
        blurs.len(),
        rms(&blur_pulls)
    );
    println!(
        "pulls: rms {:.2}, within 2: {:.1} %; mean time {:.0} ms",
        rms(&pulls),
        100.0 * pulls.iter().filter(|p| p.abs() < 2.0).count() as f64 / pulls.len().max(1) as f64,
        spent.as_secs_f64() * 1000.0 / count as f64
    );
}

fn traps(count: u64, first: u64, each: bool) {
    let (mut wrong, mut refused, mut right, mut missed) = (0, 0, 0, 0);
    let only = std::env::args().find_map(|a| a.strip_prefix("--only=").map(str::to_owned));
    for kind in TrapKind::ALL.into_iter().filter(|k| only.as_ref().is_none_or(|o| format!("{k:?}") == *o)) {
        for seed in first..first + count {
            let trap = trap(kind, seed).expect("renders");
            let photo = open(&trap.picture);
            let answer = read(&photo.light(Channel::Even), &Request::new(Um::new(trap.division_um)));
            let verdict = match (&answer, trap.expectation) {
                (Err(_), Expectation::Correct(_)) => {
                    missed += 1;
                    "should have been read"
                }
                (Err(_), _) => {
                    refused += 1;
                    "refused"
                }
                (Ok(r), Expectation::RefuseOrCorrect(s) | Expectation::Correct(s))
                    if (r.scale.get() / s - 1.0).abs() < 0.01 =>
                {
                    right += 1;
                    "right"
                }
                (Ok(_), _) => {
                    wrong += 1;
                    "WRONG"
                }
            };
            if each || verdict == "WRONG" || verdict == "should have been read" {
                let said = answer.as_ref().map_or_else(
                    |e| e.reason().to_owned(),
                    |r| {
                        let (scale, uneven) = (r.scale.get(), r.ruling_sd.get());
                        format!(
                            "{scale:.4} px/µm, {} used, uneven by {uneven:.2} µm, {:?}",
                            r.used(),
                            r.long_graduations
                        )
                    },
                );
                println!("{kind:?} {seed}: {verdict}: {said}");
            }
        }
    }
    println!("wrong {wrong}, refused {refused}, right {right}, unread though readable {missed}");
}
