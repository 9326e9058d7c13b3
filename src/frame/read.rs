//! The door: from a path to a frame, by what the file holds.
//!
//! In: a path, and the capture profile that the notes name. Out: a [`Frame`], or only its settings or size. Fails with a
//! fault that says what the file is and what to do; never panics, and takes no memory that a header merely asks for.

#[cfg(not(feature = "heic"))]
use super::absent::heic;
#[cfg(not(feature = "newer-raw"))]
use super::absent::newer;
#[cfg(not(feature = "raw"))]
use super::absent::raw;
use super::fence::fenced;
#[cfg(feature = "heic")]
use super::heic;
use super::ifd::Tiff;
use super::kind::{self, Kind};
use super::limits::MAX_FILE;
#[cfg(feature = "newer-raw")]
use super::newer;
#[cfg(feature = "raw")]
use super::raw;
use super::tiff::Family;
use super::{CaptureProfile, Frame, Settings, dng, exif, jpeg, png, tiff};
use crate::error::{Fault, io_fault};
use crate::image::Size;
use std::fs::File;
use std::io::{BufReader, Read, Seek};
use std::path::Path;

/// Decodes a capture. `profile` says how its codes stand for light; raw files, and files whose embedded profile says that they
/// are linear, are taken as linear.
pub fn read(path: &Path, profile: &CaptureProfile) -> Result<Frame, Fault> {
    read_as(path, profile, false)
}

/// A lossy or 8-bit frame in the colours that it came with, of which [`read`] takes a JPEG's luma alone; none of other kinds and of gray ones.
pub fn in_colours(path: &Path, profile: &CaptureProfile) -> Result<Option<Frame>, Fault> {
    match kind_of(path)? {
        Kind::MakerRaw => Ok(None),
        _ => Ok(Some(read_as(path, profile, true)?).filter(Frame::coarse_colour)),
    }
}

fn read_as(path: &Path, profile: &CaptureProfile, in_colours: bool) -> Result<Frame, Fault> {
    let profile = match profile.others {
        Some(_) => &*profile.for_camera(&settings(path)?),
        None => profile,
    };
    let (mut file, kind) = open(path)?;
    let frame = fenced(|| match kind {
        Kind::Jpeg => jpeg::read(&whole(&mut file)?, profile, in_colours),
        Kind::Png => png::read(&whole(&mut file)?, profile),
        Kind::Tiff => {
            let mut tiff = Tiff::open(&mut file)?;
            match tiff::family(&mut tiff)? {
                Family::Plain => tiff::read(&mut file, profile),
                Family::Dng => dng::read(&mut tiff),
                Family::Maker => {
                    let main = tiff.main()?;
                    let settings = exif::from_tiff(&mut tiff, &main);
                    let frame = maker(path, &from_start(&mut file)?, raw::read, newer::read)?;
                    Ok(Frame { settings, ..frame })
                }
            }
        }
        Kind::Heif => heic::read(&whole(&mut file)?, profile),
        Kind::MakerRaw => maker(path, &whole(&mut file)?, raw::read, newer::read),
    })?;
    profile.admits(&frame)?;
    Ok(frame)
}

/// What kind of file a capture is, by its first bytes.
pub fn kind_of(path: &Path) -> Result<Kind, Fault> {
    open(path).map(|(_, kind)| kind)
}

/// What a capture's Exif says, without decoding its pixels.
pub fn settings(path: &Path) -> Result<Settings, Fault> {
    let (mut file, kind) = open(path)?;
    fenced(|| match kind {
        Kind::Jpeg => jpeg::settings(&whole(&mut file)?),
        Kind::Png => png::settings(&whole(&mut file)?),
        Kind::Tiff => {
            let mut tiff = Tiff::open(&mut file)?;
            let main = tiff.main()?;
            Ok(exif::from_tiff(&mut tiff, &main))
        }
        Kind::Heif => heic::settings(&whole(&mut file)?),
        Kind::MakerRaw => maker(path, &whole(&mut file)?, raw::settings, newer::settings),
    })
}

/// The size that a capture's frame will have, without decoding its pixels.
pub fn dimensions(path: &Path) -> Result<Size, Fault> {
    let (mut file, kind) = open(path)?;
    fenced(|| match kind {
        Kind::Jpeg => Ok(jpeg::header(&whole(&mut file)?)?.size),
        Kind::Png => png::dimensions(&whole(&mut file)?),
        Kind::Tiff => {
            let mut tiff = Tiff::open(&mut file)?;
            match tiff::family(&mut tiff)? {
                Family::Plain => tiff::dimensions(&mut tiff),
                Family::Dng => dng::dimensions(&mut tiff),
                Family::Maker => maker(path, &from_start(&mut file)?, raw::dimensions, newer::dimensions),
            }
        }
        Kind::Heif => heic::dimensions(&whole(&mut file)?),
        Kind::MakerRaw => maker(path, &whole(&mut file)?, raw::dimensions, newer::dimensions),
    })
}

/// A maker's raw file, by the decoder of this process where that knows its camera, else by the one in a process of its own.
fn maker<T>(
    path: &Path,
    bytes: &[u8],
    here: fn(&[u8]) -> Result<T, Fault>,
    apart: fn(&Path) -> Result<T, Fault>,
) -> Result<T, Fault> {
    if cfg!(feature = "newer-raw") && !raw::knows(bytes) { apart(path) } else { here(bytes) }
}

/// Opens a file and tells its kind by its first bytes; the file stands at its start again.
fn open(path: &Path) -> Result<(BufReader<File>, Kind), Fault> {
    let file = File::open(path).map_err(|e| io_fault(&e))?;
    if file.metadata().map_err(|e| io_fault(&e))?.is_dir() {
        return Err(Fault::new("it is a folder", "name a file, or a pattern such as captures/*.jpg"));
    }
    let mut file = BufReader::new(file);
    let mut head = Vec::with_capacity(kind::HEAD);
    (&mut file).take(kind::HEAD as u64).read_to_end(&mut head).map_err(|e| io_fault(&e))?;
    let kind = kind::of(&head)?;
    file.rewind().map_err(|e| io_fault(&e))?;
    Ok((file, kind))
}

/// All of a file of which some was read to see what it is.
fn from_start(file: &mut BufReader<File>) -> Result<Vec<u8>, Fault> {
    file.rewind().map_err(|e| io_fault(&e))?;
    whole(file)
}

/// All of a file, within the limit.
fn whole(file: &mut BufReader<File>) -> Result<Vec<u8>, Fault> {
    let length = file.get_ref().metadata().map_err(|e| io_fault(&e))?.len();
    if length > MAX_FILE {
        return Err(Fault::new(
            format!("it has {length} bytes; {MAX_FILE} are the most for its kind"),
            "save it as TIFF, which is read piece by piece",
        ));
    }
    let mut bytes = Vec::with_capacity(length as usize);
    file.read_to_end(&mut bytes).map_err(|e| io_fault(&e))?;
    Ok(bytes)
}
