//! Where the scene lies on a plate: inside the rebate that the holder's rails kept from light.
//!
//! In: density above base, mm a pixel. Out: an [`Outline`] of four straight sides. The rebate is the same on every plate, so it
//! would tell that nothing has moved and draw an alignment to itself, and its clear margin would pass for the
//! scene's shadows. A side without a rebate is taken at the plate's edge. Never fails.
//!
//! Each side is found from the depth at which density first leaves the base, at many places along it: the line that most of
//! those depths lie on, since a rail is straight and a blank shadow behind it is not.

use crate::geometry::{Homography, Point};
use crate::image::Image;

/// What a cut edge of the glass may spoil, in mm.
const EDGE_MM: f64 = 0.7;
/// Rails hide about 2.5 to 3.3 mm a side (Clerc, *Photography: Theory and Practice*, § 239: the picture is 5 % less than the
/// plate); nothing deeper than this share of the plate's width is looked upon as rebate.
const DEEPEST_SHARE: f64 = 0.09;
/// A rail's shadow is soft; taken off inside the line found, in mm.
const SOFT_MM: f64 = 0.5;
/// Density above base from which on light has been at work. Twice the accuracy to which the base is commonly read, and below the
/// speed point of 0.10 (ISO 6).
const LEAST_DENSITY: f32 = 0.05;
/// Places looked at along a side.
const PLACES: usize = 160;
/// How far a depth may lie from a straight rail, in mm.
const STRAIGHT_MM: f64 = 0.25;

/// A quadrilateral, clockwise from the top left, in pixels of the plane it was found in.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Outline {
    pub corners: [Point; 4],
}

impl Outline {
    pub fn find(density: &Image<f32>, mm_per_px: f64) -> Outline {
        let (w, h) = (density.columns() as f64, density.rows() as f64);
        // Each side seen with the plate's inside below it: (along, depth) to pixels.
        let top = side(density, w, h, mm_per_px, Point::new);
        let right = side(density, h, w, mm_per_px, |a, d| Point::new(w - d, a));
        let bottom = side(density, w, h, mm_per_px, |a, d| Point::new(a, h - d));
        let left = side(density, h, w, mm_per_px, |a, d| Point::new(d, a));
        Outline { corners: [meet(left, top), meet(top, right), meet(right, bottom), meet(bottom, left)] }
    }

    pub fn contains(&self, p: Point) -> bool {
        (0..4).all(|i| {
            let (a, b) = (self.corners[i], self.corners[(i + 1) % 4]);
            (b.x - a.x) * (p.y - a.y) - (b.y - a.y) * (p.x - a.x) >= 0.0
        })
    }

    /// The same outline seen through a map; turned round where the map mirrors, so that it stays clockwise.
    pub fn through(&self, map: &Homography) -> Outline {
        let c = self.corners.map(|p| map.apply(p));
        let area: f64 = (0..4).map(|i| c[i].x * c[(i + 1) % 4].y - c[(i + 1) % 4].x * c[i].y).sum();
        Outline { corners: if area < 0.0 { [c[0], c[3], c[2], c[1]] } else { c } }
    }

    pub fn scaled(&self, factor: f64) -> Outline {
        Outline { corners: self.corners.map(|p| p * factor) }
    }
}

type Line = (Point, Point);

/// The line along one side from which the scene begins.
fn side(density: &Image<f32>, along: f64, across: f64, mm_per_px: f64, place: impl Fn(f64, f64) -> Point) -> Line {
    let edge = EDGE_MM / mm_per_px;
    let deepest = across * DEEPEST_SHARE;
    let value = |a: f64, d: f64| {
        let p = place(a, d);
        density.at_clamped(p.y.floor() as isize, p.x.floor() as isize)
    };
    // Means over a few pixels along the side and two in depth, so that grain is not taken for light.
    let mean = |a: f64, d: f64| {
        let places = [-3.0, -2.0, -1.0, 0.0, 1.0, 2.0, 3.0];
        places.iter().map(|o| value(a + o, d) + value(a + o, d + 1.0)).sum::<f32>() / 14.0
    };
    let mut depths = Vec::new();
    for i in 0..PLACES {
        let a = along * (0.08 + 0.84 * (i as f64 + 0.5) / PLACES as f64);
        let mut d = edge + 0.5;
        while d < deepest && mean(a, d) < LEAST_DENSITY {
            d += 1.0;
        }
        if d < deepest {
            depths.push((a, d));
        }
    }
    let (at_start, at_end) = match straight(&depths, along, STRAIGHT_MM / mm_per_px) {
        Some((first, last)) if first.min(last) > 1.5 * edge => {
            (first + SOFT_MM / mm_per_px, last + SOFT_MM / mm_per_px)
        }
        _ => (edge, edge),
    };
    (place(0.0, at_start), place(along, at_end))
}

/// Depths at both ends of the line that most of `depths` lie within `tolerance` of; none if fewer than a quarter of all places
/// agree.
fn straight(depths: &[(f64, f64)], along: f64, tolerance: f64) -> Option<(f64, f64)> {
    let support =
        |slope: f64, start: f64| depths.iter().filter(|(a, d)| (start + slope * a - d).abs() <= tolerance).count();
    let mut best: Option<(usize, f64, f64)> = None;
    for (i, (a, d)) in depths.iter().enumerate() {
        for (b, e) in depths.iter().skip(i + PLACES / 8) {
            let slope = (e - d) / (b - a);
            // A plate lies in its holder with less than a few degrees of play.
            if slope.abs() > 0.05 {
                continue;
            }
            let start = d - slope * a;
            let found = support(slope, start);
            if best.is_none_or(|(most, ..)| found > most) {
                best = Some((found, slope, start));
            }
        }
    }
    let (found, slope, start) = best?;
    (found * 4 >= PLACES).then(|| (start.max(0.0), (start + slope * along).max(0.0)))
}

/// Where two sides meet; sides of a plate are never parallel to their neighbours.
fn meet((a, b): Line, (c, d): Line) -> Point {
    let (u, v) = (b - a, d - c);
    let t = ((c.x - a.x) * v.y - (c.y - a.y) * v.x) / (u.x * v.y - u.y * v.x);
    a + u * t
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::image::Size;

    /// A plate of 127 × 102 mm with rails of 2.6 mm, one of them turned by half a degree, and blank shadows behind a third of another.
    #[test]
    fn rails_are_found_even_turned_and_beside_blank_shadow() {
        let mm = 0.1;
        let size = Size::new(1016, 1270);
        let image = Image::from_rows(size, 0f32, |row, out| {
            for (column, v) in out.iter_mut().enumerate() {
                let (x, y) = (column as f64 * mm, row as f64 * mm);
                let inside = x > 2.6 && x < 124.4 && y > 2.2 + 0.0087 * x && y < 99.0;
                let blank = y > 70.0 && x > 30.0 && x < 75.0;
                let grain = ((row * 7919 + column * 104729) % 97) as f32 / 97.0 * 0.04 - 0.02;
                *v = grain + if inside && !blank { 0.3 + 0.2 * (x * 0.3).sin() as f32 } else { 0.0 };
            }
        });
        let found = Outline::find(&image, mm).corners;
        let truth = [(2.6, 2.22), (124.4, 3.28), (124.4, 99.0), (2.6, 99.0)];
        for (found, (x, y)) in found.iter().zip(truth) {
            // The soft edge is taken off inside: half a millimetre, and never less than nothing.
            let off = (found.x * mm - x).abs().max((found.y * mm - y).abs());
            assert!(off > 0.2 && off < 0.9, "corner {found:?} in px, wanted near ({x}, {y}) mm");
        }
    }

    #[test]
    fn a_plate_without_rebate_is_taken_whole() {
        let image = Image::filled(Size::new(400, 500), 0.8f32);
        let found = Outline::find(&image, 0.2);
        assert!(found.contains(Point::new(5.0, 5.0)) && !found.contains(Point::new(1.0, 200.0)));
        assert!(found.contains(Point::new(495.0, 395.0)));
    }
}
