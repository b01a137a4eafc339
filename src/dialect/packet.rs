//! Packets: start, length, body, checksum, end, and byte stuffing between start and end. Pure.
//!
//! Invariant: the announced length is compared with the largest body before anything is taken as a body; a body is returned only if
//! its checksum agrees.

use super::checksum::Checksum;
use super::encode::tag_number;
use super::field::{Coding, Field, Order};
use super::malformed::{Malformed, malformed, shown};

/// A part of a packet between its start and its end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    /// The length.
    Length(Coding),
    /// The tag of the message.
    Tag(Coding),
    /// The body.
    Body,
    /// The checksum.
    Checksum(Coding),
}

impl Part {
    /// The name in `length_counts` and `checksum_over`.
    pub fn name(&self) -> &'static str {
        match self {
            Self::Length(_) => "length",
            Self::Tag(_) => "tag",
            Self::Body => "body",
            Self::Checksum(_) => "checksum",
        }
    }

    fn coding(&self) -> Option<Coding> {
        match self {
            Self::Length(coding) | Self::Tag(coding) | Self::Checksum(coding) => Some(*coding),
            Self::Body => None,
        }
    }
}

/// Replacement of bytes that may not occur within a packet, by an escape byte and a code.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stuffing {
    /// The escape byte.
    pub escape: u8,
    /// Byte and the code that follows the escape byte in its place.
    pub codes: Vec<(u8, u8)>,
}

/// The form of packets.
#[derive(Clone, Debug, PartialEq)]
pub struct PacketFormat {
    /// First bytes.
    pub start: Vec<u8>,
    /// Parts between start and end, in order; one of them is the body.
    pub parts: Vec<Part>,
    /// Last bytes.
    pub end: Vec<u8>,
    /// Parts that the length counts; `start` and `end` included.
    pub length_counts: Vec<String>,
    /// What the length counts beside them [bytes].
    pub length_add: i64,
    /// The checksum and the parts that it covers.
    pub checksum: Option<(Checksum, Vec<String>)>,
    /// Byte stuffing.
    pub stuffing: Option<Stuffing>,
    /// Largest body [bytes].
    pub max_body: usize,
    /// Byte by which the instrument confirms a packet, before its answer.
    pub ack: Option<u8>,
    /// Byte by which the instrument refuses a packet.
    pub nak: Option<u8>,
}

/// How far bytes are a packet.
#[derive(Clone, Debug, PartialEq)]
pub enum Unwrapped {
    /// Incomplete: not before this number of bytes is it complete.
    More(usize),
    /// A packet.
    Done {
        /// Its body.
        body: Vec<u8>,
        /// Number of bytes consumed.
        used: usize,
    },
    /// Not a packet.
    Malformed(Malformed),
}

fn number_field(coding: Coding) -> Field {
    Field {
        name: String::new(),
        coding,
        scale: 1.0,
        offset: 0.0,
        none: None,
        none_from: None,
        count: None,
        element: None,
    }
}

fn encoded(coding: Coding, number: u64) -> Vec<u8> {
    match coding {
        Coding::Integer { bytes, order, .. } => {
            let little = number.to_le_bytes();
            let little = &little[..bytes.min(8)];
            match order {
                Order::Little => little.to_vec(),
                _ => little.iter().rev().copied().collect(),
            }
        }
        Coding::Hex(digits) => format!("{number:0width$X}", width = digits.unwrap_or(2)).into_bytes(),
        _ => format!("{number:0width$}", width = number_field(coding).coding.width().unwrap_or(1)).into_bytes(),
    }
}

fn decoded(coding: Coding, bytes: &[u8]) -> Option<u64> {
    let text = || std::str::from_utf8(bytes).ok();
    match coding {
        Coding::Integer { order: Order::Little, .. } => Some(bytes.iter().rev().fold(0, |n, b| n << 8 | u64::from(*b))),
        Coding::Integer { .. } => Some(bytes.iter().fold(0, |n, b| n << 8 | u64::from(*b))),
        Coding::Hex(_) => u64::from_str_radix(text()?, 16).ok(),
        _ => text()?.parse().ok(),
    }
}

impl PacketFormat {
    /// Bytes of a packet beside its body, without stuffing.
    pub fn overhead(&self) -> usize {
        let widths = self.parts.iter().filter_map(|part| part.coding()?.width());
        self.start.len() + self.end.len() + widths.sum::<usize>()
    }

    /// Whether an answer carries the tag of its message.
    pub fn has_tag(&self) -> bool {
        self.parts.iter().any(|part| matches!(part, Part::Tag(_)))
    }

    fn announced(&self, body: usize) -> i64 {
        let size = |name: &str| match name {
            "start" => self.start.len(),
            "end" => self.end.len(),
            "body" => body,
            _ => {
                let part = self.parts.iter().find(|part| part.name() == name);
                part.and_then(|part| part.coding()?.width()).unwrap_or(0)
            }
        };
        self.length_counts.iter().map(|name| size(name) as i64).sum::<i64>() + self.length_add
    }

    fn covered(&self, over: &[String], parts: &[(Part, Vec<u8>)]) -> Vec<u8> {
        let mut bytes = Vec::new();
        if over.iter().any(|name| name == "start") {
            bytes.extend(&self.start);
        }
        for (part, content) in parts.iter().filter(|(part, _)| over.iter().any(|name| name == part.name())) {
            debug_assert!(!matches!(part, Part::Checksum(_)));
            bytes.extend(content);
        }
        bytes
    }

    /// The packet with a body.
    pub fn wrap(&self, body: &[u8], tag: u32) -> Vec<u8> {
        let mut parts: Vec<(Part, Vec<u8>)> = Vec::new();
        for part in &self.parts {
            let content = match part {
                Part::Length(coding) => encoded(*coding, self.announced(body.len()).max(0) as u64),
                Part::Tag(coding) => encoded(*coding, tag_number(*coding, tag) as u64),
                Part::Body => body.to_vec(),
                Part::Checksum(_) => Vec::new(),
            };
            parts.push((*part, content));
        }
        if let Some((checksum, over)) = &self.checksum {
            let sum = checksum.of(&self.covered(over, &parts));
            for (part, content) in &mut parts {
                if let Part::Checksum(coding) = part {
                    *content = encoded(*coding, sum);
                }
            }
        }
        let inner: Vec<u8> = parts.into_iter().flat_map(|(_, content)| content).collect();
        let mut packet = self.start.clone();
        match &self.stuffing {
            None => packet.extend(inner),
            Some(stuffing) => inner.iter().for_each(|byte| match stuffing.codes.iter().find(|(raw, _)| raw == byte) {
                Some((_, code)) => packet.extend([stuffing.escape, *code]),
                None => packet.push(*byte),
            }),
        }
        packet.extend(&self.end);
        packet
    }

    /// The body of the packet at the beginning of `bytes`. `body_length` is the length of the body where the packet neither
    /// announces its length nor has an end.
    pub fn unwrap(&self, bytes: &[u8], tag: u32, body_length: Option<usize>) -> Unwrapped {
        match self.try_unwrap(bytes, tag, body_length) {
            Ok(unwrapped) => unwrapped,
            Err(error) => Unwrapped::Malformed(error),
        }
    }

    fn try_unwrap(&self, bytes: &[u8], tag: u32, body_length: Option<usize>) -> Result<Unwrapped, Malformed> {
        let common = bytes.len().min(self.start.len());
        if bytes[..common] != self.start[..common] {
            return malformed(format!("a packet that starts with {}", shown(&self.start)), shown(bytes));
        }
        if common < self.start.len() {
            return Ok(Unwrapped::More(self.overhead()));
        }
        let inner = Inner::of(self, &bytes[common..]);
        let mut at = 0;
        let mut length = if self.parts.iter().any(|part| matches!(part, Part::Length(_))) { None } else { body_length };
        let mut parts: Vec<(Part, Vec<u8>)> = Vec::new();
        for (i, part) in self.parts.iter().enumerate() {
            let width = match part.coding() {
                Some(coding) => coding.width().unwrap_or(1),
                None => match length.or_else(|| self.body_before_end(&inner, at, i)) {
                    Some(width) => width,
                    None => return inner.more_or(bytes.len() + 1, bytes, self.max_body + self.overhead()),
                },
            };
            let Some(content) = inner.bytes.get(at..at + width) else {
                return inner.more_or(common + at + width, bytes, self.max_body + self.overhead());
            };
            at += width;
            match part {
                Part::Length(coding) => length = Some(self.body_of(decoded(*coding, content), content)?),
                Part::Tag(coding) => {
                    let sent = tag_number(*coding, tag);
                    if decoded(*coding, content) != Some(sent as u64) {
                        return malformed(format!("a packet with tag {sent}"), shown(content));
                    }
                }
                Part::Body | Part::Checksum(_) => {}
            }
            parts.push((*part, content.to_vec()));
        }
        self.check(&parts)?;
        let used = common + inner.raw_length(at);
        let Some(end) = bytes.get(used..used + self.end.len()) else {
            return Ok(Unwrapped::More(used + self.end.len()));
        };
        if end != self.end {
            return malformed(format!("the end of a packet {}", shown(&self.end)), shown(end));
        }
        let body = parts.into_iter().find(|(part, _)| *part == Part::Body).map(|(_, body)| body).unwrap_or_default();
        Ok(Unwrapped::Done { body, used: used + self.end.len() })
    }

    /// The length of the body by the announced length.
    fn body_of(&self, announced: Option<u64>, content: &[u8]) -> Result<usize, Malformed> {
        let fixed = self.announced(0);
        let body = announced.and_then(|n| i64::try_from(n).ok()).map(|n| n - fixed);
        match body.and_then(|n| usize::try_from(n).ok()) {
            Some(body) if body <= self.max_body => Ok(body),
            _ => malformed(format!("a packet with a body of at most {} bytes", self.max_body), shown(content)),
        }
    }

    /// The length of a body that is ended by the end of the packet.
    fn body_before_end(&self, inner: &Inner, at: usize, part: usize) -> Option<usize> {
        let behind: usize = self.parts[part + 1..].iter().filter_map(|part| part.coding()?.width()).sum();
        inner.ended.then(|| inner.bytes.len().checked_sub(at + behind)).flatten()
    }

    fn check(&self, parts: &[(Part, Vec<u8>)]) -> Result<(), Malformed> {
        let Some((checksum, over)) = &self.checksum else { return Ok(()) };
        let found = parts.iter().find_map(|(part, content)| match part {
            Part::Checksum(coding) => Some((*coding, content)),
            _ => None,
        });
        let Some((coding, content)) = found else { return Ok(()) };
        let sum = checksum.of(&self.covered(over, parts));
        let expected = encoded(coding, sum);
        // Hexadecimal digits may be large or small.
        if decoded(coding, content) == decoded(coding, &expected) {
            return Ok(());
        }
        malformed(format!("a packet with checksum {}", shown(&expected)), shown(content))
    }
}

/// The bytes behind the start without stuffing, as far as they are known.
struct Inner {
    bytes: Vec<u8>,
    /// Position behind each byte on the line.
    ends: Vec<usize>,
    /// Whether the end of the packet was found (only searched for where no length is announced).
    ended: bool,
    broken: Option<Malformed>,
}

impl Inner {
    fn of(format: &PacketFormat, raw: &[u8]) -> Self {
        let mut inner = Self { bytes: Vec::new(), ends: Vec::new(), ended: false, broken: None };
        let searches = !format.end.is_empty() && !format.parts.iter().any(|part| matches!(part, Part::Length(_)));
        let most = format.max_body + format.overhead();
        let mut at = 0;
        while at < raw.len() && inner.bytes.len() <= most {
            if searches && raw[at..].starts_with(&format.end) {
                inner.ended = true;
                break;
            }
            let (byte, width) = match &format.stuffing {
                Some(stuffing) if raw[at] == stuffing.escape => {
                    let Some(code) = raw.get(at + 1) else { break };
                    match stuffing.codes.iter().find(|(_, known)| known == code) {
                        Some((byte, _)) => (*byte, 2),
                        None => {
                            inner.broken = malformed::<()>("an escaped byte", shown(&raw[at..])).err();
                            break;
                        }
                    }
                }
                Some(stuffing) if stuffing.codes.iter().any(|(byte, _)| *byte == raw[at]) => {
                    inner.broken = malformed::<()>("the rest of the packet", shown(&raw[at..])).err();
                    break;
                }
                _ => (raw[at], 1),
            };
            at += width;
            inner.bytes.push(byte);
            inner.ends.push(at);
        }
        inner
    }

    fn raw_length(&self, count: usize) -> usize {
        count.checked_sub(1).and_then(|last| self.ends.get(last)).copied().unwrap_or(0)
    }

    fn more_or(&self, need: usize, raw: &[u8], most: usize) -> Result<Unwrapped, Malformed> {
        match &self.broken {
            Some(broken) => Err(broken.clone()),
            None if self.ended || self.bytes.len() > most => malformed("a packet", shown(raw)),
            None => Ok(Unwrapped::More(need.max(raw.len() + 1))),
        }
    }
}

#[cfg(test)]
mod tests;
