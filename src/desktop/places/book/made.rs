//! Statistics and repeats of the whole notebook, made in the background once for every state of it.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, Ordering};

use eframe::egui;

use super::super::super::work::{Done, Work};
use crate::animal::Measured;
use crate::animal::repeat::{Repeated, repeated, with_repeats};
use crate::notebook::{AnimalId, Growth, Measurement, MeasurementId, Notebook, QuantitySummary, growth, places_of};
use crate::stats::{TechnicalError, technical_error};
use crate::uncertainty::Options;

/// Animals from which on size classes are looked for, as in the report.
const ENOUGH_FOR_CLASSES: usize = 12;
/// Most size classes looked for, as in the report.
const MOST_CLASSES: usize = 7;

/// A quantity of one animal that was measured more than once.
#[derive(Debug)]
pub(super) struct Repeats {
    pub(super) animal: AnimalId,
    pub(super) quantity: String,
    pub(super) ids: Vec<MeasurementId>,
    pub(super) readings: Vec<f64>,
    pub(super) spread: Repeated,
    /// The last of them with the mean of all, and the observed spread in its budget; words where that cannot be.
    pub(super) pooled: Result<Box<Measured>, String>,
}

/// The technical error of measurement of one quantity over all animals in which it was repeated.
#[derive(Debug)]
pub(super) struct Technical {
    pub(super) quantity: String,
    pub(super) unit: &'static str,
    pub(super) animals: usize,
    pub(super) error: TechnicalError,
}

/// What was made of one state of the notebook.
#[derive(Debug, Default)]
pub(crate) struct Made {
    of: (String, u64),
    pub(super) statistics: Vec<(QuantitySummary, Option<Growth>)>,
    pub(super) repeats: Vec<Repeats>,
    pub(super) technical: Vec<Technical>,
}

impl Made {
    fn of(notebook: &Notebook, cancelled: &AtomicBool) -> Option<Self> {
        let statistics = notebook.statistics().into_iter().map(|s| {
            let sizes: Vec<(f64, f64)> = s.samples.iter().map(|v| (v.value, v.u_own)).collect();
            let wanted = s.part.is_empty() && sizes.len() >= ENOUGH_FOR_CLASSES && !cancelled.load(Ordering::Relaxed);
            let classes = if wanted { growth(&sizes, MOST_CLASSES) } else { None };
            (s, classes)
        });
        let statistics = statistics.collect();
        let mut sets: BTreeMap<(String, AnimalId), Vec<&Measurement>> = BTreeMap::new();
        for m in &notebook.measurements {
            sets.entry((m.full_name(), m.animal)).or_default().push(m);
        }
        let value = |m: &&Measurement| m.reported.as_ref().and_then(|r| r.figure.value);
        let mut repeats = Vec::new();
        let mut by_quantity: BTreeMap<String, (&'static str, Vec<Vec<f64>>)> = BTreeMap::new();
        for ((quantity, animal), set) in &sets {
            if cancelled.load(Ordering::Relaxed) {
                return None;
            }
            let known: Vec<&Measurement> = set.iter().copied().filter(|m| value(m).is_some()).collect();
            let readings: Vec<f64> = known.iter().filter_map(value).collect();
            let (Ok(spread), Some(last)) = (repeated(&readings), known.last()) else { continue };
            let unit = last.reported.as_ref().map_or("", |r| r.figure.unit.symbol());
            by_quantity.entry(quantity.clone()).or_insert((unit, Vec::new())).1.push(readings.clone());
            let pooled = pooled(notebook, last, &spread);
            let ids = known.iter().map(|m| m.id).collect();
            repeats.push(Repeats { animal: *animal, quantity: quantity.clone(), ids, readings, spread, pooled });
        }
        let technical = by_quantity.into_iter().filter_map(|(quantity, (unit, subjects))| {
            let all: Vec<&[f64]> = subjects.iter().map(Vec::as_slice).collect();
            let error = technical_error(&all).ok()?;
            Some(Technical { quantity, unit, animals: subjects.len(), error })
        });
        let technical = technical.collect();
        Some(Self { of: key(notebook), statistics, repeats, technical })
    }
}

/// The last reading evaluated anew, with the others in its budget.
fn pooled(notebook: &Notebook, last: &Measurement, spread: &Repeated) -> Result<Box<Measured>, String> {
    let go = notebook.go_of(last.id);
    let answer = notebook.evaluate(&go, Options::default()).map_err(|e| e.to_string())?;
    let at = go.iter().position(|m| m.id == last.id).and_then(|i| places_of(&go).get(i).copied());
    let measured = at.and_then(|i| answer.measured.get(i)).ok_or_else(|| "it is not evaluated".to_owned())?;
    with_repeats(measured, spread).map(Box::new).map_err(|e| e.to_string())
}

fn key(notebook: &Notebook) -> (String, u64) {
    (notebook.id.as_str().to_owned(), notebook.revision)
}

/// The last thing made, and what is under way.
#[derive(Debug, Default)]
pub(super) struct Making {
    made: Option<Made>,
    ticket: Option<u64>,
    asked_for: Option<(String, u64)>,
}

impl Making {
    pub(super) fn arrived(&mut self, made: Made) {
        self.ticket = None;
        self.made = Some(made);
    }

    /// What is made of the notebook as it is; `None` while it is in the making.
    pub(super) fn of(&mut self, notebook: &Notebook, work: &mut Work, ctx: &egui::Context) -> Option<&Made> {
        let key = key(notebook);
        let known = self.made.as_ref().is_some_and(|m| m.of == key);
        if !known && (self.asked_for.as_ref() != Some(&key) || !work.is_running(self.ticket)) {
            work.give_up(self.ticket);
            let notebook = notebook.clone();
            self.asked_for = Some(key);
            self.ticket = work.start(ctx, "statistics of the notebook", move |cancelled| {
                Made::of(&notebook, cancelled).map(|m| Done::Made(Box::new(m)))
            });
        }
        self.made.as_ref().filter(|_| known)
    }
}
