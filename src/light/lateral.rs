//! Lateral colour: a lens that draws red and blue larger or smaller than green.
//!
//! In: a capture's [`Frame`] of several colours, its picture being silver and so alike in all. Out: how far red and blue lie outside their green,
//! and how sure that is; and a filter array's photosites as if all had seen what green sees. Even glass tells nothing: that is no error.
//!
//! Method: patches of green looked for in red and blue ([`ties`]), and along the radius a line and a cube fitted to how far they lie off (primary and
//! higher-order lateral colour), with a shift for channels that lie beside each other. A photosite of red at p shows what green would at p less
//! the shift s, and the greens about it say how much that differs: what was seen + G(p) - G(p - s). What is finer than greens tell is left.

use crate::error::Warning;
use crate::frame::{Filter, Frame, Layout};
use crate::geometry::Point;
use crate::geometry::resample::Kernel;
use crate::image::{Image, Size};
use crate::median::median;
use crate::mosaic::ties::{self, Between};
use crate::units::Transmittance;
use nalgebra::{Matrix4, Vector4};
use rayon::prelude::*;

/// Patches down and across.
const PATCHES: [usize; 2] = [7, 9];
/// Side of what of a patch is compared, with its margin, and pixels more on every side of what it is looked for in.
const SIDE: usize = ties::SIDE + 2 * ties::MARGIN;
const SEARCH: usize = 3;
const REACH: usize = SEARCH + 8;
/// What a patch's place must be sure to, in pixels.
const SURE_PX: f64 = 0.15;
/// Fewest patches that tell, and the share of the frame's half diagonal that they must reach out to.
const FEWEST: usize = 10;
const OUT_TO: f64 = 0.5;
/// Side of the squares that a lossy file's colours are compared as: beside luma's own detail, which all three share, most keep colour at half the
/// sampling, and its finest waves not at all.
const COARSE: usize = 4;
/// Variance that a patch of a lossy file must have, as a share of the patches' median.
const LEAST: f64 = 0.3;
/// Residuals beyond this many of their medians are left out.
const FAR: f64 = 4.0;
/// Pixels from which on a colour is off: a mean of channels so far apart passes 0.94 of what is 0.25 cycles a pixel fine, 0.3 apart each way.
pub const OFF_PX: f64 = 0.5;

/// What is done about it, in words: of colours that each came with their own detail, of a filter array's, and of a lossy file's.
pub const ALONE: &str = "green alone is used, at the cost of some noise";
pub const UNDONE: &str = "it is undone as far as photosites can tell; what is finest stays a little softer";
pub const LEFT: &str = "fine detail is lost there; copy in raw, or keep the plate nearer to the frame's middle";

/// How far a colour lies outside green, in pixels of the frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shift {
    /// At the outermost place that was measured, `radius_px` from the frame's middle, and how sure it is there.
    pub px: f64,
    pub sd_px: f64,
    pub radius_px: f64,
    /// Everywhere the same; and outwards at the half diagonal, in proportion to the radius and to its cube.
    beside: Point,
    outwards: [f64; 2],
    half_diagonal: f64,
}

impl Shift {
    /// At an arm from the frame's middle, in pixels.
    fn at(&self, arm: Point) -> Point {
        let arm = arm * (1.0 / self.half_diagonal);
        self.beside + arm * (self.outwards[0] + self.outwards[1] * (arm.x * arm.x + arm.y * arm.y))
    }
}

/// Both colours, where they can be told.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lateral {
    pub red: Option<Shift>,
    pub blue: Option<Shift>,
}

impl Lateral {
    /// The larger shift, in pixels either way, if it is sure.
    pub fn worst(&self) -> Option<Shift> {
        let sure = |s: &Shift| s.px.abs() > 4.0 * s.sd_px;
        [self.red, self.blue].into_iter().flatten().filter(sure).max_by(|a, b| a.px.abs().total_cmp(&b.px.abs()))
    }

    /// Whether the colours lie so far apart that their mean is less sharp than green alone.
    pub fn off(&self) -> bool {
        self.worst().is_some_and(|s| s.px.abs() > OFF_PX)
    }

    /// Says so of a capture. `done`: what was done about it.
    pub fn warning(&self, name: &str, done: &str) -> Option<Warning> {
        let worst = self.worst().filter(|_| self.off())?;
        let told = |what: &str, shift: Option<Shift>| shift.map(|s| format!("{what} {:+.1}", s.px));
        let shifts: Vec<String> = [told("red", self.red), told("blue", self.blue)].into_iter().flatten().collect();
        Some(Warning::new(
            "lateral-colour",
            format!(
                "the lens draws colours of different size: {} pixels off green, {:.0} pixels from the middle of {name}; {done}",
                shifts.join(" and "),
                worst.radius_px
            ),
        ))
    }
}

/// Brings red and blue photosites to what green would show at their places; `filters`: those of a cell, row by row.
pub fn undo(t: &mut Image<Transmittance>, filters: &[Filter; 4], lateral: &Lateral) {
    let filter = |row: usize, column: usize| filters[row % 2 * 2 + column % 2];
    let picture = between_greens(&Image::from_rows(t.size(), 0f32, |row, out| {
        for (column, (v, t)) in out.iter_mut().zip(t.row(row)).enumerate() {
            *v = if filter(row, column) == Filter::Green { 2.0 * t.0 } else { 0.0 };
        }
    }));
    let (kernel, columns) = (Kernel::new(1.0), t.columns());
    let middle = Point::new(columns as f64, t.rows() as f64) * 0.5;
    t.pixels_mut().par_chunks_mut(columns).enumerate().for_each(|(row, out)| {
        for (column, v) in out.iter_mut().enumerate() {
            let shift = match filter(row, column) {
                Filter::Red => lateral.red,
                Filter::Green => None,
                Filter::Blue => lateral.blue,
            };
            if let Some(shift) = shift {
                let p = Point::new(column as f64 + 0.5, row as f64 + 0.5);
                v.0 += picture.at(row, column) - kernel.sample(&picture, p - shift.at(p - middle));
            }
        }
    });
}

/// Measures a frame of three colours, in one file or under a filter array.
pub fn measure(frame: &Frame) -> Option<Lateral> {
    let [red, green, blue] = match frame.layout {
        Layout::Gray => return None,
        Layout::Rgb => {
            let side = if frame.coarse_colour() { COARSE } else { 1 };
            [0, 1, 2].map(|channel| Plane { frame, first: [0, 0], step: side, side, channel })
        }
        Layout::Mosaic(filters) => {
            let of = |filter: Filter| filters.iter().position(|f| *f == filter);
            let place = |k: usize| Plane { frame, first: [k / 2, k % 2], step: 2, side: 1, channel: 0 };
            [place(of(Filter::Red)?), place(of(Filter::Green)?), place(of(Filter::Blue)?)]
        }
    };
    let (red, blue) = rayon::join(|| red.against(&green), || blue.against(&green));
    (red.is_some() || blue.is_some()).then_some(Lateral { red, blue })
}

/// One colour's samples: of all pixels, of one place of each 2 × 2 cell, or the means of cells.
struct Plane<'a> {
    frame: &'a Frame,
    first: [usize; 2],
    step: usize,
    /// Side of the square that a sample is the mean of.
    side: usize,
    channel: usize,
}

impl Plane<'_> {
    fn size(&self) -> Size {
        Size::new(self.frame.size.rows / self.step, self.frame.size.columns / self.step)
    }

    /// Roots of light, whose noise is even.
    fn crop(&self, top: usize, left: usize, side: usize) -> Image<f32> {
        let at = |i: usize, first: usize, k: usize| (i + k) * self.step + first;
        let value = |i: usize| {
            let (row, column) = (at(top, self.first[0], i / side), at(left, self.first[1], i % side));
            let square = (0..self.side * self.side).map(|k| (row + k / self.side, column + k % self.side));
            let sum: f32 = square.map(|(row, column)| self.frame.linear(row, column, self.channel).0).sum();
            (sum / (self.side * self.side) as f32).max(0.0).sqrt()
        };
        Image::from_vec(Size::new(side, side), (0..side * side).map(value).collect())
    }

    /// How far this colour lies outside green.
    fn against(&self, green: &Plane) -> Option<Shift> {
        let Size { rows, columns } = self.size();
        let (whole, kernel) = (SIDE + 2 * REACH, Kernel::new(1.0));
        if rows < 2 * whole || columns < 2 * whole {
            return None;
        }
        let places: Vec<(usize, usize)> = (0..PATCHES[0] * PATCHES[1])
            .map(|k| {
                let (k, across) = ((k / PATCHES[1], k % PATCHES[1]), PATCHES[1] - 1);
                ((rows - whole) * k.0 / (PATCHES[0] - 1), (columns - whole) * k.1 / across)
            })
            .collect();
        // Where samples of one index lie from each other, in their own pixels.
        let beside = |axis: usize| (green.first[axis] as f64 - self.first[axis] as f64) / self.step as f64;
        let beside = Point::new(beside(1), beside(0));
        let templates: Vec<Image<f32>> =
            places.par_iter().map(|(top, left)| green.crop(top + REACH, left + REACH, SIDE)).collect();
        // Luma's noise is the same in all colours: where a lossy file shows little else, they seem to lie on each other.
        let least = if self.side > 1 { LEAST * median(templates.iter().map(variance).collect())? } else { 0.0 };
        let one = |(&(top, left), template): (&(usize, usize), &Image<f32>)| {
            if variance(template) < least {
                return None;
            }
            let ours = self.crop(top, left, whole);
            let other = |by: Point, reach: usize, between: Between| {
                let side = SIDE + 2 * reach;
                let place = |i: usize| (REACH + i) as f64 + 0.5 - reach as f64;
                between.lay(&ours, &kernel, side, |x, y| Point::new(place(x), place(y)) + beside + by)
            };
            let found = ties::measure(template, other, SEARCH)?;
            let middle = |first: usize, length: usize| (first + REACH) as f64 + 0.5 * (SIDE as f64 - length as f64);
            let arm = Point::new(middle(left, columns), middle(top, rows));
            (found.sure_px() < SURE_PX).then_some((arm, found.by))
        };
        let told: Vec<(Point, Point)> = places.par_iter().zip(&templates).filter_map(one).collect();
        let half_diagonal = 0.5 * (rows as f64).hypot(columns as f64);
        let shift = fitted(&told, half_diagonal)?;
        let step = self.step as f64;
        Some(Shift {
            px: shift.px * step,
            sd_px: shift.sd_px * step,
            radius_px: shift.radius_px * step,
            beside: shift.beside * step,
            outwards: shift.outwards.map(|v| v * step),
            half_diagonal: half_diagonal * step,
        })
    }
}

fn variance(image: &Image<f32>) -> f64 {
    let values = || image.pixels().iter().map(|v| f64::from(*v));
    let count = image.size().area() as f64;
    let mean = values().sum::<f64>() / count;
    values().map(|v| (v - mean).powi(2)).sum::<f64>() / count
}

/// Shift at the outermost patch, from (arm, shift) of all; least squares, and again without what lies far off.
fn fitted(told: &[(Point, Point)], half_diagonal: f64) -> Option<Shift> {
    let row = |arm: Point, axis: usize| {
        let (along, r2) =
            ([arm.x, arm.y][axis] / half_diagonal, (arm.x * arm.x + arm.y * arm.y) / half_diagonal.powi(2));
        Vector4::new(if axis == 0 { 1.0 } else { 0.0 }, if axis == 1 { 1.0 } else { 0.0 }, along, along * r2)
    };
    let off = |fit: &Vector4<f64>, (arm, by): &(Point, Point)| {
        (by.x - row(*arm, 0).dot(fit)).hypot(by.y - row(*arm, 1).dot(fit))
    };
    let solve = |told: &[(Point, Point)]| {
        let (mut normal, mut right) = (Matrix4::zeros(), Vector4::zeros());
        for (arm, by) in told {
            for (axis, value) in [by.x, by.y].into_iter().enumerate() {
                let row = row(*arm, axis);
                normal += row * row.transpose();
                right += row * value;
            }
        }
        let inverse = normal.try_inverse()?;
        Some((inverse * right, inverse))
    };
    if told.len() < FEWEST {
        return None;
    }
    let (first, _) = solve(told)?;
    let typical = median(told.iter().map(|t| off(&first, t)).collect())?;
    let kept: Vec<(Point, Point)> = told.iter().copied().filter(|t| off(&first, t) <= FAR * typical).collect();
    let radius = kept.iter().map(|(arm, _)| arm.x.hypot(arm.y)).fold(0.0, f64::max) / half_diagonal;
    if kept.len() < FEWEST || radius < OUT_TO {
        return None;
    }
    let (fit, inverse) = solve(&kept)?;
    let squares: f64 = kept.iter().map(|t| off(&fit, t).powi(2)).sum();
    let variance = squares / (2 * kept.len() - 4) as f64;
    let at = Vector4::new(0.0, 0.0, radius, radius.powi(3));
    let sd_px = (variance * at.dot(&(inverse * at))).sqrt();
    Some(Shift {
        px: fit.dot(&at),
        sd_px,
        radius_px: radius * half_diagonal,
        beside: Point::new(fit[0], fit[1]),
        outwards: [fit[2], fit[3]],
        half_diagonal,
    })
}

/// The picture from twice its green photosites and nothing elsewhere: they lie on every other place of each row, and keep the diamond |fx| + |fy| < 1/2.
/// Lagrange's half-band filter of eleven taps, 1/2 + (15 x - 10 x³ + 3 x⁵) / 16, with the mean of a place's four neighbours for x (McClellan 1973).
fn between_greens(image: &Image<f32>) -> Image<f32> {
    let x = neighbours(image);
    let x3 = neighbours(&neighbours(&x));
    let x5 = neighbours(&neighbours(&x3));
    Image::from_rows(image.size(), 0f32, |row, out| {
        let lines = image.row(row).iter().zip(x.row(row)).zip(x3.row(row).iter().zip(x5.row(row)));
        for (v, ((own, x), (x3, x5))) in out.iter_mut().zip(lines) {
            *v = own / 2.0 + (15.0 * x - 10.0 * x3 + 3.0 * x5) / 16.0;
        }
    })
}

/// The mean of each place's four neighbours; beyond the border the nearest stands in.
fn neighbours(image: &Image<f32>) -> Image<f32> {
    let Size { rows, columns } = image.size();
    Image::from_rows(image.size(), 0f32, |row, out| {
        let (up, line, down) = (image.row(row.saturating_sub(1)), image.row(row), image.row((row + 1).min(rows - 1)));
        for (column, v) in out.iter_mut().enumerate() {
            let beside = line[column.saturating_sub(1)] + line[(column + 1).min(columns - 1)];
            *v = (beside + up[column] + down[column]) / 4.0;
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::Samples;
    use crate::light::blank::tests::frame;

    const SIZE: Size = Size { rows: 600, columns: 800 };

    /// Detail of every direction, and what of it a colour shows that is drawn larger by a share and by a cube.
    fn light(row: usize, column: usize, [line, cube]: [f64; 2]) -> f32 {
        let arm = Point::new(column as f64 + 0.5 - 400.0, row as f64 + 0.5 - 300.0);
        let r2 = (arm.x * arm.x + arm.y * arm.y) / 250_000.0;
        let p = arm * (1.0 / (1.0 + line + cube * r2));
        let wave = |x: f64, y: f64| (p.x * x + p.y * y + 3.0 * (x * 40.0).sin()).sin();
        (0.5 + 0.1 * (wave(0.31, 0.13) + wave(-0.17, 0.29) + wave(0.05, -0.41) + wave(0.23, 0.25))) as f32
    }

    const RED: [f64; 2] = [0.002, 0.001];
    const BLUE: [f64; 2] = [-0.0012, 0.0];

    fn of(layout: Layout) -> Frame {
        let size = SIZE;
        let even = [0.0, 0.0];
        let one = |i: usize, how: [f64; 2]| (light(i / size.columns, i % size.columns, how) * 65535.0) as u16;
        let codes = match layout {
            Layout::Rgb => (0..size.area()).flat_map(|i| [RED, even, BLUE].map(|how| one(i, how))).collect(),
            _ => {
                let how = |i: usize| [[RED, even], [even, BLUE]][i / size.columns % 2][i % 2];
                (0..size.area()).map(|i| one(i, how(i))).collect()
            }
        };
        let gray = frame(&Image::filled(Size::new(2, 2), 0.0));
        Frame { size, layout, samples: Samples::U16(codes), tables: vec![gray.tables[0].clone(); 4], ..gray }
    }

    /// Closed form: a share of 0.002 and a cube of 0.001 at 500 pixels. A cell's shifts are told in half pixels, and half as surely.
    #[test]
    fn a_lens_with_lateral_colour_is_measured() {
        let mosaic = Layout::Mosaic([Filter::Red, Filter::Green, Filter::Green, Filter::Blue]);
        for (layout, within) in [(Layout::Rgb, 0.03), (mosaic, 0.06)] {
            let told = measure(&of(layout)).unwrap();
            let (red, blue) = (told.red.unwrap(), told.blue.unwrap());
            let truth = |r: f64, [line, cube]: [f64; 2]| r * (line + cube * (r / 500.0).powi(2));
            assert!((red.px - truth(red.radius_px, RED)).abs() < within, "{layout:?} {red:?}");
            assert!((blue.px - truth(blue.radius_px, BLUE)).abs() < within, "{layout:?} {blue:?}");
            assert!(red.radius_px > 350.0 && told.off(), "{told:?}");
        }
        let said = measure(&of(Layout::Rgb)).unwrap().warning("k01.tif", ALONE).unwrap();
        assert!(said.message.contains("red +1.") && said.message.contains("green alone"), "{}", said.message);
    }

    /// A lossy file keeps colour at half the sampling, beside noise of luma that all three share and that tells no shift: least of all where the
    /// picture is even, as here in its outer third.
    #[test]
    fn colour_beside_luma_is_measured() {
        let size = Size::new(1600, 2400);
        let share = [0.0012, 0.0, -0.0008];
        let colours = share.map(|share| {
            Image::from_rows(size, 0f32, |row, out| {
                for (column, v) in out.iter_mut().enumerate() {
                    let p = Point::new(column as f64 - 1199.5, row as f64 - 799.5) * (1.0 / (1.0 + share));
                    let wave = |x: f64, y: f64| (p.x * x + p.y * y + 3.0 * (x * 40.0).sin()).sin();
                    let waves = wave(0.31, 0.13) + wave(-0.07, 0.19) + wave(0.05, -0.11);
                    *v = (0.5 + if p.x.abs() < 800.0 { 0.1 * waves } else { 0.0 }) as f32;
                }
            })
        });
        let luma = |k: usize| -> f32 {
            colours
                .iter()
                .zip(crate::frame::transfer::LUMA)
                .map(|(plane, share)| plane.pixels()[k] * share as f32)
                .sum()
        };
        let codes = (0..size.area()).flat_map(|k| {
            let (row, column) = (k / size.columns / 2 * 2, k % size.columns / 2 * 2);
            let cell = [0, 1, size.columns, size.columns + 1].map(|beside| row * size.columns + column + beside);
            let noise = ((k.wrapping_mul(2_654_435_761) >> 8) % 256) as f32 / 255.0 - 0.5;
            let own = luma(k) + 0.02 * noise;
            let luma_there = cell.map(luma);
            std::array::from_fn::<u8, 3, _>(|colour| {
                let there = cell.map(|k| colours[colour].pixels()[k]);
                let beside: f32 = there.iter().zip(luma_there).map(|(v, luma)| (v - luma) / 4.0).sum();
                ((own + beside) * 255.0).round() as u8
            })
        });
        let linear: Vec<f32> = (0..256).map(|code| code as f32 / 255.0).collect();
        let samples = Samples::U8(codes.collect());
        let told = measure(&Frame { size, samples, tables: vec![linear; 3], ..of(Layout::Rgb) }).unwrap();
        for (found, share) in [(told.red.unwrap(), share[0]), (told.blue.unwrap(), share[2])] {
            assert!((found.px / (share * found.radius_px) - 1.0).abs() < 0.1, "{found:?} for {share}");
        }
    }

    /// What is left is what the shift was measured off by, and what greens do not tell of waves up to 0.07 cycles a pixel.
    #[test]
    fn photosites_come_to_show_what_green_does() {
        let filters = [Filter::Red, Filter::Green, Filter::Green, Filter::Blue];
        let frame = of(Layout::Mosaic(filters));
        let mut t = Image::from_rows(SIZE, Transmittance(0.0), |row, out| {
            frame.linear_row(row, 0, bytemuck::cast_slice_mut(out))
        });
        let off = |t: &Image<Transmittance>| {
            let reds = || (50..550).step_by(2).flat_map(|row| (50..750).step_by(2).map(move |column| (row, column)));
            let squares: f32 = reds().map(|(r, c)| (t.at(r, c).0 - light(r, c, [0.0, 0.0])).powi(2)).sum();
            (squares / reds().count() as f32).sqrt()
        };
        let before = off(&t);
        undo(&mut t, &filters, &measure(&frame).unwrap());
        assert!(before > 0.015 && off(&t) < 0.05 * before, "{before} {}", off(&t));
    }

    #[test]
    fn gray_and_even_frames_tell_nothing() {
        assert_eq!(measure(&frame(&Image::filled(SIZE, 0.5))), None);
        let even = Frame { samples: Samples::U16(vec![30000; 3 * SIZE.area()]), ..of(Layout::Rgb) };
        assert_eq!(measure(&even), None);
    }
}
