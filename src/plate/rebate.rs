//! The rebate: the margin that the holder's rails kept from light, and so the plate's base plus fog.
//!
//! In: transmittance on the plate's own grid, cropped to the glass. Out: a [`Rebate`] with its density, spread, and each side's own
//! reading; or none where no clear even band runs along the sides. Each side is cut into stretches; in each the clearest even band
//! near the edge is read; the readings that agree at the low end are the rebate. Hand-coated and frilled plates have no whole
//! clear side, and few plates have four, so agreement of a part is enough; but a picture with much that is clearer than the band says
//! that the band is picture.

use crate::image::{Image, reduced};
use crate::units::Transmittance;
use rayon::prelude::*;

/// Side of the cells that are read, in millimetres.
const CELL_MM: f64 = 0.15;
/// How much of the margin at the glass edge is left out: ground edges, chips, blur.
const EDGE_MM: f64 = 0.45;
/// How far in the rebate is looked for.
const REACH_MM: f64 = 9.0;
/// Widths of the band that is read, the next where the one before finds none: holders' rails hide about 2.5 mm (Clerc, § 239), worn ones less.
const BANDS_MM: [f64; 2] = [0.6, 0.3];
/// Stretches to a side.
const STRETCHES: usize = 20;
/// Standard deviation of density among a band's cells up to which it is even.
const EVEN: f64 = 0.02;
/// Readings that lie this close are of one rebate.
const AGREE: f64 = 0.02;
/// Share of all stretches that must agree.
const QUORUM: f64 = 0.12;
/// Density by which a picture must be clearer than the band, over [`CLEARER_SHARE`] of its area, to unmask it.
const CLEARER: f64 = 0.04;
const CLEARER_SHARE: f64 = 0.01;

/// Base plus fog as the rebate shows it.
#[derive(Debug, Clone, PartialEq)]
pub struct Rebate {
    /// Density against bare light.
    pub density: f64,
    /// Standard deviation of the stretches that agree.
    pub spread: f64,
    /// Each side's own reading (top, right, bottom, left as the image lies), where it has one.
    pub sides: [Option<f64>; 4],
    /// Share of all stretches that agree.
    pub share: f64,
}

/// Reads the rebate.
pub fn read(plate: &Image<Transmittance>, mm_per_px: f64) -> Option<Rebate> {
    let factor = ((CELL_MM / mm_per_px).round() as usize).max(1);
    let cell_mm = mm_per_px * factor as f64;
    let cells = reduced(plate, factor);
    BANDS_MM.into_iter().find_map(|band_mm| read_in_bands(&cells, cell_mm, band_mm))
}

fn read_in_bands(cells: &Image<Transmittance>, cell_mm: f64, band_mm: f64) -> Option<Rebate> {
    let by_side: [Vec<f64>; 4] = std::array::from_fn(|side| stretches(cells, side, cell_mm, band_mm));
    let mut all: Vec<f64> = by_side.iter().flatten().copied().collect();
    all.sort_unstable_by(f64::total_cmp);
    let quorum = ((4 * STRETCHES) as f64 * QUORUM).ceil() as usize;
    // From the clear end: the first reading that enough others follow closely.
    let first = (0..all.len()).find(|&i| all.get(i + quorum - 1).is_some_and(|last| last - all[i] < AGREE))?;
    let members: Vec<f64> = all[first..].iter().copied().take_while(|d| d - all[first] < 2.0 * AGREE).collect();
    let density = members[members.len() / 2];
    if is_picture(cells, density) {
        return None;
    }
    let near: Vec<f64> = all.iter().copied().filter(|d| (d - density).abs() < 2.0 * AGREE).collect();
    let spread = (near.iter().map(|d| (d - density).powi(2)).sum::<f64>() / near.len() as f64).sqrt();
    let sides = by_side.map(|mut side| {
        side.sort_unstable_by(f64::total_cmp);
        let clear = &side[..side.len() / 2];
        clear.get(clear.len() / 2).copied().filter(|_| clear.len() >= STRETCHES / 5)
    });
    Some(Rebate { density, spread, sides, share: near.len() as f64 / (4 * STRETCHES) as f64 })
}

/// The clearest even band of each stretch of one side.
fn stretches(cells: &Image<Transmittance>, side: usize, cell_mm: f64, band_mm: f64) -> Vec<f64> {
    let (rows, columns) = (cells.rows(), cells.columns());
    let (length, depth) = if side.is_multiple_of(2) { (columns, rows) } else { (rows, columns) };
    let at = |along: usize, inward: usize| match side {
        0 => cells.at(inward, along).0,
        1 => cells.at(along, columns - 1 - inward).0,
        2 => cells.at(rows - 1 - inward, along).0,
        _ => cells.at(along, inward).0,
    };
    let cells_in = |mm: f64| (mm / cell_mm).round() as usize;
    let (edge, band) = (cells_in(EDGE_MM).max(1), cells_in(band_mm).max(2));
    let reach = cells_in(REACH_MM).min(depth / 3);
    // Corners are chipped, dark and doubly shaded.
    let from = cells_in(4.0).max(length / 25);
    if length < 2 * from + 4 * STRETCHES || reach < edge + band {
        return Vec::new();
    }
    let step = (length - 2 * from) as f64 / STRETCHES as f64;
    (0..STRETCHES)
        .into_par_iter()
        .filter_map(|i| {
            let along = from + (i as f64 * step) as usize..from + ((i + 1) as f64 * step) as usize;
            (edge..=reach - band)
                .filter_map(|start| {
                    let mut seen: Vec<f32> = along
                        .clone()
                        .flat_map(|a| (start..start + band).map(move |d| (a, d)))
                        .map(|(a, d)| at(a, d))
                        .collect();
                    even(&mut seen)
                })
                .min_by(f64::total_cmp)
        })
        .collect()
}

/// Density of a band by its middle half, if that half is even; dust and scratches lie outside it.
fn even(seen: &mut [f32]) -> Option<f64> {
    let (quarter, last) = (seen.len() / 4, seen.len() - seen.len() / 4 - 1);
    let (_, low, beyond) = seen.select_nth_unstable_by(quarter, f32::total_cmp);
    let low = *low;
    let (within, high, _) = beyond.select_nth_unstable_by(last.checked_sub(quarter + 1)?, f32::total_cmp);
    let sum = within.iter().chain([&low, &*high]).map(|t| *t as f64).sum::<f64>();
    let mean = sum / (within.len() + 2) as f64;
    if mean <= 0.0 {
        return None;
    }
    // The quartiles of a normal distribution lie 1.349 standard deviations apart.
    let spread = (*high - low) as f64 / 1.349;
    (spread / mean / std::f64::consts::LN_10 < EVEN).then(|| -mean.log10())
}

/// Whether too much of the plate is clearer than the supposed base.
fn is_picture(cells: &Image<Transmittance>, base: f64) -> bool {
    let clearer = 10f64.powf(-(base - CLEARER)) as f32;
    let (dr, dc) = (cells.rows() / 30, cells.columns() / 30);
    let inner = (dr..cells.rows() - dr).flat_map(|r| cells.row(r)[dc..cells.columns() - dc].iter());
    let (mut count, mut above) = (0usize, 0usize);
    for t in inner {
        count += 1;
        above += (t.0 > clearer) as usize;
    }
    above as f64 > CLEARER_SHARE * count as f64
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::image::Size;
    use crate::units::Density;
    use rand::SeedableRng;
    use rand_distr::{Distribution, Normal};

    /// A plate of 120 × 90 mm at 0.1 mm: picture with noise, rebate of base density `base` on the sides whose width is not 0.
    fn plate(base: f32, widths: [f64; 4]) -> Image<Transmittance> {
        let mut rng = rand_pcg::Pcg64::seed_from_u64(3);
        let grain = Normal::new(1.0, 0.02f32).unwrap();
        let mut image = Image::from_rows(Size::new(900, 1200), Transmittance(0.0), |row, out| {
            for (column, t) in out.iter_mut().enumerate() {
                let (x, y) = (column as f64 / 10.0, row as f64 / 10.0);
                let clear = y < widths[0] || x > 120.0 - widths[1] || y > 90.0 - widths[2] || x < widths[3];
                let picture = 0.35 + 0.3 * (x * 0.9).sin() * (y * 0.7).cos() + if y < 30.0 { 1.5 } else { 0.0 };
                let chip = x < 1.5 && (40.0..42.0).contains(&y);
                let density = base + if clear { 0.0 } else { picture as f32 };
                *t = if chip { Transmittance(1.0) } else { Density(density).transmittance() };
            }
        });
        image.pixels_mut().iter_mut().for_each(|t| t.0 *= grain.sample(&mut rng));
        image
    }

    #[test]
    fn base_is_read_from_four_from_two_and_from_thin_sides() {
        for widths in [[3.0; 4], [3.0, 0.0, 3.0, 0.0], [0.0, 1.4, 0.0, 1.4], [1.0; 4]] {
            let rebate = read(&plate(0.17, widths), 0.1).unwrap();
            assert!((rebate.density - 0.17).abs() < 0.005, "{widths:?}: {}", rebate.density);
            assert!(rebate.spread < 0.01);
        }
    }

    #[test]
    fn a_plate_without_a_rebate_gives_no_reading() {
        assert_eq!(read(&plate(0.17, [0.0; 4]), 0.1), None);
    }
}
