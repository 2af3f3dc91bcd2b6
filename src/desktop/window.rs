//! The window itself: whether there can be one, and what is said where not.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::PathBuf;

use eframe::egui;

use super::app::{Desktop, Folders};
use crate::command::desk;

/// What became of the wish for a window.
#[derive(Debug)]
pub enum Entry {
    /// It was open and was closed.
    Closed,
    /// There is no display: a sentence that says what works without one.
    NoDisplay(String),
    /// It could not be opened: a sentence that says why.
    Failed(String),
}

/// What works without a window.
const COMMANDS: &str =
    "these commands work without one: motestick calibrate, measure, plan, export, demo (each with --help)";

/// True where a window could be opened.
fn has_display() -> bool {
    cfg!(not(target_os = "linux"))
        || ["WAYLAND_DISPLAY", "WAYLAND_SOCKET", "DISPLAY"]
            .iter()
            .any(|k| std::env::var_os(k).is_some_and(|v| !v.is_empty()))
}

/// Opens the window and returns when it is closed.
#[must_use]
pub fn open() -> Entry {
    if !has_display() {
        return Entry::NoDisplay(format!("no display was found, so no window can be opened; {COMMANDS}"));
    }
    let Some(data) = desk::user_data() else {
        return Entry::Failed(format!("the user's data folder is not known, set HOME; {COMMANDS}"));
    };
    let start = std::env::current_dir().unwrap_or_else(|_e| PathBuf::from("."));
    let options = eframe::NativeOptions {
        viewport: egui::ViewportBuilder::default()
            .with_title("Motestick")
            .with_app_id("motestick")
            .with_inner_size([1280.0, 760.0])
            .with_min_inner_size([960.0, 600.0])
            .with_drag_and_drop(true),
        ..Default::default()
    };
    let make = move |cc: &eframe::CreationContext<'_>| -> Result<Box<dyn eframe::App>, Box<dyn std::error::Error + Send + Sync>> {
        // The keys Ctrl + and Ctrl - change the text size, as people expect.
        cc.egui_ctx.options_mut(|o| o.zoom_with_keyboard = true);
        Ok(Box::new(InWindow(Desktop::new(Folders { data, start }))))
    };
    // A missing system library ends in a panic of the crate that wants it.
    let hook = std::panic::take_hook();
    std::panic::set_hook(Box::new(|_| {}));
    let outcome = catch_unwind(AssertUnwindSafe(|| eframe::run_native("Motestick", options, Box::new(make))));
    std::panic::set_hook(hook);
    match outcome {
        Ok(Ok(())) => Entry::Closed,
        Ok(Err(e)) => Entry::Failed(format!("no window can be opened: {}; {COMMANDS}", words_of(&e))),
        Err(panic) => {
            let text =
                panic.downcast_ref::<String>().map(String::as_str).or_else(|| panic.downcast_ref::<&str>().copied());
            let text = text.unwrap_or("the window ended unexpectedly");
            Entry::Failed(format!(
                "no window: {text} (what was done is in the notebook's journal and comes back when it is opened); {COMMANDS}"
            ))
        }
    }
}

/// An error of the toolkit in words for people, without the paths of its sources.
fn words_of(e: &eframe::Error) -> &'static str {
    match e {
        eframe::Error::NoGlutinConfigs(..) | eframe::Error::Glutin(_) | eframe::Error::OpenGL(_) => {
            "no OpenGL was found; install libegl1 and libgl1 (with libgl1-mesa-dri where there is no graphics card)"
        }
        _ => {
            "the display does not answer, or a library is missing; check DISPLAY or WAYLAND_DISPLAY, and install libx11-6, libxcursor1, libxi6, libx11-xcb1 and libxkbcommon-x11-0"
        }
    }
}

struct InWindow(Desktop);

impl eframe::App for InWindow {
    fn ui(&mut self, ui: &mut egui::Ui, _frame: &mut eframe::Frame) {
        self.0.show(ui);
    }

    fn on_exit(&mut self, _gl: Option<&eframe::glow::Context>) {
        self.0.close();
    }
}
