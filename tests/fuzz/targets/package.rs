//! A package's tag files: whatever they say, the package is checked to its end, and their paths stay below it.
#![no_main]

use hyaline::archive::bag::manifest::{Algorithm, Manifest};
use hyaline::archive::bag::{DECLARATION, PAYLOAD, info, path, verify};
use libfuzzer_sys::fuzz_target;
use std::fs;
use std::path::Component;
use std::sync::LazyLock;
use tempfile::TempDir;

static PLACE: LazyLock<TempDir> = LazyLock::new(|| {
    let place = tempfile::tempdir().expect("a temporary folder");
    fs::create_dir(place.path().join(PAYLOAD)).expect("room in it");
    fs::write(place.path().join(PAYLOAD).join("k01.jpg"), b"").expect("room in it");
    place
});

fuzz_target!(|bytes: &[u8]| {
    for file in [DECLARATION, "bag-info.txt", "manifest-sha256.txt", "tagmanifest-sha512.txt"] {
        fs::write(PLACE.path().join(file), bytes).expect("room in it");
    }
    verify(PLACE.path(), &()).expect("a declaration, so a package");
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    for algorithm in Algorithm::ALL {
        if let Ok(read) = Manifest::parse(text, algorithm) {
            assert_eq!(Manifest::parse(&read.write(), algorithm), Ok(read));
        }
    }
    let _ = info::read(text);
    if let Ok(below) = path::below(text) {
        assert!(below.components().all(|part| matches!(part, Component::Normal(_))), "{text:?} leads elsewhere");
    }
    assert_eq!(path::decode(&path::encode(text)), text);
});
