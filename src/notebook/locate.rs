//! Pictures found again.

use std::collections::HashMap;
use std::fs::File;
use std::io::{self, Read};
use std::path::{Component, Path, PathBuf};

use rayon::prelude::*;
use sha2::{Digest, Sha256};

use super::document::Notebook;
use super::id::PictureId;
use super::record::Picture;

/// Where a picture is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Located {
    /// Where it should be, unchanged.
    There(PathBuf),
    /// Somewhere else, unchanged.
    Moved(PathBuf),
    /// Where it should be is another file, and the picture itself is nowhere.
    Changed(PathBuf),
    /// Nowhere that was looked.
    Missing,
}

impl Located {
    /// The unchanged file, where there is one.
    #[must_use]
    pub fn file(&self) -> Option<&Path> {
        match self {
            Self::There(path) | Self::Moved(path) => Some(path),
            Self::Changed(_) | Self::Missing => None,
        }
    }
}

/// Files that are looked at in search of a moved picture, and depth of folders.
const MOST_FILES: usize = 100_000;
const MOST_DEPTH: usize = 8;

impl Picture {
    /// Looks for the file: where it should be from the notebook's `folder`, then by size and hash in that folder and in `also`,
    /// and what lies below them.
    #[must_use]
    pub fn found_in(&self, folder: &Path, also: &[PathBuf]) -> Located {
        locate(&[self], folder, also).pop().map_or(Located::Missing, |(_, l)| l)
    }
}

impl Notebook {
    /// Looks for all pictures: see [`Picture::found_in`]. The folders are walked once, and only where something is missing.
    #[must_use]
    pub fn locate_pictures(&self, folder: &Path, also: &[PathBuf]) -> Vec<(PictureId, Located)> {
        locate(&self.pictures.iter().collect::<Vec<_>>(), folder, also)
    }
}

fn locate(pictures: &[&Picture], folder: &Path, also: &[PathBuf]) -> Vec<(PictureId, Located)> {
    let at_home: Vec<Located> = pictures
        .par_iter()
        .map(|p| {
            let path = folder.join(&p.path);
            match std::fs::metadata(&path) {
                Ok(about) if about.is_file() => {
                    let same = about.len() == p.bytes && sha256_of(&path).is_ok_and(|h| h == p.sha256);
                    if same { Located::There(path) } else { Located::Changed(path) }
                }
                _ => Located::Missing,
            }
        })
        .collect();
    let away = at_home.iter().any(|l| l.file().is_none());
    let by_size = if away { files_by_size(folder, also) } else { HashMap::new() };
    let mut hashes: HashMap<PathBuf, String> = HashMap::new();
    pictures
        .iter()
        .zip(at_home)
        .map(|(p, at_home)| {
            if at_home.file().is_some() {
                return (p.id, at_home);
            }
            let moved = by_size.get(&p.bytes).into_iter().flatten().find(|path| {
                let hash = hashes.entry((*path).clone()).or_insert_with(|| sha256_of(path).unwrap_or_default());
                *hash == p.sha256
            });
            (p.id, moved.map_or(at_home, |path| Located::Moved(path.clone())))
        })
        .collect()
}

fn files_by_size(folder: &Path, also: &[PathBuf]) -> HashMap<u64, Vec<PathBuf>> {
    let mut found: HashMap<u64, Vec<PathBuf>> = HashMap::new();
    let mut files = 0;
    let mut folders: Vec<(PathBuf, usize)> = also.iter().rev().map(|f| (f.clone(), 0)).collect();
    folders.push((folder.to_owned(), 0));
    while let Some((folder, depth)) = folders.pop() {
        let Ok(entries) = std::fs::read_dir(&folder) else { continue };
        let mut entries: Vec<_> = entries.flatten().collect();
        entries.sort_by_key(std::fs::DirEntry::file_name);
        for entry in entries {
            // Links are not followed: they may lead in circles.
            let Ok(kind) = entry.file_type() else { continue };
            if kind.is_dir() && depth < MOST_DEPTH {
                folders.push((entry.path(), depth + 1));
            } else if kind.is_file()
                && let Ok(about) = entry.metadata()
            {
                files += 1;
                if files > MOST_FILES {
                    return found;
                }
                found.entry(about.len()).or_default().push(entry.path());
            }
        }
    }
    found
}

/// SHA-256 of a file, lower-case hexadecimal.
///
/// # Errors
/// Whatever reading says.
pub fn sha256_of(path: &Path) -> io::Result<String> {
    let mut file = File::open(path)?;
    let mut hash = Sha256::new();
    let mut buffer = vec![0; 1 << 16];
    loop {
        let n = file.read(&mut buffer)?;
        if n == 0 {
            return Ok(hash.finalize().iter().map(|b| format!("{b:02x}")).collect());
        }
        hash.update(&buffer[..n]);
    }
}

/// The path of `file` from `folder`, with `/` between folders; the whole path where the two share nothing.
///
/// # Errors
/// Where one of the two is not there.
pub fn relative_path(folder: &Path, file: &Path) -> io::Result<String> {
    let (folder, file) = (std::fs::canonicalize(folder)?, std::fs::canonicalize(file)?);
    let (from, to): (Vec<_>, Vec<_>) = (folder.components().collect(), file.components().collect());
    let shared = from.iter().zip(&to).take_while(|(a, b)| a == b).count();
    let root_alone = to[..shared].iter().all(|c| matches!(c, Component::RootDir | Component::Prefix(_)));
    if root_alone && !from.is_empty() {
        return Ok(file.to_string_lossy().into_owned());
    }
    let up = std::iter::repeat_n("..".to_owned(), from.len() - shared);
    let down = to[shared..].iter().map(|c| c.as_os_str().to_string_lossy().into_owned());
    Ok(up.chain(down).collect::<Vec<_>>().join("/"))
}
