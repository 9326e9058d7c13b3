//! The few words of SVG that the plots are written in.
//!
//! In: numbers and text. Out: text for an XML or HTML document, the same bytes for the same input. Never fails; numbers that are
//! not finite become 0, and characters that no XML document may hold become U+FFFD.

use std::fmt::Write;

/// A coordinate with at most two decimals: a hundredth of a pixel is finer than any screen.
pub fn number(value: f64) -> String {
    let value = if value.is_finite() { value } else { 0.0 };
    let mut text = format!("{value:.2}");
    text.truncate(text.trim_end_matches('0').trim_end_matches('.').len());
    if text == "-0" { "0".into() } else { text }
}

/// Text that is safe between tags and inside a quoted attribute. Marks that reorder what follows them are taken out, since an
/// attribute has no element to hold their effect in.
pub fn escape(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            '\'' => safe.push_str("&#39;"),
            c if is_reordering(c) => {}
            '\t' | '\n' | '\r' => safe.push(' '),
            c if c.is_control() || matches!(c, '\u{fffe}' | '\u{ffff}') => safe.push('\u{fffd}'),
            c => safe.push(c),
        }
    }
    safe
}

/// Embeddings, overrides and isolates of the bidirectional algorithm (Unicode Standard Annex 9, table 4).
pub fn is_reordering(c: char) -> bool {
    matches!(c, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{200e}' | '\u{200f}' | '\u{61c}')
}

/// Width of a line of text at a font size, guessed: no font is at hand. Errs on the wide side for Latin text in a sans serif.
pub fn width(text: &str, size: f64) -> f64 {
    text.chars().map(|c| if c.is_ascii() { 0.56 } else { 0.75 }).sum::<f64>() * size
}

/// Where text hangs from its point.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Anchor {
    Start,
    Middle,
    End,
}

/// One line of text in the ink of the drawing.
pub fn text(out: &mut String, (x, y): (f64, f64), size: f64, anchor: Anchor, words: &str) {
    let anchor = match anchor {
        Anchor::Start => "start",
        Anchor::Middle => "middle",
        Anchor::End => "end",
    };
    let (x, y, size, words) = (number(x), number(y), number(size), escape(words));
    let _ = write!(
        out,
        r#"<text x="{x}" y="{y}" font-size="{size}" text-anchor="{anchor}" fill="currentColor">{words}</text>"#
    );
}

/// A straight line; `style` holds further attributes.
pub fn line(out: &mut String, (x1, y1): (f64, f64), (x2, y2): (f64, f64), style: &str) {
    let [x1, y1, x2, y2] = [x1, y1, x2, y2].map(number);
    let _ = write!(out, r#"<line x1="{x1}" y1="{y1}" x2="{x2}" y2="{y2}" {style}/>"#);
}

/// Path data through points, broken where a point is not finite.
pub fn polyline(points: impl IntoIterator<Item = (f64, f64)>) -> String {
    let mut data = String::new();
    let mut command = 'M';
    for (x, y) in points {
        if x.is_finite() && y.is_finite() {
            let _ = write!(data, "{command}{} {}", number(x), number(y));
            command = 'L';
        } else {
            command = 'M';
        }
    }
    data
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_short_and_never_odd() {
        assert_eq!(number(12.0), "12");
        assert_eq!(number(-0.001), "0");
        assert_eq!(number(2.504), "2.5");
        assert_eq!(number(100.0), "100");
        assert_eq!(number(f64::NAN), "0");
        assert_eq!(number(f64::NEG_INFINITY), "0");
    }

    #[test]
    fn hostile_text_stays_text() {
        assert_eq!(escape("<script>\"'&"), "&lt;script&gt;&quot;&#39;&amp;");
        assert_eq!(escape("a\u{202e}b\u{0}c\n"), "ab\u{fffd}c ");
    }

    #[test]
    fn a_gap_breaks_a_line() {
        assert_eq!(polyline([(0.0, 0.0), (1.0, f64::NAN), (2.0, 2.0)]), "M0 0M2 2");
    }
}
