//! Lists of files with their digests.
//!
//! In and out: one file a line, digest, two spaces, path (encoded as [`path`] says): a BagIt manifest (RFC 8493, 2.1.3), and, as
//! long as no name holds a line end, what `sha256sum -c` reads. Paths are sorted, so that the same files give the same list.
//! Reading fails, naming the line, for what is no digest of the algorithm, for a path that leads out, and for a path named twice.

use super::path;
use crate::archive::digest;
use crate::error::{Error, Fault, InFile};
use sha2::{Sha256, Sha512};
use std::collections::BTreeMap;
use std::io::{self, Read};
use std::path::Path;

/// Digest algorithms, as BagIt names them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Algorithm {
    Sha256,
    Sha512,
}

impl Algorithm {
    pub const ALL: [Algorithm; 2] = [Algorithm::Sha256, Algorithm::Sha512];

    pub fn name(self) -> &'static str {
        match self {
            Algorithm::Sha256 => "sha256",
            Algorithm::Sha512 => "sha512",
        }
    }

    /// Digits of a digest.
    fn digits(self) -> usize {
        match self {
            Algorithm::Sha256 => 64,
            Algorithm::Sha512 => 128,
        }
    }

    /// Digest and length of what a reader gives.
    pub fn digest(self, from: impl Read) -> io::Result<(String, u64)> {
        match self {
            Algorithm::Sha256 => digest::stream::<Sha256>(from),
            Algorithm::Sha512 => digest::stream::<Sha512>(from),
        }
    }
}

/// Paths and their digests, lower-case.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Manifest {
    pub files: BTreeMap<String, String>,
}

impl Manifest {
    /// The list's text.
    pub fn write(&self) -> String {
        self.files.iter().map(|(file, digest)| format!("{digest}  {}\n", path::encode(file))).collect()
    }

    /// Reads a list from a file.
    pub fn read(file: &Path, algorithm: Algorithm) -> Result<Manifest, Error> {
        let bytes = std::fs::read(file).in_file(file)?;
        let text = String::from_utf8(bytes).map_err(|_| Fault::new("it is not UTF-8", MEND)).in_file(file)?;
        Self::parse(&text, algorithm).map_err(|(line, fault)| Error::at_line(file, line, fault))
    }

    /// Reads a list; a fault comes with its line.
    pub fn parse(text: &str, algorithm: Algorithm) -> Result<Manifest, (usize, Fault)> {
        let mut files = BTreeMap::new();
        // RFC 8493 allows LF, CR and CRLF.
        let text = text.replace("\r\n", "\n").replace('\r', "\n");
        for (number, line) in text.lines().enumerate().filter(|(_, line)| !line.is_empty()) {
            let fault = |fault| (number + 1, fault);
            let (digest, name) = line.split_once([' ', '\t']).unwrap_or((line, ""));
            let hex = digest.len() == algorithm.digits() && digest.bytes().all(|b| b.is_ascii_hexdigit());
            if !hex {
                return Err(fault(Fault::new(format!("it begins with no {} digest", algorithm.name()), MEND)));
            }
            let name = path::decode(name.trim_start_matches([' ', '\t']));
            path::below(&name).map_err(fault)?;
            if files.insert(name.clone(), digest.to_ascii_lowercase()).is_some() {
                return Err(fault(Fault::new(format!("`{}` is listed twice", name.escape_debug()), MEND)));
            }
        }
        Ok(Manifest { files })
    }
}

const MEND: &str = "the listing is damaged: take it from another copy";

#[cfg(test)]
mod tests {
    use super::*;

    const DIGEST: &str = "BA7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";

    #[test]
    fn a_list_reads_back_as_it_was_written() {
        let files = ["data/b", "data/a%\n c", "data/é"].map(|f| (f.to_string(), DIGEST.to_ascii_lowercase())).into();
        let manifest = Manifest { files };
        assert_eq!(Manifest::parse(&manifest.write(), Algorithm::Sha256).unwrap(), manifest);
        assert!(manifest.write().lines().next().unwrap().ends_with("ad  data/a%25%0A c"));
    }

    /// RFC 8493, 2.1.3 and 2.1.1: one or more blanks between digest and path, digits of either case, any line end.
    #[test]
    fn lists_of_others_are_read() {
        for text in
            [format!("{DIGEST}\t data/a\r\n{DIGEST} data/b c"), format!("{DIGEST} data/a\r{DIGEST}  data/b c\r")]
        {
            let files = Manifest::parse(&text, Algorithm::Sha256).unwrap().files;
            assert_eq!(files.keys().collect::<Vec<_>>(), ["data/a", "data/b c"]);
            assert_eq!(files["data/a"], DIGEST.to_ascii_lowercase());
        }
    }

    #[test]
    fn damaged_lists_are_refused_with_their_line() {
        let line = |text: &str| Manifest::parse(text, Algorithm::Sha256).unwrap_err().0;
        assert_eq!(line(&format!("{DIGEST}  a\n{DIGEST}  ../a\n")), 2);
        assert_eq!(line(&format!("{DIGEST}  a\n\n{DIGEST}  a\n")), 3);
        assert_eq!(line(&format!("{DIGEST}0  a\n")), 1);
        assert_eq!(line(&format!("{DIGEST}\n")), 1);
        assert_eq!(line("no list\n"), 1);
    }
}
