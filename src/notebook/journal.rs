//! The journal: what was done since the document was last written, one action a line, on the disk before it counts.
//!
//! Each line carries the document's revision after it. Lines up to the document's own revision are in it already, so that a crash
//! between writing the document and emptying the journal does no harm. A last line without its end was never finished and is left
//! out: at most one action is lost.

use std::fs::{File, OpenOptions};
use std::io::{self, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::action::Action;
use super::document::{FORMAT, Notebook};
use super::error::StoreError;
use super::id::NotebookId;

/// The first line.
#[derive(Debug, PartialEq, Serialize, Deserialize)]
struct Header {
    journal_of: String,
    id: NotebookId,
}

/// Every further line.
#[derive(Deserialize)]
struct Entry {
    revision: u64,
    action: Action,
}

/// The same, borrowed.
#[derive(Serialize)]
struct EntryRef<'a> {
    revision: u64,
    at: &'a str,
    action: &'a Action,
}

/// What a journal holds beyond its document.
#[derive(Debug, Default)]
pub(super) struct Found {
    /// What is to be applied.
    pub(super) actions: Vec<Action>,
    /// Bytes from the beginning that are whole.
    pub(super) whole_bytes: u64,
    /// True where a last line was cut short.
    pub(super) cut_short: bool,
    /// What is wrong beyond a cut-off last line.
    pub(super) damage: Option<String>,
}

/// The journal's path.
pub(super) fn path_beside(notebook: &Path) -> PathBuf {
    let mut name = notebook.as_os_str().to_owned();
    name.push(".journal");
    PathBuf::from(name)
}

/// Looks into the journal beside a notebook; `None` where there is none.
///
/// # Errors
/// [`StoreError::File`] where it is there and cannot be read.
pub(super) fn found_beside(notebook: &Path, document: &Notebook) -> Result<Option<Found>, StoreError> {
    let path = path_beside(notebook);
    match std::fs::read(&path) {
        Ok(bytes) => Ok(Some(look_through(&bytes, document))),
        Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(source) => Err(StoreError::File { action: "read the notebook's journal", path, source }),
    }
}

/// Sorts out what of the journal is to be applied to the document.
pub(super) fn look_through(bytes: &[u8], document: &Notebook) -> Found {
    let mut found = Found::default();
    let mut revision = document.revision;
    for (i, line) in bytes.split_inclusive(|b| *b == b'\n').enumerate() {
        if !line.ends_with(b"\n") {
            found.cut_short = true;
            break;
        }
        let fits = if i == 0 { header_fits(line, document) } else { entry(line, &mut revision, &mut found.actions) };
        if let Err(words) = fits {
            found.damage = Some(format!("line {}: {words}", i + 1));
            break;
        }
        found.whole_bytes += line.len() as u64;
    }
    found
}

fn header_fits(line: &[u8], document: &Notebook) -> Result<(), String> {
    let header: Header = serde_json::from_slice(line).map_err(|e| e.to_string())?;
    if header.journal_of == FORMAT && header.id == document.id {
        Ok(())
    } else {
        Err(format!("the journal belongs to another notebook, {}", header.id))
    }
}

fn entry(line: &[u8], revision: &mut u64, actions: &mut Vec<Action>) -> Result<(), String> {
    let entry: Entry = serde_json::from_slice(line).map_err(|e| e.to_string())?;
    if entry.revision <= *revision && actions.is_empty() {
        // Already in the document.
        return Ok(());
    }
    if entry.revision != *revision + 1 {
        return Err(format!("it leads to revision {}, must lead to {}", entry.revision, *revision + 1));
    }
    *revision = entry.revision;
    actions.push(entry.action);
    Ok(())
}

/// The journal, open for adding to it.
#[derive(Debug)]
pub(super) struct Journal {
    file: File,
    path: PathBuf,
    length: u64,
    id: NotebookId,
}

impl Journal {
    /// Opens or makes the journal beside a notebook and keeps its first `whole_bytes`.
    pub(super) fn open(notebook: &Path, id: &NotebookId, whole_bytes: u64) -> Result<Self, StoreError> {
        let path = path_beside(notebook);
        let fail = |source| StoreError::File { action: "open the notebook's journal", path: path.clone(), source };
        let file = OpenOptions::new().read(true).write(true).create(true).truncate(false).open(&path).map_err(fail)?;
        let mut journal = Self { file, path, length: 0, id: id.clone() };
        journal.shorten(whole_bytes)?;
        if whole_bytes == 0 {
            journal.begin()?;
        }
        Ok(journal)
    }

    fn fail(&self, source: io::Error) -> StoreError {
        StoreError::File { action: "write the notebook's journal", path: self.path.clone(), source }
    }

    fn shorten(&mut self, bytes: u64) -> Result<(), StoreError> {
        let done = self.file.set_len(bytes).and_then(|()| self.file.seek(SeekFrom::Start(bytes)));
        done.map_err(|e| self.fail(e))?;
        self.length = bytes;
        Ok(())
    }

    fn begin(&mut self) -> Result<(), StoreError> {
        let header = Header { journal_of: FORMAT.to_owned(), id: self.id.clone() };
        let line = serde_json::to_vec(&header).map_err(|e| self.fail(e.into()))?;
        self.add_line(line)
    }

    /// Adds an action; when this returns it is on the disk.
    pub(super) fn add(&mut self, revision: u64, at: &str, action: &Action) -> Result<(), StoreError> {
        let line = serde_json::to_vec(&EntryRef { revision, at, action }).map_err(|e| self.fail(e.into()))?;
        self.add_line(line)
    }

    fn add_line(&mut self, mut line: Vec<u8>) -> Result<(), StoreError> {
        line.push(b'\n');
        let before = self.length;
        match self.file.write_all(&line).and_then(|()| self.file.sync_data()) {
            Ok(()) => {
                self.length = before + line.len() as u64;
                Ok(())
            }
            Err(e) => {
                let error = self.fail(e);
                // Half a line would hide what follows it. If even that fails, the first error is the one to tell.
                drop(self.shorten(before));
                Err(error)
            }
        }
    }

    /// From here on nothing can be written, as on a full disk.
    #[cfg(test)]
    pub(super) fn make_unwritable(&mut self) {
        self.file = File::open(&self.path).expect("opens for reading");
    }

    /// Begins it anew: all of it is in the document now.
    pub(super) fn empty(&mut self) -> Result<(), StoreError> {
        self.shorten(0)?;
        self.begin()
    }

    /// Removes the file.
    pub(super) fn remove(self) -> Result<(), StoreError> {
        std::fs::remove_file(&self.path).map_err(|e| self.fail(e))
    }
}
