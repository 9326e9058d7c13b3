//! Ties: how far a patch of one tile lies from where another tile should show the same.
//!
//! In: a square patch of one tile (roots of transmittance, its own pixels, not interpolated), and a way to interpolate the other
//! tile at the same places plus a shift. Out: the shift, in pixels of the first tile, and its information matrix (the inverse of
//! the 2 × 2 covariance). Even sky gives no information in any direction, a plate's edge none along itself: that is no error.
//! None where the patches do not correlate at all.
//!
//! Method: the best whole-pixel shift by normalised correlation, then Gauss-Newton on the difference of the two patches with
//! the mean of both slopes (symmetric, so that noise in one slope does not pull the result), interpolating the
//! other tile anew at each step: no peak of a parabola, whose fit is biased by up to 0.4 px. Covariance: S⁻¹ V S⁻¹ with the
//! structure tensor S of what *both* patches show (products of one's slopes with the other's, so that noise does not count as
//! texture) and V from the scatter of residual times slope over blocks of the patch.

use crate::geometry::Point;
use crate::geometry::resample::{Kernel, linear_run};
use crate::image::{Image, Size};
use nalgebra::{Matrix2, SymmetricEigen, Vector2};
use wide::f32x8;

/// Pixels along a patch's side that are compared, and the margin that smoothing and slopes use up.
pub const SIDE: usize = 48;
pub const MARGIN: usize = 3;

/// A patch's answer.
#[derive(Debug, Clone, Copy)]
pub struct Shift {
    /// What to add to the expected place, in pixels of the first tile.
    pub by: Point,
    /// [xx, xy, yy] in 1/px².
    pub information: [f64; 3],
}

impl Shift {
    /// Standard deviation in the direction in which the patch places worst, in pixels: by the smaller eigenvalue of the information.
    pub fn sure_px(&self) -> f64 {
        let [xx, xy, yy] = self.information;
        let least = 0.5 * (xx + yy) - (0.25 * (xx - yy).powi(2) + xy * xy).sqrt();
        if least > 0.0 { 1.0 / least.sqrt() } else { f64::INFINITY }
    }
}

/// Pixels that smoothed noise makes one of: independent samples in a patch are its area over this.
const CORRELATED_AREA: f64 = 6.0;
/// Standard deviations by which a correlation must stand out of that of unlike patches.
const STANDS_OUT: f64 = 4.5;
/// Steps with linear interpolation, and then with the kernel.
const QUICK_STEPS: usize = 4;
const FINE_STEPS: usize = 8;
/// Divides the side of a patch.
const LANES: usize = 8;
/// A step below this ends the coming near, and one below that the search: noise allows a tenth of a hundredth at best.
const NEAR: f64 = 0.03;
const SETTLED: f64 = 0.003;

/// How the other tile is interpolated.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Between {
    /// Linearly: to come near.
    Quick,
    /// By the kernel: to measure.
    Fine,
}

impl Between {
    /// A square of `side` pixels, each from where `at(column, row)` lies in another image.
    pub fn lay(
        self,
        other: &Image<f32>,
        kernel: &Kernel,
        side: usize,
        at: impl Fn(usize, usize) -> Point,
    ) -> Image<f32> {
        const RUN: usize = 16;
        let mut laid = vec![0f32; side * side];
        for (row, out) in laid.chunks_exact_mut(side).enumerate() {
            let place = |column| at(column, row);
            match self {
                Between::Quick => linear_run::<RUN>(other, place, out),
                Between::Fine => kernel.run::<RUN>(other.pixels(), other.size(), place, out),
            }
        }
        Image::from_vec(Size::new(side, side), laid)
    }
}

/// Measures one patch. `template`: SIDE + 2 MARGIN pixels square. `other(shift, reach, between)`: the other tile at the template's places
/// plus `shift`, with `reach` more pixels on every side. `search`: how far off, in whole pixels, the expectation may be.
pub fn measure(
    template: &Image<f32>,
    other: impl Fn(Point, usize, Between) -> Image<f32>,
    search: usize,
) -> Option<Shift> {
    let ours = Patch::new(&binomial(template));
    let mut by = Point::default();
    if search > 0 {
        by = coarse(&ours, &binomial(&other(by, search, Between::Quick)), search)?;
    }
    let start = by;
    let seen = |by: Point, between: Between| Patch::new(&binomial(&other(by, 0, between)));
    let mut theirs = seen(by, Between::Quick);
    for (between, steps, settled) in [(Between::Quick, QUICK_STEPS, NEAR), (Between::Fine, FINE_STEPS, SETTLED)] {
        for _ in 0..steps {
            let step = step(&ours, &theirs);
            by = by + step;
            if by.distance(start) > 2.5 {
                return None;
            }
            theirs = seen(by, between);
            if step.x.hypot(step.y) < settled {
                break;
            }
        }
    }
    let likeness = ours.likeness(&theirs);
    let samples = (SIDE * SIDE) as f64 / CORRELATED_AREA;
    if likeness < STANDS_OUT / samples.sqrt() {
        return None;
    }
    Some(Shift { by, information: information(&ours, &theirs) })
}

/// A smoothed patch with its slopes, centred to mean zero and unit standard deviation.
struct Patch {
    values: Vec<f64>,
    dx: Vec<f64>,
    dy: Vec<f64>,
}

impl Patch {
    /// From an image whose outermost pixels serve only for slopes.
    fn new(image: &Image<f32>) -> Patch {
        let area = (image.rows() - 2) * (image.columns() - 2);
        let empty = || Vec::with_capacity(area);
        let mut patch = Patch { values: empty(), dx: empty(), dy: empty() };
        for row in 1..image.rows() - 1 {
            let (up, line, down) = (image.row(row - 1), image.row(row), image.row(row + 1));
            patch.values.extend(line[1..line.len() - 1].iter().map(|v| f64::from(*v)));
            patch.dx.extend(line.windows(3).map(|v| f64::from(0.5 * (v[2] - v[0]))));
            let across = up[1..].iter().zip(&down[1..]).take(line.len() - 2);
            patch.dy.extend(across.map(|(u, d)| f64::from(0.5 * (d - u))));
        }
        let n = patch.values.len() as f64;
        let mean = sum(&patch.values, |v| v) / n;
        let spread = (sum(&patch.values, |v| (v - mean).powi(2)) / n).sqrt().max(1e-9);
        let scale = 1.0 / spread;
        patch.values.iter_mut().for_each(|v| *v = (*v - mean) * scale);
        patch.dx.iter_mut().chain(patch.dy.iter_mut()).for_each(|v| *v *= scale);
        patch
    }

    fn likeness(&self, other: &Patch) -> f64 {
        self.values.iter().zip(&other.values).map(|(a, b)| a * b).sum::<f64>() / self.values.len() as f64
    }
}

/// Of what `of` makes of each value, by lanes. The values fill whole lanes.
fn sum(values: &[f64], of: impl Fn(f64) -> f64) -> f64 {
    let lanes = values.as_chunks::<LANES>().0.iter().fold([0.0; LANES], |mut sums, values| {
        sums.iter_mut().zip(values).for_each(|(sum, v)| *sum += of(*v));
        sums
    });
    lanes.iter().sum()
}

/// [1 2 1]/4 twice along both axes; the image shrinks by two pixels on every side.
fn binomial(image: &Image<f32>) -> Image<f32> {
    const W: [f32; 5] = [1.0 / 16.0, 4.0 / 16.0, 6.0 / 16.0, 4.0 / 16.0, 1.0 / 16.0];
    let (rows, columns) = (image.rows() - 4, image.columns() - 4);
    let mut out = vec![0f32; rows * columns];
    let mut line = vec![0f32; image.columns()];
    for (row, out) in out.chunks_exact_mut(columns).enumerate() {
        line.fill(0.0);
        for (k, w) in W.iter().enumerate() {
            line.iter_mut().zip(image.row(row + k)).for_each(|(l, v)| *l += w * v);
        }
        for (k, w) in W.iter().enumerate() {
            out.iter_mut().zip(&line[k..]).for_each(|(o, v)| *o += w * v);
        }
    }
    Image::from_vec(Size::new(rows, columns), out)
}

/// The whole-pixel shift of the highest normalised correlation; none at the border of the search or where it does not stand
/// out.
fn coarse(ours: &Patch, wide: &Image<f32>, search: usize) -> Option<Point> {
    let n = (SIDE * SIDE) as f64;
    let template: Vec<f32> = ours.values.iter().map(|v| *v as f32).collect();
    let windows = Windows::of(wide);
    let mut best = (f64::MIN, 0, 0);
    for dy in 0..=2 * search {
        for dx in 0..=2 * search {
            let (sum, squares) = windows.at(dy + 1, dx + 1);
            let spread = (squares / n - (sum / n).powi(2)).max(1e-12).sqrt();
            let likeness = product(&template, wide, dy + 1, dx + 1) / (n * spread);
            if likeness > best.0 {
                best = (likeness, dy, dx);
            }
        }
    }
    let (likeness, dy, dx) = best;
    let inside = |d: usize| d > 0 && d < 2 * search;
    let stands_out = likeness > STANDS_OUT / (n / CORRELATED_AREA).sqrt();
    let at = |d: usize| d as f64 - search as f64;
    (stands_out && inside(dy) && inside(dx)).then(|| Point::new(at(dx), at(dy)))
}

/// Sum of products of a patch and an image's part that begins at a place.
fn product(template: &[f32], image: &Image<f32>, row: usize, column: usize) -> f64 {
    let mut sum = f32x8::ZERO;
    for (k, held) in template.chunks_exact(SIDE).enumerate() {
        let seen = &image.row(row + k)[column..column + SIDE];
        for (s, t) in seen.as_chunks::<LANES>().0.iter().zip(held.as_chunks::<LANES>().0) {
            sum += f32x8::from(*s) * f32x8::from(*t);
        }
    }
    sum.to_array().iter().map(|v| *v as f64).sum()
}

/// Sums of an image's values and of their squares from its corner on, from which those of any window are four numbers away.
struct Windows {
    sums: Image<[f64; 2]>,
}

impl Windows {
    fn of(image: &Image<f32>) -> Windows {
        let columns = image.columns() + 1;
        let mut sums = vec![[0f64; 2]; (image.rows() + 1) * columns];
        for row in 0..image.rows() {
            let mut along = [0f64; 2];
            for (column, v) in image.row(row).iter().enumerate() {
                let v = *v as f64;
                along = [along[0] + v, along[1] + v * v];
                let above = sums[row * columns + column + 1];
                sums[(row + 1) * columns + column + 1] = [above[0] + along[0], above[1] + along[1]];
            }
        }
        Windows { sums: Image::from_vec(Size::new(image.rows() + 1, columns), sums) }
    }

    /// Sum, and sum of squares, of a patch's size from a place on.
    fn at(&self, row: usize, column: usize) -> (f64, f64) {
        let [a, b] = [row, row + SIDE].map(|r| [self.sums.at(r, column), self.sums.at(r, column + SIDE)]);
        let part = |k: usize| b[1][k] - b[0][k] - a[1][k] + a[0][k];
        (part(0), part(1))
    }
}

/// One step of Gauss-Newton: the shift that best explains the difference by the mean slopes.
fn step(ours: &Patch, theirs: &Patch) -> Point {
    let (mut h, mut g) = (Matrix2::zeros(), Vector2::zeros());
    for k in 0..ours.values.len() {
        let slope = mean_slope(ours, theirs, k);
        h += slope * slope.transpose();
        g += slope * (ours.values[k] - theirs.values[k]);
    }
    // A direction with next to no slope must not run away: a hundredth of the stronger one's weight holds it.
    let hold = 0.01 * h.trace().max(1e-12);
    let step = (h + Matrix2::identity() * hold).try_inverse().map_or(Vector2::zeros(), |i| i * g);
    let length = step.norm().max(1e-12);
    let step = step * (1.0f64.min(0.8 / length));
    Point::new(step.x, step.y)
}

fn mean_slope(a: &Patch, b: &Patch, k: usize) -> Vector2<f64> {
    Vector2::new(0.5 * (a.dx[k] + b.dx[k]), 0.5 * (a.dy[k] + b.dy[k]))
}

/// What the patch knows of its place in each direction.
fn information(ours: &Patch, theirs: &Patch) -> [f64; 3] {
    const BLOCK: usize = 8;
    let (mut common, mut both) = (Matrix2::zeros(), Matrix2::zeros());
    let mut scatter = Matrix2::zeros();
    let blocks = SIDE / BLOCK;
    for block in 0..blocks * blocks {
        let (top, left) = (block / blocks * BLOCK, block % blocks * BLOCK);
        let mut score = Vector2::zeros();
        for row in top..top + BLOCK {
            for k in row * SIDE + left..row * SIDE + left + BLOCK {
                let (a, b) = (Vector2::new(ours.dx[k], ours.dy[k]), Vector2::new(theirs.dx[k], theirs.dy[k]));
                common += 0.5 * (a * b.transpose() + b * a.transpose());
                both += 0.5 * (a * a.transpose() + b * b.transpose());
                score += (a + b) * 0.5 * (ours.values[k] - theirs.values[k]);
            }
        }
        scatter += score * score.transpose();
    }
    let samples = (SIDE * SIDE) as f64 / CORRELATED_AREA;
    let eigen = SymmetricEigen::new(common);
    let mut information = Matrix2::zeros();
    for (k, &strength) in eigen.eigenvalues.iter().enumerate() {
        let axis = eigen.eigenvectors.column(k).into_owned();
        // Correlation of the slopes along this axis: what noise alone would give is 1/√samples.
        let likeness = strength / (axis.dot(&(both * axis))).max(1e-12);
        let spread = axis.dot(&(scatter * axis)).max(1e-12);
        if likeness > STANDS_OUT / samples.sqrt() {
            information += axis * axis.transpose() * (strength * strength / spread);
        }
    }
    [information[(0, 0)], information[(0, 1)], information[(1, 1)]]
}
