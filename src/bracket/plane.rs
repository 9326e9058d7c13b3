//! Density at a working sampling: small enough to search, fine enough to place to a tenth of a pixel.
//!
//! In: densities above base at any sampling. Out: a [`Plane`], reduced by a whole number of pixels (means over squares, so that pixel
//! centres stay at half-integers), and views of it through a homography. Nothing here fails; places that are not finite
//! count as base.

use super::outline::Outline;
use crate::geometry::resample::{Kernel, resample};
use crate::geometry::{Homography, Point};
use crate::image::{Image, Size, reduced};
use crate::units::NetDensity;

/// Longest side of a working plane in pixels. More places nothing better (hundreds of ties stand behind every figure) and takes
/// time with its square.
pub const WORK_LONG: usize = 2400;
/// Least side of a halved plane.
const LEAST_HALF: usize = 64;

/// One plate's density, reduced.
pub struct Plane {
    pub density: Image<f32>,
    /// The same halved, halved again, and so on: a coarse view of a fine plane would gather every pixel of it through its kernel.
    halves: Vec<Image<f32>>,
    pub mm_per_px: f64,
    /// Pixels of the full-size result in one pixel of this plane.
    pub full_per_px: f64,
    /// Where the scene lies, within the rebate.
    pub outline: Outline,
}

impl Plane {
    /// `full_per_px`: pixels of the full-size result in one pixel of `density`.
    pub fn new(density: &Image<NetDensity>, mm_per_px: f64, full_per_px: f64) -> Plane {
        let long = density.rows().max(density.columns());
        let by = long.div_ceil(WORK_LONG).max(1);
        let density = reduced(&density.map(|d| if d.0.is_finite() { d.0 } else { 0.0 }), by);
        let mm_per_px = mm_per_px * by as f64;
        let outline = Outline::find(&density, mm_per_px);
        let halved = |of: &Image<f32>| (of.rows().min(of.columns()) >= 2 * LEAST_HALF).then(|| reduced(of, 2));
        let halves = std::iter::successors(halved(&density), halved).collect();
        Plane { density, halves, mm_per_px, full_per_px: full_per_px * by as f64, outline }
    }

    pub fn size(&self) -> Size {
        self.density.size()
    }

    /// From full-size pixels to this plane's.
    pub fn from_full(&self) -> Homography {
        Homography::similarity(1.0 / self.full_per_px, 0.0, Point::default())
    }

    /// From this plane's pixels to full-size ones.
    pub fn to_full(&self) -> Homography {
        Homography::similarity(self.full_per_px, 0.0, Point::default())
    }

    /// What a sampling `coarser` times this one shows of the plane; `back`: from the view's pixels to the plane's.
    pub fn view(&self, size: Size, coarser: f64, back: impl Fn(Point) -> Point + Sync) -> Image<f32> {
        let level = (coarser.max(1.0).log2() as usize).min(self.halves.len());
        let (image, share) =
            (level.checked_sub(1).map_or(&self.density, |n| &self.halves[n]), 0.5f64.powi(level as i32));
        resample(image, size, &Kernel::new(coarser * share), |p| back(p) * share)
    }
}

/// Gaussian blur of standard deviation `sigma` pixels, cut at three of them; borders are held.
pub fn blur(image: &Image<f32>, sigma: f32) -> Image<f32> {
    let reach = (3.0 * sigma).ceil() as isize;
    let weights: Vec<f32> = (-reach..=reach).map(|i| (-0.5 * (i as f32 / sigma).powi(2)).exp()).collect();
    let sum: f32 = weights.iter().sum();
    let weights: Vec<f32> = weights.iter().map(|w| w / sum).collect();
    let (rows, columns) = (image.rows() as isize, image.columns() as isize);
    let across = Image::from_rows(image.size(), 0f32, |row, out| {
        let line = image.row(row);
        for (column, pixel) in out.iter_mut().enumerate() {
            let first = column as isize - reach;
            *pixel = weights
                .iter()
                .enumerate()
                .map(|(i, w)| w * line[(first + i as isize).clamp(0, columns - 1) as usize])
                .sum();
        }
    });
    Image::from_rows(image.size(), 0f32, |row, out| {
        for (i, w) in weights.iter().enumerate() {
            let line = across.row((row as isize + i as isize - reach).clamp(0, rows - 1) as usize);
            out.iter_mut().zip(line).for_each(|(o, v)| *o += w * v);
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::resample::linear;

    #[test]
    fn a_reduction_keeps_the_mean_and_the_places() {
        let ramp = Image::from_rows(Size::new(10, 5000), NetDensity(0.0), |_, row| {
            row.iter_mut().enumerate().for_each(|(c, v)| *v = NetDensity((c as f32 + 0.5) / 1000.0))
        });
        let plane = Plane::new(&ramp, 0.02, 1.0);
        assert_eq!((plane.full_per_px, plane.size().columns), (3.0, 1666));
        let p = plane.from_full().apply(Point::new(3000.0, 6.0));
        assert!((linear(&plane.density, p) - 3.0).abs() < 1e-4);
    }

    #[test]
    fn a_blur_keeps_an_even_field_and_the_sum() {
        let mut spot = Image::filled(Size::new(31, 31), 0f32);
        spot.set(15, 15, 1.0);
        let soft = blur(&spot, 2.0);
        assert!((soft.pixels().iter().sum::<f32>() - 1.0).abs() < 1e-5);
        // A Gaussian of two pixels' deviation, cut at three of them: 1 / (2π·4), a little more for the cut.
        assert!((soft.at(15, 15) - 0.0398).abs() < 0.001);
    }
}
