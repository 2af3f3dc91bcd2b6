//! `notebook check` and `notebook record`: whether a notebook still holds, and what is written into it by hand.

use std::path::{Path, PathBuf};

use super::clock;
use super::console::Console;
use super::export::folder_of;
use super::failure::Failure;
use super::notebook_keep::{PROGRAM, holder};
use super::notebook_tell::{animal_id, name_of, read};
use crate::notebook::{Action, Animal, Located, Store, relative_path};

#[derive(Debug, clap::Args)]
pub(super) struct CheckArgs {
    /// The notebook
    #[arg(value_name = "NOTEBOOK")]
    notebook: PathBuf,
    /// Look for moved pictures here too
    #[arg(long, value_name = "DIR")]
    look_in: Vec<PathBuf>,
    /// Write the new places of moved pictures into the notebook
    #[arg(long)]
    update: bool,
}

#[derive(Debug, clap::Args)]
pub(super) struct RecordArgs {
    /// The notebook
    #[arg(value_name = "NOTEBOOK")]
    notebook: PathBuf,
    /// Name of the animal
    #[arg(long, value_name = "TEXT")]
    animal: String,
    /// A field and its text: what, stage, sex, place, found, found-by, condition, medium, posture, group, remarks, name
    #[arg(long = "set", value_name = "FIELD=TEXT", required = true)]
    set: Vec<String>,
}

/// Whether every figure still follows from what is inside, and where the pictures are.
pub(super) fn check(args: &CheckArgs, console: &mut Console) -> Result<(), Failure> {
    let notebook = read(&args.notebook)?;
    let rechecks = notebook.recheck(PROGRAM);
    let mut different = 0;
    for r in rechecks.iter().filter(|r| !r.same) {
        different += 1;
        let m = notebook.measurement(r.id);
        let name =
            m.map_or_else(|| r.id.to_string(), |m| format!("{} of {}", m.full_name(), name_of(&notebook, m.animal)));
        let by = m.and_then(|m| m.reported.as_ref()).map_or_else(String::new, |r| r.program.clone());
        match &r.now {
            Ok(now) => {
                let then = m
                    .and_then(|m| m.reported.as_ref())
                    .map_or_else(|| "nothing".to_owned(), |r| crate::exchange::marked::figure_text(&r.figure));
                let now = crate::exchange::marked::figure_text(&now.figure);
                console.warn(&format!("{name}: stored {then} ({by}), evaluated now {now} ({PROGRAM})"));
            }
            Err(e) => console.warn(&format!("{name}: cannot be evaluated: {e}")),
        }
    }
    console.say(&format!("{} figures follow from what is inside, {different} do not", rechecks.len() - different))?;
    let folder = folder_of(&args.notebook);
    let mut moved = Vec::new();
    let mut lost = 0;
    for (id, located) in notebook.locate_pictures(&folder, &args.look_in) {
        let Some(p) = notebook.picture(id) else { continue };
        match located {
            Located::There(_) => {}
            Located::Moved(path) => {
                console.warn(&format!("{} has moved to {}", p.path, path.display()));
                moved.push((p.clone(), path));
            }
            Located::Changed(_) => {
                lost += 1;
                console.warn(&format!("{} is not the file that was measured: its SHA-256 differs", p.path));
            }
            Located::Missing => {
                lost += 1;
                console.warn(&format!("{} is missing", p.path));
            }
        }
    }
    console.say(&format!(
        "{} pictures are there, {} have moved, {lost} are missing or changed",
        notebook.pictures.len() - moved.len() - lost,
        moved.len()
    ))?;
    if args.update && !moved.is_empty() {
        let mut actions = Vec::new();
        for (mut picture, path) in moved {
            picture.path = relative_path(&folder, &path).map_err(Failure::usage)?;
            actions.push(Action::ChangePicture { picture });
        }
        edit(&args.notebook, Action::Several { what: "find pictures again".to_owned(), actions }, console)?;
    }
    if different + lost > 0 { Err(Failure::Partly) } else { Ok(()) }
}

fn edit(path: &Path, action: Action, console: &mut Console) -> Result<(), Failure> {
    let opened = Store::open(path, &holder()).map_err(Failure::usage)?;
    for notice in &opened.notices {
        console.warn(&format!("warning: {notice}"));
    }
    let (mut store, now) = (opened.store, clock::now());
    store.apply(action, &now).map_err(Failure::usage)?;
    store.close(&now).map_err(Failure::usage)
}

/// Sets fields of an animal's record.
pub(super) fn record(args: &RecordArgs, console: &mut Console) -> Result<(), Failure> {
    let notebook = read(&args.notebook)?;
    let id = animal_id(&notebook, &args.animal)?;
    let Some(mut animal) = notebook.animal(id).cloned() else { return Ok(()) };
    for pair in &args.set {
        let (field, words) = pair
            .split_once('=')
            .ok_or_else(|| Failure::Usage(format!("\"{pair}\" is no FIELD=TEXT, as in --set stage=adult")))?;
        let (_, place) = FIELDS.iter().find(|f| f.0 == field.trim()).ok_or_else(|| {
            let names: Vec<&str> = FIELDS.iter().map(|f| f.0).collect();
            Failure::Usage(format!("there is no field \"{field}\"; there are {}", names.join(", ")))
        })?;
        words.trim().clone_into(place(&mut animal));
    }
    edit(&args.notebook, Action::ChangeAnimal { animal: Box::new(animal) }, console)
}

/// A field of a record: the name that `--set` knows, and where it is.
type Field = (&'static str, fn(&mut Animal) -> &mut String);

/// All that `--set` knows.
const FIELDS: [Field; 12] = [
    ("name", |a| &mut a.name),
    ("what", |a| &mut a.what),
    ("stage", |a| &mut a.stage),
    ("sex", |a| &mut a.sex),
    ("place", |a| &mut a.place),
    ("found", |a| &mut a.found),
    ("found-by", |a| &mut a.found_by),
    ("condition", |a| &mut a.condition),
    ("medium", |a| &mut a.medium),
    ("posture", |a| &mut a.posture),
    ("group", |a| &mut a.group),
    ("remarks", |a| &mut a.remarks),
];

#[cfg(test)]
mod tests {
    use super::*;
    use crate::notebook::AnimalId;
    use clap::CommandFactory;

    #[derive(clap::Parser)]
    struct Help {
        #[command(flatten)]
        _args: RecordArgs,
    }

    #[test]
    fn every_field_is_named_in_the_help_and_can_be_set() {
        let help = Help::command().render_long_help().to_string();
        let mut animal = Animal::named(AnimalId::new(1), "x");
        for (name, place) in FIELDS {
            assert!(help.contains(name), "{name} is not in the help");
            name.clone_into(place(&mut animal));
        }
        assert_eq!(
            (animal.name.as_str(), animal.remarks.as_str(), animal.found_by.as_str()),
            ("name", "remarks", "found-by")
        );
    }
}
