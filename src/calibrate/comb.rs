//! Where the steps of a tablet begin and end along their strip.
//!
//! In: light along the strip, and the jumps that were seen in it. Out: a [`Comb`] of boundaries, and which of them is the first step's. Fails where
//! the count is not the tablet's, where density falls from one step to the next, and where the tablet leaves the frame.
//!
//! A comb is fitted to all jumps (its pitch may change along the strip, as it does in a camera that is tilted), then followed outwards, jump
//! by jump, with the whole width of the strip averaged. A tablet ends where something clearer follows, at a jump that only the edge of a mask
//! makes, or where its steps can no longer be told apart.

use super::steps::{Light, READ, SURE, cut, not_rising};
use super::strip::Strip;
use crate::error::Fault;
use nalgebra::{DMatrix, DVector};

/// A jump smaller than this share of a usual one is none.
const LEAST_SHARE: f64 = 0.15;
/// How far a boundary may lie from where the comb puts it, in steps.
const SLACK: f64 = 0.3;
/// Change within a plateau, as a share of the jump beside it, from which on it is a slope: an even one shows 0.3.
const SLOPING: f64 = 0.2;
/// A jump so many times a usual one is the edge of a mask.
const MASK: f64 = 2.5;

/// Mean light along the strip's middle, pixel by pixel from `from` on; none outside the frame.
pub struct Course {
    from: f64,
    light: Vec<Option<f64>>,
}

impl Course {
    pub fn new(light: &Light, strip: &Strip) -> Course {
        let reach = (light.seen.rows() as f64).hypot(light.seen.columns() as f64).ceil();
        let across = (READ * strip.width).max(1.0) as usize;
        let light = (0..2 * reach as usize)
            .map(|k| {
                let at = |v: usize| light.at(strip.at(k as f64 - reach + 0.5, v as f64 + 0.5 - across as f64 / 2.0));
                let mut seen: Vec<f32> = (0..across).map(at).collect::<Option<_>>()?;
                // Without the tenth at either end: dust and scratches.
                seen.sort_unstable_by(f32::total_cmp);
                let cut = across / 10;
                let kept = &seen[cut..across - cut];
                Some(kept.iter().map(|v| *v as f64).sum::<f64>() / kept.len() as f64)
            })
            .collect();
        Course { from: -reach, light }
    }

    /// Density of the mean light between two places, and its standard error; none where less than half of it lies in the frame.
    fn mean(&self, from: f64, to: f64) -> Option<(f64, f64)> {
        let index = |u: f64| ((u - self.from).round().max(0.0) as usize).min(self.light.len());
        let (a, b) = (index(from), index(to).max(index(from) + 1));
        let seen: Vec<f64> = self.light.get(a..b)?.iter().copied().flatten().collect();
        if seen.len() * 2 < b - a {
            return None;
        }
        let n = seen.len() as f64;
        let mean = seen.iter().sum::<f64>() / n;
        let variance = seen.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / n;
        // Neighbours share their noise after lens and encoding: two pixels count as one.
        let error = (2.0 * variance / n).sqrt() / mean.max(1e-6) / std::f64::consts::LN_10;
        Some((-mean.max(1e-6).log10(), error))
    }

    /// The median overshoot of light at the boundaries between steps.
    pub fn overshoot(&self, boundaries: &[f64]) -> Option<f64> {
        let mut shares: Vec<f64> = boundaries.windows(3).filter_map(|b| self.overshoots(b[0], b[1], b[2])).collect();
        shares.sort_by(f64::total_cmp);
        shares.get(shares.len() / 2).copied()
    }

    /// How far light goes beyond both plateaus beside the boundary `at`; none where their noise is more than a sixtieth of the jump, so that
    /// three deviations of it are no overshoot.
    fn overshoots(&self, from: f64, at: f64, to: f64) -> Option<f64> {
        let w = (to - from) / 2.0;
        let plateau = |middle: f64| {
            let (density, error) = self.mean(middle - 0.25 * w, middle + 0.25 * w)?;
            let light = 10f64.powf(-density);
            Some((light, error * std::f64::consts::LN_10 * light * (0.25 * w).sqrt()))
        };
        let ((before, noise), (after, _)) = (plateau(at - 0.5 * w)?, plateau(at + 0.5 * w)?);
        let jump = before - after;
        let near = |u: f64| self.light.get((u - self.from) as usize).copied().flatten();
        let count = (SLACK * w) as usize;
        let most = (0..count).filter_map(|k| near(at - k as f64)).fold(before, f64::max);
        let least = (0..count).filter_map(|k| near(at + k as f64)).fold(after, f64::min);
        (jump > 60.0 * noise).then(|| (most - before).max(after - least) / jump)
    }

    /// Where density crosses a level between two places.
    fn crossing(&self, from: f64, to: f64, level: f64) -> Option<f64> {
        let density = |u: f64| self.mean(u - 1.0, u + 1.0).map(|m| m.0);
        let count = (to - from).max(2.0) as usize;
        let at = |k: usize| from + (to - from) * k as f64 / count as f64;
        let points: Vec<(f64, f64)> = (0..=count).filter_map(|k| Some((at(k), density(at(k))?))).collect();
        let pair = points.windows(2).find(|p| (p[0].1 - level) * (p[1].1 - level) <= 0.0 && p[0].1 != p[1].1)?;
        Some(pair[0].0 + (pair[1].0 - pair[0].0) * (level - pair[0].1) / (pair[1].1 - pair[0].1))
    }
}

/// Boundaries at even distances: boundary k at a + b k + c k².
pub struct Comb {
    terms: [f64; 3],
    /// The first and the last boundary with a jump.
    ends: [i64; 2],
    /// A usual jump.
    usual: f64,
}

impl Comb {
    pub fn fit(course: &Course, jumps: &[f64]) -> Result<Comb, Fault> {
        let mut widths: Vec<f64> = jumps.windows(2).map(|p| p[1] - p[0]).collect();
        widths.sort_by(f64::total_cmp);
        let pitch = *widths.get(widths.len() / 2).ok_or_else(cut)?;
        let mut at = vec![(0i64, jumps[0])];
        for pair in jumps.windows(2) {
            let k = at.last().map_or(0, |l| l.0) + ((pair[1] - pair[0]) / pitch).round().max(1.0) as i64;
            at.push((k, pair[1]));
        }
        let mut comb = Comb { terms: polynomial(&at), ends: [0, at[at.len() - 1].0], usual: 0.15 };
        for _ in 0..3 {
            let mut rises: Vec<f64> =
                (comb.ends[0]..=comb.ends[1]).filter_map(|k| Some(comb.jump(course, k)?.0)).collect();
            rises.sort_by(f64::total_cmp);
            comb.usual = rises.get(rises.len() / 2).copied().unwrap_or(comb.usual);
            while comb.rises(course, comb.ends[0] - 1) {
                comb.ends[0] -= 1;
            }
            while comb.rises(course, comb.ends[1] + 1) {
                comb.ends[1] += 1;
            }
            let refined: Vec<(i64, f64)> =
                (comb.ends[0]..=comb.ends[1]).filter_map(|k| Some((k, comb.refined(course, k)?))).collect();
            if refined.len() < 4 {
                break;
            }
            comb.terms = polynomial(&refined);
        }
        // What looked like a jump while the comb lay less well.
        while comb.ends[1] > comb.ends[0] && !comb.rises(course, comb.ends[1]) {
            comb.ends[1] -= 1;
        }
        while comb.ends[0] < comb.ends[1] && !comb.rises(course, comb.ends[0]) {
            comb.ends[0] += 1;
        }
        Ok(comb)
    }

    pub fn boundary(&self, k: i64) -> f64 {
        let [a, b, c] = self.terms;
        let k = k as f64;
        a + b * k + c * k * k
    }

    fn pitch(&self, k: i64) -> f64 {
        self.boundary(k + 1) - self.boundary(k)
    }

    /// Density of the step that begins at boundary k.
    fn plateau(&self, course: &Course, k: i64) -> Option<(f64, f64)> {
        let (from, w) = (self.boundary(k), self.pitch(k));
        course.mean(from + 0.25 * w, from + 0.75 * w)
    }

    /// Rise of density over boundary k, and its standard error.
    fn jump(&self, course: &Course, k: i64) -> Option<(f64, f64)> {
        let (before, after) = (self.plateau(course, k - 1)?, self.plateau(course, k)?);
        Some((after.0 - before.0, before.1.hypot(after.1)))
    }

    /// Where exactly the jump at boundary k lies.
    fn refined(&self, course: &Course, k: i64) -> Option<f64> {
        let (before, after) = (self.plateau(course, k - 1)?, self.plateau(course, k)?);
        let (at, w) = (self.boundary(k), self.pitch(k));
        course.crossing(at - SLACK * w, at + SLACK * w, (before.0 + after.0) / 2.0)
    }

    /// Whether density steps up at boundary k: a jump there, and even before and after it.
    fn rises(&self, course: &Course, k: i64) -> bool {
        self.steps(course, k, 1.0)
    }

    fn falls(&self, course: &Course, k: i64) -> bool {
        self.steps(course, k, -1.0)
    }

    fn steps(&self, course: &Course, k: i64, sign: f64) -> bool {
        let Some((rise, error)) = self.jump(course, k) else { return false };
        let rise = rise * sign;
        if rise < (LEAST_SHARE * self.usual).max(SURE * error) {
            return false;
        }
        // Within a plateau density changes by little of what it changes across the boundary.
        let (at, w) = (self.boundary(k), self.pitch(k));
        let within = |from: f64, to: f64| {
            let (a, b) = (course.mean(from, from + 0.2 * w), course.mean(to - 0.2 * w, to));
            a.zip(b).map_or(0.0, |(a, b)| (b.0 - a.0).abs() - 1.5 * a.1.hypot(b.1))
        };
        within(at + 0.25 * w, at + 0.75 * w) < SLOPING * rise && within(at - 0.75 * w, at - 0.25 * w) < SLOPING * rise
    }

    /// The boundary that the first of `count` steps begins at.
    pub fn first(&self, course: &Course, count: usize) -> Result<i64, Fault> {
        let [low, high] = self.ends;
        // The plateau before the first jump is a step where something denser bounds it; bare panel goes on.
        let bounded = self.falls(course, low - 1);
        let first = if bounded { low - 1 } else { low };
        let before = self.plateau(course, low - 1);
        if !bounded
            && course
                .mean(self.boundary(low) - 1.3 * self.pitch(low), self.boundary(low) - 1.1 * self.pitch(low))
                .is_none()
            && before.is_none_or(|b| b.0.abs() > 0.02)
        {
            return Err(cut());
        }
        let wrong = |seen: i64| {
            Fault::new(
                format!("{seen} steps are seen, and the tablet must have {count}"),
                "state the tablet that was copied (--steps or --densities), or point at it with --rect-px",
            )
        };
        let count_i = count as i64;
        // Where the tablet ends: something clearer follows, or a mask, much denser than a step more would be.
        let mask =
            |k: i64| self.jump(course, k).is_some_and(|j| j.0 > MASK * self.usual + 0.1) && self.rises(course, k);
        let end = (low + 1..=high).find(|k| mask(*k));
        let end = end.or_else(|| (high + 1..=first + 2 * count_i).find(|k| self.falls(course, *k)));
        let visible = high - first;
        match end {
            Some(end) if end - first == count_i => Ok(first),
            Some(end) if end - first < count_i && self.rises(course, end + 1) => {
                Err(not_rising((end - first + 1) as usize))
            }
            Some(end) => Err(wrong(end - first)),
            None if visible == count_i => Ok(first),
            None if visible > count_i => Err(wrong(visible)),
            None => {
                // The rest must lie in the frame, and be as dark as what comes before: too dark to be told apart.
                let missing = count_i - visible;
                let last = course
                    .mean(self.boundary(first + count_i) - 0.5 * self.pitch(high), self.boundary(first + count_i));
                if last.is_none() {
                    return Err(cut());
                }
                let (seen, next) = (self.plateau(course, high - 1), self.plateau(course, high));
                match seen.zip(next) {
                    Some((seen, next)) if next.0 - seen.0 <= 1.3 * self.usual * missing as f64 + 0.15 => Ok(first),
                    _ => Err(wrong(visible)),
                }
            }
        }
    }
}

/// The parabola (a line for few points) that fits best.
fn polynomial(at: &[(i64, f64)]) -> [f64; 3] {
    let terms = if at.len() < 6 { 2 } else { 3 };
    let a = DMatrix::from_fn(at.len(), terms, |row, power| (at[row].0 as f64).powi(power as i32));
    let b = DVector::from_iterator(at.len(), at.iter().map(|p| p.1));
    let solved = a.svd(true, true).solve(&b, 1e-12);
    let mut out = [0.0; 3];
    if let Ok(x) = solved {
        out.iter_mut().zip(x.iter()).for_each(|(o, v)| *o = *v);
    }
    out
}
