//! Planted silhouettes.

use super::SilhouettePoint;
use super::edge::snap_to_silhouette;
use super::scene::Scene;
use super::silhouette::{NoEdge, Snapping};
use crate::animal::{Ground, Levels};
use crate::photo::Light;
use crate::units::{Image, Point, Px, Vector};

const W: f64 = 5.0;

fn snap(light: &Light, x: f64, y: f64, direction: (f64, f64)) -> Result<SilhouettePoint, NoEdge> {
    snap_to_silhouette(light, Point::new(x, y), Vector::new(direction.0, direction.1), &Snapping::by_hand(Px::new(W)))
}

fn half_plane(turn: f64, offset: f64) -> Scene {
    let (sin, cos) = turn.sin_cos();
    Scene::of(100, 100, move |x, y| (x - 50.0) * cos + (y - 50.0) * sin < offset)
}

/// Distance of a place outward of the planted line.
fn beyond(p: Point<Image>, turn: f64, offset: f64) -> f64 {
    let (sin, cos) = turn.sin_cos();
    (p.x - 50.0) * cos + (p.y - 50.0) * sin - offset
}

#[test]
fn straight_edges_dark_and_bright_within_their_uncertainty() {
    let (mut pull2, mut n, mut sum) = (0.0, 0.0, 0.0);
    for k in 0_u32..24 {
        let (turn, offset) = (0.27 * f64::from(k), 0.13 * f64::from(k) - 1.5);
        let (animal, ground) = if k % 2 == 0 { (0.1, 0.7) } else { (0.6, 0.05) };
        let light = half_plane(turn, offset).lit(animal, ground).blurred(W).photographed(0.02, u64::from(k));
        let hand = 0.4 * f64::from(k) - 4.8;
        let found = snap(&light, 50.0 + hand * turn.cos(), 50.0 + hand * turn.sin(), (turn.cos(), turn.sin())).unwrap();
        let error = beyond(found.at, turn, offset);
        assert!(error.abs() < 0.02 * W + 4.0 * found.u_along.get(), "{k}: {error} {found:?}");
        assert_eq!(found.ground, if k % 2 == 0 { Ground::Bright } else { Ground::Dark });
        assert!((found.w.get() / W - 1.0).abs() < 0.25, "{found:?}");
        pull2 += (error / found.u_along.get()).powi(2);
        sum += error;
        n += 1.0;
    }
    let rms = f64::sqrt(pull2 / n);
    assert!((0.4..1.5).contains(&rms), "pull {rms}");
    assert!((sum / n).abs() < 0.02, "bias {}", sum / n);
}

#[test]
fn an_oblique_line_meets_the_edge_where_it_should() {
    let light = half_plane(0.5, 0.3).lit(0.1, 0.7).blurred(W).photographed(0.01, 3);
    let found = snap(&light, 48.0, 51.0, (1.0, 0.0)).unwrap();
    assert!(beyond(found.at, 0.5, 0.3).abs() < 0.06, "{found:?}");
    assert!((found.at.y - 51.0).abs() < 1e-9, "stays on the line");
    let (sin, cos) = 0.5f64.sin_cos();
    assert!((found.normal.x - cos).abs() < 0.05 && (found.normal.y - sin).abs() < 0.05, "{found:?}");
    // Across the line the hand's uncertainty turns along the edge: x moves with y by −tan 0.5.
    let [xx, xy, yy] = found.covariance_px2;
    assert!((xy / yy + 0.5f64.tan()).abs() < 0.1 && xx > yy * 0.25, "{found:?}");
}

#[test]
fn curved_edges_are_corrected() {
    for (radius, limit) in [(8.0, 0.12), (12.0, 0.06), (20.0, 0.04), (40.0, 0.03)] {
        let mut errors = 0.0;
        for k in 0_u32..8 {
            let turn = 0.8 * f64::from(k);
            let scene = Scene::of(120, 120, |x, y| (x - 60.2).hypot(y - 59.7) < radius);
            let light = scene.lit(0.6, 0.1).blurred(W).photographed(0.003, u64::from(k));
            let (x, y) = (60.2 + (radius + 1.0) * turn.cos(), 59.7 + (radius + 1.0) * turn.sin());
            let found = snap(&light, x, y, (turn.cos(), turn.sin())).unwrap();
            errors += ((found.at.x - 60.2).hypot(found.at.y - 59.7) - radius) / 8.0;
            assert!((found.curvature_per_px * radius - 1.0).abs() < 0.35, "R {radius}: {found:?}");
        }
        // Uncorrected the half-way crossing lies inside by σ²/(2R): 0.24, 0.16, 0.095, 0.048 px.
        assert!(errors.abs() < limit, "R {radius}: {errors}");
    }
}

#[test]
fn highlights_texture_debris_and_a_second_animal_do_not_pull() {
    let plain = || half_plane(0.0, 0.0).lit(0.1, 0.7);
    let cases: [(&str, f64, Scene); 5] = [
        ("highlight", 0.45, plain().painted(0.9, |x, y| (x - 43.0).hypot(y - 51.0) < 2.5)),
        ("highlight along the edge", 0.9, plain().painted(0.8, |x, _| (43.0..45.0).contains(&x))),
        ("second animal", 0.2, plain().painted(0.1, |x, _| x > 62.0)),
        ("debris", 0.3, plain().painted(0.15, |x, y| (x - 58.0).hypot(y - 49.0) < 2.0)),
        ("hair", 0.8, plain().painted(0.2, |x, y| (x - 57.0 + 0.3 * (y - 50.0)).abs() < 1.2)),
    ];
    // A line a blur spot beside the whole edge cannot be told from a paler rim: less than a fifth of the blur spot.
    for (name, limit, scene) in cases {
        let light = scene.blurred(W).photographed(0.01, 9);
        for hand in [-2.5, 0.0, 2.5] {
            let found = snap(&light, 50.0 + hand, 50.0, (1.0, 0.0)).unwrap_or_else(|e| panic!("{name}: {e}"));
            let error = found.at.x - 50.0;
            assert!(error.abs() < limit, "{name} from {hand}: {error} {found:?}");
        }
    }
}

#[test]
fn without_a_clear_edge_the_mark_stays() {
    let flat = Scene::of(100, 100, |_, _| true).lit(0.4, 0.4).photographed(0.01, 1);
    assert!(
        matches!(
            snap(&flat, 50.0, 50.0, (1.0, 0.0)),
            Err(NoEdge::None { .. }
                | NoEdge::Noisy { .. }
                | NoEdge::NoFit
                | NoEdge::Pale { .. }
                | NoEdge::Faint { .. }
                | NoEdge::Ambiguous { .. })
        ),
        "{:?}",
        snap(&flat, 50.0, 50.0, (1.0, 0.0))
    );
    let far = half_plane(0.0, 0.0).lit(0.1, 0.7).blurred(W).photographed(0.01, 1);
    let known = Snapping::by_hand(Px::new(W)).with_levels(Some(Levels { animal: 0.1, ground: 0.7 }));
    let out = snap_to_silhouette(&far, Point::new(75.0, 50.0), Vector::new(1.0, 0.0), &known);
    assert!(matches!(out, Err(NoEdge::None { .. })), "{out:?}");
    assert!(matches!(snap(&far, 200.0, 50.0, (1.0, 0.0)), Err(NoEdge::OutsidePicture)));
    assert_eq!(snap(&far, 50.0, 50.0, (0.0, 0.0)), Err(NoEdge::NoDirection));
    assert_eq!(snap(&far, f64::NAN, 50.0, (1.0, 0.0)), Err(NoEdge::NoDirection));
}

#[test]
fn two_equal_edges_are_not_guessed_between() {
    // A bright stripe as wide as the animal's rim: which of its outer flanks is the silhouette nobody can tell.
    let scene = half_plane(0.0, 0.0).lit(0.1, 0.7).painted(0.7, |x, _| (42.0..46.0).contains(&x));
    let light = scene.blurred(2.0).photographed(0.005, 2);
    let how = Snapping { w: Px::new(2.0), capture: Px::new(8.0), ..Snapping::by_hand(Px::new(2.0)) };
    let found = snap_to_silhouette(&light, Point::new(45.7, 50.0), Vector::new(1.0, 0.0), &how);
    assert!(matches!(found, Err(NoEdge::Ambiguous { .. })), "{found:?}");
}
