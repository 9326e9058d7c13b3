//! The panel's light beside a mask that lay on it while the blanks were taken.
//!
//! In: the blank's light. Out: a [`Shaded`], the light that the bare panel would have shown close to the mask's edge and under it, carried on
//! from beside it; none where no mask is seen. The mask's edge in the blank is blurred and never lies quite where it lies in the plate's capture:
//! divided by as it is, it would draw a bright line of its own, and pull the plate's outline. A mask ends within a few pixels; light that falls off
//! over more of the frame is the panel's own, or the lens's.

use super::FlatField;
use crate::error::Warning;
use crate::image::{self, Image};
use crate::units::Linear;

/// Side of the cells that light is carried on in, in pixels.
const CELL: usize = 16;
/// Light, as a share of the brightest cell's, below which a mask may lie there.
const MASKED: f32 = 0.2;
/// A mask's outermost cell has one within [`REACH`] cells that is brighter by this factor. Light that falls to 7 % in the corners of a frame of
/// 960 × 640 pixels, 60 × 40 cells, grows by half as much within two cells.
const STEP: f32 = 2.5;
const REACH: usize = 2;
/// Light, as a share of the brightest cell's, from which on a panel is too uneven: noise is then 1.7 times the brightest part's.
const UNEVEN: f32 = 0.35;
/// How many cells round masked ones are shaded by blur or by part of the mask.
const BLURRED: usize = 2;
/// How many cells the light is carried on past those that are known.
const CARRIED: usize = 6;
/// A blank that keeps this share of the light carried on is not shaded.
const LIT: f32 = 0.95;

/// Light carried on, cell by cell; 0 where the blank stands as it is.
pub struct Shaded(Image<f32>);

impl Shaded {
    /// `planes` of the blank, each with its weight; `veil` is the glare to take off their sum.
    pub fn find(planes: &[Image<Linear>], weights: &[f32], veil: f32) -> Option<Shaded> {
        let mut light = Image::filled(image::reduced(&planes[0], CELL).size(), -veil);
        for (plane, weight) in planes.iter().zip(weights) {
            let cells = image::reduced(plane, CELL);
            light.pixels_mut().iter_mut().zip(cells.pixels()).for_each(|(sum, v)| *sum += weight * v.0);
        }
        let unknown = by_mask(&light)?;
        // Ring by ring outwards from what is known, each cell the mean of its known neighbours.
        let mut known = Image::from_rows(light.size(), 0f32, |row, out| {
            for (column, v) in out.iter_mut().enumerate() {
                *v = if unknown.at(row, column) { 0.0 } else { light.at(row, column) };
            }
        });
        for _ in 0..CARRIED {
            known = around(&known, |near| match near[0] {
                own if own > 0.0 => own,
                _ => {
                    let lit = near.iter().filter(|v| **v > 0.0);
                    lit.clone().sum::<f32>() / (lit.count().max(1)) as f32
                }
            });
        }
        Some(Shaded(Image::from_rows(light.size(), 0f32, |row, out| {
            for (column, v) in out.iter_mut().enumerate() {
                *v = if unknown.at(row, column) { known.at(row, column) } else { 0.0 };
            }
        })))
    }

    /// The light to divide by where the blank reads `blank`.
    pub fn light(&self, row: usize, column: usize, blank: f32) -> f32 {
        let size = self.0.size();
        let beside = self.0.at((row / CELL).min(size.rows - 1), (column / CELL).min(size.columns - 1));
        if blank < LIT * beside { beside } else { blank }
    }
}

/// Cells that a mask covers or blurs. None where none lies there.
fn by_mask(light: &Image<f32>) -> Option<Image<bool>> {
    let dark = MASKED * light.pixels().iter().copied().fold(0.0, f32::max);
    let masked = light.map(|v| v < dark);
    let within = |mut cells: Image<f32>| {
        for _ in 0..REACH {
            cells = around(&cells, |near| near.iter().copied().fold(0.0, f32::max));
        }
        cells
    };
    let outermost = around(&masked, |near| near[0] && near.contains(&false));
    let stepped = Image::from_rows(light.size(), false, {
        let brightest = within(light.clone());
        move |row, out| {
            out.iter_mut().enumerate().for_each(|(c, v)| *v = brightest.at(row, c) > STEP * light.at(row, c));
        }
    });
    let edge = outermost.pixels().iter().zip(stepped.pixels()).filter(|(outermost, _)| **outermost);
    let (steps, all) = edge.fold((0, 0), |(steps, all), (_, stepped)| (steps + usize::from(*stepped), all + 1));
    if all == 0 || 2 * steps < all {
        return None;
    }
    let mut unknown = masked;
    for _ in 0..BLURRED {
        unknown = around(&unknown, |near| near.contains(&true));
    }
    Some(unknown)
}

/// Says when parts of the panel, masks left out, are much darker than its brightest.
pub fn uneven(flat: &FlatField) -> Option<Warning> {
    let mut light = image::reduced(&flat.planes[0], CELL).map(|v| v.0);
    for plane in &flat.planes[1..] {
        let cells = image::reduced(plane, CELL);
        light.pixels_mut().iter_mut().zip(cells.pixels()).for_each(|(sum, v)| *sum += v.0);
    }
    let hidden = by_mask(&light).unwrap_or_else(|| light.map(|_| false));
    let seen = || light.pixels().iter().zip(hidden.pixels()).filter(|(_, hidden)| !**hidden).map(|(v, _)| *v);
    let brightest = seen().fold(0.0, f32::max);
    let share = seen().fold(f32::INFINITY, f32::min) / brightest;
    (share < UNEVEN).then(|| {
        Warning::new(
            "blank-uneven",
            format!(
                "the darkest part of the panel shows {:.0} % of the light of its brightest: noise there is {:.1} times as strong, and what \
                 glare adds weighs more; use a larger or better diffused panel, step back, or close the lens by a stop or two",
                100.0 * share,
                1.0 / share.max(0.001).sqrt()
            ),
        )
    })
}

/// Each cell from itself and its neighbours, itself first.
fn around<T: Copy + Default + Send + Sync, U: Copy + Default + Send + Sync>(
    cells: &Image<T>,
    of: impl Fn(&[T]) -> U + Sync,
) -> Image<U> {
    let size = cells.size();
    Image::from_rows(size, U::default(), |row, out| {
        let mut near = Vec::with_capacity(10);
        for (column, v) in out.iter_mut().enumerate() {
            near.clear();
            near.push(cells.at(row, column));
            for r in row.saturating_sub(1)..(row + 2).min(size.rows) {
                near.extend((column.saturating_sub(1)..(column + 2).min(size.columns)).map(|c| cells.at(r, c)));
            }
            *v = of(&near);
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::image::Size;

    fn blank(light: impl Fn(usize, usize) -> f32 + Sync) -> Image<Linear> {
        Image::from_rows(Size::new(640, 960), Linear(0.0), |row, out| {
            out.iter_mut().enumerate().for_each(|(column, v)| *v = Linear(light(row, column)));
        })
    }

    #[test]
    fn a_panel_without_a_mask_is_left_as_it_is() {
        assert!(Shaded::find(&[blank(|row, _| 0.8 - 0.4 * row as f32 / 640.0)], &[1.0], 0.0).is_none());
    }

    /// A lens and panel that leave 7 % in the very corners, by hand 1 − 0.465 × 1.917 = 11 % in the middle of the last cell, are no mask, and too
    /// uneven; a mask is left out of what is uneven.
    #[test]
    fn light_that_falls_off_is_no_mask() {
        let fall = blank(|row, column| {
            let [x, y] = [column as f32 / 480.0 - 1.0, row as f32 / 320.0 - 1.0];
            0.8 * (1.0 - 0.465 * (x * x + y * y))
        });
        assert!(Shaded::find(std::slice::from_ref(&fall), &[1.0], 0.0).is_none());
        let flat = |plane| FlatField {
            planes: vec![plane],
            layout: crate::frame::Layout::Gray,
            settings: Default::default(),
            levels: Vec::new(),
            noise: 0.0,
        };
        let told = uneven(&flat(fall)).unwrap().message;
        assert!(told.contains("shows 11 %"), "{told}");
        assert_eq!(uneven(&flat(blank(|_, column| if column < 200 { 0.002 } else { 0.7 }))), None);
    }

    #[test]
    fn light_is_carried_on_over_the_masks_edge() {
        // A mask's edge blurred over 12 pixels; the panel falls off by 10 % along it.
        let panel = |row: usize| 0.8 - 0.08 * row as f32 / 640.0;
        let edge = |column: usize| ((column as f32 - 200.0) / 12.0 + 0.5).clamp(0.0, 1.0);
        let plane = blank(|row, column| panel(row) * edge(column));
        let shaded = Shaded::find(std::slice::from_ref(&plane), &[1.0], 0.0).unwrap();
        for row in (100..600).step_by(50) {
            for column in 170..260 {
                let light = shaded.light(row, column, plane.at(row, column).0);
                // Within the share that counts as unshaded, and half a cell's fall-off.
                assert!((light / panel(row) - 1.0).abs() < 0.055, "{row} {column}: {light} for {}", panel(row));
            }
        }
        assert_eq!(shaded.light(300, 900, 0.77), 0.77);
    }
}
