//! Exif of a result: what the photographer did in the field.
//!
//! In: a plate's record. Out: the Exif and GPS directories. They tell of the plate (its exposure, its lens, its place), so that any
//! photo manager sorts and shows the results by it; only DateTimeDigitized tells of the copy. The copy's camera stands in XMP.
//! What the notes do not say is left out, and so is what Exif cannot hold: XMP has it all.
//!
//! Tags and types after Exif 2.32 (CIPA DC-008-2019). The EI is ExposureIndex, a rational, since ISO speed is a whole number there.

use super::directory::{Directory, Value, rational};
use crate::record::PlateRecord;
use jiff::fmt::temporal::Pieces;

/// Tags of the Exif directory that are read again for the record's cross-check.
pub mod tag {
    pub const EXPOSURE_TIME: u16 = 33434;
    pub const F_NUMBER: u16 = 33437;
    pub const DATE_TIME_ORIGINAL: u16 = 36867;
    pub const FOCAL_LENGTH: u16 = 37386;
    pub const EXPOSURE_INDEX: u16 = 41493;
    pub const LENS_MODEL: u16 = 42036;
}

/// A moment as Exif writes it: local time, and the offset from universal time where it is known.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Moment {
    /// "2026:03:14 15:40:00"
    pub local: String,
    /// Digits after the seconds' point.
    pub fraction: Option<String>,
    /// "+00:00"
    pub offset: Option<String>,
}

impl Moment {
    /// From RFC 3339 or ISO 8601 text. None where it is not a date with a time.
    pub fn parse(text: &str) -> Option<Moment> {
        let pieces = Pieces::parse(text).ok()?;
        let (date, time) = (pieces.date(), pieces.time()?);
        let two = |n: i8| format!("{n:02}");
        let local = format!(
            "{:04}:{}:{} {}:{}:{}",
            date.year(),
            two(date.month()),
            two(date.day()),
            two(time.hour()),
            two(time.minute()),
            two(time.second())
        );
        let fraction = format!("{:09}", time.subsec_nanosecond());
        let fraction = fraction.trim_end_matches('0');
        let offset = pieces.to_numeric_offset().map(|offset| {
            let minutes = offset.seconds() / 60;
            let sign = if minutes < 0 { '-' } else { '+' };
            format!("{sign}{:02}:{:02}", minutes.abs() / 60, minutes.abs() % 60)
        });
        Some(Moment { local, fraction: (!fraction.is_empty()).then(|| fraction.to_string()), offset })
    }
}

/// When the copy was made.
pub fn digitized(record: &PlateRecord) -> Option<Moment> {
    let camera = &record.copy.camera;
    let mut moment = Moment::parse(camera.taken.as_deref()?)?;
    let offset = camera.taken_offset.as_deref().filter(|o| Moment::parse(&format!("2000-01-01T00:00:00{o}")).is_some());
    moment.offset = moment.offset.or(offset.map(str::to_string));
    Some(moment)
}

/// The Exif directory.
pub fn exif(record: &PlateRecord, unique_id: &str) -> Directory {
    let exposure = &record.exposure;
    let mut exif = Directory::new();
    exif.set(36864, Value::Opaque(b"0232".to_vec())); // ExifVersion
    exif.set(40960, Value::Opaque(b"0100".to_vec())); // FlashpixVersion, which the standard asks for beside it
    exif.short(40961, 0xffff); // ColorSpace: the ICC profile says it
    exif.text(42016, unique_id); // ImageUniqueID
    let numbers = [
        (tag::EXPOSURE_TIME, exposure.shutter_s),
        (tag::F_NUMBER, exposure.aperture),
        (tag::FOCAL_LENGTH, exposure.focal_length_mm),
        (tag::EXPOSURE_INDEX, exposure.ei),
    ];
    for (tag, number) in numbers {
        if let Some(fraction) = number.and_then(rational).filter(|(above, _)| *above > 0) {
            exif.rational(tag, fraction);
        }
    }
    exif.text(tag::LENS_MODEL, exposure.lens.as_deref().unwrap_or_default());
    let moments = [
        (exposure.time.as_deref().and_then(Moment::parse), tag::DATE_TIME_ORIGINAL, 36881, 37521),
        (digitized(record), 36868, 36882, 37522),
    ];
    for (moment, local, offset, fraction) in moments {
        let Some(moment) = moment else { continue };
        exif.text(local, &moment.local);
        exif.text(offset, moment.offset.as_deref().unwrap_or_default());
        exif.text(fraction, moment.fraction.as_deref().unwrap_or_default());
    }
    exif
}

/// The GPS directory; empty where the notes name no place on the globe.
pub fn gps(record: &PlateRecord) -> Directory {
    let mut gps = Directory::new();
    let (Some(latitude), Some(longitude)) = (record.exposure.latitude, record.exposure.longitude) else { return gps };
    let (Some(north), Some(east)) = (sexagesimal(latitude, 90.0), sexagesimal(longitude, 180.0)) else { return gps };
    gps.set(0, Value::Bytes(vec![2, 3, 0, 0])); // GPSVersionID
    gps.text(1, if latitude < 0.0 { "S" } else { "N" });
    gps.set(2, Value::Rationals(north.to_vec()));
    gps.text(3, if longitude < 0.0 { "W" } else { "E" });
    gps.set(4, Value::Rationals(east.to_vec()));
    gps.set(27, Value::Opaque(b"ASCII\0\0\0MANUAL".to_vec())); // GPSProcessingMethod: the notes say where
    gps
}

/// Degrees, minutes and seconds of an angle's size, to a ten-thousandth of a second (3 mm on the ground).
fn sexagesimal(degrees: f64, most: f64) -> Option<[(u32, u32); 3]> {
    const PARTS: u64 = 10_000;
    if !(-most..=most).contains(&degrees) {
        return None;
    }
    let parts = (degrees.abs() * 3600.0 * PARTS as f64).round() as u64;
    let (minutes, seconds) = (parts / (60 * PARTS), parts % (60 * PARTS));
    Some([((minutes / 60) as u32, 1), ((minutes % 60) as u32, 1), (seconds as u32, PARTS as u32)])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::archive::plate_tiff::tests::record;

    #[test]
    fn moments_are_written_as_exif_wants_them() {
        let moment = |text| Moment::parse(text).map(|m| (m.local, m.fraction, m.offset));
        let some = |text: &str| Some(text.to_string());
        assert_eq!(moment("2026-03-14T15:40:00+00:00"), Some(("2026:03:14 15:40:00".into(), None, some("+00:00"))));
        assert_eq!(
            moment("2026-03-14T05:04:03.250-03:30"),
            Some(("2026:03:14 05:04:03".into(), some("25"), some("-03:30")))
        );
        assert_eq!(moment("2026-03-14 15:40:00Z"), Some(("2026:03:14 15:40:00".into(), None, some("+00:00"))));
        assert_eq!(moment("2026-03-14T15:40:00"), Some(("2026:03:14 15:40:00".into(), None, None)));
        assert_eq!(moment("2026-03-14"), None);
        assert_eq!(moment("yesterday"), None);
    }

    #[test]
    fn places_are_degrees_minutes_and_seconds() {
        assert_eq!(sexagesimal(54.1, 90.0), Some([(54, 1), (6, 1), (0, 10_000)]));
        assert_eq!(sexagesimal(-2.8, 180.0), Some([(2, 1), (48, 1), (0, 10_000)]));
        // Rounding carries into the degrees rather than giving sixty seconds.
        assert_eq!(sexagesimal(9.999_999_999_9, 90.0), Some([(10, 1), (0, 1), (0, 10_000)]));
        assert_eq!(sexagesimal(90.1, 90.0), None);
        assert_eq!(sexagesimal(f64::NAN, 90.0), None);
    }

    #[test]
    fn the_exposure_told_is_the_plates() {
        let record = record();
        let exif = exif(&record, "0123456789abcdef0123456789abcdef");
        assert_eq!(exif.get(tag::EXPOSURE_TIME), Some(&Value::Rationals(vec![(3, 1)])));
        assert_eq!(exif.get(tag::EXPOSURE_INDEX), Some(&Value::Rationals(vec![(2, 1)])));
        assert_eq!(exif.get(tag::DATE_TIME_ORIGINAL), Some(&Value::Text("2026:03:14 15:40:00".into())));
        assert_eq!(exif.get(36868), Some(&Value::Text("2026:03:15 10:02:11".into())));
        assert_eq!(exif.get(36882), Some(&Value::Text("+01:00".into())));
        assert_eq!(gps(&record).get(3), Some(&Value::Text("W".into())));
    }

    #[test]
    fn what_the_notes_leave_out_is_left_out() {
        let mut record = record();
        record.exposure = Default::default();
        record.copy.camera = Default::default();
        let exif = exif(&record, "0");
        assert!(
            [tag::EXPOSURE_TIME, tag::F_NUMBER, tag::LENS_MODEL, 36867, 36868].iter().all(|t| exif.get(*t).is_none())
        );
        assert!(gps(&record).is_empty());
        record.exposure.latitude = Some(54.0);
        assert!(gps(&record).is_empty(), "half a place is none");
    }
}
