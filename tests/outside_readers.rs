//! What others read from our files: libtiff, exiftool, exiv2, tifffile, OpenCV and LittleCMS take them without complaint and find in
//! them what the notes say.

mod small;

use small::{Run, Session};
use std::path::PathBuf;
use std::process::Command;

fn digitized(extra: &[&str]) -> (Session, [PathBuf; 2]) {
    let session = Session::new(1);
    let run = session.run(&[&["digitize"], extra].concat());
    assert_eq!(run.status, Some(0), "{}", run.err);
    let tiffs = ["negative", "positive"].map(|what| session.path(&format!("out/K-01/K-01-{what}.tif")));
    (session, tiffs)
}

fn tool(name: &str, arguments: &[&str], file: &PathBuf) -> Run {
    Run::of(Command::new(name).args(arguments).arg(file).output().unwrap_or_else(|e| panic!("{name}: {e}")))
}

#[test]
#[ignore = "needs outside readers: use tests/run"]
fn libtiff_reads_our_tiffs_without_a_warning() {
    for extra in [&[][..], &["--deflate"]] {
        let (_session, tiffs) = digitized(extra);
        for tiff in &tiffs {
            let told = tool("tiffinfo", &[], tiff);
            assert_eq!(told.status, Some(0), "{}", told.err);
            assert!(told.err.is_empty(), "{}", told.err);
            for line in ["Bits/Sample: 16", "Photometric Interpretation: min-is-black", "Resolution: ", "pixels/inch"] {
                assert!(told.out.contains(line), "no {line} in {}", told.out);
            }
        }
    }
}

/// The plate's own exposure stands in Exif under the names of Exif 2.32, so that any photo manager shows it.
#[test]
#[ignore = "needs outside readers: use tests/run"]
fn exiftool_finds_the_plates_record() {
    let (_session, tiffs) = digitized(&[]);
    for tiff in &tiffs {
        let told = tool("exiftool", &["-json", "-n", "-G1", "-validate", "-warning", "-error", "-a", "-all"], tiff);
        let all: serde_json::Value = serde_json::from_str(&told.out).expect("JSON from exiftool");
        let all = &all[0];
        for complaint in ["ExifTool:Warning", "ExifTool:Error"] {
            assert!(all.get(complaint).is_none(), "{complaint}: {}", all[complaint]);
        }
        let number = |key: &str| all[key].as_f64().unwrap_or_else(|| panic!("no {key} in {all:#}"));
        for (key, value) in [
            ("ExifIFD:ExposureTime", 3.0),
            ("ExifIFD:FNumber", 22.0),
            ("ExifIFD:FocalLength", 105.0),
            ("ExifIFD:ExposureIndex", 2.0),
            ("IFD0:BitsPerSample", 16.0),
        ] {
            assert_eq!(number(key), value, "{key}");
        }
        assert!((number("GPS:GPSLatitude") - 54.1).abs() < 1e-4 && (number("GPS:GPSLongitude") - 2.8).abs() < 1e-4);
        let text = |key: &str| all[key].as_str().unwrap_or_else(|| panic!("no {key} in {all:#}")).to_string();
        assert_eq!(text("ExifIFD:LensModel"), "rapid rectilinear");
        assert_eq!(text("ExifIFD:DateTimeOriginal"), "2026:03:14 15:40:00");
        assert_eq!(text("ExifIFD:OffsetTimeOriginal"), "+00:00");
        assert_eq!(text("XMP-dc:Creator"), "A. Nobody");
        assert_eq!(text("XMP-dc:Rights"), "CC BY 4.0");
        assert!(text("IFD0:ImageDescription").contains("K-01"));
    }
}

#[test]
#[ignore = "needs outside readers: use tests/run"]
fn exiv2_finds_the_same_without_a_warning() {
    let (_session, tiffs) = digitized(&[]);
    for tiff in &tiffs {
        let told = tool("exiv2", &["-PEkt", "pr"], tiff);
        assert!(told.err.is_empty(), "{}", told.err);
        for (key, value) in
            [("Exif.Photo.ExposureTime", "3 s"), ("Exif.Photo.FNumber", "F22"), ("Exif.Photo.ExposureIndex", "2")]
        {
            let line = told.out.lines().find(|l| l.contains(key)).unwrap_or_else(|| panic!("no {key} in {}", told.out));
            assert!(line.contains(value), "{line}");
        }
        let xmp = tool("exiv2", &["-PXkt", "pr"], tiff);
        assert!(xmp.err.is_empty(), "{}", xmp.err);
        assert!(xmp.out.contains("Xmp.dc.creator") && xmp.out.contains("A. Nobody"), "{}", xmp.out);
    }
}

/// The same pixels by three readers, the profile opened by LittleCMS, the preview as large as it may be, and T = value / 65535 in the rebate.
const PIXELS: &str = r#"
import io, sys
import cv2, numpy as np, tifffile
from PIL import Image, ImageCms

for path in sys.argv[1:]:
    ours = tifffile.imread(path)
    assert ours.dtype == np.uint16 and ours.ndim == 2, (ours.dtype, ours.shape)
    assert np.array_equal(ours, cv2.imread(path, cv2.IMREAD_UNCHANGED)), "OpenCV reads other pixels"
    with Image.open(path) as image:
        profile = ImageCms.ImageCmsProfile(io.BytesIO(image.info["icc_profile"]))
    assert profile.profile.xcolor_space.strip() == "GRAY", profile.profile.xcolor_space
    with tifffile.TiffFile(path) as file:
        page = file.pages[0]
        x, y = (page.tags[n].value for n in ("XResolution", "YResolution"))
        ppi = x[0] / x[1]
        assert x == y and abs(ours.shape[1] / ppi * 25.4 - 90) < 0.1, (x, ours.shape)
rebate = np.median(tifffile.imread(sys.argv[1])[10:20, 100:-100]) / 65535
assert abs(rebate - 0.76) < 0.005, rebate
"#;

#[test]
#[ignore = "needs outside readers: use tests/run"]
fn other_readers_see_the_same_pixels() {
    let python =
        std::env::var("HYALINE_PYTHON").expect("HYALINE_PYTHON names a Python with tests/outside/requirements.txt");
    for extra in [&[][..], &["--deflate"]] {
        let (_session, tiffs) = digitized(extra);
        let told = Run::of(Command::new(&python).args(["-c", PIXELS]).args(&tiffs).output().unwrap());
        assert_eq!(told.status, Some(0), "{}", told.err);
    }
}
