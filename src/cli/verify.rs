//! `hyaline verify DIR`: every file of a package or of a folder of results against its digest.

use super::{Common, Outcome};
use crate::archive::bag::{Verified, What, verify};
use crate::error::{Error, Fault};
use crate::progress::Bytes;
use std::path::{Path, PathBuf};

#[derive(Debug, clap::Args)]
pub struct Args {
    /// A package, a folder of results, or a session's folder with its results in out/
    #[arg(default_value = ".")]
    pub folder: PathBuf,
}

pub fn run(args: &Args, common: &Common) -> Outcome {
    let progress = Bytes::new("reading", common.silent());
    match verify(&args.folder, &progress) {
        Ok(verified) => Outcome {
            summary: told(&verified, &args.folder),
            json: serde_json::to_value(&verified).unwrap_or_default(),
            errors: errors(&verified, &args.folder),
            ..Outcome::default()
        },
        Err(e) => e.into(),
    }
}

fn told(verified: &Verified, folder: &Path) -> String {
    let size = indicatif::DecimalBytes(verified.bytes);
    let mut text = format!("{}: {}, {} files, {size}: ", folder.display(), verified.kind, verified.files);
    match verified.findings.len() {
        0 => text.push_str("all as they were\n"),
        n => text.push_str(&format!("{n} not as they were\n")),
    }
    for note in &verified.notes {
        text.push_str(&format!("note: {}\n", note.escape_debug()));
    }
    text
}

/// Each file that is not as it was, with what can be done about it.
fn errors(verified: &Verified, folder: &Path) -> Vec<Error> {
    let error = |finding: &crate::archive::bag::Finding| {
        let mend = match &finding.what {
            What::Changed | What::Missing | What::Damaged(_) => "bring it back from another copy",
            What::Extra => "move it away, if it does not belong here",
            What::NotAFile => "put the file itself in its place",
            What::Unreadable(_) => "check the drive, and bring it back from another copy",
        };
        let file = folder.join(finding.file.escape_debug().to_string());
        Error::new(&file, Fault::new(finding.what.to_string(), mend))
    };
    verified.findings.iter().map(error).collect()
}
