//! Pictures inside a page: JPEGs as data addresses, and the plate's outline drawn over its capture.
//!
//! In: JPEG bytes, outlines in the capture's pixels. Out: markup. Never fails; bytes that are no JPEG show the alternative text.

use super::input::Seen;
use super::svg;
use base64::Engine;
use maud::{Markup, PreEscaped, html};
use std::fmt::Write;

/// A JPEG as an address that needs no file and no network.
pub fn address(jpeg: &[u8]) -> String {
    format!("data:image/jpeg;base64,{}", base64::engine::general_purpose::STANDARD.encode(jpeg))
}

/// Width and height of a JPEG, from its header; none where it is not one.
pub fn dimensions(jpeg: &[u8]) -> Option<(u32, u32)> {
    let decoder = image::codecs::jpeg::JpegDecoder::new(std::io::Cursor::new(jpeg)).ok()?;
    Some(image::ImageDecoder::dimensions(&decoder))
}

/// A picture with its size stated, so that the page does not jump while it is read.
pub fn picture(jpeg: &[u8], alt: &str) -> Markup {
    let size = dimensions(jpeg);
    // An attribute has no element to hold a change of direction in.
    let alt: String = alt.chars().filter(|c| !svg::is_reordering(*c)).collect();
    html! {
        img src=(address(jpeg)) alt=(alt) width=[size.map(|s| s.0)] height=[size.map(|s| s.1)] decoding="async";
    }
}

/// The picture at a fraction of its size, for a sheet of many: at most `side` pixels a side. The picture itself where it is
/// no JPEG.
pub fn thumbnail(jpeg: &[u8], side: u32) -> Vec<u8> {
    let Ok(image) = image::load_from_memory_with_format(jpeg, image::ImageFormat::Jpeg) else { return jpeg.to_vec() };
    let small = image.thumbnail(side, side).to_luma8();
    let mut out = Vec::new();
    let encoder = image::codecs::jpeg::JpegEncoder::new_with_quality(&mut out, 82);
    match small.write_with_encoder(encoder) {
        Ok(()) => out,
        Err(_) => jpeg.to_vec(),
    }
}

const CORNERS: [&str; 4] = ["top left", "top right", "bottom right", "bottom left"];

/// The capture with the plate's outline and its corners named as the result lies.
pub fn overlay(seen: &Seen, describes: &str) -> Markup {
    let (width, height) = (seen.size.columns as f64, seen.size.rows as f64);
    let mut drawn = String::new();
    let [w, h, font] = [width, height, width.max(height) / 42.0].map(svg::number);
    let _ = write!(
        drawn,
        r#"<svg class="overlay" role="img" aria-label="{label}" viewBox="0 0 {w} {h}" font-family="system-ui, sans-serif" font-size="{font}"><title>{label}</title><image href="{picture}" width="{w}" height="{h}" preserveAspectRatio="none"/>"#,
        label = svg::escape(describes),
        picture = address(&seen.jpeg),
    );
    if !seen.outline.is_empty() {
        let line = svg::polyline(seen.outline.iter().map(|p| (p.x, p.y)));
        for class in ["under", "over"] {
            let _ = write!(drawn, r#"<path class="{class}" d="{line}Z"/>"#);
        }
    }
    if let Some(corners) = seen.corners {
        let middle = corners.iter().fold((0.0, 0.0), |m, p| (m.0 + p.x / 4.0, m.1 + p.y / 4.0));
        for (corner, name) in corners.iter().zip(CORNERS) {
            // Names stand inside the plate, away from the corner that they name.
            let inside = |at: f64, middle: f64| at + (middle - at).signum() * width.max(height) / 60.0;
            let (x, y) = (inside(corner.x, middle.0), inside(corner.y, middle.1));
            let anchor = if corner.x < middle.0 { "start" } else { "end" };
            let drop = if corner.y < middle.1 { ".8em" } else { "0" };
            let [x, y, cx, cy] = [x, y, corner.x, corner.y].map(svg::number);
            let _ = write!(
                drawn,
                r#"<text x="{x}" y="{y}" dy="{drop}" text-anchor="{anchor}">{name}</text><circle class="under" cx="{cx}" cy="{cy}" r="{r}"/><circle class="over" cx="{cx}" cy="{cy}" r="{r}"/>"#,
                r = svg::number(width.max(height) / 150.0),
            );
        }
    }
    drawn.push_str("</svg>");
    html! { (PreEscaped(drawn)) }
}
