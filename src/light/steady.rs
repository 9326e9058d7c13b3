//! Did the light stay the same while the plates were copied?
//!
//! In: the averaged blank's levels, two blanks, or a capture's transmittance. Out: warnings. Drift is the ratio of the last blank
//! to the first; bands (a dimmed panel's pulses under a rolling shutter) show as row or column means of one blank over another, since
//! their phase wanders from frame to frame.

use super::FlatField;
use super::blank::grid;
use crate::error::Warning;
use crate::frame::{Frame, Settings};
use crate::image::Size;
use crate::units::Linear;
use rayon::prelude::*;

/// Change between blanks worth a warning.
const DRIFT: f64 = 0.01;
/// How far a part of one blank may lie off the mean of all, as a share of its light.
const ODD: f64 = 0.02;
/// Parts each way that blanks are compared in.
const PARTS: usize = 8;
/// Ripple (standard deviation of row means over their smooth course) worth a warning: four times what is left of 1 % noise in a
/// row of 600 samples, and a third of what may be left of unevenness.
const RIPPLE: f64 = 0.0015;
/// The same beside a plate, where far fewer samples make a row.
const BESIDE: f64 = 0.003;
/// Correlation of two strips from which on they pulse in step: what picture and grain give by chance stays below.
const IN_STEP: f64 = 0.7;
/// Light, as a share of the brightest, below which a mask lies there.
const LIT: f32 = 0.2;
/// Share of a row that must be lit for its mean to be worth looking at.
const LEAST_LIT: f64 = 0.25;
/// Rows over which the smooth course is taken.
const COURSE: usize = 301;

/// Says when the panel's level changed by more than a hundredth between the first and the last blank, or between any two.
pub fn drift(flat: &FlatField) -> Option<Warning> {
    let (first, last) = (flat.levels.first()?, flat.levels.last()?);
    let change = last.level / first.level - 1.0;
    let levels = || flat.levels.iter().map(|l| l.level);
    let most = levels().fold(0.0, f64::max) / levels().fold(f64::INFINITY, f64::min) - 1.0;
    let told = match () {
        _ if change.abs() > DRIFT => format!("{:+.1} % between the first and the last blank", 100.0 * change),
        _ if most > DRIFT => format!("up to {:.1} % from blank to blank", 100.0 * most),
        _ => return None,
    };
    Some(Warning::new(
        "blank-drift",
        format!(
            "the panel's light changed by {told}; let it warm up for half an hour, on the mains, and take blanks before and after the plates"
        ),
    ))
}

/// Says when one blank's light lies otherwise over the frame than that of all, whatever their levels: something lay on the panel, or camera or
/// panel were moved. `flat`: the mean of all blanks, this one among them.
pub fn odd(name: &str, blank: &Frame, flat: &FlatField) -> Option<Warning> {
    let size = blank.size;
    let mut sums = vec![(0.0, 0.0); PARTS * PARTS];
    for (row, column) in grid(size) {
        let part = &mut sums[row * PARTS / size.rows * PARTS + column * PARTS / size.columns];
        part.0 += (0..blank.channels()).map(|c| blank.linear(row, column, c).0 as f64).sum::<f64>();
        part.1 += flat.planes.iter().map(|plane| plane.at(row, column).0 as f64).sum::<f64>();
    }
    let brightest = sums.iter().map(|s| s.1).fold(0.0, f64::max);
    let lit = sums.iter().filter(|s| s.1 > LIT as f64 * brightest);
    let mut ratios: Vec<f64> = lit.map(|s| s.0 / s.1).collect();
    ratios.sort_by(f64::total_cmp);
    let middle = *ratios.get(ratios.len() / 2)?;
    let off = (ratios[ratios.len() - 1] / middle - 1.0).max(1.0 - ratios[0] / middle);
    (off > ODD).then(|| {
        Warning::new(
            "blank-odd",
            format!(
                "{name} differs from the mean of the blanks by up to {:.0} % in places: something lay on the panel, or it was taken otherwise; \
                 look at it, and take it out of the notes or retake it",
                100.0 * off
            ),
        )
    })
}

/// Says when one blank divided by the next shows stripes along rows or columns. The blanks are of one size and layout.
pub fn bands(blanks: &[&Frame]) -> Option<Warning> {
    let [first, _, ..] = blanks else { return None };
    let channel = first.channels() / 2;
    // Under a mask there is no light to compare.
    let lit = LIT * brightest(first, channel);
    let least = |samples: usize| LEAST_LIT * (lit * samples as f32) as f64;
    let Size { rows, columns } = first.size;
    Sums::of(blanks, channel, lit).windows(2).find_map(|pair| {
        let [a, b] = [&pair[0], &pair[1]];
        let along_rows = course(&a.rows, &b.rows, least(columns));
        let along_columns = course(&a.columns, &b.columns, least(rows));
        [("rows", along_rows), ("columns", along_columns)].into_iter().find_map(|(along, course)| {
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
    })
}

/// A blank's light, summed along its rows and its columns.
struct Sums {
    rows: Vec<f64>,
    columns: Vec<f64>,
}

impl Sums {
    /// Of each blank, where the first one reaches `lit`.
    fn of(blanks: &[&Frame], channel: usize, lit: f32) -> Vec<Sums> {
        /// Rows that are summed at a time, and added in order, so that the number of threads changes nothing.
        const PART: usize = 128;
        let size = blanks[0].size;
        let none = |rows: usize| Sums { rows: Vec::with_capacity(rows), columns: vec![0.0; size.columns] };
        let part = |part: usize| {
            let rows = part * PART..((part + 1) * PART).min(size.rows);
            let mut sums: Vec<Sums> = blanks.iter().map(|_| none(rows.len())).collect();
            let (mut line, mut shares) = (vec![Linear(0.0); size.columns], vec![0f32; size.columns]);
            for row in rows {
                for (k, (blank, sums)) in blanks.iter().zip(&mut sums).enumerate() {
                    blank.linear_row(row, channel, &mut line);
                    if k == 0 {
                        shares.iter_mut().zip(&line).for_each(|(share, v)| *share = f32::from(u8::from(v.0 >= lit)));
                    }
                    line.iter_mut().zip(&shares).for_each(|(v, share)| v.0 *= share);
                    sums.columns.iter_mut().zip(&line).for_each(|(sum, v)| *sum += f64::from(v.0));
                    sums.rows.push(sum(&line));
                }
            }
            sums
        };
        let parts: Vec<Vec<Sums>> = (0..size.rows.div_ceil(PART)).into_par_iter().map(part).collect();
        let mut whole: Vec<Sums> = blanks.iter().map(|_| none(size.rows)).collect();
        for part in parts {
            for (whole, part) in whole.iter_mut().zip(part) {
                whole.rows.extend(part.rows);
                whole.columns.iter_mut().zip(part.columns).for_each(|(sum, part)| *sum += part);
            }
        }
        whole
    }
}

/// Says when two strips of even light, on either side of a plate, rise and fall in step along the `along` of the frame: a capture's bands against its
/// blank. Strips that differ are the plate's own, or dust.
pub fn in_step(along: &str, [a, b]: &[Vec<f64>; 2]) -> Option<Warning> {
    let (a, b) = (over_course(a)?, over_course(b)?);
    let product = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(x, y)| x * y).sum::<f64>() / a.len().max(1) as f64;
    let common = product(&a, &b);
    let alike = common / (product(&a, &a) * product(&b, &b)).sqrt();
    let both: Vec<f64> = a.iter().zip(&b).map(|(x, y)| (x + y) / 2.0).collect();
    (alike > IN_STEP && common > BESIDE * BESIDE).then(|| {
        Warning::new(
            "bands",
            format!(
                "the light on both sides of the plate pulses in step along the {along}: {:.2} % (standard deviation), about {:.0} pixels apart; set \
                 the panel to full brightness or expose for a second or longer",
                100.0 * common.sqrt(),
                period(&both)
            ),
        )
    })
}

/// In lanes, always the same ones.
fn sum(line: &[Linear]) -> f64 {
    const LANES: usize = 8;
    let (whole, rest) = line.as_chunks::<LANES>();
    let mut lanes = [0.0; LANES];
    for chunk in whole {
        lanes.iter_mut().zip(chunk).for_each(|(lane, v)| *lane += v.0 as f64);
    }
    lanes.iter().sum::<f64>() + rest.iter().map(|v| v.0 as f64).sum::<f64>()
}

/// Ratio of two blanks' sums; that of all where a sum is below `least`.
fn course(one: &[f64], two: &[f64], least: f64) -> Vec<f64> {
    let ratio = |a: f64, b: f64| a / b.max(1e-9);
    let whole = ratio(one.iter().sum(), two.iter().sum());
    one.iter().zip(two).map(|(a, b)| if *a < least { whole } else { ratio(*a, *b) }).collect()
}

/// The brightest light on a sparse grid.
fn brightest(frame: &Frame, channel: usize) -> f32 {
    let places =
        (0..frame.size.rows).step_by(31).flat_map(|r| (0..frame.size.columns).step_by(31).map(move |c| (r, c)));
    places.map(|(r, c)| frame.linear(r, c, channel).0).fold(0.0, f32::max)
}

/// How far a course lies off its running mean, and the mean distance between its upward crossings. The median of the distances is, for a sine, its
/// standard deviation; a shadow's two edges, which are no bands, do not reach it.
fn ripple(course: &[f64]) -> Option<(f64, f64)> {
    let left = over_course(course)?;
    let mut off: Vec<f64> = left.iter().map(|v| v.abs()).collect();
    let middle = off.len() / 2;
    let median = *off.select_nth_unstable_by(middle, f64::total_cmp).1;
    Some((median, period(&left)))
}

/// What a course has over its running mean.
fn over_course(course: &[f64]) -> Option<Vec<f64>> {
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
    let over = |i: usize| course[i] - (total[i + half + 1] - total[i - half]) / (2 * half + 1) as f64;
    Some((half..course.len() - half).map(over).collect())
}

/// Mean distance between the upward crossings of zero.
fn period(course: &[f64]) -> f64 {
    let crossings = course.windows(2).filter(|w| w[0] < 0.0 && w[1] >= 0.0).count().max(1);
    course.len() as f64 / crossings as f64
}

/// Says that a camera merged several frames into one, or treated it in a way of its own: light is then no longer one curve of the codes.
pub fn processed(name: &str, frame: &Settings) -> Option<Warning> {
    let processing = frame.processing.as_ref()?;
    Some(Warning::new(
        "processed",
        format!(
            "{name} says that its camera processed it ({processing}): tones may differ from place to place; switch HDR, night mode and \
             filters off, or copy in raw"
        ),
    ))
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
    text("white balance", &frame.white_balance, &other.white_balance);
    let processing = |s: &Settings| Some(s.processing.clone().unwrap_or("none".into()));
    text("processing", &processing(frame), &processing(other));
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
    // Files that do not speak of it were not zoomed; 0 says so, too.
    let zoom = |s: &Settings| Some(s.digital_zoom.filter(|z| *z > 0.0).unwrap_or(1.0));
    number("digital zoom", zoom(frame), zoom(other));
    (!differ.is_empty()).then(|| {
        Warning::new(
            "settings-differ",
            format!(
                "{name} and {other_name} differ in {}: fall-off, dust or tones no longer match; copy both with one lens, stop, zoom and white \
                 balance, all set by hand",
                differ.join(", ")
            ),
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::image::Image;
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
        let warning = bands(&[&striped(0.005, 0.0), &striped(0.005, std::f32::consts::FRAC_PI_2)]).unwrap();
        assert_eq!(warning.code, "bands");
        assert!(warning.message.contains("rows"), "{}", warning.message);
        assert!(bands(&[&striped(0.0, 0.0), &striped(0.0, 1.0)]).is_none());
    }

    /// Strips with a sine of height 2 % in common under grain of 0.5 %, and strips of grain alone.
    #[test]
    fn strips_that_pulse_in_step_are_said() {
        let strip = |depth: f64, seed: usize| -> Vec<f64> {
            let grain = |i: usize| (((i * 7919 + seed * 104_729) % 1009) as f64 / 1009.0 - 0.5) * 0.017;
            (0..2000)
                .map(|i| 0.7 * (1.0 + depth * (i as f64 / 60.0 * std::f64::consts::TAU).sin() + grain(i)))
                .collect()
        };
        let told = in_step("rows", &[strip(0.02, 1), strip(0.02, 2)]).unwrap();
        assert!(told.message.contains("rows: 0.9") || told.message.contains("rows: 1.0"), "{}", told.message);
        assert_eq!(in_step("rows", &[strip(0.0, 1), strip(0.0, 2)]), None);
        assert_eq!(in_step("rows", &[strip(0.02, 1), strip(0.0, 2)]), None);
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
        assert!(bands(&[&masked(0), &masked(5)]).is_none());
    }

    #[test]
    fn a_shadow_on_one_blank_and_a_middle_one_that_is_dimmer_are_said() {
        let even = |level: f32| frame(&Image::filled(Size::new(480, 640), level));
        let shadowed = frame(&Image::from_rows(Size::new(480, 640), 0f32, |row, out| {
            out.iter_mut().enumerate().for_each(|(column, v)| *v = if row < 120 && column < 160 { 0.5 } else { 0.6 });
        }));
        let blanks = [even(0.6), shadowed, even(0.56), even(0.6)];
        let flat = FlatField::from_frames(&blanks.iter().collect::<Vec<_>>(), None);
        let told: Vec<_> = blanks.iter().map(|b| odd("blank-2.png", b, &flat)).collect();
        assert!(told[1].as_ref().unwrap().message.contains("17 % in places"), "{told:?}");
        assert!([0, 2, 3].iter().all(|k| told[*k].is_none()), "{told:?}");
        assert!(drift(&flat).unwrap().message.contains("7.1 % from blank to blank"), "{:?}", drift(&flat));
    }

    #[test]
    fn a_zoom_that_only_one_file_speaks_of_is_named() {
        let zoomed = Settings { digital_zoom: Some(2.0), ..Default::default() };
        let once = Settings { digital_zoom: Some(0.0), ..Default::default() };
        assert!(settings("a", &zoomed, "b", &Settings::default()).unwrap().message.contains("digital zoom 2 and 1"));
        assert!(settings("a", &once, "b", &Settings::default()).is_none());
    }

    #[test]
    fn what_a_camera_did_to_one_frame_is_named() {
        let merged = Settings { processing: Some("custom".into()), ..Default::default() };
        assert!(
            settings("a", &merged, "b", &Settings::default()).unwrap().message.contains("processing custom and none")
        );
        assert_eq!(processed("k01.jpg", &merged).unwrap().code, "processed");
        assert_eq!(processed("k01.jpg", &Settings::default()), None);
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
