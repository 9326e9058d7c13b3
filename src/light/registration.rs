//! How one exposure of a view lies on another: the camera's shift, turn and change of scale between them.
//!
//! In: logarithms of transmittance of both at any reduction, infinite where one of them is not sure. Out: a [`Motion`] and how far patches are
//! off it. Where a view is even there is nothing to be told and nothing to be lost: no motion, no error. Fails where both see too little, or
//! where the two do not come to lie on each other.
//!
//! Method: phase correlation of the whole for the start (Kuglin & Hines 1975), then least squares on the difference of the whole from coarse to
//! fine (Lucas & Kanade 1981) for shift, turn, scale and level; held against patches by the ties of tiles ([`crate::mosaic::tie`]).

use crate::error::Fault;
use crate::geometry::resample::{Kernel, linear};
use crate::geometry::{Homography, Point};
use crate::image::{Image, Size};
use crate::mosaic::ties::{self, Between};
use nalgebra::{Complex, SMatrix, SVector};
use rayon::prelude::*;
use rustfft::FftPlanner;

/// Long side of the reduced frames whose phases are correlated, in pixels: a power of two.
const WHOLE: usize = 256;
/// Differences of logarithms beyond which a place has no say, while coming near and in the end.
const FAR: [f64; 2] = [2.0, 0.7];
/// Fewest places that both must see.
const PLACES: usize = 500;
/// Standard deviation of logarithms below which a view is even, in pixels large enough that noise is less.
const EVEN: f64 = 0.02;
/// Correlation below which two frames do not show the same.
const LIKE: f64 = 0.6;
/// Patches along the longer side, whole pixels that each is looked for about its place, and what its place must be sure to.
const PATCHES: usize = 9;
const SEARCH: usize = 6;
const SURE_PX: f64 = 0.15;
/// Pixels that patches may be off in the middle before the frames are said not to lie on each other.
const LOST_PX: f64 = 3.0;

/// Where the pixels of one frame lie in another of its size: turned and scaled about the frame's middle, then shifted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Motion {
    pub shift_px: Point,
    /// Radians from x towards y.
    pub turn: f64,
    pub scale: f64,
}

/// A motion, and how far patches are off it in the median, where any tell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Registered {
    pub motion: Motion,
    pub left_px: Option<f64>,
}

impl Motion {
    pub const NONE: Motion = Motion { shift_px: Point { x: 0.0, y: 0.0 }, turn: 0.0, scale: 1.0 };

    /// From the pixels of a frame of a size to the other's.
    pub fn map(&self, size: Size) -> Homography {
        let middle = Point::new(size.columns as f64, size.rows as f64) * 0.5;
        let home = Homography::similarity(1.0, 0.0, middle * -1.0);
        Homography::similarity(self.scale, self.turn, middle + self.shift_px).after(&home)
    }

    /// How far it moves a frame's corners at most.
    pub fn most_px(&self, size: Size) -> f64 {
        let (map, [w, h]) = (self.map(size), [size.columns as f64, size.rows as f64]);
        let corners = [[0.0, 0.0], [w, 0.0], [w, h], [0.0, h]].map(|[x, y]| Point::new(x, y));
        corners.into_iter().map(|p| map.apply(p).distance(p)).fold(0.0, f64::max)
    }

    fn reduced(&self, factor: usize) -> Motion {
        Motion { shift_px: self.shift_px * (1.0 / factor as f64), ..*self }
    }
}

/// Lays `b` on `a`, both of `size`. Each gives its logarithms reduced by a factor: minus infinity where too dark to be sure, infinity where
/// full.
pub fn register(
    size: Size,
    a: impl Fn(usize) -> Image<f32>,
    b: impl Fn(usize) -> Image<f32>,
) -> Result<Registered, Fault> {
    let coarsest = size.rows.max(size.columns).div_ceil(WHOLE);
    let small = (a(coarsest), b(coarsest));
    let range = common_range(&small.0, &small.1).ok_or_else(nothing_common)?;
    let flat = (within(&small.0, range), within(&small.1, range));
    if spread(&flat.0) < EVEN && spread(&flat.1) < EVEN {
        return Ok(Registered { motion: Motion::NONE, left_px: None });
    }
    // The camera mostly stands still: of the two starts the one by which the frames are more alike.
    let start = Motion { shift_px: correlated(&flat.0, &flat.1), ..Motion::NONE };
    let start = [Motion::NONE, start].into_iter().max_by(|p, q| {
        let like = |m: &Motion| likeness(&flat.0, &flat.1, m);
        like(p).total_cmp(&like(q))
    });
    let start = start.unwrap_or(Motion::NONE);
    let mut motion = Motion { shift_px: start.shift_px * coarsest as f64, ..start };
    let factors = std::iter::successors(Some(coarsest), |f| (*f > 1).then(|| f.div_ceil(2)));
    for factor in factors {
        // Values between pixels are linear ones: what is finer than they can follow would pull the motion.
        let (a, b) = (softened(&a(factor)), softened(&b(factor)));
        motion = settled(&a, &b, motion, factor);
    }
    if likeness(&flat.0, &flat.1, &motion.reduced(coarsest)) < LIKE {
        return Err(not_alike());
    }
    let left_px = left_over(&within(&a(1), range), &within(&b(1), range), &motion);
    match left_px {
        Some(left) if left > LOST_PX => Err(not_alike()),
        _ => Ok(Registered { motion, left_px }),
    }
}

fn nothing_common() -> Fault {
    Fault::new(
        "nothing in it is exposed well that the next shorter exposure of the view shows well, too",
        "take copy exposures no more than six times apart, or leave this one out",
    )
}

fn not_alike() -> Fault {
    Fault::new(
        "it does not come to lie on the next shorter exposure of the view: another place, or the camera moved far",
        "list exposures of one view together, taken without moving plate or camera, or leave this one out",
    )
}

/// Logarithms that both show, from dark to clear; none where they share next to nothing.
fn common_range(a: &Image<f32>, b: &Image<f32>) -> Option<[f32; 2]> {
    let ends = |image: &Image<f32>| {
        let mut sure: Vec<f32> = image.pixels().iter().copied().filter(|v| v.is_finite()).collect();
        sure.sort_unstable_by(f32::total_cmp);
        (!sure.is_empty()).then(|| [sure[sure.len() / 50], sure[sure.len() - 1 - sure.len() / 50]])
    };
    let ([a_dark, a_clear], [b_dark, b_clear]) = (ends(a)?, ends(b)?);
    let range = [a_dark.max(b_dark), a_clear.min(b_clear)];
    let inside = |image: &Image<f32>| image.pixels().iter().filter(|v| (range[0]..=range[1]).contains(v)).count();
    (inside(a).min(inside(b)) >= PLACES.min(a.size().area() / 50)).then_some(range)
}

fn within(image: &Image<f32>, [dark, clear]: [f32; 2]) -> Image<f32> {
    image.map(|v| if v.is_nan() { dark } else { v.clamp(dark, clear) })
}

fn spread(image: &Image<f32>) -> f64 {
    let n = image.size().area() as f64;
    let mean = image.pixels().iter().map(|v| *v as f64).sum::<f64>() / n;
    (image.pixels().iter().map(|v| (*v as f64 - mean).powi(2)).sum::<f64>() / n).sqrt()
}

/// Whole-pixel shift of `b` against `a` at the peak of their phase correlation.
fn correlated(a: &Image<f32>, b: &Image<f32>) -> Point {
    let (mut spectrum, of_a) = (transformed(b), transformed(a));
    for (b, a) in spectrum.iter_mut().zip(&of_a) {
        let cross = *b * a.conj();
        *b = cross / cross.norm().max(1e-9);
    }
    both_ways(&mut spectrum, false);
    let peak = (0..spectrum.len()).max_by(|p, q| spectrum[*p].re.total_cmp(&spectrum[*q].re)).unwrap_or(0);
    let signed = |i: usize| if i < WHOLE / 2 { i as f64 } else { i as f64 - WHOLE as f64 };
    // The transform lies on its side twice, and so upright again.
    Point::new(signed(peak % WHOLE), signed(peak / WHOLE))
}

/// Spectrum of a reduced frame less its mean, faded out towards its borders (Hann).
fn transformed(image: &Image<f32>) -> Vec<Complex<f32>> {
    let Size { rows, columns } = image.size();
    let mean = image.pixels().iter().sum::<f32>() / image.size().area().max(1) as f32;
    let hann = |i: usize, n: usize| (std::f32::consts::PI * (i as f32 + 0.5) / n as f32).sin().powi(2);
    let mut values = vec![Complex::new(0.0, 0.0); WHOLE * WHOLE];
    for row in 0..rows.min(WHOLE) {
        for (column, v) in image.row(row).iter().enumerate().take(WHOLE) {
            values[row * WHOLE + column].re = (v - mean) * hann(row, rows) * hann(column, columns);
        }
    }
    both_ways(&mut values, true);
    values
}

/// Fourier transform along both axes; it comes out on its side.
fn both_ways(values: &mut Vec<Complex<f32>>, forward: bool) {
    let mut planner = FftPlanner::new();
    let plan = if forward { planner.plan_fft_forward(WHOLE) } else { planner.plan_fft_inverse(WHOLE) };
    for _ in 0..2 {
        plan.process(values);
        *values = (0..values.len()).map(|i| values[i % WHOLE * WHOLE + i / WHOLE]).collect();
    }
}

/// Correlation of the values of `a` with those of `b` where the motion takes them.
fn likeness(a: &Image<f32>, b: &Image<f32>, motion: &Motion) -> f64 {
    let map = motion.map(a.size());
    let mut sums = [0f64; 6];
    for row in 0..a.rows() {
        for column in 0..a.columns() {
            let q = map.apply(Point::new(column as f64 + 0.5, row as f64 + 0.5));
            if q.x < 0.0 || q.y < 0.0 || q.x > b.columns() as f64 || q.y > b.rows() as f64 {
                continue;
            }
            let (x, y) = (a.at(row, column) as f64, linear(b, q));
            for (sum, v) in sums.iter_mut().zip([1.0, x, y, x * x, y * y, x * y]) {
                *sum += v;
            }
        }
    }
    let [n, x, y, xx, yy, xy] = sums.map(|sum| sum / sums[0].max(1.0));
    if n == 0.0 {
        return -1.0;
    }
    (xy - x * y) / ((xx - x * x) * (yy - y * y)).max(1e-18).sqrt()
}

/// Steps of least squares until they are small.
fn settled(a: &Image<f32>, b: &Image<f32>, mut motion: Motion, factor: usize) -> Motion {
    if a.rows() < 40 || a.columns() < 40 {
        return motion;
    }
    let far = FAR[usize::from(factor <= 2)];
    let mut level = level(a, b, &motion.reduced(factor));
    for _ in 0..8 {
        let Some(by) = step(a, b, &motion.reduced(factor), level, far) else { break };
        motion.shift_px = motion.shift_px + Point::new(by[0], by[1]) * factor as f64;
        motion.turn += by[2];
        motion.scale *= 1.0 + by[3];
        level += by[4];
        let corner = 0.5 * (a.columns() as f64).hypot(a.rows() as f64);
        if by[0].hypot(by[1]) + corner * by[2].hypot(by[3]) < 2e-3 {
            break;
        }
    }
    motion
}

/// The middle difference of `a` and `b`.
fn level(a: &Image<f32>, b: &Image<f32>, motion: &Motion) -> f64 {
    let mut offs = Vec::new();
    each(a, b, motion, 1e4, |_, off, _| offs.push(off));
    let middle = offs.len() / 2;
    if offs.is_empty() { 0.0 } else { *offs.select_nth_unstable_by(middle, f64::total_cmp).1 }
}

/// What to add to shift, turn, scale (as a share) and level so that `b` lies better on `a`.
fn step(a: &Image<f32>, b: &Image<f32>, motion: &Motion, level: f64, far: f64) -> Option<SVector<f64, 5>> {
    let (mut normal, mut right) = (SMatrix::<f64, 5, 5>::zeros(), SVector::<f64, 5>::zeros());
    let mut count = 0;
    // Turn and scale in pixels at the corner, so that all five are of one order.
    let corner = 0.5 * (a.columns() as f64).hypot(a.rows() as f64);
    each(a, b, motion, 1e6, |arm, off, slope| {
        let off = off - level;
        if off.abs() > far {
            return;
        }
        let (turn, scale) = (slope.y * arm.x - slope.x * arm.y, slope.x * arm.x + slope.y * arm.y);
        let row = SVector::<f64, 5>::from([slope.x, slope.y, turn / corner, scale / corner, 1.0]);
        normal += row * row.transpose();
        right += row * off;
        count += 1;
    });
    let mut by = (count > PLACES).then(|| normal.cholesky()).flatten()?.solve(&right);
    by[2] /= corner;
    by[3] /= corner;
    Some(by)
}

/// For about `most` places that both see: where `b`'s lies from the middle, the difference, and the slope of `b` there.
fn each(a: &Image<f32>, b: &Image<f32>, motion: &Motion, most: f64, mut told: impl FnMut(Point, f64, Point)) {
    let Size { rows, columns } = a.size();
    let (map, half) = (motion.map(a.size()), Point::new(0.5, 0.5));
    let middle = Point::new(columns as f64, rows as f64) * 0.5 + motion.shift_px;
    let stride = (a.size().area() as f64 / most).sqrt().ceil() as usize;
    for row in (2..rows.saturating_sub(2)).step_by(stride) {
        for column in (2..columns.saturating_sub(2)).step_by(stride) {
            let q = map.apply(Point::new(column as f64, row as f64) + half);
            let p = q - half;
            let at = |x: f64, y: f64| bilinear(b, p + Point::new(x, y));
            let slope = Point::new((at(1.0, 0.0) - at(-1.0, 0.0)) / 2.0, (at(0.0, 1.0) - at(0.0, -1.0)) / 2.0);
            let off = a.at(row, column) as f64 - at(0.0, 0.0);
            if (off + slope.x + slope.y).is_finite() {
                told(q - middle, off, slope);
            }
        }
    }
}

/// Value between pixels (whole numbers are pixels here); not a number outside.
fn bilinear(image: &Image<f32>, p: Point) -> f64 {
    let (c, r) = (p.x.floor(), p.y.floor());
    if c < 0.0 || r < 0.0 || c + 1.0 >= image.columns() as f64 || r + 1.0 >= image.rows() as f64 {
        return f64::NAN;
    }
    let (fx, fy) = (p.x - c, p.y - r);
    let at = |dr: usize, dc: usize| image.at(r as usize + dr, c as usize + dc) as f64;
    (at(0, 0) * (1.0 - fx) + at(0, 1) * fx) * (1.0 - fy) + (at(1, 0) * (1.0 - fx) + at(1, 1) * fx) * fy
}

/// Binomial means over 3 × 3 pixels; not finite beside one that is not.
fn softened(image: &Image<f32>) -> Image<f32> {
    let three = |a: f32, b: f32, c: f32| 0.25 * a + 0.5 * b + 0.25 * c;
    let across = Image::from_rows(image.size(), 0f32, |row, out| {
        let line = image.row(row);
        let last = line.len() - 1;
        for (column, value) in out.iter_mut().enumerate() {
            *value = three(line[column.saturating_sub(1)], line[column], line[(column + 1).min(last)]);
        }
    });
    Image::from_rows(image.size(), 0f32, |row, out| {
        let (above, below) = (across.row(row.saturating_sub(1)), across.row((row + 1).min(image.rows() - 1)));
        for (column, value) in out.iter_mut().enumerate() {
            *value = three(above[column], across.at(row, column), below[column]);
        }
    })
}

/// How far patches of `b` are off the motion, the median of those that tell.
fn left_over(a: &Image<f32>, b: &Image<f32>, motion: &Motion) -> Option<f64> {
    const SIDE: usize = ties::SIDE + 2 * ties::MARGIN;
    let Size { rows, columns } = a.size();
    let (map, kernel) = (motion.map(a.size()), Kernel::new(1.0));
    if rows.min(columns) < 2 * SIDE {
        return None;
    }
    let pitch = (rows.max(columns) - SIDE) as f64 / (PATCHES - 1) as f64;
    let along = |length: usize| {
        let n = ((length - SIDE) as f64 / pitch).floor().max(1.0) as usize;
        (0..=n).map(move |k| (length - SIDE) * k / n)
    };
    let places: Vec<(usize, usize)> = along(rows).flat_map(|r| along(columns).map(move |c| (r, c))).collect();
    let one = |&(top, left): &(usize, usize)| {
        let template = a.crop(crate::image::Window { row: top, column: left, size: Size::new(SIDE, SIDE) });
        let other = |by: Point, reach: usize, between: Between| {
            let side = SIDE + 2 * reach;
            let place = |i: usize, from: usize| (from + i) as f64 + 0.5 - reach as f64;
            between.lay(b, &kernel, side, |x, y| map.apply(Point::new(place(x, left), place(y, top))) + by)
        };
        let found = ties::measure(&template, other, SEARCH)?;
        (found.sure_px() < SURE_PX).then(|| found.by.x.hypot(found.by.y))
    };
    let mut left: Vec<f64> = places.par_iter().filter_map(one).collect();
    let middle = left.len() / 2;
    (!left.is_empty()).then(|| *left.select_nth_unstable_by(middle, f64::total_cmp).1)
}

#[cfg(test)]
mod tests {
    use super::*;

    const SIZE: Size = Size { rows: 480, columns: 640 };

    /// Logarithms of a textured view whose places are those that `from` gives.
    fn seen(factor: usize, from: impl Fn(Point) -> Point + Sync) -> Image<f32> {
        Image::from_rows(Size::new(SIZE.rows / factor, SIZE.columns / factor), 0f32, |row, out| {
            for (column, v) in out.iter_mut().enumerate() {
                let p = from(Point::new(column as f64 + 0.5, row as f64 + 0.5) * factor as f64);
                *v = ((p.x * 0.21).sin() * (p.y * 0.17).cos() + (p.y * 0.05 + p.x * 0.013).sin() - 2.0) as f32;
            }
        })
    }

    /// A bend that no similarity undoes: 8 u² pixels along x, u from −1/2 to 1/2 across the frame. The best shift leaves 8 (u² − 1/12), whose
    /// middle over u (|u² − 1/12| = 0.07) is 0.5 to 0.6 pixels.
    #[test]
    fn what_a_similarity_leaves_is_told() {
        let bent = |p: Point| p - Point::new(8.0 * (p.x / SIZE.columns as f64 - 0.5).powi(2), 0.0);
        let found = register(SIZE, |f| seen(f, |p| p), |f| seen(f, bent)).unwrap();
        let left = found.left_px.unwrap();
        assert!((0.35..0.8).contains(&left), "{found:?}");
        let straight = register(SIZE, |f| seen(f, |p| p), |f| seen(f, |p| p)).unwrap();
        assert!(straight.left_px.unwrap() < 0.02 && straight.motion.most_px(SIZE) < 0.02, "{straight:?}");
    }
}
