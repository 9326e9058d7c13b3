//! The files in a folder.
//!
//! In: a folder. Out: its plain files, sorted by their '/'-separated paths below it, with their lengths, and what was passed over:
//! hidden files and folders (work under way, leftovers, what file managers leave), symbolic links and other things that are no
//! plain files. Fails for a folder that cannot be read and for names that are not UTF-8.

use super::path;
use crate::error::{Error, Fault, InFile};
use std::path::{Path, PathBuf};

/// One file below a folder.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Found {
    /// Below the folder, with '/'.
    pub name: String,
    pub path: PathBuf,
    pub bytes: u64,
}

/// What lies in a folder.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Walked {
    pub files: Vec<Found>,
    /// Paths below the folder that are no plain files, or are hidden.
    pub passed_over: Vec<String>,
}

/// Walks a folder without following links; `enter` says whether to look into a folder below it.
pub fn walk(folder: &Path, hidden: Hidden, enter: impl Fn(&Path) -> bool) -> Result<Walked, Error> {
    let mut walked = Walked::default();
    let mut folders = vec![folder.to_path_buf()];
    while let Some(inside) = folders.pop() {
        for entry in std::fs::read_dir(&inside).in_file(&inside)? {
            let entry = entry.in_file(&inside)?;
            let path = entry.path();
            let below =
                path.strip_prefix(folder).map_err(|e| Fault::new(e.to_string(), "name it otherwise")).in_file(&path)?;
            let name = path::text(below).in_file(&path)?;
            let kind = entry.file_type().in_file(&path)?;
            let secret = hidden == Hidden::PassOver && entry.file_name().to_string_lossy().starts_with('.');
            if kind.is_dir() && !secret && enter(&path) {
                folders.push(path);
            } else if kind.is_file() && !secret {
                let bytes = entry.metadata().in_file(&path)?.len();
                walked.files.push(Found { name, path, bytes });
            } else {
                walked.passed_over.push(name);
            }
        }
    }
    walked.files.sort_by(|a, b| a.name.cmp(&b.name));
    walked.passed_over.sort();
    Ok(walked)
}

/// Whether names that begin with a point count.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Hidden {
    Take,
    PassOver,
}
