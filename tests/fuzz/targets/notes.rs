//! session.toml, field notes, and the profiles that a session names: errors, never a panic; what is read prints and reads the same again.
#![no_main]

use hyaline::frame::CaptureProfile;
use hyaline::notes::{self, field};
use libfuzzer_sys::fuzz_target;
use std::fs;
use std::sync::LazyLock;
use tempfile::TempDir;

static PLACE: LazyLock<TempDir> = LazyLock::new(|| {
    let place = tempfile::tempdir().expect("a temporary folder");
    fs::create_dir(place.path().join("captures")).expect("room in it");
    for name in ["k01.jpg", "k02-1.jpg", "k02-2.jpg", "blank-1.jpg"] {
        fs::write(place.path().join("captures").join(name), b"").expect("room in it");
    }
    place
});

fuzz_target!(|bytes: &[u8]| {
    let file = PLACE.path().join("session.toml");
    fs::write(&file, bytes).expect("room in it");
    if let Ok(session) = notes::load(&file) {
        fs::write(&file, notes::to_toml(&session)).expect("room in it");
        assert_eq!(notes::load(&file).as_ref(), Ok(&session), "notes that were read do not print and read the same again");
    }
    let _ = field::read(&file);
    if let Ok(text) = std::str::from_utf8(bytes) {
        let _ = CaptureProfile::parse(text);
    }
});
