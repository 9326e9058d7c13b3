//! `hyaline archive SESSION --to DIR`: a BagIt package of captures, notes and results.

use super::{Common, Outcome};
use crate::archive::bag::{Contents, Packed, pack};
use crate::error::Error;
use crate::notes;
use crate::progress::Bytes;
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
        Ok(packed) => Outcome { summary: told(&packed), json: json(&packed), ..Outcome::default() },
        Err(errors) => Outcome::failed(errors),
    }
}

fn packed(args: &Args, common: &Common) -> Result<Packed, Vec<Error>> {
    let session = notes::load(&args.session)?;
    let out = args.out.clone().unwrap_or_else(|| session.folder.join("out"));
    let contents = Contents { session: &session.folder, out: &out, about: &session.about };
    let progress = Bytes::new("packing", common.silent());
    pack(contents, &args.to, &progress)
}

fn told(packed: &Packed) -> String {
    let size = indicatif::DecimalBytes(packed.bytes);
    let mut text = format!("{}: {} files, {size}, SHA-512\n", packed.bag.display(), packed.files);
    if packed.kept > 0 {
        text.push_str(&format!("{} of them were there from an earlier run\n", packed.kept));
    }
    if packed.results == 0 {
        text.push_str("there are no results yet: run digitize first to pack them as well\n");
    }
    for name in &packed.left_out.passed_over {
        text.push_str(&format!("left out: {} (hidden, a link elsewhere, or a package itself)\n", name.escape_debug()));
    }
    for name in &packed.left_out.gone {
        text.push_str(&format!("gone: {}, though results were made of it\n", name.escape_debug()));
    }
    text
}

fn json(packed: &Packed) -> serde_json::Value {
    serde_json::json!({
        "package": packed.bag,
        "files": packed.files,
        "bytes": packed.bytes,
        "kept": packed.kept,
        "results": packed.results,
        "left_out": packed.left_out.passed_over,
        "gone": packed.left_out.gone,
    })
}
