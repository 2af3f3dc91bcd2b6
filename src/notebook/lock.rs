//! One program at a time writes a notebook.

use std::fmt;
use std::fs::{File, OpenOptions, TryLockError};
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::error::StoreError;

/// Who has a notebook open.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Holder {
    /// Process number.
    pub pid: u32,
    /// The computer's name.
    pub host: String,
    /// The program and its version.
    pub program: String,
    /// Since when, UTC, ISO 8601.
    pub since: String,
}

impl fmt::Display for Holder {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.pid == 0 {
            return f.write_str("which one is not known");
        }
        write!(f, "{}, process {} on {} since {}", self.program, self.pid, self.host, self.since)
    }
}

/// The lock on a notebook, held until dropped. The system lets go of it when the process ends, however it ends.
#[derive(Debug)]
pub(super) struct Lock {
    file: File,
    path: PathBuf,
}

/// Times that a lock file may vanish under our hands before that is an error.
const TRIES: usize = 20;

impl Lock {
    /// Takes the lock of a notebook.
    ///
    /// # Errors
    /// [`StoreError::InUse`] with who has it, [`StoreError::File`].
    pub(super) fn take(notebook: &Path, holder: &Holder) -> Result<Self, StoreError> {
        let mut path = notebook.as_os_str().to_owned();
        path.push(".lock");
        let path = PathBuf::from(path);
        let fail = |source| StoreError::File { action: "lock the notebook", path: path.clone(), source };
        for _try in 0..TRIES {
            let mut file =
                OpenOptions::new().read(true).write(true).create(true).truncate(false).open(&path).map_err(fail)?;
            match file.try_lock() {
                Ok(()) => {}
                Err(TryLockError::WouldBlock) => {
                    let holder = holder_in(&mut file).unwrap_or_default();
                    return Err(StoreError::InUse { holder, path: notebook.to_owned() });
                }
                Err(TryLockError::Error(e)) => return Err(fail(e)),
            }
            let words = serde_json::to_string(holder).map_err(|e| fail(e.into()))?;
            let written = file.set_len(0).and_then(|()| file.write_all(words.as_bytes())).and_then(|()| file.flush());
            written.map_err(fail)?;
            // Whoever held it before may have removed the file between our opening and locking it: then ours is not the one
            // that others see.
            if still_named(&file, &path) {
                return Ok(Self { file, path });
            }
        }
        Err(fail(std::io::Error::other("its lock file keeps vanishing")))
    }
}

fn holder_in(file: &mut File) -> Option<Holder> {
    let mut words = String::new();
    file.seek(SeekFrom::Start(0)).ok()?;
    file.read_to_string(&mut words).ok()?;
    serde_json::from_str(&words).ok()
}

#[cfg(unix)]
fn still_named(file: &File, path: &Path) -> bool {
    use std::os::unix::fs::MetadataExt;
    match (file.metadata(), std::fs::metadata(path)) {
        (Ok(a), Ok(b)) => (a.dev(), a.ino()) == (b.dev(), b.ino()),
        _ => false,
    }
}

/// Elsewhere an open file cannot be removed.
#[cfg(not(unix))]
fn still_named(_file: &File, path: &Path) -> bool {
    path.exists()
}

impl Drop for Lock {
    fn drop(&mut self) {
        // Removed while it is held, so that nobody has it in between. A file left behind is no lock and does no harm.
        drop(std::fs::remove_file(&self.path));
        drop(self.file.unlock());
    }
}
