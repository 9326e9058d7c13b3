//! Radial distortion of a lens: Brown's model, x_d = x_u (1 + k1 r² + k2 r⁴) about a centre, r in units of `radius`.

use super::Point;
use serde::{Deserialize, Serialize};

/// How far a lens bends straight lines. k1 < 0 is barrel distortion.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Lens {
    /// Where the axis meets the sensor, in pixels.
    pub centre: Point,
    /// Pixels that count as r = 1: half the frame's diagonal, so that k1 is the relative displacement in its corner.
    pub radius: f64,
    pub k1: f64,
    pub k2: f64,
}

impl Lens {
    /// A lens that bends nothing, for a frame of this size in pixels.
    pub fn straight(columns: usize, rows: usize) -> Self {
        let centre = Point::new(columns as f64 / 2.0, rows as f64 / 2.0);
        Lens { centre, radius: centre.x.hypot(centre.y), k1: 0.0, k2: 0.0 }
    }

    /// Where the lens puts a point that a straight lens would put at `ideal`.
    pub fn distort(&self, ideal: Point) -> Point {
        let d = ideal - self.centre;
        let r2 = (d.x * d.x + d.y * d.y) / (self.radius * self.radius);
        self.centre + d * (1.0 + r2 * (self.k1 + r2 * self.k2))
    }

    /// Where a straight lens would have put a point seen at `seen`: Newton's method on the radius, to 1e-12 of it.
    pub fn undistort(&self, seen: Point) -> Point {
        let d = seen - self.centre;
        let target = d.x.hypot(d.y) / self.radius;
        if target == 0.0 {
            return seen;
        }
        let mut r = target;
        for _ in 0..30 {
            let r2 = r * r;
            let slope = 1.0 + r2 * (3.0 * self.k1 + 5.0 * r2 * self.k2);
            let step = (r * (1.0 + r2 * (self.k1 + r2 * self.k2)) - target) / slope.max(0.1);
            r -= step;
            if step.abs() < 1e-12 {
                break;
            }
        }
        self.centre + d * (r / target)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn undistort_undoes_distort_over_the_frame() {
        let lens = Lens { k1: -0.08, k2: 0.02, ..Lens::straight(4032, 3024) };
        for (x, y) in [(0.0, 0.0), (4032.0, 3024.0), (2016.0, 1512.0), (100.0, 2900.0), (2016.0, 3.0)] {
            let p = Point::new(x, y);
            assert!(lens.undistort(lens.distort(p)).distance(p) < 1e-6);
        }
    }

    #[test]
    fn k1_is_the_relative_displacement_in_the_corner() {
        let lens = Lens { k1: -0.05, ..Lens::straight(400, 300) };
        let corner = lens.distort(Point::new(0.0, 0.0));
        assert!((corner.distance(lens.centre) / lens.radius - 0.95).abs() < 1e-12);
    }
}
