//! Several frames of one even thing into one: the mean of each channel, rid of outliers and calmed.
//!
//! In: frames of one size and layout, what to multiply each by, and the dark to take off. Out: linear light of one channel, and the noise that
//! was in it. Never fails. Of three frames or more, samples that stand apart from the others' median are left out.

use super::blank::{Dark, grid};
use super::calm::{CELL, LEAST, Smooth, calm, spatial_variance, variance_of_mean};
use crate::frame::{Frame, Layout};
use crate::image::{Image, Size};
use crate::units::Linear;
use rayon::prelude::*;

/// Samples further than this many standard deviations from the median of the frames are outliers.
const OUTLIER: f32 = 6.0;

/// The mean of one channel over frames, each times its scale, calmed, and the noise that was in it as a share of its light. A mosaic is calmed
/// each filter place by itself.
pub(super) fn average(frames: &[&Frame], scales: &[f32], channel: usize, dark: Option<&Dark>) -> (Image<Linear>, f64) {
    let sigma = if frames.len() > 2 { typical_noise(frames, scales, channel) } else { 0.0 };
    let whole = Average { frames, scales, channel, dark, sigma, step: 1, first: [0, 0] };
    if !matches!(frames[0].layout, Layout::Mosaic(_)) {
        return whole.calmed();
    }
    let places = [[0, 0], [0, 1], [1, 0], [1, 1]].map(|first| Average { step: 2, first, ..whole }.calmed());
    let noise = places.iter().map(|place| place.1).fold(0.0, f64::max);
    let mosaic = Image::from_rows(frames[0].size, Linear(0.0), |row, out| {
        for (left, place) in places[row % 2 * 2..][..2].iter().enumerate() {
            let places = out.iter_mut().skip(left).step_by(2);
            places.zip(place.0.row(row / 2)).for_each(|(out, light)| *out = *light);
        }
    });
    (mosaic, noise)
}

/// The mean of one channel of several frames, made row by row wherever it is needed: that costs less than the memory that would hold it.
#[derive(Clone, Copy)]
struct Average<'a> {
    frames: &'a [&'a Frame],
    scales: &'a [f32],
    channel: usize,
    dark: Option<&'a Dark>,
    /// [`typical_noise`]; 0 where there are too few frames to tell outliers.
    sigma: f32,
    /// Every how many rows and columns, and from which row and column on: one place of a filter array at a time.
    step: usize,
    first: [usize; 2],
}

impl Average<'_> {
    fn size(&self) -> Size {
        let Size { rows, columns } = self.frames[0].size;
        Size::new((rows - self.first[0]).div_ceil(self.step), (columns - self.first[1]).div_ceil(self.step))
    }

    /// One row without outliers, and the sum of squared differences from it.
    fn row(&self, row: usize, mean: &mut [Linear], squares: &mut [f32]) {
        let lines: Vec<Vec<Linear>> =
            self.frames.iter().zip(self.scales).map(|(frame, scale)| self.line(frame, *scale, row)).collect();
        plain_mean(&lines, mean, squares);
        if self.sigma > 0.0 {
            without_outliers(&lines, mean, squares, self.sigma);
        }
    }

    fn line(&self, frame: &Frame, scale: f32, row: usize) -> Vec<Linear> {
        let row = row * self.step + self.first[0];
        let mut line = vec![Linear(0.0); frame.size.columns];
        frame.linear_row(row, self.channel, &mut line);
        if let Some(dark) = self.dark {
            dark.subtract(row, self.channel, &mut line);
        }
        line.iter_mut().for_each(|v| v.0 *= scale);
        if self.step == 1 {
            return line;
        }
        line.into_iter().skip(self.first[1]).step_by(self.step).collect()
    }

    /// Means over cells of [`CELL`] pixels each way: of the light, and of the squared differences.
    fn cells(&self) -> (Image<f32>, Image<f32>) {
        let (rows, columns) = (self.size().rows / CELL, self.size().columns / CELL);
        let one = |cell: usize| {
            let (mut mean, mut squares) = (vec![Linear(0.0); self.size().columns], vec![0f32; self.size().columns]);
            let mut sums = [vec![0f32; columns], vec![0f32; columns]];
            for row in cell * CELL..(cell + 1) * CELL {
                self.row(row, &mut mean, &mut squares);
                for (sums, values) in sums.iter_mut().zip([bytemuck::cast_slice(&mean), &squares]) {
                    let cells = values.chunks_exact(CELL).map(|cell: &[f32]| cell.iter().sum::<f32>());
                    sums.iter_mut().zip(cells).for_each(|(sum, v)| *sum += v);
                }
            }
            sums.map(|sums| sums.into_iter().map(|v| v / (CELL * CELL) as f32).collect::<Vec<f32>>())
        };
        let rows_of_cells: Vec<[Vec<f32>; 2]> = (0..rows).into_par_iter().map(one).collect();
        let size = Size::new(rows, columns);
        let of =
            |k: usize| Image::from_vec(size, rows_of_cells.iter().flat_map(|row| row[k].iter().copied()).collect());
        (of(0), of(1))
    }

    /// The mean calmed, and the noise that was in it as a share of its light.
    fn calmed(&self) -> (Image<Linear>, f64) {
        let row = |row: usize, out: &mut [Linear]| self.row(row, out, &mut vec![0f32; out.len()]);
        let size = self.size();
        if size.rows.min(size.columns) < LEAST {
            return (Image::from_rows(size, Linear(0.0), row), 0.0);
        }
        let (cells, squares) = self.cells();
        let smooth = Smooth::of(&cells);
        let noise = match self.frames.len() {
            1 => spatial_variance(size, &smooth, row),
            n => variance_of_mean(&squares, n),
        };
        let mean = |values: &Image<f32>, of: fn(f32) -> f32| {
            values.pixels().iter().map(|v| of(*v) as f64).sum::<f64>() / values.size().area() as f64
        };
        let share = mean(&noise, f32::sqrt) / mean(&cells, |v| v).max(1e-12);
        (calm(size, &smooth, &noise, row), share)
    }
}

/// Takes the mean anew wherever frames lie too far apart for noise alone.
fn without_outliers(lines: &[Vec<Linear>], mean: &mut [Linear], squares: &mut [f32], sigma: f32) {
    // Two values that lie `reach` apart have squares of at least reach² ÷ 2; half of that, since the mean stands for the median.
    let least = 0.25 * (OUTLIER * sigma).powi(2);
    for (column, (mean, squares)) in mean.iter_mut().zip(squares).enumerate() {
        if *squares <= least * mean.0.max(0.05) {
            continue;
        }
        let mut values: Vec<f32> = lines.iter().map(|line| line[column].0).collect();
        (mean.0, *squares) = mean_without_outliers(&mut values, sigma);
    }
}

fn plain_mean(lines: &[Vec<Linear>], mean: &mut [Linear], squares: &mut [f32]) {
    mean.fill(Linear(0.0));
    squares.fill(0.0);
    for line in lines {
        mean.iter_mut().zip(line).for_each(|(sum, v)| sum.0 += v.0);
    }
    let share = 1.0 / lines.len() as f32;
    mean.iter_mut().for_each(|sum| sum.0 *= share);
    for line in lines {
        squares.iter_mut().zip(line).zip(&*mean).for_each(|((sum, v), m)| *sum += (v.0 - m.0).powi(2));
    }
}

fn mean_without_outliers(values: &mut [f32], sigma: f32) -> (f32, f32) {
    values.sort_unstable_by(f32::total_cmp);
    let middle = values[values.len() / 2];
    let reach = OUTLIER * sigma * middle.max(0.05).sqrt();
    let kept = || values.iter().filter(|v| (*v - middle).abs() <= reach);
    let mean = kept().sum::<f32>() / kept().count() as f32;
    (mean, kept().map(|v| (v - mean).powi(2)).sum())
}

/// Noise of one sample at full light, taken to grow with the root of light: the median difference of the first two frames.
fn typical_noise(frames: &[&Frame], scales: &[f32], channel: usize) -> f32 {
    let mut differences: Vec<f32> = grid(frames[0].size)
        .map(|(r, c)| {
            let a = frames[0].linear(r, c, channel).0 * scales[0];
            let b = frames[1].linear(r, c, channel).0 * scales[1];
            (a - b).abs() / a.max(0.05).sqrt()
        })
        .collect();
    let middle = differences.len() / 2;
    let median = *differences.select_nth_unstable_by(middle, f32::total_cmp).1;
    // Median of |difference| of two normal values is 0.6745 · √2 σ; codes that never differ still round by a little.
    (median / (0.6745 * std::f32::consts::SQRT_2)).max(1e-3)
}
