//! Figures of planted shapes against closed forms and worked covariances.

use std::f64::consts::{PI, TAU};

use super::*;
use crate::animal::{Levels, Placement};
use crate::setup::{Setup, testing};
use crate::slide::ScaleMap;
use crate::uncertainty::Options;
use crate::units::{Angle, Image, Point, Px, PxPerUm, Um};

const SCALE: f64 = 1.25;
const W_UM: f64 = 6.0;

pub(super) fn setup() -> Setup {
    let mut setup = testing::setup_of(&[SCALE]);
    (setup.picture_width_px, setup.picture_height_px) = (3000, 2000);
    let map = ScaleMap::similarity(3000, 2000, PxPerUm::new(SCALE), Angle::new(0.3), 1e-4);
    setup.readings.iter_mut().for_each(|r| r.map = map.clone());
    setup
}

pub(super) fn about<'a>(setup: &'a Setup, options: Options) -> Circumstances<'a> {
    let blur = PictureBlur::choose(None, None, Some(Um::new(W_UM))).unwrap();
    let map = &setup.readings.last().unwrap().map;
    Circumstances { setup, map, blur, lying: Lying::Flat, depth: None, options }
}

pub(super) fn shape(name: &str, kind: Kind, points: &[(f64, f64)], ends: MarkKind) -> Shape {
    let points: Vec<Point<Image>> = points.iter().map(|&(x, y)| Point::new(x, y)).collect();
    Shape::by_hand(name.to_owned(), kind, &points, ends)
}

fn circle(n: usize, radius_px: f64) -> Vec<(f64, f64)> {
    let at = |i: usize| TAU * i as f64 / n as f64;
    (0..n).map(|i| (1500.0 + radius_px * at(i).cos(), 1000.0 + radius_px * at(i).sin())).collect()
}

#[test]
fn an_outline_has_its_area_perimeter_and_calipers_with_the_terms_of_its_silhouette() {
    let setup = setup();
    let outline = shape("outline 1", Kind::Outline, &circle(24, 250.0), MarkKind::Silhouette);
    let e = evaluate_shapes(&[outline], &[], &about(&setup, Options::first_order())).unwrap();
    let m = &e.measured[0];
    // Radius 200 µm.
    assert!((m.value.unwrap() / (PI * 4e4) - 1.0).abs() < 2e-3, "{m:?}");
    let of = |k: usize| m.parts[k].value.unwrap();
    assert!((of(0) / (TAU * 200.0) - 1.0).abs() < 2e-3 && (of(1) / 400.0 - 1.0).abs() < 2e-3, "{m:?}");
    assert_eq!(m.parts.iter().map(|p| p.name.as_str()).collect::<Vec<_>>(), figure::OUTLINE_PARTS);
    // The observer's threshold moves all of the silhouette: u(A) = P d/√3.
    let line = |m: &Measured, source: &str| m.budget.iter().find(|l| l.source == source).unwrap().u;
    let d = PictureBlur::choose(None, None, Some(Um::new(W_UM))).unwrap().x50_minus_x25_um.get();
    let wanted = TAU * 200.0 * d / 3f64.sqrt();
    assert!((line(m, source::OBSERVER) / wanted - 1.0).abs() < 0.01, "{} {wanted}", line(m, source::OBSERVER));
    assert!((line(&m.parts[1], source::OBSERVER) / (2.0 * d / 3f64.sqrt()) - 1.0).abs() < 0.01);
    // Marks: each moves half of the chord between its neighbours; 24 of them.
    let chord_um = 2.0 * 200.0 * (TAU / 24.0).sin();
    let u_um = by_hand(Px::new(W_UM * SCALE)).get() / SCALE;
    let wanted = 24f64.sqrt() * 0.5 * chord_um * u_um;
    assert!((line(m, source::HAND) / wanted - 1.0).abs() < 0.05, "{} {wanted}", line(m, source::HAND));
}

#[test]
fn an_outline_is_moved_by_hand_and_snapped_marks_each_by_their_share() {
    let setup = setup();
    let perimeter = TAU * 200.0;
    let d = PictureBlur::choose(None, None, Some(Um::new(W_UM))).unwrap().x50_minus_x25_um.get();
    for levels in [Levels { animal: 0.1, ground: 0.6 }, Levels { animal: 0.6, ground: 0.1 }] {
        let mut outline = shape("outline 1", Kind::Outline, &circle(24, 250.0), MarkKind::Silhouette);
        for mark in &mut outline.marks[8..] {
            mark.placement = Placement::snapped([0.01, 0.0, 0.01], Some(levels));
        }
        let measured = |outline: &Shape| {
            let e =
                evaluate_shapes(std::slice::from_ref(outline), &[], &about(&setup, Options::first_order())).unwrap();
            e.measured.into_iter().next().unwrap()
        };
        let m = measured(&outline);
        let line = |m: &Measured, source: &str| m.budget.iter().find(|l| l.source == source).unwrap().u;
        let observer = perimeter / 3.0 * d / 3f64.sqrt();
        let threshold = perimeter * 2.0 / 3.0 * d / 12f64.sqrt();
        assert!(
            (line(&m, source::OBSERVER) / observer - 1.0).abs() < 0.02,
            "{} {observer}",
            line(&m, source::OBSERVER)
        );
        assert!(
            (line(&m, source::THRESHOLD) / threshold - 1.0).abs() < 0.02,
            "{} {threshold}",
            line(&m, source::THRESHOLD)
        );
        // A tone curve moves what the hand sees and what is fitted the same way.
        let mut all = outline.clone();
        all.marks[..8].iter_mut().for_each(|m| m.placement = outline.marks[8].placement);
        let (mixed, all) = (line(&m, source::TONE), line(&measured(&all), source::TONE));
        assert!(mixed > 0.9 * all && mixed < 1.4 * all, "{mixed} {all}");
        // Which mark is the first one does not matter.
        outline.marks.rotate_left(12);
        let turned = measured(&outline);
        let close = |a: Option<f64>, b: Option<f64>| (a.unwrap() / b.unwrap() - 1.0).abs() < 1e-6;
        assert!(close(turned.value, m.value) && close(turned.u, m.u), "{turned:?} {m:?}");
    }
}

#[test]
fn an_angle_is_the_angle_and_its_marks_carry_their_lever() {
    let setup = setup();
    let (c, s) = (60f64.to_radians().cos(), 60f64.to_radians().sin());
    let points = [(1000.0 + 400.0, 1000.0), (1000.0, 1000.0), (1000.0 + 300.0 * c, 1000.0 - 300.0 * s)];
    let angle = shape("angle 1", Kind::Angle, &points, MarkKind::Feature);
    let options = Options { trials: crate::uncertainty::Trials::Fixed(40_000), ..Options::default() };
    let e = evaluate_shapes(&[angle], &[], &about(&setup, options)).unwrap();
    let m = &e.measured[0];
    assert_eq!((m.unit, m.kind), (Unit::Deg, Kind::Angle));
    assert!((m.value.unwrap() - 60.0).abs() < 0.05, "{m:?}");
    // u² = u_p² (1/a² + 1/b² + |1/a − 1/b along the arms|²): the vertex moves both arms, law of cosines for its lever.
    let u = by_hand(Px::new(W_UM * SCALE)).get();
    let (a, b) = (1.0 / 400.0f64, 1.0 / 300.0f64);
    let wanted = (u * (2.0 * a * a + 2.0 * b * b - 2.0 * a * b * 60f64.to_radians().cos()).sqrt()).to_degrees();
    let hand = m.budget.iter().find(|l| l.source == source::HAND).unwrap().u;
    assert!((hand / wanted - 1.0).abs() < 0.03, "{hand} {wanted}");
}

#[test]
fn ratios_and_sums_heed_what_is_shared() {
    let setup = setup();
    let joints: Vec<(f64, f64)> = (0..4).map(|i| (500.0 + 200.0 * f64::from(i), 700.0)).collect();
    let shapes = [
        shape("antenna", Kind::Appendage, &joints, MarkKind::Feature),
        shape("axis 1", Kind::Axis, &[(500.0, 900.0), (1500.0, 900.0)], MarkKind::Feature),
    ];
    let figures = [
        Figure::ratio("antenna/axis 1", &shapes).unwrap(),
        Figure::sum("antenna segment 1 + antenna segment 2", &shapes).unwrap(),
        Figure::ratio("antenna segment 1/antenna segment 2", &shapes).unwrap(),
    ];
    let e = evaluate_shapes(&shapes, &figures, &about(&setup, Options::first_order())).unwrap();
    let [antenna, axis, ratio, sum, segments] = [0, 1, 2, 3, 4].map(|i| &e.measured[i]);
    assert!((ratio.value.unwrap() - 0.6).abs() < 1e-3 && ratio.unit == Unit::One);
    // The certificate cancels in the ratio, and counts in full in the sum.
    let line = |m: &Measured, source: &str| m.budget.iter().find(|l| l.source == source).map_or(0.0, |l| l.u);
    let certificate = crate::setup::source::CERTIFICATE;
    assert!(line(ratio, certificate) < 1e-9 && line(antenna, certificate) > 0.1);
    // Two segments with a joint in common: u of their sum is that of the span over both, √2 u_p.
    let u = by_hand(Px::new(W_UM * SCALE)).get() / SCALE;
    assert!((line(sum, source::HAND) / (u * 2f64.sqrt()) - 1.0).abs() < 0.01, "{}", line(sum, source::HAND));
    // Their ratio: the joint moves both in opposite senses. u(q) = √(1 + 1 + 4) u_p / ℓ for equal segments, √6 not √4.
    let wanted = 6f64.sqrt() * u / 160.0;
    assert!((line(segments, source::HAND) / wanted - 1.0).abs() < 0.01, "{} {wanted}", line(segments, source::HAND));
    // The covariance that is handed out gives the ratio's u again (GUM equation 16).
    let i = |name: &str| e.names.iter().position(|n| n == name).unwrap();
    let (a, b) = (i("antenna"), i("axis 1"));
    let (x, y) = (antenna.value.unwrap(), axis.value.unwrap());
    let c = &e.covariance;
    let u2 = (c.at(a, a) / (x * x) + c.at(b, b) / (y * y) - 2.0 * c.at(a, b) / (x * y)) * (x / y).powi(2);
    assert!((u2.sqrt() / ratio.u.unwrap() - 1.0).abs() < 0.01, "{} {:?}", u2.sqrt(), ratio.u);
}

#[test]
fn what_is_made_of_the_unresolved_has_a_bound_or_nothing() {
    let setup = setup();
    let shapes = [
        shape("short", Kind::Span, &[(500.0, 700.0), (502.0, 700.0)], MarkKind::Silhouette),
        shape("long", Kind::Span, &[(500.0, 900.0), (900.0, 900.0)], MarkKind::Silhouette),
    ];
    let figures = [Figure::ratio("short/long", &shapes).unwrap(), Figure::ratio("long/short", &shapes).unwrap()];
    let e = evaluate_shapes(&shapes, &figures, &about(&setup, Options::first_order())).unwrap();
    let bounded = &e.measured[2];
    assert_eq!((bounded.value, bounded.low, bounded.verdict), (None, None, Verdict::NotResolved));
    assert!(bounded.high >= 6.0 / 320.0 && bounded.high < 0.1, "{bounded:?}");
    assert!(e.measured[3].high.is_infinite() && e.measured[3].value.is_none());
}

#[test]
fn impossible_shapes_are_refused() {
    let setup = setup();
    let e = |s: Shape| evaluate_shapes(&[s], &[], &about(&setup, Options::first_order())).unwrap_err().to_string();
    let two = shape("angle 1", Kind::Angle, &[(1.0, 1.0), (2.0, 2.0)], MarkKind::Feature);
    assert_eq!(e(two), "angle 1 has 2 marks, must have exactly 3");
    let flat = shape("outline 1", Kind::Outline, &[(1.0, 1.0), (2.0, 2.0)], MarkKind::Silhouette);
    assert!(e(flat).contains("at least"), "words");
}

/// A span of features by a fit that knows each mark to `sigma_um`, `true_um` long, measured often: how many of those that are
/// stated hold the truth, how many are stated, and the mean error over u.
fn stated_spans(true_um: f64, sigma_um: f64) -> (f64, usize, f64) {
    use rand::SeedableRng;
    use rand_distr::{Distribution as _, Normal};
    let setup = setup();
    let sigma_px = sigma_um * SCALE;
    let normal = Normal::new(0.0, sigma_px).unwrap();
    let mut rng = rand_pcg::Pcg64Mcg::seed_from_u64(7);
    let (mut held, mut stated, mut pulls) = (0, 0, 0.0);
    for _ in 0..2000 {
        let mut off = || normal.sample(&mut rng);
        let points = [(700.0 + off(), 700.0 + off()), (700.0 + true_um * SCALE + off(), 700.0 + off())];
        let mut span = shape("span 1", Kind::Span, &points, MarkKind::Feature);
        for mark in &mut span.marks {
            mark.placement = Placement::snapped([sigma_px * sigma_px, 0.0, sigma_px * sigma_px], None);
        }
        let e = evaluate_live(&[span], &[], &about(&setup, Options::first_order())).unwrap();
        let m = &e.measured[0];
        let (Some(value), Some(u), Some(low)) = (m.value, m.u, m.low) else { continue };
        stated += 1;
        held += usize::from(low <= true_um && true_um <= m.high);
        pulls += (value - true_um) / u;
    }
    (held as f64 / stated as f64, stated, pulls / stated as f64)
}

#[test]
fn an_interval_keeps_its_word_given_that_it_was_stated() {
    // u of the length is 0.14 blur spots. At 0.85 of one, a truth that is stated in one case of seven: the usual interval holds 83 % of
    // those, P(1.07 < z < 1.96) / P(z > 1.07).
    let (held, stated, _) = stated_spans(0.85 * W_UM, 0.1 * W_UM);
    assert!(held > 0.94 && (200..400).contains(&stated), "{held} of {stated}");
    // About one blur spot the values are right on average too: at the limit itself half of 0.8 u is left, above it little.
    for (spots, most) in [(1.0, 0.45), (1.15, 0.2), (1.5, 0.1)] {
        let (held, stated, bias) = stated_spans(spots * W_UM, 0.1 * W_UM);
        assert!(held > 0.94 && stated > 800 && bias.abs() < most, "{spots}: {held} of {stated}, {bias:+.2} u");
    }
}

#[test]
fn what_is_stated_since_it_looks_long_says_so() {
    let setup = setup();
    let span = |um: f64| shape("span 1", Kind::Span, &[(700.0, 700.0), (700.0 + um * SCALE, 700.0)], MarkKind::Feature);
    let of =
        |um: f64| evaluate_shapes(&[span(um)], &[], &about(&setup, Options::first_order())).unwrap().measured.remove(0);
    let (near, far) = (of(1.1 * W_UM), of(20.0 * W_UM));
    let said = |m: &Measured| m.warnings.iter().any(|w| w.contains("is stated"));
    assert!(said(&near) && !said(&far), "{:?} {:?}", near.warnings, far.warnings);
    let (value, low, u) = (near.value.unwrap(), near.low.unwrap(), near.u.unwrap());
    // The upper end stays where it was, the lower one is farther off: k is half of the interval over u.
    assert!(near.high - value < value - low || low == 0.0, "{near:?}");
    assert!((near.k.unwrap() - 0.5 * (near.high - low) / u).abs() < 1e-9 && value < 1.1 * W_UM);
    assert!((far.value.unwrap() - far.low.unwrap() - (far.high - far.value.unwrap())).abs() < 1e-9, "{far:?}");
}

#[test]
fn a_bound_rests_on_the_marks_not_on_how_near_they_happen_to_lie() {
    // Two marks by hand that fell on nearly one place: their distance scatters by less than a mark does along a line.
    let setup = setup();
    let span = |px: f64| shape("span 1", Kind::Span, &[(700.0, 700.0), (700.0 + px, 700.0)], MarkKind::Feature);
    let u_um = 2f64.sqrt() * by_hand(Px::new(W_UM * SCALE)).get() / SCALE;
    for options in [Options::first_order(), Options::default()] {
        let e = evaluate_shapes(&[span(0.4)], &[], &about(&setup, options)).unwrap();
        let m = &e.measured[0];
        assert!(m.value.is_none() && m.high > 2.9 * u_um && m.high < 4.0 * u_um, "{} {u_um}", m.high);
    }
}
