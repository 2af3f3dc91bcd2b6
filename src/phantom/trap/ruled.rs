//! Rulings that are incomplete, doubled, blurred or clipped, and no ruling at all.

use rand::RngExt;
use rand_pcg::Pcg64Mcg;

use super::super::SceneError;
use super::super::field::setup_by_lot;
use super::super::picture::Picture;
use super::super::slide::{Ruling, Side, SlideScene, Tier, linear_light, render};
use super::{Expectation, TrapKind, sensor_by_lot};

/// The trap, or `None` where the kind is not made from a ruled slide.
pub(super) fn trap(
    kind: TrapKind,
    seed: u64,
    rng: &mut Pcg64Mcg,
) -> Result<Option<(Picture, Expectation)>, SceneError> {
    let mut scene = setup_by_lot(rng, 0.3);
    scene.seed = seed;
    scene.extra_sigma_um = 0.0;
    scene.dark_field = rng.random_bool(0.4);
    scene.contrast = rng.random_range(0.25..0.9);
    scene.background = rng.random_range(0.4..0.7);
    scene.vignette = rng.random_range(0.0..0.3);
    scene.sensor = sensor_by_lot(rng);
    if rng.random_bool(0.4) {
        scene.dirt_specks = rng.random_range(0..40);
        scene.scratches = rng.random_range(0..3);
    }
    let expectation = match kind {
        TrapKind::Blank => {
            scene.rulings.clear();
            scene.gradient = rng.random_range(0.0..0.6);
            scene.gradient_direction_deg = rng.random_range(-180.0..180.0);
            Expectation::Refuse
        }
        TrapKind::Saturated => {
            scene.dark_field = false;
            scene.contrast = rng.random_range(0.1..0.5);
            // Even the lines at the dimmest place are above full scale.
            scene.background = 1.1 / ((1.0 - scene.contrast) * (1.0 - scene.vignette));
            scene.dirt_specks = 0;
            scene.scratches = 0;
            Expectation::Refuse
        }
        _ => match change(kind, &mut scene, rng) {
            true => Expectation::RefuseOrCorrect(scene.px_per_um),
            false => return Ok(None),
        },
    };
    let expectation = match (kind, expectation) {
        (TrapKind::Tierless, Expectation::RefuseOrCorrect(scale)) => Expectation::Correct(scale),
        (_, other) => other,
    };
    let picture = if kind == TrapKind::DoubleExposure { twice(&scene, rng)? } else { render(&scene)?.picture };
    Ok(Some((picture, expectation)))
}

/// Changes the plain ruling into the trap; false where the kind is not made from a ruling.
fn change(kind: TrapKind, scene: &mut SlideScene, rng: &mut Pcg64Mcg) -> bool {
    let plain = scene.rulings[0].clone();
    let middle_um = scene.centre_um[0];
    let other_side = if plain.side == Side::Below { Side::Above } else { Side::Below };
    match kind {
        TrapKind::Vernier => {
            let divisions = if rng.random_bool(0.5) { 10 } else { plain.divisions };
            let from = if divisions == 10 { (middle_um / 10.0).round() * 10.0 - 45.0 } else { 0.0 };
            scene.rulings.push(Ruling {
                division_um: 9.0,
                divisions,
                side: other_side,
                origin_um: [from + rng.random_range(0.0..9.0), 0.0],
                ..plain
            });
        }
        TrapKind::InchAndMetric => {
            let tiers = [(1, 45.0), (2, 60.0), (4, 80.0), (8, 100.0)];
            scene.rulings.push(Ruling {
                division_um: 12.7,
                divisions: (plain.span_um() / 12.7) as u32,
                tiers: tiers.map(|(every, length_um)| Tier { every, length_um }).to_vec(),
                side: other_side,
                origin_um: [0.0, if other_side == Side::Above { -15.0 } else { 15.0 }],
                ..plain
            });
        }
        TrapKind::TwoScales => {
            let away = if plain.side == Side::Below { 130.0 } else { -130.0 };
            let division_um = plain.division_um * [1.25, 1.5, 2.0, 0.8][rng.random_range(0..4)];
            scene.rulings.push(Ruling { division_um, origin_um: [rng.random_range(0.0..20.0), away], ..plain });
        }
        TrapKind::TwoGraduations => keep_few(scene, 1, rng),
        TrapKind::FewGraduations => {
            let divisions = rng.random_range(2..=5);
            keep_few(scene, divisions, rng);
        }
        TrapKind::EverySecond => scene.rulings[0].draw_every = 2,
        TrapKind::EveryFifth => scene.rulings[0].draw_every = 5,
        TrapKind::EveryTenth => scene.rulings[0].draw_every = 10,
        TrapKind::BlurredToFifth => {
            scene.extra_sigma_um = rng.random_range(6.0..9.0);
            scene.contrast = rng.random_range(0.5..0.9);
        }
        TrapKind::Unresolved => scene.extra_sigma_um = rng.random_range(9.0..25.0),
        TrapKind::Undersampled => {
            // 1.05 to 1.9 px a division; the lens still resolves it.
            scene.px_per_um = rng.random_range(0.105..0.19);
            scene.magnification = 2.0;
            scene.effective_aperture = 4.0 * 3.0;
            let side = if plain.side == Side::Below { 1.0 } else { -1.0 };
            scene.rulings[0] = Ruling { divisions: 500, ..plain };
            scene.centre_um = [rng.random_range(1500.0..3500.0), side * 50.0 + rng.random_range(-800.0..800.0)];
        }
        TrapKind::Overexposed => {
            scene.dark_field = false;
            scene.contrast = rng.random_range(0.5..0.9);
            scene.vignette = 0.1;
            scene.background = rng.random_range(1.2..1.5);
        }
        TrapKind::DoubleExposure => {}
        TrapKind::Tierless => {
            let length_um = rng.random_range(30.0..80.0);
            scene.rulings[0].tiers = vec![Tier { every: 1, length_um }];
        }
        _ => return false,
    }
    true
}

/// Keeps `divisions` + 1 graduations, near the middle of the picture.
fn keep_few(scene: &mut SlideScene, divisions: u32, rng: &mut Pcg64Mcg) {
    let half_um = 0.3 * scene.height_px as f64 / scene.px_per_um;
    scene.rulings[0].divisions = divisions;
    scene.centre_um = [rng.random_range(-half_um..half_um), rng.random_range(-half_um..half_um).clamp(-150.0, 150.0)];
}

/// The mean of two exposures, the second moved along the ruling by a part of a division.
fn twice(scene: &SlideScene, rng: &mut Pcg64Mcg) -> Result<Picture, SceneError> {
    let mut moved = scene.clone();
    moved.centre_um[0] += scene.rulings[0].division_um * rng.random_range(0.25..0.75);
    let (mut light, other) = (linear_light(scene)?, linear_light(&moved)?);
    for (a, b) in light.iter_mut().zip(other) {
        *a = (*a + b) / 2.0;
    }
    scene.sensor.record(scene.width_px, light, scene.seed)
}
