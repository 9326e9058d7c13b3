//! Captures as files: JPEG, 16-bit TIFF and Bayer DNG, each with the Exif of a made-up camera.
//!
//! In: linear samples (1 at saturation) and [`Shot`]. Out: bytes of a file. Fails only where the JPEG library does.

pub mod tags;

use crate::error::Fault;
use crate::image::{Image, Size};
use jpeg_encoder::{ColorType, Encoder, SamplingFactor};
use rayon::prelude::*;
use tags::{Entry, Value, structure};

/// What Exif says of one frame.
#[derive(Debug, Clone, PartialEq)]
pub struct Shot {
    pub model: String,
    pub lens: String,
    pub time_s: f64,
    pub f_number: f64,
    pub iso: u16,
    pub focal_mm: f64,
    /// As on 35 mm film: of the same angle over the frame's diagonal.
    pub focal_35mm: u16,
    /// "2026:05:18 19:40:05"
    pub taken: String,
    pub orientation: u16,
}

/// No firm's name.
const MAKE: &str = "Salt Marsh Works";

impl Shot {
    fn main(&self) -> Vec<Entry> {
        vec![
            (271, Value::Text(MAKE.into())),
            (272, Value::Text(self.model.clone())),
            (274, Value::Short(vec![self.orientation])),
            (305, Value::Text("made-up capture".into())),
            (306, Value::Text(self.taken.clone())),
        ]
    }

    fn exif(&self) -> Vec<Entry> {
        let hundredths = |v: f64| Value::Rational(vec![((v * 100.0).round() as u32, 100)]);
        vec![
            (33434, Value::Rational(vec![shutter(self.time_s)])),
            (33437, hundredths(self.f_number)),
            (34855, Value::Short(vec![self.iso])),
            (36864, Value::Undefined(b"0232".to_vec())),
            (36867, Value::Text(self.taken.clone())),
            (36868, Value::Text(self.taken.clone())),
            (36881, Value::Text("+00:00".into())),
            (37386, hundredths(self.focal_mm)),
            (41989, Value::Short(vec![self.focal_35mm])),
            (42036, Value::Text(self.lens.clone())),
        ]
    }
}

/// A shutter time as Exif writes it: 1/n where that is exact, microseconds otherwise.
fn shutter(seconds: f64) -> (u32, u32) {
    let n = (1.0 / seconds).round();
    if n >= 1.0 && (n * seconds - 1.0).abs() < 1e-9 {
        (1, n as u32)
    } else {
        ((seconds * 1e6).round() as u32, 1_000_000)
    }
}

/// 8 bits, sRGB (IEC 61966-2-1), quality 95, chroma at half the sampling each way. As in a camera, codes are rounded once, as luma and
/// chroma (ITU-T T.871, clause 7): those of rounded colours would be off by up to 0.1 in the mean.
pub fn jpeg(samples: &[f32], size: Size, shot: &Shot) -> Result<Vec<u8>, Fault> {
    const STEPS: f32 = 65535.0;
    let table: Vec<f32> = (0..=STEPS as usize)
        .map(|i| {
            let v = i as f64 / f64::from(STEPS);
            let coded = if v <= 0.003_130_8 { 12.92 * v } else { 1.055 * v.powf(1.0 / 2.4) - 0.055 };
            (255.0 * coded) as f32
        })
        .collect();
    let code = |v: f32| table[(v.clamp(0.0, 1.0) * STEPS + 0.5) as usize];
    let colours = samples.as_chunks::<3>().0.par_iter();
    let codes: Vec<[u8; 3]> = colours
        .map(|colour| {
            let [r, g, b] = colour.map(code);
            let y = 0.299 * r + 0.587 * g + 0.114 * b;
            [y, (b - y) / 1.772 + 128.0, (r - y) / 1.402 + 128.0].map(|v| v.round() as u8)
        })
        .collect();
    // Exif goes into an APP1 segment (Exif 2.32, section 4.7).
    let exif = [b"Exif\0\0".to_vec(), structure(shot.main(), shot.exif(), None)].concat();
    let mut file = Vec::new();
    let mut encoder = Encoder::new(&mut file, 95);
    encoder.set_sampling_factor(SamplingFactor::R_4_2_0);
    let side = |n: usize| u16::try_from(n).unwrap_or(0);
    encoder
        .add_app_segment(1, exif)
        .and_then(|()| encoder.encode(codes.as_flattened(), side(size.columns), side(size.rows), ColorType::Ycbcr))
        .map_err(|e| {
            Fault::new(format!("a JPEG could not be written: {e}"), "make the frame smaller than 65536 pixels a side")
        })?;
    Ok(file)
}

fn sixteen(samples: &[f32], code: impl Fn(f32) -> f32 + Sync) -> Vec<u8> {
    samples.par_iter().flat_map_iter(|v| (code(*v).round().clamp(0.0, 65535.0) as u16).to_le_bytes()).collect()
}

fn strip_tags(size: Size, bytes: usize) -> Vec<Entry> {
    vec![
        (254, Value::Long(vec![0])),
        (256, Value::Long(vec![size.columns as u32])),
        (257, Value::Long(vec![size.rows as u32])),
        (258, Value::Short(vec![16])),
        (259, Value::Short(vec![1])),
        (277, Value::Short(vec![1])),
        (278, Value::Long(vec![size.rows as u32])),
        (279, Value::Long(vec![bytes as u32])),
        (284, Value::Short(vec![1])),
    ]
}

/// 16 bits, gray, values proportional to light, with a profile that says so.
pub fn tiff(samples: &[f32], size: Size, shot: &Shot) -> Result<Vec<u8>, Fault> {
    let strip = sixteen(samples, |v| v * 65535.0);
    let mut main = shot.main();
    main.extend(strip_tags(size, strip.len()));
    main.push((262, Value::Short(vec![1])));
    main.push((34675, Value::Undefined(linear_gray_profile()?)));
    Ok(structure(main, shot.exif(), Some(&strip)))
}

fn linear_gray_profile() -> Result<Vec<u8>, Fault> {
    let text = |s: &str| {
        moxcms::ProfileText::Localizable(vec![moxcms::LocalizableString {
            language: "en".into(),
            country: "GB".into(),
            value: s.into(),
        }])
    };
    let mut profile = moxcms::ColorProfile::new_gray_with_gamma(1.0);
    profile.gray_trc = Some(moxcms::ToneReprCurve::Lut(Vec::new()));
    profile.description = Some(text("Gray, proportional to light"));
    profile.copyright = Some(text("CC0"));
    profile.creation_date_time =
        moxcms::ColorDateTime { year: 2026, month: 1, day_of_the_month: 1, hours: 0, minutes: 0, seconds: 0 };
    profile.encode().map_err(|e| Fault::new(format!("a colour profile could not be written: {e}"), "report this"))
}

/// 16 bits, gray, numbers as they are: for the truth's densities.
pub fn gray16(values: &Image<f64>) -> Vec<u8> {
    let strip: Vec<u8> =
        values.pixels().par_iter().flat_map_iter(|v| (v.round().clamp(0.0, 65535.0) as u16).to_le_bytes()).collect();
    let mut main = strip_tags(values.size(), strip.len());
    main.push((262, Value::Short(vec![1])));
    structure(main, Vec::new(), Some(&strip))
}

/// Codes of black and of saturation in the DNG: 14 bits above a pedestal.
pub const DNG_BLACK: f32 = 512.0;
pub const DNG_WHITE: f32 = 16383.0;

/// A Bayer mosaic (red, green / green, blue), uncompressed, 14 bits in 16 (DNG 1.4).
pub fn dng(samples: &[f32], size: Size, shot: &Shot) -> Vec<u8> {
    let strip = sixteen(samples, |v| (DNG_BLACK + v * (DNG_WHITE - DNG_BLACK)).min(DNG_WHITE));
    let mut main = shot.main();
    main.extend(strip_tags(size, strip.len()));
    let parts = |v: [f64; 9]| Value::Signed(v.iter().map(|x| ((x * 10_000.0).round() as i32, 10_000)).collect());
    main.extend([
        (262, Value::Short(vec![32803])),
        (33421, Value::Short(vec![2, 2])),
        (33422, Value::Bytes(vec![0, 1, 1, 2])),
        (50706, Value::Bytes(vec![1, 4, 0, 0])),
        (50707, Value::Bytes(vec![1, 1, 0, 0])),
        (50708, Value::Text(format!("{MAKE} {}", shot.model))),
        (50714, Value::Short(vec![DNG_BLACK as u16])),
        (50717, Value::Short(vec![DNG_WHITE as u16])),
        // XYZ to camera under D65: the inverse of the sRGB primaries' matrix (IEC 61966-2-1).
        (50721, parts([3.2406, -1.5372, -0.4986, -0.9689, 1.8758, 0.0415, 0.0557, -0.2040, 1.0570])),
        (50728, Value::Rational(vec![(100, 100), (100, 100), (100, 100)])),
        (50778, Value::Short(vec![21])),
    ]);
    structure(main, shot.exif(), Some(&strip))
}
