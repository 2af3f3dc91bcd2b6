//! The notebook in its file.

use std::path::{Path, PathBuf};

use super::action::Action;
use super::document::{Notebook, SCHEMA};
use super::error::StoreError;
use super::file::{read_document, write_document};
use super::history::Editor;
use super::journal::{self, Journal};
use super::lock::{Holder, Lock};

/// A notebook that is open for work: nobody else writes it, every action is on the disk when it is done.
#[derive(Debug)]
pub struct Store {
    editor: Editor,
    journal: Journal,
    saved_revision: u64,
    program: String,
    path: PathBuf,
    // Last, so that it is let go of last.
    _lock: Lock,
}

/// An opened notebook and what was to be said about it.
#[derive(Debug)]
pub struct Opened {
    /// The notebook.
    pub store: Store,
    /// Number of actions restored from the journal: more than 0 after a crash.
    pub restored: usize,
    /// What is to be told, such as damage to the journal.
    pub notices: Vec<String>,
}

impl Store {
    /// Makes a new file for a notebook.
    ///
    /// # Errors
    /// [`StoreError::Exists`], [`StoreError::InUse`], [`StoreError::File`].
    pub fn create(path: &Path, notebook: Notebook, holder: &Holder) -> Result<Self, StoreError> {
        let lock = Lock::take(path, holder)?;
        if path.exists() {
            return Err(StoreError::Exists { path: path.to_owned() });
        }
        write_document(path, &notebook)?;
        let journal = Journal::open(path, &notebook.id, 0)?;
        let (saved_revision, program) = (notebook.revision, holder.program.clone());
        Ok(Self { editor: Editor::new(notebook), journal, saved_revision, program, path: path.to_owned(), _lock: lock })
    }

    /// Opens a notebook for work. What its journal has beyond the document is applied, so that after a crash at most the last
    /// action is missing; a damaged journal is kept beside it.
    ///
    /// # Errors
    /// [`StoreError`]: in use by another program, unreadable, no notebook.
    pub fn open(path: &Path, holder: &Holder) -> Result<Opened, StoreError> {
        let lock = Lock::take(path, holder)?;
        let document = read_document(path)?;
        let found = journal::found_beside(path, &document)?.unwrap_or_default();
        let saved_revision = document.revision;
        let mut editor = Editor::new(document);
        let mut notices = Vec::new();
        let mut restored = 0;
        let mut whole_bytes = found.whole_bytes;
        let mut damage = found.damage;
        for action in found.actions {
            let name = action.name();
            if let Err(e) = editor.apply(action) {
                damage = Some(format!("\"{name}\" does not fit the notebook: {e}"));
                break;
            }
            restored += 1;
        }
        if let Some(words) = &damage {
            notices.push(keep_damaged(path, words)?);
            // What could be applied goes into the document below, and the journal begins anew.
            whole_bytes = 0;
        }
        if found.cut_short && damage.is_none() {
            notices.push("the last action before the crash was not finished and is lost".to_owned());
        }
        if damage.is_some() && restored > 0 {
            write_document(path, editor.notebook())?;
        }
        let journal = Journal::open(path, &editor.notebook().id, whole_bytes)?;
        let saved_revision = if damage.is_some() { editor.notebook().revision } else { saved_revision };
        let program = holder.program.clone();
        let store = Self { editor, journal, saved_revision, program, path: path.to_owned(), _lock: lock };
        Ok(Opened { store, restored, notices })
    }

    /// The notebook.
    #[must_use]
    pub const fn notebook(&self) -> &Notebook {
        self.editor.notebook()
    }

    /// Its file.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// What would be undone.
    #[must_use]
    pub fn undo_name(&self) -> Option<&str> {
        self.editor.undo_name()
    }

    /// What would be done again.
    #[must_use]
    pub fn redo_name(&self) -> Option<&str> {
        self.editor.redo_name()
    }

    /// True where the document lacks what the journal has. Nothing is lost by that.
    #[must_use]
    pub const fn is_ahead(&self) -> bool {
        self.notebook().revision != self.saved_revision
    }

    /// Revision of the document in the file; what came since is in the journal.
    #[must_use]
    pub const fn saved_revision(&self) -> u64 {
        self.saved_revision
    }

    /// Applies an action; when this returns it is on the disk. `now` is UTC, ISO 8601.
    ///
    /// # Errors
    /// [`StoreError::Action`] where the action does not fit, [`StoreError::File`] where it cannot be written, as on a full disk.
    /// The notebook is then as it was.
    pub fn apply(&mut self, action: Action, now: &str) -> Result<(), StoreError> {
        let mut editor = None;
        let kept = action.clone();
        // A copy of the history is only needed where redo would be lost to a failed write.
        if self.editor.redo_name().is_some() {
            editor = Some(self.editor.clone());
        }
        self.editor.apply(action)?;
        if let Err(e) = self.journal.add(self.editor.notebook().revision, now, &kept) {
            match editor {
                Some(before) => self.editor = before,
                None => self.editor.forget_last(),
            }
            return Err(e);
        }
        Ok(())
    }

    /// Takes the last step back; its name, or `None` where there is none.
    ///
    /// # Errors
    /// As [`Store::apply`].
    pub fn undo(&mut self, now: &str) -> Result<Option<String>, StoreError> {
        let Some(action) = self.editor.undo_action().cloned() else { return Ok(None) };
        let name = self.editor.undo()?;
        if let Err(e) = self.journal.add(self.editor.notebook().revision, now, &action) {
            self.editor.redo()?;
            self.editor.notebook_mut().revision -= 2;
            return Err(e);
        }
        Ok(name)
    }

    /// Does the last undone step again; its name, or `None` where there is none.
    ///
    /// # Errors
    /// As [`Store::apply`].
    pub fn redo(&mut self, now: &str) -> Result<Option<String>, StoreError> {
        let Some(action) = self.editor.redo_action().cloned() else { return Ok(None) };
        let name = self.editor.redo()?;
        if let Err(e) = self.journal.add(self.editor.notebook().revision, now, &action) {
            self.editor.undo()?;
            self.editor.notebook_mut().revision -= 2;
            return Err(e);
        }
        Ok(name)
    }

    #[cfg(test)]
    pub(super) fn fill_the_disk(&mut self) {
        self.journal.make_unwritable();
    }

    /// Writes the document and empties the journal.
    ///
    /// # Errors
    /// [`StoreError::File`]; the journal then still has what the document lacks.
    pub fn save(&mut self, now: &str) -> Result<(), StoreError> {
        let notebook = self.editor.notebook_mut();
        now.clone_into(&mut notebook.changed);
        notebook.program.clone_from(&self.program);
        notebook.schema = SCHEMA;
        write_document(&self.path, self.editor.notebook())?;
        self.saved_revision = self.editor.notebook().revision;
        self.journal.empty()
    }

    /// Saves where needed, and lets go of the notebook.
    ///
    /// # Errors
    /// [`StoreError::File`]; the journal then still has what the document lacks.
    pub fn close(mut self, now: &str) -> Result<(), StoreError> {
        if self.is_ahead() {
            self.save(now)?;
        }
        self.journal.remove()
    }
}

/// Puts a damaged journal aside under a name that is free; says so.
fn keep_damaged(notebook: &Path, words: &str) -> Result<String, StoreError> {
    let from = journal::path_beside(notebook);
    let named = |i: u32| {
        let mut name = from.as_os_str().to_owned();
        name.push(format!(".damaged-{i}"));
        PathBuf::from(name)
    };
    let to = (1..).map(named).find(|p| !p.exists()).unwrap_or_else(|| named(0));
    std::fs::copy(&from, &to).map_err(|source| StoreError::File {
        action: "keep the damaged journal",
        path: to.clone(),
        source,
    })?;
    Ok(format!(
        "the notebook's journal is damaged ({words}); what came after is left out, the journal is kept as {}",
        to.display()
    ))
}
