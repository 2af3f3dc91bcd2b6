//! Repeats: the same quantity of the same animal measured again, and what that says of the measuring.

use eframe::egui;
use egui::{RichText, Ui};

use super::super::super::message::{Messages, first_large};
use super::super::figures;
use super::super::parts::{budget, warnings};
use super::super::rows::{self, Column};
use super::made::{Made, Repeats, Technical};
use crate::notebook::Notebook;
use crate::uncertainty::significant;

/// The page.
#[derive(Debug, Default)]
pub(super) struct RepeatsPage {
    chosen: usize,
}

impl RepeatsPage {
    /// Draws the page.
    pub(super) fn show(&mut self, ui: &mut Ui, made: Option<&Made>, notebook: &Notebook, messages: &mut Messages) {
        let Some(made) = made else {
            ui.label("Looking for repeats…");
            return;
        };
        if made.repeats.is_empty() {
            ui.heading("Nothing was measured twice yet");
            ui.add(egui::Label::new("Choose a measurement in Animal and press \"Measure again, blind\": its marks are hidden while you set new ones. With two readings and more their spread stands here, in the place of what setting marks once is assumed to be uncertain by.").wrap());
            return;
        }
        self.chosen = self.chosen.min(made.repeats.len() - 1);
        egui::ScrollArea::vertical().id_salt("repeats").auto_shrink(false).show(ui, |ui| {
            technical(ui, &made.technical);
            ui.add_space(8.0);
            self.list(ui, made, notebook, messages);
            ui.add_space(8.0);
            one(ui, &made.repeats[self.chosen], notebook);
        });
    }

    fn list(&mut self, ui: &mut Ui, made: &Made, notebook: &Notebook, messages: &mut Messages) {
        let cells = |r: &Repeats| {
            let animal = notebook.animal(r.animal).map_or_else(String::new, |a| a.name.clone());
            let s = &r.spread;
            [
                format!("{animal}, {}", r.quantity),
                s.n.to_string(),
                significant(s.mean, 5),
                significant(s.std_dev, 2),
                format!("{:.2} %", s.tem_percent()),
                significant(s.u_mean, 2),
                r.pooled.as_ref().map_or_else(|_| "–".to_owned(), |m| figures::of_measured(m)),
                if s.outliers.is_empty() { String::new() } else { s.outliers.len().to_string() },
            ]
        };
        ui.horizontal(|ui| {
            ui.label(RichText::new("Repeated measurements").strong());
            if ui.button("Copy the repeats").on_hover_text("for a spreadsheet").clicked() {
                let rows = made.repeats.iter().map(|r| cells(r).join("\t"));
                let text: Vec<String> = std::iter::once(COLUMNS.map(|c| c.0).join("\t")).chain(rows).collect();
                ui.ctx().copy_text(text.join("\n"));
                messages.done(format!("{} rows are on the clipboard", made.repeats.len()));
            }
        });
        let tall = 0.3 * ui.ctx().content_rect().height();
        let row = |i: usize| cells(&made.repeats[i]).to_vec();
        if let Some(i) = rows::table(ui, "list of repeats", &COLUMNS, (made.repeats.len(), tall), self.chosen, row) {
            self.chosen = i;
        }
    }
}

const COLUMNS: [Column; 8] = [
    ("animal, quantity", 220.0, "what was measured again"),
    ("n", 40.0, "number of readings"),
    ("mean", 80.0, "their mean"),
    ("s", 60.0, "standard deviation of one reading"),
    ("TEM", 66.0, "technical error of measurement, percent of the mean"),
    ("u of mean", 80.0, "standard deviation of the mean, type A"),
    ("with everything", 150.0, "the mean and its U with scale, lying and the rest"),
    ("far off", 80.0, "readings far from the others; none is left out"),
];

/// The technical error of measurement of every quantity.
fn technical(ui: &mut Ui, all: &[Technical]) {
    ui.label(RichText::new("Technical error of measurement").strong());
    let headings = [
        "quantity",
        "animals",
        "readings − animals",
        "TEM",
        "of the mean",
        "reliability",
        "two readings differ by less than",
    ];
    egui::Grid::new("technical").num_columns(headings.len()).striped(true).spacing([16.0, 4.0]).show(ui, |ui| {
        for heading in headings {
            ui.label(RichText::new(heading).strong());
        }
        ui.end_row();
        for t in all {
            let e = &t.error;
            ui.label(&t.quantity);
            ui.label(t.animals.to_string());
            ui.label(format!("{:.0}", e.dof));
            ui.label(format!("{} {}", significant(e.tem, 2), t.unit));
            ui.label(format!("{:.2} %", e.percent));
            let reliability = e.reliability.filter(|_| t.animals > 1);
            ui.label(reliability.map_or_else(|| "one animal tells none".to_owned(), |r| format!("{r:.3}")));
            ui.label(format!("{} {}", significant(e.repeatability, 2), t.unit));
            ui.end_row();
        }
    });
    ui.label(RichText::new("TEM: standard deviation of one reading, pooled over the animals. Reliability: share of the spread over all readings that is not the measuring. 95 % of pairs of readings differ by less than the last figure.").weak().small());
}

/// One set with its readings, and the figure that they make together.
fn one(ui: &mut Ui, r: &Repeats, notebook: &Notebook) {
    let animal = notebook.animal(r.animal).map_or_else(String::new, |a| a.name.clone());
    ui.label(RichText::new(format!("{animal}, {}", r.quantity)).heading());
    let readings = r.ids.iter().zip(&r.readings).enumerate().map(|(i, (id, v))| {
        let far = if r.spread.outliers.contains(&i) { " (far from the others, kept)" } else { "" };
        format!("no. {}: {}{far}", id.number(), significant(*v, 6))
    });
    ui.add(egui::Label::new(readings.collect::<Vec<_>>().join(";   ")).wrap());
    if !r.spread.outliers.is_empty() {
        let (mean, median) = (significant(r.spread.mean, 5), significant(r.spread.median, 5));
        ui.label(format!("Mean {mean}, median {median}: look at the readings that are far off before you use either."));
    }
    match &r.pooled {
        Ok(m) => {
            ui.label(RichText::new(figures::of_measured(m)).heading());
            ui.label("The mean of the readings with everything, their observed spread in the place of the assumed one of a hand:");
            ui.set_max_width(560.0_f32.min(ui.available_width()));
            let unit = m.unit.symbol();
            let lines: Vec<_> = m
                .budget
                .iter()
                .map(|l| (l.source.clone(), l.share, format!("{} {unit}", significant(l.u, 2))))
                .collect();
            budget(ui, &lines);
            warnings(ui, &m.warnings);
        }
        Err(words) => {
            ui.label(first_large(&format!("no figure with everything: {words}")));
        }
    }
}
