//! The slide's canvas, and what a hand does there: marks on a ruler that no program reads, and graduations left out.

use std::sync::Arc;

use eframe::egui;
use egui::{Align2, FontId, PointerButton, Pos2, RichText, Stroke, Ui, vec2};

use super::super::canvas::{About, Frame};
use super::super::keys::Command;
use super::super::message::Messages;
use super::super::pictures::OpenPicture;
use super::super::theme;
use super::super::work::Work;
use super::parts::named;
use super::slide::SlidePlace;
use super::slide_draw::{self, REACH};
use crate::slide::{Family, Graduation, LeftOut, Rejection, Ruler};
use crate::units::{Image, Point, Vector, parse_length};

/// Marks that a person sets on a ruler.
#[derive(Debug, Default)]
pub(super) struct ByHand {
    /// True while clicks set marks.
    pub(super) on: bool,
    marks: Vec<HandRow>,
    chosen: Option<usize>,
    held: Option<(usize, Vector<Image>)>,
    pointer: Option<Point<Image>>,
}

/// One of them, with what the ruler says there.
#[derive(Clone, Debug)]
struct HandRow {
    at: Point<Image>,
    says: String,
    /// False where the mark is left out of the fit.
    counts: bool,
}

impl ByHand {
    /// The words of the command line for the marks; `None` unless two and more have their length.
    pub(super) fn word(&self) -> Option<String> {
        let plain = |r: &HandRow| {
            let typed: String = r.says.chars().filter(|c| !c.is_whitespace()).collect();
            if is_zero(&typed) { "0um".to_owned() } else { typed }
        };
        let counted = || self.marks.iter().filter(|r| r.counts);
        let known = counted().all(|r| zero_or_length(&r.says));
        let one = |r: &HandRow| format!("{},{}={}", r.at.x, r.at.y, plain(r));
        let all: Vec<String> = counted().map(one).collect();
        (self.on && known && all.len() >= 2).then(|| format!("--by-hand={}", all.join(" ")))
    }

    /// Sets a mark; of the first the ruler says 0.
    fn set(&mut self, at: Point<Image>) {
        let says = if self.marks.is_empty() { "0um".to_owned() } else { String::new() };
        self.marks.push(HandRow { at, says, counts: true });
        self.chosen = Some(self.marks.len() - 1);
    }

    fn remove(&mut self, i: usize) {
        if i < self.marks.len() {
            self.marks.remove(i);
        }
        self.chosen = self.marks.len().checked_sub(1);
    }

    fn near(&self, frame: &Frame, at: Pos2) -> Option<usize> {
        let off = self.marks.iter().enumerate().map(|(i, r)| (i, frame.screen(r.at).distance(at)));
        off.filter(|n| n.1 <= REACH).min_by(|a, b| a.1.total_cmp(&b.1)).map(|n| n.0)
    }

    fn draw(&self, frame: &Frame) {
        for (i, r) in self.marks.iter().enumerate() {
            let at = frame.screen(r.at);
            let color = if self.chosen == Some(i) { theme::AT_WORK } else { theme::USED };
            for (width, color) in [(4.0, theme::HALO), (1.5, color)] {
                for arm in [vec2(10.0, 0.0), vec2(0.0, 10.0)] {
                    frame.painter.line_segment([at - arm, at - arm * 0.3], Stroke::new(width, color));
                    frame.painter.line_segment([at + arm * 0.3, at + arm], Stroke::new(width, color));
                }
            }
            let says = if r.says.trim().is_empty() { "?" } else { r.says.trim() };
            let font = FontId::proportional(14.0);
            let out = if r.counts { "" } else { ", left out" };
            let text = format!("{}: {says}{out}", i + 1);
            let galley = frame.painter.layout_no_wrap(text.clone(), font.clone(), color);
            let min = at + vec2(12.0, -14.0 - galley.size().y);
            frame.painter.rect_filled(egui::Rect::from_min_size(min, galley.size()).expand(3.0), 3.0, theme::PLATE);
            frame.painter.text(min, Align2::LEFT_TOP, text, font, color);
        }
    }
}

/// True for 0, which needs no unit.
fn is_zero(text: &str) -> bool {
    let digits = text.trim().trim_end_matches(|c: char| c.is_alphabetic()).trim();
    digits.replace(',', ".").parse::<f64>().is_ok_and(|v| v == 0.0)
}

fn zero_or_length(text: &str) -> bool {
    is_zero(text) || parse_length(text).is_ok()
}

impl SlidePlace {
    /// Draws the canvas and does what the pointer asks.
    pub(crate) fn canvas(&mut self, ui: &mut Ui, picture: &Arc<OpenPicture>, work: &mut Work, messages: &mut Messages) {
        let map = self.read().map(|r| r.reading.map.clone());
        let blur_px = self.read().and_then(|r| r.reading.blur).map(|b| b.width.get());
        let about = About { id: picture.id, pyramid: &picture.pyramid, map: map.as_ref().map(|m| (m, 1.0)), blur_px };
        let mut frame = self.canvas.begin(ui, &about);
        if self.hand.on {
            self.set_by_hand(ui, &frame);
        }
        self.canvas.navigate(ui, &mut frame, self.hand.held.is_none());
        self.hand.pointer = frame.pointer();
        self.canvas.paint(ui, &frame, &about);
        let stepped = self.graduation_stepped();
        let pointed = self.read().and_then(|read| slide_draw::graduations(&frame, &read.reading, stepped.as_ref()));
        let (on, chosen) = (self.hand.on, self.hand.chosen);
        if on {
            self.hand.draw(&frame);
        }
        let watched = self.hand.held.map(|h| h.0).or(chosen).filter(|_| on);
        let watched = watched.filter(|_| self.hand.held.is_some() || frame.pointer().is_none());
        let watched = watched.and_then(|i| self.hand.marks.get(i)).map(|r| r.at);
        self.canvas.finish(ui, &frame, &about, on && self.hand.held.is_none(), watched);
        self.pointed = pointed.filter(|_| !on);
        let Some(g) = self.pointed else { return };
        let asks = if g.rejected == Some(Rejection::ByHand) { "click: count it again" } else { "click: leave it out" };
        frame.response.clone().on_hover_text_at_pointer(format!("{}; {asks}", slide_draw::words_about(&g)));
        if frame.response.clicked_by(PointerButton::Primary) {
            self.leave_out_or_count(&g, picture, work, messages, ui.ctx());
        }
    }

    /// Clicks set marks, drags move them.
    fn set_by_hand(&mut self, ui: &Ui, frame: &Frame) {
        let r = &frame.response;
        let hand = &mut self.hand;
        if r.drag_started_by(PointerButton::Primary)
            && let Some(origin) = ui.input(|i| i.pointer.press_origin())
        {
            hand.held = hand.near(frame, origin).map(|i| (i, hand.marks[i].at - frame.image(origin)));
            hand.chosen = hand.held.map_or(hand.chosen, |h| Some(h.0));
        }
        if r.dragged_by(PointerButton::Primary)
            && let (Some((i, off)), Some(at)) = (hand.held, r.interact_pointer_pos())
            && let Some(row) = hand.marks.get_mut(i)
        {
            row.at = frame.image(at) + off;
        }
        if r.drag_stopped_by(PointerButton::Primary) {
            hand.held = None;
        }
        if r.clicked_by(PointerButton::Primary)
            && let Some(at) = r.interact_pointer_pos()
        {
            match hand.near(frame, at) {
                Some(i) => hand.chosen = Some(i),
                None if frame.is_inside(frame.image(at)) => hand.set(frame.image(at)),
                None => {}
            }
        }
    }

    /// What a key does here.
    pub(crate) fn command(
        &mut self,
        command: Command,
        picture: Option<&Arc<OpenPicture>>,
        work: &mut Work,
        messages: &mut Messages,
        ctx: &egui::Context,
    ) {
        let Some(picture) = picture else { return };
        match command {
            Command::ByHand => self.hand.on = !self.hand.on,
            Command::Drop => self.hand.on = false,
            Command::SetMark if self.hand.on => {
                if let Some(at) = self.hand.pointer.or_else(|| self.canvas.middle()) {
                    self.hand.set(at);
                }
            }
            Command::LastMark if self.hand.on => self.hand.remove(self.hand.marks.len().saturating_sub(1)),
            Command::Remove if self.hand.on => {
                if let Some(i) = self.hand.chosen {
                    self.hand.remove(i);
                }
            }
            Command::NextMark => self.step(1),
            Command::MarkBefore => self.step(-1),
            Command::Finish => self.start(picture, work, ctx),
            Command::Remove => match self.graduation_stepped() {
                Some(g) => self.leave_out_or_count(&g, picture, work, messages, ctx),
                None => messages.done("step to a graduation with N first, or click on it"),
            },
            _ => {}
        }
    }

    fn step(&mut self, by: isize) {
        let (n, now) = if self.hand.on {
            (self.hand.marks.len(), self.hand.chosen)
        } else {
            (self.read().map_or(0, |r| r.reading.graduations.len()), self.stepped)
        };
        if n == 0 {
            return;
        }
        let to = now.map_or(0, |i| (i as isize + by).rem_euclid(n as isize) as usize);
        if self.hand.on {
            self.hand.chosen = Some(to);
            return;
        }
        self.stepped = Some(to);
        if let Some(g) = self.graduation_stepped() {
            self.canvas.look_at(g.at, 0.0);
        }
    }

    /// Moves the chosen mark on the screen's directions; false where there is none.
    pub(crate) fn nudge(&mut self, right_px: f64, down_px: f64) -> bool {
        let step = self.canvas.step(right_px, down_px);
        let Some(row) = self.hand.chosen.filter(|_| self.hand.on).and_then(|i| self.hand.marks.get_mut(i)) else {
            return false;
        };
        row.at = row.at + step;
        true
    }

    /// The graduation that keys have stepped to.
    pub(super) fn graduation_stepped(&self) -> Option<Graduation> {
        self.read()?.reading.graduations.get(self.stepped?).copied()
    }

    /// Leaves a graduation out of the fit, or counts it again, and fits anew.
    pub(super) fn leave_out_or_count(
        &mut self,
        g: &Graduation,
        picture: &Arc<OpenPicture>,
        work: &mut Work,
        messages: &mut Messages,
        ctx: &egui::Context,
    ) {
        let Some(read) = self.read() else { return };
        match read.reading.ruler {
            Ruler::Lines | Ruler::Crossed => {}
            Ruler::ByHand => {
                messages.done(format!(
                    "untick the mark at the side to leave it out, and read the marks again; {} shows them",
                    Command::ByHand.keys_text()
                ));
                return;
            }
            _ => {
                messages.done(
                    "single dots are not left out by hand: the fit leaves out those that lie far off, and of so many one more or less does not move the scale",
                );
                return;
            }
        }
        let across = g.family == Family::Across;
        let off = |l: &LeftOut| (l.at - g.at).length();
        let here = (0..self.left_out.len()).filter(|i| self.left_out[*i].across == across);
        let nearest = here.min_by(|a, b| off(&self.left_out[*a]).total_cmp(&off(&self.left_out[*b])));
        match (g.rejected, nearest) {
            (Some(Rejection::ByHand), Some(i)) => {
                self.left_out.remove(i);
            }
            (Some(Rejection::ByHand), None) => {}
            _ => self.left_out.push(LeftOut { at: g.at, across }),
        }
        self.fit_again(picture, work, ctx);
    }

    /// Counts everything again.
    pub(super) fn count_all(&mut self, picture: &Arc<OpenPicture>, work: &mut Work, ctx: &egui::Context) {
        self.left_out.clear();
        self.fit_again(picture, work, ctx);
    }

    /// The marks at the side, with what the ruler says at each; true when they shall be read.
    pub(super) fn marks_by_hand(&mut self, ui: &mut Ui) -> bool {
        ui.label(RichText::new("Marks by hand").strong());
        ui.add(egui::Label::new("The last resort where no reading succeeds. Click on two or more places of one ruler, far apart, and type what it says at each.").wrap());
        let (mut removed, mut asked) = (None, false);
        let chosen = self.hand.chosen;
        for (i, row) in self.hand.marks.iter_mut().enumerate() {
            named(ui, &format!("Mark {} says", i + 1), |ui, label| {
                let response =
                    ui.add(egui::TextEdit::singleline(&mut row.says).hint_text("as 500um").desired_width(80.0));
                let response = response.labelled_by(label);
                asked |= response.lost_focus() && ui.input(|i| i.key_pressed(egui::Key::Enter));
                if response.gained_focus() {
                    self.hand.chosen = Some(i);
                }
                let counts = ui.checkbox(&mut row.counts, "");
                let name = format!("mark {} counts", i + 1);
                counts.widget_info(|| egui::WidgetInfo::selected(egui::Role::CheckBox, true, row.counts, &name));
                counts.on_hover_text("counts in the fit; unticked it is left out");
                if ui.small_button("Remove").on_hover_text(format!("mark {}", i + 1)).clicked() {
                    removed = Some(i);
                }
            });
        }
        if let Some(i) = removed {
            self.hand.remove(i);
        }
        let n = self.hand.marks.len();
        if let Some(i) = chosen.filter(|_| n > 0) {
            ui.label(RichText::new(format!("Mark {} is chosen: the arrow keys move it.", i + 1)).weak());
        }
        let counted = self.hand.marks.iter().filter(|r| r.counts).count();
        if counted < 2 {
            let words = match (n, counted) {
                (0, _) => "No mark yet.",
                (_, 0) => "No mark counts; at least two are needed.",
                _ => "One mark counts; at least one more is needed.",
            };
            ui.label(RichText::new(words).weak());
        }
        asked
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn marks_become_the_words_of_the_command_line_once_all_is_said() {
        let mut hand = ByHand { on: true, ..ByHand::default() };
        hand.set(Point::new(12.5, 8.0));
        hand.set(Point::new(400.0, 9.0));
        assert_eq!(hand.word(), None);
        hand.marks[1].says = "0,5 mm".into();
        assert_eq!(hand.word().as_deref(), Some("--by-hand=12.5,8=0um 400,9=0,5mm"));
        hand.set(Point::new(500.0, 9.0));
        assert_eq!(hand.word(), None, "the third says nothing yet");
        hand.marks[2].counts = false;
        assert_eq!(hand.word().as_deref(), Some("--by-hand=12.5,8=0um 400,9=0,5mm"), "it is left out");
        hand.remove(2);
        hand.on = false;
        assert_eq!(hand.word(), None);
        hand.remove(0);
        assert_eq!((hand.marks.len(), hand.chosen), (1, Some(0)));
        hand.remove(0);
        assert_eq!((hand.marks.len(), hand.chosen), (0, None));
    }

    #[test]
    fn zero_needs_no_unit_and_lengths_do() {
        assert!(zero_or_length("0") && zero_or_length("0um") && zero_or_length("0.5 mm"));
        assert!(!zero_or_length("") && !zero_or_length("500") && !zero_or_length("x"));
    }
}
