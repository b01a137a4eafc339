//! What a wire dialect is: the words, as data.
//!
//! A [`Dialect`] holds command templates and the words that answers are made of; it holds no behaviour. The built-in one
//! is [`super::scpi::SCPI`]. What must stay true: the session composes messages from these words only, so another dialect
//! of the same grammar (messages of commands, answers of fields, one block last) needs no change of code.

use super::malformed::Malformed;
use std::borrow::Cow;

/// A word or template of a dialect.
pub type Text = Cow<'static, str>;

/// A word with a short and a long form, written as SCPI writes it: `CLOSed` is `CLOS` for short.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Keyword(pub Text);

impl Keyword {
    /// The form to send: without the small letters.
    pub fn short(&self) -> String {
        self.0.chars().filter(|c| !c.is_ascii_lowercase()).collect()
    }

    /// Whether `found` is the word, in its short or its long form, in small or capital letters. Words of several parts
    /// (`UINTeger,16`) are compared part by part.
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

/// A query whose answer is known.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Probe {
    /// The query; harmless, answered at once, and allowed several times in one message.
    pub query: Text,
    /// Its only right answer.
    pub answer: Text,
}

/// The words of one wire dialect.
///
/// Commands of one message are joined by `;` and ended by LF; so are the fields of the answer. The answer to
/// [`Dialect::read`] or [`Dialect::fetch`] is a definite-length block and the last of its message.
#[derive(Clone, Debug, PartialEq)]
pub struct Dialect {
    /// Its name in a configuration.
    pub name: Text,
    /// The binary digits of sequence tags: queries whose known answers differ. A few of them stand in front of the queries of
    /// every message, and so number the messages.
    pub tag: [Probe; 2],
    /// Asks for `maker,model,serial,firmware`; the last query of its message.
    pub identify: Text,
    /// Empties the error queue.
    pub clear_errors: Text,
    /// Ends a running exposure.
    pub abort: Text,
    /// Asks for the oldest error, `code,"text"`; code 0 is none.
    pub next_error: Text,
    /// Asks for the number of pixels.
    pub pixels: Text,
    /// Asks for the full-scale reading [counts].
    pub full_scale: Text,
    /// Asks for the shielded pixels, `first,last[,first,last…]`.
    pub shielded: Text,
    /// The answer where there are none.
    pub masked_none: Keyword,
    /// Integration time [s].
    pub aperture: Setting,
    /// Asks for the shortest integration time [s].
    pub aperture_min: Text,
    /// Asks for the longest integration time [s].
    pub aperture_max: Text,
    /// The shutter.
    pub shutter: Setting,
    /// Its open state.
    pub shutter_open: Keyword,
    /// Its closed state.
    pub shutter_closed: Keyword,
    /// The code of the error that says that there is no shutter.
    pub hardware_missing: i32,
    /// The code for a value out of range.
    pub out_of_range: i32,
    /// Asks for the detector's temperature [°C].
    pub temperature: Text,
    /// From this number on, a number stands for "not a number".
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
    /// Exposes once and answers with the block.
    pub read: Text,
    /// Answers with the last block again.
    pub fetch: Text,
    /// Asks for the CRC-32 of the last block's payload.
    pub checksum: Text,
}

/// How a pixel travels.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PixelFormat {
    /// Two bytes, most significant first.
    U16,
    /// Four bytes, most significant first.
    U32,
}

impl PixelFormat {
    /// The narrowest that holds `full_scale` counts.
    pub fn for_full_scale(full_scale: u32) -> Self {
        if full_scale <= u32::from(u16::MAX) { Self::U16 } else { Self::U32 }
    }

    /// Bytes a pixel.
    pub fn width(self) -> usize {
        match self {
            Self::U16 => 2,
            Self::U32 => 4,
        }
    }

    /// The dialect's word for it.
    pub fn word(self, dialect: &Dialect) -> &Keyword {
        match self {
            Self::U16 => &dialect.format_u16,
            Self::U32 => &dialect.format_u32,
        }
    }

    /// The counts in a payload, in detector order.
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

    /// Identity: big-endian pixels of both widths; a payload of half a pixel is refused.
    #[test]
    fn pixels_are_decoded_most_significant_byte_first() {
        assert_eq!(PixelFormat::U16.decode(&[0x01, 0x02, 0xff, 0xff]), Ok(vec![0x0102, 0xffff]));
        assert_eq!(PixelFormat::U32.decode(&[0, 1, 2, 3, 0xff, 0xff, 0xff, 0xff]), Ok(vec![0x0001_0203, u32::MAX]));
        assert!(PixelFormat::U32.decode(&[0, 1, 2]).unwrap_err().found.contains("3 bytes"));
        assert_eq!(PixelFormat::for_full_scale(65_535), PixelFormat::U16);
        assert_eq!(PixelFormat::for_full_scale(65_536), PixelFormat::U32);
    }
}
