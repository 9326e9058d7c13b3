//! All figures of one plate, beside those to reach.

use super::{displacement, patches, pixels, sharpness};
use hyaline::demo::capture::optics::{Lie, Stand};
use hyaline::demo::capture::{self, Setup};
use hyaline::demo::plate::Plate;
use hyaline::demo::truth::{CaptureTruth, PER_CODE, PlateTruth};
use hyaline::geometry::Point;
use hyaline::image::Image;
use std::path::Path;

/// What one result is like against its truth.
#[derive(Debug, Clone)]
pub struct Figures {
    pub density_median: f64,
    pub density_p95: f64,
    pub unevenness: f64,
    /// Largest of the four corners' errors; none where the record has no corners (tiles).
    pub corner_mm: Option<f64>,
    pub scale: f64,
    pub geometry_rms: f64,
    pub geometry_worst: f64,
    pub places: usize,
    pub lost: usize,
    pub base: f64,
    pub sharpness: f64,
}

/// What to reach: the most that each figure may be.
#[derive(Debug, Clone, Copy)]
pub struct Limits {
    pub density_median: f64,
    pub density_p95: f64,
    pub unevenness: f64,
    pub corner_mm: f64,
    pub scale: f64,
    pub geometry_rms: f64,
    pub geometry_worst: f64,
    pub base: f64,
    pub sharpness: (f64, f64),
}

/// The project's own aims for single frames; what a copy with general-purpose parts leaves, and what noise allows, lie either side.
pub const SINGLE_FRAME: Limits = Limits {
    density_median: 0.003,
    density_p95: 0.010,
    unevenness: 0.003,
    corner_mm: 0.15,
    scale: 0.001,
    geometry_rms: 0.5,
    geometry_worst: 1.5,
    base: 0.010,
    sharpness: (0.97, 1.06),
};

/// With 2 % of glare and an opaque patch named.
pub const WITH_GLARE: Limits = Limits { density_median: 0.006, density_p95: 0.020, unevenness: 0.006, ..SINGLE_FRAME };

/// The demo's plates: the same aims as for single frames.
pub const DEMO: Limits = SINGLE_FRAME;

impl Figures {
    /// Names of the figures that miss their limits.
    pub fn missed(&self, limits: &Limits) -> Vec<&'static str> {
        let over = |value: f64, limit: f64| value.is_nan() || value.abs() > limit;
        [
            ("density median", over(self.density_median, limits.density_median)),
            ("density 95 %", over(self.density_p95, limits.density_p95)),
            ("unevenness", over(self.unevenness, limits.unevenness)),
            ("corners", self.corner_mm.is_some_and(|c| over(c, limits.corner_mm))),
            ("scale", over(self.scale, limits.scale)),
            ("geometry rms", over(self.geometry_rms, limits.geometry_rms)),
            ("geometry worst", over(self.geometry_worst, limits.geometry_worst)),
            ("base", over(self.base, limits.base)),
            ("sharpness", !(limits.sharpness.0..=limits.sharpness.1).contains(&self.sharpness)),
        ]
        .into_iter()
        .filter_map(|(name, missed)| missed.then_some(name))
        .collect()
    }

    pub const HEADING: &'static str = "case                     D median  D 95 %  uneven  corner mm   scale   geo rms  worst px  places (lost)    base   sharp";

    pub fn line(&self, case: &str) -> String {
        format!(
            "{case:24} {:8.4} {:7.4} {:6.2} % {:>9} {:6.3} % {:8.3} {:9.3} {:8} ({:2}) {:10.4} {:7.3}",
            self.density_median,
            self.density_p95,
            100.0 * self.unevenness,
            self.corner_mm.map_or("-".into(), |c| format!("{c:.3}")),
            100.0 * self.scale,
            self.geometry_rms,
            self.geometry_worst,
            self.places,
            self.lost,
            self.base,
            self.sharpness
        )
    }
}

impl Limits {
    pub fn line(&self) -> String {
        format!(
            "{:24} {:8.4} {:7.4} {:6.2} % {:9.3} {:6.3} % {:8.3} {:9.3} {:>13} {:10.4}  {:.2}-{:.2}",
            "to reach",
            self.density_median,
            self.density_p95,
            100.0 * self.unevenness,
            self.corner_mm,
            100.0 * self.scale,
            self.geometry_rms,
            self.geometry_worst,
            "",
            self.base,
            self.sharpness.0,
            self.sharpness.1
        )
    }
}

/// Reads ID-negative.tif and ID-record.json under OUT/ID and measures them.
pub fn result(out: &Path, truth: &PlateTruth, plate: &Plate) -> Figures {
    let folder = out.join(&truth.id);
    let seen = pixels::read_gray16(&folder.join(format!("{}-negative.tif", truth.id)), 1.0 / 65535.0);
    let file = folder.join(format!("{}-record.json", truth.id));
    let text = std::fs::read_to_string(&file).unwrap_or_else(|e| panic!("{}: {e}", file.display()));
    measure(&seen, &serde_json::from_str(&text).unwrap(), truth, plate)
}

/// `seen`: transmittance against bare light, from edge to edge, upright.
pub fn measure(seen: &Image<f32>, record: &serde_json::Value, truth: &PlateTruth, plate: &Plate) -> Figures {
    let ideal = ideal(plate, &truth.captures[0], seen);
    let densities = patches::densities(seen, &ideal, [plate.width_mm, plate.height_mm]);
    let mut displaced = displacement::displacements(seen, &ideal);
    let sharpness = sharpness::kept(seen, &ideal, &displaced);
    // The ideal has square pixels as wide as the result's; from edge to edge it may be a part of a pixel higher or lower.
    let (h, scale) = (seen.rows() as f64, seen.columns() as f64 / plate.width_mm);
    for place in &mut displaced.places {
        let mm = (place.at[1] - h / 2.0) / scale + plate.height_mm / 2.0;
        place.by[1] += place.at[1] - mm * h / plate.height_mm;
    }
    let number = |path: &str| {
        record.pointer(path).and_then(serde_json::Value::as_f64).unwrap_or_else(|| panic!("no {path} in the record"))
    };
    let own_base = record.pointer("/base/plate_density").and_then(serde_json::Value::as_f64);
    Figures {
        density_median: densities.median,
        density_p95: densities.p95,
        unevenness: densities.unevenness,
        corner_mm: corners(record, &truth.captures[0], truth.size_mm),
        scale: number("/mm_per_px") * scale - 1.0,
        geometry_rms: displaced.rms(),
        geometry_worst: displaced.worst(),
        places: displaced.places.len(),
        lost: displaced.lost,
        base: own_base.unwrap_or_else(|| number("/base/density")) - truth.base,
        sharpness,
    }
}

/// The plate as a perfect copy would show it on the result's grid: through the capture's own blur and pixel, without noise.
pub fn ideal(plate: &Plate, truth: &CaptureTruth, seen: &Image<f32>) -> Image<f32> {
    let lie = Lie { width_mm: plate.width_mm, height_mm: plate.height_mm, mirrored: false, rotate: 0 };
    let px_per_mm = seen.columns() as f64 / plate.width_mm;
    // The capture's own sampling, on the average over the plate: a lens that distorts has it finer here and coarser there.
    let shares = [0.1, 0.5, 0.9];
    let places = shares.iter().flat_map(|x| shares.map(|y| Point::new(x * plate.width_mm, y * plate.height_mm)));
    let sampling = |at: Point| {
        let way = |aside: Point| truth.to_px(at).distance(truth.to_px(at + aside));
        (way(Point::new(1.0, 0.0)) * way(Point::new(0.0, 1.0))).sqrt()
    };
    let captured = places.map(sampling).sum::<f64>() / 9.0;
    let stand = Stand {
        columns: seen.columns(),
        rows: seen.rows(),
        px_per_mm,
        turn_deg: 0.0,
        tilt_deg: [0.0; 2],
        aim_mm: [0.0; 2],
        focal_px: 1e4,
        axis_px: [0.0; 2],
        k1: 0.0,
        k2: 0.0,
    };
    let setup = Setup {
        stand,
        fall_off: 0.0,
        hot_spot: (0.0, [0.5; 2], 1.0),
        slope: 0.0,
        vignetting: 0.0,
        blur_px: truth.blur_px * px_per_mm / captured,
        glare: 0.0,
        mask: None,
        ..Setup::default()
    };
    capture::with_plate(plate, &lie, &setup, 0)
}

fn corners(record: &serde_json::Value, truth: &CaptureTruth, [w, h]: [f64; 2]) -> Option<f64> {
    let seen: [Point; 4] = serde_json::from_value(record.pointer("/edges/corners_px")?.clone()).ok()?;
    let error = |i: usize| {
        let at = [(0.0, 0.0), (w, 0.0), (w, h), (0.0, h)][i];
        let per_mm = truth.to_px(Point::new(at.0, at.1)).distance(truth.to_px(Point::new(w / 2.0, h / 2.0)))
            / (w / 2.0).hypot(h / 2.0);
        seen[i].distance(truth.corners_px[i]) / per_mm
    };
    Some((0..4).map(error).fold(0.0, f64::max))
}

/// The plate of a demo's truth, as it lies in its file.
pub fn read_plate(folder: &Path, truth: &PlateTruth) -> Plate {
    Plate {
        density: pixels::read_gray16(&folder.join(&truth.density), PER_CODE),
        px_per_mm: truth.px_per_mm,
        width_mm: truth.size_mm[0],
        height_mm: truth.size_mm[1],
        base: truth.base,
        log_exposure: truth.log_exposure,
        curve: truth.curve,
    }
}
