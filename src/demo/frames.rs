//! One frame of a made-up camera: from light on its sensor to the bytes of its file.
//!
//! In: a [`Camera`], its [`Setup`], light (1 is the bare panel at its brightest), the sensor's fixed [`sensor::response`], a shutter
//! time. Out: JPEG, DNG or TIFF. Fails only where the JPEG library does.

use super::capture::{Setup, sensor};
use super::encode::{self, Shot};
use super::noise;
use super::session::Camera;
use crate::error::Fault;
use crate::image::Image;

/// `frame` counts a session's frames: it seeds the noise and sets the clock.
pub fn file(
    camera: Camera,
    setup: &Setup,
    light: &Image<f32>,
    fixed: &Image<f32>,
    time_s: f64,
    frame: usize,
) -> Result<Vec<u8>, Fault> {
    let (size, colour) = (light.size(), setup.sensor.colour);
    let level = setup.level * time_s / setup.time_s;
    let diagonal = (setup.stand.columns as f64).hypot(setup.stand.rows as f64);
    let shot = shot(camera, setup.stand.focal_px / diagonal, time_s, frame);
    let expose = |channels, colour: &(dyn Fn(usize, usize, usize) -> f64 + Sync)| {
        sensor::expose(&setup.sensor, light, fixed, level, channels, colour, frame)
    };
    match camera {
        Camera::Phone | Camera::Square => encode::jpeg(&expose(3, &|_, _, c| colour[c]), size, &shot),
        Camera::Bench => Ok(encode::dng(&expose(1, &|r, c, _| colour[r % 2 + c % 2]), size, &shot)),
        Camera::Stand => encode::tiff(&expose(1, &|_, _, _| 1.0), size, &shot),
    }
}

/// `focal`: focal length over the frame's diagonal, as the lens shows it.
fn shot(camera: Camera, focal: f64, time_s: f64, frame: usize) -> Shot {
    let (model, lens) = camera.model();
    let (focal_mm, f_number, iso) = camera.marks();
    // A camera that points down sets Orientation at random.
    let turn = noise::hash(frame as i32, camera as i32, 907);
    Shot {
        model: model.into(),
        lens: lens.into(),
        time_s,
        f_number,
        iso,
        focal_mm,
        // 35 mm film shows 24 mm by 36 mm.
        focal_35mm: (focal * 24f64.hypot(36.0)).round() as u16,
        taken: format!("2026:05:09 {:02}:{:02}:{:02}", 19 + camera as usize, (10 + 2 * frame) % 60, 7 * frame % 60),
        orientation: [1, 3, 6, 8][(turn * 4.0) as usize],
    }
}

/// The same view with fewer, larger photosites under the same lens: `detail` of them along each side.
pub fn scaled(mut setup: Setup, detail: f64) -> Setup {
    let stand = &mut setup.stand;
    let even = |n: usize| 2 * (n as f64 * detail / 2.0).round() as usize;
    (stand.columns, stand.rows) = (even(stand.columns), even(stand.rows));
    stand.px_per_mm *= detail;
    stand.focal_px *= detail;
    stand.axis_px = stand.axis_px.map(|v| v * detail);
    setup
}
