//! A session small enough to digitize in a second: one or more plates of 85 mm by 65 mm on a bare panel, drawn straight into JPEGs.

#![allow(dead_code)] // each test file uses its own part

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

pub const COLUMNS: u32 = 1200;
pub const ROWS: u32 = 900;
/// Where the plate lies: left, top, right, bottom in pixels. 90 × 65 mm at 11 pixels a millimetre.
const PLATE: [f64; 4] = [105.0, 92.5, 1095.0, 807.5];

/// Light of the panel at a place, 0 to 1.
pub fn panel(x: f64, y: f64) -> f64 {
    let (u, v) = (x / f64::from(COLUMNS) - 0.5, y / f64::from(ROWS) - 0.5);
    0.8 - 0.3 * (u * u + v * v)
}

/// Transmittance of the set-up: bare panel, a clear rebate of 2.5 mm, a picture of soft waves and hard squares.
pub fn transmittance(x: f64, y: f64, plate: usize) -> f64 {
    let [left, top, right, bottom] = PLATE;
    let inset = (x - left).min(right - x).min((y - top).min(bottom - y));
    if inset < 0.0 {
        return 1.0;
    }
    if inset < 27.0 {
        return 0.76;
    }
    let wave = ((x * 0.031 + plate as f64).sin() * (y * 0.023).cos() + 1.0) / 2.0;
    let square = ((x / 45.0) as i64 + (y / 45.0) as i64 + plate as i64) % 3 == 0;
    0.04 + 0.5 * wave * if square { 0.4 } else { 1.0 }
}

fn srgb(light: f64) -> u8 {
    let v = if light <= 0.003_130_8 { 12.92 * light } else { 1.055 * light.powf(1.0 / 2.4) - 0.055 };
    (255.0 * v + 0.5) as u8
}

/// A gray frame of some light.
pub fn jpeg(light: impl Fn(f64, f64) -> f64) -> Vec<u8> {
    sized(COLUMNS, ROWS, light)
}

pub fn sized(columns: u32, rows: u32, light: impl Fn(f64, f64) -> f64) -> Vec<u8> {
    encoded(&image::GrayImage::from_fn(columns, rows, |x, y| {
        image::Luma([code(x, y, light(f64::from(x) + 0.5, f64::from(y) + 0.5))])
    }))
}

/// The same of light in red, green and blue.
pub fn coloured(light: impl Fn(f64, f64) -> [f64; 3]) -> Vec<u8> {
    encoded(&image::RgbImage::from_fn(COLUMNS, ROWS, |x, y| {
        image::Rgb(light(f64::from(x) + 0.5, f64::from(y) + 0.5).map(|light| code(x, y, light)))
    }))
}

/// With grain of about one code, so that codes do not stand in steps.
fn code(x: u32, y: u32, light: f64) -> u8 {
    let grain =
        ((x.wrapping_mul(7919) ^ y.wrapping_mul(104_729)).wrapping_mul(2_654_435_761) >> 24) as f64 / 255.0 - 0.5;
    srgb((light * (1.0 + 0.008 * grain)).clamp(0.0, 1.0))
}

fn encoded<P: image::PixelWithColorType<Subpixel = u8>>(image: &image::ImageBuffer<P, Vec<u8>>) -> Vec<u8> {
    let mut bytes = Vec::new();
    image::codecs::jpeg::JpegEncoder::new_with_quality(&mut bytes, 95).encode_image(image).unwrap();
    bytes
}

pub fn blank_frame() -> Vec<u8> {
    jpeg(panel)
}

pub fn plate_frame(plate: usize) -> Vec<u8> {
    jpeg(|x, y| panel(x, y) * transmittance(x, y, plate))
}

/// A session folder with blanks, the plates K-01, K-02 … and their notes.
pub struct Session {
    pub folder: tempfile::TempDir,
}

impl Session {
    pub fn new(plates: usize) -> Session {
        let session = Session { folder: tempfile::tempdir().unwrap() };
        let blank = blank_frame();
        for n in 1..=2 {
            session.write(&format!("captures/blank-{n}.jpg"), &blank);
        }
        let mut notes = String::from(
            "[session]\ntitle = \"Lime kiln at the ebb\"\ndate = 2026-03-14\nphotographer = \"A. Nobody\"\nrights = \"CC BY 4.0\"\n\n\
             [copy]\nblank = [\"captures/blank-*.jpg\"]\nprofile = \"srgb\"\nemulsion = \"away-from-camera\"\n",
        );
        for n in 1..=plates {
            session.write(&format!("captures/k{n:02}.jpg"), &plate_frame(n));
            notes += &format!(
                "\n[[plate]]\nid = \"K-{n:02}\"\nsize = \"6.5x9cm\"\ncaptures = [\"captures/k{n:02}.jpg\"]\n\n[plate.exposure]\nei = 2.0\n\
                 shutter = \"3\"\naperture = 22.0\nfocal_length_mm = 105.0\nlens = \"rapid rectilinear\"\ntime = 2026-03-14T15:40:00+00:00\n\
                 latitude = 54.1\nlongitude = -2.8\n\n[plate.development]\ndeveloper = \"metol-hydroquinone\"\ndilution = \"1+15\"\n\
                 temperature_c = 20.0\nminutes = 7.5\n"
            );
        }
        session.write("session.toml", notes.as_bytes());
        session
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join("kiln").join(name)
    }

    pub fn write(&self, name: &str, bytes: &[u8]) {
        let path = self.path(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, bytes).unwrap();
    }

    pub fn notes(&self) -> String {
        fs::read_to_string(self.path("session.toml")).unwrap()
    }

    /// Changes the notes; the text must be there.
    pub fn edit(&self, from: &str, to: &str) {
        let notes = self.notes();
        assert!(notes.contains(from), "{from} is not in the notes");
        self.write("session.toml", notes.replacen(from, to, 1).as_bytes());
    }

    pub fn run(&self, arguments: &[&str]) -> Run {
        Run::of(Command::new(env!("CARGO_BIN_EXE_hyaline")).args(arguments).arg(self.path("")).output().unwrap())
    }
}

/// What a run of the program said.
pub struct Run {
    pub status: Option<i32>,
    pub out: String,
    pub err: String,
}

impl Run {
    pub fn of(output: Output) -> Run {
        Run {
            status: output.status.code(),
            out: String::from_utf8_lossy(&output.stdout).into_owned(),
            err: String::from_utf8_lossy(&output.stderr).into_owned(),
        }
    }
}

/// Every file below a folder, in order.
pub fn files(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).into_iter().flatten() {
        let path = entry.unwrap().path();
        if path.is_dir() { found.extend(files(&path)) } else { found.push(path) }
    }
    found.sort();
    found
}
