//! Templates of messages: fixed bytes, fields, and parts that depend on a condition. Pure.
//!
//! A *text template* is text with fields in braces (`{{` and `}}` stand for braces). A *byte template* is a list of hexadecimal bytes,
//! quoted ASCII text and fields, separated by blanks. `{if shutter} … {end}` is used where the instrument has a shutter,
//! `{if identity} … {end}` where the identity is to be checked. `{peek …}` in an expected byte template names bytes that must
//! follow, but belong to the next message.

use super::field::Field;

/// Largest length of the fixed bytes of a template [bytes].
const MAX_LITERAL: usize = 4096;

/// When a part of a message or a step is used.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Condition {
    /// The instrument has a shutter.
    Shutter,
    /// The identity is to be checked with this message.
    Identity,
}

impl Condition {
    /// The condition with a name.
    pub fn named(name: &str) -> Option<Self> {
        match name {
            "shutter" => Some(Self::Shutter),
            "identity" => Some(Self::Identity),
            _ => None,
        }
    }
}

/// A part of a template.
#[derive(Clone, Debug, PartialEq)]
pub enum Part {
    /// Fixed bytes.
    Literal(Vec<u8>),
    /// A field.
    Field(Field),
    /// Parts that are used under a condition.
    If(Condition, Vec<Part>),
    /// Fixed bytes that follow and are not consumed.
    Peek(Vec<u8>),
}

/// A template.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct Template {
    /// Its parts in order.
    pub parts: Vec<Part>,
    /// Whether it was written as bytes; otherwise as text, with line ends added by the line rules.
    pub binary: bool,
    /// The template as written, for messages.
    pub source: String,
}

impl Template {
    /// Parses a text template.
    pub fn text(text: &str) -> Result<Self, String> {
        let mut builder = Builder::default();
        let mut rest = text;
        while let Some(at) = rest.find(['{', '}']) {
            builder.literal(&rest.as_bytes()[..at])?;
            let brace = &rest[at..];
            if let Some(after) = brace.strip_prefix("{{").or_else(|| brace.strip_prefix("}}")) {
                builder.literal(&brace.as_bytes()[..1])?;
                rest = after;
                continue;
            }
            let inner = brace.strip_prefix('{').and_then(|inner| inner.split_once('}'));
            let (inner, after) =
                inner.ok_or("expected `{name}`, or `{{` and `}}` for braces, but found a single brace")?;
            builder.braces(inner)?;
            rest = after;
        }
        builder.literal(rest.as_bytes())?;
        Ok(Self { parts: builder.finish()?, binary: false, source: text.to_owned() })
    }

    /// Parses a byte template.
    pub fn bytes(text: &str) -> Result<Self, String> {
        let mut builder = Builder::default();
        let mut rest = text.trim_ascii_start();
        while !rest.is_empty() {
            let after = if let Some(inner) = rest.strip_prefix('{') {
                let (inner, after) = inner.split_once('}').ok_or("expected `}` after a field, but found none")?;
                builder.braces(inner)?;
                after
            } else if let Some(inner) = rest.strip_prefix('\'') {
                let (inner, after) = inner.split_once('\'').ok_or("expected `'` after text, but found none")?;
                if !inner.is_ascii() {
                    return Err(format!("expected ASCII text, but found `{inner}`"));
                }
                builder.literal(inner.as_bytes())?;
                after
            } else {
                let end = rest.find(|c: char| c.is_ascii_whitespace() || c == '{' || c == '\'').unwrap_or(rest.len());
                builder.literal(&hex(&rest[..end])?)?;
                &rest[end..]
            };
            rest = after.trim_ascii_start();
        }
        Ok(Self { parts: builder.finish()?, binary: true, source: text.to_owned() })
    }

    /// All fields, also those under a condition.
    pub fn fields(&self) -> Vec<&Field> {
        fn collect<'a>(parts: &'a [Part], into: &mut Vec<&'a Field>) {
            for part in parts {
                match part {
                    Part::Field(field) => into.push(field),
                    Part::If(_, inner) => collect(inner, into),
                    Part::Literal(_) | Part::Peek(_) => {}
                }
            }
        }
        let mut fields = Vec::new();
        collect(&self.parts, &mut fields);
        fields
    }

    /// The length of a message of fixed length, with `values` values in a frame [bytes].
    pub fn fixed_length(&self, values: usize) -> Option<usize> {
        let mut length = 0;
        for part in &self.parts {
            length += match part {
                Part::Literal(bytes) => bytes.len(),
                Part::Peek(_) => 0,
                Part::If(..) => return None,
                Part::Field(field) if field.name == "counts" => field.coding.width()? * field.count.unwrap_or(values),
                Part::Field(field) => field.coding.width()?,
            };
        }
        Some(length)
    }

    /// The first byte of a message that begins with fixed bytes.
    pub fn first_byte(&self) -> Option<u8> {
        match self.parts.first() {
            Some(Part::Literal(bytes)) => bytes.first().copied(),
            _ => None,
        }
    }

    /// Whether a field with this name occurs.
    pub fn has(&self, name: &str) -> bool {
        self.fields().iter().any(|field| field.name == name)
    }
}

/// Hexadecimal bytes, `A5` or `A55A`.
pub fn hex(text: &str) -> Result<Vec<u8>, String> {
    let error = || format!("expected hexadecimal bytes such as `A5`, quoted text or a field, but found `{text}`");
    if text.is_empty() || !text.len().is_multiple_of(2) || !text.bytes().all(|b| b.is_ascii_hexdigit()) {
        return Err(error());
    }
    (0..text.len()).step_by(2).map(|at| u8::from_str_radix(&text[at..at + 2], 16).map_err(|_| error())).collect()
}

/// Collects parts, with at most one open condition.
#[derive(Default)]
struct Builder {
    parts: Vec<Part>,
    open: Option<(Condition, Vec<Part>)>,
}

impl Builder {
    fn push(&mut self, part: Part) {
        self.open.as_mut().map_or(&mut self.parts, |(_, inner)| inner).push(part);
    }

    fn literal(&mut self, bytes: &[u8]) -> Result<(), String> {
        if bytes.len() > MAX_LITERAL {
            return Err(format!("expected at most {MAX_LITERAL} fixed bytes, but found {}", bytes.len()));
        }
        let parts = self.open.as_mut().map_or(&mut self.parts, |(_, inner)| inner);
        match parts.last_mut() {
            _ if bytes.is_empty() => {}
            Some(Part::Literal(before)) => before.extend_from_slice(bytes),
            _ => parts.push(Part::Literal(bytes.to_vec())),
        }
        Ok(())
    }

    fn braces(&mut self, inner: &str) -> Result<(), String> {
        if let Some(name) = inner.strip_prefix("if ") {
            if self.open.is_some() {
                return Err("expected `{end}` before another `{if …}`, but found none".into());
            }
            let condition = Condition::named(name.trim());
            let error = || format!("expected `{{if shutter}}` or `{{if identity}}`, but found `{{{inner}}}`");
            self.open = Some((condition.ok_or_else(error)?, Vec::new()));
        } else if inner == "end" {
            let (condition, parts) = self.open.take().ok_or("expected `{if …}` before `{end}`, but found none")?;
            self.parts.push(Part::If(condition, parts));
        } else if let Some(bytes) = inner.strip_prefix("peek ") {
            let bytes: Result<Vec<Vec<u8>>, String> = bytes.split_ascii_whitespace().map(hex).collect();
            self.push(Part::Peek(bytes?.concat()));
        } else {
            self.push(Part::Field(Field::parse(inner)?));
        }
        Ok(())
    }

    fn finish(self) -> Result<Vec<Part>, String> {
        match self.open {
            Some(_) => Err("expected `{end}` after `{if …}`, but found none".into()),
            None => Ok(self.parts),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_text_template_has_literals_fields_and_conditions() {
        let template = Template::text("SET {{{integration:real}}}{if shutter};SH {shutter}{end}\r").unwrap();
        let names: Vec<&str> = template.fields().iter().map(|f| f.name.as_str()).collect();
        assert_eq!(names, ["integration", "shutter"]);
        assert_eq!(template.parts[0], Part::Literal(b"SET {".to_vec()));
        assert!(matches!(&template.parts[3], Part::If(Condition::Shutter, inner) if inner.len() == 2));
        assert_eq!(template.parts[4], Part::Literal(b"\r".to_vec()));
    }

    #[test]
    fn a_byte_template_has_hexadecimal_bytes_quoted_text_and_fields() {
        let template = Template::bytes("A5 0D0A 'SN'{serial:text6} FF {peek FF 9A}").unwrap();
        assert_eq!(template.parts[0], Part::Literal(vec![0xa5, 0x0d, 0x0a, b'S', b'N']));
        assert_eq!(template.parts[2..], [Part::Literal(vec![0xff]), Part::Peek(vec![0xff, 0x9a])]);
    }

    #[test]
    fn a_wrong_template_says_what_was_expected() {
        for text in
            ["{", "}", "a{b", "{if shutter}x", "x{end}", "{if sun}x{end}", "{if shutter}{if shutter}x{end}{end}"]
        {
            assert!(Template::text(text).unwrap_err().contains("expected"), "{text}");
        }
        for text in ["A", "XY", "'abc", "A5 {u", "'é'", "{peek Z}"] {
            assert!(Template::bytes(text).unwrap_err().contains("expected"), "{text}");
        }
    }

    proptest! {
        #[test]
        fn any_text_is_a_template_or_is_refused(text in "[{}a-z:0-9='A-F \u{e9}]{0,60}") {
            let _ = Template::text(&text);
            let _ = Template::bytes(&text);
        }
    }
}
