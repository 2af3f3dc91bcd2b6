//! `export`: what leaves a notebook.

use std::collections::HashMap;
use std::path::{Path, PathBuf};

use super::console::Console;
use super::failure::Failure;
use crate::exchange::datapackage::OutFile;
use crate::exchange::marked::{self, Drawn};
use crate::exchange::picture_out::{self, Format};
use crate::exchange::{card, csv, darwin, datapackage, report, tidy};
use crate::notebook::{self, Located, Notebook, PictureId};
use crate::photo::{Limits, Photo};

/// Writes what is in a notebook: tables, pictures, record cards, a report.
///
/// The notebook is only read; another program may have it open. Files that are there are replaced.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example: motestick export fernery.json --csv sizes.csv --cards cards --report fernery.html")]
pub(super) struct Args {
    /// The notebook
    #[arg(value_name = "NOTEBOOK")]
    notebook: PathBuf,
    /// Table, one row a measured quantity, with a description beside it (Frictionless Table Schema, NAME.datapackage.json)
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// Folder for a data package: measurements, animals, definitions, datapackage.json
    #[arg(long, value_name = "DIR")]
    package: Option<PathBuf>,
    /// Folder for Darwin Core: occurrences, MeasurementOrFact, meta.xml
    #[arg(long, value_name = "DIR")]
    darwin_core: Option<PathBuf>,
    /// Folder for the pictures at full size with scale bar, marks and figures, the scale in their metadata
    #[arg(long, value_name = "DIR")]
    pictures: Option<PathBuf>,
    /// Format of the pictures
    #[arg(long, value_name = "FORMAT", default_value = "png", requires = "pictures")]
    format: PictureFormat,
    /// Draw the scale bar alone, without marks and figures
    #[arg(long, requires = "pictures")]
    bar_only: bool,
    /// Folder for SVG drawings that lie over the pictures, which stay where they are
    #[arg(long, value_name = "DIR")]
    svg: Option<PathBuf>,
    /// Folder for a record card (PDF) of each animal
    #[arg(long, value_name = "DIR")]
    cards: Option<PathBuf>,
    /// Report: one page of HTML with everything in it
    #[arg(long, value_name = "FILE")]
    report: Option<PathBuf>,
    /// Look for moved pictures here too; may be given several times
    #[arg(long, value_name = "DIR")]
    look_in: Vec<PathBuf>,
}

#[derive(Clone, Copy, Debug, clap::ValueEnum)]
enum PictureFormat {
    /// Without loss
    Png,
    /// Small
    Jpeg,
    /// Without loss, with OME-XML
    Tiff,
}

impl From<PictureFormat> for Format {
    fn from(format: PictureFormat) -> Self {
        match format {
            PictureFormat::Png => Self::Png,
            PictureFormat::Jpeg => Self::Jpeg,
            PictureFormat::Tiff => Self::Tiff,
        }
    }
}

/// The notebook with its pictures as they were found.
struct Source {
    notebook: Notebook,
    found: HashMap<PictureId, PathBuf>,
}

impl Source {
    fn photo(&self, id: PictureId) -> Option<Photo> {
        Photo::open(self.found.get(&id)?, &Limits::default()).ok()
    }
}

/// Runs the command.
pub(super) fn run(args: &Args, console: &mut Console) -> Result<(), Failure> {
    let folders = [&args.csv, &args.package, &args.darwin_core, &args.pictures, &args.svg, &args.cards, &args.report];
    if folders.iter().all(|f| f.is_none()) {
        return Err(Failure::Usage(
            "nothing to export: give --csv, --package, --darwin-core, --pictures, --svg, --cards or --report"
                .to_owned(),
        ));
    }
    let notebook = notebook::read(&args.notebook).map_err(Failure::usage)?;
    if let Some(file) = &args.csv {
        table(&notebook, file, console)?;
    }
    if let Some(folder) = &args.package {
        let files = datapackage::package(&notebook).map_err(Failure::usage)?;
        write_all(folder, &files, console)?;
    }
    if let Some(folder) = &args.darwin_core {
        let files = darwin::archive(&notebook).map_err(Failure::usage)?;
        write_all(folder, &files, console)?;
    }
    if args.pictures.is_none() && args.svg.is_none() && args.cards.is_none() && args.report.is_none() {
        return Ok(());
    }
    let (source, missing) = look_for(notebook, args, console);
    if let Some(folder) = &args.pictures {
        pictures(&source, folder, args, console)?;
    }
    if let Some(folder) = &args.svg {
        drawings(&source, folder, console)?;
    }
    if let Some(folder) = &args.cards {
        cards(&source, folder, console)?;
    }
    if let Some(file) = &args.report {
        let page = report::report(&source.notebook, |id| source.photo(id)).map_err(Failure::usage)?;
        write(file, page.as_bytes(), console)?;
    }
    if missing { Err(Failure::Partly) } else { Ok(()) }
}

/// Finds the pictures; says which have moved, changed or are missing. True where some cannot be used.
fn look_for(notebook: Notebook, args: &Args, console: &mut Console) -> (Source, bool) {
    let folder = folder_of(&args.notebook);
    let mut found = HashMap::new();
    let mut missing = false;
    for (id, located) in notebook.locate_pictures(&folder, &args.look_in) {
        let named = notebook.picture(id).map_or_else(|| id.to_string(), |p| p.path.clone());
        match &located {
            Located::There(_) => {}
            Located::Moved(path) => console.warn(&format!("{named} has moved: found by its hash as {}", path.display())),
            Located::Changed(_) => console.warn(&format!(
                "warning: {named} is not the file that was measured: its SHA-256 differs; it is left out"
            )),
            Located::Missing => console.warn(&format!(
                "warning: {named} is not there, and no file of its SHA-256 below {}; it is left out; name a folder with --look-in",
                folder.display()
            )),
        }
        match located.file() {
            Some(path) => drop(found.insert(id, path.to_owned())),
            None => missing = true,
        }
    }
    (Source { notebook, found }, missing)
}

pub(super) fn folder_of(path: &Path) -> PathBuf {
    path.parent().filter(|f| !f.as_os_str().is_empty()).map_or_else(|| PathBuf::from("."), Path::to_owned)
}

fn table(notebook: &Notebook, file: &Path, console: &mut Console) -> Result<(), Failure> {
    let mut bytes = Vec::new();
    csv::write(&mut bytes, &tidy::rows(notebook), true).map_err(Failure::usage)?;
    write(file, &bytes, console)?;
    let name = file.file_name().map_or_else(|| "measurements.csv".to_owned(), |n| n.to_string_lossy().into_owned());
    let description = datapackage::description(notebook, &OutFile { name, bytes }).map_err(Failure::usage)?;
    write(&file.with_extension("datapackage.json"), &description, console)
}

fn write_all(folder: &Path, files: &[OutFile], console: &mut Console) -> Result<(), Failure> {
    for file in files {
        write(&folder.join(&file.name), &file.bytes, console)?;
    }
    Ok(())
}

fn write(path: &Path, bytes: &[u8], console: &mut Console) -> Result<(), Failure> {
    let fail = |e: std::io::Error| Failure::Usage(format!("cannot write: {e}: {}", path.display()));
    std::fs::create_dir_all(folder_of(path)).map_err(fail)?;
    notebook::write_whole(path, bytes).map_err(fail)?;
    console.say(&path.display().to_string())
}

/// A name for a file that every system takes, unlike those before it.
fn file_name(wanted: &str, taken: &mut HashMap<String, usize>) -> String {
    let plain: String =
        wanted.chars().map(|c| if c.is_alphanumeric() || c == '-' { c } else { '_' }).take(80).collect();
    let plain = if plain.trim_matches('_').is_empty() { "unnamed".to_owned() } else { plain };
    let n = taken.entry(plain.to_lowercase()).or_insert(0);
    *n += 1;
    if *n == 1 { plain } else { format!("{plain}_{n}") }
}

fn stem(path: &str) -> String {
    let name = path.rsplit('/').next().unwrap_or(path);
    name.rsplit_once('.').map_or(name, |(stem, _)| stem).to_owned()
}

fn pictures(source: &Source, folder: &Path, args: &Args, console: &mut Console) -> Result<(), Failure> {
    let format = Format::from(args.format);
    let drawn = if args.bar_only { Drawn::BarOnly } else { Drawn::All };
    let mut taken = HashMap::new();
    for p in &source.notebook.pictures {
        let Some(path) = source.found.get(&p.id) else { continue };
        console.progress(&format!("drawing {}", p.path));
        let original =
            std::fs::read(path).map_err(|e| Failure::Usage(format!("cannot read: {e}: {}", path.display())))?;
        let photo = Photo::from_bytes(&original, &Limits::default()).map_err(Failure::usage)?;
        let overlay = marked::overlay(&source.notebook, p.id, drawn);
        let name = stem(&p.path);
        let out = picture_out::encode(&photo, &overlay, &original, &name, format).map_err(Failure::usage)?;
        if overlay.scale_bar.is_none() {
            console.warn(&format!("{}: nothing is measured on it, so it has no scale", p.path));
        } else if !out.has_scale {
            console.warn(&format!(
                "{}: the scale is too large for the metadata of this format; choose --format tiff",
                p.path
            ));
        }
        write(&folder.join(format!("{}.{}", file_name(&name, &mut taken), format.ending())), &out.bytes, console)?;
    }
    Ok(())
}

fn drawings(source: &Source, folder: &Path, console: &mut Console) -> Result<(), Failure> {
    let fail = |e: std::io::Error| Failure::Usage(format!("cannot write: {e}: {}", folder.display()));
    std::fs::create_dir_all(folder).map_err(fail)?;
    let mut taken = HashMap::new();
    for p in &source.notebook.pictures {
        let (Some(path), Some(photo)) = (source.found.get(&p.id), source.photo(p.id)) else { continue };
        let href = notebook::relative_path(folder, path).map_err(fail)?;
        let svg = marked::overlay(&source.notebook, p.id, Drawn::All).to_svg_over(&photo, &href_of(&href));
        write(&folder.join(format!("{}.svg", file_name(&stem(&p.path), &mut taken))), svg.as_bytes(), console)?;
    }
    Ok(())
}

/// A path as a reference: what has a meaning of its own in one is encoded.
fn href_of(path: &str) -> String {
    let plain = |b: u8| b.is_ascii_alphanumeric() || b"-._~/".contains(&b);
    path.bytes().map(|b| if plain(b) { char::from(b).to_string() } else { format!("%{b:02X}") }).collect()
}

fn cards(source: &Source, folder: &Path, console: &mut Console) -> Result<(), Failure> {
    let mut taken = HashMap::new();
    for animal in &source.notebook.animals {
        console.progress(&format!("card of {}", animal.name));
        let pdf = card::card(&source.notebook, animal.id, |id| source.photo(id)).map_err(Failure::usage)?;
        write(&folder.join(format!("{}.pdf", file_name(&animal.name, &mut taken))), &pdf, console)?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_of_files_are_safe_and_distinct() {
        let mut taken = HashMap::new();
        let names: Vec<String> =
            ["a/b", "a:b", "A b", "", "../x", "fougère 1"].iter().map(|n| file_name(n, &mut taken)).collect();
        assert_eq!(names, ["a_b", "a_b_2", "A_b_3", "unnamed", "___x", "fougère_1"]);
        assert_eq!(href_of("../a b/ü.png"), "../a%20b/%C3%BC.png");
        assert_eq!(stem("x/y.z.jpg"), "y.z");
    }
}
