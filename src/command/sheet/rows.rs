//! The rows of a sheet, gathered by what is measured together.

use std::collections::BTreeMap;
use std::fmt;
use std::path::{Path, PathBuf};

use super::super::export::folder_of;
use super::super::failure::Failure;
use super::super::parse;
use crate::animal::{Kind, Lying, Shape};
use crate::notebook::line_of;
use crate::units::{Image, Point};

/// Rows that are measured together.
#[derive(Clone, Debug)]
pub(super) struct Job {
    /// The picture's file.
    pub(super) picture: PathBuf,
    /// The setup as the sheet names it: a name or a file.
    pub(super) setup: String,
    /// The animal's name, perhaps empty.
    pub(super) animal: String,
    /// What an animal without a name is called: the picture's path in the sheet, without its ending.
    pub(super) by_picture: String,
    pub(super) lying: Lying,
    pub(super) mode: Option<String>,
    pub(super) shapes: Vec<Shape>,
    /// The line of the sheet of each shape.
    pub(super) lines: Vec<u64>,
}

/// Rows that cannot be measured, and why.
#[derive(Clone, Debug)]
pub(super) struct Trouble {
    pub(super) lines: Vec<u64>,
    pub(super) words: String,
}

impl fmt::Display for Trouble {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(if self.lines.len() == 1 { "line " } else { "lines " })?;
        for (i, run) in self.lines.chunk_by(|a, b| a + 1 == *b).enumerate() {
            f.write_str(if i > 0 { ", " } else { "" })?;
            match run {
                [first, _, .., last] => write!(f, "{first} to {last}")?,
                [first, second] => write!(f, "{first}, {second}")?,
                _ => run.iter().try_for_each(|line| write!(f, "{line}"))?,
            }
        }
        write!(f, " of the sheet: {}", self.words)
    }
}

/// Troubles in the order of their lines.
pub(super) fn sorted(mut troubles: Vec<Trouble>) -> Vec<Trouble> {
    troubles.iter_mut().for_each(|t| t.lines.sort_unstable());
    troubles.sort_by(|a, b| a.lines.cmp(&b.lines));
    troubles
}

/// The cells of one row.
#[derive(Clone, Debug)]
struct Line {
    picture: String,
    setup: String,
    kind: String,
    marks: String,
    animal: String,
    quantity: String,
    lying: String,
    ends: String,
    mode: String,
}

/// Columns that must be there.
const NEEDED: [&str; 4] = ["picture", "setup", "kind", "marks"];

/// The sheet's rows gathered by what is measured together, in the order of their first row; and those that make no sense.
pub(super) fn read(sheet: &Path) -> Result<(Vec<Job>, Vec<Trouble>), Failure> {
    let fail = |words: String| Failure::Usage(format!("cannot read the sheet: {words}: {}", sheet.display()));
    let text = std::fs::read(sheet).map_err(|e| fail(e.to_string()))?;
    if let Err(e) = std::str::from_utf8(&text) {
        let line = 1 + text.iter().take(e.valid_up_to()).filter(|b| **b == b'\n').count();
        return Err(fail(format!("line {line} is no UTF-8 text; save the sheet as CSV in UTF-8")));
    }
    let mut reader = ::csv::ReaderBuilder::new()
        .trim(::csv::Trim::All)
        .comment(Some(b'#'))
        .flexible(true)
        .from_reader(text.as_slice());
    let header = reader.headers().map_err(|e| fail(e.to_string()))?.clone();
    if let Some(needed) = NEEDED.iter().find(|n| !header.iter().any(|h| h == **n)) {
        return Err(Failure::Usage(format!(
            "the sheet has no column \"{needed}\"; its columns are picture, setup, kind, marks and, where wanted, animal, quantity, lying, ends, mode: {}",
            sheet.display()
        )));
    }
    let folder = folder_of(sheet);
    let (mut jobs, mut troubles): (Vec<Job>, Vec<Trouble>) = (Vec::new(), Vec::new());
    let mut places: BTreeMap<(String, String, String, String, String), usize> = BTreeMap::new();
    // How many rows of a kind an animal has on a picture, also those that fail: names of later ones stay when a row is mended.
    let mut numbers: BTreeMap<(String, String, String, String), usize> = BTreeMap::new();
    for record in reader.records() {
        let record = record.map_err(|e| fail(e.to_string()))?;
        let number = line_of(&text, record.position(), Some(b'#'));
        let mut line = Line::of(&header, &record);
        let kind = (line.picture.clone(), line.setup.clone(), line.animal.clone(), line.kind.clone());
        let of_kind = numbers.entry(kind).or_default();
        *of_kind += 1;
        if line.quantity.is_empty() {
            line.quantity = format!("{} {of_kind}", line.kind);
        }
        let whole = if record.len() == header.len() {
            shape_of(&line)
        } else {
            let (cells, columns) = (record.len(), header.len());
            Err(format!(
                "it has {cells} cells for {columns} columns; put marks in quotation marks and every comma in its place"
            ))
        };
        let (shape, lying) = match whole {
            Ok(whole) => whole,
            Err(words) => {
                troubles.push(Trouble { lines: vec![number], words });
                continue;
            }
        };
        let (picture, setup, animal) = (line.picture.clone(), line.setup.clone(), line.animal.clone());
        let place =
            *places.entry((picture, setup, animal, lying.to_string(), line.mode.clone())).or_insert_with(|| {
                jobs.push(Job {
                    picture: folder.join(&line.picture),
                    setup: line.setup,
                    animal: line.animal,
                    by_picture: by_picture(&line.picture),
                    lying,
                    mode: Some(line.mode).filter(|m| !m.is_empty()),
                    shapes: Vec::new(),
                    lines: Vec::new(),
                });
                jobs.len() - 1
            });
        if let Some(job) = jobs.get_mut(place) {
            job.shapes.push(shape);
            job.lines.push(number);
        }
    }
    Ok((jobs, troubles))
}

impl Line {
    fn of(header: &::csv::StringRecord, record: &::csv::StringRecord) -> Self {
        // A line break within a cell is a space, as the table writes it.
        let cell = |name: &str| {
            let at = header.iter().position(|h| h == name);
            at.and_then(|i| record.get(i)).unwrap_or_default().replace(['\r', '\n'], " ")
        };
        Self {
            picture: cell("picture"),
            setup: cell("setup"),
            kind: cell("kind"),
            marks: cell("marks"),
            animal: cell("animal"),
            quantity: cell("quantity"),
            lying: cell("lying"),
            ends: cell("ends"),
            mode: cell("mode"),
        }
    }
}

/// The path as it stands in the sheet, without its ending and without `./`, with `/` between folders.
pub(super) fn by_picture(picture: &str) -> String {
    let path = Path::new(picture).with_extension("");
    let path: PathBuf = path.strip_prefix(".").unwrap_or(&path).components().collect();
    path.to_string_lossy().replace(std::path::MAIN_SEPARATOR, "/")
}

fn shape_of(line: &Line) -> Result<(Shape, Lying), String> {
    if line.picture.is_empty() {
        return Err("it names no picture".to_owned());
    }
    let kinds = [Kind::Span, Kind::Axis, Kind::Breadth, Kind::Appendage, Kind::Outline, Kind::Angle];
    let kind = kinds.into_iter().find(|k| k.name() == line.kind);
    let kind = kind.ok_or_else(|| {
        format!("the kind \"{}\" is none of span, axis, breadth, appendage, outline, angle", line.kind)
    })?;
    let points: Vec<Point<Image>> = parse::marks(&line.marks)?.0;
    let ends = if line.ends.is_empty() { kind.usual_ends() } else { parse::ends(&line.ends)? };
    let lying = if line.lying.is_empty() { Lying::Unknown } else { parse::lying(&line.lying)? };
    Ok((Shape::by_hand(line.quantity.clone(), kind, &points, ends), lying))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_named_in_runs() {
        let told = |lines: &[u64]| Trouble { lines: lines.to_vec(), words: "no".into() }.to_string();
        assert_eq!(told(&[7]), "line 7 of the sheet: no");
        assert_eq!(told(&[3, 4, 9, 11, 12, 13]), "lines 3, 4, 9, 11 to 13 of the sheet: no");
    }

    #[test]
    fn animals_without_a_name_are_called_by_their_picture() {
        for (picture, name) in
            [("a/IMG_0001.jpg", "a/IMG_0001"), ("./IMG.0001.tif", "IMG.0001"), ("../b/./c.png", "../b/c")]
        {
            assert_eq!(by_picture(picture), name);
        }
    }
}
