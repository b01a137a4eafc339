//! Parsers of answers, from a buffer of received bytes.
//!
//! Pure: does not read from the line. An incomplete answer ([`Step::More`]) and an invalid one ([`Malformed`]) are different
//! results.
//!
//! Invariants:
//! - Bytes are consumed only with a complete answer.
//! - The announced length of a block is compared with the expected one before memory is allocated.
//! - **Resynchronisation:** after `Malformed` the caller discards the buffer, drains the line until it is quiet and sends a
//!   query with a known answer.

use super::dialect::Keyword;
use super::fields::Fields;
use super::malformed::{Malformed, malformed, shown};
use crate::record::PixelRanges;

/// Longest accepted text answer [bytes].
pub const MAX_TEXT: usize = 2048;
/// Largest accepted number of pixels: stored pixel numbers have 16 bits.
pub const MAX_PIXELS: usize = 65_536;

/// Result of a parser.
#[derive(Clone, Debug, PartialEq)]
pub enum Step<T> {
    /// Incomplete: more bytes are needed.
    More,
    /// A complete answer.
    Done {
        /// The parsed value.
        value: T,
        /// Number of bytes consumed.
        used: usize,
    },
}

/// Parses one line of text into fields, separated by `;` outside quotes.
pub fn text(bytes: &[u8]) -> Result<Step<Fields>, Malformed> {
    let end = bytes.iter().position(|b| *b == b'\n');
    let line = &bytes[..end.unwrap_or(bytes.len())];
    if line.len() > MAX_TEXT {
        return malformed(format!("at most {MAX_TEXT} bytes of text"), shown(line));
    }
    let line = match end {
        Some(_) => line.strip_suffix(b"\r").unwrap_or(line),
        // The last byte may be the CR of an incomplete CR LF.
        None => line,
    };
    printable(line, end.is_none())?;
    Ok(match end {
        None => Step::More,
        Some(end) => Step::Done { value: Fields::of(line), used: end + 1 },
    })
}

fn printable(line: &[u8], may_end_in_cr: bool) -> Result<(), Malformed> {
    let body = if may_end_in_cr { line.strip_suffix(b"\r").unwrap_or(line) } else { line };
    match body.iter().all(|b| (b' '..=b'~').contains(b)) {
        true => Ok(()),
        false => malformed("printable text", shown(line)),
    }
}

/// The fields before a block, and the position of its payload.
#[derive(Clone, Debug, PartialEq)]
pub struct BlockHead {
    /// The fields.
    pub fields: Fields,
    /// Index of the first payload byte.
    pub payload: usize,
}

/// Parses the head of an answer of `count` text fields and a definite-length block (IEEE 488.2: `#`, one digit d that is
/// not 0, d digits of length) of exactly `length` bytes.
pub fn block_head(bytes: &[u8], count: usize, length: usize) -> Result<Step<BlockHead>, Malformed> {
    // Fields before a block are numbers and keywords without quotes, so every `;` is a separator.
    let mut start = 0;
    for done in 0..count {
        let Some(end) = bytes[start..].iter().take(MAX_TEXT).position(|b| matches!(b, b';' | b'\n')) else {
            printable(&bytes[start..], false)?;
            return match bytes.len() - start > MAX_TEXT {
                true => malformed(format!("{count} short fields and a block"), shown(&bytes[start..])),
                false => Ok(Step::More),
            };
        };
        if bytes[start + end] == b'\n' {
            return malformed(
                format!("{count} fields and a block"),
                format!("only {} fields: {}", done + 1, shown(&bytes[..start + end])),
            );
        }
        start += end + 1;
    }
    let head = &bytes[..start.saturating_sub(1)];
    printable(head, false)?;
    let rest = &bytes[start..];
    let want = || format!("a block of {length} bytes");
    match rest {
        [] => return Ok(Step::More),
        [b'#'] => return Ok(Step::More),
        [b'#', b'1'..=b'9', ..] => {}
        _ => return malformed(want(), shown(rest)),
    }
    let digits = usize::from(rest[1] - b'0');
    let announced = &rest[2..rest.len().min(2 + digits)];
    if !announced.iter().all(u8::is_ascii_digit) {
        return malformed(want(), shown(rest));
    }
    if announced.len() < digits {
        return Ok(Step::More);
    }
    // At most nine digits, so this does not overflow.
    let announced = announced.iter().fold(0_usize, |sum, b| sum * 10 + usize::from(b - b'0'));
    if announced != length {
        return malformed(want(), format!("one of {announced} bytes"));
    }
    let fields = if count == 0 { Fields::default() } else { Fields::of(head) };
    if fields.len() != count {
        return malformed(format!("{count} fields without quotes and a block"), shown(head));
    }
    let payload = start + 2 + digits;
    Ok(Step::Done { value: BlockHead { fields, payload }, used: payload })
}

/// Fields and the payload of the following block.
#[derive(Clone, Debug, PartialEq)]
pub struct Block<'a> {
    /// The fields.
    pub fields: Fields,
    /// The payload.
    pub payload: &'a [u8],
}

/// Parses a complete answer of `count` fields and a block of `length` bytes.
pub fn block(bytes: &[u8], count: usize, length: usize) -> Result<Step<Block<'_>>, Malformed> {
    let head = match block_head(bytes, count, length)? {
        Step::More => return Ok(Step::More),
        Step::Done { value, .. } => value,
    };
    let Some(payload) = bytes.get(head.payload..head.payload + length) else { return Ok(Step::More) };
    let used = match &bytes[head.payload + length..] {
        [] | [b'\r'] => return Ok(Step::More),
        [b'\n', ..] => 1,
        [b'\r', b'\n', ..] => 2,
        beyond => {
            return malformed(format!("the end of the message after a block of {length} bytes"), shown(beyond));
        }
    };
    let used = head.payload + length + used;
    Ok(Step::Done { value: Block { fields: head.fields, payload }, used })
}

/// Parses a finite number (NR1, NR2 or NR3).
pub fn number(field: &str) -> Result<f64, Malformed> {
    let plain = field.bytes().all(|b| matches!(b, b'0'..=b'9' | b'+' | b'-' | b'.' | b'e' | b'E'));
    match field.parse::<f64>() {
        Ok(x) if plain && x.is_finite() => Ok(x),
        _ => malformed("a number", format!("`{field}`")),
    }
}

/// Parses an integer from `low` to `high`.
pub fn whole(field: &str, low: u32, high: u32) -> Result<u32, Malformed> {
    match number(field) {
        // In this range every integral f64 is exactly a u32.
        Ok(x) if x >= f64::from(low) && x <= f64::from(high) && x.fract() == 0.0 => Ok(x as u32),
        _ => malformed(format!("an integer from {low} to {high}"), format!("`{field}`")),
    }
}

/// Parses a duration above 0, up to a day [s].
pub fn seconds(field: &str) -> Result<f64, Malformed> {
    match number(field) {
        Ok(s) if s > 0.0 && s <= 86_400.0 => Ok(s),
        _ => malformed("a time above 0 s and up to a day", format!("`{field}`")),
    }
}

/// Parses a temperature [°C], −100 to 200; `None` (no sensor) for a number of at least `not_a_number`.
pub fn temperature(field: &str, not_a_number: f64) -> Result<Option<f64>, Malformed> {
    match number(field) {
        Ok(t) if t >= not_a_number => Ok(None),
        Ok(t) if (-100.0..=200.0).contains(&t) => Ok(Some(t)),
        _ => malformed("a temperature from -100 to 200 °C", format!("`{field}`")),
    }
}

/// Parses an entry of the error queue: code and text.
pub fn error(field: &str) -> Result<(i32, String), Malformed> {
    let (code, text) = field.split_once(',').unwrap_or((field, ""));
    match code.trim().parse() {
        Ok(code) => Ok((code, text.trim().trim_matches('"').to_owned())),
        Err(_) => malformed("an error code and its text", format!("`{field}`")),
    }
}

/// Parses the shielded pixels, `first,last[,first,last…]` or the keyword for none.
pub fn shielded(field: &str, none: &Keyword, pixels: usize) -> Result<PixelRanges, Malformed> {
    if none.matches(field) {
        return Ok(PixelRanges::default());
    }
    let last_pixel = pixels.clamp(1, MAX_PIXELS) as u32 - 1;
    let ends = field.split(',').map(|f| whole(f.trim(), 0, last_pixel)).collect::<Result<Vec<u32>, _>>()?;
    let mut mask = vec![false; last_pixel as usize + 1];
    for pair in ends.chunks(2) {
        match *pair {
            [first, last] if first <= last => mask[first as usize..=last as usize].fill(true),
            _ => return malformed("pairs of first and last shielded pixel", format!("`{field}`")),
        }
    }
    Ok(PixelRanges::from_mask(&mask))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn done<T>(step: Result<Step<T>, Malformed>) -> (T, usize) {
        match step {
            Ok(Step::Done { value, used }) => (value, used),
            Ok(Step::More) => panic!("the answer is incomplete"),
            Err(e) => panic!("{e}"),
        }
    }

    /// Published: IEEE 488.2 separates answers by `;`; SCPI-1999 error texts are quoted and may contain one.
    #[test]
    fn fields_are_separated_outside_of_quotes_only() {
        let line = b"1; 0.1;-222,\"Data out of range;:SENS:APER 99\"\r\n";
        let (value, used) = done(text(&[&line[..], b"rest"].concat()));
        assert_eq!(value.iter().collect::<Vec<_>>(), ["1", "0.1", "-222,\"Data out of range;:SENS:APER 99\""]);
        assert_eq!(used, line.len());
    }

    /// An answer truncated anywhere is `More`, never `Malformed` and never complete.
    #[test]
    fn an_answer_truncated_anywhere_is_incomplete() {
        let line = b"1;1;0.1;OPEN\r\n";
        for cut in 0..line.len() {
            assert_eq!(text(&line[..cut]), Ok(Step::More), "cut at {cut}");
        }
        let answer = b"1;0.1;#14\n;#1\r\n";
        for cut in 0..answer.len() {
            assert_eq!(block(&answer[..cut], 2, 4), Ok(Step::More), "cut at {cut}");
        }
        let (Block { fields, payload }, used) = done(block(answer, 2, 4));
        assert_eq!((fields, payload, used), (Fields::of(b"1;0.1"), &b"\n;#1"[..], answer.len()));
    }

    /// An invalid block is distinguished from an incomplete one.
    #[test]
    fn an_invalid_block_is_malformed_as_early_as_possible() {
        for (bytes, word) in [
            (&b"1;0.1;#15"[..], "one of 5 bytes"),
            (b"1;0.1;#9999999999", "one of 999999999 bytes"),
            (b"1;0.1;#0", "#0"),
            (b"1;0.1;#1x", "#1x"),
            (b"1;0.1;123,124", "123,124"),
            (b"1\n", "only 1 fields"),
            (b"\x00\x01", "\\x00"),
            (b"1;0.1;#14abcde\n", "`e\\n`"),
            (b"1;0.1;#14abc\n\r;", "\\r"),
        ] {
            let e = block(bytes, 2, 4).unwrap_err();
            assert!(e.found.contains(word), "{}: {e}", shown(bytes));
        }
        assert!(block(&[b'7'; MAX_TEXT + 2], 1, 4).is_err());
        assert!(text(&[b'7'; MAX_TEXT + 1]).is_err());
        assert!(text(b"caf\xe9\n").is_err());
    }

    /// Each field parser accepts its range and refuses other values and non-numbers.
    #[test]
    fn fields_out_of_their_range_are_refused() {
        assert_eq!((number("+1.5E-1"), number("42"), number("-.5")), (Ok(0.15), Ok(42.0), Ok(-0.5)));
        for bad in ["", "nan", "inf", "infinity", "1e999", "0x10", "1 2", "1,2", "--1", "abc"] {
            assert!(number(bad).is_err(), "{bad}");
        }
        assert_eq!((whole("2048", 1, 65_536), whole("2.048E3", 1, 65_536)), (Ok(2048), Ok(2048)));
        assert_eq!(whole("4294967295", 0, u32::MAX), Ok(u32::MAX));
        for bad in ["0", "65537", "1.5", "-1", "4294967296", "nan"] {
            assert!(whole(bad, 1, 65_536).is_err(), "{bad}");
        }
        for bad in ["0", "-1", "86401", "x"] {
            assert!(seconds(bad).is_err(), "{bad}");
        }
        assert_eq!((temperature("9.91E37", 9.9e37), temperature("-12.5", 9.9e37)), (Ok(None), Ok(Some(-12.5))));
        for bad in ["201", "-101", "1e6", "", "nan"] {
            assert!(temperature(bad, 9.9e37).is_err(), "{bad}");
        }
        assert_eq!(error("-222,\"Data out of range\""), Ok((-222, "Data out of range".into())));
        assert_eq!(error("0,\"No error\"").map(|e| e.0), Ok(0));
        assert!(error("OPEN").is_err());
    }

    /// Shielded pixels are pairs within the detector.
    #[test]
    fn shielded_pixels_are_pairs_inside_the_detector() {
        let none = Keyword("NONE".into());
        assert_eq!(shielded("none", &none, 16), Ok(PixelRanges::default()));
        assert_eq!(shielded("0,3,14,15", &none, 16), Ok(PixelRanges(vec![(0, 3), (14, 15)])));
        for bad in ["", "1", "3,1", "0,16", "0,1,2", "a,b"] {
            assert!(shielded(bad, &none, 16).is_err(), "{bad}");
        }
    }

    proptest! {
        /// For random bytes every parser returns without panic and consumes at most the available bytes.
        #[test]
        fn random_bytes_never_panic(bytes in proptest::collection::vec(any::<u8>(), 0..300), count in 0_usize..6, length in 0_usize..64) {
            if let Ok(Step::Done { used, .. }) = text(&bytes) { prop_assert!(used <= bytes.len()); }
            if let Ok(Step::Done { used, .. }) = block(&bytes, count, length) { prop_assert!(used <= bytes.len()); }
            let field = String::from_utf8_lossy(&bytes).into_owned();
            let none = Keyword("NONE".into());
            let _ = (number(&field), whole(&field, 0, 9), seconds(&field), temperature(&field, 9.9e37), error(&field));
            let _ = (shielded(&field, &none, bytes.len()), none.matches(&field));
        }

        /// The same for bytes that resemble an answer.
        #[test]
        fn bytes_like_an_answer_never_panic(bytes in "[0-9;#,.\n\r\"A-C]{0,80}", count in 0_usize..6, length in 0_usize..12) {
            if let Ok(Step::Done { used, .. }) = text(bytes.as_bytes()) { prop_assert!(used <= bytes.len()); }
            if let Ok(Step::Done { used, .. }) = block(bytes.as_bytes(), count, length) { prop_assert!(used <= bytes.len()); }
        }

        /// An encoded answer is decoded and consumes exactly its own bytes, for any bytes after it.
        #[test]
        fn an_encoded_answer_is_decoded(
            fields in proptest::collection::vec("[A-Z0-9.,-]{1,12}", 0..6),
            payload in proptest::collection::vec(any::<u8>(), 1..600),
            beyond in proptest::collection::vec(any::<u8>(), 0..8),
        ) {
            let mut bytes: Vec<u8> = fields.iter().flat_map(|f| format!("{f};").into_bytes()).collect();
            let length = payload.len().to_string();
            bytes.extend(format!("#{}{length}", length.len()).bytes());
            bytes.extend(&payload);
            bytes.push(b'\n');
            let whole = bytes.len();
            bytes.extend(&beyond);
            let told = if fields.is_empty() { Fields::default() } else { Fields::of(fields.join(";").as_bytes()) };
            let expected = Ok(Step::Done { value: Block { fields: told, payload: &payload }, used: whole });
            prop_assert_eq!(block(&bytes, fields.len(), payload.len()), expected);
        }
    }
}
