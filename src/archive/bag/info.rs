//! bag-info.txt: what a package says of itself.
//!
//! In and out: labels with values (RFC 8493, 2.2.2). Long values are folded at spaces, continued lines begin with one.
//! Reading passes over lines that have no label: other programs' notes are no reason to refuse their packages.

use crate::archive::directory::one_line;

/// RFC 8493 asks for lines of at most 79 characters.
const WIDTH: usize = 79;

/// The file's text.
pub fn write(fields: &[(&str, String)]) -> String {
    let mut out = String::new();
    for (label, value) in fields {
        let mut line = format!("{label}:");
        for word in one_line(value).split(' ') {
            if line.chars().count() + 1 + word.chars().count() > WIDTH {
                out.push_str(&line);
                out.push('\n');
                line.clear();
            }
            line.push(' ');
            line.push_str(word);
        }
        out.push_str(&line);
        out.push('\n');
    }
    out
}

/// The labels and values, unfolded.
pub fn read(text: &str) -> Vec<(String, String)> {
    let mut fields: Vec<(String, String)> = Vec::new();
    for line in text.lines() {
        if line.starts_with([' ', '\t']) {
            if let Some((_, value)) = fields.last_mut() {
                value.push(' ');
                value.push_str(line.trim());
            }
        } else if let Some((label, value)) = line.split_once(':') {
            fields.push((label.to_string(), value.trim().to_string()));
        }
    }
    fields
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn long_values_are_folded_and_come_back() {
        let long = "a kiln on the marsh ".repeat(12);
        let text = write(&[("External-Description", long.clone()), ("Payload-Oxum", "12.3".into())]);
        assert!(text.lines().all(|line| line.chars().count() <= WIDTH), "{text}");
        let fields = read(&text);
        assert_eq!(fields[0], ("External-Description".into(), long.trim().into()));
        assert_eq!(fields[1], ("Payload-Oxum".into(), "12.3".into()));
    }

    #[test]
    fn a_value_cannot_forge_a_label() {
        let text = write(&[("Contact-Name", "x\nPayload-Oxum: 0.0\r\n y".into())]);
        assert_eq!(read(&text), [("Contact-Name".into(), "x Payload-Oxum: 0.0 y".into())]);
    }
}
