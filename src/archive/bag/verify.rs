//! Checks every file of a package, or of a folder of results, against its digest.
//!
//! In: a folder with a BagIt declaration (RFC 8493, any version that has the same manifests), or with our list of digests. Out:
//! what was found, each file that is changed, missing, extra or no plain file by its name; nothing found means all is well.
//! Fails only where there is nothing to check by. Nothing outside the folder is read, whatever its lists say.
//!
//! A valid package of another program may hold tag files that no manifest lists, and digests in capitals. Our own never do, so
//! there both are told: then a change of any byte is found, in the lists as well.

use super::digests::DIGESTS;
use super::manifest::{Algorithm, Manifest};
use super::walk::{Found, Hidden, Walked, walk};
use super::{DECLARATION, PAYLOAD, Progress, Told, info};
use crate::error::{Error, Fault, InFile};
use rayon::prelude::*;
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet};
use std::fs::{self, File};
use std::path::Path;

/// What became of a file.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case", tag = "what", content = "detail")]
pub enum What {
    /// Its bytes are not those whose digest was taken.
    Changed,
    Missing,
    /// No list names it.
    Extra,
    /// A link, or another thing that is not a file of its own.
    NotAFile,
    Unreadable(String),
    /// A list or a declaration does not say what it must.
    Damaged(String),
}

/// One file that is not as it was.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize)]
pub struct Finding {
    /// Below the folder that was checked, with '/'.
    pub file: String,
    #[serde(flatten)]
    pub what: What,
}

impl std::fmt::Display for What {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            What::Changed => write!(f, "changed since its digest was taken"),
            What::Missing => write!(f, "missing"),
            What::Extra => write!(f, "extra: no list names it"),
            What::NotAFile => write!(f, "a link, or no plain file"),
            What::Unreadable(why) => write!(f, "it cannot be read: {why}"),
            What::Damaged(how) => write!(f, "damaged: {how}"),
        }
    }
}

impl std::fmt::Display for Finding {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}: {}", self.file.escape_debug(), self.what)
    }
}

/// What a check came to.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Verified {
    /// "package" or "results".
    pub kind: &'static str,
    /// Files that were read through, and their bytes.
    pub files: usize,
    pub bytes: u64,
    /// Sorted by file.
    pub findings: Vec<Finding>,
    /// What was left alone: lists in algorithms that are not read, and so on.
    pub notes: Vec<String>,
}

/// Checks a package, a folder of results, or a session's folder with results in out/.
pub fn verify(folder: &Path, progress: &dyn Progress) -> Result<Verified, Error> {
    let entries = fs::read_dir(folder).in_file(folder)?;
    let names: BTreeSet<String> = entries.filter_map(|entry| entry.ok()?.file_name().into_string().ok()).collect();
    let list = |name: &String| name.starts_with("manifest-") || name.starts_with("tagmanifest-");
    if names.contains(DECLARATION) || names.iter().any(list) {
        bag(folder, &names, progress)
    } else if names.contains(DIGESTS) {
        results(folder, progress)
    } else if folder.join("out").join(DIGESTS).is_file() {
        results(&folder.join("out"), progress)
    } else {
        let what = format!("there is neither {DECLARATION} nor {DIGESTS}: nothing to check by");
        Err(Fault::new(what, "name a package, or a folder of results")).in_file(folder)
    }
}

/// A check under way.
struct Check<'a> {
    folder: &'a Path,
    found: BTreeMap<String, Found>,
    findings: BTreeSet<Finding>,
    jobs: Vec<(String, Algorithm, String)>,
    notes: Vec<String>,
}

impl<'a> Check<'a> {
    fn new(folder: &'a Path, walked: Walked) -> Self {
        let found = walked.files.into_iter().map(|found| (found.name.clone(), found)).collect();
        Check { folder, found, findings: BTreeSet::new(), jobs: Vec::new(), notes: Vec::new() }
    }

    fn tell(&mut self, file: &str, what: What) {
        self.findings.insert(Finding { file: file.to_string(), what });
    }

    /// A list of the folder; a damaged one is told, and read as far as nothing.
    fn list(&mut self, name: &str, algorithm: Algorithm) -> Option<Manifest> {
        match Manifest::read(&self.folder.join(name), algorithm) {
            Ok(list) => Some(list),
            Err(e) => {
                let line = e.line.map(|line| format!("line {line}: ")).unwrap_or_default();
                self.tell(name, What::Damaged(format!("{line}{}", e.fault.what())));
                None
            }
        }
    }

    /// A list that we wrote is as we write lists, to the byte.
    fn as_we_write_it(&mut self, name: &str, list: &Manifest) {
        if fs::read(self.folder.join(name)).is_ok_and(|bytes| bytes != list.write().as_bytes()) {
            self.tell(name, What::Changed);
        }
    }

    /// Takes a list's files to be read through; those that are not there are missing.
    fn expect(&mut self, list: &Manifest, algorithm: Algorithm) {
        for (file, digest) in &list.files {
            if self.found.contains_key(file) {
                self.jobs.push((file.clone(), algorithm, digest.clone()));
            } else {
                self.tell(file, What::Missing);
            }
        }
    }

    /// Files that should be in a list and are not are extra.
    fn no_others(&mut self, list: &Manifest, in_it: impl Fn(&str) -> bool) {
        let extra: Vec<String> =
            self.found.keys().filter(|file| in_it(file) && !list.files.contains_key(*file)).cloned().collect();
        extra.iter().for_each(|file| self.tell(file, What::Extra));
    }

    /// Reads all files through, on all cores.
    fn finish(mut self, kind: &'static str, progress: &dyn Progress) -> Verified {
        let size = |job: &(String, Algorithm, String)| self.found[&job.0].bytes;
        progress.total(self.jobs.iter().map(size).sum());
        let read = |(file, algorithm, digest): &(String, Algorithm, String)| {
            let opened = File::open(&self.found[file].path);
            match opened.and_then(|from| algorithm.digest(Told { from, progress })) {
                Ok((read, bytes)) if read == *digest => Ok(bytes),
                Ok(_) => Err(Finding { file: file.clone(), what: What::Changed }),
                Err(e) => Err(Finding { file: file.clone(), what: What::Unreadable(e.to_string()) }),
            }
        };
        let read: Vec<Result<u64, Finding>> = self.jobs.par_iter().map(read).collect();
        let files: BTreeSet<&String> = self.jobs.iter().map(|(file, ..)| file).collect();
        let (files, bytes) = (files.len(), read.iter().flatten().sum());
        self.findings.extend(read.into_iter().filter_map(Result::err));
        Verified { kind, files, bytes, findings: self.findings.into_iter().collect(), notes: self.notes }
    }
}

fn results(folder: &Path, progress: &dyn Progress) -> Result<Verified, Error> {
    let walked = walk(folder, Hidden::PassOver, |_| true)?;
    let mut check = Check::new(folder, walked);
    if let Some(list) = check.list(DIGESTS, Algorithm::Sha256) {
        check.as_we_write_it(DIGESTS, &list);
        check.expect(&list, Algorithm::Sha256);
        check.no_others(&list, |file| file != DIGESTS);
    }
    Ok(check.finish("results", progress))
}

fn bag(folder: &Path, names: &BTreeSet<String>, progress: &dyn Progress) -> Result<Verified, Error> {
    let walked = walk(folder, Hidden::Take, |_| true)?;
    let links = walked.passed_over.clone();
    let mut check = Check::new(folder, walked);
    links.iter().for_each(|name| check.tell(name, What::NotAFile));
    declaration(&mut check);
    let ours = description(&mut check);
    if names.contains("fetch.txt") {
        check.tell("fetch.txt", What::Damaged("it wants files from elsewhere, which are not fetched".into()));
    }

    let payload = |file: &str| file.starts_with(&format!("{PAYLOAD}/"));
    let mut checked = 0;
    for algorithm in Algorithm::ALL {
        let (list, tags) =
            (format!("manifest-{}.txt", algorithm.name()), format!("tagmanifest-{}.txt", algorithm.name()));
        if names.contains(&list) {
            checked += 1;
            if let Some(manifest) = check.list(&list, algorithm) {
                for file in manifest.files.keys().filter(|file| !payload(file)) {
                    check.tell(&list, What::Damaged(format!("it lists {}, which is no payload", file.escape_debug())));
                }
                check.expect(&manifest, algorithm);
                check.no_others(&manifest, payload);
            }
        }
        if names.contains(&tags) {
            if let Some(manifest) = check.list(&tags, algorithm) {
                if ours {
                    check.as_we_write_it(&tags, &manifest);
                    check.no_others(&manifest, |file| !payload(file) && !file.starts_with("tagmanifest-"));
                }
                check.expect(&manifest, algorithm);
            }
        } else if ours && algorithm == Algorithm::Sha512 {
            check.tell(&tags, What::Missing);
        }
    }
    if checked == 0 {
        check.tell("manifest-sha512.txt", What::Missing);
    }
    for other in names.iter().filter(|name| name.starts_with("manifest-") && name.ends_with(".txt")) {
        if !Algorithm::ALL.iter().any(|a| *other == format!("manifest-{}.txt", a.name())) {
            check.notes.push(format!("{other} was not read: its digests are of another kind"));
        }
    }
    Ok(check.finish("package", progress))
}

/// RFC 8493, 2.1.1: two lines, version and encoding.
fn declaration(check: &mut Check<'_>) {
    let Ok(bytes) = fs::read(check.folder.join(DECLARATION)) else { return check.tell(DECLARATION, What::Missing) };
    let text = String::from_utf8_lossy(&bytes).replace("\r\n", "\n").replace('\r', "\n");
    let lines: Vec<&str> = text.trim_end_matches('\n').split('\n').collect();
    let version = lines[0].strip_prefix("BagIt-Version: ").and_then(|v| v.split_once('.'));
    let number = |n: &str| !n.is_empty() && n.bytes().all(|b| b.is_ascii_digit());
    let good = lines.len() == 2
        && version.is_some_and(|(major, minor)| number(major) && number(minor))
        && lines[1] == "Tag-File-Character-Encoding: UTF-8";
    if !good {
        check.tell(DECLARATION, What::Damaged("it does not declare a BagIt version and UTF-8".into()));
    }
}

/// Compares the payload with what bag-info.txt says of it, and says whether the package is one of ours.
fn description(check: &mut Check<'_>) -> bool {
    let name = "bag-info.txt";
    let Ok(text) = fs::read_to_string(check.folder.join(name)) else { return false };
    let fields = info::read(&text);
    let field = |label: &str| fields.iter().find(|(l, _)| l == label).map(|(_, value)| value.as_str());
    let payload = || check.found.values().filter(|found| found.name.starts_with("data/"));
    let there = format!("{}.{}", payload().map(|found| found.bytes).sum::<u64>(), payload().count());
    let ours = field("Bag-Software-Agent").is_some_and(|agent| agent.starts_with(env!("CARGO_PKG_NAME")));
    if let Some(said) = field("Payload-Oxum").filter(|said| *said != there) {
        let how = format!("it tells of a payload of {said} (bytes.files), and {there} is there");
        check.tell(name, What::Damaged(how));
    }
    ours
}
