//! A capture of whatever kind: a fault or a frame, never a panic that anyone would see, and no more memory than the file can mean.
#![no_main]

use hyaline::frame::{self, CaptureProfile};
use libfuzzer_sys::fuzz_target;
use std::fs;
use std::sync::LazyLock;
use tempfile::TempDir;

static PLACE: LazyLock<TempDir> = LazyLock::new(|| tempfile::tempdir().expect("a temporary folder"));
static PROFILE: LazyLock<CaptureProfile> = LazyLock::new(CaptureProfile::srgb);

fuzz_target!(|bytes: &[u8]| {
    let file = PLACE.path().join("frame");
    fs::write(&file, bytes).expect("room in it");
    // Tens of megapixels are honest and slow; nothing new is behind them.
    if frame::dimensions(&file).is_ok_and(|size| size.area() <= 1 << 20) {
        let _ = frame::read(&file, &PROFILE);
    }
    let _ = frame::settings(&file);
});
