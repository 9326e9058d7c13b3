//! The door: from a path to a frame, by what the file holds.
//!
//! In: a path, and the capture profile that the notes name. Out: a [`Frame`], or only its settings or size. Fails with a
//! fault that says what the file is and what to do; never panics, and takes no memory that a header merely asks for.

use super::fence::fenced;
use super::ifd::Tiff;
use super::kind::{self, Kind};
use super::limits::MAX_FILE;
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
    let (mut file, kind) = open(path)?;
    let frame = fenced(|| match kind {
        Kind::Jpeg => jpeg::read(&whole(&mut file)?, profile),
        Kind::Png => png::read(&whole(&mut file)?, profile),
        Kind::Tiff => {
            let mut tiff = Tiff::open(&mut file)?;
            match tiff::family(&mut tiff)? {
                Family::Plain => tiff::read(&mut file, profile),
                Family::Dng => dng::read(&mut tiff),
                Family::Maker => Err(raw()),
            }
        }
        Kind::Heif => Err(heic()),
        Kind::MakerRaw => Err(raw()),
    })?;
    profile.admits(&frame)?;
    Ok(frame)
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
        Kind::Heif => Err(heic()),
        Kind::MakerRaw => Err(raw()),
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
                Family::Maker => Err(raw()),
            }
        }
        Kind::Heif => Err(heic()),
        Kind::MakerRaw => Err(raw()),
    })
}

fn raw() -> Fault {
    Fault::new("it is a raw file, which this version does not read", "develop it to a linear 16-bit TIFF")
}

fn heic() -> Fault {
    Fault::new("it is an HEIC picture, which this version does not read", "set the phone to JPEG")
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
