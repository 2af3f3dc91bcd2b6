//! How a command ends when it does not end well.

use std::io;
use std::process::ExitCode;

/// How a command ends when it does not end well.
#[derive(Debug)]
pub(super) enum Failure {
    /// Wrong usage, or a file that cannot be used: exit status 2.
    Usage(String),
    /// An honest "cannot tell": exit status 3.
    Refused {
        /// A few words.
        reason: String,
        /// A sentence, with what to do.
        detail: String,
    },
    /// Some of a batch failed or was refused, and was reported already: exit status 1.
    Partly,
    /// Reported already: exit with this status.
    Reported(u8),
    /// Whoever read the output has seen enough: success.
    OutputClosed,
}

impl Failure {
    /// Anything that can be said in words and is about usage or files.
    pub(super) fn usage(error: impl std::fmt::Display) -> Self {
        Self::Usage(error.to_string())
    }

    /// What a failed write to standard output means.
    pub(super) fn output(error: io::Error) -> Self {
        if error.kind() == io::ErrorKind::BrokenPipe {
            Self::OutputClosed
        } else {
            Self::Usage(format!("cannot write to standard output: {error}"))
        }
    }

    /// The exit status of the process.
    pub(super) fn status(&self) -> u8 {
        match self {
            Self::OutputClosed => 0,
            Self::Partly => 1,
            Self::Usage(_) => 2,
            Self::Refused { .. } => 3,
            Self::Reported(status) => *status,
        }
    }
}

impl From<&Failure> for ExitCode {
    fn from(failure: &Failure) -> Self {
        Self::from(failure.status())
    }
}
