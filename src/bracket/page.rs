//! The bracket's page: plates over one another, what was measured, and what it suggests. One HTML file that needs nothing else.
//!
//! In: a [`Comparison`] and, for each plate, its picture of the common part and its densities there. Out: the page's text, the same bytes
//! for the same input. Never fails. Words of the notes are escaped; a policy in the page forbids scripts other than its own, and
//! any request but for finer tiles that may lie beside it: without them the page only shows less when enlarged.

use super::charts;
use super::compare::{Comparison, PairFigures};
use super::words;
use crate::image::Image;
use crate::notes::{Development, Exposure, Matching};
use crate::report::page::{STYLE as REPORT_STYLE, document};
use crate::report::picture::address;
use crate::report::words as notes;
use crate::units::NetDensity;
use base64::Engine;
use base64::engine::general_purpose::STANDARD as BASE64;
use maud::{Markup, PreEscaped, html};
use serde_json::json;

const STYLE: &str = include_str!("page.css");
const SCRIPT: &str = include_str!("page.js");

/// Densities in the page are steps of 1/10000 from this on: 6.05 at the most.
const LOWEST: f64 = -0.5;
const STEPS: f64 = 10_000.0;

/// One plate on the page.
pub struct Shown<'a> {
    /// The common part, at equal density, as JPEG.
    pub jpeg: Vec<u8>,
    /// The same part's density above base, not shifted; coarser than the picture.
    pub density: &'a Image<NetDensity>,
    pub exposure: &'a Exposure,
    pub development: &'a Development,
}

/// Finer pictures beside the page.
#[derive(Debug, Clone, Copy)]
pub struct Tiles {
    /// Pixels of a whole plate's finer picture.
    pub columns: usize,
    pub rows: usize,
    /// Side of a tile.
    pub side: usize,
}

/// `width_mm`: of the common part. Tiles of plate `i` lie under `tiles/i/row-column.jpg`.
pub fn page(found: &Comparison, shown: &[Shown], width_mm: f64, tiles: Option<Tiles>) -> String {
    let title = found.plates.join(" · ");
    let body = html! {
        a.skip href="#measured" { "Skip to what was measured" }
        (bar(&title))
        main {
            (viewer(found, shown))
            (measured(found, shown))
        }
        (data(found, shown, width_mm, tiles))
    };
    // A page opened from a disk is of no origin, so that 'self' alone would not let its own tiles in.
    document(&title, &format!("{REPORT_STYLE}{STYLE}"), SCRIPT, "data: 'self' file:", body)
}

fn bar(title: &str) -> Markup {
    html! {
        div.bar {
            span.name { bdi { (title) } }
            fieldset {
                legend { "Surround" }
                @for (value, name, chosen) in [("dark", "dark", false), ("mid", "middle", true), ("white", "white", false)] {
                    label { input type="radio" name="surround" id=(format!("surround-{value}")) value=(value) checked[chosen]; (name) }
                }
            }
        }
    }
}

const WAYS: [(&str, &str, &str); 4] = [
    ("beside", "Side by side", "1"),
    ("wipe", "Wipe", "2"),
    ("blink", "Blink", "3"),
    ("difference", "Difference", "4"),
];

fn viewer(found: &Comparison, shown: &[Shown]) -> Markup {
    html! {
        section.viewer aria-label="Plates laid on one another" {
            div.tools hidden {
                fieldset {
                    legend { "Show" }
                    @for (value, name, key) in WAYS {
                        label { input type="radio" name="way" value=(value) checked[value == "beside"]; (name) " " kbd { (key) } }
                    }
                }
                @if found.plates.len() > 2 {
                    span id="pair" hidden {
                        @for (name, label, chosen) in [("first", "First", 0), ("second", "Second", 1)] {
                            label { (label) " " select id=(name) {
                                @for (i, plate) in found.plates.iter().enumerate() { option value=(i) selected[i == chosen] { (plate) } }
                            } }
                        }
                    }
                }
                span.zoom role="group" aria-label="Size" {
                    button type="button" id="out" aria-label="Smaller" { "−" }
                    button type="button" id="fit" { "Whole" }
                    button type="button" id="in" aria-label="Larger" { "+" }
                }
                button type="button" id="pause" aria-pressed="false" hidden { "Hold still" }
                label id="wiper" hidden { "Edge " input type="range" min="0" max="100" value="50" step="1"; }
            }
            div.glass hidden {
                canvas id="glass" tabindex="0" role="application" aria-describedby="keys" aria-label="The plates; arrow keys move the loupe" {}
            }
            p.reading id="reading" role="status" aria-live="polite" {}
            div.scale id="scale" hidden { canvas width="300" height="12" aria-hidden="true" {} div { span id="less" {} span { "the same" } span id="more" {} } }
            @if let Some(way) = matched(found.matching) {
                p.hint { "The pictures are shown with their " (way) " matched; densities read here and the difference map are as measured, not shifted." }
            }
            div.still {
                @for (plate, s) in found.plates.iter().zip(shown) {
                    figure { img src=(address(&s.jpeg)) alt=(format!("Positive of plate {plate}")); figcaption { (plate) } }
                }
            }
            p.hint id="keys" hidden {
                kbd { "1" } "–" kbd { "4" } " how to show, " kbd { "arrows" } " loupe, " kbd { "Shift" } "+" kbd { "arrows" } " move, "
                kbd { "+" } kbd { "−" } kbd { "0" } " size, " kbd { "[" } kbd { "]" } " edge of the wipe, " kbd { "Space" } " other plate, "
                kbd { "H" } " hold still, " kbd { "G" } " surround. Drag moves, the wheel enlarges."
            }
        }
    }
}

fn measured(found: &Comparison, shown: &[Shown]) -> Markup {
    html! {
        section.sheet id="measured" { div.inner {
            h1 { bdi { (found.plates.join(" · ")) } }
            p.facts { (equal(found)) }
            @if !found.warnings.is_empty() {
                ul.warnings { @for w in &found.warnings { li { (w.message) code { (w.code) } } } }
            }
            div.columns {
                div {
                    h3 { "Found" }
                    ul.plain { @for line in words::findings(found) { li { (line) } } }
                    h3 { "For the next plates" }
                    ul.plain { @for a in &found.advice { li { (a.text) } } }
                    @if found.advice.is_empty() { p { "Nothing to suggest from these plates." } }
                    p.hint { "Estimates, from these plates in this light." }
                    h3 { "On paper" }
                    ul.plain { @for p in &found.printing { li { bdi { (p.plate) } ": " (p.says) } } }
                }
                div {
                    @for (plate, s) in found.plates.iter().zip(shown) {
                        h3 { bdi { (plate) } }
                        dl { @for (name, text) in notes::exposure(s.exposure).into_iter().chain(notes::development(s.development)) { dt { (name) } dd { bdi { (text) } } } }
                        @if notes::exposure(s.exposure).is_empty() { p.hint { "No exposure is noted." } }
                    }
                }
            }
            div.columns {
                @for at in 0..found.pairs.len() {
                    figure { (PreEscaped(charts::joint(found, at))) figcaption { "Every place that both plates show, free of edges and faults; the darker, the more of them. Places off the line moved between the exposures." } }
                }
                figure { (PreEscaped(charts::gains(found))) figcaption { "What the others have over the first at each of its densities, with two standard errors either way." } }
                figure { (PreEscaped(charts::histograms(found))) figcaption { "The part of the scene that all plates show, without the rebate." } }
                @match charts::curve(found) {
                    Some(svg) => { figure { (PreEscaped(svg)) figcaption { (curve_words(found)) } } }
                    None => { p.hint { "No curve: " (found.no_curve.as_deref().unwrap_or("the bracket gives none")) "." } }
                }
            }
            (tables(found))
        } }
    }
}

/// The part of the scene whose density the pictures are shifted to match; none where they stand at equal density.
fn matched(matching: Matching) -> Option<&'static str> {
    match matching {
        Matching::Base => None,
        Matching::Highlights => Some("highlights"),
        Matching::Shadows => Some("shadows"),
    }
}

fn equal(found: &Comparison) -> String {
    match matched(found.matching) {
        None => "Shown at equal density above base: one tone for one density on all plates.".into(),
        Some(name) => {
            let shifts: Vec<String> = found.equal_density[1..]
                .iter()
                .map(|e| {
                    format!(
                        "{} by {} stops of printing exposure ({} of density)",
                        e.plate,
                        notes::signed(e.shift_stops, 2),
                        notes::signed(e.shift_density, 2)
                    )
                })
                .collect();
            format!("Shown with the {name} matched to {}: {}.", found.plates[0], shifts.join(", "))
        }
    }
}

fn curve_words(found: &Comparison) -> String {
    let Some(figures) = &found.curve_figures else { return String::new() };
    format!(
        "From the plates alone, by their noted exposures. The zero of exposure is not in the data; were one exposure a tenth of a stop off, every slope \
         would be {:.0} % off. Mean gradient {:.2} ± {:.2} over {} to {}.{}",
        100.0 * figures.gradient_per_tenth_stop,
        figures.mean_gradient,
        figures.mean_gradient_uncertainty.max(0.005),
        notes::plain(figures.gradient_over[0], 2),
        notes::plain(figures.gradient_over[1], 2),
        if figures.developed_alike {
            ""
        } else {
            " It holds only if the plates were developed alike, which the notes do not say."
        }
    )
}

fn tables(found: &Comparison) -> Markup {
    let number = |v: Option<f64>, decimals: usize| v.map_or("–".into(), |v| format!("{v:.decimals$}"));
    html! {
        div.scroll { table {
            caption { "Each plate over the part that all of them show; density above base." }
            thead { tr { th { "Plate" } @for head in ["1 %", "5 %", "50 %", "95 %", "99 %", "under speed point", "on shoulder", "local contrast: shadows", "middle", "highlights"] { th { (head) } } } }
            tbody { @for p in &found.per_plate { tr {
                th scope="row" { bdi { (p.plate) } }
                @for d in &p.density { td { (notes::plain(*d, 2)) } }
                td { (format!("{:.1} %", 100.0 * p.below_speed_point)) }
                td { (p.on_shoulder.map_or("–".into(), |s| format!("{:.1} %", 100.0 * s))) }
                @for c in p.local_contrast { td { (number(c, 3)) } }
            } } }
        } }
        @for p in &found.per_plate {
            @if let Some(why) = p.no_shoulder { p.hint { "No share of " bdi { (p.plate) } " on the shoulder: " (why) "." } }
        }
        @for pair in &found.pairs {
            (zones(&pair.plates, &pair.figures))
            (laid(&pair.plates, &pair.figures))
        }
    }
}

fn zones([a, b]: &[String; 2], figures: &PairFigures) -> Markup {
    let slope = |v: Option<f64>, e: Option<f64>| match (v, e) {
        (Some(v), Some(e)) => format!("{v:.2} ± {:.2}", e.max(0.005)),
        _ => "–".into(),
    };
    html! {
        div.scroll { table {
            caption { bdi { (b) } " against " bdi { (a) } ", from the scene's shadows to its highlights." }
            thead { tr { th { "Part of the scene" } th { "density of " bdi { (a) } } th { "gain" } th { "contrast" } } }
            tbody { @for z in &figures.zones { tr {
                th scope="row" { (format!("{:.0} to {:.0} %", z.percentiles[0], z.percentiles[1])) }
                td { (notes::plain(z.density[0], 2)) " to " (notes::plain(z.density[1], 2)) }
                td { (notes::signed(z.gain_density, 3)) (format!(" ± {:.3}", z.gain_uncertainty.max(0.001))) }
                td { (slope(z.relative_contrast, z.relative_contrast_uncertainty)) }
            } } }
        } }
    }
}

fn laid([a, b]: &[String; 2], figures: &PairFigures) -> Markup {
    let f = &figures.alignment;
    html! {
        p.hint {
            bdi { (b) } " was laid on " bdi { (a) } " by " (f.ties) " ties with " (format!("{:.2}", f.rms_px)) " pixels rms; it shows "
            (format!("{:.0} %", 100.0 * f.overlap)) " of the same scene, and " (format!("{:.0} %", 100.0 * figures.moved))
            " of the places compared had moved or are spoilt."
        }
    }
}

/// What the script reads: names, sizes, and densities as 16-bit steps.
fn data(found: &Comparison, shown: &[Shown], width_mm: f64, tiles: Option<Tiles>) -> Markup {
    let size = shown[0].density.size();
    let about = json!({
        "plates": found.plates,
        "columns": size.columns,
        "rows": size.rows,
        "widthMm": width_mm,
        "lowest": LOWEST,
        "steps": STEPS,
        "tiles": tiles.map(|t| json!({ "columns": t.columns, "rows": t.rows, "side": t.side })),
    });
    // A closing tag inside a name must not end the element.
    let about = about.to_string().replace('<', "\\u003c");
    html! {
        script type="application/json" id="about" { (PreEscaped(about)) }
        @for s in shown { script type="text/plain" class="density" { (PreEscaped(packed(s.density))) } }
    }
}

fn packed(density: &Image<NetDensity>) -> String {
    let code = |d: &NetDensity| ((f64::from(d.0) - LOWEST) * STEPS).round().clamp(0.0, 65535.0) as u16;
    let bytes: Vec<u8> = density.pixels().iter().flat_map(|d| code(d).to_le_bytes()).collect();
    BASE64.encode(bytes)
}
