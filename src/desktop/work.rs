//! Work in the background: named threads, results by channel, cancelled by not being wanted any more.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};

use eframe::egui;

use super::opening::{PictureFound, PicturesFound, ReadNotebook};
use super::pictures::{OpenPicture, Small};
use super::places::animal::Figured;
use super::places::animal_proposal::Found;
use super::places::book::Made;
use super::places::planner_preview::Rendered;
use crate::command::desk;

/// What comes back from the background.
#[derive(Debug)]
pub(crate) enum Done {
    /// A picture was opened, or could not be.
    Picture(PathBuf, Result<Arc<OpenPicture>, String>),
    /// A small picture for the strip.
    Small(PathBuf, Result<Box<Small>, String>),
    /// A slide was read, or refused.
    Slide(PathBuf, Result<Box<desk::SlideRead>, desk::NotRead>),
    /// An animal was found in a picture, or none was.
    Found(Result<Box<Found>, String>),
    /// A measurement was evaluated.
    Measured(Box<Figured>),
    /// The sample notebook was made, or found.
    Sample(Result<PathBuf, String>),
    /// A notebook was read, or could not be.
    Notebook(Box<ReadNotebook>),
    /// A notebook's pictures were looked for.
    PicturesFound(PicturesFound),
    /// The picture of a measurement was looked for.
    PictureFound(PictureFound),
    /// A picture for the clipboard.
    Copied(Result<Box<egui::ColorImage>, String>),
    /// Statistics and repeats of the notebook.
    Made(Box<Made>),
    /// The preview of a plan.
    Rendered(Box<Rendered>),
    /// Something left the notebook; words about it.
    Written(Result<String, String>),
    /// The work broke down; what it was.
    Broken(String),
    /// The system's dialog was closed.
    Picked(Vec<PathBuf>),
}

/// What the background sends.
struct Parcel {
    ticket: u64,
    done: Done,
}

/// Work that is under way.
#[derive(Debug)]
struct Running {
    ticket: u64,
    what: String,
    shown: bool,
    cancelled: Arc<AtomicBool>,
}

/// The background.
#[derive(Debug)]
pub(crate) struct Work {
    sender: SyncSender<Parcel>,
    receiver: Receiver<Parcel>,
    running: Vec<Running>,
    next: u64,
    /// Why something could not be started, until it is told.
    refused: Option<String>,
}

impl std::fmt::Debug for Parcel {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Parcel").field("ticket", &self.ticket).finish_non_exhaustive()
    }
}

impl Default for Work {
    fn default() -> Self {
        let (sender, receiver) = sync_channel(64);
        Self { sender, receiver, running: Vec::new(), next: 1, refused: None }
    }
}

impl Work {
    /// Starts something; `what` is shown while it runs, empty for what need not be seen. The work looks at its flag and may end
    /// early with `None`.
    pub(crate) fn start(
        &mut self,
        ctx: &egui::Context,
        what: &str,
        work: impl FnOnce(&AtomicBool) -> Option<Done> + Send + 'static,
    ) -> Option<u64> {
        let ticket = self.next;
        self.next += 1;
        let cancelled = Arc::new(AtomicBool::new(false));
        let (sender, flag, ctx) = (self.sender.clone(), Arc::clone(&cancelled), ctx.clone());
        let words = what.to_owned();
        let run = move || {
            // A fault in the background must not look like work that never ends.
            let outcome = catch_unwind(AssertUnwindSafe(|| work(&flag))).unwrap_or(Some(Done::Broken(words)));
            if let Some(done) = outcome {
                // Nobody listens any more only when the window is closed.
                drop(sender.send(Parcel { ticket, done }));
            }
            ctx.request_repaint();
        };
        if let Err(e) = std::thread::Builder::new().name(format!("motestick work {ticket}")).spawn(run) {
            self.refused = Some(format!("the system starts no more work ({e}); close other programs and try again"));
            return None;
        }
        self.running.push(Running { ticket, what: what.to_owned(), shown: !what.is_empty(), cancelled });
        Some(ticket)
    }

    /// Why something could not be started since this was asked last.
    pub(crate) fn take_refused(&mut self) -> Option<String> {
        self.refused.take()
    }

    /// What has come back and is still wanted.
    pub(crate) fn arrived(&mut self) -> Vec<Done> {
        let mut out = Vec::new();
        while let Ok(parcel) = self.receiver.try_recv() {
            if let Some(i) = self.running.iter().position(|r| r.ticket == parcel.ticket) {
                self.running.remove(i);
                out.push(parcel.done);
            }
        }
        out
    }

    /// What is under way, in words; `None` when nothing is that a person waits for.
    #[must_use]
    pub(crate) fn words(&self) -> Option<&str> {
        self.running.iter().rev().find(|r| r.shown).map(|r| r.what.as_str())
    }

    /// True while this piece of work is under way.
    #[must_use]
    pub(crate) fn is_running(&self, ticket: Option<u64>) -> bool {
        ticket.is_some_and(|t| self.running.iter().any(|r| r.ticket == t))
    }

    /// True while anything is under way.
    #[must_use]
    pub(crate) const fn is_busy(&self) -> bool {
        !self.running.is_empty()
    }

    /// Gives up all that a person waits for; its results will not be looked at.
    pub(crate) fn cancel(&mut self) {
        for r in self.running.iter().filter(|r| r.shown) {
            r.cancelled.store(true, Ordering::Relaxed);
        }
        self.running.retain(|r| !r.shown);
    }

    /// Gives up one piece of work.
    pub(crate) fn give_up(&mut self, ticket: Option<u64>) {
        if let Some(r) = self.running.iter().find(|r| Some(r.ticket) == ticket) {
            r.cancelled.store(true, Ordering::Relaxed);
        }
        self.running.retain(|r| Some(r.ticket) != ticket);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::{Duration, Instant};

    fn wait(work: &mut Work) -> Vec<Done> {
        let until = Instant::now() + Duration::from_secs(5);
        loop {
            let done = work.arrived();
            if !done.is_empty() || Instant::now() > until {
                return done;
            }
            std::thread::sleep(Duration::from_millis(2));
        }
    }

    #[test]
    fn results_come_back_unless_they_are_not_wanted_any_more() {
        let ctx = egui::Context::default();
        let mut work = Work::default();
        work.start(&ctx, "reading", |_| Some(Done::Picked(vec!["a".into()])));
        assert_eq!(work.words(), Some("reading"));
        assert!(matches!(wait(&mut work).as_slice(), [Done::Picked(p)] if p.len() == 1));
        assert!(!work.is_busy());
        let (go, gone) = sync_channel::<()>(1);
        work.start(&ctx, "reading", move |flag| {
            gone.recv().ok();
            assert!(flag.load(Ordering::Relaxed));
            Some(Done::Picked(vec![]))
        });
        work.cancel();
        work.start(&ctx, "breaking", |_| panic!("on purpose"));
        assert!(matches!(wait(&mut work).as_slice(), [Done::Broken(what)] if what == "breaking"));
        go.send(()).unwrap();
        std::thread::sleep(Duration::from_millis(50));
        assert!(work.arrived().is_empty() && work.words().is_none());
    }
}
