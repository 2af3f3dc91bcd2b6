//! Chains on drawn bodies.

use super::super::scene::Scene;
use super::samples::Rim;
use super::*;
use crate::animal::blur::X50_MINUS_X25_PER_W;

const JOINTS: [f64; 4] = [40.0, 57.0, 77.5, 104.0];

/// A round body with a chain of three segments to the right, narrowed at its joints.
fn picture(noise: f64, seed: u64) -> Light {
    blurred_picture(8.0, noise, seed)
}

fn blurred_picture(w: f64, noise: f64, seed: u64) -> Light {
    grown(0.0).lit(0.15, 0.6).blurred(w).photographed(noise, seed)
}

/// The same with its edge so many pixels farther out, as another threshold puts it.
fn grown(by: f64) -> Scene {
    let half = |x: f64| {
        // Its first segment comes out of the body, whatever the body's edge seems to be.
        if (JOINTS[0] - 4.0..JOINTS[0]).contains(&x) {
            return Some(3.4 + by);
        }
        let k = JOINTS.windows(2).position(|j| x >= j[0] && x < j[1] + if j[0] > JOINTS[1] { by } else { 0.0 })?;
        let end = JOINTS[k + 1] + if k == 2 { by } else { 0.0 };
        let t = (x - JOINTS[k]) / (end - JOINTS[k]);
        let belly = 3.4 + 3.2 * (std::f64::consts::PI * t).sin().max(0.0).sqrt();
        let tip = if k == 2 && t > 0.5 { 6.6 * (1.0 - (2.0 * t - 1.0).powi(4)).max(0.0).sqrt() } else { belly };
        Some(tip + by)
    };
    let inside =
        |x: f64, y: f64| (x + 20.0).hypot(y - 60.0) < 60.0 + by || half(x).is_some_and(|h| (y - 60.0).abs() < h);
    Scene::of(150, 120, inside)
}

#[test]
fn joints_of_segments_of_two_blur_spots_are_found_with_base_and_tip() {
    let w = Px::new(8.0);
    for (seed, off) in [(1, [1.5, -2.0, 2.0, -1.5]), (2, [-2.0, 1.8, -1.6, 2.0]), (3, [0.5, 2.2, 2.2, 0.0])] {
        let marks: Vec<Point<Image>> = JOINTS.iter().zip(off).map(|(x, d)| Point::new(x + d, 60.0 + 0.4 * d)).collect();
        let found =
            fit_chain(&picture(0.006, seed), &marks, MarkKind::Silhouette, Expected::blurred(w)).expect("a chain");
        for (i, (found, x)) in found.iter().zip(JOINTS).enumerate() {
            let found = found.unwrap_or_else(|| panic!("seed {seed}: mark {i} is not found"));
            let u = found.covariance_px2[0].sqrt();
            let error = found.at.x - x;
            assert!(error.abs() < 0.15 * w.get(), "seed {seed}: mark {i} at {error:+.2} px");
            assert!(error.abs() < 3.0 * u && u < 0.13 * w.get(), "seed {seed}: mark {i} at {error:+.2} ± {u:.2} px");
            assert!((found.at.y - 60.0).abs() < 0.8, "seed {seed}: {found:?}");
            // Along the chain: ground before the body's edge, the chain before the tip.
            let dark_beyond = found.levels.map(|l| l.ground < l.animal);
            assert_eq!(dark_beyond, [Some(true), None, None, Some(false)][i], "seed {seed}: {found:?}");
        }
        // From the tip to the body it is the same chain.
        let turned: Vec<Point<Image>> = marks.iter().rev().copied().collect();
        let back =
            fit_chain(&picture(0.006, seed), &turned, MarkKind::Silhouette, Expected::blurred(w)).expect("a chain");
        let transposed = |[xx, xy, yx, yy]: [f64; 4]| [xx, yx, xy, yy];
        for (from_base, from_tip) in [(0, 2), (1, 1), (2, 0)] {
            let pair = |found: &[Option<Found>], i: usize| found[i].and_then(|f| f.with_next_px2).expect("a pair");
            assert_eq!(pair(&found, from_base), transposed(pair(&back, from_tip)));
        }
        assert_eq!(turned_back(back), found);
    }
}

/// The chain of [`picture`] on a head: the end of an ellipse of half axes `a` and `b`, whose edge runs through the first joint at `at_deg` from
/// the ellipse's own end, which itself points `aside_deg` away from the chain. With the picture, the edge's outward normal there.
fn on_a_head((a, b): (f64, f64), (at_deg, aside_deg): (f64, f64), w: f64, seed: u64) -> (Light, Vector<Image>) {
    let half = |x: f64| {
        let k = JOINTS.windows(2).position(|j| x >= j[0] && x < j[1])?;
        let t = (x - JOINTS[k]) / (JOINTS[k + 1] - JOINTS[k]);
        let tip = if k == 2 && t > 0.5 { (1.0 - (2.0 * t - 1.0).powi(4)).max(0.0).sqrt() } else { 1.0 };
        Some(tip * (3.4 + 3.2 * (std::f64::consts::PI * t).sin().max(0.0).sqrt()))
    };
    let (sin, cos) = aside_deg.to_radians().sin_cos();
    let (e, f) = (Vector::<Image>::new(cos, -sin), Vector::<Image>::new(sin, cos));
    let (sin, cos) = at_deg.to_radians().sin_cos();
    let centre = Point::<Image>::new(JOINTS[0], 60.0) + e * (-a * cos) + f * (-b * sin);
    let normal = e * (cos / a) + f * (sin / b);
    let inside = |x: f64, y: f64| {
        let v = Point::new(x, y) - centre;
        (v.dot(e) / a).hypot(v.dot(f) / b) < 1.0 || half(x).is_some_and(|h| (y - 60.0).abs() < h)
    };
    let light = Scene::of(150, 120, inside).lit(0.15, 0.6).blurred(w).photographed(0.004, seed);
    (light, normal * (1.0 / normal.length()))
}

#[test]
fn a_base_on_a_narrow_head_met_aslant_is_seen_as_one() {
    let w = Px::new(5.0);
    for seed in 1..4 {
        let (light, normal) = on_a_head((30.0, 9.0), (60.0, 25.0), w.get(), seed);
        let mut marks: Vec<Point<Image>> = JOINTS.iter().map(|x| Point::new(*x, 60.0)).collect();
        marks[0] = marks[0] + normal * (2.2 * by_hand(w).get());
        // Right behind the mark there is next to nothing.
        let found = fit_chain(&light, &marks, MarkKind::Silhouette, Expected::blurred(w)).expect("a chain");
        for (i, x) in JOINTS.iter().enumerate() {
            let found = found[i].unwrap_or_else(|| panic!("seed {seed}: mark {i} is not found"));
            let (error, most) = (found.at.x - x, if i == 0 { 0.25 } else { 0.15 });
            assert!(error.abs() < most * w.get(), "seed {seed}: mark {i} at {error:+.2} px");
        }
        assert!(found[0].and_then(|f| f.levels).is_some_and(|l| l.ground < l.animal), "seed {seed}");
    }
}

#[test]
fn a_first_joint_within_the_body_stays_with_the_hand() {
    let w = Px::new(8.0);
    for seed in 1..4 {
        // A socket seven pixels behind the body's edge, where the picture shows nothing.
        let mut marks: Vec<Point<Image>> = JOINTS.iter().map(|x| Point::new(*x, 60.0)).collect();
        marks[0].x -= 7.0;
        let fit = |ends| fit_chain(&picture(0.006, seed), &marks, ends, Expected::blurred(w)).expect("a chain");
        let within = fit(MarkKind::Feature);
        assert_eq!(within[0], None, "seed {seed}");
        for (found, x) in within.iter().zip(JOINTS).skip(1) {
            assert!(found.is_some_and(|f| (f.at.x - x).abs() < 0.15 * w.get()), "seed {seed}: {found:?} for {x}");
        }
        let at_edge = fit(MarkKind::Silhouette);
        assert!(at_edge[0].is_none_or(|f| (f.at.x - JOINTS[0]).abs() < 0.15 * w.get()), "seed {seed}: {at_edge:?}");
    }
}

#[test]
fn a_chain_that_leaves_along_the_edge_does_not_tell_where_it_begins() {
    let w = Px::new(5.0);
    let marks: Vec<Point<Image>> = JOINTS.iter().map(|x| Point::new(*x, 60.0)).collect();
    for seed in 1..4 {
        // The edge's normal stands at 80° to the chain.
        let (light, normal) = on_a_head((60.0, 30.0), (90.0, -10.0), w.get(), seed);
        assert!(normal.x.abs() < 0.2, "{normal:?}");
        let Some(found) = fit_chain(&light, &marks, MarkKind::Silhouette, Expected::blurred(w)) else { continue };
        assert!(found[0].is_none() && found[1].is_none(), "seed {seed}: {found:?}");
        assert!(found[3].is_some_and(|f| (f.at.x - JOINTS[3]).abs() < 0.75), "seed {seed}: {found:?}");
    }
}

#[test]
fn an_edge_whose_curvature_changes_is_looked_at_on_both_sides() {
    let w = 5.0;
    let marks: Vec<Point<Image>> = JOINTS.iter().map(|x| Point::new(*x, 60.0)).collect();
    let layout = Layout { marks: marks.len(), first: EndKind::Body, last: EndKind::Tip, short: false };
    let (mut both_sides, mut one_side) = (0.0_f64, 0.0_f64);
    for seed in 1..5 {
        let (light, normal) = on_a_head((30.0, 16.0), (40.0, 10.0), w, seed);
        let looks = look(&light, &marks, MarkKind::Silhouette, Expected::blurred(Px::new(w))).expect("a chain");
        let error = |rim: Option<Rim>| {
            let samples = Samples::about(&light, &marks, w, (1, 1), (&looks, rim)).expect("samples");
            let fit = Fit::of(&samples, layout, &marks, w, &looks).expect("a fit");
            let off = (fit.place(&samples, 0).0 - marks[0]).dot(normal) / w;
            (off, Fit::rim(&samples, layout, &marks, w, &looks))
        };
        let (off, rim) = error(None);
        one_side += off / 4.0;
        both_sides += error(rim).0 / 4.0;
    }
    // The arc of both is not the ellipse either, but errs by half as much.
    assert!(both_sides.abs() < 0.09, "{both_sides:+.3} w off");
    assert!(one_side.abs() > 1.5 * both_sides.abs(), "{one_side:+.3} w off with one side alone");
}

#[test]
fn a_segment_drawn_as_nothing_or_the_wrong_way_round_is_fitted() {
    let w = Px::new(8.0);
    for (first, second) in [(48.6, 48.4), (49.5, 47.5)] {
        let marks = [first, second, 77.0, 104.5].map(|x| Point::<Image>::new(x, 60.2));
        let found = fit_chain(&picture(0.006, 5), &marks, MarkKind::Silhouette, Expected::blurred(w)).expect("a chain");
        for (found, x) in found.iter().zip(JOINTS) {
            let found = found.unwrap_or_else(|| panic!("the mark at {x} is not found"));
            assert!((found.at.x - x).abs() < 0.15 * w.get(), "{found:?}, wanted {x}");
        }
    }
    // Where all marks lie in one place nothing says which way it runs.
    let run =
        |x: [f64; 4]| set_apart(&x.map(|x| Point::new(x, 0.0)), 1.0).map(|m| m.iter().map(|p| p.x).collect::<Vec<_>>());
    assert_eq!(run([0.0, 5.0, 5.5, 9.0]), Some(vec![0.0, 4.25, 6.25, 9.0]));
    assert_eq!(run([0.0, 5.5, 5.0, 9.0]), Some(vec![0.0, 4.25, 6.25, 9.0]));
    assert_eq!(run([0.0, 5.0, 7.0, 9.0]), Some(vec![0.0, 5.0, 7.0, 9.0]));
    assert_eq!(run([3.0, 3.0, 3.0, 3.0]), None);
}

/// A threshold moves the body's edge along a short first segment, whose middle and whose joint stay.
#[test]
fn the_joint_behind_a_short_first_segment_does_not_follow_the_body_s_edge() {
    let w = Px::new(13.0);
    let marks: Vec<Point<Image>> = JOINTS.iter().map(|x| Point::new(*x, 60.0)).collect();
    let d = 0.5 * X50_MINUS_X25_PER_W * w.get();
    // Toward the dark side: a dark animal grows, a bright one shrinks.
    for (grows, animal, ground) in [(d, 0.15, 0.6), (-d, 0.6, 0.15)] {
        let mean_error = |coherence: Coherence| {
            let of = |seed: u64| {
                let light = grown(grows).lit(animal, ground).blurred(w.get()).photographed(0.004, seed);
                let found =
                    fit_chain(&light, &marks, MarkKind::Silhouette, Expected { w, coherence }).expect("a chain");
                found[1].expect("the first joint").at.x - JOINTS[1]
            };
            (1..4).map(of).sum::<f64>() / 3.0
        };
        let stays = mean_error(Coherence::Unknown);
        assert!(stays.abs() < 0.05 * w.get(), "{grows:+.1} px: {stays:+.2} px");
        if grows < 0.0 {
            let follows = mean_error(Coherence::Incoherent);
            assert!(follows > 2.0 * stays.abs(), "{follows:+.2} px taken for incoherent, {stays:+.2} px");
        }
    }
}

#[test]
fn short_chains_say_what_they_know() {
    let w = Px::new(11.0);
    let mut count = 0;
    for (seed, off) in [(1, [1.5, -3.0, 3.0, -1.5]), (2, [-2.0, 3.0, -2.6, 2.0]), (3, [0.5, 3.0, 3.0, 0.0])] {
        let marks: Vec<Point<Image>> = JOINTS.iter().zip(off).map(|(x, d)| Point::new(x + d, 60.0 + 0.4 * d)).collect();
        let found =
            fit_chain(&blurred_picture(w.get(), 0.006, seed), &marks, MarkKind::Silhouette, Expected::blurred(w))
                .expect("a chain");
        for (i, (found, x)) in found.iter().zip(JOINTS).enumerate() {
            let Some(found) = found else { continue };
            count += 1;
            let (u, error) = (found.covariance_px2[0].sqrt(), found.at.x - x);
            assert!(error.abs() < 2.5 * u, "seed {seed}: mark {i} at {error:+.2} ± {u:.2} px");
        }
    }
    assert!(count >= 7, "only {count} of 12 marks are found");
}

#[test]
fn no_chain_is_made_up() {
    let w = Px::new(8.0);
    let marks: Vec<Point<Image>> = JOINTS.iter().map(|x| Point::new(*x, 60.0)).collect();
    let empty = Scene::of(150, 120, |_, _| false).lit(0.1, 0.6).photographed(0.006, 4);
    assert_eq!(fit_chain(&empty, &marks, MarkKind::Silhouette, Expected::blurred(w)), None);
    // An even bar has no joints: what is in its middle stays with the hand.
    let bar = Scene::of(150, 120, |x, y| (20.0..120.0).contains(&x) && (y - 60.0).abs() < 6.0);
    let bar = bar.lit(0.15, 0.6).blurred(8.0).photographed(0.006, 5);
    if let Some(found) = fit_chain(&bar, &marks, MarkKind::Silhouette, Expected::blurred(w)) {
        assert!(found[1].is_none() && found[2].is_none(), "{found:?}");
    }
    assert_eq!(
        fit_chain(&bar, &marks[..2], MarkKind::Silhouette, Expected::blurred(w)),
        None,
        "one segment has no joints"
    );
    assert_eq!(fit_chain(&bar, &marks, MarkKind::Silhouette, Expected::blurred(Px::new(f64::NAN))), None);
}
