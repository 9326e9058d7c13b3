//! XML as a tree of elements, with names resolved to their namespaces.
//!
//! In: text from anywhere. Out: its root element. Fails for what is not well-formed, for entities other than XML's own five and
//! character references (so that nothing can be made to grow), and for nesting that no packet has.

use super::Name;
use crate::error::Fault;
use quick_xml::NsReader;
use quick_xml::XmlVersion;
use quick_xml::events::{BytesStart, Event};
use quick_xml::name::ResolveResult;

/// RDF nests two elements for each level of a property; ours need six levels.
const DEEPEST: usize = 64;

#[derive(Debug, Clone, PartialEq)]
pub(super) struct Element {
    pub name: Name,
    pub attributes: Vec<(Name, String)>,
    pub children: Vec<Element>,
    /// All text directly inside, joined.
    pub text: String,
}

impl Element {
    pub fn is(&self, space: &str, local: &str) -> bool {
        self.name.space == space && self.name.local == local
    }

    pub fn attribute(&self, space: &str, local: &str) -> Option<&str> {
        self.attributes.iter().find(|(n, _)| n.space == space && n.local == local).map(|(_, value)| value.as_str())
    }
}

pub(super) fn fault(what: impl std::fmt::Display) -> Fault {
    Fault::new(format!("its XMP cannot be read: {what}"), "take the file from a copy that has not been changed")
}

/// The root element of a document.
pub(super) fn parse(xml: &str) -> Result<Element, Fault> {
    let mut reader = NsReader::from_str(xml);
    reader.config_mut().check_end_names = true;
    let mut open: Vec<Element> = Vec::new();
    let mut root = None;
    loop {
        let event = reader.read_event().map_err(fault)?;
        match event {
            Event::Start(start) => {
                if open.len() >= DEEPEST || root.is_some() {
                    return Err(fault("it has more than one root, or nests too deep"));
                }
                open.push(element(&reader, &start)?);
            }
            Event::Empty(start) => {
                let element = element(&reader, &start)?;
                add(&mut open, &mut root, element)?;
            }
            Event::End(_) => {
                let element = open.pop().ok_or_else(|| fault("an element ends that did not begin"))?;
                add(&mut open, &mut root, element)?;
            }
            Event::Text(text) => push_text(&mut open, &text.xml10_content()),
            Event::CData(text) => push_text(&mut open, &text.xml10_content()),
            Event::GeneralRef(reference) => {
                let c = match reference.resolve_char_ref().map_err(fault)? {
                    Some(c) => c.to_string(),
                    None => quick_xml::escape::resolve_predefined_entity(&reference.xml10_content())
                        .ok_or_else(|| fault("it uses an entity that XML does not define"))?
                        .to_string(),
                };
                push_text(&mut open, &c);
            }
            Event::Eof => break,
            Event::Comment(_) | Event::Decl(_) | Event::PI(_) | Event::DocType(_) => {}
        }
    }
    if !open.is_empty() {
        return Err(fault("it ends too early"));
    }
    root.ok_or_else(|| fault("it is empty"))
}

fn push_text(open: &mut [Element], text: &str) {
    if let Some(element) = open.last_mut() {
        element.text.push_str(text);
    }
}

/// Puts a finished element into the one that holds it.
fn add(open: &mut [Element], root: &mut Option<Element>, element: Element) -> Result<(), Fault> {
    match open.last_mut() {
        Some(parent) => parent.children.push(element),
        None if root.is_none() => *root = Some(element),
        None => return Err(fault("it has more than one root")),
    }
    Ok(())
}

fn element(reader: &NsReader<&[u8]>, start: &BytesStart<'_>) -> Result<Element, Fault> {
    let (space, local) = reader.resolver().resolve_element(start.name());
    let name = resolved(space, local.as_ref())?;
    let mut attributes = Vec::new();
    for attribute in start.attributes() {
        let attribute = attribute.map_err(fault)?;
        if attribute.key.as_namespace_binding().is_some() {
            continue;
        }
        let (space, local) = reader.resolver().resolve_attribute(attribute.key);
        let value = attribute.normalized_value(XmlVersion::Explicit1_0).map_err(fault)?;
        attributes.push((resolved(space, local.as_ref())?, value.into_owned()));
    }
    Ok(Element { name, attributes, children: Vec::new(), text: String::new() })
}

fn resolved(space: ResolveResult<'_>, local: &str) -> Result<Name, Fault> {
    match space {
        ResolveResult::Bound(space) => Ok(Name::new(space.as_ref(), local)),
        ResolveResult::Unbound => Ok(Name::new("", local)),
        ResolveResult::Unknown(prefix) => Err(fault(format!("the prefix `{prefix}` is not declared"))),
    }
}
