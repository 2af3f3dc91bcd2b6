//! What the canvas costs on a picture of 24 megapixels: choosing tiles, preparing an upload, making the pyramid.
//!
//! `cargo bench --bench canvas`

use std::sync::atomic::AtomicBool;

use divan::{Bencher, black_box};
use motestick::desktop::canvas::{OnCanvas, Pyramid, Tile, ToneView, View, in_sight};
use motestick::units::Point;

const PICTURE: (usize, usize) = (6000, 4000);
const CANVAS: OnCanvas = OnCanvas::new(2560.0, 1300.0);

fn main() {
    divan::main();
}

fn pixels() -> Vec<u8> {
    (0..PICTURE.0 * PICTURE.1)
        .flat_map(|i| [(i % 251) as u8, (i / 7 % 241) as u8, (i / 6000 % 239) as u8, 255])
        .collect()
}

/// Tiles in sight while panning at full size, a thousand steps.
#[divan::bench]
fn choose_tiles_1000_frames(bencher: Bencher<'_, '_>) {
    bencher.bench(|| {
        (0..1000)
            .map(|i| {
                let centre = Point::new(500.0 + 5.0 * f64::from(i), 2000.0);
                let view = View { centre, zoom: 1.0, quarters: 0, flipped: false };
                in_sight(&view, PICTURE, CANVAS, 1.0).len()
            })
            .sum::<usize>()
    });
}

/// One frame's share of uploads: four tiles in a tone that is not plain.
#[divan::bench]
fn prepare_four_tiles(bencher: Bencher<'_, '_>) {
    let pyramid = Pyramid::of_rgba(pixels(), PICTURE, 3, &AtomicBool::new(false)).expect("not cancelled");
    let tone = ToneView { contrast: 0.3, ..ToneView::default() };
    bencher.bench(|| {
        for x in 0..4 {
            let tile = Tile { level: 0, x: 2 + x, y: 3 };
            black_box(pyramid.tile_pixels(tile, &tone, |[r, g, b]| u32::from_le_bytes([r, g, b, 255])));
        }
    });
}

/// The pyramid of a decoded picture, without the decoding.
#[divan::bench(sample_count = 10)]
fn make_pyramid(bencher: Bencher<'_, '_>) {
    bencher.with_inputs(pixels).bench_values(|p| Pyramid::of_rgba(p, PICTURE, 3, &AtomicBool::new(false)));
}
