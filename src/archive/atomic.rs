//! Files that appear whole or not at all.
//!
//! In: a path and its bytes, at once or as a stream. Out: the file, complete and on the disk, under its own name; whoever looks
//! sees the old file or the new one, never a part. Fails with the system's reason and its mend; what stood under the name stays.
//!
//! Method: a temporary file in the target's own folder (so that the last step is a rename on one file system), its bytes synced,
//! renamed over the target, the folder synced. A run that is killed can only leave files named `.hyaline-….part`, which
//! [`clear_leftovers`] finds and removes.

use crate::error::{Error, InFile};
use std::fs::{self, File};
use std::io::{self, Seek, Write};
use std::path::{Path, PathBuf};
use tempfile::NamedTempFile;

const PREFIX: &str = ".hyaline-";
const SUFFIX: &str = ".part";

/// Writes all of `bytes` under `path`, or nothing.
pub fn write_whole(path: &Path, bytes: &[u8]) -> Result<(), Error> {
    let mut file = Pending::new(path)?;
    file.write_all(bytes).in_file(path)?;
    file.commit()
}

/// A file that is being written and has no name yet. Dropped without [`Pending::commit`], it is gone.
#[derive(Debug)]
pub struct Pending {
    file: NamedTempFile,
    target: PathBuf,
}

impl Pending {
    /// Makes the target's folder where it is missing, and an empty file in it.
    pub fn new(target: &Path) -> Result<Self, Error> {
        let folder = folder_of(target);
        fs::create_dir_all(folder).in_file(folder)?;
        let mut builder = tempfile::Builder::new();
        builder.prefix(PREFIX).suffix(SUFFIX);
        #[cfg(unix)]
        {
            // Temporary files are made for their owner alone; results are as readable as the user's other files.
            use std::os::unix::fs::PermissionsExt;
            builder.permissions(fs::Permissions::from_mode(0o666));
        }
        let file = builder.tempfile_in(folder).in_file(target)?;
        Ok(Pending { file, target: target.to_path_buf() })
    }

    /// The name that the file will have.
    pub fn target(&self) -> &Path {
        &self.target
    }

    /// Where it lies for now, to be read back before it is committed.
    pub fn path(&self) -> &Path {
        self.file.path()
    }

    /// Waits until all that was written is on the disk.
    pub fn sync(&self) -> Result<(), Error> {
        self.file.as_file().sync_all().in_file(&self.target)
    }

    /// Gives the file its name.
    pub fn commit(self) -> Result<(), Error> {
        self.sync()?;
        let Pending { file, target } = self;
        file.persist(&target).map_err(|e| e.error).in_file(&target)?;
        sync_folder(folder_of(&target))
    }
}

impl Write for Pending {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.file.as_file_mut().write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.as_file_mut().flush()
    }
}

impl Seek for Pending {
    fn seek(&mut self, to: io::SeekFrom) -> io::Result<u64> {
        self.file.as_file_mut().seek(to)
    }
}

/// Removes what a killed run left under `folder`, and says what it was. Only for a folder that no other run is writing to.
/// A folder that is missing has no leftovers; symbolic links are not followed.
pub fn clear_leftovers(folder: &Path) -> Result<Vec<PathBuf>, Error> {
    let mut removed = Vec::new();
    let mut folders = vec![folder.to_path_buf()];
    while let Some(folder) = folders.pop() {
        let entries = match fs::read_dir(&folder) {
            Err(e) if e.kind() == io::ErrorKind::NotFound => continue,
            entries => entries.in_file(&folder)?,
        };
        for entry in entries {
            let entry = entry.in_file(&folder)?;
            let path = entry.path();
            let kind = entry.file_type().in_file(&path)?;
            if kind.is_dir() {
                folders.push(path);
            } else if kind.is_file() && is_leftover(&path) {
                fs::remove_file(&path).in_file(&path)?;
                removed.push(path);
            }
        }
    }
    removed.sort();
    Ok(removed)
}

/// Whether a name is one of our temporary files'.
pub fn is_leftover(path: &Path) -> bool {
    path.file_name()
        .and_then(|name| name.to_str())
        .is_some_and(|name| name.starts_with(PREFIX) && name.ends_with(SUFFIX))
}

/// The folder that a file lies in; the current one for a bare name.
pub(super) fn folder_of(path: &Path) -> &Path {
    match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    }
}

/// A rename is safe from a power cut only once its folder is on the disk.
pub(super) fn sync_folder(folder: &Path) -> Result<(), Error> {
    #[cfg(unix)]
    File::open(folder).and_then(|f| f.sync_all()).in_file(folder)?;
    #[cfg(not(unix))]
    let _ = folder;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_takes_its_name_only_when_it_is_whole() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("deep/er/plate.tif");
        let mut file = Pending::new(&path).unwrap();
        file.write_all(b"half").unwrap();
        assert!(!path.exists());
        assert!(is_leftover(file.path()));
        file.write_all(b" and half").unwrap();
        file.commit().unwrap();
        assert_eq!(fs::read(&path).unwrap(), b"half and half");
        write_whole(&path, b"new").unwrap();
        assert_eq!(fs::read(&path).unwrap(), b"new");
        assert_eq!(fs::read_dir(path.parent().unwrap()).unwrap().count(), 1);
    }

    #[test]
    fn a_file_that_is_given_up_leaves_nothing() {
        let folder = tempfile::tempdir().unwrap();
        drop(Pending::new(&folder.path().join("plate.tif")).unwrap());
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 0);
    }

    #[test]
    fn only_leftovers_are_cleared() {
        let folder = tempfile::tempdir().unwrap();
        let plate = folder.path().join("K-01");
        fs::create_dir(&plate).unwrap();
        let left = plate.join(".hyaline-a1b2c3.part");
        for path in [&left, &plate.join("K-01-record.json"), &plate.join(".hyaline-notes"), &plate.join("x.part")] {
            fs::write(path, b"x").unwrap();
        }
        assert_eq!(clear_leftovers(folder.path()).unwrap(), [left]);
        assert_eq!(fs::read_dir(&plate).unwrap().count(), 3);
        assert!(clear_leftovers(&folder.path().join("none")).unwrap().is_empty());
    }

    #[cfg(unix)]
    #[test]
    fn results_are_readable_by_others_as_the_users_mask_says() {
        use std::os::unix::fs::PermissionsExt;
        let folder = tempfile::tempdir().unwrap();
        let (ours, plain) = (folder.path().join("ours"), folder.path().join("plain"));
        write_whole(&ours, b"x").unwrap();
        fs::write(&plain, b"x").unwrap();
        let mode = |path| fs::metadata(path).unwrap().permissions().mode();
        assert_eq!(mode(&ours), mode(&plain));
    }

    /// `/dev/full` answers every write with "no space left" (Linux, full(4)).
    #[cfg(target_os = "linux")]
    #[test]
    fn a_full_disk_is_told_with_its_mend() {
        let e = File::options().write(true).open("/dev/full").unwrap().write_all(b"x").in_file(Path::new("K-01.tif"));
        let text = e.unwrap_err().to_string();
        assert!(text.starts_with("K-01.tif: no space left") && text.contains("make room"), "{text}");
    }

    #[test]
    fn a_folder_that_is_a_file_is_an_error_that_names_it() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("out");
        fs::write(&file, b"x").unwrap();
        let e = write_whole(&file.join("K-01.tif"), b"x").unwrap_err();
        assert_eq!(e.file, file);
    }
}
