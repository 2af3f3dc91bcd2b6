//! The document as text and as a file: one record a line, written whole or not at all.

use std::fs::File;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use serde_json::ser::Formatter;
use serde_json::value::RawValue;

use super::check::whole_makes_sense;
use super::document::{FORMAT, Notebook, SCHEMA};
use super::error::{NotebookError, StoreError};
use super::form::Unknown;
use super::journal;
use super::measurement::Measurement;

/// What is looked at first.
#[derive(Deserialize)]
struct Head {
    #[serde(default)]
    format: String,
    #[serde(default)]
    schema: u64,
}

/// Reads a notebook from its text.
///
/// # Errors
/// [`NotebookError`]: no JSON, no notebook, written by a later version, or contradicting itself.
pub fn from_text(text: &str) -> Result<Notebook, NotebookError> {
    let notebook = parsed(text);
    let usable = notebook.as_ref().is_ok_and(|n| n.format == FORMAT && (1..=SCHEMA).contains(&n.schema));
    if !usable {
        // Whatever went wrong, what the file says of itself explains it best.
        let head: Head = serde_json::from_str(text)?;
        if head.format != FORMAT {
            return Err(NotebookError::OtherFormat(head.format.chars().take(60).collect()));
        }
        if head.schema > u64::from(SCHEMA) {
            return Err(NotebookError::Newer { found: head.schema, known: SCHEMA });
        }
        if head.schema == 0 {
            return Err(NotebookError::Contradiction("its \"schema\" must be a version, 1 or above".to_owned()));
        }
    }
    let notebook = notebook?;
    whole_makes_sense(&notebook).map_err(NotebookError::Contradiction)?;
    Ok(notebook)
}

/// What makes a large notebook large, apart from the rest.
#[derive(Deserialize)]
struct Apart<'a> {
    #[serde(borrow, default)]
    measurements: Vec<&'a RawValue>,
    #[serde(flatten)]
    rest: Unknown,
}

/// Takes the measurements apart on all cores.
fn parsed(text: &str) -> Result<Notebook, serde_json::Error> {
    let at_once = || -> Result<Notebook, serde_json::Error> {
        let Apart { measurements, rest } = serde_json::from_str(text)?;
        let parts = measurements.par_iter().with_min_len(256).map(|m| serde_json::from_str::<Measurement>(m.get()));
        let (measurements, rest) = rayon::join(
            || parts.collect::<Result<Vec<_>, _>>(),
            || serde_json::from_value::<Notebook>(serde_json::Value::Object(rest)),
        );
        Ok(Notebook { measurements: measurements?, ..rest? })
    };
    // Read in one go, what is wrong is told with its line.
    at_once().or_else(|_told_better_below| serde_json::from_str(text))
}

/// The notebook's text: JSON, one record a line, so that differences between two versions can be read.
///
/// # Errors
/// [`NotebookError::Form`] where a record cannot be JSON.
pub fn to_text(notebook: &Notebook) -> Result<String, NotebookError> {
    // The measurements, which make a large notebook large, become lines on all cores.
    let lines = notebook.measurements.par_iter().with_min_len(256).map(serde_json::to_string);
    let lines = lines.collect::<Result<Vec<String>, _>>()?;
    let head = notebook.without_measurements();
    let mut bytes = Vec::new();
    head.serialize(&mut serde_json::Serializer::with_formatter(&mut bytes, Lines::default()))?;
    bytes.push(b'\n');
    // What serde_json writes is UTF-8.
    let mut text = String::from_utf8(bytes).unwrap_or_else(|e| String::from_utf8_lossy(e.as_bytes()).into_owned());
    // A line end cannot stand within a text of JSON, so that this is the key and nothing else.
    const PLACE: &str = "\n\"measurements\":[";
    if let Some(place) = text.find(PLACE).filter(|_| !lines.is_empty()) {
        let mut all = String::with_capacity(text.len() + lines.iter().map(|l| l.len() + 2).sum::<usize>());
        let (before, after) = text.split_at(place + PLACE.len());
        all.push_str(before);
        for (i, line) in lines.iter().enumerate() {
            all.push_str(if i == 0 { "\n" } else { ",\n" });
            all.push_str(line);
        }
        all.push_str(after);
        text = all;
    }
    Ok(text)
}

/// Puts what stands at the first two levels on lines of its own.
#[derive(Default)]
struct Lines {
    depth: usize,
}

impl Lines {
    fn ends<W: ?Sized + Write>(&mut self, out: &mut W, bracket: &[u8]) -> io::Result<()> {
        if self.depth <= 2 {
            out.write_all(b"\n")?;
        }
        self.depth -= 1;
        out.write_all(bracket)
    }

    fn item<W: ?Sized + Write>(&self, out: &mut W, first: bool, lines: bool) -> io::Result<()> {
        if !first {
            out.write_all(b",")?;
        }
        if lines { out.write_all(b"\n") } else { Ok(()) }
    }
}

impl Formatter for Lines {
    fn begin_array<W: ?Sized + Write>(&mut self, out: &mut W) -> io::Result<()> {
        self.depth += 1;
        out.write_all(b"[")
    }

    fn end_array<W: ?Sized + Write>(&mut self, out: &mut W) -> io::Result<()> {
        self.ends(out, b"]")
    }

    fn begin_array_value<W: ?Sized + Write>(&mut self, out: &mut W, first: bool) -> io::Result<()> {
        self.item(out, first, self.depth <= 2)
    }

    fn begin_object<W: ?Sized + Write>(&mut self, out: &mut W) -> io::Result<()> {
        self.depth += 1;
        out.write_all(b"{")
    }

    fn end_object<W: ?Sized + Write>(&mut self, out: &mut W) -> io::Result<()> {
        self.ends(out, b"}")
    }

    fn begin_object_key<W: ?Sized + Write>(&mut self, out: &mut W, first: bool) -> io::Result<()> {
        self.item(out, first, self.depth <= 2)
    }
}

/// Reads a notebook without taking it, with what its journal has beyond the file.
///
/// # Errors
/// [`StoreError::File`] and [`StoreError::Notebook`].
pub fn read(path: &Path) -> Result<Notebook, StoreError> {
    let mut notebook = read_document(path)?;
    if let Some(found) = journal::found_beside(path, &notebook)? {
        for action in found.actions {
            notebook.apply(action)?;
        }
    }
    Ok(notebook)
}

/// The document alone.
pub(super) fn read_document(path: &Path) -> Result<Notebook, StoreError> {
    let text = std::fs::read_to_string(path).map_err(|source| StoreError::File {
        action: "read the notebook",
        path: path.to_owned(),
        source,
    })?;
    from_text(&text).map_err(|source| StoreError::Notebook { source, path: path.to_owned() })
}

/// Writes the document whole under another name in the same folder, makes sure that it is on the disk, and renames it.
///
/// # Errors
/// [`StoreError`]; the file is then as it was.
pub(super) fn write_document(path: &Path, notebook: &Notebook) -> Result<(), StoreError> {
    let text = to_text(notebook).map_err(|source| StoreError::Notebook { source, path: path.to_owned() })?;
    write_whole(path, text.as_bytes()).map_err(|source| StoreError::File {
        action: "write the notebook",
        path: path.to_owned(),
        source,
    })
}

/// Replaces a file by `bytes` so that a reader, or a crash, sees the old content or the new one, never a part.
pub(crate) fn write_whole(path: &Path, bytes: &[u8]) -> io::Result<()> {
    // A link stays a link.
    let path = std::fs::canonicalize(path).unwrap_or_else(|_new| path.to_owned());
    let folder = folder_of(&path);
    let mut builder = tempfile::Builder::new();
    builder.prefix(".motestick-").suffix(".part");
    #[cfg(unix)]
    let ordinary = <std::fs::Permissions as std::os::unix::fs::PermissionsExt>::from_mode(0o666);
    #[cfg(unix)]
    builder.permissions(ordinary);
    let mut file = builder.tempfile_in(&folder)?;
    if let Ok(about) = std::fs::metadata(&path) {
        file.as_file().set_permissions(about.permissions())?;
    }
    file.write_all(bytes)?;
    file.as_file().sync_all()?;
    file.persist(&path).map_err(|e| e.error)?;
    sync_folder(&folder)
}

/// The folder of a file, `.` for a bare name.
pub(crate) fn folder_of(path: &Path) -> PathBuf {
    match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder.to_owned(),
        _ => PathBuf::from("."),
    }
}

/// A rename is on the disk once its folder is; only Unix has a way to ask for that.
fn sync_folder(folder: &Path) -> io::Result<()> {
    if cfg!(unix) { File::open(folder)?.sync_all() } else { Ok(()) }
}
