//! Every table of session.toml and the keys it may hold, and the nearest of them to a key that it may not.
//!
//! In: a key as somebody wrote it, and the table it stands in. Out: the mend, as a sentence. Never fails.

/// A kind of table: how messages call it, and its keys in the order in which they are best written.
pub(super) struct Kind {
    /// Empty for the top of the notes.
    pub name: &'static str,
    pub header: &'static str,
    pub keys: &'static [&'static str],
}

pub(super) static TOP: Kind = Kind {
    name: "",
    header: "the top of the notes",
    keys: &["session", "copy", "base", "positive", "plate", "bracket"],
};

pub(super) static SESSION: Kind =
    Kind { name: "session", header: "[session]", keys: &["title", "date", "place", "photographer", "rights"] };

pub(super) static COPY: Kind =
    Kind { name: "copy", header: "[copy]", keys: &["blank", "dark", "profile", "emulsion", "opaque"] };

pub(super) static OPAQUE: Kind =
    Kind { name: "copy.opaque", header: "opaque in [copy]", keys: &["capture", "rect_px"] };

pub(super) static BASE: Kind =
    Kind { name: "base", header: "[base]", keys: &["from", "plate", "rect_mm", "density", "scope"] };

pub(super) static POSITIVE: Kind = Kind { name: "positive", header: "[positive]", keys: &["tone", "ppi"] };

pub(super) static PLATE: Kind = Kind {
    name: "plate",
    header: "[[plate]]",
    keys: &["id", "size", "captures", "corners_px", "rotate", "notes", "exposure", "development"],
};

pub(super) static EXPOSURE: Kind = Kind {
    name: "plate.exposure",
    header: "[plate.exposure]",
    keys: &[
        "ei",
        "shutter",
        "aperture",
        "focal_length_mm",
        "lens",
        "filter",
        "filter_stops",
        "bellows_mm",
        "time",
        "latitude",
        "longitude",
        "holder",
    ],
};

pub(super) static DEVELOPMENT: Kind = Kind {
    name: "plate.development",
    header: "[plate.development]",
    keys: &["developer", "dilution", "temperature_c", "minutes", "agitation", "fixer_dilution", "fix_minutes"],
};

pub(super) static BRACKET: Kind = Kind { name: "bracket", header: "[[bracket]]", keys: &["plates", "match"] };

static ALL: [&Kind; 10] = [&TOP, &SESSION, &COPY, &OPAQUE, &BASE, &POSITIVE, &PLATE, &EXPOSURE, &DEVELOPMENT, &BRACKET];

impl Kind {
    /// The key as messages show it: "plate.exposure.ei".
    pub fn path(&self, key: &str) -> String {
        if self.name.is_empty() { key.to_string() } else { format!("{}.{key}", self.name) }
    }

    /// What to do about a key that this table does not know: written right but elsewhere, a slip of the pen, or something else.
    pub fn mend_unknown(&self, key: &str) -> String {
        let here = list(self.keys.iter().copied());
        let homes: Vec<_> = ALL.iter().filter(|kind| kind.keys.contains(&key)).map(|kind| kind.header).collect();
        match nearest(key, self.keys.iter().copied()) {
            _ if !homes.is_empty() => {
                format!("write it under {}; the keys of {} are {here}", homes.join(" or "), self.header)
            }
            Some(near) => format!("did you mean `{near}`?"),
            None => match closest(key, self.keys.iter().copied()) {
                Some(close) => format!("the keys of {} are {here}; the nearest is `{close}`", self.header),
                None => format!("take it out of {}", self.header),
            },
        }
    }
}

/// "`a`, `b`, `c`"
pub(super) fn list<'a>(names: impl Iterator<Item = &'a str>) -> String {
    names.map(|name| format!("`{name}`")).collect::<Vec<_>>().join(", ")
}

/// The name that was likely meant: at most a third of its letters differ, capitals, '-' and '_' aside.
pub(super) fn nearest<'a>(written: &str, names: impl Iterator<Item = &'a str>) -> Option<&'a str> {
    let near = closest(written, names)?;
    let allowed = (near.chars().count().max(written.chars().count()) / 3).max(1);
    (distance(written, near) <= allowed).then_some(near)
}

/// The name at the least distance, however far; the first of equals.
fn closest<'a>(written: &str, names: impl Iterator<Item = &'a str>) -> Option<&'a str> {
    names.min_by_key(|name| distance(written, name))
}

fn distance(a: &str, b: &str) -> usize {
    // Names are short; a hostile one of megabytes must not cost its square.
    const LONGEST: usize = 100;
    let plain = |s: &str| s.chars().take(LONGEST).collect::<String>().to_lowercase().replace(['-', ' '], "_");
    strsim::damerau_levenshtein(&plain(a), &plain(b))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slip_of_the_pen_is_told_from_something_else() {
        assert_eq!(COPY.mend_unknown("blnak"), "did you mean `blank`?");
        assert_eq!(EXPOSURE.mend_unknown("Aperature"), "did you mean `aperture`?");
        assert_eq!(EXPOSURE.mend_unknown("focal-length-mm"), "did you mean `focal_length_mm`?");
        let other = POSITIVE.mend_unknown("sharpening");
        assert!(other.contains("`tone`, `ppi`") && other.contains("nearest"), "{other}");
    }

    /// In TOML whatever follows [plate.exposure] belongs to it, so plate keys end up there easily.
    #[test]
    fn a_key_in_the_wrong_table_is_sent_home() {
        let mend = EXPOSURE.mend_unknown("rotate");
        assert!(mend.starts_with("write it under [[plate]]"), "{mend}");
    }

    #[test]
    fn a_monstrous_key_costs_little() {
        let key = "k".repeat(5_000_000);
        assert!(COPY.mend_unknown(&key).contains("`blank`"));
    }
}
