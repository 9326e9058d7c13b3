//! What is adjusted: one camera for all tiles, and where each tile lay under it.
//!
//! A tile sees the plate through three steps: the plate slides and turns in its own plane (three numbers for each tile), the
//! camera looks at that plane (scale, tilt and what tilt does to the shape, shared), the lens bends (shared). Where a copy was
//! hand-held, each tile has a small camera of its own on top of the shared one, so that its plane is a full homography.

use crate::geometry::{Homography, Lens, Point, View};
use crate::image::Size;
use nalgebra::Matrix3;

/// What the tiles share.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Camera {
    /// Pixels per unit of the plate in the middle of the frame.
    pub scale: f64,
    /// How far the shape differs from a similarity: [longer in x than in y, leaning], both relative.
    pub stretch: [f64; 2],
    /// Relative change of scale from the frame's centre to half a diagonal to the right, and downwards.
    pub tilt: [f64; 2],
    pub lens: Lens,
    /// Middle of the frame.
    pub middle: Point,
}

/// Where one tile lay.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Pose {
    /// The plate's origin as seen from below the middle of the frame, in units of the plate.
    pub shift: Point,
    /// Radians, from x towards y.
    pub turn: f64,
    /// On top of the shared camera: relative scale, stretch (two), tilt (two). Zero unless hand-held.
    pub own: [f64; 5],
}

impl Camera {
    pub fn new(size: Size, lens: Option<Lens>) -> Camera {
        let straight = Lens::straight(size.columns, size.rows);
        Camera {
            scale: 1.0,
            stretch: [0.0; 2],
            tilt: [0.0; 2],
            lens: lens.unwrap_or(straight),
            middle: straight.centre,
        }
    }

    /// How a tile in this pose sees the plate.
    pub fn view(&self, pose: &Pose) -> View {
        let [ds, da, db, dp, dq] = pose.own;
        let s = self.scale * (1.0 + ds);
        let (a, b) = (self.stretch[0] + da, self.stretch[1] + db);
        let (p, q) = (self.tilt[0] + dp, self.tilt[1] + dq);
        let (cx, cy) = (self.middle.x, self.middle.y);
        let per_unit = s / self.lens.radius;
        // Tilt is about the middle of the frame: the numerator carries the middle times the denominator.
        let (w0, w1) = (p * per_unit, q * per_unit);
        let look = Matrix3::new(
            s * (1.0 + a) + cx * w0,
            s * b + cx * w1,
            cx,
            s * b + cy * w0,
            s * (1.0 - a) + cy * w1,
            cy,
            w0,
            w1,
            1.0,
        );
        let slide = Homography::similarity(1.0, pose.turn, pose.shift);
        View { plane: Homography(look * slide.0), lens: self.lens }
    }
}

/// A camera and the poses of its tiles.
#[derive(Debug, Clone)]
pub struct Model {
    pub camera: Camera,
    /// None for tiles that could not be connected.
    pub poses: Vec<Option<Pose>>,
    pub hand_held: bool,
}

impl Model {
    pub fn views(&self) -> Vec<Option<View>> {
        self.poses.iter().map(|p| p.as_ref().map(|p| self.camera.view(p))).collect()
    }

    /// The same model in another frame of the plate: `old = scale × turned new + shift`.
    pub fn reframed(&self, scale: f64, turn: f64, shift: Point) -> Model {
        let mut model = self.clone();
        model.camera.scale *= scale;
        for pose in model.poses.iter_mut().flatten() {
            let moved = Homography::similarity(1.0, pose.turn, pose.shift).apply(shift);
            pose.shift = moved * (1.0 / scale);
            pose.turn += turn;
        }
        model
    }
}

/// Where a view shows a place of the plate; none if that is not in the frame. Beyond its corners a lens's polynomial may turn
/// back into the frame: such places are not seen.
pub fn shown(view: &View, mm: Point, size: Size) -> Option<Point> {
    const BEYOND: f64 = 1.25;
    let ideal = view.plane.apply(mm);
    if ideal.distance(view.lens.centre) > BEYOND * view.lens.radius {
        return None;
    }
    let p = view.lens.distort(ideal);
    (p.x > 0.0 && p.y > 0.0 && p.x < size.columns as f64 && p.y < size.rows as f64).then_some(p)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn model() -> Model {
        let mut camera = Camera::new(Size::new(600, 800), None);
        camera.tilt = [0.02, -0.01];
        camera.stretch = [1e-3, 5e-4];
        camera.lens.k1 = -0.03;
        let pose = Pose { shift: Point::new(-120.0, 30.0), turn: 0.7, own: [0.01, 0.0, 0.0, 0.0, 0.002] };
        Model { camera, poses: vec![Some(pose)], hand_held: true }
    }

    #[test]
    fn another_frame_of_the_plate_changes_no_pixel() {
        let old = model();
        let (scale, turn, shift) = (23.0, 0.3, Point::new(50.0, -7.0));
        let new = old.reframed(scale, turn, shift);
        let to_old = Homography::similarity(scale, turn, shift);
        let (old, new) = (old.views()[0].unwrap(), new.views()[0].unwrap());
        for p in [Point::new(0.0, 0.0), Point::new(10.0, 3.0), Point::new(-4.0, 8.0)] {
            assert!(new.to_capture(p).distance(old.to_capture(to_old.apply(p))) < 1e-9);
        }
    }

    #[test]
    fn tilt_is_the_change_of_scale_at_half_a_diagonal() {
        let mut camera = Camera::new(Size::new(600, 800), None);
        camera.tilt = [0.02, 0.0];
        let view = camera.view(&Pose::default());
        // 500 units to the right of the middle lie 500 / 1.02 pixels from it.
        assert!((view.to_capture(Point::new(500.0, 0.0)).x - 400.0 - 500.0 / 1.02).abs() < 1e-9);
    }
}
