//! How a frame sees the plate: a homography from the plate's millimetres, then the lens.

use super::{Homography, Lens, Point};
use serde::{Deserialize, Serialize};

/// From millimetres on the plate to pixels of one capture, in the sensor's own coordinates.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct View {
    /// Millimetres to the pixels that a straight lens would give.
    pub plane: Homography,
    pub lens: Lens,
}

impl View {
    pub fn to_capture(&self, mm: Point) -> Point {
        self.lens.distort(self.plane.apply(mm))
    }

    pub fn to_plate(&self, px: Point) -> Point {
        self.plane.inverse().apply(self.lens.undistort(px))
    }

    /// Pixels per millimetre at a place on the plate (square root of the areas' ratio, by central differences).
    pub fn sampling(&self, mm: Point) -> f64 {
        const STEP: f64 = 0.5;
        let dx = self.to_capture(mm + Point::new(STEP, 0.0)) - self.to_capture(mm - Point::new(STEP, 0.0));
        let dy = self.to_capture(mm + Point::new(0.0, STEP)) - self.to_capture(mm - Point::new(0.0, STEP));
        ((dx.x * dy.y - dx.y * dy.x).abs() / (4.0 * STEP * STEP)).sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sampling_of_a_plain_scale_is_that_scale() {
        let plane = Homography::similarity(23.5, 0.1, Point::new(300.0, 200.0));
        let view = View { plane, lens: Lens::straight(4000, 3000) };
        assert!((view.sampling(Point::new(60.0, 50.0)) - 23.5).abs() < 1e-9);
        let p = Point::new(70.0, 20.0);
        assert!(view.to_plate(view.to_capture(p)).distance(p) < 1e-9);
    }
}
