//! What a bracket suggests for the next plates, in plain words with the figures behind them.
//!
//! In: the figures of the comparison and, where there is one, the curve. Out: [`Advice`], each an estimate for this scene, this light
//! and these plates. Never fails; says less where less is known.

use super::compare::{BracketPlate, NamedPair};
use super::curve::Recovered;
use super::development::Sameness;
use super::plates::PlateFigures;
use crate::notes::Development;
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
const CLEAR: f64 = 0.95;
/// Under this density nothing was recorded that development could bring out: twice the accuracy of a base reading.
const BLANK: f64 = 0.02;
/// A gain or a difference of contrast within so many standard errors is none.
const SURE: f64 = 2.0;

const CAUTION: &str = "longer or warmer development also raises fog, contrast and grain, and softens gelatine: change one thing at a time, \
                       on a plate that can be spared, and let the maker's sheet have the last word";

pub fn advise(
    plates: &[BracketPlate],
    pairs: &[NamedPair],
    figures: &[PlateFigures],
    curve: Option<&Recovered>,
) -> Vec<Advice> {
    let mut advice = Vec::new();
    if let Some(curve) = curve {
        advice.extend(exposure(plates, pairs, figures, curve));
    }
    for (pair, (b, of_b)) in pairs.iter().zip(plates.iter().zip(figures).skip(1)) {
        match pair.figures.same_development {
            Sameness::No => advice.push(pushed(&plates[0], b, pair, &figures[0], of_b)),
            _ => advice.push(stepped(pair, &figures[0], of_b)),
        }
    }
    advice.extend(development(pairs, figures));
    advice
}

/// Stops by which each plate was off from having [`CLEAR`] of the scene above the speed point.
fn exposure(
    plates: &[BracketPlate],
    pairs: &[NamedPair],
    figures: &[PlateFigures],
    curve: &Recovered,
) -> Option<Advice> {
    if !curve.reaches_speed_point {
        return None;
    }
    let mut scene = curve.scene.clone();
    scene.sort_by(|p, q| p.0.total_cmp(&q.0));
    // What every plate left blank has no exposure of its own on the curve, and lies below all that have.
    let blank = figures.iter().map(|f| f.below_speed_point).fold(1.0, f64::min).min(1.0 - CLEAR) * 0.0;
    let mut below = blank;
    let darkest = scene
        .iter()
        .find(|(_, share)| {
            below += share;
            below >= 1.0 - CLEAR
        })
        .map(|(h, _)| *h)?;
    let wanted = -darkest / DENSITY_PER_STOP;
    let each: Vec<(String, f64)> = std::iter::once((plates[0].id, 0.0))
        .chain(
            pairs
                .iter()
                .zip(plates.iter().skip(1))
                .filter_map(|(p, plate)| Some((plate.id, p.figures.exposure_difference_stops?))),
        )
        .map(|(id, given)| (id.to_string(), wanted - given))
        .collect();
    let told: Vec<String> = each
        .iter()
        .map(|(id, stops)| match stops {
            s if *s > 0.15 => format!("{id} wanted about {s:.1} stops more"),
            s if *s < -0.15 => format!("{id} had about {:.1} stops to spare", -s),
            _ => format!("{id} was exposed about right for that"),
        })
        .collect();
    Some(Advice {
        code: "exposure",
        text: format!(
            "for {:.0} % of this scene to clear the speed point (0.10 above base plus fog), {} (estimate, from the bracket's own curve)",
            100.0 * CLEAR,
            told.join("; ")
        ),
        figures: json!({ "share": CLEAR, "stops": each.iter().map(|(id, s)| json!({ "plate": id, "stops": rounded(*s) })).collect::<Vec<_>>() }),
    })
}

/// The same development: what a step of exposure did.
fn stepped(pair: &NamedPair, a: &PlateFigures, b: &PlateFigures) -> Advice {
    let f = &pair.figures;
    let step = match f.exposure_difference_stops {
        Some(s) => format!("with {} of exposure", stops(s)),
        None => "with an exposure that the notes do not give".into(),
    };
    let shoulder = match (a.on_shoulder, b.on_shoulder) {
        (Some(a), Some(b)) => format!("; on the shoulder lies {} of the scene instead of {}", percent(b), percent(a)),
        _ => String::new(),
    };
    Advice {
        code: "exposure-step",
        text: format!(
            "{step}, {} has {} in the shadows and {} in the highlights against {}; under the speed point lies {} of the scene instead of {}{shoulder}",
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

/// Another development: what it gained, and what it cost.
fn pushed(a: &BracketPlate, b: &BracketPlate, pair: &NamedPair, of_a: &PlateFigures, of_b: &PlateFigures) -> Advice {
    let f = &pair.figures;
    let contrast = match (f.relative_contrast, f.uncertainty.relative_contrast) {
        (Some(c), Some(e)) if (c - 1.0).abs() > SURE * e => format!("contrast {:.2} times that of {}", c, a.id),
        _ => format!("the contrast of {}", a.id),
    };
    let given = f.exposure_difference_stops.map_or(String::new(), |s| format!(", with {} of exposure", stops(s)));
    Advice {
        code: "development-step",
        text: format!(
            "{}, developed differently ({}){given}: gained {} in the shadows, where {} of the scene is under the speed point instead of {}; paid {} in the \
             highlights and {:+.2} of base plus fog; {contrast}. How much of it is exposure and how much development, one pair cannot tell",
            b.id,
            differences(a.development, b.development),
            gain(f.shadow_gain_density, f.uncertainty.shadow_gain_density),
            percent(of_b.below_speed_point),
            percent(of_a.below_speed_point),
            gain(f.highlight_gain_density, f.uncertainty.highlight_gain_density),
            f.base_difference,
        ),
        figures: json!({
            "plates": pair.plates,
            "shadow_gain_density": rounded(f.shadow_gain_density),
            "highlight_gain_density": rounded(f.highlight_gain_density),
            "base_difference": rounded(f.base_difference),
            "relative_contrast": f.relative_contrast.map(rounded),
            "below_speed_point": [rounded(of_a.below_speed_point), rounded(of_b.below_speed_point)],
        }),
    }
}

/// Whether longer development alone could bring the shadows up.
fn development(pairs: &[NamedPair], figures: &[PlateFigures]) -> Option<Advice> {
    let a = &figures[0];
    if a.below_speed_point <= 1.0 - CLEAR {
        return None;
    }
    // Where A is blank, what did a plate developed longer, at no more exposure, show?
    let longer = pairs.iter().find(|p| {
        p.figures.same_development == Sameness::No
            && p.figures.exposure_difference_stops.is_some_and(|s| s < 0.1)
            && p.figures.relative_contrast.is_some_and(|c| c > 1.05)
    });
    let text = match longer {
        Some(pair) => {
            let f = &pair.figures;
            let helped =
                f.shadow_gain_density > SURE * f.uncertainty.shadow_gain_density && f.shadow_gain_density > BLANK;
            format!(
                "longer development without more exposure {} the shadows of {} ({} at density {:.2}, against {} in the highlights): {}",
                if helped { "did raise" } else { "did not raise" },
                a.plate,
                gain(f.shadow_gain_density, f.uncertainty.shadow_gain_density),
                f.gain_at_density[0],
                gain(f.highlight_gain_density, f.uncertainty.highlight_gain_density),
                if helped { "it may serve where highlights can bear it" } else { "give more light instead" },
            )
        }
        None => format!(
            "{} of the scene is under the speed point on {} (a twentieth of it has less than {:.2} above base): development multiplies the density that light \
             has begun and begins none, so the blank part needs more exposure",
            percent(a.below_speed_point),
            a.plate,
            a.density[1].max(0.0),
        ),
    };
    Some(Advice {
        code: "development-alone",
        text: format!("{text}; {CAUTION}"),
        figures: json!({ "below_speed_point": rounded(a.below_speed_point), "p05": rounded(a.density[1]) }),
    })
}

fn differences(a: &Development, b: &Development) -> String {
    let mut told = Vec::new();
    let mut add = |name: &str, x: Option<String>, y: Option<String>| {
        if let (Some(x), Some(y)) = (x, y)
            && x != y
        {
            told.push(format!("{name} {y} against {x}"));
        }
    };
    let number = |v: Option<f64>, unit: &str| v.map(|v| format!("{v} {unit}"));
    add("developer", a.developer.clone(), b.developer.clone());
    add("dilution", a.dilution.clone(), b.dilution.clone());
    add("time", number(a.minutes, "min"), number(b.minutes, "min"));
    add("temperature", number(a.temperature_c, "°C"), number(b.temperature_c, "°C"));
    add("agitation", a.agitation.clone(), b.agitation.clone());
    told.join(", ")
}

fn stops(s: f64) -> String {
    match s {
        s if s.abs() < 0.05 => "the same amount".into(),
        s if s > 0.0 => format!("{s:.1} stops more"),
        s => format!("{:.1} stops less", -s),
    }
}

fn gain(value: f64, error: f64) -> String {
    format!("{value:+.2} ± {:.2}", error.max(0.005))
}

fn percent(share: f64) -> String {
    format!("{:.0} %", 100.0 * share)
}

fn rounded(value: f64) -> f64 {
    (value * 1000.0).round() / 1000.0
}
