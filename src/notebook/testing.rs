//! Notebooks for tests.

use super::form::Unknown;
use super::{
    Action, Animal, AnimalId, BudgetNote, FigureNote, KeptSetup, Measurement, MeasurementId, Notebook, NotebookId,
    Picture, PictureId, Quantity, Reported, SetupId, StoredMark,
};
use crate::animal::{Kind, Levels, Lying, MarkKind, Placement, Unit, Verdict};
use crate::setup::testing::setup_of;
use crate::units::Angle;

pub(crate) const NOW: &str = "2024-05-01T10:00:00Z";

pub(crate) fn empty() -> Notebook {
    Notebook::new(NotebookId::of_seed(b"test"), "washings of the fernery", "motestick 0.1.0", NOW)
}

fn mark(x_px: f64, y_px: f64) -> StoredMark {
    StoredMark { x_px, y_px, on: MarkKind::Silhouette, placement: Placement::Hand, other: Unknown::new() }
}

pub(crate) fn figure(value: f64) -> FigureNote {
    let note =
        BudgetNote { source: "blur spot".into(), evaluation: "B".into(), u: 1.0, share: 0.8, other: Unknown::new() };
    FigureNote {
        name: String::new(),
        unit: Unit::Um,
        value: Some(value),
        u: Some(1.1),
        low: Some(value - 2.2),
        high: Some(value + 2.2),
        k: Some(2.0),
        dof: Some(f64::INFINITY),
        verdict: Verdict::Resolved,
        parts: vec![],
        budget: vec![note],
        warnings: vec![],
        other: Unknown::new(),
    }
}

/// A measurement of 300.1 µm, not yet put in.
pub(crate) fn measurement(number: u64, animal: u64, picture: u64, setup: u64) -> Measurement {
    let mut snapped = mark(420.25, 310.1);
    snapped.placement = Placement::snapped([0.01, 0.001, 0.02], Some(Levels { animal: 0.1, ground: 0.6 }));
    Measurement {
        id: MeasurementId::new(number),
        animal: AnimalId::new(animal),
        picture: PictureId::new(picture),
        setup: SetupId::new(setup),
        quantity: "body length".into(),
        part: String::new(),
        kind: Kind::Axis,
        of: vec![],
        marks: vec![mark(120.5, 300.0), mark(270.123_456_789_012_3, 330.0), snapped],
        lying: Lying::Within(Angle::from_degrees(15.0)),
        coverage: 0.95,
        together: None,
        accepted_mismatch: None,
        person: "R.".into(),
        date: NOW.into(),
        remarks: String::new(),
        reported: Some(Reported {
            figure: figure(300.1),
            blur_spot_um: 4.0,
            scale_px_per_um: 1.0,
            u_rel_scale: 0.003,
            warnings: vec!["no certificate".into()],
            program: "motestick 0.1.0".into(),
            other: Unknown::new(),
        }),
        other: Unknown::new(),
    }
}

pub(crate) fn picture(number: u64) -> Picture {
    Picture::of_file(
        PictureId::new(number),
        &format!("pictures/{number}.jpg"),
        1000 + number,
        &"ab".repeat(32),
        1200,
        900,
    )
}

pub(crate) fn kept(number: u64) -> KeptSetup {
    KeptSetup { id: SetupId::new(number), kept: NOW.into(), setup: setup_of(&[1.0, 1.001]), other: Unknown::new() }
}

/// One picture, one setup, two animals, three measurements: s1, p2, a3, a4, m5, m6, m7.
pub(crate) fn small() -> Notebook {
    let mut n = empty();
    let quantity = Quantity {
        name: "body length".into(),
        definition: "front of the head to the end of the abdomen".into(),
        source: String::new(),
        other: Unknown::new(),
    };
    let actions = vec![
        Action::AddSetup { setup: Box::new(kept(1)), at: None },
        Action::AddPicture { picture: picture(2), at: None },
        Action::AddAnimal { animal: Box::new(Animal::named(AnimalId::new(3), "fairyfly 1")), at: None },
        Action::AddAnimal { animal: Box::new(Animal::named(AnimalId::new(4), "thrips 1")), at: None },
        Action::AddMeasurement { measurement: Box::new(measurement(5, 3, 2, 1)), at: None },
        Action::AddMeasurement { measurement: Box::new(measurement(6, 3, 2, 1)), at: None },
        Action::AddMeasurement { measurement: Box::new(measurement(7, 4, 2, 1)), at: None },
        Action::Define { quantity, at: None },
    ];
    for action in actions {
        n.apply(action).expect("fits");
    }
    n
}
