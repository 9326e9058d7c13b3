//! Has the panel's light one colour all over?
//!
//! In: a blank's [`Frame`] of several colours. Out: a warning where red or blue against green changes from one side of the frame to the other.
//! A lens and its sensor tint a frame alike on all sides of its middle; a window or a lamp that shines in does it from one side, and comes and goes
//! between blank and plate. Frames of one colour, and those too dark to tell, say nothing.

use crate::error::Warning;
use crate::frame::{Filter, Frame, Layout};
use nalgebra::{Matrix3, Vector3};

/// Parts that are compared down and across.
const PARTS: usize = 12;
/// Pixels from one square of two by two that is looked at to the next, down and across: even, so that each is a cell of the filter array.
const STRIDE: usize = 6;
/// Light, as a share of the brightest part's green, below which a mask may lie there.
const LIT: f64 = 0.2;
/// Fewest lit parts that tell.
const FEWEST: usize = 16;
/// Change from side to side, as a share, worth a warning: panels lit from their edges reach half of it (common practice).
const CHANGES: f64 = 0.05;

/// Says when the colour of a blank's light changes across it.
pub fn uneven(name: &str, blank: &Frame) -> Option<Warning> {
    let changes = changes(blank)?;
    (changes.into_iter().fold(0.0, f64::max) > CHANGES).then(|| {
        let [red, blue] = changes.map(|change| 100.0 * change);
        Warning::new(
            "panel-colour",
            format!(
                "the light's colour changes from side to side of {name}: red against green by {red:.0} %, blue by {blue:.0} %; a window or a lamp \
                 shines in, or the panel itself is uneven: darken the room, leave the panel as the only light, and use its even middle"
            ),
        )
    })
}

/// How much red and blue against green change from side to side, as a share.
fn changes(blank: &Frame) -> Option<[f64; 2]> {
    let colour = |row: usize, column: usize, channel: usize| match blank.layout {
        Layout::Gray => None,
        Layout::Rgb => Some(channel),
        Layout::Mosaic(filters) => match filters[row % 2 * 2 + column % 2] {
            Filter::Red => Some(0),
            Filter::Green => Some(1),
            Filter::Blue => Some(2),
        },
    };
    let size = blank.size;
    let mut parts = vec![[(0.0, 0u32); 3]; PARTS * PARTS];
    for row in (0..size.rows.saturating_sub(1)).step_by(STRIDE) {
        for column in (0..size.columns.saturating_sub(1)).step_by(STRIDE) {
            let part = &mut parts[row * PARTS / size.rows * PARTS + column * PARTS / size.columns];
            for (row, column) in [(row, column), (row, column + 1), (row + 1, column), (row + 1, column + 1)] {
                for channel in 0..blank.channels() {
                    let (sum, count) = &mut part[colour(row, column, channel)?];
                    *sum += f64::from(blank.linear(row, column, channel).0);
                    *count += 1;
                }
            }
        }
    }
    let light = |part: usize| parts[part].map(|(sum, count)| sum / f64::from(count.max(1)));
    let brightest = (0..parts.len()).map(|part| light(part)[1]).fold(0.0, f64::max);
    let lit: Vec<usize> = (0..parts.len()).filter(|part| light(*part)[1] > LIT * brightest).collect();
    if lit.len() < FEWEST || lit.iter().any(|part| light(*part).contains(&0.0)) {
        return None;
    }
    // A plane through the logarithms: what all sides share falls out of it.
    let slope = |channel: usize| {
        let (mut normal, mut right) = (Matrix3::zeros(), Vector3::zeros());
        for part in &lit {
            let middle = |k: usize| (k as f64 + 0.5) / PARTS as f64 - 0.5;
            let row = Vector3::new(1.0, middle(part % PARTS), middle(part / PARTS));
            let light = light(*part);
            normal += row * row.transpose();
            right += row * (light[channel] / light[1]).ln();
        }
        let plane = normal.cholesky()?.solve(&right);
        Some(plane[1].hypot(plane[2]).exp_m1())
    };
    Some([slope(0)?, slope(2)?])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::Samples;
    use crate::image::{Image, Size};
    use crate::light::blank::tests::frame;

    const SIZE: Size = Size { rows: 480, columns: 640 };

    /// A 16-bit frame whose light at (x, y), each -0.5 to 0.5, is `light` in red, green and blue.
    fn made(mosaic: bool, light: impl Fn(f64, f64) -> [f64; 3]) -> Frame {
        let code = |v: f64| (v * 65535.0).round() as u16;
        let filters = [Filter::Red, Filter::Green, Filter::Green, Filter::Blue];
        let pixels = (0..SIZE.area()).flat_map(|k| {
            let (row, column) = (k / SIZE.columns, k % SIZE.columns);
            let all = light(column as f64 / SIZE.columns as f64 - 0.5, row as f64 / SIZE.rows as f64 - 0.5).map(code);
            let own = filters[row % 2 * 2 + column % 2] as usize;
            if mosaic { vec![all[own]] } else { all.to_vec() }
        });
        let gray = frame(&Image::filled(SIZE, 0.0));
        let layout = if mosaic { Layout::Mosaic(filters) } else { Layout::Rgb };
        let tables = vec![gray.tables[0].clone(); 4];
        Frame { layout, samples: Samples::U16(pixels.collect()), tables, ..gray }
    }

    /// Closed form: red grows as exp(0.08 x) against green, from side to side by exp(0.08) = 8.3 %; both fall off towards the corners, at whose
    /// ends places that lie a pixel of 640 apart differ by 0.2 %.
    #[test]
    fn a_lamp_from_one_side_is_told_and_a_lens_is_not() {
        for mosaic in [false, true] {
            let fall_off = |x: f64, y: f64| 0.6 - 0.5 * (x * x + y * y);
            let lens = made(mosaic, |x, y| {
                [0.7 * fall_off(x, y) * (1.0 - 0.3 * (x * x + y * y)), fall_off(x, y), 0.8 * fall_off(x, y)]
            });
            assert_eq!(uneven("blank", &lens), None);
            let lamp =
                made(mosaic, |x, y| [(0.08 * x).exp() * 0.7 * fall_off(x, y), fall_off(x, y), 0.8 * fall_off(x, y)]);
            let [red, blue] = changes(&lamp).unwrap();
            assert!((red - 0.0833).abs() < 0.004 && blue < 0.004, "{red} {blue}");
            let told = uneven("blank", &lamp).unwrap().message;
            assert!(told.contains(&format!("red against green by {:.0} %, blue by 0 %", 100.0 * red)), "{told}");
        }
        let gray = Frame { layout: Layout::Gray, ..made(true, |_, _| [0.5; 3]) };
        assert_eq!(uneven("blank", &gray), None);
    }
}
