//! Tests of a tablet's whole way, from a made frame to its correction.

use super::simulate::{Tablet, frame, panel, srgb};
use super::steps::{self, Light, Step, Use};
use super::strip;
use super::tablet::{Held, Known, anchor, hold};
use crate::error::Fault;
use crate::geometry::Point;
use crate::image::{Image, Size};
use crate::light::{FlatField, divide};
use crate::units::Transmittance;

const SIZE: Size = Size { rows: 800, columns: 1200 };
/// Light of the bare panel's brightest place.
const LEVEL: f32 = 0.85;
/// Variance of light over light: some 20 000 electrons at full scale.
const SHOT: f64 = 5e-5;

/// Transmittance as it is seen through eight bits, blank divided out.
fn divided(tablet: &Tablet, level: f32, shot: f64) -> (Image<Transmittance>, Vec<bool>) {
    let turned = tablet.turn.abs() > 45.0 && tablet.turn.abs() < 135.0;
    let size = if turned { SIZE.turned() } else { SIZE };
    let lit = panel(size, 0.2);
    let middle = if turned { [tablet.middle[1], tablet.middle[0]] } else { tablet.middle };
    let seen = Tablet { middle, ..*tablet }.seen(size);
    let light = Image::from_rows(size, 0f32, |row, out| {
        out.iter_mut().enumerate().for_each(|(column, v)| *v = level * lit.at(row, column) * seen.at(row, column));
    });
    let codes = |light: &Image<f32>, seed| {
        let mut made = frame(light, [srgb; 3], shot, seed);
        made.tables
            .iter_mut()
            .for_each(|t| t.iter_mut().for_each(|v| *v = crate::frame::transfer::srgb_to_linear(*v as f64) as f32));
        made.saturation = made.tables.iter().map(|t| t[254]).collect();
        made
    };
    let blanks = [1, 2, 3].map(|seed| codes(&lit.map(|v| LEVEL * v), seed));
    let flat = FlatField::from_frames(&blanks.iter().collect::<Vec<_>>(), None);
    let capture = codes(&light, 9);
    let full = (0..size.area())
        .map(|k| (0..3).any(|c| capture.linear(k / size.columns, k % size.columns, c).0 >= capture.saturation[c]))
        .collect();
    (divide(&capture, &flat, None, None).unwrap().transmittance, full)
}

fn seen_at(tablet: &Tablet, known: &Known, level: f32, shot: f64) -> Result<steps::Read, Fault> {
    let (seen, full) = divided(tablet, level, shot);
    let full = |row: usize, column: usize| full[row * seen.columns() + column];
    let light = Light { seen: &seen, full: &full };
    let strip = strip::find(&seen, None)?;
    steps::read(&light, &strip, &known.rises())
}

fn read_at(tablet: &Tablet, known: &Known, level: f32) -> Result<Vec<Step>, Fault> {
    seen_at(tablet, known, level, SHOT).map(|read| read.steps)
}

fn noisy(tablet: &Tablet, known: &Known, shot: f64) -> Result<Vec<Step>, Fault> {
    seen_at(tablet, known, LEVEL, shot).map(|read| read.steps)
}

fn read(tablet: &Tablet, known: &Known) -> Result<Vec<Step>, Fault> {
    read_at(tablet, known, LEVEL)
}

fn known(text: &str) -> Known {
    Known::steps(text).unwrap()
}

/// Steps of the two usual tablets (0.05 to 3.05, 21 × 0.15 and 31 × 0.10), however they lie. What eight bits and noise allow: the stated
/// interval (with the blank's own noise, which is smaller), and a hundredth for codes that stand 0.15 D apart at D 3.
#[test]
fn usual_tablets_are_found_and_read_however_they_lie() {
    for (text, count, pitch) in [("21x0.15", 21, 0.15), ("31x0.10", 31, 0.10)] {
        for (turn, surround) in [(0.0, 4.0), (2.5, 4.0), (-4.0, 0.0), (180.0, 0.0), (92.0, 4.0), (-87.0, 0.0)] {
            let made = Tablet { turn, surround, ..Tablet::new(count, pitch) };
            let steps =
                read(&made, &known(text)).unwrap_or_else(|e| panic!("{text} turned {turn}, surround {surround}: {e}"));
            assert_eq!(steps.len(), count);
            let good = steps.iter().filter(|s| s.use_of == Use::Good).count();
            let worst = steps
                .iter()
                .zip(made.densities())
                .filter(|(s, _)| s.use_of == Use::Good)
                .map(|(s, d)| ((s.density - d).abs() - 1.5 * s.uncertainty, d))
                .fold((f64::MIN, 0.0), |w, v| if v.0 > w.0 { v } else { w });
            println!("{text} {turn} {surround}: {good} good, worst beyond noise {worst:?}");
            assert!(worst.0 < 0.01, "{text} turned {turn}: {worst:?}");
            assert!(good * 10 >= count * 9, "{text} turned {turn}: only {good} steps");
        }
    }
}

/// Glare of 0.0016 of the bare panel (a tenth of this dark frame's mean) makes dense steps too clear: by the closed form, D 2.45 reads 2.29. The
/// correction must bring them back to what the tablet is, to within what is left of a smooth course (0.02 up to D 2.4).
#[test]
fn glare_is_corrected_by_the_tablet() {
    let made = Tablet { glare: 0.1, surround: 4.0, turn: 1.0, ..Tablet::new(21, 0.15) };
    let table = Known { densities: made.densities(), measured: true };
    let steps = read(&made, &table).unwrap();
    let held = hold(&[steps], &table, true).unwrap();
    for line in held.lines.iter().filter(|l| l.use_of == Use::Good) {
        println!("{line:?}");
        let corrected = held.fitted.correction.at(line.read);
        assert!((corrected - line.known).abs() < 0.02 || line.known > 2.4, "{line:?}: {corrected}");
    }
    let dense = &held.lines[16];
    assert!(dense.difference < -0.05, "glare shows: {dense:?}");
}

/// Without a blank all densities are off by the panel's unknown level, which no course through 0 undoes. The correction must bring them to
/// what the tablet is under any glare and noise, to within what the glare test above allows.
#[test]
fn the_clearest_step_tells_the_level_where_no_blank_does() {
    for (glare, shot) in [(0.0, SHOT), (0.0, 4.0 * SHOT), (0.03, SHOT), (0.1, SHOT), (0.1, 4.0 * SHOT)] {
        let made = Tablet { glare, ..Tablet::new(21, 0.15) };
        let table = Known { densities: made.densities(), measured: true };
        let seen = noisy(&made, &table, shot).unwrap();
        for level in [-0.2, -0.05, 0.1] {
            let mut steps = seen.clone();
            steps.iter_mut().for_each(|s| s.density += level);
            anchor(&mut steps, &table);
            let held = hold(&[steps], &table, true).unwrap_or_else(|e| panic!("glare {glare}, level {level}: {e}"));
            for line in held.lines.iter().filter(|l| l.use_of == Use::Good && l.known < 2.4) {
                let off = held.fitted.correction.at(line.read) - line.known;
                assert!(off.abs() < 0.02, "glare {glare}, shot {shot}, level {level}: {line:?} {off}");
            }
        }
    }
}

/// A tablet of which only the pitch is known has its own base, 0.12 here against the 0.05 that is presumed.
#[test]
fn a_nominal_tablets_base_is_fitted_along() {
    let made = Tablet { clear: 0.12, ..Tablet::new(21, 0.15) };
    let steps = read(&made, &known("21x0.15")).unwrap();
    let held = hold(&[steps], &known("21x0.15"), true).unwrap();
    assert!((held.fitted.base - 0.07).abs() < 0.02, "{}", held.fitted.base);
    assert!((held.fitted.correction.at(1.5) - 1.5).abs() < 0.02);
}

/// A tablet of 15 steps of 0.15, stated with twice and with about half of that, is another one; stated a third too steep it is doubted.
#[test]
fn a_tablet_of_another_pitch_is_refused() {
    let made = Tablet::new(15, 0.15);
    for stated in ["15x0.30", "15x0.08"] {
        let steps = read(&made, &known(stated)).unwrap();
        let text = hold(&[steps], &known(stated), true).unwrap_err().to_string();
        assert!(text.contains("times as dense"), "{stated}: {text}");
    }
    let steps = read(&made, &known("15x0.20")).unwrap();
    assert!(hold(&[steps], &known("15x0.20"), true).unwrap().steep().is_some());
}

fn told(result: Result<Vec<Step>, Fault>) -> String {
    result.unwrap_err().to_string()
}

#[test]
fn another_count_is_refused() {
    for surround in [0.0, 4.0] {
        let text = told(read(&Tablet { surround, ..Tablet::new(21, 0.15) }, &known("20x0.15")));
        assert!(text.contains("21 steps are seen, and the tablet must have 20"), "{surround}: {text}");
        let text = told(read(&Tablet { surround, ..Tablet::new(15, 0.10) }, &known("31x0.10")));
        assert!(text.contains("must have 31"), "{surround}: {text}");
    }
}

#[test]
fn a_tablet_that_leaves_the_frame_is_refused() {
    for middle in [[900.0, 400.0], [300.0, 400.0]] {
        for surround in [0.0, 4.0] {
            let text = told(read(&Tablet { middle, surround, ..Tablet::new(21, 0.15) }, &known("21x0.15")));
            assert!(text.contains("only in part"), "{middle:?} {surround}: {text}");
        }
    }
}

#[test]
fn a_frame_without_a_tablet_is_refused() {
    let bare = Tablet { width: 0.0, surround: 0.0, ..Tablet::new(21, 0.15) };
    assert!(told(read(&bare, &known("21x0.15"))).contains("no step tablet is seen"));
    let hole = Tablet { count: 1, pitch: 0.15, ..Tablet::new(1, 0.15) };
    assert!(told(read(&hole, &known("21x0.15"))).contains("no step tablet is seen"));
}

/// Steps at full scale are marked; when they run into each other, the tablet cannot be counted.
#[test]
fn steps_at_full_scale_are_marked() {
    let made = Tablet { clear: 0.30, ..Tablet::new(15, 0.15) };
    let steps = read_at(&made, &known("15x0.15"), 2.2).unwrap();
    assert_eq!(steps[0].use_of, Use::Saturated);
    assert!(steps[3..10].iter().all(|s| s.use_of == Use::Good));
}

/// A tablet to D 4 under glare of 0.0016: by the closed form, a step of 0.15 becomes less than a quarter of that from D 3.3 on, which is step 23.
#[test]
fn steps_below_noise_are_marked() {
    let made = Tablet { surround: 6.0, glare: 0.1, ..Tablet::new(27, 0.15) };
    let steps = read(&made, &known("27x0.15")).unwrap();
    let good = steps.iter().filter(|s| s.use_of == Use::Good).count();
    assert!((14..26).contains(&good), "{good}");
    assert!(steps[good..].iter().all(|s| s.use_of == Use::BelowNoise));
}

/// Two steps exchanged.
#[test]
fn a_tablet_that_is_not_monotone_is_refused() {
    let made = Tablet::new(21, 0.15);
    let (mut seen, _) = divided(&made, LEVEL, SHOT);
    let step = made.length / 21.0;
    let left = |k: usize| (made.middle[0] - made.length / 2.0 + step * k as f64).round() as usize;
    for row in 345..455 {
        for column in 0..step as usize {
            let (a, b) = (seen.at(row, left(12) + column), seen.at(row, left(13) + column));
            seen.set(row, left(12) + column, b);
            seen.set(row, left(13) + column, a);
        }
    }
    let light = Light { seen: &seen, full: &|_, _| false };
    let read = |s| steps::read(&light, &s, &known("21x0.15").rises()).map(|read| read.steps);
    let text = told(strip::find(&seen, None).and_then(read));
    assert!(text.contains("clearer than the one before it"), "{text}");
}

#[test]
fn ends_that_are_pointed_at_serve_where_nothing_is_found() {
    let made = Tablet { turn: 20.0, ..Tablet::new(21, 0.15) };
    let (seen, full) = divided(&made, LEVEL, SHOT);
    let full = |row: usize, column: usize| full[row * seen.columns() + column];
    let (s, c) = 20f64.to_radians().sin_cos();
    let end = |sign: f64| Point::new(600.0 + sign * 500.0 * c, 400.0 + sign * 500.0 * s);
    let light = Light { seen: &seen, full: &full };
    let steps = steps::between(&light, [end(-1.0), end(1.0)], &known("21x0.15").rises()).unwrap().steps;
    for (s, d) in steps.iter().zip(made.densities()).filter(|(s, _)| s.use_of == Use::Good) {
        assert!((s.density - d).abs() < 0.01 + 1.5 * s.uncertainty, "{s:?} {d}");
    }
}

/// Sharpening by unsharp masking lifts light beside each jump: more than 5 % of it with
/// 0.8 of what a blur of two pixels takes away.
#[test]
fn sharpening_shows_beside_the_steps() {
    for (sharpened, least, most) in [(0.0, 0.0, 0.03), (0.8, 0.05, 0.4)] {
        let made = Tablet { sharpened, ..Tablet::new(21, 0.15) };
        let overshoot = seen_at(&made, &known("21x0.15"), LEVEL, SHOT).unwrap().overshoot.unwrap();
        assert!((least..most).contains(&overshoot), "{sharpened}: {overshoot}");
    }
}

/// The mean of two frames is surer than one by the root of two.
#[test]
fn several_frames_are_averaged() {
    let made = Tablet::new(21, 0.15);
    let steps = read(&made, &known("21x0.15")).unwrap();
    let table = Known { densities: made.densities(), measured: true };
    let held: Held = hold(&[steps.clone(), steps.clone()], &table, true).unwrap();
    assert!((held.lines[4].uncertainty * 2f64.sqrt() / steps[4].uncertainty - 1.0).abs() < 1e-9);
}

#[test]
fn tablets_are_stated_in_words_and_tables() {
    assert_eq!(known("31x0.10").densities.len(), 31);
    for bad in ["21", "21x", "x0.15", "3x0.15", "21x-0.1", "21x9", "a x b"] {
        assert!(Known::steps(bad).is_err(), "{bad}");
    }
    let table = Known::table("step,density\n1,0.05\n2,0.21\n3,0.34\n4,0.5\n5,0.66\n").unwrap();
    assert_eq!((table.densities, table.measured), (vec![0.05, 0.21, 0.34, 0.5, 0.66], true));
    assert_eq!(Known::table("0.9\n0.7\n0.5\n0.3\n0.1\n").unwrap().densities[0], 0.1);
    let (line, fault) = Known::table("0.1\n0.2\n0.2\n0.4\n0.5\n").unwrap_err();
    assert!(line == 3 && fault.what().contains("does not exceed"), "{line} {fault}");
    let (line, fault) = Known::table("0.1\n0.2\nx\n").unwrap_err();
    assert!(line == 3 && fault.what().contains("`x`"), "{fault}");
    assert!(Known::table("").unwrap_err().1.what().contains("0 densities"));
}
