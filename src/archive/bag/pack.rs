//! A session as a BagIt 1.0 package (RFC 8493).
//!
//! In: a session's folder, its results, and the folder that the package shall be. Out: the package, whole, under that name: under
//! `data/` the session's files as they lie and the results in `out/`, copied byte by byte and read back; SHA-512 manifests.
//!
//! Until it is whole, the package is `.hyaline-NAME.part` beside its place. A run that was cut off is gone on with: what is there
//! already is compared with its source again, and kept where it is the same. Fails, leaving that work for the next run, as disks
//! do; where a capture or a result is no longer what it was when its digest was taken; and where another run is at work.
//! Memory does not grow with the files.

use super::digests::DIGESTS;
use super::manifest::{Algorithm, Manifest};
use super::walk::{Found, Hidden, walk};
use super::{DECLARATION, PAYLOAD, Progress, Told, info, verify};
use crate::archive::atomic::{self, Pending, write_whole};
use crate::archive::digest::hex;
use crate::archive::hold;
use crate::error::{Error, Fault, InFile, all};
use crate::notes::About;
use crate::record::{PlateRecord, Software};
use rayon::prelude::*;
use sha2::{Digest, Sha256, Sha512};
use std::collections::{BTreeMap, BTreeSet};
use std::fs::{self, File};
use std::io::{Read, Write};
use std::path::{Path, PathBuf};

/// What goes into a package.
#[derive(Debug, Clone, Copy)]
pub struct Contents<'a> {
    /// The session's folder.
    pub session: &'a Path,
    /// Its results; they need not exist, nor lie in the session's folder.
    pub out: &'a Path,
    pub about: &'a About,
}

/// A finished package.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Packed {
    pub bag: PathBuf,
    /// Payload files and their bytes.
    pub files: usize,
    pub bytes: u64,
    /// Files that an earlier run had copied already.
    pub kept: usize,
    /// Files of results among them.
    pub results: usize,
    pub left_out: LeftOut,
}

/// What a package does not hold.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct LeftOut {
    /// Hidden files, links that lead elsewhere and other packages, below the session's folder.
    pub passed_over: Vec<String>,
    /// Captures that results were made of and that are no longer there.
    pub gone: Vec<String>,
}

/// One file on its way: its name in the payload, where it lies, and the SHA-256 it must have, where that is known.
struct Item {
    name: String,
    source: Found,
    expected: Option<String>,
}

/// What became of it.
struct Copied {
    sha512: String,
    bytes: u64,
    kept: bool,
}

/// Makes the package `to` of a session. A package of the very same files that is there already is left as it is.
pub fn pack(contents: Contents<'_>, to: &Path, progress: &dyn Progress) -> Result<Packed, Vec<Error>> {
    let one = |e: Error| vec![e];
    let bag = absolute(to).map_err(one)?;
    let (items, left_out) = plan(contents, &bag).map_err(one)?;
    progress.total(2 * items.iter().map(|item| item.source.bytes).sum::<u64>());
    let name = bag.file_name().unwrap_or_default().to_string_lossy();
    let folder = atomic::folder_of(&bag);
    let held_by = folder.join(format!(".hyaline-{name}.held"));
    if occupied(&bag).map_err(one)? {
        // A run that was killed at its very end leaves it.
        if hold::free(&held_by, &bag).is_ok() {
            let _ = fs::remove_file(&held_by);
        }
        return compare(&bag, &items, left_out, progress);
    }

    let work = folder.join(format!(".hyaline-{name}.part"));
    fs::create_dir_all(&work).in_file(&work).map_err(one)?;
    let _held = hold::hold(&held_by, &bag).map_err(one)?;
    atomic::clear_leftovers(&work).map_err(one)?;
    clear_strangers(&work, &items).map_err(one)?;

    let copy = |item: &Item| {
        let target = work.join(PAYLOAD).join(&item.name);
        Ok((item.name.clone(), copied(item, &target, progress)?))
    };
    let (copied, errors) = all(items.par_iter().map(copy).collect::<Vec<Result<(String, Copied), Error>>>());
    if !errors.is_empty() {
        return Err(errors);
    }
    write_tags(&work, &copied, contents.about).map_err(one)?;
    if bag.exists() {
        fs::remove_dir(&bag).in_file(&bag).map_err(one)?; // empty: it was looked at above
    }
    fs::rename(&work, &bag).in_file(&bag).map_err(one)?;
    fs::remove_file(&held_by).in_file(&held_by).map_err(one)?;
    atomic::sync_folder(folder).map_err(one)?;
    Ok(Packed {
        bag: to.to_path_buf(),
        files: copied.len(),
        bytes: copied.iter().map(|(_, c)| c.bytes).sum(),
        kept: copied.iter().filter(|(_, c)| c.kept).count(),
        results: results(&items),
        left_out,
    })
}

fn results(items: &[Item]) -> usize {
    items.iter().filter(|item| item.name.starts_with("out/")).count()
}

/// The package's place with its folder resolved, so that it can be told apart from the session's files.
fn absolute(to: &Path) -> Result<PathBuf, Error> {
    let name = match to.file_name() {
        Some(name) => name,
        None => {
            return Err(Fault::new("it is no name for a new folder", "name the package itself, such as kiln-bag"))
                .in_file(to);
        }
    };
    let folder = atomic::folder_of(to);
    fs::create_dir_all(folder).in_file(folder)?;
    Ok(folder.canonicalize().in_file(folder)?.join(name))
}

/// Whether a package is there already. A folder with anything else in it is an error.
fn occupied(bag: &Path) -> Result<bool, Error> {
    if !bag.exists() {
        return Ok(false);
    }
    if bag.join(DECLARATION).exists() {
        return Ok(true);
    }
    if fs::read_dir(bag).in_file(bag)?.next().is_some() {
        let mend = format!("name a folder that is not there yet, such as {}", bag.join("package").display());
        return Err(Fault::new("something else is there already", mend)).in_file(bag);
    }
    Ok(false)
}

/// What goes where: the session's files as they lie, its results under out/.
fn plan(contents: Contents<'_>, bag: &Path) -> Result<(Vec<Item>, LeftOut), Error> {
    let session = contents.session.canonicalize().in_file(contents.session)?;
    let usual = session.join("out");
    let out = contents.out.canonicalize().unwrap_or_else(|_| usual.clone());
    if bag == session || bag.starts_with(&out) {
        return Err(Fault::new("a package cannot lie in what it holds", "name a folder elsewhere")).in_file(bag);
    }
    let ours = |folder: &Path| folder != usual && folder != out && folder != bag && !folder.join(DECLARATION).exists();
    let mut walked = walk(&session, Hidden::PassOver, ours)?;
    let (linked, passed_over): (Vec<String>, Vec<String>) =
        walked.passed_over.into_iter().partition(|name| leads_inside(&session.join(name), &session));
    for name in linked {
        let path = session.join(&name);
        let bytes = path.metadata().in_file(&path)?.len();
        walked.files.push(Found { name, path, bytes });
    }
    let results = if out.is_dir() { walk(&out, Hidden::PassOver, |_| true)? } else { Default::default() };

    let mut expected = digests_of_results(&out)?;
    for record in results.files.iter().filter(|found| found.name.ends_with("-record.json")) {
        expected.extend(digests_of_inputs(&record.path)?);
    }
    let results = results.files.into_iter().map(|source| (format!("out/{}", source.name), source));
    let items = walked.files.into_iter().map(|source| (source.name.clone(), source)).chain(results);
    let items = items.map(|(name, source)| Item { expected: expected.get(&name).cloned(), name, source });
    let items: Vec<Item> = items.collect();
    let names: BTreeSet<&str> = items.iter().map(|item| item.name.as_str()).collect();
    let gone = expected.keys().filter(|name| !names.contains(name.as_str())).cloned().collect();
    let ours = |name: &String| ![&out, &usual, &bag.to_path_buf()].contains(&&session.join(name));
    Ok((items, LeftOut { passed_over: passed_over.into_iter().filter(ours).collect(), gone }))
}

/// Whether a link stands for a file of the session: the notes may name captures by links that stay in its folder.
fn leads_inside(path: &Path, session: &Path) -> bool {
    path.is_symlink() && path.is_file() && path.canonicalize().is_ok_and(|real| real.starts_with(session))
}

/// Digests that results had when they were written, by their names in the payload.
fn digests_of_results(out: &Path) -> Result<BTreeMap<String, String>, Error> {
    let list = out.join(DIGESTS);
    if !list.is_file() {
        return Ok(BTreeMap::new());
    }
    let files = Manifest::read(&list, Algorithm::Sha256)?.files;
    Ok(files.into_iter().map(|(file, digest)| (format!("out/{file}"), digest)).collect())
}

/// Digests that captures and profiles had when a plate was made of them.
fn digests_of_inputs(record: &Path) -> Result<Vec<(String, String)>, Error> {
    let bytes = fs::read(record).in_file(record)?;
    let unread = |e: serde_json::Error| Fault::new(format!("it cannot be read: {e}"), "digitize the plate again");
    let record: PlateRecord = serde_json::from_slice(&bytes).map_err(unread).in_file(record)?;
    Ok(record.inputs.into_iter().map(|input| (input.file, input.sha256)).collect())
}

/// Removes from an unfinished package what no longer belongs to it.
fn clear_strangers(work: &Path, items: &[Item]) -> Result<(), Error> {
    let names: BTreeSet<String> = items.iter().map(|item| format!("{PAYLOAD}/{}", item.name)).collect();
    for found in walk(work, Hidden::Take, |_| true)?.files {
        if !names.contains(&found.name) {
            fs::remove_file(&found.path).in_file(&found.path)?;
        }
    }
    Ok(())
}

/// Copies one file, or keeps the copy that is there if it is the same.
fn copied(item: &Item, target: &Path, progress: &dyn Progress) -> Result<Copied, Error> {
    let source = &item.source.path;
    if target.metadata().is_ok_and(|m| m.len() == item.source.bytes) {
        let there = sha512(target, progress)?;
        let seen = read_through(item, progress, |_| Ok(()))?;
        if there == seen {
            return Ok(Copied { sha512: seen, bytes: item.source.bytes, kept: true });
        }
    }
    let mut file = Pending::new(target)?;
    let mut bytes = 0;
    let sha512_read = read_through(item, progress, |block| {
        bytes += block.len() as u64;
        file.write_all(block).in_file(target)
    })?;
    // The time a capture was taken is often kept only here.
    if let Ok(time) = source.metadata().and_then(|m| m.modified()) {
        let _ = File::options().write(true).open(file.path()).and_then(|f| f.set_modified(time));
    }
    file.sync()?;
    if sha512(file.path(), progress)? != sha512_read {
        return Err(Fault::new("what was copied reads back wrong", "check the drive")).in_file(target);
    }
    file.commit()?;
    Ok(Copied { sha512: sha512_read, bytes, kept: false })
}

/// Reads a source once: gives its blocks away, and its SHA-512 back. Fails where it is not the file whose digest was taken.
fn read_through(
    item: &Item,
    progress: &dyn Progress,
    mut give: impl FnMut(&[u8]) -> Result<(), Error>,
) -> Result<String, Error> {
    let source = &item.source.path;
    let mut file = Told { from: File::open(source).in_file(source)?, progress };
    let (mut long, mut short) = (Sha512::new(), item.expected.as_ref().map(|_| Sha256::new()));
    let mut block = vec![0; 1 << 20];
    loop {
        let n = file.read(&mut block).in_file(source)?;
        if n == 0 {
            break;
        }
        long.update(&block[..n]);
        if let Some(short) = &mut short {
            short.update(&block[..n]);
        }
        give(&block[..n])?;
    }
    if let (Some(short), Some(expected)) = (short, &item.expected)
        && hex(&short.finalize()) != *expected
    {
        let what = "it is no longer the file that was digitized or written";
        return Err(Fault::new(what, "put the right file back, or run digitize again")).in_file(source);
    }
    Ok(hex(&long.finalize()))
}

fn sha512(path: &Path, progress: &dyn Progress) -> Result<String, Error> {
    let file = File::open(path).in_file(path)?;
    Algorithm::Sha512.digest(Told { from: file, progress }).map(|(digest, _)| digest).in_file(path)
}

/// Manifests, the package's description and its declaration.
fn write_tags(work: &Path, copied: &[(String, Copied)], about: &About) -> Result<(), Error> {
    let payload = copied.iter().map(|(name, c)| (format!("{PAYLOAD}/{name}"), c.sha512.clone()));
    let bytes: u64 = copied.iter().map(|(_, c)| c.bytes).sum();
    let software = Software::this();
    let mut fields = vec![(
        "External-Description",
        [Some(&about.title), about.place.as_ref()].into_iter().flatten().cloned().collect::<Vec<_>>().join(", "),
    )];
    fields.extend(about.photographer.clone().map(|name| ("Contact-Name", name)));
    fields.push(("Bagging-Date", jiff::ZonedDateTime::now().date().to_string()));
    fields.push(("Bag-Size", indicatif::DecimalBytes(bytes).to_string()));
    fields.push(("Payload-Oxum", format!("{bytes}.{}", copied.len())));
    fields.push(("Bag-Software-Agent", format!("{} {}", software.name, software.version)));
    let tags = [
        (DECLARATION, "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n".to_string()),
        ("bag-info.txt", info::write(&fields)),
        ("manifest-sha512.txt", Manifest { files: payload.collect() }.write()),
    ];
    let mut manifest = Manifest::default();
    for (name, text) in tags {
        write_whole(&work.join(name), text.as_bytes())?;
        manifest.files.insert(name.into(), hex(&Sha512::digest(text.as_bytes())));
    }
    write_whole(&work.join("tagmanifest-sha512.txt"), manifest.write().as_bytes())
}

/// A package that is there already: good if it is whole and holds the same files.
fn compare(bag: &Path, items: &[Item], left_out: LeftOut, progress: &dyn Progress) -> Result<Packed, Vec<Error>> {
    let other = |what: String| {
        vec![Error::new(bag, Fault::new(format!("a package is there already, and {what}"), "name another folder"))]
    };
    let verified = verify::verify(bag, progress).map_err(|e| vec![e])?;
    if let Some(finding) = verified.findings.first() {
        return Err(other(format!("it is damaged ({finding})")));
    }
    let list = bag.join("manifest-sha512.txt");
    let list = Manifest::read(&list, Algorithm::Sha512).map_err(|e| vec![e])?;
    let read = |item: &Item| Ok((format!("{PAYLOAD}/{}", item.name), read_through(item, progress, |_| Ok(()))?));
    let (files, errors) = all(items.par_iter().map(read).collect::<Vec<Result<(String, String), Error>>>());
    if !errors.is_empty() {
        return Err(errors);
    }
    if list.files != files.into_iter().collect() {
        return Err(other("it holds other files than the session does now".into()));
    }
    let bytes = items.iter().map(|item| item.source.bytes).sum();
    Ok(Packed {
        bag: bag.to_path_buf(),
        files: items.len(),
        bytes,
        kept: items.len(),
        results: results(items),
        left_out,
    })
}
