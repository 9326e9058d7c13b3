//! Exif into [`Settings`]: from a block of it (JPEG, PNG, HEIF), or from a TIFF's own directories.
//!
//! In: what the container holds. Out: the settings it states; what is missing, blank, zero where zero means unknown, or
//! damaged is none, since a frame without Exif is still a frame. Never fails.
//!
//! Exif 2.32 (CIPA DC-008-2019), section 4.6; APEX values stand in where the plain ones are missing.

use super::Settings;
use super::ifd::{Directory, Tiff, tag};
use exif::{Context, Exif, In, Rational, Reader, SRational, Tag, Value};
use std::io::{Read, Seek};

/// Settings from an Exif block, which is a small TIFF ("II*\0..." or "MM\0*...").
pub fn from_block(block: Vec<u8>) -> Settings {
    let parsed = Reader::new().continue_on_error(true).read_raw(block);
    let parsed = parsed.or_else(|e| e.distill_partial_result(|_| ()));
    parsed.map_or_else(
        |_| Settings::default(),
        |exif: Exif| settings(|tag| exif.get_field(tag, In::PRIMARY).map(|field| field.value.clone())),
    )
}

/// Settings from a TIFF's first directory and the Exif directory it points to.
pub fn from_tiff<R: Read + Seek>(tiff: &mut Tiff<R>, main: &Directory) -> Settings {
    let exif = tiff.pointers(main, tag::EXIF_IFD).first().and_then(|at| tiff.directory(*at).ok());
    settings(|Tag(context, number)| {
        let own = match context {
            Context::Exif => exif.as_ref().and_then(|d| value(tiff, d, number)),
            _ => None,
        };
        // TIFF/EP, and raw files after it, put Exif's tags into the first directory itself.
        own.or_else(|| value(tiff, main, number))
    })
}

/// A field of a directory, in the shape of the Exif library's values.
fn value<R: Read + Seek>(tiff: &mut Tiff<R>, directory: &Directory, number: u16) -> Option<Value> {
    if let Some(text) = tiff.text(directory, number) {
        return Some(Value::Ascii(vec![text.into_bytes()]));
    }
    tiff.numbers(directory, number).ok()?.map(Value::Double)
}

fn settings(mut field: impl FnMut(Tag) -> Option<Value>) -> Settings {
    let mut number = |tag: Tag| field(tag).as_ref().and_then(first_number);
    let exposure_s = number(Tag::ExposureTime)
        .filter(|t| *t > 0.0)
        .or_else(|| number(Tag::ShutterSpeedValue).map(|tv| (-tv).exp2()));
    let f_number =
        number(Tag::FNumber).filter(|n| *n > 0.0).or_else(|| number(Tag::ApertureValue).map(|av| (av / 2.0).exp2()));
    // A SHORT cannot say more than 65535; a LONG field beside it does then.
    let iso = number(Tag::PhotographicSensitivity)
        .filter(|s| *s > 0.0 && *s < 65535.0)
        .or_else(|| number(Tag::ISOSpeed))
        .or_else(|| number(Tag::RecommendedExposureIndex))
        .or_else(|| number(Tag::StandardOutputSensitivity));
    let focal_length_mm = number(Tag::FocalLength).filter(|f| *f > 0.0);
    let focal_length_35mm = number(Tag::FocalLengthIn35mmFilm).filter(|f| *f > 0.0);
    // Exif: a numerator of 0 means that no digital zoom was used.
    let digital_zoom = number(Tag::DigitalZoomRatio).map(|z| if z == 0.0 { 1.0 } else { z });
    // 0 means unknown, 0xFFFFFFFF infinity.
    let subject_distance_m = number(Tag::SubjectDistance).filter(|d| *d > 0.0 && *d < 1e6);
    let white_balance = match number(Tag::WhiteBalance) {
        Some(0.0) => Some("automatic".to_string()),
        Some(1.0) => Some("set by hand".to_string()),
        _ => None,
    };
    // CompositeImage: 2 is a general composite, 3 one that was captured while shooting (Exif 2.32, § 4.6.6).
    let processing = match (number(Tag::CompositeImage), number(Tag::CustomRendered)) {
        (Some(2.0 | 3.0), _) => Some("merged from several frames".to_string()),
        (_, Some(custom)) if custom > 0.0 => Some("custom".to_string()),
        _ => None,
    };
    let orientation = number(Tag::Orientation).filter(|o| (1.0..=8.0).contains(o)).map(|o| o as u16);
    let mut text = |tag: Tag| field(tag).as_ref().and_then(first_text);
    Settings {
        make: text(Tag::Make),
        model: text(Tag::Model),
        lens_model: text(Tag::LensModel),
        software: text(Tag::Software),
        exposure_s,
        f_number,
        iso,
        focal_length_mm,
        focal_length_35mm,
        digital_zoom,
        subject_distance_m,
        white_balance,
        processing,
        taken: [Tag::DateTimeOriginal, Tag::DateTimeDigitized, Tag::DateTime]
            .into_iter()
            .find_map(|tag| text(tag).as_deref().and_then(date)),
        taken_offset: text(Tag::OffsetTimeOriginal).or_else(|| text(Tag::OffsetTime)).filter(|o| is_offset(o)),
        orientation,
    }
}

fn first_number(value: &Value) -> Option<f64> {
    let number = match value {
        Value::Rational(v) => v.first().map(Rational::to_f64),
        Value::SRational(v) => v.first().map(SRational::to_f64),
        Value::Float(v) => v.first().map(|n| f64::from(*n)),
        Value::Double(v) => v.first().copied(),
        other => other.get_uint(0).map(f64::from),
    };
    number.filter(|n| n.is_finite())
}

fn first_text(value: &Value) -> Option<String> {
    let Value::Ascii(parts) = value else { return None };
    let bytes = parts.first()?;
    let end = bytes.iter().position(|b| *b == 0).unwrap_or(bytes.len());
    let text = String::from_utf8_lossy(&bytes[..end]).trim().to_string();
    (!text.is_empty()).then_some(text)
}

/// "2026:03:15 10:02:11" as "2026-03-15T10:02:11"; none where a camera without a clock left blanks or zeros.
fn date(text: &str) -> Option<String> {
    let (day, time) = text.split_once([' ', 'T'])?;
    let stamp = format!("{}T{}", day.replace([':', '/'], "-"), time.trim());
    stamp.parse::<jiff::civil::DateTime>().ok().map(|t| t.strftime("%Y-%m-%dT%H:%M:%S").to_string())
}

fn is_offset(text: &str) -> bool {
    matches!(text.as_bytes(), [b'+' | b'-', a, b, b':', c, d] if [a, b, c, d].iter().all(|x| x.is_ascii_digit()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Cursor;

    fn block(fields: &[(Tag, Value)]) -> Vec<u8> {
        let fields: Vec<_> = fields
            .iter()
            .map(|(tag, value)| exif::Field { tag: *tag, ifd_num: In::PRIMARY, value: value.clone() })
            .collect();
        let mut writer = exif::experimental::Writer::new();
        fields.iter().for_each(|f| writer.push_field(f));
        let mut out = Cursor::new(Vec::new());
        writer.write(&mut out, false).unwrap();
        out.into_inner()
    }

    fn ratio(num: u32, denom: u32) -> Value {
        Value::Rational(vec![Rational { num, denom }])
    }

    fn ascii(text: &str) -> Value {
        Value::Ascii(vec![text.as_bytes().to_vec()])
    }

    #[test]
    fn a_block_and_a_tiff_say_the_same() {
        let bytes = block(&[
            (Tag::Make, ascii("Maker")),
            (Tag::Model, ascii("One ")),
            (Tag::Orientation, Value::Short(vec![6])),
            (Tag::ExposureTime, ratio(1, 30)),
            (Tag::FNumber, ratio(17, 10)),
            (Tag::PhotographicSensitivity, Value::Short(vec![50])),
            (Tag::FocalLength, ratio(0, 0)),
            (Tag::DigitalZoomRatio, ratio(0, 1)),
            (Tag::DateTimeOriginal, ascii("2026:03:15 10:02:11")),
            (Tag::OffsetTimeOriginal, ascii("+01:00")),
            (Tag::SubjectDistance, ratio(u32::MAX, 1)),
            (Tag::WhiteBalance, Value::Short(vec![0])),
            (Tag::CustomRendered, Value::Short(vec![1])),
            (Tag::CompositeImage, Value::Short(vec![3])),
        ]);
        let expected = Settings {
            make: Some("Maker".into()),
            model: Some("One".into()),
            orientation: Some(6),
            exposure_s: Some(1.0 / 30.0),
            f_number: Some(1.7),
            iso: Some(50.0),
            digital_zoom: Some(1.0),
            white_balance: Some("automatic".into()),
            processing: Some("merged from several frames".into()),
            taken: Some("2026-03-15T10:02:11".into()),
            taken_offset: Some("+01:00".into()),
            ..Settings::default()
        };
        assert_eq!(from_block(bytes.clone()), expected);
        let mut tiff = Tiff::open(Cursor::new(bytes)).unwrap();
        let main = tiff.main().unwrap();
        assert_eq!(from_tiff(&mut tiff, &main), expected);
    }

    /// Exif 2.32, table 8: Tv = −log2 t and Av = 2 log2 N, so Tv 5 is 1/32 s and Av 4 is f/4.
    #[test]
    fn apex_stands_in_where_plain_values_are_missing() {
        let bytes = block(&[
            (Tag::ShutterSpeedValue, Value::SRational(vec![SRational { num: 5, denom: 1 }])),
            (Tag::ApertureValue, ratio(4, 1)),
            (Tag::DateTimeOriginal, ascii("    :  :     :  :  ")),
        ]);
        let got = from_block(bytes);
        assert_eq!((got.exposure_s, got.f_number, got.taken), (Some(1.0 / 32.0), Some(4.0), None));
    }

    #[test]
    fn rubbish_says_nothing() {
        assert_eq!(from_block(vec![0; 40]), Settings::default());
        let bytes = block(&[(Tag::ExposureTime, ratio(1, 30)), (Tag::Model, ascii("One of a kind"))]);
        for end in 0..bytes.len() {
            from_block(bytes[..end].to_vec());
        }
    }
}
