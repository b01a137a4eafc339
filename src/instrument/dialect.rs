//! The commands and keywords of a wire dialect, as data.
//!
//! A [`Dialect`] holds command templates and the keywords of answers; it has no behaviour. The built-in one is
//! [`super::scpi::SCPI`].
//!
//! Invariant: the session composes messages from a dialect only, so another dialect with the same grammar (messages of commands,
//! answers of fields, a block last) needs no change of code.

use super::malformed::Malformed;
use std::borrow::Cow;

/// A keyword or command template of a dialect.
pub type Text = Cow<'static, str>;

/// A keyword with a short and a long form in SCPI notation: the short form of `CLOSed` is `CLOS`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Keyword(pub Text);

impl Keyword {
    /// The short form, which is sent: without the lower-case letters.
    pub fn short(&self) -> String {
        self.0.chars().filter(|c| !c.is_ascii_lowercase()).collect()
    }

    /// Whether `found` is the short or the long form, in any case. Keywords of several parts (`UINTeger,16`) are compared part
    /// by part.
    pub fn matches(&self, found: &str) -> bool {
        let mut found = found.split(',').map(str::trim);
        let same = self.0.split(',').all(|part| {
            let short = || part.bytes().filter(|c| !c.is_ascii_lowercase());
            let is_short = |f: &str| f.bytes().map(|c| c.to_ascii_uppercase()).eq(short());
            found.next().is_some_and(|f| is_short(f) || f.eq_ignore_ascii_case(part))
        });
        same && found.next().is_none()
    }
}

/// A setting: its command and its query.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Setting {
    /// The command; `{}` stands for the value.
    pub set: Text,
    /// The query.
    pub query: Text,
}

impl Setting {
    /// The command with its value.
    pub fn to(&self, value: &str) -> String {
        self.set.replacen("{}", value, 1)
    }
}

/// A query with a known answer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Probe {
    /// The query: without side effects, answered at once, allowed several times in one message.
    pub query: Text,
    /// Its only correct answer.
    pub answer: Text,
}

/// A wire dialect.
///
/// The commands of a message are separated by `;` and terminated by LF; so are the fields of the answer. The answer to
/// [`Dialect::read`] or [`Dialect::fetch`] is a definite-length block at the end of the message.
#[derive(Clone, Debug, PartialEq)]
pub struct Dialect {
    /// Name in the configuration.
    pub name: Text,
    /// The two binary digits of sequence tags: queries with different known answers. A few of them precede the queries of every
    /// message and number the messages.
    pub tag: [Probe; 2],
    /// Query of `maker,model,serial,firmware`; must be the last query of its message.
    pub identify: Text,
    /// Empties the error queue.
    pub clear_errors: Text,
    /// Ends a running exposure.
    pub abort: Text,
    /// Query of the oldest error, `code,"text"`; code 0 means no error.
    pub next_error: Text,
    /// Query of the number of pixels.
    pub pixels: Text,
    /// Query of the full-scale reading [counts].
    pub full_scale: Text,
    /// Query of the shielded pixels, `first,last[,first,last…]`.
    pub shielded: Text,
    /// Its answer for no shielded pixels.
    pub shielded_none: Keyword,
    /// Integration time [s].
    pub aperture: Setting,
    /// Query of the shortest integration time [s].
    pub aperture_min: Text,
    /// Query of the longest integration time [s].
    pub aperture_max: Text,
    /// The shutter.
    pub shutter: Setting,
    /// Open state of the shutter.
    pub shutter_open: Keyword,
    /// Closed state of the shutter.
    pub shutter_closed: Keyword,
    /// Error code for a missing shutter.
    pub hardware_missing: i32,
    /// Error code for a value out of range.
    pub out_of_range: i32,
    /// Query of the detector's temperature [°C].
    pub temperature: Text,
    /// Numbers from this one on represent "not a number".
    pub not_a_number: f64,
    /// Pixel data type.
    pub format: Setting,
    /// Unsigned, 16 bits.
    pub format_u16: Keyword,
    /// Unsigned, 32 bits.
    pub format_u32: Keyword,
    /// Byte order.
    pub byte_order: Setting,
    /// Most significant byte first.
    pub big_endian: Keyword,
    /// Exposes once and returns the block.
    pub read: Text,
    /// Returns the last block again.
    pub fetch: Text,
    /// Query of the CRC-32 of the last block's payload.
    pub checksum: Text,
}

/// Encoding of a pixel.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PixelFormat {
    /// Two bytes, most significant first.
    U16,
    /// Four bytes, most significant first.
    U32,
}

impl PixelFormat {
    /// The smallest format that holds `full_scale` counts.
    pub fn for_full_scale(full_scale: u32) -> Self {
        if full_scale <= u32::from(u16::MAX) { Self::U16 } else { Self::U32 }
    }

    /// Bytes per pixel.
    pub fn width(self) -> usize {
        match self {
            Self::U16 => 2,
            Self::U32 => 4,
        }
    }

    /// The dialect's keyword of the format.
    pub fn keyword(self, dialect: &Dialect) -> &Keyword {
        match self {
            Self::U16 => &dialect.format_u16,
            Self::U32 => &dialect.format_u32,
        }
    }

    /// Decodes the counts of a payload, in detector order.
    pub fn decode(self, payload: &[u8]) -> Result<Vec<u32>, Malformed> {
        if !payload.len().is_multiple_of(self.width()) {
            let expected = format!("a multiple of {} bytes", self.width());
            return Err(Malformed { expected, found: format!("{} bytes", payload.len()) });
        }
        Ok(match self {
            Self::U16 => payload.as_chunks().0.iter().map(|b| u32::from(u16::from_be_bytes(*b))).collect(),
            Self::U32 => payload.as_chunks().0.iter().map(|b| u32::from_be_bytes(*b)).collect(),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Published: IEEE 488.2 and SCPI-1999 accept exactly the short and the long form, in any case.
    #[test]
    fn a_keyword_matches_its_short_and_long_form_and_nothing_between() {
        let closed = Keyword("CLOSed".into());
        assert_eq!(closed.short(), "CLOS");
        for right in ["CLOS", "CLOSED", "closed", "Clos"] {
            assert!(closed.matches(right), "{right}");
        }
        for wrong in ["CLO", "CLOSE", "CLOSEDX", "", "CLOS,1", "OPEN"] {
            assert!(!closed.matches(wrong), "{wrong}");
        }
        let format = Keyword("UINTeger,16".into());
        assert_eq!(format.short(), "UINT,16");
        assert!(format.matches("UINT,16") && format.matches("uinteger, 16"));
        assert!(!format.matches("UINT,32") && !format.matches("UINT") && !format.matches("UINT,16,1"));
    }

    /// Both widths are decoded as big-endian; a payload with an incomplete pixel is refused.
    #[test]
    fn pixels_are_decoded_most_significant_byte_first() {
        assert_eq!(PixelFormat::U16.decode(&[0x01, 0x02, 0xff, 0xff]), Ok(vec![0x0102, 0xffff]));
        assert_eq!(PixelFormat::U32.decode(&[0, 1, 2, 3, 0xff, 0xff, 0xff, 0xff]), Ok(vec![0x0001_0203, u32::MAX]));
        assert!(PixelFormat::U32.decode(&[0, 1, 2]).unwrap_err().found.contains("3 bytes"));
        assert_eq!(PixelFormat::for_full_scale(65_535), PixelFormat::U16);
        assert_eq!(PixelFormat::for_full_scale(65_536), PixelFormat::U32);
    }
}
