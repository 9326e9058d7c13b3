//! How far each place of a result lies from where it should: patches brought to cover each other, to parts of a pixel.
//!
//! Gauss and Newton's iteration on the shift, with the patch's gain and offset free (Lucas & Kanade 1981; Baker & Matthews,
//! IJCV 56, 2004), from coarse to fine. A patch without texture in one direction places nothing and is left out by its own
//! expected error; a patch with texture that does not fit counts as lost.

use super::pixels::{between, quantile};
use hyaline::image::{Image, Size};
use nalgebra::{Matrix2, Matrix4, Vector4};
use rayon::prelude::*;

/// Half a patch's side at the finest level, in pixels.
const HALF: isize = 28;
/// Distance between patches.
const STEP: usize = 90;
/// A patch whose shift is less certain than this, in pixels, is left out.
const CERTAIN: f64 = 0.06;
/// Correlation below which a textured patch is lost. Grain under noise has less than a picture's details, but chance gives 3249 pixels 0.02.
const FITS: f64 = 0.3;

#[derive(Debug, Clone, Copy)]
pub struct Displaced {
    /// Where the patch should be, in pixels.
    pub at: [f64; 2],
    /// Where it is less where it should be, in pixels.
    pub by: [f64; 2],
}

pub struct Displacements {
    pub places: Vec<Displaced>,
    pub lost: usize,
}

impl Displacements {
    pub fn rms(&self) -> f64 {
        let squares: f64 = self.places.iter().map(|p| p.by[0].powi(2) + p.by[1].powi(2)).sum();
        (squares / self.places.len().max(1) as f64).sqrt()
    }

    pub fn worst(&self) -> f64 {
        if self.lost > 0 {
            return f64::INFINITY;
        }
        self.places.iter().map(|p| p.by[0].hypot(p.by[1])).fold(0.0, f64::max)
    }
}

/// `seen` and `ideal`: transmittances of one size.
pub fn displacements(seen: &Image<f32>, ideal: &Image<f32>) -> Displacements {
    assert_eq!(seen.size(), ideal.size());
    // The root of light evens out its noise.
    let root = |image: &Image<f32>| image.map(|t| t.max(0.0).sqrt());
    let levels: Vec<(Image<f32>, Image<f32>)> = std::iter::successors(Some((root(seen), root(ideal))), |(a, b)| {
        (a.columns() > 200 && a.rows() > 200).then(|| (halved(a), halved(b)))
    })
    .take(4)
    .collect();
    let margin = HALF as usize + 6;
    let places: Vec<[f64; 2]> = (margin..ideal.rows() - margin)
        .step_by(STEP)
        .flat_map(|r| (margin..ideal.columns() - margin).step_by(STEP).map(move |c| [c as f64 + 0.5, r as f64 + 0.5]))
        .collect();
    let fits: Vec<([f64; 2], Option<Fit>)> = places.par_iter().map(|at| (*at, follow(&levels, *at))).collect();
    let mut residuals: Vec<f64> = fits.iter().filter_map(|(_, f)| f.as_ref()).map(|f| f.residual).collect();
    let usual = quantile(&mut residuals, 0.5);
    let mut found = Displacements { places: Vec::new(), lost: 0 };
    for (at, fit) in &fits {
        let Some(fit) = fit else { continue };
        if usual / fit.least_texture.sqrt() > CERTAIN {
            continue;
        }
        if fit.correlation < FITS {
            found.lost += 1;
        } else {
            found.places.push(Displaced { at: *at, by: fit.shift });
        }
    }
    found
}

struct Fit {
    shift: [f64; 2],
    /// Smaller eigenvalue of the sum of squared slopes.
    least_texture: f64,
    residual: f64,
    correlation: f64,
}

fn follow(levels: &[(Image<f32>, Image<f32>)], at: [f64; 2]) -> Option<Fit> {
    let mut shift = [0.0, 0.0];
    let mut last = None;
    for (level, (seen, ideal)) in levels.iter().enumerate().rev() {
        let scale = f64::from(1u32 << level);
        let start = shift.map(|s| s / scale);
        match refine(seen, ideal, at.map(|v| v / scale), start) {
            Some(fit) if fit.correlation > 0.3 => {
                shift = fit.shift.map(|s| s * scale);
                last = Some((level, fit));
            }
            other => last = other.map(|fit| (level, fit)),
        }
    }
    last.filter(|(level, _)| *level == 0).map(|(_, fit)| fit)
}

fn refine(seen: &Image<f32>, ideal: &Image<f32>, at: [f64; 2], start: [f64; 2]) -> Option<Fit> {
    let (cx, cy) = (at[0].floor() as isize, at[1].floor() as isize);
    let inside =
        |c: isize, r: isize| c > 0 && r > 0 && c + 1 < ideal.columns() as isize && r + 1 < ideal.rows() as isize;
    let mut terms = Vec::new();
    for r in cy - HALF..=cy + HALF {
        for c in cx - HALF..=cx + HALF {
            if inside(c, r) {
                let v = |dc: isize, dr: isize| f64::from(ideal.at((r + dr) as usize, (c + dc) as usize));
                let slope = [(v(1, 0) - v(-1, 0)) / 2.0, (v(0, 1) - v(0, -1)) / 2.0];
                terms.push((c as f64 + 0.5, r as f64 + 0.5, slope, v(0, 0)));
            }
        }
    }
    if terms.len() < 400 {
        return None;
    }
    let n = terms.len() as f64;
    let mut normal = Matrix4::zeros();
    for (_, _, [gx, gy], v) in &terms {
        let row = Vector4::new(*gx, *gy, *v, 1.0);
        normal += row * row.transpose();
    }
    let inverse = normal.try_inverse()?;
    let mut shift = start;
    let mut values = Vec::new();
    for _ in 0..25 {
        values = terms.iter().map(|(x, y, ..)| between(seen, x + shift[0], y + shift[1])).collect();
        let mut right = Vector4::zeros();
        for ((_, _, [gx, gy], v), s) in terms.iter().zip(&values) {
            right += Vector4::new(*gx, *gy, *v, 1.0) * (s - v);
        }
        let step = inverse * right;
        let gain = (1.0 + step[2]).clamp(0.3, 3.0);
        let (dx, dy) = ((step[0] / gain).clamp(-2.0, 2.0), (step[1] / gain).clamp(-2.0, 2.0));
        // What is seen is the ideal moved on by the step: go against it.
        shift = [shift[0] - dx, shift[1] - dy];
        if dx.hypot(dy) < 1e-4 {
            break;
        }
    }
    let (mean_a, mean_b) = (terms.iter().map(|t| t.3).sum::<f64>() / n, values.iter().sum::<f64>() / n);
    let (mut aa, mut ab, mut bb) = (0.0, 0.0, 0.0);
    for ((.., v), s) in terms.iter().zip(&values) {
        let (a, b) = (v - mean_a, s - mean_b);
        (aa, ab, bb) = (aa + a * a, ab + a * b, bb + b * b);
    }
    let correlation = ab / (aa * bb).sqrt().max(1e-12);
    let texture = Matrix2::new(normal[(0, 0)], normal[(0, 1)], normal[(1, 0)], normal[(1, 1)]);
    let residual = ((bb - ab * ab / aa.max(1e-12)).max(0.0) / n).sqrt();
    Some(Fit { shift, least_texture: texture.symmetric_eigenvalues().min(), residual, correlation })
}

fn halved(image: &Image<f32>) -> Image<f32> {
    Image::from_rows(Size::new(image.rows() / 2, image.columns() / 2), 0f32, |r, out| {
        for (c, v) in out.iter_mut().enumerate() {
            let (a, b) = (image.row(2 * r), image.row(2 * r + 1));
            *v = (a[2 * c] + a[2 * c + 1] + b[2 * c] + b[2 * c + 1]) / 4.0;
        }
    })
}
