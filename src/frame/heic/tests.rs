//! One lossless picture of which every number is known, alone and in containers that the tests write round it; and pictures of
//! another encoder against another decoder's planes.

use super::super::fence::fenced;
use super::super::transfer::Curve;
use super::*;
use crate::units::Linear;

/// 64 × 64, made by another encoder without loss: see testdata/SOURCES.md. Its container turns it by 270° counterclockwise.
const WEDGE: &[u8] = include_bytes!("../../../testdata/wedge.heic");
const SIDE: usize = 64;

/// What was put into it.
fn wedge(row: usize, column: usize) -> [u16; 3] {
    [3 * row + 2 * column, 5 * row + column, row + 4 * column + 40].map(|value| (value % 256) as u16)
}

fn codes(frame: &Frame) -> Vec<[u16; 3]> {
    let Samples::U16(codes) = &frame.samples else { panic!("16 bits") };
    codes.as_chunks::<3>().0.to_vec()
}

/// What a part of pictures side by side must be.
fn expected(window: Window) -> Vec<[u16; 3]> {
    let places = (0..window.size.rows).flat_map(|r| (0..window.size.columns).map(move |c| (r, c)));
    places.map(|(r, c)| wedge((window.row + r) % SIDE, (window.column + c) % SIDE).map(|v| v * 257)).collect()
}

fn all_of(rows: usize, columns: usize) -> Window {
    Window { row: 0, column: 0, size: Size::new(rows, columns) }
}

fn told(file: &[u8]) -> String {
    read(file, &CaptureProfile::srgb()).unwrap_err().to_string()
}

fn boxed(kind: &[u8; 4], body: &[u8]) -> Vec<u8> {
    [&(body.len() as u32 + 8).to_be_bytes()[..], kind, body].concat()
}

fn full(kind: &[u8; 4], version: u8, flags: u8, body: &[u8]) -> Vec<u8> {
    boxed(kind, &[&[version, 0, 0, flags][..], body].concat())
}

fn two(number: usize) -> [u8; 2] {
    (number as u16).to_be_bytes()
}

/// A container to be, round the wedge's coded picture.
struct Made {
    kind: [u8; 4],
    /// Rows, columns of tiles, and the size that they are cut to.
    grid: Option<(usize, usize, Size)>,
    /// Transfer, matrix, full range.
    colour: (usize, usize, bool),
    /// Said beside of the picture that is meant.
    properties: Vec<Vec<u8>>,
    /// Purposes of further pictures.
    others: Vec<&'static str>,
}

impl Made {
    fn new() -> Made {
        Made { kind: *b"hvc1", grid: None, colour: (13, 0, true), properties: Vec::new(), others: Vec::new() }
    }

    fn grid(rows: usize, columns: usize, size: Size) -> Made {
        Made { kind: *b"grid", grid: Some((rows, columns, size)), ..Made::new() }
    }

    fn with(mut self, kind: &[u8; 4], body: &[u8]) -> Made {
        self.properties.push(boxed(kind, body));
        self
    }

    fn colour(self, transfer: usize, matrix: usize, full_range: bool) -> Made {
        Made { colour: (transfer, matrix, full_range), ..self }
    }

    /// Item 1 is meant, 2 is the coded wedge where 1 is a grid of it, and the others follow.
    fn file(&self) -> Vec<u8> {
        let boxes = Boxes::open(WEDGE).unwrap();
        let settings = boxes.properties().find(|(kind, _)| kind == b"hvcC").unwrap().1;
        let coded = {
            let start = WEDGE.windows(4).position(|k| k == b"mdat").unwrap() + 4;
            &WEDGE[start..start + boxes.lengths[&boxes.primary] as usize]
        };
        let tiled = self.grid.map(|(rows, columns, size)| {
            let head = [0, 0, rows as u8 - 1, columns as u8 - 1];
            [&head[..], &two(size.columns), &two(size.rows)].concat()
        });
        let mut items = vec![(self.kind, tiled.as_deref().unwrap_or(coded))];
        if self.grid.is_some() {
            items.push((*b"hvc1", coded));
        }
        items.extend(self.others.iter().map(|_| (*b"hvc1", coded)));

        let (transfer, matrix, full_range) = self.colour;
        let numbers = [1, transfer, matrix].map(two).concat();
        let colour = [&b"nclx"[..], &numbers, &[if full_range { 0x80 } else { 0 }]].concat();
        let mut properties = vec![boxed(b"hvcC", settings), boxed(b"colr", &colour)];
        properties.extend(self.properties.iter().cloned());
        let own = (1..=properties.len()).map(|index| index as u8).collect::<Vec<u8>>();
        let mut owners = vec![own];
        owners.resize(items.len(), vec![1]);
        for (other, owner) in self.others.iter().zip(owners.iter_mut().rev()) {
            properties.push(full(b"auxC", 0, 0, &[other.as_bytes(), b"\0"].concat()));
            owner.push(properties.len() as u8);
        }
        let owned = owners.iter().enumerate().map(|(i, own)| [&two(i + 1)[..], &[own.len() as u8], own].concat());
        let owned = [&(items.len() as u32).to_be_bytes()[..], &owned.collect::<Vec<_>>().concat()].concat();
        let kinds = items.iter().enumerate();
        let kinds = kinds.map(|(i, (kind, _))| full(b"infe", 2, 0, &[&two(i + 1)[..], &[0, 0], kind, b"\0"].concat()));
        let kinds = [&two(items.len())[..], &kinds.collect::<Vec<_>>().concat()].concat();
        let mut parts = Vec::new();
        if let Some((rows, columns, _)) = self.grid {
            let tiles = vec![two(2); rows * columns].concat();
            parts = full(b"iref", 0, 0, &boxed(b"dimg", &[&two(1)[..], &two(rows * columns), &tiles].concat()));
        }
        let meta = |start: usize| {
            let (mut at, mut places) = (start, two(items.len()).to_vec());
            for (i, (_, data)) in items.iter().enumerate() {
                places.extend([two(i + 1), [0, 0], two(1)].concat());
                places.extend([(at as u32).to_be_bytes(), (data.len() as u32).to_be_bytes()].concat());
                at += data.len();
            }
            let body = [
                full(b"pitm", 0, 0, &two(1)),
                full(b"iloc", 0, 0, &[&[0x44u8, 0x00][..], &places].concat()),
                full(b"iinf", 0, 0, &kinds),
                parts.clone(),
                boxed(b"iprp", &[boxed(b"ipco", &properties.concat()), full(b"ipma", 0, 0, &owned)].concat()),
            ];
            full(b"meta", 0, 0, &body.concat())
        };
        let head = boxed(b"ftyp", b"heic\0\0\0\0mif1heic");
        let data: Vec<u8> = items.iter().flat_map(|(_, data)| data.iter().copied()).collect();
        let start = head.len() + meta(0).len() + 8;
        [head, meta(start), boxed(b"mdat", &data)].concat()
    }

    fn read(&self) -> Frame {
        read(&self.file(), &CaptureProfile::srgb()).unwrap()
    }
}

#[test]
fn another_encoders_file_comes_back_as_the_sensor_saw_it_with_its_settings() {
    let frame = read(WEDGE, &CaptureProfile::srgb()).unwrap();
    assert_eq!((frame.size, frame.layout), (Size::new(SIDE, SIDE), Layout::Rgb));
    assert_eq!(codes(&frame), expected(all_of(SIDE, SIDE)));
    assert_eq!(frame.format, "HEIC 8 bit, 4:4:4");
    assert_eq!(frame.warnings, []);
    let says = settings(WEDGE).unwrap();
    assert_eq!(says, frame.settings);
    assert_eq!((says.exposure_s, says.f_number, says.iso), (Some(1.0 / 30.0), Some(2.8), Some(50.0)));
    assert_eq!((says.make.as_deref(), says.model.as_deref()), (Some("Nobody"), Some("Copy One")));
    assert_eq!((says.taken.as_deref(), says.taken_offset.as_deref()), (Some("2026-03-15T10:02:11"), Some("+01:00")));
    assert!(frame.coarse_colour());
}

#[test]
fn tiles_are_joined_and_no_turn_is_done() {
    let size = Size::new(50, 120);
    for turn in 0..4 {
        for mirror in [None, Some(0), Some(1)] {
            let mut made = Made::grid(1, 2, size).with(b"irot", &[turn]);
            if let Some(axis) = mirror {
                made = made.with(b"imir", &[axis]);
            }
            let frame = made.read();
            assert_eq!((frame.size, dimensions(&made.file())), (size, Ok(size)));
            assert_eq!(codes(&frame), expected(all_of(50, 120)), "turn {turn}, mirror {mirror:?}");
        }
    }
    assert_eq!(codes(&Made::grid(2, 2, Size::new(90, 70)).read()), expected(all_of(90, 70)));
}

/// ISO/IEC 14496-12, 12.1.4: the crop's centre lies its offset away from the picture's, (columns − 1) / 2.
#[test]
fn what_the_container_crops_is_cropped() {
    let clap = |wide: i32, high: i32, right: i32, down: i32, of: i32| {
        [wide, 1, high, 1, right, of, down, of].map(i32::to_be_bytes).concat()
    };
    let made = Made::new().with(b"clap", &clap(50, 41, -6, 15, 2)).with(b"irot", &[1]);
    // (64 − 50) / 2 − 3 and (64 − 41) / 2 + 7.5.
    let window = Window { row: 19, column: 4, size: Size::new(41, 50) };
    assert_eq!(dimensions(&made.file()), Ok(window.size));
    assert_eq!(codes(&made.read()), expected(window));
    assert!(told(&Made::new().with(b"clap", &clap(50, 41, 0, 0, 1)).file()).contains("fraction"));
    assert!(told(&Made::new().with(b"clap", &clap(80, 40, 0, 0, 1)).file()).contains("clap"));
    assert!(told(&Made::new().with(b"clap", &clap(50, 40, 0, 0, 0)).file()).contains("clap"));
    assert!(told(&Made::new().with(b"clap", &[0; 5]).file()).contains("cut short"));
    assert!(told(&Made::new().with(b"irot", &[1]).with(b"clap", &clap(50, 40, 0, 0, 1)).file()).contains("turned"));
}

/// ITU-T H.273, 8.3: limited range puts black at 16 and white at 235.
#[test]
fn range_and_curve_are_the_containers() {
    let limited = Made::new().colour(13, 0, false).read();
    let level = |v: u16| (65535.0 * (f64::from(v) - 16.0) / 219.0).clamp(0.0, 65535.0).round() as i32;
    for (got, put) in codes(&limited).iter().flatten().zip(expected(all_of(SIDE, SIDE)).iter().flatten()) {
        assert!((i32::from(*got) - level(put / 257)).abs() <= 1, "{got} for {}", put / 257);
    }
    assert!(limited.saturation.iter().all(|s| (0.98..0.995).contains(s)));

    let linear = Made::new().colour(8, 0, true).read();
    let red = f32::from(wedge(3, 4)[0]) / 255.0;
    assert!((linear.linear(3, 4, 0).0 - red).abs() < 1e-6);
    let Linear(srgb) = Made::new().colour(13, 0, true).read().linear(3, 4, 0);
    assert!((f64::from(srgb) - crate::frame::transfer::srgb_to_linear(red.into())).abs() < 1e-6);
    assert_eq!(Made::new().colour(4, 0, true).read().warnings[0].code, "embedded-curve");
}

#[test]
fn codes_for_hdr_displays_need_a_measured_profile() {
    for transfer in [16, 18] {
        let file = Made::new().colour(transfer, 0, true).file();
        assert!(told(&file).contains("HDR"));
        let measured = Transfer::Table(Curve { codes: vec![0.0, 1.0], light: vec![vec![0.0, 1.0]] });
        assert!(read(&file, &CaptureProfile { transfer: measured, ..CaptureProfile::srgb() }).is_ok());
    }
}

/// ITU-T H.265, E.3.1: video_full_range_flag is inferred to be 0 where it is absent.
#[test]
fn what_is_not_stated_is_taken_as_hevc_has_it() {
    let usual = colour(None);
    assert_eq!((usual.matrix_coefficients, usual.full_range), (6, false));
    let open = ColorInfo { matrix_coefficients: 2, full_range: true, ..usual };
    assert_eq!((colour(Some(open)).matrix_coefficients, colour(Some(open)).full_range), (6, true));
}

#[test]
fn what_is_not_read_is_said() {
    assert!(told(&Made { kind: *b"av01", ..Made::new() }.file()).contains("AV1"));
    assert!(told(&Made { kind: *b"iovl", ..Made::new() }.file()).contains("iovl"));
    let film = [boxed(b"ftyp", b"hevc\0\0\0\0hevcmsf1"), boxed(b"moov", &[0; 20])].concat();
    assert!(told(&film).contains("sequence"));
    let made = Made { others: vec!["urn:com:apple:photo:2020:aux:hdrgainmap"], ..Made::new() };
    assert_eq!(made.read().warnings.iter().map(|w| w.code.as_str()).collect::<Vec<_>>(), ["hdr-gain-map"]);
}

#[test]
fn sizes_that_cannot_be_are_refused_before_memory_is_taken() {
    let large = told(&Made::grid(2, 2, Size::new(65535, 65535)).file());
    assert!(large.contains("megapixels"), "{large}");
    let empty = told(&Made::grid(2, 2, Size::new(16000, 16000)).file());
    assert!(empty.contains("more than its"), "{empty}");
    let overlapping = told(&Made::grid(255, 255, Size::new(500, 500)).file());
    assert!(overlapping.contains("overlap"), "{overlapping}");
}

#[test]
fn every_cut_is_a_fault() {
    for end in 0..WEDGE.len() {
        let told = told(&WEDGE[..end]);
        assert!(told.contains("cut short") || end < 100, "cut at {end}: {told}");
    }
}

/// Bytes changed one by one and in runs: whatever comes, it is an answer.
#[test]
fn damage_is_survived() {
    for at in 0..600 {
        for change in [0xff, 0x80] {
            let mut file = WEDGE.to_vec();
            let place = if at < 500 { at } else { at * 61 % WEDGE.len() };
            file[place] = if change == 0x80 { file[place] ^ change } else { change };
            let _ = fenced(|| read(&file, &CaptureProfile::srgb()));
            let _ = fenced(|| settings(&file));
        }
    }
    let noise: Vec<u8> = (0..4000u32).map(|i| (i.wrapping_mul(2_654_435_761) >> 13) as u8).collect();
    assert!(read(&noise, &CaptureProfile::srgb()).is_err());
    assert!(read(&[&WEDGE[..24], &noise].concat(), &CaptureProfile::srgb()).is_err());
}

/// Written by libheif (x265) through pillow-heif; the coded picture is handed to libavcodec, whose planes must be ours. RGB is not
/// compared where chroma is sparse, since decoders fill it in differently: but luma comes back from RGB whatever chroma is.
#[test]
#[ignore = "needs Python with the packages of tests/outside, and ffmpeg: use tests/run"]
fn planes_are_those_of_another_decoder() {
    const MAKE: &str = "
import sys, numpy as np, pillow_heif
row, column = np.mgrid[:98, :132]
wave = lambda a, b, c: 0.5 + 0.2 * np.sin(row / a + column / b + c) + 0.05 * np.sin(row * column / 90)
light = np.stack([wave(9, 14, 0), wave(11, 8, 1), wave(17, 23, 2)], -1)
for name, mode, full, chroma, quality in [('a', 'RGB', 255, '420', 80), ('b', 'RGB', 255, '444', 60), ('c', 'RGB', 255, '422', 90),
                                          ('d', 'RGB;16', 65535, '420', 80), ('e', 'RGB;16', 65535, '444', -1), ('f', 'L', 255, '420', 70)]:
    values = np.round(light * full).astype(np.uint8 if full == 255 else np.uint16)
    values = np.ascontiguousarray(values[..., 0] if mode == 'L' else values)
    pillow_heif.encode(mode, (132, 98), values.tobytes(), sys.argv[1] + '/' + name + '.heic', quality=quality, chroma=chroma,
                       matrix_coefficients=6, full_range_flag=1)
";
    let python = std::env::var_os("HYALINE_PYTHON").expect("HYALINE_PYTHON names a Python");
    let folder = tempfile::tempdir().unwrap();
    let made = std::process::Command::new(python).args(["-c", MAKE]).arg(folder.path()).output().unwrap();
    assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
    for name in ["a", "b", "c", "d", "e", "f"] {
        let file = std::fs::read(folder.path().join(format!("{name}.heic"))).unwrap();
        let frame = read(&file, &CaptureProfile::srgb()).unwrap();
        let stream = folder.path().join(format!("{name}.hevc"));
        std::fs::write(&stream, annex_b(&file)).unwrap();
        let decoded = std::process::Command::new("ffmpeg")
            .args(["-v", "error", "-f", "hevc", "-i"])
            .arg(&stream)
            .args(["-f", "rawvideo", "-"])
            .output()
            .unwrap();
        assert!(decoded.status.success(), "{}", String::from_utf8_lossy(&decoded.stderr));
        let top = if frame.format.contains("10 bit") { 1023.0 } else { 255.0 };
        let planes: Vec<f64> = match top {
            255.0 => decoded.stdout.iter().map(|v| f64::from(*v)).collect(),
            _ => decoded.stdout.as_chunks::<2>().0.iter().map(|v| u16::from_le_bytes(*v).into()).collect(),
        };
        let Samples::U16(codes) = &frame.samples else { panic!("16 bits") };
        let (channels, area) = (frame.channels(), frame.size.area());
        assert_eq!(frame.size, Size::new(98, 132), "{name}");
        // 16-bit codes are rounded to the nearest; three of them weighted are no further off than one.
        let near = 0.51 * top / 65535.0;
        for (at, pixel) in codes.chunks(channels).enumerate() {
            let value = |channel: usize| f64::from(pixel[channel.min(channels - 1)]) * top / 65535.0;
            let luma = 0.299 * value(0) + 0.587 * value(1) + 0.114 * value(2);
            assert!((luma - planes[at]).abs() <= near, "{name}, pixel {at}: {luma} for {}", planes[at]);
            if frame.format.contains("4:4:4") {
                let middle = (top + 1.0) / 2.0;
                let blue = (value(2) - luma) / 1.772 + middle - planes[area + at];
                let red = (value(0) - luma) / 1.402 + middle - planes[2 * area + at];
                assert!(blue.abs() <= 2.0 * near && red.abs() <= 2.0 * near, "{name}, chroma {at}: {blue}, {red}");
            }
        }
    }
}

/// The coded picture as a stream: parameter sets and slices behind start codes (ITU-T H.265, annex B; ISO/IEC 14496-15, 8.3).
fn annex_b(file: &[u8]) -> Vec<u8> {
    let boxes = Boxes::open(file).unwrap();
    let settings = boxes.properties().find(|(kind, _)| kind == b"hvcC").unwrap().1;
    let mut stream = Vec::new();
    let mut unit = |rest: &mut &[u8], length: usize| {
        stream.extend([&[0, 0, 0, 1][..], &rest[..length]].concat());
        *rest = &rest[length..];
    };
    let number = |rest: &mut &[u8], bytes: usize| {
        let (number, after) = rest.split_at(bytes);
        *rest = after;
        number.iter().fold(0usize, |sum, byte| sum << 8 | usize::from(*byte))
    };
    let mut rest = &settings[22..];
    for _ in 0..number(&mut rest, 1) {
        number(&mut rest, 1);
        for _ in 0..number(&mut rest, 2) {
            let length = number(&mut rest, 2);
            unit(&mut rest, length);
        }
    }
    let start = file.windows(4).position(|kind| kind == b"mdat").unwrap() + 4;
    let mut rest = &file[start..start + boxes.lengths[&boxes.primary] as usize];
    while !rest.is_empty() {
        let length = number(&mut rest, 4);
        unit(&mut rest, length);
    }
    stream
}
