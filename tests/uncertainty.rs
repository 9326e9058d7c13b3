//! Intervals hold what they say: made-up copies of a plate of known densities, each with errors of its own, through the whole program.
//!
//! The forward model is the demo's (src/demo/capture), written apart from the stages that undo it.

use hyaline::archive::Compression;
use hyaline::batch::{self, Options};
use hyaline::demo::capture::optics::Lie;
use hyaline::demo::capture::{self, Mask, Setup, sensor};
use hyaline::demo::frames;
use hyaline::demo::noise::hash;
use hyaline::demo::plate::{Curve, Plate};
use hyaline::demo::session::Camera;
use hyaline::frame::CaptureProfile;
use hyaline::image::{Image, Size};
use hyaline::measure::{Findings, Picture, Request, findings};
use hyaline::record::PlateRecord;
use std::path::Path;

/// The plate: fields of 15 mm, 4 × 3, in a clear margin.
const SIZE_MM: [f64; 2] = [70.0, 55.0];
const PER_MM: f64 = 8.0;
const BASE: f64 = 0.13;
/// Standard deviation of density from pixel to pixel at 1 above base: the demo's plates through an aperture of 1/8 mm.
const GRAIN: f64 = 0.006;

/// Density of a field without its grain.
fn field(k: usize) -> f64 {
    BASE + 0.19 * (k as f64 + 0.5)
}

/// Side of the patch in each field's middle that is measured, and the field's own.
const PATCH_MM: f64 = 7.0;
const FIELD_MM: f64 = 15.0;

/// A normal number by Box and Muller, the same on every machine.
fn normal(x: usize, y: usize, seed: u32) -> f64 {
    let draw = |what: u32| hash(x as i32, y as i32, seed + what);
    (-2.0 * (1.0 - draw(0)).ln()).sqrt() * (std::f64::consts::TAU * draw(1)).cos()
}

/// What a densitometer reads of a patch: density of the mean light.
fn known(plate: &Plate, k: usize) -> f64 {
    let first = |mm: f64| ((mm + (FIELD_MM - PATCH_MM) / 2.0) * PER_MM).round() as usize;
    let ([left, top], side) = (corner_mm(k).map(first), (PATCH_MM * PER_MM) as usize);
    let light = |row: usize| plate.density.row(row)[left..left + side].iter().map(|d| 10f64.powf(-f64::from(*d)));
    -((top..top + side).flat_map(light).sum::<f64>() / (side * side) as f64).log10()
}

fn corner_mm(k: usize) -> [f64; 2] {
    [5.0 + FIELD_MM * (k % 4) as f64, 5.0 + FIELD_MM * (k / 4) as f64]
}

fn plate() -> Plate {
    let size = Size::new((SIZE_MM[1] * PER_MM) as usize, (SIZE_MM[0] * PER_MM) as usize);
    let density = Image::from_rows(size, 0f32, |row, out| {
        for (column, d) in out.iter_mut().enumerate() {
            let [x, y] = [column, row].map(|i| ((i as f64 + 0.5) / PER_MM - 5.0) / FIELD_MM);
            let inside = (0.0..4.0).contains(&x) && (0.0..3.0).contains(&y);
            let even = if inside { field(4 * y as usize + x as usize) } else { BASE };
            *d = (even + GRAIN * (even - BASE).sqrt() * normal(column, row, 31)) as f32;
        }
    });
    let [width_mm, height_mm] = SIZE_MM;
    Plate { density, px_per_mm: PER_MM, width_mm, height_mm, base: BASE, log_exposure: 0.0, curve: Curve::default() }
}

/// One made-up copy: what differs from session to session.
#[derive(Debug)]
struct Copy {
    camera: Camera,
    blanks: usize,
    full_well: f64,
    /// How far each frame's exposure strays from what its Exif says, standard deviation as a share.
    jitter: f64,
    glare: f64,
    /// Bare panel all about the plate, by which its level is read, or a mask up to its edge.
    bare: bool,
    seed: u32,
}

impl Copy {
    fn number(k: u32) -> Copy {
        let draw = |what: u32| hash(k as i32, 7, 1301 + what);
        Copy {
            camera: if draw(0) < 0.5 { Camera::Phone } else { Camera::Stand },
            blanks: 2 + (4.0 * draw(1)) as usize,
            full_well: 10_000.0 * 6f64.powf(draw(2)),
            jitter: 0.012 * draw(3),
            glare: 0.002 + 0.008 * draw(4),
            bare: draw(5) < 0.3,
            seed: k,
        }
    }

    /// Exposure of a frame over what its Exif says.
    fn strayed(&self, frame: usize) -> f64 {
        1.0 + self.jitter * normal(self.seed as usize, frame, 2207)
    }

    fn px_per_mm(&self) -> f64 {
        if self.bare { 6.4 } else { 7.2 }
    }

    fn setup(&self) -> Setup {
        let mut setup = frames::scaled(self.camera.setup(), 1.0);
        let stand = &mut setup.stand;
        (stand.columns, stand.rows, stand.px_per_mm, stand.focal_px) = (640, 480, self.px_per_mm(), 900.0);
        (stand.turn_deg, stand.aim_mm, stand.axis_px, stand.k1, stand.k2) = (0.0, [0.0; 2], [0.0; 2], 0.0, 0.0);
        stand.tilt_deg = [0.0; 2];
        (setup.sensor.full_well, setup.sensor.read_noise) = (self.full_well, 1e-4 * self.full_well);
        (setup.sensor.dust, setup.sensor.seed) = (0, u64::from(self.seed) + 1);
        setup.glare = self.glare;
        setup.mask = (!self.bare).then_some(Mask { gap_mm: 0.0, leak: 0.0 });
        // Black card along the frame's left side: what the notes name as opaque.
        setup.card_px = Some([0.0, 0.0, 60.0, 480.0]);
        setup.level = 0.8;
        setup
    }

    /// Writes the session.
    fn write(&self, plate: &Plate, dir: &Path) {
        let setup = self.setup();
        std::fs::create_dir_all(dir.join("captures")).unwrap();
        let bare = capture::bare(&setup, 0);
        let fixed = sensor::response(&setup.sensor, &bare);
        let [width_mm, height_mm] = SIZE_MM;
        let lie = Lie { width_mm, height_mm, mirrored: false, rotate: 0 };
        for frame in 0..=self.blanks {
            let (name, light) = match frame {
                0 => ("plate".to_string(), capture::with_plate(plate, &lie, &setup, 0)),
                n => (format!("blank-{n}"), bare.clone()),
            };
            let strayed = light.map(|v| v * self.strayed(frame) as f32);
            let bytes = frames::file(self.camera, &setup, &strayed, &fixed, setup.time_s, frame).unwrap();
            std::fs::write(dir.join(format!("captures/{name}.{}", self.camera.extension())), bytes).unwrap();
        }
        let e = self.camera.extension();
        // Half the plate to either side of the frame's middle.
        let half = self.px_per_mm() / 2.0;
        let [x, y] = [320.0 - half * width_mm, 240.0 - half * height_mm];
        let [right, bottom] = [640.0 - x, 480.0 - y];
        let corners = match self.bare {
            true => String::new(),
            false => format!("corners_px = [[{x}, {y}], [{right}, {y}], [{right}, {bottom}], [{x}, {bottom}]]\n"),
        };
        let notes = format!(
            "[copy]\nblank = [\"captures/blank-*.{e}\"]\nprofile = \"srgb\"\nemulsion = \"away-from-camera\"\n\
             opaque = {{ capture = \"captures/plate.{e}\", rect_px = [4, 4, 50, 470] }}\n[base]\nplate = \"P\"\nrect_mm = [1, 1, 68, 3]\n\
             [[plate]]\nid = \"P\"\nsize = \"{width_mm}x{height_mm}mm\"\ncaptures = [\"captures/plate.{e}\"]\n{corners}"
        );
        std::fs::write(dir.join("session.toml"), notes).unwrap();
    }
}

fn digitized(dir: &Path) -> PlateRecord {
    let session = hyaline::notes::load(dir).unwrap();
    let options = Options {
        out: dir.join("out"),
        plates: Vec::new(),
        force: true,
        fresh: true,
        quiet: true,
        compression: Compression::None,
    };
    let done = batch::digitize(&session, &options).unwrap();
    assert!(done.errors.is_empty(), "{:?}", done.errors);
    serde_json::from_slice(&std::fs::read(dir.join("out/P/P-record.json")).unwrap()).unwrap()
}

/// Patches in the fields' middles.
fn measured(plate: &Plate, dir: &Path, record: &PlateRecord) -> Findings {
    let picture = Picture::read(&dir.join("out/P/P-negative.tif"), &CaptureProfile::linear()).unwrap();
    let place = |k| {
        let [x, y] = corner_mm(k).map(|mm| mm + (FIELD_MM - PATCH_MM) / 2.0);
        format!("{x},{y},{PATCH_MM},{PATCH_MM}").parse().unwrap()
    };
    let request = Request {
        base: Some(record.base.stood()),
        uncertainty: record.uncertainty.clone(),
        patches: (0..12).map(|k| (place(k), Some(known(plate, k)))).collect(),
        ..Request::default()
    };
    findings::measure(&picture, &request).unwrap()
}

/// Nominal 95 % over copies whose noise, number of blanks, exposures and glare differ; where a part is lacking nothing is promised. Patches of
/// one copy share their errors, so that the share is known to about 3 %: 90 to 99 % is what an honest 95 % shows. The base's spread
/// stands for its unevenness over the plate, so that intervals above base may hold more.
#[test]
fn intervals_hold_the_truth_as_often_as_they_say() {
    const COPIES: u32 = 28;
    let plate = plate();
    let (mut held, mut net_held, mut by_chance, mut all) = (0, 0, 0, 0);
    for k in 0..COPIES {
        let copy = Copy::number(k);
        let dir = tempfile::tempdir().unwrap();
        copy.write(&plate, dir.path());
        let record = digitized(dir.path());
        let found = measured(&plate, dir.path(), &record);
        // Both ways in which codes are taken to stand for light are exact here.
        if found.lacking.iter().any(|lacking| !lacking.starts_with("response")) {
            println!("{copy:?} {:?}", found.lacking);
            continue;
        }
        let mut off = Vec::new();
        for p in &found.patches {
            let error = p.found.density - p.known.unwrap();
            let net_error = p.net_density.unwrap() - (p.known.unwrap() - BASE);
            all += 1;
            held += usize::from(error.abs() <= p.uncertainty);
            net_held += usize::from(net_error.abs() <= p.net_uncertainty.unwrap());
            by_chance += usize::from(error.abs() <= p.found.uncertainty);
            off.push(format!("{:.1}/{:.1}", 1e3 * error, 1e3 * p.uncertainty));
        }
        println!("{copy:?}\n   {}", off.join(" "));
    }
    let share = |held: usize| held as f64 / all as f64;
    println!(
        "{all} patches: {:.3} held, {:.3} above base, {:.3} by chance alone",
        share(held),
        share(net_held),
        share(by_chance)
    );
    assert!(all > 10 * COPIES as usize, "{all}");
    assert!((0.90..=0.99).contains(&share(held)), "{}", share(held));
    assert!(share(net_held) >= 0.90, "{}", share(net_held));
    assert!(share(by_chance) < 0.6, "what is not chance is too small here to be seen: {}", share(by_chance));
}
