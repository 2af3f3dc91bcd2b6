//! The `motestick` program.

use std::process::ExitCode;

fn main() -> ExitCode {
    #[cfg(feature = "desktop")]
    if std::env::args_os().len() < 2 {
        return window();
    }
    motestick::command::main()
}

/// Opens the window; without a display one sentence says what works without.
#[cfg(feature = "desktop")]
fn window() -> ExitCode {
    use motestick::desktop::{Entry, open};
    match open() {
        Entry::Closed => ExitCode::SUCCESS,
        Entry::NoDisplay(words) | Entry::Failed(words) => {
            eprintln!("{words}");
            ExitCode::from(2)
        }
    }
}
