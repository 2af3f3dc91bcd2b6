//! The table of measurements: one row a measured quantity, tidy, full precision, units in their own column or in the header.

use std::fs::OpenOptions;
use std::io::{self, Read, Seek, Write};
use std::path::{Path, PathBuf};

use crate::notebook::line_of;

/// The columns, in their order.
pub const COLUMNS: [&str; 23] = [
    "picture",
    "picture_sha256",
    "setup",
    "animal",
    "quantity",
    "kind",
    "part",
    "value",
    "unit",
    "u",
    "low",
    "high",
    "coverage",
    "k",
    "dof",
    "verdict",
    "lying",
    "ends",
    "placement",
    "blur_spot_um",
    "scale_px_per_um",
    "u_rel_scale",
    "warnings",
];

/// One row. What does not exist is `None` or empty and becomes an empty cell, never 0.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Row {
    /// Path of the picture as it was given.
    pub picture: String,
    /// SHA-256 of the picture's file.
    pub picture_sha256: String,
    /// Name of the setup.
    pub setup: String,
    /// Name of the animal, perhaps empty.
    pub animal: String,
    /// Name of the quantity, as `axis 1`.
    pub quantity: String,
    /// Kind: span, axis, breadth, appendage, outline, angle, ratio, sum.
    pub kind: String,
    /// Part of it, as `segment 2`; empty for the whole.
    pub part: String,
    /// Value in `unit`.
    pub value: Option<f64>,
    /// Unit of value, u, low and high; empty for a bare number.
    pub unit: String,
    /// Standard uncertainty.
    pub u: Option<f64>,
    /// Lower end of the coverage interval.
    pub low: Option<f64>,
    /// Upper end, or the bound of what is not resolved.
    pub high: Option<f64>,
    /// Coverage probability.
    pub coverage: Option<f64>,
    /// Coverage factor.
    pub k: Option<f64>,
    /// Effective degrees of freedom; `INF` in the file where they are infinite.
    pub dof: Option<f64>,
    /// Verdict.
    pub verdict: String,
    /// How the animal lies.
    pub lying: String,
    /// What the ends stand on; empty where they differ.
    pub ends: String,
    /// How the marks were placed.
    pub placement: String,
    /// The blur spot used, µm.
    pub blur_spot_um: Option<f64>,
    /// Scale at the picture's centre, px/µm.
    pub scale_px_per_um: Option<f64>,
    /// Relative standard uncertainty of the scale with everything.
    pub u_rel_scale: Option<f64>,
    /// Warnings, separated by `; `.
    pub warnings: String,
}

/// Why a table cannot be written or read.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum CsvError {
    /// The file has another header.
    #[error(
        "the file is no table of measurements: its first line is \"{found}\", must be the header \"{}\"; name another file: {}",
        COLUMNS.join(","),
        path.display()
    )]
    OtherHeader {
        /// Its first line, cut short.
        found: String,
        /// The file.
        path: PathBuf,
    },
    /// The file cannot be written.
    #[error("cannot write the table: {source}: {}", path.display())]
    File {
        /// The file.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// The file cannot be read, or a row of it is damaged.
    #[error(
        "cannot read the table: {}{source}: {}",
        line.map_or_else(String::new, |line| format!("line {line}: ")),
        path.display()
    )]
    Read {
        /// The file.
        path: PathBuf,
        /// The line on which the row begins, the header being 1; `None` where the file itself cannot be read.
        line: Option<u64>,
        /// What is wrong there and what to do.
        source: io::Error,
    },
}

/// Appends `rows` to the table in `path`, making it with its header where it does not exist or is empty.
///
/// All rows go out in one write, behind what is there; a last line without an end is ended first.
///
/// # Errors
/// [`CsvError::OtherHeader`] where the file is something else, which is then left as it was; [`CsvError::File`].
pub fn append(path: &Path, rows: &[Row]) -> Result<(), CsvError> {
    let fail = |source: io::Error| CsvError::File { path: path.to_owned(), source };
    let mut file = OpenOptions::new().read(true).append(true).create(true).open(path).map_err(fail)?;
    // The beginning and the end alone: a long sheet appends many times.
    let length = file.metadata().map_err(fail)?.len();
    let mut there = Vec::new();
    (&mut file).take(BEGINNING).read_to_end(&mut there).map_err(fail)?;
    let there = String::from_utf8_lossy(&there);
    let first = there.trim_start_matches('\u{feff}').lines().next().unwrap_or("");
    let with_header = length <= BEGINNING && there.trim().is_empty();
    if !with_header && first.trim_end() != COLUMNS.join(",") {
        let found = first.chars().take(80).collect();
        return Err(CsvError::OtherHeader { found, path: path.to_owned() });
    }
    let mut bytes = Vec::new();
    if !with_header {
        let mut last = [0];
        file.seek(io::SeekFrom::End(-1)).and_then(|_at| file.read_exact(&mut last)).map_err(fail)?;
        if last != *b"\n" {
            bytes.push(b'\n');
        }
    }
    write(&mut bytes, rows, with_header).map_err(fail)?;
    file.write_all(&bytes).and_then(|()| file.sync_all()).map_err(fail)
}

/// Bytes that hold the header, and more.
const BEGINNING: u64 = 4096;

/// Takes an unfinished measurement off the end of a table, as a program leaves it that is killed while it writes: a last row of too few
/// cells, with what stands before it of the same measurement. True where there was one. Whatever is whole stays.
///
/// # Errors
/// [`CsvError::File`].
pub fn mend(path: &Path) -> Result<bool, CsvError> {
    let fail = |source: io::Error| CsvError::File { path: path.to_owned(), source };
    let bytes = std::fs::read(path).map_err(fail)?;
    if bytes.is_empty() || bytes.ends_with(b"\n") {
        return Ok(false);
    }
    let part = COLUMNS.iter().position(|c| *c == "part").unwrap_or(0);
    let mut reader = csv::ReaderBuilder::new().flexible(true).has_headers(false).from_reader(bytes.as_slice());
    let (mut record, mut cells) = (csv::ByteRecord::new(), 0);
    let (mut begun, mut last, mut rows, mut whole) = (0, 0, 0_u64, csv::ByteRecord::new());
    loop {
        let at = reader.position().byte();
        if !reader.read_byte_record(&mut record).map_err(|e| fail(io_error(e)))? {
            break;
        }
        (last, cells) = (at as usize, record.len());
        // A row cut before it says whether it is a part, or while it does, may be one of the measurement before it.
        let is_part = match record.get(part).filter(|_| record.len() > part + 1) {
            Some(name) => !name.is_empty() && rows > 0,
            None => rows > 0 && may_continue(&whole, &record, part),
        };
        if !is_part {
            (begun, whole) = (at, record.clone());
        }
        rows += 1;
    }
    // The header alone and cut short: nothing was written yet. Any other is a table of something else, told where it is read.
    let header = COLUMNS.join(",");
    let header_cut = header.as_bytes().starts_with(&bytes) && bytes.len() < header.len();
    // A quotation that is open would take in whatever is written behind it.
    let open_quote = bytes.get(last..).unwrap_or_default().iter().filter(|b| **b == b'"').count() % 2 == 1;
    if !(if rows < 2 { header_cut } else { open_quote || cells < COLUMNS.len() }) {
        return Ok(false);
    }
    let file = OpenOptions::new().write(true).open(path).map_err(fail)?;
    file.set_len(begun).and_then(|()| file.sync_all()).map_err(fail)?;
    Ok(true)
}

/// True where a row that was cut short may be a part of the measurement whose own row is `whole`: only some kinds have parts, and theirs
/// begin with the same cells.
fn may_continue(whole: &csv::ByteRecord, cut: &csv::ByteRecord, part: usize) -> bool {
    let kind = COLUMNS.iter().position(|c| *c == "kind").and_then(|i| whole.get(i)).unwrap_or_default();
    let last = cut.len().saturating_sub(1);
    [&b"appendage"[..], b"outline"].contains(&kind)
        && cut
            .iter()
            .zip(whole)
            .take(part)
            .enumerate()
            .all(|(i, (c, w))| if i < last { c == w } else { w.starts_with(c) })
}

/// Writes `rows` as CSV (RFC 4180 quoting, lines ended by a line feed).
///
/// # Errors
/// Whatever `out` says.
pub fn write(out: &mut impl Write, rows: &[Row], with_header: bool) -> io::Result<()> {
    let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::Any(b'\n')).from_writer(out);
    if with_header {
        writer.write_record(COLUMNS).map_err(io_error)?;
    }
    for row in rows {
        writer.write_record(row.cells()).map_err(io_error)?;
    }
    writer.flush()
}

/// A table of texts under a header, formulas defused.
///
/// # Errors
/// Whatever the writer says.
pub(super) fn text_table(columns: &[&str], rows: impl IntoIterator<Item = Vec<String>>) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::Any(b'\n')).from_writer(&mut bytes);
    writer.write_record(columns).map_err(io_error)?;
    for row in rows {
        writer
            .write_record(row.iter().map(|cell| if is_number(cell) { cell.clone() } else { text(cell) }))
            .map_err(io_error)?;
    }
    writer.flush()?;
    drop(writer);
    Ok(bytes)
}

/// A number is no formula, even a negative one.
fn is_number(cell: &str) -> bool {
    cell.bytes().all(|b| b.is_ascii_digit() || b"+-.eE".contains(&b)) && cell.parse::<f64>().is_ok()
}

/// Reads a table of measurements back, to the last bit.
///
/// # Errors
/// [`CsvError::OtherHeader`] where the file is something else; [`CsvError::Read`], which names the line, also for a cell that should
/// be a number and is none, and for a row that was cut short.
pub fn read(path: &Path) -> Result<Vec<Row>, CsvError> {
    let fail = |line: Option<u64>, source: io::Error| CsvError::Read { path: path.to_owned(), line, source };
    let text = std::fs::read(path).map_err(|e| fail(None, e))?;
    let mut reader = csv::ReaderBuilder::new().flexible(true).from_reader(text.as_slice());
    let header = reader.headers().map_err(|e| fail(Some(1), io_error(e)))?;
    if header.iter().map(|h| h.trim_start_matches('\u{feff}')).ne(COLUMNS) {
        let found = header.iter().collect::<Vec<_>>().join(",").chars().take(80).collect();
        return Err(CsvError::OtherHeader { found, path: path.to_owned() });
    }
    let mut rows = Vec::new();
    for record in reader.into_byte_records() {
        let record = record.map_err(|e| fail(None, io_error(e)))?;
        let line = line_of(&text, record.position(), None);
        let fail = |words: String| fail(Some(line), io::Error::other(words));
        let record = csv::StringRecord::from_byte_record(record)
            .map_err(|_err| fail("it is no UTF-8 text; save the table as CSV in UTF-8".to_owned()))?;
        rows.push(Row::of_cells(&record).map_err(fail)?);
    }
    Ok(rows)
}

fn io_error(e: csv::Error) -> io::Error {
    match e.into_kind() {
        csv::ErrorKind::Io(e) => e,
        other => io::Error::other(format!("{other:?}")),
    }
}

impl Row {
    fn of_cells(record: &csv::StringRecord) -> Result<Self, String> {
        if record.len() < COLUMNS.len() {
            return Err(format!(
                "the row ends after {} of {} cells; take the row out, and measure it again",
                record.len(),
                COLUMNS.len()
            ));
        }
        let cell = |i: usize| record.get(i).unwrap_or_default();
        let t = |i: usize| untext(cell(i));
        let n = |i: usize| match cell(i) {
            "" => Ok(None),
            "INF" => Ok(Some(f64::INFINITY)),
            c => c.parse().map(Some).map_err(|_err| {
                format!(
                    "\"{c}\" in column {} is no number; mend the cell, or take the row out and measure it again",
                    COLUMNS[i]
                )
            }),
        };
        Ok(Self {
            picture: t(0),
            picture_sha256: t(1),
            setup: t(2),
            animal: t(3),
            quantity: t(4),
            kind: t(5),
            part: t(6),
            value: n(7)?,
            unit: t(8),
            u: n(9)?,
            low: n(10)?,
            high: n(11)?,
            coverage: n(12)?,
            k: n(13)?,
            dof: n(14)?,
            verdict: t(15),
            lying: t(16),
            ends: t(17),
            placement: t(18),
            blur_spot_um: n(19)?,
            scale_px_per_um: n(20)?,
            u_rel_scale: n(21)?,
            warnings: t(22),
        })
    }

    fn cells(&self) -> [String; 23] {
        [
            text(&self.picture),
            text(&self.picture_sha256),
            text(&self.setup),
            text(&self.animal),
            text(&self.quantity),
            text(&self.kind),
            text(&self.part),
            number(self.value),
            text(&self.unit),
            number(self.u),
            number(self.low),
            number(self.high),
            number(self.coverage),
            number(self.k),
            number(self.dof),
            text(&self.verdict),
            text(&self.lying),
            text(&self.ends),
            text(&self.placement),
            number(self.blur_spot_um),
            number(self.scale_px_per_um),
            number(self.u_rel_scale),
            text(&self.warnings),
        ]
    }
}

/// A number in full precision; `INF` as the Frictionless table schema writes it; nothing where there is none.
fn number(value: Option<f64>) -> String {
    match value {
        Some(v) if v.is_finite() => format!("{v}"),
        Some(v) if v == f64::INFINITY => "INF".to_owned(),
        _ => String::new(),
    }
}

/// A text that no spreadsheet takes for a formula: one that begins like a formula, or with an apostrophe, gets an apostrophe before
/// it, so that taking one away gives the text back.
///
/// Source: OWASP, CSV Injection: cells beginning with = + - @, a tab or a line end.
fn text(value: &str) -> String {
    let plain: String = value.chars().map(|c| if c == '\r' || c == '\n' || c == '\0' { ' ' } else { c }).collect();
    if plain.starts_with(['\'', '=', '+', '-', '@', '\t', '\u{ff1d}', '\u{ff0b}', '\u{ff0d}', '\u{ff20}']) {
        format!("'{plain}")
    } else {
        plain
    }
}

fn untext(cell: &str) -> String {
    cell.strip_prefix('\'').unwrap_or(cell).to_owned()
}

#[cfg(test)]
#[path = "csv_tests.rs"]
mod tests;
