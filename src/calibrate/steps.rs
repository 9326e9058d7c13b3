//! The steps of a tablet, told apart and read.
//!
//! In: transmittance (or light), the [`Strip`] that the tablet lies on or its two ends, and how many steps it must have. Out: a
//! [`Step`] for each, from clear to dense: density of the mean light in its middle, its uncertainty, and whether it can be used. Steps at full
//! scale and steps that cannot be told from the one before are marked, not dropped.
//! Fails where the count is another, where a step is clearer than the one before, and where the tablet leaves the frame.
//!
//! Where steps begin and end is found by [`super::comb`].

use super::comb::{Comb, Course};
use super::strip::Strip;
use crate::error::Fault;
use crate::geometry::Point;
use crate::image::{Image, Size};
use crate::measure::patch;
use crate::units::Transmittance;

/// Share of a step's width, and of the strip's, that is read: the edges are blurred and flared.
pub(super) const READ: f64 = 0.6;
/// Standard errors that a jump, or the rise of a step, must exceed.
pub(super) const SURE: f64 = 4.0;
/// A rise below this share of what the tablet's own is, is veil and noise: to undo it would multiply every error by as much.
const FLAT: f64 = 0.25;
/// Share of full-scale samples from which on a step is clipped.
const CLIPPED: f64 = 0.01;
/// The least transmittance that is told apart from none.
const FLOOR: f32 = 1e-6;
/// Student's t of [`patch::measure`]'s interval.
const STUDENT: f64 = 2.131;

/// One step.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    pub density: f64,
    /// Half of the 95 % interval of `density`, from chance alone.
    pub uncertainty: f64,
    /// Standard deviation from pixel to pixel, in density.
    pub spread: f64,
    pub use_of: Use,
    /// Middle of the step in the frame, pixels.
    pub at: Point,
}

/// What a tablet shows.
#[derive(Debug, Clone, PartialEq)]
pub struct Read {
    pub steps: Vec<Step>,
    /// How far light overshoots beside the jumps, as a share of each, the median: what a sharpening camera leaves. None where noise hides it.
    pub overshoot: Option<f64>,
}

/// Whether a step says anything.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Use {
    Good,
    /// Its samples are at full scale.
    Saturated,
    /// It cannot be told from the step before.
    BelowNoise,
}

/// What is looked at: the light, and which places are at full scale.
pub struct Light<'a> {
    pub seen: &'a Image<Transmittance>,
    pub full: &'a (dyn Fn(usize, usize) -> bool + Sync),
}

impl Light<'_> {
    fn pixel(&self, p: Point) -> Option<(usize, usize)> {
        let inside = p.x >= 0.0 && p.y >= 0.0 && p.x < self.seen.columns() as f64 && p.y < self.seen.rows() as f64;
        inside.then_some((p.y as usize, p.x as usize))
    }

    pub(super) fn at(&self, p: Point) -> Option<f32> {
        self.pixel(p).map(|(row, column)| self.seen.at(row, column).0)
    }
}

/// Reads the steps of a tablet that was found. `rises`: density of each step over the one before, as the tablet is known.
pub fn read(light: &Light, strip: &Strip, rises: &[f64]) -> Result<Read, Fault> {
    let course = Course::new(light, strip);
    let comb = Comb::fit(&course, &strip.jumps)?;
    let first = comb.first(&course, rises.len() + 1)?;
    measured(light, strip, rises, |k| comb.boundary(first + k as i64))
}

/// Reads the steps between two ends: the middles of the tablet's outer edges, clear end first.
pub fn between(light: &Light, [from, to]: [Point; 2], rises: &[f64]) -> Result<Read, Fault> {
    let (length, count) = (from.distance(to), (rises.len() + 1) as f64);
    let width = length / count;
    let along = (to - from) * (1.0 / length.max(1.0));
    let strip = Strip { middle: from, along, width, jumps: Vec::new() };
    measured(light, &strip, rises, |k| k as f64 * width)
}

fn measured(light: &Light, strip: &Strip, rises: &[f64], boundary: impl Fn(usize) -> f64) -> Result<Read, Fault> {
    let mut steps = Vec::with_capacity(rises.len() + 1);
    for k in 0..=rises.len() {
        steps.push(step(light, strip, boundary(k), boundary(k + 1)).ok_or_else(cut)??);
    }
    judge(&mut steps, rises)?;
    let boundaries: Vec<f64> = (0..=steps.len()).map(boundary).collect();
    let overshoot = Course::new(light, strip).overshoot(&boundaries);
    Ok(Read { steps, overshoot })
}

/// One step between two boundaries; none where it leaves the frame.
fn step(light: &Light, strip: &Strip, from: f64, to: f64) -> Option<Result<Step, Fault>> {
    let middle = (from + to) / 2.0;
    let (half_along, half_across) = (READ / 2.0 * (to - from), READ / 2.0 * strip.width);
    let size = Size::new((2.0 * half_across) as usize, (2.0 * half_along) as usize);
    let mut patch = Vec::with_capacity(size.area());
    let mut full = 0;
    for row in 0..size.rows {
        for column in 0..size.columns {
            let p = strip.at(middle - half_along + column as f64 + 0.5, row as f64 + 0.5 - half_across);
            let (r, c) = light.pixel(p)?;
            patch.push(light.seen.at(r, c).0);
            full += usize::from((light.full)(r, c));
        }
    }
    let share = full as f64 / size.area().max(1) as f64;
    let read = patch::measure(&Image::from_vec(size, patch), FLOOR).map_err(|fault| {
        Fault::new(
            format!("the tablet's steps are too small: {}", fault.what()),
            "move nearer, so that the tablet fills the frame",
        )
    });
    Some(read.map(|found| Step {
        density: found.density,
        uncertainty: found.uncertainty,
        spread: found.noise_density,
        use_of: if share > CLIPPED { Use::Saturated } else { Use::Good },
        at: strip.at(middle, 0.0),
    }))
}

pub(super) fn cut() -> Fault {
    Fault::new(
        "the tablet is seen only in part: it leaves the frame",
        "take all of it into the frame, a step's width to spare at either end",
    )
}

/// Marks what cannot be used, and refuses what cannot be a tablet.
fn judge(steps: &mut [Step], rises: &[f64]) -> Result<(), Fault> {
    let clear = steps.iter().take_while(|s| s.use_of == Use::Saturated).count();
    if let Some(late) = steps.iter().skip(clear).position(|s| s.use_of == Use::Saturated) {
        return Err(Fault::new(
            format!("step {} is at full scale and the one before it is not", clear + late + 1),
            "make sure that the tablet's clear end comes first, and that nothing shines on it",
        ));
    }
    for k in clear + 1..steps.len() {
        let sure = |s: &Step| s.uncertainty / STUDENT;
        let error = sure(&steps[k]).hypot(sure(&steps[k - 1]));
        let rise = steps[k].density - steps[k - 1].density;
        if rise >= (SURE * error).max(FLAT * rises[k - 1]) {
            continue;
        }
        let again =
            steps[k + 1..].iter().any(|s| s.density > steps[k - 1].density + 0.5 * rises[k - 1] + SURE * sure(s));
        if rise < -(SURE * error).max(0.1 * rises[k - 1]) && again {
            return Err(not_rising(k + 1));
        }
        steps[k..].iter_mut().for_each(|s| s.use_of = Use::BelowNoise);
        break;
    }
    Ok(())
}

pub(super) fn not_rising(step: usize) -> Fault {
    Fault::new(
        format!(
            "step {step}, counted from the clear end, is clearer than the one before it: this is no tablet as stated"
        ),
        "look for glare, dirt or a label on it, or point at the tablet with --rect-px",
    )
}
