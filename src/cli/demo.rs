//! `hyaline demo DIR`: a made-up session, digitized.

use super::digitize;
use super::{Common, Outcome, SessionArgs};
use crate::demo;
use std::path::PathBuf;

#[derive(Debug, clap::Args)]
pub struct Args {
    /// A new folder for the session
    dir: PathBuf,
    /// Write captures and notes only
    #[arg(long)]
    captures_only: bool,
}

pub fn run(args: &Args, common: &Common) -> Outcome {
    let say = |what: &str| {
        if !common.quiet && !common.json {
            eprintln!("making {what}");
        }
    };
    if let Err(error) = demo::write(&args.dir, &demo::Options::default(), &say) {
        return error.into();
    }
    if args.captures_only {
        let text = format!("A made-up session lies in {}\n", args.dir.display());
        return Outcome { text, json: serde_json::json!({ "session": args.dir }), errors: Vec::new() };
    }
    let session = SessionArgs { session: args.dir.clone(), out: None, plates: Vec::new(), force: false, fresh: false };
    digitize::run(&digitize::Args { session, deflate: false, timings: false }, common)
}
