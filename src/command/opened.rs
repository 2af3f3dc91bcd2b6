//! Pictures and libraries as the commands open them.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use etcetera::BaseStrategy;

use super::Failure;
use crate::photo::{Limits, Metadata, Photo, PhotoError};
use crate::setup::{Library, PictureFacts};

/// A picture, opened, with what a setup wants to know of it.
#[derive(Debug)]
pub(crate) struct Opened {
    pub(crate) photo: Arc<Photo>,
    pub(crate) facts: PictureFacts,
    pub(crate) warnings: Vec<String>,
}

/// Opens a picture.
pub(super) fn open(path: &Path, mode: Option<&str>) -> Result<Opened, PhotoError> {
    let photo = Photo::open(path, &Limits::default())?;
    let metadata = photo.metadata();
    let facts = PictureFacts {
        width_px: u32::try_from(photo.width()).unwrap_or(u32::MAX),
        height_px: u32::try_from(photo.height()).unwrap_or(u32::MAX),
        exif_camera: camera(metadata),
        exif_lens: metadata.lens.clone(),
        mode: mode.map(str::to_owned),
    };
    let mut warnings: Vec<String> = photo.warnings().iter().map(ToString::to_string).collect();
    if let Some(zoom) = metadata.digital_zoom {
        warnings.push(format!(
            "the camera enlarged the picture itself, {zoom:.2} times; its scale holds for that zoom only"
        ));
    }
    Ok(Opened { photo: Arc::new(photo), facts, warnings })
}

/// Make and model in one, without saying the make twice.
fn camera(metadata: &Metadata) -> Option<String> {
    match (&metadata.camera_make, &metadata.camera_model) {
        (Some(make), Some(model)) if !model.to_lowercase().starts_with(&make.to_lowercase()) => {
            Some(format!("{make} {model}"))
        }
        (_, Some(model)) => Some(model.clone()),
        (Some(make), None) => Some(make.clone()),
        (None, None) => None,
    }
}

/// The file's own name, for files that must not hold a path of this machine.
pub(super) fn file_name(path: &Path) -> String {
    path.file_name().map_or_else(|| path.display().to_string(), |n| n.to_string_lossy().into_owned())
}

/// The library in `folder`, or else in the user's data folder.
pub(super) fn library(folder: Option<&PathBuf>) -> Result<Library, Failure> {
    if let Some(folder) = folder {
        return Ok(Library::in_folder(folder));
    }
    let base = etcetera::choose_base_strategy().map_err(|e| {
        Failure::Usage(format!("the user's data folder is not known ({e}); name a folder with --library"))
    })?;
    Ok(Library::in_folder(base.data_dir().join("motestick").join("setups")))
}
