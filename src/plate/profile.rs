//! Where along a normal the glass begins, to a few hundredths of a pixel.
//!
//! In: transmittance and a line across the plate's side. Out: the distance along the line of the sharp step that, blurred, gives the first
//! change from the surround's level to the plate's: a symmetrical blur moves it nowhere (in linear light). A step up to bare panel, at
//! the edge of a mask, is passed over. None where the line shows no step.

use crate::geometry::Point;
use crate::image::Image;
use crate::units::Transmittance;

/// Samples a pixel along the line.
const FINE: f64 = 2.0;
/// Pixels from sample to sample.
pub const STEP: f64 = 1.0 / FINE;
/// Half the length, along the side, over which samples are averaged.
const ALONG: i32 = 4;
/// A step smaller than this share of its brighter side is no glass: its two surfaces alone take 0.08 of bare light.
const LEAST_STEP: f64 = 0.04;
/// Nor is one smaller than this, which a few codes of a black mask in eight bits differ by.
const DARK_STEP: f64 = 0.003;
/// Pixels over which the surround's level is read.
const LEVEL: f64 = 5.0;
/// Slope, as a share of the step's, from which there is another step; and the samples that its blur reaches: two pixels.
const ANOTHER: f64 = 0.6;
const CLEAR: usize = (2.0 * FINE) as usize;
/// Pixels within which the inner level must be reached after the steepest place.
const SETTLE: f64 = 7.0;

/// Looks along `inward` (a unit vector) from `reach` pixels outside `at` to `reach` pixels inside. Gives the step's signed distance from `at`,
/// positive inwards. What transmits more than `bare` is no glass.
pub fn edge(seen: &Image<Transmittance>, at: Point, inward: Point, reach: f64, bare: f32) -> Option<f64> {
    let line: Vec<f64> = across(seen, at, inward, (reach, reach)).map(|(_, t)| t).collect();
    let place = step(&line, bare as f64)?;
    let end = at + inward * reach;
    let start = at - inward * reach;
    let inside =
        |p: Point| p.x > 1.0 && p.y > 1.0 && p.x < seen.columns() as f64 - 1.0 && p.y < seen.rows() as f64 - 1.0;
    (inside(start) && inside(end)).then_some(place / FINE - reach)
}

/// What a sample under which a photosite is full is told as.
pub const FULL: f64 = Transmittance::FULL.0 as f64;

/// Samples along `inward`, from `span.0` pixels outside `at` to `span.1` inside: (distance, transmittance). One under which a photosite was full is
/// [`FULL`].
pub fn across(
    seen: &Image<Transmittance>,
    at: Point,
    inward: Point,
    span: (f64, f64),
) -> impl Iterator<Item = (f64, f64)> {
    let along = Point::new(-inward.y, inward.x);
    (0..=((span.0 + span.1) * FINE) as usize).map(move |i| {
        let distance = i as f64 / FINE - span.0;
        let centre = at + inward * distance;
        let (mut sum, mut is_full) = (0.0, false);
        for t in (-ALONG..=ALONG).filter_map(|k| bilinear(seen, centre + along * k as f64)) {
            sum += t;
            is_full |= t == FULL;
        }
        (distance, if is_full { FULL } else { sum / (2 * ALONG + 1) as f64 })
    })
}

/// Index (with fraction) of the first step to a level under `bare`.
fn step(line: &[f64], bare: f64) -> Option<f64> {
    // Slope per sample over two samples to either side, which calms it.
    let slope: Vec<f64> = (0..line.len())
        .map(|i| match (i.checked_sub(2), line.get(i + 2)) {
            (Some(before), Some(after)) => (after - line[before]) / 4.0,
            _ => 0.0,
        })
        .collect();
    // The steepest slope of a step of height 1 under a blur of 2 pixels.
    let steepest = 1.0 / (2.0 * FINE * (2.0 * std::f64::consts::PI).sqrt());
    let size = |i: usize| slope[i].abs();
    let least = |i: usize| steepest * least_step(line[i - 2].max(line[i + 2]));
    let is_peak = |i: &usize| size(*i) > least(*i) && (i - 2..=i + 2).all(|k| size(*i) >= size(k));
    (3..line.len() - 3).filter(is_peak).find_map(|peak| between(line, &slope, peak, bare))
}

/// The least step that may be glass, by its brighter side.
fn least_step(brighter: f64) -> f64 {
    (LEAST_STEP * brighter).max(DARK_STEP)
}

/// The sharp step at a peak of the slope, between the levels on either side.
fn between(line: &[f64], slope: &[f64], peak: usize, bare: f64) -> Option<f64> {
    let level = (LEVEL * FINE) as usize;
    let settle = (SETTLE * FINE) as usize;
    // Where the slope has died away or turned on either side the levels are read: a ground edge is a dark line, and the step ends in it.
    let part = |i: usize| slope[i] / slope[peak];
    let calm = |i: usize| part(i) < 0.08;
    // In a black mask the ground edge is a first, lower step on the way up to the rebate: the slope dips between the two.
    let dips = |i: usize| part(i) < 0.6 && slope.get(i + 2).is_some_and(|_| part(i + 2) > part(i) + 0.04);
    let before = (0..peak).rev().find(|&i| calm(i) || peak - i >= settle)?;
    let after = (peak + 1..line.len()).find(|&i| calm(i) || dips(i) || i - peak >= settle)?;
    // Not beyond another step, nor in its blur: a narrow strip of bare panel ends in a black mask.
    let furthest = before.saturating_sub(level);
    let another = (furthest..before).rev().find(|&i| part(i).abs() > ANOTHER);
    let from = another.map_or(furthest, |i| (i + CLEAR).min(before));
    let outer = mean(&line[from..=before]);
    let inner = mean(&line[after..(after + 2).min(line.len())]);
    if (inner - outer).abs() < least_step(inner.max(outer)) || inner > bare {
        return None;
    }
    // A sharp step of the same area between the same levels: unlike the half-way crossing, no interpolation moves it.
    let ends = (line[before] + line[after]) / 2.0;
    let area = line[before..=after].iter().sum::<f64>() - ends;
    let share = (area / (after - before) as f64 - inner) / (outer - inner);
    Some(before as f64 + share * (after - before) as f64)
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

/// Value between pixel centres; none outside, [`FULL`] beside a full one. Averages follow, so that a sharper kernel would gain nothing.
fn bilinear(seen: &Image<Transmittance>, p: Point) -> Option<f64> {
    let (x, y) = (p.x - 0.5, p.y - 0.5);
    if x < 0.0 || y < 0.0 || x >= seen.columns() as f64 - 1.0 || y >= seen.rows() as f64 - 1.0 {
        return None;
    }
    let (column, row) = (x as usize, y as usize);
    let (fx, fy) = (x.fract(), y.fract());
    let at = |r, c| seen.at(r, c).0 as f64;
    let near = [at(row, column), at(row, column + 1), at(row + 1, column), at(row + 1, column + 1)];
    if near.contains(&FULL) {
        return Some(FULL);
    }
    let upper = near[0] * (1.0 - fx) + near[1] * fx;
    let lower = near[2] * (1.0 - fx) + near[3] * fx;
    Some(upper * (1.0 - fy) + lower * fy)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::image::Size;

    /// A slanted step under the blur of two pixels' widths (a tent), then a rebate and a darker picture; the truth is known.
    fn glass(around: f64, slant: f64, offset: f64, ground: f64, rebate: f64) -> Image<Transmittance> {
        Image::from_rows(Size::new(80, 80), Transmittance(0.0), |row, out| {
            for (column, t) in out.iter_mut().enumerate() {
                const N: usize = 32;
                let mut sum = 0.0;
                for i in 0..N * N {
                    let part = ((i % N) + (i / N) + 1) as f64 / N as f64 - 0.5;
                    let d = column as f64 + part - (offset + slant * (row as f64 + 0.5 - 40.0));
                    sum += match d {
                        d if d < 0.0 => around,
                        d if d < ground => {
                            if around > 0.5 {
                                0.62
                            } else {
                                0.33
                            }
                        }
                        d if d < rebate => 0.76,
                        _ => 0.05,
                    };
                }
                *t = Transmittance((sum / (N * N) as f64) as f32);
            }
        })
    }

    #[test]
    fn a_step_is_placed_to_a_few_hundredths_of_a_pixel() {
        // Slant, offset, width of a dark ground edge, width of the rebate; and how near the truth.
        for (around, slant, offset, ground, rebate, near) in [
            (1.0, 0.0, 40.3, 0.0, 20.0, 0.04),
            (1.0, 0.05, 39.78, 0.0, 20.0, 0.04),
            (1.0, -0.12, 41.1, 0.0, 12.0, 0.04),
            (1.0, 0.0, 40.5, 0.0, 0.0, 0.04),
            (1.0, 0.03, 40.1, 2.0, 20.0, 0.2),
            (1.0, 0.03, 40.1, 6.0, 20.0, 0.1),
            (0.0, 0.03, 40.1, 0.0, 20.0, 0.04),
            (0.0, 0.03, 40.1, 5.0, 20.0, 0.1),
        ] {
            let image = glass(around, slant, offset, ground, rebate);
            let length = f64::hypot(slant, 1.0);
            let inward = Point::new(1.0 / length, -slant / length);
            let found = edge(&image, Point::new(40.0, 40.0), inward, 14.0, 0.955).unwrap();
            let truth = (offset - 40.0) / length;
            assert!((found - truth).abs() < near, "slant {slant}, ground {ground}: {found} for {truth}");
        }
    }

    /// Glass in a strip of bare panel six pixels wide, in a black mask; its picture begins ten pixels behind its edge.
    #[test]
    fn a_mask_near_the_glass_does_not_pull_its_edge() {
        for at in [-1.3, -0.4, 0.0, 0.7, 2.2] {
            let clear = glass(1.0, 0.03, 40.0 + at, 0.0, 10.0);
            let image = Image::from_rows(clear.size(), Transmittance(0.0), |row, out| {
                for (column, t) in out.iter_mut().enumerate() {
                    let d = column as f64 + 0.5 - (34.0 + at + 0.03 * (row as f64 + 0.5 - 40.0));
                    *t = Transmittance(clear.at(row, column).0 * (d + 0.5).clamp(0.0, 1.0) as f32);
                }
            });
            let length = f64::hypot(0.03, 1.0);
            let inward = Point::new(1.0 / length, -0.03 / length);
            for reach in [10.0, 12.0, 18.0] {
                let found = edge(&image, Point::new(40.0, 40.0), inward, reach, 0.955).unwrap();
                assert!((found - at / length).abs() < 0.1, "reach {reach}: {found} for {at}");
            }
        }
    }

    #[test]
    fn an_even_field_shows_no_edge() {
        let even = Image::filled(Size::new(60, 60), Transmittance(0.97));
        assert_eq!(edge(&even, Point::new(30.0, 30.0), Point::new(1.0, 0.0), 10.0, 0.955), None);
    }
}
