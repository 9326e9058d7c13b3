//! Makers' raw files that are decoded in a process of its own: every photosite comes back, and whatever lies in the file, this process
//! lives on. Needs the feature `newer-raw`.
#![cfg(feature = "newer-raw")]

use hyaline::frame::{CaptureProfile, Filter, Frame, Layout, newer, read, settings};
use hyaline::units::Linear;
use std::path::{Path, PathBuf};
use std::process::Command;
use tempfile::TempDir;

const COLUMNS: usize = 160;
const ROWS: usize = 80;
const BLACK: [u16; 4] = [1000, 1004, 1008, 1012];
/// As the decoder's table has it for this camera at 14 bits.
const WHITE: u16 = 15520;

/// A directory of a big-endian TIFF at a place: tag, type (2 text, 3 and 4 numbers, 5 ratios, 7 bytes), values.
fn directory(at: usize, fields: &[(u16, u16, Vec<u32>)]) -> Vec<u8> {
    let after = at + 2 + 12 * fields.len() + 4;
    let (mut table, mut values) = ((fields.len() as u16).to_be_bytes().to_vec(), Vec::new());
    for (tag, kind, numbers) in fields {
        let size = match kind {
            3 => 2,
            4 | 5 => 4,
            _ => 1,
        };
        let bytes: Vec<u8> = numbers.iter().flat_map(|n| n.to_be_bytes()[4 - size..].to_vec()).collect();
        let count = numbers.len() / if *kind == 5 { 2 } else { 1 };
        table.extend([&tag.to_be_bytes()[..], &kind.to_be_bytes(), &(count as u32).to_be_bytes()].concat());
        if bytes.len() <= 4 {
            table.extend([&bytes[..], &[0; 4][bytes.len()..]].concat());
        } else {
            table.extend(((after + values.len()) as u32).to_be_bytes());
            values.extend([&bytes[..], &[0; 1][..bytes.len() % 2]].concat());
        }
    }
    [table, vec![0; 4], values].concat()
}

fn text(text: &str) -> Vec<u32> {
    text.bytes().chain([0]).map(u32::from).collect()
}

fn count(row: usize, column: usize) -> u16 {
    900 + ((row * 37 + column * 11 + row * column % 53) % 14000) as u16
}

/// A raw file as its maker lays it out, of 14 bits in 16, from a camera of 2020: the picture in a directory below the first.
fn made(model: &str, columns: u32) -> Vec<u8> {
    let note = [(0x000c, 5, vec![2, 1, 3, 2, 1, 1, 1, 1]), (0x003d, 3, BLACK.map(u32::from).to_vec())];
    let note = [b"Nikon\0\x02\x10\0\0MM\0*\0\0\0\x08".to_vec(), directory(8, &note)].concat();
    let own = (37500, 7, note.into_iter().map(u32::from).collect());
    let exif = [(33434, 5, vec![1, 30]), (33437, 5, vec![28, 10]), (34855, 3, vec![100]), own];
    let picture = |data: usize| {
        let numbers =
            [(254, 0), (256, columns), (257, ROWS as u32), (258, 14), (259, 1), (262, 32803), (273, data as u32)];
        let mut fields: Vec<_> = numbers.into_iter().map(|(tag, n)| (tag, 4, vec![n])).collect();
        fields.extend([(277, 4, vec![1]), (278, 4, vec![ROWS as u32]), (279, 4, vec![(2 * COLUMNS * ROWS) as u32])]);
        fields.extend([(33421, 3, vec![2, 2]), (33422, 1, vec![0, 1, 1, 2])]);
        fields
    };
    let main = |exif: usize, below: usize| {
        let camera = [(254, 4, vec![1]), (271, 2, text("NIKON CORPORATION")), (272, 2, text(model))];
        directory(8, &[&camera[..], &[(330, 4, vec![below as u32]), (34665, 4, vec![exif as u32])]].concat())
    };
    let exif_at = 8 + main(0, 0).len();
    let below = exif_at + directory(exif_at, &exif).len();
    let data = below + directory(below, &picture(0)).len();
    let head = [b"MM\0*\0\0\0\x08".to_vec(), main(exif_at, below), directory(exif_at, &exif)].concat();
    let samples = (0..ROWS).flat_map(|r| (0..COLUMNS).flat_map(move |c| count(r, c).to_be_bytes())).collect();
    [head, directory(below, &picture(data)), samples].concat()
}

fn whole() -> Vec<u8> {
    made("NIKON D780", COLUMNS as u32)
}

/// A file in a folder of its own, read by the program that was built for this test.
fn put(bytes: &[u8]) -> (TempDir, PathBuf) {
    newer::served_by(env!("CARGO_BIN_EXE_hyaline").into());
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("frame.nef");
    std::fs::write(&path, bytes).unwrap();
    (folder, path)
}

fn frame(path: &Path) -> Result<Frame, String> {
    read(path, &CaptureProfile::srgb()).map_err(|fault| fault.to_string())
}

#[test]
fn every_photosite_comes_back_with_its_level_and_filter() {
    let (_folder, path) = put(&whole());
    let frame = frame(&path).unwrap();
    assert_eq!((frame.size.rows, frame.size.columns), (ROWS, COLUMNS));
    assert_eq!(frame.layout, Layout::Mosaic([Filter::Red, Filter::Green, Filter::Green, Filter::Blue]));
    // As DNG 1.7.1, chapter 5, has it: the span is from the highest black to white.
    let span = f32::from(WHITE - BLACK[3]);
    for (row, column) in (0..ROWS).flat_map(|r| (0..COLUMNS).map(move |c| (r, c))) {
        let Linear(light) = frame.linear(row, column, 0);
        let put = (f32::from(count(row, column)) - f32::from(BLACK[row % 2 * 2 + column % 2])) / span;
        assert!((light - put).abs() < 1e-6, "{row}, {column}: {light} for {put}");
    }
    assert_eq!(frame.settings, settings(&path).unwrap());
    assert_eq!((frame.settings.f_number, frame.settings.iso), (Some(2.8), Some(100.0)));
}

#[test]
fn first_notes_name_such_a_file() {
    let (folder, _) = put(&whole());
    let out = Command::new(env!("CARGO_BIN_EXE_hyaline")).arg("new").arg(folder.path()).output().unwrap();
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    let notes = std::fs::read_to_string(folder.path().join("session.toml")).unwrap();
    assert!(notes.contains("frame.nef"), "{notes}");
}

#[test]
fn what_that_decoder_does_not_know_is_named() {
    let (_folder, path) = put(&made("One of a kind", COLUMNS as u32));
    let told = frame(&path).unwrap_err();
    assert!(told.contains("NIKON CORPORATION One of a kind") && told.contains("DNG"), "{told}");
    let (_folder, path) = put(&[&b"\0\0\0\x18ftypcrx "[..], &[0; 400]].concat());
    let told = frame(&path).unwrap_err();
    assert!(told.contains("kind that is not known"), "{told}");
}

/// Some of these make the decoder ask for gigabytes, or panic: its process ends, and this one tells.
#[test]
fn damage_ends_no_more_than_its_own_process() {
    let whole = whole();
    let samples = 2 * ROWS * COLUMNS;
    let (_folder, path) = put(&made("NIKON D780", 4_000_000_000));
    assert!(frame(&path).is_err());
    for i in 0..120 {
        let mut file = whole.clone();
        let at = i * (whole.len() - samples) / 120;
        file[at] = [0, 0xff, file[at] ^ 0x40][i % 3];
        let (_folder, path) = put(&file);
        let _ = frame(&path);
        if i % 10 == 0 {
            let (_folder, path) = put(&whole[..whole.len() - 1 - i * 100]);
            assert!(frame(&path).is_err(), "cut at {}", whole.len() - 1 - i * 100);
        }
    }
}

/// LibRaw, through rawpy, finds the same numbers and levels in the same file.
#[test]
#[ignore = "needs Python with the packages of tests/outside: use tests/run"]
fn libraw_reads_the_same_numbers() {
    const PRINT: &str = "
import sys, rawpy
raw = rawpy.imread(sys.argv[1])
sys.stdout.buffer.write(raw.raw_image.astype('<u2').tobytes())
print(raw.raw_image.shape[::-1], raw.black_level_per_channel, file=sys.stderr)
";
    let (_folder, path) = put(&whole());
    let python = std::env::var_os("HYALINE_PYTHON").expect("HYALINE_PYTHON names a Python");
    let out = Command::new(python).args(["-c", PRINT]).arg(&path).output().unwrap();
    let says = String::from_utf8_lossy(&out.stderr);
    assert!(out.status.success(), "{says}");
    let theirs: Vec<u16> = out.stdout.as_chunks::<2>().0.iter().map(|v| u16::from_le_bytes(*v)).collect();
    let hyaline::frame::Samples::U16(ours) = frame(&path).unwrap().samples else { panic!("16 bits") };
    assert_eq!(ours, theirs, "{says}");
}
