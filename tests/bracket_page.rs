//! A bracket's page in a browser: worked by clicking, dragging and typing, and held against plates whose densities are known.

mod small;

use hyaline::bracket::base::PlateBase;
use hyaline::bracket::{BracketPlate, Comparison, compare, files};
use hyaline::image::{Image, Size};
use hyaline::notes::{Development, Exposure, Matching};
use hyaline::positive::Tone;
use hyaline::units::NetDensity;
use serde_json::json;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

/// Finer than the pictures in the page, so that there are tiles.
const ROWS: usize = 2000;
const COLUMNS: usize = 2600;
const MM_PER_PX: f64 = 0.05;
/// Densities of even squares on the first plate. The second has of each from the third on what the first has of the next.
const EVEN: [f64; 8] = [0.30, 0.60, 0.90, 0.975, 1.06875, 1.1859375, 1.332421875, 1.51552734375];
/// Half a square's side, in mm.
const HALF: f64 = 4.5;
/// Middle of a square of upright stripes, and their period of 2.2 pixels: finer than the pictures in the page can show.
const STRIPES: [f64; 2] = [65.0, 50.0];
const PERIOD: f64 = 2.2 * MM_PER_PX;
/// What each plate made of the scene: density = slope · d + offset, and how far into the scene its corner lies, in mm.
const PLATES: [(f64, f64, [f64; 2]); 3] =
    [(1.0, 0.0, [0.0, 0.0]), (1.25, -0.15, [1.2, -0.8]), (0.8, 0.1, [-0.9, 0.55])];

/// Middle of an even square, in mm of the scene: four abreast, above and below the stripes.
fn middle(square: usize) -> [f64; 2] {
    [20.0 + 30.0 * (square % 4) as f64, if square < 4 { 25.0 } else { 75.0 }]
}

fn within([x, y]: [f64; 2], [cx, cy]: [f64; 2]) -> bool {
    (x - cx).abs() <= HALF && (y - cy).abs() <= HALF
}

/// The scene in densities of the first plate.
fn scene(p: [f64; 2]) -> f64 {
    if let Some(square) = (0..EVEN.len()).find(|s| within(p, middle(*s))) {
        return EVEN[square];
    }
    if within(p, STRIPES) {
        return 0.9 + 0.3 * (p[0] * std::f64::consts::TAU / PERIOD).sin();
    }
    let rough: f64 =
        [(0.08, 0.5), (0.21, 0.3), (0.55, 0.2), (1.3, 0.1)].iter().map(|(k, h)| h * noise(p[0] * k, p[1] * k)).sum();
    (0.85 + rough).max(0.2)
}

/// Value noise with smooth steps, −1 to 1.
fn noise(x: f64, y: f64) -> f64 {
    let node = |i: f64, j: f64| {
        let mixed = ((i as i64 as u32).wrapping_mul(7919) ^ (j as i64 as u32).wrapping_mul(104_729))
            .wrapping_mul(2_654_435_761);
        let mixed = (mixed ^ (mixed >> 15)).wrapping_mul(2_246_822_519);
        f64::from(mixed >> 8) / f64::from(1u32 << 23) - 1.0
    };
    let (i, j) = (x.floor(), y.floor());
    let ease = |t: f64| t * t * (3.0 - 2.0 * t);
    let (u, v) = (ease(x - i), ease(y - j));
    let row = |j: f64| node(i, j) * (1.0 - u) + node(i + 1.0, j) * u;
    row(j) * (1.0 - v) + row(j + 1.0) * v
}

fn plate((slope, offset, [dx, dy]): (f64, f64, [f64; 2])) -> Image<NetDensity> {
    Image::from_rows(Size::new(ROWS, COLUMNS), NetDensity(0.0), |row, out| {
        for (column, density) in out.iter_mut().enumerate() {
            let p = [(column as f64 + 0.5) * MM_PER_PX + dx, (row as f64 + 0.5) * MM_PER_PX + dy];
            *density = NetDensity((slope * scene(p) + offset) as f32);
        }
    })
}

/// Compares the plates and writes the bracket's files into `folder`.
fn write(folder: &Path, densities: &[Image<NetDensity>], ids: [&str; 3], word: &str, matching: Matching) -> Comparison {
    let _ = fs::remove_dir_all(folder);
    let exposure = Exposure { lens: Some(word.into()), filter: Some(word.into()), ..Exposure::default() };
    let development =
        Development { developer: Some(word.into()), agitation: Some(word.into()), ..Development::default() };
    let plates: Vec<BracketPlate> = densities
        .iter()
        .zip(ids)
        .map(|(density, id)| BracketPlate {
            id,
            density,
            mm_per_px: MM_PER_PX,
            full_per_px: 1.0,
            exposure: &exposure,
            development: &development,
            base: PlateBase { counted: 0.14, stands_on: 0.14, own: Some(0.14), sd: 0.005 },
            deepest: None,
            uncertainty: None,
        })
        .collect();
    let found = compare(&plates, matching).unwrap();
    files::write(folder, &plates, &found, &Tone::load("paper", folder).unwrap()).unwrap();
    found
}

/// What the browser is to find: the common part's size, places in it in mm, and densities there on each plate.
fn truth(found: &Comparison) -> serde_json::Value {
    let mm = found.laying.common().map(|v| v * MM_PER_PX * found.laying.full_per_px[0]);
    let place = |[x, y]: [f64; 2]| [x - mm[0], y - mm[1]];
    let even: Vec<_> = (0..EVEN.len())
        .map(|s| json!({ "at": place(middle(s)), "densities": PLATES.map(|(slope, offset, _)| slope * EVEN[s] + offset) }))
        .collect();
    json!({ "plates": found.plates, "size": [mm[2], mm[3]], "even": even, "half": HALF, "stripes": place(STRIPES) })
}

fn folder(name: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join("bracket-page").join(name)
}

fn browser(script: &str, arguments: &[&Path]) {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/browser").join(script);
    let run = Command::new("node").arg(script).args(arguments).output().expect("node runs");
    let said = String::from_utf8_lossy(&run.stdout).into_owned() + &String::from_utf8_lossy(&run.stderr);
    assert!(run.status.success(), "{said}");
    print!("{said}");
}

#[test]
#[ignore = "needs a browser: use tests/run"]
fn a_browser_works_the_brackets_page() {
    let (made, shots) = (folder("plain"), folder("shots"));
    let found = write(&made, &PLATES.map(plate), ["K-01", "K-02", "K-03"], "none", Matching::Base);
    assert!(!fs::read_to_string(made.join("index.html")).unwrap().contains("not shifted"));
    fs::create_dir_all(&shots).unwrap();
    let known = shots.join("known.json");
    fs::write(&known, truth(&found).to_string()).unwrap();
    browser("bracket.mjs", &[&made.join("index.html"), &known, &shots]);
}

/// Words that would run if they were taken for anything but text, whichever way the page holds them.
const HOSTILE: &str =
    "\"'><script>document.title='ran'</script></script><img src=x onerror=\"document.title='ran'\"><!--\u{202e}";

/// Ids and notes of a bracket, and a measured file's name, which stands in its page as it was given.
#[test]
#[ignore = "needs a browser: use tests/run"]
fn hostile_words_are_not_run() {
    let made = folder("hostile");
    write(
        &made,
        &PLATES.map(plate),
        [HOSTILE, "</title><script>alert(1)</script>", "K-03"],
        HOSTILE,
        Matching::Highlights,
    );
    let page = made.join("index.html");
    assert!(fs::read_to_string(&page).unwrap().contains("not shifted"));
    browser("unharmed.mjs", &[&page]);

    let measured = made.join("measured.html");
    // A file's name holds no slash.
    let name = made.join(HOSTILE.replace('/', ""));
    fs::write(&name, small::plate_frame(1)).unwrap();
    let run = Command::new(env!("CARGO_BIN_EXE_hyaline"))
        .args(["measure", "--px", "--patch", "300,300,200,200", "--page"])
        .args([&measured, &name])
        .output()
        .unwrap();
    assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
    browser("unharmed.mjs", &[&measured]);
}
