//! Digests of files.
//!
//! In: a file of any length. Out: its SHA-256 or SHA-512 (FIPS 180-4) as lower-case hexadecimal. Reads in blocks; memory does not
//! grow with the file. Fails as reading does.

use crate::error::{Error, InFile};
use sha2::{Digest, Sha256, Sha512};
use std::fs::File;
use std::io::{self, Read};
use std::path::Path;

const BLOCK: usize = 1 << 20;

/// SHA-256 of a file.
pub fn sha256(path: &Path) -> Result<String, Error> {
    File::open(path).and_then(stream::<Sha256>).map(|(digest, _)| digest).in_file(path)
}

/// SHA-512 of a file.
pub fn sha512(path: &Path) -> Result<String, Error> {
    File::open(path).and_then(stream::<Sha512>).map(|(digest, _)| digest).in_file(path)
}

/// SHA-256 of bytes in memory.
pub fn sha256_of(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
}

/// Digest and length of all that a reader gives.
pub(super) fn stream<D: Digest>(mut from: impl Read) -> io::Result<(String, u64)> {
    let mut digest = D::new();
    let mut block = vec![0; BLOCK];
    let mut length = 0;
    loop {
        match from.read(&mut block) {
            Ok(0) => return Ok((hex(&digest.finalize()), length)),
            Ok(n) => {
                digest.update(&block[..n]);
                length += n as u64;
            }
            Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
            Err(e) => return Err(e),
        }
    }
}

pub(super) fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The "abc" examples published with FIPS 180-4 (Secure Hash Standard, example computations).
    #[test]
    fn abc_is_as_fips_180_4_prints_it() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("abc");
        std::fs::write(&path, "abc").unwrap();
        let short = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        assert_eq!(sha256(&path).unwrap(), short);
        assert_eq!(sha256_of(b"abc"), short);
        assert_eq!(
            sha512(&path).unwrap(),
            "ddaf35a193617abacc417349ae20413112e6fa4e89a97ea20a9eeee64b55d39a\
             2192992a274fc1a836ba3c23a3feebbd454d4423643ce80e2a9ac94fa54ca49f"
        );
    }

    #[test]
    fn a_file_longer_than_a_block_is_read_to_its_end() {
        let bytes: Vec<u8> = (0..2 * BLOCK + 17).map(|i| (i % 251) as u8).collect();
        let (digest, length) = stream::<Sha256>(&bytes[..]).unwrap();
        assert_eq!((digest, length), (sha256_of(&bytes), bytes.len() as u64));
    }
}
