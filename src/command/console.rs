//! Standard output for results, standard error for progress and warnings.

use std::io::{self, IsTerminal, Write};

use super::Failure;

/// Where a command writes.
pub(super) struct Console {
    out: Box<dyn Write>,
    err: Box<dyn Write>,
    progress: bool,
    /// The last complaint, for those who run a command in silence.
    complaint: Option<String>,
}

impl Console {
    /// The process's own streams. Progress is shown only to a person at a terminal.
    pub(super) fn of_process() -> Self {
        Self {
            out: Box::new(io::stdout().lock()),
            err: Box::new(io::stderr()),
            progress: io::stderr().is_terminal(),
            complaint: None,
        }
    }

    /// Says nothing: for a command that runs others and reports in its own words.
    pub(super) fn silent() -> Self {
        Self { out: Box::new(io::sink()), err: Box::new(io::sink()), progress: false, complaint: None }
    }

    /// A failure that was reported here where nobody heard it, with the words that were said.
    pub(super) fn with_words(&mut self, failure: Failure) -> Failure {
        match (failure, self.complaint.take()) {
            (Failure::Reported(_), Some(words)) => Failure::Usage(words),
            (failure, _) => failure,
        }
    }

    /// A line of results, or several.
    pub(super) fn say(&mut self, text: &str) -> Result<(), Failure> {
        writeln!(self.out, "{text}").and_then(|()| self.out.flush()).map_err(Failure::output)
    }

    /// One JSON document on a line of its own.
    pub(super) fn say_json(&mut self, value: &impl serde::Serialize) -> Result<(), Failure> {
        let text = serde_json::to_string(value)
            .map_err(|e| Failure::Usage(format!("cannot write the result as JSON: {e}")))?;
        self.say(&text)
    }

    /// A warning or complaint. A closed standard error changes nothing.
    pub(super) fn warn(&mut self, text: &str) {
        drop(writeln!(self.err, "{text}"));
        self.complaint = Some(text.to_owned());
    }

    /// Progress of a long task.
    pub(super) fn progress(&mut self, text: &str) {
        if self.progress {
            self.warn(text);
        }
    }
}
