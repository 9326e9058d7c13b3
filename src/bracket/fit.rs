//! A map from B to A through ties of which many are wrong.
//!
//! In: [`Tie`]s, each with the standard deviation it is placed to. Out: a [`Fit`]: similarity, affine map or homography, the simplest
//! that the ties do not speak against, and which of them it rests on. None when fewer than six ties agree.
//!
//! Consensus of random pairs (Fischler & Bolles 1981) finds a similarity; Gauss–Newton with Tukey's biweight then fits all
//! eight numbers, narrowing what counts as right; Schwarz's criterion (1978) takes back what the ties do not support.

use crate::geometry::{Homography, Point};
use nalgebra::{DMatrix, DVector, Matrix3};
use rand::Rng;

/// A place of B found again in A.
#[derive(Debug, Clone, Copy)]
pub struct Tie {
    pub b: Point,
    pub a: Point,
    /// Standard deviation of the placing, in A's pixels.
    pub sd: f64,
}

pub struct Fit {
    pub b_to_a: Homography,
    /// Which ties lie within the fit's own spread.
    pub agrees: Vec<bool>,
}

/// Pairs drawn: with a fifth of the ties right, one good pair is missed once in 10⁷ runs.
const DRAWS: usize = 400;
/// Tukey's constant for 95 % efficiency on normal errors.
pub const TUKEY: f64 = 4.685;
const FEWEST: usize = 6;
/// Fours drawn: with two thirds of the ties right, no good four is drawn once in 10⁹ runs.
const FOURS: usize = 100;
/// What the spread of a firmer map may be of the wide one's.
const FIRMER: f64 = 0.5;
/// Least spread assumed, in pixels: beyond it, interpolation itself is no longer true.
pub const FINEST: f64 = 0.02;

/// `tolerance`: how far a right tie may lie from a similarity, in A's pixels (tilts of the camera included).
pub fn robust(ties: &[Tie], tolerance: f64, rng: &mut impl Rng) -> Option<Fit> {
    if ties.len() < FEWEST {
        return None;
    }
    let start = consensus(ties, tolerance, rng)?;
    let frame = Frame::of(ties);
    let wide = settle(ties, &frame, start, Kind::Projective, tolerance)?;
    let full = firmer(ties, &frame, &wide, rng).unwrap_or(wide);
    let spread = full.1;
    let weigh = |h: &Homography| -> f64 {
        // Tukey's loss, so that wrong ties count the same for every model.
        let cut = TUKEY * spread;
        ties.iter()
            .map(|t| (cut * cut / 6.0) * (1.0 - (1.0 - (off(h, t) / cut).powi(2).min(1.0)).powi(3)) * 2.0)
            .sum::<f64>()
            / (spread * spread)
    };
    let agreeing = ties.iter().filter(|t| off(&full.0, t) < TUKEY * spread).count();
    let cost = |h: &Homography, numbers: f64| weigh(h) + numbers * (2.0 * agreeing as f64).ln();
    let mut best = (cost(&full.0, 8.0), full.0);
    for kind in [Kind::Affine, Kind::Similarity] {
        if let Some((h, _)) = settle(ties, &frame, full.0, kind, TUKEY * spread) {
            let c = cost(&h, kind.numbers() as f64);
            if c < best.0 {
                best = (c, h);
            }
        }
    }
    let b_to_a = best.1;
    let agrees: Vec<bool> = ties.iter().map(|t| off(&b_to_a, t) < TUKEY * spread).collect();
    let count = agrees.iter().filter(|a| **a).count();
    if count < FEWEST {
        return None;
    }
    Some(Fit { b_to_a, agrees })
}

/// The homography through ties that are right, from one that is near; none where they hold none.
pub fn through(ties: &[Tie], near: Homography) -> Option<Homography> {
    let far = ties.iter().map(|t| off(&near, t)).fold(0.0, f64::max);
    settle(ties, &Frame::of(ties), near, Kind::Projective, 2.0 * far).map(|(h, _)| h)
}

/// Distance of a tie from the map, in A's pixels.
pub fn off(h: &Homography, tie: &Tie) -> f64 {
    h.apply(tie.b).distance(tie.a)
}

/// A map about which half of the ties that `wide` holds lie far closer: where clouds or the tide drifted together by a little, `wide` is
/// a compromise between what moved and what did not. None where it is not.
///
/// The least median of squares (P. J. Rousseeuw, J. Am. Stat. Assoc. 1984) of maps through four ties drawn by chance.
fn firmer(ties: &[Tie], frame: &Frame, wide: &(Homography, f64), rng: &mut impl Rng) -> Option<(Homography, f64)> {
    let held: Vec<&Tie> = ties.iter().filter(|t| off(&wide.0, t) < TUKEY * wide.1).collect();
    let mut best: Option<(f64, Homography)> = None;
    for _ in 0..FOURS {
        let four: [&Tie; 4] = std::array::from_fn(|_| held[rng.random_range(0..held.len())]);
        let Ok(map) = Homography::fit(&four.map(|t| (t.b, t.a))) else { continue };
        let mut distances: Vec<f64> = held.iter().map(|t| off(&map, t)).collect();
        let middle = distances.len() / 2;
        let median = *distances.select_nth_unstable_by(middle, f64::total_cmp).1;
        if best.is_none_or(|(least, _)| median < least) {
            best = Some((median, map));
        }
    }
    let (median, map) = best?;
    let found = settle(ties, frame, map, Kind::Projective, TUKEY * median / 1.177)?;
    let holds = held.iter().filter(|t| off(&found.0, t) < TUKEY * found.1).count();
    (found.1 < FIRMER * wide.1 && 2 * holds > held.len()).then_some(found)
}

fn consensus(ties: &[Tie], tolerance: f64, rng: &mut impl Rng) -> Option<Homography> {
    let mut best: Option<(usize, Homography)> = None;
    let extent = Frame::of(ties).radius_b;
    for draw in 0..DRAWS {
        let (i, j) = (rng.random_range(0..ties.len()), rng.random_range(0..ties.len()));
        // Alternate handedness: a plate copied from the wrong side must be found, too.
        let Some(h) = similarity(&ties[i], &ties[j], draw % 2 == 1, extent * 0.2) else { continue };
        let found = ties.iter().filter(|t| off(&h, t) < tolerance).count();
        if best.as_ref().is_none_or(|(most, _)| found > *most) {
            best = Some((found, h));
        }
    }
    best.filter(|(found, _)| *found >= FEWEST).map(|(_, h)| h)
}

/// The similarity, mirrored or not, through two ties that lie at least `apart` from each other.
fn similarity(s: &Tie, t: &Tie, mirrored: bool, apart: f64) -> Option<Homography> {
    let sign = if mirrored { -1.0 } else { 1.0 };
    let flip = |p: Point| Point::new(sign * p.x, p.y);
    let (u, v) = (flip(t.b) - flip(s.b), t.a - s.a);
    let (length_b, length_a) = (u.x.hypot(u.y), v.x.hypot(v.y));
    if length_b < apart || length_a < 1e-6 {
        return None;
    }
    let turn = v.y.atan2(v.x) - u.y.atan2(u.x);
    let still = Homography::similarity(length_a / length_b, turn, Point::default());
    let shift = s.a - still.apply(flip(s.b));
    let mirror = Homography(Matrix3::new(sign, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0));
    Some(Homography::similarity(length_a / length_b, turn, shift).after(&mirror))
}

#[derive(Clone, Copy, PartialEq)]
enum Kind {
    Similarity,
    Affine,
    Projective,
}

impl Kind {
    fn numbers(self) -> usize {
        match self {
            Kind::Similarity => 4,
            Kind::Affine => 6,
            Kind::Projective => 8,
        }
    }
}

/// Centres and radii of both point sets, so that all numbers of a map are of one size.
struct Frame {
    centre_a: Point,
    centre_b: Point,
    radius_a: f64,
    radius_b: f64,
}

impl Frame {
    fn of(ties: &[Tie]) -> Frame {
        let n = ties.len() as f64;
        let centre = |pick: fn(&Tie) -> Point| ties.iter().fold(Point::default(), |s, t| s + pick(t)) * (1.0 / n);
        let (centre_a, centre_b) = (centre(|t| t.a), centre(|t| t.b));
        let reach = |pick: fn(&Tie) -> Point, c: Point| {
            (ties.iter().map(|t| pick(t).distance(c).powi(2)).sum::<f64>() / n).sqrt().max(1e-6)
        };
        Frame { centre_a, centre_b, radius_a: reach(|t| t.a, centre_a), radius_b: reach(|t| t.b, centre_b) }
    }

    fn norm_a(&self) -> Homography {
        Homography::similarity(1.0 / self.radius_a, 0.0, self.centre_a * (-1.0 / self.radius_a))
    }

    fn norm_b(&self) -> Homography {
        Homography::similarity(1.0 / self.radius_b, 0.0, self.centre_b * (-1.0 / self.radius_b))
    }
}

/// Iteratively reweighted Gauss–Newton from `start`; gives the map and the robust spread of the ties about it, one axis, in pixels.
fn settle(ties: &[Tie], frame: &Frame, start: Homography, kind: Kind, first_cut: f64) -> Option<(Homography, f64)> {
    let (norm_a, norm_b) = (frame.norm_a(), frame.norm_b());
    let mut h = norm_a.after(&start).after(&norm_b.inverse());
    if kind != Kind::Projective {
        h.0[(2, 0)] = 0.0;
        h.0[(2, 1)] = 0.0;
    }
    let mirrored = h.0[(0, 0)] * h.0[(1, 1)] - h.0[(0, 1)] * h.0[(1, 0)] < 0.0;
    if kind == Kind::Similarity {
        let sign = if mirrored { -1.0 } else { 1.0 };
        let m = &mut h.0;
        let (a, b) = ((m[(0, 0)] + sign * m[(1, 1)]) / 2.0, (m[(1, 0)] - sign * m[(0, 1)]) / 2.0);
        (m[(0, 0)], m[(1, 0)]) = (a, b);
        (m[(0, 1)], m[(1, 1)]) = if mirrored { (b, -a) } else { (-b, a) };
    }
    let mut cut = first_cut.max(TUKEY * FINEST);
    let mut spread = cut / TUKEY;
    for round in 0..30 {
        let n = kind.numbers();
        let mut normal = DMatrix::<f64>::zeros(n, n);
        let mut right = DVector::<f64>::zeros(n);
        let mut distances = Vec::with_capacity(ties.len());
        for tie in ties {
            let (p, q) = (norm_b.apply(tie.b), norm_a.apply(tie.a));
            let m = &h.0;
            let w = m[(2, 0)] * p.x + m[(2, 1)] * p.y + 1.0;
            let x = (m[(0, 0)] * p.x + m[(0, 1)] * p.y + m[(0, 2)]) / w;
            let y = (m[(1, 0)] * p.x + m[(1, 1)] * p.y + m[(1, 2)]) / w;
            let (rx, ry) = (q.x - x, q.y - y);
            let distance = rx.hypot(ry) * frame.radius_a;
            distances.push(distance);
            if distance >= cut {
                continue;
            }
            let weight = (1.0 - (distance / cut).powi(2)).powi(2) / (tie.sd * tie.sd + spread * spread);
            let (u, v) = (p.x / w, p.y / w);
            let (jx, jy): ([f64; 8], [f64; 8]) = match kind {
                // a, b, tx, ty; a mirrored map keeps its handedness.
                Kind::Similarity if mirrored => {
                    ([p.x, p.y, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0], [-p.y, p.x, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0])
                }
                Kind::Similarity => {
                    ([p.x, -p.y, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0], [p.y, p.x, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0])
                }
                _ => ([u, v, 1.0 / w, 0.0, 0.0, 0.0, -u * x, -v * x], [0.0, 0.0, 0.0, u, v, 1.0 / w, -u * y, -v * y]),
            };
            for (j, r) in [(jx, rx), (jy, ry)] {
                for i in 0..n {
                    right[i] += weight * j[i] * r;
                    for k in 0..n {
                        normal[(i, k)] += weight * j[i] * j[k];
                    }
                }
            }
        }
        // A whisper of damping keeps what the ties leave open where it is.
        let trace = normal.trace() / n as f64;
        for i in 0..n {
            normal[(i, i)] += 1e-9 * trace + 1e-300;
        }
        let step = normal.cholesky()?.solve(&right);
        let m = &mut h.0;
        match kind {
            Kind::Similarity => {
                let (a, b) = (m[(0, 0)] + step[0], m[(1, 0)] + step[1]);
                (m[(0, 0)], m[(1, 0)]) = (a, b);
                (m[(0, 1)], m[(1, 1)]) = if mirrored { (b, -a) } else { (-b, a) };
                m[(0, 2)] += step[2];
                m[(1, 2)] += step[3];
            }
            _ => {
                for (i, place) in
                    [(0, 0), (0, 1), (0, 2), (1, 0), (1, 1), (1, 2), (2, 0), (2, 1)].iter().take(n).enumerate()
                {
                    m[*place] += step[i];
                }
            }
        }
        if !h.0.iter().all(|v| v.is_finite()) {
            return None;
        }
        // The median distance of a 2-D normal error is 1.177 of its standard deviation along one axis.
        let mut near: Vec<f64> = distances.into_iter().filter(|d| *d < cut).collect();
        if near.len() < FEWEST {
            return None;
        }
        let middle = near.len() / 2;
        spread = (*near.select_nth_unstable_by(middle, f64::total_cmp).1 / 1.177).max(FINEST);
        let next = TUKEY * spread;
        let moved = step.amax() * frame.radius_a;
        // Narrow slowly at first: the start may be off by more than the final spread.
        let narrowed = if round < 4 { next.max(cut * 0.6) } else { next };
        let settled = moved < 1e-4 && (narrowed - cut).abs() < 1e-3 * cut;
        cut = narrowed.min(first_cut.max(TUKEY * FINEST));
        if settled {
            break;
        }
    }
    h.0 /= h.0[(2, 2)];
    let map = norm_a.inverse().after(&h).after(&norm_b);
    map.0.iter().all(|v| v.is_finite()).then_some((map, spread))
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_distr::{Distribution, Normal};
    use rand_pcg::Pcg64;

    fn ties(truth: &Homography, wrong: f64, noise: f64, rng: &mut Pcg64) -> Vec<Tie> {
        let error = Normal::new(0.0, noise).unwrap();
        (0..300)
            .map(|_| {
                let b = Point::new(rng.random_range(0.0..1200.0), rng.random_range(0.0..900.0));
                let a = if rng.random::<f64>() < wrong {
                    Point::new(rng.random_range(0.0..1200.0), rng.random_range(0.0..900.0))
                } else {
                    truth.apply(b) + Point::new(error.sample(rng), error.sample(rng))
                };
                Tie { b, a, sd: noise }
            })
            .collect()
    }

    /// Known truth: half of the ties wrong, the rest off by 0.2 px. The corners of eight parameters from 150 ties of 0.2 px are
    /// uncertain by about 4 × 0.2 / √150 = 0.07 px.
    #[test]
    fn half_of_the_ties_may_be_wrong() {
        let tilt = Homography(Matrix3::new(1.02, 0.03, 40.0, -0.02, 0.99, -25.0, 2e-5, -1.5e-5, 1.0));
        let mirror = Homography(Matrix3::new(-1.0, 0.01, 1200.0, 0.01, 1.0, 3.0, 0.0, 0.0, 1.0));
        for truth in [tilt, mirror] {
            let mut rng = Pcg64::seed_from_u64(4);
            let fit = robust(&ties(&truth, 0.5, 0.2, &mut rng), 12.0, &mut rng).unwrap();
            for corner in [(0.0, 0.0), (1200.0, 0.0), (1200.0, 900.0), (0.0, 900.0)] {
                let p = Point::new(corner.0, corner.1);
                let error = fit.b_to_a.apply(p).distance(truth.apply(p));
                assert!(error < 0.25, "corner {corner:?} off by {error:.3} px");
            }
            let agreeing = fit.agrees.iter().filter(|a| **a).count();
            assert!((130..180).contains(&agreeing), "{agreeing} of 150 right ties agree");
        }
    }

    /// A third of the scene, and all of one side, drifted by 3 px: twenty times the noise.
    #[test]
    fn what_drifted_together_pulls_nothing() {
        let mut rng = Pcg64::seed_from_u64(9);
        let mut drifted = ties(&Homography::identity(), 0.1, 0.15, &mut rng);
        drifted.iter_mut().filter(|t| t.b.y < 300.0).for_each(|t| t.a = t.a + Point::new(3.0, -1.0));
        let fit = robust(&drifted, 12.0, &mut rng).unwrap();
        for corner in [(0.0, 300.0), (1200.0, 300.0), (1200.0, 900.0), (0.0, 900.0)] {
            let p = Point::new(corner.0, corner.1);
            let error = fit.b_to_a.apply(p).distance(p);
            assert!(error < 0.25, "corner {corner:?} off by {error:.3} px");
        }
    }

    #[test]
    fn a_plain_shift_gets_no_perspective() {
        let truth = Homography::similarity(1.0, 0.0, Point::new(12.3, -4.5));
        let mut rng = Pcg64::seed_from_u64(5);
        let fit = robust(&ties(&truth, 0.3, 0.3, &mut rng), 5.0, &mut rng).unwrap();
        let m = fit.b_to_a.0;
        assert!(m[(2, 0)] == 0.0 && m[(2, 1)] == 0.0 && (m[(0, 0)] - m[(1, 1)]).abs() < 1e-12, "{m}");
    }

    #[test]
    fn ties_that_agree_on_nothing_give_nothing() {
        let mut rng = Pcg64::seed_from_u64(6);
        let none = ties(&Homography::identity(), 1.0, 0.2, &mut rng);
        let agreeing = robust(&none, 3.0, &mut rng).map_or(0, |f| f.agrees.iter().filter(|a| **a).count());
        assert!(agreeing < 20, "{agreeing} of 300 random ties agree");
        assert!(robust(&none[..4], 3.0, &mut rng).is_none());
    }
}
