//! Table: everything that was measured, one row a figure.

use std::cmp::Ordering;

use eframe::egui;
use egui::Ui;

use super::super::super::document::Document;
use super::super::super::message::Messages;
use super::super::{figures, rows};
use super::Asked;
use crate::notebook::{Measurement, MeasurementId, Notebook};

/// The columns.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
enum Column {
    #[default]
    Order,
    Animal,
    Quantity,
    Figure,
    Verdict,
    Kind,
    Lying,
    Setup,
    Picture,
    Date,
}

impl Column {
    const ALL: [(Self, &'static str, f32); 10] = [
        (Self::Order, "no.", 48.0),
        (Self::Animal, "animal", 120.0),
        (Self::Quantity, "quantity", 120.0),
        (Self::Figure, "figure", 150.0),
        (Self::Verdict, "verdict", 110.0),
        (Self::Kind, "kind", 86.0),
        (Self::Lying, "lying", 80.0),
        (Self::Setup, "setup", 150.0),
        (Self::Picture, "picture", 150.0),
        (Self::Date, "measured", 126.0),
    ];
}

/// The heading of a column, with a triangle where the table is sorted by it; true when it was clicked.
fn heading(ui: &mut Ui, name: &str, width: f32, sorted_down: Option<bool>) -> bool {
    let (rect, response) = ui.allocate_exact_size(egui::vec2(width, 24.0), egui::Sense::click());
    response.widget_info(|| {
        let mut info =
            egui::WidgetInfo::selected(egui::Role::Button, true, sorted_down.is_some(), format!("sort by {name}"));
        info.current_text_value =
            sorted_down.map(|down| if down { "largest first" } else { "smallest first" }.to_owned());
        info
    });
    let visuals = ui.style().interact_selectable(&response, sorted_down.is_some());
    if sorted_down.is_some() || response.hovered() || response.has_focus() {
        ui.painter().rect_filled(rect, 3.0, visuals.weak_bg_fill);
    }
    let at = rect.left_center() + egui::vec2(4.0, 0.0);
    let font = egui::TextStyle::Body.resolve(ui.style());
    ui.painter().text(at, egui::Align2::LEFT_CENTER, name, font, visuals.text_color());
    if let Some(down) = sorted_down {
        let (c, d) = (rect.right_center() - egui::vec2(9.0, 0.0), if down { 3.5 } else { -3.5 });
        let corners = vec![c + egui::vec2(-4.5, -d), c + egui::vec2(4.5, -d), c + egui::vec2(0.0, d)];
        ui.painter().add(egui::Shape::convex_polygon(corners, visuals.text_color(), egui::Stroke::NONE));
    }
    response.on_hover_text("sort by this; again turns the order round").clicked()
}

/// A line of the table, ready to be shown.
#[derive(Debug)]
struct Row {
    id: MeasurementId,
    value: Option<f64>,
    cells: [String; 10],
}

/// The page.
#[derive(Debug, Default)]
pub(super) struct TablePage {
    sorted_by: Column,
    down: bool,
    sought: String,
    chosen: Option<MeasurementId>,
    rows: Vec<Row>,
    made_for: Option<(String, u64, Column, bool, String)>,
}

fn row(notebook: &Notebook, m: &Measurement) -> Row {
    let figure = m.reported.as_ref().map(|r| &r.figure);
    let picture = notebook.picture(m.picture).map_or("", |p| p.path.as_str());
    let cells = [
        m.id.number().to_string(),
        notebook.animal(m.animal).map_or_else(String::new, |a| a.name.clone()),
        m.full_name(),
        figure.map_or_else(|| "not evaluated".to_owned(), figures::of_note),
        figure.map_or("", |f| figures::verdict(f.verdict)).to_owned(),
        m.kind.name().to_owned(),
        m.lying.words(),
        notebook.setup(m.setup).map_or_else(String::new, |s| s.setup.name.clone()),
        picture.rsplit('/').next().unwrap_or(picture).to_owned(),
        m.date.replace('T', " ").trim_end_matches('Z').get(..16).unwrap_or(&m.date).to_owned(),
    ];
    // What is only bounded stands by its bound.
    Row { id: m.id, value: figure.and_then(|f| f.value.or(f.high)), cells }
}

/// The order of names: letters without their case, numbers by their size, so that `span 99` stands before `span 980`.
fn by_name(a: &str, b: &str) -> Ordering {
    let (mut a, mut b) = (a.chars().peekable(), b.chars().peekable());
    let number = |chars: &mut std::iter::Peekable<std::str::Chars<'_>>| {
        let mut n = 0_u128;
        while let Some(d) = chars.peek().and_then(|c| c.to_digit(10)) {
            n = n.saturating_mul(10).saturating_add(u128::from(d));
            chars.next();
        }
        n
    };
    loop {
        match (a.peek().copied(), b.peek().copied()) {
            (None, None) => return Ordering::Equal,
            (None, _) => return Ordering::Less,
            (_, None) => return Ordering::Greater,
            (Some(x), Some(y)) if x.is_ascii_digit() && y.is_ascii_digit() => {
                let order = number(&mut a).cmp(&number(&mut b));
                if order.is_ne() {
                    return order;
                }
            }
            (Some(x), Some(y)) => {
                let order = x.to_lowercase().cmp(y.to_lowercase());
                if order.is_ne() {
                    return order;
                }
                a.next();
                b.next();
            }
        }
    }
}

impl TablePage {
    fn refresh(&mut self, notebook: &Notebook) {
        let key = (notebook.id.as_str().to_owned(), notebook.revision, self.sorted_by, self.down, self.sought.clone());
        if self.made_for.as_ref() == Some(&key) {
            return;
        }
        let sought = self.sought.trim().to_lowercase();
        self.rows = notebook.measurements.iter().map(|m| row(notebook, m)).collect();
        if !sought.is_empty() {
            self.rows.retain(|r| r.cells.iter().any(|c| c.to_lowercase().contains(&sought)));
        }
        let (by, down) = (self.sorted_by, self.down);
        let at = Column::ALL.iter().position(|c| c.0 == by).unwrap_or(0);
        self.rows.sort_by(|a, b| {
            let order = match by {
                Column::Order => a.id.number().cmp(&b.id.number()),
                Column::Figure => a.value.partial_cmp(&b.value).unwrap_or(Ordering::Equal),
                _ => by_name(&a.cells[at], &b.cells[at]),
            };
            let order = order.then(a.id.number().cmp(&b.id.number()));
            if down { order.reverse() } else { order }
        });
        self.made_for = Some(key);
    }

    /// Draws the page.
    pub(super) fn show(&mut self, ui: &mut Ui, document: &mut Document, messages: &mut Messages) -> Option<Asked> {
        self.refresh(document.notebook());
        let mut asked = None;
        ui.horizontal_wrapped(|ui| {
            let n = document.notebook().measurements.len();
            let animals = document.notebook().animals.len();
            ui.heading(match n {
                1 => "1 measurement".to_owned(),
                n => format!("{n} measurements of {animals} animal{}", if animals == 1 { "" } else { "s" }),
            });
            ui.add_space(12.0);
            let label = ui.label("Only rows with");
            ui.add(
                egui::TextEdit::singleline(&mut self.sought).hint_text("any word in the table").desired_width(160.0),
            )
            .labelled_by(label.id);
            let some = !self.rows.is_empty();
            if ui
                .add_enabled(some, egui::Button::new("Copy the table"))
                .on_hover_text("as shown, for a spreadsheet")
                .clicked()
            {
                ui.ctx().copy_text(self.as_text());
                messages.done(format!("{} rows are on the clipboard", self.rows.len()));
            }
            let chosen = self.chosen.filter(|id| document.notebook().measurement(*id).is_some());
            if ui.add_enabled(chosen.is_some(), egui::Button::new("Go to its picture")).clicked() {
                asked = chosen.map(Asked::GoTo);
            }
            if ui.add_enabled(chosen.is_some(), egui::Button::new("Remove")).clicked()
                && let Some(id) = chosen
            {
                let action = document.notebook().removal_of_measurement(id);
                let name = action.name();
                match document.apply(action) {
                    Ok(()) => messages.done(format!("{name}; undo brings it back")),
                    Err(e) => messages.problem(e),
                }
            }
        });
        ui.separator();
        if let Some(id) = self.table(ui) {
            asked = Some(Asked::GoTo(id));
        }
        asked
    }

    fn table(&mut self, ui: &mut Ui) -> Option<MeasurementId> {
        let mut opened = None;
        let widths = Column::ALL.map(|c| c.2);
        let total = rows::width_of(widths);
        egui::ScrollArea::horizontal().id_salt("table across").auto_shrink(false).show(ui, |ui| {
            ui.set_min_width(total);
            ui.horizontal(|ui| {
                ui.spacing_mut().item_spacing.x = rows::GAP;
                for (column, name, width) in Column::ALL {
                    let sorted = self.sorted_by == column;
                    if heading(ui, name, width, sorted.then_some(self.down)) {
                        self.down = sorted && !self.down;
                        self.sorted_by = column;
                    }
                }
            });
            egui::ScrollArea::vertical().id_salt("table").auto_shrink(false).show_rows(
                ui,
                rows::HEIGHT,
                self.rows.len(),
                |ui, range| {
                    for i in range {
                        let row = &self.rows[i];
                        let chosen = self.chosen == Some(row.id);
                        let label = format!("{}, {}, {}, {}", row.cells[1], row.cells[2], row.cells[3], row.cells[4]);
                        let response = rows::row(ui, &row.cells, &widths, (chosen, i % 2 == 1), &label);
                        if response.double_clicked() {
                            opened = Some(row.id);
                        } else if response.clicked() {
                            self.chosen = Some(row.id);
                        }
                    }
                },
            );
        });
        opened
    }

    fn as_text(&self) -> String {
        let mut text = Column::ALL.map(|c| c.1).join("\t");
        for r in &self.rows {
            text.push('\n');
            text.push_str(&r.cells.join("\t"));
        }
        text
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_in_the_order_of_their_numbers() {
        let mut names = ["span 980", "Span 99", "span 9", "axis 10", "axis 2", "axis"];
        names.sort_by(|a, b| by_name(a, b));
        assert_eq!(names, ["axis", "axis 2", "axis 10", "span 9", "Span 99", "span 980"]);
    }
}
