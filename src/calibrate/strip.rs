//! Where a step tablet lies in a frame.
//!
//! In: transmittance, or light where there is no blank. Out: a [`Strip`]: the line along the tablet's middle, from its clear end towards its dense
//! one, its width, and the jumps of density that were seen along it. Fails where no strip of five or more even steps is seen.
//!
//! Steps of one width, each denser than the last, make a comb of jumps of one sign at one distance; nothing else in such a frame
//! does. The comb is looked for along rows and columns and up to six degrees off them, in bands of a few pixels of a reduced
//! frame; the bands that show the same comb give the width, and the slant of its jumps the tilt.

use crate::error::Fault;
use crate::geometry::Point;
use crate::image::{Image, Window, reduced};
use crate::units::Transmittance;
use rayon::prelude::*;

/// Long side of the reduced frame.
const LONG: usize = 960;
/// Rows of the reduced frame in a band.
const BAND: usize = 6;
/// Pixels on either side whose means make a jump.
const SIDE: usize = 3;
/// The least jump, in density: a third of the smallest pitch that tablets have.
const LEAST: f64 = 0.03;
/// The most that one jump counts, so that the edge of a mask does not outweigh steps.
const MOST: f64 = 0.2;
/// Jumps that make a comb.
const COMB: usize = 5;
/// How much a step's width may differ from the last one's.
const UNEVEN: f64 = 0.25;
/// Tilt that is looked for, and in what steps; degrees.
const TILT: f64 = 6.0;
const TILT_STEP: f64 = 0.5;
/// Transmittance below which nothing is told apart here, so that the noise of a black mask makes no jumps.
const DARKEST: f32 = 1e-3;
/// Fewest bands that must show one comb.
const BANDS: usize = 3;

/// A tablet in a frame; all in the frame's pixels.
#[derive(Debug, Clone, PartialEq)]
pub struct Strip {
    /// A point on the line along the middle.
    pub middle: Point,
    /// One pixel along it, towards the dense end.
    pub along: Point,
    pub width: f64,
    /// Where jumps were seen: distances along the line from `middle`, rising, evenly spaced but for misses.
    pub jumps: Vec<f64>,
}

impl Strip {
    pub fn at(&self, along: f64, across: f64) -> Point {
        self.middle + self.along * along + Point::new(-self.along.y, self.along.x) * across
    }
}

/// Finds the tablet, within a part of the frame where one is given.
pub fn find(seen: &Image<Transmittance>, within: Option<Window>) -> Result<Strip, Fault> {
    let window = within.unwrap_or(Window { row: 0, column: 0, size: seen.size() });
    let part = if within.is_some() { &seen.crop(window) } else { seen };
    let factor = part.rows().max(part.columns()).div_ceil(LONG).max(1);
    let small = reduced(part, factor).map(|t| t.0);
    let turned = Image::from_rows(small.size().turned(), 0f32, |row, out| {
        out.iter_mut().enumerate().for_each(|(column, v)| *v = small.at(column, row));
    });
    let steps = (TILT / TILT_STEP) as i32;
    let tries: Vec<(bool, f64)> = [false, true]
        .into_iter()
        .flat_map(|t| (-steps..=steps).map(move |k| (t, (k as f64 * TILT_STEP).to_radians())))
        .collect();
    let scored: Vec<(f64, bool, f64)> = tries
        .par_iter()
        .map(|(turn, tilt)| {
            let image = if *turn { &turned } else { &small };
            let score: f64 = bands(image, *tilt).iter().map(|b| b.as_ref().map_or(0.0, |c| c.score.powi(2))).sum();
            (score, *turn, *tilt)
        })
        .collect();
    // The first of equals, so that the result does not depend on the order of the work.
    let best = scored.iter().fold((0.0, false, 0.0), |best, s| if s.0 > best.0 { *s } else { best });
    if best.0 == 0.0 {
        return Err(nothing());
    }
    let image = if best.1 { &turned } else { &small };
    let found = lay(image, &bands(image, best.2), best.2)?;
    Ok(placed(found, best.1, factor as f64, Point::new(window.column as f64, window.row as f64)))
}

fn nothing() -> Fault {
    Fault::new(
        "no step tablet is seen: no strip of five or more steps of one width, each denser than the last",
        "lay the tablet along the frame to within a few degrees, or point at it with --rect-px or --ends",
    )
}

/// Jumps of one sign at one distance, in a band.
#[derive(Debug, Clone)]
struct Comb {
    /// Columns of the reduced frame.
    jumps: Vec<f64>,
    /// Whether density rises to the right.
    rises: bool,
    score: f64,
}

impl Comb {
    fn pitch(&self) -> f64 {
        let mut widths: Vec<f64> = self.jumps.windows(2).map(|p| p[1] - p[0]).collect();
        widths.sort_by(f64::total_cmp);
        widths[widths.len() / 2]
    }
}

/// The best comb of every band, in a frame sheared by `tilt`.
fn bands(image: &Image<f32>, tilt: f64) -> Vec<Option<Comb>> {
    (0..image.rows() / BAND).map(|band| comb(&profile(image, band, tilt))).collect()
}

/// Mean density along one band; none where the band leaves the frame.
fn profile(image: &Image<f32>, band: usize, tilt: f64) -> Vec<Option<f64>> {
    let (slope, middle) = (tilt.tan(), image.columns() as f64 / 2.0);
    (0..image.columns())
        .map(|column| {
            let shift = ((column as f64 + 0.5 - middle) * slope).round() as isize;
            let top = (band * BAND) as isize + shift;
            let inside = top >= 0 && top + (BAND as isize) <= image.rows() as isize;
            inside.then(|| {
                let sum: f32 = (0..BAND).map(|k| image.at(top as usize + k, column)).sum();
                -(sum / BAND as f32).max(DARKEST).log10() as f64
            })
        })
        .collect()
}

/// The best comb in a course of densities.
fn comb(course: &[Option<f64>]) -> Option<Comb> {
    let n = course.len();
    let mean =
        |from: usize| course.get(from..from + SIDE)?.iter().copied().sum::<Option<f64>>().map(|s| s / SIDE as f64);
    let jump: Vec<f64> = (0..n)
        .map(|x| match (x.checked_sub(SIDE).and_then(mean), mean(x + 1)) {
            (Some(before), Some(after)) => after - before,
            _ => 0.0,
        })
        .collect();
    let peaks: Vec<(f64, f64)> = (1..n.saturating_sub(1))
        .filter(|&x| {
            let (l, m, r) = (jump[x - 1].abs(), jump[x].abs(), jump[x + 1].abs());
            m >= LEAST && m > l && m >= r
        })
        .map(|x| {
            let (l, m, r) = (jump[x - 1], jump[x], jump[x + 1]);
            let bend = l - 2.0 * m + r;
            let off = if bend == 0.0 { 0.0 } else { (0.5 * (l - r) / bend).clamp(-0.5, 0.5) };
            (x as f64 + 0.5 + off, m)
        })
        .collect();
    let mut best: Option<Comb> = None;
    for run in peaks.chunk_by(|a, b| (a.1 > 0.0) == (b.1 > 0.0)) {
        for (from, to) in even_runs(run) {
            let score = run[from..to].iter().map(|p| p.1.abs().min(MOST)).sum();
            if to - from >= COMB && best.as_ref().is_none_or(|b| score > b.score) {
                let jumps = run[from..to].iter().map(|p| p.0).collect();
                best = Some(Comb { jumps, rises: run[0].1 > 0.0, score });
            }
        }
    }
    best
}

/// Stretches of jumps whose distances change by little from one to the next.
fn even_runs(run: &[(f64, f64)]) -> Vec<(usize, usize)> {
    let mut runs = Vec::new();
    let mut from = 0;
    for k in 2..=run.len() {
        let breaks = k == run.len() || {
            let (a, b) = (run[k - 1].0 - run[k - 2].0, run[k].0 - run[k - 1].0);
            (b / a - 1.0).abs() > UNEVEN
        };
        if breaks {
            runs.push((from, k));
            from = k - 1;
        }
    }
    runs
}

/// A strip in the reduced, perhaps turned, frame.
struct Laid {
    middle: Point,
    tilt: f64,
    rises: bool,
    width: f64,
    jumps: Vec<f64>,
}

/// The bands that show one comb, its slant, and the jumps of the best of them.
fn lay(image: &Image<f32>, bands: &[Option<Comb>], tilt: f64) -> Result<Laid, Fault> {
    let score = |k: &usize| bands[*k].as_ref().map_or(0.0, |c| c.score);
    let best = (0..bands.len()).max_by(|a, b| score(a).total_cmp(&score(b)).then(b.cmp(a))).ok_or_else(nothing)?;
    let comb = bands[best].as_ref().ok_or_else(nothing)?;
    let pitch = comb.pitch();
    // Jumps of another band against the best one's: pairs of (bands between, shift).
    let matches = |k: usize| -> Option<Vec<(f64, f64)>> {
        let other = bands[k].as_ref().filter(|c| c.rises == comb.rises)?;
        let between = (k as f64 - best as f64) * BAND as f64;
        let pairs: Vec<(f64, f64)> = comb
            .jumps
            .iter()
            .filter_map(|x| {
                let expected = x - between * tilt.tan();
                let near = other.jumps.iter().min_by(|a, b| (*a - expected).abs().total_cmp(&(*b - expected).abs()))?;
                ((near - expected).abs() < 0.25 * pitch).then_some((between, near - x))
            })
            .collect();
        (2 * pairs.len() >= comb.jumps.len()).then_some(pairs)
    };
    let (mut first, mut last) = (best, best);
    let mut pairs = Vec::new();
    while let Some(more) = first.checked_sub(1).and_then(matches) {
        first -= 1;
        pairs.extend(more);
    }
    while let Some(more) = Some(last + 1).filter(|k| *k < bands.len()).and_then(matches) {
        last += 1;
        pairs.extend(more);
    }
    if last + 1 - first < BANDS {
        return Err(nothing());
    }
    let moment: f64 = pairs.iter().map(|p| p.0 * p.0).sum();
    let slant = if moment > 0.0 { pairs.iter().map(|p| p.0 * p.1).sum::<f64>() / moment } else { -tilt.tan() };
    // The strip's own tilt by the slant of its jumps, as far as it agrees with the shear that showed them best.
    let tilt = if (slant.atan() + tilt).abs() < 1.5 * TILT_STEP.to_radians() { -slant.atan() } else { tilt };
    let rows = (last + 1 - first) * BAND;
    let across = (first * BAND) as f64 + rows as f64 / 2.0;
    let shift = ((best * BAND + BAND / 2) as f64 - across) * tilt.sin();
    let centre = image.columns() as f64 / 2.0;
    let middle = Point::new(centre, across);
    let jumps = comb.jumps.iter().map(|x| (x - centre) / tilt.cos() + shift).collect();
    Ok(Laid { middle, tilt, rises: comb.rises, width: rows as f64 * tilt.cos(), jumps })
}

/// The same in the frame's own pixels, from clear to dense.
fn placed(laid: Laid, turned: bool, factor: f64, corner: Point) -> Strip {
    let swap = |p: Point| if turned { Point::new(p.y, p.x) } else { p };
    let sign = if laid.rises { 1.0 } else { -1.0 };
    let along = swap(Point::new(laid.tilt.cos(), laid.tilt.sin())) * sign;
    let mut jumps: Vec<f64> = laid.jumps.iter().map(|x| x * factor * sign).collect();
    jumps.sort_by(f64::total_cmp);
    Strip { middle: corner + swap(laid.middle) * factor, along, width: laid.width * factor, jumps }
}
