//! The size table: names of plates and what they measure.
//!
//! In: a size as people write it ("4x5in", "4¾×6½in", "9x12 cm", "101x126mm", "half plate (UK)"). Out: a [`PlateSize`]. Fails on
//! names that mean different plates in different countries, on figures without a unit, and on names not known.
//!
//! Nominal is the largest that a plate may measure, since it has to enter its holder: glass is cut at most 1 % under it (Clerc,
//! "Photography: Theory and Practice", §239). The picture between the holder's rails is some 5 % less.

use super::PlateSize;
use super::keys::nearest;
use crate::error::Fault;
use crate::units::MM_PER_INCH;

/// Least and greatest measured side over the nominal one that a plate of that size can have: cut at most 1 % under (Clerc), and
/// never over but for errors of measurement.
pub const CUT_TOLERANCE: std::ops::RangeInclusive<f64> = 0.99..=1.002;

/// Sides that a plate can have, mm.
const SIDES_MM: std::ops::RangeInclusive<f64> = 10.0..=1000.0;

/// A name that is not just its figures, with its words in the plain form of [`words`], and its sides in mm.
struct Named {
    name: &'static str,
    words: &'static [&'static str],
    short_mm: f64,
    long_mm: f64,
}

const fn inches(name: &'static str, words: &'static [&'static str], short: f64, long: f64) -> Named {
    Named { name, words, short_mm: short * MM_PER_INCH, long_mm: long * MM_PER_INCH }
}

/// Quarter, half and whole plate after lists of historic sizes; the US half is that of cased pictures; lantern and stereo plates
/// from memory.
static NAMED: [Named; 7] = [
    inches("quarter plate", &["quarter"], 3.25, 4.25),
    inches("half plate (UK)", &["half", "uk"], 4.75, 6.5),
    inches("half plate (US)", &["half", "us"], 4.25, 5.5),
    inches("whole plate", &["whole"], 6.5, 8.5),
    inches("lantern (UK)", &["lantern", "uk"], 3.25, 3.25),
    inches("lantern (US)", &["lantern", "us"], 3.25, 4.0),
    Named { name: "stereo 45x107mm", words: &["45x107mm", "stereo"], short_mm: 45.0, long_mm: 107.0 },
];

/// Sizes that are called by their figures. Any other figures with a unit are taken, too.
static FIGURES: [&str; 10] =
    ["4x5in", "5x7in", "8x10in", "6.5x9cm", "9x12cm", "10x15cm", "13x18cm", "18x24cm", "24x30cm", "45x107mm"];

/// Every name of the table, as best written.
pub fn names() -> impl Iterator<Item = &'static str> {
    NAMED.iter().map(|named| named.name).chain(FIGURES)
}

/// Reads a size. The order of the two figures does not matter.
pub fn parse(text: &str) -> Result<PlateSize, Fault> {
    let name = text.trim().to_string();
    let bad = |mend: String| Fault::new(format!("is \"{}\"", super::tree::shown(&name)), mend);
    if name.chars().count() > 60 {
        return Err(bad(mend_unknown(&name)));
    }
    let sides = match figures(&name) {
        Some(figures) => in_mm(&figures).map_err(bad)?,
        None => by_name(&name).map_err(bad)?,
    };
    // Inches in binary end in …99: a plate has no sides finer than this, mm.
    let sides = sides.map(|side| (side * 1e4).round() / 1e4);
    let [short_mm, long_mm] = if sides[0] <= sides[1] { sides } else { [sides[1], sides[0]] };
    if !SIDES_MM.contains(&short_mm) || !SIDES_MM.contains(&long_mm) {
        let sides = format!("{short_mm:.1} × {long_mm:.1} mm");
        return Err(bad(format!(
            "that is {sides}, which no plate is: give sides from 10 to 1000 mm and check the unit"
        )));
    }
    Ok(PlateSize { name, short_mm, long_mm })
}

/// Two numbers and what stands after them.
struct Figures {
    sides: [f64; 2],
    unit: String,
}

fn in_mm(figures: &Figures) -> Result<[f64; 2], String> {
    let Figures { sides: [a, b], unit } = figures;
    let mm = match unit.as_str() {
        "mm" | "millimetres" | "millimeters" => 1.0,
        "cm" | "centimetres" | "centimeters" => 10.0,
        "in" | "in." | "inch" | "inches" | "\"" | "″" => MM_PER_INCH,
        "" => {
            let reading = |unit: &str, mm: f64| format!("\"{a}x{b}{unit}\" ({:.2} × {:.2} mm)", a * mm, b * mm);
            // No plate is 4 × 5 mm, and few are 101 × 126 cm.
            let readings = [reading("in", MM_PER_INCH), reading("cm", 10.0), reading("mm", 1.0)];
            let readings = if a.max(*b) < 45.0 { &readings[..2] } else { &readings[..] };
            return Err(format!("it lacks its unit: write {}", readings.join(" or ")));
        }
        other => return Err(format!("\"{other}\" is no unit known here: write in, cm or mm")),
    };
    Ok([a * mm, b * mm])
}

/// "4 3/4 × 6½ in" as its figures; none if it does not begin with a number and hold a second one.
fn figures(name: &str) -> Option<Figures> {
    let lower = name.to_lowercase().replace(['×', '✕'], "x").replace(" by ", "x");
    let (first, rest) = leading_number(&lower)?;
    let rest = rest.trim_start();
    // The unit may stand after both: "101mm x 126mm".
    let (unit, rest) = rest.split_once('x')?;
    let (second, last) = leading_number(rest)?;
    let (unit, last) = (unit.trim(), last.trim());
    if !unit.is_empty() && unit != last {
        return None;
    }
    Some(Figures { sides: [first, second], unit: last.to_string() })
}

/// A number at the start: "4", "4.75", "4,75", "4¾", "4 3/4", "4-3/4", "3/4". And the rest.
fn leading_number(text: &str) -> Option<(f64, &str)> {
    let text = text.trim_start();
    let (whole, rest) = leading_decimal(text);
    if let Some((part, rest)) = leading_fraction(rest.trim_start_matches([' ', '-'])) {
        return Some((whole.unwrap_or(0.0) + part, rest));
    }
    // "3/4x1in": the numerator was read as the whole.
    if let Some((part, rest)) = leading_fraction(text) {
        return Some((part, rest));
    }
    Some((whole?, rest))
}

fn leading_decimal(text: &str) -> (Option<f64>, &str) {
    let end = text.find(|c: char| !(c.is_ascii_digit() || matches!(c, '.' | ','))).unwrap_or(text.len());
    let (number, rest) = text.split_at(end);
    (number.replace(',', ".").parse().ok().filter(|n: &f64| n.is_finite()), rest)
}

fn leading_fraction(text: &str) -> Option<(f64, &str)> {
    const VULGAR: [(char, f64); 7] =
        [('¼', 0.25), ('½', 0.5), ('¾', 0.75), ('⅛', 0.125), ('⅜', 0.375), ('⅝', 0.625), ('⅞', 0.875)];
    let first = text.chars().next()?;
    if let Some((_, part)) = VULGAR.iter().find(|(c, _)| *c == first) {
        return Some((*part, &text[first.len_utf8()..]));
    }
    let (above, rest) = leading_digits(text)?;
    let (below, rest) = leading_digits(rest.strip_prefix('/')?)?;
    (above > 0.0 && below > above).then_some((above / below, rest))
}

fn leading_digits(text: &str) -> Option<(f64, &str)> {
    let end = text.find(|c: char| !c.is_ascii_digit()).unwrap_or(text.len());
    // Fractions of an inch have one or two figures.
    (1..=2).contains(&end).then(|| text[..end].parse().ok().map(|n: f64| (n, &text[end..]))).flatten()
}

/// The words of a name in one plain form, sorted, without those that say nothing ("plate", "size").
fn words(name: &str) -> Vec<String> {
    let spelled = name.to_lowercase().replace(['×', '✕'], "x").replace("1/2", "half").replace("1/4", "quarter");
    let spelled = spelled.replace("1/1", "whole").replace('½', "half ").replace('¼', "quarter ").replace("u.s.", "us");
    let parts = spelled.split(|c: char| !c.is_alphanumeric()).filter(|word| !word.is_empty());
    let mut words: Vec<String> = parts
        .filter(|word| !matches!(*word, "plate" | "plates" | "size" | "slide" | "glass"))
        .map(|word| match word {
            "british" | "english" | "gb" | "uk" => "uk".into(),
            "american" | "usa" | "us" => "us".into(),
            "full" | "wholeplate" | "fullplate" => "whole".into(),
            "halfplate" => "half".into(),
            "quarterplate" => "quarter".into(),
            other => other.to_string(),
        })
        .collect();
    words.sort();
    words
}

fn by_name(name: &str) -> Result<[f64; 2], String> {
    let words = words(name);
    if let Some(named) = NAMED.iter().find(|named| named.words == words) {
        return Ok([named.short_mm, named.long_mm]);
    }
    // All that the words could mean: "half" alone is a part of two names.
    let meant: Vec<&Named> = match words.is_empty() {
        true => Vec::new(),
        false => NAMED.iter().filter(|named| words.iter().all(|word| named.words.contains(&word.as_str()))).collect(),
    };
    match meant.as_slice() {
        [] => Err(mend_unknown(name)),
        [one] => Err(format!("write \"{}\" ({}) if that is meant", one.name, sides(one))),
        many if words.iter().any(|word| matches!(word.as_str(), "uk" | "us")) => {
            Err(format!("say which: {}", readings(many)))
        }
        many => Err(format!("it means different plates in different countries: write {}", readings(many))),
    }
}

fn readings(named: &[&Named]) -> String {
    named.iter().map(|one| format!("\"{}\" ({})", one.name, sides(one))).collect::<Vec<_>>().join(" or ")
}

fn sides(named: &Named) -> String {
    format!("{:.2} × {:.2} mm", named.short_mm, named.long_mm)
}

fn mend_unknown(name: &str) -> String {
    match nearest(name, names()) {
        Some(near) => format!("did you mean \"{near}\"?"),
        None => {
            let all = names().collect::<Vec<_>>().join(", ");
            format!("write a name of the table ({all}) or the sides with their unit, as in \"101x126mm\"")
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn sides_mm(text: &str) -> [f64; 2] {
        let size = parse(text).unwrap_or_else(|fault| panic!("{text}: {fault}"));
        [size.short_mm, size.long_mm]
    }

    fn near(a: [f64; 2], b: [f64; 2]) -> bool {
        (a[0] - b[0]).abs() < 1e-9 && (a[1] - b[1]).abs() < 1e-9
    }

    /// Nominal sizes: quarter, half and whole plate and the centimetre series from lists of historic sizes, the rest from memory;
    /// an inch is 25.4 mm.
    #[test]
    fn every_size_of_the_table_measures_what_it_should() {
        let table = [
            ("quarter plate", 82.55, 107.95),
            ("half plate (UK)", 120.65, 165.1),
            ("half plate (US)", 107.95, 139.7),
            ("whole plate", 165.1, 215.9),
            ("4x5in", 101.6, 127.0),
            ("5x7in", 127.0, 177.8),
            ("8x10in", 203.2, 254.0),
            ("6.5x9cm", 65.0, 90.0),
            ("9x12cm", 90.0, 120.0),
            ("10x15cm", 100.0, 150.0),
            ("13x18cm", 130.0, 180.0),
            ("18x24cm", 180.0, 240.0),
            ("24x30cm", 240.0, 300.0),
            ("45x107mm", 45.0, 107.0),
            ("stereo 45x107mm", 45.0, 107.0),
            ("lantern (UK)", 82.55, 82.55),
            ("lantern (US)", 82.55, 101.6),
        ];
        assert_eq!(table.len(), names().count());
        for (name, short, long) in table {
            assert!(names().any(|known| known == name), "{name}");
            assert!(near(sides_mm(name), [short, long]), "{name}");
        }
    }

    #[test]
    fn one_size_may_be_written_in_many_ways() {
        let half = [120.65, 165.1];
        for text in [
            "4¾×6½in",
            "4.75x6.5in",
            "4.75 x 6.5 inches",
            "6½ x 4¾ in",
            "4 3/4 x 6 1/2 in",
            "4-3/4x6-1/2\"",
            "4,75x6,5in",
            "4¾ by 6½ inch",
            "120.65x165.1mm",
            "120.65mm x 165.1mm",
            "12.065×16.51 cm",
            "1/2 plate (UK)",
            "½ plate UK",
            "half-plate, British",
            "UK half plate",
            "HALF PLATE (UK)",
            "halfplate uk",
        ] {
            assert!(near(sides_mm(text), half), "{text}: {:?}", sides_mm(text));
        }
        assert_eq!(sides_mm("5x4in"), sides_mm("4x5in"));
        assert_eq!(sides_mm("101x126mm"), [101.0, 126.0]);
        assert!(near(sides_mm("full plate"), [165.1, 215.9]));
        assert!(near(sides_mm("1/4 plate"), [82.55, 107.95]));
        assert!(near(sides_mm("lantern slide (US)"), [82.55, 101.6]));
        assert_eq!(parse(" 4x5in ").unwrap().name, "4x5in");
    }

    #[test]
    fn names_that_countries_use_otherwise_are_refused_with_both_readings() {
        for text in ["half plate", "1/2 plate", "half", "Halfplate"] {
            let fault = parse(text).unwrap_err();
            for part in ["\"half plate (UK)\" (120.65 × 165.10 mm)", "\"half plate (US)\" (107.95 × 139.70 mm)"] {
                assert!(fault.mend().contains(part), "{text}: {fault}");
            }
        }
        let lantern = parse("lantern slide").unwrap_err();
        assert!(lantern.mend().contains("lantern (UK)") && lantern.mend().contains("lantern (US)"), "{lantern}");
        assert!(parse("stereo").unwrap_err().mend().contains("stereo 45x107mm"));
    }

    #[test]
    fn figures_without_a_unit_are_refused_with_their_readings() {
        let fault = parse("9x12").unwrap_err();
        assert!(fault.mend().contains("\"9x12in\" (228.60 × 304.80 mm) or \"9x12cm\" (90.00 × 120.00 mm)"), "{fault}");
        assert!(parse("101x126").unwrap_err().mend().contains("\"101x126mm\""));
    }

    #[test]
    fn a_slip_gets_the_nearest_name() {
        assert_eq!(parse("wole plate").unwrap_err().mend(), "did you mean \"whole plate\"?");
        assert!(parse("4x5im").unwrap_err().mend().contains("no unit"));
        assert!(parse("tintype").unwrap_err().mend().contains("101x126mm"));
        assert!(parse("").is_err() && parse("plate").is_err() && parse("uk").is_err());
    }

    #[test]
    fn impossible_plates_are_refused() {
        for text in ["4x5mm", "101x126in", "0x5in", "1e9x5cm", "999999999999x5cm"] {
            assert!(parse(text).is_err(), "{text}");
        }
    }

    proptest! {
        #[test]
        fn any_figures_in_mm_come_back(a in 10u32..1000, b in 10u32..1000) {
            let (short, long) = (f64::from(a.min(b)), f64::from(a.max(b)));
            let both = format!("{a}x{b}mm");
            prop_assert_eq!(sides_mm(&both), [short, long]);
        }

        #[test]
        fn hostile_sizes_do_no_harm(text in "\\PC{0,40}", figures in "[0-9¾½/., x×incm\"-]{0,24}") {
            let _ = (parse(&text), parse(&figures));
        }
    }
}
