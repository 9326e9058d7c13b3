//! The folder that plates are published in: what is written there is listed, and what is no longer wanted goes away.
//!
//! `published.sha256` in the folder names every file that was published there with its SHA-256, as `sha256sum -c` reads it. Only what it
//! names is ever removed, and only while its bytes are those that were written: what others put there, or have changed since, stays.
//! Fails where the list is damaged and where a file cannot be written, read or removed.

use crate::archive::bag::manifest::{Algorithm, Manifest};
use crate::archive::hold::hold;
use crate::archive::{atomic, digest};
use crate::error::{Error, InFile};
use crate::record::FileDigest;
use std::collections::BTreeSet;
use std::fs::{self, File};
use std::path::{Path, PathBuf};

/// The list's name in the folder.
pub const LIST: &str = "published.sha256";
/// What a run holds while it publishes there.
const HELD: &str = ".hyaline-published.held";

pub struct Folder<'a> {
    to: &'a Path,
    list: Manifest,
    /// What this run has written.
    written: BTreeSet<String>,
    held: (PathBuf, Option<File>),
}

impl Drop for Folder<'_> {
    fn drop(&mut self) {
        let _ = fs::remove_file(&self.held.0);
        self.held.1 = None;
    }
}

impl Folder<'_> {
    /// `to` need not be there yet. While the folder lives, no other run may publish there.
    pub fn open(to: &Path) -> Result<Folder<'_>, Error> {
        fs::create_dir_all(to).in_file(to)?;
        let held = to.join(HELD);
        let held = (held.clone(), hold(&held, to)?);
        let path = to.join(LIST);
        let list = if path.exists() { Manifest::read(&path, Algorithm::Sha256)? } else { Manifest::default() };
        Ok(Folder { to, list, written: BTreeSet::new(), held })
    }

    /// Removes what a run that was cut off has left unfinished below a folder of it.
    pub fn clear_leftovers(&self, folder: &str) -> Result<(), Error> {
        atomic::clear_leftovers(&self.to.join(folder)).map(drop)
    }

    /// Writes a file (its path below the folder, with '/'); it counts as published once it is [listed](Folder::list).
    pub fn write(&self, file: String, bytes: &[u8]) -> Result<FileDigest, Error> {
        atomic::write_whole(&self.to.join(&file), bytes)?;
        Ok(FileDigest { sha256: digest::sha256_of(bytes), file })
    }

    /// Adds files to the list and saves it.
    pub fn list(&mut self, files: Vec<FileDigest>) -> Result<(), Error> {
        self.written.extend(files.iter().map(|f| f.file.clone()));
        self.list.files.extend(files.into_iter().map(|f| (f.file, f.sha256)));
        self.save()
    }

    fn save(&self) -> Result<(), Error> {
        atomic::write_whole(&self.to.join(LIST), self.list.write().as_bytes())
    }

    /// Removes what earlier runs have published and this one has not, but for files that `stays` speaks for, and says how many these were.
    pub fn clear(&mut self, stays: impl Fn(&str) -> bool) -> Result<usize, Error> {
        // Where capitals do not count, a plate whose id has changed in them alone lies in the same files as before.
        let written: BTreeSet<String> = self.written.iter().map(|file| file.to_lowercase()).collect();
        let goes = |file: &&String| !written.contains(&file.to_lowercase()) && !stays(file);
        let stale: Vec<String> = self.list.files.keys().filter(goes).cloned().collect();
        let mut removed = 0;
        for file in &stale {
            let path = self.to.join(file);
            let plain = path.symlink_metadata().is_ok_and(|about| about.is_file());
            if plain && self.list.files.get(file) == Some(&digest::sha256(&path)?) {
                fs::remove_file(&path).in_file(&path)?;
                removed += 1;
                // Folders with anything else in them refuse to go.
                let above = path.ancestors().skip(1).take_while(|folder| *folder != self.to);
                let _ = above.map(fs::remove_dir).take_while(Result::is_ok).count();
            }
            self.list.files.remove(file);
        }
        if !stale.is_empty() {
            self.save()?;
        }
        Ok(removed)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn publish(to: &Path, files: &[(&str, &str)]) -> usize {
        let mut folder = Folder::open(to).unwrap();
        let written = files.iter().map(|(file, text)| folder.write(file.to_string(), text.as_bytes()).unwrap());
        let written = written.collect();
        folder.list(written).unwrap();
        folder.clear(|file| file.starts_with("K-02/")).unwrap()
    }

    #[test]
    fn only_what_was_published_and_is_unchanged_goes() {
        let folder = tempfile::tempdir().unwrap();
        let to = folder.path().join("www");
        let there = |file: &str| to.join(file).exists();
        publish(&to, &[("K-01/a/1", "a"), ("K-01/a/2", "b"), ("K-01/b/1", "c"), ("K-02/1", "d"), ("K-03/a/1", "e")]);
        fs::write(to.join("K-01/b/mine"), "of another hand").unwrap();
        fs::write(to.join("K-01/a/2"), "changed since").unwrap();
        fs::write(to.join("index.html"), "a page").unwrap();
        assert_eq!(publish(&to, &[("K-01/c", "f")]), 3);
        for file in ["K-01/c", "K-01/b/mine", "K-01/a/2", "K-02/1", "index.html"] {
            assert!(there(file), "{file} is gone");
        }
        assert!(!there("K-01/a/1") && !there("K-01/b/1") && !there("K-03"));
        // What was changed is no longer taken for published, even if it should come to be what it was.
        fs::write(to.join("K-01/a/2"), "b").unwrap();
        assert_eq!(publish(&to, &[("K-01/d", "g")]), 1);
        assert!(there("K-01/a/2") && !there("K-01/c"));
    }

    #[test]
    fn files_that_differ_in_capitals_alone_stay() {
        let folder = tempfile::tempdir().unwrap();
        publish(folder.path(), &[("K-01/1", "a")]);
        assert_eq!(publish(folder.path(), &[("k-01/1", "a")]), 0);
    }

    /// A list from elsewhere cannot name files beyond the folder.
    #[test]
    fn a_list_that_leads_out_is_refused() {
        let folder = tempfile::tempdir().unwrap();
        let to = folder.path().join("www");
        fs::create_dir(&to).unwrap();
        fs::write(folder.path().join("mine"), "a").unwrap();
        fs::write(to.join(LIST), format!("{}  ../mine\n", digest::sha256_of(b"a"))).unwrap();
        let Err(refused) = Folder::open(&to) else { panic!("read") };
        assert!(refused.to_string().contains("leads out"), "{refused}");
    }

    #[cfg(unix)]
    #[test]
    fn links_are_left_alone() {
        let folder = tempfile::tempdir().unwrap();
        let to = folder.path().join("www");
        publish(&to, &[("K-01/1", "a")]);
        fs::write(folder.path().join("mine"), "a").unwrap();
        fs::remove_file(to.join("K-01/1")).unwrap();
        std::os::unix::fs::symlink(folder.path().join("mine"), to.join("K-01/1")).unwrap();
        assert_eq!(publish(&to, &[("K-01/2", "b")]), 0);
        assert!(folder.path().join("mine").exists() && to.join("K-01/1").is_symlink());
    }
}
