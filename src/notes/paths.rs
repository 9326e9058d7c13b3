//! Paths and globs of the notes, as files that lie inside the session's folder.
//!
//! In: the folder (canonical) and one entry as written. Out: absolute paths, in the order in which people count. Fails if the entry
//! leaves the folder (by "..", from the root, or through a link), matches nothing, or names what is no file.

use super::keys::nearest;
use super::tree::{may_stand_in_text, shown};
use crate::error::Fault;
use glob::{MatchOptions, Pattern};
use std::cmp::Ordering;
use std::path::{Component, Path, PathBuf};

/// The files of one entry: a path, or a glob with `*`, `?`, `[…]` or `**`. A file that bears the very name comes before any glob.
pub(super) fn resolve(folder: &Path, entry: &str) -> Result<Vec<PathBuf>, Fault> {
    stays_inside(entry)?;
    let plain = folder.join(entry);
    if plain.symlink_metadata().is_ok() {
        return Ok(vec![file_inside(folder, &plain)?]);
    }
    if !entry.contains(['*', '?', '[']) {
        return Err(Fault::new("names no file", mend_missing(folder, entry)));
    }
    let mut files = Vec::new();
    for path in matches(folder, entry, true)? {
        // A folder that happens to match is not meant.
        if !path.is_dir() {
            files.push(file_inside(folder, &path)?);
        }
    }
    if files.is_empty() {
        return Err(Fault::new("matches no file", mend_unmatched(folder, entry)));
    }
    files.sort_by(|a, b| natural(a, b));
    Ok(files)
}

/// The one file of an entry.
pub(super) fn resolve_one(folder: &Path, entry: &str) -> Result<PathBuf, Fault> {
    let mut files = resolve(folder, entry)?;
    if files.len() > 1 {
        let what = format!("matches {} files", files.len());
        return Err(Fault::new(what, "name the one that is meant"));
    }
    Ok(files.remove(0))
}

/// A path relative to the session, with '/' on every system.
pub(super) fn relative(folder: &Path, file: &Path) -> String {
    let inside = file.strip_prefix(folder).unwrap_or(file);
    inside.components().map(|part| part.as_os_str().to_string_lossy()).collect::<Vec<_>>().join("/")
}

const KEEP_INSIDE: &str =
    "copy the file into the session's folder and write its path from there, with '/' between folders";

/// Refuses what leaves the folder by its words alone, before any disk is asked.
fn stays_inside(entry: &str) -> Result<(), Fault> {
    if entry.trim().is_empty() {
        return Err(Fault::new("is an empty path", "name a file, or take the entry out"));
    }
    if entry.chars().any(|c| !may_stand_in_text(c) || c == '\n') {
        return Err(Fault::new("holds a control character", "write the file's name as it is"));
    }
    let mut depth = 0usize;
    for part in Path::new(entry).components() {
        match part {
            Component::Normal(_) => depth += 1,
            Component::CurDir => {}
            Component::ParentDir if depth > 0 => depth -= 1,
            Component::ParentDir => return Err(Fault::new("leaves the session's folder", KEEP_INSIDE)),
            Component::RootDir | Component::Prefix(_) => {
                return Err(Fault::new("is an absolute path, and leaves the session's folder", KEEP_INSIDE));
            }
        }
    }
    Ok(())
}

/// The path without detours, once the file behind it is seen to lie inside the folder.
fn file_inside(folder: &Path, path: &Path) -> Result<PathBuf, Fault> {
    let name = shown(&relative(folder, path));
    let real = path.canonicalize().map_err(|e| {
        Fault::new(format!("cannot be read at {name}: {}", e.to_string().to_lowercase()), "mend the link or the rights")
    })?;
    if !real.starts_with(folder) {
        return Err(Fault::new(format!("leaves the session's folder: {name} is a link out of it"), KEEP_INSIDE));
    }
    let kind = real.metadata().map_err(|e| Fault::new(format!("cannot be read at {name}: {e}"), "mend the rights"))?;
    if kind.is_dir() {
        let mend = format!("name the files in it, as in \"{name}/*.jpg\"");
        return Err(Fault::new("is a folder", mend));
    }
    if !kind.is_file() {
        return Err(Fault::new(format!("is no plain file: {name}"), "name a file with a picture in it"));
    }
    if name.chars().any(|c| c.is_control()) || path.file_name().is_some_and(|name| name.to_str().is_none()) {
        return Err(Fault::new(format!("matches a file whose name no record can hold: {name}"), "rename the file"));
    }
    let detours = path.components().any(|part| part == Component::ParentDir);
    Ok(if detours { real } else { path.components().filter(|part| *part != Component::CurDir).collect() })
}

fn matches(folder: &Path, entry: &str, capitals_count: bool) -> Result<Vec<PathBuf>, Fault> {
    let root = folder.to_str().ok_or_else(|| {
        Fault::new("cannot be looked for: the session's folder has a name that is not UTF-8", "rename the folder")
    })?;
    let options = MatchOptions {
        case_sensitive: capitals_count,
        require_literal_separator: true,
        // Asked to mind these, `glob` panics at names that are not UTF-8.
        require_literal_leading_dot: false,
    };
    // "._k01.jpg" and the like are other systems' litter.
    let asked = entry.split('/').any(|part| part.starts_with('.'));
    let hidden = |path: &Path| relative(folder, path).split('/').any(|part| part.starts_with('.'));
    let pattern = format!("{}/{entry}", Pattern::escape(root));
    let found = glob::glob_with(&pattern, options).map_err(|e| {
        Fault::new(format!("is no pattern: {}", e.msg), "mend the pattern, or name the files one by one")
    })?;
    found
        .filter(|path| asked || !path.as_ref().is_ok_and(|path| hidden(path)))
        .map(|path| {
            path.map_err(|e| {
                let what = format!("meets a folder that cannot be read: {}", relative(folder, e.path()));
                Fault::new(what, "mend its rights")
            })
        })
        .collect()
}

fn mend_unmatched(folder: &Path, entry: &str) -> String {
    let others = matches(folder, entry, false).map(|found| found.len()).unwrap_or(0);
    match others {
        0 => "check the pattern and that the files lie in the session's folder".into(),
        n => format!("{n} would match if capitals did not count: write it as the files are named"),
    }
}

fn mend_missing(folder: &Path, entry: &str) -> String {
    if entry.contains('\\') {
        return "write '/' between folders".into();
    }
    // Enough for a session's folder; a monstrous one is not worth the wait for a hint.
    const NAMES: usize = 10_000;
    let place = folder.join(entry);
    let name = place.file_name().and_then(|name| name.to_str()).unwrap_or_default();
    let inside = place.parent().and_then(|parent| parent.canonicalize().ok()).filter(|real| real.starts_with(folder));
    let names: Vec<String> = inside
        .and_then(|real| real.read_dir().ok())
        .map(|entries| entries.take(NAMES).flatten().filter_map(|e| e.file_name().into_string().ok()).collect())
        .unwrap_or_default();
    match nearest(name, names.iter().map(String::as_str)) {
        Some(near) => {
            let near = relative(folder, &place.with_file_name(near));
            format!("did you mean \"{}\"?", shown(&near))
        }
        None => "check the name and that the file lies in the session's folder".into(),
    }
}

/// As people count: "k2" before "k10". Bytes decide between what this calls equal, so the order is one and the same everywhere.
pub(super) fn natural(a: &Path, b: &Path) -> Ordering {
    let (a, b) = (a.to_string_lossy(), b.to_string_lossy());
    natural_text(&a, &b).then_with(|| a.as_bytes().cmp(b.as_bytes()))
}

fn natural_text(mut a: &str, mut b: &str) -> Ordering {
    loop {
        let (left, right) = (digits(a), digits(b));
        if !left.is_empty() && !right.is_empty() {
            let (x, y) = (left.trim_start_matches('0'), right.trim_start_matches('0'));
            let order = x.len().cmp(&y.len()).then_with(|| x.cmp(y));
            if order.is_ne() {
                return order;
            }
            (a, b) = (&a[left.len()..], &b[right.len()..]);
            continue;
        }
        let (mut left, mut right) = (a.chars(), b.chars());
        match (left.next(), right.next()) {
            (Some(x), Some(y)) if x == y => (a, b) = (left.as_str(), right.as_str()),
            (x, y) => return x.cmp(&y),
        }
    }
}

fn digits(text: &str) -> &str {
    &text[..text.bytes().take_while(u8::is_ascii_digit).count()]
}

#[cfg(test)]
mod tests {
    use super::*;

    fn folder_with(names: &[&str]) -> tempfile::TempDir {
        let dir = tempfile::tempdir().unwrap();
        for name in names {
            let path = dir.path().join(name);
            std::fs::create_dir_all(path.parent().unwrap()).unwrap();
            std::fs::write(path, name).unwrap();
        }
        dir
    }

    fn real(dir: &tempfile::TempDir) -> PathBuf {
        dir.path().canonicalize().unwrap()
    }

    fn names(folder: &Path, entry: &str) -> Vec<String> {
        resolve(folder, entry).unwrap().iter().map(|file| relative(folder, file)).collect()
    }

    #[test]
    fn files_come_in_the_order_that_people_count_in() {
        let dir = folder_with(&["c/k10.jpg", "c/k2.jpg", "c/k1.jpg", "c/k02.jpg", "c/.k3.jpg", "c/k4.jpg/x"]);
        assert_eq!(names(&real(&dir), "c/k*.jpg"), ["c/k1.jpg", "c/k02.jpg", "c/k2.jpg", "c/k10.jpg"]);
        assert_eq!(names(&real(&dir), "./c/../c/k1.jpg"), ["c/k1.jpg"]);
        assert_eq!(names(&real(&dir), "**/k1.*"), ["c/k1.jpg"]);
    }

    /// Brackets and stars are lawful in names.
    #[test]
    fn a_file_of_that_very_name_is_no_glob() {
        let dir = folder_with(&["k[1].jpg", "k1.jpg"]);
        assert_eq!(names(&real(&dir), "k[1].jpg"), ["k[1].jpg"]);
    }

    #[test]
    fn the_folder_itself_may_have_a_glob_in_its_name() {
        let dir = folder_with(&["a[b]*/k1.jpg"]);
        assert_eq!(names(&real(&dir).join("a[b]*"), "k?.jpg"), ["k1.jpg"]);
    }

    #[test]
    fn nothing_leaves_the_folder() {
        let dir = folder_with(&["in/a.jpg", "out.jpg"]);
        let folder = real(&dir).join("in");
        let outside = real(&dir).join("out.jpg");
        for entry in ["../out.jpg", "a/../../out.jpg", "../*.jpg", outside.to_str().unwrap(), "/etc/*"] {
            let fault = resolve(&folder, entry).unwrap_err();
            assert!(fault.what().contains("leaves the session's folder"), "{entry}: {fault}");
        }
    }

    #[cfg(unix)]
    #[test]
    fn links_may_not_leave_the_folder_but_may_stay_in_it() {
        use std::os::unix::fs::symlink;
        let dir = folder_with(&["in/a.jpg", "out.jpg"]);
        let folder = real(&dir).join("in");
        symlink("../out.jpg", folder.join("b.jpg")).unwrap();
        symlink("..", folder.join("up")).unwrap();
        symlink("a.jpg", folder.join("c.jpg")).unwrap();
        symlink("gone.jpg", folder.join("d.jpg")).unwrap();
        for entry in ["b.jpg", "b*", "up/out.jpg", "up/o*.jpg"] {
            let fault = resolve(&folder, entry).unwrap_err();
            assert!(fault.what().contains("leaves the session's folder"), "{entry}: {fault}");
        }
        assert_eq!(names(&folder, "c.jpg"), ["c.jpg"]);
        assert!(resolve(&folder, "d.jpg").unwrap_err().mend().contains("mend the link"));
        assert!(resolve(&folder, "up").unwrap_err().what().contains("leaves"));
    }

    #[test]
    fn what_is_missing_is_looked_for() {
        let dir = folder_with(&["captures/k01.JPG"]);
        let folder = real(&dir);
        let mend = |entry| resolve(&folder, entry).unwrap_err().mend().to_string();
        assert_eq!(mend("captures/k01.jpg"), "did you mean \"captures/k01.JPG\"?");
        assert!(mend("captures/*.jpg").contains("1 would match if capitals did not count"));
        assert!(mend("captures\\k01.JPG").contains("'/'"));
        assert!(mend("captures").contains("captures/*.jpg"));
        assert!(resolve(&folder, "[").unwrap_err().what().contains("no pattern"));
        assert!(resolve(&folder, " ").is_err() && resolve(&folder, "a\0b").is_err());
    }

    #[test]
    fn natural_order_is_an_order() {
        let sorted = ["a", "a1", "a1b", "a02", "a2", "a10", "b"];
        for (i, a) in sorted.iter().enumerate() {
            for (j, b) in sorted.iter().enumerate() {
                assert_eq!(natural(Path::new(a), Path::new(b)), i.cmp(&j), "{a} {b}");
            }
        }
    }
}
