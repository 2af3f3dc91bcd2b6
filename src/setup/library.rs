//! Where setups are kept: one TOML file each in a folder.

use std::io::Write;
use std::path::{Path, PathBuf};

use super::model::SCHEMA;
use super::{Setup, SetupError};

/// A folder of setup files.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Library {
    folder: PathBuf,
}

const LONGEST_NAME: usize = 80;

impl Library {
    /// The library in `folder`, which need not exist yet.
    #[must_use]
    pub fn in_folder(folder: impl Into<PathBuf>) -> Self {
        Self { folder: folder.into() }
    }

    /// The folder.
    #[must_use]
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// The file of the setup called `name`.
    ///
    /// # Errors
    /// [`SetupError::BadName`] for names that cannot be file names everywhere.
    pub fn file_of(&self, name: &str) -> Result<PathBuf, SetupError> {
        check_name(name)?;
        Ok(self.folder.join(format!("{name}.toml")))
    }

    /// Names of the setups it holds, in alphabetical order.
    #[must_use]
    pub fn names(&self) -> Vec<String> {
        let Ok(entries) = std::fs::read_dir(&self.folder) else { return vec![] };
        let mut names: Vec<String> = entries
            .flatten()
            .map(|e| e.path())
            .filter(|p| p.extension().is_some_and(|e| e == "toml"))
            .filter_map(|p| Some(p.file_stem()?.to_str()?.to_owned()))
            .collect();
        names.sort();
        names
    }

    /// The setup called `name`, or `None` where the library has none of that name.
    ///
    /// # Errors
    /// [`SetupError`] when its file cannot be read or is not a setup.
    pub fn find(&self, name: &str) -> Result<Option<Setup>, SetupError> {
        let path = self.file_of(name)?;
        if path.exists() { read(&path).map(Some) } else { Ok(None) }
    }

    /// The setup called `name`.
    ///
    /// # Errors
    /// [`SetupError::NoSuchSetup`] with the names that there are; otherwise as [`Library::find`].
    pub fn get(&self, name: &str) -> Result<Setup, SetupError> {
        self.find(name)?.ok_or_else(|| SetupError::NoSuchSetup {
            name: name.to_owned(),
            known: self.names(),
            library: self.folder.clone(),
        })
    }

    /// Writes the setup's file, making the folder where needed; returns its path.
    ///
    /// The file is written whole under a temporary name in the same folder and then renamed, so that a reader never sees half of
    /// it and a crash leaves the old one.
    ///
    /// # Errors
    /// [`SetupError::BadName`] or [`SetupError::File`].
    pub fn save(&self, setup: &Setup) -> Result<PathBuf, SetupError> {
        let path = self.file_of(&setup.name)?;
        let fail = |source| SetupError::File { action: "write", path: path.clone(), source };
        let text = to_text(setup).map_err(|message| SetupError::Parse { message, path: path.clone() })?;
        std::fs::create_dir_all(&self.folder).map_err(fail)?;
        let mut file =
            tempfile::Builder::new().prefix(".setup-").suffix(".part").tempfile_in(&self.folder).map_err(fail)?;
        file.write_all(text.as_bytes()).and_then(|()| file.as_file().sync_all()).map_err(fail)?;
        file.persist(&path).map_err(|e| fail(e.error))?;
        Ok(path)
    }
}

fn check_name(name: &str) -> Result<(), SetupError> {
    let bad = |why| Err(SetupError::BadName { name: name.to_owned(), why });
    if name.trim().is_empty() {
        return bad("is empty");
    }
    if name.len() > LONGEST_NAME {
        return bad("is too long");
    }
    if name.starts_with('.') || name.ends_with('.') || name.starts_with(' ') || name.ends_with(' ') {
        return bad("begins or ends with a dot or a space");
    }
    if let Some(c) = name.chars().find(|c| !(c.is_alphanumeric() || matches!(c, ' ' | '.' | '-' | '_' | '+' | ','))) {
        return if matches!(c, '/' | '\\') {
            bad("has a slash")
        } else {
            bad("has a character that file names must not have")
        };
    }
    Ok(())
}

/// Reads a setup from a file anywhere.
///
/// # Errors
/// [`SetupError`] when the file cannot be read, is not a setup, was written by a later version, or has values that make no sense.
pub fn read(path: &Path) -> Result<Setup, SetupError> {
    let text = std::fs::read_to_string(path).map_err(|source| SetupError::File {
        action: "read",
        path: path.to_owned(),
        source,
    })?;
    let parse = |message: String| SetupError::Parse { message, path: path.to_owned() };
    let table: toml::Table = text.parse().map_err(|e: toml::de::Error| parse(one_line(&e)))?;
    if let Some(found) = table.get("schema").and_then(toml::Value::as_integer).filter(|&v| v > i64::from(SCHEMA)) {
        let found = u32::try_from(found).unwrap_or(u32::MAX);
        return Err(SetupError::NewerSchema { found, known: SCHEMA, path: path.to_owned() });
    }
    let setup: Setup = toml::from_str(&text).map_err(|e| parse(one_line(&e)))?;
    setup.checked()
}

fn one_line(e: &toml::de::Error) -> String {
    e.message().lines().collect::<Vec<_>>().join(", ")
}

/// The file's text: a heading for people, then the setup.
fn to_text(setup: &Setup) -> Result<String, String> {
    let body = toml::to_string(setup).map_err(|e| e.to_string())?;
    Ok(format!(
        "# A setup of Motestick: one camera, lens, magnification, aperture and recording mode, with the readings of a ruled slide.\n\
         # Every key has its unit in its name. [slide] and [assumed] may be edited; [pooled] and u_rel are worked out anew when used.\n\n\
         {body}"
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::setup::testing::setup_of;

    #[test]
    fn what_is_written_is_read_back_and_unknown_keys_stay() {
        let folder = tempfile::tempdir().unwrap();
        let library = Library::in_folder(folder.path().join("not/yet/there"));
        let mut setup = setup_of(&[1.0, 1.001]);
        setup.other.insert("colour_chart".into(), toml::Value::String("2024-03".into()));
        setup.camera = Some("the grey one".into());
        let path = library.save(&setup).unwrap();
        assert_eq!(read(&path).unwrap(), setup);
        assert_eq!(library.names(), ["fernery 4x"]);
        assert_eq!(library.get("fernery 4x").unwrap(), setup);
        assert_eq!(std::fs::read_dir(library.folder()).unwrap().count(), 1, "no temporary file is left");
        let text = std::fs::read_to_string(&path).unwrap();
        for key in
            ["scale_px_per_um", "division_um", "slide_tilt_within_deg", "colour_chart", "[[reading]]", "[reading.map]"]
        {
            assert!(text.contains(key), "{key} in\n{text}");
        }
    }

    #[test]
    fn unknown_keys_in_any_table_are_not_fatal() {
        let folder = tempfile::tempdir().unwrap();
        let library = Library::in_folder(folder.path());
        let path = library.save(&setup_of(&[1.0])).unwrap();
        let text = std::fs::read_to_string(&path).unwrap().replace("[slide]\n", "[slide]\nbox = \"upper shelf\"\n");
        std::fs::write(&path, text).unwrap();
        assert!(read(&path).is_ok());
    }

    #[test]
    fn names_that_cannot_be_files_are_refused() {
        let library = Library::in_folder("nowhere");
        for name in ["", "  ", "../x", "a/b", "a\\b", ".hidden", "x.", "a\nb", "con:1", &"x".repeat(81)] {
            assert!(matches!(library.file_of(name), Err(SetupError::BadName { .. })), "{name:?}");
        }
        assert!(library.file_of("fernery 4x, f-8 (no)").is_err());
        assert!(library.file_of("fougère 4x +1.0").is_ok());
    }

    #[test]
    fn what_is_missing_or_damaged_is_said_plainly() {
        let folder = tempfile::tempdir().unwrap();
        let library = Library::in_folder(folder.path());
        library.save(&setup_of(&[1.0])).unwrap();
        let e = library.get("fern").unwrap_err().to_string();
        assert!(e.starts_with("there is no setup \"fern\" in the library, which has fernery 4x;"), "{e}");
        let path = folder.path().join("broken.toml");
        std::fs::write(&path, "schema = 1\nname = ").unwrap();
        assert!(matches!(read(&path), Err(SetupError::Parse { .. })));
        std::fs::write(&path, "schema = 99\n").unwrap();
        assert!(matches!(read(&path), Err(SetupError::NewerSchema { found: 99, .. })));
        let good = std::fs::read_to_string(folder.path().join("fernery 4x.toml")).unwrap();
        std::fs::write(&path, good.replace("division_um = 10.0", "division_um = -10.0")).unwrap();
        let e = read(&path).unwrap_err().to_string();
        assert_eq!(
            e,
            "the setup's slide.division_um is -10, must be a finite number above 0; correct it or calibrate anew with --replace"
        );
        assert!(matches!(read(&folder.path().join("absent.toml")), Err(SetupError::File { .. })));
    }
}
