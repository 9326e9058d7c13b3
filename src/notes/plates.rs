//! The tables [[plate]], with their exposure and development, and [[bracket]].
//!
//! In: the top of the notes. Out: plates with their captures found, and brackets of plates that exist. What is wrong goes on the
//! notes' list, and a stand-in is returned.

use super::darkroom::Dilution;
use super::keys::{BRACKET, DEVELOPMENT, EXPOSURE, PLATE, nearest};
use super::tree::{At, Section, number, shown};
use super::uses::Uses;
use super::*;
use crate::geometry::Point;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use toml::de::DeValue;

/// Largest coordinate in a capture, px: no sensor is larger.
pub(super) const PIXELS: f64 = 1e6;

/// Longest id: it names folders and files, with suffixes, and a bracket joins several.
const LONGEST_ID: usize = 60;

const CAPTURES: &str = "give a list of files, as in captures = [\"captures/k01-*.jpg\"], or a list of lists where each tile has \
                        several copy exposures";

/// The ids of all plates.
pub(super) struct Ids {
    ids: Vec<String>,
}

impl Ids {
    /// Whether there is such a plate; if not, it says so.
    pub fn check(&self, section: &Section, key: &str, line: usize, id: &str) -> bool {
        if self.ids.iter().any(|known| known == id) {
            return true;
        }
        let known = || self.ids.iter().map(String::as_str);
        let mend = match nearest(id, known()) {
            Some(near) => format!("did you mean \"{near}\"?"),
            None => format!("the plates are {}", keys::list(known().take(20))),
        };
        section.wrong(key, line, &format!("names plate \"{}\", which there is not", shown(id)), mend);
        false
    }
}

pub(super) fn read(top: &Section, folder: &Path, uses: &Uses) -> (Vec<Plate>, Ids) {
    let sections = top.sections("plate", &PLATE);
    if sections.is_empty() && !top.has("plate") {
        top.missing("plate", "write [[plate]] with id, size and captures, once for each plate");
    }
    let mut ids = Ids { ids: Vec::new() };
    let mut folded: BTreeMap<String, usize> = BTreeMap::new();
    let plates = sections.iter().map(|section| {
        let id = id(section);
        // Even a bad id is one that brackets may name: it is told once, where it stands.
        ids.ids.extend(section.value("id").and_then(|id| id.value.as_str()).map(str::to_string));
        if let Some(id) = &id
            // Most drives take "k-1" and "K-1" for one folder.
            && let Some(first) = folded.insert(id.value.to_lowercase(), id.line)
        {
            let what = format!("is \"{}\", which the plate of line {first} is called, too", id.value);
            section.wrong(
                "id",
                id.line,
                &what,
                "give each plate an id of its own; capitals alone do not tell them apart",
            );
        }
        plate(section, folder, uses, id.map_or(String::new(), |id| id.value))
    });
    let plates = plates.collect();
    (plates, ids)
}

pub(super) fn id(section: &Section) -> Option<At<String>> {
    const MEND: &str = "name the plate with letters, digits, '-' and '_', as in id = \"K-01\"";
    if !section.has("id") {
        section.missing("id", MEND);
    }
    // Elsewhere empty text counts as none; a plate needs its name.
    let empty = section.value("id").filter(|found| found.value.as_str().is_some_and(|id| id.trim().is_empty()));
    let id = match empty {
        Some(found) => At { value: String::new(), line: found.line },
        None => section.text("id")?,
    };
    match bad_id(&id.value) {
        None => Some(id),
        Some(what) => {
            section.wrong("id", id.line, &what, MEND);
            None
        }
    }
}

/// What is wrong with an id, if anything is.
pub(super) fn bad_id(id: &str) -> Option<String> {
    match id {
        "" => Some("is empty".into()),
        text if !text.chars().all(|c| c.is_ascii_alphanumeric() || matches!(c, '-' | '_')) => {
            Some(format!("is \"{}\"", shown(text)))
        }
        text if text.len() > LONGEST_ID => Some(format!("is longer than {LONGEST_ID} characters")),
        // Results of brackets lie in a folder of that name.
        text if text.eq_ignore_ascii_case("compare") => Some(format!("is \"{text}\", a name that results need")),
        text if is_device(text) => Some(format!("is \"{text}\", which some systems take for a device")),
        _ => None,
    }
}

/// Names that Windows gives to devices, and under which no folder can be made there.
fn is_device(id: &str) -> bool {
    let id = id.to_ascii_uppercase();
    let numbered =
        |name: &str| id.strip_prefix(name).is_some_and(|n| n.len() == 1 && n != "0" && n.parse::<u8>().is_ok());
    matches!(id.as_str(), "CON" | "PRN" | "AUX" | "NUL") || numbered("COM") || numbered("LPT")
}

fn plate(section: &Section, folder: &Path, uses: &Uses, id: String) -> Plate {
    let corners_px = corners(section);
    let captures = captures(section, folder, uses, &id, corners_px.is_some());
    if corners_px.is_some() && captures.len() > 1 {
        let line = section.value("corners_px").map_or(section.line, |value| value.line);
        let what = format!("stands on a plate of {} tiles", captures.len());
        section.wrong("corners_px", line, &what, "take it out: it is for plates copied in one frame");
    }
    Plate {
        id,
        line: section.line,
        size: size(section).unwrap_or(PlateSize { name: String::new(), short_mm: 1.0, long_mm: 1.0 }),
        captures,
        corners_px,
        rotate: rotate(section),
        notes: section.plain_text("notes"),
        exposure: section.section("exposure", &EXPOSURE).map(|section| exposure(&section)).unwrap_or_default(),
        development: section.section("development", &DEVELOPMENT).map(|s| development(&s)).unwrap_or_default(),
    }
}

pub(super) fn size(section: &Section) -> Option<PlateSize> {
    if !section.has("size") {
        section.missing("size", "give its nominal size, as in size = \"4x5in\" or \"101x126mm\"");
    }
    let text = section.text("size")?;
    sizes::parse(&text.value).map_err(|fault| section.fault("size", text.line, &fault)).ok()
}

pub(super) fn rotate(section: &Section) -> u16 {
    let Some(turn) = section.number("rotate", f64::MIN..=f64::MAX, "degrees") else { return 0 };
    match turn {
        0.0 | 90.0 | 180.0 | 270.0 => turn as u16,
        _ => {
            let line = section.value("rotate").map_or(section.line, |value| value.line);
            section.wrong("rotate", line, &format!("is {turn}"), "give 0, 90, 180 or 270, degrees clockwise");
            0
        }
    }
}

/// One entry of a list: a path or a glob.
pub(super) fn entry(section: &Section, folder: &Path, key: &str, item: At<&DeValue>, mend: &str) -> Vec<PathBuf> {
    let Some(text) = item.value.as_str() else {
        section.wrong_kind(key, item, mend);
        return Vec::new();
    };
    paths::resolve(folder, text).unwrap_or_else(|fault| {
        section.wrong(key, item.line, &format!("\"{}\" {}", shown(text), fault.what()), fault.mend());
        Vec::new()
    })
}

/// Tiles, each with its copy exposures, in one order whatever the order of the notes.
fn captures(section: &Section, folder: &Path, uses: &Uses, id: &str, marked: bool) -> Vec<Vec<PathBuf>> {
    const KEY: &str = "captures";
    if !section.has(KEY) {
        section.missing(KEY, CAPTURES);
    }
    let Some(list) = section.list(KEY, CAPTURES) else { return Vec::new() };
    if list.value.is_empty() {
        section.wrong(KEY, list.line, "is an empty list", CAPTURES);
    }
    let nested = list.value.iter().filter(|item| item.value.is_array()).count();
    if nested > 0 && nested < list.value.len() {
        section.wrong(KEY, list.line, "mixes files and lists of files", CAPTURES);
        return Vec::new();
    }
    let purpose = if id.is_empty() { format!("the plate of line {}", section.line) } else { format!("plate {id}") };
    let found = |item: At<&DeValue>| {
        let files = entry(section, folder, KEY, item, CAPTURES);
        files.iter().for_each(|file| uses.add(file, &purpose, item.line, marked));
        files
    };
    let mut tiles: Vec<Vec<PathBuf>> = Vec::new();
    for item in list.value {
        match item.value.as_array() {
            Some(exposures) => {
                let items = exposures.iter().map(|item| section.at(item));
                let mut files: Vec<PathBuf> = items.flat_map(&found).collect();
                if exposures.is_empty() {
                    section.wrong(KEY, item.line, "holds an empty list", CAPTURES);
                }
                files.sort_by(|a, b| paths::natural(a, b));
                tiles.push(files);
            }
            None => tiles.extend(found(item).into_iter().map(|file| vec![file])),
        }
    }
    tiles.sort_by(|a, b| paths::natural(a.first().map_or("".as_ref(), |f| f), b.first().map_or("".as_ref(), |f| f)));
    tiles
}

/// Four corners, in their order round the plate, either way.
fn corners(section: &Section) -> Option<[Point; 4]> {
    const KEY: &str = "corners_px";
    const MEND: &str = "give the four corners in their order round the plate: [[x, y], [x, y], [x, y], [x, y]], in pixels of the \
                        capture";
    let list = section.list(KEY, MEND)?;
    let point = |item: &At<&DeValue>| -> Option<Point> {
        let [x, y] =
            item.value.as_array()?.iter().map(|v| number(v.get_ref())).collect::<Option<Vec<_>>>()?.try_into().ok()?;
        (x.abs() <= PIXELS && y.abs() <= PIXELS).then_some(Point { x, y })
    };
    let points: Option<Vec<Point>> = list.value.iter().map(point).collect();
    let Some(corners) = points.and_then(|points| <[Point; 4]>::try_from(points).ok()) else {
        section.wrong(KEY, list.line, "is not four points", MEND);
        return None;
    };
    if !is_convex(&corners) {
        section.wrong(KEY, list.line, "is no four-sided plate: the sides cross, or a corner points inwards", MEND);
        return None;
    }
    Some(corners)
}

/// All four turns go the same way, and none is nearly straight or the figure nearly empty: each turn's cross product (twice a
/// triangle's area) is over 1 px².
fn is_convex(corners: &[Point; 4]) -> bool {
    let turns: Vec<f64> = (0..4)
        .map(|i| {
            let (a, b) = (corners[(i + 1) % 4] - corners[i], corners[(i + 2) % 4] - corners[(i + 1) % 4]);
            a.x * b.y - a.y * b.x
        })
        .collect();
    turns.iter().all(|turn| *turn > 1.0) || turns.iter().all(|turn| *turn < -1.0)
}

pub(super) fn exposure(section: &Section) -> Exposure {
    let shutter = shutter(section);
    Exposure {
        ei: section.number("ei", 0.001..=1e6, ""),
        shutter_s: shutter.as_ref().map(|(_, seconds)| *seconds),
        shutter: shutter.map(|(text, _)| text),
        aperture: aperture(section),
        focal_length_mm: section.number("focal_length_mm", 1.0..=10000.0, "mm"),
        lens: section.plain_text("lens"),
        filter: section.plain_text("filter"),
        filter_stops: section.number("filter_stops", 0.0..=30.0, "stops"),
        bellows_mm: section.number("bellows_mm", 1.0..=20000.0, "mm"),
        time: times::time(section, "time"),
        latitude: section.number("latitude", -90.0..=90.0, "degrees, north positive"),
        longitude: section.number("longitude", -180.0..=180.0, "degrees, east positive"),
        holder: section.plain_text("holder"),
    }
}

/// The time as written, and in seconds.
fn shutter(section: &Section) -> Option<(String, f64)> {
    const KEY: &str = "shutter";
    let found = section.value(KEY)?;
    let text = match number(found.value) {
        Some(seconds) => seconds.to_string(),
        None => section.plain_text(KEY)?.trim().to_string(),
    };
    match exposure::shutter_seconds(&text) {
        Ok(seconds) => Some((text, seconds)),
        Err(fault) => {
            section.fault(KEY, found.line, &fault);
            None
        }
    }
}

fn aperture(section: &Section) -> Option<f64> {
    const KEY: &str = "aperture";
    if let Some(found) = section.value(KEY)
        && let Some(text) = found.value.as_str()
        && let Ok(bare) =
            text.trim().trim_start_matches(['f', 'F']).trim_start_matches(['/', ':']).trim().parse::<f64>()
    {
        section.wrong_kind(KEY, found, &format!("write the f-number alone, without quotes: aperture = {bare}"));
        return None;
    }
    section.number(KEY, 0.5..=2000.0, "(the f-number)")
}

pub(super) fn development(section: &Section) -> Development {
    Development {
        developer: section.plain_text("developer"),
        dilution: dilution(section, "dilution"),
        temperature_c: temperature(section),
        minutes: section.number("minutes", 0.01..=2880.0, "minutes"),
        agitation: section.plain_text("agitation"),
        fixer_dilution: dilution(section, "fixer_dilution"),
        fix_minutes: section.number("fix_minutes", 0.01..=2880.0, "minutes"),
    }
}

fn dilution(section: &Section, key: &str) -> Option<String> {
    let text = section.text(key)?;
    match Dilution::parse(&text.value) {
        Ok(_) => Some(text.value.trim().to_string()),
        Err(fault) => {
            section.fault(key, text.line, &fault);
            None
        }
    }
}

/// Baths freeze and gelatine melts outside of 0 to 50 °C; what lies above is likely Fahrenheit.
fn temperature(section: &Section) -> Option<f64> {
    const KEY: &str = "temperature_c";
    let found = section.value(KEY)?;
    if let Some(degrees) = number(found.value).filter(|degrees| (50.0..=122.0).contains(degrees) && *degrees > 50.0) {
        let mend = format!("give °C: {degrees} °F are {:.1} °C", darkroom::celsius(degrees));
        section.wrong(KEY, found.line, &format!("is {degrees}, too hot for a bath"), mend);
        return None;
    }
    section.number(KEY, 0.0..=50.0, "°C")
}

pub(super) fn brackets(top: &Section, ids: &Ids) -> Vec<Bracket> {
    let sections = top.sections("bracket", &BRACKET);
    let mut folders: BTreeMap<String, usize> = BTreeMap::new();
    let brackets = sections.iter().map(|section| {
        let plates = bracket_plates(section, ids);
        // Comparisons lie in a folder that joins the ids; "A-B" + "C" and "A" + "B-C" would share one.
        let folder = plates.join("-").to_lowercase();
        if let Some(first) = folders.insert(folder, section.line).filter(|_| !plates.is_empty()) {
            let what = format!("gives the same name to its results as the bracket of line {first}");
            section.wrong("plates", section.line, &what, "compare other plates, or take one of the two out");
        }
        let matching = section.word("match", &["base", "highlights", "shadows"]);
        Bracket {
            line: section.line,
            plates,
            matching: match matching.map(|word| word.value) {
                Some("highlights") => Matching::Highlights,
                Some("shadows") => Matching::Shadows,
                _ => Matching::Base,
            },
        }
    });
    brackets.collect()
}

fn bracket_plates(section: &Section, ids: &Ids) -> Vec<String> {
    const KEY: &str = "plates";
    const MEND: &str = "name two plates or more, as in plates = [\"K-01\", \"K-02\"]";
    if !section.has(KEY) {
        section.missing(KEY, MEND);
    }
    let Some(list) = section.list(KEY, MEND) else { return Vec::new() };
    let mut plates: Vec<String> = Vec::new();
    for item in &list.value {
        let Some(id) = item.value.as_str() else {
            section.wrong_kind(KEY, *item, MEND);
            continue;
        };
        if plates.iter().any(|plate| plate == id) {
            section.wrong(KEY, item.line, &format!("names \"{}\" twice", shown(id)), "name each plate once");
        } else if ids.check(section, KEY, item.line, id) {
            plates.push(id.to_string());
        }
    }
    if list.value.len() < 2 {
        section.wrong(KEY, list.line, &format!("names {} plate(s)", list.value.len()), MEND);
    }
    plates
}
