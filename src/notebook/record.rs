//! Records: animals, pictures, quantities.

use serde::{Deserialize, Serialize};

use super::form::Unknown;
use super::id::{AnimalId, PictureId};
use crate::setup::PictureFacts;

/// One individual.
///
/// Everything but its id and name may be empty. What it is, is free text that a person wrote; the program never asserts it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Animal {
    /// Its id.
    pub id: AnimalId,
    /// What it is called here, as on its tube or card.
    pub name: String,
    /// What it is, in a person's words.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub what: String,
    /// Stage: adult, nymph, second instar.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub stage: String,
    /// Sex.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub sex: String,
    /// Where it was found.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub place: String,
    /// When it was found, ISO 8601, as exact as it is known.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub found: String,
    /// Who found it.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub found_by: String,
    /// Live or fixed.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub condition: String,
    /// In what it lay: water, 70 % ethanol, dry.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub medium: String,
    /// How it held itself: stretched, curled, contracted.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub posture: String,
    /// Anything else.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub remarks: String,
    /// A group for statistics, such as a sample or a treatment.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub group: String,
    /// Keys of other programs or later versions.
    #[serde(flatten)]
    pub other: Unknown,
}

impl Animal {
    /// An animal of which only the name is known.
    #[must_use]
    pub fn named(id: AnimalId, name: &str) -> Self {
        Self {
            id,
            name: name.to_owned(),
            what: String::new(),
            stage: String::new(),
            sex: String::new(),
            place: String::new(),
            found: String::new(),
            found_by: String::new(),
            condition: String::new(),
            medium: String::new(),
            posture: String::new(),
            remarks: String::new(),
            group: String::new(),
            other: Unknown::new(),
        }
    }
}

/// A picture, by reference: a still or one frame of footage.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Picture {
    /// Its id.
    pub id: PictureId,
    /// Path from the notebook's folder, with `/` between folders; absolute only where the two share none.
    pub path: String,
    /// Size of the file, bytes.
    pub bytes: u64,
    /// SHA-256 of the file, 64 lower-case hexadecimal digits.
    pub sha256: String,
    /// Columns, after orientation.
    pub width_px: u32,
    /// Rows, after orientation.
    pub height_px: u32,
    /// Camera by EXIF.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub exif_camera: Option<String>,
    /// Lens by EXIF.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub exif_lens: Option<String>,
    /// Aperture number by EXIF.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub exif_aperture: Option<f64>,
    /// Recording mode as a person stated it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mode: Option<String>,
    /// When it was taken by EXIF, ISO 8601.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub taken: Option<String>,
    /// The blur spot measured on edges of this very picture, µm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub blur_spot_um: Option<f64>,
    /// Frame of the footage, counted from 0; absent for a still.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub frame: Option<u64>,
    /// What was to be said when it was opened.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub warnings: Vec<String>,
    /// Anything else.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub remarks: String,
    /// Keys of other programs or later versions.
    #[serde(flatten)]
    pub other: Unknown,
}

impl Picture {
    /// A picture of which only the file is known.
    #[must_use]
    pub fn of_file(id: PictureId, path: &str, bytes: u64, sha256: &str, width_px: u32, height_px: u32) -> Self {
        Self {
            id,
            path: path.to_owned(),
            bytes,
            sha256: sha256.to_owned(),
            width_px,
            height_px,
            exif_camera: None,
            exif_lens: None,
            exif_aperture: None,
            mode: None,
            taken: None,
            blur_spot_um: None,
            frame: None,
            warnings: Vec::new(),
            remarks: String::new(),
            other: Unknown::new(),
        }
    }

    /// The facts that a setup wants to know.
    #[must_use]
    pub fn facts(&self) -> PictureFacts {
        PictureFacts {
            width_px: self.width_px,
            height_px: self.height_px,
            exif_camera: self.exif_camera.clone(),
            exif_lens: self.exif_lens.clone(),
            mode: self.mode.clone(),
        }
    }
}

/// What a quantity means: a size in words is ambiguous, so the definition travels with the number.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Quantity {
    /// Its name, as measurements have it.
    pub name: String,
    /// From where to where, and what is left out.
    pub definition: String,
    /// Where the definition is from.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub source: String,
    /// Keys of other programs or later versions.
    #[serde(flatten)]
    pub other: Unknown,
}
