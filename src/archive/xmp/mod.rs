//! XMP: properties as a tree, and the packet that carries them.
//!
//! A [`Packet`] is a list of named properties; a value is text, a structure, or a list of values. [`write`] turns it into RDF/XML
//! after ISO 16684-1, [`read`] takes RDF/XML back, in any of the forms that the standard allows, since other programs rewrite
//! packets in their own.

mod element;
pub mod namespace;
mod read;
mod write;

pub use read::read;
pub use write::write;

use std::fmt;

/// A property's name: namespace and local name.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Name {
    pub space: String,
    pub local: String,
}

/// What a property holds.
#[derive(Debug, Clone, PartialEq)]
pub enum Value {
    Text(String),
    Struct(Vec<Property>),
    /// In order.
    Seq(Vec<Value>),
    /// In no order.
    Bag(Vec<Value>),
    /// One text in several languages: the language ("x-default") and the text.
    Alt(Vec<(String, String)>),
}

#[derive(Debug, Clone, PartialEq)]
pub struct Property {
    pub name: Name,
    pub value: Value,
}

/// All properties of one file.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Packet {
    pub properties: Vec<Property>,
}

/// With its customary prefix, where it has one.
impl fmt::Display for Name {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match namespace::prefix(&self.space) {
            Some(prefix) => write!(f, "{prefix}:{}", self.local),
            None => write!(f, "{}{}", self.space, self.local),
        }
    }
}

/// On one line, for people.
impl fmt::Display for Value {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let items = |items: &[String]| items.join(", ");
        let text = match self {
            Value::Text(text) => text.clone(),
            Value::Struct(fields) => {
                items(&fields.iter().map(|p| format!("{} {}", p.name.local, p.value)).collect::<Vec<_>>())
            }
            Value::Seq(values) | Value::Bag(values) => items(&values.iter().map(Value::to_string).collect::<Vec<_>>()),
            Value::Alt(texts) => items(&texts.iter().map(|(_, text)| text.clone()).collect::<Vec<_>>()),
        };
        f.write_str(&text)
    }
}

impl Name {
    pub fn new(space: &str, local: &str) -> Self {
        Name { space: space.to_string(), local: local.to_string() }
    }
}

impl Property {
    pub fn new(space: &str, local: &str, value: Value) -> Self {
        Property { name: Name::new(space, local), value }
    }

    pub fn text(space: &str, local: &str, text: impl Into<String>) -> Self {
        Property::new(space, local, Value::Text(text.into()))
    }
}

impl Value {
    /// Text whose language is not said.
    pub fn any_language(text: impl Into<String>) -> Value {
        Value::Alt(vec![("x-default".to_string(), text.into())])
    }

    /// The text, or the first of an alternative.
    pub fn as_text(&self) -> Option<&str> {
        match self {
            Value::Text(text) => Some(text),
            Value::Alt(texts) => texts.first().map(|(_, text)| text.as_str()),
            _ => None,
        }
    }
}

impl Packet {
    pub fn get(&self, space: &str, local: &str) -> Option<&Value> {
        self.properties.iter().find(|p| p.name.space == space && p.name.local == local).map(|p| &p.value)
    }

    /// Text of a property; of an alternative, the first.
    pub fn text(&self, space: &str, local: &str) -> Option<&str> {
        self.get(space, local)?.as_text()
    }
}

#[cfg(test)]
mod tests {
    use super::namespace::*;
    use super::*;

    fn hostile() -> Packet {
        let text = "<b>&amp; \"quotes\" 'too' ]]> <?xpacket end='w'?> é 光 \u{1F311}\ttab\nline\r\nend ";
        let nested = Value::Struct(vec![
            Property::text(HYALINE, "ei", "2"),
            Property::new(HYALINE, "blanks", Value::Seq(vec![Value::Text("a & b".into()), Value::Text(String::new())])),
        ]);
        Packet {
            properties: vec![
                Property::new(DC, "title", Value::any_language(text)),
                Property::new(DC, "creator", Value::Seq(vec![Value::Text(text.into())])),
                Property::text(XMP, "CreatorTool", text),
                Property::new(HYALINE, "exposure", nested.clone()),
                Property::new(XMP_MM, "Ingredients", Value::Bag(vec![nested.clone(), nested])),
            ],
        }
    }

    #[test]
    fn any_text_comes_back_as_it_went_in() {
        assert_eq!(read(&write(&hostile())).unwrap(), hostile());
    }

    /// XML 1.0 (fifth edition), production 2: other control characters than tab, line feed and carriage return, and U+FFFE and
    /// U+FFFF, cannot stand in a document, not even as references.
    #[test]
    fn characters_that_xml_cannot_carry_are_shown_as_replaced() {
        let text = "a\u{0}b\u{1}c\u{8}d\u{1f}e\u{fffe}f\u{ffff}g\u{7f}\u{85}\u{2028}";
        let packet = Packet { properties: vec![Property::text(DC, "format", text)] };
        let back = read(&write(&packet)).unwrap();
        let shown = "a\u{fffd}b\u{fffd}c\u{fffd}d\u{fffd}e\u{fffd}f\u{fffd}g\u{7f}\u{85}\u{2028}";
        assert_eq!(back.text(DC, "format"), Some(shown));
    }

    /// ISO 16684-1, 7.9: a structure may be written by parseType, by an inner Description, or in attributes, and plain
    /// properties as attributes of the Description.
    #[test]
    fn shorthand_of_other_writers_is_understood() {
        let long = r#"<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"
            xmlns:dc="http://purl.org/dc/elements/1.1/" xmlns:m="tag:hyaline,2026:plate/1.0/">
            <rdf:Description rdf:about="" m:plate="K &amp; 1"/>
            <rdf:Description rdf:about="">
              <m:one rdf:parseType="Resource"><m:a>1</m:a><m:b>2</m:b></m:one>
              <m:two><rdf:Description><m:a>1</m:a><m:b>2</m:b></rdf:Description></m:two>
              <m:three m:a="1" m:b="2"/>
              <m:four><rdf:Description m:a="1" m:b="2"/></m:four>
              <m:link rdf:resource="urn:x"/>
              <dc:title><rdf:Alt><rdf:li xml:lang="x-default">T&#x69;de</rdf:li></rdf:Alt></dc:title>
            </rdf:Description></rdf:RDF>"#;
        let packet = read(long).unwrap();
        let both = Value::Struct(vec![Property::text(HYALINE, "a", "1"), Property::text(HYALINE, "b", "2")]);
        for name in ["one", "two", "three", "four"] {
            assert_eq!(packet.get(HYALINE, name), Some(&both), "{name}");
        }
        assert_eq!(packet.text(HYALINE, "plate"), Some("K & 1"));
        assert_eq!(packet.text(HYALINE, "link"), Some("urn:x"));
        assert_eq!(packet.text(DC, "title"), Some("Tide"));
    }

    #[test]
    fn a_damaged_packet_is_an_error_at_every_length() {
        let whole = write(&hostile());
        let end = whole.find("</rdf:RDF>").unwrap();
        for length in (0..end).filter(|length| whole.is_char_boundary(*length)) {
            assert!(read(&whole[..length]).is_err(), "{length}");
        }
    }

    #[test]
    fn endless_nesting_is_refused() {
        assert!(read(&"<a>".repeat(100_000)).is_err());
    }
}
