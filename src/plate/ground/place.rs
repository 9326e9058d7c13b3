//! Stations of a side gathered into places, and what is seen there before any model is fitted.
//!
//! In: [`Side`]s. Out: [`Place`]s with their mean profiles, and where each side's picture may begin.

use super::super::profile::{FULL, STEP};
use super::{SPAN, Side};
use crate::median::median;
use rayon::prelude::*;
use std::ops::Range;

/// Places along a side; the stations of each give one mean profile.
const PLACES: usize = 10;
/// Fewest stations of a place.
const STATIONS: usize = 16;
/// Least height of a place's profile, in transmittance: less is no edge.
const LEAST: f64 = 0.004;
/// Least slope of the glass's edge, as a share of the steepest near it.
const STEEP: f64 = 0.25;
/// Samples kept clear of a step beyond the surround, as of a mask near the glass: two pixels.
const CLEAR: usize = (2.0 / STEP) as usize;
/// Samples beyond a full photosite up to which blur may still have kept light below the bare panel's: four pixels.
const BLURRED: usize = (4.0 / STEP) as usize;
/// What the model is trusted to, as a share of a profile's height: blurs are not quite Gaussian.
const MODEL: f64 = 0.002;

/// The mean profile of some stations that lie together.
pub struct Place {
    pub side: usize,
    /// -1 to 1 along the side.
    pub along: f64,
    /// (distance, transmittance), from where the surround is even.
    pub profile: Vec<(f64, f64)>,
    pub height: f64,
    /// Standard deviation of a sample, the model's own errors among it.
    pub deviation: f64,
    /// Whether the surround is darker than the glass.
    pub is_dark: bool,
}

/// Places of all sides, and for each side where its picture may begin.
pub fn places(sides: &[Side]) -> (Vec<Place>, Vec<f64>) {
    let of = |(index, side): (usize, &Side)| {
        let place = side.along.len().div_ceil(PLACES).max(STATIONS);
        let stations = side.along.chunks(place).zip(side.profiles.chunks(place));
        let seen: Vec<(Place, f64)> =
            stations.filter_map(|(along, profiles)| Place::new(index, along, profiles)).collect();
        let picture = median(seen.iter().map(|(_, picture)| *picture).collect()).unwrap_or(SPAN.1);
        (seen.into_iter().map(|(place, _)| place).collect::<Vec<_>>(), picture)
    };
    let (places, starts): (Vec<_>, Vec<_>) = sides.par_iter().enumerate().map(of).unzip();
    (places.into_iter().flatten().collect(), starts)
}

impl Place {
    /// None where no edge is seen; with it where the picture may begin behind a rebate, at the profile's end if nowhere.
    fn new(side: usize, along: &[f64], profiles: &[Vec<f64>]) -> Option<(Place, f64)> {
        let Mean { profile: middle, noise, of } = mean(profiles)?;
        let index = |distance: f64| ((distance + SPAN.0) / STEP) as usize;
        let slope = |i: usize| (middle[i + 1] - middle[i - 1]) / (2.0 * STEP);
        // The outermost steep place: behind a narrow rebate a dense picture's own edge is the steepest of all.
        let near = || index(-3.5).max(1)..=index(3.5);
        let steep = STEEP * near().map(|i| slope(i).abs()).fold(0.0, f64::max);
        let steepest = near().find(|&i| slope(i).abs() >= slope(i + 1).abs().max(steep))?;
        let is_dark = slope(steepest) > 0.0;
        // Outwards until the step is over, and on while the surround is even.
        let outer = (1..steepest).rev().find(|&i| slope(i).abs() < 0.1 * slope(steepest).abs()).unwrap_or(0);
        let even = 0.04 * (middle[(steepest + 3).min(middle.len() - 1)] - middle[outer]).abs();
        let is_even = |i: &usize| (middle[*i] - middle[outer]).abs() < even.max(0.02 * middle[outer]);
        let from = match (0..=outer).rev().take_while(is_even).last() {
            // Another step's blur reaches further in than the eye of `is_even` sees.
            Some(from) if from > 0 => (from + CLEAR).min(outer),
            from => from.unwrap_or(outer),
        };
        // Inwards up the rebate's level, until it falls again.
        let mut inner = steepest;
        while !is_dark && inner + 1 < middle.len() && middle[inner + 1] < middle[inner] {
            inner += 1;
        }
        let mut most = middle[inner];
        let falls = (inner..middle.len()).find(|&i| {
            most = most.max(middle[i]);
            middle[i] < 0.97 * most
        });
        let distance = |i: usize| i as f64 * STEP - SPAN.0;
        let cut: Vec<Range<usize>> = of.iter().map(|profile| cut_off(profile)).collect();
        let known = |i: &usize| !cut.iter().any(|cut| cut.contains(i));
        let profile: Vec<(f64, f64)> = (from..middle.len()).filter(known).map(|i| (distance(i), middle[i])).collect();
        let (least, most) = profile.iter().fold((f64::INFINITY, 0.0f64), |(a, b), p| (a.min(p.1), b.max(p.1)));
        let height = most - least;
        let along = along.iter().sum::<f64>() / along.len() as f64;
        let picture = falls.map_or(SPAN.1, distance);
        let place = Place { side, along, profile, height, deviation: MODEL * height + noise, is_dark };
        (height >= LEAST).then_some((place, picture))
    }
}

/// Samples whose light is not known: full photosites had cut it off, between what they hold and the bare panel's, which it reaches where blur ends.
pub fn cut_off(profile: &[f64]) -> Range<usize> {
    let innermost = profile.iter().rposition(|t| *t == FULL);
    innermost.map_or(0..0, |innermost| innermost.saturating_sub(BLURRED)..innermost + 1)
}

/// Of profiles, with the standard deviation of its samples.
struct Mean<'a> {
    profile: Vec<f64>,
    noise: f64,
    of: Vec<&'a Vec<f64>>,
}

/// Mean of profiles. A mean, not a median: a picture that runs to the edge is brighter at one
/// station than at the next, and only sums of like shapes are of that shape. Stations of another shape, at a chip, are left out.
fn mean(profiles: &[Vec<f64>]) -> Option<Mean<'_>> {
    let of = |kept: &[&Vec<f64>]| -> Vec<f64> {
        (0..profiles[0].len()).map(|i| kept.iter().map(|p| p[i]).sum::<f64>() / kept.len() as f64).collect()
    };
    let mut kept: Vec<&Vec<f64>> = profiles.iter().collect();
    kept.first()?;
    let mut middle = of(&kept);
    let mut deviation = 0.0;
    for _ in 0..3 {
        let power: f64 = middle.iter().map(|m| m * m).sum();
        let off = |profile: &&Vec<f64>| {
            let share = profile.iter().zip(&middle).map(|(p, m)| p * m).sum::<f64>() / power.max(1e-12);
            let size: f64 = profile.iter().zip(&middle).map(|(p, m)| (p - share * m).powi(2)).sum();
            (size / middle.len() as f64).sqrt()
        };
        let offs: Vec<f64> = kept.iter().map(off).collect();
        deviation = median(offs.clone())?;
        let most = 4.0 * deviation + 1e-9;
        let next: Vec<&Vec<f64>> = kept.iter().zip(&offs).filter(|(_, off)| **off <= most).map(|(p, _)| *p).collect();
        if next.len() == kept.len() {
            break;
        }
        kept = next;
        middle = of(&kept);
    }
    Some(Mean { profile: middle, noise: deviation / (kept.len() as f64).sqrt(), of: kept })
}
