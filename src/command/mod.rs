//! The command line: arguments, what they mean, running them, and what is printed.
//!
//! This is the only room that prints, looks at the clock and knows the user's folders. Results go to standard output, progress and
//! warnings to standard error; exit status 0 done, 1 part of a batch failed, 2 usage or file error, 3 refused.

mod calibrate;
mod calibrate_advice;
mod calibrate_batch;
mod calibrate_by_hand;
mod calibrate_keep;
mod calibrate_notes;
mod calibrate_quality;
mod calibrate_report;
mod calibrate_turned;
mod clock;
mod console;
mod demo;
#[cfg(feature = "desktop")]
pub(crate) mod desk;
mod export;
mod failure;
mod measure;
mod measure_find;
mod measure_json;
mod measure_report;
mod measure_shapes;
mod measure_snap;
mod notebook_keep;
mod notebook_mend;
mod notebook_tell;
mod opened;
mod parse;
mod plan;
mod plan_input;
mod plan_plot;
mod plan_preview;
mod plan_report;
mod reading_plot;
mod residual_map;
mod sheet;
mod side_by_side;
mod table;

use std::process::ExitCode;

use clap::{CommandFactory, Parser, Subcommand};

use console::Console;
use failure::Failure;

/// Measures very small animals on photographs and states how far each figure can be trusted.
///
/// First photograph a ruled slide through the same camera and lens, and let `calibrate` read the scale from it. Then
/// `measure` turns marks on a picture of an animal into micrometres, with the uncertainty of each figure and where it comes from.
#[derive(Debug, Parser)]
#[command(name = "motestick", version, max_term_width = 100, after_help = EXIT_HELP)]
struct Cli {
    #[command(subcommand)]
    command: Option<Command>,
}

const EXIT_HELP: &str = "Exit status: 0 done; 1 some pictures of a batch failed or were refused; 2 wrong usage, or a file that cannot be used; 3 refused: an honest \"cannot tell\".";

#[derive(Debug, Subcommand)]
enum Command {
    /// Reads the scale from photographs of a ruled slide
    Calibrate(Box<calibrate::Args>),
    /// Measures lengths on a picture of an animal
    Measure(Box<measure::Args>),
    /// Says what each aperture will resolve, before the shot
    Plan(Box<plan::Args>),
    /// Does the whole job once on sample pictures, for you to look at
    Demo(demo::Args),
    /// Writes what is in a notebook: tables, pictures, record cards, a report
    Export(Box<export::Args>),
    /// Looks into a notebook: statistics, comparison, a sentence, whether it still holds
    Notebook(notebook_tell::Args),
    /// Measures all rows of a table of pictures and marks
    ///
    /// The table is CSV with the columns picture, setup, kind and marks and, where wanted, animal, quantity, lying, ends and mode. Kinds are span, axis, breadth,
    /// appendage, outline and angle; marks are "x,y x,y …" in pixels, as for measure. Rows with the same picture, setup, animal and lying are measured
    /// together and stay correlated. An animal without a name is called by its picture's path, and the same picture under two paths is one animal.
    ///
    /// Work goes on all cores; what is done is written at once, and a sheet that is run again goes on behind it: what is in --csv or --notebook
    /// already, by the picture's content, setup, animal and quantity, is passed over. A row that was changed since it was put into the notebook
    /// is named and left; a table holds no marks, so remove the rows there that are to be measured anew, and write repeats below the rows that
    /// they repeat.
    Sheet(sheet::Args),
}

/// Runs the program on the process's own arguments and says with which status it ends.
#[must_use]
pub fn main() -> ExitCode {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(e) => {
            // A closed pipe while the help is printed is nobody's fault.
            drop(e.print());
            return ExitCode::from(u8::try_from(e.exit_code()).unwrap_or(2));
        }
    };
    let mut console = Console::of_process();
    match run(cli, &mut console) {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => {
            match &failure {
                Failure::Usage(message) => console.warn(&format!("error: {message}")),
                Failure::Refused { reason, detail } => console.warn(&format!("refused: {reason}: {detail}")),
                Failure::Partly | Failure::Reported(_) | Failure::OutputClosed => {}
            }
            ExitCode::from(&failure)
        }
    }
}

fn run(cli: Cli, console: &mut Console) -> Result<(), Failure> {
    match cli.command {
        None => console.say(&Cli::command().render_help().to_string()),
        Some(Command::Calibrate(args)) => calibrate::run(&args, console),
        Some(Command::Measure(args)) => measure::run(&args, console),
        Some(Command::Plan(args)) => plan::run(&args, console),
        Some(Command::Demo(args)) => demo::run(&args, console),
        Some(Command::Export(args)) => export::run(&args, console),
        Some(Command::Notebook(args)) => notebook_tell::run(&args, console),
        Some(Command::Sheet(args)) => sheet::run(&args, console),
    }
}
