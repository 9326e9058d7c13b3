//! The list of digests of a folder of results.
//!
//! `digests.sha256` in the folder names every result with its SHA-256, as `sha256sum -c` reads it. It is brought up to date with
//! what a run has written; digests of other files stay as they are, so that a file that was damaged since is not taken for good.

use super::manifest::{Algorithm, Manifest};
use crate::archive::atomic::write_whole;
use crate::archive::digest;
use crate::error::Error;
use crate::record::FileDigest;
use std::path::Path;

/// The list's name in the folder.
pub const DIGESTS: &str = "digests.sha256";

/// The digest of one file, by its name below `out`.
pub fn digest_below(out: &Path, name: &str) -> Result<FileDigest, Error> {
    Ok(FileDigest { file: name.to_string(), sha256: digest::sha256(&out.join(name))? })
}

/// Adds what a run has written (paths below `out`, with '/') to the folder's list, and takes out what it has removed.
pub fn update_digests(out: &Path, written: &[FileDigest], removed: &[String]) -> Result<(), Error> {
    let path = out.join(DIGESTS);
    let mut list = if path.exists() { Manifest::read(&path, Algorithm::Sha256)? } else { Manifest::default() };
    list.files.retain(|file, _| !removed.contains(file));
    list.files.extend(written.iter().map(|w| (w.file.clone(), w.sha256.clone())));
    write_whole(&path, list.write().as_bytes())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::archive::digest::sha256_of;

    #[test]
    fn other_files_keep_their_digests() {
        let out = tempfile::tempdir().unwrap();
        let digest = |file: &str, bytes: &[u8]| FileDigest { file: file.into(), sha256: sha256_of(bytes) };
        update_digests(out.path(), &[digest("K-01/a", b"1"), digest("K-02/a", b"2"), digest("old", b"")], &[]).unwrap();
        update_digests(out.path(), &[digest("K-02/a", b"3")], &["old".into()]).unwrap();
        let text = std::fs::read_to_string(out.path().join(DIGESTS)).unwrap();
        assert_eq!(text, format!("{}  K-01/a\n{}  K-02/a\n", sha256_of(b"1"), sha256_of(b"3")));
    }
}
