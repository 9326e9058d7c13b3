//! One run at a time: a file that is held while a run works on a folder, with the number of its process in it. Runs that keep out of each
//! other's way share it.
//!
//! The system lets go of the file however a run ends, so that none is ever left behind as held. Fails where another run holds it,
//! saying who.

use crate::error::{Error, Fault, InFile};
use std::fs::{File, TryLockError};
use std::io::{Read, Write};
use std::path::Path;

/// Takes hold of `file`, for work on `folder`. None where the drive knows no locks, as some network drives do.
pub fn hold(file: &Path, folder: &Path) -> Result<Option<File>, Error> {
    taken(file, folder, File::try_lock)
}

/// Takes hold of `file` together with others that share it; the last of them to come is the one that is named.
pub fn share(file: &Path, folder: &Path) -> Result<Option<File>, Error> {
    taken(file, folder, File::try_lock_shared)
}

fn taken(file: &Path, folder: &Path, lock: impl Fn(&File) -> Result<(), TryLockError>) -> Result<Option<File>, Error> {
    let mut held = File::options().read(true).write(true).create(true).truncate(false).open(file).in_file(file)?;
    match lock(&held) {
        Ok(()) => {
            held.set_len(0).and_then(|()| write!(held, "{}", std::process::id())).in_file(file)?;
            Ok(Some(held))
        }
        Err(TryLockError::WouldBlock) => Err(Error::new(folder, held_by(&mut held))),
        Err(TryLockError::Error(_)) => Ok(None),
    }
}

/// Fails where a run holds `file` now. Changes nothing.
pub fn free(file: &Path, folder: &Path) -> Result<(), Error> {
    let Ok(mut held) = File::open(file) else { return Ok(()) };
    match held.try_lock_shared() {
        Err(TryLockError::WouldBlock) => Err(Error::new(folder, held_by(&mut held))),
        _ => Ok(()),
    }
}

fn held_by(file: &mut File) -> Fault {
    let mut by = String::new();
    let _ = file.read_to_string(&mut by);
    Fault::new(format!("process {} is working on it", by.trim()), "wait until it is done, or name another folder")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn runs_that_share_keep_others_away() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("held");
        let first = share(&file, folder.path()).unwrap();
        let second = share(&file, folder.path()).unwrap();
        drop(first);
        assert!(hold(&file, folder.path()).is_err());
        drop(second);
        let alone = hold(&file, folder.path()).unwrap();
        assert!(share(&file, folder.path()).is_err());
        drop(alone);
    }

    #[test]
    fn a_second_run_is_told_of_the_first() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("held");
        assert!(free(&file, folder.path()).is_ok());
        let first = hold(&file, folder.path()).unwrap();
        for refused in [hold(&file, folder.path()).err(), free(&file, folder.path()).err()] {
            let told = refused.expect("two hold one folder").to_string();
            assert!(told.contains(&std::process::id().to_string()), "{told}");
        }
        drop(first);
        assert!(free(&file, folder.path()).is_ok());
        assert!(hold(&file, folder.path()).is_ok());
    }
}
