//! BagIt packages (RFC 8493, version 1.0) and folders of results: made to be checked, and checked.
//!
//! [`pack`](pack()) makes a package of a session, [`verify`](verify()) checks one, or the results where they lie, against their
//! digests. [`digests`] keeps the list of digests of a folder of results.

pub mod digests;
pub mod info;
pub mod manifest;
pub mod pack;
pub mod path;
pub mod verify;
pub mod walk;

pub use digests::{digest_below, update_digests};
pub use pack::{Contents, LeftOut, Packed, pack};
pub use verify::{Finding, Verified, What, verify};

use std::io::Read;

/// The declaration that makes a folder a bag.
pub const DECLARATION: &str = "bagit.txt";

/// Where payload lies.
pub const PAYLOAD: &str = "data";

/// Told how far the work is.
pub trait Progress: Sync {
    /// Bytes that will be read.
    fn total(&self, bytes: u64);
    /// Further bytes that have been read.
    fn read(&self, bytes: u64);
}

/// Nobody is told.
impl Progress for () {
    fn total(&self, _: u64) {}
    fn read(&self, _: u64) {}
}

/// A reader that tells what it has read.
struct Told<'a, R> {
    from: R,
    progress: &'a dyn Progress,
}

impl<R: Read> Read for Told<'_, R> {
    fn read(&mut self, block: &mut [u8]) -> std::io::Result<usize> {
        let n = self.from.read(block)?;
        self.progress.read(n as u64);
        Ok(n)
    }
}
