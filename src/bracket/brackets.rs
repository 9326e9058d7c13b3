//! A session's brackets: read back, compared, written.
//!
//! In: the notes and the out folder with its digitized plates. Out: for each bracket what the session's page tells of it, and the
//! comparison itself. A bracket that fails costs no other; its error names the file and the mend.

use super::compare::{BracketPlate, Comparison, compare};
use super::{files, stored, words};
use crate::archive::bag::digest_below;
use crate::error::{Error, Fault, InFile};
use crate::notes::{Bracket, Session};
use crate::positive::Tone;
use crate::record::FileDigest;
use crate::report::BracketReport;
use std::path::Path;

pub struct Compared {
    pub report: BracketReport,
    pub comparison: Comparison,
}

/// Name of a bracket's folder under OUT/compare.
pub fn folder_name(bracket: &Bracket) -> String {
    bracket.plates.join("-")
}

/// Compares each of `brackets` in turn; `begins` is told of each before the work.
pub fn all(
    session: &Session,
    brackets: &[Bracket],
    out: &Path,
    tone: &Tone,
    begins: impl Fn(&str),
) -> (Vec<Compared>, Vec<Error>) {
    crate::error::all(brackets.iter().map(|bracket| {
        begins(&folder_name(bracket));
        one(session, bracket, out, tone)
    }))
}

/// Digests of a bracket's files, by their names below `out`, in order.
pub fn outputs(out: &Path, bracket: &Bracket) -> Result<Vec<FileDigest>, Error> {
    let mut files = Vec::new();
    let mut folders = vec![format!("compare/{}", folder_name(bracket))];
    while let Some(name) = folders.pop() {
        let folder = out.join(&name);
        for entry in std::fs::read_dir(&folder).in_file(&folder)? {
            let entry = entry.in_file(&folder)?;
            let below = format!("{name}/{}", entry.file_name().to_string_lossy());
            if entry.path().is_dir() { folders.push(below) } else { files.push(below) }
        }
    }
    files.sort();
    files.iter().map(|name| digest_below(out, name)).collect()
}

/// Compares one bracket and writes its files.
pub fn one(session: &Session, bracket: &Bracket, out: &Path, tone: &Tone) -> Result<Compared, Error> {
    let at_notes = |fault: Fault| Error::at_line(&session.file, bracket.line, fault);
    let mut noted = Vec::new();
    for id in &bracket.plates {
        let known = || session.plates.iter().map(|p| p.id.as_str()).collect::<Vec<_>>().join(", ");
        let plate = session.plate(id).ok_or_else(|| {
            at_notes(Fault::new(format!("there is no plate {id}"), format!("the notes have {}", known())))
        })?;
        noted.push(plate);
    }
    let stored = bracket.plates.iter().map(|id| stored::load(out, id)).collect::<Result<Vec<_>, Error>>()?;
    let plates: Vec<BracketPlate> = noted
        .iter()
        .zip(&stored)
        .map(|(noted, stored)| BracketPlate {
            id: &noted.id,
            density: &stored.density,
            mm_per_px: stored.mm_per_px,
            full_per_px: stored.full_per_px,
            // The notes may have been put right since the plate was digitized.
            exposure: &noted.exposure,
            development: &noted.development,
            base: stored.base,
            deepest: stored.deepest(),
            uncertainty: stored.record.uncertainty.as_ref(),
        })
        .collect();
    let comparison = compare(&plates, bracket.matching).map_err(at_notes)?;
    let name = folder_name(bracket);
    let folder = out.join("compare").join(&name);
    std::fs::create_dir_all(&folder).in_file(&folder)?;
    files::write(&folder, &plates, &comparison, tone)?;
    let report = BracketReport {
        plates: bracket.plates.clone(),
        page: format!("compare/{name}/index.html"),
        findings: words::findings(&comparison),
        warnings: comparison.warnings.clone(),
        advice: comparison.advice.iter().map(|a| a.text.clone()).collect(),
    };
    Ok(Compared { report, comparison })
}
