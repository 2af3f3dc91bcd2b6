//! Animals drawn by lot.

use rand::RngExt;
use rand_pcg::Pcg64Mcg;

use super::super::Sensor;
use super::super::random::{Stream, generator};
use super::body::Animal;
use super::limb::{Limb, LimbSegment};
use super::scene::{AnimalScene, Placed};

/// An animal with two antennae of four segments and six legs, photographed at 4x or 5x.
///
/// Body 200 to 450 µm along its axis and 0.24 to 0.32 of that across, bent or double-bent; segments 12 to 45 µm; f/2.8 to
/// f/8 as marked; both polarities; mottled, noisy, evenly or unevenly lit; flat, in focus, threshold and tone neutral.
/// Callers set what their regime varies: `threshold_um`, `tilt_deg`, `sensor.tone_exponent`, `highlights`, `debris`,
/// further `animals`.
#[must_use]
pub fn animal_scene(seed: u64) -> AnimalScene {
    let mut rng = generator(seed, Stream::Scene, 50);
    let magnification = if rng.random_bool(0.5) { 4.0 } else { 5.0 };
    let marked = [2.8, 4.0, 5.6, 8.0][rng.random_range(0..4)];
    let px_per_um = magnification / rng.random_range(3.3..4.4);
    let bright_on_dark = rng.random_bool(0.5);
    let animal = animal_by_lot(&mut rng);
    AnimalScene {
        px_per_um,
        magnification,
        effective_aperture: marked * (1.0 + magnification),
        animals: vec![Placed {
            animal,
            position_um: [rng.random_range(-40.0..40.0), rng.random_range(-30.0..30.0)],
            heading_deg: rng.random_range(-180.0..180.0),
        }],
        bright_on_dark,
        background: rng.random_range(0.45..0.7),
        texture: rng.random_range(0.0..0.12),
        texture_grain_um: rng.random_range(5.0..14.0),
        vignette: rng.random_range(0.0..0.25),
        gradient: rng.random_range(0.0..0.2),
        gradient_direction_deg: rng.random_range(-180.0..180.0),
        sensor: Sensor {
            electrons_at_full_scale: Some(super::super::field::log_uniform(&mut rng, 2_000.0, 30_000.0)),
            ..Sensor::default()
        },
        seed,
        ..AnimalScene::default()
    }
}

fn animal_by_lot(rng: &mut Pcg64Mcg) -> Animal {
    let length_um = rng.random_range(200.0..450.0);
    let waist = rng.random_range(0.7..1.0);
    let tone = rng.random_range(0.45..0.75);
    let mut limbs = Vec::new();
    let pairs = [("foreleg", 0.28, 70.0), ("middle leg", 0.42, 90.0), ("hind leg", 0.56, 112.0)];
    for (name, along, heading) in pairs {
        for (side, word) in [(-1.0, "left"), (1.0, "right")] {
            limbs.push(Limb {
                name: format!("{name} {word}"),
                along: along + rng.random_range(-0.02..0.02),
                across: side * 0.95,
                heading_deg: heading + rng.random_range(-12.0..12.0),
                segments: vec![
                    part(rng.random_range(0.08..0.13) * length_um, 0.0, 0.03 * length_um, 0.85 * tone),
                    part(
                        rng.random_range(0.08..0.13) * length_um,
                        rng.random_range(-30.0..30.0),
                        0.022 * length_um,
                        0.8 * tone,
                    ),
                ],
            });
        }
    }
    for (side, word) in [(-1.0, "left"), (1.0, "right")] {
        limbs.push(Limb {
            name: format!("antenna {word}"),
            along: rng.random_range(0.02..0.05),
            across: side,
            heading_deg: rng.random_range(12.0..40.0),
            segments: (0..4)
                .map(|i| {
                    let length = [14.0, 24.0, 28.0, 38.0][i] * rng.random_range(0.8..1.2);
                    let shade = if i % 2 == 0 { 0.85 } else { 1.0 };
                    let width = rng.random_range(10.0..14.5);
                    LimbSegment {
                        joint_um: 0.5 * width,
                        ..part(length, rng.random_range(-14.0..14.0), width, shade * tone)
                    }
                })
                .collect(),
        });
    }
    Animal {
        length_um,
        breadth_um: length_um * rng.random_range(0.24..0.32),
        bend_rad: [rng.random_range(-1.2..1.2), rng.random_range(-0.8..0.8), rng.random_range(-2.5..2.5)],
        stations: vec![[0.0, 0.8], [0.15, 0.85], [0.4, waist], [0.75, 1.0], [1.0, rng.random_range(0.5..0.9)]],
        caps: [rng.random_range(0.1..0.25), rng.random_range(0.1..0.3)],
        tone,
        limbs,
        wings: Vec::new(),
        spots: Vec::new(),
    }
}

fn part(length_um: f64, turn_deg: f64, width_um: f64, tone: f64) -> LimbSegment {
    LimbSegment { length_um, turn_deg, width_um, joint_um: 0.8 * width_um, tone }
}

#[cfg(test)]
mod tests {
    use super::super::render;
    use super::*;
    use crate::phantom::animal::species;

    #[test]
    fn truth_lies_in_the_picture_and_agrees_with_itself() {
        for seed in 0..12 {
            let scene = animal_scene(seed);
            let truth = render(&scene).unwrap().truth.unwrap();
            for p in truth.axis_px.iter().chain(truth.limbs.iter().flat_map(|l| &l.joints_px)) {
                assert!((0.0..900.0).contains(&p[0]) && (0.0..700.0).contains(&p[1]), "seed {seed}: {p:?}");
            }
            assert!((truth.projected_length_um - truth.body_length_um).abs() < 1e-3, "flat");
            let [a, b] = truth.breadth_px;
            let breadth = (a[0] - b[0]).hypot(a[1] - b[1]) / truth.px_per_um;
            assert!((breadth - truth.breadth_um).abs() < 1e-6);
            for limb in &truth.limbs {
                for (w, length) in limb.joints_px.windows(2).zip(&limb.segment_um) {
                    let px = (w[0][0] - w[1][0]).hypot(w[0][1] - w[1][1]);
                    assert!((px / truth.px_per_um - length).abs() < 1e-6);
                }
            }
        }
    }

    #[test]
    fn tilt_foreshortens_along_its_direction() {
        let mut scene = animal_scene(3);
        scene.animals[0].animal.bend_rad = [0.0; 3];
        scene.animals[0].heading_deg = 30.0;
        (scene.tilt_deg, scene.tilt_azimuth_deg) = (25.0, 30.0);
        let truth = render(&scene).unwrap().truth.unwrap();
        let ratio = truth.projected_length_um / truth.body_length_um;
        assert!((ratio - 25.0_f64.to_radians().cos()).abs() < 1e-9, "{ratio}");
    }

    #[test]
    fn drawings_have_the_segments_of_their_groups() {
        let antenna =
            |animal: &Animal| animal.limbs.iter().find(|l| l.name == "antenna left").map_or(0, |l| l.segments.len());
        assert_eq!(antenna(&species::fairyfly()), 10);
        assert_eq!(antenna(&species::thrips()), 8);
        assert_eq!(antenna(&species::springtail()), 4);
        let mite = species::mite();
        assert_eq!(antenna(&mite), 0);
        assert_eq!(mite.limbs.iter().filter(|l| l.name.starts_with("leg")).count(), 8);
    }
}
