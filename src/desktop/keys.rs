//! What the keyboard does: one list for the keys, the map of keys and the hints on buttons.

use eframe::egui;
use egui::{Key, KeyboardShortcut, Modifiers};

use super::Place;

macro_rules! commands {
    ($($(#[$doc:meta])* $name:ident: $modifiers:expr, $key:ident, $words:literal, $room:expr;)*) => {
        /// Something that a key does.
        #[derive(Clone, Copy, Debug, PartialEq, Eq)]
        pub(crate) enum Command {
            $($(#[$doc])* $name,)*
        }

        impl Command {
            /// All, in the order of the map.
            pub(crate) const ALL: &[Self] = &[$(Self::$name,)*];

            /// Its keys.
            #[must_use]
            pub(crate) const fn keys(self) -> KeyboardShortcut {
                match self {
                    $(Self::$name => KeyboardShortcut::new($modifiers, Key::$key),)*
                }
            }

            /// What it does, in words.
            #[must_use]
            pub(crate) const fn words(self) -> &'static str {
                match self {
                    $(Self::$name => $words,)*
                }
            }

            /// Where it does it.
            #[must_use]
            pub(crate) const fn room(self) -> Room {
                match self {
                    $(Self::$name => $room,)*
                }
            }
        }
    };
}

/// Where a key works.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Room {
    /// Everywhere, even while text is typed.
    Everywhere,
    /// Where a picture is shown.
    Picture,
    /// In the slide place.
    Slide,
    /// In the animal place.
    Animal,
    /// In the notebook.
    Notebook,
}

impl Room {
    /// Its heading in the map.
    #[must_use]
    pub(crate) const fn words(self) -> &'static str {
        match self {
            Self::Everywhere => "Everywhere",
            Self::Picture => "Where a picture is shown",
            Self::Slide => "Slide",
            Self::Animal => "Animal",
            Self::Notebook => "Notebook",
        }
    }

    /// True where there is a place in which both work.
    #[cfg(test)]
    fn meets(self, other: Self) -> bool {
        let places = |r: Self| match r {
            Self::Everywhere => [true; 4],
            Self::Picture => [true, true, false, false],
            Self::Slide => [true, false, false, false],
            Self::Animal => [false, true, false, false],
            Self::Notebook => [false, false, true, false],
        };
        places(self).iter().zip(places(other)).any(|(a, b)| *a && b)
    }
}

const NONE: Modifiers = Modifiers::NONE;
const CTRL: Modifiers = Modifiers::COMMAND;
const SHIFT: Modifiers = Modifiers::SHIFT;
const CTRL_SHIFT: Modifiers = Modifiers::COMMAND.plus(Modifiers::SHIFT);

commands! {
    /// The map of keys.
    Keys: NONE, F1, "this map of keys", Room::Everywhere;
    /// To the slide.
    GoSlide: NONE, F2, "to Slide", Room::Everywhere;
    /// To the animal.
    GoAnimal: NONE, F3, "to Animal", Room::Everywhere;
    /// To the notebook.
    GoNotebook: NONE, F4, "to Notebook", Room::Everywhere;
    /// To the planner.
    GoPlanner: NONE, F5, "to Planner", Room::Everywhere;
    /// Pictures.
    OpenPictures: CTRL, O, "open pictures or a folder of them", Room::Everywhere;
    /// A notebook.
    OpenNotebook: CTRL_SHIFT, O, "open a notebook", Room::Everywhere;
    /// Writes the document.
    Save: CTRL, S, "save the notebook's file now (every step is kept anyway)", Room::Everywhere;
    /// Back.
    Undo: CTRL, Z, "undo", Room::Everywhere;
    /// Forth.
    Redo: CTRL_SHIFT, Z, "redo", Room::Everywhere;
    /// Light or dark.
    Theme: CTRL, D, "light or dark", Room::Everywhere;
    /// The whole screen.
    FullScreen: NONE, F11, "full screen", Room::Everywhere;
    /// Next picture.
    NextPicture: NONE, PageDown, "next picture", Room::Picture;
    /// Picture before.
    PictureBefore: NONE, PageUp, "picture before", Room::Picture;
    /// Nearer.
    ZoomIn: NONE, Plus, "nearer", Room::Picture;
    /// Further.
    ZoomOut: NONE, Minus, "further away", Room::Picture;
    /// All of it.
    Whole: NONE, Num0, "the whole picture", Room::Picture;
    /// Pixel for point.
    Pixels: NONE, Num1, "one pixel a point", Room::Picture;
    /// Clockwise.
    Turn: NONE, R, "turn by a quarter, clockwise", Room::Picture;
    /// Back.
    TurnBack: SHIFT, R, "turn by a quarter, back", Room::Picture;
    /// Mirror.
    Mirror: NONE, F, "mirror left and right", Room::Picture;
    /// The loupe.
    Loupe: NONE, K, "loupe on or off", Room::Picture;
    /// Sets a mark.
    SetMark: NONE, Space, "set a mark at the pointer, or in the middle", Room::Picture;
    /// Takes the last mark back.
    LastMark: NONE, Backspace, "take the last mark back", Room::Picture;
    /// Next mark.
    NextMark: NONE, N, "next mark, or next graduation", Room::Picture;
    /// Mark before.
    MarkBefore: SHIFT, N, "mark before", Room::Picture;
    /// Ends the shape.
    Finish: NONE, Enter, "finish the shape, or read the marks", Room::Picture;
    /// Drops it.
    Drop: NONE, Escape, "drop what is drawn, dragged or proposed", Room::Picture;
    /// Removes.
    Remove: NONE, Delete, "remove the chosen measurement or mark; leave a graduation out, or count it again", Room::Picture;
    /// Marks on a slide.
    ByHand: NONE, M, "set marks on the ruler by hand, or let it be read", Room::Slide;
    /// Copies the figure.
    CopyFigure: NONE, C, "copy the chosen figure as text", Room::Animal;
    /// Copies the picture.
    CopyPicture: SHIFT, C, "copy the picture with its scale bar", Room::Picture;
    /// The table.
    PageTable: NONE, Num1, "the table", Room::Notebook;
    /// Statistics.
    PageStatistics: NONE, Num2, "statistics", Room::Notebook;
    /// Repeats.
    PageRepeats: NONE, Num3, "repeats", Room::Notebook;
    /// Comparison.
    PageComparison: NONE, Num4, "comparison with published sizes", Room::Notebook;
    /// No tool.
    Look: NONE, L, "look: drag moves the picture, a click takes a mark", Room::Animal;
    /// Axis.
    Axis: NONE, A, "axis: length along a curved animal", Room::Animal;
    /// Span.
    Span: NONE, S, "span: straight from mark to mark", Room::Animal;
    /// Breadth.
    Breadth: NONE, B, "breadth: straight across", Room::Animal;
    /// Appendage.
    Appendage: NONE, P, "appendage: segments from joint to joint", Room::Animal;
    /// Outline.
    Outline: NONE, O, "outline: around the animal", Room::Animal;
    /// Angle.
    Angle: NONE, G, "angle: arm, corner, arm", Room::Animal;
    /// Snapping.
    Snap: NONE, X, "snap marks to edge or joint, or leave them", Room::Animal;
    /// Asks for a proposal.
    Propose: NONE, Q, "propose axis, breadth and outline", Room::Animal;
    /// Takes what is proposed.
    Accept: NONE, Y, "accept what is proposed and ticked", Room::Animal;
    /// Once more.
    Again: NONE, T, "measure the chosen one again, blind", Room::Animal;
    /// Hides.
    Hide: NONE, H, "hide earlier marks and figures, or show them", Room::Animal;
}

/// Keys that are no single command.
pub(crate) const MORE: [(&str, &str); 4] = [
    ("arrow keys", "move the chosen mark by 1 px; with Alt 0.1 px, with Shift 10 px; without a mark move the picture"),
    ("wheel", "nearer and further about the pointer"),
    ("drag", "move the picture, or the mark under the pointer; the middle button always moves the picture"),
    ("? and Esc", "? opens this map too, Esc closes it"),
];

impl Command {
    /// The command that leads to a place.
    #[must_use]
    pub(crate) const fn to(place: Place) -> Self {
        match place {
            Place::Slide => Self::GoSlide,
            Place::Animal => Self::GoAnimal,
            Place::Notebook => Self::GoNotebook,
            Place::Planner => Self::GoPlanner,
        }
    }

    /// Its keys as they are written on them.
    #[must_use]
    pub(crate) fn keys_text(self) -> String {
        let keys = self.keys();
        let mut text = String::new();
        if keys.modifiers.command {
            text.push_str("Ctrl ");
        }
        if keys.modifiers.shift {
            text.push_str("Shift ");
        }
        let name = match keys.logical_key {
            Key::Plus => "+",
            Key::Minus => "-",
            Key::Num0 => "0",
            Key::Num1 => "1",
            Key::Num2 => "2",
            Key::Num3 => "3",
            Key::Num4 => "4",
            Key::PageDown => "Page down",
            Key::PageUp => "Page up",
            other => other.name(),
        };
        text.push_str(name);
        text
    }

    /// What stands on a button's hint: words and keys.
    #[must_use]
    pub(crate) fn hint(self) -> String {
        format!("{} ({})", self.words(), self.keys_text())
    }
}

/// The commands whose keys were pressed in this frame.
pub(crate) fn pressed(ctx: &egui::Context, place: Place) -> Vec<Command> {
    let typing = ctx.text_edit_focused();
    let busy = typing || ctx.memory(|m| m.focused().is_some());
    // A focused button wants these for itself.
    let free = |key: Key| !(typing || busy && matches!(key, Key::Enter | Key::Space | Key::Escape));
    let mut out = Vec::new();
    ctx.input_mut(|i| {
        // Those with Shift first, so that the plain ones do not take them.
        for shifted in [true, false] {
            for &command in Command::ALL {
                let keys = command.keys();
                let works = match command.room() {
                    Room::Everywhere => !typing || !matches!(command, Command::Undo | Command::Redo),
                    Room::Picture => matches!(place, Place::Slide | Place::Animal) && free(keys.logical_key),
                    Room::Slide => place == Place::Slide && free(keys.logical_key),
                    Room::Animal => place == Place::Animal && free(keys.logical_key),
                    Room::Notebook => place == Place::Notebook && free(keys.logical_key),
                };
                if works && keys.modifiers.shift == shifted && i.consume_key(keys.modifiers, keys.logical_key) {
                    out.push(command);
                }
            }
        }
        if !typing && i.consume_key(CTRL, Key::Y) {
            out.push(Command::Redo);
        }
        if !typing && (i.consume_key(NONE, Key::Questionmark) || i.consume_key(SHIFT, Key::Questionmark)) {
            out.push(Command::Keys);
        }
        // Without Shift the same key is an equals sign on many boards.
        if !typing && matches!(place, Place::Slide | Place::Animal) && i.consume_key(NONE, Key::Equals) {
            out.push(Command::ZoomIn);
        }
    });
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_two_commands_share_their_keys_where_both_work() {
        for (i, a) in Command::ALL.iter().enumerate() {
            for b in &Command::ALL[i + 1..] {
                assert!(a.keys() != b.keys() || !a.room().meets(b.room()), "{a:?} and {b:?}");
            }
            assert!(!a.words().is_empty() && !a.keys_text().is_empty());
        }
    }
}
