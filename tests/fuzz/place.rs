//! A folder with a file for every capture that the notes of corpus/ name: for targets/notes.rs and for tests/seeds.rs.

use std::fs;
use tempfile::TempDir;

pub fn place() -> TempDir {
    let place = tempfile::tempdir().expect("a temporary folder");
    let captures = place.path().join("captures");
    fs::create_dir(&captures).expect("room in it");
    for name in [
        "k01.jpg",
        "k02-1.jpg",
        "k02-2.jpg",
        "k03-long.dng",
        "k03-short.dng",
        "blank-1.jpg",
        "blank-2.dng",
        "dark-1.jpg",
    ] {
        fs::write(captures.join(name), b"").expect("room in it");
    }
    place
}
