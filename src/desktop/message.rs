//! What the program has to say, in a line that waits and does not stand in the way.

use std::time::{Duration, Instant};

use eframe::egui;
use egui::{RichText, Ui};

use super::theme;

/// Of what kind a message is; told by its first word, not by colour alone.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Kind {
    /// Something was done.
    Done,
    /// Something should be known.
    Note,
    /// Something did not work.
    Problem,
}

/// One message.
#[derive(Clone, Debug)]
struct Message {
    kind: Kind,
    text: String,
    since: Instant,
}

/// The messages that are not yet put away.
#[derive(Debug, Default)]
pub(crate) struct Messages {
    list: Vec<Message>,
    all: bool,
}

/// Messages kept; older ones give way.
const MOST: usize = 5;
/// After this time what was merely done needs no telling any more.
const REST: Duration = Duration::from_secs(8);

impl Messages {
    fn say(&mut self, kind: Kind, text: String) {
        // What was merely done makes room for what comes next; the same is not said twice.
        self.list.retain(|m| m.kind != Kind::Done && m.text != text);
        self.list.push(Message { kind, text, since: Instant::now() });
        let surplus = self.list.len().saturating_sub(MOST);
        self.list.drain(..surplus);
    }

    /// Something was done.
    pub(crate) fn done(&mut self, text: impl Into<String>) {
        self.say(Kind::Done, text.into());
    }

    /// Something should be known.
    pub(crate) fn note(&mut self, text: impl Into<String>) {
        self.say(Kind::Note, text.into());
    }

    /// Something did not work; the text says what to do.
    pub(crate) fn problem(&mut self, text: impl std::fmt::Display) {
        self.say(Kind::Problem, text.to_string());
    }

    /// True where there is nothing to show.
    #[must_use]
    pub(crate) const fn is_empty(&self) -> bool {
        self.list.is_empty()
    }

    /// Draws the last one, in one line unless it is a problem, whole and with the earlier ones where that is wanted; without any the idle
    /// words, in a line of the same height.
    pub(crate) fn show(&mut self, ui: &mut Ui, idle: &str) {
        let rested = |m: &Message| m.kind == Kind::Done && m.since.elapsed() > REST;
        self.list.retain(|m| !rested(m));
        if self.list.iter().any(|m| m.kind == Kind::Done) {
            ui.ctx().request_repaint_after(REST);
        }
        if self.list.is_empty() {
            ui.horizontal(|ui| ui.add(egui::Label::new(RichText::new(idle).weak()).truncate()));
        }
        let hidden = if self.all { 0 } else { self.list.len().saturating_sub(1) };
        let mut put_away = None;
        let last = self.list.len().saturating_sub(1);
        for i in hidden..self.list.len() {
            ui.horizontal(|ui| {
                ui.with_layout(egui::Layout::right_to_left(egui::Align::Center), |ui| {
                    if ui.small_button("Close").on_hover_text("put this message away").clicked() {
                        put_away = Some(i);
                    }
                    let message = &self.list[i];
                    // A problem is told whole at once, with its way out.
                    let whole = self.all || message.kind == Kind::Problem;
                    let cut = !whole && message.width(ui) > ui.available_width() - MORE_WIDTH;
                    if i == last && (last > 0 || cut || self.all) {
                        let (words, hint) = match (self.all, hidden) {
                            (true, _) => ("Less".to_owned(), "only the last message, in one line"),
                            (false, 0) => ("Read all".to_owned(), "the whole message"),
                            (false, n) => (format!("{n} more"), "earlier messages, and the whole of this one"),
                        };
                        if ui.small_button(words).on_hover_text(hint).clicked() {
                            self.all = !self.all;
                        }
                    }
                    ui.with_layout(egui::Layout::left_to_right(egui::Align::Center), |ui| one(ui, message, whole));
                });
            });
        }
        if let Some(i) = put_away {
            self.list.remove(i);
            self.all &= !self.list.is_empty();
        }
    }
}

/// Room for the word before a message and for the button that shows more, points.
const MORE_WIDTH: f32 = 150.0;

impl Message {
    /// Width of its text in one line, points.
    fn width(&self, ui: &Ui) -> f32 {
        let font = egui::TextStyle::Body.resolve(ui.style());
        ui.fonts_mut(|f| f.layout_no_wrap(first_large(&self.text), font, egui::Color32::WHITE).size().x)
    }
}

fn one(ui: &mut Ui, m: &Message, whole: bool) {
    let word = match m.kind {
        Kind::Done => "Done:",
        Kind::Note => "Note:",
        Kind::Problem => "Problem:",
    };
    let mut word = RichText::new(word).strong();
    if m.kind == Kind::Problem {
        word = word.color(theme::attention(ui.visuals().dark_mode));
    }
    ui.label(word);
    let text = egui::Label::new(first_large(&m.text));
    ui.add(if whole { text.wrap() } else { text.truncate() });
}

/// What the core says of options of the command line, as the window has them.
const IN_WINDOW: [(&str, &str); 25] = [
    (", give --slide-uncertainty if you have one", "; type it under \"Certificate and conditions\" if you have one"),
    ("--slide-uncertainty", "the certificate"),
    (" (--pupil)", ""),
    ("--pupil settles it", "the pupil magnification settles it"),
    ("--pupil", "the pupil magnification"),
    (" (--effective-aperture)", ""),
    ("--effective-aperture", "the effective aperture"),
    (", stated with calibrate --tone known", ", stated when the slide is read"),
    (" (--lying flat, within:A or tilt:A)", ""),
    ("say --lying flat, within:20 or tilt:20", "say how it lies"),
    ("say --accept-mismatch with the reason why the scale holds all the same", "say why the scale holds all the same"),
    ("--rig fixed", "a rig that is said not to be touched"),
    ("--coherence incoherent", "diffuse or dark-field light, stated when the slide is read"),
    ("--slide-tilt", "the slide's level"),
    (", given with --crossways", ", chosen at \"Slide turned by 90°\""),
    (" (--crossways)", ""),
    (", leave --crossways out", ""),
    ("--crossways", "the turned slide's picture"),
    ("calibrate with --magnification and --aperture", "read the slide again with magnification and aperture"),
    ("calibrate the setup with --magnification and --aperture", "read the slide again with magnification and aperture"),
    ("--magnification", "the magnification"),
    ("--aperture", "the aperture"),
    ("--pixel", "the pixel pitch"),
    ("calibrate anew with --replace", "read the slide anew and start the setup anew"),
    ("--replace", "starting the setup anew"),
];

/// A text of the core as the window puts it: no options of the command line.
pub(crate) fn in_window(text: &str) -> String {
    IN_WINDOW.iter().fold(text.to_owned(), |t, (from, to)| if t.contains(from) { t.replace(from, to) } else { t })
}

/// A sentence of the core begins small, since a command line puts words before it; here it stands alone.
pub(crate) fn first_large(text: &str) -> String {
    let text = in_window(text);
    // An aperture stays f/8, a unit µm.
    if text.starts_with("f/") || text.starts_with('µ') {
        return text;
    }
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |c| c.to_uppercase().chain(chars).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn old_messages_give_way_and_nothing_is_said_twice() {
        let mut m = Messages::default();
        m.done("saved");
        m.problem("a");
        m.problem("a");
        assert_eq!(m.list.len(), 1);
        for i in 0..9 {
            m.note(format!("{i}"));
        }
        assert_eq!(m.list.len(), MOST);
        assert_eq!(first_large("f/8 is best"), "f/8 is best");
        assert_eq!(first_large("give more"), "Give more");
    }

    #[test]
    fn the_window_speaks_of_no_options() {
        for said in ["--pupil", "--magnification", "--aperture", "--slide-uncertainty", "--replace", "--lying flat"] {
            let words = in_window(&format!("say {said}, within:20 or tilt:20"));
            assert!(!words.contains("--"), "{words}");
        }
    }
}
