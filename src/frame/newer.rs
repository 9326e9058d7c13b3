//! Makers' raw files that [`super::raw`] does not know (CR3, and cameras since about 2020): turned into DNG by `rawler` in a process of
//! its own, and read from there as any DNG.
//!
//! In: a path. Out: what [`super::dng`] makes of it. Fails on what that decoder does not know either, on damage, and where it comes to
//! no end.
//!
//! A damaged file can make `rawler` ask for more memory than there is, which ends its process and cannot be caught. So this program
//! starts itself a second time for each file, bounded in memory and time: [`serve`] is all that the second one does.

use super::ifd::Tiff;
use super::limits::damaged;
use super::{Frame, Settings, dng, exif};
use crate::error::{Fault, io_fault};
use crate::image::Size;
use rawler::RawlerError;
use rawler::dng::convert::{ConvertParams, convert_raw_file};
use rawler::dng::{CropMode, DngCompression};
use std::ffi::OsString;
use std::fs::File;
use std::io::{BufReader, BufWriter, Read};
use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode, Stdio};
use std::sync::OnceLock;
use std::time::Duration;
use tempfile::NamedTempFile;
use wait_timeout::ChildExt;

/// The first argument that makes this program the second one.
const UNPACK: &str = "unpack-raw";

/// Address space of the second process: four times what a frame of 400 megapixels takes at two bytes each.
#[cfg(unix)]
const MEMORY: u64 = 4 << 30;

/// Of 100 megapixels, the slowest kind takes some 10 s.
const SECONDS: u64 = 120;

const UNKNOWN: u8 = 3;

const MEND: &str = "convert it to DNG, or develop it to a linear 16-bit TIFF";

/// The program that calls [`serve`]: no other may be started.
static PROGRAM: OnceLock<PathBuf> = OnceLock::new();

pub fn read(path: &Path) -> Result<Frame, Fault> {
    let frame = dng::read(&mut unpacked(path)?)?;
    Ok(Frame { format: "maker's raw".to_string(), ..frame })
}

pub fn dimensions(path: &Path) -> Result<Size, Fault> {
    dng::dimensions(&mut unpacked(path)?)
}

pub fn settings(path: &Path) -> Result<Settings, Fault> {
    let mut tiff = unpacked(path)?;
    let main = tiff.main()?;
    Ok(exif::from_tiff(&mut tiff, &main))
}

/// The file as a DNG, which is gone when it is dropped.
fn unpacked(path: &Path) -> Result<Tiff<BufReader<File>>, Fault> {
    let Some(program) = PROGRAM.get() else {
        return Err(Fault::new("it is a raw file that only the program itself reads", MEND));
    };
    let unpacked = NamedTempFile::new().map_err(|e| io_fault(&e))?;
    let no_start = |e: std::io::Error| Fault::new(format!("its decoder cannot be started: {e}"), MEND);
    let mut child = Command::new(program)
        .args([UNPACK.as_ref(), path.as_os_str(), unpacked.path().as_os_str()])
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .map_err(no_start)?;
    let ended = child.wait_timeout(Duration::from_secs(SECONDS)).map_err(|e| io_fault(&e))?;
    let Some(status) = ended else {
        // Both fail only where it has ended meanwhile.
        let _ = (child.kill(), child.wait());
        return Err(damaged(format!("the decoder came to no end within {SECONDS} s")));
    };
    let mut said = String::new();
    if let Some(out) = child.stdout.take() {
        let _ = out.take(500).read_to_string(&mut said);
    }
    match status.code() {
        Some(0) => Tiff::open(BufReader::new(unpacked.reopen().map_err(|e| io_fault(&e))?)),
        Some(code) if code == i32::from(UNKNOWN) => {
            let what = if said.is_empty() { "a kind" } else { "a camera" };
            let named = if said.is_empty() { said } else { format!(", {said}") };
            Err(Fault::new(format!("it is a raw file of {what} that is not known here{named}"), MEND))
        }
        Some(_) if !said.is_empty() => Err(damaged(said)),
        _ => Err(damaged("the decoder gave up on it")),
    }
}

/// Names the program to start: one that calls [`serve`] first. The first one named stays.
pub fn served_by(program: PathBuf) {
    PROGRAM.get_or_init(|| program);
}

/// To be called first by the program. Gives the status to end with where it was started to unpack one file.
pub fn serve(arguments: impl IntoIterator<Item = OsString>) -> Option<ExitCode> {
    let mut arguments = arguments.into_iter().skip(1);
    if arguments.next().is_none_or(|first| first != UNPACK) {
        // Where the system does not tell which program runs, these files are refused.
        let _ = std::env::current_exe().map(served_by);
        return None;
    }
    let (Some(from), Some(to), None) = (arguments.next(), arguments.next(), arguments.next()) else {
        return Some(ExitCode::from(2));
    };
    let (status, says) = match unpack(&PathBuf::from(from), &PathBuf::from(to)) {
        Ok(()) => return Some(ExitCode::SUCCESS),
        Err(RawlerError::Unsupported { make, model, .. }) => (UNKNOWN, format!("{make} {model}")),
        // What follows the first sentence asks to write to the decoder's authors.
        Err(RawlerError::DecoderFailed(why)) => (1, why.split(['\n', '.', ';']).next().unwrap_or_default().to_string()),
    };
    print!("{}", says.trim());
    Some(ExitCode::from(status))
}

fn unpack(from: &Path, to: &Path) -> Result<(), RawlerError> {
    bound();
    let how = ConvertParams::default()
        .with_embedded(false)
        .with_compression(DngCompression::Uncompressed)
        .with_crop(CropMode::ActiveArea)
        .with_preview(false)
        .with_thumbnail(false)
        .with_software("hyaline".into());
    let io = |e| RawlerError::with_io_error("a DNG", to, e);
    let mut out = BufWriter::new(File::options().write(true).open(to).map_err(io)?);
    convert_raw_file(from, &mut out, &how)?;
    out.into_inner().map_err(|e| io(e.into_error()))?;
    Ok(())
}

/// Sets the limits. Where the system has none of a kind, the others still hold.
fn bound() {
    #[cfg(unix)]
    {
        use rustix::process::{Resource, Rlimit, setrlimit};
        for (resource, most) in [(Resource::As, MEMORY), (Resource::Cpu, 2 * SECONDS), (Resource::Core, 0)] {
            let _ = setrlimit(resource, Rlimit { current: Some(most), maximum: Some(most) });
        }
    }
}
