//! Where the glass begins under a ground edge, from the middle profile across a side.
//!
//! In: samples of transmittance along the inward normal, each the middle one over a whole side, as [`super::aligned`] lays them on one
//! another about the step found. Out: how far inwards of that step the glass begins. A cutter's stone leaves a rim a few pixels wide that
//! passes less light; where blur melts it into the step, the step found is pulled outwards. Model: three levels (surround, rim, glass
//! inside) under a Gaussian blur; levels by linear least squares, places by search. None where two levels tell the profile as well.

use nalgebra::{DMatrix, DVector, Matrix3, Vector3};
use rayon::prelude::*;

/// Distances from the step found over which the profile is fitted, in pixels: outside and inside.
pub const SPAN: (f64, f64) = (7.0, 9.0);
/// Widest rim looked for, and furthest that a step can have been pulled, in pixels. A rim that ends beyond the profile is one level of two.
const WIDEST: f64 = SPAN.1 + 1.0;
const FURTHEST: f64 = 2.5;
/// Widths on the coarse grid: two thirds of a pixel apart, less than the least blur with a pixel's own box.
const WIDTHS: usize = 15;
/// Blurs looked for: standard deviations in pixels.
const BLUR: (f64, f64) = (0.4, 2.4);
/// A rim must halve what two levels leave over to be believed, and that must be more than a lens's blur, which is no Gaussian, leaves: so
/// much of the whole step.
const GAIN: f64 = 0.5;
const NO_GAUSSIAN: f64 = 0.003;

/// What a side shows.
enum Edge {
    /// Two levels tell it as well.
    Clean,
    Rim(Model),
    /// A rim tells it better, and not by enough: a picture right behind the edge spoils both.
    Unsure,
}

/// For each side the signed distance, positive inwards, from the step found (at 0) to where the glass begins; none where two levels tell
/// its profile as well. Profiles: (distance, transmittance). A side that is not sure of itself takes the others' blur.
pub fn glass_begins(profiles: &[Vec<(f64, f64)>]) -> Vec<Option<f64>> {
    let alone: Vec<Edge> = profiles.par_iter().map(|p| edge(p, BLUR)).collect();
    let mut blurs: Vec<f64> =
        alone.iter().filter_map(|e| if let Edge::Rim(model) = e { Some(model.blur) } else { None }).collect();
    blurs.sort_by(f64::total_cmp);
    let together = |profile: &[(f64, f64)]| {
        let blur = *blurs.get(blurs.len() / 2)?;
        if let Edge::Rim(model) = edge(profile, (blur, blur)) { Some(model.at) } else { None }
    };
    let begins = alone.iter().zip(profiles).map(|(edge, profile)| match edge {
        Edge::Clean => None,
        Edge::Rim(model) => Some(model.at),
        Edge::Unsure => together(profile),
    });
    begins.collect()
}

/// A side by itself, under a blur between two bounds.
fn edge(profile: &[(f64, f64)], blur: (f64, f64)) -> Edge {
    let two = search(profile, true, blur);
    let (least, most) =
        profile.iter().fold((f64::INFINITY, 0.0f64), |(least, most), p| (least.min(p.1), most.max(p.1)));
    if two.left < NO_GAUSSIAN * (most - least) {
        return Edge::Clean;
    }
    let three = search(profile, false, blur);
    if three.left < GAIN * two.left { Edge::Rim(three) } else { Edge::Unsure }
}

#[derive(Clone, Copy)]
struct Model {
    at: f64,
    width: f64,
    blur: f64,
    /// Root mean square of what the model leaves over.
    left: f64,
}

/// A coarse grid, then damped Gauss-Newton steps (Levenberg & Marquardt) from its best place.
fn search(profile: &[(f64, f64)], no_rim: bool, (sharpest, softest): (f64, f64)) -> Model {
    let model = |[at, width, blur]: [f64; 3]| {
        let width = if no_rim { 0.0 } else { width.clamp(0.6, WIDEST) };
        let (at, blur) = (at.clamp(-FURTHEST, FURTHEST), blur.clamp(sharpest, softest));
        let over = over(profile, at, width, blur);
        let left = over.as_ref().map_or(f64::INFINITY, |o| (o.norm_squared() / o.len() as f64).sqrt());
        (Model { at, width, blur, left }, over)
    };
    let of = |n: usize, count: usize| (n as f64 + 0.5) / count as f64;
    let widths = if no_rim { 1 } else { WIDTHS };
    let blurs = if softest > sharpest { 6 } else { 1 };
    let places = (0..12).flat_map(|i| (0..widths).flat_map(move |j| (0..blurs).map(move |k| (i, j, k))));
    let tried = places.map(|(i, j, k)| {
        let at = FURTHEST * (2.0 * of(i, 12) - 1.0);
        model([at, WIDEST * of(j, WIDTHS), sharpest + (softest - sharpest) * of(k, blurs)])
    });
    let better = |a: (Model, _), b: (Model, _)| if b.0.left < a.0.left { b } else { a };
    let (mut best, mut left_over) = tried.fold(model([0.0, 1.0, 1.0]), better);
    let mut damping = 1e-3;
    for _ in 0..40 {
        let Some(here) = &left_over else { break };
        let at = [best.at, best.width, best.blur];
        let slope = |k: usize| {
            const STEP: f64 = 1e-4;
            let mut beside = at;
            beside[k] += STEP;
            let over = model(beside).1?;
            Some((over - here) / STEP)
        };
        let (Some(a), Some(b), Some(c)) = (slope(0), slope(1), slope(2)) else { break };
        let slopes = DMatrix::from_columns(&[a, b, c]);
        let mut normal = slopes.transpose() * &slopes;
        for k in 0..3 {
            normal[(k, k)] += damping * normal[(k, k)] + 1e-12;
        }
        let Some(step) = normal.cholesky().map(|n| n.solve(&(slopes.transpose() * here))) else { break };
        let next = model([at[0] - step[0], at[1] - step[1], at[2] - step[2]]);
        if next.0.left < best.left {
            let settled = step.amax() < 1e-4;
            (best, left_over) = next;
            damping *= 0.3;
            if settled {
                break;
            }
        } else {
            damping *= 10.0;
            if damping > 1e6 {
                break;
            }
        }
    }
    best
}

/// What the best three levels leave over, sample by sample; none where no such levels can be.
fn over(profile: &[(f64, f64)], at: f64, width: f64, blur: f64) -> Option<DVector<f64>> {
    let parts = |x: f64| {
        let (first, second) = (step((x - at) / blur), step((x - at - width) / blur));
        Vector3::new(1.0 - first, first - second, second)
    };
    let (mut normal, mut right) = (Matrix3::identity() * 1e-9, Vector3::zeros());
    for &(x, t) in profile {
        let p = parts(x);
        normal += p * p.transpose();
        right += p * t;
    }
    let levels = normal.cholesky()?.solve(&right);
    // A rim passes some light, and never more than the glass inside it.
    let possible = width == 0.0 || (levels[1] >= 0.0 && levels[1] <= levels[2]);
    let over = profile.iter().map(|&(x, t)| parts(x).dot(&levels) - t);
    possible.then(|| DVector::from_iterator(profile.len(), over))
}

/// The normal distribution's integral, by the logistic approximation of Page, Applied Statistics 26, 75 (1977) (from memory): within 2e-4.
fn step(z: f64) -> f64 {
    1.0 / (1.0 + (-2.0 * 0.797_884_560_8 * z * (1.0 + 0.044_715 * z * z)).exp())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Three levels blurred by a box and a tent, which is no Gaussian: the mean over many points of each, worked out by sums.
    fn profile(rim: f64, width: f64, around: f64, at: f64) -> Vec<(f64, f64)> {
        let level = |x: f64| match x - at {
            d if d < 0.0 => around,
            d if d < width => rim,
            _ => 0.74,
        };
        (0..=32)
            .map(|i| {
                let x = i as f64 / 2.0 - SPAN.0;
                let mut sum = (0.0, 0.0);
                for j in -100..=100 {
                    for k in -20..=20 {
                        let weight = 1.0 - (j as f64 / 101.0).abs();
                        sum.0 += weight * level(x + 1.5 * j as f64 / 100.0 + 0.5 * k as f64 / 20.0);
                        sum.1 += weight;
                    }
                }
                (x, sum.0 / sum.1)
            })
            .collect()
    }

    #[test]
    fn a_rim_melted_into_the_step_is_told_from_it() {
        for (rim, width, around) in [
            (0.56, 2.5, 1.0),
            (0.5, 1.5, 1.0),
            (0.6, 4.0, 1.0),
            (0.35, 2.5, 0.02),
            (0.35, 6.0, 1.0),
            (0.35, 7.5, 1.0),
            (0.4, 9.0, 1.0),
        ] {
            for at in [0.0, 0.3, 0.6] {
                let found = glass_begins(&[profile(rim, width, around, at)])[0].unwrap_or(0.0);
                assert!((found - at).abs() < 0.12, "rim {rim} of {width} px in {around}: {found} for {at}");
            }
        }
    }

    #[test]
    fn a_clean_step_is_left_where_it_is() {
        for around in [1.0, 0.0002] {
            assert_eq!(glass_begins(&[profile(0.74, 2.0, around, 0.0)]), [None], "in {around}");
        }
    }
}
