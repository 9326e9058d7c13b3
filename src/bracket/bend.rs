//! How straight lines of one plate lie bent on the other: another lens, or the same one refocused or pointed elsewhere.
//!
//! In: ties, and a homography that is right to some pixels. Out: a [`Bent`]: the homography that serves best, a cubic in A's coordinates
//! of what it leaves, and which ties they rest on; none where the cubic does not foretell ties that it has not seen. Never fails.
//!
//! A lens's distortion is a cubic to first order (D. C. Brown, Photogrammetric Engineering 1966), and stays one when its centre
//! moves. It spans the whole picture, so that clouds which drifted together cannot pass for it: they are left out by Tukey's biweight.

use super::field::worth;
use super::fit::{self, FINEST, Fit, TUKEY, Tie};
use crate::geometry::{Homography, Point};
use nalgebra::{SMatrix, SVector};
use serde::Serialize;

const TERMS: usize = 10;
/// Ties that its twenty numbers must rest on.
const FEWEST: usize = 60;
const ROUNDS: usize = 20;

/// A shift for each place of A, in its pixels: what the homography must be given beside the place. With (x, y) the place from `centre`
/// in units of `radius`, the numbers are those of 1, x, y, x², xy, y², x³, x²y, xy², y³.
#[derive(Debug, Clone, Copy, Serialize)]
pub struct Bend {
    #[serde(rename = "centre_px")]
    centre: Point,
    #[serde(rename = "radius_px")]
    radius: f64,
    #[serde(rename = "x_px")]
    x: [f64; TERMS],
    #[serde(rename = "y_px")]
    y: [f64; TERMS],
}

impl Bend {
    /// The same in other pixels, `by` of which make one of these.
    pub fn scaled(self, by: f64) -> Bend {
        Bend {
            centre: self.centre * by,
            radius: self.radius * by,
            x: self.x.map(|v| v * by),
            y: self.y.map(|v| v * by),
        }
    }

    pub fn at(&self, p: Point) -> Point {
        let terms = self.terms(p);
        let along = |numbers: &[f64; TERMS]| terms.iter().zip(numbers).map(|(t, n)| t * n).sum();
        Point::new(along(&self.x), along(&self.y))
    }

    fn terms(&self, p: Point) -> [f64; TERMS] {
        let q = (p - self.centre) * (1.0 / self.radius);
        let (x, y) = (q.x, q.y);
        [1.0, x, y, x * x, x * y, y * y, x * x * x, x * x * y, x * y * y, y * y * y]
    }
}

pub struct Bent {
    pub b_to_a: Homography,
    pub bend: Bend,
    pub agrees: Vec<bool>,
}

/// `straight`: the fit without a bend, from whose ties this one grows outwards.
pub fn fit(ties: &[Tie], straight: &Fit) -> Option<Bent> {
    let start = &straight.b_to_a;
    let (bend, spread) = through(ties, start, &straight.agrees)?;
    let agrees: Vec<bool> = ties.iter().map(|t| off(start, &bend, t) < TUKEY * spread).collect();
    let right: Vec<Tie> = ties.iter().zip(&agrees).filter(|(_, agrees)| **agrees).map(|(t, _)| *t).collect();
    // The homography takes all it can, so that it is what the two framings have between them.
    let b_to_a = fit::through(&right, *start)?;
    let seen: Vec<(Point, Point)> = right.iter().map(|t| (t.a, b_to_a.apply(t.b) - t.a)).collect();
    let unseen = |known: &[usize]| {
        let known: Vec<Tie> = known.iter().map(|i| right[*i]).collect();
        let bend = through(&known, &b_to_a, &vec![true; known.len()]).map(|(bend, _)| bend);
        move |p: Point| bend.map_or(Point::default(), |bend| bend.at(p))
    };
    if !worth(&seen, unseen) {
        return None;
    }
    let (bend, _) = through(&right, &b_to_a, &vec![true; right.len()])?;
    Some(Bent { b_to_a, bend, agrees })
}

/// Distance of a tie from where homography and bend put it, in A's pixels.
fn off(b_to_a: &Homography, bend: &Bend, tie: &Tie) -> f64 {
    (b_to_a.apply(tie.b) - tie.a).distance(bend.at(tie.a))
}

/// Iteratively reweighted least squares, at first of the ties that `agrees` names alone; gives the spread of the right ties, too, along
/// one axis, in pixels.
fn through(ties: &[Tie], b_to_a: &Homography, agrees: &[bool]) -> Option<(Bend, f64)> {
    let count = ties.len() as f64;
    let centre = ties.iter().fold(Point::default(), |sum, t| sum + t.a) * (1.0 / count);
    let radius = (ties.iter().map(|t| t.a.distance(centre).powi(2)).sum::<f64>() / count).sqrt().max(1e-6);
    let mut bend = Bend { centre, radius, x: [0.0; TERMS], y: [0.0; TERMS] };
    let mut weights: Vec<f64> = agrees.iter().map(|agrees| f64::from(u8::from(*agrees))).collect();
    let mut spread = 0.0;
    for _ in 0..ROUNDS {
        if weights.iter().filter(|w| **w > 0.0).count() < FEWEST {
            return None;
        }
        let mut normal = SMatrix::<f64, TERMS, TERMS>::zeros();
        let (mut right_x, mut right_y) = (SVector::<f64, TERMS>::zeros(), SVector::<f64, TERMS>::zeros());
        for (tie, weight) in ties.iter().zip(&weights).filter(|(_, w)| **w > 0.0) {
            let weight = weight / (tie.sd * tie.sd + spread * spread);
            let (shift, terms) = (b_to_a.apply(tie.b) - tie.a, SVector::from(bend.terms(tie.a)));
            normal += weight * terms * terms.transpose();
            right_x += weight * shift.x * terms;
            right_y += weight * shift.y * terms;
        }
        // A whisper of damping keeps what the ties leave open straight.
        let whisper = 1e-6 * normal.trace() / TERMS as f64 + 1e-300;
        let solver = (normal + SMatrix::identity() * whisper).cholesky()?;
        (bend.x, bend.y) = (solver.solve(&right_x).into(), solver.solve(&right_y).into());
        let distances: Vec<f64> = ties.iter().map(|t| off(b_to_a, &bend, t)).collect();
        let mut near: Vec<f64> = distances.iter().zip(&weights).filter(|(_, w)| **w > 0.0).map(|(d, _)| *d).collect();
        let middle = near.len() / 2;
        // The median distance of a 2-D normal error is 1.177 of its standard deviation along one axis.
        spread = (*near.select_nth_unstable_by(middle, f64::total_cmp).1 / 1.177).max(FINEST);
        weights = distances.iter().map(|d| (1.0 - (d / (TUKEY * spread)).powi(2)).max(0.0).powi(2)).collect();
    }
    Some((bend, spread))
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{Rng, SeedableRng};
    use rand_distr::{Distribution, Normal};
    use rand_pcg::Pcg64;

    /// Ties of two pictures by a lens that bends by `bend` pixels at the corners, pointed elsewhere; a part of them drifted together.
    fn ties(bend: f64, drifted: f64) -> Vec<Tie> {
        let mut rng = Pcg64::seed_from_u64(11);
        let noise = Normal::new(0.0, 0.15).unwrap();
        (0..500)
            .map(|_| {
                let b = Point::new(rng.random_range(0.0..1200.0), rng.random_range(0.0..900.0));
                let out = b - Point::new(560.0, 470.0);
                let r = out.distance(Point::default()) / 750.0;
                let mut a =
                    b + out * (bend * r * r / 750.0) + Point::new(noise.sample(&mut rng), noise.sample(&mut rng));
                if b.y < 900.0 * drifted {
                    a = a + Point::new(3.0, -1.0);
                }
                Tie { b, a, sd: 0.1 }
            })
            .collect()
    }

    fn found(ties: &[Tie]) -> Option<Bent> {
        fit(ties, &fit::robust(ties, 12.0, &mut Pcg64::seed_from_u64(12)).unwrap())
    }

    /// Known truth: a cubic in B, whose inverse is a cubic to within 3 bend²/750 px; fifty ties' noise beside that.
    #[test]
    fn a_lens_is_found_under_drifting_clouds() {
        for bend in [-6.0, 2.0, 8.0] {
            let ties = ties(bend, 0.3);
            let bent = found(&ties).expect("the lens stands above the noise");
            let still = ties.iter().filter(|t| t.b.y >= 270.0);
            let worst = still.map(|t| off(&bent.b_to_a, &bent.bend, t)).fold(0.0, f64::max);
            assert!(worst < 0.75, "a bend of {bend} px: off by up to {worst:.2} px");
            let taken = ties.iter().zip(&bent.agrees).filter(|(t, agrees)| t.b.y < 270.0 && **agrees).count();
            // Next to what stood still, three noises deep, a cubic can follow what drifted.
            assert!(taken < 50, "{taken} of 150 drifted ties pass");
        }
    }

    #[test]
    fn mere_noise_bends_nothing() {
        assert!(found(&ties(0.0, 0.3)).is_none());
    }
}
