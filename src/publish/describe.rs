//! What viewers are told: of one picture's tiles (IIIF Image API 3.0, section 5) and of the session (IIIF Presentation API 3.0).
//!
//! In: records. Out: JSON. Nothing here fails.

use super::escaped;
use super::pyramid::{Cut, LARGEST, Pyramid, TILE};
use crate::notes::About;
use crate::record::PlateRecord;
use crate::report::words;
use serde_json::{Value, json};

/// info.json of a plate's picture. `views`: its whole views, the largest first; `id`: the picture's URL.
pub fn info(record: &PlateRecord, views: &[Cut], id: &str) -> Value {
    let [columns, rows] = record.pixels;
    let sizes: Vec<Value> = views
        .iter()
        .rev()
        .map(|v| json!({ "type": "Size", "width": v.light.columns(), "height": v.light.rows() }))
        .collect();
    let largest = views.first().map_or((columns, rows), |v| (v.light.columns(), v.light.rows()));
    json!({
        "@context": "http://iiif.io/api/image/3/context.json",
        "id": id,
        "type": "ImageService3",
        "protocol": "http://iiif.io/api/image",
        "profile": "level0",
        "width": columns,
        "height": rows,
        "maxWidth": largest.0,
        "maxHeight": largest.1,
        "sizes": sizes,
        "tiles": [{ "type": "Tile", "width": TILE, "height": TILE, "scaleFactors": Pyramid::factors(columns, rows) }],
        "preferredFormats": ["jpg"],
    })
}

/// The session as a manifest of the plates' canvases.
pub fn manifest(about: &About, canvases: Vec<Value>, url: &str) -> Value {
    let title = if about.title.is_empty() { "Glass negatives" } else { &about.title };
    let facts = [
        ("Date", about.date.as_deref().map(words::date)),
        ("Place", about.place.clone()),
        ("Photographer", about.photographer.clone()),
    ];
    let facts: Vec<(&str, String)> = facts.into_iter().filter_map(|(name, value)| Some((name, value?))).collect();
    let mut manifest = json!({
        "@context": "http://iiif.io/api/presentation/3/context.json",
        "id": format!("{url}/manifest.json"),
        "type": "Manifest",
        "label": { "none": [title] },
        "metadata": metadata(&facts),
        "items": canvases,
    });
    if let Some(rights) = &about.rights {
        manifest["requiredStatement"] = json!({ "label": { "en": ["Rights"] }, "value": { "none": [plain(rights)] } });
    }
    manifest
}

/// A plate's place in the manifest, with its picture and what is known of it.
pub fn canvas(record: &PlateRecord, url: &str) -> Value {
    let [columns, rows] = record.pixels;
    let picture = format!("{url}/{}", escaped(&record.plate));
    let canvas = format!("{picture}/canvas");
    let (width, height) = Pyramid::largest_view(columns, rows);
    let body = json!({
        "id": format!("{picture}/{LARGEST}"),
        "type": "Image",
        "format": "image/jpeg",
        "width": width,
        "height": height,
        "service": [{ "id": picture, "type": "ImageService3", "profile": "level0" }],
    });
    json!({
        "id": canvas,
        "type": "Canvas",
        "label": { "none": [record.plate] },
        "width": columns,
        "height": rows,
        "metadata": metadata(&facts(record)),
        "items": [{
            "id": format!("{canvas}/page"),
            "type": "AnnotationPage",
            "items": [{
                "id": format!("{canvas}/page/picture"),
                "type": "Annotation",
                "motivation": "painting",
                "body": body,
                "target": canvas,
            }],
        }],
    })
}

/// What is known of a plate, in words.
fn facts(record: &PlateRecord) -> Vec<(&'static str, String)> {
    let [width, height] = record.size_mm;
    let mut facts = vec![
        ("Plate", format!("{}, {} × {} mm", record.size_name, words::short(width), words::short(height))),
        ("Sampling", format!("{:.0} pixels an inch", record.ppi)),
    ];
    facts.extend(words::exposure(&record.exposure));
    facts.extend(words::development(&record.development));
    facts.push(("Base plus fog", format!("{:.3}", record.base.stands_on)));
    facts.push(("Tone", record.positive.tone.clone()));
    facts.extend(record.notes.clone().map(|notes| ("Notes", notes)));
    facts
}

fn metadata(facts: &[(&str, String)]) -> Value {
    let entry =
        |(name, value): &(&str, String)| json!({ "label": { "en": [name] }, "value": { "none": [plain(value)] } });
    facts.iter().map(entry).collect()
}

/// Viewers may take a text for HTML that begins with `<` and ends with `>` (Presentation API 3.0, section 4.5): a space before it keeps it
/// plain.
fn plain(text: &str) -> String {
    if text.starts_with('<') { format!(" {text}") } else { text.to_string() }
}
