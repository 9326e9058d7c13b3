//! All plates of a bracket on one grid, for pictures.
//!
//! In: the plates, and how the comparison found them to lie. Out: the same part of the scene from each, in density above base, at a
//! sampling of the caller's choice. Never fails.

use super::align::Alignment;
use super::compare::BracketPlate;
use super::outline::Outline;
use crate::geometry::Point;
use crate::geometry::resample::{Kernel, resample};
use crate::image::{Image, Size, Window};
use crate::units::NetDensity;

/// How plates lie on A, in pixels of A's working plane.
#[derive(Debug, Clone)]
pub struct Laying {
    /// Of the second plate and on.
    pub alignments: Vec<Alignment>,
    /// Outline of every plate's scene.
    pub outlines: Vec<Outline>,
    /// Size of A's working plane.
    pub size: Size,
    /// Pixels of the full-size result in one of each plate's working plane.
    pub full_per_px: Vec<f64>,
}

/// Places looked at along the longer side when the common part is sought.
const PLACES: usize = 240;

impl Laying {
    /// The largest upright rectangle that every plate shows, in A's working pixels: left, top, width, height.
    pub fn common(&self) -> [f64; 4] {
        let step = self.size.rows.max(self.size.columns) as f64 / PLACES as f64;
        let grid = Size::new((self.size.rows as f64 / step) as usize, (self.size.columns as f64 / step) as usize);
        let inside = Image::from_rows(grid, false, |row, out| {
            for (column, v) in out.iter_mut().enumerate() {
                let at = |dx: f64, dy: f64| Point::new((column as f64 + dx) * step, (row as f64 + dy) * step);
                *v = [(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)]
                    .iter()
                    .all(|(dx, dy)| self.outlines.iter().all(|o| o.contains(at(*dx, *dy))));
            }
        });
        let w = largest(&inside);
        [w.column as f64, w.row as f64, w.size.columns as f64, w.size.rows as f64].map(|v| v * step)
    }

    /// The common part as plate `which` has it, its longer side `long` pixels or as many as A has, whichever is less.
    pub fn view(&self, plates: &[BracketPlate], which: usize, long: usize) -> Image<NetDensity> {
        let [left, top, width, height] = self.common();
        // A's own pixels in one of its working plane.
        let own = self.full_per_px[0] / plates[0].full_per_px;
        let per_px = (width.max(height) / long as f64).max(1.0 / own);
        let side = |v: f64| ((v / per_px) as usize).max(1);
        let size = Size::new(side(height), side(width));
        let own = self.full_per_px[which] / plates[which].full_per_px;
        let place = |p: Point| match which {
            0 => p * own,
            _ => self.alignments[which - 1].in_b(p) * own,
        };
        let middle = Point::new(left + width / 2.0, top + height / 2.0);
        let step = place(middle + Point::new(1.0, 0.0)).distance(place(middle));
        let to_a = |p: Point| Point::new(left + p.x * per_px, top + p.y * per_px);
        resample(plates[which].density, size, &Kernel::new(step * per_px), |p| place(to_a(p)))
    }
}

/// The largest rectangle of `true` (by the histogram of heights above each row, the usual stack method).
fn largest(inside: &Image<bool>) -> Window {
    let mut heights = vec![0usize; inside.columns() + 1];
    let mut best = Window { row: 0, column: 0, size: Size::new(0, 0) };
    for row in 0..inside.rows() {
        let mut open: Vec<(usize, usize)> = Vec::new();
        for (column, top) in heights.iter_mut().enumerate() {
            *top = if column < inside.columns() && inside.at(row, column) { *top + 1 } else { 0 };
            let mut start = column;
            while let Some(&(from, height)) = open.last().filter(|(_, h)| *h > *top) {
                let size = Size::new(height, column - from);
                if size.area() > best.size.area() {
                    best = Window { row: row + 1 - height, column: from, size };
                }
                start = from;
                open.pop();
            }
            if open.last().is_none_or(|(_, h)| *h < *top) {
                open.push((start, *top));
            }
        }
    }
    best
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_largest_rectangle_is_found() {
        let map = ["..##...", ".####..", ".#####.", ".####..", "....##."];
        let image = Image::from_vec(Size::new(5, 7), map.concat().chars().map(|c| c == '#').collect());
        let found = largest(&image);
        assert_eq!((found.row, found.column, found.size), (1, 1, Size::new(3, 4)));
        assert_eq!(largest(&Image::filled(Size::new(3, 3), false)).size.area(), 0);
    }
}
