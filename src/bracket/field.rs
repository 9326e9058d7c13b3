//! What is left of the shifts once a homography is taken out: lenses, refocusing, a plate that lay a little bent.
//!
//! In: places in A and the shift still seen at each. Out: a smooth [`Field`] of shifts that is nothing where no ties lie, or none where
//! it does not foretell ties that it has not seen. Never fails.
//!
//! Means under a Gaussian window, drawn towards zero by one tie's worth of doubt, on a coarse grid; judged by leaving out every
//! other tie in turn.

use crate::geometry::Point;
use crate::image::Size;

/// Cells along the longer side.
const CELLS: f64 = 10.0;
/// Ties' worth of belief that there is no shift.
const DOUBT: f64 = 4.0;
/// Share of the mean square that a model must take from unseen ties to be used.
const WORTH: f64 = 0.15;
const FEWEST: usize = 40;

#[derive(Debug, Clone)]
pub struct Field {
    step: f64,
    columns: usize,
    nodes: Vec<Point>,
    /// Root mean square of the shifts it makes where ties lie, in pixels.
    pub rms: f64,
}

impl Field {
    /// `size`: of the plane that the places lie in.
    pub fn fit(size: Size, seen: &[(Point, Point)]) -> Option<Field> {
        if seen.len() < FEWEST {
            return None;
        }
        let known = |of: &[usize]| {
            let field = Field::through(size, &of.iter().map(|i| seen[*i]).collect::<Vec<_>>());
            move |p: Point| field.at(p)
        };
        if !worth(seen, known) {
            return None;
        }
        let mut field = Field::through(size, seen);
        let square: f64 = seen.iter().map(|(p, _)| field.at(*p).distance(Point::default()).powi(2)).sum();
        field.rms = (square / seen.len() as f64).sqrt();
        Some(field)
    }

    fn through(size: Size, seen: &[(Point, Point)]) -> Field {
        let step = size.rows.max(size.columns) as f64 / CELLS;
        let (columns, rows) = (count(size.columns, step), count(size.rows, step));
        let nodes = (0..rows * columns)
            .map(|i| {
                let node = Point::new((i % columns) as f64 * step, (i / columns) as f64 * step);
                let (mut sum, mut weight) = (Point::default(), DOUBT);
                for (p, shift) in seen {
                    let w = (-0.5 * (p.distance(node) / (0.7 * step)).powi(2)).exp();
                    sum = sum + *shift * w;
                    weight += w;
                }
                sum * (1.0 / weight)
            })
            .collect();
        Field { step, columns, nodes, rms: 0.0 }
    }

    /// Shift at a place, in pixels: bilinear between the grid's nodes.
    pub fn at(&self, p: Point) -> Point {
        let rows = self.nodes.len() / self.columns;
        let (x, y) = (p.x / self.step, p.y / self.step);
        let (c, r) = (x.floor().clamp(0.0, self.columns as f64 - 2.0), y.floor().clamp(0.0, rows as f64 - 2.0));
        let (fx, fy) = ((x - c).clamp(0.0, 1.0), (y - r).clamp(0.0, 1.0));
        let node = |dr: usize, dc: usize| self.nodes[(r as usize + dr) * self.columns + c as usize + dc];
        let upper = node(0, 0) * (1.0 - fx) + node(0, 1) * fx;
        let lower = node(1, 0) * (1.0 - fx) + node(1, 1) * fx;
        upper * (1.0 - fy) + lower * fy
    }
}

/// Whether a model foretells what it has not seen: `through` gives the shifts that follow from the named ones alone.
pub fn worth<F: Fn(Point) -> Point>(seen: &[(Point, Point)], through: impl Fn(&[usize]) -> F) -> bool {
    let halves: [Vec<usize>; 2] = [0, 1].map(|parity| (parity..seen.len()).step_by(2).collect());
    let (mut before, mut after) = (0.0, 0.0);
    for (known, unseen) in [(&halves[0], &halves[1]), (&halves[1], &halves[0])] {
        let foretold = through(known);
        for (p, shift) in unseen.iter().map(|i| seen[*i]) {
            before += shift.distance(Point::default()).powi(2);
            after += shift.distance(foretold(p)).powi(2);
        }
    }
    after <= (1.0 - WORTH) * before
}

/// Nodes along a side: one at either end, two at the least.
fn count(pixels: usize, step: f64) -> usize {
    (pixels as f64 / step).ceil() as usize + 1
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{Rng, SeedableRng};

    fn places(shift: impl Fn(Point) -> Point) -> Vec<(Point, Point)> {
        let mut rng = rand_pcg::Pcg64::seed_from_u64(8);
        (0..400)
            .map(|_| {
                let p = Point::new(rng.random_range(0.0..900.0), rng.random_range(0.0..1200.0));
                let noise = Point::new(rng.random_range(-0.3..0.3), rng.random_range(-0.3..0.3));
                (p, shift(p) + noise)
            })
            .collect()
    }

    #[test]
    fn a_bend_is_found_and_mere_noise_is_not() {
        let size = Size::new(1200, 900);
        let bend = |p: Point| Point::new(1.5 * (p.y / 400.0).sin(), 0.8 * (p.x / 300.0).cos());
        let field = Field::fit(size, &places(bend)).expect("the bend stands above the noise");
        let worst = places(bend).iter().map(|(p, _)| field.at(*p).distance(bend(*p))).sum::<f64>() / 400.0;
        assert!(worst < 0.35, "off by {worst:.2} px on average");
        assert!(Field::fit(size, &places(|_| Point::default())).is_none());
    }
}
