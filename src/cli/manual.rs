//! `hyaline manual DIR`: the manual's pages, one for the program and one for each command, as `man` reads them.

use super::{Cli, Outcome};
use crate::archive::atomic::write_whole;
use crate::error::{Error, Fault};
use clap::{Command, CommandFactory};
use std::path::{Path, PathBuf};

#[derive(Debug, clap::Args)]
pub struct Args {
    /// Where the pages go: a folder man1 that MANPATH leads to
    dir: PathBuf,
}

pub fn run(args: &Args) -> Outcome {
    let mut program = Cli::command().disable_help_subcommand(true);
    program.build();
    let mut pages = Vec::new();
    gather(&program, "hyaline", &mut pages);
    let (written, errors) = crate::error::all(pages.into_iter().map(|(name, page)| write(&args.dir, &name, page)));
    let summary = written.iter().map(|path| format!("{}\n", path.display())).collect();
    Outcome { summary, json: serde_json::json!({ "pages": written }), errors, ..Outcome::default() }
}

/// A command and those below it, by the names that their pages refer to each other with.
fn gather(command: &Command, name: &str, pages: &mut Vec<(String, Command)>) {
    pages.push((name.to_string(), command.clone().disable_help_subcommand(true)));
    for below in command.get_subcommands().filter(|below| below.get_name() != "help") {
        gather(below, &format!("{name}-{}", below.get_name()), pages);
    }
}

fn write(dir: &Path, name: &str, page: Command) -> Result<PathBuf, Error> {
    let path = dir.join(format!("{name}.1"));
    let mut text = Vec::new();
    clap_mangen::Man::new(page)
        .render(&mut text)
        .map_err(|e| Error::new(&path, Fault::new(e.to_string(), "run it again")))?;
    write_whole(&path, &text)?;
    Ok(path)
}
