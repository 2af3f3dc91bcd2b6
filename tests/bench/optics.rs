//! Speed of optics: prediction, the planner's table, blur measured on an edge.

use divan::Bencher;
use motestick::optics::measured::slanted_edge;
use motestick::optics::planner::{PlanRequest, plan};
use motestick::optics::{Aperture, ApertureNote, PupilMagnification, Spectrum, System};
use motestick::photo::Light;
use motestick::units::{Point, Um};

fn main() {
    divan::main();
}

fn full_request() -> PlanRequest {
    let mut r = PlanRequest::new(5.0, Um::new(3.72));
    r.wanted = Some(Um::new(12.0));
    r.animal = Some(Um::new(800.0));
    r.thickness = Some(Um::new(200.0));
    r.speed_um_per_s = Some(500.0);
    r.shutter_s = Some(0.004);
    r.picture_px = Some((6000, 4000));
    r
}

/// The target is 5 ms: six whole stops, unknown pupils, movement, thickness, wanted part.
#[divan::bench]
fn planner_table() -> usize {
    plan(&full_request()).map_or(0, |p| p.apertures.len())
}

/// The same in white light of seven wavelengths.
#[divan::bench]
fn planner_table_in_white_light() -> usize {
    let mut r = full_request();
    r.spectrum = Spectrum::white();
    plan(&r).map_or(0, |p| p.apertures.len())
}

#[divan::bench]
fn blur_spot() -> f64 {
    let aperture = Aperture::new(ApertureNote::Marked(8.0), 5.0, PupilMagnification::Known(1.0));
    let spot = aperture.and_then(|a| System::in_focus(a, Um::new(3.72))).and_then(|s| s.blur());
    spot.map_or(f64::NAN, |s| s.w_um.get())
}

#[divan::bench]
fn slanted_edge_of_160_px(bencher: Bencher<'_, '_>) {
    // A logistic edge at 10° with a little deterministic unrest.
    let values = (0..200 * 200)
        .map(|i| {
            let (x, y) = (f64::from(i % 200) + 0.5, f64::from(i / 200) + 0.5);
            let d = (x - 100.0) * 0.985 + (y - 100.0) * 0.174;
            (0.2 + 0.5 / (1.0 + (-d / 1.8).exp()) + 0.01 * (f64::from(i) * 12.9898).sin()) as f32
        })
        .collect();
    let light = Light::new(200, 200, values);
    let (from, to) = (Point::new(114.0, 20.0), Point::new(86.0, 180.0));
    bencher.bench(|| slanted_edge(&light, from, to, None));
}
