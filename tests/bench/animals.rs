//! Speed of measuring: figures while a mark is dragged, a snap, a million trials.

use divan::Bencher;
use motestick::animal::snap::{Expected, Snapping, snap_shape, snap_to_silhouette};
use motestick::animal::{Circumstances, Kind, Lying, MarkKind, PictureBlur, Shape, evaluate_live, evaluate_shapes};
use motestick::phantom::animal::{animal_scene, render};
use motestick::photo::Light;
use motestick::setup::Setup;
use motestick::uncertainty::{Options, Trials};
use motestick::units::{Image, Point, Px, Um, Vector};

fn main() {
    divan::main();
}

/// A setup as it stands in a file, 900 x 700 px at 1.47 px/µm.
fn setup() -> Setup {
    toml::from_str(include_str!("animals_setup.toml")).expect("reads")
}

fn about(setup: &Setup, trials: Trials) -> Circumstances<'_> {
    let map = &setup.readings[0].map;
    let blur = PictureBlur::choose(None, None, Some(Um::new(5.0))).expect("a blur");
    Circumstances {
        setup,
        map,
        blur,
        lying: Lying::Flat,
        depth: None,
        options: Options { trials, ..Options::default() },
    }
}

fn shape(number: usize, kind: Kind, marks: usize) -> Shape {
    let (x0, y0) = (40.0 + 8.0 * number as f64, 100.0 + 9.0 * number as f64);
    let point = |i: usize| {
        let t = i as f64;
        Point::<Image>::new(x0 + 35.0 * t, y0 + 25.0 * (0.5 * t).sin())
    };
    let points: Vec<_> = (0..marks).map(point).collect();
    Shape::by_hand(format!("{} {number}", kind.name()), kind, &points, kind.usual_ends())
}

/// Fifty measurements: axes of nine marks, spans, breadths, antennae of five joints.
fn fifty() -> Vec<Shape> {
    let kinds = [(Kind::Axis, 9), (Kind::Span, 2), (Kind::Breadth, 2), (Kind::Span, 2), (Kind::Appendage, 5)];
    (0..50).map(|i| (kinds[i % 5].0, kinds[i % 5].1, i)).map(|(kind, marks, i)| shape(i, kind, marks)).collect()
}

/// The target is 2 ms: everything measured on a picture, with its full covariance, while a mark is dragged.
#[divan::bench]
fn fifty_measurements_while_dragging(bencher: Bencher<'_, '_>) {
    let (setup, shapes) = (setup(), fifty());
    bencher.bench_local(|| evaluate_live(&shapes, &[], &about(&setup, Trials::Skip)).map(|e| e.measured.len()));
}

/// The target is 1 s: a million trials of an axis of twelve marks.
#[divan::bench(sample_count = 3)]
fn a_million_trials_of_an_axis(bencher: Bencher<'_, '_>) {
    let (setup, shapes) = (setup(), [shape(1, Kind::Axis, 12)]);
    bencher.bench_local(|| {
        evaluate_shapes(&shapes, &[], &about(&setup, Trials::Fixed(1_000_000))).map(|e| e.measured.len())
    });
}

/// The same as it is reported: adaptive, to two digits.
#[divan::bench(sample_count = 3)]
fn an_axis_as_reported(bencher: Bencher<'_, '_>) {
    let (setup, shapes) = (setup(), [shape(1, Kind::Axis, 12)]);
    let trials = Trials::Adaptive { at_most: 1_000_000 };
    bencher.bench_local(|| evaluate_shapes(&shapes, &[], &about(&setup, trials)).map(|e| e.measured.len()));
}

/// A rendered animal with its blur spot and axis.
fn animal() -> (Light, Px, Vec<Point<Image>>) {
    let rendered = render(&animal_scene(3)).expect("renders");
    let truth = rendered.truth.expect("an animal");
    let p = &rendered.picture;
    let axis = truth.axis_px.iter().step_by(5).map(|p| Point::new(p[0] + 0.7, p[1] - 0.5)).collect();
    (Light::new(p.width, p.height, p.linear_luminance()), Px::new(truth.blur_spot_px), axis)
}

/// The target is 1 ms.
#[divan::bench]
fn a_mark_snapped_to_the_silhouette(bencher: Bencher<'_, '_>) {
    let (light, w, axis) = animal();
    let outward: Vector<Image> = axis[0] - axis[1];
    let how = Snapping::by_hand(w);
    bencher.bench_local(|| snap_to_silhouette(&light, axis[0], outward, &how).map(|p| p.moved.get()));
}

/// Nine marks: mid-line by 64 edges, and both tips.
#[divan::bench]
fn an_axis_refined(bencher: Bencher<'_, '_>) {
    let (light, w, axis) = animal();
    let shape = Shape::by_hand("axis 1".to_owned(), Kind::Axis, &axis, MarkKind::Silhouette);
    bencher.bench_local(|| snap_shape(&light, &shape, Expected::blurred(w)).widths.len());
}

/// An antenna of four segments of 1 to 3 blur spots, drawn half as long as usual under f/8, and where the hand set its marks.
fn short_antenna() -> (Light, Px, Shape) {
    let mut scene = animal_scene(5);
    scene.effective_aperture = 8.0 * (1.0 + scene.magnification);
    for limb in &mut scene.animals[0].animal.limbs {
        let half = if limb.name.starts_with("antenna") { 0.5 } else { 1.0 };
        limb.segments.iter_mut().for_each(|s| s.length_um *= half);
    }
    let rendered = render(&scene).expect("renders");
    let truth = rendered.truth.expect("an animal");
    let joints = &truth.limbs.iter().find(|l| l.name == "antenna left").expect("an antenna").joints_px;
    let off = [[0.8, -0.6], [-1.1, 0.9], [0.7, 1.3], [-0.9, -1.2], [0.4, 0.8]];
    let marks: Vec<_> = joints.iter().zip(off).map(|(p, d)| Point::new(p[0] + d[0], p[1] + d[1])).collect();
    let p = &rendered.picture;
    let light = Light::new(p.width, p.height, p.linear_luminance());
    let shape = Shape::by_hand("antenna 1".to_owned(), Kind::Appendage, &marks, MarkKind::Silhouette);
    (light, Px::new(truth.blur_spot_px), shape)
}

/// From all its starts; no more than a person waits without noticing, 0.2 s (common practice).
#[divan::bench(sample_count = 10)]
fn a_short_antenna_fitted(bencher: Bencher<'_, '_>) {
    let (light, w, shape) = short_antenna();
    bencher.bench_local(|| snap_shape(&light, &shape, Expected::blurred(w)).shape.marks.len());
}
