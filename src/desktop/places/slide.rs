//! Slide: a ruled slide is read, looked at and kept as a setup.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use eframe::egui;

use super::super::canvas::Canvas;
use super::super::message::Messages;
use super::super::pictures::{OpenPicture, Pictures};
use super::super::work::{Done, Work};
use super::setups::Setups;
use super::slide_hand::ByHand;
use crate::command::desk::{self, NotRead, SlideRead, SlideWords};
use crate::slide::{Graduation, LeftOut};
use crate::units::PxPerUm;

/// What is typed about slide and optics.
#[derive(Debug, Default, Clone)]
pub(super) struct Form {
    pub(super) division: String,
    pub(super) ruling: Option<usize>,
    pub(super) magnification: String,
    pub(super) aperture: String,
    pub(super) aperture_is: ApertureIs,
    pub(super) pupil: String,
    pub(super) pixel: String,
    pub(super) camera: String,
    pub(super) lens: String,
    pub(super) mode: String,
    pub(super) certificate: String,
    pub(super) tilt: String,
    pub(super) rig_fixed: bool,
    pub(super) incoherent: bool,
    pub(super) tone_known: bool,
}

/// How the aperture is noted.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) enum ApertureIs {
    #[default]
    Marked,
    Effective,
    Numerical,
}

impl ApertureIs {
    pub(super) const ALL: [Self; 3] = [Self::Marked, Self::Effective, Self::Numerical];

    pub(super) const fn words(self) -> &'static str {
        match self {
            Self::Marked => "f-number as marked",
            Self::Effective => "f-number, effective",
            Self::Numerical => "numerical aperture",
        }
    }
}

impl Form {
    /// The words of the command line for what is typed.
    pub(super) fn words(&self) -> SlideWords {
        let mut words = Vec::new();
        let mut say = |option: &str, text: &str| {
            if !text.trim().is_empty() {
                words.push(format!("{option}={}", text.trim()));
            }
        };
        match self.ruling.and_then(|i| crate::setup::rulings().get(i)) {
            Some(r) => say("--ruling", &r.name),
            None => say("--division", &self.division),
        }
        say("--magnification", &self.magnification);
        let aperture = match self.aperture_is {
            ApertureIs::Marked => "--aperture",
            ApertureIs::Effective => "--effective-aperture",
            ApertureIs::Numerical => "--na",
        };
        say(aperture, &self.aperture);
        say("--pupil", &self.pupil);
        say("--pixel", &self.pixel);
        say("--camera", &self.camera);
        say("--lens", &self.lens);
        say("--mode", &self.mode);
        say("--slide-uncertainty", &self.certificate);
        say("--slide-tilt", &self.tilt);
        say("--rig", if self.rig_fixed { "fixed" } else { "" });
        say("--coherence", if self.incoherent { "incoherent" } else { "" });
        say("--tone", if self.tone_known { "known" } else { "" });
        SlideWords { words, turned: None }
    }

    /// True where the least is there that a reading needs.
    pub(super) fn is_enough(&self) -> bool {
        self.ruling.is_some() || !self.division.trim().is_empty()
    }
}

/// What became of a reading.
#[derive(Debug)]
pub(super) enum Outcome {
    Read(Box<SlideRead>),
    Not(NotRead),
}

/// The place.
#[derive(Debug, Default)]
pub(crate) struct SlidePlace {
    pub(crate) canvas: Canvas,
    pub(crate) picture: Option<PathBuf>,
    pub(super) form: Form,
    pub(super) ticket: Option<u64>,
    pub(super) outcome: Option<(PathBuf, Outcome)>,
    pub(super) name: String,
    pub(super) anew: bool,
    pub(super) pointed: Option<Graduation>,
    pub(super) kept: Option<String>,
    pub(super) hand: ByHand,
    /// Graduations that a person leaves out of the fit.
    pub(super) left_out: Vec<LeftOut>,
    /// The graduation that keys have stepped to, by its place in the reading.
    pub(super) stepped: Option<usize>,
    /// The picture of the same slide turned by about 90°.
    pub(super) turned: Option<PathBuf>,
    /// True while that picture is being read for the first time.
    turning: bool,
}

impl SlidePlace {
    /// Shows another picture.
    pub(crate) fn show_picture(&mut self, path: &Path) {
        if self.picture.as_deref() != Some(path) {
            self.picture = Some(path.to_owned());
            self.pointed = None;
            self.kept = None;
            self.left_out.clear();
            self.stepped = None;
            (self.turned, self.turning) = (None, false);
            self.hand = ByHand::default();
        }
    }

    /// The reading of the picture that is shown.
    pub(super) fn read(&self) -> Option<&SlideRead> {
        match &self.outcome {
            Some((path, Outcome::Read(read))) if Some(path) == self.picture.as_ref() => Some(read),
            _ => None,
        }
    }

    /// The scale that was read on it.
    pub(crate) fn scale(&self) -> Option<PxPerUm> {
        self.read().map(|r| r.reading.scale)
    }

    /// Why the picture that is shown was not read.
    pub(super) fn not_read(&self) -> Option<&NotRead> {
        match &self.outcome {
            Some((path, Outcome::Not(not))) if Some(path) == self.picture.as_ref() => Some(not),
            _ => None,
        }
    }

    /// What is typed and marked, in the words of the command line.
    pub(super) fn words(&self) -> SlideWords {
        let mut words = self.form.words();
        words.words.extend(self.hand.word());
        // Marks by hand say nothing of a second picture.
        words.turned = self.turned.clone().filter(|_| !self.hand.on);
        words
    }

    /// True where the least is there that a reading needs.
    pub(super) fn is_enough(&self) -> bool {
        if self.hand.on { self.hand.word().is_some() } else { self.form.is_enough() }
    }

    /// Reads the slide in the background.
    pub(super) fn start(&mut self, picture: &Arc<OpenPicture>, work: &mut Work, ctx: &egui::Context) {
        if work.is_running(self.ticket) || !self.is_enough() {
            return;
        }
        self.outcome = None;
        self.stepped = None;
        self.run(picture, work, ctx);
    }

    /// Fits again after a change of what is left out; the reading before stays in sight meanwhile.
    pub(super) fn fit_again(&mut self, picture: &Arc<OpenPicture>, work: &mut Work, ctx: &egui::Context) {
        work.give_up(self.ticket);
        self.run(picture, work, ctx);
    }

    /// Takes the picture of the turned slide, or none any more, and fits again.
    pub(super) fn turn(
        &mut self,
        second: Option<PathBuf>,
        picture: &Arc<OpenPicture>,
        work: &mut Work,
        ctx: &egui::Context,
    ) {
        self.turning = second.is_some();
        self.turned = second;
        self.fit_again(picture, work, ctx);
    }

    fn run(&mut self, picture: &Arc<OpenPicture>, work: &mut Work, ctx: &egui::Context) {
        self.kept = None;
        let (picture, words, left_out) = (Arc::clone(picture), self.words(), self.left_out.clone());
        let name = picture.path.file_name().map_or_else(String::new, |n| n.to_string_lossy().into_owned());
        self.ticket = work.start(ctx, &format!("reading {name}"), move |_| {
            let result = desk::read_slide(&picture.path, &picture.opened, &words, &left_out);
            Some(Done::Slide(picture.path.clone(), result.map(Box::new)))
        });
    }

    /// Takes what the background read.
    pub(crate) fn arrived(&mut self, path: PathBuf, result: Result<Box<SlideRead>, NotRead>, messages: &mut Messages) {
        self.ticket = None;
        if std::mem::take(&mut self.turning)
            && let Err(not) = &result
        {
            // What was read of the first picture stays as it was.
            messages.problem(&not.words);
            self.turned = None;
            return;
        }
        self.outcome = Some((path, result.map_or_else(Outcome::Not, Outcome::Read)));
        if self.name.trim().is_empty()
            && let Some(read) = self.read()
        {
            self.name = proposed_name(read);
        }
    }

    /// Keeps the reading as a setup of the name typed.
    pub(super) fn keep(&mut self, picture: &Arc<OpenPicture>, setups: &mut Setups, messages: &mut Messages) {
        let Some(read) = self.read() else { return };
        let mut words = self.words();
        if self.anew {
            words.words.push("--replace".to_owned());
        }
        let name = self.name.trim().to_owned();
        match desk::keep_slide(&picture.path, &picture.opened, &words, read, &name, &setups.library) {
            Ok((setup, _)) => {
                let n = setup.readings.len();
                let readings = if n == 1 { "1 reading".to_owned() } else { format!("{n} readings together") };
                messages.done(format!("the setup \"{name}\" is saved with {readings}; measure with it in Animal"));
                setups.refresh();
                self.kept = Some(name);
                self.anew = false;
            }
            Err(e) => messages.problem(e.words),
        }
    }
}

/// What the place's side works on in a frame.
#[derive(Debug)]
pub(crate) struct SlideRun<'a> {
    pub(crate) picture: Option<&'a Arc<OpenPicture>>,
    pub(crate) pictures: &'a Pictures,
    pub(crate) setups: &'a mut Setups,
    pub(crate) work: &'a mut Work,
    pub(crate) messages: &'a mut Messages,
}

/// A name that says what is known, to be changed at will.
fn proposed_name(read: &SlideRead) -> String {
    let s = &read.setup;
    let mut words = Vec::new();
    words.extend(s.camera.clone().or_else(|| s.exif_camera.clone()));
    words.push(match s.optics.magnification {
        Some(m) => format!("{m}x"),
        None => format!("{:.3} px per um", read.reading.scale.get()),
    });
    words.extend(s.mode.clone());
    let text = words.join(" ");
    text.chars()
        .map(|c| if c.is_alphanumeric() || matches!(c, ' ' | '.' | '-' | '_' | '+' | ',') { c } else { ' ' })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_typed_becomes_the_words_of_the_command_line() {
        let mut form = Form { division: " 10um ".into(), magnification: "4".into(), ..Form::default() };
        assert_eq!(form.words().words, ["--division=10um", "--magnification=4"]);
        form.ruling = Some(0);
        form.aperture = "0.1".into();
        form.aperture_is = ApertureIs::Numerical;
        form.rig_fixed = true;
        let words = form.words().words;
        assert!(words[0].starts_with("--ruling=") && words.contains(&"--na=0.1".to_owned()), "{words:?}");
        assert!(words.contains(&"--rig=fixed".to_owned()));
        assert!(Form::default().words().words.is_empty() && !Form::default().is_enough());
    }
}
