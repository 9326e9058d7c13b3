//! How far the camera leans against the plate, from the keystone of the plate's outline.
//!
//! In: the outline's view and how wide the lens sees. Out: the angle between the lens's axis and the plate's normal, and what it costs in
//! depth. Never fails. The homography is K [r1 r2 t] (Hartley & Zisserman, *Multiple View Geometry*, section 8.1.1), K known but for the
//! focal length: an error of that is about the same share of the angle.

use crate::error::Warning;
use crate::frame::Settings;
use crate::geometry::View;
use nalgebra::Vector3;

/// Beyond this the depth over a half plate, 6 mm, is more than twice what a phone holds sharp there (2.6 mm), and ten times what a lens at
/// f/8 does at half size (0.5 mm, 2Nc(1+m)/m²).
const TILTED: f64 = 2.0;
/// Diagonal of the format that focal lengths "in 35 mm" are stated for (36 × 24 mm).
const DIAGONAL_35MM: f64 = 43.27;

#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tilt {
    /// Between the lens's axis and the plate's normal.
    pub deg: f64,
    /// How much nearer the plate's nearest corner lies than its furthest, along the axis.
    pub depth_mm: f64,
    /// Whether the capture tells its focal length; without it that of a normal lens is taken, as long as the frame's diagonal.
    pub focal_known: bool,
}

impl Tilt {
    pub fn new(view: &View, [w, h]: [f64; 2], settings: &Settings) -> Tilt {
        let stated = settings.focal_length_35mm.filter(|f| *f > 0.0);
        let focal_px = 2.0 * view.lens.radius * stated.map_or(1.0, |f| f / DIAGONAL_35MM);
        let (c, plane) = (view.lens.centre, view.plane.0);
        let axis = |k: usize| {
            let w = plane[(2, k)];
            Vector3::new((plane[(0, k)] - c.x * w) / focal_px, (plane[(1, k)] - c.y * w) / focal_px, w).normalize()
        };
        let (x, y) = (axis(0), axis(1));
        let normal = x.cross(&y);
        Tilt {
            deg: normal.x.hypot(normal.y).atan2(normal.z.abs()).to_degrees(),
            depth_mm: w * x.z.abs() + h * y.z.abs(),
            focal_known: stated.is_some(),
        }
    }

    pub fn warning(&self) -> Option<Warning> {
        let lens = if self.focal_known { "" } else { ", if the lens is a normal one" };
        let what = format!(
            "the camera leans {:.1}° against the plate{lens}: one corner lies {:.1} mm nearer than another, and focus cannot hold both; the \
             result is square again, but level the camera, with a flat mirror in the plate's place and the lens in the middle of its own image",
            self.deg, self.depth_mm
        );
        (self.deg > TILTED).then(|| Warning::new("tilted", what))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::{Homography, Lens, Point};
    use nalgebra::{Matrix3, Rotation3};

    /// A half plate, turned by 9° and then leaned about x and y, before a pinhole that is known: the normal leans by acos(cos x cos y).
    #[test]
    fn a_known_lean_is_found() {
        let (size, lens) = ([165.1, 120.65], Lens::straight(4000, 3000));
        for (about_x, about_y, f35) in [(0.0, 0.0, 26.0), (2.0, -1.7, 26.0), (0.0, 1.0, 50.0), (-3.0, 0.5, 35.0)] {
            let focal = 5000.0 * f35 / DIAGONAL_35MM;
            let [x, y] = [about_x, about_y].map(f64::to_radians);
            let turn = Rotation3::from_euler_angles(0.0, y, 0.0)
                * Rotation3::from_euler_angles(x, 0.0, 0.0)
                * Rotation3::from_euler_angles(0.0, 0.0, 9f64.to_radians());
            let r = turn.matrix();
            let middle = r * Vector3::new(-size[0] / 2.0, -size[1] / 2.0, 0.0) + Vector3::new(2.0, -1.0, focal / 20.0);
            let pose = Matrix3::from_columns(&[r.column(0).into_owned(), r.column(1).into_owned(), middle]);
            let k = Matrix3::new(focal, 0.0, lens.centre.x, 0.0, focal, lens.centre.y, 0.0, 0.0, 1.0);
            let view = View { plane: Homography(k * pose), lens };
            let settings = Settings { focal_length_35mm: Some(f35), ..Settings::default() };
            let found = Tilt::new(&view, size, &settings);
            let truth = (x.cos() * y.cos()).acos().to_degrees();
            assert!((found.deg - truth).abs() < 1e-6, "{found:?} for {truth}");
            let depths = crate::geometry::lie::corners(size).map(|Point { x, y }| (pose * Vector3::new(x, y, 1.0)).z);
            let most = |sign: f64| depths.iter().map(|d| d * sign).fold(f64::MIN, f64::max);
            assert!((found.depth_mm - most(1.0) - most(-1.0)).abs() < 1e-6, "{found:?} for {depths:?}");
            assert_eq!(found.warning().is_some(), truth > 2.0);
        }
    }
}
