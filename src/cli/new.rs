//! `hyaline new DIR`: first notes for the frames that lie in a folder.

use super::{Common, Outcome};
use crate::archive::atomic;
use crate::error::{Error, Fault, InFile};
use crate::notes::draft::{self, Draft, Wishes};
use crate::notes::field::{self, Row};
use crate::notes::{Emulsion, FILE_NAME, PlateSize, sizes};
use serde_json::json;
use std::fmt::Write;
use std::path::{Path, PathBuf};

#[derive(Debug, clap::Args)]
pub struct Args {
    /// The folder with the frames, best in captures/ there
    dir: PathBuf,
    /// Nominal size of every plate, as in 4.75x6.5in or "half plate (UK)"
    #[arg(long, visible_alias = "plate-size", value_name = "SIZE", value_parser = size)]
    size: Option<PlateSize>,
    /// Capture profile: srgb, linear, or a file in DIR
    #[arg(long, value_name = "NAME")]
    profile: Option<String>,
    /// The side of the plates that faced the camera
    #[arg(long, value_name = "SIDE")]
    emulsion: Option<Side>,
    /// Title of the session (the folder's name without it)
    #[arg(long, value_name = "TEXT")]
    title: Option<String>,
    /// Field notes, a CSV table of one row a plate
    #[arg(long, value_name = "CSV")]
    field_notes: Option<PathBuf>,
    /// Another name for the notes, in DIR, in place of session.toml
    #[arg(long, value_name = "FILE")]
    to: Option<PathBuf>,
    /// Print the notes and write nothing
    #[arg(long)]
    dry_run: bool,
}

#[derive(Debug, Clone, Copy, clap::ValueEnum)]
enum Side {
    TowardCamera,
    AwayFromCamera,
}

fn size(text: &str) -> Result<PlateSize, String> {
    sizes::parse(text).map_err(|fault| fault.to_string())
}

/// What `--help` adds.
pub fn columns() -> String {
    format!(
        "Examples:\n  hyaline new kiln --size 4.75x6.5in --emulsion toward-camera\n  hyaline new kiln --field-notes field.csv\n  \
         hyaline new kiln --dry-run\n\nColumns of the field notes (any of them, id always; units stand in the names):\n{}",
        field::columns_help()
    )
}

pub fn run(args: &Args, _common: &Common) -> Outcome {
    drafted(args).unwrap_or_else(Outcome::failed)
}

fn drafted(args: &Args) -> Result<Outcome, Vec<Error>> {
    let one = |error: Error| vec![error];
    let file = place(args).map_err(one)?;
    let rows: Option<Vec<Row>> = args.field_notes.as_deref().map(field::read).transpose()?;
    let wishes = Wishes {
        title: args.title.clone(),
        size: args.size.clone(),
        profile: args.profile.clone(),
        emulsion: args.emulsion.map(|side| match side {
            Side::TowardCamera => Emulsion::TowardCamera,
            Side::AwayFromCamera => Emulsion::AwayFromCamera,
        }),
    };
    let draft = draft::draft(&file, &wishes, rows.as_deref())?;
    let notes = draft::text(&draft);
    if !args.dry_run {
        atomic::write_whole(&file, notes.as_bytes()).map_err(one)?;
    }
    let shown = args.dir.join(file.file_name().unwrap_or_default());
    let (summary, text) = match args.dry_run {
        true => (String::new(), format!("{notes}\n{}", remarked(&table(&draft)))),
        false => (table(&draft) + &next(&draft, &shown), String::new()),
    };
    Ok(Outcome { summary, text, json: json(&draft, &shown, &notes, !args.dry_run), errors: draft.errors })
}

/// The notes' path, once it is sure that nothing stands there.
fn place(args: &Args) -> Result<PathBuf, Error> {
    let folder = args.dir.canonicalize().in_file(&args.dir)?;
    if !folder.is_dir() {
        return Err(Error::new(&args.dir, Fault::new("is no folder", "name the folder that the frames lie in")));
    }
    let name = match &args.to {
        None => FILE_NAME.into(),
        Some(to) => name_in(&folder, to)?,
    };
    let file = folder.join(&name);
    if file.symlink_metadata().is_ok() && !args.dry_run {
        let mend = "notes are never written over: name another file with --to session-new.toml, or print the draft with --dry-run";
        return Err(Error::new(&args.dir.join(&name), Fault::new("is there already", mend)));
    }
    Ok(file)
}

/// The bare name of a file that is to lie in the session's folder, from which all paths of the notes count.
fn name_in(folder: &Path, to: &Path) -> Result<PathBuf, Error> {
    let outside = || {
        Error::new(
            to,
            Fault::new("does not lie in the folder of the frames", "name a file in it, as in session-new.toml"),
        )
    };
    let name = to.file_name().ok_or_else(outside)?;
    let inside = match to.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent.canonicalize().is_ok_and(|parent| parent == folder),
        _ => true,
    };
    if inside { Ok(name.into()) } else { Err(outside()) }
}

/// Plate, frames, tiles, exposures, blanks; then what was left aside.
fn table(draft: &Draft) -> String {
    let plates = || draft.session.plates.iter().zip(&draft.plates);
    let width = plates().map(|(plate, _)| plate.id.len()).max().unwrap_or(0).max(5);
    let mut text = format!("{:<width$}  frames  tiles  exposures  blanks\n", "plate");
    for (plate, reasons) in plates() {
        let tiles = &plate.captures;
        let frames: usize = tiles.iter().map(Vec::len).sum();
        let exposures = tiles.iter().map(Vec::len).max().unwrap_or(0);
        let guess = if reasons.guess { "  a guess" } else { "" };
        let _ = writeln!(
            text,
            "{:<width$}  {frames:>6}  {:>5}  {exposures:>9}  {:>6}{guess}",
            plate.id,
            tiles.len(),
            reasons.blanks
        );
    }
    let (blanks, darks) = (draft.blanks.len(), draft.darks.len());
    let _ = writeln!(text, "{} plates, {blanks} blanks, {darks} darks", draft.plates.len());
    for aside in &draft.aside {
        let _ = writeln!(text, "left aside: {} ({})", aside.file.escape_debug(), aside.why.escape_debug());
    }
    for (id, line) in &draft.without_frames {
        let _ = writeln!(text, "field notes without frames: {id} (line {line})");
    }
    for id in &draft.without_record {
        let _ = writeln!(text, "frames without field notes: {id}");
    }
    for warning in &draft.warnings {
        let _ = writeln!(text, "{}: {}", warning.code, warning.message);
    }
    text
}

/// What is to be done now.
fn next(draft: &Draft, shown: &Path) -> String {
    let mut text = String::new();
    for missing in draft.missing() {
        let _ = writeln!(text, "to fill in before digitizing: {missing}");
    }
    if !draft.session.copy.emulsion_stated {
        text.push_str("worth saying: which side of the plates faced the camera (emulsion in [copy])\n");
    }
    let _ = writeln!(text, "The notes are in {}; next: hyaline check {0}", shown.display());
    text
}

fn remarked(text: &str) -> String {
    text.lines().map(|line| format!("# {line}\n")).collect()
}

fn json(draft: &Draft, shown: &Path, notes: &str, written: bool) -> serde_json::Value {
    let session = &draft.session;
    let frames = |files: &[PathBuf], by: &[draft::By]| {
        let frame = |(file, by): (&PathBuf, &draft::By)| json!({ "file": session.relative(file), "by": by });
        files.iter().zip(by).map(frame).collect::<Vec<_>>()
    };
    let plates = session.plates.iter().zip(&draft.plates).map(|(plate, reasons)| {
        let tile = |tile: &Vec<PathBuf>| tile.iter().map(|file| session.relative(file)).collect::<Vec<_>>();
        let size = Some(&plate.size.name).filter(|name| !name.is_empty());
        json!({ "id": plate.id, "size": size, "tiles": plate.captures.iter().map(tile).collect::<Vec<_>>(),
                "why": reasons.why, "guess": reasons.guess, "blanks": reasons.blanks })
    });
    json!({
        "notes": shown,
        "written": written,
        "blanks": frames(&session.copy.blanks, &draft.blanks),
        "darks": frames(&session.copy.darks, &draft.darks),
        "plates": plates.collect::<Vec<_>>(),
        "left_aside": draft.aside,
        "field_notes_without_frames": draft.without_frames.iter().map(|(id, _)| id).collect::<Vec<_>>(),
        "frames_without_field_notes": draft.without_record,
        "warnings": draft.warnings,
        "to_fill_in": draft.missing(),
        "text": notes,
    })
}
