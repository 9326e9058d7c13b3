//! What placing found: how each tile sees the plate, how well all agree, and what is wrong.

use super::overlaps::Overlap;
use crate::error::{Fault, Warning};
use crate::geometry::{Lens, Point, View};

/// Tiles placed on their plate. Millimetres run from the plate's top-left corner as the sensor saw it.
#[derive(Debug, Clone)]
pub struct Placement {
    /// Width and height.
    pub size_mm: [f64; 2],
    /// One for each tile, in the order they came.
    pub tiles: Vec<Placed>,
    pub lens: Lens,
    /// Whether each tile needed a camera of its own.
    pub hand_held: bool,
    /// Pixels per millimetre of the captures, the median over the plate.
    pub sampling: f64,
    /// What the bare panel beside the plate read before the gains brought it to 1.
    pub bare: f64,
    pub ties: Vec<Residual>,
    /// Root mean square of the ties' residuals along the directions that their texture tells, in pixels.
    pub rms_px: f64,
    pub overlaps: Vec<Overlap>,
    pub sides: [SideFit; 4],
    /// 0 to 1: the least supported side's share, less where tiles disagree.
    pub confidence: f64,
    /// Rectangles [x, y, width, height] in mm that no tile covers.
    pub gaps: Vec<[f64; 4]>,
    pub warnings: Vec<Warning>,
}

/// One tile.
#[derive(Debug, Clone)]
pub struct Placed {
    pub name: String,
    /// None for a tile that was left out.
    pub view: Option<View>,
    /// Factor on its light that makes it agree with the others, and the bare panel 1.
    pub gain: f64,
    /// Root mean square of its ties' residuals.
    pub residual_px: f64,
    pub ties: usize,
    /// Ties that contradict the rest, and were not heeded.
    pub set_aside: usize,
    /// How it is turned against the plate, degrees clockwise.
    pub turn_deg: f64,
}

/// What a tie is off by once all are adjusted.
#[derive(Debug, Clone, Copy)]
pub struct Residual {
    pub a: usize,
    pub b: usize,
    /// Where on the plate, mm.
    pub at: Point,
    /// Pixels, along x and y of the plate; nothing along directions that the texture does not tell.
    pub off: Point,
}

/// One side of the plate: top, right, bottom, left.
#[derive(Debug, Clone, Copy, Default)]
pub struct SideFit {
    /// Share of the places looked at that show the glass's edge in line with the others.
    pub support: f64,
    pub rms_px: f64,
}

pub const SIDES: [&str; 4] = ["top", "right", "bottom", "left"];

impl Placement {
    /// Each tile's view of the plate.
    pub fn views(&self) -> Vec<Option<View>> {
        self.tiles.iter().map(|t| t.view).collect()
    }

    pub fn gains(&self) -> Vec<f64> {
        self.tiles.iter().map(|t| t.gain).collect()
    }

    /// A fault if the tiles leave part of the plate unseen. The caller may go on all the same where it was told to: what is
    /// not seen comes out black.
    pub fn complete(&self) -> Result<(), Fault> {
        if self.gaps.is_empty() {
            return Ok(());
        }
        let places: Vec<String> = self.gaps.iter().map(gap_in_words).collect();
        let out: Vec<&str> = self.tiles.iter().filter(|t| t.view.is_none()).map(|t| t.name.as_str()).collect();
        let apart =
            if out.is_empty() { String::new() } else { format!(" ({} could not be connected)", out.join(", ")) };
        let what = format!("no tile shows {} of the plate as the captures see it{apart}", places.join(" and "));
        Err(Fault::new(
            what,
            "copy the missing part with a third of overlap and add it, or use --force to leave it black",
        ))
    }
}

/// A gap [x, y, width, height], in mm, in words: a sliver, too, has a width.
pub fn gap_in_words(gap: &[f64; 4]) -> String {
    let [x, y, w, h] = gap;
    let side = |mm: f64| if mm < 0.95 { format!("{:.1}", mm.max(0.1)) } else { format!("{mm:.0}") };
    format!("{} × {} mm at x {x:.0}, y {y:.0} mm", side(*w), side(*h))
}

#[cfg(test)]
mod tests {
    #[test]
    fn a_sliver_of_a_gap_has_a_width() {
        assert_eq!(super::gap_in_words(&[0.0, 130.0, 5.2, 0.04]), "5 × 0.1 mm at x 0, y 130 mm");
        assert_eq!(super::gap_in_words(&[12.4, 0.0, 0.96, 0.26]), "1 × 0.3 mm at x 12, y 0 mm");
    }
}
