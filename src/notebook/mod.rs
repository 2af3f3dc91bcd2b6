//! The notebook: one document with pictures, animals, marks, the setups used and the figures, for years.
//!
//! * [`Notebook`]: the document. Keys that this version does not know are kept and written again.
//! * [`Action`], [`Notebook::apply`]: every edit, applied in one place, each with its inverse; [`Editor`]: undo and redo.
//! * [`Store`]: the notebook in its file, with a journal and a lock; [`read`]: the file without taking it.
//! * [`Picture::found_in`]: pictures found again by their hash.
//! * [`evaluate`]: figures from setup, picture and marks; [`Notebook::recheck`]: every stored figure evaluated anew.
//! * [`Notebook::statistics`], [`growth`], [`compare`], [`sentence_of`]: what a notebook tells.
//!
//! Nothing here knows the clock, the user's name or the host: they come as arguments.

mod action;
mod apply;
mod check;
mod compare;
mod document;
mod error;
mod evaluate;
mod file;
mod form;
mod growth;
mod history;
mod id;
mod journal;
mod lines;
mod locate;
mod lock;
mod measurement;
mod record;
#[cfg(test)]
mod schema;
mod sentence;
mod statistics;
mod store;
#[cfg(test)]
mod store_tests;
mod summary_words;
#[cfg(test)]
pub(crate) mod testing;
#[cfg(test)]
mod tests;
mod trade;

pub use action::Action;
pub use compare::{Fit, PublishedSize, SHIPPED, TableError, compare, read_sizes};
pub use document::{FORMAT, KeptSetup, Notebook, SCHEMA};
pub use error::{ActionError, NotebookError, StoreError};
pub use evaluate::{Answer, EvaluateError, Question, Recheck, evaluate, places_of};
pub(crate) use file::write_whole;
pub use file::{from_text, read, to_text};
pub use form::Unknown;
pub use growth::{Growth, Mixture, SizeClass, dyar, growth};
pub use history::Editor;
pub use id::{AnimalId, MeasurementId, NotebookId, PictureId, SetupId};
pub(crate) use lines::line_of;
pub use locate::{Located, relative_path, sha256_of};
pub use lock::Holder;
pub use measurement::{BudgetNote, FigureNote, Measurement, PartOf, Reported, StoredMark};
pub use record::{Animal, Picture, Quantity};
pub use sentence::{roman, sentence_of};
pub use statistics::{QuantitySummary, Sampled};
pub use store::{Opened, Store};
pub use summary_words::SummaryWords;
pub use trade::{TRADE_LENGTHS, TradeLength};
