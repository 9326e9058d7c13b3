//! A picture to be measured: its codes, and the light that each stands for.
//!
//! In: a TIFF, PNG or JPEG file. Out: one channel of 16-bit codes with a table of light from 0 to 1, and the samples an inch that a
//! TIFF states. Light follows from the embedded profile where its curve is known; without one values are taken to follow
//! the sRGB curve, as the web takes them. Colour becomes luminance, weighted in light (Rec. 709). Fails for what cannot be decoded
//! and for more than 4 GiB of pixels.

use crate::error::{Error, Fault, InFile};
use crate::image::{Image, Size, Window};
use crate::positive::lightness;
use image::{DynamicImage, ImageDecoder, ImageReader, Limits};
use moxcms::{ColorProfile, DataColorSpace, ToneReprCurve};
use std::fs::File;
use std::io::BufReader;
use std::path::Path;

/// Pixels may take this much memory.
const MOST_BYTES: u64 = 4 << 30;

/// How values follow from light.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Values {
    /// In proportion to it, as in a negative's file
    Linear,
    /// By the sRGB curve
    Srgb,
}

/// One channel of a picture.
#[derive(Debug, Clone)]
pub struct Picture {
    codes: Image<u16>,
    /// Light of each 16-bit code.
    light: Vec<f32>,
    pub values: Values,
    /// Samples an inch, as the file states them.
    pub stated_ppi: Option<f64>,
}

impl Picture {
    /// Light is `code / 65535`, or what the sRGB curve makes of it.
    pub fn new(codes: Image<u16>, values: Values, stated_ppi: Option<f64>) -> Picture {
        let light = (0..=65535u32).map(|code| code as f64 / 65535.0).map(|value| match values {
            Values::Linear => value as f32,
            Values::Srgb => lightness::decode(value) as f32,
        });
        Picture { codes, light: light.collect(), values, stated_ppi }
    }

    /// Reads a file; `values` overrules its profile.
    pub fn read(path: &Path, values: Option<Values>) -> Result<Picture, Error> {
        let failed = |e: image::ImageError| match e {
            image::ImageError::IoError(e) if e.kind() != std::io::ErrorKind::UnexpectedEof => {
                crate::error::io_fault(&e)
            }
            e => Fault::new(format!("it cannot be decoded: {e}"), "give a whole TIFF, PNG or JPEG file"),
        };
        let file = BufReader::new(File::open(path).in_file(path)?);
        let mut reader = ImageReader::new(file).with_guessed_format().in_file(path)?;
        let mut limits = Limits::no_limits();
        limits.max_alloc = Some(MOST_BYTES);
        reader.limits(limits);
        let mut decoder = reader.into_decoder().map_err(failed).in_file(path)?;
        let (width, height) = decoder.dimensions();
        if width as u64 * height as u64 > MOST_BYTES / 2 || width == 0 || height == 0 {
            let fault =
                Fault::new(format!("it claims {width}×{height} pixels"), "measure a picture of at most 2 gigapixels");
            return Err(Error::new(path, fault));
        }
        // The decoder keeps a TIFF's profile to itself where it is larger than the pixels.
        let tags = tags(path);
        let profile = tags.profile.or_else(|| decoder.icc_profile().ok().flatten());
        let picture = DynamicImage::from_decoder(decoder).map_err(failed).in_file(path)?;
        let values = values.unwrap_or_else(|| stated(profile.as_deref()));
        Ok(Picture::new(codes(picture, values), values, tags.ppi))
    }

    pub fn size(&self) -> Size {
        self.codes.size()
    }

    /// Light of a part of the picture.
    pub fn light(&self, window: Window) -> Image<f32> {
        self.codes.crop(window).map(|code| self.light[code as usize])
    }

    /// How often each code occurs.
    pub fn counts(&self) -> Vec<u64> {
        let mut counts = vec![0; 65536];
        self.codes.pixels().iter().for_each(|code| counts[*code as usize] += 1);
        counts
    }

    /// The least light above none that the file can state: half a code counts as that of no light.
    pub fn floor(&self) -> f32 {
        self.light[1] / 2.0
    }
}

/// What an embedded profile says of the values: linear where its curve is a straight line.
fn stated(profile: Option<&[u8]>) -> Values {
    let Some(profile) = profile.and_then(|bytes| ColorProfile::new_from_slice(bytes).ok()) else { return Values::Srgb };
    let curve = if profile.color_space == DataColorSpace::Gray { &profile.gray_trc } else { &profile.green_trc };
    let linear = match curve {
        Some(ToneReprCurve::Lut(table)) => table.is_empty() || *table == [256] || (table.len() > 1 && straight(table)),
        Some(ToneReprCurve::Parametric(figures)) => figures.first() == Some(&1.0),
        None => false,
    };
    if linear { Values::Linear } else { Values::Srgb }
}

fn straight(table: &[u16]) -> bool {
    let last = (table.len() - 1) as f64;
    table.iter().enumerate().all(|(k, value)| (*value as f64 - 65535.0 * k as f64 / last).abs() < 64.0)
}

/// One channel of 16 bits: gray as it is, colour as luminance.
fn codes(picture: DynamicImage, values: Values) -> Image<u16> {
    let size = Size::new(picture.height() as usize, picture.width() as usize);
    if !picture.color().has_color() {
        return Image::from_vec(size, picture.into_luma16().into_raw());
    }
    let colour = picture.into_rgb16();
    let (to_light, to_value): (fn(f64) -> f64, fn(f64) -> f64) = match values {
        Values::Linear => (|v| v, |y| y),
        Values::Srgb => (lightness::decode, lightness::encode),
    };
    let samples = colour.as_raw();
    Image::from_rows(size, 0, |row, out| {
        let row = &samples[row * size.columns * 3..][..size.columns * 3];
        for (code, rgb) in out.iter_mut().zip(row.chunks_exact(3)) {
            let [r, g, b] = [rgb[0], rgb[1], rgb[2]].map(|c| to_light(c as f64 / 65535.0));
            *code = (to_value(0.2126 * r + 0.7152 * g + 0.0722 * b) * 65535.0).round() as u16;
        }
    })
}

/// What a TIFF's tags say; nothing for other files.
#[derive(Default)]
struct Tags {
    /// Samples an inch, where both ways are alike.
    ppi: Option<f64>,
    profile: Option<Vec<u8>>,
}

fn tags(path: &Path) -> Tags {
    use tiff::decoder::{Decoder, ifd::Value};
    use tiff::tags::Tag;
    let file = File::open(path).ok().map(BufReader::new);
    let Some(mut decoder) = file.and_then(|file| Decoder::new(file).ok()) else { return Tags::default() };
    let mut rational = |tag| match decoder.get_tag(tag) {
        Ok(Value::Rational(over, under)) if under > 0 => Some(over as f64 / under as f64),
        _ => None,
    };
    let ways = rational(Tag::XResolution).zip(rational(Tag::YResolution));
    let inches = match decoder.get_tag_u32(Tag::ResolutionUnit).unwrap_or(2) {
        2 => Some(1.0),
        3 => Some(2.54),
        _ => None,
    };
    let ppi =
        ways.filter(|(x, y)| *x > 1.0 && (x / y - 1.0).abs() < 1e-3).zip(inches).map(|((x, _), inches)| x * inches);
    Tags { ppi, profile: decoder.get_tag_u8_vec(Tag::IccProfile).ok() }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn write_tiff(path: &Path, icc: Option<ColorProfile>) {
        use tiff::encoder::{TiffEncoder, colortype::Gray16};
        use tiff::tags::{ResolutionUnit, Tag};
        let mut encoder = TiffEncoder::new(File::create(path).unwrap()).unwrap();
        let mut image = encoder.new_image::<Gray16>(2, 1).unwrap();
        image.resolution(ResolutionUnit::Inch, tiff::encoder::Rational { n: 1200, d: 1 });
        if let Some(icc) = icc {
            image.encoder().write_tag(Tag::IccProfile, &icc.encode().unwrap()[..]).unwrap();
        }
        image.write_data(&[16384, 65535]).unwrap();
    }

    /// A linear profile makes code 16384 a quarter of the light; without a profile it is what the sRGB curve makes of it, 0.0509
    /// (IEC 61966-2-1: ((0.25 + 0.055) / 1.055)^2.4).
    #[test]
    fn light_follows_from_the_profile() {
        let folder = tempfile::tempdir().unwrap();
        let (linear, plain) = (folder.path().join("linear.tif"), folder.path().join("plain.tif"));
        let mut profile = ColorProfile::new_gray_with_gamma(1.0);
        profile.gray_trc = Some(ToneReprCurve::Lut(Vec::new()));
        write_tiff(&linear, Some(profile));
        write_tiff(&plain, None);
        let all = Window { row: 0, column: 0, size: Size::new(1, 2) };
        let picture = Picture::read(&linear, None).unwrap();
        assert_eq!((picture.values, picture.stated_ppi), (Values::Linear, Some(1200.0)));
        assert!((picture.light(all).at(0, 0) - 0.25).abs() < 1e-4);
        let picture = Picture::read(&plain, None).unwrap();
        assert!((picture.light(all).at(0, 0) - 0.0509).abs() < 1e-4);
        assert!((Picture::read(&plain, Some(Values::Linear)).unwrap().light(all).at(0, 0) - 0.25).abs() < 1e-4);
    }

    #[test]
    fn broken_files_are_told_by_name() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("broken.tif");
        write_tiff(&path, None);
        let whole = std::fs::read(&path).unwrap();
        for length in 0..whole.len() {
            std::fs::write(&path, &whole[..length]).unwrap();
            if let Err(e) = Picture::read(&path, None) {
                assert!(e.to_string().contains("broken.tif"), "{e}");
            }
        }
        std::fs::write(&path, "only words").unwrap();
        assert!(Picture::read(&path, None).is_err());
        assert!(Picture::read(&folder.path().join("none.tif"), None).is_err());
    }
}
