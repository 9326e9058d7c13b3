//! A [`Draft`] as session.toml.
//!
//! In: a draft. Out: TOML that reads as the draft's session where every plate has a size and there are blanks; what is missing stands
//! there as a remark, to be filled in. Every choice has a short line that says why. Globs stand where one names exactly the files
//! meant; lists of names otherwise. Never fails.

use super::{By, Draft, Reasons};
use crate::notes::print::{Toml, list, quoted, records};
use crate::notes::{Emulsion, Plate, Session, paths};
use std::path::{Path, PathBuf};

/// Longer lists are broken, one entry a line.
const LINE: usize = 100;

/// The notes as they are to be written.
pub fn text(draft: &Draft) -> String {
    let mut out = Toml::default();
    out.line(
        "# First notes, drafted by `hyaline new`. Look them over, fill in what you know, and run `hyaline check`.",
    );
    out.line("# What stands behind # is a remark, or waits to be filled in: take the # away then.");
    about(&mut out, draft);
    copying(&mut out, draft);
    out.header("[base]");
    out.line("# Base plus fog is read in each plate's unexposed margin, and one value is taken for all.");
    out.text("from", "rebate");
    out.text("scope", "batch");
    out.header("[positive]");
    out.text("tone", &draft.session.positive.tone);
    for (plate, reasons) in draft.session.plates.iter().zip(&draft.plates) {
        self::plate(&mut out, draft, plate, reasons);
    }
    if let [first, second, ..] = draft.session.plates.as_slice() {
        out.line("\n# Plates of one scene, to be compared:");
        out.line("# [[bracket]]");
        out.line(&format!("# plates = [{}, {}]", quoted(&first.id), quoted(&second.id)));
    }
    if !draft.without_frames.is_empty() {
        out.line("\n# The field notes know plates that have no frames here:");
        for (id, line) in &draft.without_frames {
            out.line(&format!("# {id} (line {line})"));
        }
    }
    out.text
}

fn about(out: &mut Toml, draft: &Draft) {
    let about = &draft.session.about;
    out.header("[session]");
    out.text("title", &about.title);
    match &about.date {
        Some(date) => {
            out.line("# The day on which the field notes say that the plates were exposed.");
            out.put("date", date.clone());
        }
        None => out.line("# date = 2026-03-14             # the day in the field"),
    }
    for (key, example) in [("place", "North bank, salt marsh"), ("photographer", "A. Nobody"), ("rights", "CC BY 4.0")]
    {
        out.line(&format!("# {key} = {}", quoted(example)));
    }
}

fn copying(out: &mut Toml, draft: &Draft) {
    let copy = &draft.session.copy;
    out.header("[copy]");
    if copy.blanks.is_empty() {
        out.line("# No blank was found. Copy the bare panel as the plates were copied, and name its frames:");
        out.line("# blank = [\"captures/blank-*.jpg\"]");
    } else {
        out.line(&format!("# Frames of the bare panel, {}.", known(&draft.blanks, "bright and even all over")));
        out.put("blank", broken("blank", entries(&draft.session, &copy.blanks)));
    }
    if !copy.darks.is_empty() {
        out.line(&format!("# Frames with the lens capped, {}.", known(&draft.darks, "black all over")));
        out.put("dark", broken("dark", entries(&draft.session, &copy.darks)));
    }
    out.line("# How codes stand for light in JPEG, HEIC, PNG and TIFF; \"linear\" for linear TIFFs. Raw files are always linear.");
    out.text("profile", &copy.profile);
    match copy.emulsion {
        _ if !copy.emulsion_stated => {
            out.line("# Which side faced the camera? The emulsion is the dull one. Until you say, it is taken for:");
            out.line("# emulsion = \"toward-camera\"   # or \"away-from-camera\"");
        }
        Emulsion::TowardCamera => out.text("emulsion", "toward-camera"),
        Emulsion::AwayFromCamera => out.text("emulsion", "away-from-camera"),
    }
}

/// How it is known what frames are.
fn known(by: &[By], look: &str) -> String {
    let seen = by.iter().filter(|by| **by == By::Content).count();
    match seen {
        0 => "by their names".into(),
        n if n == by.len() => format!("by what they show ({look}): a guess, so check it"),
        n => format!("by their names; {n} of them by what they show ({look}): a guess, so check it"),
    }
}

fn plate(out: &mut Toml, draft: &Draft, plate: &Plate, reasons: &Reasons) {
    out.header("[[plate]]");
    out.text("id", &plate.id);
    if plate.size.name.is_empty() {
        out.line(
            "# Must be filled in: nominal size of the glass, by name or measured, as in \"4x5in\" or \"101x126mm\".",
        );
        out.line("# size = \"\"");
    } else {
        out.text("size", &plate.size.name);
    }
    reasons.why.iter().for_each(|why| out.line(&format!("# {}.", capital(why))));
    if reasons.blanks == 0 && !draft.session.copy.blanks.is_empty() {
        out.line("# No blank has the camera, picture size and file kind of these frames.");
    }
    let captures = match plate.captures.iter().all(|tile| tile.len() == 1) {
        true => {
            let files: Vec<PathBuf> = plate.captures.iter().flatten().cloned().collect();
            entries(&draft.session, &files)
        }
        false => plate.captures.iter().map(|tile| list(entries(&draft.session, tile).into_iter())).collect(),
    };
    out.put("captures", broken("captures", captures));
    if plate.rotate != 0 {
        out.put("rotate", plate.rotate.to_string());
    }
    out.maybe("notes", &plate.notes);
    records(out, plate);
}

fn capital(text: &str) -> String {
    // Text of the field notes and names of files may stand in it, and a remark ends with its line.
    let mut chars = text.chars().map(|c| if c.is_control() { ' ' } else { c });
    chars.next().map(|first| first.to_uppercase().chain(chars).collect()).unwrap_or_default()
}

fn broken(key: &str, entries: Vec<String>) -> String {
    let line = list(entries.iter().cloned());
    if key.len() + line.chars().count() < LINE || entries.len() < 2 {
        return line;
    }
    format!("[\n{}]", entries.iter().map(|entry| format!("    {entry},\n")).collect::<String>())
}

/// Entries that name exactly these files: a glob for those of one folder and ending where there is one, else their names.
pub(super) fn entries(session: &Session, files: &[PathBuf]) -> Vec<String> {
    let mut heaps: Vec<Vec<&PathBuf>> = Vec::new();
    for file in files {
        let alike = |other: &Path| (other.parent(), other.extension()) == (file.parent(), file.extension());
        match heaps.iter_mut().find(|heap| alike(heap[0])) {
            Some(heap) => heap.push(file),
            None => heaps.push(vec![file]),
        }
    }
    let heap = |heap: Vec<&PathBuf>| match glob(session, &heap) {
        Some(glob) => vec![quoted(glob)],
        None => heap.iter().map(|file| quoted(session.relative(file))).collect(),
    };
    heaps.into_iter().flat_map(heap).collect()
}

/// What the names begin with, a star and their ending, if that names just these files.
fn glob(session: &Session, files: &[&PathBuf]) -> Option<String> {
    let names: Vec<String> = files.iter().map(|file| session.relative(file)).collect();
    let [first, _, ..] = names.as_slice() else { return None };
    let alike = |name: &String| first.bytes().zip(name.bytes()).take_while(|(a, b)| a == b).count();
    let mut begin = names.iter().map(alike).min()?;
    while !first.is_char_boundary(begin) {
        begin -= 1;
    }
    // A star within a number would take in whatever is counted on later.
    let within_number = names.iter().any(|name| name[begin..].starts_with(|c: char| c.is_ascii_digit()));
    let begin = match within_number {
        true => first[..begin].trim_end_matches(|c: char| c.is_ascii_digit()),
        false => &first[..begin],
    };
    let ending = files[0].extension()?.to_str()?;
    // In a folder of its own "*" says enough; beside all other frames it would be luck.
    let own_folder = begin.ends_with('/') && !matches!(begin, "captures/");
    if begin.contains(['*', '?', '[', ']', '{', '}', '\\']) || begin.is_empty() || begin.ends_with('/') && !own_folder {
        return None;
    }
    let glob = format!("{begin}*.{ending}");
    let mut matched = paths::resolve(&session.folder, &glob).ok()?;
    let mut meant: Vec<PathBuf> = files.iter().map(|file| file.to_path_buf()).collect();
    matched.sort();
    meant.sort();
    (matched == meant).then_some(glob)
}
