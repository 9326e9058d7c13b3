//! Were the plates of a session copied alike?
//!
//! In: of each plate in one frame its corners in the capture, its size and the camera. Out: warnings of the session. One camera on one
//! stand shows all plates at one scale: where one plate's differs, the notes give it a wrong size, or camera or panel were moved, and its blank no
//! longer fits. A single plate's scale contradicts nothing.

use crate::error::Warning;
use crate::frame::Settings;
use crate::record::EdgesRecord;

/// Plates are cut up to 1 % short of nominal (Clerc, *Photography: Theory and Practice*, § 239).
const DIFFERS: f64 = 0.015;

/// A plate's sampling as it was copied.
#[derive(Debug, Clone)]
pub struct Sampled {
    id: String,
    px_per_mm: f64,
    camera: Settings,
}

impl Sampled {
    /// None for a plate in tiles.
    pub fn of(id: &str, edges: &EdgesRecord, [w, h]: [f64; 2], camera: &Settings) -> Option<Sampled> {
        let corners = edges.corners_px?;
        let area: f64 = (0..4).map(|i| (corners[i], corners[(i + 1) % 4])).map(|(a, b)| a.x * b.y - b.x * a.y).sum();
        Some(Sampled { id: id.into(), px_per_mm: (area.abs() / 2.0 / (w * h)).sqrt(), camera: camera.clone() })
    }

    fn same_set_up(&self, other: &Sampled) -> bool {
        let (a, b) = (&self.camera, &other.camera);
        a.same_camera(b) && a.focal_length_mm == b.focal_length_mm && a.digital_zoom == b.digital_zoom
    }
}

/// Says which plates lie at another scale than most of the same camera.
pub fn scales(plates: &[Sampled]) -> Vec<Warning> {
    let doubt = |plate: &Sampled| {
        let mut alike: Vec<&Sampled> = plates.iter().filter(|other| plate.same_set_up(other)).collect();
        alike.sort_by(|a, b| a.px_per_mm.total_cmp(&b.px_per_mm));
        let most = alike[(alike.len() - 1) / 2];
        let off = plate.px_per_mm / most.px_per_mm - 1.0;
        (off.abs() > DIFFERS).then(|| {
            Warning::new(
                "scale-differs",
                format!(
                    "{} was copied at {:.2} pixels a millimetre, {} at {:.2} ({:+.1} %): the notes give one of them a wrong size, or camera \
                     or panel were moved between them",
                    plate.id,
                    plate.px_per_mm,
                    most.id,
                    most.px_per_mm,
                    100.0 * off
                ),
            )
        })
    };
    plates.iter().filter_map(doubt).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::Point;

    fn plate(id: &str, px: [f64; 2], mm: [f64; 2], focal: f64) -> Sampled {
        let corner = |x: f64, y: f64| Point::new(100.0 + x * px[0], 80.0 + y * px[1]);
        let corners = [corner(0.0, 0.0), corner(1.0, 0.0), corner(1.0, 1.0), corner(0.0, 1.0)];
        let edges = EdgesRecord { corners_px: Some(corners), confidence: 1.0, spread_px: None, tilt_deg: None };
        let camera = Settings { focal_length_mm: Some(focal), ..Settings::default() };
        Sampled::of(id, &edges, mm, &camera).unwrap()
    }

    /// By hand: 1000 pixels over 100 mm are 10 a millimetre; the same frame noted as twice the size, 5.
    #[test]
    fn a_plate_noted_at_twice_its_size_is_told() {
        let right = |id| plate(id, [1000.0, 1500.0], [100.0, 150.0], 4.0);
        let cut_short = plate("K-03", [992.0, 1490.0], [100.0, 150.0], 4.0);
        let wrong = plate("K-04", [1000.0, 1500.0], [200.0, 300.0], 4.0);
        let other_lens = plate("K-05", [1000.0, 1500.0], [200.0, 300.0], 9.0);
        let told = scales(&[right("K-01"), right("K-02"), cut_short, wrong, other_lens]);
        assert_eq!(told.len(), 1);
        assert!(told[0].message.starts_with("K-04 was copied at 5.00 pixels a millimetre, K-03 at 9.93"), "{told:?}");
    }
}
