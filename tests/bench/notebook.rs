//! A notebook of 2,000 animals and 20,000 measurements: opening, saving (whole, on the disk), statistics.
//!
//! Wanted: open below 300 ms, save below 150 ms, statistics below 50 ms.

use divan::Bencher;
use motestick::animal::{Kind, Lying, MarkKind, Placement, Unit, Verdict};
use motestick::notebook::{
    Action, Animal, AnimalId, BudgetNote, FigureNote, Holder, KeptSetup, Measurement, MeasurementId, Notebook,
    NotebookId, Picture, PictureId, Reported, SetupId, Store, StoredMark, Unknown, read, to_text,
};
use motestick::setup::{Assumed, Coherence, OpticsNotes, ReadingRecord, SCHEMA, Setup, SlideNotes, ToneCurve};
use motestick::slide::ScaleMap;
use motestick::units::{Angle, PxPerUm, Um};

const ANIMALS: u64 = 2_000;
const EACH: u64 = 10;
const NOW: &str = "2024-05-01T10:00:00Z";

fn main() {
    divan::main();
}

fn setup() -> Setup {
    let map = ScaleMap::similarity(6000, 4000, PxPerUm::new(1.0), Angle::from_degrees(3.0), 1e-4);
    let reading = ReadingRecord {
        date: NOW.into(),
        picture: "slide.png".into(),
        picture_sha256: "00".repeat(32),
        scale_px_per_um: 1.0,
        u_rel_fit: 1e-4,
        dof_fit: 90.0,
        u_rel: 3e-3,
        rotation_deg: 3.0,
        model: "similarity".into(),
        graduations_used: 99,
        graduations_rejected: 0,
        residual_rms_px: 0.03,
        blur_spot_um: Some(4.0),
        u_blur_spot_um: Some(0.1),
        u_rel_by_source: Default::default(),
        warnings: vec![],
        crossways: None,
        by_hand: false,
        map,
    };
    Setup {
        schema: SCHEMA,
        name: "bench".into(),
        camera: None,
        lens: None,
        mode: None,
        exif_camera: None,
        exif_lens: None,
        picture_width_px: 6000,
        picture_height_px: 4000,
        coherence: Coherence::Unknown,
        tone_curve: ToneCurve::Unknown,
        optics: OpticsNotes::default(),
        slide: SlideNotes::of_division(Um::new(10.0)),
        assumed: Assumed::default(),
        pooled: None,
        readings: vec![reading],
        other: Default::default(),
    }
}

fn figure(name: &str, value: f64, lines: usize) -> FigureNote {
    let sources = ["lying", "blur spot", "reproducibility of the setup", "observer's threshold", "slide certificate"];
    let line = |(i, s): (usize, &&str)| BudgetNote {
        source: (*s).into(),
        evaluation: "B".into(),
        u: 1.0 / (1.37 + i as f64),
        share: 0.5_f64.powi(i as i32 + 1),
        other: Unknown::new(),
    };
    FigureNote {
        name: name.into(),
        unit: Unit::Um,
        value: Some(value),
        u: Some(0.011 * value),
        low: Some(0.978 * value),
        high: Some(1.021 * value),
        k: Some(1.937),
        dof: Some(f64::INFINITY),
        verdict: Verdict::Resolved,
        parts: vec![],
        budget: sources.iter().take(lines).enumerate().map(line).collect(),
        warnings: vec![],
        other: Unknown::new(),
    }
}

/// Of ten measurements of each animal, two have four segments, the others are axes and spans of 2 to 7 marks.
fn measurement(id: u64, animal: u64, picture: u64, i: u64) -> Measurement {
    let appendage = i.is_multiple_of(5);
    let marks = if appendage { 5 } else { 2 + i % 6 };
    let at = |j: u64| StoredMark {
        x_px: 1000.123 + 97.3 * j as f64 + id as f64 * 0.017,
        y_px: 2000.456 + 31.1 * j as f64,
        on: MarkKind::Silhouette,
        placement: Placement::Hand,
        other: Unknown::new(),
    };
    let value = 300.0 + 17.0 * i as f64 + (animal % 37) as f64 * 1.234_567_891;
    let mut whole = figure("", value, 5);
    if appendage {
        whole.parts = (1..=4).map(|j| figure(&format!("segment {j}"), 0.25 * value, 4)).collect();
    }
    Measurement {
        id: MeasurementId::new(id),
        animal: AnimalId::new(animal),
        picture: PictureId::new(picture),
        setup: SetupId::new(1),
        quantity: format!("quantity {i}"),
        part: String::new(),
        kind: if appendage { Kind::Appendage } else { Kind::Axis },
        marks: (0..marks).map(at).collect(),
        of: vec![],
        lying: Lying::Flat,
        coverage: 0.95,
        together: Some(id),
        accepted_mismatch: None,
        person: "R.".into(),
        date: NOW.into(),
        remarks: String::new(),
        reported: Some(Reported {
            figure: whole,
            blur_spot_um: 4.0,
            scale_px_per_um: 1.0,
            u_rel_scale: 0.003,
            warnings: vec!["the setup's ruled slide has no certificate; the scale may be off by 0.2 %".into()],
            program: "motestick 0.1.0".into(),
            other: Unknown::new(),
        }),
        other: Unknown::new(),
    }
}

fn large() -> Notebook {
    let mut n = Notebook::new(NotebookId::of_seed(b"bench"), "bench", "motestick", NOW);
    let kept = KeptSetup { id: SetupId::new(1), kept: NOW.into(), setup: setup(), other: Unknown::new() };
    n.apply(Action::AddSetup { setup: Box::new(kept), at: None }).expect("fits");
    let mut next = 2;
    for a in 0..ANIMALS {
        let (animal, picture) = (next, next + 1);
        next += 2;
        let mut record = Animal::named(AnimalId::new(animal), &format!("animal {a}"));
        record.group = if a % 2 == 0 { "washings".into() } else { "cards".into() };
        n.animals.push(record);
        let path = format!("pictures/{a:05}.jpg");
        n.pictures.push(Picture::of_file(PictureId::new(picture), &path, 9_000_000, &"ab".repeat(32), 6000, 4000));
        for i in 0..EACH {
            n.measurements.push(measurement(next, animal, picture, i));
            next += 1;
        }
    }
    n.next_number = next;
    n
}

#[divan::bench(sample_count = 11)]
fn open(bencher: Bencher<'_, '_>) {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("n.json");
    std::fs::write(&path, to_text(&large()).expect("writes")).expect("writes");
    bencher.bench(|| read(&path).expect("reads").measurements.len());
}

#[divan::bench(sample_count = 11)]
fn save(bencher: Bencher<'_, '_>) {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("n.json");
    let mut store = Store::create(&path, large(), &Holder::default()).expect("creates");
    bencher.bench_local(|| store.save(NOW).expect("saves"));
}

#[divan::bench(sample_count = 11)]
fn statistics(bencher: Bencher<'_, '_>) {
    let n = large();
    bencher.bench(|| n.statistics().len());
}

#[divan::bench(sample_count = 11)]
fn one_action(bencher: Bencher<'_, '_>) {
    let folder = tempfile::tempdir().expect("a folder");
    let mut store = Store::create(&folder.path().join("n.json"), large(), &Holder::default()).expect("creates");
    bencher.bench_local(|| {
        let action = Action::Describe { title: "t".into(), remarks: String::new() };
        store.apply(action, NOW).expect("applies");
    });
}
