//! `hyaline archive SESSION --to DIR`: a BagIt package of captures, notes and results.

use super::{Common, Outcome};
use crate::archive::bag::{Contents, Packed, pack};
use crate::error::Error;
use crate::progress::Bytes;
use crate::results::{Lying, against_notes};
use crate::{kept, notes};
use std::path::PathBuf;

#[derive(Debug, clap::Args)]
pub struct Args {
    /// The notes file (session.toml) or its folder
    #[arg(default_value = ".")]
    pub session: PathBuf,
    /// The package: a folder that is not there yet
    #[arg(long, value_name = "DIR")]
    pub to: PathBuf,
    /// Where the results are, if not in out/ beside the notes
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
}

pub fn run(args: &Args, common: &Common) -> Outcome {
    match packed(args, common) {
        Ok((packed, lying)) => {
            Outcome { summary: told(&packed, &lying), json: json(&packed, &lying), ..Outcome::default() }
        }
        Err(errors) => Outcome::failed(errors),
    }
}

fn packed(args: &Args, common: &Common) -> Result<(Packed, Lying), Vec<Error>> {
    let session = notes::load(&args.session)?;
    let out = args.out.clone().unwrap_or_else(|| session.folder.join("out"));
    kept::free(&out).map_err(|e| vec![e])?;
    let lying = against_notes(&session, &out)?;
    let contents = Contents { session: &session.folder, out: &out, about: &session.about };
    let progress = Bytes::new("packing", common.silent());
    Ok((pack(contents, &args.to, &progress)?, lying))
}

fn told(packed: &Packed, lying: &Lying) -> String {
    let size = indicatif::DecimalBytes(packed.bytes);
    let mut text = format!("{}: {} files, {size}, SHA-512\n", packed.bag.display(), packed.files);
    if packed.kept > 0 {
        text.push_str(&format!("{} of them were there from an earlier run\n", packed.kept));
    }
    if packed.results == 0 {
        text.push_str("there are no results yet: run digitize first to pack them as well\n");
    } else if !lying.missing.is_empty() {
        text.push_str(&format!("without results: {}\n", lying.missing.join(", ")));
    }
    text.extend(lying.warning().map(|warning| format!("{}\n", warning.message)));
    for name in &packed.left_out.passed_over {
        text.push_str(&format!("left out: {} (hidden, a link elsewhere, or a package itself)\n", name.escape_debug()));
    }
    for name in &packed.left_out.gone {
        text.push_str(&format!("gone: {}, though results were made of it\n", name.escape_debug()));
    }
    text
}

fn json(packed: &Packed, lying: &Lying) -> serde_json::Value {
    serde_json::json!({
        "package": packed.bag,
        "files": packed.files,
        "bytes": packed.bytes,
        "kept": packed.kept,
        "results": packed.results,
        "left_out": packed.left_out.passed_over,
        "gone": packed.left_out.gone,
        "without_results": lying.missing,
        "not_in_notes": lying.surplus,
    })
}
