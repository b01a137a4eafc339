//! The log of exchanges: bytes sent and received beside what was expected, in hexadecimal and as text.

use crate::clock::UtcMicros;
use std::fmt;

/// One exchange.
#[derive(Clone, Debug)]
pub struct Exchanged<'a> {
    /// Time at which it ended.
    pub time: UtcMicros,
    /// File, line, action and step of the dialect.
    pub place: &'a str,
    /// Bytes sent.
    pub sent: &'a [u8],
    /// Template of the expected answer; empty where none is expected.
    pub expected: &'a str,
    /// Bytes received.
    pub received: &'a [u8],
    /// The fault; `None` after success.
    pub fault: Option<String>,
}

/// Receives every exchange.
pub type Trace = Box<dyn FnMut(&Exchanged) + Send>;

/// Bytes of a row of the log.
const ROW: usize = 16;
/// Rows of one message; the middle of a longer one is left out.
const MOST_ROWS: usize = 8;

fn rows(f: &mut fmt::Formatter<'_>, mark: &str, bytes: &[u8]) -> fmt::Result {
    let rows = bytes.chunks(ROW).enumerate();
    let count = bytes.len().div_ceil(ROW);
    for (i, row) in rows {
        if count > MOST_ROWS && i == MOST_ROWS - 2 {
            writeln!(f, "    … {} bytes", bytes.len() - (MOST_ROWS - 1) * ROW)?;
        }
        if count > MOST_ROWS && (MOST_ROWS - 2..count - 1).contains(&i) {
            continue;
        }
        let hex: Vec<String> = row.iter().map(|b| format!("{b:02X}")).collect();
        let text: String = row.iter().map(|b| if (b' '..=b'~').contains(b) { char::from(*b) } else { '.' }).collect();
        writeln!(f, "  {mark} {:47}  {text}", hex.join(" "))?;
    }
    Ok(())
}

impl fmt::Display for Exchanged<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "{} {}", self.time, self.place)?;
        rows(f, ">", self.sent)?;
        if !self.expected.is_empty() {
            writeln!(f, "  expected  {}", self.expected.escape_debug())?;
        }
        rows(f, "<", self.received)?;
        match &self.fault {
            Some(fault) => writeln!(f, "  fault     {fault}"),
            None => Ok(()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_exchange_is_shown_in_hexadecimal_and_as_text() {
        let received: Vec<u8> = (0..200).collect();
        let exchanged = Exchanged {
            time: UtcMicros(0),
            place: "x.toml:7: identify, step 1",
            sent: b"ID\r",
            expected: "{serial}",
            received: &received,
            fault: Some("nothing came".into()),
        };
        let text = exchanged.to_string();
        assert!(text.contains("x.toml:7: identify, step 1\n  > 49 44 0D"), "{text}");
        assert!(text.contains("  ID.\n  expected  {serial}\n  < 00 01"), "{text}");
        assert!(text.contains("… 88 bytes") && text.ends_with("  fault     nothing came\n"), "{text}");
    }
}
