//! The notes as a tree of tables with typed getters that know their line.
//!
//! In: the text of session.toml as `toml` parsed it, spans kept. Out: values of the type asked for, in range, or nothing. What is
//! wrong is put on one list with its line, and reading goes on, so that one run tells all. Getters never fail otherwise.

use super::keys::{Kind, list, nearest};
use crate::error::{Error, Fault};
use std::cell::RefCell;
use std::ops::RangeInclusive;
use std::path::Path;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// Where things stand in the notes, and what was found wrong so far.
pub(super) struct Notes<'a> {
    file: &'a Path,
    /// Byte at which each line begins.
    starts: Vec<usize>,
    /// Line of the first byte.
    first: usize,
    errors: RefCell<Vec<Error>>,
}

impl<'a> Notes<'a> {
    pub fn new(file: &'a Path, text: &str) -> Self {
        let starts = std::iter::once(0).chain(text.match_indices('\n').map(|(at, _)| at + 1)).collect();
        Notes { file, starts, first: 1, errors: RefCell::default() }
    }

    /// Notes that stand on one line of their file, such as a row of a table.
    pub fn on_line(file: &'a Path, line: usize) -> Self {
        Notes { file, starts: vec![0], first: line, errors: RefCell::default() }
    }

    /// Line of a byte.
    pub fn line(&self, at: usize) -> usize {
        self.starts.partition_point(|start| *start <= at) - 1 + self.first
    }

    pub fn report(&self, line: usize, fault: Fault) {
        self.errors.borrow_mut().push(Error::at_line(self.file, line, fault));
    }

    /// All that was found, in the order of the lines, each once.
    pub fn into_errors(self) -> Vec<Error> {
        let mut errors = self.errors.into_inner();
        errors.sort_by_key(|error| error.line);
        errors.dedup();
        errors
    }
}

/// A value and the line it begins at.
#[derive(Clone, Copy)]
pub(super) struct At<T> {
    pub value: T,
    pub line: usize,
}

/// One table of the notes. Made once for each, since making it reports the keys that it does not know.
pub(super) struct Section<'n> {
    pub notes: &'n Notes<'n>,
    pub kind: &'static Kind,
    pub line: usize,
    table: &'n DeTable<'n>,
}

impl<'n> Section<'n> {
    pub fn new(notes: &'n Notes<'n>, kind: &'static Kind, table: &'n DeTable<'n>, line: usize) -> Self {
        let section = Section { notes, kind, line, table };
        for key in table.keys().filter(|key| !kind.keys.contains(&key.get_ref().as_ref())) {
            let what = format!("unknown key `{}`", shown(&kind.path(key.get_ref())));
            notes.report(notes.line(key.span().start), Fault::new(what, kind.mend_unknown(key.get_ref())));
        }
        section
    }

    /// Puts a fault of one key on the list; `what` follows the key's name.
    pub fn wrong(&self, key: &str, line: usize, what: &str, mend: impl Into<String>) {
        self.notes.report(line, Fault::new(format!("`{}` {what}", self.kind.path(key)), mend));
    }

    /// A fault found by the value's own parser, with the key put before it.
    pub fn fault(&self, key: &str, line: usize, fault: &Fault) {
        self.wrong(key, line, fault.what(), fault.mend());
    }

    pub fn missing(&self, key: &str, mend: &str) {
        self.wrong(key, self.line, "is missing", mend);
    }

    pub fn has(&self, key: &str) -> bool {
        self.table.contains_key(key)
    }

    pub fn value(&self, key: &str) -> Option<At<&'n DeValue<'n>>> {
        self.table.get(key).map(|value| self.at(value))
    }

    pub fn at(&self, value: &'n Spanned<DeValue<'n>>) -> At<&'n DeValue<'n>> {
        At { value: value.get_ref(), line: self.notes.line(value.span().start) }
    }

    pub fn wrong_kind(&self, key: &str, found: At<&DeValue>, mend: &str) {
        self.wrong(key, found.line, &format!("is {}", describe(found.value)), mend);
    }

    /// Text; what holds nothing but blanks says nothing. Characters that no XML or Exif text can carry are refused.
    pub fn text(&self, key: &str) -> Option<At<String>> {
        let found = self.value(key)?;
        let Some(text) = found.value.as_str() else {
            self.wrong_kind(key, found, &format!("give text in quotes, as in {key} = \"…\""));
            return None;
        };
        let text = text.replace("\r\n", "\n");
        if let Some(odd) = text.chars().find(|c| !may_stand_in_text(*c)) {
            let what = format!("holds the control character U+{:04X}", odd as u32);
            self.wrong(key, found.line, &what, "take it out");
            return None;
        }
        (!text.trim().is_empty()).then_some(At { value: text, line: found.line })
    }

    pub fn plain_text(&self, key: &str) -> Option<String> {
        self.text(key).map(|text| text.value)
    }

    /// One of a few words.
    pub fn word(&self, key: &str, words: &[&'static str]) -> Option<At<&'static str>> {
        let text = self.text(key)?;
        if let Some(word) = words.iter().find(|word| **word == text.value) {
            return Some(At { value: word, line: text.line });
        }
        let mend = match nearest(&text.value, words.iter().copied()) {
            Some(near) => format!("did you mean \"{near}\"?"),
            None => format!("write one of {}", list(words.iter().copied())),
        };
        self.wrong(key, text.line, &format!("is \"{}\"", shown(&text.value)), mend);
        None
    }

    /// A number with or without a decimal point, within a range. The unit is for messages.
    pub fn number(&self, key: &str, range: RangeInclusive<f64>, unit: &str) -> Option<f64> {
        let found = self.value(key)?;
        let Some(number) = number(found.value) else {
            let mend = match found.value.as_str().and_then(|text| text.trim().parse::<f64>().ok()) {
                Some(bare) => format!("write it without quotes: {key} = {bare}"),
                None => format!("give a number{}{}", if unit.is_empty() { "" } else { " of " }, unit),
            };
            self.wrong_kind(key, found, &mend);
            return None;
        };
        if !range.contains(&number) {
            let unit = if unit.is_empty() { String::new() } else { format!(" {unit}") };
            let mend = format!("give a number from {} to {}{unit}", range.start(), range.end());
            self.wrong(key, found.line, &format!("is {number}"), mend);
            return None;
        }
        Some(number)
    }

    pub fn list(&self, key: &str, mend: &str) -> Option<At<Vec<At<&'n DeValue<'n>>>>> {
        let found = self.value(key)?;
        let Some(list) = found.value.as_array() else {
            self.wrong_kind(key, found, mend);
            return None;
        };
        Some(At { value: list.iter().map(|value| self.at(value)).collect(), line: found.line })
    }

    /// Just so many finite numbers.
    pub fn numbers<const N: usize>(&self, key: &str, mend: &str) -> Option<At<[f64; N]>> {
        let items = self.list(key, mend)?;
        let numbers: Option<Vec<f64>> = items.value.iter().map(|item| number(item.value)).collect();
        match numbers.and_then(|numbers| <[f64; N]>::try_from(numbers).ok()) {
            Some(value) => Some(At { value, line: items.line }),
            None => {
                self.wrong(key, items.line, &format!("is not a list of {N} numbers"), mend);
                None
            }
        }
    }

    pub fn section(&self, key: &str, kind: &'static Kind) -> Option<Section<'n>> {
        let found = self.table.get_key_value(key)?;
        let value = self.at(found.1);
        let Some(table) = value.value.as_table() else {
            let mend = match value.value.as_array() {
                Some(_) => format!("write {} once, in single brackets", kind.header),
                None => format!("write {} on a line of its own and its keys below it", kind.header),
            };
            self.wrong_kind(key, value, &mend);
            return None;
        };
        Some(Section::new(self.notes, kind, table, value.line))
    }

    /// The tables of a header in double brackets.
    pub fn sections(&self, key: &str, kind: &'static Kind) -> Vec<Section<'n>> {
        let Some(found) = self.value(key) else { return Vec::new() };
        let mend = format!("write {} with double brackets, once for each, and its keys below it", kind.header);
        let Some(list) = found.value.as_array() else {
            self.wrong_kind(key, found, &mend);
            return Vec::new();
        };
        let tables = list.iter().map(|item| self.at(item)).filter_map(|item| match item.value.as_table() {
            Some(table) => Some(Section::new(self.notes, kind, table, item.line)),
            None => {
                self.wrong_kind(key, item, &mend);
                None
            }
        });
        tables.collect()
    }
}

pub(super) fn may_stand_in_text(c: char) -> bool {
    matches!(c, '\n' | '\t') || !(c.is_control() || matches!(c, '\u{FFFE}' | '\u{FFFF}'))
}

/// A finite number.
pub(super) fn number(value: &DeValue) -> Option<f64> {
    let number = match value {
        DeValue::Integer(whole) => i64::from_str_radix(whole.as_str(), whole.radix()).ok()? as f64,
        DeValue::Float(float) => float.as_str().parse().ok()?,
        _ => return None,
    };
    number.is_finite().then_some(number)
}

/// What a value is, for people: `the text "abc"`, `a list`.
fn describe(value: &DeValue) -> String {
    match value {
        DeValue::String(text) => format!("the text \"{}\"", shown(text)),
        DeValue::Integer(whole) => format!("the number {whole}"),
        DeValue::Float(float) => format!("the number {float}"),
        DeValue::Boolean(yes) => format!("{yes}"),
        DeValue::Datetime(time) => format!("the date or time {time}"),
        DeValue::Array(_) => "a list".into(),
        DeValue::Table(_) => "a table".into(),
    }
}

/// Text out of the notes as a message can show it: one line, not too long, nothing that a terminal obeys.
pub(super) fn shown(text: &str) -> String {
    const LONGEST: usize = 60;
    let mut short = String::new();
    for (count, c) in text.chars().enumerate() {
        if count == LONGEST {
            short.push('…');
            break;
        }
        // Marks that turn the direction of writing would rearrange the rest of the message.
        if c.is_control() || matches!(c, '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}') {
            short.extend(c.escape_unicode());
        } else {
            short.push(c);
        }
    }
    short
}
