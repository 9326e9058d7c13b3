//! `hyaline record FILE.tif`: what a result says of its plate, from the file alone.

use super::{Common, Outcome};
use crate::archive::{Carried, Terms, read_record, read_terms, xmp};
use crate::error::Error;
use crate::record::PlateRecord;
use serde_json::Value;
use std::path::PathBuf;

#[derive(Debug, clap::Args)]
pub struct Args {
    /// A negative or positive that hyaline wrote
    pub file: PathBuf,
}

pub fn run(args: &Args, _: &Common) -> Outcome {
    match read_record(&args.file) {
        Ok(carried) => Outcome { text: text(&carried), json: json(&carried), ..Outcome::default() },
        Err(e) => match read_terms(&args.file) {
            Ok(terms) => {
                Outcome { text: text_in_part(&e, &terms), json: json_in_part(&e, &terms), ..Outcome::default() }
            }
            Err(_) => e.into(),
        },
    }
}

/// What is left where the record is not: fields of Exif and XMP by their own names.
fn json_in_part(why: &Error, terms: &Terms) -> Value {
    let exif: serde_json::Map<String, Value> =
        terms.exif.iter().map(|(name, said)| (name.clone(), said.clone().into())).collect();
    serde_json::json!({ "in_part": why.to_string(), "exif": exif, "xmp": structure(&terms.xmp.properties) })
}

fn text_in_part(why: &Error, terms: &Terms) -> String {
    let mut out = format!("note: {}; what follows is what is left\n", plain(&why.to_string()));
    let json = json_in_part(why, terms);
    for part in ["exif", "xmp"] {
        lines(&serde_json::json!({ part: json[part] }), 0, &mut out);
    }
    out
}

fn structure(properties: &[xmp::Property]) -> Value {
    properties.iter().map(|p| (p.name.to_string(), value(&p.value))).collect::<serde_json::Map<_, _>>().into()
}

fn value(of: &xmp::Value) -> Value {
    match of {
        xmp::Value::Struct(fields) => structure(fields),
        xmp::Value::Seq(items) | xmp::Value::Bag(items) => items.iter().map(value).collect(),
        text => text.to_string().into(),
    }
}

/// The record's own fields, and beside them which picture the file holds and where its Exif was changed since.
fn json(carried: &Carried) -> Value {
    let mut json = fields(&carried.record);
    if let Value::Object(map) = &mut json {
        map.insert("kind".into(), carried.kind.clone().into());
        map.insert("exif_differences".into(), carried.warnings.iter().map(|w| w.message.clone()).collect());
    }
    json
}

fn fields(record: &PlateRecord) -> Value {
    serde_json::to_value(record).unwrap_or_default()
}

/// Every field on a line of its own, what belongs together under its heading.
fn text(carried: &Carried) -> String {
    let mut out = format!("{}: {}\n", plain(&carried.record.plate), carried.kind);
    for warning in &carried.warnings {
        out.push_str(&format!("note: {}\n", plain(&warning.message)));
    }
    lines(&fields(&carried.record), 0, &mut out);
    out
}

/// Adds a structure's fields, indented; what is unknown is left out.
fn lines(json: &Value, depth: usize, out: &mut String) {
    let Value::Object(map) = json else { return };
    let margin = "  ".repeat(depth);
    for (key, value) in map {
        match value {
            Value::Null => {}
            Value::Array(items) if items.is_empty() => {}
            Value::Object(inner) if inner.is_empty() => {}
            Value::Object(_) => {
                out.push_str(&format!("{margin}{}\n", plain(key)));
                lines(value, depth + 1, out);
            }
            Value::Array(items) if items.iter().any(Value::is_object) => {
                out.push_str(&format!("{margin}{}\n", plain(key)));
                for item in items {
                    out.push_str(&format!("{margin}  - {}\n", inline(item)));
                }
            }
            value => out.push_str(&format!("{margin}{}: {}\n", plain(key), inline(value))),
        }
    }
}

/// A value on one line.
fn inline(json: &Value) -> String {
    match json {
        Value::String(text) => plain(text),
        Value::Array(items) => items.iter().map(inline).collect::<Vec<_>>().join(", "),
        Value::Object(map) => {
            let known = map.iter().filter(|(_, value)| !value.is_null());
            known.map(|(key, value)| format!("{} {}", plain(key), inline(value))).collect::<Vec<_>>().join(", ")
        }
        other => other.to_string(),
    }
}

/// Notes may hold anything; control characters could move a terminal's cursor or paint over what was printed.
fn plain(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { c.escape_default().to_string() } else { c.to_string() }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn control_characters_are_shown_not_obeyed() {
        assert_eq!(plain("a\u{1b}[2Jb\nc\u{9b}é"), "a\\u{1b}[2Jb\\nc\\u{9b}é");
    }

    #[test]
    fn structures_are_indented_and_lists_of_them_lie_line_by_line() {
        let json = serde_json::json!({
            "base": { "density": 0.14, "plate_density": null },
            "size_mm": [165.1, 120.65],
            "tiles": [{ "capture": "a.jpg", "gain": 1.0 }, { "capture": "b.jpg", "gain": 0.5 }],
            "outputs": [], "stitch": null, "development": {},
        });
        let mut out = String::new();
        lines(&json, 0, &mut out);
        let expected = "base\n  density: 0.14\nsize_mm: 165.1, 120.65\ntiles\n  - capture a.jpg, gain 1.0\n  - capture b.jpg, gain 0.5\n";
        assert_eq!(out, expected);
    }
}
