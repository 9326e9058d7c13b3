//! Made-up sessions of one plate each: the usual copy and hard ones.

use super::compare::{Limits, SINGLE_FRAME, WITH_GLARE};
use hyaline::demo::capture::optics::Lie;
use hyaline::demo::capture::{self, Mask, Setup, sensor};
use hyaline::demo::frames;
use hyaline::demo::plate::{self, Chip, Plate, Sheet};
use hyaline::demo::scene;
use hyaline::demo::session::{self, Camera};
use hyaline::demo::truth::{CaptureTruth, PlateTruth};
use hyaline::image::Image;
use std::path::Path;
use std::sync::LazyLock;

pub struct Case {
    pub name: &'static str,
    pub camera: Camera,
    pub sheet: fn(&mut Sheet),
    pub setup: fn(&mut Setup),
    pub rotate: u16,
    /// The notes name an opaque patch.
    pub opaque: bool,
    pub limits: Limits,
}

const USUAL: Case = Case {
    name: "",
    camera: Camera::Phone,
    sheet: |_| {},
    setup: |_| {},
    rotate: 0,
    opaque: false,
    limits: SINGLE_FRAME,
};

/// An opaque card that lies in a corner of the frame, and the patch of it that the notes name.
const CARD_PX: [f64; 4] = [30.0, 30.0, 170.0, 330.0];
const OPAQUE_PX: [f64; 4] = [60.0, 60.0, 110.0, 270.0];

pub fn all() -> Vec<Case> {
    vec![
        Case { name: "JPEG, black mask", ..USUAL },
        Case { name: "16-bit TIFF", camera: Camera::Stand, rotate: 180, ..USUAL },
        // Lying across the frame, the plate must be copied smaller to fit. A square of 0.3 mm then holds 9 photosites, of a 12-megapixel
        // frame's 40: noise is twice as much.
        Case {
            name: "Bayer DNG",
            camera: Camera::Bench,
            rotate: 90,
            setup: |s| s.stand.px_per_mm *= 0.72,
            limits: Limits { density_median: 0.006, density_p95: 0.020, ..SINGLE_FRAME },
            ..USUAL
        },
        Case { name: "bare bright panel", setup: |s| s.mask = None, ..USUAL },
        Case { name: "mask with a wide gap", setup: |s| s.mask = Some(Mask { gap_mm: 6.0, leak: 2e-4 }), ..USUAL },
        Case {
            name: "dark, chipped corners",
            sheet: |s| {
                s.dark_corners = 0.8;
                s.chips = vec![
                    Chip { at: [0.5, 0.8], radius: 4.5 },
                    Chip { at: [s.width_mm - 0.5, s.height_mm], radius: 3.0 },
                    Chip { at: [70.0, 0.0], radius: 2.0 },
                ];
            },
            ..USUAL
        },
        Case {
            name: "turned by +10 degrees",
            setup: |s| {
                s.stand.turn_deg = 10.0;
                s.stand.px_per_mm *= 0.84;
            },
            ..USUAL
        },
        Case {
            name: "turned by -10, bare panel",
            setup: |s| {
                s.stand.turn_deg = -10.0;
                s.stand.px_per_mm *= 0.84;
                s.mask = None;
            },
            rotate: 180,
            ..USUAL
        },
        Case { name: "tilted by 2 degrees", setup: |s| s.stand.tilt_deg = [2.0, -1.6], ..USUAL },
        Case {
            name: "off centre",
            setup: |s| {
                s.stand.px_per_mm *= 0.82;
                s.stand.aim_mm = [16.0, -11.0];
            },
            ..USUAL
        },
        Case { name: "sky runs to the edge", sheet: |s| s.rebate_mm[0] = 0.0, ..USUAL },
        Case { name: "sky to the edge, bare", sheet: |s| s.rebate_mm[0] = 0.0, setup: |s| s.mask = None, ..USUAL },
        Case { name: "thin rebate", sheet: |s| s.rebate_mm = [0.9, 0.8, 1.0, 0.8], ..USUAL },
        Case { name: "rebate on two sides", sheet: |s| s.rebate_mm = [0.0, 2.6, 0.0, 2.8], ..USUAL },
        Case { name: "barrel, 8 % at corners", setup: |s| (s.stand.k1, s.stand.k2) = (-0.09, 0.01), ..USUAL },
        Case { name: "pincushion, 8 %", setup: |s| (s.stand.k1, s.stand.k2) = (0.085, -0.005), ..USUAL },
        Case {
            name: "glare 2 %, patch named",
            setup: |s| {
                s.glare = 0.02;
                s.mask = None;
                s.card_px = Some(CARD_PX);
                s.stand.px_per_mm *= 0.90;
            },
            opaque: true,
            limits: WITH_GLARE,
            ..USUAL
        },
        Case {
            name: "panel drifts by 0.3 %",
            setup: |s| s.drift = 0.001,
            limits: Limits { density_median: 0.004, ..SINGLE_FRAME },
            ..USUAL
        },
        Case { name: "blank of half the time", setup: |s| s.blank_time_s = s.time_s / 2.0, ..USUAL },
    ]
}

/// Photosites along a side, as a share of the camera's own, so that all cases are done in minutes.
pub const DETAIL: f64 = 0.8;
const PLATE_PX_PER_MM: f64 = 25.0;

static SCENE: LazyLock<Image<f32>> = LazyLock::new(|| {
    let sheet = Sheet::default();
    scene::render(&session::plates()[0].view, sheet.width_mm, sheet.height_mm, 12.0)
});

impl Case {
    pub fn plate(&self) -> (Plate, Sheet) {
        let script = &session::plates()[0];
        let mut sheet = Sheet { seed: 21, ..Sheet::default() };
        (self.sheet)(&mut sheet);
        (plate::make(&SCENE, &sheet, &script.curve, script.log_exposure(), 0.004, PLATE_PX_PER_MM), sheet)
    }

    /// Writes a session of this one plate, `T-1`, and tells its truth.
    pub fn write(&self, dir: &Path) -> (PlateTruth, Plate) {
        let (plate, sheet) = self.plate();
        let mut setup = self.camera.setup();
        setup.glare = 0.0;
        (self.setup)(&mut setup);
        let setup = frames::scaled(setup, DETAIL);
        let lie = Lie { width_mm: plate.width_mm, height_mm: plate.height_mm, mirrored: true, rotate: self.rotate };
        let bare = capture::bare(&setup, 0);
        let fixed = sensor::response(&setup.sensor, &bare);
        let extension = self.camera.extension();
        let write = |name: &str, light: &Image<f32>, time_s: f64, frame: usize| {
            let bytes = frames::file(self.camera, &setup, light, &fixed, time_s, frame).unwrap();
            std::fs::write(dir.join(format!("{name}.{extension}")), bytes).unwrap();
        };
        const BLANKS: usize = 3;
        for frame in 0..BLANKS {
            write(&format!("blank-{frame}"), &capture::bare(&setup, frame), setup.blank_time_s, frame);
        }
        write("plate", &capture::with_plate(&plate, &lie, &setup, BLANKS), setup.time_s, BLANKS);
        let opaque = if self.opaque {
            format!("opaque = {{ capture = \"plate.{extension}\", rect_px = {OPAQUE_PX:?} }}\n")
        } else {
            String::new()
        };
        let notes = format!(
            "[session]\ntitle = \"{}\"\n\n[copy]\nblank = [\"blank-*.{extension}\"]\nprofile = \"srgb\"\nemulsion = \"toward-camera\"\n{opaque}\n\
             [[plate]]\nid = \"T-1\"\nsize = \"4.75x6.5in\"\ncaptures = [\"plate.{extension}\"]\nrotate = {}\n",
            self.name, self.rotate
        );
        std::fs::write(dir.join("session.toml"), notes).unwrap();
        let seen = CaptureTruth::of(&format!("plate.{extension}"), &lie, &setup);
        (PlateTruth::of("T-1", &plate, sheet.rebate_mm, vec![seen]), plate)
    }
}
