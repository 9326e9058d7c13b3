//! A session's report of made-up plates: a kiln on a marsh, drawn by rule, to look at the page and to try it with hostile text.

use hyaline::error::Warning;
use hyaline::frame::Settings;
use hyaline::geometry::Point;
use hyaline::image::{Image, Size};
use hyaline::notes::{About, Development, Emulsion, Exposure};
use hyaline::positive::Tone;
use hyaline::record::*;
use hyaline::report::*;
use hyaline::units::NetDensity;
use rand::{Rng, SeedableRng};
use std::path::Path;

/// Density above base of a plate of the scene: sky dense and even, marsh thin, a kiln with its dark mouth, a clear rebate.
pub fn plate(size: Size, strength: f32, seed: u64) -> Image<NetDensity> {
    let (width, height) = (size.columns as f32, size.rows as f32);
    Image::from_rows(size, NetDensity(0.0), |row, out| {
        let mut grain = rand_pcg::Pcg32::seed_from_u64(seed ^ (row as u64) << 20);
        for (column, density) in out.iter_mut().enumerate() {
            let (x, y) = (column as f32 / width, row as f32 / height);
            let noise = (0..4).map(|_| grain.random_range(-0.5..0.5f32)).sum::<f32>();
            let rebate = !(0.028..=0.972).contains(&x) || !(0.038..=0.962).contains(&y);
            let seen = if rebate { 0.0 } else { strength * scene(x, y) };
            *density = NetDensity(seen + noise * (0.008 + 0.022 * seen.max(0.0).sqrt()));
        }
    })
}

fn scene(x: f32, y: f32) -> f32 {
    let ridge = 0.56 + 0.012 * (x * 9.0).sin() + 0.006 * (x * 31.0 + 1.0).sin();
    let (u, v) = ((x - 0.63) / 0.13, (y - 0.30) / 0.34);
    let in_kiln = (0.0..1.0).contains(&v) && u.abs() < 0.72 + 0.28 * v;
    if in_kiln {
        let mouth = (u / 0.32).powi(2) + ((v - 0.98) / 0.42).powi(2) < 1.0;
        let courses = 0.05 * ((v * 46.0).sin() * (u * 23.0 + (v * 23.0).floor() * 1.7).sin());
        return if mouth { 0.06 } else { 0.62 + 0.42 * (0.8 - u).clamp(0.0, 1.2) / 1.2 + courses };
    }
    if y < ridge {
        let cloud =
            0.12 * ((x * 5.0 + y * 7.0).sin() * (x * 11.0 - y * 3.0).cos() + (x * 23.0 + y * 17.0).sin() * 0.35);
        return 1.72 - 0.35 * (1.0 - y / ridge) + cloud;
    }
    let depth = (y - ridge) / (1.0 - ridge);
    let creek = (x - 0.30 - 0.16 * (depth * 5.0).sin() * (1.0 - 0.4 * depth)).abs() < 0.008 + 0.05 * depth;
    if creek {
        return 1.15 - 0.25 * depth;
    }
    let reeds = 0.09 * ((x * 260.0 + (y * 40.0).sin() * 3.0).sin() * (y * 170.0 + x * 20.0).sin()) * (0.4 + depth);
    (0.34 - 0.12 * depth + reeds).max(0.03)
}

/// The capture that the plate could have come from: mirrored, turned a little, on a panel that is brightest in the middle.
fn capture(plate: &Image<NetDensity>, size: Size) -> (Image<f32>, [Point; 4]) {
    let (cx, cy) = (size.columns as f32 * 0.52, size.rows as f32 * 0.49);
    let (half_w, half_h) =
        (size.columns as f32 * 0.40, size.columns as f32 * 0.40 * plate.rows() as f32 / plate.columns() as f32);
    let (sin, cos) = 0.03f32.sin_cos();
    let light = Image::from_rows(size, 0.0, |row, out| {
        for (column, light) in out.iter_mut().enumerate() {
            let (dx, dy) = (column as f32 - cx, row as f32 - cy);
            let (u, v) = (-(cos * dx + sin * dy) / half_w, (cos * dy - sin * dx) / half_h);
            let fall = 1.0 - 0.5 * ((dx / size.columns as f32).powi(2) + (dy / size.columns as f32).powi(2)) * 2.2;
            let inside = u.abs() < 1.0 && v.abs() < 1.0;
            let t = if inside {
                let at = |s: f32, n: usize| (((s + 1.0) / 2.0 * n as f32) as usize).min(n - 1);
                10f32.powf(-0.12 - plate.at(at(v, plate.rows()), at(u, plate.columns())).0)
            } else if u.abs() < 1.12 && v.abs() < 1.16 {
                1.0
            } else {
                0.004
            };
            *light = t * fall * 0.9;
        }
    });
    let corner = |u: f32, v: f32| {
        let (a, b) = (-u * half_w, v * half_h);
        Point::new((cx + cos * a - sin * b) as f64 * 4.0, (cy + sin * a + cos * b) as f64 * 4.0)
    };
    (light, [corner(-1.0, -1.0), corner(1.0, -1.0), corner(1.0, 1.0), corner(-1.0, 1.0)])
}

fn exposure(shutter: &str, seconds: f64, ei: f64, time: &str) -> Exposure {
    Exposure {
        ei: Some(ei),
        shutter: Some(shutter.into()),
        shutter_s: Some(seconds),
        aperture: Some(22.0),
        focal_length_mm: Some(210.0),
        lens: Some("rapid rectilinear".into()),
        filter: None,
        filter_stops: None,
        bellows_mm: Some(225.0),
        time: Some(time.into()),
        latitude: Some(54.1),
        longitude: Some(-2.8),
        holder: Some("7 left".into()),
    }
}

fn development(minutes: f64) -> Development {
    Development {
        developer: Some("metol-hydroquinone".into()),
        dilution: Some("1+15".into()),
        temperature_c: Some(20.0),
        minutes: Some(minutes),
        agitation: Some("continuous, in a tray".into()),
        fixer_dilution: Some("1+4".into()),
        fix_minutes: Some(8.0),
    }
}

fn percentiles(plate: &Image<NetDensity>, deepest: f64) -> DensityRecord {
    let mut sorted: Vec<f32> = plate.pixels().iter().map(|d| d.0).collect();
    sorted.sort_by(f32::total_cmp);
    let at = |share: f64| sorted[(share * (sorted.len() - 1) as f64) as usize] as f64;
    DensityRecord {
        p01: at(0.01),
        p05: at(0.05),
        p50: at(0.5),
        p95: at(0.95),
        p99: at(0.99),
        deepest: Some(deepest),
        deepest_by: None,
        uncertainty: None,
    }
}

/// A plate done, `size_mm` as it lies.
pub fn done(id: &str, tone: &Tone, size_mm: [f64; 2], strength: f32, seed: u64) -> DonePlate {
    let columns = (size_mm[0] * 7.0) as usize;
    let size = Size::new((size_mm[1] * 7.0) as usize, columns);
    let densities = plate(size, strength, seed);
    let mut histogram = Histogram::new();
    densities.pixels().iter().for_each(|d| histogram.add(*d));
    let (light, corners) = capture(&densities, Size::new(756, 1008));
    let blank = |row: usize, column: usize| {
        let (dx, dy) = ((column as f32 - 524.0) / 1008.0, (row as f32 - 370.0) / 1008.0);
        0.9 * (1.0 - 1.1 * (dx * dx + dy * dy))
    };
    let divided = Image::from_rows(light.size(), 0.0, |row, out| {
        out.iter_mut().enumerate().for_each(|(column, t)| *t = light.at(row, column) / blank(row, column));
    });
    let own = 0.118 + 0.003 * seed as f64;
    DonePlate {
        record: PlateRecord {
            plate: id.into(),
            session: about(),
            size_name: "half plate (UK)".into(),
            size_mm,
            pixels: [(size_mm[0] * 23.6) as usize, (size_mm[1] * 23.6) as usize],
            ppi: 599.4,
            mm_per_px: 0.04237,
            notes: Some("Tide half out, wind from the west. The mouth of the kiln placed two stops under.".into()),
            exposure: exposure("3", 3.0, 2.0, "2026-03-14T15:40:00+00:00"),
            development: development(7.5),
            copy: CopyRecord {
                camera: Settings {
                    make: Some("Plain".into()),
                    model: Some("Model One".into()),
                    exposure_s: Some(0.25),
                    f_number: Some(5.6),
                    iso: Some(50.0),
                    ..Settings::default()
                },
                blanks: vec![
                    "captures/blank-1.jpg".into(),
                    "captures/blank-2.jpg".into(),
                    "captures/blank-3.jpg".into(),
                ],
                exposure_ratio: 1.0,
                emulsion: Emulsion::TowardCamera,
                rotate: 0,
                profile: "srgb".into(),
                format: "JPEG 8 bit".into(),
            },
            base: BaseRecord {
                density: 0.121,
                stands_on: 0.121,
                from: "rebate".into(),
                spread: 0.004,
                plate_density: Some(own),
                batch_density: 0.121,
                uncertainty: None,
            },
            density: percentiles(&densities, 2.41),
            uncertainty: None,
            edges: EdgesRecord {
                corners_px: Some(corners),
                confidence: 0.97,
                spread_px: Some([2.2, 2.1, 2.3, 2.2]),
                tilt_deg: Some(0.3),
            },
            tiles: Vec::new(),
            stitch: None,
            positive: PositiveRecord { tone: tone.name.clone(), printing_density: 0.55 },
            warnings: Vec::new(),
            inputs: vec![FileDigest { file: format!("captures/{}.jpg", id.to_lowercase()), sha256: "5d".repeat(32) }],
            outputs: ["negative.tif", "positive.tif", "preview.jpg"]
                .map(|name| FileDigest { file: format!("{id}-{name}"), sha256: "a7".repeat(32) })
                .to_vec(),
            software: Software::this(),
            steps: vec![
                Step::new("flat field", serde_json::json!({ "blanks": 3, "ratio": 1.0 })),
                Step::new("edges", serde_json::json!({ "confidence": 0.97, "sides": 4 })),
            ],
        },
        preview_jpeg: preview_jpeg(&tone.render(&densities, 0.0), 2048, 88, &[]),
        histogram,
        shift: 0.0,
        seen: Some(Seen {
            jpeg: small(&light, 800, 80),
            size: Size::new(3024, 4032),
            outline: corners.to_vec(),
            corners: Some(corners),
            confidence: 0.97,
        }),
        light: Some(LightPictures { before_jpeg: small(&light, 640, 80), after_jpeg: small(&divided, 640, 80) }),
        tiles: None,
    }
}

pub fn about() -> About {
    About {
        title: "Lime kiln at the ebb".into(),
        date: Some("2026-03-14".into()),
        place: Some("North bank, salt marsh".into()),
        photographer: Some("A. Nobody".into()),
        rights: Some("CC BY 4.0".into()),
    }
}

fn tiled(id: &str, tone: &Tone) -> DonePlate {
    let mut plate = done(id, tone, [120.65, 165.1], 1.1, 5);
    let mut rng = rand_pcg::Pcg32::seed_from_u64(11);
    let names = ["a", "b", "c", "d", "e", "f"].map(|n| format!("captures/k05-{n}.jpg"));
    let tiles = names.iter().enumerate().map(|(k, name)| {
        let (x, y) = ((k % 2) as f64 * 54.0 - 4.0, (k / 2) as f64 * 52.0 - 4.0);
        let (x, y) = (x + rng.random_range(-2.0..2.0), y + rng.random_range(-2.0..2.0));
        let corners = [[0.0, 0.0], [76.0, 1.0], [75.0, 70.0], [-1.0, 69.0]].map(|[a, b]| Point::new(x + a, y + b));
        LaidTile { name: name.clone(), corners: Some(corners) }
    });
    plate.tiles = Some(Tiles {
        tiles: tiles.collect(),
        ties: (0..90)
            .map(|k| {
                let place = Point::new(58.0 + rng.random_range(-8.0..8.0), 2.0 + 1.8 * k as f64);
                (place, Point::new(rng.random_range(-0.3..0.3), rng.random_range(-0.3..0.3)))
            })
            .collect(),
        joints: [[0, 1], [0, 2], [1, 3], [2, 3], [2, 4], [3, 5], [4, 5]]
            .map(|tiles| Joint { tiles, share: 0.27, asked: 40, ties: 13, rms_px: Some(0.15) })
            .to_vec(),
        cuts: vec![
            [Point::new(60.0, 0.0), Point::new(60.0, 50.0)],
            [Point::new(60.0, 50.0), Point::new(57.0, 50.0)],
            [Point::new(57.0, 50.0), Point::new(57.0, 165.1)],
            [Point::new(0.0, 56.0), Point::new(120.65, 56.0)],
            [Point::new(0.0, 108.0), Point::new(120.65, 108.0)],
        ],
        gaps: vec![[20.0, 30.0, 12.0, 8.0]],
    });
    plate.record.tiles =
        names.map(|capture| TileRecord { capture, residual_px: 0.14, gain: 1.0012, left_out: false }).to_vec();
    plate.record.stitch =
        Some(StitchRecord { rms_px: 0.15, ties: 90, p50_px: None, p95_px: None, worst_px: None, gaps_mm: Vec::new() });
    (plate.seen, plate.record.edges.corners_px) = (None, None);
    plate
}

/// Four plates, one of them dense and one put together from tiles, and one that failed.
pub fn session() -> SessionReport {
    let tone = Tone::load("long", Path::new(".")).unwrap();
    let half = [165.1, 120.65];
    let mut dense = done("K-02", &tone, half, 1.35, 2);
    dense.record.exposure = exposure("6", 6.0, 1.0, "2026-03-14T15:52:00+00:00");
    dense.record.warnings = vec![
        Warning::new(
            "base-outlier",
            "the base reads 0.062 denser than the batch's 0.121; look for fog along its sides, or set scope = \"plate\" in [base]",
        ),
        Warning::new(
            "unmasked-surround",
            "the bare panel round the plate takes 14 % of the frame and veils densities over 2.0 by 0.11; lay a black mask up to the plate's edge",
        ),
    ];
    let failed = done("K-04", &tone, half, 0.3, 4);
    let blank = Image::from_rows(Size::new(300, 400), 0.0f32, |row, out| {
        for (column, light) in out.iter_mut().enumerate() {
            let (dx, dy) = ((column as f32 - 208.0) / 400.0, (row as f32 - 147.0) / 400.0);
            *light = 0.9 * (1.0 - 1.1 * (dx * dx + dy * dy));
        }
    });
    SessionReport {
        about: about(),
        plates: vec![
            PlateReport::Done(Box::new(done("K-01", &tone, half, 1.0, 1))),
            PlateReport::Done(Box::new(dense)),
            PlateReport::Done(Box::new(done("K-03", &tone, half, 0.8, 3))),
            PlateReport::Failed(Box::new(FailedPlate {
                id: "K-04".into(),
                message: "captures/k04.jpg: three sides of the plate were found, the lower one was not; copy it with a finger's breadth of bare panel all round, or give corners_px".into(),
                notes: Some("Thin; the shutter stuck.".into()),
                exposure: exposure("1/4", 0.25, 2.0, "2026-03-14T16:05:00+00:00"),
                development: development(9.0),
                seen: failed.seen.map(|seen| Seen { confidence: 0.31, outline: seen.outline[..3].to_vec(), corners: None, ..seen }),
            })),
            PlateReport::Done(Box::new(tiled("K-05", &tone))),
        ],
        tone,
        brackets: vec![BracketReport {
            plates: vec!["K-01".into(), "K-02".into()],
            page: "compare/K-01-K-02/index.html".into(),
            findings: vec!["K-02 had one stop more light and is 0.27 denser in the shadows.".into()],
            warnings: vec![Warning::new("moved", "the plates differ by 2.3 pixels")],
            advice: vec!["For shadows as on K-02, expose at an index of 2.".into()],
        }],
        warnings: vec![Warning::new("blank-drift", "the panel lost 1.4 % between the first blank and the last; let it warm up for a quarter of an hour")],
        blank: Some(BlankReport {
            jpeg: small(&blank, 400, 85),
            facts: vec![
                ("Frames".into(), "3, averaged".into()),
                ("Darkest corner".into(), "61 % of the brightest part".into()),
            ],
        }),
        software: Software::this(),
    }
}

/// The same with text that would break a page which trusts it.
pub fn hostile() -> SessionReport {
    const WORDS: &str =
        "</title></style><script>document.title='broken'</script><img src=x onerror=alert(1)>\"'&amp;\u{202e}drawkcab";
    let mut session = session();
    session.about.title = WORDS.into();
    session.about.rights = Some("x".repeat(5000));
    session.warnings.push(Warning::new(WORDS, WORDS));
    session.brackets[0].page = "javascript:alert(1)//".into();
    session.brackets[0].findings.push(WORDS.into());
    if let PlateReport::Done(plate) = &mut session.plates[0] {
        let record = &mut plate.record;
        record.plate = WORDS.into();
        record.notes = Some(WORDS.repeat(40));
        record.exposure.lens = Some(WORDS.into());
        record.exposure.shutter = Some(WORDS.into());
        record.development.developer = Some(WORDS.into());
        record.copy.camera.model = Some(WORDS.into());
        record.outputs[0].file = WORDS.into();
        record.inputs[0].file = "y".repeat(4000);
        record.steps.push(Step::new(WORDS, serde_json::json!({ WORDS: WORDS })));
        plate.preview_jpeg = b"not a JPEG".to_vec();
    }
    if let PlateReport::Failed(plate) = &mut session.plates[3] {
        plate.message = WORDS.into();
    }
    session
}

fn small(light: &Image<f32>, side: usize, quality: u8) -> Vec<u8> {
    light_jpeg(light.size(), side, quality, |row, out| out.copy_from_slice(light.row(row)))
}
