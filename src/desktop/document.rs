//! The notebook at work: every edit goes through here and is on the disk when it is done.

use std::path::{Path, PathBuf};

use crate::command::desk;
use crate::notebook::{Action, Holder, Notebook, NotebookId, Opened, Store, StoreError};

/// Name and version of this program, as it signs what it writes.
pub(crate) const PROGRAM: &str = concat!("motestick ", env!("CARGO_PKG_VERSION"));

/// The notebook at work; without one it is made when the first thing is kept.
#[derive(Debug, Default)]
pub(crate) struct Document {
    store: Option<Store>,
    nothing: Option<Notebook>,
}

/// A notebook as it was read.
#[derive(Debug)]
pub(crate) struct FromFile {
    store: Store,
    notices: Vec<String>,
}

fn holder() -> Holder {
    let host = std::env::var("HOSTNAME").unwrap_or_default();
    Holder { pid: std::process::id(), host, program: PROGRAM.to_owned(), since: desk::now() }
}

fn new_notebook(title: &str) -> Notebook {
    let now = desk::now();
    let moment = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).map_or(0, |d| d.as_nanos());
    let seed = format!("{moment} {} {}", std::process::id(), title);
    Notebook::new(NotebookId::of_seed(seed.as_bytes()), title, PROGRAM, &now)
}

impl Document {
    /// The notebook; empty where none is begun.
    pub(crate) fn notebook(&mut self) -> &Notebook {
        match &self.store {
            Some(store) => store.notebook(),
            None => self.nothing.get_or_insert_with(|| new_notebook("")),
        }
    }

    /// Its file.
    pub(crate) fn path(&self) -> Option<&Path> {
        self.store.as_ref().map(Store::path)
    }

    /// The folder against which its pictures are named.
    pub(crate) fn folder(&self) -> Option<&Path> {
        self.path().and_then(Path::parent)
    }

    /// What the title line says.
    pub(crate) fn title(&self) -> String {
        match &self.store {
            Some(store) if !store.notebook().title.is_empty() => store.notebook().title.clone(),
            Some(store) => store.path().file_stem().map_or_else(String::new, |s| s.to_string_lossy().into_owned()),
            None => "no notebook yet".to_owned(),
        }
    }

    pub(crate) fn undo_name(&self) -> Option<&str> {
        self.store.as_ref()?.undo_name()
    }

    pub(crate) fn redo_name(&self) -> Option<&str> {
        self.store.as_ref()?.redo_name()
    }

    /// Begins a notebook in a file of its own under `folder` unless one is open.
    ///
    /// # Errors
    /// [`StoreError`].
    pub(crate) fn begin(&mut self, folder: &Path) -> Result<(), StoreError> {
        if self.store.is_some() {
            return Ok(());
        }
        self.create(&free_name(folder))
    }

    /// Makes a new notebook in this file and works in it.
    ///
    /// # Errors
    /// [`StoreError`].
    pub(crate) fn create(&mut self, path: &Path) -> Result<(), StoreError> {
        if let Some(folder) = path.parent() {
            std::fs::create_dir_all(folder).map_err(|source| StoreError::File {
                action: "make a folder for the notebook",
                path: folder.to_owned(),
                source,
            })?;
        }
        let title = path.file_stem().map_or_else(String::new, |s| s.to_string_lossy().into_owned());
        let store = Store::create(path, new_notebook(&title), &holder())?;
        self.close()?;
        self.store = Some(store);
        Ok(())
    }

    /// Reads a notebook and takes hold of its file; it takes long where much is in it, so not on the window's thread.
    ///
    /// # Errors
    /// [`StoreError`].
    pub(crate) fn read(path: &Path) -> Result<FromFile, StoreError> {
        let Opened { store, restored, mut notices } = Store::open(path, &holder())?;
        if restored > 0 {
            notices.push(format!("{restored} steps were restored that had not been written to the notebook's file before the program ended"));
        }
        Ok(FromFile { store, notices })
    }

    /// Works in a notebook that was read, from now on; what is to be told about it.
    pub(crate) fn take(&mut self, from_file: FromFile) -> Vec<String> {
        let FromFile { store, mut notices } = from_file;
        if let Err(e) = self.close() {
            notices.push(format!(
                "the notebook that was open before could not be written whole, its journal has everything: {e}"
            ));
        }
        self.store = Some(store);
        notices
    }

    /// One edit.
    ///
    /// # Errors
    /// [`StoreError`]; the notebook is then as it was.
    pub(crate) fn apply(&mut self, action: Action) -> Result<(), StoreError> {
        match &mut self.store {
            Some(store) => store.apply(action, &desk::now()),
            None => Ok(()),
        }
    }

    /// Takes the last edit back; its name.
    ///
    /// # Errors
    /// [`StoreError`]; the notebook is then as it was.
    pub(crate) fn undo(&mut self) -> Result<Option<String>, StoreError> {
        self.store.as_mut().map_or(Ok(None), |s| s.undo(&desk::now()))
    }

    /// Does it again; its name.
    ///
    /// # Errors
    /// [`StoreError`]; the notebook is then as it was.
    pub(crate) fn redo(&mut self) -> Result<Option<String>, StoreError> {
        self.store.as_mut().map_or(Ok(None), |s| s.redo(&desk::now()))
    }

    /// Writes the document.
    ///
    /// # Errors
    /// [`StoreError`]; the journal still has everything.
    pub(crate) fn save(&mut self) -> Result<(), StoreError> {
        self.store.as_mut().map_or(Ok(()), |s| s.save(&desk::now()))
    }

    /// Writes the document and lets go of it.
    ///
    /// # Errors
    /// [`StoreError`]; the journal still has everything.
    pub(crate) fn close(&mut self) -> Result<(), StoreError> {
        self.store.take().map_or(Ok(()), |s| s.close(&desk::now()))
    }
}

/// A name that is free, with the date in it.
fn free_name(folder: &Path) -> PathBuf {
    let day = desk::now().get(..10).unwrap_or("new").to_owned();
    let named =
        |n: u32| folder.join(if n == 1 { format!("notebook {day}.json") } else { format!("notebook {day} {n}.json") });
    (1..10_000).map(named).find(|p| !p.exists()).unwrap_or_else(|| named(10_000))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::notebook::{Animal, AnimalId};

    #[test]
    fn a_notebook_begins_by_itself_and_comes_back() {
        let folder = tempfile::tempdir().unwrap();
        let mut d = Document::default();
        assert_eq!(d.title(), "no notebook yet");
        d.begin(folder.path()).unwrap();
        let path = d.path().unwrap().to_owned();
        let next = d.notebook().next_number();
        d.apply(Action::AddAnimal { animal: Box::new(Animal::named(AnimalId::new(next), "mite")), at: None }).unwrap();
        assert_eq!(d.undo_name(), Some("add animal \"mite\""));
        d.undo().unwrap();
        d.redo().unwrap();
        drop(d);
        // As after a crash: nothing was saved.
        let mut again = Document::default();
        let notices = again.take(Document::read(&path).unwrap());
        assert!(notices.iter().any(|n| n.contains("restored")), "{notices:?}");
        assert_eq!(again.notebook().animals.len(), 1);
        assert_ne!(free_name(folder.path()), path);
    }
}
