//! What is true of a made-up session, for measuring results against: DIR/truth/truth.json and the plates' densities beside it.
//!
//! Densities lie in ID-density.tif, 16-bit gray, as the upright, right-reading picture lies, from the glass's edge to the glass's
//! edge: density against bare light = code × [`PER_CODE`].

use super::capture::Setup;
use super::capture::optics::{Lie, Optics};
use super::plate::{Curve, Plate};
use crate::geometry::Point;
use serde::{Deserialize, Serialize};

/// Density of one code.
pub const PER_CODE: f64 = 0.0001;

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Truth {
    /// Says that a folder is a demo, which may be written over.
    pub made_by: String,
    pub plates: Vec<PlateTruth>,
    pub brackets: Vec<BracketTruth>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PlateTruth {
    pub id: String,
    /// True size of the glass as the upright picture lies: width, height.
    pub size_mm: [f64; 2],
    /// Density file, relative to the truth's folder.
    pub density: String,
    pub px_per_mm: f64,
    /// Median density where the holder's rails kept light off.
    pub base: f64,
    /// Width of the rebate at the top, right, bottom and left.
    pub rebate_mm: [f64; 4],
    pub curve: Curve,
    /// log10 of the exposure that a luminance of 1 gave.
    pub log_exposure: f64,
    pub captures: Vec<CaptureTruth>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CaptureTruth {
    /// Relative to the session's folder.
    pub file: String,
    /// Millimetres of the upright picture to pixels of a lens without distortion, row by row.
    pub homography: [f64; 9],
    /// Then x_d = axis + (x − axis)(1 + k1 r² + k2 r⁴), r = |x − axis| ÷ radius.
    pub axis: Point,
    pub radius: f64,
    pub k1: f64,
    pub k2: f64,
    /// The upright picture's corners as seen: top-left, top-right, bottom-right, bottom-left.
    pub corners_px: [Point; 4],
    /// Standard deviation of the lens's blur in pixels; a pixel integrates over its area besides.
    pub blur_px: f64,
    /// Share of the frame's mean light spread over the frame.
    pub glare: f64,
    /// Electrons that saturate a photosite.
    pub full_well: f64,
    /// Share of full scale of the bare panel at its brightest.
    pub level: f64,
}

/// Two views of one scene from one place.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BracketTruth {
    pub plates: [String; 2],
    /// Millimetres on the first plate's upright picture to millimetres on the second's, row by row; exact for what stood still.
    pub homography: [f64; 9],
    /// Exposure of the second over the first, in stops.
    pub stops: f64,
}

impl CaptureTruth {
    pub fn of(file: &str, lie: &Lie, setup: &Setup) -> CaptureTruth {
        let optics = Optics::new(lie, &setup.stand);
        let p = optics.plane;
        CaptureTruth {
            file: file.to_string(),
            homography: std::array::from_fn(|i| p[i / 3][i % 3]),
            axis: optics.axis,
            radius: optics.radius,
            k1: optics.k1,
            k2: optics.k2,
            corners_px: optics.corners(lie),
            blur_px: setup.blur_px,
            glare: setup.glare,
            full_well: setup.sensor.full_well,
            level: setup.level,
        }
    }

    /// Where a place on the plate is seen, in sensor pixels.
    pub fn to_px(&self, mm: Point) -> Point {
        let h = &self.homography;
        let w = h[6] * mm.x + h[7] * mm.y + h[8];
        let ideal = Point::new((h[0] * mm.x + h[1] * mm.y + h[2]) / w, (h[3] * mm.x + h[4] * mm.y + h[5]) / w);
        let d = ideal - self.axis;
        let r2 = (d.x * d.x + d.y * d.y) / (self.radius * self.radius);
        self.axis + d * (1.0 + r2 * (self.k1 + r2 * self.k2))
    }
}

impl PlateTruth {
    pub fn of(id: &str, plate: &Plate, rebate_mm: [f64; 4], captures: Vec<CaptureTruth>) -> PlateTruth {
        PlateTruth {
            id: id.to_string(),
            size_mm: [plate.width_mm, plate.height_mm],
            density: format!("{id}-density.tif"),
            px_per_mm: plate.px_per_mm,
            base: plate.base,
            rebate_mm,
            curve: plate.curve,
            log_exposure: plate.log_exposure,
            captures,
        }
    }
}
