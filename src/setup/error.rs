//! Why a setup cannot be read, saved or used.

use std::path::PathBuf;

/// Why a setup cannot be read, saved or used.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum SetupError {
    /// A name is not among those that come with the program.
    #[error("there is no {what} \"{name}\"; known are {known}")]
    NoSuchName {
        /// What was looked for.
        what: &'static str,
        /// The name asked for.
        name: String,
        /// The names there are.
        known: String,
    },
    /// The library has no setup of this name.
    #[error("there is no setup \"{name}\" in the library{}; calibrate it first with --setup {name:?}, or name its file: {}", known_words(known), library.display())]
    NoSuchSetup {
        /// The name asked for.
        name: String,
        /// Names that the library has.
        known: Vec<String>,
        /// The library's folder.
        library: PathBuf,
    },
    /// A setup's name cannot be a file name.
    #[error(
        "the setup name \"{name}\" {why}; use letters, digits, spaces, dots, hyphens or underscores, at most 80 of them"
    )]
    BadName {
        /// The name asked for.
        name: String,
        /// What is wrong with it.
        why: &'static str,
    },
    /// A file cannot be read or written.
    #[error("cannot {action} the setup file: {source}: {}", path.display())]
    File {
        /// What was tried.
        action: &'static str,
        /// The file.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// A file is not a setup.
    #[error("the setup file does not hold a setup: {message}: {}", path.display())]
    Parse {
        /// What the reader says.
        message: String,
        /// The file.
        path: PathBuf,
    },
    /// A file was written by a later version of the program.
    #[error("the setup file has form {found}, this program knows forms up to {known}; use a newer motestick: {}", path.display())]
    NewerSchema {
        /// Version in the file.
        found: u32,
        /// Highest version known here.
        known: u32,
        /// The file.
        path: PathBuf,
    },
    /// A value in the setup makes no sense.
    #[error("the setup's {key} is {value}, must be {limits}; correct it or calibrate anew with --replace")]
    Value {
        /// Key in the file.
        key: String,
        /// Value found.
        value: String,
        /// What is allowed.
        limits: &'static str,
    },
    /// New details contradict those that the setup has.
    #[error(
        "the setup \"{name}\" has {key} {stored}, this reading {given}; a setup is one camera, lens, magnification, aperture and mode: use another name, or --replace to start it anew"
    )]
    Differs {
        /// The setup's name.
        name: String,
        /// What differs.
        key: &'static str,
        /// Value in the file.
        stored: String,
        /// Value given.
        given: String,
    },
}

fn known_words(known: &[String]) -> String {
    if known.is_empty() { ", which is empty".to_owned() } else { format!(", which has {}", known.join(", ")) }
}
