//! The frames that lie in a folder, with what can be known of each without decoding it.
//!
//! In: the session's folder. Out: [`Found`]: frames in the order in which people count, files left aside with the reason, and an error
//! for every frame that cannot be read. What lies in captures/ is taken alone; where there is none, all folders are looked
//! through. Hidden files, results, links and folders that hold notes or packages of their own are passed over.

use crate::error::{Error, Fault, InFile};
use crate::frame::{self, Kind, Settings};
use crate::image::Size;
use crate::notes::load::FILE_NAME;
use crate::notes::paths;
use std::path::{Path, PathBuf};

/// One frame.
#[derive(Debug, Clone, PartialEq)]
pub struct Shot {
    pub file: PathBuf,
    /// As the notes name it.
    pub name: String,
    pub kind: Kind,
    pub size: Size,
    pub settings: Settings,
}

impl Shot {
    /// Lower-case ending of the name, without the dot.
    pub fn ending(&self) -> String {
        ending(&self.file)
    }

    /// Frames of one camera at one picture size in one kind of file share their blanks.
    pub fn same_camera(&self, other: &Shot) -> bool {
        let camera = |shot: &Shot| (shot.settings.model.clone(), shot.size, shot.ending());
        camera(self) == camera(other)
    }

    /// Seconds between two frames, by a clock that both show.
    pub fn seconds_to(&self, other: &Shot) -> Option<f64> {
        let clock = |shot: &Shot| shot.settings.taken.as_deref()?.parse::<jiff::civil::DateTime>().ok();
        let apart = clock(other)?.duration_since(clock(self)?);
        Some(apart.as_secs_f64().abs())
    }
}

/// A file that is not used, and why.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Aside {
    pub file: String,
    pub why: String,
}

#[derive(Debug, Default)]
pub struct Found {
    pub shots: Vec<Shot>,
    pub aside: Vec<Aside>,
    pub errors: Vec<Error>,
}

/// Endings by which a file claims to be a picture: one that is none is told, and not just passed over.
const PICTURES: [&str; 32] = [
    "jpg", "jpeg", "jpe", "png", "tif", "tiff", "dng", "heic", "heif", "hif", "avif", "webp", "jxl", "bmp", "gif",
    "cr2", "cr3", "crw", "nef", "nrw", "arw", "sr2", "srw", "raf", "orf", "rw2", "raw", "pef", "rwl", "3fr", "iiq",
    "mrw",
];

/// Deeper folders are no session's.
const DEEPEST: usize = 8;

/// Lists the frames under a folder, whose path is free of links.
pub fn list(folder: &Path) -> Result<Found, Error> {
    let mut found = Found::default();
    let captures = folder.join("captures");
    let own = captures.symlink_metadata().is_ok_and(|kind| kind.is_dir());
    if own {
        let mut files = Vec::new();
        walk(folder, &captures, 1, &mut files, &mut found)?;
        sort(folder, files, &mut found);
    }
    if found.shots.is_empty() {
        // What was said of captures/ is said again on the way.
        found = Found::default();
        let mut files = Vec::new();
        walk(folder, folder, 0, &mut files, &mut found)?;
        sort(folder, files, &mut found);
    }
    found.aside.sort_by(|a, b| paths::natural(a.file.as_ref(), b.file.as_ref()));
    Ok(found)
}

/// Every file below a folder.
fn walk(root: &Path, folder: &Path, depth: usize, files: &mut Vec<PathBuf>, found: &mut Found) -> Result<(), Error> {
    for entry in std::fs::read_dir(folder).in_file(folder)? {
        let entry = entry.in_file(folder)?;
        let path = entry.path();
        let name = entry.file_name();
        if name.to_string_lossy().starts_with('.') {
            continue;
        }
        let kind = entry.file_type().in_file(&path)?;
        let mut aside = |why: &str| found.aside.push(Aside { file: paths::relative(root, &path), why: why.into() });
        if kind.is_symlink() {
            aside("a link");
        } else if kind.is_file() {
            files.push(path);
        } else if kind.is_dir() {
            let own = |file: &str| path.join(file).symlink_metadata().is_ok();
            if depth == 0 && name == "out" {
                continue;
            } else if own(FILE_NAME) {
                aside("a session of its own");
            } else if own("bagit.txt") {
                aside("a package");
            } else if depth == DEEPEST {
                aside("too deep in folders");
            } else {
                walk(root, &path, depth + 1, files, found)?;
            }
        }
    }
    Ok(())
}

/// Parts frames from other files, in one order whatever the folder's.
fn sort(root: &Path, mut files: Vec<PathBuf>, found: &mut Found) {
    files.sort_by(|a, b| paths::natural(a, b));
    for file in files {
        let name = paths::relative(root, &file);
        let claims = PICTURES.contains(&ending(&file).as_str());
        match shot(root, &file, &name) {
            Ok(shot) => found.shots.push(shot),
            Err(fault) if claims => found.errors.push(Error::new(&file, fault)),
            // Notes, tables and films are no captures.
            Err(_) => found.aside.push(Aside { file: name, why: "no frame".into() }),
        }
    }
}

fn shot(root: &Path, file: &Path, name: &str) -> Result<Shot, Fault> {
    let kind = frame::kind_of(file)?;
    // What notes cannot name is no use to them.
    paths::resolve(root, name)?;
    let size = frame::dimensions(file)?;
    Ok(Shot { file: file.to_path_buf(), name: name.to_string(), kind, size, settings: frame::settings(file)? })
}

fn ending(file: &Path) -> String {
    file.extension().map(|ending| ending.to_string_lossy().to_lowercase()).unwrap_or_default()
}

/// Leaves one file of each shot that the camera stored twice (a raw file and a picture of it): the one nearest to the sensor.
pub fn without_doubles(found: &mut Found) {
    let rank = |shot: &Shot| match shot.kind {
        Kind::MakerRaw => 0,
        Kind::Tiff if !matches!(shot.ending().as_str(), "tif" | "tiff") => 0,
        Kind::Tiff => 1,
        Kind::Png => 2,
        Kind::Heif => 3,
        Kind::Jpeg => 4,
    };
    let bare = |shot: &Shot| shot.file.with_extension("");
    let twin = |a: &Shot, b: &Shot| a.file != b.file && bare(a) == bare(b) && a.settings.taken == b.settings.taken;
    let better = |shot: &Shot| {
        let twins = found.shots.iter().filter(|other| twin(shot, other));
        twins.filter(|other| rank(other) < rank(shot)).min_by_key(|other| rank(other)).map(|other| other.name.clone())
    };
    let doubles: Vec<(String, String)> =
        found.shots.iter().filter_map(|shot| Some((shot.name.clone(), better(shot)?))).collect();
    found.shots.retain(|shot| doubles.iter().all(|(name, _)| *name != shot.name));
    let aside = doubles.into_iter().map(|(file, better)| Aside { file, why: format!("the same shot as {better}") });
    found.aside.extend(aside);
    found.aside.sort_by(|a, b| paths::natural(a.file.as_ref(), b.file.as_ref()));
}

#[cfg(test)]
mod tests {
    use super::*;

    fn put(folder: &Path, name: &str, bytes: &[u8]) {
        let path = folder.join(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, bytes).unwrap();
    }

    fn jpeg() -> Vec<u8> {
        let mut out = std::io::Cursor::new(Vec::new());
        image::GrayImage::new(16, 12).write_to(&mut out, image::ImageFormat::Jpeg).unwrap();
        out.into_inner()
    }

    fn found(dir: &tempfile::TempDir) -> Found {
        list(&dir.path().canonicalize().unwrap()).unwrap()
    }

    fn names(found: &Found) -> Vec<&str> {
        found.shots.iter().map(|shot| shot.name.as_str()).collect()
    }

    #[test]
    fn frames_are_told_from_other_files_by_what_they_hold() {
        let dir = tempfile::tempdir().unwrap();
        for name in [
            "k10.jpg",
            "k2.JPG",
            "no ending",
            "deep/er/k1.jpg",
            ".hidden.jpg",
            ".thumbs/k1.jpg",
            "out/K-1/K-1-preview.jpg",
        ] {
            put(dir.path(), name, &jpeg());
        }
        put(dir.path(), "notes.txt", b"wind from the west");
        put(dir.path(), "broken.jpg", b"\xff\xd8\xff");
        put(dir.path(), "letter.jpg", b"not a picture");
        put(dir.path(), "old/session.toml", b"");
        put(dir.path(), "old/k1.jpg", &jpeg());
        let found = found(&dir);
        assert_eq!(names(&found), ["deep/er/k1.jpg", "k2.JPG", "k10.jpg", "no ending"]);
        let aside: Vec<_> = found.aside.iter().map(|a| (a.file.as_str(), a.why.as_str())).collect();
        assert_eq!(aside, [("notes.txt", "no frame"), ("old", "a session of its own")]);
        let errors: Vec<String> = found.errors.iter().map(ToString::to_string).collect();
        assert!(
            errors.len() == 2 && errors[0].contains("broken.jpg: ") && errors[1].contains("letter.jpg: "),
            "{errors:?}"
        );
    }

    /// A session's folder may hold previews, scans of the pencil sheet and a demo's truth.
    #[test]
    fn captures_come_before_all_other_folders() {
        let dir = tempfile::tempdir().unwrap();
        put(dir.path(), "captures/k1.jpg", &jpeg());
        put(dir.path(), "truth/k1.jpg", &jpeg());
        assert_eq!(names(&found(&dir)), ["captures/k1.jpg"]);
    }

    #[cfg(unix)]
    #[test]
    fn names_that_no_notes_can_hold_are_told() {
        let dir = tempfile::tempdir().unwrap();
        put(dir.path(), "k\n1.jpg", &jpeg());
        put(dir.path(), "k'\"\\ü[1].jpg", &jpeg());
        std::os::unix::fs::symlink("k1.jpg", dir.path().join("link.jpg")).unwrap();
        let found = found(&dir);
        assert_eq!(names(&found), ["k'\"\\ü[1].jpg"]);
        assert!(
            found.errors.len() == 1 && found.errors[0].fault.what().contains("control character"),
            "{:?}",
            found.errors
        );
        assert_eq!(found.aside[0].why, "a link");
    }

    #[test]
    fn of_a_raw_file_and_its_picture_the_raw_file_is_taken() {
        let shot = |name: &str, kind, taken: &str| Shot {
            file: Path::new("/s").join(name),
            name: name.into(),
            kind,
            size: Size::new(1, 1),
            settings: Settings { taken: Some(taken.into()), ..Settings::default() },
        };
        let shots = vec![
            shot("a.dng", Kind::Tiff, "1"),
            shot("a.jpg", Kind::Jpeg, "1"),
            shot("b.jpg", Kind::Jpeg, "2"),
            shot("b.tif", Kind::Tiff, "3"),
        ];
        let mut found = Found { shots, ..Found::default() };
        without_doubles(&mut found);
        assert_eq!(names(&found), ["a.dng", "b.jpg", "b.tif"]);
        assert_eq!(found.aside, [Aside { file: "a.jpg".into(), why: "the same shot as a.dng".into() }]);
    }
}
