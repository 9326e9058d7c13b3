//! Where the glass begins under a ground edge, from the middle profile across a side.
//!
//! In: samples of transmittance along the inward normal, each the middle one over a whole side, as [`super::aligned`] lays them on one
//! another about the step found. Out: how far inwards of that step the glass begins. A cutter's stone leaves a rim a few pixels wide that
//! passes less light; where blur melts it into the step, the step found is pulled outwards. Model: three levels (surround, rim, glass
//! inside) under a Gaussian blur; levels by linear least squares, places by search. None where two levels tell the profile as well.

use nalgebra::{Matrix3, Vector3};

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

/// Signed distance, positive inwards, from the step found (at 0) to where the glass begins; none where two levels tell the
/// profile as well. `profile`: (distance, transmittance).
pub fn glass_begins(profile: &[(f64, f64)]) -> Option<f64> {
    let two = search(profile, true);
    let (least, most) =
        profile.iter().fold((f64::INFINITY, 0.0f64), |(least, most), p| (least.min(p.1), most.max(p.1)));
    if two.left < NO_GAUSSIAN * (most - least) {
        return None;
    }
    let three = search(profile, false);
    (three.left < GAIN * two.left).then_some(three.at)
}

#[derive(Clone, Copy)]
struct Model {
    at: f64,
    width: f64,
    blur: f64,
    /// Root mean square of what the model leaves over.
    left: f64,
}

/// Coarse grid, then ever finer steps along each of the three numbers.
fn search(profile: &[(f64, f64)], no_rim: bool) -> Model {
    let try_at = |at: f64, width: f64, blur: f64| {
        let width = if no_rim { 0.0 } else { width.clamp(0.6, WIDEST) };
        let (at, blur) = (at.clamp(-FURTHEST, FURTHEST), blur.clamp(BLUR.0, BLUR.1));
        Model { at, width, blur, left: left_over(profile, at, width, blur) }
    };
    let better = |a: Model, b: Model| if b.left < a.left { b } else { a };
    let widths = if no_rim { 1 } else { WIDTHS };
    let mut best = try_at(0.0, 1.0, 1.0);
    for i in 0..12 {
        for j in 0..widths {
            for k in 0..6 {
                let of = |n: usize, count: usize| (n as f64 + 0.5) / count as f64;
                let at = FURTHEST * (2.0 * of(i, 12) - 1.0);
                best = better(best, try_at(at, WIDEST * of(j, WIDTHS), BLUR.0 + (BLUR.1 - BLUR.0) * of(k, 6)));
            }
        }
    }
    let mut step = 0.25;
    while step > 1e-3 {
        let before = best.left;
        for (da, dw, db) in
            [(1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0), (1.0, -1.0, 0.0), (0.0, 1.0, -1.0), (1.0, 0.0, 1.0)]
        {
            for sign in [-step, step] {
                best = better(best, try_at(best.at + sign * da, best.width + sign * dw, best.blur + sign * db));
            }
        }
        if best.left >= before * (1.0 - 1e-6) {
            step /= 2.0;
        }
    }
    best
}

/// What the best three levels leave over, root mean square.
fn left_over(profile: &[(f64, f64)], at: f64, width: f64, blur: f64) -> f64 {
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
    let Some(levels) = normal.cholesky().map(|c| c.solve(&right)) else { return f64::INFINITY };
    // A rim passes some light, and never more than the glass inside it.
    if width > 0.0 && (levels[1] < 0.0 || levels[1] > levels[2]) {
        return f64::INFINITY;
    }
    let sum: f64 = profile.iter().map(|&(x, t)| (parts(x).dot(&levels) - t).powi(2)).sum();
    (sum / profile.len() as f64).sqrt()
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
                let found = glass_begins(&profile(rim, width, around, at)).unwrap_or(0.0);
                assert!((found - at).abs() < 0.12, "rim {rim} of {width} px in {around}: {found} for {at}");
            }
        }
    }

    #[test]
    fn a_clean_step_is_left_where_it_is() {
        for around in [1.0, 0.0002] {
            assert_eq!(glass_begins(&profile(0.74, 2.0, around, 0.0)), None, "in {around}");
        }
    }
}
