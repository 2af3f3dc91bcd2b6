//! What a table and a notebook have of a sheet already.

use std::collections::{BTreeMap, BTreeSet};

use super::super::console::Console;
use super::super::failure::Failure;
use super::rows::{Trouble, by_picture};
use super::{Args, Work};
use crate::animal::{Mark, Shape};
use crate::exchange::csv;
use crate::exchange::tidy::ends_word;
use crate::notebook::{self, Notebook};

/// What tells a measurement: SHA-256 of the picture, name of the setup, animal, quantity.
type Key = (String, String, String, String);

/// One measurement that is there, in what may have been changed in the sheet since.
#[derive(Clone, Debug, PartialEq)]
struct Entry {
    kind: String,
    lying: String,
    ends: String,
    /// None in a table.
    marks: Option<Vec<Mark>>,
}

type Entries = BTreeMap<Key, Vec<Entry>>;

/// What there was before the sheet ran.
#[derive(Clone, Debug, Default)]
pub(super) struct Stores {
    table: Entries,
    notebook: Entries,
    /// The pictures of each animal.
    animals: BTreeMap<String, BTreeSet<String>>,
    /// Animals that were called by their picture, by its content.
    by_content: BTreeMap<String, String>,
}

/// Whether a row is there.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) enum There {
    #[default]
    No,
    Yes,
    /// It is, but differs in this.
    Changed(&'static str),
}

/// Where a row is.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct State {
    pub(super) table: There,
    pub(super) notebook: There,
}

impl State {
    /// In what the row differs from what is there.
    pub(super) fn changed(self) -> Option<String> {
        match (self.notebook, self.table) {
            (There::Changed(what), _) => Some(format!("{what} in the notebook")),
            (_, There::Changed(what)) => Some(format!("{what} in the table")),
            _ => None,
        }
    }
}

impl Stores {
    /// Reads what is there; a measurement that an earlier run was killed in the middle of is taken off the table first.
    pub(super) fn of(args: &Args, console: &mut Console) -> Result<Self, Failure> {
        let mut stores = Self::default();
        if let Some(path) = &args.csv
            && std::fs::metadata(path).is_ok_and(|m| m.len() > 0)
        {
            if csv::mend(path).map_err(Failure::usage)? {
                let words = "the table's last measurement was cut short; it is taken out and measured anew";
                console.warn(&format!("{words}: {}", path.display()));
            }
            stores.take_table(csv::read(path).map_err(Failure::usage)?);
        }
        if let Some(path) = args.notebook.as_ref().filter(|p| p.exists()) {
            stores.take_notebook(&notebook::read(path).map_err(Failure::usage)?);
        }
        Ok(stores)
    }

    fn take_table(&mut self, rows: Vec<csv::Row>) {
        for row in rows.into_iter().filter(|r| r.part.is_empty()) {
            self.note_animal(&row.animal, &row.picture_sha256, &row.picture);
            let entry = Entry { kind: row.kind, lying: row.lying, ends: row.ends, marks: None };
            self.table.entry((row.picture_sha256, row.setup, row.animal, row.quantity)).or_default().push(entry);
        }
    }

    fn take_notebook(&mut self, n: &Notebook) {
        // Looked up once each, not once a measurement.
        let pictures: BTreeMap<_, _> = n.pictures.iter().map(|p| (p.id, (&p.sha256, &p.path))).collect();
        let setups: BTreeMap<_, _> = n.setups.iter().map(|s| (s.id, &s.setup.name)).collect();
        let animals: BTreeMap<_, _> = n.animals.iter().map(|a| (a.id, &a.name)).collect();
        for m in &n.measurements {
            let of = (pictures.get(&m.picture), setups.get(&m.setup), animals.get(&m.animal), m.shape());
            let (Some(&(sha256, path)), Some(&setup), Some(&animal), Some(shape)) = of else { continue };
            self.note_animal(animal, sha256, path);
            let entry = Entry {
                kind: m.kind.name().to_owned(),
                lying: m.lying.to_string(),
                ends: ends_word(shape.ends()).to_owned(),
                marks: Some(shape.marks),
            };
            let key = (sha256.clone(), setup.clone(), animal.clone(), m.quantity.clone());
            self.notebook.entry(key).or_default().push(entry);
        }
    }

    fn note_animal(&mut self, animal: &str, sha256: &str, picture: &str) {
        self.animals.entry(animal.to_owned()).or_default().insert(sha256.to_owned());
        // The sheet's own path is the end of the one that is kept, which begins at another folder.
        let path = by_picture(picture);
        let end = path.char_indices().filter(|(_, c)| *c == '/').map(|(i, _)| i + 1);
        if std::iter::once(0).chain(end).any(|i| is_numbered(animal, &path[i..])) {
            self.by_content.entry(sha256.to_owned()).or_insert_with(|| animal.to_owned());
        }
    }

    /// Names the animals that have no name by their pictures, so that one name is one picture: the same content under two paths is one
    /// picture, called by the first. What to tell of names that the row's own path does not give.
    pub(super) fn name_animals(&self, work: &mut [Work]) -> Vec<String> {
        let mut animals = self.animals.clone();
        for w in work.iter().filter(|w| !w.animal.is_empty()) {
            animals.entry(w.animal.clone()).or_default().insert(w.sha256.clone());
        }
        let mut by_content = self.by_content.clone();
        let mut told = Vec::new();
        for w in work.iter_mut().filter(|w| w.animal.is_empty()) {
            let wanted = &w.job.by_picture;
            let numbered = (2_u64..).map(|n| format!("{wanted} ({n})"));
            let mut names = std::iter::once(wanted.clone()).chain(numbered);
            let alike = animals.range(wanted.clone()..).take_while(|(name, _)| name.starts_with(wanted));
            let mut alike = alike.filter(|(name, _)| is_numbered(name, wanted));
            let before = alike.find(|(_, of)| of.contains(&w.sha256)).map(|(name, _)| name.clone());
            let known = before.is_some();
            let same = by_content.get(&w.sha256).cloned().filter(|_| !known);
            let name = before.or_else(|| same.clone());
            let name = name.or_else(|| names.find(|name| !animals.contains_key(name))).unwrap_or_default();
            let words = if same.is_some() {
                format!(
                    "its picture has the same content as that of the animal \"{name}\" and is taken for the same; if it is another animal, write a name in the column animal"
                )
            } else {
                format!(
                    "the animal is called \"{name}\": \"{wanted}\" is on another picture; to join them, write a name in the column animal"
                )
            };
            if name != *wanted && !known {
                told.push(Trouble { lines: w.job.lines.clone(), words }.to_string());
            }
            animals.entry(name.clone()).or_default().insert(w.sha256.clone());
            by_content.entry(w.sha256.clone()).or_insert_with(|| name.clone());
            w.animal = name;
        }
        told
    }

    /// Where each shape of each work is. An entry counts for one row, so that repeats stay repeats: rows take first what is the same,
    /// then what is left of their name, which they differ from.
    pub(super) fn states(mut self, work: &[Work]) -> Vec<Vec<State>> {
        let mut states: Vec<Vec<State>> = work.iter().map(|w| vec![State::default(); w.job.shapes.len()]).collect();
        let mut each = |visit: &mut dyn FnMut(&Work, &Shape, &mut State)| {
            for (w, states) in work.iter().zip(&mut states) {
                w.job.shapes.iter().zip(states).for_each(|(shape, state)| visit(w, shape, state));
            }
        };
        each(&mut |w, shape, state| state.notebook = take_same(&mut self.notebook, w, shape));
        each(&mut |w, shape, state| {
            if state.notebook == There::No {
                state.notebook = take_other(&mut self.notebook, w, shape);
            }
        });
        // A table has no marks: what the notebook knows by its marks chooses there first.
        each(&mut |w, shape, state| {
            if state.notebook == There::Yes {
                state.table = take_same(&mut self.table, w, shape);
            }
        });
        each(&mut |w, shape, state| {
            if state.table == There::No && state.notebook != There::Yes {
                state.table = take_same(&mut self.table, w, shape);
            }
        });
        each(&mut |w, shape, state| {
            if state.table == There::No {
                state.table = take_other(&mut self.table, w, shape);
            }
        });
        states
    }
}

/// True for the name itself and for the name with a number behind it.
fn is_numbered(name: &str, wanted: &str) -> bool {
    let Some(rest) = name.strip_prefix(wanted) else { return false };
    let number = rest.strip_prefix(" (").and_then(|r| r.strip_suffix(')'));
    rest.is_empty() || number.is_some_and(|n| n.parse::<u64>().is_ok())
}

fn key(w: &Work, shape: &Shape) -> Key {
    (w.sha256.clone(), w.setup.name.clone(), w.animal.clone(), shape.name.clone())
}

fn take_same(entries: &mut Entries, w: &Work, shape: &Shape) -> There {
    let Some(left) = entries.get_mut(&key(w, shape)) else { return There::No };
    let Some(at) = left.iter().position(|entry| entry.difference(w, shape).is_none()) else { return There::No };
    left.remove(at);
    There::Yes
}

/// Takes the entry that differs least.
fn take_other(entries: &mut Entries, w: &Work, shape: &Shape) -> There {
    let Some(left) = entries.get_mut(&key(w, shape)) else { return There::No };
    let differences = left.iter().enumerate().filter_map(|(i, entry)| Some((entry.difference(w, shape)?, i)));
    let Some((difference, at)) = differences.max_by_key(|d| d.0) else { return There::No };
    left.remove(at);
    There::Changed(difference.words())
}

/// In what an entry differs, the gravest first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Difference {
    Kind,
    Marks,
    Ends,
    Lying,
}

impl Difference {
    const fn words(self) -> &'static str {
        match self {
            Self::Kind => "its kind differs from that",
            Self::Marks => "its marks differ from those",
            Self::Ends => "its ends differ from those",
            Self::Lying => "its lying differs from that",
        }
    }
}

impl Entry {
    fn difference(&self, w: &Work, shape: &Shape) -> Option<Difference> {
        let at = |marks: &[Mark]| marks.iter().map(|m| (m.at.x.to_bits(), m.at.y.to_bits())).collect::<Vec<_>>();
        let ends = |marks: &[Mark]| marks.iter().map(|m| m.kind).collect::<Vec<_>>();
        let marks = self.marks.as_deref();
        if self.kind != shape.kind.name() {
            Some(Difference::Kind)
        } else if marks.is_some_and(|marks| at(marks) != at(&shape.marks)) {
            Some(Difference::Marks)
        } else if self.ends != ends_word(shape.ends()) || marks.is_some_and(|m| ends(m) != ends(&shape.marks)) {
            Some(Difference::Ends)
        } else {
            (self.lying != w.job.lying.to_string()).then_some(Difference::Lying)
        }
    }
}
