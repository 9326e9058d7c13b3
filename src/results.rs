//! What lies in OUT, held against the notes: results that the notes no longer stand behind would contradict them for good in a package.
//!
//! In: a session and its folder of results. Out: [`Lying`]. Fails with each record that tells of a plate otherwise than the notes do.

use crate::bracket::stored;
use crate::error::{Error, Fault, InFile, Warning};
use crate::notes::{Plate, Session};
use crate::record::PlateRecord;
use std::io::ErrorKind;
use std::path::Path;

/// Ids of plates, in the order of the notes and then of names.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Lying {
    /// In the notes, without results.
    pub missing: Vec<String>,
    /// With results, and not in the notes.
    pub surplus: Vec<String>,
}

impl Lying {
    pub fn warning(&self) -> Option<Warning> {
        let which = self.surplus.join(", ");
        (!self.surplus.is_empty()).then(|| {
            Warning::new(
                "results-left",
                format!("there are results of {which} that the notes do not have: remove their folders, or put the plates back"),
            )
        })
    }
}

/// Looks at the names alone.
pub fn lying(session: &Session, out: &Path) -> Result<Lying, Error> {
    let digitized = |id: &str| out.join(id).join(format!("{id}-record.json")).is_file();
    let ids = session.plates.iter().map(|plate| plate.id.clone());
    let missing = ids.filter(|id| !digitized(id)).collect();
    let entries = match std::fs::read_dir(out) {
        Err(e) if e.kind() == ErrorKind::NotFound => return Ok(Lying { missing, surplus: Vec::new() }),
        entries => entries.in_file(out)?,
    };
    let names = entries.filter_map(|entry| entry.ok()?.file_name().into_string().ok());
    let mut surplus: Vec<String> = names.filter(|name| digitized(name) && session.plate(name).is_none()).collect();
    surplus.sort();
    Ok(Lying { missing, surplus })
}

/// Looks into the records, too.
pub fn against_notes(session: &Session, out: &Path) -> Result<Lying, Vec<Error>> {
    let found = lying(session, out).map_err(|e| vec![e])?;
    let there = session.plates.iter().filter(|plate| !found.missing.contains(&plate.id));
    let (_, errors) = crate::error::all(there.map(|plate| {
        let other = differences(session, plate, &stored::record(out, &plate.id)?);
        if other.is_empty() {
            return Ok(());
        }
        let what = format!("its record has another {} than the notes", other.join(", "));
        Err(Fault::new(what, "run digitize again")).in_file(&out.join(&plate.id))
    }));
    if errors.is_empty() { Ok(found) } else { Err(errors) }
}

/// What a record tells otherwise than the notes.
fn differences(session: &Session, plate: &Plate, record: &PlateRecord) -> Vec<&'static str> {
    let told = [
        ("title, date, place or name", record.session == session.about),
        ("size", record.size_name == plate.size.name),
        ("exposure", record.exposure == plate.exposure),
        ("development", record.development == plate.development),
        ("note", record.notes == plate.notes),
    ];
    told.into_iter().filter(|(_, same)| !same).map(|(what, _)| what).collect()
}
