//! Blur measured on slanted edges of drawn pictures.

use motestick::optics::measured::{MeasureError, slanted_edge};
use motestick::photo::Light;
use motestick::units::{Image, Point};

use super::measured::{Tally, bound, recorded_with_width};
use super::rendered::{Edge, Noise, Recorded, Scene};

fn scene(recorded: &Recorded, angle_deg: f64) -> Scene<'_> {
    Scene {
        recorded,
        size: (220, 220),
        through: (110.3, 109.6),
        angle_rad: angle_deg.to_radians(),
        bow_px: 0.0,
        base: 0.2,
        height: 0.5,
    }
}

/// Ends of a segment of `length` px along the edge of a scene, misplaced by `off` px at its ends.
fn segment(s: &Scene<'_>, length: f64, off: (f64, f64)) -> (Point<Image>, Point<Image>) {
    let (sin, cos) = s.angle_rad.sin_cos();
    let at = |along: f64, across: f64| {
        Point::new(s.through.0 - along * sin + across * cos, s.through.1 + along * cos + across * sin)
    };
    (at(-0.5 * length, off.0), at(0.5 * length, off.1))
}

fn plain(_: f64, _: f64) -> f64 {
    0.0
}

#[test]
fn slanted_edges_give_the_width_and_an_honest_uncertainty() {
    let mut all = Tally::default();
    let mut contrast = Tally::default();
    let (mut over_bound, mut n) = (0.0, 0.0);
    for (waves, angle) in [(0.0, 5.0_f64), (0.0, 31.0), (0.4, 95.0), (1.2, 197.0)] {
        let edge = Edge::of_pupil(waves);
        for w in [2.0, 4.0, 8.0, 20.0] {
            let r = recorded_with_width(&edge, w, angle.to_radians());
            let s = scene(&r, angle);
            let least = bound("edge", waves, None, w);
            for (snr, seeds) in [(15.0, 4), (60.0, 1)] {
                let mut t = Tally::default();
                for seed in 0..seeds {
                    let light = s.draw(&mut Noise::new(0.5 / snr, 40 + seed), plain);
                    // The segment is given up to 0.3 w beside the edge.
                    let (a, b) = segment(&s, 160.0, (0.3 * w, -0.2 * w));
                    let m = slanted_edge(&light, a, b, None).unwrap();
                    let (got, u, truth) = (m.blur.w.get(), m.blur.u_w.get(), r.width());
                    t.add(got, u, truth);
                    all.add(got, u, truth);
                    // Where the bound itself is 3 % a single reading may be off by three times that.
                    let limit = (3.3 * least * 15.0 / snr).max(0.05);
                    let off = got / truth - 1.0;
                    let what = format!("waves {waves} at {angle}° w {w} snr {snr}: off {off:.4}, u {:.4}", u / truth);
                    assert!(off.abs() < limit && off.abs() < 3.3 * u / truth, "{what}");
                    assert!((m.blur.signal_to_noise / snr - 1.0).abs() < 0.1, "{what}");
                    assert!(m.halo.abs() < 0.01, "{what}: halo {}", m.halo);
                    if snr > 20.0 {
                        contrast.add(m.mtf50_iso_per_px.unwrap(), 1.0, m.blur.mtf50_per_px);
                    } else {
                        over_bound += (off / least).powi(2);
                        n += 1.0;
                    }
                }
                assert!(t.rms() < 0.05, "waves {waves} w {w} snr {snr}: rms {:.4}", t.rms());
            }
        }
    }
    assert!((0.7..1.3).contains(&all.pull()), "pull {:.2}", all.pull());
    assert!(contrast.worst < 0.04, "MTF50 of profile against that of the fit: {:.3}", contrast.worst);
    // tests/data/edge_width_bound.csv: nothing could measure much better.
    let over_bound = f64::sqrt(over_bound / n);
    assert!(over_bound < 1.3, "rms error is {over_bound:.2} of the Cramér–Rao bound");
}

#[test]
fn a_longer_edge_gives_slight_defocus_within_5_per_cent_too() {
    // 0.4 waves at w = 4 px: the bound of 2.75 % for 160 px falls to 1.6 % for 480 px.
    let edge = Edge::of_pupil(0.4);
    let r = recorded_with_width(&edge, 4.0, 95.0_f64.to_radians());
    let s = Scene { size: (560, 120), through: (280.3, 60.6), ..scene(&r, 95.0) };
    for seed in 0..4 {
        let light = s.draw(&mut Noise::new(0.5 / 15.0, 70 + seed), plain);
        let (a, b) = segment(&s, 480.0, (0.5, -0.5));
        let m = slanted_edge(&light, a, b, None).unwrap();
        let off = m.blur.w.get() / r.width() - 1.0;
        assert!(off.abs() < 0.05, "off {off:.4}, u {:.4}", m.blur.u_w.get() / r.width());
    }
}

#[test]
fn mtf50_of_a_gaussian_edge_as_tabulated() {
    // tests/data/mtf50_gauss_pixel.csv: σ 0.75 px → 0.232901, 1.5 → 0.122665, 3 → 0.062176; the pixel at 5° instead of
    // 0° changes these by less than 1e-3 relative.
    let edge = Edge::gaussian();
    for (sigma, wanted) in [(0.75, 0.232_901), (1.5, 0.122_665), (3.0, 0.062_176)] {
        let r = edge.recorded(sigma, 5.0_f64.to_radians());
        let s = scene(&r, 5.0);
        let light = s.draw(&mut Noise::new(0.001, 7), plain);
        let (a, b) = segment(&s, 160.0, (0.0, 0.0));
        let m = slanted_edge(&light, a, b, None).unwrap();
        let iso = m.mtf50_iso_per_px.unwrap();
        assert!((iso / wanted - 1.0).abs() < 0.02, "σ {sigma}: profile {iso}");
        assert!((m.blur.mtf50_per_px / wanted - 1.0).abs() < 0.01, "σ {sigma}: fit {}", m.blur.mtf50_per_px);
    }
}

#[test]
fn texture_bow_and_uneven_light_do_not_move_the_width() {
    let edge = Edge::of_pupil(0.0);
    let r = recorded_with_width(&edge, 5.0, 0.2);
    let truth = r.width();
    let mut s = scene(&r, 0.2_f64.to_degrees());
    // Hairs and pores: bright and dark spots beside the edge, and light that grows along it.
    let spotty = |across: f64, along: f64| {
        let spots = 0.12 * ((along * 0.9).sin() * (across * 0.7).cos()).max(0.0).powi(6);
        spots * r.at(across) + 0.001 * along * r.at(across)
    };
    s.bow_px = 2.0;
    let light = s.draw(&mut Noise::new(0.008, 5), spotty);
    let (a, b) = segment(&s, 150.0, (1.5, 1.5));
    let m = slanted_edge(&light, a, b, None).unwrap();
    let off = m.blur.w.get() / truth - 1.0;
    assert!(off.abs() < 0.05, "off {off:.4}, u {:.4}", m.blur.u_w.get() / truth);
    // 2 px over a half length of 50 px is 4.5 px over one of 75 px.
    assert!((m.sag.get().abs() - 4.5).abs() < 0.3, "sag {}", m.sag);
}

#[test]
fn a_sharpened_picture_shows_its_halo() {
    let edge = Edge::of_pupil(0.0);
    let r = recorded_with_width(&edge, 5.0, 0.2);
    let s = scene(&r, 0.2_f64.to_degrees());
    // Unsharp masking in one dimension: the edge plus what a shifted pair lacks of it.
    let sharpened = |across: f64, _: f64| 0.5 * 0.8 * (r.at(across) - 0.5 * (r.at(across - 4.0) + r.at(across + 4.0)));
    let (a, b) = segment(&s, 150.0, (0.0, 0.0));
    let m = slanted_edge(&s.draw(&mut Noise::new(0.003, 5), sharpened), a, b, None).unwrap();
    assert!(m.halo > 0.03 && m.blur.w.get() < 0.85 * r.width(), "halo {} width {}", m.halo, m.blur.w);
}

#[test]
fn what_cannot_be_measured_is_refused() {
    let edge = Edge::of_pupil(0.0);
    let r = recorded_with_width(&edge, 4.0, 0.2);
    let s = scene(&r, 0.2_f64.to_degrees());
    let (a, b) = segment(&s, 100.0, (0.0, 0.0));
    let noise_only = Light::new(220, 220, {
        let mut n = Noise::new(0.02, 3);
        (0..220 * 220).map(|_| (0.5 + n.draw()) as f32).collect()
    });
    assert!(matches!(slanted_edge(&noise_only, a, b, None), Err(MeasureError::TooFaint { .. } | MeasureError::NoFit)));
    let light = s.draw(&mut Noise::new(0.005, 3), plain);
    assert!(matches!(slanted_edge(&light, a, a, None), Err(MeasureError::ShortEdge { .. })));
    let outside = Point::new(-500.0, -500.0);
    assert!(slanted_edge(&light, outside, Point::new(-500.0, -300.0), None).is_err());
    let all = vec![u64::MAX; (220_usize * 220).div_ceil(64)];
    let clipped = Light::with_clipped(220, 220, light.values(), all);
    let message = slanted_edge(&clipped, a, b, None).unwrap_err().to_string();
    assert!(message.starts_with("100 % of the pixels beside the edge are clipped"), "{message}");
}
