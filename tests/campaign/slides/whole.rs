//! Does ± k `u_rel` of a scale hold the truth when every input of the scale's budget is drawn?
//!
//! Rendering and reading are slow beside drawing: the readings of some hundred pictures are combined, each with many draws of
//! everything else. The reading's own error is that of the picture, the other inputs are drawn from their stated distributions:
//! certificate (or its lack), tilt, expansion and temperature of the slide, setting the rig again, focus.

use motestick::phantom::slide::{SlideScene, render};
use motestick::photo::Channel;
use motestick::setup::{Assumed, Coherence, OpticsNotes, ReadingRecord, SCHEMA, Setup, SlideNotes, ToneCurve, source};
use motestick::slide::{Reading, Request, read};
use motestick::uncertainty::{Inputs, Options, Trials, evaluate};
use motestick::units::Um;
use rand::{RngExt, SeedableRng};
use rand_distr::StandardNormal;
use rand_pcg::Pcg64Mcg;

/// Draws a picture and a state of knowledge.
const DRAWS: usize = 200;

/// What is known beside the picture.
#[derive(Clone, Copy, Debug)]
struct Known {
    name: &'static str,
    /// Expanded uncertainty (k = 2) of the ruled millimetre, µm.
    certificate_um: Option<f64>,
    rig_fixed: bool,
}

const STATES: [Known; 4] = [
    Known { name: "no certificate, rig set anew", certificate_um: None, rig_fixed: false },
    Known { name: "no certificate, rig fixed", certificate_um: None, rig_fixed: true },
    Known { name: "certificate, rig set anew", certificate_um: Some(1.0), rig_fixed: false },
    Known { name: "certificate, rig fixed", certificate_um: Some(1.0), rig_fixed: true },
];

/// Reads `count` pictures and prints a line a state of knowledge.
pub(crate) fn coverage(name: &str, scene_of: &dyn Fn(u64) -> SlideScene, count: u64, first: u64) {
    let mut tallies = [Tally::default(); STATES.len()];
    let mut pictures = 0;
    for seed in first..first + count {
        let scene = scene_of(seed);
        let rendered = render(&scene).expect("renders");
        let light = super::open(&rendered.picture).light(Channel::Even);
        let Ok(reading) = read(&light, &Request::new(Um::new(scene.rulings[0].division_um))) else { continue };
        pictures += 1;
        let own = reading.scale.get() / rendered.truth.local_px_per_um - 1.0;
        let mut rng = Pcg64Mcg::seed_from_u64(0x5ca1e ^ seed);
        for (state, tally) in STATES.iter().zip(&mut tallies) {
            let setup = setup_of(&reading, scene.rulings[0].division_um, *state);
            let stated = Stated::of(&setup);
            for _ in 0..DRAWS {
                tally.add(&stated, own, drawn(&setup, &stated, &mut rng));
            }
        }
    }
    println!("{name}: {pictures} of {count} pictures read, {DRAWS} draws of everything else for each");
    for (state, tally) in STATES.iter().zip(&tallies) {
        println!("  {:<30} {tally}", state.name);
    }
}

fn setup_of(reading: &Reading, division_um: f64, known: Known) -> Setup {
    let mut slide = SlideNotes::of_division(Um::new(division_um));
    slide.certificate_expanded_um = known.certificate_um;
    slide.certificate_over_um = known.certificate_um.map(|_| 1000.0);
    Setup {
        schema: SCHEMA,
        name: "campaign".to_owned(),
        camera: None,
        lens: None,
        mode: None,
        exif_camera: None,
        exif_lens: None,
        picture_width_px: reading.map.width_px as u32,
        picture_height_px: reading.map.height_px as u32,
        coherence: Coherence::Unknown,
        tone_curve: ToneCurve::Unknown,
        optics: OpticsNotes::default(),
        slide,
        assumed: Assumed { rig_fixed: known.rig_fixed, ..Assumed::default() },
        pooled: None,
        readings: vec![ReadingRecord::of(
            reading,
            "2024-05-01T10:00:00Z".to_owned(),
            "slide.png".to_owned(),
            "00".repeat(32),
        )],
        other: toml::Table::new(),
    }
}

/// What a setup says of its scale.
struct Stated {
    u_rel: f64,
    parts: Vec<(String, f64)>,
    /// The interval of a length along the ruling over its value by the map.
    interval: (f64, f64),
}

impl Stated {
    fn of(setup: &Setup) -> Self {
        let centre = setup.readings[0].map.centre();
        let whole = setup.scale_uncertainty(centre).expect("has a budget");
        let mut inputs = Inputs::new();
        let places = setup.push_scale_inputs(&mut inputs, centre).expect("has inputs");
        let options = Options { trials: Trials::Fixed(20_000), ..Options::default() };
        let model = |x: &[f64], y: &mut [f64]| y[0] = places.length_factor(x);
        let length = evaluate(&inputs, &["length"], model, &options).expect("evaluates").outputs.remove(0);
        Self { u_rel: whole.u_rel, parts: whole.parts, interval: (length.low, length.high) }
    }

    fn u(&self, source: &str) -> f64 {
        self.parts.iter().filter(|p| p.0 == source).map(|p| p.1).fold(0.0, f64::hypot)
    }
}

/// Factor by which the scale reads high for everything but the reading itself.
fn drawn(setup: &Setup, stated: &Stated, rng: &mut Pcg64Mcg) -> f64 {
    let mut even = |half: f64| if half > 0.0 { rng.random_range(-half..half) } else { 0.0 };
    let uncertified = even(setup.slide.uncertified_half_width_rel);
    let kelvin = even(setup.assumed.slide_temperature_departure_k);
    let expansion = setup.slide.expansion_per_k * (1.0 + even(setup.slide.expansion_half_width_rel));
    let tilt = even(setup.assumed.slide_tilt_within_deg.to_radians());
    // Triangular: u is the half-width over √6, and two rectangular ones of half that width add up to it.
    let half = 0.5 * 6.0_f64.sqrt() * stated.u(source::FOCUS);
    let focus = even(half) + even(half);
    let mut normal = |u: f64| u * rng.sample::<f64, _>(StandardNormal);
    let certificate = setup.certificate_expanded_rel().map_or(uncertified, |expanded| normal(0.5 * expanded));
    let again = normal(stated.u(source::REPRODUCIBILITY));
    (1.0 + certificate) * tilt.cos() * (1.0 + expansion * kelvin) * (1.0 + again) * (1.0 + focus)
}

/// Counts of what held the truth.
#[derive(Clone, Copy, Debug, Default)]
struct Tally {
    trials: usize,
    by_k: usize,
    by_interval: usize,
    squares: f64,
    u_rel: f64,
}

impl Tally {
    fn add(&mut self, stated: &Stated, own: f64, others: f64) {
        let factor = (1.0 + own) * others;
        self.trials += 1;
        self.by_k += usize::from((factor - 1.0).abs() <= 2.0 * stated.u_rel);
        self.by_interval += usize::from((stated.interval.0..=stated.interval.1).contains(&factor));
        self.squares += ((factor - 1.0) / stated.u_rel).powi(2);
        self.u_rel += stated.u_rel;
    }
}

impl std::fmt::Display for Tally {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let n = self.trials.max(1) as f64;
        let share = |c: usize| 100.0 * c as f64 / n;
        write!(
            f,
            "{} trials: ± 2 u_rel holds {:.1} %, the interval of a length {:.1} %; mean u_rel {:.2e}, pulls rms {:.2}",
            self.trials,
            share(self.by_k),
            share(self.by_interval),
            self.u_rel / n,
            (self.squares / n).sqrt()
        )
    }
}
