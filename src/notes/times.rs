//! Dates and times of the notes.
//!
//! In: a TOML date or time, bare or in quotes. Out: ISO 8601 text, "2026-03-14" or "2026-03-14T15:40:00+01:00" (RFC 3339, the
//! offset left out where the notes give none). Fails where a part is missing.

use super::tree::{At, Section};
use toml::de::DeValue;
use toml::value::Datetime;

/// A local date.
pub(super) fn date(section: &Section, key: &str) -> Option<String> {
    const MEND: &str = "give a date alone, as in 2026-03-14";
    let (found, time) = datetime(section, key, MEND)?;
    if time.time.is_some() || time.date.is_none() {
        section.wrong_kind(key, found, MEND);
        return None;
    }
    checked(section, key, found, time)
}

/// A date with its time of day, best with the offset of local time.
pub(super) fn time(section: &Section, key: &str) -> Option<String> {
    const MEND: &str = "give date, time of day and offset, as in 2026-03-14T15:40:00+00:00";
    let (found, time) = datetime(section, key, MEND)?;
    if time.date.is_none() || time.time.is_none() {
        section.wrong_kind(key, found, MEND);
        return None;
    }
    checked(section, key, found, time)
}

fn datetime<'n>(section: &Section<'n>, key: &str, mend: &str) -> Option<(At<&'n DeValue<'n>>, Datetime)> {
    let found = section.value(key)?;
    let time = match found.value {
        DeValue::Datetime(time) => Some(*time),
        DeValue::String(text) if text.trim().is_empty() => return None,
        DeValue::String(text) => text.trim().parse().ok(),
        _ => None,
    };
    if time.is_none() {
        section.wrong_kind(key, found, mend);
    }
    Some((found, time?))
}

/// The text of it, with seconds, once jiff agrees that there is such a time.
fn checked(section: &Section, key: &str, found: At<&DeValue>, mut time: Datetime) -> Option<String> {
    if let Some(clock) = &mut time.time {
        clock.second.get_or_insert(0);
    }
    let text = time.to_string();
    let real = match (time.time, time.offset) {
        (None, _) => text.parse::<jiff::civil::Date>().map(drop),
        (Some(_), None) => text.parse::<jiff::civil::DateTime>().map(drop),
        (Some(_), Some(_)) => text.parse::<jiff::Timestamp>().map(drop),
    };
    if let Err(e) = real {
        section.wrong(key, found.line, &format!("is {text}, which is no time: {e}"), "mend the figures");
        return None;
    }
    Some(text)
}
