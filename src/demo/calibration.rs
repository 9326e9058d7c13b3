//! Frames to calibrate the demo's phone by: a ladder of exposures of the bare panel, and a step tablet in a black mask.
//!
//! In: the session's folder, how fine. Out: DIR/calibration/ with ladder-N.jpg, tablet.jpg and tablet.csv, and where the tablet and the mask lie in its frame. Made by the same forward model as the captures: same panel, lens and sensor. Fails where a file cannot be written.

use super::capture::optics::{Lie, Optics};
use super::capture::{self, Mask, sensor};
use super::frames::{self, scaled};
use super::plate::{Curve, Plate};
use super::put;
use super::session::Camera;
use crate::error::{Error, InFile};
use crate::image::{Image, Size};
use std::path::Path;

/// The folder, in the session's.
pub const FOLDER: &str = "calibration";
/// Exposures of the ladder, each half of the last; the first is just below full scale where the panel is brightest.
pub const RUNGS: usize = 10;
const LONGEST_S: f64 = 0.14;
/// The ladder's frames need not be as large as the plates': a response knows no place.
const LADDER_DETAIL: f64 = 0.4;
/// Steps of the tablet: as dense as eight bits still tell apart well.
const STEPS: usize = 15;
const CLEAR: f64 = 0.05;
const PITCH: f64 = 0.15;
/// Size of a step, millimetres, and the tablet's sampling.
const STEP_MM: [f64; 2] = [8.0, 18.0];
const PX_PER_MM: f64 = 10.0;
/// Frames of the session are counted from 0; these come long after.
const FIRST_FRAME: usize = 40;

/// A file of the ladder, relative to the session's folder.
pub fn rung(k: usize) -> String {
    format!("{FOLDER}/ladder-{}.jpg", k + 1)
}

/// Part of the tablet's frame that the mask keeps dark: x, y, width, height in pixels.
pub fn opaque_px(detail: f64) -> [usize; 4] {
    [300.0, 300.0, 3000.0, 500.0].map(|px: f64| (px * detail) as usize)
}

/// Middles of the tablet's outer edges in its frame, clear end first: x, y, x, y in pixels, as one would point at them.
pub fn ends_px(detail: f64) -> [f64; 4] {
    let tablet = tablet();
    let lie = lie(&tablet);
    let [top_left, top_right, bottom_right, bottom_left] =
        Optics::new(&lie, &scaled(Camera::Phone.setup(), detail).stand).corners(&lie);
    let (clear, dense) = ((top_left + bottom_left) * 0.5, (top_right + bottom_right) * 0.5);
    [clear.x, clear.y, dense.x, dense.y].map(f64::round)
}

fn lie(tablet: &Plate) -> Lie {
    Lie { width_mm: tablet.width_mm, height_mm: tablet.height_mm, mirrored: false, rotate: 0 }
}

/// Writes the frames and the tablet's densities.
pub fn write(dir: &Path, detail: f64, say: &dyn Fn(&str)) -> Result<(), Error> {
    let folder = dir.join(FOLDER);
    std::fs::create_dir_all(&folder).in_file(&folder)?;
    let camera = Camera::Phone;
    say("the exposure ladder of the phone");
    let setup = scaled(camera.setup(), LADDER_DETAIL * detail);
    let bare = capture::bare(&setup, 0);
    let fixed = sensor::response(&setup.sensor, &bare);
    for k in 0..RUNGS {
        let (file, time_s) = (dir.join(rung(k)), LONGEST_S / (1 << k) as f64);
        put(&file, &frames::file(camera, &setup, &bare, &fixed, time_s, FIRST_FRAME + k).in_file(&file)?)?;
    }
    say("the step tablet before the phone");
    let tablet = tablet();
    let mut setup = scaled(camera.setup(), detail);
    setup.mask = setup.mask.map(|mask| Mask { gap_mm: 0.0, ..mask });
    let frame = FIRST_FRAME + RUNGS;
    let light = capture::with_plate(&tablet, &lie(&tablet), &setup, frame);
    let fixed = sensor::response(&setup.sensor, &light);
    let file = folder.join("tablet.jpg");
    put(&file, &frames::file(camera, &setup, &light, &fixed, setup.time_s, frame).in_file(&file)?)?;
    let lines: Vec<String> = (0..STEPS).map(|k| format!("{},{:.2}", k + 1, density(k))).collect();
    put(&folder.join("tablet.csv"), format!("step,density\n{}\n", lines.join("\n")).as_bytes())
}

fn density(step: usize) -> f64 {
    CLEAR + PITCH * step as f64
}

/// Silver in even steps, clear to dense from left to right.
fn tablet() -> Plate {
    let (width_mm, height_mm) = (STEP_MM[0] * STEPS as f64, STEP_MM[1]);
    let size = Size::new((height_mm * PX_PER_MM) as usize, (width_mm * PX_PER_MM) as usize);
    let per_step = (STEP_MM[0] * PX_PER_MM) as usize;
    let steps = Image::from_rows(size, 0f32, |_, out| {
        out.iter_mut().enumerate().for_each(|(column, d)| *d = density(column / per_step) as f32);
    });
    let (base, curve) = (CLEAR, Curve::default());
    Plate { density: steps, px_per_mm: PX_PER_MM, width_mm, height_mm, base, log_exposure: 0.0, curve }
}
