//! A made-up session with the truth beside it: a forward model from a place's light to camera files.
//!
//! In: a folder. Out: DIR/session.toml, DIR/captures/, DIR/calibration/ and DIR/truth/, and the [`Truth`]. The notes name a capture profile that
//! is to be made from what lies in calibration/. Fails if the folder holds something that is
//! not a demo, or cannot be written. The way: [`scene`] (luminance) → [`plate`] (density) → [`capture`] (light on a sensor, then
//! codes) → [`encode`] (files). It is written apart from the stages that undo it, which are measured against it.

pub mod calibration;
pub mod capture;
pub mod encode;
pub mod frames;
pub mod noise;
pub mod plate;
pub mod scene;
pub mod session;
pub mod truth;

pub use truth::Truth;

use crate::error::{Error, Fault, InFile};
use capture::optics::Lie;
use capture::sensor;
use frames::scaled;
use plate::Plate;
use session::{CAMERAS, Script};
use std::path::Path;
use truth::{BracketTruth, CaptureTruth, PlateTruth};

/// What a demo's truth says of its maker.
const MADE_BY: &str = "hyaline demo";

#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Options {
    /// Sampling of scene, plates and frames as a share of the usual; tests use less.
    pub detail: f64,
    /// Frames of the bare panel for each camera.
    pub blanks: usize,
    /// Whether one more plate is copied in tiles.
    pub tiles: bool,
}

impl Default for Options {
    fn default() -> Self {
        Options { detail: 1.0, blanks: 3, tiles: true }
    }
}

/// Sampling of the scene and of the plates at full detail.
const SCENE_PX_PER_MM: f64 = 14.0;
const PLATE_PX_PER_MM: f64 = 25.0;
/// Share of the mean light that the taking lens spreads over the plate.
const TAKING_FLARE: f64 = 0.004;

/// Writes the session. `say` is told what is being made.
pub fn write(dir: &Path, options: &Options, say: &dyn Fn(&str)) -> Result<Truth, Error> {
    make_room(dir)?;
    let captures = dir.join("captures");
    let truth_dir = dir.join("truth");
    for folder in [&captures, &truth_dir] {
        std::fs::create_dir_all(folder).in_file(folder)?;
    }
    calibration::write(dir, options.detail, say)?;
    let scripts: Vec<Script> = session::plates().into_iter().filter(|s| options.tiles || s.tiles.is_none()).collect();
    let mut plates = Vec::new();
    for camera in CAMERAS.into_iter().filter(|c| scripts.iter().any(|s| s.camera == *c)) {
        let setup = scaled(camera.setup(), options.detail);
        let bare = capture::bare(&setup, 0);
        let fixed = sensor::response(&setup.sensor, &bare);
        for frame in 0..options.blanks {
            say(&format!("blank {} of the {}", frame + 1, camera.name()));
            let name = format!("blank-{}-{}.{}", camera.name(), frame + 1, camera.extension());
            let file = captures.join(&name);
            put(&file, &frames::file(camera, &setup, &bare, &fixed, setup.blank_time_s, frame).in_file(&file)?)?;
        }
        let mut frame = options.blanks;
        for script in scripts.iter().filter(|s| s.camera == camera) {
            say(&format!("plate {}", script.id));
            let plate = expose(script, options.detail);
            let lie =
                Lie { width_mm: plate.width_mm, height_mm: plate.height_mm, mirrored: true, rotate: script.rotate };
            let mut copies = Vec::new();
            for (name, setup) in script.frames() {
                let setup = scaled(setup, options.detail);
                let light = capture::with_plate(&plate, &lie, &setup, frame);
                let name = format!("captures/{name}.{}", camera.extension());
                let file = dir.join(&name);
                put(&file, &frames::file(camera, &setup, &light, &fixed, setup.time_s, frame).in_file(&file)?)?;
                copies.push(CaptureTruth::of(&name, &lie, &setup));
                frame += 1;
            }
            let known = PlateTruth::of(script.id, &plate, script.sheet.rebate_mm, copies);
            put(
                &truth_dir.join(&known.density),
                &encode::gray16(&plate.density.map(|d| f64::from(d) / truth::PER_CODE)),
            )?;
            plates.push(known);
        }
    }
    plates.sort_by(|a, b| a.id.cmp(&b.id));
    let truth = Truth { made_by: MADE_BY.into(), plates, brackets: vec![bracket(&scripts[0], &scripts[1])] };
    let json = serde_json::to_vec_pretty(&truth).expect("truth is plain numbers and text");
    put(&truth_dir.join("truth.json"), &json)?;
    let mut notes = session::NOTES.to_string();
    if options.tiles {
        notes = notes.replace("blank-stand-*.tif\"]", "blank-stand-*.tif\", \"captures/blank-square-*.jpg\"]")
            + session::TILED;
    }
    put(&dir.join("session.toml"), notes.as_bytes())?;
    Ok(truth)
}

/// The plate that a script's view and exposure make.
pub fn expose(script: &Script, detail: f64) -> Plate {
    let (w, h) = (script.sheet.width_mm, script.sheet.height_mm);
    let luminance = scene::render(&script.view, w, h, SCENE_PX_PER_MM * detail);
    // Finer than the copy's own sampling.
    let px_per_mm = PLATE_PX_PER_MM.max(1.12 * script.camera.setup().stand.px_per_mm) * detail;
    plate::make(&luminance, &script.sheet, &script.curve, script.log_exposure(), TAKING_FLARE, px_per_mm)
}

/// Two views from one place differ by a turn and a shift of the plate, which is a homography whatever the scene.
fn bracket(first: &Script, second: &Script) -> BracketTruth {
    let ((a, b), (sa, sb)) = ((first.view, second.view), (&first.sheet, &second.sheet));
    assert_eq!((a.eye, a.focal_mm), (b.eye, b.focal_mm), "a bracket is taken from one place");
    let (sin, cos) = (b.bearing - a.bearing).to_radians().sin_cos();
    // Ray through a point of the first plate: (x − w/2, y − h/2 − rise, f), level camera; turned by the change of bearing.
    let to_ray = [[1.0, 0.0, -sa.width_mm / 2.0], [0.0, 1.0, -sa.height_mm / 2.0 - a.rise_mm], [0.0, 0.0, a.focal_mm]];
    let turn = [[cos, 0.0, -sin], [0.0, 1.0, 0.0], [sin, 0.0, cos]];
    let f = b.focal_mm;
    let to_plate = [[f, 0.0, sb.width_mm / 2.0], [0.0, f, sb.height_mm / 2.0 + b.rise_mm], [0.0, 0.0, 1.0]];
    let h = capture::optics::product(&to_plate, &capture::optics::product(&turn, &to_ray));
    BracketTruth {
        plates: [first.id.into(), second.id.into()],
        homography: std::array::from_fn(|i| h[i / 3][i % 3] / h[2][2]),
        stops: (second.log_exposure() - first.log_exposure()) / std::f64::consts::LOG10_2,
    }
}

/// Makes the folder, or sees that what is there is an earlier demo.
fn make_room(dir: &Path) -> Result<(), Error> {
    std::fs::create_dir_all(dir).in_file(dir)?;
    let empty = std::fs::read_dir(dir).in_file(dir)?.next().is_none();
    let earlier = std::fs::read_to_string(dir.join("truth/truth.json"))
        .ok()
        .and_then(|text| serde_json::from_str::<Truth>(&text).ok())
        .is_some_and(|truth| truth.made_by == MADE_BY);
    if empty || earlier {
        return Ok(());
    }
    Err(Error::new(
        dir,
        Fault::new("the folder holds files that are not a demo's", "name a folder that is new or empty"),
    ))
}

/// Puts a file in place whole or not at all.
fn put(file: &Path, bytes: &[u8]) -> Result<(), Error> {
    let part = file.with_extension("part");
    std::fs::write(&part, bytes).in_file(file)?;
    std::fs::rename(&part, file).in_file(file)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A small demo, whole: files there, truth read back, notes and files in step.
    #[test]
    fn a_small_demo_is_written_and_written_over_but_never_over_anything_else() {
        let dir = tempfile::tempdir().unwrap();
        let options = Options { detail: 0.12, blanks: 1, tiles: true };
        let truth = write(dir.path(), &options, &|_| {}).unwrap();
        let read: Truth = serde_json::from_slice(&std::fs::read(dir.path().join("truth/truth.json")).unwrap()).unwrap();
        assert_eq!((read.plates.len(), read.brackets.len()), (5, 1));
        assert_eq!(read.plates[4].captures.len(), 6);
        // JSON's numbers are read to within their last digit.
        let corner = |t: &Truth| t.plates[2].captures[0].corners_px[1];
        assert!(corner(&read).distance(corner(&truth)) < 1e-9);
        for plate in &truth.plates {
            assert!(dir.path().join("truth").join(&plate.density).is_file());
            for capture in &plate.captures {
                assert!(dir.path().join(&capture.file).is_file());
                assert!(plate.captures.len() > 1 || session::NOTES.contains(&format!("\"{}\"", capture.file)));
            }
        }
        write(dir.path(), &options, &|_| {}).unwrap();

        let other = tempfile::tempdir().unwrap();
        std::fs::write(other.path().join("letter.txt"), "mine").unwrap();
        let refusal = write(other.path(), &options, &|_| {}).unwrap_err();
        assert!(refusal.to_string().contains("not a demo's"), "{refusal}");
        assert_eq!(std::fs::read_dir(other.path()).unwrap().count(), 1);
    }

    #[test]
    fn a_turned_camera_carries_a_point_where_trigonometry_says() {
        let scripts = session::plates();
        let (a, b) = (&scripts[0], &scripts[1]);
        let h = bracket(a, b).homography;
        // The middle of the first plate at the horizon's height looks along its bearing; the second sees that at −Δ degrees.
        let (x, y) = (a.sheet.width_mm / 2.0, a.sheet.height_mm / 2.0 + a.view.rise_mm);
        let w = h[6] * x + h[7] * y + h[8];
        let seen = ((h[0] * x + h[1] * y + h[2]) / w, (h[3] * x + h[4] * y + h[5]) / w);
        let delta = (a.view.bearing - b.view.bearing).to_radians();
        assert!((seen.0 - (b.sheet.width_mm / 2.0 + b.view.focal_mm * delta.tan())).abs() < 1e-9);
        assert!((seen.1 - (b.sheet.height_mm / 2.0 + b.view.rise_mm)).abs() < 1e-9);
        assert!((bracket(a, b).stops - 1.0).abs() < 1e-9);
    }
}
