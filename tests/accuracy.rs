//! How true results are: made-up captures, whose truth is known, through the whole program.
//!
//! `cargo test --release --test accuracy -- --include-ignored --nocapture` prints one table and holds it against what is to be
//! reached. The figures' meaning is in tests/support; the measuring itself is tested here on data made from the truth.

mod support;

use hyaline::demo::plate::{self, Plate, Sheet};
use hyaline::demo::truth::{CaptureTruth, PlateTruth, Truth};
use hyaline::demo::{capture, frames, scene, session};
use hyaline::geometry::Point;
use hyaline::image::Image;
use serde_json::json;
use std::process::Command;
use support::cases;
use support::compare::{self, DEMO, Figures, SINGLE_FRAME};
use support::{displacement, pixels};

/// A small plate, its truth, what a perfect copy of it shows, and a record to match.
fn perfect() -> (Plate, PlateTruth, Image<f32>, serde_json::Value) {
    let script = &session::plates()[0];
    let sheet = Sheet { width_mm: 80.0, height_mm: 60.0, ..Sheet::default() };
    let luminance = scene::render(&script.view, sheet.width_mm, sheet.height_mm, 10.0);
    let plate = plate::make(&luminance, &sheet, &script.curve, script.log_exposure(), 0.0, 24.0);
    let mut setup = frames::scaled(script.camera.setup(), 0.5);
    setup.stand.px_per_mm = 20.0;
    let lie = capture::optics::Lie { width_mm: 80.0, height_mm: 60.0, mirrored: true, rotate: 0 };
    let truth = PlateTruth::of("P", &plate, sheet.rebate_mm, vec![CaptureTruth::of("p.jpg", &lie, &setup)]);
    let size = hyaline::image::Size::new(1200, 1600);
    let seen = compare::ideal(&plate, &truth.captures[0], &Image::filled(size, 0f32));
    let record = json!({
        "mm_per_px": 0.05,
        "base": { "density": truth.base, "plate_density": truth.base },
        "edges": { "corners_px": truth.captures[0].corners_px },
    });
    (plate, truth, seen, record)
}

#[test]
fn a_perfect_result_has_no_errors() {
    let (plate, truth, seen, record) = perfect();
    let f = compare::measure(&seen, &record, &truth, &plate);
    println!("{}\n{}", Figures::HEADING, f.line("perfect"));
    assert!(f.density_median < 1e-6 && f.density_p95 < 1e-6, "{f:?}");
    assert!(f.geometry_worst < 1e-3 && f.places > 50 && f.lost == 0, "{f:?}");
    assert!(f.corner_mm.unwrap() < 1e-9 && f.scale.abs() < 1e-9 && f.base == 0.0, "{f:?}");
    assert!((f.sharpness - 1.0).abs() < 1e-9 && f.unevenness < 0.001, "{f:?}");
    assert!(f.missed(&SINGLE_FRAME).is_empty(), "{:?}", f.missed(&SINGLE_FRAME));
}

/// Faults of known size are told with their size.
#[test]
fn known_faults_are_measured_as_what_they_are() {
    let (plate, truth, seen, mut record) = perfect();
    // Moved by (0.7, −0.4) px, denser by 0.02, lit from the left by 2 %.
    let faulty = Image::from_rows(seen.size(), 0f32, |r, out| {
        for (c, v) in out.iter_mut().enumerate() {
            let light = 10f64.powf(-0.02) * (1.0 + 0.02 * (0.5 - c as f64 / seen.columns() as f64));
            *v = (pixels::between(&seen, c as f64 + 0.5 - 0.7, r as f64 + 0.5 + 0.4) * light) as f32;
        }
    });
    record["mm_per_px"] = json!(0.05 * 1.002);
    record["base"]["plate_density"] = json!(truth.base + 0.02);
    record["edges"]["corners_px"][1][0] = json!(truth.captures[0].corners_px[1].x + 4.0);
    let f = compare::measure(&faulty, &record, &truth, &plate);
    println!("{}\n{}", Figures::HEADING, f.line("known faults"));
    assert!((f.geometry_rms - 0.7f64.hypot(0.4)).abs() < 0.01, "{f:?}");
    assert!((f.density_median - 0.02).abs() < 0.003, "{f:?}");
    // Zones are an eighth of the plate wide: their middles span 7/8 of the slope.
    assert!((f.unevenness - 0.02 * 0.875 * 10f64.powf(-0.02)).abs() < 0.002, "{f:?}");
    assert!((f.scale - 0.002).abs() < 1e-9 && (f.base - 0.02).abs() < 1e-9, "{f:?}");
    let per_mm =
        truth.captures[0].to_px(Point::new(40.0, 30.0)).distance(truth.captures[0].to_px(Point::new(41.0, 30.0)));
    assert!((f.corner_mm.unwrap() * per_mm / 4.0 - 1.0).abs() < 0.02, "{f:?}");
    // Moving the picture by interpolation has softened it, too.
    let all = ["density median", "density 95 %", "unevenness", "corners", "scale", "geometry rms", "base", "sharpness"];
    assert_eq!(f.missed(&SINGLE_FRAME), all);
}

/// A patch far from its place is followed there, and a part blurred by a known Gaussian keeps what theory says.
#[test]
fn large_moves_are_followed_and_blur_is_told() {
    let (plate, truth, seen, record) = perfect();
    let moved = Image::from_rows(seen.size(), 0f32, |r, out| {
        for (c, v) in out.iter_mut().enumerate() {
            *v = pixels::between(&seen, c as f64 + 0.5 + 6.3, r as f64 + 0.5 - 4.9) as f32;
        }
    });
    let found = displacement::displacements(&moved, &seen);
    // Near the border the moved picture has nothing to follow.
    let inner: Vec<_> = found
        .places
        .iter()
        .filter(|p| p.at[0] > 150.0 && p.at[0] < 1450.0 && p.at[1] > 150.0 && p.at[1] < 1050.0)
        .collect();
    assert!(inner.len() > 40);
    let near = inner.iter().filter(|p| (p.by[0] + 6.3).hypot(p.by[1] - 4.9) < 0.05).count();
    assert!(near as f64 > 0.95 * inner.len() as f64, "{near} of {}", inner.len());

    // Three taps (q, 1 − 2q, q) each way pass 1 − 2q (1 − cos 2πf) of a frequency f: closed form.
    let q = 0.04;
    let soften = |image: &Image<f32>, dr: isize, dc: isize| {
        Image::from_rows(image.size(), 0f32, |r, out| {
            for (c, v) in out.iter_mut().enumerate() {
                let (r, c) = (r as isize, c as isize);
                let beside = image.at_clamped(r - dr, c - dc) + image.at_clamped(r + dr, c + dc);
                *v = (1.0 - 2.0 * q) * image.at_clamped(r, c) + q * beside;
            }
        })
    };
    let soft = soften(&soften(&seen, 0, 1), 1, 0);
    let f = compare::measure(&soft, &record, &truth, &plate);
    let pass = |f: f64| 1.0 - 2.0 * f64::from(q) * (1.0 - (std::f64::consts::TAU * f).cos());
    // Between a frequency along one axis and the same along the diagonal lies every direction.
    let bands = [0.125, 0.175, 0.225, 0.275];
    let mean = |one: &dyn Fn(f64) -> f64| bands.iter().map(|f| one(*f)).sum::<f64>() / 4.0;
    let (along, across) = (mean(&pass), mean(&|f| pass(f / std::f64::consts::SQRT_2).powi(2)));
    println!("sharpness {:.4}, theory {along:.4} to {across:.4}", f.sharpness);
    assert!(f.sharpness > along.min(across) - 0.01 && f.sharpness < along.max(across) + 0.01, "{}", f.sharpness);
}

/// Every case through the program, one table, each figure against what is to be reached.
#[test]
#[ignore = "minutes; run with --release"]
fn single_frames_are_as_true_as_the_aims_say() {
    let only = std::env::var("ACCURACY_CASE").ok();
    let cases: Vec<_> =
        cases::all().into_iter().filter(|c| only.as_deref().is_none_or(|o| c.name.contains(o))).collect();
    assert!(!cases.is_empty(), "ACCURACY_CASE names no case");
    println!("{}\n{}", Figures::HEADING, SINGLE_FRAME.line());
    let mut short = Vec::new();
    for case in &cases {
        let dir = tempfile::tempdir().unwrap();
        let (truth, plate) = case.write(dir.path());
        let run =
            Command::new(env!("CARGO_BIN_EXE_hyaline")).args(["digitize", "--quiet"]).arg(dir.path()).output().unwrap();
        if !run.status.success() {
            println!("{:24} failed: {}", case.name, String::from_utf8_lossy(&run.stderr).trim());
            short.push(format!("{}: not digitized", case.name));
            continue;
        }
        let figures = compare::result(&dir.path().join("out"), &truth, &plate);
        println!("{}", figures.line(case.name));
        let missed = figures.missed(&case.limits);
        if !missed.is_empty() {
            short.push(format!("{}: {}", case.name, missed.join(", ")));
        }
    }
    assert!(short.is_empty(), "short of the aims:\n{}", short.join("\n"));
}

/// The demo as users get it: written, its phone calibrated, and digitized by one command, then held against the truth that lies beside it.
#[test]
#[ignore = "a minute; run with --release"]
fn the_demo_is_as_true_as_the_aims_say() {
    let dir = tempfile::tempdir().unwrap();
    let kiln = dir.path().join("kiln");
    let run = Command::new(env!("CARGO_BIN_EXE_hyaline")).args(["demo", "--quiet"]).arg(&kiln).output().unwrap();
    assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
    let truth: Truth = serde_json::from_slice(&std::fs::read(kiln.join("truth/truth.json")).unwrap()).unwrap();
    assert!(!truth.plates.is_empty());
    println!("{}\n{}", Figures::HEADING, DEMO.line());
    let mut short = Vec::new();
    for known in &truth.plates {
        let figures = compare::result(&kiln.join("out"), known, &compare::read_plate(&kiln.join("truth"), known));
        println!("{}", figures.line(&known.id));
        let missed = figures.missed(&DEMO);
        if !missed.is_empty() {
            short.push(format!("{}: {}", known.id, missed.join(", ")));
        }
    }
    assert!(short.is_empty(), "short of the aims:\n{}", short.join("\n"));
}
