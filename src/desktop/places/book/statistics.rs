//! Statistics: a line for each quantity in each group, and the plot of the one chosen.

use eframe::egui;
use egui::{RichText, Ui};

use super::super::super::message::Messages;
use super::super::rows::{self, Column};
use super::made::Made;
use super::{Asked, plots};
use crate::exchange::plot::Plot;
use crate::exchange::report::{histogram, ratio_plot, scatter};
use crate::notebook::{Growth, QuantitySummary};
use crate::uncertainty::{Rounded, significant};

/// Animals from which on a distribution is drawn, as in the report.
const ENOUGH_FOR_A_PLOT: usize = 5;

/// What is drawn of the quantity chosen.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
enum Drawn {
    #[default]
    Distribution,
    Against,
    Over,
}

impl Drawn {
    const ALL: [(Self, &'static str); 3] =
        [(Self::Distribution, "Distribution"), (Self::Against, "Against another"), (Self::Over, "Ratio to another")];
}

/// The page.
#[derive(Debug, Default)]
pub(super) struct StatisticsPage {
    chosen: usize,
    other: usize,
    drawn: Drawn,
}

const COLUMNS: [Column; 12] = [
    ("quantity", 190.0, "what was measured, its part, the animals' group"),
    ("n", 40.0, "number of animals"),
    ("mean", 70.0, "arithmetic mean over animals"),
    ("95 % of the mean", 130.0, "95 % interval of the mean, with what all measurements share in it"),
    ("median", 70.0, "median"),
    ("range", 130.0, "smallest and largest"),
    ("s", 56.0, "standard deviation between animals as observed"),
    ("SE", 56.0, "standard deviation of the mean"),
    ("between", 66.0, "standard deviation between animals without the measuring"),
    ("measuring", 78.0, "the measuring's own standard uncertainty, root mean square"),
    ("shared", 56.0, "standard uncertainty that all share, such as the scale; more animals do not lessen it"),
    ("unit", 40.0, "unit of all figures of the line"),
];

fn cells(s: &QuantitySummary) -> [String; 12] {
    let w = s.words();
    [
        w.name,
        w.n,
        w.mean,
        w.interval,
        w.median,
        w.range,
        w.std_dev,
        w.std_error,
        w.between,
        w.measuring,
        w.common,
        s.unit.symbol().to_owned(),
    ]
}

/// Height of what stands above and below the table where nothing is plotted, points.
const BELOW_TABLE: f32 = 340.0;

impl StatisticsPage {
    /// Draws the page.
    pub(super) fn show(&mut self, ui: &mut Ui, made: Option<&Made>, messages: &mut Messages) -> Option<Asked> {
        let Some(made) = made else {
            ui.label("Working out the statistics…");
            return None;
        };
        let all = &made.statistics;
        if all.is_empty() {
            ui.label("No figure is resolved yet, so there is nothing to take a mean of.");
            return None;
        }
        self.chosen = self.chosen.min(all.len() - 1);
        let mut asked = None;
        egui::ScrollArea::vertical().id_salt("statistics").auto_shrink(false).show(ui, |ui| {
            self.table(ui, all, messages);
            ui.add_space(6.0);
            let (s, classes) = &all[self.chosen];
            about(ui, s);
            ui.add_space(6.0);
            let (plot, saved) = self.choose_plot(ui, all);
            match plot {
                Some(plot) => {
                    if saved {
                        asked = Some(Asked::SavePlot(Box::new(plot.clone())));
                    }
                    let high = (0.36 * ui.ctx().content_rect().height()).max(240.0);
                    for (i, panel) in plot.panels.iter().enumerate() {
                        plots::panel(ui, &format!("statistics {i}"), panel, high);
                    }
                }
                None if self.drawn == Drawn::Distribution => {
                    let values: Vec<String> = s.samples.iter().map(|v| significant(v.value, 4)).collect();
                    let words = format!(
                        "Below {ENOUGH_FOR_A_PLOT} animals a distribution says little: {} {}",
                        values.join(", "),
                        s.unit.symbol()
                    );
                    ui.add(egui::Label::new(words).wrap());
                }
                None => {
                    ui.label("No animal has both quantities.");
                }
            }
            if let Some(g) = classes.as_ref().filter(|_| self.drawn == Drawn::Distribution) {
                size_classes(ui, g, s.unit.symbol());
            }
        });
        asked
    }

    fn table(&mut self, ui: &mut Ui, all: &[(QuantitySummary, Option<Growth>)], messages: &mut Messages) {
        ui.horizontal(|ui| {
            ui.label(RichText::new("One line for each quantity; repeats on one animal are averaged first.").weak());
            if ui.button("Copy the statistics").on_hover_text("for a spreadsheet").clicked() {
                let rows = all.iter().map(|(s, _)| cells(s).join("\t"));
                let text: Vec<String> = std::iter::once(COLUMNS.map(|c| c.0).join("\t")).chain(rows).collect();
                ui.ctx().copy_text(text.join("\n"));
                messages.done(format!("{} rows are on the clipboard", all.len()));
            }
        });
        // Without a plot below it there is room.
        let window = ui.ctx().content_rect().height();
        let plotted = all.iter().any(|(s, _)| s.samples.len() >= ENOUGH_FOR_A_PLOT);
        let tall = if plotted { 0.3 * window } else { (window - BELOW_TABLE).max(0.3 * window) };
        let row = |i: usize| cells(&all[i].0).to_vec();
        if let Some(i) = rows::table(ui, "statistics table", &COLUMNS, (all.len(), tall), self.chosen, row) {
            self.chosen = i;
        }
    }

    /// The plot that is wanted, `None` where no animal has both quantities; and whether it shall be saved.
    fn choose_plot(&mut self, ui: &mut Ui, all: &[(QuantitySummary, Option<Growth>)]) -> (Option<Plot>, bool) {
        let mut saved = false;
        ui.horizontal_wrapped(|ui| {
            for (drawn, words) in Drawn::ALL {
                ui.selectable_value(&mut self.drawn, drawn, words);
            }
            if self.drawn != Drawn::Distribution {
                self.other = self.other.min(all.len() - 1);
                let label = ui.label(if self.drawn == Drawn::Over { "divided by" } else { "along the axis" });
                egui::ComboBox::from_id_salt("other quantity")
                    .selected_text(all[self.other].0.full_name())
                    .width(220.0)
                    .show_ui(ui, |ui| {
                        for (i, (s, _)) in all.iter().enumerate() {
                            ui.selectable_value(&mut self.other, i, s.full_name());
                        }
                    })
                    .response
                    .labelled_by(label.id);
            }
            let some = self.drawn != Drawn::Distribution || all[self.chosen].0.samples.len() >= ENOUGH_FOR_A_PLOT;
            saved = some && ui.button("Save the plot…").on_hover_text("as a PNG, with the same data").clicked();
        });
        let ((s, classes), (other, _)) = (&all[self.chosen], &all[self.other.min(all.len() - 1)]);
        let both = s.samples.iter().any(|a| other.samples.iter().any(|b| a.animal == b.animal));
        let plot = match self.drawn {
            Drawn::Distribution if s.samples.len() < ENOUGH_FOR_A_PLOT => None,
            Drawn::Distribution => Some(histogram(s, classes.as_ref())),
            _ if !both => None,
            Drawn::Against => Some(scatter(other, s)),
            Drawn::Over => Some(ratio_plot(s, other)),
        };
        (plot, saved)
    }
}

fn about(ui: &mut Ui, s: &QuantitySummary) {
    ui.label(RichText::new(s.full_name()).heading());
    let mut words = Vec::new();
    if let (Some(sd), Some(between)) = (s.std_dev, s.between) {
        words.push(if between > 0.0 {
            format!(
                "of the observed spread of {} {u}, {} {u} are between the animals and {} {u} are the measuring",
                significant(sd, 2),
                significant(between, 2),
                significant(s.measuring, 2),
                u = s.unit.symbol()
            )
        } else {
            "the measuring alone explains the observed spread: these animals may be alike in size".to_owned()
        });
    }
    if !s.outliers.is_empty() {
        words.push(format!("{} far from the rest, counted all the same", s.outliers.len()));
    }
    if s.not_resolved > 0 {
        words.push(format!("not resolved in {} animals, which are in no figure here", s.not_resolved));
    }
    for w in words {
        ui.add(egui::Label::new(super::super::super::message::first_large(&w)).wrap());
    }
}

fn size_classes(ui: &mut Ui, g: &Growth, unit: &str) {
    let Some(best) = g.fits.get(g.best).filter(|m| m.classes.len() > 1) else { return };
    ui.label(
        RichText::new(format!("{} size classes, least BIC of 1 to {}", best.classes.len(), g.fits.len())).strong(),
    );
    egui::Grid::new("size classes").num_columns(5).striped(true).spacing([16.0, 4.0]).show(ui, |ui| {
        for heading in ["class", "share", "mean", "between animals", "over the one before"] {
            ui.label(RichText::new(heading).strong());
        }
        ui.end_row();
        for (i, c) in best.classes.iter().enumerate() {
            let ratio = i.checked_sub(1).and_then(|j| g.ratios.get(j));
            ui.label((i + 1).to_string());
            ui.label(format!("{:.0} %", 100.0 * c.share));
            ui.label(format!("{} {unit}", Rounded::new(c.mean, 2.0 * c.u_mean, 2)));
            ui.label(format!("{} {unit}", significant(c.between, 2)));
            ui.label(ratio.map_or_else(String::new, |(r, u)| Rounded::new(*r, 2.0 * u, 2).to_string()));
            ui.end_row();
        }
    });
    if let Some((ratio, departure)) = g.dyar {
        let percent = 100.0 * departure.abs();
        ui.label(format!("A constant ratio of {ratio:.3} (Dyar's rule) leaves {percent:.1} % at most."));
    }
    ui.label(RichText::new("Size classes of different moults overlap; a class is no stage by itself.").weak());
}
