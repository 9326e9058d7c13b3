//! Did the light stay the same while the plates were copied?
//!
//! In: the averaged blank's levels, two blanks, or a capture's transmittance. Out: warnings. Drift is the ratio of the last blank
//! to the first; bands (a dimmed panel's pulses under a rolling shutter) show as row or column means of one blank over another, since
//! their phase wanders from frame to frame.

use super::FlatField;
use crate::error::Warning;
use crate::frame::{Frame, Settings};
use crate::units::Linear;
use rayon::prelude::*;

/// Change between first and last blank worth a warning.
const DRIFT: f64 = 0.01;
/// Ripple (standard deviation of row means over their smooth course) worth a warning: four times what is left of 1 % noise in a
/// row of 600 samples, and a third of what may be left of unevenness.
const RIPPLE: f64 = 0.0015;
/// Light, as a share of the brightest, below which a mask lies there.
const LIT: f32 = 0.2;
/// Share of a row that must be lit for its mean to be worth looking at.
const LEAST_LIT: f64 = 0.25;
/// Rows over which the smooth course is taken.
const COURSE: usize = 301;

/// Says when the panel's level changed between the first and the last blank by more than a hundredth.
pub fn drift(flat: &FlatField) -> Option<Warning> {
    let (first, last) = (flat.levels.first()?, flat.levels.last()?);
    let change = last.level / first.level - 1.0;
    (change.abs() > DRIFT).then(|| {
        Warning::new(
            "blank-drift",
            format!(
                "the panel's light changed by {:+.1} % between the first and the last blank; let it warm up for half an hour, on the \
                 mains, and take blanks before and after the plates",
                100.0 * change
            ),
        )
    })
}

/// Says when one blank divided by another shows stripes along rows or columns.
pub fn bands(a: &Frame, b: &Frame) -> Option<Warning> {
    if a.size != b.size || a.channels() != b.channels() {
        return None;
    }
    let channel = a.channels() / 2;
    // Under a mask there is no light to compare.
    let lit = LIT * brightest(a, channel);
    let sums = |rows: std::ops::Range<usize>| {
        let mut along = Vec::with_capacity(rows.len());
        let mut across = vec![(0.0, 0.0); a.size.columns];
        let (mut one, mut two) = (vec![Linear(0.0); a.size.columns], vec![Linear(0.0); a.size.columns]);
        for row in rows {
            a.linear_row(row, channel, &mut one);
            b.linear_row(row, channel, &mut two);
            let mut sum = (0.0, 0.0);
            for ((x, y), column) in one.iter().zip(&two).zip(&mut across).filter(|((x, _), _)| x.0 >= lit) {
                let (x, y) = (x.0 as f64, y.0 as f64);
                *column = (column.0 + x, column.1 + y);
                sum = (sum.0 + x, sum.1 + y);
            }
            along.push(sum);
        }
        (along, across)
    };
    // Parts of fixed size, added in order, so that the number of threads changes nothing.
    const PART: usize = 128;
    let parts: Vec<_> = (0..a.size.rows.div_ceil(PART))
        .into_par_iter()
        .map(|part| sums(part * PART..((part + 1) * PART).min(a.size.rows)))
        .collect();
    let mut rows = Vec::with_capacity(a.size.rows);
    let mut columns = vec![(0.0, 0.0); a.size.columns];
    for (along, across) in parts {
        rows.extend(along);
        columns.iter_mut().zip(across).for_each(|(sum, part)| *sum = (sum.0 + part.0, sum.1 + part.1));
    }
    let rows = course(&rows, LEAST_LIT * (lit * a.size.columns as f32) as f64);
    let columns = course(&columns, LEAST_LIT * (lit * a.size.rows as f32) as f64);
    [("rows", rows), ("columns", columns)].into_iter().find_map(|(along, course)| {
        let (ripple, period) = ripple(&course)?;
        (ripple > RIPPLE).then(|| {
            Warning::new(
                "bands",
                format!(
                    "two blanks differ by stripes along the {along}: {:.2} % (standard deviation), about {period:.0} pixels apart; \
                     set the panel to full brightness or expose for a second or longer",
                    100.0 * ripple
                ),
            )
        })
    })
}

/// Ratio of the two sums; their mean ratio where too little light was summed.
fn course(sums: &[(f64, f64)], least: f64) -> Vec<f64> {
    let whole = sums.iter().fold((0.0, 0.0), |whole, s| (whole.0 + s.0, whole.1 + s.1));
    let ratio = |(a, b): (f64, f64)| a / b.max(1e-9);
    sums.iter().map(|s| if s.0 < least { ratio(whole) } else { ratio(*s) }).collect()
}

/// The brightest light on a sparse grid.
fn brightest(frame: &Frame, channel: usize) -> f32 {
    let places =
        (0..frame.size.rows).step_by(31).flat_map(|r| (0..frame.size.columns).step_by(31).map(move |c| (r, c)));
    places.map(|(r, c)| frame.linear(r, c, channel).0).fold(0.0, f32::max)
}

/// Standard deviation of a course about its running mean, and the mean distance between its upward crossings.
fn ripple(course: &[f64]) -> Option<(f64, f64)> {
    if course.len() < 64 {
        return None;
    }
    let half = COURSE.min(course.len() / 4) / 2;
    let total: Vec<f64> = std::iter::once(0.0)
        .chain(course.iter().scan(0.0, |sum, v| {
            *sum += v;
            Some(*sum)
        }))
        .collect();
    let left: Vec<f64> = (half..course.len() - half)
        .map(|i| course[i] - (total[i + half + 1] - total[i - half]) / (2 * half + 1) as f64)
        .collect();
    let variance = left.iter().map(|v| v * v).sum::<f64>() / left.len() as f64;
    let crossings = left.windows(2).filter(|w| w[0] < 0.0 && w[1] >= 0.0).count().max(1);
    Some((variance.sqrt(), left.len() as f64 / crossings as f64))
}

/// Says when lens, stop, zoom or camera differ between two frames that must be alike.
pub fn settings(name: &str, frame: &Settings, other_name: &str, other: &Settings) -> Option<Warning> {
    let mut differ = Vec::new();
    let mut text = |what: &str, a: &Option<String>, b: &Option<String>| {
        if let (Some(a), Some(b)) = (a, b)
            && a != b
        {
            differ.push(format!("{what} {a} and {b}"));
        }
    };
    text("camera", &frame.model, &other.model);
    text("lens", &frame.lens_model, &other.lens_model);
    let mut number = |what: &str, a: Option<f64>, b: Option<f64>| {
        if let (Some(a), Some(b)) = (a, b)
            && (a - b).abs() > 0.005 * a.abs().max(b.abs())
        {
            differ.push(format!("{what} {a} and {b}"));
        }
    };
    number("focal length (mm)", frame.focal_length_mm, other.focal_length_mm);
    number("35 mm focal length", frame.focal_length_35mm, other.focal_length_35mm);
    number("f-number", frame.f_number, other.f_number);
    number("digital zoom", frame.digital_zoom.filter(|z| *z > 0.0), other.digital_zoom.filter(|z| *z > 0.0));
    (!differ.is_empty()).then(|| {
        Warning::new(
            "settings-differ",
            format!(
                "{name} and {other_name} differ in {}: fall-off and dust no longer match; copy both with one lens, stop and zoom, \
                 all set by hand",
                differ.join(", ")
            ),
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::image::{Image, Size};
    use crate::light::blank::tests::frame;

    fn striped(depth: f32, phase: f32) -> Frame {
        frame(&Image::from_rows(Size::new(2000, 64), 0f32, |row, out| {
            out.fill(0.6 * (1.0 + depth * (row as f32 / 40.0 * std::f32::consts::TAU + phase).sin()))
        }))
    }

    /// Closed form: a sine of height 0.7 % has standard deviation 0.5 %; the running mean over 7.5 periods takes at most a twentieth.
    #[test]
    fn ripple_and_period_of_a_sine_are_found() {
        let course: Vec<f64> =
            (0..2000).map(|i| 1.0 + 0.007 * (i as f64 / 40.0 * std::f64::consts::TAU).sin()).collect();
        let (ripple, period) = ripple(&course).unwrap();
        assert!((ripple / 0.00495 - 1.0).abs() < 0.05, "{ripple}");
        assert!((period / 40.0 - 1.0).abs() < 0.05, "{period}");
    }

    #[test]
    fn stripes_are_seen_and_even_blanks_are_not() {
        let warning = bands(&striped(0.005, 0.0), &striped(0.005, std::f32::consts::FRAC_PI_2)).unwrap();
        assert_eq!(warning.code, "bands");
        assert!(warning.message.contains("rows"), "{}", warning.message);
        assert!(bands(&striped(0.0, 0.0), &striped(0.0, 1.0)).is_none());
    }

    #[test]
    fn what_a_mask_hides_is_not_compared() {
        let masked = |seed: usize| {
            frame(&Image::from_rows(Size::new(1000, 400), 0f32, |row, out| {
                out.iter_mut().enumerate().for_each(|(column, v)| {
                    let grain = ((row * 7919 + column * 104_729 + seed) % 17) as f32 / 17.0;
                    *v = if row > 120 && column > 60 { 0.6 } else { 0.001 * grain };
                })
            }))
        };
        assert!(bands(&masked(0), &masked(5)).is_none());
    }

    #[test]
    fn a_changed_stop_is_named() {
        let one = Settings { f_number: Some(4.0), ..Default::default() };
        let two = Settings { f_number: Some(5.6), ..Default::default() };
        let warning = settings("blank.jpg", &one, "k01.jpg", &two).unwrap();
        assert_eq!(warning.code, "settings-differ");
        assert!(warning.message.contains("f-number 4 and 5.6"), "{}", warning.message);
        assert!(settings("a", &one, "b", &Settings::default()).is_none());
    }
}
