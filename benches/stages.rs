//! Each stage on a 12-megapixel frame, in pixels a second: `cargo bench --bench stages`.
//!
//! `benches/single.py` and `benches/tiles.py` time whole jobs against the same work done with general-purpose libraries.

use criterion::{BatchSize, Criterion, Throughput, criterion_group, criterion_main};
use hyaline::archive::directory::Directory;
use hyaline::archive::icc::{Curve, gray_profile};
use hyaline::archive::{Compression, TiffFile, TiffMeta};
use hyaline::frame::{self, CaptureProfile};
use hyaline::geometry::Point;
use hyaline::geometry::resample::{Kernel, resample};
use hyaline::image::{Image, Size};
use hyaline::light::{FlatField, divide};
use hyaline::notes::PlateSize;
use hyaline::plate;
use hyaline::positive::Tone;
use hyaline::units::Density;
use std::hint::black_box;
use std::path::Path;

const COLUMNS: u32 = 4032;
const ROWS: u32 = 3024;

/// A frame of a half plate on a bare panel, or of the panel alone, as JPEG.
fn jpeg(with_plate: bool) -> Vec<u8> {
    let image = image::GrayImage::from_fn(COLUMNS, ROWS, |x, y| {
        let (u, v) = (f64::from(x) / f64::from(COLUMNS) - 0.5, f64::from(y) / f64::from(ROWS) - 0.5);
        let inset = (0.44 - u.abs()).min((0.43 - v.abs()) * 0.75);
        let grain =
            f64::from((x.wrapping_mul(7919) ^ y.wrapping_mul(104_729)).wrapping_mul(2_654_435_761) >> 24) / 255.0 - 0.5;
        let t = match inset {
            d if !with_plate || d < 0.0 => 1.0,
            d if d < 0.015 => 0.76,
            _ => 0.05 + 0.4 * ((u * 60.0).sin() * (v * 50.0).cos() + 1.0) / 2.0,
        };
        let light = (0.8 - 0.4 * (u * u + v * v)) * t * (1.0 + 0.02 * grain);
        image::Luma([(255.0 * light.powf(1.0 / 2.2)) as u8])
    });
    let mut bytes = Vec::new();
    image::codecs::jpeg::JpegEncoder::new_with_quality(&mut bytes, 95).encode_image(&image).expect("in memory");
    bytes
}

fn stages(c: &mut Criterion) {
    let folder = tempfile::tempdir().expect("a folder for the frames");
    let file = |name: &str, bytes: &[u8]| {
        let path = folder.path().join(name);
        std::fs::write(&path, bytes).expect("room for a frame");
        path
    };
    let profile = CaptureProfile::load("srgb", Path::new(".")).expect("a built-in profile");
    let (blank_file, plate_file) = (file("blank.jpg", &jpeg(false)), file("plate.jpg", &jpeg(true)));
    let blank = frame::read(&blank_file, &profile).expect("a sound frame");
    let capture = frame::read(&plate_file, &profile).expect("a sound frame");
    let flat = FlatField::from_frames(&[&blank, &blank], None);
    let seen = divide(&capture, &flat, None, None).expect("frames of one size").transmittance;
    let size = PlateSize { name: "4.75x6.5in".into(), short_mm: 120.65, long_mm: 165.1 };
    let outline = plate::find(&seen, &size, None).expect("a plate");
    let pixels = Size::new(2600, 3560);
    let scale = outline.size_mm[0] / pixels.columns as f64;
    let kernel = Kernel::new(1.0);
    let rectify = || resample(&seen, pixels, &kernel, |p: Point| outline.view.to_capture(p * scale));
    let codes: Image<u16> = rectify().map(|t| (t.0.clamp(0.0, 1.0) * 65535.0 + 0.5) as u16);
    let tone = Tone::load("paper", Path::new(".")).expect("a built-in profile");
    let meta = TiffMeta {
        ppi: 550.0,
        icc: gray_profile(Curve::Linear),
        xmp: String::new(),
        description: String::new(),
        tags: Directory::new(),
        exif: Directory::new(),
        gps: Directory::new(),
        compression: Compression::None,
    };

    let mut group = c.benchmark_group("stages");
    group.sample_size(10).throughput(Throughput::Elements(u64::from(COLUMNS * ROWS)));
    group.bench_function("decode", |b| b.iter(|| frame::read(black_box(&plate_file), &profile)));
    group.bench_function("blank of two", |b| b.iter(|| FlatField::from_frames(&[&blank, &blank], None)));
    group.bench_function("divide", |b| b.iter(|| divide(black_box(&capture), &flat, None, None)));
    group.bench_function("outline", |b| b.iter(|| plate::find(black_box(&seen), &size, None)));
    group.bench_function("rectify", |b| b.iter(rectify));
    group.bench_function("print", |b| {
        b.iter(|| {
            let table = tone.table_for(Density(0.12), 0.0);
            codes.map(|code| table[code as usize])
        })
    });
    let target = folder.path().join("written.tif");
    group.bench_function("write", |b| {
        b.iter_batched(
            || TiffFile::create(&target, pixels, &meta).expect("room for a file"),
            |mut tiff| tiff.rows(codes.pixels()).and_then(|()| tiff.finish()),
            BatchSize::PerIteration,
        )
    });
    group.finish();
}

criterion_group!(benches, stages);
criterion_main!(benches);
