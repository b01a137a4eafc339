//! Matches received bytes with an expected answer. Pure.
//!
//! An incomplete answer ([`State::More`]) and an invalid one ([`State::Malformed`]) are different results.
//!
//! Invariants:
//! - Bytes are consumed only with a complete answer.
//! - Numbers of values and lengths of blocks are compared with the expected ones before memory is allocated.

use super::context::{Context, Piece};
use super::encode::tag_number;
use super::field::{Coding, Field, Order};
use super::malformed::{Malformed, malformed, shown};
use super::template::Template;
use super::values::{Value, Values};

/// Longest accepted text field or line [bytes].
pub const MAX_TEXT: usize = 2048;
/// Longest text of one value of a frame [bytes].
const MAX_NUMBER: usize = 32;

/// An expected answer.
#[derive(Clone, Debug, Default)]
pub struct Expected<'a> {
    /// Bytes that come first: the echo of the message.
    pub echo: &'a [u8],
    /// The answer; `None` where only echo and prompt are expected.
    pub template: Option<&'a Template>,
    /// The end of a line of text; empty in binary answers.
    pub end: &'a [u8],
    /// Bytes that come last.
    pub prompt: &'a [u8],
    /// Whether the answer is a packet's body, which must be consumed entirely.
    pub whole: bool,
}

/// How far the bytes are an answer.
#[derive(Clone, Debug, PartialEq)]
pub enum State {
    /// Incomplete: not before this number of bytes is it complete.
    More(usize),
    /// Complete, with the number of bytes consumed.
    Done(usize),
    /// Not the expected answer.
    Malformed(Malformed),
}

/// The result of matching.
#[derive(Clone, Debug, PartialEq)]
pub struct Parsed {
    /// How far the bytes are an answer.
    pub state: State,
    /// The values matched so far.
    pub values: Values,
    /// Whether everything before the counts of a frame was matched, with the announced length.
    pub begun: bool,
}

impl Parsed {
    /// An incomplete answer of which nothing is known.
    pub fn more(need: usize) -> Self {
        Self { state: State::More(need), values: Values::default(), begun: true }
    }

    /// Bytes that are not the answer.
    pub fn malformed(error: Malformed) -> Self {
        Self { state: State::Malformed(error), values: Values::default(), begun: false }
    }
}

/// Matches bytes with an expected answer.
pub fn answer(expected: &Expected, context: &Context, bytes: &[u8]) -> Parsed {
    let mut matcher =
        Matcher { expected, context, bytes, at: 0, values: Values::default(), begun: false, in_echo: false };
    let state = match matcher.run() {
        Ok(()) => State::Done(matcher.at),
        Err(Stop::More(need)) => State::More(need.max(bytes.len() + 1)),
        Err(Stop::Malformed(malformed)) => State::Malformed(malformed),
    };
    Parsed { state, values: matcher.values, begun: matcher.begun }
}

/// Why matching ended early.
enum Stop {
    More(usize),
    Malformed(Malformed),
}

impl From<Malformed> for Stop {
    fn from(malformed: Malformed) -> Self {
        Self::Malformed(malformed)
    }
}

fn stop<T>(expected: impl Into<String>, found: impl Into<String>) -> Result<T, Stop> {
    malformed(expected, found).map_err(Stop::Malformed)
}

struct Matcher<'a> {
    expected: &'a Expected<'a>,
    context: &'a Context<'a>,
    bytes: &'a [u8],
    at: usize,
    values: Values,
    begun: bool,
    in_echo: bool,
}

impl<'a> Matcher<'a> {
    fn run(&mut self) -> Result<(), Stop> {
        self.in_echo = true;
        self.literal(self.expected.echo)?;
        self.in_echo = false;
        if let Some(template) = self.expected.template {
            let pieces = self.context.pieces(&template.parts, true);
            for (i, piece) in pieces.iter().enumerate() {
                match piece {
                    Piece::Literal(bytes) => self.literal(bytes)?,
                    Piece::Peek(bytes) => {
                        let at = self.at;
                        self.literal(bytes)?;
                        self.at = at;
                    }
                    Piece::Field(field) if field.name == "counts" => self.counts(field)?,
                    Piece::Field(field) => self.field(field, pieces.get(i + 1))?,
                }
            }
            self.end()?;
        }
        self.literal(self.expected.prompt)?;
        if self.expected.whole && self.at < self.bytes.len() {
            let beyond = &self.bytes[self.at..];
            return stop("the end of the answer", format!("{} more bytes: {}", beyond.len(), shown(beyond)));
        }
        Ok(())
    }

    /// More bytes may come, unless the bytes are a whole packet.
    fn more<T>(&self, need: usize) -> Result<T, Stop> {
        if self.expected.whole {
            return stop(format!("at least {need} bytes"), format!("{}: {}", self.bytes.len(), shown(self.bytes)));
        }
        Err(Stop::More(need))
    }

    fn rest(&self) -> &'a [u8] {
        &self.bytes[self.at..]
    }

    fn take(&mut self, count: usize) -> Result<&'a [u8], Stop> {
        match self.bytes.get(self.at..self.at + count) {
            Some(taken) => {
                self.at += count;
                Ok(taken)
            }
            None => self.more(self.at + count),
        }
    }

    fn literal(&mut self, bytes: &[u8]) -> Result<(), Stop> {
        let rest = self.rest();
        let common = rest.len().min(bytes.len());
        if rest[..common] != bytes[..common] {
            let what = if self.in_echo { "the echo " } else { "" };
            return stop(format!("{what}{}", shown(bytes)), shown(rest));
        }
        if common < bytes.len() {
            return self.more(self.at + bytes.len());
        }
        self.at += bytes.len();
        Ok(())
    }

    /// The end of a line: a line feed may follow a carriage return.
    fn end(&mut self) -> Result<(), Stop> {
        let end = self.expected.end;
        let rest = self.rest();
        if end != b"\n" {
            return self.literal(end);
        }
        let after = rest.strip_prefix(b"\r").unwrap_or(rest);
        match after.first() {
            None => self.more(self.bytes.len() + 1),
            Some(b'\n') => {
                self.at += rest.len() - after.len() + 1;
                Ok(())
            }
            Some(_) => stop("the end of the message", shown(rest)),
        }
    }

    /// The text up to the next fixed text, the end of the line or the end of the packet.
    fn delimited(&mut self, next: Option<&Piece>) -> Result<&'a str, Stop> {
        let rest = self.rest();
        let delimiter: &[u8] = match next {
            Some(Piece::Literal(bytes)) => bytes,
            _ => self.expected.end,
        };
        let line_end = self.expected.end.last().and_then(|last| rest.iter().position(|b| b == last));
        let within = &rest[..line_end.map_or(rest.len(), |at| at + 1)];
        let found = match delimiter {
            [] if self.expected.whole => Some(rest.len()),
            [] => None,
            [single] => within.iter().position(|b| b == single),
            _ => rest.windows(delimiter.len()).position(|window| window == delimiter).filter(|at| *at < within.len()),
        };
        let begun = |n: usize| rest.len() < within.len() + n && rest.ends_with(&delimiter[..n]);
        if found.is_none() && (1..delimiter.len()).any(begun) {
            // The fixed text behind the field has begun.
            return self.more(self.bytes.len() + 1);
        }
        let length = found.unwrap_or(within.len());
        if length > MAX_TEXT {
            return stop(format!("at most {MAX_TEXT} bytes of text"), shown(rest));
        }
        // The last byte may be the CR of an incomplete CR LF.
        let value = &rest[..length];
        let value = value.strip_suffix(b"\r").unwrap_or(value);
        let text = match std::str::from_utf8(value) {
            Ok(text) if value.iter().all(|b| (b' '..=b'~').contains(b)) => text,
            _ if found.is_none() && line_end.is_some() => {
                return stop(format!("{} after it in the line", shown(delimiter)), shown(within));
            }
            _ => return stop("printable text", shown(value)),
        };
        match (found, line_end) {
            (Some(_), _) => {
                self.at += length;
                Ok(text.trim_ascii())
            }
            (None, Some(_)) => stop(format!("{} in the line", shown(delimiter)), shown(within)),
            (None, None) => self.more(self.bytes.len() + 1),
        }
    }

    fn field(&mut self, field: &Field, next: Option<&Piece>) -> Result<(), Stop> {
        let name = &field.name;
        let value = match field.coding {
            Coding::Skip(Some(count)) => {
                self.take(count)?;
                return Ok(());
            }
            Coding::Skip(None) => {
                self.delimited(next)?;
                return Ok(());
            }
            Coding::Text(Some(length)) => {
                let bytes = self.take(length)?;
                if !bytes.iter().all(|b| (b' '..=b'~').contains(b) || *b == 0) {
                    return stop(format!("{name} as text of {length} characters"), shown(bytes));
                }
                let text = String::from_utf8_lossy(bytes);
                Value::Text(text.trim_matches(|c: char| c == '\0' || c.is_ascii_whitespace()).to_owned())
            }
            Coding::Text(None) => Value::Text(self.delimited(next)?.to_owned()),
            Coding::Word => {
                let found = self.delimited(next)?;
                match self.context.words.state(name, found) {
                    Some(state) => Value::Text(state.to_owned()),
                    None => return stop(self.context.words.expected(name), format!("`{found}`")),
                }
            }
            Coding::List => {
                let found = self.delimited(next)?;
                let none = self.context.words.state(name, found).is_some();
                if none { Value::Absent } else { Value::Text(found.to_owned()) }
            }
            _ => self.number(field, next)?,
        };
        self.values.insert(name, value)?;
        Ok(())
    }

    fn number(&mut self, field: &Field, next: Option<&Piece>) -> Result<Value, Stop> {
        let name = &field.name;
        let raw = match field.coding {
            Coding::Decimal(None) => whole(self.delimited(next)?)?,
            Coding::Real => real(self.delimited(next)?)?,
            Coding::Hex(None) => hexadecimal(self.delimited(next)?.as_bytes())?,
            coding => binary(coding, self.take(coding.width().unwrap_or(1))?)?,
        };
        if name == "tag" {
            let sent = tag_number(field.coding, self.context.tag);
            return if raw == sent { Ok(Value::Number(raw)) } else { stop(format!("tag {sent}"), raw.to_string()) };
        }
        if let Some(state) = self.context.words.state_of_number(name, raw) {
            return Ok(Value::Text(state.to_owned()));
        }
        let named = |spelling: &super::words::Spelling| matches!(spelling, super::words::Spelling::Number(_));
        if self.context.words.of(name).is_some_and(|states| states.iter().any(|(_, s)| named(s))) {
            return stop(self.context.words.expected(name), raw.to_string());
        }
        Ok(field.value(raw).map_or(Value::Absent, Value::Number))
    }

    fn counts(&mut self, field: &Field) -> Result<(), Stop> {
        let count = self.context.count(field);
        let start;
        let (values, end) = match field.coding {
            Coding::Block => {
                let element = self.context.element(field);
                let length = count * element.width().unwrap_or(2);
                self.block_head(length)?;
                self.begun = true;
                start = self.at;
                (decoded(element, self.take(length)?)?, self.at)
            }
            Coding::Decimal(digits) | Coding::Hex(digits) => {
                self.begun = true;
                start = self.at;
                (self.listed(count, digits, matches!(field.coding, Coding::Hex(_)))?, self.at)
            }
            coding => {
                self.begun = true;
                start = self.at;
                (decoded(coding, self.take(count * coding.width().unwrap_or(2))?)?, self.at)
            }
        };
        let payload = &self.bytes[start..end];
        for (name, found) in [("length", payload.len()), ("values", values.len())] {
            if let Some(announced) = self.values.number(name)
                && announced != found as f64
            {
                return stop(format!("{name} {found}"), announced.to_string());
            }
        }
        self.values.counts.values.extend(values);
        self.values.counts.payload.extend_from_slice(payload);
        Ok(())
    }

    /// The head of an IEEE 488.2 definite-length block of exactly `length` bytes: `#`, one digit d that is not 0, d digits of length.
    fn block_head(&mut self, length: usize) -> Result<(), Stop> {
        let rest = self.rest();
        let want = || format!("a block of {length} bytes");
        match rest {
            [] | [b'#'] => return self.more(self.at + 2),
            [b'#', b'1'..=b'9', ..] => {}
            _ => return stop(want(), shown(rest)),
        }
        let digits = usize::from(rest[1] - b'0');
        let announced = &rest[2..rest.len().min(2 + digits)];
        if !announced.iter().all(u8::is_ascii_digit) {
            return stop(want(), shown(rest));
        }
        if announced.len() < digits {
            return self.more(self.at + 2 + digits);
        }
        // At most nine digits, so this does not overflow.
        let announced = announced.iter().fold(0_usize, |sum, b| sum * 10 + usize::from(b - b'0'));
        if announced != length {
            return stop(want(), format!("one of {announced} bytes"));
        }
        self.at += 2 + digits;
        Ok(())
    }

    /// Numbers as text, separated by blanks, line ends or commas; fixed digits need no separator.
    fn listed(&mut self, count: usize, digits: Option<usize>, hex: bool) -> Result<Vec<u32>, Stop> {
        let separates = |b: &u8| b.is_ascii_whitespace() || *b == b',';
        let mut values = Vec::with_capacity(count.min(self.bytes.len()));
        while values.len() < count {
            let rest = self.rest();
            let blanks = rest.iter().take_while(|b| separates(b)).count();
            if blanks > MAX_NUMBER {
                return stop("a number", shown(rest));
            }
            let rest = &rest[blanks..];
            let length = match digits {
                Some(digits) if rest.len() < digits => return self.more(self.at + blanks + digits),
                Some(digits) => digits,
                None => match rest.iter().take(MAX_NUMBER).position(|b| !b.is_ascii_alphanumeric() && *b != b'+') {
                    Some(0) => return stop("a number", shown(rest)),
                    Some(length) => length,
                    None if rest.len() >= MAX_NUMBER => return stop("a number", shown(rest)),
                    None => return self.more(self.bytes.len() + 1),
                },
            };
            let text = &rest[..length];
            let number = if hex { hexadecimal(text)? } else { whole(std::str::from_utf8(text).unwrap_or_default())? };
            values.push(count_of(number)?);
            self.at += blanks + length;
        }
        Ok(values)
    }
}

fn count_of(number: f64) -> Result<u32, Malformed> {
    if number >= 0.0 && number <= f64::from(u32::MAX) && number.fract() == 0.0 {
        return Ok(number as u32);
    }
    malformed("counts from 0 to 4294967295", number.to_string())
}

/// Values of a fixed width.
fn decoded(element: Coding, bytes: &[u8]) -> Result<Vec<u32>, Malformed> {
    match element {
        Coding::Integer { bytes: 2, signed: false, order: Order::Big } => {
            Ok(bytes.as_chunks().0.iter().map(|b| u32::from(u16::from_be_bytes(*b))).collect())
        }
        Coding::Integer { bytes: 2, signed: false, order: Order::Little } => {
            Ok(bytes.as_chunks().0.iter().map(|b| u32::from(u16::from_le_bytes(*b))).collect())
        }
        Coding::Integer { bytes: 4, signed: false, order: Order::Big } => {
            Ok(bytes.as_chunks().0.iter().map(|b| u32::from_be_bytes(*b)).collect())
        }
        _ => bytes
            .chunks_exact(element.width().unwrap_or(1).max(1))
            .map(|chunk| binary(element, chunk).and_then(count_of))
            .collect(),
    }
}

/// A number of a fixed width.
fn binary(coding: Coding, bytes: &[u8]) -> Result<f64, Malformed> {
    let unsigned = |order: Order| -> u32 {
        let join = |bytes: &mut dyn Iterator<Item = &u8>| bytes.fold(0_u32, |n, b| n << 8 | u32::from(*b));
        match order {
            Order::Big => join(&mut bytes.iter()),
            Order::Little => join(&mut bytes.iter().rev()),
            Order::WordsSwapped => join(&mut bytes.rchunks(2).flatten()),
        }
    };
    match coding {
        Coding::Integer { bytes, signed: true, order } => {
            let shift = 32 - 8 * bytes.min(4) as u32;
            Ok(f64::from((unsigned(order) << shift) as i32 >> shift))
        }
        Coding::Integer { order, .. } => Ok(f64::from(unsigned(order))),
        Coding::Float(order) => match f64::from(f32::from_bits(unsigned(order))) {
            number if number.is_finite() => Ok(number),
            number => malformed("a finite number", number.to_string()),
        },
        Coding::Bcd { order, bytes: count } => {
            let packed = unsigned(order);
            (0..2 * count as u32).rev().try_fold(0.0, |number, digit| match packed >> (4 * digit) & 0xf {
                digit @ 0..=9 => Ok(number * 10.0 + f64::from(digit)),
                _ => malformed("binary-coded decimal digits", shown(bytes)),
            })
        }
        Coding::Decimal(_) => whole(std::str::from_utf8(bytes).unwrap_or_default()),
        Coding::Hex(_) => hexadecimal(bytes),
        other => malformed("a number", format!("{other:?}")),
    }
}

/// Parses a finite number (NR1, NR2 or NR3).
pub fn real(field: &str) -> Result<f64, Malformed> {
    let plain = field.bytes().all(|b| matches!(b, b'0'..=b'9' | b'+' | b'-' | b'.' | b'e' | b'E'));
    match field.parse::<f64>() {
        Ok(x) if plain && x.is_finite() => Ok(x),
        _ => malformed("a number", format!("`{field}`")),
    }
}

fn whole(field: &str) -> Result<f64, Malformed> {
    match field.parse::<i64>() {
        Ok(number) if field.len() <= 15 => Ok(number as f64),
        _ => malformed("a whole number", format!("`{field}`")),
    }
}

fn hexadecimal(field: &[u8]) -> Result<f64, Malformed> {
    let text = std::str::from_utf8(field).unwrap_or_default();
    match u32::from_str_radix(text, 16) {
        Ok(number) if field.iter().all(u8::is_ascii_hexdigit) => Ok(f64::from(number)),
        _ => malformed("a hexadecimal number", shown(field)),
    }
}

#[cfg(test)]
mod tests;
