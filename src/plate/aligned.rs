//! Profiles across one side laid on one another, so that their middle is as sharp as each of them.
//!
//! In: samples of transmittance along the inward normal at many stations, [`STEP`] apart, each about the step found there. Where a
//! ground edge is about as wide as the blur, one station's step is its outer flank and the next one's both flanks together. Out: how far
//! each profile must be moved to lie on the others, and the middle profile. Method: least squares of level, height and shift (the
//! shift by the middle profile's slope, after Lucas & Kanade 1981, from memory), against the middle of all, anew each round.

use super::profile::STEP;
use nalgebra::{Matrix3, Vector3};

/// Pixels by which a profile may be moved: as much is needed beyond the middle profile at either end.
pub const REACH: f64 = 3.0;
const ROUNDS: usize = 5;

/// Profiles, each moved by its shift in pixels.
pub struct Aligned {
    /// By which each profile is moved: where the middle profile has 0, the profile has its shift.
    pub shifts: Vec<f64>,
    /// Medians over all profiles; shorter than they are by [`REACH`] at either end.
    pub middle: Vec<f64>,
}

impl Aligned {
    /// `profiles` are of one length, at least twice [`REACH`] and some samples.
    pub fn new(profiles: &[Vec<f64>]) -> Aligned {
        let mut shifts = vec![0.0; profiles.len()];
        let mut middle = median(profiles, &shifts);
        for _ in 0..ROUNDS {
            let slope = slope(&middle);
            for (profile, shift) in profiles.iter().zip(&mut shifts) {
                let seen = moved(profile, *shift);
                *shift = (*shift - ahead(&seen, &middle, &slope)).clamp(-REACH, REACH);
            }
            middle = median(profiles, &shifts);
        }
        Aligned { shifts, middle }
    }
}

/// By how many pixels a profile runs ahead of the middle one, at most one; 0 where it does not tell.
fn ahead(seen: &[f64], middle: &[f64], slope: &[f64]) -> f64 {
    let steepest = slope.iter().fold(0.0f64, |most, s| most.max(s.abs()));
    let (mut normal, mut right) = (Matrix3::identity() * 1e-12, Vector3::zeros());
    for ((&t, &m), &s) in seen.iter().zip(middle).zip(slope) {
        // The picture behind the edge differs from station to station, and places nothing.
        let weight = s.abs() / steepest.max(1e-9) + 0.02;
        let row = Vector3::new(1.0, m, s);
        normal += row * row.transpose() * weight;
        right += row * (t * weight);
    }
    let Some(found) = normal.cholesky().map(|c| c.solve(&right)) else { return 0.0 };
    if found[1] > 0.0 { (found[2] / found[1]).clamp(-1.0, 1.0) } else { 0.0 }
}

fn slope(middle: &[f64]) -> Vec<f64> {
    let last = middle.len() - 1;
    (0..=last)
        .map(|i| {
            let (before, after) = (i.saturating_sub(1), (i + 1).min(last));
            (middle[after] - middle[before]) / (STEP * (after - before) as f64)
        })
        .collect()
}

/// A profile's samples from [`REACH`] on, `shift` pixels further inwards.
fn moved(profile: &[f64], shift: f64) -> Vec<f64> {
    let reach = (REACH / STEP) as usize;
    let last = profile.len() - 1;
    (reach..profile.len() - reach)
        .map(|i| {
            let at = (i as f64 + shift / STEP).clamp(0.0, last as f64);
            let (before, share) = (at as usize, at.fract());
            profile[before] * (1.0 - share) + profile[(before + 1).min(last)] * share
        })
        .collect()
}

fn median(profiles: &[Vec<f64>], shifts: &[f64]) -> Vec<f64> {
    let lines: Vec<Vec<f64>> = profiles.iter().zip(shifts).map(|(p, s)| moved(p, *s)).collect();
    (0..lines[0].len())
        .map(|i| {
            let mut values: Vec<f64> = lines.iter().map(|line| line[i]).collect();
            let at = values.len() / 2;
            *values.select_nth_unstable_by(at, f64::total_cmp).1
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A rim of four pixels in a black mask, blurred; `off` pixels from where it was looked for.
    fn profile(off: f64) -> Vec<f64> {
        let step = |x: f64| 1.0 / (1.0 + (-1.7 * x / 0.8).exp());
        (0..=44).map(|i| i as f64 * STEP - 10.0 + off).map(|x| 0.25 * step(x) + 0.3 * step(x - 4.0)).collect()
    }

    #[test]
    fn stations_that_took_one_flank_or_both_come_to_lie_on_one_another() {
        let offs: Vec<f64> = (0..60).map(|i| if i % 5 < 3 { 0.8 } else { -0.9 } + 0.01 * (i % 7) as f64).collect();
        let profiles: Vec<Vec<f64>> = offs.iter().map(|off| profile(*off)).collect();
        let aligned = Aligned::new(&profiles);
        let places: Vec<f64> = aligned.shifts.iter().zip(&offs).map(|(shift, off)| shift + off).collect();
        let mean = places.iter().sum::<f64>() / places.len() as f64;
        for place in &places {
            assert!((place - mean).abs() < 0.03, "{place} among {mean}");
        }
    }

    #[test]
    fn an_even_profile_is_moved_nowhere() {
        let aligned = Aligned::new(&vec![vec![0.5; 45]; 20]);
        assert!(aligned.shifts.iter().all(|s| s.abs() < 1e-9));
    }
}
