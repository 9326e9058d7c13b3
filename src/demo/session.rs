//! The made-up session: which plates were taken, how they were developed, and with which cameras they were copied.
//!
//! Out: [`plates`] and [`NOTES`], in step with each other. The place is made up, and so is everybody in it.

use super::capture::sensor::Sensor;
use super::capture::{Mask, Setup};
use super::noise::hash;
use super::plate::{Chip, Curve, Sheet};
use super::scene::View;

/// Which of the cameras copied a plate. They differ in the number of pixels, so that each frame has blanks of its own kind.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Camera {
    /// A phone's JPEG.
    Phone,
    /// A bench camera's Bayer DNG.
    Bench,
    /// A copy stand's 16-bit linear gray TIFF.
    Stand,
    /// A square sensor's JPEG, close up, for tiles.
    Square,
}

pub const CAMERAS: [Camera; 4] = [Camera::Phone, Camera::Bench, Camera::Stand, Camera::Square];

/// Share of the frame's mean light that each of the lenses spreads. The notes name an opaque patch that tells it.
const GLARE: f64 = 0.004;

/// One plate of the session.
pub struct Script {
    pub id: &'static str,
    pub view: View,
    pub sheet: Sheet,
    pub curve: Curve,
    pub time_s: f64,
    pub f_number: f64,
    pub camera: Camera,
    /// As in the notes.
    pub rotate: u16,
    /// How the plate was laid: degrees it is turned, and where its middle lies off the axis, in millimetres.
    pub turn_deg: f64,
    pub aim_mm: [f64; 2],
    /// Columns, rows, and how far the plate was slid between them in millimetres; none where one frame shows it all.
    pub tiles: Option<(usize, usize, [f64; 2])>,
}

/// log10 of exposure for luminance 1, one second and f/1: sets the light of the day against the plates' speed.
const LIGHT: f64 = 4.36;

impl Script {
    pub fn log_exposure(&self) -> f64 {
        LIGHT + (self.time_s / (self.f_number * self.f_number)).log10()
    }

    /// One set-up for each frame of the plate, with the frame's name.
    pub fn frames(&self) -> Vec<(String, Setup)> {
        let name = self.id.to_lowercase().replace('-', "");
        let setup = |turn_deg: f64, aim_mm: [f64; 2]| {
            let mut setup = self.camera.setup();
            setup.stand.turn_deg = turn_deg;
            setup.stand.aim_mm = aim_mm;
            setup
        };
        let Some((columns, rows, step)) = self.tiles else {
            return vec![(name, setup(self.turn_deg, self.aim_mm))];
        };
        // Slid by hand along a ruler: each tile is a little off, and the numbering follows no order worth relying on.
        let tile = |i: usize| {
            let (column, row) = (i % columns, i / columns);
            let stray = |k: u32| hash(i as i32, 3, 811 + k) - 0.5;
            let middle = |n: usize, at: usize| at as f64 - (n as f64 - 1.0) / 2.0;
            let aim = [
                self.aim_mm[0] + step[0] * middle(columns, column) + 1.6 * stray(0),
                self.aim_mm[1] + step[1] * middle(rows, row) + 1.6 * stray(1),
            ];
            let number = 1 + (5 * i + 2) % (columns * rows);
            (format!("{name}-{number}"), setup(self.turn_deg + 0.5 * stray(2), aim))
        };
        (0..columns * rows).map(tile).collect()
    }
}

impl Camera {
    pub fn name(self) -> &'static str {
        match self {
            Camera::Phone => "phone",
            Camera::Bench => "bench",
            Camera::Stand => "stand",
            Camera::Square => "square",
        }
    }

    pub fn extension(self) -> &'static str {
        match self {
            Camera::Phone | Camera::Square => "jpg",
            Camera::Bench => "dng",
            Camera::Stand => "tif",
        }
    }

    pub fn model(self) -> (&'static str, &'static str) {
        match self {
            Camera::Phone => ("Pocket 12", "fixed 5.6 mm f/1.9"),
            Camera::Bench => ("Bench 8 raw", "copying lens 60 mm"),
            Camera::Stand => ("Stand 9 gray", "flat-field lens 75 mm"),
            Camera::Square => ("Square 5", "close-up lens 80 mm"),
        }
    }

    /// Focal length, f-number, ISO.
    pub fn marks(self) -> (f64, f64, u16) {
        match self {
            Camera::Phone => (5.6, 1.9, 32),
            Camera::Bench => (60.0, 8.0, 100),
            Camera::Stand => (75.0, 8.0, 100),
            Camera::Square => (80.0, 8.0, 64),
        }
    }

    pub fn setup(self) -> Setup {
        let phone = Setup { glare: GLARE, ..Setup::default() };
        match self {
            Camera::Phone => phone,
            Camera::Square => {
                let mut stand = phone.stand;
                (stand.columns, stand.rows, stand.px_per_mm, stand.focal_px) = (2160, 2160, 29.4, 4300.0);
                (stand.k1, stand.k2, stand.axis_px, stand.tilt_deg) = (-0.012, 0.002, [4.0, -7.0], [0.2, 0.3]);
                Setup {
                    stand,
                    vignetting: 0.15,
                    blur_px: 0.6,
                    sensor: Sensor { full_well: 60_000.0, read_noise: 3.0, seed: 371, ..Sensor::default() },
                    time_s: 0.25,
                    blank_time_s: 0.25,
                    ..phone
                }
            }
            Camera::Bench => {
                let mut stand = phone.stand;
                (stand.columns, stand.rows, stand.px_per_mm, stand.focal_px) = (3264, 2448, 17.6, 5600.0);
                (stand.k1, stand.k2, stand.axis_px, stand.tilt_deg) = (0.006, -0.001, [-3.0, 5.0], [-0.4, 0.15]);
                Setup {
                    stand,
                    vignetting: 0.12,
                    blur_px: 0.55,
                    glare: GLARE,
                    mask: Some(Mask { gap_mm: 1.2, leak: 0.00002 }),
                    sensor: Sensor {
                        full_well: 60_000.0,
                        read_noise: 4.0,
                        colour: [0.52, 1.0, 0.66],
                        seed: 171,
                        ..Sensor::default()
                    },
                    time_s: 0.5,
                    blank_time_s: 0.25,
                    level: 0.88,
                    ..phone
                }
            }
            Camera::Stand => {
                let mut stand = phone.stand;
                (stand.columns, stand.rows, stand.px_per_mm, stand.focal_px) = (3600, 2700, 19.4, 7400.0);
                (stand.k1, stand.k2, stand.axis_px, stand.tilt_deg) = (-0.004, 0.0, [2.0, 9.0], [0.1, 0.2]);
                Setup {
                    stand,
                    vignetting: 0.10,
                    blur_px: 0.60,
                    glare: GLARE,
                    mask: Some(Mask { gap_mm: 1.4, leak: 0.00002 }),
                    sensor: Sensor {
                        full_well: 60_000.0,
                        read_noise: 5.0,
                        colour: [1.0; 3],
                        seed: 271,
                        ..Sensor::default()
                    },
                    time_s: 0.5,
                    blank_time_s: 0.5,
                    level: 0.86,
                    ..phone
                }
            }
        }
    }
}

pub fn plates() -> Vec<Script> {
    let fresh = Curve::default();
    let from_the_landing = View { eye: [-0.5, 2.6, -2.0], bearing: 2.5, focal_mm: 215.0, rise_mm: 10.0, moment: 0.0 };
    let plate = |id, seed| Script {
        id,
        view: from_the_landing,
        sheet: Sheet { seed, ..Sheet::default() },
        curve: fresh,
        time_s: 1.0,
        f_number: 16.0,
        camera: Camera::Phone,
        rotate: 0,
        turn_deg: 0.6,
        aim_mm: [0.8, -0.6],
        tiles: None,
    };
    vec![
        Script { curve: Curve { gamma: 1.42, fog: 0.085, ..fresh }, ..plate("K-01", 3) },
        Script {
            // The same place six minutes later; the head was nudged in between.
            view: View { bearing: 2.95, rise_mm: 11.1, moment: 370.0, ..from_the_landing },
            sheet: Sheet { rebate_mm: [2.4, 2.9, 3.0, 3.3], seed: 5, ..Sheet::default() },
            curve: Curve { gamma: 1.10, fog: 0.06, inertia: 0.02, ..fresh },
            time_s: 2.0,
            rotate: 180,
            turn_deg: -1.1,
            aim_mm: [-0.9, 0.4],
            ..plate("K-02", 5)
        },
        Script {
            view: View { eye: [-2.5, 1.9, 13.0], bearing: 21.0, focal_mm: 215.0, rise_mm: 38.0, moment: 1500.0 },
            sheet: Sheet {
                chips: vec![Chip { at: [1.0, 163.9], radius: 3.6 }],
                dark_corners: 0.25,
                ..Sheet { seed: 7, ..Sheet::default() }.upright()
            },
            time_s: 0.5,
            f_number: 11.0,
            camera: Camera::Bench,
            rotate: 90,
            turn_deg: 1.8,
            aim_mm: [1.2, 0.7],
            ..plate("K-03", 7)
        },
        Script {
            view: View { eye: [-14.0, 2.9, -6.0], bearing: 28.0, focal_mm: 165.0, rise_mm: 10.0, moment: 3300.0 },
            sheet: Sheet { rebate_mm: [1.8, 2.2, 2.6, 2.1], seed: 11, ..Sheet::default() },
            curve: Curve { gamma: 1.3, ..fresh },
            time_s: 0.5,
            f_number: 11.0,
            camera: Camera::Stand,
            turn_deg: -0.4,
            aim_mm: [0.3, 0.9],
            ..plate("K-04", 11)
        },
        Script {
            view: View { eye: [7.5, 2.2, 1.5], bearing: -14.0, focal_mm: 240.0, rise_mm: 15.0, moment: 5200.0 },
            sheet: Sheet { rebate_mm: [2.7, 2.5, 2.3, 2.9], seed: 13, ..Sheet::default() },
            time_s: 0.5,
            f_number: 11.0,
            camera: Camera::Square,
            turn_deg: 0.2,
            aim_mm: [0.0, 0.0],
            tiles: Some((3, 2, [48.5, 52.0])),
            ..plate("K-05", 13)
        },
    ]
}

/// The capture profile that the notes name, relative to the session's folder.
pub const PROFILE: &str = "profiles/phone.toml";

pub const NOTES: &str = r#"# A made-up session: the place, the plates and the cameras exist nowhere else.

[session]
title        = "Lime kiln on the salt marsh"
date         = 2026-04-18
place        = "West side of the estuary, by the old landing"
photographer = "nobody in particular"
rights       = "CC0 1.0"

[copy]
blank    = ["captures/blank-phone-*.jpg", "captures/blank-bench-*.dng", "captures/blank-stand-*.tif"]
profile  = "profiles/phone.toml"   # made from the frames in calibration/; the other cameras' are linear
emulsion = "toward-camera"
opaque   = { capture = "captures/k03.dng", rect_px = [20, 900, 60, 600] }   # black card beside the plate

[base]
from  = "rebate"
scope = "plate"

[positive]
tone = "long"

[[plate]]
id       = "K-01"
size     = "4.75x6.5in"
captures = ["captures/k01.jpg"]
notes    = "flood tide, sun on the front, light wind off the sea"

[plate.exposure]
ei              = 4.0
shutter         = "1"
aperture        = 16.0
focal_length_mm = 210.0
bellows_mm      = 215.0
lens            = "symmetrical"
filter          = "none"
filter_stops    = 0.0
time            = 2026-04-18T14:20:00+01:00
holder          = "2 left"

[plate.development]
developer      = "metol-hydroquinone"
dilution       = "1+7"
temperature_c  = 19.0
minutes        = 8.0
agitation      = "rocked tray"
fixer_dilution = "1+5"
fix_minutes    = 6.0

[[plate]]
id       = "K-02"
size     = "4.75x6.5in"
captures = ["captures/k02.jpg"]
rotate   = 180
notes    = "the same again at half the speed, developed shorter; the camera was nudged"

[plate.exposure]
ei              = 2.0
shutter         = "2"
aperture        = 16.0
focal_length_mm = 210.0
bellows_mm      = 215.0
lens            = "symmetrical"
filter          = "none"
filter_stops    = 0.0
time            = 2026-04-18T14:26:00+01:00
holder          = "2 right"

[plate.development]
developer      = "metol-hydroquinone"
dilution       = "1+7"
temperature_c  = 19.0
minutes        = 5.5
agitation      = "rocked tray"
fixer_dilution = "1+5"
fix_minutes    = 6.0

[[plate]]
id       = "K-03"
size     = "4.75x6.5in"
captures = ["captures/k03.dng"]
rotate   = 90
notes    = "the arch and the pot from the yard, front raised"

[plate.exposure]
ei              = 4.0
shutter         = "1/2"
aperture        = 11.0
focal_length_mm = 210.0
bellows_mm      = 215.0
lens            = "symmetrical"
time            = 2026-04-18T14:45:00+01:00
holder          = "5 left"

[plate.development]
developer      = "metol-hydroquinone"
dilution       = "1+7"
temperature_c  = 19.0
minutes        = 7.0
agitation      = "rocked tray"
fixer_dilution = "1+5"
fix_minutes    = 6.0

[[plate]]
id       = "K-04"
size     = "4.75x6.5in"
captures = ["captures/k04.tif"]
notes    = "from the sea bank, creek filling"

[plate.exposure]
ei              = 4.0
shutter         = "1/2"
aperture        = 11.0
focal_length_mm = 165.0
bellows_mm      = 165.0
lens            = "symmetrical, wide"
time            = 2026-04-18T15:15:00+01:00
holder          = "5 right"

[plate.development]
developer      = "metol-hydroquinone"
dilution       = "1+7"
temperature_c  = 19.0
minutes        = 7.5
agitation      = "rocked tray"
fixer_dilution = "1+5"
fix_minutes    = 6.0

[[bracket]]
plates = ["K-01", "K-02"]
match  = "base"
"#;

/// The plate that was copied in tiles, and the blanks of its camera, for notes that have both.
pub const TILED: &str = r#"
[[plate]]
id       = "K-05"
size     = "4.75x6.5in"
captures = ["captures/k05-*.jpg"]
notes    = "posts of the old landing, kiln behind; copied in six tiles"

[plate.exposure]
ei              = 4.0
shutter         = "1/2"
aperture        = 11.0
focal_length_mm = 240.0
bellows_mm      = 240.0
lens            = "symmetrical, long"
time            = 2026-04-18T15:45:00+01:00
holder          = "7 left"

[plate.development]
developer      = "metol-hydroquinone"
dilution       = "1+7"
temperature_c  = 19.0
minutes        = 7.0
agitation      = "rocked tray"
fixer_dilution = "1+5"
fix_minutes    = 6.0
"#;
