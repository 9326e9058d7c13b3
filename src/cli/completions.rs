//! `hyaline completions SHELL`: what the shell needs to complete commands and options.

use super::{Cli, Outcome};
use clap::CommandFactory;

#[derive(Debug, clap::Args)]
pub struct Args {
    /// The shell to write for
    shell: clap_complete::Shell,
}

pub fn run(args: &Args) -> Outcome {
    let mut script = Vec::new();
    clap_complete::generate(args.shell, &mut Cli::command(), "hyaline", &mut script);
    let text = String::from_utf8_lossy(&script).into_owned();
    Outcome { json: serde_json::json!({ "script": text }), text, ..Outcome::default() }
}
