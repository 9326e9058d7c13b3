//! A packet as RDF/XML.
//!
//! In: a [`Packet`] whose names are in the namespaces of [`namespace`](super::namespace). Out: a packet after ISO 16684-1, UTF-8,
//! the same text for the same properties. Every text is escaped; what XML 1.0 cannot carry is shown as U+FFFD.
//! Fails never: a name in a foreign namespace is a mistake in the caller, and panics.

use super::namespace::{RDF, prefix};
use super::{Name, Packet, Property, Value};
use quick_xml::Writer;
use quick_xml::events::{BytesEnd, BytesStart, BytesText, Event};
use std::borrow::Cow;
use std::collections::BTreeMap;

/// Marks the beginning of a packet for programs that search files for it.
const BEGIN: &str = "<?xpacket begin=\"\u{feff}\" id=\"W5M0MpCehiHzreSzNTczkc9d\"?>\n";
const END: &str = "\n<?xpacket end=\"w\"?>";

/// The packet's text.
pub fn write(packet: &Packet) -> String {
    let mut out = Out(Writer::new_with_indent(Vec::new(), b' ', 1));
    out.open("x:xmpmeta", &[("xmlns:x", "adobe:ns:meta/")]);
    out.open("rdf:RDF", &[("xmlns:rdf", RDF)]);
    let mut spaces = BTreeMap::new();
    packet.properties.iter().for_each(|p| collect_spaces(p, &mut spaces));
    let declared: Vec<(String, &str)> = spaces.iter().map(|(prefix, uri)| (format!("xmlns:{prefix}"), *uri)).collect();
    let mut attributes = vec![("rdf:about", "")];
    attributes.extend(declared.iter().map(|(name, uri)| (name.as_str(), *uri)));
    out.open("rdf:Description", &attributes);
    packet.properties.iter().for_each(|p| out.property(p));
    for name in ["rdf:Description", "rdf:RDF", "x:xmpmeta"] {
        out.close(name);
    }
    let body = String::from_utf8(out.0.into_inner()).expect("made of text");
    format!("{BEGIN}{body}{END}")
}

fn collect_spaces<'a>(property: &'a Property, spaces: &mut BTreeMap<&'static str, &'a str>) {
    spaces.insert(known(&property.name.space), &property.name.space);
    collect_spaces_of_value(&property.value, spaces);
}

fn collect_spaces_of_value<'a>(value: &'a Value, spaces: &mut BTreeMap<&'static str, &'a str>) {
    match value {
        Value::Text(_) | Value::Alt(_) => {}
        Value::Struct(fields) => fields.iter().for_each(|field| collect_spaces(field, spaces)),
        Value::Seq(items) | Value::Bag(items) => items.iter().for_each(|item| collect_spaces_of_value(item, spaces)),
    }
}

fn known(space: &str) -> &'static str {
    prefix(space).unwrap_or_else(|| panic!("no prefix for {space}"))
}

fn qualified(name: &Name) -> String {
    format!("{}:{}", known(&name.space), name.local)
}

struct Out(Writer<Vec<u8>>);

impl Out {
    fn event(&mut self, event: Event<'_>) {
        self.0.write_event(event).expect("memory takes every write");
    }

    fn open(&mut self, name: &str, attributes: &[(&str, &str)]) {
        self.event(Event::Start(BytesStart::new(name).with_attributes(attributes.iter().copied())));
    }

    fn close(&mut self, name: &str) {
        self.event(Event::End(BytesEnd::new(name)));
    }

    fn property(&mut self, property: &Property) {
        self.element(&qualified(&property.name), &[], &property.value);
    }

    fn element(&mut self, name: &str, attributes: &[(&str, &str)], value: &Value) {
        match value {
            Value::Text(text) => {
                self.open(name, attributes);
                // A carriage return that is not written as a reference is read as a line feed (XML 1.0, 2.11).
                let text = quick_xml::escape::escape(carried(text)).replace('\r', "&#13;");
                self.event(Event::Text(BytesText::from_escaped(text)));
            }
            Value::Struct(fields) => {
                let mut all = attributes.to_vec();
                all.push(("rdf:parseType", "Resource"));
                self.open(name, &all);
                fields.iter().for_each(|field| self.property(field));
            }
            Value::Seq(items) => self.list(name, attributes, "rdf:Seq", items),
            Value::Bag(items) => self.list(name, attributes, "rdf:Bag", items),
            Value::Alt(texts) => {
                self.open(name, attributes);
                self.open("rdf:Alt", &[]);
                for (language, text) in texts {
                    self.element("rdf:li", &[("xml:lang", language)], &Value::Text(text.clone()));
                }
                self.close("rdf:Alt");
            }
        }
        self.close(name);
    }

    fn list(&mut self, name: &str, attributes: &[(&str, &str)], kind: &str, items: &[Value]) {
        self.open(name, attributes);
        self.open(kind, &[]);
        items.iter().for_each(|item| self.element("rdf:li", &[], item));
        self.close(kind);
    }
}

/// Text with everything that XML 1.0 cannot carry (production 2, Char) replaced by the sign for it.
fn carried(text: &str) -> Cow<'_, str> {
    let allowed =
        |c: char| !matches!(c, '\0'..='\u{8}' | '\u{b}' | '\u{c}' | '\u{e}'..='\u{1f}' | '\u{fffe}' | '\u{ffff}');
    if text.chars().all(allowed) {
        Cow::Borrowed(text)
    } else {
        Cow::Owned(text.chars().map(|c| if allowed(c) { c } else { char::REPLACEMENT_CHARACTER }).collect())
    }
}
