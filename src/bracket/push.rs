//! What another development gained and cost, and whether longer development alone could bring the shadows up.
//!
//! In: two plates that the notes say were developed differently, and what was measured of them. Out: [`Advice`]. Never fails; says less where
//! less is known.
//!
//! The notes say which plate was developed further, and what it gained and paid is told of that one, whichever stands first. One pair
//! cannot part development from exposure, but two facts bound it: a place that light has not begun stays blank however long it is
//! developed, and a plate that had less light and shows more owes it to development.

use super::advice::{Advice, CLEAR, gain, percent, rounded, stops};
use super::came_up::CameUp;
use super::compare::{BracketPlate, NamedPair};
use super::development;
use super::plates::PlateFigures;
use crate::notes::Development;
use crate::report::words::plain;
use serde_json::json;
use std::cmp::Ordering;

/// A gain or a difference of contrast within so many standard errors is none.
const SURE: f64 = 2.0;
/// No standard error is told, nor taken, as less than this: half of the last digit.
const LEAST_ERROR: f64 = 0.005;
/// Steps of exposure below this are none, stops.
const SAME_LIGHT: f64 = 0.1;

const CAUTION: &str = "longer or warmer development also raises fog, contrast and grain, and softens gelatine: change one thing at a time, \
                       on a plate that can be spared, and let the maker's sheet have the last word";

/// Another development: what it gained, and what it cost.
pub fn pushed(
    (a, of_a): (&BracketPlate, &PlateFigures),
    (b, of_b): (&BracketPlate, &PlateFigures),
    pair: &NamedPair,
) -> Advice {
    let (f, u) = (&pair.figures, &pair.figures.uncertainty);
    let further = development::further(a.development, b.development);
    // Told of B against A unless A was developed further.
    let turned = further == Some(Ordering::Greater);
    let ((of, notes), (than, than_notes)) = if turned { ((of_a, a), (of_b, b)) } else { ((of_b, b), (of_a, a)) };
    let sign = if turned { -1.0 } else { 1.0 };
    let words = if matches!(further, Some(Ordering::Less | Ordering::Greater)) { FURTHER } else { OTHERWISE };
    let given =
        f.exposure_difference_stops.map_or(String::new(), |s| format!(", with {} of exposure", stops(sign * s)));
    let told = [
        format!(
            "{}, where {} of the scene is under the speed point instead of {}",
            words.moved("shadows", sign * f.shadow_gain_density, u.shadow_gain_density),
            percent(of.below_speed_point),
            percent(than.below_speed_point)
        ),
        words.moved("highlights", sign * f.highlight_gain_density, u.highlight_gain_density),
        fog(sign * f.base_difference, u.base_difference),
        contrast(f.relative_contrast.zip(u.relative_contrast), turned, &than.plate),
    ];
    Advice {
        code: "development-step",
        text: format!(
            "{}, developed {} {} ({}){given}: {}. How much of it is exposure and how much development, one pair cannot tell.",
            of.plate,
            words.developed,
            than.plate,
            differences(than_notes.development, notes.development),
            told.join("; ")
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

/// How a plate's difference from another is put.
struct Words {
    developed: &'static str,
    shadows: [&'static str; 2],
    highlights: [&'static str; 2],
}

const FURTHER: Words =
    Words { developed: "further than", shadows: ["gained", "lost"], highlights: ["paid", "is thinner by"] };
const OTHERWISE: Words = Words { developed: "otherwise than", shadows: ["has", "has"], highlights: ["has", "has"] };

impl Words {
    fn moved(&self, part: &str, value: f64, error: f64) -> String {
        let [up, down] = if part == "shadows" { self.shadows } else { self.highlights };
        match value {
            v if v.abs() <= SURE * error.max(LEAST_ERROR) => {
                format!("is the same in the {part} within its error ({})", gain(v, error))
            }
            v if v > 0.0 || up == down => format!("{up} {} in the {part}", gain(v, error)),
            v => format!("{down} {} ± {} in the {part}", plain(-v, 2), plain(error.max(LEAST_ERROR), 2)),
        }
    }
}

fn fog(value: f64, error: f64) -> String {
    match value {
        v if v.abs() <= (SURE * error).max(LEAST_ERROR) => "its base plus fog is the same".into(),
        v if v > 0.0 => format!("its base plus fog is {} denser", plain(v, 2)),
        v => format!("its base plus fog is {} thinner", plain(-v, 2)),
    }
}

/// `found`: relative contrast of B against A and its standard error.
fn contrast(found: Option<(f64, f64)>, turned: bool, than: &str) -> String {
    let found = found.map(|(c, e)| if turned { (1.0 / c, e / (c * c)) } else { (c, e) });
    match found {
        Some((c, e)) if (c - 1.0).abs() > SURE * e.max(LEAST_ERROR) => {
            format!("it has {} times the contrast of {than}", plain(c, 2))
        }
        Some(_) => format!("it has the contrast of {than}"),
        None => "its contrast against the other's is not known".into(),
    }
}

/// Whether longer development alone could bring the shadows up.
pub fn alone(pairs: &[NamedPair], figures: &[PlateFigures]) -> Option<Advice> {
    let of = |id: &str| figures.iter().find(|f| f.plate == id);
    let wanting = |f: &PlateFigures| f.below_speed_point > 1.0 - CLEAR;
    let shown = pairs.iter().find_map(|pair| {
        let up = pair.figures.came_up.as_ref()?;
        let sign = if up.further == pair.plates[1] { 1.0 } else { -1.0 };
        // With more light as well, nothing can be said of development.
        let stops = pair.figures.exposure_difference_stops.map(|s| sign * s).filter(|s| *s < SAME_LIGHT)?;
        let (further, than) = (of(&up.further)?, of(&up.than).filter(|f| wanting(f))?);
        Some((up, further, than, stops))
    });
    let (plate, text) = match shown {
        Some((up, further, than, stops)) => (than, seen(up, further, than, stops)),
        None => {
            let a = figures.first().filter(|f| wanting(f))?;
            (a, unseen(a))
        }
    };
    Some(Advice {
        code: "development-alone",
        text: format!("{text}; {CAUTION}"),
        figures: json!({
            "plate": plate.plate,
            "below_speed_point": rounded(plate.below_speed_point),
            "blank": rounded(plate.blank),
            "p05": rounded(plate.density[1]),
            "came_up": shown.map(|(up, ..)| up),
        }),
    })
}

fn seen(up: &CameUp, further: &PlateFigures, than: &PlateFigures, given: f64) -> String {
    let share = |s: Option<f64>| s.map_or("too little to tell".into(), percent);
    let light = if given < -SAME_LIGHT { format!(" with {}", stops(given)) } else { " with no more light".into() };
    format!(
        "of the {} of the scene that is faint on {} (0.02 to 0.10 above base), {} came up past the speed point on {}, developed further{light}; of \
         the {} that is blank, {}: {}",
        percent((than.below_speed_point - than.blank).max(0.0)),
        than.plate,
        share(up.faint),
        further.plate,
        percent(than.blank),
        share(up.blank),
        verdict(up, further, than, given)
    )
}

/// What a pair shows of longer development alone. `given`: stops that the plate developed further got more.
fn verdict(up: &CameUp, further: &PlateFigures, than: &PlateFigures, given: f64) -> &'static str {
    let mostly = |share: Option<f64>| share.is_some_and(|s| s >= 0.5);
    if further.below_speed_point <= 1.0 - CLEAR {
        "longer development may do it alone, where the highlights can bear it"
    } else if than.blank * (1.0 - up.blank.unwrap_or(0.0)) > 1.0 - CLEAR {
        if mostly(up.faint) {
            "longer development raises the faint part, and the blank part needs more exposure"
        } else {
            "longer development alone cannot do it, the blank part needs more exposure"
        }
    } else if mostly(up.faint) {
        "longer development helps, and not far enough alone: give some more light, too"
    } else if given < -SAME_LIGHT {
        "what longer development would do at the same exposure cannot be told, since it had less light"
    } else {
        "longer development does little here: give more light instead"
    }
}

fn unseen(a: &PlateFigures) -> String {
    let so = if a.blank > 1.0 - CLEAR {
        "the blank part needs more exposure"
    } else {
        "it may raise the faint part, and what is blank needs more exposure"
    };
    format!(
        "{} of the scene is under the speed point on {}, and {} is blank (less than 0.02 above base): development multiplies the density that light \
         has begun and begins none, so {so}",
        percent(a.below_speed_point),
        a.plate,
        percent(a.blank),
    )
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

#[cfg(test)]
mod tests {
    use super::*;

    fn plate(below_speed_point: f64, blank: f64) -> PlateFigures {
        PlateFigures { plate: "K-01".into(), below_speed_point, blank, ..Default::default() }
    }

    fn up(faint: f64, blank: f64) -> CameUp {
        CameUp { further: "K-02".into(), than: "K-01".into(), faint: Some(faint), blank: Some(blank) }
    }

    /// Light that was never there cannot be developed; what it had begun can; less light must not be held against development.
    #[test]
    fn the_verdict_stands_on_what_was_faint_and_what_was_blank() {
        let cases = [
            (up(0.9, 0.0), plate(0.04, 0.03), plate(0.20, 0.03), 0.0, "may do it alone"),
            (up(0.9, 0.0), plate(0.14, 0.12), plate(0.30, 0.12), 0.0, "raises the faint part"),
            (up(0.1, 0.0), plate(0.28, 0.14), plate(0.30, 0.12), -1.0, "cannot do it"),
            (up(0.7, 0.0), plate(0.10, 0.02), plate(0.30, 0.02), 0.0, "not far enough alone"),
            (up(0.1, 0.0), plate(0.28, 0.02), plate(0.30, 0.02), -1.0, "it had less light"),
            (up(0.1, 0.0), plate(0.28, 0.02), plate(0.30, 0.02), 0.0, "give more light instead"),
        ];
        for (up, further, than, given, says) in cases {
            let told = verdict(&up, &further, &than, given);
            assert!(told.contains(says), "{says}: {told}");
        }
    }

    #[test]
    fn a_gain_is_no_cost_and_what_is_not_sure_is_neither() {
        assert_eq!(FURTHER.moved("highlights", 0.14, 0.01), "paid +0.14 ± 0.01 in the highlights");
        assert_eq!(FURTHER.moved("highlights", -0.14, 0.01), "is thinner by 0.14 ± 0.01 in the highlights");
        assert_eq!(FURTHER.moved("shadows", -0.10, 0.01), "lost 0.10 ± 0.01 in the shadows");
        assert_eq!(OTHERWISE.moved("shadows", -0.10, 0.01), "has −0.10 ± 0.01 in the shadows");
        assert!(FURTHER.moved("shadows", -0.001, 0.01).ends_with("within its error (0.00 ± 0.01)"));
        assert_eq!(fog(-0.003, 0.0), "its base plus fog is the same");
        assert_eq!(fog(0.11, 0.004), "its base plus fog is 0.11 denser");
        // Told the other way round: 1 ÷ 0.8.
        assert_eq!(contrast(Some((0.8, 0.01)), true, "K-02"), "it has 1.25 times the contrast of K-02");
    }
}
