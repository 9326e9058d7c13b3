//! A packet from RDF/XML.
//!
//! In: text that holds an `rdf:RDF` element, with or without the packet's wrapper. Out: its properties; those of several
//! Descriptions follow each other. Fails where the XML is not well-formed or holds no RDF. Qualifiers other than languages are
//! passed over. Method: the subset of RDF/XML that ISO 16684-1, 7.9, allows.

use super::element::{Element, fault, parse};
use super::namespace::{RDF, XML};
use super::{Packet, Property, Value};
use crate::error::Fault;

/// The packet's properties.
pub fn read(text: &str) -> Result<Packet, Fault> {
    let root = parse(text.trim_start_matches('\u{feff}'))?;
    let rdf = if root.is(RDF, "RDF") { Some(&root) } else { root.children.iter().find(|e| e.is(RDF, "RDF")) };
    let rdf = rdf.ok_or_else(|| fault("it holds no RDF"))?;
    let properties = rdf.children.iter().filter(|e| e.is(RDF, "Description")).flat_map(fields).collect();
    Ok(Packet { properties })
}

/// Properties of a Description or of an element that stands for one: attributes first, then elements.
fn fields(element: &Element) -> Vec<Property> {
    let shorthand = element.attributes.iter().filter(|(name, _)| ![RDF, XML, ""].contains(&name.space.as_str()));
    let shorthand = shorthand.map(|(name, text)| Property { name: name.clone(), value: Value::Text(text.clone()) });
    let elements = element.children.iter().map(|child| Property { name: child.name.clone(), value: value(child) });
    shorthand.chain(elements).collect()
}

/// What a property's element holds.
fn value(element: &Element) -> Value {
    if element.attribute(RDF, "parseType") == Some("Resource") {
        return Value::Struct(fields(element));
    }
    if let Some(uri) = element.attribute(RDF, "resource") {
        return Value::Text(uri.to_string());
    }
    if let Some(inner) = element.children.first() {
        let items = || inner.children.iter().filter(|e| e.is(RDF, "li"));
        return match inner.name.local.as_str() {
            "Seq" => Value::Seq(items().map(value).collect()),
            "Bag" => Value::Bag(items().map(value).collect()),
            "Alt" => Value::Alt(items().map(language).collect()),
            _ => Value::Struct(fields(inner)),
        };
    }
    let shorthand = fields(element);
    if shorthand.is_empty() { Value::Text(element.text.clone()) } else { Value::Struct(shorthand) }
}

fn language(element: &Element) -> (String, String) {
    (element.attribute(XML, "lang").unwrap_or("x-default").to_string(), element.text.clone())
}
