//! Every door of tests/fuzz begins with files that are sound, and every decoder has one of its own: what no seed reaches, changed
//! seeds hardly reach either.

#[path = "fuzz/place.rs"]
mod place;

use hyaline::archive::{plate_xmp, read_record, xmp};
use hyaline::frame::{self, CaptureProfile};
use hyaline::notes::{self, field};
use hyaline::positive::profile;
use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

/// Bytes that one seed, and all of them, may take: libFuzzer changes small files faster, and the repository stays light.
const LARGEST: u64 = 20_000;
const ALL: u64 = 300_000;

fn corpus() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz/corpus")
}

#[test]
fn seeds_are_small() {
    let mut all = 0;
    for door in ["carried", "frame", "notes", "package"] {
        for seed in fs::read_dir(corpus().join(door)).unwrap() {
            let seed = seed.unwrap();
            let bytes = seed.metadata().unwrap().len();
            assert!(bytes <= LARGEST, "{}: {bytes} bytes", seed.path().display());
            all += bytes;
        }
    }
    assert!(all > 0 && all <= ALL, "{all} bytes");
}

#[test]
fn every_decoder_has_a_seed_that_it_comes_to() {
    let expected = [
        ("dng-deflate-table.dng", "DNG 16 bit, deflate"),
        ("dng-jpeg-xl.dng", "DNG 16 bit, linear, JPEG XL"),
        ("dng-lossless-jpeg.dng", "DNG 16 bit, lossless JPEG"),
        ("dng-packed.dng", "DNG 12 bit"),
        ("heic-420.heic", "HEIC 8 bit, 4:2:0"),
        ("heic-lossless.heic", "HEIC 8 bit, 4:4:4"),
        ("jpeg-colour.jpg", "JPEG 8 bit"),
        ("jpeg-gray.jpg", "JPEG 8 bit"),
        ("jpeg-progressive.jpg", "JPEG 8 bit, progressive"),
        ("jpeg-restarts.jpg", "JPEG 8 bit"),
        ("png-16.png", "PNG 16 bit"),
        ("png-colour.png", "PNG 8 bit"),
        ("raw-blocks.mrw", "maker's raw"),
        ("raw-first.pef", "maker's raw"),
        // The decoder looks for black levels in samples that it was asked to leave out.
        ("raw-heaps.crw", "it cannot be decoded: the decoder gave up on it"),
        ("raw-mark.orf", "maker's raw"),
        ("raw-nested.nef", "maker's raw"),
        ("raw-preview.raf", "maker's raw"),
        ("tiff-16.tif", "TIFF 16 bit"),
        ("tiff-big-deflate.tif", "TIFF 16 bit, deflate"),
        ("tiff-lzw-tiles.tif", "TIFF 8 bit, LZW"),
    ];
    let mut found = BTreeMap::new();
    for seed in fs::read_dir(corpus().join("frame")).unwrap() {
        let seed = seed.unwrap();
        let frame = frame::read(&seed.path(), &CaptureProfile::srgb());
        let told = frame.map_or_else(|fault| fault.what().to_string(), |frame| frame.format);
        found.insert(seed.file_name().into_string().unwrap(), told);
    }
    let expected = expected.map(|(name, format)| (name.to_string(), format.to_string()));
    assert_eq!(found, BTreeMap::from(expected));
}

#[test]
fn records_notes_and_profiles_are_read() {
    let carried = read_record(&corpus().join("carried/negative.tif")).unwrap();
    assert_eq!(carried.warnings, [], "Exif and record agree");
    let packet = fs::read_to_string(corpus().join("carried/record.xmp")).unwrap();
    assert_eq!(xmp::read(&packet).and_then(|packet| plate_xmp::record(&packet)), Ok(carried.record));

    let seeds = corpus().join("notes");
    assert_eq!(field::read(&seeds.join("field.csv")).unwrap().len(), 2);
    CaptureProfile::parse(&fs::read_to_string(seeds.join("capture-profile.toml")).unwrap()).unwrap();
    profile::find("tone-profile.toml", &seeds).unwrap();
    let session = place::place();
    for (name, plates) in [("one.toml", 1), ("whole.toml", 3)] {
        fs::copy(seeds.join(name), session.path().join("session.toml")).unwrap();
        let read = notes::load(session.path()).unwrap_or_else(|errors| panic!("{name}: {errors:?}"));
        assert_eq!(read.plates.len(), plates);
    }
}
