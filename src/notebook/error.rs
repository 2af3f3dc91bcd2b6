//! What can go wrong with a notebook.

use std::path::PathBuf;

use super::lock::Holder;

/// Why an action cannot be applied; the notebook is then as it was.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum ActionError {
    /// There is nothing of this id.
    #[error("cannot {action}: the notebook has no {id}")]
    NotThere {
        /// What was to be done.
        action: String,
        /// The id.
        id: String,
    },
    /// The id is taken.
    #[error("cannot {action}: the id {id} is taken; use the notebook's next number, {next}")]
    Taken {
        /// What was to be done.
        action: String,
        /// The id.
        id: String,
        /// The next free number.
        next: u64,
    },
    /// Something else needs it.
    #[error("cannot {action}: {count} of the notebook's measurements need it; remove them first")]
    Needed {
        /// What was to be done.
        action: String,
        /// How many need it.
        count: usize,
    },
    /// A value makes no sense.
    #[error("cannot {action}: {what} is {value}, must be {must_be}")]
    Value {
        /// What was to be done.
        action: String,
        /// What is wrong.
        what: &'static str,
        /// The value.
        value: String,
        /// What is allowed.
        must_be: &'static str,
    },
}

/// Why a text is no notebook that can be used.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum NotebookError {
    /// It is no JSON, or a value is of another kind than it must be.
    #[error("it does not hold a notebook: {0}")]
    Form(#[from] serde_json::Error),
    /// It says that it is something else.
    #[error("it does not hold a notebook: its \"format\" is \"{0}\", must be \"{form}\"", form = super::FORMAT)]
    OtherFormat(String),
    /// It was written by a later version.
    #[error("it has form {found}, this program knows forms up to {known}; use a newer motestick, which will read it")]
    Newer {
        /// Version in the file.
        found: u64,
        /// Highest version known here.
        known: u32,
    },
    /// Its parts do not fit together.
    #[error("it contradicts itself: {0}; a copy of the file from before may be whole")]
    Contradiction(String),
}

/// Why a notebook's file cannot be used.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum StoreError {
    /// A file cannot be read or written.
    #[error("cannot {action}: {source}: {}", path.display())]
    File {
        /// What was tried.
        action: &'static str,
        /// The file.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// The file is no notebook.
    #[error("cannot use the file as a notebook: {source}: {}", path.display())]
    Notebook {
        /// What is wrong.
        source: NotebookError,
        /// The file.
        path: PathBuf,
    },
    /// Another program has it.
    #[error("another program works on this notebook: {holder}; close it there first: {}", path.display())]
    InUse {
        /// Who has it.
        holder: Holder,
        /// The notebook.
        path: PathBuf,
    },
    /// A new notebook would replace a file.
    #[error("there is a file already; open it, or give the new notebook another name: {}", path.display())]
    Exists {
        /// The file.
        path: PathBuf,
    },
    /// An action cannot be applied.
    #[error(transparent)]
    Action(#[from] ActionError),
}
