//! Does the light have a fine grid of its own, as the screen of a telephone or a tablet has?
//!
//! In: a blank's [`Frame`]. Out: a warning where its spectrum stands up in narrow peaks. A plate moves such a grid a little, or spreads it, so
//! that division by the blank does not take it out. Never fails; a frame too small or too dark to tell says nothing.
//!
//! Method: periodograms of Hann-windowed squares (Welch 1967) in two dimensions, and their median, since what is in few places alone, an edge or a
//! speck, then does not count; peaks against the median of what surrounds them.

use crate::error::Warning;
use crate::frame::{Frame, Layout};
use rayon::prelude::*;
use rustfft::{FftPlanner, num_complex::Complex};

/// Side of a square, in pixels, and how many of them lie over the frame, down and across.
const SIDE: usize = 128;
const SQUARES: [usize; 2] = [3, 4];
/// Fewest lit squares that tell.
const FEWEST: usize = 4;
/// Light below this share of the brightest square's is a mask's edge, or a mask.
const LIT: f64 = 0.5;
/// Height of a grid's wave, as a share of the light, worth a warning: ±0.0004 D, doubled where the plate moves it by half a period.
const HEIGHT: f64 = 0.001;
/// How many times the power around it a peak has. Noise alone has exponential power: that three squares of four have 14 times its mean, 20 times its
/// median, has a chance of 4 exp(−42).
const STANDS_OUT: f32 = 20.0;
/// Slowest waves looked at, in periods a square: slower ones may be fall-off, or a panel's pulses.
const SLOWEST: isize = 6;
/// Waves this near to lines along the rows, in periods a square, may be a panel's pulses as well.
const ALONG_ROWS: isize = 2;
/// Lossy files are made of blocks of 8 and 16 pixels, sensors of cells of 2 and more: their waves are whole multiples of this, and no grid's.
const BLOCKS: isize = (SIDE / 16) as isize;

/// A wave in a blank's light.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Wave {
    period_px: f64,
    /// Its height over the mean, as a share of the light.
    height: f64,
}

/// Says when a blank's light has a grid of its own.
pub fn grid(name: &str, blank: &Frame) -> Option<Warning> {
    let Wave { period_px, height } = wave(blank)?;
    Some(Warning::new(
        "panel-grid",
        format!(
            "{name} shows a fine grid in the light, lines {period_px:.1} pixels apart, ± {:.1} % of it, as a screen's pixels make: a plate shifts \
             them, and they stay in the result; lay an opal diffuser on the screen and raise the plate some centimetres above it, or take a panel \
             that is no screen",
            100.0 * height
        ),
    ))
}

/// The highest wave that stands out.
fn wave(blank: &Frame) -> Option<Wave> {
    let power = power(blank)?;
    let n = SIDE as isize;
    let at = |y: isize, x: isize| power[(y.rem_euclid(n) * n + x.rem_euclid(n)) as usize];
    // By the power of the whole peak: half of the height squared, times what the window lets through (Parseval).
    let height = |y: isize, x: isize| {
        let peak: f32 = (-1..=1).flat_map(|dy| (-1..=1).map(move |dx| at(y + dy, x + dx))).sum();
        16.0 / 3.0 * f64::from(peak).sqrt() / (SIDE * SIDE) as f64
    };
    let of_blocks = |k: isize| (k + 1).rem_euclid(BLOCKS) <= 2;
    let half = || (0..n / 2).flat_map(move |x| (-n / 2..n / 2).map(move |y| (y, x)));
    let told = |&(y, x): &(isize, isize)| {
        x > ALONG_ROWS && x * x + y * y >= SLOWEST * SLOWEST && !(of_blocks(x) && of_blocks(y))
    };
    let stands_out = |&(y, x): &(isize, isize)| {
        let mut around: Vec<f32> = (-6..=6).flat_map(|dy| (-6..=6).map(move |dx| at(y + dy, x + dx))).collect();
        let middle = around.len() / 2;
        at(y, x) > STANDS_OUT * *around.select_nth_unstable_by(middle, f32::total_cmp).1
    };
    let high = half().filter(|&(y, x)| height(y, x) > HEIGHT).filter(told).filter(stands_out);
    let (y, x) = high.max_by(|p, q| at(p.0, p.1).total_cmp(&at(q.0, q.1)))?;
    let cycles = (between(y, |y| at(y, x))).hypot(between(x, |x| at(y, x)));
    Some(Wave { period_px: SIDE as f64 / cycles, height: height(y, x) })
}

/// Where a peak lies between bins: for a Hann window it lies (2r − 1) ÷ (r + 1) towards the higher neighbour, r being that one's height over the
/// peak's (Grandke 1983).
fn between(k: isize, power: impl Fn(isize) -> f32) -> f64 {
    let (before, after) = (power(k - 1), power(k + 1));
    let r = f64::from(before.max(after) / power(k)).sqrt();
    let off = (2.0 * r - 1.0) / (r + 1.0);
    k as f64 + if after > before { off } else { -off }
}

/// Median of the lit squares' power; bins (rows, columns), the constant one first.
fn power(blank: &Frame) -> Option<Vec<f32>> {
    let [down, across] = SQUARES;
    let (rows, columns) = (blank.size.rows.checked_sub(SIDE)?, blank.size.columns.checked_sub(SIDE)?);
    let places: Vec<_> = (0..down * across)
        .map(|k| {
            let share = |k: usize, n: usize| 0.15 + 0.7 * k as f64 / (n - 1) as f64;
            // On even rows and columns, where a mosaic's cells begin.
            let first = |free: usize, share: f64| (free as f64 * share) as usize & !1;
            (first(rows, share(k / across, down)), first(columns, share(k % across, across)))
        })
        .collect();
    let squares: Vec<(f64, Vec<f32>)> = places.par_iter().map(|place| square(blank, *place)).collect();
    let brightest = squares.iter().map(|s| s.0).fold(0.0, f64::max);
    let lit: Vec<&Vec<f32>> = squares.iter().filter(|s| s.0 > LIT * brightest).map(|s| &s.1).collect();
    (lit.len() >= FEWEST && brightest > 0.0).then(|| {
        let median = |k: usize| {
            let mut of: Vec<f32> = lit.iter().map(|s| s[k]).collect();
            *of.select_nth_unstable_by((lit.len() - 1) / 2, f32::total_cmp).1
        };
        (0..SIDE * SIDE).map(median).collect()
    })
}

/// Mean light of one square, and the power of what it has over it.
fn square(blank: &Frame, (top, left): (usize, usize)) -> (f64, Vec<f32>) {
    let channel = blank.channels() / 2;
    let light = |row: usize, column: usize| f64::from(blank.linear(top + row, left + column, channel).0);
    // The places of a mosaic's cell have filters of their own.
    let cell = if matches!(blank.layout, Layout::Mosaic(_)) { 2 } else { 1 };
    let mut means = [[0.0; 2]; 2];
    for row in 0..SIDE {
        for column in 0..SIDE {
            means[row % cell][column % cell] += light(row, column) * (cell * cell) as f64 / (SIDE * SIDE) as f64;
        }
    }
    let hann = |i: usize| (std::f64::consts::PI * (i as f64 + 0.5) / SIDE as f64).sin().powi(2);
    let mut values: Vec<Complex<f32>> = (0..SIDE * SIDE)
        .map(|i| {
            let (row, column) = (i / SIDE, i % SIDE);
            let over = light(row, column) / means[row % cell][column % cell].max(1e-9) - 1.0;
            Complex::new((over * hann(row) * hann(column)) as f32, 0.0)
        })
        .collect();
    let plan = FftPlanner::new().plan_fft_forward(SIDE);
    // Lying on its side after one axis, and upright again after the other.
    for _ in 0..2 {
        plan.process(&mut values);
        values = (0..values.len()).map(|i| values[i % SIDE * SIDE + i / SIDE]).collect();
    }
    let mean = means.iter().flatten().sum::<f64>() / (cell * cell) as f64;
    (mean, values.iter().map(|v| v.norm_sqr()).collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demo::noise::hash;
    use crate::image::{Image, Size};
    use crate::light::blank::tests::frame;

    /// A panel's fall-off under noise of 1 %, times what `light` says of a place.
    fn blank(light: impl Fn(f64, f64) -> f64 + Sync) -> Frame {
        let size = Size::new(600, 800);
        frame(&Image::from_rows(size, 0f32, |row, out| {
            for (column, v) in out.iter_mut().enumerate() {
                let (x, y) = (column as f64 + 0.5, row as f64 + 0.5);
                let fall = 0.8 - 0.3 * ((x / 800.0 - 0.5).powi(2) + (y / 600.0 - 0.4).powi(2));
                // The sum of four even draws has the variance of a third.
                let draws: f64 = (0..4).map(|k| hash(column as i32, row as i32, k) - 0.5).sum();
                *v = (fall * light(x, y) * (1.0 + 0.01 * draws * 3f64.sqrt())) as f32;
            }
        }))
    }

    fn sine(x: f64, y: f64, period: f64, degrees: f64) -> f64 {
        let (sin, cos) = degrees.to_radians().sin_cos();
        (std::f64::consts::TAU * (x * cos + y * sin) / period).sin()
    }

    /// Closed form: a wave of known height and period, at angles and periods of screens. Noise of 1 % adds 0.04 % to the height of nine bins.
    #[test]
    fn a_grid_comes_back_with_its_period_and_height() {
        for (period, degrees) in [(5.3, 3.0), (2.9, -20.0), (11.7, 0.0), (3.7, 60.0)] {
            let wave = wave(&blank(|x, y| 1.0 + 0.004 * sine(x, y, period, degrees))).unwrap();
            assert!((wave.period_px / period - 1.0).abs() < 0.01, "{wave:?} for {period}");
            assert!((0.0037..0.0043).contains(&wave.height), "{wave:?}");
        }
        let told = grid("blank-1.jpg", &blank(|x, y| 1.0 + 0.01 * sine(x, y, 5.3, 3.0))).unwrap();
        assert!(told.code == "panel-grid" && told.message.contains("lines 5.3 pixels apart"), "{told:?}");
    }

    /// Noise alone, pulses along the rows, a speck, blocks of eight pixels, a mask's edge.
    #[test]
    fn what_is_no_grid_is_not_taken_for_one() {
        type Light = fn(f64, f64) -> f64;
        let lights: [(&str, Light); 5] = [
            ("noise", |_, _| 1.0),
            ("pulses", |x, y| 1.0 + 0.01 * sine(x, y, 14.0, 90.0)),
            ("speck", |x, y| if (x - 400.0).hypot(y - 300.0) < 4.0 { 0.7 } else { 1.0 }),
            ("blocks", |x, y| 1.0 + 0.004 * (((x / 8.0).floor() + (y / 8.0).floor()) % 2.0)),
            ("mask", |x, _| if x > 150.0 { 1.0 } else { 0.001 }),
        ];
        for (what, light) in lights {
            assert_eq!(wave(&blank(light)), None, "{what}");
        }
    }
}
