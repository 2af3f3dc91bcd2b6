//! Why a picture could not be opened.

use std::fmt;
use std::io;
use std::path::{Path, PathBuf};

/// A picture that could not be opened: the reason, what to do about it, and the file where there is one.
#[derive(Debug)]
pub struct PhotoError {
    kind: PhotoErrorKind,
    path: Option<PathBuf>,
}

impl PhotoError {
    /// The reason alone.
    #[must_use]
    pub const fn kind(&self) -> &PhotoErrorKind {
        &self.kind
    }

    /// The file, when it was opened by its name.
    #[must_use]
    pub fn path(&self) -> Option<&Path> {
        self.path.as_deref()
    }

    pub(super) fn at(kind: PhotoErrorKind, path: &Path) -> Self {
        Self { kind, path: Some(path.to_owned()) }
    }
}

impl From<PhotoErrorKind> for PhotoError {
    fn from(kind: PhotoErrorKind) -> Self {
        Self { kind, path: None }
    }
}

impl fmt::Display for PhotoError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(&self.kind, f)?;
        match &self.path {
            Some(path) => write!(f, ": {}", path.display()),
            None => Ok(()),
        }
    }
}

impl std::error::Error for PhotoError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        std::error::Error::source(&self.kind)
    }
}

/// The reasons for which a picture is refused, each with what to do.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum PhotoErrorKind {
    /// The file could not be read from the disk.
    #[error("cannot read the file ({0})")]
    Io(#[source] io::Error),
    /// The name leads to a folder or a device.
    #[error("this is not a file but {0}; name a picture file")]
    NotAFile(&'static str),
    /// Nothing is in the file.
    #[error("the file is empty (0 bytes); copy it again from the camera or card")]
    Empty,
    /// The file is larger than allowed.
    #[error(
        "the file has {bytes} bytes, above the limit of {limit} bytes; save the picture as a smaller TIFF or PNG, or raise the limit"
    )]
    FileTooLarge {
        /// Size of the file in bytes.
        bytes: u64,
        /// The limit in bytes.
        limit: u64,
    },
    /// The picture claims more pixels than allowed.
    #[error(
        "the picture says it is {width_px} × {height_px} px, above the limit of {limit_side_px} px a side and {limit_pixels} px in all; check that the file is a photograph, or raise the limit"
    )]
    TooManyPixels {
        /// Stated width in pixels.
        width_px: u64,
        /// Stated height in pixels.
        height_px: u64,
        /// Largest side allowed, in pixels.
        limit_side_px: u32,
        /// Largest number of pixels allowed.
        limit_pixels: u64,
    },
    /// Decoding would need more memory than allowed.
    #[error(
        "decoding needs {bytes} bytes of memory, above the limit of {limit} bytes; save the picture with fewer bits or channels, or raise the limit"
    )]
    TooMuchMemory {
        /// Bytes that decoding needs.
        bytes: u64,
        /// The limit in bytes.
        limit: u64,
    },
    /// A kind of file that has to be developed or converted first.
    #[error("this is {what}, which is not measured directly; {advice}")]
    DevelopFirst {
        /// What was recognised.
        what: &'static str,
        /// What to do.
        advice: &'static str,
    },
    /// The content is of no kind known here.
    #[error(
        "the content is not a JPEG, PNG, TIFF or BMP picture (it begins with {0}); check the file, or save the picture as one of these"
    )]
    UnknownFormat(String),
    /// A variety of a known format that is not read.
    #[error("this {format} holds {what}, which is not read; save it as {advice}")]
    Unsupported {
        /// Name of the format.
        format: &'static str,
        /// What is not read.
        what: String,
        /// What to save it as.
        advice: &'static str,
    },
    /// The file ends before the picture does.
    #[error("the {format} is cut short ({detail}); copy it again from the camera or card")]
    Truncated {
        /// Name of the format.
        format: &'static str,
        /// What is missing.
        detail: String,
    },
    /// The file contradicts its own format.
    #[error("the {format} is damaged ({detail}); copy it again from the camera or card, or save it anew")]
    Damaged {
        /// Name of the format.
        format: &'static str,
        /// What the decoder says.
        detail: String,
    },
}
