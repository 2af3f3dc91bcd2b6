//! The line of tools above the canvas, and what belongs to the shape that is drawn.

use eframe::egui;
use egui::{Align2, FontId, RichText, Ui, vec2};

use super::super::canvas::Frame;
use super::super::keys::Command;
use super::super::theme;
use super::animal::{AnimalPlace, Run, Tool, least_marks};
use crate::animal::{Kind, MarkKind};
use crate::notebook::TRADE_LENGTHS;

impl AnimalPlace {
    /// Tools, snapping, the name of what is drawn next, and the proposal.
    pub(crate) fn tool_bar(&mut self, ui: &mut Ui, run: &mut Run<'_>) {
        ui.horizontal_wrapped(|ui| {
            ui.spacing_mut().item_spacing.x = 4.0;
            for (tool, name) in Tool::ALL {
                let hint = format!("{} ({})", tool.words(), tool.command().keys_text());
                if ui.selectable_label(self.tool == tool, name).on_hover_text(hint).clicked() {
                    self.choose_tool(tool);
                }
            }
            ui.checkbox(&mut self.snap, "Snap").on_hover_text(Command::Snap.hint());
            ui.separator();
            ui.add_enabled_ui(self.tool != Tool::Look, |ui| {
                let label = ui.label("Quantity");
                let hint = self.tool.kind().map_or(String::new(), |k| self.free_name(k, run.document.notebook()));
                ui.add(egui::TextEdit::singleline(&mut self.quantity).hint_text(hint).desired_width(96.0))
                    .labelled_by(label.id)
                    .on_hover_text("what is measured next, as the table calls it; left empty it is called as shown");
                trade_names(ui, &mut self.quantity);
            });
            ui.separator();
            self.propose_button(ui, run);
        });
    }

    /// What a mark's end rests on, and how to end the shape that is drawn.
    pub(super) fn being_drawn(&mut self, ui: &mut Ui, run: &mut Run<'_>) {
        let Some(kind) = self.tool.kind() else { return };
        if !matches!(kind, Kind::Outline | Kind::Angle) {
            self.ends_on(ui, kind);
        }
        let n = self.drawing.len();
        if n == 0 {
            return;
        }
        ui.horizontal(|ui| {
            ui.label(if n == 1 { "1 mark".to_owned() } else { format!("{n} marks") });
            let enough = n >= least_marks(kind);
            let finish = ui.add_enabled(enough, egui::Button::new("Finish"));
            let more = format!("{} marks and more are needed", least_marks(kind));
            if finish.on_hover_text(Command::Finish.hint()).on_disabled_hover_text(more).clicked() {
                self.finish_now(run);
            }
            if ui.button("Drop the marks").on_hover_text(Command::Drop.hint()).clicked() {
                self.drawing.clear();
                self.live = None;
            }
        });
    }

    fn ends_on(&mut self, ui: &mut Ui, kind: Kind) {
        let words = |e: Option<MarkKind>| match e.unwrap_or(kind.usual_ends()) {
            MarkKind::Silhouette => "the outer edge",
            MarkKind::Feature => "a joint or line",
        };
        let usual = format!("{}, as is usual", words(None));
        ui.horizontal(|ui| {
            let label = ui.label("Ends on");
            egui::ComboBox::from_id_salt("ends")
                .selected_text(self.ends.map_or(usual.clone(), |e| words(Some(e)).to_owned()))
                .width(210.0)
                .show_ui(ui, |ui| {
                    ui.selectable_value(&mut self.ends, None, usual);
                    for e in [MarkKind::Silhouette, MarkKind::Feature] {
                        ui.selectable_value(&mut self.ends, Some(e), words(Some(e)));
                    }
                })
                .response
                .labelled_by(label.id)
                .on_hover_text(
                    "an outer edge is moved by the observer's threshold and the tone curve, a joint or line is not",
                );
        });
    }

    /// What to do next, in the corner of the canvas that the loupe does not take.
    pub(super) fn next_step(&self, frame: &Frame) {
        let kept_away = frame.response.hover_pos().is_some_and(|p| p.y < frame.rect.top() + 56.0);
        if self.tool == Tool::Look || self.edit.is_some() || self.proposed_in_hand().is_some() || kept_away {
            return;
        }
        let font = FontId::proportional(13.5);
        let width = 0.5 * frame.rect.width();
        let galley = frame.painter.layout(self.tool.words().to_owned(), font, theme::POINTER, width);
        let min = frame.rect.min + vec2(14.0, 12.0);
        let rect = Align2::LEFT_TOP.anchor_size(min, galley.size());
        frame.painter.rect_filled(rect.expand2(vec2(7.0, 4.0)), 4.0, theme::PLATE);
        frame.painter.galley(min, galley, theme::POINTER);
    }
}

/// Lengths as the trade defines them, to be taken as a name.
fn trade_names(ui: &mut Ui, quantity: &mut String) {
    ui.menu_button("Defined lengths", |ui| {
        ui.set_max_width(380.0);
        ui.label(RichText::new("Lengths as they are defined in print; the name goes into the table.").weak().small());
        egui::ScrollArea::vertical().max_height(360.0).show(ui, |ui| {
            for l in &TRADE_LENGTHS {
                let words = format!("{} ({})", l.quantity, l.animals);
                if ui.button(words).on_hover_text(l.definition).clicked() {
                    l.quantity.clone_into(quantity);
                    ui.close();
                }
            }
        });
    })
    .response
    .on_hover_text("names of lengths as they are defined in print, each with what it runs from and to");
}
