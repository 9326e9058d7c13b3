//! DNGs written by others, read by LibRaw and by the program: every sample and level is the same.

use hyaline::frame::{self, CaptureProfile};
use std::fs;
use std::path::Path;
use std::process::Command;

/// PiDNG packs samples without compression, with a linearisation table, too; liblj92 compresses. LibRaw shows a table's numbers; of
/// several black levels it holds the span to white against each, DNG 1.7.1 (chapter 5) from the highest of them.
#[test]
#[ignore = "needs Python with the packages of tests/outside: use tests/run"]
fn every_sample_is_as_libraw_reads_it() {
    /// Light is kept in single precision: 16 bits of 24.
    const ROUNDED: f64 = 0.01;
    let python = std::env::var_os("HYALINE_PYTHON").expect("HYALINE_PYTHON names a Python");
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/outside/raws.py");
    let folder = tempfile::tempdir().unwrap();
    let out = Command::new(python).arg(script).arg(folder.path()).output().unwrap();
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    let told = String::from_utf8(out.stdout).unwrap();
    assert_eq!(told.lines().count(), 9);
    for line in told.lines() {
        let words: Vec<&str> = line.split_whitespace().collect();
        let [columns, rows, red, green, blue, other_green, white] =
            std::array::from_fn(|k| words[k + 1].parse::<usize>().unwrap());
        let black = [red, green, other_green, blue].map(|level| level as f64);
        let span = white as f64 - black.iter().copied().fold(0.0, f64::max);
        let path = Path::new(words[0]);
        let bytes = fs::read(path.with_extension("u16")).unwrap();
        let theirs: Vec<u16> = bytes.as_chunks::<2>().0.iter().map(|v| u16::from_le_bytes(*v)).collect();
        let ours = frame::read(path, &CaptureProfile::srgb()).unwrap();
        assert_eq!([ours.size.columns, ours.size.rows], [columns, rows], "{line}");
        for (k, put) in theirs.iter().enumerate() {
            let (row, column) = (k / columns, k % columns);
            let light = f64::from(ours.linear(row, column, 0).0);
            let number = light * span + black[2 * (row % 2) + column % 2];
            assert!((number - f64::from(*put)).abs() < ROUNDED, "{line}: {number} for {put} at {row}, {column}");
        }
    }
}
