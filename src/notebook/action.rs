//! Edits as plain data.

use serde::{Deserialize, Serialize};

use super::document::KeptSetup;
use super::id::{AnimalId, MeasurementId, PictureId, SetupId};
use super::measurement::Measurement;
use super::record::{Animal, Picture, Quantity};

/// One edit of a notebook, which can be undone.
///
/// `at` is the place in the list; absent, or beyond the end, it is the end. The same form stands in the journal.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "do", rename_all = "kebab-case")]
pub enum Action {
    /// Sets title and remarks of the notebook.
    Describe {
        /// What it is about.
        title: String,
        /// Anything else.
        remarks: String,
    },
    /// Adds a picture.
    AddPicture {
        /// The picture, with a new id.
        picture: Picture,
        /// Its place.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        at: Option<usize>,
    },
    /// Puts a picture in the place of the one with its id: moved, remarked, blur measured.
    ChangePicture {
        /// As it shall be.
        picture: Picture,
    },
    /// Removes a picture on which nothing is measured.
    RemovePicture {
        /// Which.
        id: PictureId,
    },
    /// Keeps a setup as it is now.
    AddSetup {
        /// The setup, with a new id.
        setup: Box<KeptSetup>,
        /// Its place.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        at: Option<usize>,
    },
    /// Removes a setup with which nothing is measured. A setup is never changed.
    RemoveSetup {
        /// Which.
        id: SetupId,
    },
    /// Adds an animal.
    AddAnimal {
        /// The animal, with a new id.
        animal: Box<Animal>,
        /// Its place.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        at: Option<usize>,
    },
    /// Puts a record in the place of the one with its id.
    ChangeAnimal {
        /// As it shall be.
        animal: Box<Animal>,
    },
    /// Removes an animal of which nothing is measured; see
    /// [`Notebook::removal_of_animal`](super::Notebook::removal_of_animal).
    RemoveAnimal {
        /// Which.
        id: AnimalId,
    },
    /// Adds a measurement.
    AddMeasurement {
        /// The measurement, with a new id.
        measurement: Box<Measurement>,
        /// Its place.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        at: Option<usize>,
    },
    /// Puts a measurement in the place of the one with its id: marks moved, renamed, evaluated anew.
    ChangeMeasurement {
        /// As it shall be.
        measurement: Box<Measurement>,
    },
    /// Removes a measurement.
    RemoveMeasurement {
        /// Which.
        id: MeasurementId,
    },
    /// Says what a quantity means, in place of what was said before.
    Define {
        /// The quantity.
        quantity: Quantity,
        /// Its place where it is new.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        at: Option<usize>,
    },
    /// Takes back what was said about a quantity.
    Undefine {
        /// Its name.
        name: String,
    },
    /// Several actions as one: all of them or none.
    Several {
        /// What they are together, for the menu; empty for the first one's name.
        what: String,
        /// The actions, in order.
        actions: Vec<Self>,
    },
}

impl Action {
    /// What it does, to stand behind "undo" and "redo" and in messages: `add animal "fairyfly 3"`.
    #[must_use]
    pub fn name(&self) -> String {
        match self {
            Self::Describe { .. } => "describe the notebook".to_owned(),
            Self::AddPicture { picture, .. } => format!("add picture {}", file_of(&picture.path)),
            Self::ChangePicture { picture } => format!("change picture {}", file_of(&picture.path)),
            Self::RemovePicture { id } => format!("remove picture {id}"),
            Self::AddSetup { setup, .. } => format!("keep setup \"{}\"", setup.setup.name),
            Self::RemoveSetup { id } => format!("remove setup {id}"),
            Self::AddAnimal { animal, .. } => format!("add animal \"{}\"", animal.name),
            Self::ChangeAnimal { animal } => format!("change animal \"{}\"", animal.name),
            Self::RemoveAnimal { id } => format!("remove animal {id}"),
            Self::AddMeasurement { measurement, .. } => format!("add {}", measurement.full_name()),
            Self::ChangeMeasurement { measurement } => format!("change {}", measurement.full_name()),
            Self::RemoveMeasurement { id } => format!("remove measurement {id}"),
            Self::Define { quantity, .. } => format!("define {}", quantity.name),
            Self::Undefine { name } => format!("remove the definition of {name}"),
            Self::Several { what, actions } if what.is_empty() => {
                actions.first().map_or_else(|| "nothing".to_owned(), Self::name)
            }
            Self::Several { what, .. } => what.clone(),
        }
    }
}

fn file_of(path: &str) -> &str {
    path.rsplit('/').next().unwrap_or(path)
}
