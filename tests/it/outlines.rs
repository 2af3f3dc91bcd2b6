//! Outlines of digitised shapes and of polygons against closed forms, scikit-image and OpenCV.

use motestick::animal::outline::{
    area, equivalent_ellipse, longest_caliper, outline_of_cells, perimeter, shortest_caliper,
};
use motestick::units::{Image, Point};

/// Figures of both libraries, with their versions: tests/derivations/outlines.py.
const FIGURES: &str = include_str!("../data/outlines.csv");

fn rows(name: &str) -> impl Iterator<Item = Vec<&'static str>> {
    let name = format!("{name},");
    FIGURES.lines().filter(move |l| l.starts_with(&name)).map(|l| l.split(',').collect())
}

fn numbers(row: &[&str]) -> Vec<f64> {
    row.iter().map(|v| v.parse().unwrap_or(f64::NAN)).collect()
}

#[test]
fn digitised_discs_and_ellipses() {
    let mut seen = 0;
    for row in rows("disc").chain(rows("ellipse")) {
        let v = numbers(&row[1..]);
        let (cx, cy, a, b, turn) = (v[0], v[1], v[2], v[3], v[4].to_radians());
        let (cells, closed, sk_perimeter, sk_crofton, sk_feret, sk_major, sk_minor) =
            (v[5], v[6], v[7], v[8], v[9], v[10], v[11]);
        let size = 2 * cx.max(cy) as usize + 2;
        let inside = |x: usize, y: usize| {
            let (dx, dy) = (x as f64 + 0.5 - cx, y as f64 + 0.5 - cy);
            let (u, w) = (dx * turn.cos() + dy * turn.sin(), -dx * turn.sin() + dy * turn.cos());
            (u / a).powi(2) + (w / b).powi(2) < 1.0
        };
        let counted = (0..size * size).filter(|i| inside(i % size, i / size)).count() as f64;
        assert_eq!(counted, cells, "the same cells as in the script");
        let outline = outline_of_cells(size, size, inside);
        let (got, length) = (area(&outline), perimeter(&outline));
        let name = format!("{row:?}: area {got}, perimeter {length}");
        assert!((got / cells - 1.0).abs() < 2e-3, "{name}");
        // The cells themselves enclose the true area only to about their number on the rim.
        assert!((got / (std::f64::consts::PI * a * b) - 1.0).abs() < 0.25 / b, "{name}");
        // Low bias: nearer to the closed form than the perimeter by neighbours, and at least as good as Crofton's to 1 %.
        assert!((length / closed - 1.0).abs() < 0.01, "{name} for {closed}");
        let bias = (sk_perimeter / closed - 1.0).abs();
        assert!((length / closed - 1.0).abs() < bias.max(0.005), "{name}, by neighbours {sk_perimeter}");
        assert!((length / sk_crofton - 1.0).abs() < 0.02, "{name}, Crofton {sk_crofton}");
        let longest = longest_caliper(&outline).expect("an outline").length;
        // Their diameter goes between outer corners of cells: up to a cell's diagonal more.
        assert!(
            (2.0 * a - longest).abs() < 1.0 && sk_feret - longest > -0.3 && sk_feret - longest < 1.8,
            "{name} {longest}"
        );
        let shortest = shortest_caliper(&outline).expect("an outline").length;
        assert!((2.0 * b - shortest).abs() < 0.8, "{name} {shortest}");
        let e = equivalent_ellipse(&outline).expect("an outline");
        // Rounded tips again, for the slenderest 0.54 of 96.
        assert!((e.major - sk_major).abs() < 0.6 && (e.minor - sk_minor).abs() < 0.4, "{name} {e:?}");
        assert!((e.centre.x - cx).hypot(e.centre.y - cy) < 0.2, "{name} {e:?}");
        seen += 1;
    }
    assert_eq!(seen, 7);
}

#[test]
fn polygons_as_they_are() {
    let mut seen = 0;
    for row in rows("polygon") {
        let points: Vec<Point<Image>> = row[1]
            .split(' ')
            .map(|p| {
                let (x, y) = p.split_once(':').expect("x:y");
                Point::new(x.parse().expect("x"), y.parse().expect("y"))
            })
            .collect();
        let v = numbers(&row);
        let (feret, major, minor, cv_area, cv_length) = (v[10], v[11], v[12], v[13], v[14]);
        assert!((area(&points) - cv_area).abs() < 1e-3, "{row:?}");
        assert!((perimeter(&points) - cv_length).abs() < 1e-3, "{row:?}");
        assert!((longest_caliper(&points).expect("points").length - feret).abs() < 1e-4, "{row:?}");
        let e = equivalent_ellipse(&points).expect("points");
        assert!((e.major - major).abs() < 2e-3 && (e.minor - minor).abs() < 2e-3, "{row:?} {e:?}");
        seen += 1;
    }
    assert_eq!(seen, 2);
}
