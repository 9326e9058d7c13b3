//! What a bracket suggests for the next plates, in plain words with the figures behind them.
//!
//! In: the figures of the comparison and, where there is one, the curve. Out: [`Advice`], each an estimate for this scene, this light
//! and these plates. Never fails; says less where less is known.

use super::compare::{BracketPlate, NamedPair};
use super::development::Sameness;
use super::plates::PlateFigures;
use super::push;
use super::recovery::{LogH, Recovery};
use crate::report::words::{plain, signed};
use crate::units::DENSITY_PER_STOP;
use serde::Serialize;
use serde_json::{Value, json};

#[derive(Debug, Clone, Serialize)]
pub struct Advice {
    /// For programs.
    pub code: &'static str,
    pub text: String,
    pub figures: Value,
}

/// Share of the scene that ought to clear the speed point: what is left are the deepest blacks of a print (common practice).
pub const CLEAR: f64 = 0.95;
pub fn advise(
    plates: &[BracketPlate],
    pairs: &[NamedPair],
    figures: &[PlateFigures],
    curve: Option<&Recovery>,
) -> Vec<Advice> {
    let mut advice: Vec<Advice> = curve.and_then(|curve| exposure(plates, curve)).into_iter().collect();
    for (pair, (b, of_b)) in pairs.iter().zip(plates.iter().zip(figures).skip(1)) {
        match pair.figures.same_development {
            Sameness::No => advice.push(push::pushed((&plates[0], &figures[0]), (b, of_b), pair)),
            _ => advice.push(stepped(pair, &figures[0], of_b)),
        }
    }
    advice.extend(push::alone(pairs, figures));
    advice
}

/// Stops by which each plate of the curve was off from having [`CLEAR`] of the scene above the speed point.
fn exposure(plates: &[BracketPlate], found: &Recovery) -> Option<Advice> {
    let (darkest, at_least) = match found.darkest(1.0 - CLEAR) {
        _ if !found.curve.reaches_speed_point => return None,
        LogH::At(h) => (h, false),
        LogH::Below(h) => (h, true),
        LogH::Above(_) => return None,
    };
    let group = found.group.plates.iter().zip(&found.group.steps);
    let each: Vec<(&str, f64)> = group.map(|(i, step)| (plates[*i].id, -(darkest + step) / DENSITY_PER_STOP)).collect();
    let told: Vec<String> = each.iter().map(|(id, stops)| wanted(id, *stops, at_least)).collect();
    let supposed = if found.group.sure { "" } else { ", if they were developed alike" };
    Some(Advice {
        code: "exposure",
        text: format!(
            "for {} of this scene to clear the speed point (0.10 above base plus fog), {} (estimate, from the bracket's own curve{supposed})",
            percent(CLEAR),
            told.join("; ")
        ),
        figures: json!({
            "share": CLEAR,
            "at_least": at_least,
            "stops": each.iter().map(|(id, s)| json!({ "plate": id, "stops": rounded(*s) })).collect::<Vec<_>>(),
        }),
    })
}

/// `at_least`: the place is darker than any plate tells.
fn wanted(id: &str, stops: f64, at_least: bool) -> String {
    let about = if at_least { "at least" } else { "about" };
    match stops {
        s if s > 0.15 => format!("{id} wanted {about} {} stops more", plain(s, 1)),
        s if s < -0.15 => format!("{id} had about {} stops to spare", plain(-s, 1)),
        _ => format!("{id} was exposed about right for that"),
    }
}

/// Not known to be developed otherwise: what a step of exposure did.
fn stepped(pair: &NamedPair, a: &PlateFigures, b: &PlateFigures) -> Advice {
    let f = &pair.figures;
    let step = match f.exposure_difference_stops {
        Some(s) => format!("with {} of exposure", stops(s)),
        None => "with an exposure that the notes do not give".into(),
    };
    let supposed = match f.same_development {
        Sameness::Unknown => "; the notes do not say whether they were developed alike",
        _ => "",
    };
    let shoulder = match (a.on_shoulder, b.on_shoulder) {
        (Some(a), Some(b)) => format!("; on the shoulder lies {} of the scene instead of {}", percent(b), percent(a)),
        _ => String::new(),
    };
    Advice {
        code: "exposure-step",
        text: format!(
            "{step}, {} has {} in the shadows and {} in the highlights against {}; under the speed point lies {} of the scene instead of {}{shoulder}{supposed}",
            b.plate,
            gain(f.shadow_gain_density, f.uncertainty.shadow_gain_density),
            gain(f.highlight_gain_density, f.uncertainty.highlight_gain_density),
            a.plate,
            percent(b.below_speed_point),
            percent(a.below_speed_point),
        ),
        figures: json!({
            "plates": pair.plates,
            "stops": f.exposure_difference_stops,
            "shadow_gain_density": rounded(f.shadow_gain_density),
            "highlight_gain_density": rounded(f.highlight_gain_density),
            "below_speed_point": [rounded(a.below_speed_point), rounded(b.below_speed_point)],
        }),
    }
}

pub fn stops(s: f64) -> String {
    match s {
        s if s.abs() < 0.05 => "the same amount".into(),
        s if s > 0.0 => format!("{} stops more", plain(s, 1)),
        s => format!("{} stops less", plain(-s, 1)),
    }
}

pub fn gain(value: f64, error: f64) -> String {
    format!("{} ± {}", signed(value, 2), plain(error.max(0.005), 2))
}

pub fn percent(share: f64) -> String {
    format!("{} %", plain(100.0 * share, 0))
}

pub fn rounded(value: f64) -> f64 {
    (value * 1000.0).round() / 1000.0 + 0.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bound_is_told_as_one() {
        assert_eq!(wanted("K-01", 3.24, false), "K-01 wanted about 3.2 stops more");
        assert_eq!(wanted("K-01", 3.24, true), "K-01 wanted at least 3.2 stops more");
        assert_eq!(wanted("K-01", -1.0, false), "K-01 had about 1.0 stops to spare");
        assert_eq!(wanted("K-01", 0.1, false), "K-01 was exposed about right for that");
    }

    /// No sign before nothing.
    #[test]
    fn nothing_has_no_sign() {
        assert_eq!(gain(-0.001, 0.0), "0.00 ± 0.01");
        assert_eq!(percent(-0.001), "0 %");
        assert!(rounded(-0.0001).is_sign_positive());
    }
}
