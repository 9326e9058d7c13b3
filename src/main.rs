//! Parses the command line, runs the command, prints what it says, sets the exit status.

use clap::Parser;
use hyaline::cli::{self, Cli, Common, Outcome};
use std::io::{ErrorKind, Write};
use std::process::ExitCode;

/// Frames and planes come and go by the hundred megabytes: an allocator that keeps their pages saves the system clearing them anew.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

fn main() -> ExitCode {
    #[cfg(feature = "newer-raw")]
    if let Some(status) = hyaline::frame::newer::serve(std::env::args_os()) {
        return status;
    }
    let cli = Cli::parse();
    if let Some(jobs) = cli.common.jobs {
        // Only fails when a pool is already there, which no command line can bring about.
        let _ = rayon::ThreadPoolBuilder::new().num_threads(jobs.into()).build_global();
    }
    let outcome = cli::run(&cli);
    let printed = print(&outcome, &cli.common);
    if let Err(e) = &printed
        && e.kind() != ErrorKind::BrokenPipe
    {
        // Not by eprintln, which panics where this cannot be written either.
        let _ = writeln!(std::io::stderr(), "standard output: {e}; print to a place that has room");
    }
    for error in &outcome.errors {
        eprintln!("{error}");
    }
    if outcome.errors.is_empty() && printed.is_ok() { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

/// A reader that closed the pipe has what it wanted: not an error worth a message.
fn print(outcome: &Outcome, common: &Common) -> std::io::Result<()> {
    let mut out = std::io::stdout().lock();
    if common.json {
        let errors: Vec<String> = outcome.errors.iter().map(ToString::to_string).collect();
        let mut document = outcome.json.clone();
        match &mut document {
            serde_json::Value::Object(map) => {
                map.insert("errors".into(), errors.into());
            }
            other => *other = serde_json::json!({ "result": other.take(), "errors": errors }),
        }
        serde_json::to_writer_pretty(&mut out, &document)?;
        writeln!(out)?;
    } else {
        if !common.quiet {
            out.write_all(outcome.summary.as_bytes())?;
        }
        out.write_all(outcome.text.as_bytes())?;
    }
    out.flush()
}
