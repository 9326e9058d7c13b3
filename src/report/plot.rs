//! Plots as SVG: lines, histograms, points, counts over a grid, displacements, and markers, over two axes with ticks.
//!
//! In: numbers in the axes' own units. Out: one `<svg>` element, the same bytes for the same input, without scripts, identifiers or
//! outside references, so that many may stand in one page or each in a file of its own. Never fails: what is not finite or lies
//! outside the axes is not drawn.
//!
//! Colours are Okabe and Ito's ("Color universal design", 2008), which stay apart for colour-blind eyes; lines differ by their dashes,
//! too. A page may change the inks by the classes `ink-…` to suit its background.

use super::axis::Axis;
use super::svg::{self, Anchor};
use std::fmt::Write;

/// What a layer is drawn in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ink {
    /// The ink of the text.
    Plain,
    Blue,
    Orange,
    Green,
    Purple,
    Amber,
    /// The ink of the text, broken, where solid lines stand beside it.
    Broken,
    /// For what stands behind the rest.
    Quiet,
}

impl Ink {
    fn class(self) -> &'static str {
        match self {
            Ink::Plain | Ink::Broken => "ink-plain",
            Ink::Blue => "ink-blue",
            Ink::Orange => "ink-orange",
            Ink::Green => "ink-green",
            Ink::Purple => "ink-purple",
            Ink::Amber => "ink-amber",
            Ink::Quiet => "ink-quiet",
        }
    }

    fn colour(self) -> &'static str {
        match self {
            Ink::Plain | Ink::Broken => "inherit",
            Ink::Blue => "#0072b2",
            Ink::Orange => "#d55e00",
            Ink::Green => "#00795a",
            Ink::Purple => "#a8487f",
            Ink::Amber => "#8a6000",
            Ink::Quiet => "#767676",
        }
    }

    fn dashes(self) -> &'static str {
        match self {
            Ink::Plain | Ink::Blue => "",
            Ink::Orange => r#" stroke-dasharray="7 3""#,
            Ink::Green => r#" stroke-dasharray="2 3""#,
            Ink::Purple => r#" stroke-dasharray="9 3 2 3""#,
            Ink::Amber => r#" stroke-dasharray="16 4""#,
            Ink::Broken => r#" stroke-dasharray="8 3 2 3 2 3""#,
            Ink::Quiet => r#" stroke-dasharray="1 3""#,
        }
    }
}

/// What is drawn over the axes, in order.
#[derive(Debug, Clone)]
enum Layer {
    Line { name: String, ink: Ink, points: Vec<[f64; 2]> },
    Points { name: String, ink: Ink, points: Vec<[f64; 2]>, radius: f64 },
    Histogram { name: String, ink: Ink, edges: Vec<f64>, heights: Vec<f64> },
    Grid { x: Vec<f64>, y: Vec<f64>, counts: Vec<f64> },
    Vectors { name: String, ink: Ink, from: Vec<[f64; 2]>, shift: Vec<[f64; 2]>, scale: f64 },
    Outline { ink: Ink, corners: Vec<[f64; 2]> },
}

/// An upright line at x with a label above the plot.
#[derive(Debug, Clone)]
struct Marker {
    x: f64,
    label: String,
    ink: Ink,
}

/// A plot being put together; [`Plot::svg`] writes it.
#[derive(Debug, Clone)]
pub struct Plot {
    describes: String,
    x: Axis,
    y: Axis,
    width: f64,
    height: f64,
    equal_units: bool,
    layers: Vec<Layer>,
    markers: Vec<Marker>,
    /// Grays from the start of the x axis to its end.
    strip: Vec<u8>,
}

const FONT: f64 = 12.0;
const LEFT: f64 = 58.0;
const RIGHT: f64 = 18.0;
const BOTTOM: f64 = 44.0;
const ROW: f64 = 17.0;
/// Height of the strip of grays and its gap from the axis.
const STRIP: f64 = 12.0;
/// Shades that counts over a grid are told apart by.
const SHADES: usize = 8;

impl Plot {
    /// `describes` is what a reader who cannot see the plot should hear.
    pub fn new(describes: impl Into<String>, x: Axis, y: Axis) -> Self {
        Plot {
            describes: describes.into(),
            x,
            y,
            width: 640.0,
            height: 300.0,
            equal_units: false,
            layers: Vec::new(),
            markers: Vec::new(),
            strip: Vec::new(),
        }
    }

    /// Outer width and height of the axes' field, in CSS pixels (640 by 300 if not said).
    pub fn sized(mut self, width: f64, height: f64) -> Self {
        (self.width, self.height) = (width.max(160.0), height.max(60.0));
        self
    }

    /// A unit of y as long as a unit of x, for maps; the height follows from the width, and both shrink to keep within
    /// the height that was asked for.
    pub fn equal_units(mut self) -> Self {
        self.equal_units = true;
        self
    }

    /// A line through points; broken where one is not finite. An empty name keeps it out of the key.
    pub fn line(mut self, name: impl Into<String>, ink: Ink, points: impl Into<Vec<[f64; 2]>>) -> Self {
        self.layers.push(Layer::Line { name: name.into(), ink, points: points.into() });
        self
    }

    /// Dots of a radius in CSS pixels.
    pub fn points(mut self, name: impl Into<String>, ink: Ink, points: impl Into<Vec<[f64; 2]>>, radius: f64) -> Self {
        self.layers.push(Layer::Points { name: name.into(), ink, points: points.into(), radius });
        self
    }

    /// Filled bars between `edges` (one more than `heights`).
    pub fn histogram(
        mut self,
        name: impl Into<String>,
        ink: Ink,
        edges: impl Into<Vec<f64>>,
        heights: impl Into<Vec<f64>>,
    ) -> Self {
        self.layers.push(Layer::Histogram { name: name.into(), ink, edges: edges.into(), heights: heights.into() });
        self
    }

    /// Counts over a grid, row by row from the first y on, shaded by the logarithm of the count. `x` and `y` are the cells' edges.
    pub fn grid(mut self, x: impl Into<Vec<f64>>, y: impl Into<Vec<f64>>, counts: impl Into<Vec<f64>>) -> Self {
        self.layers.push(Layer::Grid { x: x.into(), y: y.into(), counts: counts.into() });
        self
    }

    /// Arrows from places, `scale` times as long as the displacements are; the name tells what the longest in the key stands for.
    pub fn vectors(
        mut self,
        name: impl Into<String>,
        ink: Ink,
        from: impl Into<Vec<[f64; 2]>>,
        shift: impl Into<Vec<[f64; 2]>>,
        scale: f64,
    ) -> Self {
        let (name, from, shift) = (name.into(), from.into(), shift.into());
        self.layers.push(Layer::Vectors { name, ink, from, shift, scale });
        self
    }

    /// A closed line round corners.
    pub fn outline(mut self, ink: Ink, corners: impl Into<Vec<[f64; 2]>>) -> Self {
        self.layers.push(Layer::Outline { ink, corners: corners.into() });
        self
    }

    /// An upright line at x, labelled above the plot.
    pub fn marker(mut self, x: f64, label: impl Into<String>, ink: Ink) -> Self {
        self.markers.push(Marker { x, label: label.into(), ink });
        self
    }

    /// A strip of grays below the x axis: what its values look like, in equal steps from `from` to `to`.
    pub fn strip(mut self, grays: impl Into<Vec<u8>>) -> Self {
        self.strip = grays.into();
        self
    }

    /// The plot as one `<svg>` element.
    pub fn svg(&self) -> String {
        let frame = self.frame();
        let mut out = String::new();
        let (width, height) = (svg::number(frame.outer_width), svg::number(frame.outer_height));
        let describes = svg::escape(&self.describes);
        let _ = write!(
            out,
            r#"<svg xmlns="http://www.w3.org/2000/svg" class="plot" role="img" aria-label="{describes}" viewBox="0 0 {width} {height}" width="{width}" height="{height}" font-family="system-ui, sans-serif"><title>{describes}</title>"#
        );
        self.write_key(&mut out);
        self.write_axes(&mut out, &frame);
        let (x, y, w, h) = (frame.left, frame.top, frame.width, frame.height);
        let [x, y, w, h] = [x, y, w, h].map(svg::number);
        let _ = write!(out, r#"<svg x="{x}" y="{y}" width="{w}" height="{h}" overflow="hidden">"#);
        for layer in &self.layers {
            frame.write_layer(&mut out, self, layer);
        }
        out.push_str("</svg>");
        self.write_markers(&mut out, &frame);
        out.push_str("</svg>\n");
        out
    }

    /// Where the axes' field lies in the drawing.
    fn frame(&self) -> Frame {
        let mut width = self.width - LEFT - RIGHT;
        let mut height = self.height;
        if self.equal_units {
            let unit = (width / (self.x.to - self.x.from).abs()).min(height / (self.y.to - self.y.from).abs());
            width = unit * (self.x.to - self.x.from).abs();
            height = unit * (self.y.to - self.y.from).abs();
        }
        let key_rows = self.key_places().last().map_or(0, |(_, row, _)| row + 1);
        let marker_rows = self.marker_rows(width).into_iter().max().map_or(0, |row| row + 1);
        let top = 8.0 + (key_rows + marker_rows) as f64 * ROW;
        Frame {
            left: LEFT,
            top,
            width,
            height,
            outer_width: self.width.min(width + LEFT + RIGHT).max(160.0),
            outer_height: top + height + BOTTOM + self.strip_height(),
        }
    }

    fn strip_height(&self) -> f64 {
        if self.strip.is_empty() { 0.0 } else { STRIP }
    }

    fn write_strip(&self, out: &mut String, frame: &Frame) {
        let width = frame.width / self.strip.len().max(1) as f64;
        for (k, gray) in self.strip.iter().enumerate() {
            // Half a pixel more than its share, so that no background shines through between two steps.
            let wide = if k + 1 < self.strip.len() { width + 0.5 } else { width };
            let [x, y, w, h] =
                [frame.left + k as f64 * width, frame.top + frame.height + 1.0, wide, STRIP - 2.0].map(svg::number);
            let _ = write!(
                out,
                r##"<rect x="{x}" y="{y}" width="{w}" height="{h}" fill="#{gray:02x}{gray:02x}{gray:02x}"/>"##
            );
        }
    }

    /// Names for the key, with their rows and x.
    fn key_places(&self) -> Vec<(&Layer, usize, f64)> {
        let (mut x, mut row) = (LEFT, 0);
        let mut places = Vec::new();
        for layer in self.layers.iter().filter(|l| !l.name().is_empty()) {
            let width = 30.0 + svg::width(layer.name(), FONT) + 18.0;
            if x > LEFT && x + width > self.width {
                (x, row) = (LEFT, row + 1);
            }
            places.push((layer, row, x));
            x += width;
        }
        places
    }

    fn write_key(&self, out: &mut String) {
        for (layer, row, x) in self.key_places() {
            let y = 8.0 + row as f64 * ROW + ROW / 2.0;
            layer.ink().open(out);
            match layer {
                Layer::Line { ink, .. } => {
                    let style = format!(r#"stroke="currentColor" stroke-width="2"{}"#, ink.dashes());
                    svg::line(out, (x, y), (x + 24.0, y), &style);
                }
                Layer::Vectors { .. } => arrow(out, (x, y), (x + 24.0, y)),
                Layer::Points { .. } => dot(out, (x + 12.0, y), 3.0),
                _ => {
                    let [x, y] = [x + 4.0, y - 5.0].map(svg::number);
                    let _ = write!(
                        out,
                        r#"<rect x="{x}" y="{y}" width="16" height="10" fill="currentColor" fill-opacity=".55"/>"#
                    );
                }
            }
            out.push_str("</g>");
            svg::text(out, (x + 30.0, y + 4.0), FONT, Anchor::Start, layer.name());
        }
    }

    fn write_axes(&self, out: &mut String, frame: &Frame) {
        self.write_strip(out, frame);
        let (bottom, right) = (frame.top + frame.height, frame.left + frame.width);
        let foot = bottom + self.strip_height();
        let rule = r#"stroke="currentColor" stroke-opacity=".16""#;
        out.push_str(r#"<g class="axes">"#);
        for (value, label) in self.x.marks() {
            let x = frame.x(self, value);
            svg::line(out, (x, frame.top), (x, bottom), rule);
            svg::line(out, (x, foot), (x, foot + 5.0), r#"stroke="currentColor""#);
            svg::text(out, (x, foot + 18.0), FONT, Anchor::Middle, &label);
        }
        for (value, label) in self.y.marks() {
            let y = frame.y(self, value);
            svg::line(out, (frame.left, y), (right, y), rule);
            svg::line(out, (frame.left - 5.0, y), (frame.left, y), r#"stroke="currentColor""#);
            svg::text(out, (frame.left - 8.0, y + 4.0), FONT, Anchor::End, &label);
        }
        svg::line(out, (frame.left, bottom), (right, bottom), r#"stroke="currentColor""#);
        svg::line(out, (frame.left, frame.top), (frame.left, bottom), r#"stroke="currentColor""#);
        svg::text(out, (frame.left + frame.width / 2.0, foot + 36.0), FONT, Anchor::Middle, &self.x.label);
        let (x, y) = (14.0, frame.top + frame.height / 2.0);
        let _ = write!(out, r#"<g transform="translate({} {}) rotate(-90)">"#, svg::number(x), svg::number(y));
        svg::text(out, (0.0, 0.0), FONT, Anchor::Middle, &self.y.label);
        out.push_str("</g></g>");
    }

    /// The row above the plot that each marker's label stands in (0 is the lowest), so that none covers another. Labels run to
    /// the right of their lines; placed from the right, a line rises past no label to its left.
    fn marker_rows(&self, width: f64) -> Vec<usize> {
        let mut order: Vec<usize> = (0..self.markers.len()).collect();
        order.sort_by(|a, b| self.markers[*b].x.total_cmp(&self.markers[*a].x));
        let mut rows = vec![0; self.markers.len()];
        let mut taken: Vec<(usize, f64, f64)> = Vec::new();
        for at in order {
            let marker = &self.markers[at];
            let (from, to) = marker.span(LEFT + self.x.share(marker.x) * width, self.width);
            let free = |row: &usize| taken.iter().all(|(r, a, b)| r != row || to < *a || from > *b);
            rows[at] = (0..).find(free).unwrap_or(0);
            taken.push((rows[at], from, to));
        }
        rows
    }

    fn write_markers(&self, out: &mut String, frame: &Frame) {
        for (marker, row) in self.markers.iter().zip(self.marker_rows(frame.width)) {
            let share = self.x.share(marker.x);
            if !(-1e-9..=1.0 + 1e-9).contains(&share) {
                continue;
            }
            let x = frame.left + share * frame.width;
            let y = frame.top - row as f64 * ROW;
            marker.ink.open(out);
            let style = format!(r#"stroke="currentColor" stroke-width="1.5"{}"#, marker.ink.dashes());
            svg::line(out, (x, y - 2.0), (x, frame.top + frame.height), &style);
            let (from, _) = marker.span(x, frame.outer_width);
            svg::text(out, (from + 4.0, y - 5.0), FONT, Anchor::Start, &marker.label);
            out.push_str("</g>");
        }
    }
}

impl Marker {
    /// From where to where the label runs when the marker stands at x and the drawing is `width` wide.
    fn span(&self, x: f64, width: f64) -> (f64, f64) {
        let text = svg::width(&self.label, FONT) + 8.0;
        let from = (x - 4.0).min(width - text).max(0.0);
        (from, from + text)
    }
}

impl Layer {
    fn name(&self) -> &str {
        match self {
            Layer::Line { name, .. }
            | Layer::Points { name, .. }
            | Layer::Histogram { name, .. }
            | Layer::Vectors { name, .. } => name,
            Layer::Grid { .. } | Layer::Outline { .. } => "",
        }
    }

    fn ink(&self) -> Ink {
        match self {
            Layer::Line { ink, .. }
            | Layer::Points { ink, .. }
            | Layer::Histogram { ink, .. }
            | Layer::Vectors { ink, .. }
            | Layer::Outline { ink, .. } => *ink,
            Layer::Grid { .. } => Ink::Plain,
        }
    }
}

impl Ink {
    fn open(self, out: &mut String) {
        let _ = write!(out, r#"<g class="{}" color="{}">"#, self.class(), self.colour());
    }
}

/// The field between the axes, in the drawing's pixels.
struct Frame {
    left: f64,
    top: f64,
    width: f64,
    height: f64,
    outer_width: f64,
    outer_height: f64,
}

impl Frame {
    fn x(&self, plot: &Plot, value: f64) -> f64 {
        self.left + plot.x.share(value) * self.width
    }

    fn y(&self, plot: &Plot, value: f64) -> f64 {
        self.top + (1.0 - plot.y.share(value)) * self.height
    }

    /// In the field's own pixels.
    fn inside(&self, plot: &Plot, [x, y]: [f64; 2]) -> (f64, f64) {
        (plot.x.share(x) * self.width, (1.0 - plot.y.share(y)) * self.height)
    }

    fn write_layer(&self, out: &mut String, plot: &Plot, layer: &Layer) {
        let place = |p: &[f64; 2]| self.inside(plot, *p);
        layer.ink().open(out);
        match layer {
            Layer::Line { ink, points, .. } => {
                let (data, dashes) = (svg::polyline(points.iter().map(place)), ink.dashes());
                let _ = write!(
                    out,
                    r#"<path d="{data}" fill="none" stroke="currentColor" stroke-width="2" stroke-linejoin="round"{dashes}/>"#
                );
            }
            Layer::Outline { corners, .. } => {
                let data = svg::polyline(corners.iter().map(place));
                let _ = write!(out, r#"<path d="{data}Z" fill="none" stroke="currentColor"/>"#);
            }
            Layer::Points { points, radius, .. } => {
                for (x, y) in points.iter().map(place).filter(|(x, y)| x.is_finite() && y.is_finite()) {
                    dot(out, (x, y), *radius);
                }
            }
            Layer::Histogram { edges, heights, .. } => {
                let mut data = String::new();
                for (edges, height) in edges.windows(2).zip(heights).filter(|(_, h)| h.is_finite() && **h > 0.0) {
                    let ((left, top), (right, foot)) = (place(&[edges[0], *height]), place(&[edges[1], 0.0]));
                    let [left, top, right, foot] = [left, top, right, foot].map(svg::number);
                    let _ = write!(data, "M{left} {foot}V{top}H{right}V{foot}Z");
                }
                let _ = write!(out, r#"<path d="{data}" fill="currentColor" fill-opacity=".55"/>"#);
            }
            Layer::Grid { x, y, counts } => self.write_grid(out, plot, x, y, counts),
            Layer::Vectors { from, shift, scale, .. } => {
                for (from, shift) in from.iter().zip(shift) {
                    let to = [from[0] + shift[0] * scale, from[1] + shift[1] * scale];
                    let (from, to) = (place(from), place(&to));
                    if [from.0, from.1, to.0, to.1].iter().all(|v| v.is_finite()) {
                        arrow(out, from, to);
                    }
                }
            }
        }
        out.push_str("</g>");
    }

    /// Cells of one shade lie in one path, neighbours in a row as one rectangle: a grid of 100 by 100 stays a few kilobytes.
    fn write_grid(&self, out: &mut String, plot: &Plot, x: &[f64], y: &[f64], counts: &[f64]) {
        let columns = x.len().saturating_sub(1);
        let most = counts.iter().copied().filter(|c| c.is_finite()).fold(0.0, f64::max);
        if columns == 0 || most <= 0.0 {
            return;
        }
        let shade = |count: f64| match count.is_finite() && count > 0.0 {
            true => (1 + ((SHADES - 1) as f64 * (1.0 + count).ln() / (1.0 + most).ln()) as usize).min(SHADES),
            false => 0,
        };
        let mut paths = vec![String::new(); SHADES + 1];
        for (edges, counts) in y.windows(2).zip(counts.chunks(columns)) {
            let mut column = 0;
            while column < counts.len() {
                let level = shade(counts[column]);
                let run = counts[column..].iter().take_while(|c| shade(**c) == level).count();
                if level > 0 {
                    let (left, foot) = self.inside(plot, [x[column], edges[0]]);
                    let (right, top) = self.inside(plot, [x[column + run], edges[1]]);
                    let [left, foot, right, top] = [left, foot, right, top].map(svg::number);
                    let _ = write!(paths[level], "M{left} {foot}V{top}H{right}V{foot}Z");
                }
                column += run;
            }
        }
        for (level, path) in paths.iter().enumerate().filter(|(_, path)| !path.is_empty()) {
            let opacity = svg::number(0.06 + 0.94 * level as f64 / SHADES as f64);
            let _ = write!(out, r#"<path d="{path}" fill="currentColor" fill-opacity="{opacity}"/>"#);
        }
    }
}

fn dot(out: &mut String, (x, y): (f64, f64), radius: f64) {
    let [x, y, radius] = [x, y, radius].map(svg::number);
    let _ = write!(out, r#"<circle cx="{x}" cy="{y}" r="{radius}" fill="currentColor" fill-opacity=".7"/>"#);
}

/// A line with a head of 5 pixels, and a dot where it starts, so that a displacement of nothing is still seen.
fn arrow(out: &mut String, from: (f64, f64), to: (f64, f64)) {
    let (dx, dy) = (to.0 - from.0, to.1 - from.1);
    let length = dx.hypot(dy);
    dot(out, from, 1.2);
    if length < 0.5 {
        return;
    }
    let (ux, uy) = (dx / length, dy / length);
    let head = 5.0f64.min(length);
    let wing = |side: f64| (to.0 - head * (ux - side * 0.5 * uy), to.1 - head * (uy + side * 0.5 * ux));
    let mut data = svg::polyline([from, to]);
    data.push_str(&svg::polyline([wing(1.0), to, wing(-1.0)]));
    let _ = write!(out, r#"<path d="{data}" fill="none" stroke="currentColor" stroke-width="1.3"/>"#);
}

#[cfg(test)]
mod tests {
    use super::*;

    fn example() -> Plot {
        let curve: Vec<[f64; 2]> = (0..=30).map(|k| [k as f64 / 10.0, 4.0 * (k as f64 / 12.0).sin().abs()]).collect();
        Plot::new(
            "Densities of a plate",
            Axis::new("density above base", 0.0, 3.0),
            Axis::new("share of the plate, %", 0.0, 5.0),
        )
        .histogram(
            "this plate",
            Ink::Quiet,
            (0..=6).map(|k| k as f64 / 2.0).collect::<Vec<_>>(),
            [1.0, 4.0, 3.0, 2.0, 0.0, 0.5],
        )
        .line("model", Ink::Blue, curve)
        .marker(0.0, "base", Ink::Plain)
        .marker(0.1, "speed point 0.10", Ink::Orange)
        .marker(2.9, "deepest density trusted", Ink::Purple)
    }

    /// An XML reader of another hand takes it, and it is one element with no names that could clash.
    #[test]
    fn plots_are_well_formed_and_alike_each_time() {
        let svg = example().svg();
        assert_eq!(svg, example().svg());
        let mut reader = quick_xml::Reader::from_str(&svg);
        let mut depth = 0i32;
        loop {
            match reader.read_event().expect("well-formed") {
                quick_xml::events::Event::Start(_) => depth += 1,
                quick_xml::events::Event::End(_) => depth -= 1,
                quick_xml::events::Event::Eof => break,
                _ => {}
            }
        }
        assert_eq!(depth, 0);
        assert!(!svg.contains(" id=") && !svg.contains("href"));
    }

    /// 3.0 lies at the right end of the field and 0 at the left: 640 wide, margins of 58 and 18.
    #[test]
    fn places_follow_the_axes() {
        let plot = example();
        let frame = plot.frame();
        assert_eq!((frame.x(&plot, 0.0), frame.x(&plot, 3.0)), (58.0, 622.0));
        assert_eq!((frame.y(&plot, 5.0), frame.y(&plot, 0.0)), (frame.top, frame.top + 300.0));
    }

    #[test]
    fn labels_that_would_meet_stand_in_rows() {
        let plot = example();
        assert_eq!(plot.marker_rows(564.0), [1, 0, 0]);
    }

    #[test]
    fn a_map_keeps_its_shape() {
        let plot = Plot::new("map", Axis::new("x, mm", 0.0, 165.1), Axis::new("y, mm", 120.65, 0.0)).equal_units();
        let frame = plot.frame();
        assert!((frame.width / frame.height - 165.1 / 120.65).abs() < 1e-9);
    }

    #[test]
    fn what_is_not_a_number_is_left_out() {
        let svg = Plot::new("odd", Axis::new("x", f64::NAN, f64::NAN), Axis::new("y", 0.0, f64::INFINITY))
            .line("a", Ink::Blue, [[f64::NAN, 1.0], [0.5, f64::INFINITY]])
            .points("b", Ink::Green, [[f64::NAN, 1.0]], 2.0)
            .histogram("c", Ink::Quiet, [0.0, 1.0], [f64::NAN])
            .grid([0.0, 1.0], [0.0, 1.0], [f64::NAN])
            .marker(f64::NAN, "d", Ink::Plain)
            .svg();
        assert!(!svg.contains("NaN") && !svg.contains("inf"), "{svg}");
    }
}
