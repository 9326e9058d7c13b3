//! The session's page: one HTML file that needs nothing else.
//!
//! In: a [`SessionReport`]. Out: the page's text, the same bytes for the same input. Never fails. Every word of the notes is escaped
//! and kept from turning the direction of its neighbours; a policy in the page forbids scripts other than its own and any request.

use super::axis::{Axis, plain};
use super::input::{BlankReport, PlateReport, SessionReport};
use super::picture::{address, picture, thumbnail};
use super::plate::{self, link, pairs, warnings};
use super::plot::{Ink, Plot};
use super::words;
use crate::positive::lightness::lstar;
use crate::units::NetDensity;
use base64::Engine;
use maud::{DOCTYPE, Markup, PreEscaped, html};
use sha2::{Digest, Sha256};

/// The look that all pages share.
pub const STYLE: &str = include_str!("page.css");
/// Its keys.
pub const SCRIPT: &str = include_str!("page.js");

/// Pixels that the longest side of the session's largest plate takes on the table of plates.
const TABLE_SIDE: f64 = 250.0;

/// The whole page.
pub fn page(session: &SessionReport) -> String {
    let title = if session.about.title.is_empty() { "Plates" } else { &session.about.title };
    let body = html! {
        a.skip href="#plates" { "Skip to the plates" }
        (bar(title, true))
        (header(session, title))
        main {
            (table(session))
            (batch(session))
            @for (at, report) in session.plates.iter().enumerate() {
                @match report {
                    PlateReport::Done(plate) => (plate::done(session, at, plate)),
                    PlateReport::Failed(plate) => (plate::failed(session, at, plate)),
                }
            }
        }
        footer.sheet { div.inner {
            "Made by " (session.software.name) " " (session.software.version)
            ". Densities are those that the capture's light and sensor saw, above base plus fog."
        } }
    };
    frame(title, body)
}

/// A page of the project's look round a body: style, script and the policy that lets nothing else in.
pub fn frame(title: &str, body: Markup) -> String {
    document(title, STYLE, SCRIPT, "data:", body)
}

/// A page that needs no network: its own style and script, and pictures only from `images` (sources as a Content Security Policy names them).
pub fn document(title: &str, style: &str, script: &str, images: &str, body: Markup) -> String {
    let hash = base64::engine::general_purpose::STANDARD.encode(Sha256::digest(script));
    let policy = format!(
        "default-src 'none'; img-src {images}; style-src 'unsafe-inline'; script-src 'sha256-{hash}'; base-uri 'none'; form-action 'none'"
    );
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content=(policy);
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="referrer" content="no-referrer";
                title { (title) }
                link rel="icon" href="data:,";
                style { (PreEscaped(style)) }
            }
            body { (body) script { (PreEscaped(script)) } }
        }
    }
    .into_string()
}

/// Where one is, the surrounds, and the keys; `plates`: whether the page has plates to go between.
pub fn bar(title: &str, plates: bool) -> Markup {
    html! {
        div.bar {
            span.name { bdi { (title) } }
            span.keys {
                @if plates { kbd { "←" } " " kbd { "→" } " plates  " kbd { "V" } " picture alone  " }
                kbd { "G" } " surround"
            }
            fieldset {
                legend { "Surround" }
                @for (value, name, chosen) in [("dark", "dark", false), ("mid", "middle", true), ("white", "white", false)] {
                    label { input type="radio" name="surround" id=(format!("surround-{value}")) value=(value) checked[chosen]; (name) }
                }
            }
        }
    }
}

fn header(session: &SessionReport, title: &str) -> Markup {
    let about = &session.about;
    let facts: Vec<String> = [
        about.date.as_deref().map(words::date),
        about.place.clone(),
        about.photographer.clone(),
        about.rights.clone(),
        Some(count(session)),
    ]
    .into_iter()
    .flatten()
    .collect();
    html! {
        header.sheet { div.inner {
            h1 { bdi { (title) } }
            p.facts { @for fact in facts { span { bdi { (fact) } } } }
        } }
    }
}

fn count(session: &SessionReport) -> String {
    let failed = session.plates.iter().filter(|plate| matches!(plate, PlateReport::Failed(_))).count();
    let all = match session.plates.len() {
        1 => "one plate".to_string(),
        n => format!("{n} plates"),
    };
    if failed == 0 { all } else { format!("{all}, {failed} of them not done") }
}

/// All plates at one scale.
fn table(session: &SessionReport) -> Markup {
    let longest = session.plates.iter().filter_map(size_mm).flat_map(|size| size.into_iter()).fold(1.0, f64::max);
    let pixels = |mm: f64| (mm / longest * TABLE_SIDE).round().max(24.0);
    html! {
        ul.table id="plates" aria-label="Plates of the session" {
            @for (at, report) in session.plates.iter().enumerate() {
                li { a href=(link(at)) {
                    @match report {
                        PlateReport::Done(plate) => {
                            // Twice the pixels, for fine screens.
                            @let small = thumbnail(&plate.preview_jpeg, 2 * TABLE_SIDE as u32);
                            img src=(address(&small)) alt="" width=(pixels(plate.record.size_mm[0])) height=(pixels(plate.record.size_mm[1]));
                        }
                        PlateReport::Failed(_) => { span.none style=(format!("width:{TABLE_SIDE}px;height:{}px", TABLE_SIDE * 0.73)) { "not done" } }
                    }
                    span.label { b { bdi { (report.id()) } } @if let Some(line) = caption(report) { " " bdi { (line) } } }
                } }
            }
        }
    }
}

fn size_mm(report: &PlateReport) -> Option<[f64; 2]> {
    match report {
        PlateReport::Done(plate) => Some(plate.record.size_mm),
        PlateReport::Failed(_) => None,
    }
}

/// The first line of the field record: how it was exposed.
fn caption(report: &PlateReport) -> Option<String> {
    let exposure = match report {
        PlateReport::Done(plate) => &plate.record.exposure,
        PlateReport::Failed(plate) => &plate.exposure,
    };
    words::exposure(exposure).into_iter().find(|(name, _)| *name == "Exposure").map(|(_, line)| line)
}

/// What concerns the whole session: warnings, base readings, the tone scale, the light, brackets.
fn batch(session: &SessionReport) -> Markup {
    html! {
        section.sheet aria-labelledby="batch" { div.inner {
            h2 id="batch" style="margin-bottom:1.1rem" { "The batch" }
            (warnings(&session.warnings))
            @if session.plates.iter().any(|plate| matches!(plate, PlateReport::Done(_))) { (readings(session)) }
            div.columns {
                figure {
                    h3 { "How densities print" }
                    (PreEscaped(tone_plot(session)))
                    figcaption { bdi { "“" (session.tone.name) "”: " (session.tone.about) } }
                }
                div {
                    @if let Some(blank) = &session.blank { (light(blank)) }
                    @if !session.brackets.is_empty() { (brackets(session)) }
                }
            }
        } }
    }
}

fn readings(session: &SessionReport) -> Markup {
    html! {
        div.scroll tabindex="0" role="region" aria-label="Readings" {
            table {
                caption { "Base plus fog as read on each plate, and densities above the base that the plate stands on" }
                thead { tr {
                    @for name in ["plate", "base read", "spread", "from the batch", "5 % below", "half below", "95 % below", "deepest trusted", "warnings"] {
                        th scope="col" { (name) }
                    }
                } }
                tbody {
                    @for (at, report) in session.plates.iter().enumerate() {
                        tr {
                            th scope="row" { a href=(link(at)) { bdi { (report.id()) } } }
                            @match report {
                                PlateReport::Failed(_) => { td colspan="8" { "not done" } }
                                PlateReport::Done(plate) => {
                                    @let (base, d) = (&plate.record.base, &plate.record.density);
                                    @let own = base.plate_density;
                                    td { (own.map_or("–".into(), |own| plain(own, 3))) }
                                    td { (own.map_or("–".into(), |_| plain(base.spread, 3))) }
                                    td { (own.map_or("–".into(), |own| words::signed(own - base.batch_density, 3))) }
                                    @for value in [d.p05, d.p50, d.p95] { td { (plain(value, 2)) } }
                                    td { (d.deepest.map_or("–".into(), |value| plain(value, 2))) }
                                    td { (plate.record.warnings.len()) }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// Lightness against density for the session's tone, with each plate's span below it.
fn tone_plot(session: &SessionReport) -> String {
    let done: Vec<_> = session
        .plates
        .iter()
        .filter_map(|report| match report {
            PlateReport::Done(plate) => Some((report.id(), &plate.record.density)),
            PlateReport::Failed(_) => None,
        })
        .collect();
    let to = done.iter().map(|(_, d)| d.p99).fold(session.tone.useful()[1].0 as f64, f64::max).clamp(1.0, 4.0);
    let to = ((to + 0.2) * 5.0).ceil() / 5.0;
    let from = -0.2;
    let at = |k: usize| from + (to - from) * k as f64 / 240.0;
    let curve: Vec<[f64; 2]> =
        (0..=240).map(|k| [at(k), lstar(session.tone.value(NetDensity(at(k) as f32)))]).collect();
    let grays = plate::grays(&session.tone, from, to, 0.0);
    let [low, high] = session.tone.useful().map(|d| d.0 as f64);
    Plot::new(
        format!(
            "Lightness of the print against density above base; useful from {} to {}",
            plain(low, 2),
            plain(high, 2)
        ),
        Axis::new("density above base", from, to),
        Axis::new("lightness of the print, L*", 0.0, 100.0),
    )
    .sized(640.0, 210.0)
    .strip(grays)
    .line("", Ink::Plain, curve)
    .marker(low, format!("{} black", plain(low.abs(), 2)), Ink::Quiet)
    .marker(high, format!("{} white", plain(high, 2)), Ink::Quiet)
    .svg()
}

fn light(blank: &BlankReport) -> Markup {
    html! {
        h3 { "The light" }
        figure.blank {
            (picture(&blank.jpeg, "The panel alone, averaged over all blanks"))
            figcaption { "The panel alone, as the sensor saw it through the lens." }
        }
        (pairs(blank.facts.iter().map(|(name, value)| (name.as_str(), value.clone()))))
    }
}

fn brackets(session: &SessionReport) -> Markup {
    html! {
        h3 { "Compared" }
        @for bracket in &session.brackets {
            @let mut parts = bracket.page.split('/');
            @let first = parts.next().unwrap_or_default();
            p {
                a href=(plate::address(first, &parts.collect::<Vec<_>>().join("/"))) { bdi { (bracket.plates.join(" and ")) } }
                @for line in bracket.findings.iter().chain(&bracket.advice) { br; bdi { (line) } }
            }
            (plate::warnings(&bracket.warnings))
        }
    }
}
