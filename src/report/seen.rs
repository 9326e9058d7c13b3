//! A capture with the outline that was taken for the plate, as a picture of its own: for plates that were not done.
//!
//! In: what the page shows of a capture. Out: a JPEG of the same size as its small picture. None if that picture cannot be read, which it
//! can, being our own.

use super::input::Seen;
use crate::geometry::Point;
use image::codecs::jpeg::JpegEncoder;
use image::{ImageFormat, Rgb};
use imageproc::drawing::draw_line_segment_mut;

/// A yellow that stands out from grays, to the colour-blind too.
const INK: Rgb<u8> = Rgb([255, 208, 0]);

/// The capture with its outline drawn two pixels wide.
pub fn drawn(seen: &Seen) -> Option<Vec<u8>> {
    let mut picture = image::load_from_memory_with_format(&seen.jpeg, ImageFormat::Jpeg).ok()?.into_rgb8();
    let scale = picture.width() as f64 / seen.size.columns as f64;
    let at = |p: Point| ((p.x * scale) as f32, (p.y * scale) as f32);
    for (k, from) in seen.outline.iter().enumerate() {
        let (a, b) = (at(*from), at(seen.outline[(k + 1) % seen.outline.len()]));
        for (dx, dy) in [(0.0, 0.0), (1.0, 0.0), (0.0, 1.0)] {
            draw_line_segment_mut(&mut picture, (a.0 + dx, a.1 + dy), (b.0 + dx, b.1 + dy), INK);
        }
    }
    let mut out = Vec::new();
    picture.write_with_encoder(JpegEncoder::new_with_quality(&mut out, 85)).ok()?;
    Some(out)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::image::Size;

    #[test]
    fn the_outline_lies_where_it_was_found() {
        let size = Size::new(600, 800);
        let seen = Seen {
            jpeg: crate::report::light_jpeg(size, 400, 85, |_, row| row.fill(0.2)),
            size,
            outline: [(100.0, 100.0), (700.0, 100.0), (700.0, 500.0), (100.0, 500.0)]
                .map(|(x, y)| Point::new(x, y))
                .to_vec(),
            corners: None,
            confidence: 0.3,
        };
        let picture = image::load_from_memory(&drawn(&seen).unwrap()).unwrap().into_rgb8();
        let (line, beside) = (picture.get_pixel(200, 50), picture.get_pixel(200, 80));
        assert!(line[0] as i32 - line[2] as i32 > 60, "{line:?}");
        assert!((beside[0] as i32 - beside[2] as i32).abs() < 20, "{beside:?}");
    }
}
