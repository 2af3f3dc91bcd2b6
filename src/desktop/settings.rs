//! What the window remembers from one day to the next.

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

/// What is remembered; whatever cannot be read is as on the first day.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub(crate) struct Settings {
    /// Dark colours; `None` as the system has it.
    pub(crate) dark: Option<bool>,
    /// Size of text and controls; 1 is the usual.
    pub(crate) size: f32,
    /// Notebooks opened lately, the last one first.
    pub(crate) notebooks: Vec<PathBuf>,
    /// The folder from which pictures were opened last.
    pub(crate) folder: Option<PathBuf>,
}

impl Default for Settings {
    fn default() -> Self {
        Self { dark: None, size: 1.0, notebooks: Vec::new(), folder: None }
    }
}

const FILE: &str = "window.json";
const MOST_NOTEBOOKS: usize = 8;

impl Settings {
    pub(crate) fn read(data: &Path) -> Self {
        let text = std::fs::read_to_string(data.join(FILE)).unwrap_or_default();
        let mut settings: Self = serde_json::from_str(&text).unwrap_or_default();
        if !(0.6..=3.0).contains(&settings.size) {
            settings.size = 1.0;
        }
        settings
    }

    /// Writes it; a failure costs only the memory of a window's look.
    pub(crate) fn write(&self, data: &Path) {
        if let Ok(text) = serde_json::to_string_pretty(self) {
            drop(std::fs::create_dir_all(data).and_then(|()| std::fs::write(data.join(FILE), text)));
        }
    }

    pub(crate) fn opened(&mut self, notebook: &Path) {
        self.notebooks.retain(|n| n != notebook);
        self.notebooks.insert(0, notebook.to_owned());
        self.notebooks.truncate(MOST_NOTEBOOKS);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_written_comes_back_and_nonsense_is_the_first_day() {
        let folder = tempfile::tempdir().unwrap();
        assert_eq!(Settings::read(folder.path()), Settings::default());
        let mut s = Settings { dark: Some(true), size: 1.25, ..Settings::default() };
        for i in 0..12 {
            s.opened(Path::new(&format!("{}.json", i % 10)));
        }
        assert_eq!((s.notebooks.len(), s.notebooks[0].as_path()), (8, Path::new("1.json")));
        s.write(folder.path());
        assert_eq!(Settings::read(folder.path()), s);
        std::fs::write(folder.path().join(FILE), "{\"size\": 99}").unwrap();
        assert_eq!(Settings::read(folder.path()).size, 1.0);
    }
}
