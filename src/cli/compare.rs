//! `hyaline compare SESSION`: the brackets alone, from plates that are digitized already.

use super::{Common, Outcome, digitize::out_folder};
use crate::archive::bag::update_digests;
use crate::bracket::brackets::{self, Compared};
use crate::error::{Error, Fault, InFile};
use crate::kept::Kept;
use crate::notes::{self, Bracket, Matching, Session};
use crate::positive::Tone;
use crate::progress::Progress;
use clap::ValueEnum;
use std::path::{Path, PathBuf};

#[derive(Debug, clap::Args)]
pub struct Args {
    /// The notes file (session.toml) or its folder
    #[arg(default_value = ".")]
    pub session: PathBuf,
    /// Where the digitized plates lie and results go, in place of out/ beside the notes
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Compare these plates, whether or not the notes call them a bracket: A,B or more, the first being what the others are held against
    #[arg(long, value_name = "A,B", value_delimiter = ',')]
    pub plates: Vec<String>,
    /// What is held equal, in place of what the notes say
    #[arg(long = "match", value_name = "WHAT")]
    pub matching: Option<Match>,
}

/// What is held equal when plates are laid side by side.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Match {
    /// Density above base
    Base,
    /// The highlights
    Highlights,
    /// The shadows
    Shadows,
}

impl From<Match> for Matching {
    fn from(of: Match) -> Matching {
        match of {
            Match::Base => Matching::Base,
            Match::Highlights => Matching::Highlights,
            Match::Shadows => Matching::Shadows,
        }
    }
}

pub fn run(args: &Args, common: &Common) -> Outcome {
    let session = match notes::load(&args.session) {
        Ok(session) => session,
        Err(errors) => return Outcome::failed(errors),
    };
    let wanted = match brackets_of(&session, args) {
        Ok(wanted) => wanted,
        Err(error) => return error.into(),
    };
    let tone = match Tone::load(&session.positive.tone, &session.folder).in_file(&session.file) {
        Ok(tone) => tone,
        Err(error) => return error.into(),
    };
    let out = out_folder(&session, args.out.as_deref());
    let progress = Progress::new(wanted.len(), common.silent());
    let _held = match out.is_dir().then(|| Kept::open(&out, false)).transpose() {
        Ok(held) => held,
        Err(error) => return error.into(),
    };
    let (done, mut errors) = brackets::all(&session, &wanted, &out, &tone, |name| progress.stage(name, "comparing"));
    progress.done();
    for bracket in wanted.iter().filter(|b| done.iter().any(|d| d.report.plates == b.plates)) {
        let listed = brackets::outputs(&out, bracket).and_then(|written| update_digests(&out, &written, &[]));
        errors.extend(listed.err());
    }
    let json = serde_json::json!({ "comparisons": done.iter().map(|d| &d.comparison).collect::<Vec<_>>() });
    Outcome { summary: told(&done, &out), json, errors, ..Outcome::default() }
}

/// The plates that the command line names, or the brackets of the notes.
fn brackets_of(session: &Session, args: &Args) -> Result<Vec<Bracket>, Error> {
    if let Some(fault) = twice(&args.plates) {
        return Err(Error::new(&session.file, fault));
    }
    let mut wanted = if args.plates.is_empty() {
        session.brackets.clone()
    } else {
        let same = session.brackets.iter().find(|b| b.plates == args.plates);
        let matching = same.map_or(Matching::Base, |b| b.matching);
        vec![Bracket { line: same.map_or(1, |b| b.line), plates: args.plates.clone(), matching }]
    };
    if let Some(matching) = args.matching {
        wanted.iter_mut().for_each(|b| b.matching = matching.into());
    }
    if wanted.is_empty() {
        let mend = "write a [[bracket]] with the plates' ids, or name them with --plates A,B";
        return Err(Error::new(&session.file, Fault::new("the notes have no bracket", mend)));
    }
    Ok(wanted)
}

/// A plate beside itself has nothing to show: refused here as it is in the notes.
fn twice(plates: &[String]) -> Option<Fault> {
    let (_, id) = plates.iter().enumerate().find(|(i, id)| plates[..*i].contains(id))?;
    Some(Fault::new(format!("--plates names \"{id}\" twice"), "name each plate once"))
}

/// What was found, for the terminal.
pub fn told(done: &[Compared], out: &Path) -> String {
    let mut text = String::new();
    for compared in done {
        text += &compared.report.plates.join(" and ");
        text.push('\n');
        for line in compared.report.lines() {
            text += &format!("      {line}\n");
        }
        text += &format!("      look at {}\n", out.join(&compared.report.page).display());
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_plate_named_twice_is_refused() {
        let plates = |ids: &[&str]| ids.iter().map(|id| id.to_string()).collect::<Vec<_>>();
        assert!(twice(&plates(&["K-01", "K-02", "K-01"])).unwrap().what().contains("\"K-01\" twice"));
        assert!(twice(&plates(&["K-01", "K-02"])).is_none());
    }
}
