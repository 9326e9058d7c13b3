//! `hyaline digitize SESSION`: the main job.

use super::{Common, Outcome, SessionArgs};
use crate::ahead;
use crate::archive::Compression;
use crate::batch::{self, Options};
use crate::notes::{self, Session};
use crate::progress::Timing;
use crate::report;
use serde_json::json;
use std::path::{Path, PathBuf};

#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(flatten)]
    pub session: SessionArgs,
    /// Pack the TIFFs without loss (deflate): about 0.7 of the size, and slower
    #[arg(long)]
    pub deflate: bool,
    /// Only work ahead on the plates named, beside other runs that do the same for others; a run without this prints them
    #[arg(long)]
    pub ahead: bool,
    /// Say how long each stage took
    #[arg(long)]
    pub timings: bool,
}

pub fn run(args: &Args, common: &Common) -> Outcome {
    match notes::load(&args.session.session) {
        Ok(session) => session_into_out(&session, args, common),
        Err(errors) => Outcome::failed(errors),
    }
}

/// Where the results of a session go.
pub fn out_folder(session: &Session, named: Option<&Path>) -> PathBuf {
    named.map_or_else(|| session.folder.join("out"), Path::to_path_buf)
}

fn session_into_out(session: &Session, args: &Args, common: &Common) -> Outcome {
    let options = Options {
        out: out_folder(session, args.session.out.as_deref()),
        plates: args.session.plates.clone(),
        force: args.session.force,
        fresh: args.session.fresh,
        quiet: common.silent(),
        compression: if args.deflate { Compression::Deflate } else { Compression::None },
    };
    if args.ahead {
        return worked_ahead(session, args, &options);
    }
    match batch::digitize(session, &options) {
        Ok(done) => Outcome {
            summary: batch::told(&done, &options.out),
            text: if args.timings { timing_table(&done.timings) } else { String::new() },
            json: {
                let mut json = serde_json::to_value(report::summary(&done.report)).unwrap_or_default();
                json["kept"] = done.kept.clone().into();
                if args.timings {
                    json["timings"] = serde_json::to_value(&done.timings).unwrap_or_default();
                }
                json
            },
            errors: done.errors,
        },
        Err(errors) => Outcome::failed(errors),
    }
}

fn worked_ahead(session: &Session, args: &Args, options: &Options) -> Outcome {
    let done = match ahead::work(session, options) {
        Ok(done) => done,
        Err(errors) => return Outcome::failed(errors),
    };
    let told = [("ahead", &done.done), ("kept", &done.kept), ("failed", &done.failed)];
    let lines = told.iter().filter(|(_, plates)| !plates.is_empty());
    let plates =
        told.iter().flat_map(|(status, plates)| plates.iter().map(move |id| json!({ "plate": id, "status": status })));
    let mut json = json!({ "plates": plates.collect::<Vec<_>>() });
    if args.timings {
        json["timings"] = serde_json::to_value(&done.timings).unwrap_or_default();
    }
    Outcome {
        summary: lines.map(|(status, plates)| format!("{status}: {}\n", plates.join(", "))).collect(),
        text: if args.timings { timing_table(&done.timings) } else { String::new() },
        json,
        errors: done.errors,
    }
}

/// Seconds of each stage, and its share of the whole.
fn timing_table(timings: &[Timing]) -> String {
    let whole: f64 = timings.iter().map(|t| t.seconds).sum();
    let line = |of: &str, stage: &str, seconds: f64| {
        format!("{of:12} {stage:24} {seconds:8.3} s {:5.1} %\n", 100.0 * seconds / whole.max(1e-9))
    };
    let stages: String = timings.iter().map(|t| line(&t.of, t.stage, t.seconds)).collect();
    stages + &line("all", "", whole)
}
