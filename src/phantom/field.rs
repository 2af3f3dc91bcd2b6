//! Scenes drawn by lot: field conditions, their hardest corner, and clean pictures for the bound.

use rand::RngExt;
use rand_pcg::Pcg64Mcg;

use super::optics::{mtf_diffraction, sinc};
use super::picture::Coding;
use super::random::{Stream, generator};
use super::sensor::Sensor;
use super::slide::{DistortionForm, Ruling, Side, SlideMap, SlideScene, Tier};
use crate::units::{Image, Point, Slide};

/// A ruled slide photographed in the field.
///
/// 10 µm divisions over 1 or 2 mm, pitch 3.2 to about 40 px, any rotation, both polarities, part of the ruling out of the
/// frame (at least 15 graduations in it), contrast 0.15 to 0.85, up to 25 % faint and 10 % missing graduations, distortion
/// up to 1 % at half the longer side in either form, slide tilt up to 1° seen from 5 to 120 mm, vignetting, gradient, up
/// to 80 specks and 4 scratches, 800 to 30 000 electrons, half of them JPEG 85, the others 8 bit. The division is always
/// resolved: the system passes at least 0.12 of the contrast at one cycle a division.
#[must_use]
pub fn field_scene(seed: u64) -> SlideScene {
    let mut rng = generator(seed, Stream::Scene, 0);
    let mut scene = setup_by_lot(&mut rng, 0.12);
    scene.seed = seed;
    let share = |rng: &mut Pcg64Mcg, shares: [f64; 3]| shares[rng.random_range(0..3)];
    let ruling = &mut scene.rulings[0];
    ruling.faint_fraction = share(&mut rng, [0.0, 0.1, 0.25]);
    ruling.missing_fraction = share(&mut rng, [0.0, 0.05, 0.1]);
    ruling.placement_sd_um = if rng.random_bool(0.5) { 0.0 } else { rng.random_range(0.05..0.2) };
    scene.distortion.k1 = rng.random_range(-0.01..0.01);
    scene.distortion.form =
        if rng.random_bool(0.5) { DistortionForm::IdealFromRecorded } else { DistortionForm::RecordedFromIdeal };
    scene.tilt_deg = rng.random_range(0.0..1.0);
    scene.tilt_azimuth_deg = rng.random_range(-180.0..180.0);
    scene.pupil_distance_um = log_uniform(&mut rng, 5_000.0, 120_000.0);
    scene.extra_sigma_um = share(&mut rng, [0.0, 0.8, 1.6]).min(scene.extra_sigma_um);
    scene.dark_field = rng.random_bool(0.5);
    scene.contrast = rng.random_range(0.15..0.85);
    scene.background = if scene.dark_field { rng.random_range(0.4..0.65) } else { rng.random_range(0.4..0.75) };
    scene.vignette = rng.random_range(0.1..0.5);
    scene.gradient = rng.random_range(0.0..0.5);
    scene.gradient_direction_deg = rng.random_range(-180.0..180.0);
    scene.dirt_specks = rng.random_range(0..=80);
    scene.scratches = rng.random_range(0..=4);
    scene.sensor = Sensor {
        electrons_at_full_scale: Some(log_uniform(&mut rng, 800.0, 30_000.0)),
        read_noise_electrons: 3.0,
        tone_exponent: 1.0,
        coding: Coding::Rgb8,
        jpeg_quality: rng.random_bool(0.5).then_some(85),
    };
    scene
}

/// [`field_scene`] with every hindrance at its worst at once: contrast 0.15, 800 electrons, 25 % faint, 10 % missing, 80
/// specks, 4 scratches, 1 % distortion, 1° tilt, JPEG 85.
#[must_use]
pub fn hardest_field_scene(seed: u64) -> SlideScene {
    let mut scene = field_scene(seed);
    scene.contrast = 0.15;
    scene.distortion.k1 = scene.distortion.k1.signum() * 0.01;
    scene.tilt_deg = 1.0;
    scene.dirt_specks = 80;
    scene.scratches = 4;
    scene.rulings[0].faint_fraction = 0.25;
    scene.rulings[0].missing_fraction = 0.1;
    scene.sensor.electrons_at_full_scale = Some(800.0);
    scene.sensor.jpeg_quality = Some(85);
    scene
}

/// A clean picture for comparison with [`super::bound::scale_bound`]: even light, no dirt, no distortion, no tilt, 8 bit.
///
/// Even seeds are grey in one wavelength, odd ones red, green and blue in three. Contrast 0.3 to 0.85, 2 000 to 30 000
/// electrons, at least 0.25 of the contrast passed at one cycle a division, the whole or part of the ruling in the frame.
#[must_use]
pub fn clean_scene(seed: u64) -> SlideScene {
    let mut rng = generator(seed, Stream::Scene, 1);
    let mut scene = setup_by_lot(&mut rng, 0.25);
    scene.seed = seed;
    let grey = seed.is_multiple_of(2);
    if grey {
        scene.wavelengths_um = vec![0.55];
    }
    scene.dark_field = rng.random_bool(0.4);
    scene.contrast = rng.random_range(0.3..0.85);
    scene.background = rng.random_range(0.4..0.75);
    scene.sensor = Sensor {
        electrons_at_full_scale: Some(log_uniform(&mut rng, 2_000.0, 30_000.0)),
        read_noise_electrons: 3.0,
        tone_exponent: 1.0,
        coding: if grey { Coding::Gray8 } else { Coding::Rgb8 },
        jpeg_quality: None,
    };
    scene
}

/// The part of [`field_scene`] that all scenes share: frame, ruling, optics, rotation, place.
pub(crate) fn setup_by_lot(rng: &mut Pcg64Mcg, least_mtf: f64) -> SlideScene {
    loop {
        let (width_px, height_px) = [(1200, 900), (1600, 900), (1200, 900), (1600, 1200)][rng.random_range(0..4)];
        let magnification = [2.0, 2.0, 3.0, 4.0, 5.0, 5.0, 10.0][rng.random_range(0..7)];
        let marked: f64 = [2.8, 4.0, 5.6, 8.0][rng.random_range(0..4)];
        let pixel_on_sensor_um = rng.random_range(2.5..6.4);
        let long = rng.random_bool(0.2);
        let side = if rng.random_bool(0.5) { Side::Below } else { Side::Above };
        let rotation_deg =
            if rng.random_bool(0.5) { rng.random_range(-8.0..8.0) } else { rng.random_range(-90.0..90.0) };
        let ruling = Ruling {
            divisions: if long { 200 } else { 100 },
            line_um: rng.random_range(1.6..3.0),
            side,
            ..Ruling::default()
        };
        let px_per_um = magnification / pixel_on_sensor_um;
        // A diagonal of the picture on the slide, to place the ruling within it.
        let reach_um = height_px as f64 / px_per_um;
        let scene = SlideScene {
            width_px,
            height_px,
            px_per_um,
            rotation_deg,
            centre_um: [
                ruling.span_um() * rng.random_range(0.1..0.9),
                rng.random_range(-0.35..0.35) * reach_um + if side == Side::Below { 50.0 } else { -50.0 },
            ],
            magnification,
            effective_aperture: marked * (1.0 + magnification),
            extra_sigma_um: [0.0, 0.8, 1.6][rng.random_range(0..3)],
            rulings: vec![ruling],
            ..SlideScene::default()
        };
        if scene.px_per_um * scene.rulings[0].division_um >= 3.2
            && grating_mtf(&scene) >= least_mtf
            && graduations_in_frame(&scene) >= 15
        {
            return scene;
        }
    }
}

/// System MTF at one cycle a division of the first ruling, middle wavelength.
pub(crate) fn grating_mtf(scene: &SlideScene) -> f64 {
    let f = 1.0 / scene.rulings[0].division_um;
    let wavelength = scene.wavelengths_um[scene.wavelengths_um.len() / 2];
    let q = f * wavelength / (2.0 * scene.numerical_aperture());
    let gauss = (-2.0 * (std::f64::consts::PI * scene.extra_sigma_um * f).powi(2)).exp();
    mtf_diffraction(q) * gauss * sinc(f / scene.px_per_um)
}

/// Graduations of the first ruling at least half of which lies in the picture.
pub(crate) fn graduations_in_frame(scene: &SlideScene) -> usize {
    let map = SlideMap::of(scene);
    let ruling = &scene.rulings[0];
    let shortest = ruling.tiers.iter().map(|t: &Tier| t.length_um).fold(f64::INFINITY, f64::min);
    let (from, to) = ruling.reach_um(shortest);
    (0..=ruling.divisions)
        .filter(|i| {
            [0.25, 0.75].iter().all(|t| {
                let across = from + t * (to - from);
                let p: Point<Slide> =
                    Point::new(ruling.origin_um[0] + f64::from(*i) * ruling.division_um, ruling.origin_um[1] + across);
                let q: Point<Image> = map.image_from_slide(p);
                (0.0..scene.width_px as f64).contains(&q.x) && (0.0..scene.height_px as f64).contains(&q.y)
            })
        })
        .count()
}

/// Uniform in the logarithm.
pub(crate) fn log_uniform(rng: &mut Pcg64Mcg, from: f64, to: f64) -> f64 {
    from * (to / from).powf(rng.random::<f64>())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn scenes_keep_what_they_promise() {
        let scenes: Vec<_> = (0..300).map(field_scene).collect();
        let share = |f: &dyn Fn(&SlideScene) -> bool| scenes.iter().filter(|s| f(s)).count();
        for scene in &scenes {
            scene.check().unwrap();
            assert!(scene.px_per_um * 10.0 >= 3.2 && graduations_in_frame(scene) >= 15);
            assert!(grating_mtf(scene) >= 0.12);
        }
        assert!(share(&|s| s.dark_field) > 100);
        assert!(share(&|s| s.px_per_um < 0.5) > 30, "small pitches are there");
        assert!(share(&|s| s.px_per_um > 2.0) > 10, "and large ones");
        assert!(share(&|s| graduations_in_frame(s) < s.rulings[0].divisions as usize) > 100, "partial views");
        assert_eq!(field_scene(5), field_scene(5));
    }
}
