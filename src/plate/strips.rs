//! Strips of even light along two opposite sides of a plate: bare panel beside it, else its rebate.
//!
//! In: transmittance in the sensor's coordinates and the coarse sides. Out: for each strip its mean light, place by place along the sides, as a
//! share of the strip's own mean. None where neither is even: a mask up to the picture, a plate without a rebate.

use super::region::{BARE, Region, Side};
use crate::image::Image;
use crate::units::Transmittance;

/// How far off a side, as a share of the plate's breadth, the strips keep: blur, the glass's edge and the holder's rail.
const OFF: f64 = 0.006;
/// Breadth of a strip of rebate, as a share of the plate's.
const REBATE: f64 = 0.015;
/// Pixels across a strip of bare panel, at least and at most.
const BARE_ACROSS: [usize; 2] = [24, 200];
/// Standard deviation along a strip of rebate, as a share of its light, above which it holds more than rebate.
const EVEN: f64 = 0.03;

/// Beside or within left and right side, row by row.
pub fn upright(seen: &Image<Transmittance>, region: &Region) -> Option<[Vec<f64>; 2]> {
    strips(&|row, column| seen.at(row, column).0, seen.columns(), region.bare, [&region.sides[3], &region.sides[1]])
}

/// Beside or within top and bottom side, column by column.
pub fn level(seen: &Image<Transmittance>, region: &Region) -> Option<[Vec<f64>; 2]> {
    strips(&|column, row| seen.at(row, column).0, seen.rows(), region.bare, [&region.sides[0], &region.sides[2]])
}

type Read<'a> = &'a (dyn Fn(usize, usize) -> f32 + Sync);

/// `read`: light at a place along the sides and a place across them, of which there are `across`.
fn strips(read: Read, across: usize, bare: Option<f32>, [first, second]: [&Side; 2]) -> Option<[Vec<f64>; 2]> {
    let [from, to] = [first.from.max(second.from), first.to.min(second.to)];
    let margin = OFF * (to - from);
    let range = || (from + margin).ceil() as usize..(to - margin).floor().max(0.0) as usize;
    let at = |side: &Side, t: usize| {
        let [a, b, c] = side.coefficients;
        a + t as f64 * (b + t as f64 * c)
    };
    let clamp = |s: f64| s.round().clamp(0.0, across as f64) as usize;
    let mean = |t: usize, places: std::ops::Range<usize>| {
        let count = places.len().max(1) as f64;
        places.map(|s| read(t, s) as f64).sum::<f64>() / count
    };
    let broad = (at(second, range().start) - at(first, range().start)).abs();
    let [off, breadth] = [OFF * broad, REBATE * broad];
    let beside = |side: &Side, after: bool| -> Option<Vec<f64>> {
        let level = bare? as f64;
        let [least, most] = BARE_ACROSS;
        let one = |t: usize| {
            let s = at(side, t);
            let places = if after { clamp(s + off)..across } else { 0..clamp(s - off) };
            let near = if after {
                places.start..places.end.min(places.start + most)
            } else {
                places.start.max(places.end.saturating_sub(most))..places.end
            };
            let light = mean(t, near.clone());
            (near.len() >= least && light > BARE as f64 * level && light < (2.0 - BARE as f64) * level).then_some(light)
        };
        range().map(one).collect()
    };
    let within = |side: &Side, after: bool| -> Option<Vec<f64>> {
        let one = |t: usize| {
            let s = at(side, t);
            let [near, far] = [off, off + breadth].map(|d| clamp(if after { s - d } else { s + d }));
            mean(t, near.min(far)..near.max(far))
        };
        let strip: Vec<f64> = range().map(one).collect();
        let (mean, sd) = spread(&strip);
        (mean > 0.0 && sd < EVEN * mean).then_some(strip)
    };
    let strip = |side: &Side, after: bool| {
        let light = beside(side, after).or_else(|| within(side, after))?;
        let (mean, _) = spread(&light);
        // Two by two: under a filter array, stained glass alternates from place to place.
        Some(light.windows(2).map(|pair| (pair[0] + pair[1]) / 2.0 / mean).collect())
    };
    Some([strip(first, false)?, strip(second, true)?])
}

fn spread(strip: &[f64]) -> (f64, f64) {
    let count = strip.len().max(1) as f64;
    let mean = strip.iter().sum::<f64>() / count;
    (mean, (strip.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / count).sqrt())
}
