//! A plan of tiles drawn in true size, to print and to place the plate by.
//!
//! In: a [`Plan`] and the plate that it is for. Out: an SVG document in millimetres: the plate's outline, every tile's frame, its
//! middle with its number and place, and a scale to check the print by. The same bytes for the same input. Never fails.

use super::axis::plain;
use super::svg::{self, Anchor, number};
use crate::geometry::Point;
use crate::mosaic::plan::{Plan, Wanted};
use std::fmt::Write;

/// Paper round the drawing, and below it for the scale, mm.
const BORDER: f64 = 8.0;
const FOOT: f64 = 20.0;
/// The scale's length, mm: a ruler's worth, and short enough for any paper.
const SCALE: f64 = 50.0;
/// Half a middle mark, mm.
const MARK: f64 = 4.0;
/// Heights of the letters, mm.
const LARGE: f64 = 5.0;
const SMALL: f64 = 2.6;

/// Width and height of the drawing, mm.
pub fn size_mm(plan: &Plan, wanted: &Wanted) -> [f64; 2] {
    let (least, most) = extent(plan, wanted);
    [most.x - least.x + 2.0 * BORDER, most.y - least.y + 2.0 * BORDER + FOOT]
}

/// The drawing. `name`: what the plate is called.
pub fn svg(plan: &Plan, wanted: &Wanted, name: &str) -> String {
    let (least, most) = extent(plan, wanted);
    let [width, height] = size_mm(plan, wanted);
    let [left, top] = [least.x - BORDER, least.y - BORDER];
    let title = format!("{name}: {} × {} tiles, seen from the camera, true size", plan.columns, plan.rows);
    let mut out = String::from("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n");
    let [w, h, x, y] = [width, height, left, top].map(number);
    let _ = writeln!(
        out,
        r##"<svg xmlns="http://www.w3.org/2000/svg" width="{w}mm" height="{h}mm" viewBox="{x} {y} {w} {h}" color="#000" font-family="sans-serif"><title>{}</title>"##,
        svg::escape(&title)
    );
    // Frames are shaded so lightly that overlaps, where the shades add up, can be told from what one tile alone shows.
    for middle in &plan.middles_mm {
        let frame =
            [middle.x - plan.field_mm[0] / 2.0, middle.y - plan.field_mm[1] / 2.0, plan.field_mm[0], plan.field_mm[1]];
        rectangle(
            &mut out,
            frame,
            r##"fill="#000" fill-opacity=".07" stroke="#000" stroke-width=".15" stroke-dasharray="2 1.2""##,
        );
    }
    let [w, h] = wanted.plate_mm;
    rectangle(&mut out, [0.0, 0.0, w, h], r##"fill="none" stroke="#000" stroke-width=".6""##);
    for (k, middle) in plan.middles_mm.iter().enumerate() {
        mark(&mut out, *middle, k + 1);
    }
    scale(&mut out, left + BORDER, most.y + BORDER + 6.0);
    let words = [
        title,
        format!(
            "{} × {} mm plate; one tile shows {} × {} mm; places are the tiles' middles from the plate's top left corner, mm",
            plain(w, 1),
            plain(h, 1),
            plain(plan.field_mm[0], 1),
            plain(plan.field_mm[1], 1)
        ),
    ];
    for (k, line) in words.iter().enumerate() {
        svg::text(&mut out, (left + BORDER, most.y + BORDER + 13.0 + k as f64 * 4.0), SMALL, Anchor::Start, line);
    }
    out.push_str("</svg>\n");
    out
}

/// Corners of the rectangle that holds the plate and all frames.
fn extent(plan: &Plan, wanted: &Wanted) -> (Point, Point) {
    let [w, h] = plan.field_mm.map(|side| side / 2.0);
    let [right, bottom] = wanted.plate_mm;
    plan.middles_mm.iter().fold((Point::default(), Point::new(right, bottom)), |(least, most), at| {
        (
            Point::new(least.x.min(at.x - w), least.y.min(at.y - h)),
            Point::new(most.x.max(at.x + w), most.y.max(at.y + h)),
        )
    })
}

fn rectangle(out: &mut String, of: [f64; 4], style: &str) {
    let [x, y, w, h] = of.map(number);
    let _ = writeln!(out, r#"<rect x="{x}" y="{y}" width="{w}" height="{h}" {style}/>"#);
}

/// A cross in the middle of a tile, its number and its place.
fn mark(out: &mut String, at: Point, tile: usize) {
    let style = r#"stroke="currentColor" stroke-width=".25""#;
    svg::line(out, (at.x - MARK, at.y), (at.x + MARK, at.y), style);
    svg::line(out, (at.x, at.y - MARK), (at.x, at.y + MARK), style);
    svg::text(out, (at.x + 1.2, at.y - 1.4), LARGE, Anchor::Start, &tile.to_string());
    svg::text(
        out,
        (at.x + 1.2, at.y + 1.2 + SMALL),
        SMALL,
        Anchor::Start,
        &format!("{}, {}", plain(at.x, 1), plain(at.y, 1)),
    );
    out.push('\n');
}

fn scale(out: &mut String, x: f64, y: f64) {
    let style = r#"stroke="currentColor" stroke-width=".3""#;
    svg::line(out, (x, y), (x + SCALE, y), style);
    for k in 0..=5 {
        let tick = if k % 5 == 0 { 3.0 } else { 1.5 };
        let x = x + SCALE * k as f64 / 5.0;
        svg::line(out, (x, y - tick), (x, y), style);
    }
    let words = format!("{} mm. Hold a ruler to it: print at 100 %, not fitted to the page", plain(SCALE, 0));
    svg::text(out, (x + SCALE + 3.0, y), SMALL, Anchor::Start, &words);
    out.push('\n');
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mosaic::plan;
    use quick_xml::events::Event;

    fn wanted() -> Wanted {
        Wanted { plate_mm: [254.0, 203.2], pixels: [4032, 3024], overlap: 0.3, margin_mm: 6.0 }
    }

    /// Every element of the document with its attributes; fails where it is not well formed.
    fn elements(svg: &str) -> Vec<(String, std::collections::HashMap<String, String>)> {
        let mut reader = quick_xml::Reader::from_str(svg);
        let mut found = Vec::new();
        loop {
            match reader.read_event().unwrap() {
                Event::Start(e) | Event::Empty(e) => {
                    let pairs =
                        e.attributes().map(|a| a.unwrap()).map(|a| (a.key.as_ref().to_string(), a.value.to_string()));
                    found.push((e.name().as_ref().to_string(), pairs.collect()));
                }
                Event::Eof => return found,
                _ => {}
            }
        }
    }

    /// A user unit is a millimetre because the size in millimetres and the view box say the same numbers (SVG 1.1, 7.7 and 7.8).
    #[test]
    fn it_is_drawn_in_true_millimetres() {
        let plan = plan::reaching(&wanted(), 1200.0).unwrap();
        let all = elements(&svg(&plan, &wanted(), "a <\"plate\"> & more"));
        let root = &all[0].1;
        let [w, h] = ["width", "height"].map(|side| root[side].strip_suffix("mm").unwrap().to_string());
        assert!(root["viewBox"].ends_with(&format!(" {w} {h}")), "{root:?}");
        // Plate and margins, then border and foot: 266 + 16 and 215.2 + 16 + 20.
        assert_eq!((w.as_str(), h.as_str()), ("282", "251.2"));
        let rects: Vec<_> = all.iter().filter(|(name, _)| name == "rect").map(|(_, a)| a).collect();
        assert_eq!(rects.len(), 24 + 1);
        let plate = rects.last().unwrap();
        assert_eq!([&plate["x"], &plate["y"], &plate["width"], &plate["height"]], ["0", "0", "254", "203.2"]);
        let length = |a: &std::collections::HashMap<String, String>| {
            let at = |key: &str| a[key].parse::<f64>().unwrap();
            (at("x2") - at("x1")).hypot(at("y2") - at("y1"))
        };
        assert!(all.iter().any(|(name, a)| name == "line" && (length(a) - SCALE).abs() < 0.011));
    }

    #[test]
    fn all_tiles_are_numbered_with_their_places() {
        let plan = plan::reaching(&wanted(), 1200.0).unwrap();
        let drawn = svg(&plan, &wanted(), "8x10in");
        assert_eq!(drawn, svg(&plan, &wanted(), "8x10in"));
        for k in 1..=24 {
            assert!(drawn.contains(&format!(">{k}</text>")), "{k}");
        }
        // The first middle: half a field less the margin, 59.111 / 2 − 6 and 78.815 / 2 − 6.
        assert!(drawn.contains(">23.6, 33.4</text>"));
    }

    #[test]
    fn one_frame_wider_than_the_plate_lies_on_the_paper_too() {
        let wanted = Wanted { plate_mm: [127.0, 101.6], pixels: [6000, 2000], overlap: 0.3, margin_mm: 0.0 };
        let plan = plan::single(&wanted);
        let [width, _] = size_mm(&plan, &wanted);
        assert!((width - (plan.field_mm[0] + 2.0 * BORDER)).abs() < 1e-9);
        elements(&svg(&plan, &wanted, "4x5in"));
    }
}
