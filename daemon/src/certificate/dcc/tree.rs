//! An XML element as a value, and its bytes.
//!
//! Owns nesting and escaping. Must not know what a certificate is. Empty text is never written: the schema forbids it.

use quick_xml::Writer;
use quick_xml::events::{BytesDecl, BytesEnd, BytesStart, BytesText, Event};
use std::io;

/// An element with attributes, and children or text.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Element {
    name: &'static str,
    attributes: Vec<(&'static str, String)>,
    children: Vec<Element>,
    text: Option<String>,
}

/// An element without anything in it yet.
pub(super) fn element(name: &'static str) -> Element {
    Element { name, attributes: Vec::new(), children: Vec::new(), text: None }
}

/// An element that holds text. Runs of white space become one space, and characters that XML can't hold are replaced.
pub(super) fn text(name: &'static str, text: impl AsRef<str>) -> Element {
    let words: Vec<&str> = text.as_ref().split_whitespace().collect();
    let text = words.join(" ").chars().map(|c| if allowed(c) { c } else { '\u{FFFD}' }).collect();
    Element { text: Some(text), ..element(name) }
}

/// What XML 1.0 can hold (production 2, Char), the white space already gone.
fn allowed(c: char) -> bool {
    matches!(c, ' '..='\u{D7FF}' | '\u{E000}'..='\u{FFFD}' | '\u{10000}'..='\u{10FFFF}')
}

impl Element {
    /// The same with an attribute.
    pub(super) fn with(mut self, name: &'static str, value: impl Into<String>) -> Self {
        self.attributes.push((name, value.into()));
        self
    }

    /// The same with one more child, unless that is empty.
    pub(super) fn holding(mut self, child: Element) -> Self {
        let empty = child.children.is_empty() && child.text.as_ref().is_none_or(String::is_empty);
        if !empty {
            self.children.push(child);
        }
        self
    }

    /// The same with more children.
    pub(super) fn holding_all(self, children: impl IntoIterator<Item = Element>) -> Self {
        children.into_iter().fold(self, Self::holding)
    }

    /// A document in UTF-8 of which this is the root.
    ///
    /// # Errors
    /// None that memory can give.
    pub(super) fn document(&self) -> io::Result<Vec<u8>> {
        let mut writer = Writer::new_with_indent(Vec::new(), b' ', 2);
        writer.write_event(Event::Decl(BytesDecl::new("1.0", Some("UTF-8"), None)))?;
        self.write(&mut writer)?;
        let mut bytes = writer.into_inner();
        bytes.push(b'\n');
        Ok(bytes)
    }

    fn write(&self, writer: &mut Writer<Vec<u8>>) -> io::Result<()> {
        let attributes = self.attributes.iter().map(|(name, value)| (*name, value.as_str()));
        writer.write_event(Event::Start(BytesStart::new(self.name).with_attributes(attributes)))?;
        if let Some(text) = &self.text {
            writer.write_event(Event::Text(BytesText::new(text)))?;
        }
        for child in &self.children {
            child.write(writer)?;
        }
        writer.write_event(Event::End(BytesEnd::new(self.name)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_is_escaped_and_comes_back() {
        let root = element("a").with("k", "x<\"&").holding(text("b", " 1 < 2 &\n\u{1}  Ω "));
        let bytes = root.document().unwrap();
        let document = String::from_utf8(bytes).unwrap();
        let read = roxmltree::Document::parse(&document).unwrap();
        let a = read.root_element();
        assert_eq!(a.attribute("k"), Some("x<\"&"));
        assert_eq!(a.first_element_child().unwrap().text(), Some("1 < 2 & \u{FFFD} Ω"));
    }

    #[test]
    fn nothing_empty_is_written() {
        let root = element("a").holding(text("b", "  ")).holding(element("c")).holding(text("d", "1"));
        let document = String::from_utf8(root.document().unwrap()).unwrap();
        assert!(!document.contains("<b>") && !document.contains("<c>") && document.contains("<d>1</d>"));
    }
}
