//! What a frame's name says: a blank, a dark, a plate or one of its tiles, or nothing.
//!
//! In: a path relative to the session. Out: a [`Clue`]. Never fails. Names that cameras count up by themselves (four characters and
//! four digits, as the design rule for camera file systems, DCF, has it; dates and times, as phones write) say nothing. A number or a
//! single letter at the end of a name that has a number before it ("k01-2", "k01_b") is a tile's; where there is none before it
//! ("kiln-2") it may be a plate's as well, and the clue is not sure.

/// What a name says of a frame.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Clue {
    Blank,
    Dark,
    Plate(Named),
    Nothing,
}

/// The parts of a name.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Named {
    /// What the tiles of one plate have in common: "k01" of "k01-2".
    pub base: String,
    /// What tells the tiles apart.
    pub index: Option<String>,
    /// What tells copy exposures of one tile apart: "long".
    pub exposure: Option<String>,
    /// The name without the word for its exposure: what the plate is called if this is all of it.
    pub whole: String,
    /// Whether base and index can be nothing else.
    pub sure: bool,
}

/// Words that begin the names of darks.
const DARK: [&str; 5] = ["dark", "darks", "darkframe", "capped", "lenscap"];
/// Words for copy exposures of one view, at the end of a name.
const EXPOSURES: [&str; 10] =
    ["short", "shorter", "mid", "middle", "medium", "long", "longer", "under", "over", "normal"];
/// Words that cameras and phones put into names.
const COUNTED: [&str; 24] = [
    "img", "image", "dsc", "dscf", "dscn", "pict", "pic", "picture", "photo", "scan", "frame", "capture", "copy",
    "untitled", "pxl", "mvimg", "raw", "hdr", "edited", "e", "wa", "mp", "cover", "original",
];
/// Words before the number of a plate.
const PLATE: [&str; 10] = ["plate", "plates", "neg", "negative", "glass", "no", "nr", "number", "pl", "id"];
/// Words before the number of a tile.
const TILE: [&str; 4] = ["tile", "part", "piece", "t"];

/// A run of letters or of digits.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Token {
    /// In lower case.
    pub text: String,
    /// Bytes of the name that it ends at.
    end: usize,
    /// Whether something that is neither letter nor digit stands before it.
    parted: bool,
}

impl Token {
    fn is_number(&self) -> bool {
        self.text.bytes().all(|byte| byte.is_ascii_digit())
    }

    fn is_letter(&self) -> bool {
        let mut chars = self.text.chars();
        chars.next().is_some_and(char::is_alphabetic) && chars.next().is_none()
    }

    /// "01" and "1" are one number.
    fn same(&self, other: &Token) -> bool {
        let plain = |token: &Token| {
            if token.is_number() { token.text.trim_start_matches('0').to_string() } else { token.text.clone() }
        };
        plain(self) == plain(other)
    }
}

/// The runs of letters and of digits in a name.
pub(super) fn tokens(name: &str) -> Vec<Token> {
    let mut tokens: Vec<Token> = Vec::new();
    let mut last = None;
    let mut parted = false;
    for (at, c) in name.char_indices() {
        if !c.is_alphanumeric() {
            (last, parted) = (None, true);
            continue;
        }
        let digit = c.is_ascii_digit();
        let end = at + c.len_utf8();
        match tokens.last_mut() {
            Some(token) if last == Some(digit) => {
                token.text.extend(c.to_lowercase());
                token.end = end;
            }
            _ => tokens.push(Token { text: c.to_lowercase().collect(), end, parted }),
        }
        (last, parted) = (Some(digit), false);
    }
    tokens
}

/// Whether a name is the id, or begins with it: "k01-2" with "K-1", but "k012" not with "K-1".
pub(super) fn begins_with(name: &str, id: &str) -> bool {
    let (name, id) = (tokens(name), tokens(id));
    !id.is_empty() && name.len() >= id.len() && name.iter().zip(&id).all(|(a, b)| a.same(b))
}

/// A file's name without folders and ending.
pub(super) fn stem(path: &str) -> &str {
    let name = path.rsplit('/').next().unwrap_or(path);
    name.rsplit_once('.').map_or(name, |(stem, _)| stem)
}

/// The folders of a path, the nearest first, without the one that all captures lie in.
pub(super) fn folders(path: &str) -> impl Iterator<Item = &str> {
    path.rsplit('/').skip(1).filter(|folder| *folder != "captures" && !folder.is_empty())
}

/// What the name of a frame says; where it says nothing, what its folder's name says.
pub fn clue(path: &str) -> Clue {
    let name = stem(path);
    if let Some(light) = light(name).or_else(|| folders(path).find_map(light)) {
        return light;
    }
    if !says_nothing(name) {
        return Clue::Plate(named(name));
    }
    // Frames as the camera named them, in a folder that somebody named.
    match folders(path).next() {
        Some(folder) if !says_nothing(folder) => {
            let whole = format!("{folder}-{name}");
            Clue::Plate(Named { base: folder.into(), index: Some(name.into()), exposure: None, whole, sure: false })
        }
        _ => Clue::Nothing,
    }
}

/// A blank or a dark, by a word for it.
fn light(name: &str) -> Option<Clue> {
    let tokens = tokens(name);
    let is_blank = |token: &Token| matches!(token.text.as_str(), "blank" | "blanks");
    let first = tokens.first()?.text.as_str();
    if tokens.iter().any(is_blank) || matches!(first, "flat" | "flats" | "flatfield" | "flatfields") {
        return Some(Clue::Blank);
    }
    DARK.contains(&first).then_some(Clue::Dark)
}

/// Whether a camera made the name up.
fn says_nothing(name: &str) -> bool {
    let tokens = tokens(name);
    let bytes = name.as_bytes();
    // DCF: four free characters and a number of four digits.
    let counted = bytes.len() == 8
        && bytes[..4].iter().all(|b| b.is_ascii_alphanumeric() || *b == b'_')
        && bytes[4..].iter().all(u8::is_ascii_digit);
    let dated = tokens.iter().any(|t| t.is_number() && t.text.len() == 8 && matches!(&t.text[..2], "19" | "20"));
    let hex = name.chars().filter(|c| *c != '-').collect::<String>();
    let unique = hex.len() == 32 && hex.bytes().all(|b| b.is_ascii_hexdigit());
    let words = tokens.iter().filter(|t| !t.is_number());
    let numbers = tokens.iter().filter(|t| t.is_number()).count();
    let camera_words = words.clone().all(|t| COUNTED.contains(&t.text.as_str()));
    // A short number alone may be the plate's own.
    let own_number = tokens.len() == 1 && numbers == 1 && name.len() <= 3;
    counted || unique || dated && words.count() <= 2 || camera_words && !own_number
}

/// Base, index and exposure of a name that says something.
fn named(name: &str) -> Named {
    let all = tokens(name);
    let text = |tokens: &[Token]| name[..tokens.last().map_or(0, |token| token.end)].to_string();
    let mut rest = all.as_slice();
    let mut exposure = None;
    if let [first @ .., last] = rest
        && !first.is_empty()
        && EXPOSURES.contains(&last.text.as_str())
    {
        (rest, exposure) = (first, Some(last.text.clone()));
    }
    let whole = text(rest);
    let (left, sure) = without_index(rest);
    if left.len() == rest.len() {
        return Named { base: whole.clone(), index: None, exposure, whole, sure: true };
    }
    let index = rest[left.len()..].iter().map(|token| token.text.as_str()).collect::<Vec<_>>().join("-");
    Named { base: text(left), index: Some(index), exposure, whole, sure }
}

/// The tokens before a tile's index, and whether it can be nothing else. All of them where there is none.
fn without_index(tokens: &[Token]) -> (&[Token], bool) {
    let is = |token: &Token, words: &[&str]| words.contains(&token.text.as_str());
    match tokens {
        [left @ .., r, row, c, column]
            if r.parted
                && row.is_number()
                && column.is_number()
                && is(r, &["r", "row"])
                && is(c, &["c", "col", "column"]) =>
        {
            (left, !left.is_empty())
        }
        [left @ .., first, of, all] if of.text == "of" && first.is_number() && all.is_number() => {
            (left, !left.is_empty())
        }
        [left @ .., word, number] if word.parted && number.is_number() && is(word, &TILE) => (left, !left.is_empty()),
        [left @ .., last] if (last.is_number() && last.text.len() <= 2) || last.is_letter() => {
            let numbered = left.iter().any(Token::is_number);
            let of_plate = |word: &Token| is(word, &PLATE) || word.is_letter();
            match left {
                // A number alone.
                [] => (left, false),
                // "k01a": a plate with a letter, or a tile.
                [..] if !last.parted && last.is_letter() => (left, false),
                // "k01": its own number.
                [..] if !last.parted => (tokens, true),
                [..] if numbered => (left, true),
                // "K-1", "plate 3", "kiln-02": numbers of plates.
                [word] if last.is_number() && of_plate(word) => (tokens, true),
                [..] if last.is_number() && last.text.starts_with('0') => (tokens, true),
                [..] => (left, false),
            }
        }
        _ => (tokens, true),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn plate(path: &str) -> (String, Option<String>, bool) {
        match clue(path) {
            Clue::Plate(named) => (named.base, named.index, named.sure),
            other => panic!("{path}: {other:?}"),
        }
    }

    fn tile(base: &str, index: &str, sure: bool) -> (String, Option<String>, bool) {
        (base.into(), Some(index.into()), sure)
    }

    #[test]
    fn blanks_and_darks_are_named_by_word_or_folder() {
        for name in ["captures/blank-1.jpg", "Blank.JPG", "k01_blank.tif", "captures/blanks/IMG_0001.jpg", "flat 3.dng"]
        {
            assert_eq!(clue(name), Clue::Blank, "{name}");
        }
        for name in ["captures/dark-1.jpg", "darks/DSC_0001.jpg", "dark_3.tif"] {
            assert_eq!(clue(name), Clue::Dark, "{name}");
        }
        assert!(matches!(clue("blanket.jpg"), Clue::Plate(_)));
        assert!(matches!(clue("mudflat-3.jpg"), Clue::Plate(_)));
    }

    #[test]
    fn a_number_or_letter_after_a_numbered_base_is_a_tile() {
        assert_eq!(plate("captures/k01-1.jpg"), tile("k01", "1", true));
        assert_eq!(plate("captures/k01_a.jpg"), tile("k01", "a", true));
        assert_eq!(plate("K-01-12.dng"), tile("K-01", "12", true));
        assert_eq!(plate("K-01 tile 3.jpg"), tile("K-01", "tile-3", true));
        assert_eq!(plate("kiln_r2c1.jpg"), tile("kiln", "r-2-c-1", true));
        assert_eq!(plate("kiln 2 of 6.jpg"), tile("kiln", "2-of-6", true));
        assert_eq!(plate("kiln-2.jpg"), tile("kiln", "2", false));
        assert_eq!(plate("k01b.jpg"), tile("k01", "b", false));
    }

    #[test]
    fn numbers_of_plates_are_not_taken_for_tiles() {
        for name in ["k01.jpg", "K-01.jpg", "K-1.jpg", "plate 7.jpg", "kiln-03.jpg", "kiln.jpg", "K_120.tif"] {
            let (base, index, sure) = plate(name);
            assert_eq!((base.as_str(), index, sure), (stem(name), None, true));
        }
    }

    #[test]
    fn names_that_cameras_count_up_say_nothing() {
        for name in [
            "IMG_1234.jpg",
            "captures/DSC01234.JPG",
            "P1010001.jpg",
            "_MG_0042.dng",
            "PXL_20260509_190102123.jpg",
            "20260509_190102.heic",
            "IMG-20260509-WA0012.jpg",
            "IMG_E1234.jpg",
            "IMG_1234 (1).jpg",
            "scan-3.tif",
            "photo 4.jpg",
            "2026-05-09 19.01.02.jpg",
            "6F9619FF-8B86-D011-B42D-00C04FC964FF.heic",
        ] {
            assert_eq!(clue(name), Clue::Nothing, "{name}");
        }
        assert_eq!(plate("captures/K-07/IMG_1234.jpg"), tile("K-07", "IMG_1234", false));
        assert_eq!(plate("07.jpg"), tile("", "07", false));
    }

    #[test]
    fn exposures_are_told_by_their_words() {
        for (name, index) in [("k02-a-long.jpg", Some("a")), ("k02-a-short.jpg", Some("a")), ("k02-long.jpg", None)] {
            let Clue::Plate(named) = clue(name) else { panic!("{name}") };
            assert_eq!((named.base.as_str(), named.index.as_deref()), ("k02", index), "{name}");
            assert!(named.exposure.is_some());
        }
    }

    #[test]
    fn an_id_begins_a_name_by_whole_numbers() {
        for (name, id) in [("k01-2", "K-1"), ("K-01", "k01"), ("k1_a", "K-01"), ("küste 3 b", "KÜSTE-3")] {
            assert!(begins_with(name, id), "{name} {id}");
        }
        for (name, id) in [("k012", "K-1"), ("k-2-1", "K-21"), ("IMG_1", "K-1"), ("k", "K-1"), ("k", "-")] {
            assert!(!begins_with(name, id), "{name} {id}");
        }
    }

    proptest! {
        #[test]
        fn any_name_is_taken(name in any::<String>()) {
            if let Clue::Plate(named) = clue(&name) {
                prop_assert!(named.whole.starts_with(&named.base) || named.index.is_some());
            }
        }
    }
}
