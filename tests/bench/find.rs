//! Proposing axis, breadth and outline on a picture of 24 megapixels.

use divan::Bencher;
use motestick::animal::find::find;
use motestick::phantom::animal::{animal_scene, render};
use motestick::photo::Light;
use motestick::units::{Point, Px};

const WIDTH: usize = 6000;
const HEIGHT: usize = 4000;

fn main() {
    divan::main();
}

/// A rendered animal enlarged to the size of a camera's picture, so that it spans a third of it.
fn picture() -> Light {
    let scene = animal_scene(4);
    let p = render(&scene).expect("a scene").picture;
    let small = Light::new(p.width, p.height, p.linear_luminance());
    let share = (p.width as f64 / WIDTH as f64).max(p.height as f64 / HEIGHT as f64);
    let at = |i: usize, n: usize, all: usize| {
        (all as f64 / 2.0 + (i as f64 + 0.5 - n as f64 / 2.0) * share).clamp(0.5, all as f64 - 0.5)
    };
    let values = (0..WIDTH * HEIGHT)
        .map(|i| {
            let q = Point::new(at(i % WIDTH, WIDTH, p.width), at(i / WIDTH, HEIGHT, p.height));
            small.sample(q).unwrap_or(0.0) as f32
        })
        .collect();
    Light::new(WIDTH, HEIGHT, values)
}

#[divan::bench]
fn twenty_four_megapixels(bencher: Bencher<'_, '_>) {
    let light = picture();
    bencher.bench_local(|| find(&light, Px::new(40.0)));
}
