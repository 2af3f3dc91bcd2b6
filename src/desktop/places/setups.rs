//! Which setup took a picture?

use crate::setup::{Library, PictureFacts, PixelSize, Setup};

/// The setups at hand: those of the library, and those that the notebook keeps under names that the library lacks.
#[derive(Debug)]
pub(crate) struct Setups {
    pub(crate) library: Library,
    all: Vec<Setup>,
    kept: Vec<Setup>,
    /// What could not be read.
    pub(crate) troubles: Vec<String>,
}

/// What is suggested for a picture.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Suggestion {
    /// There are no setups.
    NoSetups,
    /// One fits, by its place; words why.
    Fits(usize, String),
    /// None fits; a line for each setup why not.
    None(Vec<String>),
}

impl Setups {
    pub(crate) fn in_library(library: Library) -> Self {
        let mut setups = Self { library, all: Vec::new(), kept: Vec::new(), troubles: Vec::new() };
        setups.refresh();
        setups
    }

    /// Reads the library again.
    pub(crate) fn refresh(&mut self) {
        self.all.clear();
        self.troubles.clear();
        for name in self.library.names() {
            match self.library.get(&name) {
                Ok(setup) => self.all.push(setup),
                Err(e) => self.troubles.push(e.to_string()),
            }
        }
        for setup in &self.kept {
            if self.all.iter().all(|s| s.name != setup.name) {
                self.all.push(setup.clone());
            }
        }
    }

    /// Takes what a notebook keeps, where the library has nothing of that name.
    pub(crate) fn with_kept<'a>(&mut self, kept: impl IntoIterator<Item = &'a Setup>) {
        self.kept = kept.into_iter().cloned().collect();
        self.refresh();
    }

    pub(crate) fn all(&self) -> &[Setup] {
        &self.all
    }

    pub(crate) fn named(&self, name: &str) -> Option<&Setup> {
        self.all.iter().find(|s| s.name == name)
    }

    /// The setup that fits best: no difference, the same size before a smaller one, then what agrees in most of the metadata,
    /// then the one read last.
    pub(crate) fn suggest(&self, facts: &PictureFacts) -> Suggestion {
        if self.all.is_empty() {
            return Suggestion::NoSetups;
        }
        let agreeing = |s: &Setup| {
            let same = |a: &Option<String>, b: &Option<String>| a.is_some() && b.is_some();
            usize::from(same(&s.exif_camera, &facts.exif_camera)) + usize::from(same(&s.exif_lens, &facts.exif_lens))
        };
        let fitting =
            self.all.iter().enumerate().filter(|(_, s)| s.differences(facts).is_empty() && !s.readings.is_empty());
        let best = fitting.max_by_key(|(_, s)| {
            let whole = s.pixel_size_of(facts) == PixelSize::Same;
            (whole, agreeing(s), s.readings.last().map(|r| r.date.clone()))
        });
        let Some((i, setup)) = best else {
            let why = |s: &Setup| {
                let words: Vec<String> = s.differences(facts).iter().map(ToString::to_string).collect();
                let words = if words.is_empty() { "it has no reading of a slide".to_owned() } else { words.join("; ") };
                format!("{}: {words}", s.name)
            };
            return Suggestion::None(self.all.iter().map(why).collect());
        };
        let size = format!("{} × {} px", facts.width_px, facts.height_px);
        let words = match setup.pixel_size_of(facts) {
            PixelSize::WholeFrameResized(factor) => {
                format!(
                    "fits if this is the whole frame made smaller, {factor:.3} times; if it is a crop the scale is wrong"
                )
            }
            _ if agreeing(setup) > 0 => format!("fits by camera or lens as the picture names them, and by {size}"),
            _ => format!(
                "fits by size alone, {size}; the picture names neither camera nor lens, so be sure that it took it"
            ),
        };
        Suggestion::Fits(i, words)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::setup::testing::setup_of;

    fn setups(all: Vec<Setup>) -> Setups {
        Setups { library: Library::in_folder("nowhere"), all, kept: vec![], troubles: vec![] }
    }

    fn facts(setup: &Setup) -> PictureFacts {
        PictureFacts { width_px: setup.picture_width_px, height_px: setup.picture_height_px, ..PictureFacts::default() }
    }

    #[test]
    fn the_best_fit_is_suggested_and_words_say_why() {
        let (mut a, mut b) = (setup_of(&[1.0]), setup_of(&[1.0]));
        a.name = "a".into();
        b.name = "b".into();
        b.exif_camera = Some("Lumen K1".into());
        let mut f = facts(&a);
        f.exif_camera = Some("Lumen K1".into());
        let s = setups(vec![a.clone(), b.clone()]);
        assert!(matches!(s.suggest(&f), Suggestion::Fits(1, w) if w.contains("camera")));
        f.exif_camera = Some("Lumen K2".into());
        assert!(matches!(s.suggest(&f), Suggestion::Fits(0, w) if w.contains("size alone")));
        assert_eq!(setups(vec![]).suggest(&f), Suggestion::NoSetups);
    }

    #[test]
    fn where_none_fits_every_setup_says_why() {
        let mut a = setup_of(&[1.0]);
        a.name = "a".into();
        let mut f = facts(&a);
        f.width_px += 7;
        match setups(vec![a]).suggest(&f) {
            Suggestion::None(why) => assert!(why[0].starts_with("a: pixel size"), "{why:?}"),
            other => panic!("{other:?}"),
        }
    }
}
