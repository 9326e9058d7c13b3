//! The tables [session], [copy], [base] and [positive] of the notes.
//!
//! In: the top of the notes. Out: their types, with defaults where a key may be left out. What is wrong goes on the notes' list, and
//! a stand-in is returned, which nobody sees, since notes with errors are no session.

use super::keys::{BASE, COPY, OPAQUE, POSITIVE, SESSION};
use super::plates::{Ids, PIXELS};
use super::tree::{At, Section};
use super::uses::Uses;
use super::*;
use std::path::{Path, PathBuf};

pub(super) fn about(top: &Section, folder: &Path) -> About {
    let unnamed = || folder.file_name().map_or("Untitled".into(), |name| name.to_string_lossy().into_owned());
    let Some(section) = top.section("session", &SESSION) else {
        return About { title: unnamed(), ..Default::default() };
    };
    About {
        title: section.plain_text("title").unwrap_or_else(unnamed),
        date: times::date(&section, "date"),
        place: section.plain_text("place"),
        photographer: section.plain_text("photographer"),
        rights: section.plain_text("rights"),
    }
}

pub(super) fn copying(top: &Section, folder: &Path, uses: &Uses) -> Copying {
    let section = top.section("copy", &COPY);
    if section.is_none() && !top.has("copy") {
        top.missing("copy", "write [copy] with the blanks: blank = [\"captures/blank-*.jpg\"]");
    }
    let Some(section) = section else {
        return Copying {
            blanks: Vec::new(),
            darks: Vec::new(),
            profile: "srgb".into(),
            emulsion: Emulsion::TowardCamera,
            emulsion_stated: false,
            opaque: None,
        };
    };
    if !section.has("blank") {
        section.missing("blank", "name the captures of the bare light: blank = [\"captures/blank-*.jpg\"]");
    }
    let emulsion = section.word("emulsion", &["toward-camera", "away-from-camera"]);
    Copying {
        blanks: frames(&section, folder, uses, "blank"),
        darks: frames(&section, folder, uses, "dark"),
        profile: profile(&section, folder, "profile").unwrap_or("srgb".into()),
        emulsion: match emulsion {
            Some(At { value: "away-from-camera", .. }) => Emulsion::AwayFromCamera,
            _ => Emulsion::TowardCamera,
        },
        emulsion_stated: emulsion.is_some(),
        opaque: opaque(&section, folder),
    }
}

/// The files of a flat list of paths and globs.
fn frames(section: &Section, folder: &Path, uses: &Uses, key: &str) -> Vec<PathBuf> {
    let mend = format!("give a list of files, as in {key} = [\"captures/{key}-*.jpg\"]");
    let Some(list) = section.list(key, &mend) else { return Vec::new() };
    if list.value.is_empty() {
        section.wrong(key, list.line, "is an empty list", mend.as_str());
    }
    let mut files = Vec::new();
    for item in list.value {
        for file in plates::entry(section, folder, key, item, &mend) {
            uses.add(&file, &format!("a {key}"), item.line, false);
            files.push(file);
        }
    }
    files.sort_by(|a, b| paths::natural(a, b));
    files
}

/// A name, or the path of a file inside the session's folder.
fn profile(section: &Section, folder: &Path, key: &str) -> Option<String> {
    let text = section.text(key)?;
    if session::is_path(&text.value)
        && let Err(fault) = paths::resolve_one(folder, &text.value)
    {
        let what = format!("\"{}\" {}", tree::shown(&text.value), fault.what());
        section.wrong(key, text.line, &what, fault.mend());
    }
    Some(text.value)
}

fn opaque(section: &Section, folder: &Path) -> Option<Opaque> {
    let section = section.section("opaque", &OPAQUE)?;
    const RECT: &str = "give rect_px = [x, y, width, height] in pixels of the capture";
    for key in ["capture", "rect_px"].into_iter().filter(|key| !section.has(key)) {
        section.missing(key, "write opaque = { capture = \"captures/k01.jpg\", rect_px = [x, y, width, height] }");
    }
    let rect = rectangle(&section, "rect_px", PIXELS, RECT);
    let capture = section.text("capture").and_then(|text| {
        let file = paths::resolve_one(folder, &text.value);
        file.map_err(|fault| {
            let what = format!("\"{}\" {}", tree::shown(&text.value), fault.what());
            section.wrong("capture", text.line, &what, fault.mend());
        })
        .ok()
    });
    Some(Opaque { capture: capture?, rect_px: rect? })
}

/// x, y, width and height: a place that is not negative, and a size that is more than nothing.
fn rectangle(section: &Section, key: &str, most: f64, mend: &str) -> Option<[f64; 4]> {
    let rect = section.numbers::<4>(key, mend)?;
    let [x, y, width, height] = rect.value;
    let sound = x >= 0.0 && y >= 0.0 && width > 0.0 && height > 0.0 && rect.value.iter().all(|v| *v <= most);
    if !sound {
        section.wrong(key, rect.line, &format!("is {:?}, which is no patch", rect.value), mend);
    }
    sound.then_some(rect.value)
}

pub(super) fn base(top: &Section, ids: &Ids) -> BaseNotes {
    let Some(section) = top.section("base", &BASE) else {
        return BaseNotes { from: BaseFrom::Rebate, scope: BaseScope::Batch };
    };
    section.word("from", &["rebate"]);
    let ways: Vec<&str> = ["from", "rect_mm", "density"].into_iter().filter(|key| section.has(key)).collect();
    if ways.len() > 1 {
        let what = format!("says in {} ways where the base is read", ways.len());
        let line = section.value(ways[1]).map_or(section.line, |value| value.line);
        section.wrong(ways[1], line, &what, format!("keep one of {}", keys::list(ways.iter().copied())));
    }
    const RECT: &str =
        "give rect_mm = [x, y, width, height] in mm on the plate as the result lies, and plate = \"its id\"";
    match (section.has("plate"), section.has("rect_mm")) {
        (true, false) => section.missing("rect_mm", RECT),
        (false, true) => section.missing("plate", RECT),
        _ => {}
    }
    let plate = section.text("plate").filter(|plate| ids.check(&section, "plate", plate.line, &plate.value));
    let patch = rectangle(&section, "rect_mm", 1000.0, RECT);
    let density = section.number("density", 0.0..=3.0, "above bare light");
    let scope = section.word("scope", &["batch", "plate"]);
    BaseNotes {
        from: match (plate, patch, density) {
            (Some(plate), Some(rect_mm), _) => BaseFrom::Patch { plate: plate.value, rect_mm },
            (_, _, Some(density)) => BaseFrom::Density(density),
            _ => BaseFrom::Rebate,
        },
        scope: match scope {
            Some(At { value: "plate", .. }) => BaseScope::Plate,
            _ => BaseScope::Batch,
        },
    }
}

pub(super) fn positive(top: &Section, folder: &Path) -> PositiveNotes {
    let Some(section) = top.section("positive", &POSITIVE) else {
        return PositiveNotes { tone: "paper".into(), ppi: None };
    };
    PositiveNotes {
        tone: profile(&section, folder, "tone").unwrap_or("paper".into()),
        ppi: section.number("ppi", 10.0..=20000.0, "samples an inch"),
    }
}
