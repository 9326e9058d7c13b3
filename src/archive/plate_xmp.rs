//! XMP of a result: the whole story of a plate, for people's programs in standard terms, and for ours word by word.
//!
//! In: a plate's record. Out: the packet's properties: dc, photoshop, xmp, exif and tiff terms that any photo manager knows; the
//! captures as xmpMM:Ingredients with their digests and the steps as xmpMM:History; every field of the record in our own terms
//! (xmp/schema.md), where the plate's exposure and the copy's lie apart; and the record itself as JSON, so that it can be had back
//! whole. Nothing here depends on the hour of the run. Fails for a record that would not come back equal.

use super::describe;
use super::digest::sha256_of;
use super::directory::rational;
use super::exif::digitized;
use super::plate_tiff::Kind;
use super::xmp::namespace::*;
use super::xmp::{Name, Packet, Property, Value};
use crate::error::Fault;
use crate::record::PlateRecord;
use serde_json::Value as Json;

/// The property that holds the record as JSON.
pub const RECORD: &str = "record";
/// "negative" or "positive".
pub const KIND: &str = "kind";

/// Terms for what was on the plate rather than in the copy (IPTC NewsCodes, Digital Source Type).
const SOURCE_TYPE: &str = "http://cv.iptc.org/newscodes/digitalsourcetype/negativeFilm";

/// The packet for one result of a plate.
pub fn packet(record: &PlateRecord, kind: Kind) -> Result<Packet, Fault> {
    let json = record_json(record)?;
    let ids = Ids::new(record, kind, &json);
    let mut p = Properties(Vec::new());

    p.add(DC, "title", Value::any_language(describe::title(record)));
    if let Some(name) = &record.session.photographer {
        p.add(DC, "creator", Value::Seq(vec![Value::Text(name.clone())]));
    }
    if let Some(rights) = &record.session.rights {
        p.add(DC, "rights", Value::any_language(rights));
    }
    p.text(DC, "identifier", Some(record.plate.clone()));
    p.add(DC, "description", Value::any_language(describe::line(record, kind)));
    p.text(DC, "format", Some("image/tiff".into()));
    p.text(PHOTOSHOP, "DateCreated", record.exposure.time.clone().or(record.session.date.clone()));
    p.text(IPTC_CORE, "Location", record.session.place.clone());
    p.text(IPTC_EXT, "DigitalSourceType", Some(SOURCE_TYPE.into()));
    p.text(XMP, "CreatorTool", Some(describe::software(record)));
    p.text(XMP, "CreateDate", copied(record));

    exif_terms(record, &mut p);
    p.text(TIFF, "XResolution", fraction(Some(record.ppi)));
    p.text(TIFF, "YResolution", fraction(Some(record.ppi)));
    p.text(TIFF, "ResolutionUnit", Some("2".into()));

    p.text(XMP_MM, "DocumentID", Some(format!("xmp.did:{}", ids.document)));
    p.text(XMP_MM, "InstanceID", Some(format!("xmp.iid:{}", ids.instance)));
    p.add(XMP_MM, "Ingredients", ingredients(record));
    p.add(XMP_MM, "History", history(record)?);

    p.text(HYALINE, KIND, Some(kind.name().into()));
    p.text(HYALINE, "values", Some(describe::values(kind)));
    if let Json::Object(fields) = serde_json::to_value(record).map_err(unwritable)? {
        // Steps have keys of their own making, and stand in the history; inputs are the ingredients.
        let fields = fields.iter().filter(|(key, _)| !["steps", "inputs", "outputs"].contains(&key.as_str()));
        p.0.extend(fields.filter_map(own_property));
    }
    p.text(HYALINE, RECORD, Some(json));
    Ok(Packet { properties: p.0 })
}

/// The record that a packet carries.
pub fn record(packet: &Packet) -> Result<PlateRecord, Fault> {
    let mend = "name a negative or positive that hyaline wrote";
    let json = packet.text(HYALINE, RECORD).ok_or_else(|| Fault::new("it carries no plate record", mend))?;
    serde_json::from_str(json).map_err(|e| {
        Fault::new(
            format!("its plate record cannot be read: {e}"),
            "take the file from a copy that has not been changed",
        )
    })
}

/// Names that follow from what went in, so that a second run gives the same.
pub struct Ids {
    /// The same for every run over the same captures.
    pub document: String,
    /// The same for every run that did and found the same.
    pub instance: String,
}

impl Ids {
    pub fn new(record: &PlateRecord, kind: Kind, json: &str) -> Ids {
        let mut inputs: Vec<&str> = record.inputs.iter().map(|input| input.sha256.as_str()).collect();
        inputs.sort_unstable();
        let document = format!("{} {}\n{}", kind.name(), record.plate, inputs.join("\n"));
        Ids { document: uuid(&document), instance: uuid(&format!("{}\n{json}", kind.name())) }
    }
}

/// A UUID of version 8 (RFC 9562, 5.8: bits of one's own choosing), from SHA-256.
fn uuid(of: &str) -> String {
    let hex = sha256_of(of.as_bytes());
    let variant = ["8", "9", "a", "b"][usize::from(hex.as_bytes()[16] % 4)];
    format!("{}-{}-8{}-{variant}{}-{}", &hex[..8], &hex[8..12], &hex[13..16], &hex[17..20], &hex[20..32])
}

/// The record as JSON that survives XML: what XML cannot carry, or may change, is written as `\u` escapes. Checked to come back
/// equal.
pub fn record_json(record: &PlateRecord) -> Result<String, Fault> {
    let json = ascii_controls(&serde_json::to_string(record).map_err(unwritable)?);
    match serde_json::from_str::<PlateRecord>(&json) {
        Ok(back) if back == *record => Ok(json),
        Ok(_) => Err(unwritable("it would not come back equal; a number in it may not be finite")),
        Err(e) => Err(unwritable(e)),
    }
}

fn unwritable(why: impl std::fmt::Display) -> Fault {
    Fault::new(
        format!("the plate's record cannot be kept: {why}"),
        "look for figures that are missing in ID-record.json",
    )
}

/// JSON text with all control characters and non-characters escaped. Outside strings JSON has none, so this is safe on the whole.
fn ascii_controls(json: &str) -> String {
    let mut out = String::with_capacity(json.len());
    for c in json.chars() {
        match c {
            '\u{7f}'..='\u{9f}' | '\u{2028}' | '\u{2029}' | '\u{fffe}' | '\u{ffff}' => {
                out.push_str(&format!("\\u{:04x}", c as u32));
            }
            c => out.push(c),
        }
    }
    out
}

struct Properties(Vec<Property>);

impl Properties {
    fn add(&mut self, space: &str, local: &str, value: Value) {
        self.0.push(Property::new(space, local, value));
    }

    fn text(&mut self, space: &str, local: &str, text: Option<String>) {
        if let Some(text) = text {
            self.0.push(Property::text(space, local, text));
        }
    }
}

/// When the copy was made, as XMP writes dates.
fn copied(record: &PlateRecord) -> Option<String> {
    let moment = digitized(record)?;
    let (date, time) = moment.local.split_once(' ')?;
    let fraction = moment.fraction.map(|f| format!(".{f}")).unwrap_or_default();
    Some(format!("{}T{time}{fraction}{}", date.replace(':', "-"), moment.offset.unwrap_or_default()))
}

/// The plate's exposure in the terms of Exif in XMP (CIPA DC-010), the same as the Exif directory's.
fn exif_terms(record: &PlateRecord, p: &mut Properties) {
    let exposure = &record.exposure;
    p.text(EXIF, "ExposureTime", fraction(exposure.shutter_s));
    p.text(EXIF, "FNumber", fraction(exposure.aperture));
    p.text(EXIF, "FocalLength", fraction(exposure.focal_length_mm));
    p.text(EXIF, "ExposureIndex", fraction(exposure.ei));
    p.text(EXIF_EX, "LensModel", exposure.lens.clone());
    p.text(EXIF, "DateTimeOriginal", exposure.time.clone());
    p.text(EXIF, "DateTimeDigitized", copied(record));
    if let (Some(latitude), Some(longitude)) = (exposure.latitude, exposure.longitude) {
        p.text(EXIF, "GPSLatitude", coordinate(latitude, 90.0, ["N", "S"]));
        p.text(EXIF, "GPSLongitude", coordinate(longitude, 180.0, ["E", "W"]));
    }
}

fn fraction(number: Option<f64>) -> Option<String> {
    number.and_then(rational).filter(|(above, _)| *above > 0).map(|(above, below)| format!("{above}/{below}"))
}

/// "54,6.000000N": degrees and minutes (ISO 16684-1, GPSCoordinate).
fn coordinate(degrees: f64, most: f64, signs: [&str; 2]) -> Option<String> {
    if !(-most..=most).contains(&degrees) {
        return None;
    }
    let parts = (degrees.abs() * 60e6).round() as u64;
    let (minutes, rest) = (parts / 1_000_000, parts % 1_000_000);
    let sign = signs[usize::from(degrees < 0.0)];
    Some(format!("{},{}.{rest:06}{sign}", minutes / 60, minutes % 60))
}

/// Every file that went in, with its digest and what it was.
fn ingredients(record: &PlateRecord) -> Value {
    let role = |file: &str| {
        if record.tiles.iter().any(|tile| tile.capture == file) {
            "capture"
        } else if record.copy.blanks.iter().any(|blank| blank == file) {
            "blank"
        } else {
            "other"
        }
    };
    let ingredient = |input: &crate::record::FileDigest| {
        Value::Struct(vec![
            Property::text(ST_REF, "filePath", &input.file),
            Property::text(ST_REF, "documentID", format!("sha256:{}", input.sha256)),
            Property::text(HYALINE, "sha256", &input.sha256),
            Property::text(HYALINE, "role", role(&input.file)),
        ])
    };
    Value::Bag(record.inputs.iter().map(ingredient).collect())
}

/// What was done, in order, with its numbers as JSON.
fn history(record: &PlateRecord) -> Result<Value, Fault> {
    let mut events = Vec::new();
    if let Some(when) = copied(record) {
        let camera = &record.copy.camera;
        let camera: Vec<&str> = [&camera.make, &camera.model].into_iter().flatten().map(String::as_str).collect();
        let mut event = vec![Property::text(ST_EVT, "action", "created"), Property::text(ST_EVT, "when", when)];
        if !camera.is_empty() {
            event.push(Property::text(ST_EVT, "softwareAgent", camera.join(" ")));
        }
        events.push(Value::Struct(event));
    }
    for step in &record.steps {
        let figures = ascii_controls(&serde_json::to_string(&step.figures).map_err(unwritable)?);
        events.push(Value::Struct(vec![
            Property::text(ST_EVT, "action", &step.step),
            Property::text(ST_EVT, "softwareAgent", describe::software(record)),
            Property::text(ST_EVT, "parameters", figures),
        ]));
    }
    Ok(Value::Seq(events))
}

/// A field of the record in our own terms; nothing for what is empty.
fn own_property((key, json): (&String, &Json)) -> Option<Property> {
    Some(Property { name: Name::new(HYALINE, key), value: own_value(json)? })
}

fn own_value(json: &Json) -> Option<Value> {
    match json {
        Json::Null => None,
        Json::Bool(yes) => Some(Value::Text(yes.to_string())),
        Json::Number(number) => Some(Value::Text(number.to_string())),
        Json::String(text) => Some(Value::Text(text.clone())),
        Json::Array(items) => {
            let items: Vec<Value> = items.iter().filter_map(own_value).collect();
            (!items.is_empty()).then_some(Value::Seq(items))
        }
        Json::Object(fields) => {
            let fields: Vec<Property> = fields.iter().filter_map(own_property).collect();
            (!fields.is_empty()).then_some(Value::Struct(fields))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::archive::plate_tiff::tests::record as sample;
    use crate::archive::xmp;

    fn through_xml(record: &PlateRecord) -> PlateRecord {
        let packet = packet(record, Kind::Negative).unwrap();
        super::record(&xmp::read(&xmp::write(&packet)).unwrap()).unwrap()
    }

    #[test]
    fn a_record_comes_back_whole() {
        assert_eq!(through_xml(&sample()), sample());
    }

    #[test]
    fn a_hostile_record_comes_back_whole() {
        let mut record = sample();
        let every: String =
            (0..=0x2fff).filter_map(char::from_u32).chain(['\u{fffe}', '\u{ffff}', '\u{10ffff}']).collect();
        record.notes = Some(format!("]]></hyaline:notes><?xpacket end='w'?>{every}"));
        record.session.title = every.clone();
        record.session.photographer = Some("A. \"N\" <o@body>\u{0}".into());
        record.tiles[0].capture = every;
        assert_eq!(through_xml(&record), record);
    }

    /// Shortest decimal notation and exact parsing give every double back.
    #[test]
    fn numbers_come_back_to_the_last_bit() {
        let mut record = sample();
        for number in [0.1 + 0.2, 1.0 / 3.0, 5e-324, f64::MAX, 1_203.372_918_412_3, -2.800_000_000_000_000_3] {
            record.exposure.longitude = Some(number);
            record.base.density = number;
            assert_eq!(through_xml(&record), record);
        }
    }

    #[test]
    fn a_record_with_no_number_where_one_belongs_is_refused() {
        let mut record = sample();
        record.base.density = f64::NAN;
        assert!(packet(&record, Kind::Negative).unwrap_err().to_string().contains("record"));
        let mut record = sample();
        record.exposure.ei = Some(f64::INFINITY);
        assert!(packet(&record, Kind::Negative).is_err());
    }

    #[test]
    fn plate_and_copy_are_told_apart() {
        let packet = packet(&sample(), Kind::Negative).unwrap();
        assert_eq!(packet.text(PHOTOSHOP, "DateCreated"), Some("2026-03-14T15:40:00+00:00"));
        assert_eq!(packet.text(EXIF, "ExposureTime"), Some("3/1"));
        assert_eq!(packet.text(EXIF, "DateTimeDigitized"), Some("2026-03-15T10:02:11+01:00"));
        assert_eq!(packet.text(EXIF, "GPSLatitude"), Some("54,6.000000N"));
        assert_eq!(packet.text(EXIF, "GPSLongitude"), Some("2,48.000000W"));
        assert_eq!(packet.text(DC, "identifier"), Some("K-01"));
        let Some(Value::Struct(copy)) = packet.get(HYALINE, "copy") else { panic!() };
        let Some(Value::Struct(camera)) = copy.iter().find(|p| p.name.local == "camera").map(|p| &p.value) else {
            panic!()
        };
        assert!(camera.contains(&Property::text(HYALINE, "exposure_s", "0.02")));
        let Some(Value::Bag(ingredients)) = packet.get(XMP_MM, "Ingredients") else { panic!() };
        assert_eq!(ingredients.len(), sample().inputs.len());
    }

    /// What is written in our own terms is explained.
    #[test]
    fn the_schema_names_every_term() {
        fn names(properties: &[Property], out: &mut Vec<String>) {
            for property in properties.iter().filter(|p| p.name.space == HYALINE) {
                out.push(property.name.local.clone());
                inner(&property.value, out);
            }
        }
        fn inner(value: &Value, out: &mut Vec<String>) {
            match value {
                Value::Struct(fields) => names(fields, out),
                Value::Seq(items) | Value::Bag(items) => items.iter().for_each(|item| inner(item, out)),
                _ => {}
            }
        }
        let schema = include_str!("xmp/schema.md");
        let mut terms = Vec::new();
        names(&packet(&sample(), Kind::Negative).unwrap().properties, &mut terms);
        terms.retain(|term| !schema.contains(&format!("`{term}`")));
        terms.sort();
        terms.dedup();
        assert!(terms.is_empty(), "schema.md does not tell of {terms:?}");
    }

    /// RFC 9562, 4: version in the first digit of the third group, variant 10x in the first of the fourth.
    #[test]
    fn ids_follow_from_the_inputs_and_are_uuids() {
        let ids = |record: &PlateRecord, kind| Ids::new(record, kind, &record_json(record).unwrap());
        let (a, b) = (ids(&sample(), Kind::Negative), ids(&sample(), Kind::Negative));
        assert_eq!((&a.document, &a.instance), (&b.document, &b.instance));
        assert_eq!(a.document.len(), 36);
        assert_eq!(&a.document[14..15], "8");
        assert!("89ab".contains(&a.document[19..20]));
        let mut other = sample();
        other.inputs.reverse();
        assert_eq!(ids(&other, Kind::Negative).document, a.document, "the order of files does not matter");
        other.inputs[0].sha256 = "0".repeat(64);
        assert_ne!(ids(&other, Kind::Negative).document, a.document);
    }
}
