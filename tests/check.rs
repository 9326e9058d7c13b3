//! Each risk that `hyaline check` looks for: said where it is, and not where it is not.

mod small;

use small::{COLUMNS, ROWS, Session, blank_frame, coloured, jpeg, panel, plate_frame, sized, transmittance};
use std::collections::BTreeSet;

/// Codes of all warnings; the run must end with `status`, and say `named` where something failed.
fn codes(session: &Session, status: i32, named: &[&str]) -> BTreeSet<String> {
    let run = session.run(&["check", "--json"]);
    assert_eq!(run.status, Some(status), "{}{}", run.out, run.err);
    for name in named {
        assert!(run.err.contains(name), "`{name}` is not in: {}", run.err);
    }
    let told: serde_json::Value = serde_json::from_str(&run.out).unwrap();
    let warnings = told["warnings"].as_array().unwrap();
    warnings.iter().map(|w| w["code"].as_str().unwrap().to_string()).collect()
}

/// What is said of the session over what is said of one without harm.
fn said(session: &Session) -> Vec<String> {
    let usual = codes(&sound(), 0, &[]);
    codes(session, 0, &[]).difference(&usual).cloned().collect()
}

/// One plate, on a paper that holds all of its densities: a normal one's end lies within a hair of the made picture's.
fn sound() -> Session {
    let session = Session::new(1);
    session.edit("[[plate]]", "[positive]\ntone = \"long\"\n\n[[plate]]");
    session
}

fn with(file: &str, bytes: Vec<u8>) -> Session {
    let session = sound();
    session.write(&format!("captures/{file}"), &bytes);
    session
}

fn plate(x: f64, y: f64) -> f64 {
    panel(x, y) * transmittance(x, y, 1)
}

/// A height of 2 % every 40 rows.
fn stripes(y: f64) -> f64 {
    1.0 + 0.02 * (y / 40.0 * std::f64::consts::TAU).sin()
}

#[test]
fn a_sound_session_has_few_warnings() {
    let told = codes(&Session::new(1), 0, &[]);
    for code in ["blank-drift", "blank-odd", "blank-uneven", "bands", "under-exposed", "bare-level", "scale-differs"] {
        assert!(!told.contains(code), "{told:?}");
    }
}

#[test]
fn blanks_that_disagree() {
    // The plate then reads brighter than the mean of the blanks, too.
    let dimmer = with("blank-2.jpg", jpeg(|x, y| 0.95 * panel(x, y)));
    assert_eq!(said(&dimmer), ["bare-level", "blank-drift"]);
    dimmer.write("captures/blank-3.jpg", &blank_frame());
    assert_eq!(said(&dimmer), ["bare-level", "blank-drift"]);
    let shadow = |x: f64, y: f64| panel(x, y) * if x < 400.0 && y < 300.0 { 0.9 } else { 1.0 };
    assert_eq!(said(&with("blank-2.jpg", jpeg(shadow))), ["blank-odd"]);
    assert_eq!(said(&with("blank-2.jpg", jpeg(|x, y| panel(x, y) * stripes(y)))), ["bands"]);
}

#[test]
fn bands_in_the_plates_capture_alone() {
    assert_eq!(said(&with("k01.jpg", jpeg(|x, y| plate(x, y) * stripes(y)))), ["bands"]);
    assert_eq!(said(&with("k01.jpg", jpeg(|x, y| plate(x, y) * stripes(x)))), ["bands"]);
    // In a mask, the rebate shows them.
    let masked = |x: f64, y: f64| if transmittance(x, y, 1) == 1.0 { 0.001 } else { plate(x, y) };
    let plain = codes(&with("k01.jpg", jpeg(masked)), 0, &[]);
    assert!(!plain.contains("bands") && plain.contains("level-unknown"), "{plain:?}");
    assert!(codes(&with("k01.jpg", jpeg(|x, y| masked(x, y) * stripes(y))), 0, &[]).contains("bands"));
}

#[test]
fn a_panel_much_darker_in_its_corners() {
    let fall = |x: f64, y: f64| {
        let (u, v) = (x / f64::from(COLUMNS) - 0.5, y / f64::from(ROWS) - 0.5);
        1.0 - 1.6 * (u * u + v * v)
    };
    let session = with("k01.jpg", jpeg(|x, y| 0.8 * fall(x, y) * transmittance(x, y, 1)));
    for n in 1..=2 {
        session.write(&format!("captures/blank-{n}.jpg"), &jpeg(|x, y| 0.8 * fall(x, y)));
    }
    assert_eq!(said(&session), ["blank-uneven"]);
}

#[test]
fn a_capture_of_another_level_than_its_blank() {
    assert_eq!(said(&with("k01.jpg", jpeg(|x, y| 0.96 * plate(x, y)))), ["bare-level"]);
    let dim = codes(&with("k01.jpg", jpeg(|x, y| 0.1 * plate(x, y))), 0, &[]);
    assert!(dim.contains("under-exposed") && dim.contains("bare-level"), "{dim:?}");
    // Without Exif, so dim a plate is not found; why is said all the same.
    codes(
        &with("k01.jpg", jpeg(|x, y| 0.004 * plate(x, y))),
        1,
        &["k01.jpg", "the brightest part of the capture reaches 0."],
    );
}

/// A lamp from the left that adds so much red at that side, and less green; a JPEG's luma alone does not show its colour.
#[test]
fn a_lamp_that_shines_in_from_one_side() {
    let under = |red: f64| {
        let light = move |x: f64, y: f64| {
            let lamp = red * (1.0 - x / f64::from(COLUMNS));
            [panel(x, y) + lamp, panel(x, y) + 0.4 * lamp, panel(x, y)]
        };
        let session = with("k01.jpg", coloured(|x, y| light(x, y).map(|v| v * transmittance(x, y, 1))));
        (1..=2).for_each(|n| session.write(&format!("captures/blank-{n}.jpg"), &coloured(light)));
        said(&session)
    };
    assert_eq!(under(0.1), ["panel-colour"]);
    assert!(under(0.02).is_empty());
}

#[test]
fn a_fogged_side_of_the_rebate() {
    // 0.08 denser in a strip along the left side.
    let fogged = |x: f64, y: f64| plate(x, y) * if (105.0..132.0).contains(&x) { 10f64.powf(-0.08) } else { 1.0 };
    assert_eq!(said(&with("k01.jpg", jpeg(fogged))), ["rebate-uneven"]);
}

#[test]
fn a_plate_noted_at_twice_its_size() {
    let session = Session::new(2);
    assert!(!codes(&session, 0, &[]).contains("scale-differs"));
    session.edit("size = \"6.5x9cm\"", "size = \"13x18cm\"");
    assert!(codes(&session, 0, &[]).contains("scale-differs"));
}

#[test]
fn a_jpeg_said_to_be_linear() {
    let session = Session::new(1);
    session.edit("\"srgb\"", "\"linear\"");
    assert!(codes(&session, 0, &[]).contains("jpeg-linear"));
}

#[test]
fn darks_that_cannot_be_the_blanks() {
    let darks = |bytes: &[u8]| {
        let session = Session::new(1);
        session.write("captures/dark-1.jpg", bytes);
        session.edit("profile =", "dark = [\"captures/dark-1.jpg\"]\nprofile =");
        session
    };
    codes(&darks(&jpeg(|_, _| 0.0005)), 0, &[]);
    codes(&darks(&jpeg(|x, y| 0.5 * panel(x, y))), 1, &["dark-1.jpg", "50 % of the blank's light"]);
    codes(&darks(&sized(600, 450, |_, _| 0.0005)), 1, &["dark-1.jpg", "no blank is of this dark frame's camera"]);
}

#[test]
fn a_blank_that_is_of_no_capture() {
    let session = with("blank-3.jpg", sized(600, 450, |_, _| 0.6));
    codes(&session, 1, &["blank-3.jpg", "no capture is of this blank's camera", "600×450"]);
    // The others serve.
    let run = session.run(&["digitize"]);
    assert!(run.status == Some(1) && session.path("out/K-01/K-01-positive.tif").exists(), "{}", run.err);
    // A plate among the blanks is seen for what it is.
    assert!(said(&with("blank-3.jpg", plate_frame(1))).contains(&"blank-odd".to_string()));
}
