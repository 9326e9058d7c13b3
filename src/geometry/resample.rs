//! The one interpolation between a capture and its result.
//!
//! A sinc of four lobes under a Kaiser window: at the capture's own sampling it keeps the transfer within 0.97 to 1.02 up to
//! 0.35 cycles a pixel wherever the sample falls (three lobes under Lanczos' window keep 0.86 there). Where the result is sampled
//! more coarsely the kernel widens by as much, so that nothing folds over. Weights are normalised, so that an even field
//! stays even.

use super::Point;
use crate::image::{Image, Size};
use bytemuck::Pod;
use wide::f32x8;

/// Lobes on either side of the centre.
const LOBES: usize = 4;
/// Taps come in as many as a vector has lanes; those beyond the lobes weigh nothing.
const LANES: usize = 8;
/// Kaiser's parameter: more would ring less and blur more.
const BETA: f64 = 4.0;
/// Kernel positions held ready for each pixel of distance; the nearest is off by at most 1/4096 px.
const PHASES: usize = 1 << PHASE_BITS;
const PHASE_BITS: usize = 11;
/// The widest reduction in one step; beyond it, memory for weights grows and another tool is meant.
const WIDEST: f64 = 16.0;

/// Weights of a sampling kernel, ready to look up.
pub struct Kernel {
    /// Taps for each phase, `PHASES` rows of `taps`.
    weights: Vec<f32>,
    taps: usize,
}

impl Kernel {
    /// `reduction`: source pixels per result pixel; below 1.02 the plain kernel is used: what would fold over lies beyond 0.49
    /// cycles a pixel, where no lens passes anything.
    pub fn new(reduction: f64) -> Kernel {
        let stretch = if reduction < 1.02 { 1.0 } else { reduction.min(WIDEST) };
        let taps = (2 * (LOBES as f64 * stretch).ceil() as usize).next_multiple_of(LANES);
        let mut weights = Vec::with_capacity(PHASES * taps);
        for phase in 0..PHASES {
            let offset = phase as f64 / PHASES as f64;
            let at = |tap: usize| (tap as f64 - (taps / 2 - 1) as f64 - offset) / stretch;
            let raw: Vec<f64> = (0..taps).map(|tap| windowed_sinc(at(tap))).collect();
            let sum: f64 = raw.iter().sum();
            weights.extend(raw.iter().map(|w| (w / sum) as f32));
        }
        Kernel { weights, taps }
    }

    /// First source index and weights for a sample that lies `phases` beyond the centre of the source's first pixel.
    #[inline(always)]
    fn at(&self, phases: i64) -> (isize, &[f32]) {
        let phase = phases as usize % PHASES;
        let first = (phases >> PHASE_BITS) as isize - (self.taps / 2 - 1) as isize;
        (first, &self.weights[phase * self.taps..][..self.taps])
    }

    /// One interpolated value. Beyond the border the nearest pixel stands in.
    pub fn sample(&self, source: &Image<f32>, p: Point) -> f32 {
        self.sample_in(source.pixels(), source.size(), p)
    }

    /// Values at the places `place(0)`, `place(1)` and so on, as many as `out` holds.
    #[inline(always)]
    pub fn run<const RUN: usize>(&self, source: &[f32], size: Size, place: impl Fn(usize) -> Point, out: &mut [f32]) {
        in_runs::<RUN>(place, out, |at| self.sample_at(source, size, at));
    }

    /// The same from bare numbers, row by row.
    #[inline(always)]
    pub fn sample_in(&self, source: &[f32], size: Size, p: Point) -> f32 {
        self.sample_at(source, size, phases(p))
    }

    /// The same at a place told in phases along x and y.
    #[inline(always)]
    fn sample_at(&self, source: &[f32], size: Size, [x, y]: [i64; 2]) -> f32 {
        let ((x0, wx), (y0, wy)) = (self.at(x), self.at(y));
        let taps = self.taps as isize;
        let (columns, rows) = (size.columns as isize, size.rows as isize);
        if x0 >= 0 && y0 >= 0 && x0 + taps <= columns && y0 + taps <= rows {
            let source = &source[y0 as usize * size.columns + x0 as usize..];
            return match (wx.try_into(), wy.try_into()) {
                (Ok(wx), Ok(wy)) => plain(source, size.columns, wx, wy),
                _ => widened(source, size.columns, wx, wy),
            };
        }
        let mut sum = 0.0;
        for (dy, weight_y) in wy.iter().enumerate() {
            let row = (y0 + dy as isize).clamp(0, rows - 1) * columns;
            for (dx, weight_x) in wx.iter().enumerate() {
                let column = (x0 + dx as isize).clamp(0, columns - 1);
                sum += weight_y * weight_x * source[(row + column) as usize];
            }
        }
        sum
    }
}

/// How many phases a place (pixel centres at half-integers) lies beyond the centre of the source's first pixel along x and y: the nearest.
#[inline(always)]
fn phases(p: Point) -> [i64; 2] {
    // Here doubles lie 1 apart, so that the sum itself rounds to whole phases: casts and floors would each cost more.
    const WHOLE: f64 = 1.5 * (1u64 << 52) as f64;
    [p.x, p.y].map(|v| ((v - 0.5) * PHASES as f64 + WHOLE).to_bits() as i64 - WHOLE.to_bits() as i64)
}

/// Fills `out` with what `read` gives at the phases of each place. `RUN` places are found before any is read: one loop for each is one that
/// vectors take.
#[inline(always)]
fn in_runs<const RUN: usize>(place: impl Fn(usize) -> Point, out: &mut [f32], read: impl Fn([i64; 2]) -> f32) {
    for (run, out) in out.chunks_mut(RUN).enumerate() {
        let mut places = [[0; 2]; RUN];
        places.iter_mut().enumerate().for_each(|(k, at)| *at = phases(place(run * RUN + k)));
        out.iter_mut().zip(places).for_each(|(out, at)| *out = read(at));
    }
}

/// As many numbers as a vector has lanes, from one on.
#[inline(always)]
fn lanes(values: &[f32], from: usize) -> f32x8 {
    let values: [f32; LANES] = values[from..from + LANES].try_into().expect("as long as asked for");
    values.into()
}

/// The plain kernel where it reaches over no border: sums down columns, then across, always in one order.
#[inline(always)]
fn plain(source: &[f32], stride: usize, wx: &[f32; LANES], wy: &[f32; LANES]) -> f32 {
    let mut sum = f32x8::ZERO;
    for (row, w) in wy.iter().enumerate() {
        sum += lanes(source, row * stride) * f32x8::splat(*w);
    }
    across(sum * f32x8::from(*wx))
}

/// The same with a kernel widened for a reduction.
fn widened(source: &[f32], stride: usize, wx: &[f32], wy: &[f32]) -> f32 {
    let mut total = f32x8::ZERO;
    for column in (0..wx.len()).step_by(LANES) {
        let mut sum = f32x8::ZERO;
        for (row, w) in wy.iter().enumerate() {
            sum += lanes(source, row * stride + column) * f32x8::splat(*w);
        }
        total += sum * lanes(wx, column);
    }
    across(total)
}

#[inline(always)]
fn across(total: f32x8) -> f32 {
    let [a, b, c, d, e, f, g, h] = total.to_array();
    ((a + e) + (c + g)) + ((b + f) + (d + h))
}

fn windowed_sinc(x: f64) -> f64 {
    let share = x / LOBES as f64;
    if share.abs() >= 1.0 {
        return 0.0;
    }
    let px = std::f64::consts::PI * x;
    let sinc = if px.abs() < 1e-9 { 1.0 } else { px.sin() / px };
    sinc * bessel_i0(BETA * (1.0 - share * share).sqrt()) / bessel_i0(BETA)
}

/// Modified Bessel function of the first kind, order 0, by its power series (converges fast for arguments below 10).
fn bessel_i0(x: f64) -> f64 {
    let (mut sum, mut term) = (1.0, 1.0);
    for k in 1..32 {
        term *= (x / (2.0 * k as f64)).powi(2);
        sum += term;
    }
    sum
}

/// Linear interpolation (pixel centres at half-integers; borders are held): for searches and coarse views, where the kernel's sharpness
/// would gain nothing.
pub fn linear(image: &Image<f32>, p: Point) -> f64 {
    let (x, y) = (p.x - 0.5, p.y - 0.5);
    let (column, row) = (x.floor(), y.floor());
    let (fx, fy) = (x - column, y - row);
    let (column, row) = (column as isize, row as isize);
    let whole = row >= 0 && column >= 0 && row + 1 < image.rows() as isize && column + 1 < image.columns() as isize;
    let [a, b, c, d] = if whole {
        let i = row as usize * image.columns() + column as usize;
        let (upper, lower) = (&image.pixels()[i..i + 2], &image.pixels()[i + image.columns()..][..2]);
        [upper[0], upper[1], lower[0], lower[1]]
    } else {
        [(row, column), (row, column + 1), (row + 1, column), (row + 1, column + 1)]
            .map(|(r, c)| image.at_clamped(r, c))
    };
    let [a, b, c, d] = [a, b, c, d].map(f64::from);
    (a * (1.0 - fx) + b * fx) * (1.0 - fy) + (c * (1.0 - fx) + d * fx) * fy
}

/// The same at the places `place(0)`, `place(1)` and so on, as many as `out` holds, each to the nearest phase. The image has two rows and
/// columns at least.
#[inline(always)]
pub fn linear_run<const RUN: usize>(image: &Image<f32>, place: impl Fn(usize) -> Point, out: &mut [f32]) {
    let (columns, values) = (image.columns(), image.pixels());
    let last = [columns as i64 - 1, image.rows() as i64 - 1];
    let held = |v: i64, last: i64| {
        let v = v.clamp(0, last << PHASE_BITS);
        let whole = (v >> PHASE_BITS).min(last - 1);
        (whole as usize, (v - (whole << PHASE_BITS)) as f32 / PHASES as f32)
    };
    in_runs::<RUN>(place, out, |[x, y]| {
        let ((column, fx), (row, fy)) = (held(x, last[0]), held(y, last[1]));
        let at = row * columns + column;
        let (upper, lower) = (&values[at..at + 2], &values[at + columns..][..2]);
        let along = |line: &[f32]| line[0] + (line[1] - line[0]) * fx;
        along(upper) + (along(lower) - along(upper)) * fy
    });
}

/// Fills a result of `size`: its pixel centre (x, y) takes the source's value at `map(x, y)`, as `keep` would have it kept.
pub fn resample_as<T: Pod + Send + Sync, U: Copy + Default + Send + Sync>(
    source: &Image<T>,
    size: Size,
    kernel: &Kernel,
    map: impl Fn(Point) -> Point + Sync,
    keep: impl Fn(f32) -> U + Sync,
) -> Image<U> {
    const RUN: usize = 64;
    let values: &[f32] = bytemuck::cast_slice(source.pixels());
    Image::from_rows(size, U::default(), |row, out| {
        let mut read = [0.0; RUN];
        for (run, out) in out.chunks_mut(RUN).enumerate() {
            let place = |k| map(Point::new((run * RUN + k) as f64 + 0.5, row as f64 + 0.5));
            kernel.run::<RUN>(values, source.size(), place, &mut read[..out.len()]);
            out.iter_mut().zip(&read).for_each(|(out, read)| *out = keep(*read));
        }
    })
}

/// [`resample_as`] it is.
pub fn resample<T: Pod + Default + Send + Sync>(
    source: &Image<T>,
    size: Size,
    kernel: &Kernel,
    map: impl Fn(Point) -> Point + Sync,
) -> Image<T> {
    resample_as(source, size, kernel, map, |value| bytemuck::cast(value))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::PI;

    #[test]
    fn an_even_field_stays_even_and_no_shift_changes_nothing() {
        let even = Image::filled(Size::new(20, 20), 0.37f32);
        let kernel = Kernel::new(1.0);
        let moved = resample(&even, Size::new(20, 20), &kernel, |p| p + Point::new(0.3, -0.7));
        assert!(moved.pixels().iter().all(|v| (v - 0.37).abs() < 1e-6));
        let ramp = Image::from_vec(Size::new(9, 9), (0..81).map(|v| v as f32).collect());
        let same = resample(&ramp, Size::new(9, 9), &kernel, |p| p);
        assert!(same.pixels().iter().zip(ramp.pixels()).all(|(a, b)| (a - b).abs() < 1e-4));
    }

    /// A sampled sine moved by half a pixel must come out as the sine at the new places (closed form).
    #[test]
    fn a_fine_sine_keeps_its_height() {
        for (cycles, least) in [(0.1, 0.99), (0.25, 0.99), (0.35, 0.97)] {
            let sine = |x: f64| (2.0 * PI * cycles * x).sin();
            let size = Size::new(12, 200);
            let source = Image::from_rows(size, 0f32, |_, row| {
                row.iter_mut().enumerate().for_each(|(c, v)| *v = sine(c as f64 + 0.5) as f32)
            });
            let moved = resample(&source, size, &Kernel::new(1.0), |p| p + Point::new(0.5, 0.0));
            let (mut dot, mut norm) = (0.0, 0.0);
            for column in 10..190 {
                let truth = sine(column as f64 + 1.0);
                dot += truth * moved.at(6, column) as f64;
                norm += truth * truth;
            }
            let gain = dot / norm;
            assert!(gain > least && gain < 1.03, "{cycles} cycles a pixel: gain {gain}");
        }
    }

    #[test]
    fn many_places_at_once_read_as_each_alone() {
        let source = Image::from_rows(Size::new(9, 11), 0f32, |r, row| {
            row.iter_mut().enumerate().for_each(|(c, v)| *v = ((3 * r + 5 * c) % 7) as f32)
        });
        // From beyond one corner to beyond the other.
        let place = |k: usize| Point::new(-2.0 + 0.41 * k as f64, -1.0 + 0.33 * k as f64);
        let (kernel, mut read, mut linearly) = (Kernel::new(1.0), [0f32; 37], [0f32; 37]);
        kernel.run::<8>(source.pixels(), source.size(), place, &mut read);
        linear_run::<8>(&source, place, &mut linearly);
        for k in 0..37 {
            assert_eq!(read[k], kernel.sample(&source, place(k)));
            // Places are told to 1/4096 px, and neighbours differ by 6 at most.
            assert!((linearly[k] as f64 - linear(&source, place(k))).abs() < 2.0 * 6.0 / 4096.0, "{k}");
        }
    }

    #[test]
    fn a_reduction_folds_nothing_over() {
        let size = Size::new(64, 64);
        let source = Image::from_rows(size, 0f32, |_, row| {
            row.iter_mut().enumerate().for_each(|(c, v)| *v = 0.5 + 0.5 * (PI * c as f64).cos() as f32)
        });
        let small = resample(&source, Size::new(16, 16), &Kernel::new(4.0), |p| p * 4.0);
        assert!(small.row(8)[5..11].iter().all(|v| (v - 0.5).abs() < 0.01));
    }
}
