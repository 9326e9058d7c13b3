//! What is contradictory or missing in notes that could be read. Nothing here stops the work.
//!
//! In: a session; for the dates also what the copy's Exif says. Out: warnings, each with a code, the plates it is about, and the
//! mend; the same notes give the same warnings in the same order. Never fails. What is judged is in part physics (clear glass
//! alone reads 0.037), in part common practice (what a field sheet should hold).

use super::exposure::{drawn, ei_contradiction};
use super::*;
use crate::error::Warning;
use crate::frame::Settings;
use jiff::civil;

/// Density of clear glass against bare light: both faces reflect ((n−1)/(n+1))² of the light, n = 1.52. No base reads less.
pub const CLEAR_GLASS_DENSITY: f64 = 0.0370;

/// Bases above this are fogged or stained beyond the common, D.
const FOGGED_BASE: f64 = 0.6;

/// Baths are kept between these, °C: below, developers idle; above, gelatine softens.
const COMMON_BATH_C: std::ops::RangeInclusive<f64> = 12.0..=27.0;

/// First year of photographs on glass or metal.
const FIRST_YEAR: &str = "1839";

/// A bellows shorter than the focal length by more than the marks of lens and rail can be off.
const SHORT_BELLOWS: f64 = 0.97;

/// How many plates a message names before it counts the rest.
const NAMED: usize = 8;

/// Everything in the notes that is worth a second look.
pub fn check(session: &Session) -> Vec<Warning> {
    let mut warnings = Vec::new();
    about(session, &mut warnings);
    copying(session, &mut warnings);
    for plate in &session.plates {
        exposure(plate, &mut warnings);
        bath(plate, &mut warnings);
    }
    dates(session, &mut warnings);
    holders(session, &mut warnings);
    exposure_gaps(session, &mut warnings);
    development_gaps(session, &mut warnings);
    for bracket in &session.brackets {
        self::bracket(session, bracket, &mut warnings);
    }
    warnings
}

fn about(session: &Session, out: &mut Vec<Warning>) {
    if session.about.date.is_none() {
        out.push(Warning::new("date-missing", "the session has no date; write date in [session], as in 2026-03-14"));
    }
}

fn copying(session: &Session, out: &mut Vec<Warning>) {
    if !session.copy.emulsion_stated {
        let message = "the notes do not say which side of the plates faced the camera, and toward-camera is taken (results are \
                       mirrored back); the emulsion is the dull side, the glass the shiny one: write emulsion = \
                       \"toward-camera\" or \"away-from-camera\" in [copy]";
        out.push(Warning::new("emulsion-side", message));
    }
    if session.copy.blanks.len() == 1 {
        let message = "there is one blank only: its noise goes into every plate, and a drifting panel cannot be seen; take some \
                       before and some after the plates";
        out.push(Warning::new("single-blank", message));
    }
    match session.base.from {
        BaseFrom::Density(density) if density < CLEAR_GLASS_DENSITY => {
            let message = format!(
                "base density {density} is less than clear glass alone has against bare light ({CLEAR_GLASS_DENSITY}); was it \
                 read with the glass as zero? Add {CLEAR_GLASS_DENSITY} then"
            );
            out.push(Warning::new("base-below-glass", message));
        }
        BaseFrom::Density(density) if density > FOGGED_BASE => {
            let message =
                format!("base density {density} is that of a heavily fogged or stained plate; check the figure");
            out.push(Warning::new("base-high", message));
        }
        _ => {}
    }
}

fn exposure(plate: &Plate, out: &mut Vec<Warning>) {
    let (id, exposure) = (&plate.id, &plate.exposure);
    let mut warn = |code, message: String| out.push(Warning::new(code, format!("plate {id}: {message}")));
    if let (Some(focal), Some(bellows)) = (exposure.focal_length_mm, exposure.bellows_mm)
        && bellows < SHORT_BELLOWS * focal
    {
        let message = format!(
            "a bellows of {bellows} mm is shorter than the focal length of {focal} mm, which focuses beyond the horizon; check \
             both (a lens of telephoto build needs bellows_mm as if it were not)"
        );
        warn("bellows-short", message);
    }
    if exposure.bellows_mm.is_some() && exposure.focal_length_mm.is_none() {
        let message = "bellows_mm counts only together with focal_length_mm; write the focal length, too";
        warn("bellows-without-focal-length", message.into());
    }
    let filtered = exposure.filter.as_deref().is_some_and(|filter| !matches!(filter.trim(), "none" | "-" | "no"));
    if filtered && exposure.filter_stops.is_none() {
        let message = "a filter is named without filter_stops; write what it costs, or 0 if it was metered through";
        warn("filter-stops-missing", message.into());
    }
    if exposure.latitude.is_some() != exposure.longitude.is_some() {
        warn("half-position", "latitude and longitude belong together, and one is missing".into());
    }
    if let Some(time) = &exposure.time {
        if time.as_str() < FIRST_YEAR {
            warn("time-implausible", format!("it was exposed in {}, before photography; check time", &time[..4]));
        }
        if offset(time).is_none() {
            let message = "its time lacks the offset from universal time; write it if you know it, as in +01:00";
            warn("time-without-offset", message.into());
        }
    }
}

fn bath(plate: &Plate, out: &mut Vec<Warning>) {
    if let Some(degrees) = plate.development.temperature_c.filter(|degrees| !COMMON_BATH_C.contains(degrees)) {
        let message =
            format!("plate {}: a developer of {degrees} °C is out of the common; check temperature_c", plate.id);
        out.push(Warning::new("temperature-uncommon", message));
    }
}

/// Exposures that do not fall on the session's date, or the day after it (work past midnight).
fn dates(session: &Session, out: &mut Vec<Warning>) {
    let Some(day) = session.about.date.as_deref().and_then(|date| date.parse::<civil::Date>().ok()) else { return };
    let off = session.plates.iter().filter(|plate| {
        let exposed = plate.exposure.time.as_deref().and_then(local).map(|time| time.date());
        exposed.is_some_and(|date| date != day && Some(date) != day.tomorrow().ok())
    });
    let plates: Vec<&str> = off.map(|plate| plate.id.as_str()).collect();
    if !plates.is_empty() {
        let message =
            format!("{} exposed on another day than the session's, {day}; check time and date", were(&plates));
        out.push(Warning::new("exposure-date", message));
    }
}

/// A holder holds one plate; the same one twice is the commonest slip, or was loaded anew.
fn holders(session: &Session, out: &mut Vec<Warning>) {
    let named: Vec<_> =
        session.plates.iter().filter_map(|plate| Some((plate, plate.exposure.holder.as_ref()?))).collect();
    for (later, (plate, holder)) in named.iter().enumerate() {
        let twin = named[..later].iter().find(|(_, other)| same_words(other, holder));
        if let Some((first, _)) = twin {
            let message = format!(
                "plates {} and {} both name holder \"{}\"; check which plate was in it, unless it was loaded anew",
                first.id,
                plate.id,
                tree::shown(holder)
            );
            out.push(Warning::new("holder-twice", message));
        }
    }
}

fn same_words(a: &str, b: &str) -> bool {
    a.split_whitespace().map(str::to_lowercase).eq(b.split_whitespace().map(str::to_lowercase))
}

fn exposure_gaps(session: &Session, out: &mut Vec<Warning>) {
    let none = session.plates.iter().filter(|plate| plate.exposure == Exposure::default());
    let none: Vec<&str> = none.map(|plate| plate.id.as_str()).collect();
    if !none.is_empty() {
        let message =
            format!("{} noted without an exposure; write what is still known in [plate.exposure]", were(&none));
        out.push(Warning::new("exposure-missing", message));
    }
}

/// Gaps in the development, named once for all.
fn development_gaps(session: &Session, out: &mut Vec<Warning>) {
    let gaps = session.plates.iter().filter_map(|plate| {
        let d = &plate.development;
        let parts = [
            ("developer", d.developer.is_some()),
            ("dilution", d.dilution.is_some()),
            ("temperature_c", d.temperature_c.is_some()),
            ("minutes", d.minutes.is_some()),
        ];
        let missing: Vec<&str> = parts.into_iter().filter(|(_, there)| !there).map(|(key, _)| key).collect();
        (!missing.is_empty()).then(|| format!("{} ({})", plate.id, missing.join(", ")))
    });
    let gaps: Vec<String> = gaps.collect();
    if !gaps.is_empty() {
        let plates: Vec<&str> = gaps.iter().map(String::as_str).collect();
        let message = format!(
            "the development of these plates has gaps, to be filled while it is remembered: {}",
            some_of(&plates)
        );
        out.push(Warning::new("development-gaps", message));
    }
}

fn bracket(session: &Session, bracket: &Bracket, out: &mut Vec<Warning>) {
    let plates: Vec<&Plate> = bracket.plates.iter().filter_map(|id| session.plate(id)).collect();
    let name = bracket.plates.join(", ");
    let mut warn = |code, message: String| out.push(Warning::new(code, format!("bracket {name}: {message}")));

    let bare = plates.iter().filter(|plate| plate.exposure.shutter_s.is_none() || plate.exposure.aperture.is_none());
    let bare: Vec<&str> = bare.map(|plate| plate.id.as_str()).collect();
    if !bare.is_empty() {
        let message = format!(
            "{} noted without shutter or aperture, so neither the difference of exposure nor the curve can be told",
            were(&bare)
        );
        warn("bracket-without-times", message);
    }
    for (what, states) in [
        ("filter_stops", (|e: &Exposure| e.filter_stops.is_some()) as fn(&Exposure) -> bool),
        ("bellows_mm and focal_length_mm", |e| drawn(e).is_some()),
    ] {
        let stating = plates.iter().filter(|plate| states(&plate.exposure)).count();
        if stating > 0 && stating < plates.len() {
            let message = format!(
                "only some of its plates state {what}, so that is left out of the difference; write it for all"
            );
            warn("bracket-uneven-notes", message);
        }
    }
    for pair in plates.windows(2) {
        out.extend(ei_contradiction(pair[0], pair[1]));
    }
}

/// Says so where the notes have a plate exposed after the copy of it was made: one of the two clocks, or the notes, are wrong.
pub fn exposed_after_copy(plate: &Plate, copy: &Settings) -> Option<Warning> {
    let (exposed, copied) = (plate.exposure.time.as_deref()?, copy.taken.as_deref()?);
    let offsets = offset(exposed).zip(copy.taken_offset.as_deref());
    let instant = |local: &str, offset: &str| format!("{local}{offset}").parse::<jiff::Timestamp>().ok();
    let after = match offsets {
        // Both clocks say where they stand: compare moments.
        Some((there, here)) => instant(&exposed[..exposed.len() - there.len()], there)? > instant(copied, here)?,
        None => local(exposed)? > local(copied)?,
    };
    after.then(|| {
        let message = format!(
            "plate {}: the notes have it exposed at {exposed}, after its copy was made at {copied}; check time, and the camera's \
             clock",
            plate.id
        );
        Warning::new("exposed-after-copy", message)
    })
}

/// The offset at the end of a time: "Z" or "+01:00".
fn offset(time: &str) -> Option<&str> {
    let clock = time.find('T')?;
    let at = time[clock..].find(['Z', '+', '-'])?;
    Some(&time[clock + at..])
}

fn local(time: &str) -> Option<civil::DateTime> {
    let end = time.len() - offset(time).map_or(0, str::len);
    time[..end].parse().ok()
}

/// "plate K-01 was", "plates K-01 and K-02 were".
fn were(plates: &[&str]) -> String {
    match plates {
        [one] => format!("plate {one} was"),
        many => format!("plates {} were", some_of(many)),
    }
}

fn some_of(plates: &[&str]) -> String {
    match plates.len().saturating_sub(NAMED) {
        0 => plates.join(", "),
        rest => format!("{} and {rest} more", plates[..NAMED].join(", ")),
    }
}

#[cfg(test)]
mod tests {
    use super::super::good_input::{FILES, WHOLE, folder_with};
    use super::*;

    fn warnings(notes: &str) -> Vec<Warning> {
        check(&load(folder_with(&FILES, notes).path()).unwrap_or_else(|errors| panic!("{errors:#?}")))
    }

    /// The message of the one warning with this code that a change of the notes brings.
    #[track_caller]
    fn brought(code: &str, old: &str, new: &str) -> String {
        assert!(WHOLE.contains(old), "{old}");
        let (before, after) = (warnings(WHOLE), warnings(&WHOLE.replacen(old, new, 1)));
        let count = |warnings: &[Warning]| warnings.iter().filter(|w| w.code == code).count();
        assert_eq!(count(&after), count(&before) + 1, "{after:#?}");
        after.into_iter().rfind(|w| w.code == code && !before.contains(w)).unwrap().message
    }

    #[test]
    fn what_the_sample_lacks_is_told_once() {
        let codes: Vec<String> = warnings(WHOLE).into_iter().map(|warning| warning.code).collect();
        let expected = [
            "time-without-offset",
            "exposure-missing",
            "development-gaps",
            "bracket-without-times",
            "bracket-uneven-notes",
            "bracket-uneven-notes",
        ];
        assert_eq!(codes, expected);
    }

    #[test]
    fn gaps_of_all_plates_make_one_gentle_line() {
        let all = warnings(WHOLE);
        let gaps = all.iter().find(|warning| warning.code == "development-gaps").unwrap();
        assert!(gaps.message.contains("K-02 (developer, dilution, temperature_c, minutes), K-03"), "{gaps:?}");
        assert_eq!(all.iter().filter(|warning| warning.code == "development-gaps").count(), 1);
        let more = warnings(&WHOLE.replacen("minutes = 7.5\n", "", 1));
        assert!(more.iter().any(|warning| warning.message.contains(": K-01 (minutes), K-02")), "{more:#?}");
    }

    #[test]
    fn what_was_left_open_is_asked() {
        assert!(brought("emulsion-side", "emulsion = \"away-from-camera\"\n", "").contains("dull side"));
        assert!(brought("date-missing", "date         = 2026-03-14\n", "").contains("2026-03-14"));
        assert!(brought("single-blank", "blank-*.jpg", "blank-1.jpg").contains("before and some after"));
    }

    /// Fresnel at normal incidence on both faces: D = −log10((1−R)/(1+R)), R = ((n−1)/(n+1))², n = 1.52.
    #[test]
    fn no_base_is_clearer_than_glass() {
        let r = (0.52f64 / 2.52).powi(2);
        assert!((CLEAR_GLASS_DENSITY + ((1.0 - r) / (1.0 + r)).log10()).abs() < 5e-5);
        let patch = "rect_mm = [2.0, 30, 1.5, 40]\nplate = \"K-03\"";
        assert!(brought("base-below-glass", patch, "density = 0.03").contains("0.037"));
        assert!(brought("base-high", patch, "density = 1.4").contains("1.4"));
    }

    #[test]
    fn exposures_that_contradict_themselves_are_named() {
        assert!(brought("bellows-short", "bellows_mm = 225.0", "bellows_mm = 150").contains("plate K-01"));
        assert!(brought("bellows-without-focal-length", "focal_length_mm = 210.0\n", "").contains("K-01"));
        assert!(brought("filter-stops-missing", "filter_stops = 1.5\n", "").contains("0 if it was metered through"));
        assert!(brought("half-position", "latitude = 54.1\n", "").contains("longitude"));
        assert!(brought("time-implausible", "2026-03-14T15", "1826-03-14T15").contains("1826"));
        assert!(brought("exposure-date", "2026-03-14T15", "2026-03-17T15").contains("plate K-01 was exposed"));
        assert!(brought("temperature-uncommon", "temperature_c = 20.0", "temperature_c = 32").contains("32 °C"));
        assert!(
            brought("holder-twice", "shutter = 0.25,", "holder = \"7  LEFT\", shutter = 0.25,")
                .contains("K-01 and K-02")
        );
    }

    /// A session may last past midnight.
    #[test]
    fn the_night_after_belongs_to_the_session() {
        let night = warnings(&WHOLE.replace("2026-03-14T15:40:00+00:00", "2026-03-15T00:20:00+00:00"));
        assert!(night.iter().all(|warning| warning.code != "exposure-date"), "{night:#?}");
    }

    fn pair(first: &str, second: &str) -> Vec<Warning> {
        let notes = WHOLE
            .replace("exposure = { shutter = 0.25, time = 2026-03-14 15:40 }", &format!("exposure = {{ {second} }}"));
        let start = notes.find("ei = 2.0").unwrap();
        let end = notes.find("focal_length_mm").unwrap();
        warnings(&format!("{}{}\n{}", &notes[..start], first.replace(", ", "\n"), &notes[end..]))
    }

    /// EI 3 → 4 is 0.415 stop and f/14 → f/16 is 0.385 as marked (common practice): they agree. EI 3 → 6 is a stop, and does not.
    #[test]
    fn a_bracket_that_left_its_meter_is_told() {
        let contradiction = |warnings: Vec<Warning>| warnings.into_iter().find(|w| w.code == "ei-contradiction");
        let first = "ei = 3, shutter = \"2\", aperture = 14";
        assert_eq!(contradiction(pair(first, "ei = 4, shutter = \"2\", aperture = 16")), None);
        let told = contradiction(pair(first, "ei = 6, shutter = \"2\", aperture = 16")).unwrap().message;
        for part in ["K-01 and K-02", "-0.39 stops", "-1.00", "0.61 stop apart", "check ei, shutter, aperture"] {
            assert!(told.contains(part), "{part}: {told}");
        }
    }

    #[test]
    fn a_copy_comes_after_its_plate() {
        let session = load(folder_with(&FILES, WHOLE).path()).unwrap();
        let copy = |taken: &str, offset: Option<&str>| {
            let settings =
                Settings { taken: Some(taken.into()), taken_offset: offset.map(str::to_string), ..Default::default() };
            exposed_after_copy(&session.plates[0], &settings)
        };
        assert_eq!(copy("2026-03-15T10:00:00", None), None);
        assert!(copy("2026-03-14T10:00:00", None).unwrap().message.contains("plate K-01"));
        // 15:50 two hours east of the plate's 15:40 is an hour and fifty minutes before it.
        assert!(copy("2026-03-14T15:50:00", Some("+02:00")).is_some());
        assert_eq!(copy("2026-03-14T15:50:00", Some("+00:00")), None);
        assert_eq!(exposed_after_copy(&session.plates[2], &Settings::default()), None);
        assert_eq!(copy("nonsense", None), None);
    }
}
