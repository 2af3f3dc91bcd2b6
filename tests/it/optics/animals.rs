//! Blur measured on the outlines of rendered animals: the renderer shares no code with the optics.

use motestick::optics::measured::{BlurVerdict, slanted_edge};
use motestick::optics::{Aperture, ApertureNote, PupilMagnification, System};
use motestick::phantom::animal::{AnimalScene, render};
use motestick::photo::Light;
use motestick::units::{Point, PxPerUm, Um};

/// The segments of an outline's flanks: chords over `reach` of its points that stay close to it.
fn flanks(outline: &[[f64; 2]], reach: usize) -> Vec<([f64; 2], [f64; 2])> {
    let n = outline.len();
    (0..n)
        .step_by(reach)
        .map(|i| (outline[i], outline[(i + reach) % n], outline[(i + reach / 2) % n]))
        .filter(|(a, b, m)| {
            let (dx, dy) = (b[0] - a[0], b[1] - a[1]);
            let length = dx.hypot(dy);
            let sag = ((m[0] - a[0]) * dy - (m[1] - a[1]) * dx).abs() / length;
            sag < 0.05 * length
        })
        .map(|(a, b, _)| (a, b))
        .collect()
}

/// One way to photograph the animal, and what the blur verdict must be.
struct Case {
    effective: f64,
    defocus_um: f64,
    extra_sigma_um: f64,
    texture: f64,
    verdict: BlurVerdict,
}

#[test]
fn outlines_of_rendered_animals_have_the_rendered_blur() {
    let case = |effective, defocus_um, extra_sigma_um, texture, verdict| Case {
        effective,
        defocus_um,
        extra_sigma_um,
        texture,
        verdict,
    };
    for c in [
        case(20.0, 0.0, 0.0, 0.0, BlurVerdict::AsPredicted),
        case(40.0, 0.0, 0.0, 0.05, BlurVerdict::AsPredicted),
        case(60.0, 0.0, 0.0, 0.0, BlurVerdict::AsPredicted),
        case(20.0, 60.0, 0.0, 0.0, BlurVerdict::Worse),
        case(20.0, 0.0, 2.5, 0.05, BlurVerdict::Worse),
    ] {
        let scene = AnimalScene {
            effective_aperture: c.effective,
            defocus_um: c.defocus_um,
            extra_sigma_um: c.extra_sigma_um,
            texture: c.texture,
            wavelengths_um: vec![0.55],
            ..AnimalScene::default()
        };
        let rendered = render(&scene).unwrap();
        let truth = rendered.truth.unwrap();
        let note = ApertureNote::Effective(c.effective);
        let aperture = Aperture::new(note, scene.magnification, PupilMagnification::Unknown).unwrap();
        let system = System::in_focus(aperture, Um::new(scene.magnification / scene.px_per_um)).unwrap();
        if c.extra_sigma_um == 0.0 {
            let w = system.clone().with_defocus(Um::new(c.defocus_um)).unwrap().w().unwrap();
            let off = w.get() / truth.blur_spot_um - 1.0;
            assert!(off.abs() < 1e-3, "f/{}: predicted {w}, rendered {} µm", c.effective, truth.blur_spot_um);
        }
        let predicted = system.blur().unwrap();
        let light = Light::new(scene.width_px, scene.height_px, rendered.picture.linear_luminance());
        let mut measured = 0;
        for (a, b) in flanks(&truth.outline_px, 24) {
            let m = slanted_edge(&light, Point::new(a[0], a[1]), Point::new(b[0], b[1]), None).unwrap();
            let (off, u) = (m.blur.w.get() / truth.blur_spot_px - 1.0, m.blur.u_w.get() / truth.blur_spot_px);
            assert!(off.abs() < 0.05 && off.abs() < 3.3 * u, "f/{}: off {off:.4}, u {u:.4}", c.effective);
            let (w, u_w) = m.blur.on_specimen(PxPerUm::new(scene.px_per_um), 0.0);
            assert_eq!(BlurVerdict::of(w, u_w, &predicted), c.verdict, "f/{}: {w} of {}", c.effective, predicted.w_um);
            measured += 1;
        }
        assert!(measured >= 3, "only {measured} flanks");
    }
}
