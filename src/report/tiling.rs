//! How a plate was put together from tiles: a map over its picture, and figures of tiles and overlaps.
//!
//! In: a plate's report with its [`Tiles`]. Out: markup; outlines, ties and cuts are layers of the map that check boxes show and hide,
//! by style alone. Never fails.

use super::axis::plain;
use super::input::{DonePlate, Tiles};
use super::picture::{address, thumbnail};
use super::svg::{self, number};
use super::words::signed;
use crate::geometry::Point;
use maud::{Markup, PreEscaped, html};
use std::fmt::Write;

/// Pixels of the map's picture on its long side.
const PICTURE: u32 = 900;
/// Arrows that a map takes before they cover each other and the picture.
const ARROWS: usize = 500;
/// Overlaps smaller than this share of a tile are corners that touch.
const TOUCHING: f64 = 0.02;

/// The map and the figures, folded.
pub fn tiling(plate: &DonePlate, tiles: &Tiles) -> Markup {
    let record = &plate.record;
    let thin = tiles.ties.len().div_ceil(ARROWS).max(1);
    html! {
        details {
            summary { "Tiles: where they lie, how well they meet, where they are cut" }
            div.layers {
                fieldset {
                    legend { "Shown on the plate" }
                    @for (class, name, shown) in [("show-tiles", "tiles", true), ("show-ties", "what is left at ties", true), ("show-cuts", "cuts", false)] {
                        label { input type="checkbox" class=(class) checked[shown]; (name) }
                    }
                }
                figure {
                    (PreEscaped(map(plate, tiles, thin)))
                    figcaption {
                        "Tiles by their numbers in the table, each with the gain on its light; places that two tiles show are lighter. Arrows tell "
                        "how far two tiles still disagree at a tie, much enlarged"
                        @if thin > 1 { "; one tie in " (thin) " is drawn" }
                        ". Cuts are where one tile gives way to the next."
                    }
                }
                div.pair {
                    div.scroll tabindex="0" role="region" aria-label=(format!("Tiles of plate {}", short_id(&record.plate))) {
                        table {
                            thead { tr { @for name in ["tile", "capture", "left over, px", "gain", "gain, D"] { th scope="col" { (name) } } } }
                            tbody {
                                @for (k, tile) in record.tiles.iter().enumerate() {
                                    tr {
                                        th scope="row" { (k + 1) }
                                        td.file { bdi { (tile.capture) } @if tiles.left_out(k) { ", left out" } }
                                        td { (plain(tile.residual_px, 2)) }
                                        td { (plain(tile.gain, 4)) }
                                        // More light is less density.
                                        td { (signed(-tile.gain.log10(), 4)) }
                                    }
                                }
                            }
                        }
                    }
                    div.scroll tabindex="0" role="region" aria-label=(format!("Overlaps of plate {}", short_id(&record.plate))) {
                        table {
                            thead { tr { @for name in ["tiles", "shared, %", "ties", "of asked", "left over, px"] { th scope="col" { (name) } } } }
                            tbody {
                                @for joint in tiles.joints.iter().filter(|joint| joint.share >= TOUCHING) {
                                    tr {
                                        th scope="row" { (joint.tiles[0] + 1) " and " (joint.tiles[1] + 1) }
                                        td { (plain(100.0 * joint.share, 0)) }
                                        td { (joint.ties) }
                                        td { (joint.asked) }
                                        td { (joint.rms_px.map_or("–".into(), |rms| plain(rms, 2))) }
                                    }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// An attribute has no element to hold a change of direction in.
fn short_id(id: &str) -> String {
    id.chars().filter(|c| !svg::is_reordering(*c)).collect()
}

/// The plate's picture with tiles, ties and cuts over it, in millimetres.
fn map(plate: &DonePlate, tiles: &Tiles, thin: usize) -> String {
    let [width, height] = plate.record.size_mm;
    let long = width.max(height);
    let corners = tiles.tiles.iter().filter_map(|tile| tile.corners).flatten();
    let (mut least, mut most) = (Point::default(), Point::new(width, height));
    for p in corners.filter(|p| p.x.is_finite() && p.y.is_finite()) {
        least = Point::new(least.x.min(p.x), least.y.min(p.y));
        most = Point::new(most.x.max(p.x), most.y.max(p.y));
    }
    let pad = 0.01 * long;
    let foot = 0.07 * long;
    let font = long / 42.0;
    let view = [least.x - pad, least.y - pad, most.x - least.x + 2.0 * pad, most.y - least.y + 2.0 * pad + foot];
    let [x, y, w, h, size] = [view[0], view[1], view[2], view[3], font].map(number);
    let label = svg::escape(&format!("Map of the {} tiles of plate {}", tiles.tiles.len(), plate.record.plate));
    let mut out = format!(
        r#"<svg class="overlay" role="img" aria-label="{label}" viewBox="{x} {y} {w} {h}" font-family="system-ui, sans-serif" font-size="{size}"><title>{label}</title>"#
    );
    let [w, h] = [width, height].map(number);
    let picture = address(&thumbnail(&plate.preview_jpeg, PICTURE));
    let _ = write!(
        out,
        r##"<rect width="{w}" height="{h}" fill="#000"/><image href="{picture}" width="{w}" height="{h}" opacity=".7" preserveAspectRatio="none"/>"##
    );
    outlines(&mut out, plate, tiles, font);
    for [x, y, w, h] in &tiles.gaps {
        let (line, [x, y, w, h]) = (svg::polyline([(*x, *y), (x + w, y + h)]), [*x, *y, *w, *h].map(number));
        let _ = write!(
            out,
            r#"<rect class="over" x="{x}" y="{y}" width="{w}" height="{h}"><title>no tile shows this</title></rect><path class="over" d="{line}"/>"#
        );
    }
    cuts(&mut out, tiles);
    ties(&mut out, tiles, thin, long, Point::new(least.x, most.y + pad + 0.6 * foot));
    out.push_str("</svg>");
    out
}

fn outlines(out: &mut String, plate: &DonePlate, tiles: &Tiles, font: f64) {
    out.push_str(r#"<g class="tiles">"#);
    for tile in &tiles.tiles {
        let Some(corners) = tile.corners else { continue };
        let line = svg::polyline(corners.iter().map(|p| (p.x, p.y)));
        let name = svg::escape(&tile.name);
        let _ = write!(out, r#"<path class="field" d="{line}Z"><title>{name}</title></path>"#);
        for class in ["under", "over"] {
            let _ = write!(out, r#"<path class="{class}" d="{line}Z"/>"#);
        }
    }
    for (k, tile) in tiles.tiles.iter().enumerate() {
        let Some(corners) = tile.corners else { continue };
        let middle = corners.iter().fold(Point::default(), |sum, p| sum + *p * 0.25);
        let [x, y, below, large] = [middle.x, middle.y, middle.y + 1.2 * font, 1.8 * font].map(number);
        let _ = write!(out, r#"<text x="{x}" y="{y}" text-anchor="middle" font-size="{large}">{}</text>"#, k + 1);
        if let Some(record) = plate.record.tiles.get(k) {
            let _ = write!(out, r#"<text x="{x}" y="{below}" text-anchor="middle">× {}</text>"#, plain(record.gain, 4));
        }
    }
    out.push_str("</g>");
}

fn cuts(out: &mut String, tiles: &Tiles) {
    let line: String = tiles.cuts.iter().map(|[a, b]| svg::polyline([(a.x, a.y), (b.x, b.y)])).collect();
    let _ = write!(out, r#"<g class="cuts"><path class="under" d="{line}"/><path class="over" d="{line}"/></g>"#);
}

/// Arrows from each tie, and one of a round length to read them by, at `key`.
fn ties(out: &mut String, tiles: &Tiles, thin: usize, long: f64, key: Point) {
    let length = |p: &Point| p.x.hypot(p.y);
    let mut lengths: Vec<f64> = tiles.ties.iter().map(|(_, off)| length(off)).filter(|l| l.is_finite()).collect();
    lengths.sort_by(f64::total_cmp);
    let Some(usual) = lengths.get(lengths.len() * 9 / 10).copied().filter(|usual| *usual > 0.0) else { return };
    // The arrow in the key stands for a round number of pixels, not far from what nine in ten stay below, and is 1/32 of the plate.
    let round = rounded(usual);
    let scale = long / 32.0 / round;
    let line: String = tiles.ties.iter().step_by(thin).map(|(at, off)| arrow(*at, *off * scale)).collect();
    let sample = arrow(key, Point::new(round * scale, 0.0));
    let _ = write!(
        out,
        r#"<g class="ties"><path class="under" d="{line}{sample}"/><path class="over" d="{line}{sample}"/><text x="{x}" y="{y}" dy=".35em">left over: {round} pixel</text></g>"#,
        x = number(key.x + round * scale + long / 60.0),
        y = number(key.y),
        round = plain(round, if round < 0.1 { 2 } else { 1 }),
    );
}

/// The nearest of 1, 2 and 5 times a power of ten, by ratio; 0.01 at least, below which nothing is told.
fn rounded(value: f64) -> f64 {
    let power = 10f64.powf(value.max(0.01).log10().floor());
    let off = |f: &f64| (f * power / value.max(0.01)).ln().abs();
    [1.0, 2.0, 5.0, 10.0].into_iter().min_by(|a, b| off(a).total_cmp(&off(b))).unwrap_or(1.0) * power
}

/// A shaft and two barbs a fifth as long as it.
fn arrow(from: Point, shift: Point) -> String {
    let tip = from + shift;
    let barb = |side: f64| tip + Point::new(-shift.x + side * shift.y, -shift.y - side * shift.x) * 0.2;
    let [a, b] = [barb(0.7), barb(-0.7)];
    svg::polyline([from, tip].map(|p| (p.x, p.y))) + &svg::polyline([a, tip, b].map(|p| (p.x, p.y)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn keys_stand_for_round_numbers() {
        for (value, round) in [(0.13, 0.1), (0.15, 0.2), (0.34, 0.5), (0.8, 1.0), (3.0, 2.0), (0.0, 0.01)] {
            assert!((rounded(value) - round).abs() < 1e-9, "{value}: {}", rounded(value));
        }
    }

    /// Barbs end a fifth of the shaft behind the tip, and as far from it on either side.
    #[test]
    fn an_arrow_points_where_the_shift_goes() {
        assert_eq!(arrow(Point::new(1.0, 2.0), Point::new(10.0, 0.0)), "M1 2L11 2M9 0.6L11 2L9 3.4");
    }
}
