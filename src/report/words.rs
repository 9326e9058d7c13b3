//! A plate's field record in plain terms.
//!
//! In: exposure and development as the notes have them. Out: pairs of a name and a line of words, in the order in which they are
//! asked for; what the notes leave out is left out. Never fails. The text is plain and not yet escaped.

pub use super::axis::plain;
use crate::notes::{Development, Exposure};
use crate::record::Step;
use crate::units::Stops;

/// A number with as few decimals as it needs, two at most.
pub fn short(value: f64) -> String {
    let text = plain(value, 2);
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_string() } else { text }
}

/// A difference with its sign.
pub fn signed(value: f64, decimals: usize) -> String {
    let text = plain(value, decimals);
    if text.starts_with('−') || value.abs() < 0.5 * 10f64.powi(-(decimals as i32)) {
        text
    } else {
        format!("+{text}")
    }
}

/// How much longer each copy exposure was than the one before, as fitted beside what the settings say; none where there was only one.
pub fn exposure_ratios(steps: &[Step]) -> Option<String> {
    const FEW: usize = 4;
    let merged = steps.iter().filter(|step| step.step == Step::MERGE_EXPOSURES);
    let pairs = merged.filter_map(|step| step.figures.get("against_the_next_shorter")?.as_array()).flatten();
    let ratios: Vec<[f64; 2]> =
        pairs.filter_map(|pair| Some([pair["fitted_ratio"].as_f64()?, pair["nominal_ratio"].as_f64()?])).collect();
    let off = |[fitted, nominal]: &[f64; 2]| 100.0 * (fitted / nominal - 1.0).abs();
    match ratios.len() {
        0 => None,
        1..=FEW => {
            let each =
                |[fitted, nominal]: &[f64; 2]| format!("×{} (×{} by the settings)", plain(*fitted, 3), short(*nominal));
            Some(format!("merged, each longer by {}", ratios.iter().map(each).collect::<Vec<_>>().join(", ")))
        }
        many => {
            let most = ratios.iter().map(off).fold(0.0, f64::max);
            Some(format!("merged, {many} ratios fitted, {} % at most off what the settings say", plain(most, 1)))
        }
    }
}

/// "14 March 2026" for an ISO date, and anything else as it is.
pub fn date(text: &str) -> String {
    match text.parse::<jiff::civil::Date>() {
        Ok(date) => date.strftime("%-d %B %Y").to_string(),
        Err(_) => text.to_string(),
    }
}

/// "14 March 2026, 15:40 (+01:00)" for an RFC 3339 time, without the offset where the notes give none.
pub fn time(text: &str) -> String {
    let clock = text.find(['T', 't', ' ']).unwrap_or(text.len());
    let end = text[clock..].find(['+', '-', 'Z', 'z']).map_or(text.len(), |at| clock + at);
    let (local, offset) = text.split_at(end);
    let Ok(local) = local.parse::<jiff::civil::DateTime>() else { return text.to_string() };
    let words = local.strftime("%-d %B %Y, %H:%M").to_string();
    match offset {
        "" => words,
        "Z" | "z" => format!("{words} (UTC)"),
        offset => format!("{words} ({})", offset.replace('-', "−")),
    }
}

/// The exposure in the field.
pub fn exposure(e: &Exposure) -> Vec<(&'static str, String)> {
    let mut lines = Vec::new();
    let mut basics = Vec::new();
    if let Some(shutter) = &e.shutter {
        basics.push(format!("{shutter} s"));
    }
    if let Some(aperture) = e.aperture {
        basics.push(format!("f/{}", short(aperture)));
    }
    if let Some(ei) = e.ei {
        basics.push(format!("metered at EI {}", short(ei)));
    }
    if !basics.is_empty() {
        lines.push(("Exposure", basics.join(", ")));
    }
    let focal = e.focal_length_mm.map(|f| format!("{} mm", short(f)));
    let lens: Vec<String> = [e.lens.clone(), focal].into_iter().flatten().collect();
    if !lens.is_empty() {
        lines.push(("Lens", lens.join(", ")));
    }
    if let Some(bellows) = e.bellows_mm {
        let loss = e.focal_length_mm.filter(|f| *f > 0.0 && bellows > 0.0).map(|f| {
            let factor = (bellows / f).powi(2);
            format!(": {} times the light, {} stop", short(factor), signed(Stops::from_ratio(factor).0, 2))
        });
        lines.push(("Bellows", format!("{} mm{}", short(bellows), loss.unwrap_or_default())));
    }
    if e.filter.is_some() || e.filter_stops.is_some_and(|s| s != 0.0) {
        let stops = e.filter_stops.filter(|s| *s != 0.0).map(|s| format!("{} stop", short(s)));
        let words: Vec<String> = [e.filter.clone(), stops].into_iter().flatten().collect();
        lines.push(("Filter", words.join(", ")));
    }
    if let Some(text) = &e.time {
        lines.push(("Time", time(text)));
    }
    if let (Some(latitude), Some(longitude)) = (e.latitude, e.longitude) {
        lines.push(("Position", format!("{}, {}", degrees(latitude, ['N', 'S']), degrees(longitude, ['E', 'W']))));
    }
    if let Some(holder) = &e.holder {
        lines.push(("Holder", holder.clone()));
    }
    lines
}

/// The plate's processing.
pub fn development(d: &Development) -> Vec<(&'static str, String)> {
    let join = |words: &[Option<String>]| words.iter().flatten().cloned().collect::<Vec<_>>().join(", ");
    let minutes = |m: Option<f64>| m.map(|m| format!("{} min", short(m)));
    let mut lines = Vec::new();
    let named = [d.developer.as_deref(), d.dilution.as_deref()].into_iter().flatten().collect::<Vec<_>>().join(" ");
    let named = (!named.is_empty()).then_some(named);
    let warmth = d.temperature_c.map(|c| format!("{} °C ({} °F)", short(c), plain(1.8 * c + 32.0, 1)));
    let line = join(&[named, minutes(d.minutes), warmth, d.agitation.clone()]);
    if !line.is_empty() {
        lines.push(("Developed", line));
    }
    let line = join(&[d.fixer_dilution.clone(), minutes(d.fix_minutes)]);
    if !line.is_empty() {
        lines.push(("Fixed", line));
    }
    lines
}

fn degrees(value: f64, [positive, negative]: [char; 2]) -> String {
    format!("{}° {}", plain(value.abs(), 4), if value < 0.0 { negative } else { positive })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ratios_are_told_beside_what_the_settings_say() {
        let step = |ratios: &[[f64; 2]]| {
            let pair =
                |[fitted, nominal]: &[f64; 2]| serde_json::json!({ "fitted_ratio": fitted, "nominal_ratio": nominal });
            let pairs: Vec<_> = ratios.iter().map(pair).collect();
            Step::new(Step::MERGE_EXPOSURES, serde_json::json!({ "against_the_next_shorter": pairs }))
        };
        assert_eq!(exposure_ratios(&[Step::new("flat-field", serde_json::json!({ "blanks": 3 }))]), None);
        let two = exposure_ratios(&[step(&[[8.0312, 8.0], [3.97, 4.0]])]).unwrap();
        assert_eq!(two, "merged, each longer by ×8.031 (×8 by the settings), ×3.970 (×4 by the settings)");
        let many = exposure_ratios(&vec![step(&[[8.08, 8.0], [4.0, 4.0]]); 3]).unwrap();
        assert_eq!(many, "merged, 6 ratios fitted, 1.0 % at most off what the settings say");
    }

    /// 1.8 °C + 32 and (v/f)², handbook formulas: 20 °C is 68 °F, 225 mm on a 210 mm lens 1.148 times the light.
    #[test]
    fn a_record_reads_as_a_photographer_would_say_it() {
        let e = Exposure {
            ei: Some(2.0),
            shutter: Some("1/4".into()),
            aperture: Some(22.0),
            focal_length_mm: Some(210.0),
            bellows_mm: Some(225.0),
            time: Some("2026-03-14T15:40:00+01:00".into()),
            latitude: Some(54.1),
            longitude: Some(-2.8),
            ..Default::default()
        };
        let lines: Vec<String> = exposure(&e).into_iter().map(|(name, words)| format!("{name}: {words}")).collect();
        assert_eq!(
            lines,
            [
                "Exposure: 1/4 s, f/22, metered at EI 2",
                "Lens: 210 mm",
                "Bellows: 225 mm: 1.15 times the light, +0.20 stop",
                "Time: 14 March 2026, 15:40 (+01:00)",
                "Position: 54.1000° N, 2.8000° W",
            ]
        );
        let d = Development {
            developer: Some("pyro".into()),
            dilution: Some("1+15".into()),
            temperature_c: Some(20.0),
            minutes: Some(7.5),
            ..Default::default()
        };
        assert_eq!(development(&d), [("Developed", "pyro 1+15, 7.5 min, 20 °C (68.0 °F)".to_string())]);
    }

    #[test]
    fn what_the_notes_leave_out_is_left_out() {
        assert!(exposure(&Exposure::default()).is_empty() && development(&Development::default()).is_empty());
        let e = Exposure { bellows_mm: Some(100.0), focal_length_mm: Some(0.0), ..Default::default() };
        assert_eq!(exposure(&e)[1], ("Bellows", "100 mm".to_string()));
    }

    #[test]
    fn times_and_dates_that_are_none_stay_as_written() {
        assert_eq!(time("about noon"), "about noon");
        assert_eq!(time("2026-03-14T15:40:00"), "14 March 2026, 15:40");
        assert_eq!(time("2026-03-14T15:40:00Z"), "14 March 2026, 15:40 (UTC)");
        assert_eq!(time("2026-03-14T15:40:00-03:30"), "14 March 2026, 15:40 (−03:30)");
        assert_eq!((date("2026-03-14"), date("spring")), ("14 March 2026".to_string(), "spring".to_string()));
    }

    #[test]
    fn signs_are_told() {
        assert_eq!(
            (signed(0.004, 3), signed(-0.004, 2), signed(-0.0125, 2)),
            ("+0.004".into(), "0.00".into(), "−0.01".into())
        );
    }
}
