//! A picture to be measured: its light, in whole or in part, and the samples an inch that it states.
//!
//! In: any file that is read as a capture (a negative's and a positive's TIFF among them) and how its codes stand for light. Out: one
//! channel of light; colour becomes luminance, weighted in light (Rec. 709). Fails for what cannot be decoded, and for a raw mosaic,
//! whose neighbours lie under different filters.

use crate::error::{Fault, Warning};
use crate::frame::{self, CaptureProfile, Frame, Layout};
use crate::image::{Image, Size, Window};
use std::fs::File;
use std::io::BufReader;
use std::path::Path;

/// Rec. 709, for linear red, green and blue.
const LUMINANCE: [f32; 3] = [0.2126, 0.7152, 0.0722];

/// One channel of light.
#[derive(Debug, Clone)]
pub struct Picture {
    frame: Frame,
    /// Samples an inch, as a TIFF states them.
    pub stated_ppi: Option<f64>,
}

impl Picture {
    /// Reads a file. `profile` says how its codes stand for light, unless its own profile says that they are linear.
    pub fn read(path: &Path, profile: &CaptureProfile) -> Result<Picture, Fault> {
        let frame = frame::read(path, profile)?;
        if let Layout::Mosaic(_) = frame.layout {
            return Err(Fault::new("it is a raw mosaic", "measure the negative that came of it, or a developed file"));
        }
        Ok(Picture { frame, stated_ppi: ppi(path) })
    }

    pub fn size(&self) -> Size {
        self.frame.size
    }

    pub fn warnings(&self) -> &[Warning] {
        &self.frame.warnings
    }

    /// Light of a part of the picture.
    pub fn light(&self, window: Window) -> Image<f32> {
        Image::from_rows(window.size, 0.0, |row, out| {
            for (column, light) in out.iter_mut().enumerate() {
                let at = |channel| self.frame.linear(window.row + row, window.column + column, channel).0;
                *light = match self.frame.layout {
                    Layout::Rgb => (0..3).map(|channel| LUMINANCE[channel] * at(channel)).sum(),
                    Layout::Gray | Layout::Mosaic(_) => at(0),
                };
            }
        })
    }

    /// The least light that the file can state: half of what its first code above black stands for.
    pub fn floor(&self) -> f32 {
        let least = self.frame.tables.iter().flatten().copied().filter(|light| *light > 0.0).fold(1.0, f32::min);
        least / 2.0
    }
}

/// Samples an inch from a TIFF's tags; none for other files, and where both ways differ.
fn ppi(path: &Path) -> Option<f64> {
    use tiff::decoder::{Decoder, ifd::Value};
    use tiff::tags::Tag;
    let mut decoder = Decoder::new(BufReader::new(File::open(path).ok()?)).ok()?;
    let mut rational = |tag| match decoder.get_tag(tag) {
        Ok(Value::Rational(over, under)) if under > 0 => Some(over as f64 / under as f64),
        _ => None,
    };
    let (x, y) = (rational(Tag::XResolution)?, rational(Tag::YResolution)?);
    let inches = match decoder.get_tag_u32(Tag::ResolutionUnit).unwrap_or(2) {
        2 => 1.0,
        3 => 2.54,
        _ => return None,
    };
    (x > 1.0 && (x / y - 1.0).abs() < 1e-3).then_some(x * inches)
}

#[cfg(test)]
mod tests {
    use super::*;
    use tiff::encoder::{Rational, TiffEncoder, colortype};
    use tiff::tags::ResolutionUnit;

    fn write(path: &Path, unit: ResolutionUnit, per_unit: u32) {
        let mut encoder = TiffEncoder::new(File::create(path).unwrap()).unwrap();
        let mut image = encoder.new_image::<colortype::RGB16>(2, 1).unwrap();
        image.resolution(unit, Rational { n: per_unit, d: 1 });
        image.write_data(&[65535, 0, 0, 0, 65535, 65535]).unwrap();
    }

    /// Rec. 709: red alone is 0.2126 of the light, green and blue together 0.7874. 400 samples a centimetre are 1016 an inch.
    #[test]
    fn colour_is_luminance_and_tags_are_samples_an_inch() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("a.tif");
        write(&file, ResolutionUnit::Centimeter, 400);
        let picture = Picture::read(&file, &CaptureProfile::linear()).unwrap();
        let light = picture.light(Window { row: 0, column: 0, size: Size::new(1, 2) });
        assert!((light.at(0, 0) - 0.2126).abs() < 1e-6 && (light.at(0, 1) - 0.7874).abs() < 1e-6);
        assert_eq!(picture.stated_ppi, Some(1016.0));
        assert!((picture.floor() - 0.5 / 65535.0).abs() < 1e-8);
        write(&file, ResolutionUnit::None, 400);
        assert_eq!(Picture::read(&file, &CaptureProfile::srgb()).unwrap().stated_ppi, None);
    }
}
