//! The `motestick` program.

use std::process::ExitCode;

fn main() -> ExitCode {
    motestick::command::main()
}
