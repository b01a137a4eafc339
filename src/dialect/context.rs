//! What a template is rendered or matched with. Pure.

use super::field::{Coding, Field, Order};
use super::tag::Probes;
use super::template::{Condition, Part};
use super::values::Values;
use super::words::Words;

/// The state with which a message is composed and its answer is parsed.
#[derive(Clone, Copy)]
pub struct Context<'a> {
    /// The words of the instrument.
    pub words: &'a Words,
    /// The probes, where tags are probes.
    pub probes: Option<&'a Probes>,
    /// Number of the message.
    pub tag: u32,
    /// Number of the attempt to resynchronise.
    pub attempt: usize,
    /// Values to be sent, and values known from earlier steps.
    pub values: &'a Values,
    /// Whether the instrument has a shutter.
    pub shutter: bool,
    /// Whether the identity is to be checked.
    pub identity: bool,
    /// Number of values of a frame that have not arrived yet.
    pub frame_values: usize,
}

/// A part of a template with conditions decided and tags filled in.
#[derive(Clone, Debug, PartialEq)]
pub enum Piece<'a> {
    /// Fixed bytes.
    Literal(Vec<u8>),
    /// A field.
    Field(&'a Field),
    /// Bytes that follow and are not consumed.
    Peek(&'a [u8]),
}

impl<'a> Context<'a> {
    /// Whether a condition holds.
    pub fn holds(&self, condition: Condition) -> bool {
        match condition {
            Condition::Shutter => self.shutter,
            Condition::Identity => self.identity,
        }
    }

    /// The pieces of a message to be sent (`answer` false) or of an expected answer.
    pub fn pieces<'t>(&self, parts: &'t [Part], answer: bool) -> Vec<Piece<'t>> {
        let mut pieces = Vec::new();
        self.flatten(parts, answer, &mut pieces);
        pieces
    }

    fn flatten<'t>(&self, parts: &'t [Part], answer: bool, into: &mut Vec<Piece<'t>>) {
        for part in parts {
            match part {
                Part::Literal(bytes) => literal(bytes, into),
                Part::Field(Field { coding: Coding::Probes { unique }, .. }) => {
                    literal(self.tag_text(*unique, answer).as_bytes(), into);
                }
                Part::Field(field) => into.push(Piece::Field(field)),
                Part::Peek(bytes) => into.push(Piece::Peek(bytes)),
                Part::If(condition, inner) if self.holds(*condition) => self.flatten(inner, answer, into),
                Part::If(..) => {}
            }
        }
    }

    fn tag_text(&self, unique: bool, answer: bool) -> String {
        let Some(probes) = self.probes else { return String::new() };
        match (unique, answer) {
            (false, false) => probes.sent(self.tag),
            (false, true) => probes.answer(self.tag),
            (true, false) => probes.unique_sent(self.attempt),
            (true, true) => probes.unique_answer(self.attempt),
        }
    }

    /// The form of each value of a block: as stated, or by the value of `format`.
    pub fn element(&self, field: &Field) -> Coding {
        let bytes = if self.values.text("format") == "u32" { 4 } else { 2 };
        field.element.unwrap_or(Coding::Integer { bytes, signed: false, order: Order::Big })
    }

    /// Number of values in a counts field.
    pub fn count(&self, field: &Field) -> usize {
        field.count.unwrap_or(self.frame_values)
    }
}

/// Adjacent fixed bytes form one piece, because the end of a text field is found by them.
fn literal(bytes: &[u8], into: &mut Vec<Piece<'_>>) {
    match into.last_mut() {
        Some(Piece::Literal(before)) => before.extend_from_slice(bytes),
        _ if bytes.is_empty() => {}
        _ => into.push(Piece::Literal(bytes.to_vec())),
    }
}
