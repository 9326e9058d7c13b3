//! What goes wrong, told so that it can be mended: what was found, in which file, and what to do.
//!
//! A stage returns a [`Fault`], since it knows no files; the caller, who does, adds the file once with [`InFile`].
//! What is only risky, and does not stop the work, is a [`Warning`].

use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};

/// Something that a stage cannot go on with, and what the user can do about it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fault {
    what: String,
    mend: String,
}

impl Fault {
    /// `what` was found (with numbers), and the `mend`, as an imperative. Both start in lower case, without a full stop.
    pub fn new(what: impl Into<String>, mend: impl Into<String>) -> Self {
        Fault { what: what.into(), mend: mend.into() }
    }

    pub fn what(&self) -> &str {
        &self.what
    }

    pub fn mend(&self) -> &str {
        &self.mend
    }
}

impl std::fmt::Display for Fault {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}; {}", self.what, self.mend)
    }
}

impl std::error::Error for Fault {}

/// A fault and the file (with a line, where there is one) that it was found in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Error {
    pub file: PathBuf,
    pub line: Option<usize>,
    pub fault: Fault,
}

impl Error {
    pub fn new(file: &Path, fault: Fault) -> Self {
        Error { file: file.to_path_buf(), line: None, fault }
    }

    pub fn at_line(file: &Path, line: usize, fault: Fault) -> Self {
        Error { file: file.to_path_buf(), line: Some(line), fault }
    }
}

impl std::fmt::Display for Error {
    /// `captures/blank-1.jpg: 12 % of it is clipped; expose it less`
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}", self.file.display())?;
        if let Some(line) = self.line {
            write!(f, ":{line}")?;
        }
        write!(f, ": {}", self.fault)
    }
}

impl std::error::Error for Error {}

/// Adds the file to a fault.
pub trait InFile<T> {
    fn in_file(self, file: &Path) -> Result<T, Error>;
}

impl<T> InFile<T> for Result<T, Fault> {
    fn in_file(self, file: &Path) -> Result<T, Error> {
        self.map_err(|fault| Error::new(file, fault))
    }
}

/// Reads and writes fail for reasons of the system: say which, and what can be done.
impl<T> InFile<T> for std::io::Result<T> {
    fn in_file(self, file: &Path) -> Result<T, Error> {
        self.map_err(|e| Error::new(file, io_fault(&e)))
    }
}

/// A system's error as a fault with its mend.
pub fn io_fault(e: &std::io::Error) -> Fault {
    use std::io::ErrorKind as K;
    let mend = match e.kind() {
        K::NotFound => "check the name and that the drive is there",
        K::PermissionDenied | K::ReadOnlyFilesystem => {
            "make it readable and its folder writable, or name another with --out"
        }
        K::StorageFull | K::QuotaExceeded => "make room on the drive, then run it again: what is done is kept",
        _ => "check the drive and run it again",
    };
    Fault::new(e.to_string().to_lowercase(), mend)
}

/// Something risky that did not stop the work. `code` is for programs; the message says what and how to mend it.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Warning {
    pub code: String,
    pub message: String,
}

impl Warning {
    pub fn new(code: &str, message: impl Into<String>) -> Self {
        Warning { code: code.to_string(), message: message.into() }
    }
}

/// Parts what went well from what did not, keeping the order of both.
pub fn all<T, E>(results: impl IntoIterator<Item = Result<T, E>>) -> (Vec<T>, Vec<E>) {
    let (mut good, mut bad) = (Vec::new(), Vec::new());
    for result in results {
        match result {
            Ok(value) => good.push(value),
            Err(e) => bad.push(e),
        }
    }
    (good, bad)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_error_names_file_line_and_mend() {
        let fault = Fault::new("unknown key `blnak`", "did you mean `blank`?");
        let error = Error::at_line(Path::new("session.toml"), 7, fault);
        assert_eq!(error.to_string(), "session.toml:7: unknown key `blnak`; did you mean `blank`?");
    }

    #[test]
    fn a_missing_file_says_so() {
        let error = std::fs::read("no such file").in_file(Path::new("no such file")).unwrap_err();
        assert!(error.to_string().starts_with("no such file: "), "{error}");
    }
}
