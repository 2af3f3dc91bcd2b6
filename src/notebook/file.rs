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

/// Where the list of measurements begins in the text that [`to_text`] writes. A line end cannot stand within a text of JSON, so that
/// this is the key and nothing else.
const PLACE: &str = "\n\"measurements\":[";

/// What is left of a document once its measurements are taken out.
#[derive(Deserialize)]
struct WithoutMeasurements {
    measurements: Vec<serde::de::IgnoredAny>,
    #[serde(flatten)]
    rest: Unknown,
}

/// A document that has one record a line, as this program writes it: its lines are found without reading them. `None` for any other.
fn by_lines(text: &str) -> Option<Notebook> {
    let start = text.find(PLACE)? + PLACE.len();
    let (before, list) = text.split_at(start);
    let mut lines = Vec::new();
    let mut rest = list.strip_prefix('\n')?;
    while !rest.starts_with(']') {
        let (line, behind) = rest.split_once('\n')?;
        lines.push(line.strip_suffix(',').unwrap_or(line));
        rest = behind;
    }
    let head = || {
        let head: WithoutMeasurements = serde_json::from_str(&[before, rest].concat()).ok()?;
        // Where the list belonged to something else, the document's own is missing or not empty.
        if !head.measurements.is_empty() || rest.contains(PLACE) {
            return None;
        }
        serde_json::from_value::<Notebook>(serde_json::Value::Object(head.rest)).ok()
    };
    let parts = lines.par_iter().with_min_len(256).map(|m| serde_json::from_str::<Measurement>(m).ok());
    let (measurements, head) = rayon::join(|| parts.collect::<Option<Vec<_>>>(), head);
    Some(Notebook { measurements: measurements?, ..head? })
}

/// Takes the measurements apart on all cores.
fn parsed(text: &str) -> Result<Notebook, serde_json::Error> {
    if let Some(notebook) = by_lines(text) {
        return Ok(notebook);
    }
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
    let bytes = to_pieces(notebook)?.concat();
    // What serde_json writes is UTF-8.
    Ok(String::from_utf8(bytes).unwrap_or_else(|e| String::from_utf8_lossy(e.as_bytes()).into_owned()))
}

/// Measurements that become text in one go: many enough that a piece is worth a thread.
const A_PIECE: usize = 512;

/// The same in pieces, one behind the other, so that a large one need not be copied together.
fn to_pieces(notebook: &Notebook) -> Result<Vec<Vec<u8>>, NotebookError> {
    // The measurements, which make a large notebook large, become lines on all cores.
    let piece = |(number, some): (usize, &[Measurement])| -> Result<Vec<u8>, serde_json::Error> {
        // A measurement with its budget has one to two thousand bytes; memory that is not used is never touched.
        let mut bytes = Vec::with_capacity(some.len() * 3000);
        for (i, m) in some.iter().enumerate() {
            bytes.extend(if number + i == 0 { &b"\n"[..] } else { b",\n" });
            serde_json::to_writer(&mut bytes, m)?;
        }
        Ok(bytes)
    };
    let mut lines = notebook.measurements.par_chunks(A_PIECE).enumerate().map(piece).collect::<Result<Vec<_>, _>>()?;
    let mut head = Vec::new();
    let without = notebook.without_measurements();
    without.serialize(&mut serde_json::Serializer::with_formatter(&mut head, Lines::default()))?;
    head.push(b'\n');
    let place = head.windows(PLACE.len()).position(|w| w == PLACE.as_bytes());
    let Some(place) = place.filter(|_| !lines.is_empty()) else { return Ok(vec![head]) };
    let after = head.split_off(place + PLACE.len());
    lines.insert(0, head);
    lines.push(after);
    Ok(lines)
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
    let text = std::fs::read_to_string(path).map_err(|e| {
        let source = match e.kind() {
            io::ErrorKind::InvalidData => io::Error::other("it is no UTF-8 text, so it cannot be a notebook"),
            _ => e,
        };
        StoreError::File { action: "read the notebook", path: path.to_owned(), source }
    })?;
    from_text(&text).map_err(|source| StoreError::Notebook { source, path: path.to_owned() })
}

/// Writes the document whole under another name in the same folder, makes sure that it is on the disk, and renames it.
///
/// # Errors
/// [`StoreError`]; the file is then as it was.
pub(super) fn write_document(path: &Path, notebook: &Notebook) -> Result<(), StoreError> {
    let pieces = to_pieces(notebook).map_err(|source| StoreError::Notebook { source, path: path.to_owned() })?;
    write_pieces(path, pieces.iter().map(Vec::as_slice)).map_err(|source| StoreError::File {
        action: "write the notebook",
        path: path.to_owned(),
        source,
    })
}

/// Replaces a file by `bytes` so that a reader, or a crash, sees the old content or the new one, never a part.
pub(crate) fn write_whole(path: &Path, bytes: &[u8]) -> io::Result<()> {
    write_pieces(path, [bytes])
}

fn write_pieces<'a>(path: &Path, pieces: impl IntoIterator<Item = &'a [u8]>) -> io::Result<()> {
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
    for piece in pieces {
        file.write_all(piece)?;
    }
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
