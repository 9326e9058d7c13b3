//! What of an averaged field is real, and what is the noise of too few frames.
//!
//! In: the mean of n frames of an even thing and the variance that noise has in it. Out: the same field with its smooth part
//! whole and its pixel-scale part (dust, photosite response) kept only as far as it stands above that noise: by
//! s = max(0, 1 − noise ÷ local variance), which is Wiener's filter with the signal's share measured in a small window.

use crate::image::{Image, Size};
use crate::units::Linear;
use rayon::prelude::*;

/// Side in pixels of the cells from which the smooth part is made.
pub const CELL: usize = 8;
/// Pixels a side below which there is no telling what is smooth.
pub const LEAST: usize = 4 * CELL;
/// Half the side of the window in which detail is weighed against noise: dust is larger, one pixel's luck is smaller.
const REACH: usize = 2;
/// Rows that are calmed at a time.
const BAND: usize = 32;
/// Pixels that a value of the smooth part is the mean of: two binomials of five cells, each way, leave 12870 ÷ 65536 of the variance (C(16, 8) ÷ 2¹⁶).
pub const POOLED: f64 = 25.9 * (CELL * CELL) as f64;
/// Detail must have this many times the noise's variance to be taken for real: chance alone reaches twice in a window of 25.
const MARGIN: f32 = 2.0;

/// Calms a mean whose rows `mean(row, its light)` gives, at least [`LEAST`] a side. `noise_variance` is the variance of noise in it, one value for
/// each cell of [`CELL`] pixels.
pub fn calm(
    size: Size,
    smooth: &Smooth,
    noise_variance: &Image<f32>,
    mean: impl Fn(usize, &mut [Linear]) + Sync,
) -> Image<Linear> {
    let columns = size.columns;
    let mut out = Image::filled(size, Linear(0.0));
    // In bands that stay in the cores' caches, each with the rows that its windows reach.
    out.pixels_mut().par_chunks_mut(BAND * columns).enumerate().for_each(|(band, out)| {
        let first = band * BAND;
        let last = first + out.len() / columns;
        let (top, bottom) = (first.saturating_sub(REACH), (last + REACH).min(size.rows));
        let mut means = vec![Linear(0.0); (bottom - top) * columns];
        let mut even = vec![0f32; (bottom - top) * columns];
        let mut power = even.clone();
        let mut squares = vec![0f32; columns];
        let lines = means.chunks_exact_mut(columns).zip(even.chunks_exact_mut(columns));
        for (row, ((means, even), power)) in (top..bottom).zip(lines.zip(power.chunks_exact_mut(columns))) {
            mean(row, means);
            smooth.row(row, even);
            squares.iter_mut().zip(&*means).zip(&*even).for_each(|((q, m), s)| *q = (m.0 - s).powi(2));
            window_mean(&squares, power);
        }
        let mut window = vec![0f32; columns];
        for (row, out) in (first..last).zip(out.chunks_exact_mut(columns)) {
            let lines = row.saturating_sub(REACH).max(top)..(row + REACH + 1).min(bottom);
            let weight = 1.0 / lines.len() as f32;
            window.fill(0.0);
            for line in lines {
                let line = &power[(line - top) * columns..][..columns];
                window.iter_mut().zip(line).for_each(|(sum, v)| *sum += weight * v);
            }
            let noise = noise_variance.row((row / CELL).min(noise_variance.rows() - 1));
            let here = (row - top) * columns..(row - top + 1) * columns;
            let (even, means) = (&even[here.clone()], &means[here]);
            let cells = out.chunks_mut(CELL).zip(even.chunks(CELL)).zip(means.chunks(CELL)).zip(window.chunks(CELL));
            for (cell, (((out, even), mean), power)) in cells.enumerate() {
                let noise = MARGIN * noise[cell.min(noise.len() - 1)];
                for (((out, even), mean), power) in out.iter_mut().zip(even).zip(mean).zip(power) {
                    let share = (1.0 - noise / power.max(1e-20)).max(0.0);
                    out.0 = even + share * (mean.0 - even);
                }
            }
        }
    });
    out
}

/// The smooth part: means of cells, rid of outliers and smoothed, from which any row is interpolated.
pub struct Smooth {
    cells: Image<f32>,
    /// Weights of four cells for each place across a cell.
    weights: [[f32; 4]; CELL],
}

impl Smooth {
    /// `cells`: means over cells of [`CELL`] pixels each way.
    pub fn of(cells: &Image<f32>) -> Smooth {
        let weights = std::array::from_fn(|j| cubic((j as f32 + 0.5) / CELL as f32 - 0.5).1);
        Smooth { cells: binomial(&binomial(&median(cells))), weights }
    }

    fn row(&self, row: usize, out: &mut [f32]) {
        let cells = &self.cells;
        let n = cells.columns();
        // Down first: one line of cells for this row, going on beyond both ends; then across.
        let (r, wr) = cubic((row as f32 + 0.5) / CELL as f32 - 0.5);
        let line: Vec<f32> = (0..n)
            .map(|c| (0..4).map(|i| wr[i] * beyond(|r| cells.at(r, c), cells.rows(), r + i as isize)).sum())
            .collect();
        let past = 4isize;
        let padded: Vec<f32> = (-2..n as isize + past).map(|c| beyond(|c| line[c], n, c)).collect();
        for (cell, out) in out.chunks_mut(CELL).enumerate() {
            for (j, v) in out.iter_mut().enumerate() {
                // In its first half a cell's place lies between the cell before and itself.
                let near = &padded[cell + usize::from(j >= CELL / 2)..][..4];
                *v = self.weights[j].iter().zip(near).map(|(w, v)| w * v).sum();
            }
        }
    }
}

/// First of four neighbours and their weights in Keys' cubic interpolation (a = −1/2), which keeps parabolas.
fn cubic(position: f32) -> (isize, [f32; 4]) {
    let whole = position.floor();
    let t = position - whole;
    let weights = [
        ((-0.5 * t + 1.0) * t - 0.5) * t,
        (1.5 * t - 2.5) * t * t + 1.0,
        ((-1.5 * t + 2.0) * t + 0.5) * t,
        (0.5 * t - 0.5) * t * t,
    ];
    (whole as isize - 1, weights)
}

/// Where a cell differs from the median of its 5 × 5 neighbours by more than they differ among themselves, the median: dust must not
/// leave a wide dent in the smooth part.
fn median(cells: &Image<f32>) -> Image<f32> {
    Image::from_rows(cells.size(), 0f32, |row, out| {
        for (column, value) in out.iter_mut().enumerate() {
            let mut near = [0f32; 25];
            for (k, near) in near.iter_mut().enumerate() {
                let (dr, dc) = (k as isize / 5 - 2, k as isize % 5 - 2);
                *near = cells.at_clamped(row as isize + dr, column as isize + dc);
            }
            let own = cells.at(row, column);
            *value = own;
            // Between the quartiles it lies within their spread of the median: most do, and need no sorting.
            let below = near.iter().map(|v| u32::from(*v < own)).sum::<u32>();
            let above = near.iter().map(|v| u32::from(*v > own)).sum::<u32>();
            if below.max(above) <= 18 {
                continue;
            }
            near.sort_unstable_by(f32::total_cmp);
            let middle = near[12];
            let spread = (near[18] - near[6]).max(1e-6);
            if (own - middle).abs() > 2.5 * spread {
                *value = middle;
            }
        }
    })
}

/// A line's value at any index: outside its ends it goes on along its slope, so that fall-off keeps its shape there.
fn beyond(line: impl Fn(usize) -> f32, n: usize, at: isize) -> f32 {
    let last = n as isize - 1;
    match at {
        _ if at < 0 => 2.0 * line(0) - line((-at).min(last) as usize),
        _ if at > last => 2.0 * line(n - 1) - line((2 * last - at).max(0) as usize),
        _ => line(at as usize),
    }
}

/// Binomial smoothing 1-4-6-4-1 both ways.
fn binomial(cells: &Image<f32>) -> Image<f32> {
    const W: [f32; 5] = [1.0 / 16.0, 4.0 / 16.0, 6.0 / 16.0, 4.0 / 16.0, 1.0 / 16.0];
    let (rows, columns) = (cells.rows(), cells.columns());
    let across = Image::from_rows(cells.size(), 0f32, |row, out| {
        for (column, value) in out.iter_mut().enumerate() {
            let line = |c: usize| cells.at(row, c);
            *value = (0..5).map(|d| W[d] * beyond(line, columns, column as isize + d as isize - 2)).sum();
        }
    });
    Image::from_rows(cells.size(), 0f32, |row, out| {
        for (column, value) in out.iter_mut().enumerate() {
            let line = |r: usize| across.at(r, column);
            *value = (0..5).map(|d| W[d] * beyond(line, rows, row as isize + d as isize - 2)).sum();
        }
    })
}

/// Mean in a window of 2 × [`REACH`] + 1 values, cut off at the ends.
fn window_mean(values: &[f32], out: &mut [f32]) {
    const WIDTH: usize = 2 * REACH + 1;
    let n = values.len();
    for (mean, window) in out[REACH..].iter_mut().zip(values.windows(WIDTH)) {
        *mean = window.iter().sum::<f32>() * (1.0 / WIDTH as f32);
    }
    for at in (0..REACH).chain(n - REACH..n) {
        let part = &values[at.saturating_sub(REACH)..(at + REACH + 1).min(n)];
        out[at] = part.iter().sum::<f32>() / part.len() as f32;
    }
}

/// Variance of noise in each cell where there is only one frame: spatial variance of what is left after smoothing, its median over
/// neighbours, so that dust stands out against it. `mean` gives the frame's rows.
pub fn spatial_variance(size: Size, smooth: &Smooth, mean: impl Fn(usize, &mut [Linear]) + Sync) -> Image<f32> {
    let cells = Image::from_rows(Size::new(size.rows / CELL, size.columns / CELL), 0f32, |cell, out| {
        let (mut means, mut even) = (vec![Linear(0.0); size.columns], vec![0f32; size.columns]);
        for row in cell * CELL..(cell + 1) * CELL {
            mean(row, &mut means);
            smooth.row(row, &mut even);
            for (sum, (means, even)) in out.iter_mut().zip(means.chunks_exact(CELL).zip(even.chunks_exact(CELL))) {
                *sum += means.iter().zip(even).map(|(m, s)| (m.0 - s).powi(2)).sum::<f32>();
            }
        }
        out.iter_mut().for_each(|sum| *sum /= (CELL * CELL) as f32);
    });
    Image::from_rows(cells.size(), 0f32, |row, out| {
        let mut near = Vec::with_capacity(81);
        for (column, value) in out.iter_mut().enumerate() {
            near.clear();
            for dr in -4isize..=4 {
                for dc in -4isize..=4 {
                    near.push(cells.at_clamped(row as isize + dr, column as isize + dc));
                }
            }
            near.sort_unstable_by(f32::total_cmp);
            *value = near[40];
        }
    })
}

/// Variance of a mean over frames in each cell, from the cells' squared differences between frames and their mean, summed over the frames.
pub fn variance_of_mean(squares: &Image<f32>, frames: usize) -> Image<f32> {
    let per_frame = 1.0 / ((frames - 1) * frames) as f32;
    binomial(&squares.map(|s| s * per_frame)).map(|v: f32| v.max(0.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::image::reduced;
    use rand::SeedableRng;
    use rand_distr::{Distribution, Normal};

    /// A panel's fall-off with a grain of dust at (60, 90), as it is and as noise shows it.
    fn field(size: Size, noise: f32, seed: u64) -> (Image<Linear>, Image<Linear>) {
        let truth = Image::from_rows(size, Linear(0.0), |row, out| {
            for (column, value) in out.iter_mut().enumerate() {
                let (x, y) = (column as f32 / size.columns as f32 - 0.45, row as f32 / size.rows as f32 - 0.5);
                let dust = if (row as f32 - 60.0).hypot(column as f32 - 90.0) < 3.5 { 0.85 } else { 1.0 };
                value.0 = 0.8 * (1.0 - 0.5 * (x * x + y * y)) * dust;
            }
        });
        let mut rng = rand_pcg::Pcg64::seed_from_u64(seed);
        let normal = Normal::new(0.0, noise).unwrap();
        let seen =
            Image::from_vec(size, truth.pixels().iter().map(|v| Linear(v.0 + normal.sample(&mut rng))).collect());
        (truth, seen)
    }

    /// A field of the kind a panel and a lens make: what is left of the noise must be well under it, and dust must stay.
    #[test]
    fn noise_goes_and_dust_stays() {
        let (truth, seen) = field(Size::new(400, 480), 0.008, 7);
        let row = |row: usize, out: &mut [Linear]| out.copy_from_slice(seen.row(row));
        let smooth = Smooth::of(&reduced(&seen, CELL).map(|v| v.0));
        let calmed = calm(seen.size(), &smooth, &spatial_variance(seen.size(), &smooth, row), row);
        let error = |image: &Image<Linear>| {
            let sum: f32 = image.pixels().iter().zip(truth.pixels()).map(|(a, b)| (a.0 - b.0).powi(2)).sum();
            (sum / truth.size().area() as f32).sqrt()
        };
        assert!(error(&calmed) < 0.3 * error(&seen), "{} of {}", error(&calmed), error(&seen));
        let dent = calmed.at(60, 90).0 / truth.at(60, 90).0;
        assert!((dent - 1.0).abs() < 0.03, "dust kept to {dent}");
    }

    /// Fall-off without noise is kept to a thousandth, borders included: far below the 0.3 % that may be left. (Smoothing bends by the
    /// square of the cell over the frame; frames of cameras are several times larger than this one.)
    #[test]
    fn a_smooth_field_is_kept() {
        let (truth, _) = field(Size::new(800, 960), 0.0, 1);
        let smooth = Smooth::of(&reduced(&truth, CELL).map(|v| v.0));
        let kept =
            Image::from_rows(truth.size(), Linear(0.0), |row, out| smooth.row(row, bytemuck::cast_slice_mut(out)));
        let worst = (0..800)
            .flat_map(|r| (0..960).map(move |c| (r, c)))
            .filter(|(r, c)| (*r as f32 - 60.0).hypot(*c as f32 - 90.0) > 40.0)
            .map(|(r, c)| ((kept.at(r, c).0 / truth.at(r, c).0 - 1.0).abs(), r, c))
            .fold((0.0, 0, 0), |a, b| if b.0 > a.0 { b } else { a });
        assert!(worst.0 < 1e-3, "off by {worst:?}");
    }
}
