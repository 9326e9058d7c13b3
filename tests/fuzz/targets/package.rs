//! A package's tag files: manifests, bag-info, paths that must stay below.
#![no_main]

use hyaline::archive::bag::{info, manifest, path};
use libfuzzer_sys::fuzz_target;
use std::path::Component;

fuzz_target!(|bytes: &[u8]| {
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    for algorithm in [manifest::Algorithm::Sha256, manifest::Algorithm::Sha512] {
        if let Ok(read) = manifest::Manifest::parse(text, algorithm) {
            let again = manifest::Manifest::parse(&read.write(), algorithm).expect("what was written can be read");
            assert_eq!(again.write(), read.write());
        }
    }
    let _ = info::read(text);
    if let Ok(below) = path::below(text) {
        assert!(below.components().all(|part| matches!(part, Component::Normal(_))), "{text:?} leads elsewhere");
    }
    assert_eq!(path::decode(&path::encode(text)), text);
});
