//! Several copy exposures of one view, merged: the short ones for what is clear, the long ones for what is dense.
//!
//! In: each exposure divided by the blank, and the light that its blank gave. Out: one transmittance. In linear light, each sample counts
//! by the inverse of its variance (shot noise and read noise, both less in T the longer the exposure) and not at all near full scale.
//! The ratio between exposures is fitted from what both see, since shutters do not keep what they say; a camera that moved between
//! them is brought back by the [`Motion`] that [`super::registration`] finds, in one resampling, and said.
//! Fails when sizes differ or one exposure does not come to lie on the next shorter, naming its place in the list.

use super::Seen;
use super::registration::{Motion, register};
use crate::density::uncertainty::of_one_more;
use crate::error::Fault;
use crate::geometry::resample::{Kernel, resample};
use crate::geometry::{Homography, Point};
use crate::image::{Image, reduced};
use crate::units::Transmittance;

/// Light, as a share of full scale, from which on a sample's say fades, and where it ends.
const FADES: f32 = 0.80;
const ENDS: f32 = 0.93;
/// Variance of shot noise at full scale: a full well of some 8000 electrons, a phone's (common practice).
const SHOT: f32 = 1.25e-4;
/// A motion of less than this many pixels is left: bringing it back would blur as much as it mends.
const STILL: f64 = 0.05;

/// One exposure of the view.
pub struct Exposed {
    pub seen: Seen,
    /// Light at T = 1 as a share of full scale, in the channel that fills first, over cells of `cell` pixels.
    pub light: Image<f32>,
    pub cell: usize,
    /// Standard deviation of read noise and of the codes' steps, as a share of full scale.
    pub read: f32,
    /// Where its pixels came from in its own frame, once it has been brought to the shortest's.
    pub from: Option<Homography>,
}

/// What was found of an exposure against the shortest.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fitted {
    pub nominal: f64,
    pub fitted: f64,
    /// Standard uncertainty of the fitted ratio, density; none where too little is seen by both, and the nominal ratio stands.
    pub sd: Option<f64>,
    /// Where the pixels of the shorter exposure lie in this one's.
    pub motion: Motion,
    /// How far patches are off that, pixels, in the median.
    pub left_px: Option<f64>,
}

/// Merges exposures, shortest first, into the first one's place. A fault comes with the place in the list of the exposure that it is about.
pub fn merge(mut exposures: Vec<Exposed>) -> Result<(Seen, Vec<Fitted>), (usize, Fault)> {
    let size = exposures[0].seen.transmittance.size();
    if let Some(k) = exposures.iter().position(|e| e.seen.transmittance.size() != size) {
        let odd = exposures[k].seen.transmittance.size();
        return Err((
            k,
            Fault::new(
                format!("copy exposures of one view differ in size: {size} and {odd} pixels"),
                "copy all exposures of a view with one camera at one picture size",
            ),
        ));
    }
    let mut fitted = Vec::new();
    for k in 1..exposures.len() {
        let (before, rest) = exposures.split_at_mut(k);
        let (short, long) = (&before[k - 1], &mut rest[0]);
        let found = register(size, |factor| logs(short, factor), |factor| logs(long, factor)).map_err(|f| (k, f))?;
        let mut motion = found.motion;
        if motion.most_px(size) > STILL {
            long.bring(short, &motion.map(size));
        } else {
            motion = Motion::NONE;
        }
        let (off, sd) = ratio(short, long).map_or((1.0, None), |(off, sd)| (off, sd));
        let nominal = long.seen.exposure_ratio / short.seen.exposure_ratio;
        long.seen.transmittance.pixels_mut().iter_mut().for_each(|t| t.0 /= off as f32);
        long.light.pixels_mut().iter_mut().for_each(|light| *light *= off as f32);
        fitted.push(Fitted { nominal, fitted: nominal * off, sd, motion, left_px: found.left_px });
    }
    let merged = Image::from_rows(size, Transmittance(0.0), |row, out| {
        for (column, t) in out.iter_mut().enumerate() {
            let at = |e: &Exposed| e.seen.transmittance.at(row, column).0;
            // All variances are taken at one and the same T, the longest sound exposure's: weighed by its own luck, a sample that fell
            // low would count for more.
            let seen = || exposures.iter().filter(|e| e.covers(row, column));
            let sure = |e: &&Exposed| at(e) * e.light_at(row, column) < FADES;
            let common = seen().rev().find(sure).map_or(1.0, at);
            let (mut sum, mut weights) = (0.0, 0.0);
            for e in seen() {
                let weight = e.weight(at(e), common, row, column);
                sum += weight * at(e);
                weights += weight;
            }
            // Where all are full the shortest speaks: it is the nearest to what was there.
            t.0 = if weights > 0.0 { sum / weights } else { exposures[0].seen.transmittance.at(row, column).0 };
        }
    });
    let mut first = exposures.swap_remove(0).seen;
    first.transmittance = merged;
    Ok((first, fitted))
}

impl Exposed {
    /// Resamples it onto the shorter exposure's pixels, which `map` takes to its own.
    fn bring(&mut self, short: &Exposed, map: &Homography) {
        let (size, kernel) = (self.seen.transmittance.size(), Kernel::new(1.0));
        self.mend_full(short, &map.inverse(), &kernel);
        self.seen.transmittance = resample(&self.seen.transmittance, size, &kernel, |p| map.apply(p));
        self.from = Some(*map);
    }

    /// Whether its own frame reaches a pixel that it was brought to.
    fn covers(&self, row: usize, column: usize) -> bool {
        let Some(from) = &self.from else { return true };
        let p = from.apply(Point::new(column as f64 + 0.5, row as f64 + 0.5));
        let size = self.seen.transmittance.size();
        p.x > 0.0 && p.y > 0.0 && p.x < size.columns as f64 && p.y < size.rows as f64
    }

    /// Gives full samples what a shorter exposure saw there: left full, they would stand as cliffs from which the kernel rings into
    /// sound samples beside them. They have no say of their own, as what they now hold is over full scale.
    fn mend_full(&mut self, short: &Exposed, to_short: &Homography, kernel: &Kernel) {
        let size = self.seen.transmittance.size();
        let values: &[f32] = bytemuck::cast_slice(short.seen.transmittance.pixels());
        let mended = Image::from_rows(size, Transmittance(0.0), |row, out| {
            for (column, t) in out.iter_mut().enumerate() {
                *t = self.seen.transmittance.at(row, column);
                let full = 1.0 / self.light_at(row, column).max(1e-6);
                if t.0 >= ENDS * full {
                    let p = Point::new(column as f64 + 0.5, row as f64 + 0.5);
                    t.0 = kernel.sample_in(values, size, to_short.apply(p)).max(ENDS * full);
                }
            }
        });
        self.seen.transmittance = mended;
    }

    fn light_at(&self, row: usize, column: usize) -> f32 {
        let (r, c) = ((row / self.cell).min(self.light.rows() - 1), (column / self.cell).min(self.light.columns() - 1));
        self.light.at(r, c)
    }

    /// Inverse variance of a sample where T is `common`, fading out as the sample itself nears full scale.
    fn weight(&self, own: f32, common: f32, row: usize, column: usize) -> f32 {
        let full = self.light_at(row, column);
        let say = ((ENDS - own * full) / (ENDS - FADES)).clamp(0.0, 1.0);
        say * full * full / (SHOT * (common * full).max(0.0) + self.read * self.read)
    }
}

/// By how much the long exposure's T stands over the short one's where both are sure: the ratio of their sums, and its standard uncertainty in
/// density by how it differs between parts of the frame. Places are chosen by the long exposure alone, which has the less noise: chosen by
/// the short one's luck, its sum would be too high. None where such places are few.
fn ratio(short: &Exposed, long: &Exposed) -> Option<(f64, Option<f64>)> {
    const LEAST: f32 = 0.03;
    const PARTS: usize = 8;
    let size = short.seen.transmittance.size();
    let mut pairs: Vec<(f32, f32)> = Vec::new();
    for row in (0..size.rows).step_by(3) {
        for column in (0..size.columns).step_by(3) {
            let (a, b) = (short.seen.transmittance.at(row, column).0, long.seen.transmittance.at(row, column).0);
            let sure = b * short.light_at(row, column) > LEAST && b * long.light_at(row, column) < FADES;
            if sure && long.covers(row, column) && short.covers(row, column) {
                pairs.push((a, b));
            }
        }
    }
    if pairs.len() < 200 {
        return None;
    }
    let mut ratios: Vec<f32> = pairs.iter().map(|(a, b)| a / b).collect();
    let middle = ratios.len() / 2;
    let median = *ratios.select_nth_unstable_by(middle, f32::total_cmp).1;
    // Dust that moved and edges that did not meet stand far off.
    pairs.retain(|(a, b)| (a / b / median - 1.0).abs() < 0.4);
    let of = |pairs: &[(f32, f32)]| {
        let (short, long) = pairs.iter().fold((0.0, 0.0), |sum, (a, b)| (sum.0 + *a as f64, sum.1 + *b as f64));
        long / short
    };
    let parts: Vec<f64> = pairs.chunks(pairs.len().div_ceil(PARTS)).map(|part| of(part).log10()).collect();
    Some((of(&pairs), of_one_more(&parts)))
}

/// Logarithms of T, reduced: minus infinity where the exposure is too dark to be sure, infinity where it is full, not a number outside of it.
fn logs(e: &Exposed, factor: usize) -> Image<f32> {
    let t = reduced(&e.seen.transmittance, factor);
    let least = 4.0 * e.read;
    Image::from_rows(t.size(), 0f32, |row, out| {
        for (column, value) in out.iter_mut().enumerate() {
            let t = t.at(row, column).0;
            let place = [row, column].map(|i| i * factor + factor / 2);
            let level = t * e.light_at(place[0], place[1]);
            *value = match level {
                _ if !e.covers(place[0], place[1]) => f32::NAN,
                _ if t <= 0.0 || level <= least => f32::NEG_INFINITY,
                _ if level >= FADES => f32::INFINITY,
                _ => t.ln(),
            };
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::image::Size;
    use rand::SeedableRng;
    use rand_distr::{Distribution, Normal};

    const SIZE: Size = Size { rows: 480, columns: 640 };

    /// A plate to density 3 with texture, seen where `motion` takes the first frame's pixels, with full light `full` at T = 1.
    fn exposed(full: f32, ratio: f64, wrong: f32, motion: &Motion, seed: u64) -> Exposed {
        let mut rng = rand_pcg::Pcg64::seed_from_u64(seed);
        let noise = Normal::new(0.0, 1.0f32).unwrap();
        let mut t = Image::filled(SIZE, Transmittance(0.0));
        let back = motion.map(SIZE).inverse();
        for row in 0..SIZE.rows {
            for column in 0..SIZE.columns {
                let level = (truth(back.apply(middle(row, column))) * full * wrong).min(1.0);
                let seen = level + noise.sample(&mut rng) * (SHOT * level + 1e-8).sqrt();
                t.set(row, column, Transmittance(if level >= 1.0 { 1.0 } else { seen / full }));
            }
        }
        let seen = Seen { transmittance: t, exposure_ratio: ratio, clipped: 0.0, pattern: None, lateral: None };
        Exposed { seen, light: Image::filled(Size::new(60, 80), full), cell: 8, read: 1e-4, from: None }
    }

    fn middle(row: usize, column: usize) -> Point {
        Point::new(column as f64 + 0.5, row as f64 + 0.5)
    }

    fn truth(p: Point) -> f32 {
        let waves = (p.x * 0.21).sin() * (p.y * 0.17).cos() + (p.y * 0.05 + p.x * 0.013).sin();
        let density = 0.2 + 2.8 * p.x / 640.0 + 0.25 * waves;
        10f64.powf(-density.max(0.1)) as f32
    }

    /// Two exposures three stops apart, the second's shutter 4 % long and the camera moved: ratio, motion and density come back. Means
    /// are taken over 20 × 20 pixels. A shift alone, a turn that moves corners by a pixel, and a knock.
    #[test]
    fn what_one_exposure_cannot_hold_two_can() {
        let motions = [
            Motion { shift_px: Point::new(1.3, -0.7), turn: 0.0, scale: 1.0 },
            Motion { shift_px: Point::new(0.4, 0.8), turn: 0.15f64.to_radians(), scale: 1.0 },
            Motion { shift_px: Point::new(-52.3, 30.6), turn: -0.003, scale: 1.002 },
        ];
        for motion in motions {
            let short = exposed(0.8, 1.0, 1.0, &Motion::NONE, 1);
            let long = exposed(6.4, 8.0, 1.04, &motion, 2);
            let (merged, fitted) = merge(vec![short, long]).unwrap();
            let [found] = &fitted[..] else { panic!("{fitted:?}") };
            assert!((found.fitted / 8.32 - 1.0).abs() < 0.002, "{found:?}");
            assert!((found.fitted / 8.32).log10().abs() < 3.0 * found.sd.unwrap(), "{found:?}");
            let off = |p: Point| motion.map(SIZE).apply(p).distance(found.motion.map(SIZE).apply(p));
            // Averaged a tenth of a pixel apart, cos(π · 0.25 · 0.1) = 0.997 of the contrast at a quarter of a cycle a pixel is kept.
            assert!(found.motion.shift_px.distance(motion.shift_px) < 0.05, "{motion:?} {found:?}");
            assert!(off(middle(0, 0)).max(off(middle(479, 639))) < 0.1, "{motion:?} {found:?}");
            assert!(found.left_px.unwrap() < 0.1, "{found:?}");
            for column in [20, 120, 240, 360, 480, 580] {
                let (mut seen, mut known) = (0.0, 0.0);
                for row in 100..120 {
                    for c in column..column + 20 {
                        seen += merged.transmittance.at(row, c).0;
                        known += truth(middle(row, c));
                    }
                }
                let off = (seen / known).log10().abs();
                // Three standard deviations of shot noise in the mean of the exposure that sees the place, and the ratio's own error.
                let covered = motion.map(SIZE).apply(middle(110, column)).x > 0.0;
                let level = known / 400.0 * if covered { 6.4 } else { 0.8 };
                let limit = 0.001 + 3.0 * std::f32::consts::LOG10_E * (SHOT / level).sqrt() / 20.0;
                assert!(off < limit, "{motion:?}, column {column}: {off} of density, noise allows {limit}");
            }
        }
    }

    /// Exposures whose settings do not tell the ratio: it is fitted, and what is full in the longer still has no say.
    #[test]
    fn a_ratio_that_nothing_tells_is_fitted() {
        let short = exposed(0.8, 1.0, 1.0, &Motion::NONE, 1);
        let mut long = exposed(6.4, 1.0, 1.0, &Motion::NONE, 2);
        long.seen.transmittance.pixels_mut().iter_mut().for_each(|t| t.0 *= 8.0);
        long.light = Image::filled(long.light.size(), 0.8);
        let (merged, fitted) = merge(vec![short, long]).unwrap();
        assert!((fitted[0].fitted / 8.0 - 1.0).abs() < 0.002, "{fitted:?}");
        let clear = (100..140).flat_map(|row| (10..50).map(move |c| (row, c)));
        let off = clear.clone().map(|(r, c)| merged.transmittance.at(r, c).0 / truth(middle(r, c)) - 1.0).sum::<f32>()
            / 1600.0;
        assert!(off.abs() < 0.003, "{off}");
    }

    /// Frames of two places: the second in the list is at fault.
    #[test]
    fn another_place_is_refused() {
        let short = exposed(0.8, 1.0, 1.0, &Motion::NONE, 1);
        let far = Motion { turn: std::f64::consts::PI, ..Motion::NONE };
        let (place, fault) = merge(vec![short, exposed(6.4, 8.0, 1.0, &far, 2)]).unwrap_err();
        assert!(place == 1 && fault.what().contains("does not come to lie"), "{place} {fault}");
    }

    /// An even view tells no motion and needs none.
    #[test]
    fn an_even_view_is_merged_as_it_lies() {
        let even = |full: f32, ratio: f64| {
            let mut made = exposed(full, ratio, 1.0, &Motion::NONE, 1);
            made.seen.transmittance = Image::filled(SIZE, Transmittance(0.1));
            made
        };
        let (merged, fitted) = merge(vec![even(0.8, 1.0), even(6.4, 8.0)]).unwrap();
        assert_eq!(fitted[0].motion, Motion::NONE);
        assert!((merged.transmittance.at(200, 300).0 - 0.1).abs() < 1e-5);
    }
}
