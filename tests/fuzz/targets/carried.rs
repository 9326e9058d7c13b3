//! A result's own record: Exif and XMP out of a TIFF, and XMP by itself.
#![no_main]

use hyaline::archive::{read_record, xmp};
use libfuzzer_sys::fuzz_target;
use std::fs;
use std::sync::LazyLock;
use tempfile::TempDir;

static PLACE: LazyLock<TempDir> = LazyLock::new(|| tempfile::tempdir().expect("a temporary folder"));

fuzz_target!(|bytes: &[u8]| {
    let file = PLACE.path().join("result.tif");
    fs::write(&file, bytes).expect("room in it");
    let _ = read_record(&file);
    if let Ok(packet) = std::str::from_utf8(bytes).map_or(Err(()), |text| xmp::read(text).map_err(|_| ())) {
        let again = xmp::read(&xmp::write(&packet)).expect("what was written can be read");
        assert_eq!(again, packet, "a packet that was read does not write and read the same again");
    }
});
