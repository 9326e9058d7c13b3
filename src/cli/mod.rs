//! The commands, one file each: arguments in, an [`Outcome`] out. Only `main` prints and sets the exit status.

pub mod archive;
pub mod calibrate;
pub mod check;
pub mod compare;
pub mod completions;
pub mod demo;
pub mod digitize;
pub mod manual;
pub mod measure;
pub mod new;
pub mod plan;
pub mod publish;
pub mod record;
pub mod verify;

use crate::error::Error;
use clap::{Args, Parser, Subcommand};
use std::path::PathBuf;

/// Copies of glass negatives into positives that can be measured, compared and kept
#[derive(Debug, Parser)]
#[command(name = "hyaline", version, about, propagate_version = true, arg_required_else_help = true)]
#[command(after_help = "Examples:\n  hyaline demo kiln             a made-up session, to see what comes out\n  \
    hyaline check my-session      what is missing or risky, before the plates are put away\n  \
    hyaline digitize my-session   the positives, the records and a page to look at")]
pub struct Cli {
    #[command(flatten)]
    pub common: Common,
    #[command(subcommand)]
    pub command: Command,
}

/// Options that every command takes.
#[derive(Debug, Clone, Default, Args)]
pub struct Common {
    /// One JSON document on standard output, nothing else there
    #[arg(long, global = true)]
    pub json: bool,
    /// No progress and no messages, only errors and what was asked for
    #[arg(long, global = true)]
    pub quiet: bool,
    /// Threads to work with (all cores without it)
    #[arg(long, global = true, value_name = "N", value_parser = clap::value_parser!(u16).range(1..))]
    pub jobs: Option<u16>,
}

impl Common {
    /// Whether nobody waits for what a run tells on its way.
    pub fn silent(&self) -> bool {
        self.quiet || self.json
    }
}

/// The session to work on, and where its results go.
#[derive(Debug, Clone, Args)]
pub struct SessionArgs {
    /// The notes file (session.toml) or its folder
    #[arg(default_value = ".")]
    pub session: PathBuf,
    /// Where results go, in place of out/ beside the notes
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Only this plate (may be given several times)
    #[arg(long = "plate", value_name = "ID")]
    pub plates: Vec<String>,
    /// Go on where a check would stop a plate; the record says so
    #[arg(long)]
    pub force: bool,
    /// Do everything anew, whatever an earlier run left
    #[arg(long)]
    pub fresh: bool,
}

#[derive(Debug, Subcommand)]
pub enum Command {
    /// Writes a made-up session into DIR and digitizes it
    #[command(after_help = "Example:\n  hyaline demo kiln")]
    Demo(demo::Args),
    /// Writes first notes for the frames that lie in DIR
    #[command(after_help = new::columns())]
    New(new::Args),
    /// Reads notes and frames and says what is wrong or risky; writes nothing
    #[command(after_help = "Examples:\n  hyaline check kiln\n  hyaline check kiln --json")]
    Check(check::Args),
    /// Turns a session's captures into negatives, positives, records and a page
    #[command(
        after_help = "Examples:\n  hyaline digitize kiln\n  hyaline digitize kiln --plate K-01 --out /tmp/try\n  hyaline digitize kiln --json > summary.json\n  \
            hyaline digitize kiln --ahead --plate K-01    one plate's share, beside runs for others; then: hyaline digitize kiln"
    )]
    Digitize(digitize::Args),
    /// Densities of patches, evenness, sharpness and sampling of pictures
    #[command(after_help = "Examples:\n  hyaline measure out/K-01/K-01-negative.tif --patch 80,60,3,3\n  \
        hyaline measure wedge-negative.tif --patch 10,5,4,4=0.05 --patch 16,5,4,4=0.20\n  \
        hyaline measure edge.tif --px --edge 900,700,120,160 --page edge.html\n  \
        hyaline measure blank.jpg --field all")]
    Measure(measure::Args),
    /// How to copy a plate of some size: tiles, steps, overlap, the sampling reached, and a drawing to print
    #[command(
        after_help = "Examples:\n  hyaline plan --plate 8x10in --pixels 4032x3024                     which grids reach what\n  \
        hyaline plan --plate 8x10in --pixels 4032x3024 --ppi 1200 --svg tiles.svg\n  \
        hyaline plan --plate 9x12cm --pixels 6000x4000 --ppi 2400 --pixel-um 3.9 --f-number 5.6"
    )]
    Plan(plan::Args),
    /// Makes a capture profile: response, density correction, lens
    #[command(after_help = "Examples:\n  hyaline calibrate response ladder-*.jpg --to profiles/phone.toml\n  \
        hyaline calibrate tablet wedge.jpg --steps 21x0.15 --blank blank.jpg --to profiles/phone.toml\n  \
        hyaline calibrate lens grid.jpg --grid 17x13,10 --to profiles/phone.toml")]
    Calibrate(calibrate::Args),
    /// Packs captures, notes and results for keeping (BagIt, RFC 8493)
    #[command(after_help = "Example:\n  hyaline archive kiln --to /media/disk/kiln-2026")]
    Archive(archive::Args),
    /// Cuts the positives into tiles that any IIIF viewer shows, with a manifest of the session
    #[command(after_help = "Example:\n  hyaline publish kiln --url https://example.org/kiln --to www/kiln")]
    Publish(publish::Args),
    /// Checks every file of a package or an out folder against its digest
    #[command(after_help = "Examples:\n  hyaline verify /media/disk/kiln-2026\n  hyaline verify kiln/out")]
    Verify(verify::Args),
    /// Prints the exposure record that a TIFF carries
    #[command(after_help = "Examples:\n  hyaline record K-01-negative.tif\n  hyaline record K-01-negative.tif --json")]
    Record(record::Args),
    /// Compares the plates of each bracket: alignment, contrast, gains, the curve, and a page to look at
    #[command(
        after_help = "Examples:\n  hyaline compare kiln\n  hyaline compare kiln --plates K-01,K-03 --match highlights"
    )]
    Compare(compare::Args),
    /// Prints a completion script for a shell
    #[command(after_help = "Example:\n  hyaline completions bash > ~/.local/share/bash-completion/completions/hyaline")]
    Completions(completions::Args),
    /// Writes the manual's pages, one for each command, as man reads them
    #[command(after_help = "Example:\n  hyaline manual ~/.local/share/man/man1")]
    Manual(manual::Args),
}

/// What a command did: for people, for programs, and what went wrong.
#[derive(Debug, Default)]
pub struct Outcome {
    /// What was done and found on the way: for standard output, unless `--quiet` or `--json`.
    pub summary: String,
    /// What was asked for, such as readings, a record or a script: for standard output, unless `--json`.
    pub text: String,
    /// Both for programs.
    pub json: serde_json::Value,
    /// Each makes the exit status 1.
    pub errors: Vec<Error>,
}

impl Outcome {
    /// A command that could not begin.
    pub fn failed(errors: Vec<Error>) -> Self {
        Outcome { errors, ..Outcome::default() }
    }
}

impl From<Error> for Outcome {
    fn from(error: Error) -> Self {
        Outcome::failed(vec![error])
    }
}

/// Runs the command that the line names.
pub fn run(cli: &Cli) -> Outcome {
    match &cli.command {
        Command::Demo(args) => demo::run(args, &cli.common),
        Command::New(args) => new::run(args, &cli.common),
        Command::Check(args) => check::run(args, &cli.common),
        Command::Digitize(args) => digitize::run(args, &cli.common),
        Command::Measure(args) => measure::run(args, &cli.common),
        Command::Plan(args) => plan::run(args),
        Command::Calibrate(args) => calibrate::run(args, &cli.common),
        Command::Archive(args) => archive::run(args, &cli.common),
        Command::Publish(args) => publish::run(args, &cli.common),
        Command::Verify(args) => verify::run(args, &cli.common),
        Command::Record(args) => record::run(args, &cli.common),
        Command::Compare(args) => compare::run(args, &cli.common),
        Command::Completions(args) => completions::run(args),
        Command::Manual(args) => manual::run(args),
    }
}
