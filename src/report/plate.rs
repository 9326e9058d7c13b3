//! One plate's part of the session's page: the picture alone on its surround, then its record, densities and how it was found.
//!
//! In: a plate's report. Out: markup. Never fails.

use super::axis::{Axis, plain};
use super::input::{DonePlate, FailedPlate, Seen, SessionReport};
use super::picture::{overlay, picture};
use super::plot::{Ink, Plot};
use super::tiling::tiling;
use super::words::{self, short};
use crate::error::Warning;
use crate::notes::{Development, Exposure};
use crate::positive::{Tone, lightness};
use crate::record::{FileDigest, PlateRecord, Step};
use crate::units::NetDensity;
use maud::{Markup, PreEscaped, html};

/// ISO 6: the speed point's density above base plus fog.
const SPEED_POINT: f64 = 0.10;

/// A plate that was done; `at` is its place in the session.
pub fn done(session: &SessionReport, at: usize, plate: &DonePlate) -> Markup {
    let record = &plate.record;
    let alt = format!("Plate {}, positive", record.plate);
    section(
        session,
        at,
        &record.plate,
        html! { figure.stage { (picture(&plate.preview_jpeg, &alt)) } },
        html! {
            (record.size_name) ", " (short(record.size_mm[0])) " × " (short(record.size_mm[1])) " mm, "
            (record.pixels[0]) " × " (record.pixels[1]) " pixels, " (plain(record.ppi, 0)) " per inch"
        },
        html! {
            (notes(record.notes.as_deref()))
            (warnings(&record.warnings))
            div.columns {
                div {
                    (field_record(&record.exposure, &record.development))
                    (copying(record))
                }
                div {
                    figure {
                        (PreEscaped(densities(plate, &session.tone)))
                        figcaption {
                            "Densities above base. The strip shows how each prints with " bdi { "“" (session.tone.name) "”" } ". "
                            (spread_in_words(record))
                        }
                    }
                    (results(record))
                }
            }
            (folded(plate))
        },
    )
}

/// A plate that could not be done.
pub fn failed(session: &SessionReport, at: usize, plate: &FailedPlate) -> Markup {
    section(
        session,
        at,
        &plate.id,
        html! {},
        html! { "not done" },
        html! {
            p.failed role="note" { bdi { (plate.message) } }
            (notes(plate.notes.as_deref()))
            div.columns {
                div { (field_record(&plate.exposure, &plate.development)) }
                @if let Some(seen) = &plate.seen {
                    figure {
                        (overlay(seen, &format!("Capture of plate {}, and what was taken for the plate", plate.id)))
                        figcaption {
                            "What was seen, with a confidence of " (plain(seen.confidence, 2)) ". To go on, give the plate's four corners in "
                            "the capture's pixels as " code { "corners_px" } " in the notes; the capture is "
                            (seen.size.columns) " × " (seen.size.rows) "."
                        }
                    }
                }
            }
        },
    )
}

fn section(session: &SessionReport, at: usize, id: &str, stage: Markup, size: Markup, rest: Markup) -> Markup {
    let neighbour = |to: Option<usize>| to.and_then(|to| session.plates.get(to).map(|plate| (to, plate.id())));
    html! {
        section.plate id=(anchor(at)) aria-labelledby=(format!("{}-name", anchor(at))) {
            (stage)
            div.sheet {
                div.inner {
                    div.head {
                        h2 id=(format!("{}-name", anchor(at))) tabindex="-1" { bdi { (id) } }
                        p { bdi { (size) } }
                        nav aria-label=(format!("From plate {id}")) {
                            @if let Some((to, name)) = neighbour(at.checked_sub(1)) { a href=(link(to)) rel="prev" { "← " bdi { (name) } } }
                            a href="#plates" { "all" }
                            @if let Some((to, name)) = neighbour(Some(at + 1)) { a href=(link(to)) rel="next" { bdi { (name) } " →" } }
                        }
                    }
                    (rest)
                }
            }
        }
    }
}

/// Name of a plate's place in the page, from its number and not from its id, which is the user's text.
pub fn anchor(at: usize) -> String {
    format!("plate-{}", at + 1)
}

pub fn link(at: usize) -> String {
    format!("#{}", anchor(at))
}

pub fn notes(words: Option<&str>) -> Markup {
    html! { @if let Some(words) = words { p.said { bdi { (words) } } } }
}

pub fn warnings(warnings: &[Warning]) -> Markup {
    html! {
        @if !warnings.is_empty() {
            ul.warnings aria-label="Warnings" {
                @for warning in warnings { li { bdi { (sentence(&warning.message)) } code { bdi { (warning.code) } } } }
            }
        }
    }
}

/// With a capital and a full stop.
fn sentence(text: &str) -> String {
    let mut letters = text.trim().chars();
    let Some(first) = letters.next() else { return String::new() };
    let whole: String = first.to_uppercase().chain(letters).collect();
    if whole.ends_with(['.', '!', '?']) { whole } else { whole + "." }
}

pub fn pairs<'a>(lines: impl IntoIterator<Item = (&'a str, String)>) -> Markup {
    let lines: Vec<_> = lines.into_iter().collect();
    html! { @if !lines.is_empty() { dl { @for (name, value) in lines { dt { bdi { (name) } } dd { bdi { (value) } } } } } }
}

fn field_record(exposure: &Exposure, development: &Development) -> Markup {
    let lines: Vec<_> = words::exposure(exposure).into_iter().chain(words::development(development)).collect();
    html! {
        h3 { "In the field" }
        @if lines.is_empty() { p { "The notes say nothing of its exposure and development." } }
        (pairs(lines))
    }
}

fn copying(record: &PlateRecord) -> Markup {
    let camera = &record.copy.camera;
    let name: Vec<&str> = [camera.make.as_deref(), camera.model.as_deref()].into_iter().flatten().collect();
    let mut lines = Vec::new();
    if !name.is_empty() {
        lines.push(("Camera", name.join(" ")));
    }
    let mut settings = Vec::new();
    if let Some(s) = camera.exposure_s.filter(|s| *s > 0.0) {
        settings.push(if s < 0.3 { format!("1/{} s", plain(1.0 / s, 0)) } else { format!("{} s", short(s)) });
    }
    settings.extend(camera.f_number.map(|n| format!("f/{}", short(n))));
    settings.extend(camera.iso.map(|iso| format!("ISO {}", plain(iso, 0))));
    settings.push(record.copy.format.clone());
    lines.push(("Copied at", settings.join(", ")));
    let blanks = match record.copy.blanks.len() {
        0 => "none".to_string(),
        1 => "one frame".to_string(),
        n => format!("{n} frames"),
    };
    let ratio = record.copy.exposure_ratio;
    let ratio = if (ratio - 1.0).abs() < 5e-4 {
        ", exposed alike".into()
    } else {
        format!(", the plate exposed {} times as much", short(ratio))
    };
    lines.push(("Blank", blanks + &ratio));
    html! { h3 { "On the panel" } (pairs(lines)) }
}

/// Half of an interval, where there is one.
fn sure(half: Option<f64>) -> String {
    half.map(|half| format!(" ± {}", plain(half, 3))).unwrap_or_default()
}

fn results(record: &PlateRecord) -> Markup {
    let base = &record.base;
    let how = match base.from.as_str() {
        "rebate" => "read from the rebate",
        "patch" => "read from the patch in the notes",
        "notes" => "stated in the notes",
        "batch" => "taken from the batch",
        other => other,
    };
    let own = base.plate_density.map(|own| {
        let off = own - base.batch_density;
        let side = match off {
            _ if off.abs() < 0.0005 => "just where the batch does".to_string(),
            _ if off > 0.0 => format!("{} denser than the batch", plain(off, 3)),
            _ => format!("{} thinner than the batch", plain(-off, 3)),
        };
        format!("{}, spread {}; {side}", plain(own, 3), plain(base.spread, 3))
    });
    let mut lines = vec![(
        "Base plus fog",
        format!(
            "{}{}, {how}; the batch stands at {}",
            plain(base.density, 3),
            sure(base.uncertainty),
            plain(base.batch_density, 3)
        ),
    )];
    lines.extend(own.map(|own| ("Own reading", own)));
    lines
        .extend(record.density.deepest.map(|deepest| ("Deepest trusted", format!("{} above base", plain(deepest, 2)))));
    lines.extend(record.density.uncertainty.map(|u| {
        let at = [(record.density.p05, u.p05), (record.density.p50, u.p50), (record.density.p95, u.p95)];
        let told = at.map(|(density, half)| format!("{}{}", plain(density, 2), sure(Some(half))));
        ("How sure (95 %)", format!("{} above base", told.join(", ")))
    }));
    lines.extend(
        record.uncertainty.as_ref().map(|u| u.lacking()).filter(|l| !l.is_empty()).map(|l| ("Not in it", l.join("; "))),
    );
    lines.extend(record.edges.spread_px.map(|sides| {
        let told = sides.map(|s| plain(s, 1)).join(", ");
        ("Edge spread", format!("{told} pixels from 10 to 90 % across top, right, bottom, left as the camera saw it"))
    }));
    lines.extend(words::exposure_ratios(&record.steps).map(|ratios| ("Copy exposures", ratios)));
    if let Some(stitch) = &record.stitch {
        lines.push((
            "Tiles",
            format!("{}, meeting to {} pixel rms at {} ties", record.tiles.len(), plain(stitch.rms_px, 2), stitch.ties),
        ));
    }
    html! {
        h3 { "Results" }
        (pairs(lines))
        @if !record.outputs.is_empty() {
            p { @for (at, file) in record.outputs.iter().enumerate() {
                @if at > 0 { ", " }
                a href=(address(&record.plate, &file.file)) { bdi { (file.file) } }
            } }
        }
    }
}

/// Relative address of a plate's file: every byte that could mean something in an address is encoded.
pub fn address(folder: &str, file: &str) -> String {
    let safe = |text: &str| {
        text.bytes().fold(String::new(), |mut out, byte| {
            match byte {
                b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'-' | b'_' | b'.' => out.push(byte as char),
                _ => out.push_str(&format!("%{byte:02X}")),
            }
            out
        })
    };
    let parts: Vec<String> = std::iter::once(folder).chain(file.split('/')).map(safe).collect();
    parts.join("/")
}

fn spread_in_words(record: &PlateRecord) -> String {
    let d = &record.density;
    format!(
        "Nine tenths of the plate lie between {} and {}, half below {}.",
        plain(d.p05, 2),
        plain(d.p95, 2),
        plain(d.p50, 2)
    )
}

/// Grays that a tone prints densities as, in equal steps.
pub fn grays(tone: &Tone, from: f64, to: f64, shift: f32) -> Vec<u8> {
    const STEPS: usize = 184;
    let density = |k: usize| from + (to - from) * (k as f64 + 0.5) / STEPS as f64;
    let gray = |k| lightness::encode(tone.value(NetDensity(density(k) as f32 - shift))) * 255.0;
    (0..STEPS).map(|k| gray(k).round() as u8).collect()
}

/// The plate's histogram, with the base, the speed point and the deepest density marked, over the grays that densities print as.
fn densities(plate: &DonePlate, tone: &Tone) -> String {
    let d = &plate.record.density;
    let to = (d.p99 + 0.3).max(d.deepest.unwrap_or(0.0) + 0.1).clamp(1.0, 4.4);
    let to = (to * 5.0).ceil() / 5.0;
    let from = -0.2;
    let (edges, shares) = plate.histogram.shares(from, to);
    // The rebate is even and can stand out far above the picture: the scale follows the picture, and the rebate is cut off.
    let inside = edges
        .iter()
        .zip(&shares)
        .filter(|(edge, _)| **edge >= SPEED_POINT)
        .map(|(_, share)| *share)
        .fold(0.0, f64::max);
    let highest = shares.iter().copied().fold(0.0, f64::max);
    let scale = if inside > 0.0 { highest.min(inside * 2.0) } else { highest };
    let y = Axis::from_zero("share of the plate, %", [scale]);
    let describes = format!("Histogram of plate {}. {}", plate.record.plate, spread_in_words(&plate.record));
    let mut plot = Plot::new(describes, Axis::new("density above base", from, to), y)
        .sized(640.0, 210.0)
        .histogram("", Ink::Quiet, edges, shares)
        .strip(grays(tone, from, to, plate.shift))
        .marker(0.0, "base", Ink::Plain)
        .marker(SPEED_POINT, "speed point 0.10", Ink::Blue);
    if let Some(deepest) = d.deepest {
        plot = plot.marker(deepest, format!("deepest trusted {}", plain(deepest, 2)), Ink::Orange);
    }
    plot.svg()
}

/// What is looked up rather than read.
fn folded(plate: &DonePlate) -> Markup {
    let record = &plate.record;
    let id = &record.plate;
    html! {
        @if let Some(seen) = &plate.seen { (edges(id, seen)) }
        @if let Some(light) = &plate.light {
            details {
                summary { "The light, before and after" }
                div.pair {
                    figure {
                        (picture(&light.before_jpeg, &format!("Capture of plate {id} before its blank was divided out")))
                        figcaption { "The capture as it came, in linear light." }
                    }
                    figure {
                        (picture(&light.after_jpeg, &format!("Capture of plate {id} after its blank was divided out")))
                        figcaption { "Divided by the blank: bare light is white, whatever the panel and the lens do." }
                    }
                }
            }
        }
        @if let Some(tiles) = &plate.tiles { (tiling(plate, tiles)) }
        details.fold {
            summary { "What was done, step by step" }
            div.scroll { table { tbody { @for step in &record.steps { (step_row(step)) } } } }
        }
        details.fold {
            summary { "Files and their digests (SHA-256)" }
            div.scroll {
                table {
                    tbody {
                        @for file in &record.inputs { (digest("in", file)) }
                        @for file in &record.outputs { (digest("out", file)) }
                    }
                }
            }
        }
    }
}

fn edges(id: &str, seen: &Seen) -> Markup {
    html! {
        details {
            summary { "Edges as found, confidence " (plain(seen.confidence, 2)) }
            div {
                figure {
                    (overlay(seen, &format!("Capture of plate {id} with the plate's outline")))
                    figcaption {
                        "The capture as the sensor saw it. Corners carry the names that they have in the result, so a mirrored plate "
                        "shows them exchanged."
                    }
                }
            }
        }
    }
}

fn step_row(step: &Step) -> Markup {
    let figures: Vec<String> =
        step.figures.iter().map(|(name, value)| format!("{} {}", name.replace('_', " "), figure(value))).collect();
    html! { tr { td { bdi { (step.step) } } td.file { bdi { (figures.join(", ")) } } } }
}

/// A figure of a step: words and numbers as they are, the rest as JSON has it.
fn figure(value: &serde_json::Value) -> String {
    match value {
        serde_json::Value::String(words) => words.clone(),
        serde_json::Value::Number(number) if number.is_f64() => {
            let number = number.as_f64().unwrap_or_default();
            plain(number, if number.abs() < 10.0 { 4 } else { 1 })
        }
        other => other.to_string(),
    }
}

fn digest(way: &str, file: &FileDigest) -> Markup {
    html! { tr { td { (way) } td.file { bdi { (file.file) } } td.digest { (file.sha256) } } }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn addresses_cannot_leave_or_run() {
        assert_eq!(address("K-01", "K-01-positive.tif"), "K-01/K-01-positive.tif");
        assert_eq!(address("javascript:alert(1)", "a b\"<"), "javascript%3Aalert%281%29/a%20b%22%3C");
        assert_eq!(address("a/b", "x/y"), "a%2Fb/x/y");
    }

    #[test]
    fn warnings_read_as_sentences() {
        assert_eq!(sentence("the base is odd; look at it"), "The base is odd; look at it.");
        assert_eq!(sentence("Done."), "Done.");
        assert_eq!(sentence(" "), "");
    }
}
