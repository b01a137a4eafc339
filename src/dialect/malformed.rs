//! The error for bytes that do not begin the expected answer, and the representation of bytes in messages.

/// Received bytes that are not the beginning of the expected answer.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("expected {expected}, but found {found}")]
pub struct Malformed {
    /// The expected text.
    pub expected: String,
    /// The text found.
    pub found: String,
}

/// [`Malformed`] as the result of a parser.
pub(crate) fn malformed<T>(expected: impl Into<String>, found: impl Into<String>) -> Result<T, Malformed> {
    Err(Malformed { expected: expected.into(), found: found.into() })
}

/// Bytes as printable, shortened text for messages.
pub fn shown(bytes: &[u8]) -> String {
    const MOST: usize = 48;
    let text = bytes[..bytes.len().min(MOST)].escape_ascii();
    if bytes.len() > MOST { format!("`{text}…` ({} bytes)", bytes.len()) } else { format!("`{text}`") }
}

/// Bytes of a message: text where they are printable, otherwise hexadecimal with the text behind it.
pub fn wire(bytes: &[u8]) -> String {
    const MOST: usize = 32;
    let printable = |b: &u8| (b' '..=b'~').contains(b) || matches!(b, b'\r' | b'\n' | b'\t');
    if bytes.iter().all(printable) {
        return String::from_utf8_lossy(bytes).trim_end().replace('\n', "\\n").replace('\r', "\\r");
    }
    let hex: Vec<String> = bytes.iter().take(MOST).map(|b| format!("{b:02X}")).collect();
    let text: String =
        bytes.iter().take(MOST).map(|b| if (b' '..=b'~').contains(b) { char::from(*b) } else { '.' }).collect();
    let more = if bytes.len() > MOST { format!(" … {} bytes", bytes.len()) } else { String::new() };
    format!("{}{more} |{text}|", hex.join(" "))
}
