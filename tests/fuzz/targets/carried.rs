//! A result's own record: Exif and XMP out of a TIFF, and XMP by itself; a record that was read can be written and read again.
#![no_main]

use hyaline::archive::{Kind, plate_xmp, read_record, xmp};
use libfuzzer_sys::fuzz_target;
use std::fs;
use std::sync::LazyLock;
use tempfile::TempDir;

static PLACE: LazyLock<TempDir> = LazyLock::new(|| tempfile::tempdir().expect("a temporary folder"));

fuzz_target!(|bytes: &[u8]| {
    let file = PLACE.path().join("result.tif");
    fs::write(&file, bytes).expect("room in it");
    let _ = read_record(&file);
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    let Ok(record) = xmp::read(text).and_then(|packet| plate_xmp::record(&packet)) else { return };
    if let Ok(packet) = plate_xmp::packet(&record, Kind::Negative) {
        let again = xmp::read(&xmp::write(&packet)).and_then(|packet| plate_xmp::record(&packet));
        assert_eq!(again, Ok(record), "a record that was read does not write and read the same again");
    }
});
