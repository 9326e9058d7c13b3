//! session.toml into a [`Session`].
//!
//! In: the notes file, or the folder it lies in. Out: the session with its files found, or every error there is, each with file,
//! line, key and mend, in the order of the lines. Where the text is no TOML at all, the errors are those of its syntax.

use super::keys::TOP;
use super::tree::{Notes, Section};
use super::uses::Uses;
use super::{Session, plates, tables};
use crate::error::{Error, Fault, InFile};
use std::io::Read;
use std::path::{Path, PathBuf};
use toml::de::DeTable;

/// Name of the notes in their folder.
pub const FILE_NAME: &str = "session.toml";

/// Notes of thousands of plates stay far below this.
const LARGEST_BYTES: u64 = 16 << 20;

/// Reads and checks the notes. `path` is the notes file or its folder.
pub fn load(path: &Path) -> Result<Session, Vec<Error>> {
    let shown = if path.is_dir() { path.join(FILE_NAME) } else { path.to_path_buf() };
    let text = text(&shown).map_err(|error| vec![error])?;
    let folder = folder(&shown).in_file(&shown).map_err(|error| vec![error])?;
    let notes = Notes::new(&shown, &text);

    let (tree, faults) = DeTable::parse_recoverable(&text);
    for fault in &faults {
        let line = notes.line(fault.span().map_or(0, |span| span.start));
        notes.report(line, syntax_fault(fault.message()));
    }
    if !faults.is_empty() {
        return Err(notes.into_errors());
    }

    let top = Section::new(&notes, &TOP, tree.get_ref(), 1);
    let uses = Uses::default();
    let (plates, ids) = plates::read(&top, &folder, &uses);
    let session = Session {
        file: folder.join(shown.file_name().unwrap_or(FILE_NAME.as_ref())),
        about: tables::about(&top, &folder),
        copy: tables::copying(&top, &folder, &uses),
        base: tables::base(&top, &ids),
        positive: tables::positive(&top, &folder),
        brackets: plates::brackets(&top, &ids),
        plates,
        folder,
    };
    uses.report_doubles(&notes, &session.folder);
    let errors = notes.into_errors();
    if errors.is_empty() { Ok(session) } else { Err(errors) }
}

fn text(file: &Path) -> Result<String, Error> {
    let bytes = read(file)?;
    if bytes.starts_with(&[0xFF, 0xFE]) || bytes.starts_with(&[0xFE, 0xFF]) {
        return Err(Error::at_line(file, 1, Fault::new("is UTF-16 text", "save it as UTF-8")));
    }
    let text = String::from_utf8(bytes).map_err(|e| {
        let good = &e.as_bytes()[..e.utf8_error().valid_up_to()];
        let line = good.iter().filter(|byte| **byte == b'\n').count() + 1;
        let bad = e.as_bytes()[good.len()];
        Error::at_line(file, line, Fault::new(format!("byte 0x{bad:02X} is not UTF-8 text"), "save the notes as UTF-8"))
    })?;
    if text.trim_start_matches('\u{FEFF}').trim().is_empty() {
        let fault = Fault::new("is empty", "write the notes, or have `hyaline new` draft them under another name");
        return Err(Error::new(file, fault));
    }
    Ok(text)
}

fn read(file: &Path) -> Result<Vec<u8>, Error> {
    let kind = std::fs::metadata(file).map_err(|e| match e.kind() {
        std::io::ErrorKind::NotFound => {
            let fault = Fault::new("there are no notes", "check the name, or draft the notes with `hyaline new DIR`");
            Error::new(file, fault)
        }
        _ => Error::new(file, crate::error::io_fault(&e)),
    })?;
    if !kind.is_file() {
        return Err(Error::new(file, Fault::new("is no plain file", "name the notes file or its folder")));
    }
    let mut bytes = Vec::new();
    std::fs::File::open(file).and_then(|f| f.take(LARGEST_BYTES + 1).read_to_end(&mut bytes)).in_file(file)?;
    if bytes.len() as u64 > LARGEST_BYTES {
        let fault = Fault::new("is larger than 16 MiB, and so no notes", "name the notes file");
        return Err(Error::new(file, fault));
    }
    Ok(bytes)
}

/// The notes' folder, links and detours resolved.
fn folder(file: &Path) -> std::io::Result<PathBuf> {
    let folder = match file.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    };
    folder.canonicalize()
}

fn syntax_fault(message: &str) -> Fault {
    let mend = if message.contains("escape") {
        "write '/' between folders, or put text with '\\' in single quotes"
    } else {
        "mend the line: one `key = value` on each, text in quotes, lists in [ ], dates as 2026-03-14"
    };
    Fault::new(format!("not TOML: {message}"), mend)
}
