//! How a result lies against what the sensor saw: mirrored where the emulsion faced the camera, then turned by quarters.

use super::{Homography, Point};
use nalgebra::Matrix3;

/// Mirrored left to right, then turned clockwise by quarters.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Lie {
    pub mirrored: bool,
    /// 0 to 3.
    pub quarters: u8,
}

impl Lie {
    /// `degrees` is 0, 90, 180 or 270.
    pub fn new(mirrored: bool, degrees: u16) -> Lie {
        Lie { mirrored, quarters: (degrees / 90 % 4) as u8 }
    }

    /// Width and height of the result of a plate that the sensor saw with these.
    pub fn result_size(&self, [w, h]: [f64; 2]) -> [f64; 2] {
        if self.quarters.is_multiple_of(2) { [w, h] } else { [h, w] }
    }

    /// From the result's millimetres to the plate's as the sensor saw them, for a plate of width and height as the sensor saw it.
    pub fn to_sensor(&self, [w, h]: [f64; 2]) -> Homography {
        let turned_back = match self.quarters {
            0 => Matrix3::identity(),
            1 => Matrix3::new(0.0, 1.0, 0.0, -1.0, 0.0, h, 0.0, 0.0, 1.0),
            2 => Matrix3::new(-1.0, 0.0, w, 0.0, -1.0, h, 0.0, 0.0, 1.0),
            _ => Matrix3::new(0.0, -1.0, w, 1.0, 0.0, 0.0, 0.0, 0.0, 1.0),
        };
        let mirror =
            if self.mirrored { Matrix3::new(-1.0, 0.0, w, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0) } else { Matrix3::identity() };
        Homography(mirror * turned_back)
    }
}

/// The corners of a rectangle from its top-left on, clockwise.
pub fn corners([w, h]: [f64; 2]) -> [Point; 4] {
    [Point::new(0.0, 0.0), Point::new(w, 0.0), Point::new(w, h), Point::new(0.0, h)]
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Where the sensor's corners go is worked out by hand: a quarter turn clockwise brings the top-left corner to the top right.
    #[test]
    fn corners_go_where_a_hand_would_turn_them() {
        let size = [30.0, 20.0];
        let [tl, tr, br, bl] = corners(size);
        let cases = [
            (false, 0, [tl, tr, br, bl]),
            (false, 90, [bl, tl, tr, br]),
            (false, 180, [br, bl, tl, tr]),
            (false, 270, [tr, br, bl, tl]),
            (true, 0, [tr, tl, bl, br]),
            (true, 90, [br, tr, tl, bl]),
        ];
        for (mirrored, degrees, expected) in cases {
            let lie = Lie::new(mirrored, degrees);
            let map = lie.to_sensor(size);
            for (corner, expected) in corners(lie.result_size(size)).into_iter().zip(expected) {
                assert!(map.apply(corner).distance(expected) < 1e-12, "{mirrored} {degrees}");
            }
        }
    }
}
