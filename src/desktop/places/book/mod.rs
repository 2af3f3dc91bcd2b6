//! Notebook: everything that was measured as a table, its statistics, its repeats, and sizes held against published ones.

mod comparison;
mod leaving;
mod made;
mod plots;
mod repeats;
mod statistics;
mod table;

use eframe::egui;
use egui::Ui;

use super::super::document::Document;
use super::super::keys::Command;
use super::super::message::Messages;
use super::super::work::Work;
use crate::command::desk::Export;
use crate::exchange::plot::Plot;
use crate::notebook::MeasurementId;
pub(crate) use made::Made;
use made::Making;

/// What of the notebook is shown.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) enum Page {
    /// Every figure.
    #[default]
    Table,
    /// Means, spreads, distributions.
    Statistics,
    /// The same measured again.
    Repeats,
    /// Published sizes.
    Comparison,
}

impl Page {
    const ALL: [(Self, &'static str, Command); 4] = [
        (Self::Table, "Table", Command::PageTable),
        (Self::Statistics, "Statistics", Command::PageStatistics),
        (Self::Repeats, "Repeats", Command::PageRepeats),
        (Self::Comparison, "Comparison", Command::PageComparison),
    ];

    /// The page that a key leads to.
    pub(crate) fn of(command: Command) -> Option<Self> {
        Self::ALL.iter().find(|p| p.2 == command).map(|p| p.0)
    }
}

/// What the place asks for.
#[derive(Debug)]
pub(crate) enum Asked {
    /// To look at a measurement on its picture.
    GoTo(MeasurementId),
    /// To write something that leaves the notebook.
    Export(Export),
    /// To write a plot as a picture.
    SavePlot(Box<Plot>),
    /// To choose a table of published sizes.
    OpenSizes,
    /// To choose a notebook.
    OpenNotebook,
    /// The sample notebook.
    OpenSample,
}

/// The place.
#[derive(Debug, Default)]
pub(crate) struct BookPlace {
    page: Page,
    table: table::TablePage,
    statistics: statistics::StatisticsPage,
    repeats: repeats::RepeatsPage,
    comparison: comparison::ComparisonPage,
    making: Making,
    leaving: leaving::Leaving,
}

impl BookPlace {
    /// Turns to a page.
    pub(crate) const fn turn_to(&mut self, page: Page) {
        self.page = page;
    }

    /// Takes what the background made.
    pub(crate) fn made(&mut self, made: Made) {
        self.making.arrived(made);
    }

    /// Takes a table of published sizes in the place of the one that comes with the program; words about it.
    ///
    /// # Errors
    /// Words about what is wrong with it.
    pub(crate) fn take_sizes(&mut self, path: &std::path::Path) -> Result<String, String> {
        self.comparison.take_sizes(path)
    }

    /// Draws the place.
    pub(crate) fn show(
        &mut self,
        ui: &mut Ui,
        document: &mut Document,
        work: &mut Work,
        messages: &mut Messages,
    ) -> Option<Asked> {
        let mut asked = None;
        ui.horizontal_wrapped(|ui| {
            for (page, name, command) in Page::ALL {
                if ui.selectable_label(self.page == page, name).on_hover_text(command.hint()).clicked() {
                    self.page = page;
                }
            }
            ui.separator();
            let some = !document.notebook().measurements.is_empty();
            ui.add_enabled_ui(some, |ui| {
                asked = self.leaving.button(ui).map(Asked::Export);
            });
        });
        ui.separator();
        if document.notebook().measurements.is_empty() {
            ui.heading("Nothing is measured yet");
            ui.label("Measurements made in Animal appear here, each with its uncertainty and verdict.");
            ui.add_space(6.0);
            ui.horizontal(|ui| {
                if ui.button("Open a notebook…").on_hover_text(Command::OpenNotebook.hint()).clicked() {
                    asked = Some(Asked::OpenNotebook);
                }
                if ui.button("Open the sample notebook").on_hover_text("three rendered animals, measured").clicked() {
                    asked = Some(Asked::OpenSample);
                }
            });
            return asked;
        }
        let asked_here = match self.page {
            Page::Table => self.table.show(ui, document, messages),
            Page::Statistics => {
                let all = self.making.of(document.notebook(), work, ui.ctx());
                self.statistics.show(ui, all, messages)
            }
            Page::Repeats => {
                let all = self.making.of(document.notebook(), work, ui.ctx());
                self.repeats.show(ui, all, document.notebook(), messages);
                None
            }
            Page::Comparison => self.comparison.show(ui, document.notebook(), messages),
        };
        asked.or(asked_here)
    }
}
