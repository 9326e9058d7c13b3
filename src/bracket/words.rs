//! What was found, in sentences, and what a caption says of a plate.
//!
//! In: a [`Comparison`] or a plate's notes. Out: plain words with their figures. Never fails.

use super::compare::{BracketPlate, Comparison, EqualDensity, NamedPair};
use super::development::Sameness;
use crate::notes::Matching;
use crate::report::words::{self, signed};

/// The headline findings, one sentence each.
pub fn findings(found: &Comparison) -> Vec<String> {
    let mut told: Vec<String> = found.pairs.iter().flat_map(|pair| pair_findings(pair, found)).collect();
    if let Some(curve) = &found.curve_figures {
        let of = curve.plates.join(" and ");
        let supposed =
            if curve.developed_alike { "" } else { ", if they were developed alike, which the notes do not say" };
        told.push(format!(
            "{of} give the curve over {:.1} stops, with a mean gradient of {:.2}{supposed}.",
            (curve.range[1] - curve.range[0]) / crate::units::DENSITY_PER_STOP,
            curve.mean_gradient
        ));
        if let Some(speed) = &curve.effective_speed {
            told.push(format!(
                "If the meter read the mean of the scene{}, {of} worked at about EI {} in this light, {} stops from the EI {} that was set (estimate).",
                if supposed.is_empty() { "" } else { " and they were developed alike" },
                words::short(two_digits(speed.ei)),
                signed(speed.stops_from_setting, 1),
                words::short(speed.set_ei)
            ));
        }
    }
    told
}

fn pair_findings(pair: &NamedPair, found: &Comparison) -> Vec<String> {
    let ([a, b], f) = (&pair.plates, &pair.figures);
    let under = |id: &String| {
        let at = found.plates.iter().position(|p| p == id).unwrap_or(0);
        format!("{:.0} %", 100.0 * found.below_speed_point[at])
    };
    let mut told = Vec::new();
    let step = f.exposure_difference_stops.map(|s| format!(" at {} stops of exposure", signed(s, 2)));
    let developed = match f.same_development {
        Sameness::Yes => ", developed alike",
        Sameness::No => ", developed differently",
        Sameness::Unknown => "",
    };
    told.push(format!(
        "{b}{}{developed}, has {} in the shadows and {} in the highlights against {a}.",
        step.unwrap_or_default(),
        signed(f.shadow_gain_density, 2),
        signed(f.highlight_gain_density, 2)
    ));
    if let Some(contrast) = f.relative_contrast {
        let error = f.uncertainty.relative_contrast.unwrap_or(0.0);
        told.push(format!(
            "Its contrast in the mid densities is {contrast:.2} ± {:.2} times that of {a}.",
            error.max(0.005)
        ));
    }
    told.push(format!("Under the speed point lies {} of the scene on {a}, {} on {b}.", under(a), under(b)));
    told
}

/// Lines below a plate's picture.
pub fn caption(plate: &BracketPlate, equal: &EqualDensity, matching: Matching) -> Vec<String> {
    let line = |lines: Vec<(&'static str, String)>, name: &str| {
        lines.into_iter().find(|(n, _)| *n == name).map(|(_, words)| words)
    };
    let filter = line(words::exposure(plate.exposure), "Filter").map(|f| format!("filter {f}"));
    let exposure: Vec<String> = line(words::exposure(plate.exposure), "Exposure").into_iter().chain(filter).collect();
    let mut caption = vec![plate.id.to_string()];
    if !exposure.is_empty() {
        caption.push(exposure.join(", "));
    }
    caption.extend(line(words::development(plate.development), "Developed"));
    let matched = match matching {
        Matching::Base => return caption,
        Matching::Highlights => "highlights",
        Matching::Shadows => "shadows",
    };
    if equal.shift_density != 0.0 {
        caption.push(format!(
            "matched in the {matched}: {} stops of printing exposure, density {}",
            signed(equal.shift_stops, 2).replace('−', "-"),
            signed(equal.shift_density, 2).replace('−', "-")
        ));
    }
    caption
}

/// No more digits than an estimate has.
pub fn two_digits(value: f64) -> f64 {
    let step = 10f64.powf(value.abs().max(1e-9).log10().floor() - 1.0);
    (value / step).round() * step
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_estimate_keeps_two_digits() {
        assert_eq!(words::short(two_digits(4.7563)), "4.8");
        assert_eq!(words::short(two_digits(127.3)), "130");
    }
}
