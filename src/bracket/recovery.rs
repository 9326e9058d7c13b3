//! The characteristic curve of a bracket: from which of its plates, and what follows for the speed in this light.
//!
//! In: the plates, the local means of their densities, the pairs that tell how they go together, and their common area. Out: a
//! [`Recovery`], or the reason why there is none.
//!
//! The plates are the largest group that the notes give one development and different exposures; where the notes of no two plates
//! say that they were developed alike, those that may have been, and that this is only supposed is said. What the group's plates show of the
//! scene's exposures comes from the whole common area by ranks, since the pairs leave out most of what lies near the base.

use super::area::Area;
use super::cells::{Cells, Pair};
use super::compare::BracketPlate;
use super::curve::{self, LEAST_STEP, Place, Recovered};
use super::development::{self, Sameness};
use super::joint::Joint;
use super::plates::BLANK;
use crate::error::Warning;
use crate::units::DENSITY_PER_STOP;
use serde::Serialize;
use std::collections::BTreeSet;

/// Bootstrap draws of the curve: its standard error is then known to a sixth.
const DRAWS: usize = 20;
/// Equal shares of the scene over which its mean exposure is summed.
const SHARES: usize = 400;

/// A meter of the common calibration (ISO 2720: K = 12.5 cd/m², lens transmission factor q = 0.65) puts the mean of what it reads at
/// q·K/EI = 8.1/EI lx·s; the speed point of a plate of that speed lies at 0.8/EI lx·s (ISO 6).
const MEAN_OVER_SPEED_POINT: f64 = 0.65 * 12.5 / 0.8;

/// Plates with one development whose exposures are known against one another.
#[derive(Debug, Clone, PartialEq)]
pub struct Group {
    /// Their places in the bracket, rising.
    pub plates: Vec<usize>,
    /// log10 of the exposure of each over that of the first.
    pub steps: Vec<f64>,
    /// Whether the notes say that they were developed alike, or only do not speak against it.
    pub sure: bool,
}

impl Group {
    /// Plates after `first` that go with it and with one another, in their order.
    fn from(plates: &[BracketPlate], first: usize, sure: bool) -> Group {
        let goes = |i: usize, j: usize| match development::same(plates[i].development, plates[j].development) {
            Sameness::Yes => true,
            Sameness::Unknown => !sure,
            Sameness::No => false,
        };
        let mut group = Group { plates: vec![first], steps: vec![0.0], sure };
        for next in first + 1..plates.len() {
            let step = development::stops(plates[first].exposure, plates[next].exposure);
            if let Some(step) = step.filter(|_| group.plates.iter().all(|i| goes(*i, next))) {
                group.plates.push(next);
                group.steps.push(step.stops * DENSITY_PER_STOP);
            }
        }
        group
    }

    /// The largest of those that can give a curve; a sure one before a supposed one, and the first of equals.
    fn of(plates: &[BracketPlate]) -> Result<Group, String> {
        let all = (0..plates.len()).flat_map(|first| [true, false].map(|sure| Group::from(plates, first, sure)));
        let worth = |g: &Group| (g.widest() >= LEAST_STEP, g.sure, g.plates.len());
        let best = all.filter(|g| g.plates.len() > 1).reduce(|best, g| if worth(&g) > worth(&best) { g } else { best });
        best.ok_or_else(|| {
            let mut pairs = (0..plates.len()).flat_map(|i| (0..i).map(move |j| (i, j)));
            let differ = |(i, j): (usize, usize)| {
                development::same(plates[i].development, plates[j].development) == Sameness::No
            };
            if pairs.all(differ) {
                "the plates were developed differently: their contrast can be compared, but exposure and development cannot be told apart".into()
            } else {
                "the notes do not give the exposures of both plates: write shutter and aperture of each".into()
            }
        })
    }

    /// log10 of the greatest exposure over the least.
    fn widest(&self) -> f64 {
        let span = |f: fn(f64, f64) -> f64| self.steps.iter().copied().fold(0.0, f);
        span(f64::max) - span(f64::min)
    }

    /// log10 of a plate's exposure over the first's, for a plate of the group.
    pub fn step(&self, plate: usize) -> Option<f64> {
        self.plates.iter().position(|p| *p == plate).map(|at| self.steps[at])
    }
}

/// log10 H on the group's first plate of a place in the scene, zero as the curve's.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum LogH {
    At(f64),
    /// So dark that no plate of the group tells more than that it lies below this.
    Below(f64),
    /// So bright that it lies above.
    Above(f64),
}

impl LogH {
    fn bound(self) -> f64 {
        match self {
            LogH::At(h) | LogH::Below(h) | LogH::Above(h) => h,
        }
    }
}

/// A curve, the plates that gave it, and the scene on it.
pub struct Recovery {
    pub curve: Recovered,
    pub group: Group,
    gradient_error: f64,
    /// Of [`SHARES`] equal shares of the scene, darkest first.
    scene: Vec<LogH>,
}

pub fn recover(plates: &[BracketPlate], cells: &Cells, joints: &[Joint], area: &Area) -> Result<Recovery, String> {
    let group = Group::of(plates)?;
    let curve = curve::recover(&places(&group, cells, joints, None), &group.steps)?;
    let gradient = curve.mean_gradient().0;
    let drawn: Vec<f64> = (0..DRAWS)
        .filter_map(|draw| curve::recover(&places(&group, cells, joints, Some(draw)), &group.steps).ok())
        .map(|c| c.mean_gradient().0)
        .collect();
    let gradient_error = (drawn.iter().map(|g| (g - gradient).powi(2)).sum::<f64>() / drawn.len().max(1) as f64).sqrt();
    let scene = (0..SHARES).map(|i| log_h(&curve, &group, area, (i as f64 + 0.5) / SHARES as f64)).collect();
    Ok(Recovery { curve, group, gradient_error, scene })
}

/// The curve for a plate, or why it is none of that plate's.
pub fn of_plate(found: Option<&Recovery>, plate: usize) -> Result<&Recovered, &'static str> {
    let found = found.ok_or("the bracket gives no curve")?;
    let own = found.group.step(plate).is_some();
    own.then_some(&found.curve).ok_or("the curve is that of plates developed otherwise, or its exposure is not known")
}

/// The same places on all plates of the group: those that tell on each of them against A. `draw`: of a bootstrap.
fn places(group: &Group, cells: &Cells, joints: &[Joint], draw: Option<usize>) -> Vec<Place> {
    let mut others = group.plates.iter().filter(|i| **i > 0).map(|i| &joints[i - 1]);
    let first = others.next().expect("a group has two plates");
    let pairs: Vec<Pair> = draw.map_or_else(|| first.told().copied().collect(), |d| first.drawn(d));
    let held: Vec<BTreeSet<(usize, usize)>> = others.map(|j| j.told().map(|p| (p.row, p.column)).collect()).collect();
    let told = |p: &&Pair| held.iter().all(|set| set.contains(&(p.row, p.column)));
    let mean = |plate: usize, p: &Pair| f64::from(cells.plates[plate].at(p.row, p.column).mean);
    pairs
        .iter()
        .filter(told)
        .map(|p| Place { densities: group.plates.iter().map(|i| mean(*i, p)).collect(), weight: p.weight })
        .collect()
}

/// Exposure of the place under which a share of the scene lies, from the plate that has it where the curve is steepest.
fn log_h(curve: &Recovered, group: &Group, area: &Area, share: f64) -> LogH {
    let (from, to) = curve.range();
    let (Some(low), Some(high)) = (curve.density(from), curve.density(to)) else { return LogH::Above(to) };
    // Nearer the base, an error of the base reading is as large as the density.
    let low = low.max(BLANK);
    let seen = group.plates.iter().zip(&group.steps).map(|(plate, step)| (area.quantile(*plate, share), step));
    let found = seen.clone().filter(|(d, _)| (low..=high).contains(d)).filter_map(|(d, step)| {
        let h = curve.log_h(d)?;
        Some((h - step, curve.slope(h)))
    });
    if let Some((h, _)) = found.reduce(|best, next| if next.1 > best.1 { next } else { best }) {
        return LogH::At(h);
    }
    let most = group.steps.iter().copied().fold(0.0, f64::max);
    let least = group.steps.iter().copied().fold(0.0, f64::min);
    if seen.clone().all(|(d, _)| d < low) {
        LogH::Below(curve.log_h(low).unwrap_or(from) - most)
    } else {
        LogH::Above(to - least)
    }
}

#[derive(Debug, Clone, Serialize)]
pub struct CurveFigures {
    /// The plates that gave the curve; zero of log10 H and the speed are the first's.
    pub plates: Vec<String>,
    /// Whether the notes say that they were developed alike; else that is only supposed.
    pub developed_alike: bool,
    /// log10 H relative over which the plates have recorded something.
    pub range: [f64; 2],
    /// Whether zero of log10 H is the speed point (0.10 above base plus fog), else the lowest point seen.
    pub zero_is_speed_point: bool,
    pub mean_gradient: f64,
    /// log10 H over which the mean gradient is taken.
    pub gradient_over: [f64; 2],
    pub mean_gradient_uncertainty: f64,
    /// By what share every gradient would change if one exposure were a tenth of a stop off.
    pub gradient_per_tenth_stop: f64,
    pub shoulder_density: Option<f64>,
    /// Root mean square of the plates' densities about the curve.
    pub fit_rms: f64,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub effective_speed: Option<EffectiveSpeed>,
}

/// Speed for the light of this scene.
#[derive(Debug, Clone, Copy, Serialize)]
pub struct EffectiveSpeed {
    pub ei: f64,
    /// Effective over set.
    pub stops_from_setting: f64,
    pub set_ei: f64,
}

impl Recovery {
    pub fn figures(&self, plates: &[BracketPlate]) -> CurveFigures {
        let (mean_gradient, gradient_over) = self.curve.mean_gradient();
        let (low, high) = self.curve.range();
        CurveFigures {
            plates: self.group.plates.iter().map(|i| plates[*i].id.into()).collect(),
            developed_alike: self.group.sure,
            range: [low, high],
            zero_is_speed_point: self.curve.reaches_speed_point,
            mean_gradient,
            gradient_over,
            mean_gradient_uncertainty: self.gradient_error,
            gradient_per_tenth_stop: 0.1 * DENSITY_PER_STOP / self.group.widest(),
            shoulder_density: self.curve.shoulder(),
            fit_rms: self.curve.rms,
            effective_speed: self.speed(plates[self.group.plates[0]].exposure.ei),
        }
    }

    /// From the mean exposure of the scene on the first plate over that of the speed point, if the meter read the mean of the scene.
    fn speed(&self, set: Option<f64>) -> Option<EffectiveSpeed> {
        let set_ei = set.filter(|ei| *ei > 0.0 && self.curve.reaches_speed_point)?;
        let mean = self.scene.iter().map(|h| 10f64.powf(h.bound())).sum::<f64>() / self.scene.len() as f64;
        let ratio = mean / MEAN_OVER_SPEED_POINT;
        Some(EffectiveSpeed { ei: set_ei * ratio, stops_from_setting: ratio.log2(), set_ei })
    }

    /// log10 H on the group's first plate under which a share of the scene lies.
    pub fn darkest(&self, share: f64) -> LogH {
        self.scene[((share * SHARES as f64) as usize).min(SHARES - 1)]
    }

    /// Says so where nothing but the lack of notes speaks for one development.
    pub fn told(&self, plates: &[BracketPlate]) -> Option<Warning> {
        let names: Vec<&str> = self.group.plates.iter().map(|i| plates[*i].id).collect();
        let message = format!(
            "the notes do not say that {} were developed alike (developer and minutes of each): the curve, its speed point and the effective \
             speed hold only if they were",
            names.join(" and ")
        );
        (!self.group.sure).then(|| Warning::new("development-unknown", message))
    }
}
