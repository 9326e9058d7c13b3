//! A capture that is blurred, moved or sharpened is said to be so by `check`, with the figure; a sound one is not.

mod small;

use serde_json::Value;
use small::{COLUMNS, ROWS, Session};

const NEW: [&str; 4] = ["blurred", "camera-moved", "sharpened", "tilted"];

/// What the lens sees of plate 1: transmittance under a blur of 0.8 pixels.
fn sharp() -> Vec<f64> {
    let place = |i: usize| ((i % COLUMNS as usize) as f64 + 0.5, (i / COLUMNS as usize) as f64 + 0.5);
    let light =
        (0..(COLUMNS * ROWS) as usize).map(place).map(|(x, y)| small::transmittance(x, y, 1)).collect::<Vec<_>>();
    blurred(&light, 0.8)
}

/// Weighted means of what lies `(right, down)` of each pixel; the frame's border goes on outwards.
fn mixed(light: &[f64], parts: &[(f64, isize, isize)]) -> Vec<f64> {
    let (columns, rows) = (COLUMNS as isize, ROWS as isize);
    let at = |x: isize, y: isize| light[(y.clamp(0, rows - 1) * columns + x.clamp(0, columns - 1)) as usize];
    let mean = |x, y| parts.iter().map(|(weight, right, down)| weight * at(x + right, y + down)).sum();
    (0..rows).flat_map(|y| (0..columns).map(move |x| (x, y))).map(|(x, y)| mean(x, y)).collect()
}

fn blurred(light: &[f64], sigma: f64) -> Vec<f64> {
    let reach = (4.0 * sigma).ceil() as isize;
    let weight = |k: isize| (-(k * k) as f64 / (2.0 * sigma * sigma)).exp();
    let whole: f64 = (-reach..=reach).map(weight).sum();
    let level: Vec<_> = (-reach..=reach).map(|k| (weight(k) / whole, k, 0)).collect();
    let upright: Vec<_> = level.iter().map(|(w, k, _)| (*w, 0, *k)).collect();
    mixed(&mixed(light, &level), &upright)
}

/// Unsharp masking: what a blur takes away, added once more.
fn sharpened(light: &[f64]) -> Vec<f64> {
    light.iter().zip(blurred(light, 1.5)).map(|(t, soft)| t + (t - soft)).collect()
}

/// Exit status of `check`, the warnings among the new ones with their messages, and all that was said to the user.
fn checked(light: &[f64]) -> (Option<i32>, Vec<(String, String)>, String) {
    let session = Session::new(1);
    let at = |x: f64, y: f64| light[y as usize * COLUMNS as usize + x as usize];
    session.write("captures/k01.jpg", &small::jpeg(|x, y| small::panel(x, y) * at(x, y)));
    let run = session.run(&["check", "--json"]);
    let told: Value = serde_json::from_str(&run.out).unwrap();
    let text = |w: &Value, key: &str| w[key].as_str().unwrap().to_string();
    let warnings = told["warnings"].as_array().unwrap().iter().map(|w| (text(w, "code"), text(w, "message")));
    (run.status, warnings.filter(|(code, _)| NEW.contains(&code.as_str())).collect(), run.err)
}

/// The one new warning, and the number in its message that stands before some words.
fn only(light: &[f64], code: &str, before: &str) -> f64 {
    let (status, warnings, said) = checked(light);
    assert!(status == Some(0) && warnings.len() == 1 && warnings[0].0 == code, "{code}: {warnings:?} {said}");
    let message = &warnings[0].1;
    let figure = message.split(before).next().and_then(|text| text.rsplit(' ').next()).and_then(|n| n.parse().ok());
    figure.unwrap_or_else(|| panic!("no figure before `{before}` in: {message}"))
}

#[test]
fn a_sound_capture_is_left_alone() {
    let (status, warnings, said) = checked(&sharp());
    assert!(status == Some(0) && warnings.is_empty(), "{warnings:?} {said}");
}

/// A Gaussian passes from 10 to 90 % within 2.563 σ, the lens's 0.8 pixels included; the pixels' own width and bins add a little, and a flank's
/// end is not quite its level: a twentieth either way.
#[test]
fn blur_is_said_with_its_width() {
    let spread = only(&blurred(&sharp(), 3.0), "blurred", " pixels (10 to 90 %)");
    let truth = 2.563 * 3f64.hypot(0.8);
    assert!((spread / truth - 1.0).abs() < 0.05, "{spread} for {truth}");
}

/// A box passes from 10 to 90 % within 0.8 of its width; the lens's blur rounds its ends, by less than a twentieth.
#[test]
fn motion_during_the_exposure_is_said_with_its_width() {
    let motion: Vec<_> = (-4..=4).map(|k| (1.0 / 9.0, k, 0)).collect();
    let spread = only(&mixed(&sharp(), &motion), "camera-moved", " pixels (10 to 90 %)");
    assert!((spread / (0.8 * 9.0) - 1.0).abs() < 0.05, "{spread}");
}

#[test]
fn a_plate_seen_twice_is_said_to_have_moved() {
    let twice = [(0.5, 0, 0), (0.5, 6, 0)];
    let apart = only(&mixed(&sharp(), &twice), "camera-moved", " pixels apart");
    assert!((apart - 6.0).abs() < 0.3, "{apart}");
}

/// Motion that hides the outline is named where the outline's fault is told.
#[test]
fn motion_that_hides_the_outline_is_named_in_its_fault() {
    let motion: Vec<_> = (-20..=20).map(|k| (1.0 / 41.0, k, 0)).collect();
    let (status, _, said) = checked(&mixed(&sharp(), &motion));
    assert!(status == Some(1) && said.contains("moved while this was exposed"), "{said}");
}

/// The greatest rise is known: light is as the masking left it.
#[test]
fn sharpening_is_said_with_how_far_it_overshoots() {
    let light = sharpened(&sharp());
    let most = light.iter().copied().fold(0.0, f64::max) - 1.0;
    let percent = only(&light, "sharpened", " % above");
    assert!(percent > 2.0 && percent <= 100.0 * most + 0.5, "{percent} % for {most}");
}
