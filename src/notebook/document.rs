//! The document.

use serde::{Deserialize, Serialize};

use super::form::Unknown;
use super::id::{AnimalId, MeasurementId, NotebookId, PictureId, SetupId};
use super::measurement::Measurement;
use super::record::{Animal, Picture, Quantity};
use crate::setup::Setup;

/// Version of the file's form that this program writes.
pub const SCHEMA: u32 = 1;
/// What the file says it is.
pub const FORMAT: &str = "motestick notebook";

/// All that a person has about some animals: pictures by reference, the setups as they were used, marks and figures.
///
/// One JSON document, UTF-8. Coordinates are image pixels: the origin is the outer corner of the top-left pixel (whose centre is
/// 0.5, 0.5), x to the right, y down, after the camera's orientation has been applied. Keys that a program does not know must be
/// kept when it writes the document again.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Notebook {
    /// Always `motestick notebook`.
    pub format: String,
    /// Version of the form, 1 or above; a program refuses forms above those it knows.
    pub schema: u32,
    /// A UUID, unlike that of any other notebook.
    pub id: NotebookId,
    /// What it is about.
    #[serde(default)]
    pub title: String,
    /// Anything else.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub remarks: String,
    /// When it was begun, UTC, ISO 8601.
    pub created: String,
    /// When it was last written, UTC, ISO 8601.
    pub changed: String,
    /// The program and version that wrote it last.
    #[serde(default)]
    pub program: String,
    /// Number of actions applied since it was begun; ties the journal to the document.
    #[serde(default)]
    pub revision: u64,
    /// The next free number for an id; never goes down, so that no id is given twice.
    #[serde(default = "one")]
    pub next_number: u64,
    /// What its quantities mean.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub quantities: Vec<Quantity>,
    /// The setups as they were when something was measured with them.
    #[serde(default)]
    pub setups: Vec<KeptSetup>,
    /// The pictures, by reference.
    #[serde(default)]
    pub pictures: Vec<Picture>,
    /// The animals.
    #[serde(default)]
    pub animals: Vec<Animal>,
    /// The measurements.
    #[serde(default)]
    pub measurements: Vec<Measurement>,
    /// Keys of other programs or later versions.
    #[serde(flatten)]
    pub other: Unknown,
}

const fn one() -> u64 {
    1
}

/// A setup as it was when something was measured with it; never changed afterwards.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct KeptSetup {
    /// Its id.
    pub id: SetupId,
    /// When it was put in, UTC, ISO 8601.
    pub kept: String,
    /// All of it, with its readings and scale maps.
    pub setup: Setup,
    /// Keys of other programs or later versions.
    #[serde(flatten)]
    pub other: Unknown,
}

impl Notebook {
    /// An empty notebook. `now` is UTC, ISO 8601; `program` the name and version of what makes it.
    #[must_use]
    pub fn new(id: NotebookId, title: &str, program: &str, now: &str) -> Self {
        Self {
            format: FORMAT.to_owned(),
            schema: SCHEMA,
            id,
            title: title.to_owned(),
            remarks: String::new(),
            created: now.to_owned(),
            changed: now.to_owned(),
            program: program.to_owned(),
            revision: 0,
            next_number: 1,
            quantities: Vec::new(),
            setups: Vec::new(),
            pictures: Vec::new(),
            animals: Vec::new(),
            measurements: Vec::new(),
            other: Unknown::new(),
        }
    }

    /// All but the measurements.
    pub(super) fn without_measurements(&self) -> Self {
        Self {
            format: self.format.clone(),
            schema: self.schema,
            id: self.id.clone(),
            title: self.title.clone(),
            remarks: self.remarks.clone(),
            created: self.created.clone(),
            changed: self.changed.clone(),
            program: self.program.clone(),
            revision: self.revision,
            next_number: self.next_number,
            quantities: self.quantities.clone(),
            setups: self.setups.clone(),
            pictures: self.pictures.clone(),
            animals: self.animals.clone(),
            measurements: Vec::new(),
            other: self.other.clone(),
        }
    }

    /// The next free number for an id. Adding something with it moves it on; several things added in one action take consecutive
    /// numbers from here.
    #[must_use]
    pub const fn next_number(&self) -> u64 {
        self.next_number
    }

    /// The animal with this id.
    #[must_use]
    pub fn animal(&self, id: AnimalId) -> Option<&Animal> {
        self.animals.iter().find(|a| a.id == id)
    }

    /// The animal of this name; the first of several.
    #[must_use]
    pub fn animal_named(&self, name: &str) -> Option<&Animal> {
        self.animals.iter().find(|a| a.name == name)
    }

    /// The picture with this id.
    #[must_use]
    pub fn picture(&self, id: PictureId) -> Option<&Picture> {
        self.pictures.iter().find(|p| p.id == id)
    }

    /// The setup with this id.
    #[must_use]
    pub fn setup(&self, id: SetupId) -> Option<&KeptSetup> {
        self.setups.iter().find(|s| s.id == id)
    }

    /// The kept setup that is the same as `setup` in every respect.
    #[must_use]
    pub fn setup_like(&self, setup: &Setup) -> Option<SetupId> {
        self.setups.iter().find(|s| s.setup == *setup).map(|s| s.id)
    }

    /// The measurement with this id.
    #[must_use]
    pub fn measurement(&self, id: MeasurementId) -> Option<&Measurement> {
        self.measurements.iter().find(|m| m.id == id)
    }

    /// The measurements of an animal, in their order.
    pub fn measurements_of(&self, animal: AnimalId) -> impl Iterator<Item = &Measurement> {
        self.measurements.iter().filter(move |m| m.animal == animal)
    }

    /// The measurements on a picture, in their order.
    pub fn measurements_on(&self, picture: PictureId) -> impl Iterator<Item = &Measurement> {
        self.measurements.iter().filter(move |m| m.picture == picture)
    }

    /// What a quantity means, as far as the notebook says.
    #[must_use]
    pub fn quantity(&self, name: &str) -> Option<&Quantity> {
        self.quantities.iter().find(|q| q.name == name)
    }
}
