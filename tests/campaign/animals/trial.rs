//! One trial: draw, render, measure by hand and snapped.

use motestick::animal::snap::{Expected, breadth_across, snap_shapes};
use motestick::animal::{
    Circumstances, Figure, Kind, Lying, MarkKind, Measured, PictureBlur, Placement, Shape, evaluate_shapes,
};
use motestick::phantom::Coding;
use motestick::phantom::animal::{AnimalScene, AnimalTruth, animal_scene, render};
use motestick::photo::Light;
use motestick::setup::{Assumed, Coherence, OpticsNotes, ReadingRecord, SCHEMA, Setup, SlideNotes, ToneCurve};
use motestick::slide::ScaleMap;
use motestick::uncertainty::{Distribution, Inputs, Options, Trials};
use motestick::units::{Angle, Image, Point, PxPerUm, Um};
use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution as _, Normal};
use rand_pcg::Pcg64Mcg;

/// How the pictures of a regime are taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Regime {
    F28,
    F4,
    F56,
    F8,
    Noisy,
    Curved,
    Small,
    Tilted,
}

impl Regime {
    pub(crate) const ALL: [Self; 8] =
        [Self::F28, Self::F4, Self::F56, Self::F8, Self::Noisy, Self::Curved, Self::Small, Self::Tilted];

    pub(crate) fn name(self) -> &'static str {
        match self {
            Self::F28 => "f2.8",
            Self::F4 => "f4",
            Self::F56 => "f5.6",
            Self::F8 => "f8",
            Self::Noisy => "noisy",
            Self::Curved => "curved",
            Self::Small => "small",
            Self::Tilted => "tilted",
        }
    }

    fn aperture(self) -> f64 {
        match self {
            Self::F28 => 2.8,
            Self::F56 => 5.6,
            Self::F8 | Self::Small => 8.0,
            _ => 4.0,
        }
    }

    fn lying(self) -> Lying {
        if self == Self::Tilted { Lying::Within(Angle::from_degrees(20.0)) } else { Lying::Flat }
    }
}

/// One figure against its truth.
#[derive(Clone, Debug)]
pub(crate) struct Outcome {
    pub(crate) kind: &'static str,
    pub(crate) snapped: bool,
    pub(crate) bright: bool,
    pub(crate) truth: f64,
    pub(crate) value: Option<f64>,
    pub(crate) u: Option<f64>,
    pub(crate) low: f64,
    pub(crate) high: f64,
    /// Length over the blur spot.
    pub(crate) spots: f64,
    /// A segment of a snapped chain of whose two marks one stays with the hand.
    pub(crate) stays: bool,
    pub(crate) seed: u64,
}

impl Outcome {
    pub(crate) fn pull(&self) -> Option<f64> {
        Some((self.value? - self.truth) / self.u?)
    }

    pub(crate) fn holds(&self) -> bool {
        self.low <= self.truth && self.truth <= self.high
    }
}

/// Segments of the antenna from its base on.
const SEGMENTS: [&str; 4] = ["segment I", "segment II", "segment III", "segment IV"];

/// True lengths over those that the picture shows: 1 / cos of the tilt of each.
///
/// The budget takes every length as tilted within the stated angle for itself, the segments of an antenna together. No tilt of the
/// whole animal's plane does that to lengths in all directions; so what is rendered is the projection.
#[derive(Clone, Copy, Debug)]
struct Raised {
    axis: f64,
    breadth: f64,
    antenna: f64,
}

/// Everything drawn for one picture.
struct Drawn {
    scene: AnimalScene,
    truth: AnimalTruth,
    raised: Raised,
    setup: Setup,
    light: Light,
    /// Where the observer sees the edge, outward, px.
    observer_px: f64,
    rng: Pcg64Mcg,
}

/// Draws, renders and measures; empty where the scene cannot be drawn.
pub(crate) fn trial(regime: Regime, seed: u64, trials: Trials) -> Vec<Outcome> {
    let Some(mut drawn) = draw(regime, seed) else { return Vec::new() };
    let hand = shapes(&mut drawn);
    let map = drawn.setup.readings[0].map.clone();
    let predicted = drawn.setup.predicted_blur().expect("notes").expect("known");
    let scale = map.centre_scale();
    // The first joints drawn here lie in the body's edge; on a picture their user says so.
    let mut told = hand.clone();
    for shape in told.iter_mut().filter(|s| s.kind == Kind::Appendage) {
        let at: Vec<Point<Image>> = shape.marks.iter().map(|m| m.at).collect();
        *shape = Shape::by_hand(shape.name.clone(), shape.kind, &at, MarkKind::Silhouette);
    }
    let snapped =
        snap_shapes(&drawn.light, &told, Expected { w: predicted.w_um * scale, coherence: drawn.setup.coherence });
    let in_picture = snapped.blur.map(|(w, _)| w / scale);
    let blur = PictureBlur::choose(Some(&predicted), in_picture, None).expect("a blur");
    let mut found: Vec<Shape> = snapped.shapes.into_iter().map(|s| s.shape).collect();
    let across = breadth_across(&drawn.light, &found[0], None, "widest".to_owned(), blur.w_um * scale);
    found.extend(across.ok().map(|a| a.shape));
    let mut outcomes = Vec::new();
    for (shapes, is_snapped) in [(hand, false), (found, true)] {
        let figures = figures(&shapes);
        let about = Circumstances {
            setup: &drawn.setup,
            map: &map,
            blur,
            lying: regime.lying(),
            depth: None,
            options: Options { trials, seed, ..Options::default() },
        };
        let evaluated = evaluate_shapes(&shapes, &figures, &about).expect("evaluates");
        let chain = shapes.iter().find(|s| s.kind == Kind::Appendage).map_or(&[][..], |s| &s.marks);
        let stays: Vec<bool> =
            chain.windows(2).map(|m| is_snapped && m.iter().any(|m| m.placement == Placement::Hand)).collect();
        for m in &evaluated.measured {
            for (kind, truth, m) in with_truth(m, &drawn) {
                let segment = SEGMENTS.iter().position(|s| *s == kind);
                let stays = segment.is_some_and(|i| stays.get(i) == Some(&true));
                let outcome = outcome((kind, truth), m, is_snapped, &drawn, (blur.w_um.get(), seed));
                outcomes.push(Outcome { stays, ..outcome });
            }
        }
    }
    outcomes
}

fn outcome(
    (kind, truth): (&'static str, f64),
    m: &Measured,
    snapped: bool,
    drawn: &Drawn,
    (w_um, seed): (f64, u64),
) -> Outcome {
    Outcome {
        kind,
        snapped,
        bright: drawn.scene.bright_on_dark,
        truth,
        value: m.value,
        u: m.u,
        low: m.low.unwrap_or(f64::NEG_INFINITY),
        high: m.high,
        spots: truth / w_um,
        stays: false,
        seed,
    }
}

/// The figures of one measurement that have a truth.
fn with_truth<'a>(m: &'a Measured, drawn: &Drawn) -> Vec<(&'static str, f64, &'a Measured)> {
    let truth = &drawn.truth;
    let Raised { axis, breadth, antenna } = drawn.raised;
    let (length, across) = (axis * truth.body_length_um, breadth * truth.breadth_um);
    let limb = truth.limbs.iter().find(|l| l.name == "antenna left");
    let segments: Vec<f64> = limb.map_or(vec![], |l| l.segment_um.iter().map(|s| antenna * s).collect());
    match m.name.as_str() {
        "axis" => vec![("axis", length, m)],
        "breadth" => vec![("breadth", across, m)],
        "widest" => vec![("widest breadth", across, m)],
        "outline" => vec![("area", axis * breadth * truth.area_um2, m)],
        "antenna" => m.parts.iter().zip(segments).zip(SEGMENTS).map(|((p, t), name)| (name, t, p)).collect(),
        "breadth/axis" => vec![("breadth/axis", across / length, m)],
        "antenna/axis" => vec![("antenna/axis", segments.iter().sum::<f64>() / length, m)],
        "antenna segment 4/antenna segment 3" => vec![("segment/segment", segments[3] / segments[2], m)],
        _ => vec![],
    }
}

fn figures(shapes: &[Shape]) -> Vec<Figure> {
    ["breadth/axis", "antenna/axis", "antenna segment 4/antenna segment 3"]
        .iter()
        .map(|t| Figure::ratio(t, shapes).expect("a ratio"))
        .collect()
}

fn draw(regime: Regime, seed: u64) -> Option<Drawn> {
    let mut rng = Pcg64Mcg::seed_from_u64(seed.wrapping_mul(0x9E37_79B9) ^ (regime as u64) << 40);
    let mut scene = scene_of(regime, seed);
    scene.bright_on_dark = seed.is_multiple_of(2);
    let setup = setup_for(&scene, regime);
    // The map through which everything is measured is off as the budget says.
    let mut inputs = Inputs::new();
    let places = setup.push_scale_inputs(&mut inputs, Point::new(0.0, 0.0)).ok()?;
    let x: Vec<f64> =
        inputs.items().iter().map(|i| i.estimate() + departure(i.distribution(), i.u(), &mut rng)).collect();
    let factor = places.length_factor(&x);
    let predicted = setup.predicted_blur().ok()??;
    let reach = predicted.x50_minus_x25().get();
    scene.threshold_um = rng.random_range(0.0..reach);
    scene.sensor.tone_exponent = rng.random_range(0.75..1.3);
    let most: f64 = if regime == Regime::Tilted { 20.0 } else { 5.0 };
    let [axis, breadth, antenna] = [(); 3].map(|()| 1.0 / rng.random_range(-most..most).to_radians().cos());
    let raised = Raised { axis, breadth, antenna };
    // A hand follows the edge that it sees: the observer's threshold, and the tone curve's shift of 0.08 w for 1.3.
    let tone = -0.08 * predicted.w_um.get() * scene.sensor.tone_exponent.ln() / 1.3_f64.ln();
    let seen = if scene.bright_on_dark { tone } else { -tone };
    let observer_px = (rng.random_range(-reach..reach) + seen) * scene.px_per_um;
    fit_frame(&mut scene)?;
    let rendered = render(&scene).ok()?;
    let truth = rendered.truth?;
    let picture = &rendered.picture;
    let light = Light::new(picture.width, picture.height, picture.linear_luminance());
    let mut setup = setup;
    let map_scale = scene.px_per_um * factor;
    setup.readings[0].map =
        ScaleMap::similarity(picture.width, picture.height, PxPerUm::new(map_scale), Angle::new(0.0), 1e-4);
    setup.readings[0].scale_px_per_um = map_scale;
    Some(Drawn { scene, truth, raised, setup, light, observer_px, rng })
}

/// An animal of 120 to 270 µm with its limbs, under the regime's light.
pub(crate) fn scene_of(regime: Regime, seed: u64) -> AnimalScene {
    let mut scene = animal_scene(seed);
    scene.wavelengths_um = vec![0.55];
    scene.sensor.coding = Coding::Gray8;
    scene.effective_aperture = regime.aperture() * (1.0 + scene.magnification);
    let animal = &mut scene.animals[0].animal;
    (animal.length_um, animal.breadth_um) = (0.6 * animal.length_um, 0.6 * animal.breadth_um);
    for limb in &mut animal.limbs {
        let by = if !limb.name.starts_with("antenna") {
            0.6
        } else if regime == Regime::Small {
            0.5
        } else {
            1.0
        };
        for s in &mut limb.segments {
            s.length_um *= by;
        }
    }
    match regime {
        Regime::Curved => animal.bend_rad = animal.bend_rad.map(|b| 1.6 * b),
        Regime::Tilted => animal.bend_rad = [0.0; 3],
        _ => {}
    }
    if regime == Regime::Noisy {
        scene.sensor.electrons_at_full_scale = Some(1500.0);
    }
    scene
}

/// Makes the frame as small as the animal allows.
pub(crate) fn fit_frame(scene: &mut AnimalScene) -> Option<()> {
    let small = AnimalScene { width_px: 16, height_px: 16, ..scene.clone() };
    let truth = render(&small).ok()?.truth?;
    let points = truth.outline_px.iter().chain(truth.limbs.iter().flat_map(|l| &l.joints_px));
    let (mut low, mut high) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
    for p in points {
        for k in 0..2 {
            low[k] = low[k].min(p[k]);
            high[k] = high[k].max(p[k]);
        }
    }
    let margin = 14.0 * truth.blur_spot_px.max(4.0);
    for k in 0..2 {
        scene.animals[0].position_um[k] -= (0.5 * (low[k] + high[k]) - 8.0) / scene.px_per_um;
    }
    scene.width_px = (high[0] - low[0] + margin) as usize;
    scene.height_px = (high[1] - low[1] + margin) as usize;
    Some(())
}

fn departure(distribution: Distribution, u: f64, rng: &mut Pcg64Mcg) -> f64 {
    let unit = |rng: &mut Pcg64Mcg| rng.random_range(-1.0..1.0);
    match distribution {
        Distribution::Rectangular { half_width } => half_width * unit(rng),
        Distribution::Triangular { half_width } => half_width * 0.5 * (unit(rng) + unit(rng)),
        Distribution::OneMinusCosUniform { max_rad } => {
            1.0 - rng.random_range(0.0..max_rad).cos() - distribution.own_mean()
        }
        _ => normal(u, rng),
    }
}

fn normal(u: f64, rng: &mut Pcg64Mcg) -> f64 {
    Normal::new(0.0, u.max(0.0)).map_or(0.0, |n| n.sample(rng))
}

fn setup_for(scene: &AnimalScene, regime: Regime) -> Setup {
    let optics = OpticsNotes {
        magnification: Some(scene.magnification),
        aperture_marked: Some(regime.aperture()),
        pupil_magnification: Some(1.0),
        pixel_pitch_um: Some(scene.magnification / scene.px_per_um),
        ..OpticsNotes::default()
    };
    let reading = ReadingRecord {
        date: "2024-05-01T10:00:00Z".into(),
        picture: "slide.png".into(),
        picture_sha256: "00".repeat(32),
        scale_px_per_um: scene.px_per_um,
        u_rel_fit: 1e-4,
        dof_fit: 94.0,
        u_rel: 3.4e-3,
        rotation_deg: 0.0,
        model: "similarity".into(),
        graduations_used: 97,
        graduations_rejected: 0,
        residual_rms_px: 0.03,
        blur_spot_um: None,
        u_blur_spot_um: None,
        u_rel_by_source: Default::default(),
        warnings: vec![],
        crossways: None,
        by_hand: false,
        map: ScaleMap::similarity(1000, 1000, PxPerUm::new(scene.px_per_um), Angle::new(0.0), 1e-4),
    };
    Setup {
        schema: SCHEMA,
        name: "campaign".into(),
        camera: None,
        lens: None,
        mode: None,
        exif_camera: None,
        exif_lens: None,
        picture_width_px: 1000,
        picture_height_px: 1000,
        coherence: Coherence::Unknown,
        tone_curve: ToneCurve::Unknown,
        optics,
        slide: SlideNotes::of_division(Um::new(10.0)),
        // Pixels are square here: a term known to be zero is off.
        assumed: Assumed { square_pixels_half_width_rel: 0.0, ..Assumed::default() },
        pooled: None,
        readings: vec![reading],
        other: Default::default(),
    }
}

/// The marks as the hand sets them, with the observer's threshold: where snapping starts, and where a mark that does not snap stays.
fn shapes(drawn: &mut Drawn) -> Vec<Shape> {
    let axis: Vec<[f64; 2]> = drawn.truth.axis_px.iter().step_by(5).copied().collect();
    let breadth = drawn.truth.breadth_px.to_vec();
    let outline: Vec<[f64; 2]> = drawn.truth.outline_px.iter().step_by(8).copied().collect();
    let joints =
        drawn.truth.limbs.iter().find(|l| l.name == "antenna left").map(|l| l.joints_px.clone()).unwrap_or_default();
    let kinds = [
        ("axis", Kind::Axis, axis),
        ("breadth", Kind::Breadth, breadth),
        ("outline", Kind::Outline, outline),
        ("antenna", Kind::Appendage, joints),
    ];
    let mut shapes = Vec::new();
    for (name, kind, points) in kinds {
        let ends = kind.usual_ends();
        let mut placed = Vec::new();
        for (i, p) in points.iter().enumerate() {
            let outward = outward(kind, &points, i);
            let shift = if ends == MarkKind::Silhouette { drawn.observer_px } else { 0.0 };
            let (dx, dy) = (hand_departure(drawn), hand_departure(drawn));
            placed.push(Point::<Image>::new(p[0] + shift * outward[0] + dx, p[1] + shift * outward[1] + dy));
        }
        shapes.push(Shape::by_hand(name.to_owned(), kind, &placed, ends));
    }
    shapes
}

/// Anywhere within the blur spot, pointed to 1.2 px.
fn hand_departure(drawn: &mut Drawn) -> f64 {
    let w = drawn.truth.blur_spot_px;
    drawn.rng.random_range(-0.5..0.5) * w + normal(1.2, &mut drawn.rng)
}

/// Outward unit vector of a silhouette mark, 0 for a mark within.
fn outward(kind: Kind, points: &[[f64; 2]], i: usize) -> [f64; 2] {
    let n = points.len();
    let unit = |v: [f64; 2]| {
        let length = v[0].hypot(v[1]).max(1e-9);
        [v[0] / length, v[1] / length]
    };
    let from_to = |a: [f64; 2], b: [f64; 2]| unit([b[0] - a[0], b[1] - a[1]]);
    if kind == Kind::Outline {
        let v = from_to(points[(i + n - 1) % n], points[(i + 1) % n]);
        let area: f64 =
            (0..n).map(|k| points[k][0] * points[(k + 1) % n][1] - points[k][1] * points[(k + 1) % n][0]).sum();
        return [v[1] * area.signum(), -v[0] * area.signum()];
    }
    match i {
        0 => from_to(points[1], points[0]),
        _ if i + 1 == n => from_to(points[n - 2], points[n - 1]),
        _ => [0.0, 0.0],
    }
}
