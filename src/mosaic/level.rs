//! Level: what each tile's light must be multiplied by, place by place, so that coarse tones run through.
//!
//! In: the tiles' [`Footprint`]s, gains, how much light each gathered. Out: for each footprint a field of factors close to 1. Never
//! fails.
//! In an overlap all tiles are drawn to their mean, each weighted by its light and by how deep the place lies in it, so that
//! a tile's say fades to nothing at its border: a wide blend of what is coarse, while the fine detail changes over within a few
//! pixels at the cut (Burt & Adelson 1983, with two bands). Factors, since what flat-fielding leaves is a share of the
//! light; ratios are taken cell by cell, over the places that both tiles see, and then smoothed: a ratio of smoothed light would
//! be the bright side's alone along a sharp edge, and a hundredth of a pixel there a false tone in the dense sky beside it.

use super::cover::Footprint;
use super::smooth::{gaussian, slopes};
use crate::image::{Image, Size, Window};
use rayon::prelude::*;

/// Width of the coarse band: standard deviation in cells of the grid. With cells of 16 pixels this is about 100 pixels.
pub const COARSE_CELLS: f64 = 6.0;
/// What flat-fielding leaves from one cell to the next, as a logarithm.
const FLAT: f32 = 0.002;
/// Variance of a cell's logarithm at transmittance 1 by photons: some ten thousand electrons in each of 256 pixels.
const PHOTONS: f32 = 4e-7;
/// How far, in cells, a tile may lie off its place: a tenth of a pixel.
const PLACE: f32 = 0.006;
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
        let (ratio, trust) = ratio(&ours.light.crop(a), &theirs.light.crop(b), gains[theirs.tile] / gains[ours.tile]);
        for r in 0..a.size.rows {
            for c in 0..a.size.columns {
                if theirs.light.at(b.row + r, b.column + c).is_finite() && trust.at(r, c) > 0.0 {
                    let w = say(theirs, b.row + r, b.column + c);
                    let (y, x) = (a.row + r, a.column + c);
                    drawn.set(y, x, drawn.at(y, x) + w * ratio.at(r, c) / trust.at(r, c));
                    weight.set(y, x, weight.at(y, x) + w);
                }
            }
        }
    }
    let pixels = drawn.pixels().iter().zip(weight.pixels()).map(|(d, w)| (d / w).exp());
    Image::from_vec(drawn.size(), pixels.collect())
}

/// ln(b·gain / a) of two tiles' cells, smoothed with each cell's trust in it, and the trust smoothed alike: their quotient is the level
/// that `b` gives `a`. Trust is the inverse of the logarithm's variance: flat field, photons, and a place that is a little off.
fn ratio(a: &Image<f32>, b: &Image<f32>, gain: f64) -> (Image<f32>, Image<f32>) {
    /// Less light than this is noise.
    const DARKEST: f32 = 1e-4;
    let log = |v: f32| v.max(DARKEST).ln();
    let mean = Image::from_rows(a.size(), 0f32, |r, out| {
        let both = a.row(r).iter().zip(b.row(r));
        out.iter_mut()
            .zip(both)
            .for_each(|(m, (a, b))| *m = if (a + b).is_finite() { 0.5 * (log(*a) + log(*b)) } else { f32::NAN })
    });
    let (across, down) = slopes(&mean);
    let trust = Image::from_rows(a.size(), 0f32, |r, out| {
        for (c, w) in out.iter_mut().enumerate() {
            let steep = across.at(r, c).powi(2) + down.at(r, c).powi(2);
            let variance = FLAT.powi(2) + PHOTONS / mean.at(r, c).exp() + PLACE.powi(2) * steep;
            // At the overlap's border the slope is not known.
            *w = if variance.is_finite() { FLAT.powi(2) / variance } else { 0.0 };
        }
    });
    let told = Image::from_rows(a.size(), 0f32, |r, out| {
        for (c, v) in out.iter_mut().enumerate() {
            if trust.at(r, c) > 0.0 {
                let told = log(b.at(r, c)) - log(a.at(r, c)) + gain.ln() as f32;
                *v = trust.at(r, c) * told.clamp(-MOST, MOST);
            }
        }
    });
    (gaussian(&told, COARSE_CELLS), gaussian(&trust, COARSE_CELLS))
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

    /// A dense sky against bare panel, one tile a tenth of a pixel off: no level is to be drawn from the edge.
    #[test]
    fn an_edge_out_of_place_draws_no_level() {
        let print = |tile: usize, off: f32| Footprint {
            tile,
            row: 0,
            column: 0,
            light: Image::from_rows(Size::new(60, 60), 0f32, |r, row| {
                // Cells before the edge are bare, those behind it of density 2.2, and the edge runs through the sixth.
                let bare = (5.5 + off / 16.0 - r as f32).clamp(0.0, 1.0);
                row.fill(bare + (1.0 - bare) * 0.0063);
            }),
            depth: Image::filled(Size::new(60, 60), 1.0),
        };
        for field in fields(&[print(0, 0.0), print(1, 0.1)], &[1.0, 1.0], &[1.0, 1.0]) {
            let worst = (0..60).map(|r| field.at(r, 30).ln().abs()).fold(0.0, f32::max);
            assert!(worst < 0.0015, "{worst}: over half a thousandth of density");
        }
    }

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
