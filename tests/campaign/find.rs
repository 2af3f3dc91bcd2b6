//! Proposals on rendered animals, against their truth.
//!
//! `cargo run --release --example find_campaign -- plain 300` (also `hard`, with debris, second animals, highlights and tone;
//! `--each`, `--from=SEED`), or `-- look FOLDER PICTURE…` draws what is found over photographs.

use motestick::animal::find::{Proposal, find};
use motestick::animal::{Placement, Shape};
use motestick::exchange::draw::{MarkShape, Overlay, OverlayItem, Tone};
use motestick::phantom::animal::{AnimalScene, AnimalTruth, Placed, animal_scene, render};
use motestick::photo::{Channel, Light, Limits, Photo};
use motestick::units::{Image, Point, Px};

fn hard(mut scene: AnimalScene, seed: u64) -> AnimalScene {
    scene.debris = 12;
    scene.highlights = if seed.is_multiple_of(2) { 3 } else { 0 };
    scene.sensor.tone_exponent = [0.8, 1.0, 1.25][(seed % 3) as usize];
    let mut other = animal_scene(seed + 5000).animals.swap_remove(0).animal;
    let own = &scene.animals[0].animal;
    let share = 0.62 * own.length_um / other.length_um;
    shrink(&mut other, share.min(1.0));
    let turn = (seed as f64 * 2.4).sin_cos();
    let far = 0.75 * own.length_um + 0.6 * other.length_um;
    let at = scene.animals[0].position_um;
    // Wherever there is room in the picture.
    scene.width_px = 1500;
    scene.height_px = 1300;
    scene.animals.push(Placed {
        animal: other,
        position_um: [at[0] + far * turn.0, at[1] + far * turn.1],
        heading_deg: seed as f64 * 77.0,
    });
    scene
}

fn shrink(animal: &mut motestick::phantom::animal::Animal, share: f64) {
    animal.length_um *= share;
    animal.breadth_um *= share;
    for limb in &mut animal.limbs {
        for s in &mut limb.segments {
            s.length_um *= share;
            s.width_um *= share;
            s.joint_um *= share;
        }
    }
}

fn main() {
    let args: Vec<String> = std::env::args().skip(1).collect();
    if args.first().is_some_and(|a| a == "look") {
        let [_, folder, pictures @ ..] = &args[..] else { panic!("look FOLDER PICTURE…") };
        return look(folder, pictures);
    }
    let kind = args.first().map_or("plain", String::as_str);
    let count: u64 = args.get(1).and_then(|a| a.parse().ok()).unwrap_or(100);
    let from: u64 = args.iter().find_map(|a| a.strip_prefix("--from=")?.parse().ok()).unwrap_or(0);
    let each = args.iter().any(|a| a == "--each");
    let mut pulls = [vec![], vec![]];
    let draw = args.iter().find_map(|a| a.strip_prefix("--draw=").map(str::to_owned));
    let (mut right, mut lengths, mut breadths, mut areas) = (0, vec![], vec![], vec![]);
    for seed in from..from + count {
        let scene = animal_scene(seed);
        let scene = if kind == "hard" { hard(scene, seed) } else { scene };
        let rendered = render(&scene).expect("a scene that can be drawn");
        let truth = rendered.truth.expect("an animal");
        let p = &rendered.picture;
        let light = Light::new(p.width, p.height, p.linear_luminance());
        let name = format!(
            "{seed} f/{:.1} {}",
            scene.effective_aperture / (1.0 + scene.magnification),
            if scene.bright_on_dark { "bright" } else { "dark" }
        );
        let found = match find(&light, Px::new(truth.blur_spot_px)) {
            Ok(f) => f,
            Err(e) => {
                println!("{name}: {e}");
                continue;
            }
        };
        if let Some(folder) = &draw {
            let photo = Photo::from_bytes(&p.file().expect("a file").0, &Limits::default()).expect("a picture");
            save(&photo, Some(&found), &format!("{folder}/{kind}_{seed}.png"));
        }
        let s = truth.px_per_um;
        let length: f64 = points(&found.axis).windows(2).map(|w| (w[1] - w[0]).length()).sum::<f64>() / s;
        let e_length = length / truth.body_length_um - 1.0;
        let breadth = (found.breadth.marks[1].at - found.breadth.marks[0].at).length() / s;
        let e_breadth = breadth / truth.breadth_um - 1.0;
        let e_area = motestick::animal::outline::area(&found.contour) / s / s / truth.area_um2 - 1.0;
        let ok = is_right(&points(&found.axis), &truth);
        right += u32::from(ok);
        if ok {
            lengths.push(e_length);
            breadths.push(e_breadth);
            areas.push(e_area);
            let u = |shape: &Shape, um: f64| u_of_ends_px(shape) / s / um;
            pulls[0].push(e_length / u(&found.axis, truth.body_length_um));
            pulls[1].push(e_breadth / u(&found.breadth, truth.breadth_um));
        }
        if each || !ok || e_length.abs() > 0.02 || e_area.abs() > 0.03 {
            println!(
                "{name} w {:.1} px: right {ok}, length {:+.2} %, breadth {:+.2} %, area {:+.2} %",
                truth.blur_spot_px,
                100.0 * e_length,
                100.0 * e_breadth,
                100.0 * e_area
            );
        }
    }
    println!("{kind}, {count} from seed {from}: right animal {:.1} %", 100.0 * f64::from(right) / count as f64);
    for (what, values) in [("length", &lengths), ("breadth", &breadths), ("area", &areas)] {
        let n = values.len().max(1) as f64;
        let mean = values.iter().sum::<f64>() / n;
        let rms = (values.iter().map(|v| v * v).sum::<f64>() / n).sqrt();
        println!("  {what}: mean {:+.3} %, rms {:.3} %", 100.0 * mean, 100.0 * rms);
    }
    for (what, pulls) in [("length", &pulls[0]), ("breadth", &pulls[1])] {
        let n = pulls.len().max(1) as f64;
        let rms = (pulls.iter().map(|p| p * p).sum::<f64>() / n).sqrt();
        let within = pulls.iter().filter(|p| p.abs() < 1.96).count() as f64 / n;
        println!("  {what} over the placement's u: rms {rms:.2}, within 1.96 u {:.1} %", 100.0 * within);
    }
}

/// Standard uncertainty of a shape's length from the placement of its two ends, px.
fn u_of_ends_px(shape: &Shape) -> f64 {
    let n = shape.marks.len();
    let ends = [(0, 1), (n - 1, n - 2)];
    let variance = ends.iter().map(|(i, next)| {
        let (a, b) = (&shape.marks[*i], &shape.marks[*next]);
        let v = (a.at - b.at) * (1.0 / (a.at - b.at).length());
        match a.placement {
            Placement::Snapped { covariance_px2: [xx, xy, yy], .. } => {
                v.x * v.x * xx + 2.0 * v.x * v.y * xy + v.y * v.y * yy
            }
            Placement::Hand => f64::NAN,
        }
    });
    variance.sum::<f64>().sqrt()
}

fn is_right(axis: &[Point<Image>], truth: &AnimalTruth) -> bool {
    let middle = axis[axis.len() / 2];
    let reach = 0.5 * truth.breadth_um * truth.px_per_um;
    truth.axis_px.iter().any(|p| (p[0] - middle.x).hypot(p[1] - middle.y) < reach)
}

fn look(folder: &str, pictures: &[String]) {
    for path in pictures {
        let photo = Photo::open(path, &Limits::default()).expect("a picture");
        let light = photo.light(Channel::Luminance);
        let w = if photo.width() > 2000 { 8.0 } else { 4.0 };
        let start = std::time::Instant::now();
        let found = find(&light, Px::new(w));
        let took = start.elapsed();
        let name = std::path::Path::new(path).file_stem().map_or(String::new(), |s| s.to_string_lossy().into_owned());
        match &found {
            Ok(f) => {
                let length: f64 = points(&f.axis).windows(2).map(|w| (w[1] - w[0]).length()).sum();
                println!("  {}: {}", f.confidence.sureness.name(), f.confidence.reasons.join("; "));
                println!(
                    "{name}: axis {length:.2} px, breadth {:.2} px, {took:?}",
                    (f.breadth.marks[1].at - f.breadth.marks[0].at).length()
                );
            }
            Err(e) => println!("{name}: {e}"),
        }
        save(&photo, found.as_ref().ok(), &format!("{folder}/{name}.png"));
    }
}

fn save(photo: &Photo, found: Option<&Proposal>, file: &str) {
    let mut overlay = Overlay::default();
    if let Some(f) = found {
        let line = |points: &[Point<Image>], closed, tone| OverlayItem::Line {
            points: points.to_vec(),
            closed,
            dashed: false,
            tone,
        };
        overlay.items.push(line(&f.contour, true, Tone::Orange));
        overlay.items.push(line(&points(&f.axis), false, Tone::Sky));
        overlay.items.push(line(&points(&f.breadth), false, Tone::Green));
        for limb in &f.antennae {
            overlay.items.push(line(&points(&limb.shape), false, Tone::Purple));
            for mark in &limb.shape.marks {
                overlay.items.push(OverlayItem::Mark { at: mark.at, shape: MarkShape::Cross, tone: Tone::Purple });
            }
        }
    }
    let drawn = overlay.draw_on(photo).expect("a drawing");
    std::fs::write(file, drawn.png).expect("written");
}

fn points(shape: &Shape) -> Vec<Point<Image>> {
    shape.marks.iter().map(|m| m.at).collect()
}
