//! session.toml, field notes, and the profiles that a session names: errors, never a panic; what is read prints and reads the same again.
#![no_main]

#[path = "../place.rs"]
mod place;

use hyaline::frame::CaptureProfile;
use hyaline::notes::{self, Session, field};
use hyaline::positive::profile;
use libfuzzer_sys::fuzz_target;
use std::fs;
use std::sync::LazyLock;
use tempfile::TempDir;

static PLACE: LazyLock<TempDir> = LazyLock::new(place::place);

/// Lines of the notes move when they are written again; nothing else may.
fn without_lines(mut session: Session) -> Session {
    session.plates.iter_mut().for_each(|plate| plate.line = 0);
    session.brackets.iter_mut().for_each(|bracket| bracket.line = 0);
    session
}

fuzz_target!(|bytes: &[u8]| {
    let file = PLACE.path().join("session.toml");
    fs::write(&file, bytes).expect("room in it");
    if let Ok(session) = notes::load(&file).map(without_lines) {
        fs::write(&file, notes::to_toml(&session)).expect("room in it");
        let again = notes::load(&file).map(without_lines);
        assert_eq!(again, Ok(session), "notes that were read do not print and read the same again");
    }
    fs::write(&file, bytes).expect("room in it");
    let _ = field::read(&file);
    let _ = profile::find("session.toml", PLACE.path());
    if let Ok(Ok(profile)) = std::str::from_utf8(bytes).map(CaptureProfile::parse) {
        assert_eq!(
            CaptureProfile::parse(&profile.to_toml()),
            Ok(profile),
            "a profile that was read does not write and read the same again"
        );
    }
});
