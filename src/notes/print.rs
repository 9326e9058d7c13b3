//! A [`Session`] as session.toml again.
//!
//! In: a session. Out: TOML that [`super::load`] reads as the same session, if it lies in the session's folder beside the same
//! files. Globs come out as the files they matched. Never fails.

use super::*;
use std::fmt::Write;
use std::path::PathBuf;
use toml::Value;

/// The notes of a session.
pub fn to_toml(session: &Session) -> String {
    let mut out = Toml::default();
    about(&mut out, &session.about);
    copying(&mut out, session);
    base(&mut out, &session.base);
    out.header("[positive]");
    out.text("tone", &session.positive.tone);
    out.number("ppi", session.positive.ppi);
    for plate in &session.plates {
        self::plate(&mut out, session, plate);
    }
    for bracket in &session.brackets {
        out.header("[[bracket]]");
        out.put("plates", list(bracket.plates.iter().map(quoted)));
        let matching = match bracket.matching {
            Matching::Base => "base",
            Matching::Highlights => "highlights",
            Matching::Shadows => "shadows",
        };
        out.text("match", matching);
    }
    out.text
}

fn about(out: &mut Toml, about: &About) {
    out.header("[session]");
    out.text("title", &about.title);
    out.bare("date", &about.date);
    out.maybe("place", &about.place);
    out.maybe("photographer", &about.photographer);
    out.maybe("rights", &about.rights);
}

fn copying(out: &mut Toml, session: &Session) {
    let copy = &session.copy;
    let files = |files: &[PathBuf]| list(files.iter().map(|file| quoted(session.relative(file))));
    out.header("[copy]");
    out.put("blank", files(&copy.blanks));
    if !copy.darks.is_empty() {
        out.put("dark", files(&copy.darks));
    }
    out.text("profile", &copy.profile);
    if copy.emulsion_stated {
        let side = match copy.emulsion {
            Emulsion::TowardCamera => "toward-camera",
            Emulsion::AwayFromCamera => "away-from-camera",
        };
        out.text("emulsion", side);
    }
    if let Some(opaque) = &copy.opaque {
        let capture = quoted(session.relative(&opaque.capture));
        out.put("opaque", format!("{{ capture = {capture}, rect_px = {} }}", numbers(&opaque.rect_px)));
    }
}

fn base(out: &mut Toml, base: &BaseNotes) {
    out.header("[base]");
    match &base.from {
        BaseFrom::Rebate => out.text("from", "rebate"),
        BaseFrom::Patch { plate, rect_mm } => {
            out.text("plate", plate);
            out.put("rect_mm", numbers(rect_mm));
        }
        BaseFrom::Density(density) => out.number("density", Some(*density)),
    }
    let scope = match base.scope {
        BaseScope::Batch => "batch",
        BaseScope::Plate => "plate",
    };
    out.text("scope", scope);
}

fn plate(out: &mut Toml, session: &Session, plate: &Plate) {
    out.header("[[plate]]");
    out.text("id", &plate.id);
    out.text("size", &plate.size.name);
    out.put("captures", captures(session, &plate.captures));
    if let Some(corners) = &plate.corners_px {
        out.put("corners_px", list(corners.iter().map(|corner| numbers(&[corner.x, corner.y]))));
    }
    out.put("rotate", plate.rotate.to_string());
    out.maybe("notes", &plate.notes);
    records(out, plate);
}

/// How a plate was exposed and developed, as far as anything was noted.
pub(super) fn records(out: &mut Toml, plate: &Plate) {
    if plate.exposure != Exposure::default() {
        out.header("[plate.exposure]");
        exposure(out, &plate.exposure);
    }
    if plate.development != Development::default() {
        out.header("[plate.development]");
        development(out, &plate.development);
    }
}

/// A flat list where every tile was copied once, else a list for each tile.
pub(super) fn captures(session: &Session, tiles: &[Vec<PathBuf>]) -> String {
    let files = |tile: &[PathBuf]| tile.iter().map(|file| quoted(session.relative(file))).collect::<Vec<_>>();
    match tiles.iter().all(|tile| tile.len() == 1) {
        true => list(tiles.iter().flat_map(|tile| files(tile))),
        false => list(tiles.iter().map(|tile| list(files(tile).into_iter()))),
    }
}

fn exposure(out: &mut Toml, exposure: &Exposure) {
    out.number("ei", exposure.ei);
    out.maybe("shutter", &exposure.shutter);
    out.number("aperture", exposure.aperture);
    out.number("focal_length_mm", exposure.focal_length_mm);
    out.maybe("lens", &exposure.lens);
    out.maybe("filter", &exposure.filter);
    out.number("filter_stops", exposure.filter_stops);
    out.number("bellows_mm", exposure.bellows_mm);
    out.bare("time", &exposure.time);
    out.number("latitude", exposure.latitude);
    out.number("longitude", exposure.longitude);
    out.maybe("holder", &exposure.holder);
}

fn development(out: &mut Toml, development: &Development) {
    out.maybe("developer", &development.developer);
    out.maybe("dilution", &development.dilution);
    out.number("temperature_c", development.temperature_c);
    out.number("minutes", development.minutes);
    out.maybe("agitation", &development.agitation);
    out.maybe("fixer_dilution", &development.fixer_dilution);
    out.number("fix_minutes", development.fix_minutes);
}

/// Lines of TOML, one key each.
#[derive(Default)]
pub(super) struct Toml {
    pub text: String,
}

impl Toml {
    pub fn header(&mut self, header: &str) {
        let gap = if self.text.is_empty() { "" } else { "\n" };
        self.line(&format!("{gap}{header}"));
    }

    pub fn line(&mut self, line: &str) {
        self.text.push_str(line);
        self.text.push('\n');
    }

    /// A value that is TOML already.
    pub fn put(&mut self, key: &str, value: String) {
        writeln!(self.text, "{key} = {value}").expect("writing to a string never fails");
    }

    pub fn text(&mut self, key: &str, value: &str) {
        self.put(key, quoted(value));
    }

    pub fn maybe(&mut self, key: &str, value: &Option<String>) {
        if let Some(value) = value {
            self.text(key, value);
        }
    }

    /// Dates and times stand without quotes.
    fn bare(&mut self, key: &str, value: &Option<String>) {
        if let Some(value) = value {
            self.put(key, value.clone());
        }
    }

    pub fn number(&mut self, key: &str, value: Option<f64>) {
        if let Some(value) = value {
            self.put(key, Value::Float(value).to_string());
        }
    }
}

pub(super) fn quoted(text: impl AsRef<str>) -> String {
    Value::String(text.as_ref().to_string()).to_string()
}

pub(super) fn list(items: impl Iterator<Item = String>) -> String {
    format!("[{}]", items.collect::<Vec<_>>().join(", "))
}

fn numbers(values: &[f64]) -> String {
    list(values.iter().map(|value| Value::Float(*value).to_string()))
}

#[cfg(test)]
pub(super) mod tests {
    use super::super::good_input::{FILES, WHOLE, folder_with};
    use super::*;
    use crate::geometry::Point;
    use proptest::prelude::*;
    use std::path::Path;

    /// Lines of the notes move when they are written again; nothing else may.
    pub(in crate::notes) fn without_lines(mut session: Session) -> Session {
        session.plates.iter_mut().for_each(|plate| plate.line = 0);
        session.brackets.iter_mut().for_each(|bracket| bracket.line = 0);
        session
    }

    fn written_and_read(session: &Session) -> Session {
        std::fs::write(&session.file, to_toml(session)).unwrap();
        load(&session.file).unwrap_or_else(|errors| panic!("{errors:#?}\n{}", to_toml(session)))
    }

    #[test]
    fn notes_written_again_read_the_same() {
        let dir = folder_with(&FILES, WHOLE);
        let session = load(dir.path()).unwrap();
        let again = written_and_read(&session);
        assert_eq!(without_lines(again.clone()), without_lines(session));
        assert_eq!(to_toml(&again), to_toml(&written_and_read(&again)));
    }

    fn text() -> BoxedStrategy<String> {
        let hostile = prop_oneof![
            Just("\"\"\" ''' \\u0041 \\".to_string()),
            Just("</script><!-- ]]> & 'x'".to_string()),
            Just("\n# [copy]\nblank = 3\t\n".to_string()),
            Just("𝄞 ß é \u{202E}abc".to_string()),
            prop::collection::vec(any::<char>(), 1..20).prop_map(String::from_iter),
        ];
        hostile
            .prop_filter("text says something", |text| {
                !text.trim().is_empty() && text.chars().all(super::super::tree::may_stand_in_text)
            })
            .boxed()
    }

    // Boxed, since strategies by value nest into types that overflow a test thread's stack.
    fn maybe<T: std::fmt::Debug + 'static>(value: impl Strategy<Value = T> + 'static) -> BoxedStrategy<Option<T>> {
        prop::option::of(value).boxed()
    }

    fn time() -> impl Strategy<Value = String> {
        (1840i16..2100, 1i8..=12, 1i8..=28, 0i8..24, 0i8..60, 0i8..60, -14i8..=14, 0u8..3).prop_map(
            |(y, mo, d, h, mi, s, offset, form)| {
                let local = format!("{y:04}-{mo:02}-{d:02}T{h:02}:{mi:02}:{s:02}");
                match form {
                    0 => local,
                    1 => format!("{local}Z"),
                    _ => format!("{local}.25{offset:+03}:30"),
                }
            },
        )
    }

    fn shutter() -> impl Strategy<Value = String> {
        prop_oneof![(1u32..9000).prop_map(|n| format!("1/{n}")), (0.001..900.0f64).prop_map(|t| t.to_string())]
    }

    fn dilution() -> impl Strategy<Value = String> {
        (1u8..9, 0u8..200).prop_map(|(a, b)| format!("{a}+{b}"))
    }

    prop_compose! {
        fn exposures()(
            ei in maybe(0.1..800.0f64), shutter in maybe(shutter()), aperture in maybe(1.0..256.0f64),
            focal_length_mm in maybe(20.0..900.0f64), bellows_mm in maybe(20.0..1800.0f64), filter_stops in maybe(0.0..9.0f64),
            lens in maybe(text()), filter in maybe(text()), holder in maybe(text()), time in maybe(time()),
            latitude in maybe(-90.0..=90.0f64), longitude in maybe(-180.0..=180.0f64),
        ) -> Exposure {
            let shutter_s = shutter.as_deref().map(|text| super::super::exposure::shutter_seconds(text).unwrap());
            Exposure {
                ei, shutter, shutter_s, aperture, focal_length_mm, lens, filter, filter_stops, bellows_mm, time, latitude,
                longitude, holder,
            }
        }
    }

    prop_compose! {
        fn developments()(
            developer in maybe(text()), dilution_ in maybe(dilution()), temperature_c in maybe(10.0..30.0f64),
            minutes in maybe(1.0..60.0f64), agitation in maybe(text()), fixer_dilution in maybe(dilution()),
            fix_minutes in maybe(1.0..20.0f64),
        ) -> Development {
            Development { developer, dilution: dilution_, temperature_c, minutes, agitation, fixer_dilution, fix_minutes }
        }
    }

    prop_compose! {
        pub(in crate::notes) fn sessions()(
            title in text(), place in maybe(text()), photographer in maybe(text()), rights in maybe(text()),
            date in maybe(time()), side in 0u8..3, opaque in maybe(0.0..900.0f64), base in 0u8..3, scope in any::<bool>(),
            ppi in maybe(100.0..4000.0f64), rotate in 0u16..4, notes in maybe(text()), marked in any::<bool>(),
            exposure in exposures().boxed(), development in developments().boxed(), size in prop::sample::select(sizes::names().collect::<Vec<_>>()),
            matching in prop::sample::select(vec![Matching::Base, Matching::Highlights, Matching::Shadows]),
        ) -> Session {
            let dir = std::path::PathBuf::from("/session");
            let file = |name: &str| dir.join("captures").join(name);
            let plate = |id: &str, captures| Plate {
                id: id.into(), line: 0, size: sizes::parse(size).unwrap(), captures, corners_px: None, rotate: rotate * 90,
                notes: notes.clone(), exposure: exposure.clone(), development: development.clone(),
            };
            let mut one = plate("K-03", vec![vec![file("k03.jpg")]]);
            one.corners_px = marked.then(|| [[0.5, 1.0], [90.25, 2.0], [91.0, 70.0], [1.0, 71.125]].map(Point::from));
            let exposures = vec![vec![file("k02-a-long.jpg"), file("k02-a-short.jpg")], vec![file("k02-b.jpg")]];
            let tiles = ["k01-1.jpg", "k01-2.jpg", "k01-10.jpg"].map(|name| vec![file(name)]).to_vec();
            Session {
                file: dir.join("session.toml"),
                about: About { title, date: date.map(|time| time[..10].to_string()), place, photographer, rights },
                copy: Copying {
                    blanks: vec![file("blank-1.jpg"), file("blank-2.jpg")],
                    darks: if marked { vec![file("dark-1.jpg")] } else { vec![] },
                    profile: "linear".into(),
                    emulsion: if side == 1 { Emulsion::AwayFromCamera } else { Emulsion::TowardCamera },
                    emulsion_stated: side > 0,
                    opaque: opaque.map(|x| Opaque { capture: file("k03.jpg"), rect_px: [x, 0.0, 1.5, 2.0] }),
                },
                base: BaseNotes {
                    from: match base {
                        0 => BaseFrom::Rebate,
                        1 => BaseFrom::Patch { plate: "K-02".into(), rect_mm: [1.0, 2.0, 0.5, 30.0] },
                        _ => BaseFrom::Density(0.14),
                    },
                    scope: if scope { BaseScope::Batch } else { BaseScope::Plate },
                },
                positive: PositiveNotes { tone: "paper".into(), ppi },
                plates: vec![one, plate("K-02", exposures), plate("K_1", tiles)],
                brackets: vec![Bracket { line: 0, plates: vec!["K_1".into(), "K-03".into()], matching }],
                folder: dir.clone(),
            }
        }
    }

    /// The made sessions lie in "/session"; this lays one into a folder that there is.
    pub(in crate::notes) fn laid_into(folder: &Path, mut session: Session) -> Session {
        let moved = |file: &mut PathBuf| *file = folder.join(file.strip_prefix("/session").unwrap());
        session.copy.blanks.iter_mut().for_each(moved);
        session.copy.darks.iter_mut().for_each(moved);
        session.copy.opaque.iter_mut().for_each(|opaque| moved(&mut opaque.capture));
        session.plates.iter_mut().flat_map(|plate| plate.captures.iter_mut().flatten()).for_each(moved);
        moved(&mut session.file);
        session.folder = folder.to_path_buf();
        session
    }

    proptest! {
        #[test]
        fn any_session_written_and_read_is_the_same(session in sessions()) {
            let dir = folder_with(&FILES, "");
            let session = laid_into(&dir.path().canonicalize().unwrap(), session);
            prop_assert_eq!(without_lines(written_and_read(&session)), session);
        }
    }
}
