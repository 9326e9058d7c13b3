//! What a result says of itself in words: a title, one readable line, what its values mean.
//!
//! In: a plate's record. Out: text on one line. What the notes leave out is left out.

use super::directory::one_line;
use super::plate_tiff::Kind;
use crate::record::PlateRecord;

/// "Lime kiln at the ebb, K-01"
pub fn title(record: &PlateRecord) -> String {
    let title = one_line(&record.session.title);
    if title.is_empty() { record.plate.clone() } else { format!("{title}, {}", record.plate) }
}

/// "hyaline 0.1.0"
pub fn software(record: &PlateRecord) -> String {
    format!("{} {}", record.software.name, record.software.version)
}

/// Whether a Software field names this program.
pub fn is_ours(software: &str) -> bool {
    software.split(' ').next() == Some(env!("CARGO_PKG_NAME"))
}

/// What a pixel's value stands for.
pub fn values(kind: Kind) -> String {
    match kind {
        Kind::Negative => "linear transmittance against bare light, T = value / 65535".into(),
        Kind::Positive(curve) => format!("brightness of the print, {}", curve.name()),
    }
}

/// One line for people: which plate, how it was exposed and developed, what the values mean, and the photographer's notes.
pub fn line(record: &PlateRecord, kind: Kind) -> String {
    let exposure = &record.exposure;
    let mut facts = vec![format!("{} glass negative", record.size_name)];
    facts.extend(exposure.ei.map(|ei| format!("EI {ei}")));
    let shutter = exposure.shutter.as_ref().map(|shutter| format!("{shutter} s"));
    let aperture = exposure.aperture.map(|aperture| format!("f/{aperture}"));
    let pair: Vec<String> = [shutter, aperture].into_iter().flatten().collect();
    if !pair.is_empty() {
        facts.push(pair.join(" at "));
    }
    facts.extend(exposure.focal_length_mm.map(|f| format!("{f} mm")));
    facts.extend(exposure.lens.clone());
    facts.extend(development(record));
    facts.extend(exposure.time.clone().or(record.session.date.clone()));
    let mut line = format!("{}: {}; {}: {}", title(record), facts.join(", "), kind.name(), values(kind));
    if let Some(notes) = &record.notes {
        line = format!("{line}. {notes}");
    }
    one_line(&line)
}

/// "metol-hydroquinone 1+15 7.5 min at 20 °C"
fn development(record: &PlateRecord) -> Option<String> {
    let d = &record.development;
    let parts = [
        d.developer.clone(),
        d.dilution.clone(),
        d.minutes.map(|minutes| format!("{minutes} min")),
        d.temperature_c.map(|t| format!("at {t} °C")),
    ];
    let parts: Vec<String> = parts.into_iter().flatten().collect();
    (!parts.is_empty()).then(|| parts.join(" "))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::archive::plate_tiff::tests::record;

    #[test]
    fn a_plate_is_told_in_one_line() {
        assert_eq!(
            line(&record(), Kind::Negative),
            "Lime kiln at the ebb, K-01: 4.75x6.5in glass negative, EI 2, 3 s at f/22, 210 mm, rapid rectilinear, \
             metol-hydroquinone 1+15 7.5 min at 20 °C, 2026-03-14T15:40:00+00:00; negative: linear transmittance against \
             bare light, T = value / 65535. tide half out, wind from the west"
        );
    }

    #[test]
    fn a_plate_without_notes_still_has_a_line() {
        let mut record = record();
        (record.exposure, record.development) = Default::default();
        (record.notes, record.session.date) = (None, None);
        record.session.title = " \n".into();
        assert_eq!(
            line(&record, Kind::Negative),
            "K-01: 4.75x6.5in glass negative; negative: linear transmittance against bare light, T = value / 65535"
        );
    }
}
