//! How light passes across one straight edge: the edge-spread function, its flanks, and how wide each is.
//!
//! In: transmittance and the ends of a straight stretch of edge. Out: the mean along lines beside it, four a pixel, and the [`Flank`]s of
//! that: stretches over which light goes one way. A clean step is one flank; the dark line at a glass edge is two; an edge seen twice,
//! since something moved, two of the same sign. None where the strip leaves the frame.
//! Method: ISO 12233, as in [`crate::measure::edge`]: pixels laid along the edge's normal in bins of a quarter pixel.

use crate::geometry::Point;
use crate::image::Image;
use crate::measure::edge::filled;
use crate::units::Transmittance;

/// Width of a bin along the normal, in pixels.
pub const BIN: f64 = 0.25;
/// How far to look on either side of the edge, in pixels: room for an edge that 20 pixels of motion have spread.
pub const REACH: f64 = 24.0;
/// A step smaller than this is no glass: its two surfaces alone take 0.08 of bare light.
const LEAST_STEP: f64 = 0.04;
/// Slope, as a share of a flank's steepest, at which it ends: a Gaussian has then gone through all but 1.5 % of its height.
const CALM: f64 = 0.05;
/// A flank also ends where the slope falls below this share before it rises again: two edges are then told apart.
const DIP: f64 = 0.6;

/// Transmittance across an edge, from `REACH` pixels outside to `REACH` inside, one mean a bin. `ends`: the stretch of edge in capture pixels,
/// clockwise round the plate as the sensor saw it, so that the plate lies to the right of the way.
pub fn across(seen: &Image<Transmittance>, ends: [Point; 2]) -> Option<Vec<f64>> {
    let [a, b] = ends;
    let length = a.distance(b);
    let along = (b - a) * (1.0 / length);
    let inward = Point::new(-along.y, along.x);
    let corners = [a, b].map(|p| [p + inward * REACH, p - inward * REACH]);
    let range = |of: fn(&Point) -> f64, most: usize| {
        let values = corners.iter().flatten().map(of);
        let (low, high) = values.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
        (low >= 0.0 && high < most as f64).then_some(low as usize..high as usize + 1)
    };
    let (rows, columns) = (range(|p| p.y, seen.rows())?, range(|p| p.x, seen.columns())?);
    let bins = (2.0 * REACH / BIN) as usize;
    let (mut sums, mut counts) = (vec![0.0; bins], vec![0u32; bins]);
    for row in rows {
        for (column, t) in columns.clone().zip(&seen.row(row)[columns.clone()]) {
            let p = Point::new(column as f64 + 0.5, row as f64 + 0.5) - a;
            let beside = p.x * along.x + p.y * along.y;
            let place = (p.x * inward.x + p.y * inward.y + REACH) / BIN;
            if beside >= 0.0 && beside < length && place >= 0.0 && place < bins as f64 {
                sums[place as usize] += t.0 as f64;
                counts[place as usize] += 1;
            }
        }
    }
    Some(filled(&sums, &counts))
}

/// Distance of a bin's middle from the edge, in pixels, positive inwards.
pub fn distance(bin: f64) -> f64 {
    (bin + 0.5) * BIN - REACH
}

/// A stretch over which light goes one way.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Flank {
    /// Bins where it begins and ends.
    pub from: usize,
    pub to: usize,
    /// Transmittance inside less that outside.
    pub height: f64,
    /// Where half of the height is passed, in pixels from the edge, positive inwards.
    pub middle: f64,
    /// Between 10 and 90 % of the height, in pixels.
    pub spread: f64,
}

/// All flanks, from outside to inside.
pub fn flanks(line: &[f64]) -> Vec<Flank> {
    // Over a pixel, which calms it.
    let slope: Vec<f64> = (0..line.len())
        .map(|i| match (i.checked_sub(2), line.get(i + 2)) {
            (Some(before), Some(after)) => after - line[before],
            _ => 0.0,
        })
        .collect();
    let mut steepest: Vec<usize> = (2..line.len() - 2).collect();
    steepest.sort_by(|i, k| slope[*k].abs().total_cmp(&slope[*i].abs()));
    let mut found: Vec<Flank> = Vec::new();
    // The least step spread evenly over the reach: what is less steep is no edge.
    let least = LEAST_STEP / REACH;
    for peak in steepest.into_iter().take_while(|i| slope[*i].abs() > least) {
        if !found.iter().any(|f| (f.from..=f.to).contains(&peak)) {
            let apart = |new: &Flank| found.iter().all(|f| new.to <= f.from || new.from >= f.to);
            let new = flank(line, &slope, peak).filter(apart);
            found.extend(new);
        }
    }
    found.sort_by_key(|f| f.from);
    found
}

fn flank(line: &[f64], slope: &[f64], peak: usize) -> Option<Flank> {
    let part = |i: usize| slope[i] / slope[peak];
    let ends = |i: usize, next: Option<usize>| {
        part(i) < CALM || part(i) < DIP && next.is_some_and(|next| part(next) > part(i) + 0.1)
    };
    let from = (2..peak).rev().find(|&i| ends(i, i.checked_sub(4)))?;
    let to = (peak + 1..line.len() - 2).find(|&i| ends(i, (i + 4 < line.len()).then_some(i + 4)))?;
    let height = line[to] - line[from];
    let passes = |share: f64| {
        let level = line[from] + share * height;
        let over = |i: usize| (line[i] - level) * height.signum();
        let i = (from..to).find(|&i| over(i) <= 0.0 && over(i + 1) > 0.0)?;
        Some(i as f64 + over(i) / (over(i) - over(i + 1)))
    };
    (height.abs() > LEAST_STEP).then_some(())?;
    Some(Flank { from, to, height, middle: distance(passes(0.5)?), spread: (passes(0.9)? - passes(0.1)?) * BIN })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The normal distribution's integral by sums, without an approximation's own error.
    fn gaussian(x: f64, sigma: f64) -> f64 {
        let steps = 2000;
        let density = |u: f64| (-u * u / 2.0).exp() / std::f64::consts::TAU.sqrt();
        let (low, high) = (-8.0, (x / sigma).clamp(-8.0, 8.0));
        (0..steps).map(|i| density(low + (high - low) * (i as f64 + 0.5) / steps as f64)).sum::<f64>() * (high - low)
            / steps as f64
    }

    fn line(light: impl Fn(f64) -> f64) -> Vec<f64> {
        (0..(2.0 * REACH / BIN) as usize).map(|i| light(distance(i as f64))).collect()
    }

    /// A Gaussian passes from 10 to 90 % within 2 × 1.2816 σ (tables of the normal distribution), a box of width w within 0.8 w. The flank ends
    /// where its slope is a twentieth, 2.45 σ out, which takes 3 % of the width.
    #[test]
    fn spreads_are_those_of_closed_forms() {
        for sigma in [0.8, 1.5, 3.0, 5.0] {
            let found = flanks(&line(|x| 1.0 - 0.3 * gaussian(x - 0.7, sigma)));
            assert_eq!(found.len(), 1, "σ {sigma}: {found:?}");
            let (spread, truth) = (found[0].spread, 2.563 * sigma);
            assert!(spread < 1.01 * truth && spread > 0.96 * truth, "σ {sigma}: {spread} for {truth}");
            assert!((found[0].middle - 0.7).abs() < 0.05, "{found:?}");
        }
        for width in [6.0, 15.0] {
            let found = flanks(&line(|x| 0.3 + 0.5 * (x / width + 0.5).clamp(0.0, 1.0)));
            assert_eq!(found.len(), 1, "box {width}: {found:?}");
            assert!((found[0].spread - 0.8 * width).abs() < 0.05, "box {width}: {found:?}");
        }
    }

    #[test]
    fn a_dark_line_is_two_flanks_and_a_double_edge_two_of_one_sign() {
        let step = |x: f64| gaussian(x, 0.8);
        let dark = flanks(&line(|x| 1.0 - 0.6 * step(x) + 0.4 * step(x - 4.0)));
        assert!(dark.len() == 2 && dark[0].height < 0.0 && dark[1].height > 0.0, "{dark:?}");
        assert!((dark[1].middle - dark[0].middle - 4.0).abs() < 0.1, "{dark:?}");
        let double = flanks(&line(|x| 1.0 - 0.15 * step(x) - 0.15 * step(x - 6.0)));
        assert!(double.len() == 2 && double.iter().all(|f| (f.height + 0.15).abs() < 0.005), "{double:?}");
        assert!((double[1].middle - double[0].middle - 6.0).abs() < 0.05, "{double:?}");
    }

    #[test]
    fn an_even_field_has_no_flank_and_a_strip_beyond_the_frame_is_none() {
        let even = Image::filled(crate::image::Size::new(200, 200), Transmittance(0.97));
        let stretch = |x: f64| [Point::new(x, 60.0), Point::new(x + 3.0, 140.0)];
        assert!(flanks(&across(&even, stretch(100.0)).unwrap()).is_empty());
        assert_eq!(across(&even, stretch(10.0)), None);
    }
}
