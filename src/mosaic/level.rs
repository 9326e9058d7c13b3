//! Level: what each tile's light must be multiplied by, place by place, so that coarse tones run through.
//!
//! In: the tiles' [`Footprint`]s, gains, how much light each gathered. Out: for each footprint a field of factors close to 1. Never
//! fails.
//! In an overlap all tiles are drawn to their mean, each weighted by its light and by how deep the place lies in it, so that
//! a tile's say fades to nothing at its border: a wide blend of what is coarse, while the fine detail changes over within a few
//! pixels at the cut (Burt & Adelson 1983, with two bands). Factors, since what flat-fielding leaves is a share of the
//! light; ratios are taken over the places that both tiles see, so that no picture at a border is mistaken for one.

use super::cover::Footprint;
use super::smooth::gaussian;
use crate::image::{Image, Size, Window};
use rayon::prelude::*;

/// Width of the coarse band: standard deviation in cells of the grid. With cells of 16 pixels this is about 100 pixels.
pub const COARSE_CELLS: f64 = 6.0;
/// No field error is larger than this (as a logarithm); more is a fault elsewhere that a blend must not hide.
const MOST: f32 = 0.06;

/// Factors for each footprint, over its own cells.
pub fn fields(footprints: &[Footprint], gains: &[f64], light: &[f64]) -> Vec<Image<f32>> {
    footprints.par_iter().map(|f| field(f, footprints, gains, light)).collect()
}

fn field(ours: &Footprint, footprints: &[Footprint], gains: &[f64], light: &[f64]) -> Image<f32> {
    let say = |f: &Footprint, r: usize, c: usize| f.depth.at(r, c).powi(2) * light[f.tile] as f32;
    let mut drawn = Image::filled(ours.light.size(), 0f32);
    let mut weight = Image::from_rows(ours.light.size(), 0f32, |r, out| {
        out.iter_mut().enumerate().for_each(|(c, w)| *w = say(ours, r, c) + 1e-6)
    });
    for theirs in footprints.iter().filter(|f| f.tile != ours.tile) {
        let Some((a, b)) = shared(ours, theirs) else { continue };
        let (ta, tb) = (ours.light.crop(a), theirs.light.crop(b));
        let both = |k: usize| ta.pixels()[k].is_finite() && tb.pixels()[k].is_finite();
        let masked = |t: &Image<f32>, gain: f64| {
            let pixels =
                (0..t.pixels().len()).map(|k| if both(k) { t.pixels()[k].max(0.0) * gain as f32 } else { 0.0 });
            gaussian(&Image::from_vec(t.size(), pixels.collect()), COARSE_CELLS)
        };
        let (sa, sb) = (masked(&ta, gains[ours.tile]), masked(&tb, gains[theirs.tile]));
        for r in 0..a.size.rows {
            for c in 0..a.size.columns {
                let (la, lb) = (sa.at(r, c), sb.at(r, c));
                if tb.at(r, c).is_finite() && la > 1e-5 && lb > 1e-5 {
                    let w = say(theirs, b.row + r, b.column + c);
                    let (y, x) = (a.row + r, a.column + c);
                    drawn.set(y, x, drawn.at(y, x) + w * (lb / la).ln().clamp(-MOST, MOST));
                    weight.set(y, x, weight.at(y, x) + w);
                }
            }
        }
    }
    let pixels = drawn.pixels().iter().zip(weight.pixels()).map(|(d, w)| (d / w).exp());
    Image::from_vec(drawn.size(), pixels.collect())
}

/// The cells that both footprints hold, as windows into each.
fn shared(a: &Footprint, b: &Footprint) -> Option<(Window, Window)> {
    let (top, left) = (a.row.max(b.row), a.column.max(b.column));
    let bottom = (a.row + a.light.rows()).min(b.row + b.light.rows());
    let right = (a.column + a.light.columns()).min(b.column + b.light.columns());
    let size = Size::new(bottom.checked_sub(top)?, right.checked_sub(left)?);
    let window = |f: &Footprint| Window { row: top - f.row, column: left - f.column, size };
    (size.area() > 0).then(|| (window(a), window(b)))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two tiles of an even field, one of them 2 % brighter: in the middle of the overlap both are drawn half-way (geometric
    /// mean), at the far ends of the overlap to the deeper tile's level; where a tile is alone nothing changes.
    #[test]
    fn two_levels_meet_in_the_middle() {
        let print = |tile: usize, column: usize, light: f32| Footprint {
            tile,
            row: 0,
            column,
            light: Image::filled(Size::new(60, 100), light),
            depth: Image::from_rows(Size::new(60, 100), 0f32, |_, row| {
                row.iter_mut().enumerate().for_each(|(c, d)| *d = ((c + 1).min(100 - c) as f32 / 20.0).min(1.0))
            }),
        };
        let prints = [print(0, 0, 0.5), print(1, 60, 0.51)];
        let fields = fields(&prints, &[1.0, 1.0], &[1.0, 1.0]);
        let result = |f: usize, column: usize| fields[f].at(30, column - prints[f].column) * prints[f].light.at(30, 0);
        assert!((result(0, 80) - result(1, 80)).abs() < 1e-4);
        assert!((result(0, 80) - (0.5f32 * 0.51).sqrt()).abs() < 3e-4);
        assert_eq!(result(0, 10), 0.5);
        // Three cells inside the other's border its say is (3/20)², a fiftieth of the difference.
        assert!((result(0, 62) - 0.5).abs() < 3e-4 && (result(1, 97) - 0.51).abs() < 3e-4);
        let along: Vec<f32> = (0..160).map(|c| if c < 80 { result(0, c) } else { result(1, c) }).collect();
        let steepest = along.windows(2).map(|w| (w[1] / w[0] - 1.0).abs()).fold(0.0, f32::max);
        assert!(steepest < 0.0015, "a step of {steepest}");
    }
}
