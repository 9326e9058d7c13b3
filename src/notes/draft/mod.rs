//! First notes for the frames that lie in a folder.
//!
//! In: the folder, what the user said beforehand, and rows of field notes. Out: a [`Draft`]: a session, the reason for each of its parts,
//! and what is still to be filled in; [`text`] writes it as session.toml. Fails where the folder cannot be read or holds no frame of
//! a plate; a frame that cannot be read is told, and the others are grouped without it.

mod group;
mod look;
mod names;
mod shots;
#[cfg(test)]
mod tests;
mod write;

pub use group::By;
pub use shots::Aside;
pub use write::text;

use super::field::{self, Row};
use super::*;
use crate::error::{Error, Fault, Warning};
use crate::frame::CaptureProfile;
use shots::Shot;
use std::path::{Path, PathBuf};

/// What the user knows before there are notes.
#[derive(Debug, Clone, Default)]
pub struct Wishes {
    pub title: Option<String>,
    /// Of every plate for which the field notes say nothing else.
    pub size: Option<PlateSize>,
    pub profile: Option<String>,
    pub emulsion: Option<Emulsion>,
}

/// Notes that have not been written yet.
#[derive(Debug)]
pub struct Draft {
    /// A plate whose size nobody gave has one without a name.
    pub session: Session,
    /// Why each blank and each dark is one, in step with the session's.
    pub blanks: Vec<By>,
    pub darks: Vec<By>,
    /// In step with the session's plates.
    pub plates: Vec<Reasons>,
    pub aside: Vec<Aside>,
    /// Field notes of plates that have no frames: id and line.
    pub without_frames: Vec<(String, usize)>,
    /// Plates that the field notes, if there are any, do not know.
    pub without_record: Vec<String>,
    pub warnings: Vec<Warning>,
    /// Frames that could not be read.
    pub errors: Vec<Error>,
}

/// Why a plate is made of its frames.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Reasons {
    pub why: Vec<String>,
    /// Whether a person should look it over.
    pub guess: bool,
    /// Blanks of its frames' camera, picture size and file kind.
    pub blanks: usize,
}

impl Draft {
    /// What must be filled in before the session can be digitized, a sentence each.
    pub fn missing(&self) -> Vec<String> {
        let mut missing = Vec::new();
        if self.session.copy.blanks.is_empty() {
            missing.push("no blank was found: copy the bare panel, and name its frames in [copy] as blank".to_string());
        }
        let ids = |is: &dyn Fn(&Plate, &Reasons) -> bool| {
            let plates = self.session.plates.iter().zip(&self.plates).filter(|(plate, reasons)| is(plate, reasons));
            plates.map(|(plate, _)| plate.id.as_str()).collect::<Vec<_>>().join(", ")
        };
        let unsized_ = ids(&|plate, _| plate.size.name.is_empty());
        if !unsized_.is_empty() {
            missing.push(format!("size of {unsized_}: measure the glass, or say --size when all are alike"));
        }
        let unlit = ids(&|_, reasons| reasons.blanks == 0);
        if !self.session.copy.blanks.is_empty() && !unlit.is_empty() {
            missing.push(format!("blanks of the camera, picture size and file kind of {unlit}"));
        }
        missing
    }
}

/// Drafts notes that are to be written as `file`, whose folder is the session's.
pub fn draft(file: &Path, wishes: &Wishes, rows: Option<&[Row]>) -> Result<Draft, Vec<Error>> {
    let folder = file.parent().unwrap_or(Path::new(".")).to_path_buf();
    let one = |error: Error| vec![error];
    let mut found = shots::list(&folder).map_err(one)?;
    shots::without_doubles(&mut found);
    if found.shots.is_empty() {
        let fault = Fault::new("holds no frame that can be read", "copy the frames into its captures/ folder");
        found.errors.push(Error::new(&folder, fault));
        return Err(found.errors);
    }
    let profile_name = wishes.profile.clone().unwrap_or("srgb".into());
    let profile = CaptureProfile::load(&profile_name, &folder).map_err(|fault| one(Error::new(&folder, fault)))?;
    let mut looks = look::Looks::new(&found.shots, &profile);
    let grouped = group::group(&found.shots, rows.unwrap_or_default(), &mut looks);
    let mut errors = found.errors;
    errors.extend(looks.errors());
    errors.sort_by(|a, b| a.file.cmp(&b.file));
    if grouped.plates.is_empty() {
        let what = format!("holds {} frames, and none is of a plate", found.shots.len());
        errors.push(Error::new(&folder, Fault::new(what, "copy the plates' frames into its captures/ folder")));
        return Err(errors);
    }
    let shots = &found.shots;
    let files = |list: &[(usize, By)]| list.iter().map(|(shot, _)| shots[*shot].file.clone()).collect();
    let mut draft = Draft {
        session: Session {
            file: file.to_path_buf(),
            about: About { title: title(wishes, &folder), ..About::default() },
            copy: Copying {
                blanks: files(&grouped.blanks),
                darks: files(&grouped.darks),
                profile: profile_name,
                emulsion: wishes.emulsion.unwrap_or(Emulsion::TowardCamera),
                emulsion_stated: wishes.emulsion.is_some(),
                opaque: None,
            },
            base: BaseNotes { from: BaseFrom::Rebate, scope: BaseScope::Batch },
            positive: PositiveNotes { tone: "paper".into(), ppi: None },
            plates: grouped.plates.iter().map(|plate| bare(plate, shots, wishes)).collect(),
            brackets: Vec::new(),
            folder,
        },
        blanks: grouped.blanks.iter().map(|blank| blank.1).collect(),
        darks: grouped.darks.iter().map(|dark| dark.1).collect(),
        plates: grouped.plates.iter().map(|plate| reasons(plate, &grouped.blanks, shots)).collect(),
        aside: found.aside,
        without_frames: Vec::new(),
        without_record: Vec::new(),
        warnings: Vec::new(),
        errors,
    };
    if let Some(rows) = rows {
        add(&mut draft, &grouped.plates, rows, shots);
    }
    Ok(draft)
}

/// The title asked for, or the folder's name.
fn title(wishes: &Wishes, folder: &Path) -> String {
    let name = folder.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    let title = wishes.title.clone().unwrap_or(name);
    let plain: String = title.chars().filter(|c| tree::may_stand_in_text(*c)).collect();
    if plain.trim().is_empty() { "Untitled".into() } else { plain }
}

/// A plate of which nothing is known but its frames.
fn bare(plate: &group::Plate, shots: &[Shot], wishes: &Wishes) -> Plate {
    let nobodys = || PlateSize { name: String::new(), short_mm: 1.0, long_mm: 1.0 };
    let files = |tile: &Vec<usize>| tile.iter().map(|shot| shots[*shot].file.clone()).collect::<Vec<PathBuf>>();
    Plate {
        id: plate.id.clone(),
        line: 0,
        size: wishes.size.clone().unwrap_or_else(nobodys),
        captures: plate.tiles.iter().map(files).collect(),
        corners_px: None,
        rotate: 0,
        notes: None,
        exposure: Exposure::default(),
        development: Development::default(),
    }
}

fn reasons(plate: &group::Plate, blanks: &[(usize, By)], shots: &[Shot]) -> Reasons {
    let fitting = |shot: &usize| blanks.iter().filter(|blank| shots[blank.0].same_camera(&shots[*shot])).count();
    let least = plate.tiles.iter().flatten().map(fitting).min().unwrap_or(0);
    Reasons { why: plate.why.clone(), guess: plate.guess, blanks: least }
}

/// Adds what the field notes know.
fn add(draft: &mut Draft, grouped: &[group::Plate], rows: &[Row], shots: &[Shot]) {
    for (plate, of) in draft.session.plates.iter_mut().zip(grouped) {
        let Some(row) = of.row.map(|row| &rows[row]) else {
            draft.without_record.push(plate.id.clone());
            continue;
        };
        plate.size = row.size.clone().unwrap_or(plate.size.clone());
        plate.rotate = row.rotate.unwrap_or(0);
        draft.warnings.extend(field::merge(plate, row));
    }
    for (at, row) in rows.iter().enumerate() {
        if grouped.iter().all(|plate| plate.row != Some(at)) {
            draft.without_frames.push((row.id.clone(), row.line));
        }
        for capture in row.captures.iter().filter(|capture| !group::is_there(capture, shots)) {
            let message = format!(
                "line {} of the field notes names {}, and no frame is called so; check the name",
                row.line,
                tree::shown(capture)
            );
            draft.warnings.push(Warning::new("field-notes-capture", message));
        }
    }
    // All exposed on one day: that is the session's.
    let mut days =
        draft.session.plates.iter().filter_map(|plate| plate.exposure.time.as_deref()).map(|time| &time[..10]);
    if let Some(first) = days.next()
        && days.all(|day| day == first)
    {
        draft.session.about.date = Some(first.to_string());
    }
}
