//! A page of what was measured, with plots.
//!
//! In: findings, by file. Out: one self-contained HTML page in the look of the session's. Never fails.

use super::findings::{EdgeFound, FieldFound, Findings, PatchFound};
use super::levels::{self, Standing};
use crate::density::uncertainty::Shares;
use crate::image::Image;
use crate::report::axis::{Axis, plain};
use crate::report::page::{bar, frame};
use crate::report::picture::picture;
use crate::report::plot::{Ink, Plot};
use crate::report::preview::light_jpeg;
use maud::{Markup, PreEscaped, html};

/// Pixels of a measured place's picture.
const SIDE: usize = 240;

/// The page.
pub fn page(files: &[(String, Findings)]) -> String {
    let title = match files {
        [(name, _)] => format!("Measured: {name}"),
        _ => "Measured".to_string(),
    };
    let body = html! {
        (bar(&title, false))
        main {
            @for (name, found) in files { (file(name, found)) }
        }
    };
    frame(&title, body)
}

fn file(name: &str, found: &Findings) -> Markup {
    let [columns, rows] = found.pixels;
    html! {
        section.sheet { div.inner {
            h1 { bdi { (name) } }
            p { (columns) " × " (rows) " pixels" @if let Some(ppi) = found.ppi { ", " (plain(ppi, 1)) " per inch" } }
            @if !found.edges.is_empty() { h2 { "Sharpness" } @for edge in &found.edges { (sharpness(edge, found.ppi)) } }
            @if !found.patches.is_empty() { h2 { "Patches" } (patches(&found.patches, &found.lacking)) }
            @if !found.fields.is_empty() { h2 { "Evenness" } @for field in &found.fields { (evenness(field)) } }
            @if !found.lengths.is_empty() { h2 { "Sampling" } (lengths(found)) }
            @if !found.standings.is_empty() { h2 { "Against published levels" } (standings(&found.standings)) }
        } }
    }
}

fn small(light: &Image<f32>) -> Vec<u8> {
    light_jpeg(light.size(), SIDE, 85, |row, out| out.copy_from_slice(light.row(row)))
}

fn sharpness(edge: &EdgeFound, ppi: Option<f64>) -> Markup {
    let mut plot = Plot::new(
        format!("Modulation across the edge at {}", edge.at),
        Axis::new("cycles a pixel", 0.0, 1.0),
        Axis::from_zero("modulation", edge.found.curve.iter().map(|[_, m]| m.min(1.6))),
    )
    .sized(640.0, 240.0)
    .line("", Ink::Blue, edge.found.curve.clone())
    .marker(0.5, "half sampling", Ink::Quiet);
    for (name, f) in [("SFR50", edge.found.sfr50), ("SFR10", edge.found.sfr10)] {
        if let Some(f) = f {
            let per_mm = ppi.map(|ppi| format!(", {} a mm", plain(f * ppi / 25.4, 1))).unwrap_or_default();
            plot = plot.marker(f, format!("{name} {}{per_mm}", plain(f, 3)), Ink::Orange);
        }
    }
    let sure = edge.found.sfr50_error.map(|e| format!(" ± {}", plain(2.0 * e, 3))).unwrap_or_default();
    let half =
        |f: Option<f64>| f.map_or("beyond what is measured".into(), |p| format!("{} % of half sampling", plain(p, 0)));
    html! {
        div.columns {
            figure {
                (PreEscaped(plot.svg()))
                figcaption {
                    "The edge at " (edge.at) ", " (plain(edge.found.angle, 1)) "° off the pixels' "
                    (if edge.found.along_rows { "rows" } else { "columns" }) "."
                }
            }
            div {
                (picture(&small(&edge.light), &format!("The edge at {}", edge.at)))
                dl {
                    dt { "SFR50" } dd { (edge.found.sfr50.map_or("–".into(), |f| plain(f, 3))) (sure) " cycles a pixel, " (half(edge.sfr50_percent)) }
                    dt { "SFR10" } dd { (edge.found.sfr10.map_or("–".into(), |f| plain(f, 3))) " cycles a pixel, " (half(edge.sfr10_percent)) }
                    dt { "Peak" } dd { (plain(edge.found.peak, 3)) }
                    @if let Some(ppi) = edge.effective_ppi { dt { "Resolves" } dd { "as much as " (plain(ppi, 0)) " perfect samples an inch" } }
                }
            }
        }
    }
}

/// What an interval is made of.
const PARTS: [&str; 5] = ["noise", "blank", "exposure", "glare", "response"];

fn halves(chance: f64, parts: &Shares) -> [Option<f64>; 5] {
    [Some(chance), parts.blank, parts.exposure, parts.glare, parts.response]
}

fn patches(patches: &[PatchFound], lacking: &[String]) -> Markup {
    let parts = patches.iter().any(|p| p.parts.is_some());
    let net = patches.iter().any(|p| p.net_density.is_some());
    let known = patches.iter().any(|p| p.known.is_some());
    html! {
        div.scroll { table {
            thead { tr {
                th scope="col" { "at" } th scope="col" { "density" } th scope="col" { "± (95 %)" }
                @if net { th scope="col" { "above base" } th scope="col" { "± (95 %)" } }
                @if parts { @for name in PARTS { th scope="col" { "± " (name) } } }
                @if known { th scope="col" { "known" } th scope="col" { "off" } }
                th scope="col" { "spread, D" } th scope="col" { "noise, D" } th scope="col" { "noise, L*" } th scope="col" { "clipped, %" }
            } }
            tbody { @for p in patches { tr {
                td { (p.at) }
                td { (plain(p.found.density, 3)) }
                td { (plain(p.uncertainty, 4)) }
                @if net {
                    td { (p.net_density.map_or("–".into(), |d| plain(d, 3))) }
                    td { (p.net_uncertainty.map_or("–".into(), |d| plain(d, 4))) }
                }
                @if let Some(parts) = &p.parts { @for half in halves(p.found.uncertainty, parts) { td { (half.map_or("–".into(), |h| plain(h, 4))) } } }
                @if known {
                    td { (p.known.map_or("–".into(), |d| plain(d, 3))) }
                    td { (p.known.map_or("–".into(), |d| crate::report::words::signed(p.found.density - d, 3))) }
                }
                td { (plain(p.found.spread_density, 4)) }
                td { (plain(p.found.noise_density, 4)) }
                td { (plain(p.found.noise_lstar, 2)) }
                td { (plain(100.0 * p.found.clipped, 1)) }
            } } }
        } }
        p { "Noise holds the plate's grain; spread, any slope across the patch, too." }
        @if !lacking.is_empty() {
            p { "Not in the intervals, since nothing is known of it:" }
            ul { @for lacking in lacking { li { (lacking) } } }
        }
        @if known { (against_known(patches)) }
    }
}

/// Density found less density known, against density known.
fn against_known(patches: &[PatchFound]) -> Markup {
    let points: Vec<[f64; 2]> =
        patches.iter().filter_map(|p| p.known.map(|known| [known, p.found.density - known])).collect();
    let plot = Plot::new(
        "Difference from the known densities",
        Axis::around("density known", points.iter().map(|p| p[0])),
        Axis::around("found less known", points.iter().map(|p| p[1]).chain([0.0])),
    )
    .sized(640.0, 200.0)
    .points("", Ink::Blue, points, 4.0);
    html! { (PreEscaped(plot.svg())) }
}

fn evenness(field: &FieldFound) -> Markup {
    let found = &field.found;
    let places = |values: &[f64]| -> Vec<[f64; 2]> {
        let n = values.len() as f64;
        values.iter().enumerate().map(|(k, v)| [100.0 * (k as f64 + 0.5) / n, 100.0 * (v - 1.0)]).collect()
    };
    let (across, down) = (places(&found.across), places(&found.down));
    let heights = across.iter().chain(&down).map(|p| p[1]).chain([0.5, -0.5]);
    let plot = Plot::new(
        format!("Light over the field {}", field.at),
        Axis::new("% of the way across, or down", 0.0, 100.0),
        Axis::around("light, % from its mean", heights),
    )
    .sized(640.0, 220.0)
    .line("from left to right", Ink::Blue, across)
    .line("from top to bottom", Ink::Orange, down);
    html! {
        figure {
            (PreEscaped(plot.svg()))
            figcaption {
                "Field " (field.at) ": " (plain(100.0 * found.range, 2)) " % from darkest to brightest cell, "
                (plain(found.density, 4)) " of density; " (plain(100.0 * found.rms, 2)) " % rms; "
                (plain(100.0 * found.lightness, 2)) " % of lightness L*."
            }
        }
    }
}

fn lengths(found: &Findings) -> Markup {
    html! {
        div.scroll { table {
            thead { tr { th scope="col" { "length, mm" } th scope="col" { "pixels" } th scope="col" { "per inch" } th scope="col" { "off what is stated, %" } } }
            tbody { @for l in &found.lengths { tr {
                td { (plain(l.mm, 2)) } td { (plain(l.pixels, 1)) } td { (plain(l.ppi, 1)) }
                td { (l.off_percent.map_or("–".into(), |p| crate::report::words::signed(p, 2))) }
            } } }
        } }
    }
}

fn standings(standings: &[Standing]) -> Markup {
    html! {
        div.scroll { table {
            thead { tr { th scope="col" { "what" } th scope="col" { "found" } th scope="col" { "FADGI 2023" } th scope="col" { "ISO 19264-1" } th scope="col" { "limits" } } }
            tbody { @for s in standings { tr {
                td { (s.what) } td { (plain(s.value, 2)) } td { (s.fadgi.unwrap_or("–")) } td { (s.iso_19264.unwrap_or("–")) } td { (s.limits) }
            } } }
        } }
        p { (levels::CAUTION) }
    }
}
