//! Comparison: an animal's sizes held against published ones. Never an identification.

use std::collections::BTreeMap;

use eframe::egui;
use egui::{RichText, Ui};

use super::super::super::message::Messages;
use super::super::parts::attention;
use super::Asked;
use crate::notebook::{AnimalId, Fit, Notebook, PublishedSize, SHIPPED, compare, read_sizes, sentence_of};
use crate::uncertainty::Rounded;

/// The page.
#[derive(Debug, Default)]
pub(super) struct ComparisonPage {
    animal: Option<AnimalId>,
    /// A table of the person's own: its name and what is in it.
    own: Option<(String, Vec<PublishedSize>)>,
    /// Which of the animal's quantities stands for one of the table's.
    stands_for: BTreeMap<String, String>,
    shown: Option<Shown>,
}

/// What is worked out, and for what.
#[derive(Debug)]
struct Shown {
    of: (String, u64, AnimalId, String, BTreeMap<String, String>),
    sizes: Vec<(String, f64, f64)>,
    fits: Vec<Fit>,
    sentence: Option<String>,
}

/// Shares below this are not listed.
const LEAST_SHARE: f64 = 0.001;

/// The table's names of quantities, each once.
fn quantities(table: &[PublishedSize]) -> Vec<String> {
    let mut names: Vec<String> = Vec::new();
    for e in table {
        if !names.iter().any(|n| n.eq_ignore_ascii_case(&e.quantity)) {
            names.push(e.quantity.clone());
        }
    }
    names
}

impl ComparisonPage {
    /// Takes a table of published sizes; words about it.
    ///
    /// # Errors
    /// Words about what is wrong with it.
    pub(super) fn take_sizes(&mut self, path: &std::path::Path) -> Result<String, String> {
        let text = std::fs::File::open(path).map_err(|e| format!("cannot read: {e}: {}", path.display()))?;
        let table = read_sizes(text).map_err(|e| format!("{e}: {}", path.display()))?;
        let name = path.file_name().map_or_else(|| path.display().to_string(), |n| n.to_string_lossy().into_owned());
        let words = format!("{} published sizes were taken from {name}", table.len());
        self.own = Some((name, table));
        self.shown = None;
        Ok(words)
    }

    fn table(&self) -> (String, Vec<PublishedSize>) {
        match &self.own {
            Some((name, table)) => (name.clone(), table.clone()),
            // A test holds that it reads.
            None => {
                ("the table that comes with the program".to_owned(), read_sizes(SHIPPED.as_bytes()).unwrap_or_default())
            }
        }
    }

    /// Draws the page.
    pub(super) fn show(&mut self, ui: &mut Ui, notebook: &Notebook, messages: &mut Messages) -> Option<Asked> {
        let mut asked = None;
        let animal = self.animal.filter(|id| notebook.animal(*id).is_some());
        let animal = animal.or_else(|| notebook.animals.first().map(|a| a.id));
        self.animal = animal;
        let Some(id) = animal else {
            ui.label("There is no animal yet.");
            return None;
        };
        let (table_name, table) = self.table();
        ui.horizontal_wrapped(|ui| {
            let label = ui.label("Sizes of");
            let name = |id: AnimalId| notebook.animal(id).map_or_else(String::new, |a| a.name.clone());
            egui::ComboBox::from_id_salt("compared animal")
                .selected_text(name(id))
                .width(200.0)
                .show_ui(ui, |ui| {
                    for a in &notebook.animals {
                        ui.selectable_value(&mut self.animal, Some(a.id), &a.name);
                    }
                })
                .response
                .labelled_by(label.id);
            ui.label(RichText::new(format!("held against {table_name}")).weak());
            if ui
                .button("Another table…")
                .on_hover_text("CSV: group, stage, quantity, low, high, mean, sd, n, source, remarks")
                .clicked()
            {
                asked = Some(Asked::OpenSizes);
            }
            if self.own.is_some() && ui.button("The program's own table").clicked() {
                (self.own, self.shown) = (None, None);
            }
        });
        let sizes = notebook.sizes_of(id);
        let wanted = quantities(&table);
        ui.horizontal_wrapped(|ui| {
            for quantity in &wanted {
                self.stand_in(ui, quantity, &sizes);
            }
        });
        self.work_out(notebook, id, (&table_name, &table), sizes);
        let Some(shown) = &self.shown else { return asked };
        ui.separator();
        egui::ScrollArea::vertical().id_salt("comparison").auto_shrink(false).show(ui, |ui| {
            ranked(ui, shown);
            if let Some(sentence) = &shown.sentence {
                ui.add_space(10.0);
                ui.label(RichText::new("As a sentence for a publication").strong());
                ui.add(egui::Label::new(sentence).wrap());
                if ui.button("Copy the sentence").clicked() {
                    ui.ctx().copy_text(sentence.clone());
                    messages.done("the sentence is on the clipboard");
                }
            }
        });
        asked
    }

    /// Which of the animal's quantities is the table's: by its name, or as a person says.
    fn stand_in(&mut self, ui: &mut Ui, quantity: &str, sizes: &[(String, f64, f64)]) {
        let by_name = sizes.iter().find(|s| s.0.eq_ignore_ascii_case(quantity)).map(|s| s.0.clone());
        let there = |name: &String| sizes.iter().any(|s| s.0 == *name);
        let mut chosen = self.stands_for.get(quantity).cloned().filter(there).or(by_name).unwrap_or_default();
        let before = chosen.clone();
        let label = ui.label(format!("The {quantity} is"));
        egui::ComboBox::from_id_salt(format!("stands for {quantity}"))
            .selected_text(if chosen.is_empty() { "not measured, or choose" } else { &chosen })
            .width(170.0)
            .show_ui(ui, |ui| {
                for s in sizes {
                    ui.selectable_value(&mut chosen, s.0.clone(), &s.0);
                }
            })
            .response
            .labelled_by(label.id);
        if chosen != before {
            self.stands_for.insert(quantity.to_owned(), chosen);
        }
    }

    fn work_out(
        &mut self,
        notebook: &Notebook,
        id: AnimalId,
        (table_name, table): (&str, &[PublishedSize]),
        sizes: Vec<(String, f64, f64)>,
    ) {
        let key =
            (notebook.id.as_str().to_owned(), notebook.revision, id, table_name.to_owned(), self.stands_for.clone());
        if self.shown.as_ref().is_some_and(|s| s.of == key) {
            return;
        }
        let mut held = Vec::new();
        for quantity in quantities(table) {
            let own = self.stands_for.get(&quantity).unwrap_or(&quantity);
            if let Some(s) = sizes.iter().find(|s| s.0.eq_ignore_ascii_case(own)) {
                held.push((quantity, s.1, s.2));
            }
        }
        let fits = compare(&held, table);
        self.shown = Some(Shown { of: key, fits, sizes: held, sentence: sentence_of(notebook, &[id]) });
    }
}

fn ranked(ui: &mut Ui, shown: &Shown) {
    if shown.sizes.is_empty() {
        attention(
            ui,
            "Nothing to compare",
            "the animal has no resolved quantity that the table has; say above which of its quantities is the table's, or name the measurement so",
        );
        return;
    }
    let used: Vec<String> =
        shown.sizes.iter().map(|(n, v, u)| format!("{n} {} µm", Rounded::new(*v, 2.0 * u, 2))).collect();
    ui.label(RichText::new(used.join(", ")).heading());
    ui.add(egui::Label::new("Sizes that fit are no identification: size decides nothing alone, and the table is not complete. Look at what tells the groups apart.").wrap());
    ui.add_space(4.0);
    egui::Grid::new("ranked").num_columns(5).striped(true).spacing([16.0, 4.0]).show(ui, |ui| {
        for (heading, words) in [
            ("group", "group and stage of the table"),
            ("fits", "probability that sizes like these occur there, given their uncertainty"),
            ("share", "share among all lines, each as likely beforehand as the next"),
            ("what to look at", "what tells the group apart, for the eye"),
            ("source", "where the sizes are from"),
        ] {
            ui.label(RichText::new(heading).strong()).on_hover_text(words);
        }
        ui.end_row();
        for f in shown.fits.iter().filter(|f| f.share >= LEAST_SHARE || f.fits.is_none()) {
            let name = if f.stage.is_empty() { f.group.clone() } else { format!("{}, {}", f.group, f.stage) };
            ui.label(if f.fits.is_none() { RichText::new(name).strong() } else { RichText::new(name) });
            ui.label(f.fits.map_or_else(String::new, |p| format!("{:.0} %", 100.0 * p)));
            ui.label(format!("{:.1} %", 100.0 * f.share));
            for text in [f.remarks.clone(), f.sources.join("; ")] {
                ui.scope(|ui| {
                    ui.set_max_width(330.0);
                    ui.add(egui::Label::new(text).wrap());
                });
            }
            ui.end_row();
        }
    });
}
