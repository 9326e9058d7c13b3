//! The page that lies beside published plates: every plate at full depth, from the tiles that viewers get.
//!
//! In: the manifest. Out: one HTML file that asks for nothing but pictures below its own folder, from a server or a disk. Never fails.
//! Without a script it shows each plate whole.

use super::escaped;
use super::pyramid::{Pyramid, TILE};
use crate::report::page::{SCRIPT as REPORT_SCRIPT, STYLE as REPORT_STYLE, bar, document};
use crate::report::plate;
use maud::{Markup, html};
use serde_json::{Value, json};

const STYLE: &str = include_str!("page.css");
const SCRIPT: &str = include_str!("page.js");

/// Longest side of the view that is shown until tiles have come.
const FIRST: usize = 1536;

/// The page of a manifest's plates.
pub fn page(manifest: &Value) -> String {
    let title = text(&manifest["label"]["none"][0]);
    let about = pairs(&manifest["metadata"]);
    let rights = manifest.get("requiredStatement").map(|told| text(&told["value"]["none"][0]));
    let canvases = manifest["items"].as_array().map(Vec::as_slice).unwrap_or_default();
    let body = html! {
        a.skip href="#plate-1" { "Skip to the plates" }
        (bar(title, true))
        header.sheet { div.inner {
            h1 { bdi { (title) } }
            p.facts { @for fact in about.iter().map(|(_, value)| *value).chain(rights) { span { bdi { (fact) } } } }
            p.hint {
                "Choose a picture, then " kbd { "+" } " " kbd { "−" } " or the wheel enlarge it, arrows or dragging move it, " kbd { "0" }
                " shows all of it again."
            }
        } }
        main { @for (at, canvas) in canvases.iter().enumerate() { (section(at, canvas, canvases.len())) } }
    };
    // A page opened from a disk is of no origin, so that 'self' alone would not let its own tiles in.
    document(title, &format!("{REPORT_STYLE}{STYLE}"), &format!("{REPORT_SCRIPT}{SCRIPT}"), "data: 'self' file:", body)
}

fn section(at: usize, canvas: &Value, plates: usize) -> Markup {
    let id = text(&canvas["label"]["none"][0]);
    let [columns, rows] = ["width", "height"].map(|side| canvas[side].as_u64().unwrap_or(1).max(1) as usize);
    let factors = Pyramid::factors(columns, rows);
    // The largest of the samplings that is no larger than the first view may be.
    let first = factors.iter().find(|factor| columns.max(rows) / *factor <= FIRST).copied().unwrap_or(1);
    let folder = escaped(id);
    let whole = format!("{folder}/full/{},{}/0/default.jpg", columns.div_ceil(first), rows.div_ceil(first));
    let picture = json!({ "folder": folder, "columns": columns, "rows": rows, "side": TILE, "levels": factors.len() });
    let (name, to) = (format!("plate-{}", at + 1), |n: usize| format!("#plate-{n}"));
    html! {
        section.plate id=(name) aria-labelledby=(format!("{name}-name")) {
            figure.stage { div.deep data-picture=(picture) data-label=(format!("Plate {id}, positive, at full depth")) {
                img src=(whole) alt=(format!("Plate {id}, positive")) width=(columns) height=(rows) loading="lazy";
            } }
            div.sheet { div.inner {
                div.head {
                    h2 id=(format!("{name}-name")) tabindex="-1" { bdi { (id) } }
                    p { (columns) " × " (rows) " pixels" }
                    nav aria-label=(format!("From plate {id}")) {
                        @if at > 0 { a href=(to(at)) rel="prev" { "← before" } }
                        @if at + 1 < plates { a href=(to(at + 2)) rel="next" { "next →" } }
                    }
                }
                (plate::pairs(pairs(&canvas["metadata"]).into_iter().map(|(name, value)| (name, value.to_string()))))
            } }
        }
    }
}

/// Names and values of a manifest's metadata.
fn pairs(metadata: &Value) -> Vec<(&str, &str)> {
    let entries = metadata.as_array().map(Vec::as_slice).unwrap_or_default();
    entries.iter().map(|entry| (text(&entry["label"]["en"][0]), text(&entry["value"]["none"][0]))).collect()
}

fn text(value: &Value) -> &str {
    value.as_str().unwrap_or_default().trim_start()
}
